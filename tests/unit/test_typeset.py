"""Pages carry their fonts, say what the data say, and obey nobody's words."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Iterator
from contextlib import contextmanager

import pypdfium2
import pypdfium2.raw as pdfium_c
import pytest
from PIL import Image

from geo.errors import InputError
from geo.exchange.typeset import typeset

HOSTILE = '#panic("x") <b>&amp; $ _a_ *b* \\ "] #read("/etc/passwd")'
DAY = dt.date(2026, 3, 17)
PAGE = '= #d.title\n#d.said\n#ruled(("a", "b"), (1, 2), d.rows)'


@contextmanager
def opened(made: bytes) -> Iterator[pypdfium2.PdfDocument]:
    """Open a PDF for a while."""
    document = pypdfium2.PdfDocument(made)
    yield document
    document.close()


def words(made: bytes) -> str:
    """Return the words of every page."""
    with opened(made) as document:
        return " ".join(" ".join(page.get_textpage().get_text_range() for page in document).split())


def test_words_are_only_ever_words() -> None:
    """Typst, markup and escapes come out as the letters they are; control signs and half pairs as none."""
    made = typeset(PAGE, {"said": f"{HOSTILE}\x00\ud800", "rows": [["1", HOSTILE]]}, title=HOSTILE, dated=DAY)
    said = words(made)
    assert said.count('#panic("x") <b>&amp; $ _a_ *b* \\ "]') == 3


def test_a_dated_page_is_an_archive_file_and_the_same_twice() -> None:
    """PDF/A-2b stands in it, its fonts are embedded, and the same data give the same bytes."""
    inputs = {"said": "½ ≤ 3 m², σ → 1:40", "rows": [["1", "2"]]}
    made = typeset(PAGE, inputs, title="Sheet", dated=DAY)
    assert b"pdfaid:part>2<" in made
    assert b"2026-03-17" in made
    assert made == typeset(PAGE, inputs, title="Sheet", dated=DAY)
    with opened(made) as document:
        letters = list(document[0].get_objects(filter=[pdfium_c.FPDF_PAGEOBJ_TEXT]))
        fonts = [pdfium_c.FPDFTextObj_GetFont(each.raw) for each in letters]
        assert fonts
        assert all(pdfium_c.FPDFFont_GetIsEmbedded(font) == 1 for font in fonts)


def test_no_date_is_made_up() -> None:
    """Without a day the file bears none, and does not call itself an archive file."""
    made = typeset(PAGE, {"said": "", "rows": [["1", "2"]]}, title="Sheet")
    assert b"CreationDate" not in made
    assert b"pdfaid" not in made


def test_letters_no_font_has_do_not_stop_a_page() -> None:
    """A word in a script the fonts lack leaves the rest of the page as it is."""
    made = typeset(PAGE, {"said": "wall \U000130b8\u4e2d end", "rows": [["1", "2"]]}, title="S", dated=DAY)
    assert "wall" in words(made)
    assert "end" in words(made)


def test_a_word_too_long_for_its_column_breaks() -> None:
    """200 letters without a space in a tenth of the page stay on it."""
    made = typeset('#ruled(("a", "b"), (1, 9), d.rows)', {"rows": [["W" * 200, "b"]]}, title="S", dated=DAY)
    with opened(made) as document:
        page = document[0]
        reader = page.get_textpage()
        for i in range(reader.count_rects()):
            left, _, right, _ = reader.get_rect(i)
            assert 0 < left < right < page.get_width()


def test_drawings_are_shown_and_keep_to_their_folder() -> None:
    """SVG and PNG stand on the page; a drawing's name cannot lead out."""
    svg = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"><rect width="9" height="9"/></svg>'
    png = io.BytesIO()
    Image.new("RGB", (4, 4)).save(png, "PNG")
    both = {"a.svg": svg, "b.png": png.getvalue()}
    made = typeset('#image("a.svg")\n#image("b.png")', {}, title="S", dated=DAY, drawings=both)
    with opened(made) as document:
        assert len(list(document[0].get_objects(filter=[pdfium_c.FPDF_PAGEOBJ_IMAGE]))) == 1
    with pytest.raises(InputError, match="leads out"):
        typeset("", {}, title="S", drawings={"../a.svg": svg})
