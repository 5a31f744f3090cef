"""The letter read by who lives there, and the report by who must find fault with it: nothing twice, nothing amiss."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
import shapely

from geo.draw.svg import Drawing
from geo.findings.check import read_checked
from geo.findings.examine import examine
from geo.report import outside, site_plan
from geo.report.causes import summary_lines
from geo.report.drainage import assets_part, faults_part, trials_part
from geo.report.full import full_report
from geo.report.letter import ROOMS, write_letter
from geo.report.letter_parts import wet_lengths
from geo.report.parts import Document, Ids, Items, Note, Paragraph, Part, Table
from geo.report.places import tenth
from geo.report.render_pdf import WHOLE_LINES, report_pdf
from geo.report.source import Source, gather
from geo.report.works import done_part, drying_part

DEMO = Path(__file__).parents[2] / "demo_sites"
NAMES = ("semi_on_a_slope", "old_school", "three_cottages")


@pytest.fixture(scope="module")
def sources() -> dict[str, Source]:
    """Return what the documents of the demo sites are written from."""
    return {name: gather(examine(read_checked(DEMO / name))) for name in NAMES}


def letter(source: Source) -> Document:
    """Return the letter with the most room."""
    return write_letter(source, ROOMS[0])


def said(document: Document) -> Iterator[tuple[str, str]]:
    """Go through what a document says: lead and words."""
    for block in document.blocks():
        if isinstance(block, Paragraph):
            yield block.lead, block.said
        elif isinstance(block, Items):
            yield from ((one.lead, one.said) for one in block.items)
        elif isinstance(block, Note):
            yield from ((block.head, line) for line in block.lines)


def with_records(source: Source, kind: str, records: tuple[Any, ...]) -> Source:
    """Return the same findings over other records of one kind."""
    site = replace(source.site, records={**source.site.records, kind: records})
    return replace(source, found=replace(source.found, site=site))


@pytest.mark.parametrize("name", NAMES)
def test_the_letter_says_nothing_twice(sources: dict[str, Source], name: str) -> None:
    """No sentence of six words or more stands in it twice, what is urgent included."""
    told: list[str] = []
    for _, words in said(letter(sources[name])):
        told += [one for one in re.split(r"(?<=[.!?]) ", words) if len(one.split()) >= 6]
    told = [one for one in told if not one.startswith("Unread does not mean")]
    assert len(told) == len(set(told)), sorted(one for one in told if told.count(one) > 1)


def test_signs_of_foul_water_say_where(sources: dict[str, Source]) -> None:
    """The semi has grease inside the rear wall at chainage 12.6 to 14.0; without a place nothing is said of one."""
    semi = sources["semi_on_a_slope"]
    words = " ".join(line for head, line in said(letter(semi)) if head == "Signs of foul water")
    assert "It was noticed at the rear wall (F2 on the plan)" in words
    assert words.endswith("inside.")
    nowhere = tuple(
        one.model_copy(update={"chainage_from_m": None, "chainage_to_m": None})
        for one in semi.site.of("sign")
    )
    bare = " ".join(line for _, line in said(letter(with_records(semi, "sign", nowhere))))
    assert "A sign of waste water was noticed" in bare
    assert "It was noticed at" not in bare


def test_ground_over_the_course_is_a_cause_to_who_lives_there(sources: dict[str, Source]) -> None:
    """The old school's right-hand wall is explained by it in the report, so the letter does not call it unknown."""
    lines = dict(said(letter(sources["old_school"])))
    assert "stands higher than the damp course" in lines["2"]
    assert "not known yet" not in lines["2"]


def test_the_next_step_names_its_wall(sources: dict[str, Source]) -> None:
    """Where several lengths are wet it says by number which of them a test tells of."""
    for source in sources.values():
        assert source.ledger is not None
        assert source.ledger.next.best is not None
        best = set(source.ledger.next.best.stretch_ids)
        numbers = [
            str(k) for k, one in enumerate(wet_lengths(source), start=1) if best & set(one.stretch_ids)
        ]
        words = next(line for _, line in said(letter(source)) if line.startswith("The next step"))
        assert f"at number {numbers[0]}." in words


def test_one_hole_is_one_hole(sources: dict[str, Source]) -> None:
    """Of a single hole the letter says it, of several each."""
    told = {name: " ".join(line for _, line in said(letter(one))) for name, one in sources.items()}
    assert "one small hole. It shows" in told["old_school"]
    assert "four small holes. Each shows" in told["semi_on_a_slope"]


def test_works_say_what_they_are_of(sources: dict[str, Source]) -> None:
    """A repair bears the names of what it mends."""
    lines = dict(said(letter(sources["semi_on_a_slope"])))
    assert "lip and surround (G2)" in lines["Work done"]
    assert "(SA1)" in lines["Work proposed"]


@pytest.mark.parametrize("name", NAMES)
def test_names_of_the_small_plan_meet_nothing(
    sources: dict[str, Source], name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No number and no wall's name stands on another or on a wet length, and every wet length has its number."""
    written: list[tuple[str, Any]] = []
    words = Drawing.words

    def kept(drawing: Drawing, x: float, y: float, told: str, **style: Any) -> Any:
        size = float(style.get("font_size", 0.0))
        if size in (19.0, 28.0):
            half = 0.25 * size * len(told)
            written.append((told, shapely.box(x - half, y - 0.8 * size, x + half, y + 0.1 * size)))
        return words(drawing, x, y, told, **style)

    monkeypatch.setattr(Drawing, "words", kept)
    source = sources[name]
    lengths = wet_lengths(source)
    shown = [place for length in lengths for place in length.places]
    names = [
        str(k) if place is length.places[0] else ""
        for k, length in enumerate(lengths, start=1)
        for place in length.places
    ]
    site_plan.draw_letter_plan(source.scene, source.places, shown, names)
    assert {each for each in names if each} <= {told for told, _ in written}
    for k, (told, box) in enumerate(written):
        assert not any(box.intersects(other) for _, other in written[k + 1 :]), told


@pytest.mark.parametrize("name", NAMES)
def test_the_summary_repeats_no_cover(sources: dict[str, Source], name: str) -> None:
    """Stretches explained alike are told of together."""
    for line in summary_lines(sources[name]):
        assert line is not None
        told = re.findall(r"\d+\.\d m of \d+\.\d m explained[^.]*", line.said.split(" wet (", 1)[1])
        assert len(told) == len(set(told)), line.said


def test_pools_found_by_levels_name_their_levels(sources: dict[str, Source]) -> None:
    """A pool by levels rests on levels of the book; one by the raster on no record. One hollow is not counted as several."""
    source = sources["semi_on_a_slope"]
    ponds = source.found.ground.ponds
    by = {str(row.pond_id): str(row.evidence) for row in ponds.itertuples()}
    part = outside.falls_part(source)
    whole, told = part.blocks[0], part.blocks[1]
    assert isinstance(whole, Paragraph)
    assert isinstance(told, Items)
    assert "one hollow may stand here more than once" in whole.said
    assert "1 of them is surer" in whole.said
    for one in told.items:
        levels = by[one.lead] == "levels"
        assert bool(one.rests_on) == levels, one.lead
        assert all(source.site.ids[name] in ("level", "gully") for name in one.rests_on)


def test_a_variation_says_who_agreed_it_and_when(sources: dict[str, Source]) -> None:
    """RP6 of the semi was agreed by the owner on 14 April 2026; without a day it was not agreed in writing."""
    source = sources["semi_on_a_slope"]
    told = [one.said for block in done_part(source).blocks if isinstance(block, Items) for one in block.items]
    assert any("Agreed 14 April 2026 by the owner." in one for one in told)
    assert not any("Agreed: agreed" in one for one in told)


def test_work_that_is_finished_is_not_called_left(sources: dict[str, Source]) -> None:
    """RP1 of the semi is finished with one gully counted: of its concrete nothing is recorded, and none is called left."""
    table = next(block for block in done_part(sources["semi_on_a_slope"]).blocks if isinstance(block, Table))
    rows = {(str(row[0]), str(row[1])): row for row in table.rows}
    assert rows["RP1", "gully"][4:6] == ("1", "0")
    assert rows["RP1", "concrete"][4:6] == ("", "")
    assert "how much of this was done is not recorded" in str(rows["RP1", "concrete"][6])
    assert rows["RP3", "openings"][5] == "2"


def test_whose_a_faulty_run_is_reads_as_a_sentence(sources: dict[str, Source]) -> None:
    """Of a run whose owner nobody said that is said; it is no "a not known"."""
    for source in sources.values():
        told = [
            one.said
            for block in faults_part(source).blocks
            if isinstance(block, Items)
            for one in block.items
        ]
        assert not any("a not known" in one for one in told)
    school = [
        one
        for block in faults_part(sources["old_school"]).blocks
        if isinstance(block, Items)
        for one in block.items
    ]
    assert any("R10" in one.rests_on and "Whose it is is not known." in one.said for one in school)


def test_levels_and_tests_bear_their_errors(sources: dict[str, Source]) -> None:
    """A rim of 30.214 m is known to 5 mm; 60 l were written down with 3 l, over minutes written to the minute.

    Both times are written to the minute: the sigma is 60 s √2 / √12 = 0.41 min.
    """
    source = sources["old_school"]
    assets = next(block for block in assets_part(source).blocks if isinstance(block, Table))
    levels = {"".join(row[0].names): row[5] for row in assets.rows if isinstance(row[0], Ids)}
    assert levels["GK"] == "30.214 ± 0.005"
    assert levels["WP1"] == ""
    tests = next(block for block in trials_part(source).blocks if isinstance(block, Table))
    assert tests.rows[0][4:6] == ("60 ± 3", "6.0 ± 0.4")


def test_a_rise_is_told_once(sources: dict[str, Source]) -> None:
    """DR6 was wetted again by the rain of EV3: its sentence says so, and no second one."""
    told = [
        one.said
        for block in drying_part(sources["semi_on_a_slope"]).blocks
        if isinstance(block, Items)
        for one in block.items
    ]
    wetted = [one for one in told if "EV3" in one]
    assert wetted
    assert all(one.count("EV3") == 1 for one in wetted)


@pytest.mark.parametrize(("metres", "words"), [(-0.04, "0.0"), (-0.0, "0.0"), (0.06, "0.1"), (-0.06, "-0.1")])
def test_nothing_has_no_sign(metres: float, words: str) -> None:
    """What rounds to nothing is not called less than nothing."""
    assert tenth(metres) == words


def _pages(rows: int) -> int:
    filler = Paragraph(said="line")
    table = Table(
        caption="Held together",
        header=("One", "Two"),
        widths=(1.0, 1.0),
        rows=tuple((str(k), "words") for k in range(rows)),
    )
    parts = tuple(
        Part(key=f"p{k}", title=f"Part {k}", blocks=(*(filler for _ in range(k % 23)), table))
        for k in range(23)
    )
    document = Document(key="report", title="T", subtitle="S", facts=(("A", "b"),), parts=parts)
    raw = report_pdf(document)
    found = pypdfium2.PdfDocument(raw)
    cut = 0
    for page in found:
        text = page.get_textpage().get_text_range()
        cut += text.count("One Two") - text.count("Held together")
    return cut


def test_a_short_table_is_never_cut() -> None:
    """A short table stands whole on a page whatever is before it; a long one may go on over the page, with its header."""
    assert _pages(WHOLE_LINES) == 0
    assert _pages(WHOLE_LINES + 24) > 0


@pytest.mark.parametrize("name", NAMES)
def test_proposed_work_brings_its_cautions(sources: dict[str, Source], name: str) -> None:
    """Each site has holes to dig and floors or walls to cut among what is proposed, so both cautions stand in full."""
    cautions = next(part for part in full_report(sources[name]).parts if part.key == "cautions")
    leads = {block.lead for block in cautions.blocks if isinstance(block, Paragraph)}
    assert {"Digging", "Dust, lead paint and mould"} <= leads


def test_a_row_is_not_cut_unless_it_is_long() -> None:
    """Rows of eight lines stand whole on their page: none of them has its first word on one page and its last on the next."""
    words = " ".join(["word"] * 70)
    table = Table(
        caption="Rows",
        header=("One", "Two"),
        widths=(1.0, 1.0),
        rows=tuple((str(k), f"begin{k} {words} end{k}") for k in range(40)),
    )
    document = Document(
        key="report",
        title="T",
        subtitle="S",
        facts=(("A", "b"),),
        parts=(Part(key="p", title="P", blocks=(table,)),),
    )
    texts = [page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(report_pdf(document))]
    assert len(texts) > 3
    for k in range(40):
        on = [i for i, text in enumerate(texts) if f"begin{k} " in text]
        assert on == [i for i, text in enumerate(texts) if re.search(rf"end{k}\b", text)], k
