"""Works from records: proposals, prices, work done, finds, levels after the works, files."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast
from xml.etree import ElementTree as ET

import openpyxl
import pandas as pd
import pytest
from typer.testing import CliRunner

from geo import reference, weights
from geo.cli import app
from geo.draw.order import draw_order
from geo.entry.works import hold_cells, proposal_cells, repair_cells, written
from geo.errors import InputError
from geo.evidence.coverage import Range
from geo.exchange.workbook import xlsx_bytes
from geo.exchange.works_files import order_lines, works_document, works_files
from geo.exchange.works_inputs import read_rain, works_for
from geo.findings.check import read_checked
from geo.findings.drains import lay_out_drains
from geo.findings.examine import Findings, examine
from geo.report.works import quantities_part
from geo.site.model import Site
from geo.site.records import KINDS, Record
from geo.site.works_records import Rate
from geo.works.as_built import as_built, as_built_site
from geo.works.asked import overridden, recorded
from geo.works.changed import what_changed
from geo.works.done import AGREED, NOT_AGREED, done_of, variations_of
from geo.works.kinds import INFERRED, MEASURED, NAN, Asked, Line, Work
from geo.works.measure import House
from geo.works.propose import Accepted, propose_repairs
from geo.works.quantities import quantities_of
from geo.works.rates import ON_NET, ON_ORDER, costs_of, rates_of, read_rates
from geo.works.rules import default as shipped_rules
from geo.works.whole import Works

REF = reference.default()
RULES = shipped_rules()
SITES = Path(__file__).resolve().parents[2] / "demo_sites"


@pytest.fixture(scope="module")
def semi() -> Findings:
    """Return the findings of the semi."""
    return examine(read_checked(SITES / "semi_on_a_slope"))


@pytest.fixture(scope="module")
def works(semi: Findings) -> Works:
    """Return the works of the semi."""
    return works_for(semi, lay_out_drains(semi))


@pytest.fixture(scope="module")
def house(semi: Findings) -> House:
    """Return the semi as it is measured on."""
    return House(found=semi, drains=lay_out_drains(semi), setting=None)


def accepted(cause: str, of_id: str = "", side: str = "outside", word: str = "supported") -> Accepted:
    """Return an accepted cause of a wet length at chainage 12.4-13.9 m."""
    return Accepted(
        cause=cause, of_id=of_id, stretch_id="W1", ring_key="B1", side=side, from_m=12.4, to_m=13.9, word=word
    )  # fmt: skip


@pytest.mark.parametrize(
    ("cause", "kinds"),
    [
        (accepted("S01", "G2"), {"r01"}),
        (accepted("S02", "DP3"), {"r02"}),
        (accepted("S03", "GT3"), {"r03"}),
        (accepted("S04", "SA1"), {"r08"}),
        (accepted("S08"), {"r09"}),
        (accepted("S10"), {"r14"}),
        (accepted("S12"), {"r12"}),
        (accepted("S13"), {"r13"}),
        (accepted("S15", side="inside"), {"r23"}),
        (accepted("S18"), {"r10"}),
        (accepted("S20"), {"r22"}),
        (accepted("S01", "G2", side="inside"), {"r01", "r18", "r19", "r20", "r21", "r24"}),
        (accepted("S16", side="inside"), {"r18", "r19", "r20", "r24"}),
    ],
)
def test_a_cause_asks_for_its_repair(house: House, cause: Accepted, kinds: set[str]) -> None:
    """Common practice, no source: which repair answers which cause; inside, plaster and drying follow water."""
    found = propose_repairs([cause], house)
    assert {each.kind for each in found.repairs} == kinds
    assert all(each.answers[0].cause == cause.cause for each in found.repairs)


@pytest.mark.parametrize("side", ["inside", "outside"])
@pytest.mark.parametrize("cause", [cause.key for cause in weights.default().causes])
def test_every_cause_has_a_repair_or_a_sentence_that_names_whom_to_call(
    house: House, cause: str, side: str
) -> None:
    """Of the sources, routes and mimics none is passed over: what follows inside, plaster or drying, is no answer."""
    found = propose_repairs([accepted(cause, side=side, word="proven")], house)
    answers = {each.kind for each in found.repairs} - {"r18", "r19", "r20", "r21", "r24"}
    assert bool(answers) != (cause in RULES.apart), (
        "either a kind of repair answers it, or a sentence says why not"
    )
    if cause in RULES.apart:
        (said,) = found.notes
        assert said.endswith(RULES.apart[cause].call)
        assert REF.word("cause", cause) in said
        assert said.count(". ") == 1


def test_what_no_repair_answers_stands_in_the_report_and_the_files(works: Works, house: House) -> None:
    """A leak of a pipe indoors alone: no quantity anywhere, and whom to call in its place."""
    only = replace(works, works=(), notes=propose_repairs([accepted("S14")], house).notes)
    part = quantities_part(cast("Any", SimpleNamespace(works=only, works_refused=(), ref=REF)))
    for told in (str(part.blocks), "\n".join(order_lines(only))):
        assert "not measured here" in told
        assert "Call a plumber" in told


def test_a_foot_joined_to_nothing_is_led_to_a_gully_that_works(house: House) -> None:
    """The truth of the site: DP3 is joined to nothing; the nearest working gully along the wall is G3."""
    (foot,) = propose_repairs([accepted("S02", "DP3")], house).repairs
    assert foot.to_id == "G3"


def test_what_looks_sound_is_looked_at_before_it_is_dug_up(house: House) -> None:
    """A run traced, nothing wrong seen of it: a camera first. Where a test proved it, it is mended."""
    found = propose_repairs([accepted("S05", "R1")], house)
    assert not found.repairs
    assert "pass a camera" in found.notes[0]
    proven = propose_repairs([accepted("S05", "R1", word="proven")], house)
    assert [each.kind for each in proven.repairs] == ["r06"]


def test_one_thing_wet_twice_is_mended_once(house: House) -> None:
    """A gully behind two wet lengths is one repair that answers both; a plumber's leak is a note."""
    two = [accepted("S01", "G2"), replace(accepted("S01", "G2"), stretch_id="W2")]
    found = propose_repairs([*two, accepted("S14", "SV1")], house)
    assert [each.kind for each in found.repairs] == ["r01"]
    assert [each.stretch_id for each in found.repairs[0].answers] == ["W1", "W2"]
    assert "plumber" in found.notes[0]


def test_lengths_that_meet_are_one_repair_round_the_origin(house: House) -> None:
    """37.0-37.6 and 0.2-2.0 m of a ring of 37.67 m meet at the origin corner: one length, 37.0 to 2.0 m."""
    parts = [replace(accepted("S12"), from_m=37.0, to_m=37.6), replace(accepted("S12"), from_m=0.2, to_m=2.0)]
    (one,) = propose_repairs(parts, house).repairs
    assert (one.from_m, one.to_m) == (37.0, 2.0)
    assert propose_repairs(parts[::-1], house).repairs == (replace(one, answers=one.answers),)


def test_what_is_recorded_takes_the_place_of_what_is_proposed() -> None:
    """By thing, else by wall; a dropped record drops the proposal; a variation takes no place."""
    gully = Asked(repair_id="P-1", kind="r01", of_ids=("G1",))
    wall = Asked(repair_id="P-2", kind="r12", ring_key="B1", from_m=2.0, to_m=8.0)
    rings = {"B1": 40.0}

    def left(*records: Asked) -> list[str]:
        return [each.repair_id for each in overridden((gully, wall), records, rings)]

    assert left() == ["P-1", "P-2"]
    assert left(replace(gully, repair_id="R1", proposed=False)) == ["R1", "P-2"]
    assert left(replace(wall, repair_id="R2", from_m=7.0, to_m=9.0)) == ["R2", "P-1"]
    assert left(replace(wall, repair_id="R2", from_m=9.0, to_m=12.0)) == ["R2", "P-1", "P-2"]
    assert left(replace(gully, repair_id="R1", stage="dropped")) == ["P-2"]
    assert left(replace(gully, repair_id="R1", variation_of_id="R9")) == ["R1", "P-1", "P-2"]


# --- prices ---------------------------------------------------------------------------------------


def a_line(name: str = "concrete", net: float = 0.5, **more: Any) -> Line:
    """Return a line of a cubic metre's kind."""
    plain = {"unit": "m3", "formula": "f", "basis": MEASURED, "order": net * 1.1, "order_unit": "m3"}
    return Line(line=name, net=net, **(plain | more))


def a_work(*lines: Line, **more: Any) -> Work:
    """Return a repair with lines."""
    asked = Asked(repair_id="R1", kind="r15", proposed=False, **more)
    return Work(asked=asked, label="floor edge", where="", lines=lines)


def a_rate(price: float, unit: str = "m3", **more: Any) -> Rate:
    """Return a price of concrete."""
    plain = {"id": "T1", "repair_kind": "r15", "line": "Concrete", "currency": "GBP"}
    return Rate(**(plain | {"unit": unit, "price": price} | more))


def test_a_price_is_laid_on_what_is_ordered() -> None:
    """0.5 m³ and a tenth more at 200.00: 110.00; lengths are bought by number, and laid by metre."""
    costs = costs_of([a_work(a_line())], [a_rate(200.0)])
    assert (costs.lines[0].amount, costs.lines[0].priced_on) == (Decimal("110.00"), ON_ORDER)
    pipe = a_line("concrete", 11.5, unit="m", order=5.0, order_unit="nr")
    by_number = costs_of([a_work(pipe)], [a_rate(20.0, "nr")]).lines[0]
    by_metre = costs_of([a_work(pipe)], [a_rate(9.0, "m")]).lines[0]
    assert (by_number.amount, by_number.priced_on) == (Decimal("100.00"), ON_ORDER)
    assert (by_metre.amount, by_metre.priced_on) == (Decimal("103.50"), ON_NET)


def test_currencies_are_never_added_and_what_has_no_price_is_said() -> None:
    """Pounds and euros stand apart; no price, a price of another unit and an unknown quantity are named."""
    lines = [a_line(), a_line("skip"), a_line("membrane", NAN, order=NAN), a_line("edge")]
    rates = [
        a_rate(200.0),
        a_rate(10.0, line="skip", currency="eur", id="T2"),
        a_rate(3.0, "m2", line="edge", id="T3"),
    ]
    costs = costs_of([a_work(*lines)], rates)
    assert costs.totals == {"GBP": Decimal("110.00"), "EUR": Decimal("5.50")}
    assert costs.not_known == (("R1", "membrane"),)
    assert costs.without == (("R1", "edge"),)
    assert "T3 is by m2" in costs.told[0]
    assert costs_of([a_work(a_line())], []).totals == {}


def test_the_newest_price_counts_and_a_files_comes_first(tmp_path: Path) -> None:
    """Two prices by date; a file's price stands before the site's own of that line."""
    old, new = a_rate(100.0, from_date="2026-01-01"), a_rate(300.0, id="T2", from_date="2026-05-01")
    assert costs_of([a_work(a_line())], [new, old]).lines[0].rate_id == "T2"
    path = tmp_path / "prices.csv"
    path.write_text("id,repair_kind,line,unit,price,currency\nF1,r15,concrete,m3,250,GBP\n", encoding="utf-8")
    given = read_rates(path, ref=REF)
    site = cast("Any", SimpleNamespace(of=lambda kind: (new,)))
    assert [rate.id for rate in rates_of(site, given)] == ["F1"]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("id,repair_kind,line,unit,price,currency\nF1,r99,concrete,m3,250,GBP\n", "r99"),
        ("id,repair_kind,line,unit,price,currency\nF1,r15,concrete,m3,dear,GBP\n", "dear"),
        ("id,repair_kind,line,unit,price,currency\nF1,r15,concrete,m3,-5,GBP\n", "-5"),
    ],
)
def test_a_file_of_prices_that_is_wrong_is_refused(tmp_path: Path, content: str, said: str) -> None:
    """An unknown repair, a price that is no number or below nothing: the cell is named."""
    path = tmp_path / "prices.csv"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=said):
        read_rates(path, ref=REF)
    with pytest.raises(InputError, match="cannot be read"):
        read_rates(tmp_path / "none.csv", ref=REF)


# --- done, variations -----------------------------------------------------------------------------


def site_of(**records: Sequence[dict[str, Any]]) -> Any:
    """Return what is asked of a site's tables."""
    tables = {
        kind: pd.DataFrame([{"id": f"X{i}", **row} for i, row in enumerate(rows)])
        for kind, rows in records.items()
    }
    return SimpleNamespace(table=lambda kind: tables[kind])


def test_done_is_held_against_the_estimate() -> None:
    """0.2 and 0.4 of 0.5 m³: 0.1 over; another unit is not compared; a line nobody estimated is asked about."""
    rows = [
        {"repair_id": "R1", "line": "Concrete", "quantity": 0.2, "unit": "m3"},
        {"repair_id": "R1", "line": "concrete", "quantity": 0.4, "unit": "m3"},
        {"repair_id": "R1", "line": "skip", "quantity": 2.0, "unit": "nr"},
        {"repair_id": "R1", "line": "lintel", "quantity": 1.0, "unit": "nr"},
        {"repair_id": "R9", "line": "pipe", "quantity": 1.0, "unit": "m"},
    ]
    work = a_work(a_line(), a_line("skip", 0.5), a_line("edge", 18.6, unit="m"))
    found = {(each.repair_id, each.line): each for each in done_of([work], site_of(work_done=rows))}
    concrete = found["R1", "concrete"]
    assert (round(concrete.done, 3), round(concrete.over, 3), concrete.remaining) == (0.6, 0.1, 0.0)
    assert found["R1", "edge"].remaining == pytest.approx(18.6)
    assert "recorded in nr" in found["R1", "skip"].because
    assert "variation" in found["R1", "lintel"].because
    assert found["R9", "pipe"].because == "there is no such repair"


def test_a_variation_says_why_and_whether_it_was_agreed() -> None:
    """Agreed with a date and a role; else not agreed in writing."""
    agreed = a_work(a_line(), variation_of_id="R0", why="more rot", agreed_on="2026-04-14", agreed_by="owner")
    shouted = a_work(a_line(), variation_of_id="R0", why="more rot")
    found = variations_of([agreed, shouted, a_work(a_line())])
    assert [each.agreed for each in found] == [AGREED, NOT_AGREED]
    assert found[0].adds == (("concrete", 0.5, "m3"),)


# --- finds ----------------------------------------------------------------------------------------


def a_stretch(unexplained: Sequence[tuple[float, float]], *, keys: Sequence[str], name: str = "W1") -> Any:
    """Return a wet stretch 2.0-9.4 m with what is left unexplained of it."""
    open_parts = tuple(Range(from_m=a, to_m=b, length_m=b - a) for a, b in unexplained)
    cuts = [2.0, *(end for part in unexplained for end in part), 9.4]
    explained = tuple(
        Range(from_m=a, to_m=b, length_m=b - a) for a, b in zip(cuts[::2], cuts[1::2], strict=True) if b > a
    )
    cover = SimpleNamespace(
        unexplained=open_parts, explained=explained, unexplained_m=sum(part.length_m for part in open_parts)
    )
    supports = [
        SimpleNamespace(key=key, short=f"cause {key}", word="supported", holds=True, rests_on=("X1",))
        for key in keys
    ]
    return SimpleNamespace(
        stretch_id=name, ring_key="B1", side="inside", group="g", from_m=2.0, to_m=9.4, coverage=cover,
        supports=supports, accepted=tuple(keys),
    )  # fmt: skip


def test_a_find_says_how_much_of_what_was_open_it_explains() -> None:
    """Open 4.5-6.0 and 8.2-9.4, 2.7 m; a find explains 4.6-6.0: 1.4 m of the unexplained 2.7; 1.3 stay."""
    before = SimpleNamespace(stretches=[a_stretch([(4.5, 6.0), (8.2, 9.4)], keys=["S02:DP1"])])
    after = SimpleNamespace(
        stretches=[a_stretch([(4.5, 4.6), (8.2, 9.4)], keys=["S02:DP1", "S12:CV1"], name="W3")]
    )
    (change,) = what_changed(cast("Any", before), cast("Any", after), {"B1": 40.0})
    assert (change.stretch_id, change.before_id) == ("W3", "W1")
    assert change.newly_explained_m == pytest.approx(1.4)
    assert change.accepted == ("S12:CV1",)
    assert "this find explains 1.4 m of the unexplained 2.7 m" in change.said
    assert "1.3 m stay unexplained, and the case open" in change.said
    assert what_changed(cast("Any", after), cast("Any", after), {"B1": 40.0}) == ()


# --- levels after the works -----------------------------------------------------------------------


def lowered(semi: Findings) -> Findings:
    """Return the semi with the ground levelled again 12.4-13.9 m, 100 mm lower, and the rim of G2 raised."""
    levels = semi.ground_levels
    beside = levels["offset_m"].abs() <= REF.value("ground.wall_level_reach_m")
    own = levels[beside & (levels["ring_key"] == "B1") & levels["chainage_m"].between(11.5, 15.0)]
    fresh: list[Record] = [
        KINDS["level"](
            id=f"AB{i}", role="ground", stage="as_built", building_id="B1", side="outside",
            position_by="chainage_offset", chainage_m=float(row["chainage_m"]), offset_m=0.05,
            level_m=float(row["level_m"]) - 0.1, level_sigma_m=0.003,
        )
        for i, (_, row) in enumerate(own.iterrows())
    ]  # fmt: skip
    fresh.append(
        KINDS["level"](
            id="AB-G2", role="lip", stage="as_built", of_id="G2", level_m=9.99, level_sigma_m=0.003
        )
    )
    site = semi.site
    own_levels = [each for each in site.of("level") if getattr(each, "stage", "") != "as_built"]
    whole = replace(site, records={**site.records, "level": (*own_levels, *fresh)}, digest="after")
    return examine(whole)


def test_clearance_is_worked_out_again_from_the_levels_after_the_works(semi: Findings) -> None:
    """Ground 100 mm lower is a clearance 100 mm greater, piece by piece; elsewhere nothing is said."""
    found = lowered(semi)
    assert found.ground.clearance["clearance_mm"].equals(semi.ground.clearance["clearance_mm"])
    left = as_built(found, lay_out_drains(found))
    assert left is not None
    between = left.clearance[left.clearance["chainage_from_m"].between(12.4, 13.5)]
    assert len(between) >= 1
    assert (between["after_mm"] - between["before_mm"]).to_numpy() == pytest.approx(100.0, abs=1.0)
    assert left.clearance["chainage_from_m"].max() < 20.0
    site = as_built_site(found)
    assert site is not None
    assert next(each.lip_level_m for each in site.of("gully") if each.id == "G2") == 9.99
    assert next(each.lip_level_m for each in found.site.of("gully") if each.id == "G2") != 9.99


def test_without_levels_after_the_works_nothing_is_said(semi: Findings) -> None:
    """No level after the works, no answer."""
    bare = tuple(level for level in semi.site.of("level") if getattr(level, "stage", "") != "as_built")
    site = replace(semi.site, records={**semi.site.records, "level": bare})
    assert as_built_site(cast("Findings", SimpleNamespace(site=site))) is None


# --- files ----------------------------------------------------------------------------------------


def test_the_files_are_whole_and_the_same_twice(works: Works) -> None:
    """Every quantity once in CSV, XLSX and JSON; the same works give the same bytes."""
    files = works_files(works, ref=REF)
    assert files == works_files(works, ref=REF)
    rows = list(csv.DictReader(io.StringIO(files["quantities.csv"].decode("utf-8-sig"))))
    lines = [(work.repair_id, line.line) for work in works.works for line in work.lines]
    assert [(row["repair"], row["line"]) for row in rows if row["line"]] == lines
    document = json.loads(files["works.json"])
    assert [each["line"] for work in document["works"] for each in work["lines"]] == [
        name for _, name in lines
    ]
    book = openpyxl.load_workbook(io.BytesIO(files["works.xlsx"]))
    assert {"quantities", "order", "holds", "consents"} <= set(book.sheetnames)
    assert book["quantities"].max_row == len(rows) + 4
    text = files["order.txt"].decode()
    assert all(hold.hold_point.upper() in text for hold in works.holds.values())
    assert "certifies nothing" in text
    assert "compliant" not in text


def test_nothing_a_person_typed_is_a_formula() -> None:
    """Text that begins like a formula stays text in the workbook; a number stays a number, a blank a blank."""
    table = pd.DataFrame(
        {"why": ["=1+1", "+SUM(A1)", "@x", "-2", "\x00ok"], "net": [1.5, 2.0, NAN, 4.0, 5.0]}
    )
    raw = xlsx_bytes({"a/b*c": table, "A b c": table}, heads=("=HYPERLINK(1)",))
    assert raw == xlsx_bytes({"a/b*c": table, "A b c": table}, heads=("=HYPERLINK(1)",))
    book = openpyxl.load_workbook(io.BytesIO(raw))
    sheet = book.worksheets[0]
    assert len(set(book.sheetnames)) == 2
    assert [sheet.cell(row, 1).data_type for row in range(4, 9)] == ["s"] * 5
    assert sheet.cell(1, 1).data_type == "s"
    assert sheet.cell(4, 1).value == "=1+1"
    assert sheet.cell(4, 2).value == 1.5
    assert sheet.cell(6, 2).value is None
    assert openpyxl.load_workbook(io.BytesIO(xlsx_bytes({}))).sheetnames == ["empty"]


def test_works_of_a_demo_site_by_its_truths(works: Works) -> None:
    """What its README states: G2's lip, DP3 joined to nothing, debris at 4.8-6.3 m, a soakaway that holds water."""
    kinds = {(work.kind, *work.asked.of_ids) for work in works.works}
    assert {("r01", "G2"), ("r02", "DP3"), ("r08", "SA1")} <= kinds
    cavity = next(work for work in works.works if work.kind == "r12")
    assert cavity.asked.from_m <= 4.8
    assert cavity.asked.to_m >= 6.3
    assert works.holds["hp2:RP1"].passed
    assert "compliant" not in json.dumps(works_document(works))
    assert works.costs.totals == {"GBP": Decimal("185.00")}


def test_the_order_drawn_shows_every_part_and_only_text(works: Works) -> None:
    """Each repair a lane, each hold a pill; a hostile name stays text, and the drawing stays XML."""
    svg = draw_order(works.order, works.holds, title="<script>", dated="d", lanes=works.lanes)
    assert "<script>" not in svg
    said = "".join(words_of(svg))
    for work in works.works:
        if work.kind != "r25":
            assert work.repair_id in said
    assert said.count("HP2") == sum(hold.hold_point == "hp2" for hold in works.holds.values())
    assert svg == draw_order(works.order, works.holds, title="<script>", dated="d", lanes=works.lanes)


def words_of(svg: str) -> list[str]:
    """Return the words of a drawing."""
    space = "{http://www.w3.org/2000/svg}"
    return [element.text or "" for element in ET.fromstring(svg).iter(space + "text")]


def test_the_command_writes_and_refuses(tmp_path: Path) -> None:
    """Wallfoot works: files in a folder; a site's own folder, and a file of prices that is not there, are refused."""
    run = CliRunner()
    site = str(SITES / "three_cottages")
    done = run.invoke(app, ["works", site, "--out", str(tmp_path / "out")])
    assert done.exit_code == 0
    assert (tmp_path / "out" / "works.xlsx").exists()
    assert "May start now" in done.output
    lost = run.invoke(app, ["works", site, "--rates", str(tmp_path / "none.csv")])
    assert lost.exit_code == 1
    assert "cannot be read" in lost.output


@pytest.mark.parametrize(
    ("content", "said"),
    [("a,b\n1,2\n", "no such column"), ("minutes,depth_mm\nx,2\n", "no number"), ("minutes,depth_mm\n", "no row"),
     ("minutes,depth_mm\n30,2\n15,3\n", "rise")],
)  # fmt: skip
def test_rain_that_cannot_be_read_is_refused(tmp_path: Path, content: str, said: str) -> None:
    """Wrong columns, no number, no row, durations out of order: said in a sentence."""
    path = tmp_path / "rain.csv"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=said):
        read_rain(path)


# --- writing down ---------------------------------------------------------------------------------


def test_a_proposal_taken_over_gives_the_same_quantities(works: Works, semi: Findings, house: House) -> None:
    """A proposal kept as a record takes its place and measures the same, now by somebody's word: inferred."""
    own = next(work for work in works.works if work.asked.proposed and work.kind == "r09")
    told = written("repair", {k: v for k, v in proposal_cells(own.asked, semi.site).items() if v}, semi.site)
    assert told.record is not None, told.said
    records = {**semi.site.records, "repair": (*semi.site.of("repair"), told.record)}
    site: Site = replace(semi.site, records=records)
    asked = next(each for each in recorded(site) if each.repair_id == told.record.id)
    rings = {"B1": house.ring_length("B1")}
    assert own.repair_id not in {each.repair_id for each in overridden((own.asked,), (asked,), rings)}
    kept = quantities_of(asked, house)
    assert [line.net for line in kept.lines] == pytest.approx([line.net for line in own.lines], abs=0.002)
    assert {line.basis for line in kept.lines if line.known} == {INFERRED}
    assert repair_cells(told.record.id, site)["repair_kind"] == "r09"


def test_a_result_is_kept_with_its_length_and_said_when_it_is_not_whole(works: Works, semi: Findings) -> None:
    """A hold point takes over its repair's length; a word that is none is named."""
    cavity = next(work for work in works.works if work.kind == "r12")
    cells = hold_cells("hp3", cavity.repair_id, cavity.asked)
    assert float(cells["chainage_from_m"]) == pytest.approx(cavity.asked.from_m, abs=0.001)
    good = written(
        "hold_point", {**cells, "result": "passed", "clear_below_mm": "160"}, semi.site, stem="HP-"
    )
    assert good.record is not None
    assert good.record.id.startswith("HP-")
    bad = written("hold_point", {**cells, "result": "fine"}, semi.site)
    assert bad.record is None
    assert bad.said
    assert written("hold_point", {}, semi.site).said
