"""Typing records: columns, lines, what is wrong with each cell, where it lies."""

from __future__ import annotations

from pathlib import Path

import pytest

from geo import reference
from geo.entry.columns import columns_of, label_of
from geo.entry.lines import Line, cells_of, fill_lines
from geo.entry.whereabouts import whereabouts
from geo.site.folder import read_site
from geo.site.records import KINDS

REF = reference.default()
CARRIED = ("face", "corner", "side", "method", "instrument", "material")
NAMES = (*CARRIED, "distance_m", "height_m", "value")
COLUMNS = columns_of("reading", NAMES, carry=CARRIED)
DEMO = Path(__file__).parents[2] / "demo_sites" / "semi_on_a_slope"
FIRST = {
    "face": "F1",
    "corner": "A",
    "side": "inside",
    "method": "resistance_masonry",
    "instrument": "M1",
}


def typed(*rows: dict[str, str]) -> list[Line]:
    """Return lines with these cells."""
    return [Line(key=f"n{i}", cells=row) for i, row in enumerate(rows)]


def material() -> str:
    """Return one material of the vocabulary."""
    return next(iter(REF.vocabulary["material"]))


def test_blank_cells_of_carried_columns_take_what_stands_above() -> None:
    """Face, corner, method and instrument are typed once and hold for the lines below."""
    first = FIRST | {"material": material(), "distance_m": "0.5", "height_m": "0.1", "value": "23"}
    filled = fill_lines(typed(first, {"distance_m": "1.0", "value": ">100"}), "reading", COLUMNS, ref=REF)
    assert [line.said for line in filled] == [{}, {}]
    second = filled[1].record
    assert second is not None
    assert second.model_dump(include={"face", "corner", "method", "value", "height_m"}) == {
        "face": "F1",
        "corner": "A",
        "method": "resistance_masonry",
        "value": ">100",
        "height_m": None,
    }


def test_a_blank_cell_of_a_saved_line_stays_blank() -> None:
    """A reading placed by coordinates does not come to lie on the face of the line above it."""
    first = FIRST | {"material": material(), "distance_m": "0.5", "value": "23"}
    own = FIRST | {"material": material(), "face": "", "corner": "", "value": "9"}
    lines = [Line(key="a", cells=first), Line(key="b", cells=own, record_id="reading-002")]
    saved = fill_lines(lines, "reading", COLUMNS, ref=REF, taken=["reading-002"])[1]
    assert saved.record is not None
    assert saved.record.model_dump()["face"] == ""


def test_a_height_is_not_carried_unless_its_column_is() -> None:
    """What is not a carried column stays blank: a number nobody typed is never made up."""
    first = FIRST | {"material": material(), "distance_m": "0.5", "height_m": "0.1", "value": "23"}
    filled = fill_lines(typed(first, {"value": "40"}), "reading", COLUMNS, ref=REF)
    assert filled[1].record is not None
    assert filled[1].record.model_dump()["distance_m"] is None


def test_lines_with_only_carried_cells_are_no_records() -> None:
    """Setting the face for the next reading does not make a reading."""
    assert fill_lines(typed({"face": "F2"}), "reading", COLUMNS, ref=REF) == []


@pytest.mark.parametrize(
    ("cell", "text", "said"),
    [
        ("distance_m", "1,5", "decimal comma"),
        ("distance_m", "near", "not a number"),
        ("value", "wet", "is not a reading"),
        ("method", "pins", "none of"),
        ("height_m", "150", "millimetres"),
        ("value", "", "is blank"),
    ],
)
def test_each_cell_says_what_is_wrong_with_it(cell: str, text: str, said: str) -> None:
    """The sentence stands at the cell, and no record is made."""
    row = FIRST | {"material": material(), "distance_m": "0.5", "height_m": "0.1", "value": "23", cell: text}
    (filled,) = fill_lines(typed(row), "reading", COLUMNS, ref=REF)
    assert filled.record is None
    assert said in filled.said[cell]


def test_full_scale_written_as_a_number_is_kept_with_a_note() -> None:
    """100 on a scale that ends at 100 may be off the scale: it is asked, not refused."""
    row = FIRST | {"material": material(), "distance_m": "0.5", "value": "100"}
    (filled,) = fill_lines(typed(row), "reading", COLUMNS, ref=REF)
    assert filled.record is not None
    assert ">100" in filled.notes["value"]


def test_a_word_may_be_typed_as_its_label_or_a_beginning_only_one_has() -> None:
    """Labels are what people read; files hold keys."""
    columns = columns_of("gully", ("id", "state", "evidence"))
    lines = typed(
        {"id": "G1", "state": "sound", "evidence": "could not get to it"},
        {"id": "G2", "state": "sou", "evidence": "rep"},
        {"id": "G3", "evidence": "no"},
    )
    one, two, three = fill_lines(lines, "gully", columns, ref=REF)
    assert one.record is not None
    assert one.record.model_dump()["evidence"] == "no_access"
    assert two.record is not None
    assert two.record.model_dump()["evidence"] == "reported"
    assert three.record is None
    assert "type more of it" in three.said["evidence"] or three.said["evidence"]


def test_a_state_nobody_said_is_not_called_seen() -> None:
    """A gully typed with its place alone has not been looked at; one typed as sound has."""
    columns = columns_of("gully", ("id", "chainage_m", "state", "evidence"))
    lines = typed({"id": "G8", "chainage_m": "1"}, {"id": "G9", "chainage_m": "2", "state": "sound"})
    one, two = fill_lines(lines, "gully", columns, ref=REF)
    assert one.record is not None
    assert two.record is not None
    assert (one.record.model_dump()["evidence"], two.record.model_dump()["evidence"]) == (
        "not_looked",
        "seen",
    )


def test_new_ids_go_on_after_the_highest_there_is() -> None:
    """Numbers are never given twice, whatever was taken out between."""
    rows = [FIRST | {"material": material(), "distance_m": "1", "value": str(v)} for v in (1, 2)]
    filled = fill_lines(typed(*rows), "reading", COLUMNS, ref=REF, taken=["reading-007", "reading-2", "G1"])
    assert [line.record.id for line in filled if line.record] == ["reading-008", "reading-009"]


def test_an_id_of_another_record_is_refused() -> None:
    """Ids are unique in the whole site, whatever the kind."""
    columns = columns_of("gully", ("id", "state"))
    (filled,) = fill_lines(typed({"id": "D1", "state": "sound"}), "gully", columns, ref=REF, taken=["D1"])
    assert "another record" in filled.said["id"]


@pytest.mark.parametrize("kind", [kind for kind, model in KINDS.items() if not model.shape])
def test_every_record_of_the_demo_comes_back_equal_from_its_own_cells(kind: str) -> None:
    """Cells show words as people read them and numbers as typed; typing them again changes nothing."""
    site = read_site(DEMO)
    columns = columns_of(kind)
    for record in site.of(kind):
        line = Line(key="k", cells=cells_of(record, columns), record_id=record.id)
        (filled,) = fill_lines([line], kind, columns, ref=site.reference, existing={record.id: record})
        assert filled.said == {}
        assert filled.record == record


def test_fields_the_grid_does_not_show_keep_what_they_hold() -> None:
    """A grid of three columns changes three fields of a gully, not the others."""
    site = read_site(DEMO)
    gully = site.of("gully")[0]
    columns = columns_of("gully", ("id", "state"))
    line = Line(key="k", cells={"id": gully.id, "state": "sound"}, record_id=gully.id)
    (filled,) = fill_lines([line], "gully", columns, ref=REF, existing={gully.id: gully})
    assert filled.record is not None
    before, after = gully.model_dump(), filled.record.model_dump()
    assert {k for k in before if before[k] != after[k]} <= {"state"}


def test_where_a_line_lies_is_the_place_the_findings_give_it() -> None:
    """The chainage told while typing is the one every later page uses."""
    from geo.findings.examine import examine

    site = read_site(DEMO)
    told = whereabouts(site.of("reading"), site)
    joined = examine(site).readings
    for record_id, row in joined[joined["status"] == "joined"].head(40).iterrows():
        assert told[str(record_id)].chainage_m == pytest.approx(row["chainage_m"], abs=1e-9)
        assert f"ch {row['chainage_m']:.2f} m" in told[str(record_id)].told


def test_a_line_with_no_position_says_so() -> None:
    """Nothing is placed by guessing."""
    site = read_site(DEMO)
    model = KINDS["gully"]
    told = whereabouts([model(id="GX")], site)
    assert told["GX"].status == "unjoined"
    assert "no position" in told["GX"].told


def test_labels_leave_the_unit_to_the_column() -> None:
    """The unit ends the field's name and stands beside the label."""
    assert label_of("rim_level_m") == "rim level"
    assert label_of("bore_mm") == "bore"
    assert label_of("rate_l_s") == "rate"
    assert label_of("seen_on") == "seen on"
