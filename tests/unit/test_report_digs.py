"""Where to dig in the report: the holes of the pack, in the pack's words, with what lies near each."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from geo.exchange.setting_words import depth_range, set_out_words
from geo.exchange.setting_work import setting_out_of
from geo.findings.check import read_checked
from geo.findings.examine import examine
from geo.report import rules
from geo.report.digs import digs_part
from geo.report.full import full_report
from geo.report.parts import Ids, Items, Note, Table
from geo.report.source import Source, gather

DEMO = Path(__file__).parents[2] / "demo_sites"
NAMES = ("semi_on_a_slope", "old_school", "three_cottages")


@pytest.fixture(scope="module")
def sources() -> dict[str, Source]:
    """Return what the reports of the demo sites are written from."""
    return {name: gather(examine(read_checked(DEMO / name))) for name in NAMES}


def table_of(source: Source) -> Table:
    """Return the table of holes."""
    found = [block for block in digs_part(source).blocks if isinstance(block, Table)]
    assert len(found) == 1
    return found[0]


@pytest.mark.parametrize("name", NAMES)
def test_every_hole_of_the_pack_stands_in_the_report(sources: dict[str, Source], name: str) -> None:
    """Each once, with the pack's ties, size and depths, and only ids of records."""
    source = sources[name]
    setting, _ = setting_out_of(source.site)
    rows = {str(row[0]): row for row in table_of(source).rows}
    assert sorted(rows) == sorted(map(str, setting.boxes.index))
    for hole, box in setting.boxes.iterrows():
        row, target = rows[str(hole)], setting.targets.loc[hole]
        assert set_out_words(target)[1:] in str(row[2])
        assert f"{box['length_m']:.2f} × {box['width_m']:.2f}" in str(row[3])
        if target["depth"] != "not known":
            assert depth_range(target, "invert") in str(row[4])
        else:
            assert str(target["depth_settle"]) in str(row[4])
        names = row[6]
        assert isinstance(names, Ids)
        assert names.names
        assert set(names.names) <= set(source.site.ids)


def test_what_works_ask_for_comes_first_and_faults_next(sources: dict[str, Source]) -> None:
    """The semi: a new soakaway is proposed (RP5); G2 was mended (RP1, RP6); R5 is cracked, and nobody mends it."""
    rows = [(str(row[0]), str(row[1])) for row in table_of(sources["semi_on_a_slope"]).rows]
    assert rows[0] == ("SA1", "soakaway, standing water; for RP5")
    assert rows[1][0] == "R5 fault"
    told = dict(rows)
    assert told["G2"].endswith("RP1 and RP6 are done")
    assert told["G1"].endswith("no work asks for it")


def test_what_lies_near_is_the_nearest_of_its_sort(sources: dict[str, Source]) -> None:
    """The water main crosses the hole at G4; where no service is drawn that proves none absent."""
    source = sources["semi_on_a_slope"]
    assert source.setting is not None
    minds = {str(row[0]): str(row[5]) for row in table_of(source).rows}
    assert "Service SV1: water main, seen: crosses it" in minds["G4"]
    assert "none drawn within reach, which proves none absent" in minds["SA1"]
    warned = source.setting.warnings
    for hole in source.setting.boxes.index:
        own = warned[(warned["of_id"] == hole) & (warned["about"] == "foundation")]
        if len(own):
            assert f"{own['distance_m'].min():.2f} m clear" in minds[str(hole)]
        else:
            assert "Foundation" not in minds[str(hole)]


def test_each_answer_says_why_and_what_settles_it(sources: dict[str, Source]) -> None:
    """Under the table every foundation, neighbour and sewer of a hole is explained, by rule and record."""
    source = sources["semi_on_a_slope"]
    told = [one for block in digs_part(source).blocks if isinstance(block, Items) for one in block.items]
    assert {one.lead.split()[0] for one in told} == {"Foundation", "A", "Neighbour"}
    for one in told:
        assert one.rule == rules.DIGS
        assert one.rests_on
        assert set(one.rests_on) <= set(source.site.ids)
    assert any("Dig a hole by hand beside the wall" in one.said for one in told)


def test_cautions_of_digging_stand_beside_the_holes(sources: dict[str, Source]) -> None:
    """In short before the table, in full at the end, though no dig is ordered."""
    source = sources["three_cottages"]
    notes = [block for block in digs_part(source).blocks if isinstance(block, Note)]
    assert [note.urgent for note in notes] == [True]
    assert "never undermine a wall" in notes[0].lines[0]
    idle = replace(
        source, found=replace(source.found, site=replace(source.site, records=_no_repairs(source)))
    )
    cautions = next(part for part in full_report(replace(idle, works=None)).parts if part.key == "cautions")
    assert "Digging" in str(cautions.blocks)


def _no_repairs(source: Source) -> dict[str, tuple[object, ...]]:
    return {kind: rows for kind, rows in source.site.records.items() if kind != "repair"}


def test_without_drains_there_is_no_such_section(tmp_path: Path) -> None:
    """A site of which only the outline is known has nothing to dig for, and says so where sections are listed."""
    for name in ("site.toml", "buildings.geojson"):
        (tmp_path / name).write_bytes((DEMO / "semi_on_a_slope" / name).read_bytes())
    source = gather(examine(read_checked(tmp_path)))
    part = digs_part(source)
    assert part.empty
    assert part.why == "nothing recorded has to be dug for"
