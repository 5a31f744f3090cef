"""A report as one HTML file: no script, nothing fetched, every statement one click from its records."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from html import escape

from geo.draw.svg import plain
from geo.draw.theme import ACCENT, FAINT, INK, PANEL, PAPER, RULE, SOFT_INK
from geo.report.drawings import for_screen
from geo.report.links import Places, nature_words, places_of
from geo.report.parts import (
    Beside,
    Block,
    Cell,
    Document,
    Figure,
    Ids,
    Items,
    Note,
    Paragraph,
    Part,
    Table,
)
from geo.report.render_pdf import PREFACE, QUIET
from geo.report.wording import day_words

STYLE = f"""
:root {{ color-scheme: light; }}
* {{ box-sizing: border-box; }}
body {{ margin: 0; background: {PAPER}; color: {INK}; font: 16px/1.5 Georgia, "DejaVu Serif", serif; }}
main {{ max-width: 62rem; margin: 0 auto; padding: 1.5rem 1.25rem 4rem; }}
h1 {{ font-size: 2rem; line-height: 1.15; color: {ACCENT}; margin: 0 0 .3rem; overflow-wrap: anywhere; }}
h2 {{ font-size: 1.45rem; color: {ACCENT}; border-bottom: 2px solid {ACCENT}; margin: 2.6rem 0 1rem;
  padding-bottom: .2rem; }}
h3 {{ font-size: 1.15rem; margin: 1.8rem 0 .6rem; }}
h4, h5 {{ font-size: 1rem; margin: 1.4rem 0 .5rem; }}
h1, h2, h3, h4, h5, p, li, dd, td, figcaption {{ overflow-wrap: anywhere; }}
a {{ color: {ACCENT}; }}
a:focus-visible {{ outline: 3px solid {ACCENT}; outline-offset: 2px; }}
.sub {{ font-size: 1.2rem; margin: 0 0 1.2rem; }}
dl {{ display: grid; grid-template-columns: minmax(7rem, 10rem) 1fr; gap: .3rem 1rem; margin: 0 0 1.4rem; }}
dt {{ color: {SOFT_INK}; }} dd {{ margin: 0; }}
.why {{ display: block; color: {SOFT_INK}; font-size: .82rem; line-height: 1.4; }}
.items {{ list-style: none; padding: 0; margin: 0 0 1rem; }}
.items > li {{ border-left: 2px solid {RULE}; padding: .1rem 0 .1rem .8rem; margin: 0 0 .6rem; }}
ul.plain, ol.plain {{ margin: 0 0 1rem; padding-left: 1.4rem; }} .plain li {{ margin: 0 0 .35rem; }}
.note {{ background: {PANEL}; border-left: 4px solid {RULE}; padding: .7rem 1rem; margin: 1rem 0; }}
.note p {{ margin: .2rem 0; }} .urgent {{ border-left: 7px solid {ACCENT}; }}
.wide {{ overflow-x: auto; margin: 0 0 .3rem; }}
table {{ border-collapse: collapse; width: 100%; font-size: .86rem; line-height: 1.35; }}
caption {{ text-align: left; font-weight: 700; padding: .6rem 0 .3rem; }}
th {{ text-align: left; border-top: 2px solid {INK}; border-bottom: 1px solid {INK};
  vertical-align: bottom; }}
th, td {{ padding: .28rem .5rem; }} td {{ border-bottom: 1px solid {FAINT}; vertical-align: top; }}
td.n, th.n {{ text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }}
tr:target {{ background: #dbe8ef; }}
figure {{ margin: 1.2rem 0; }} figcaption {{ color: {SOFT_INK}; font-size: .86rem; margin-top: .3rem; }}
figure svg, figure img {{ display: block; width: 100%; height: auto; max-width: 100%; }}
figure.photo {{ display: inline-block; width: 48%; margin: 0 1% 1rem 0; vertical-align: top; }}
.beside {{ display: grid; grid-template-columns: 1fr minmax(15rem, 20rem); gap: 1.2rem; }}
nav ol {{ list-style: none; padding-left: 1rem; margin: .2rem 0; }} nav > ol {{ padding: 0; }}
footer {{ color: {SOFT_INK}; font-size: .85rem; border-top: 1px solid {RULE}; margin-top: 3rem;
  padding-top: .6rem; }}
@media (max-width: 44rem) {{ .beside, dl {{ grid-template-columns: 1fr; }} dd {{ margin-bottom: .4rem; }}
  figure.photo {{ width: 100%; }} }}
@media print {{
  @page {{ size: A4; margin: 16mm; }}
  body {{ background: #fff; font-size: 10pt; }} main {{ max-width: none; padding: 0; }}
  h2, h3, h4, caption {{ break-after: avoid; }} figure, .note, tr {{ break-inside: avoid; }}
  thead {{ display: table-header-group; }} .wide {{ overflow: visible; }} a {{ text-decoration: none; }}
}}
"""
POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; form-action 'none'"


def report_html(document: Document) -> bytes:
    """Return a report, or a letter, as one HTML file in UTF-8.

    It holds no script and asks nothing of any network; its own policy forbids both. Whatever a person wrote
    is escaped. The same document gives the same bytes.
    """
    writer = _Writer(places=places_of(document), letter=document.key == "letter")
    dated = day_words(document.dated.isoformat()) if document.dated is not None else ""
    foot = " · ".join(
        filter(
            None, (document.foot, f"as of {dated}" if dated else "not dated", document.tool, document.caution)
        )
    )
    facts = "".join(f"<dt>{_t(label)}</dt><dd>{_t(words)}</dd>" for label, words in document.facts)
    preface = "" if writer.letter else _note(Note(head="What this is", lines=PREFACE))
    contents = (
        ""
        if writer.letter
        else f'<nav aria-label="Contents"><h2>Contents</h2>{_contents(document.parts)}</nav>'
    )
    body = "".join(writer.part(part, level=2) for part in document.parts)
    version = (
        "" if not document.version else f'<p class="why">Data version, SHA-256: {_t(document.version)}</p>'
    )
    page = (
        '<!DOCTYPE html>\n<html lang="en-GB"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{_t(POLICY)}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{_t(document.title)}: {_t(document.subtitle)}</title><style>{STYLE}</style></head>"
        "\n<body><main>"
        f'<h1>{_t(document.title)}</h1><p class="sub">{_t(document.subtitle)}</p><dl>{facts}</dl>'
        f"{preface}{contents}{body}<footer><p>{_t(foot)}</p>{version}</footer></main></body></html>\n"
    )
    return page.encode("utf-8")


def framed(page: bytes) -> str:
    """Return a report's page to stand in a frame of another page, where its links lead into itself.

    Without a base of its own such a page takes that of the page around it, and a link would leave it.
    """
    return page.decode("utf-8").replace("<head>", '<head><base href="about:srcdoc">', 1)


def _t(words: str) -> str:
    return escape(plain(words))


def _contents(parts: Iterable[Part], *, deep: int = 2) -> str:
    shown = [part for part in parts if not part.key.startswith(QUIET)]
    if not shown or not deep:
        return ""
    rows = "".join(
        f'<li><a href="#{_key(part)}">{_t(part.title)}</a>{_contents(part.parts, deep=deep - 1)}</li>'
        for part in shown
    )
    return f"<ol>{rows}</ol>"


def _key(part: Part) -> str:
    """Return a section's anchor: its own key, which no person wrote, or a number for it."""
    return (
        f"part-{part.key.encode('utf-8').hex()}"
        if not part.key.replace("-", "").isalpha()
        else f"part-{part.key}"
    )


def _note(note: Note) -> str:
    kind = "note urgent" if note.urgent else "note"
    lines = "".join(f"<p>{_t(line)}</p>" for line in note.lines)
    return f'<aside class="{kind}"><p><strong>{_t(note.head)}</strong></p>{lines}</aside>'


class _Writer:
    """Writes parts; counts figures so that each has ids of its own."""

    def __init__(self, *, places: Places, letter: bool) -> None:
        self.places, self.letter, self.figures = places, letter, 0

    def part(self, part: Part, *, level: int) -> str:
        head = min(level, 6)
        blocks = "".join(self.block(block) for block in part.blocks)
        inner = "".join(self.part(own, level=level + 1) for own in part.parts)
        return f'<section id="{_key(part)}"><h{head}>{_t(part.title)}</h{head}>{blocks}{inner}</section>\n'

    def block(self, block: Block) -> str:
        if isinstance(block, Paragraph):
            return f"<p>{self.told(block)}</p>"
        if isinstance(block, Items):
            return self.items(block)
        if isinstance(block, Table):
            return self.table(block)
        if isinstance(block, Note):
            return _note(block)
        if isinstance(block, Beside):
            inner = "".join(self.block(own) for own in block.blocks)
            return f'<div class="beside"><div>{inner}</div>{self.figure(block.figure)}</div>'
        return self.figure(block)

    def items(self, block: Items) -> str:
        tag = "ol" if block.numbered else "ul"
        kind = "plain" if self.letter else "items"
        rows = "".join(f"<li>{self.told(one)}</li>" for one in block.items)
        return f'<{tag} class="{kind}">{rows}</{tag}>'

    def told(self, one: Paragraph) -> str:
        lead = f"<strong>{_t(one.lead)}.</strong> " if one.lead else ""
        if self.letter or not (one.rests_on or one.rule or one.signed):
            return lead + _t(one.said)
        links = self.links(one.rests_on)
        nature = _t(nature_words(one, rests=bool(one.rests_on)))
        return f'{lead}{_t(one.said)}<span class="why">{nature}{f" {links}." if links else ""}</span>'

    def links(self, names: tuple[str, ...]) -> str:
        return ", ".join(
            f'<a href="#{link.to}">{_t(link.said)}</a>' if link.to else _t(link.said)
            for link in self.places.links(names)
        )

    def table(self, table: Table) -> str:
        number = set(table.numbers)
        head = "".join(
            f'<th scope="col"{self.side(i, number)}>{_t(name)}</th>' for i, name in enumerate(table.header)
        )
        rows = []
        for k, row in enumerate(table.rows):
            mark = f' id="{self.places.of[table.anchors[k]]}"' if table.anchors else ""
            cells = "".join(f"<td{self.side(i, number)}>{self.cell(cell)}</td>" for i, cell in enumerate(row))
            rows.append(f"<tr{mark}>{cells}</tr>")
        caption = f"<caption>{_t(table.caption)}</caption>" if table.caption else ""
        nature = "" if not table.rule else f'<p class="why">{_t(nature_words(table, rests=False))}</p>'
        return (
            f'<div class="wide" tabindex="0"><table>{caption}<thead><tr>{head}</tr></thead>'
            f"<tbody>{''.join(rows)}</tbody></table></div>{nature}"
        )

    @staticmethod
    def side(i: int, number: set[int]) -> str:
        return ' class="n"' if i in number else ""

    def cell(self, cell: Cell) -> str:
        return self.links(cell.names) if isinstance(cell, Ids) else _t(cell)

    def figure(self, figure: Figure) -> str:
        self.figures += 1
        links = self.links(figure.rests_on)
        caption = f"<figcaption>{_t(figure.caption)}{f' {links}' if links else ''}</figcaption>"
        if figure.svg:
            drawn = for_screen(figure.svg, f"f{self.figures}", plain(figure.alt))
            return f"<figure>{drawn}{caption}</figure>\n"
        kind = "png" if figure.picture.startswith(b"\x89PNG") else "jpeg"
        coded = base64.b64encode(figure.picture).decode("ascii")
        picture = f'<img alt="{_t(figure.alt)}" src="data:image/{kind};base64,{coded}">'
        return f'<figure class="photo">{picture}{caption}</figure>\n'
