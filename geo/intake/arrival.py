"""A file as it arrives: a name that can be shown, a size that can be read, and what it really is."""

from __future__ import annotations

import io
import re
import unicodedata
import zipfile
from dataclasses import dataclass

from geo.errors import Problem
from geo.reference import Reference

TABLE, WORKBOOK, LAYERS, RASTER, PICTURE, OTHER = (
    "table",
    "workbook",
    "layers",
    "raster",
    "picture",
    "other",
)
READABLE = "CSV, XLSX, GeoPackage, GeoJSON, shapefile in a ZIP, DXF, GPX, GeoTIFF, PNG, JPEG"
LONGEST_NAME = 150
_DEVICES = {"con", "prn", "aux", "nul", "conin$", "conout$"} | {
    f"{port}{i}" for port in ("com", "lpt") for i in range(10)
}
_DXF_START = re.compile(rb"\s*(?:999\s*\r?\n[^\n]*\n\s*)*0\s*\r?\n\s*SECTION\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """What arrived.

    Parameters
    ----------
    file
        Name as it may be shown: one line, no path, nothing that turns the writing round.
    what
        ``"table"``, ``"workbook"``, ``"layers"``, ``"raster"``, ``"picture"`` or ``"other"``.
    form
        ``"csv"``, ``"xlsx"``, ``"gpkg"``, ``"geojson"``, ``"shapefile"``, ``"dxf"``, ``"gpx"``, ``"tiff"``,
        ``"png"``, ``"jpeg"``; ``""`` where it is none of them.
    problems
        Why it cannot be read further; none when it can be.
    """

    file: str
    what: str
    form: str
    problems: tuple[Problem, ...] = ()


def arrive(name: str, raw: bytes, *, ref: Reference) -> Arrival:
    """Say what a file is by its content, and refuse a name or a size that no survey file has.

    Parameters
    ----------
    name
        Name as it was given; never used as a path.
    raw
        Its bytes.
    ref
        Limits in force: ``input.max_file_mb``, ``intake.table_mb``.
    """
    file = shown_name(name)
    problems = list(name_problems(name))
    if not raw:
        mend = "Export it again; look whether the disk or the card was full."
        problems.append(Problem(file=file, found="is empty", allowed=READABLE, mend=mend))
        return Arrival(file=file, what=OTHER, form="", problems=tuple(problems))
    most = ref.value("input.max_file_mb")
    if len(raw) > most * 1e6:
        problems.append(_too_large(file, raw, most))
        return Arrival(file=file, what=OTHER, form="", problems=tuple(problems))
    what, form, said = _what_is(raw)
    if what == OTHER:
        problems.append(Problem(file=file, found=said, allowed=READABLE, mend="Export it in one of those."))
    elif what == TABLE and len(raw) > ref.value("intake.table_mb") * 1e6:
        problems.append(_too_large(file, raw, ref.value("intake.table_mb")))
    return Arrival(file=file, what=what, form=form, problems=tuple(problems))


def shown_name(name: str) -> str:
    """Return a name that can stand in a sentence: its last part, printable, not longer than a name is."""
    last = re.split(r"[/\\]", name.replace("\x00", ""))[-1]
    clean = "".join(sign if _harmless(sign) else "_" for sign in last).strip(" .")
    return (clean[:LONGEST_NAME] + "…" if len(clean) > LONGEST_NAME else clean) or "file"


def name_problems(name: str) -> tuple[Problem, ...]:
    """Say what is wrong with a file's name: paths, device names, signs that hide what it is."""
    stem = re.split(r"[/\\]", name)[-1].split(".")[0].strip().casefold()
    wrong = ""
    if "\x00" in name or any(ord(sign) < 32 or ord(sign) == 127 for sign in name):
        wrong = "its name holds a control character"
    elif any(not _harmless(sign) for sign in name):
        wrong = "its name holds a sign that turns or hides the writing"
    elif re.search(r"[/\\]", name) or re.match(r"[A-Za-z]:", name):
        wrong = "its name holds a path"
    elif not name.strip(" ."):
        wrong = "it has no name"
    elif stem in _DEVICES:
        wrong = "its name is that of a device"
    elif len(name) > LONGEST_NAME:
        wrong = f"its name has {len(name)} letters"
    if not wrong:
        return ()
    allowed = f"a plain name of at most {LONGEST_NAME} letters, without a folder"
    return (Problem(file=shown_name(name), found=wrong, allowed=allowed, mend="Rename it."),)


def _harmless(sign: str) -> bool:
    return sign.isprintable() and unicodedata.category(sign) not in ("Cf", "Co")


def _too_large(file: str, raw: bytes, most: float) -> Problem:
    mend = "Cut it to the site; a house needs far less."
    return Problem(file=file, found=f"{len(raw) / 1e6:,.0f} MB", allowed=f"at most {most:g} MB", mend=mend)


def _what_is(raw: bytes) -> tuple[str, str, str]:
    """Return what a file is, its form, and what to say where it is nothing this tool reads."""
    head = raw[:4096]
    if head.startswith(b"PK"):
        return _what_zip(raw)
    signs: tuple[tuple[bytes, str, str, str], ...] = (
        (b"SQLite format 3\x00", LAYERS, "gpkg", ""),
        (b"II*\x00", RASTER, "tiff", ""),
        (b"MM\x00*", RASTER, "tiff", ""),
        (b"II+\x00", RASTER, "tiff", ""),
        (b"MM\x00+", RASTER, "tiff", ""),
        (b"\x89PNG\r\n\x1a\n", PICTURE, "png", ""),
        (b"\xff\xd8\xff", PICTURE, "jpeg", ""),
        (b"AutoCAD Binary DXF", LAYERS, "dxf", ""),
        (b"%PDF", OTHER, "", "is a PDF"),
        (b"\xd0\xcf\x11\xe0", OTHER, "", "is an old Excel workbook (.xls), or one with a password"),
        (b"AC10", OTHER, "", "is a DWG drawing"),
        (b"\x00\x00\x27\x0a", OTHER, "", "is one part of a shapefile"),
        (b"\x1f\x8b", OTHER, "", "is packed with gzip"),
    )
    for start, what, form, said in signs:
        if head.startswith(start):
            return what, form, said
    if _DXF_START.match(head.lstrip(b"\xef\xbb\xbf")):
        return LAYERS, "dxf", ""
    text = head.lstrip(b"\xef\xbb\xbf").lstrip()
    if text.startswith(b"<"):
        low = head.lower()
        return (LAYERS, "gpx", "") if b"<gpx" in low else (OTHER, "", _which_markup(low))
    if text.startswith((b"{", b"[")):
        return LAYERS, "geojson", ""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")) or _is_text(head):
        return TABLE, "csv", ""
    return OTHER, "", "is no kind of file this tool knows"


def _which_markup(low: bytes) -> str:
    """Say which markup a file is in; a drawing or page is never opened."""
    for tag, said in (
        (b"<svg", "is an SVG drawing"),
        (b"<html", "is a web page"),
        (b"<kml", "is a KML file"),
    ):
        if tag in low:
            return said
    return "is an XML file of a kind this tool does not read"


def _is_text(head: bytes) -> bool:
    """Tell text, in UTF-8 or UTF-16 without a mark, from something packed."""
    even, odd = head[::2].count(0), head[1::2].count(0)
    if even + odd and min(even, odd) <= len(head) // 50 and max(even, odd) > len(head) // 5:
        return True
    strange = sum(sign < 32 and sign not in b"\t\n\r\x0b\x0c\x1a\x1b" for sign in head)
    return strange <= len(head) // 100


def _what_zip(raw: bytes) -> tuple[str, str, str]:
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as packed:
            names = [name.lower() for name in packed.namelist()]
    except Exception:  # noqa: BLE001 - whatever a broken archive raises, it is one sentence
        return OTHER, "", "is a ZIP file cut short or damaged"
    if "xl/workbook.xml" in names or "[content_types].xml" in names:
        return (
            (WORKBOOK, "xlsx", "")
            if any(name.startswith("xl/") for name in names)
            else (OTHER, "", "is an office document, but no workbook")
        )
    if any(name.endswith(".shp") for name in names):
        return LAYERS, "shapefile", ""
    if "content.xml" in names:
        return OTHER, "", "is an OpenDocument file"
    return OTHER, "", "is a ZIP file that holds neither a workbook nor a shapefile"
