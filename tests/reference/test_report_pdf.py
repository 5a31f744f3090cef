"""Reports read by other people's programs: PDFium and Poppler for the pages, an HTML5 parser for the file."""

from __future__ import annotations

import itertools
import shutil
import subprocess
from collections import Counter
from pathlib import Path
from typing import Any

import html5lib
import pypdfium2
import pypdfium2.raw as pdfium_c
import pytest

from geo.findings.check import read_checked
from geo.findings.examine import examine
from geo.report.full import full_report
from geo.report.letter import letter_of, pages_of
from geo.report.parts import Document, Part, figures_of
from geo.report.render_html import report_html
from geo.report.render_pdf import report_pdf
from geo.report.source import Source, gather

DEMO = Path(__file__).parents[2] / "demo_sites"
XHTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def source() -> Source:
    """Return what the report of the semi is written from."""
    return gather(examine(read_checked(DEMO / "semi_on_a_slope")))


@pytest.fixture(scope="module")
def report(source: Source) -> Document:
    """Return the full report of the semi."""
    return full_report(source)


@pytest.fixture(scope="module")
def pages(report: Document) -> bytes:
    """Return it as PDF."""
    return report_pdf(report)


@pytest.fixture(scope="module")
def letter(source: Source) -> tuple[Document, bytes]:
    """Return the letter of the semi."""
    return letter_of(source)


def titles(parts: tuple[Part, ...]) -> list[str]:
    """Return the titles of every section in order."""
    return [name for part in parts for name in (part.title, *titles(part.parts))]


def words(made: bytes) -> str:
    """Return the words of every page, as PDFium reads them."""
    opened = pypdfium2.PdfDocument(made)
    try:
        return " ".join(" ".join(page.get_textpage().get_text_range() for page in opened).split())
    finally:
        opened.close()


def test_pdfium_reads_every_section_and_the_version(report: Document, pages: bytes) -> None:
    """Each title, the day, the data version and the page numbers stand on the pages as text."""
    said = words(pages)
    for title in titles(report.parts):
        assert " ".join(title.split()) in said, title
    assert f"data {report.version[:12]}" in said
    opened = pypdfium2.PdfDocument(pages)
    count = len(opened)
    opened.close()
    assert count == pages_of(pages)
    for k in (1, count):
        assert f"page {k} of {count}" in said


def test_pdfium_finds_every_section_in_the_bookmarks(report: Document, pages: bytes) -> None:
    """The outline of the file has every section, in order."""
    opened = pypdfium2.PdfDocument(pages)
    found = [mark.get_title() for mark in opened.get_toc(max_depth=8)]
    opened.close()
    assert found == titles(report.parts)


def test_every_font_is_in_the_file(pages: bytes, letter: tuple[Document, bytes]) -> None:
    """PDFium says of the font of every piece of text that it is embedded."""
    for made in (pages, letter[1]):
        opened = pypdfium2.PdfDocument(made)
        for page in opened:
            for each in page.get_objects(filter=[pdfium_c.FPDF_PAGEOBJ_TEXT], max_depth=4):
                font = pdfium_c.FPDFTextObj_GetFont(each.raw)
                assert pdfium_c.FPDFFont_GetIsEmbedded(font) == 1
        opened.close()


def test_the_file_is_tagged(pages: bytes, letter: tuple[Document, bytes]) -> None:
    """PDFium takes both for tagged files; both say they are PDF/UA-1 and PDF/A-2a, in British English."""
    for made in (pages, letter[1]):
        assert b"StructTreeRoot" in made
        assert b"pdfuaid:part>1<" in made
        assert b"pdfaid:part>2<" in made
        assert b"pdfaid:conformance>A<" in made
        opened = pypdfium2.PdfDocument(made)
        assert pdfium_c.FPDFCatalog_IsTagged(opened.raw)
        opened.close()


def test_every_figure_has_words_in_the_structure(report: Document, pages: bytes) -> None:
    """PDFium finds as many figures in the tag tree as the report has, each with its alternative text."""
    import ctypes

    opened = pypdfium2.PdfDocument(pages)
    found: Counter[str] = Counter()

    def read(call: Any, element: Any) -> str:
        size = call(element, None, 0)
        room = ctypes.create_string_buffer(size)
        call(element, room, size)
        return room.raw.decode("utf-16-le").rstrip("\x00")

    def walk(element: Any) -> None:
        if read(pdfium_c.FPDF_StructElement_GetType, element) == "Figure":
            alt = read(pdfium_c.FPDF_StructElement_GetAltText, element)
            found[" ".join(alt.replace("\u200b", "").split())] += 1
        for k in range(pdfium_c.FPDF_StructElement_CountChildren(element)):
            child = pdfium_c.FPDF_StructElement_GetChildAtIndex(element, k)
            if child:
                walk(child)

    for page in opened:
        tree = pdfium_c.FPDF_StructTree_GetForPage(page.raw)
        for k in range(pdfium_c.FPDF_StructTree_CountChildren(tree)):
            walk(pdfium_c.FPDF_StructTree_GetChildAtIndex(tree, k))
        pdfium_c.FPDF_StructTree_Close(tree)
    opened.close()
    for figure in figures_of(report):
        assert found[" ".join(figure.alt.split())] >= 1, figure.name


@pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="Poppler is not installed")
def test_poppler_agrees(tmp_path: Path, letter: tuple[Document, bytes]) -> None:
    """Poppler takes the letter for a tagged A4 file of two pages, with every font embedded, and reads its title."""
    path = tmp_path / "letter.pdf"
    path.write_bytes(letter[1])

    def told(*command: str) -> str:
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout

    facts = {
        line.split(":", 1)[0]: line.split(":", 1)[1].strip()
        for line in told("pdfinfo", str(path)).splitlines()
        if ":" in line
    }
    assert facts["Tagged"] == "yes"
    assert facts["JavaScript"] == "no"
    assert int(facts["Pages"]) == pages_of(letter[1]) == 2
    assert "(A4)" in facts["Page size"]
    if shutil.which("pdffonts") is not None:
        rows = told("pdffonts", str(path)).splitlines()[2:]
        assert rows
        assert all(row.split()[-5] == "yes" for row in rows)
    if shutil.which("pdftotext") is not None:
        said = " ".join(told("pdftotext", str(path), "-").split())
        for part in letter[0].parts:
            assert part.title in said


def test_the_letter_can_be_read_at_eleven_points(letter: tuple[Document, bytes]) -> None:
    """PDFium measures the letters: of all text but footer, plan and its caption none is under 11 points."""
    opened = pypdfium2.PdfDocument(letter[1])
    small = 0
    every = 0
    for page in opened:
        for each in page.get_objects(filter=[pdfium_c.FPDF_PAGEOBJ_TEXT], max_depth=1):
            size = pdfium_c.c_float()
            pdfium_c.FPDFTextObj_GetFontSize(each.raw, size)
            every += 1
            small += size.value < 10.99
    opened.close()
    assert every > 100
    assert small / every < 0.1


def parsed(made: bytes) -> Any:
    """Return an HTML file as an HTML5 parser understands it; a wrong one is refused."""
    parser = html5lib.HTMLParser(tree=html5lib.getTreeBuilder("etree"), namespaceHTMLElements=True)
    root = parser.parse(made)
    assert not parser.errors, parser.errors[:3]
    return root


@pytest.mark.parametrize("which", ["report", "letter"])
def test_the_html_stands_alone(which: str, report: Document, letter: tuple[Document, bytes]) -> None:
    """No script, no frame, no handler, nothing fetched; it parses without an error; every link leads to a place."""
    root = parsed(report_html(report if which == "report" else letter[0]))
    names: Counter[str] = Counter()
    wanted: set[str] = set()
    for element in root.iter():
        if not isinstance(element.tag, str):
            continue
        tag = element.tag.rsplit("}", 1)[-1]
        assert tag not in ("script", "iframe", "object", "embed", "link", "form", "base", "video", "audio")
        for name, value in element.attrib.items():
            key = str(name).rsplit("}", 1)[-1]
            assert not key.startswith("on"), (tag, key)
            if key == "href":
                assert value.startswith("#"), value
                wanted.add(value[1:])
            elif key == "src":
                assert value.startswith("data:image/")
            elif key == "id":
                names[value] += 1
            else:
                assert "http://" not in value or key in ("xmlns", "content")
    assert wanted <= set(names)
    assert not [name for name, count in names.items() if count > 1]
    assert root.attrib.get("lang") == "en-GB"


def test_every_picture_has_words(report: Document) -> None:
    """Each drawing has a label, each photograph an alt; as many as the report has figures."""
    root = parsed(report_html(report))
    drawings = [
        svg
        for svg in root.iter(f"{SVG}svg")
        if svg.attrib.get("role") == "img" and "aria-label" in svg.attrib
    ]
    photographs = list(root.iter(f"{XHTML}img"))
    assert all(svg.attrib["aria-label"].strip() for svg in drawings)
    assert all(img.attrib.get("alt", "").strip() for img in photographs)
    figures = figures_of(report)
    assert len(drawings) == sum(bool(figure.svg) for figure in figures)
    assert len(photographs) == sum(bool(figure.picture) for figure in figures)


def test_headings_leave_out_no_level(report: Document) -> None:
    """Each heading of the HTML goes down by one level at most."""
    root = parsed(report_html(report))
    levels = [int(e.tag[-1]) for e in root.iter() if isinstance(e.tag, str) and e.tag[:-1] == f"{XHTML}h"]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def test_every_record_can_be_reached(source: Source, report: Document) -> None:
    """The file has a row for every record of the site, and links lead to most kinds of them."""
    root = parsed(report_html(report))
    rows = [tr for tr in root.iter(f"{XHTML}tr") if tr.attrib.get("id", "").startswith("record-")]
    assert len(rows) == len(source.site.ids)
    linked = {
        a.attrib["href"][1:]
        for a in root.iter(f"{XHTML}a")
        if a.attrib.get("href", "").startswith("#record-")
    }
    kind = {tr.attrib["id"]: source.site.ids["".join(next(iter(tr)).itertext())] for tr in rows}
    assert {"reading", "level", "gully", "run", "trial", "sample", "opening_up"} <= {
        kind[name] for name in linked
    }


def test_the_full_report_is_the_same_twice(source: Source, report: Document, pages: bytes) -> None:
    """From the same data, gathered anew, come the same bytes, HTML and PDF."""
    again = full_report(gather(source.found))
    assert report_html(again) == report_html(report)
    assert report_pdf(again) == pages
