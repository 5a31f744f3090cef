"""Pages as PDF: a template of ours, a person's words as data, fonts carried in the file."""

from __future__ import annotations

import datetime as dt
import json
import re
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import typst

from geo.draw.svg import plain
from geo.exchange.atomic import checked_name

FONTS = ("Libertinus Serif", "DejaVu Sans Mono")
"""Carried by the typesetter itself: the same page on every machine."""
LONGEST_WORD = 24
ARCHIVE = "a-2b"
TAGGED, TAGGED_ARCHIVE = ("ua-1",), ("a-2a", "ua-1")
PRELUDE = """
#let d = json(bytes(sys.inputs.data))
#set document(title: d.title, author: (), date: DATE)
#set text(9pt, font: (FONTS), number-width: "tabular", lang: "en", region: "gb")
#show heading.where(level: 1): set text(17pt)
#show heading.where(level: 2): it => block(above: 5mm, below: 2.5mm, sticky: true, text(12pt, it.body))
#let page-number = context counter(page).display("1 of 1", both: true)
#let ruled(header, widths, rows, size: 8pt) = {
  set text(size)
  set par(leading: .45em)
  table(columns: widths.map(w => w * 1fr), stroke: none, inset: (x: 1.2mm, y: 1.1mm), align: left + top,
    fill: (_, y) => if y > 0 and calc.even(y) { luma(244) },
    table.hline(stroke: .6pt), table.header(..header.map(h => strong(h)), table.hline(stroke: .4pt)),
    ..rows.flatten(), table.hline(stroke: .4pt))
}
"""


def typeset(
    template: str,
    inputs: Mapping[str, Any],
    *,
    title: str,
    dated: dt.date | None = None,
    drawings: Mapping[str, str | bytes] | None = None,
    accessible: bool = False,
) -> bytes:
    """Set pages from a template and data, and return them as PDF with the fonts embedded.

    Before the template stand ``d``, the inputs; ``d.title``; ``page-number``; the house's text and headings;
    and ``ruled(header, widths, rows, size: 8pt)``, a ruled table. What a person wrote is only ever data: no
    sign in it is obeyed. Words too long for a column may break, and signs no page can hold are replaced.

    Parameters
    ----------
    template
        Typst, ours alone; nobody's words may be pasted into it.
    inputs
        Whatever JSON holds: text, numbers, lists, mappings.
    title
        Title of the document, in its properties too.
    dated
        Day the document bears. With it the file is PDF/A-2b, for archives, and the same inputs give the same
        bytes; without it there is no date in the file and it makes no such claim.
    drawings
        Files the template may show with ``image``, by name: SVG as text, PNG and JPEG as bytes.
    accessible
        Make it PDF/UA-1, and PDF/A-2a where it is dated: every part is tagged for who listens to it. Then
        headings may not leave out a level, and every image needs its ``alt``.
    """
    told = json.dumps(printable({**inputs, "title": title}), ensure_ascii=True, allow_nan=False)
    day = "none" if dated is None else f"datetime(year: {dated.year}, month: {dated.month}, day: {dated.day})"
    fonts = ", ".join(f'"{font}"' for font in FONTS)
    source = PRELUDE.replace("DATE", day).replace("FONTS", fonts) + template
    with tempfile.TemporaryDirectory(prefix="wallfoot-page-") as folder:
        for name, content in (drawings or {}).items():
            path = Path(folder) / checked_name(name)
            path.write_bytes(content.encode() if isinstance(content, str) else content)
        page = Path(folder) / "page.typ"
        page.write_text(source, encoding="utf-8")
        kept: tuple[str, ...]
        if accessible:
            kept = TAGGED_ARCHIVE if dated is not None else TAGGED
        else:
            kept = (ARCHIVE,) if dated is not None else ()
        return _compiled(page, told, standards=kept)


def _compiled(page: Path, told: str, *, standards: tuple[str, ...]) -> bytes:
    """Compile with our own fonts; for letters they lack with the machine's; else show the gaps."""
    for own in (True, False) if standards else ():
        try:
            return _compile(page, told, own=own, standards=standards)
        except typst.TypstError as error:
            if "could not be displayed" not in str(error):
                raise
    return _compile(page, told, own=False, standards=())


def _compile(page: Path, told: str, *, own: bool, standards: tuple[str, ...]) -> bytes:
    return typst.compile(
        page,
        root=page.parent,
        sys_inputs={"data": told},
        ignore_system_fonts=own,
        pdf_standards=list(standards) or None,  # type: ignore[arg-type]
    )


def printable(content: Any) -> Any:
    """Return content without signs a page cannot hold, long words made breakable, all else as it is."""
    if isinstance(content, str):
        return re.sub(rf"(\S{{{LONGEST_WORD}}})(?=\S)", "\\1\u200b", plain(content))
    if isinstance(content, Mapping):
        return {str(key): printable(value) for key, value in content.items()}
    if isinstance(content, list | tuple):
        return [printable(value) for value in content]
    return content
