"""A site's drains laid out and asked: levels from the book, faults, blockages, the ground, the wall."""

from __future__ import annotations

import json
import math
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import shapely
from typer.testing import CliRunner

from geo import reference
from geo.cli import app
from geo.drains.backup import Blockage
from geo.drains.storage import Inflow
from geo.errors import InputError
from geo.findings.check import read_checked
from geo.findings.drains import (
    DrainAnswer,
    Drains,
    ask_drains,
    drain_document,
    drain_lines,
    examine_drains,
    fill_levels,
    ground_along,
    lay_out_drains,
    path_of,
    rain_on,
)
from geo.findings.examine import Findings, examine
from geo.verdict import NOT_KNOWN

REF = reference.default()
SITES = Path(__file__).resolve().parents[2] / "demo_sites"
NAMES = ("semi_on_a_slope", "old_school", "three_cottages")


@pytest.fixture(scope="module")
def found() -> dict[str, Findings]:
    """Return the findings of every demo site."""
    return {name: examine(read_checked(SITES / name)) for name in NAMES}


@pytest.fixture(scope="module")
def drains(found: dict[str, Findings]) -> dict[str, Drains]:
    """Return the drains of every demo site, laid out."""
    return {name: lay_out_drains(each) for name, each in found.items()}


def truths(name: str, kind: str) -> list[dict[str, Any]]:
    """Return what is true of a demo site, worked by hand from its stated numbers."""
    text = (SITES / name / "truth.toml").read_text(encoding="utf-8")
    return list(tomllib.loads(text).get(kind, []))


SPILLS = [(name, spill) for name in NAMES for spill in truths(name, "spill")]


@pytest.mark.parametrize(("name", "truth"), SPILLS, ids=[f"{n}-{t['blocked']}" for n, t in SPILLS])
def test_the_whole_site_spills_where_it_should(
    drains: dict[str, Drains], name: str, truth: dict[str, Any]
) -> None:
    """Through the whole site, positions and all, the first spill is the true one, to three sigma (15 mm)."""
    stop = Blockage(asset_id=truth["blocked"], at_m=truth.get("blocked_at_m"))
    answer = ask_drains(drains[name], blocked=stop, source=truth["source"])
    assert (answer.result.first, answer.result.leaves) == (truth["first"], truth["leaves_at"])
    assert answer.result.level.value == pytest.approx(truth["level_m"], abs=0.015)


def test_a_blocked_yard_gully_ponds_to_the_ridge_of_the_paving(drains: dict[str, Drains]) -> None:
    """GY1 stopped and GY2 working: water leaves over the ridge at 30.160 m, within the raster's 2 sigma."""
    answer = ask_drains(drains["old_school"], blocked="R8")
    (ground,) = answer.on_ground
    truth = next(t for t in truths("old_school", "pond") if t["gullies"].startswith("GY1"))
    assert ground.word == "stands at the wall"
    assert abs(ground.level.value - truth["level_m"]) < 2 * ground.level.sigma
    assert ground.pool is not None
    assert ground.pool.ring_key == "H1/Y1"
    assert ground.pool.chainage_from_m < truth["deepest_at_chainage_m"] < ground.pool.chainage_to_m


def test_a_yard_with_no_gully_fills_to_its_lowest_threshold(drains: dict[str, Drains]) -> None:
    """With both gullies on a stopped run the yard is shut in: it rises to O8 at 30.180 m and comes in."""
    answer = ask_drains(drains["old_school"], blocked="R9")
    truth = next(t for t in truths("old_school", "pond") if t.get("shut_in"))
    (ground,), (water,) = answer.on_ground, answer.water
    assert ground.shut_in
    assert ground.level.value == pytest.approx(truth["level_m"], abs=truth["tolerance_m"])
    assert water.verdict.word == "yes"
    assert truth["limited_by"] in water.verdict.rests_on


def test_few_litres_fill_a_hollow_only_so_far(drains: dict[str, Drains]) -> None:
    """A pour that spills 10 l leaves the water lower than one without end, and never higher than the brim."""
    few = Inflow.steady(0.25, minutes=(52.3 + 10.0) / 0.25 / 60.0)
    small = ask_drains(drains["semi_on_a_slope"], blocked="R6", inflow=few)
    large = ask_drains(drains["semi_on_a_slope"], blocked="R6", inflow=Inflow.steady(0.25))
    assert small.result.balance is not None
    assert small.result.balance.spilled_l == pytest.approx(10.0, abs=2.0)
    assert small.on_ground[0].level.value < large.on_ground[0].level.value - 0.005


def test_nothing_is_known_of_ground_nobody_levelled(
    found: dict[str, Findings], drains: dict[str, Drains]
) -> None:
    """Without levels and raster the same spill stands, and what the ground does is not known, with a mend."""
    bare = replace(drains["old_school"], surfaces=())
    answer = ask_drains(bare, blocked="R8")
    assert answer.result.first == "GY1"
    (ground,) = answer.on_ground
    assert ground.word == NOT_KNOWN
    assert ground.settle
    assert not answer.water[0].pool_known
    assert found["old_school"].raster is not None


def test_a_chamber_out_in_the_garden_is_not_taken_to_wet_a_wall(drains: dict[str, Drains]) -> None:
    """C1 stands metres from the house: its spill has no place on a wall, and no barrier is asked of it."""
    answer = ask_drains(drains["semi_on_a_slope"], blocked="R3")
    assert answer.result.first == "C1"
    assert math.isnan(answer.water[0].chainage_from_m)
    assert answer.crossings.empty


def test_a_wall_nobody_opened_is_never_called_dry_inside(drains: dict[str, Drains]) -> None:
    """Where the cavity was not looked into, debris is not known, and water over the soffit is not a no.

    The pool at 9.972 m stands 72 mm over the soffit of the kitchen floor, 9.900, and the slab's top, 10.050,
    lies 72 mm over the inner course, 9.978: the floor bridges, if the water comes so far.
    """
    answer = ask_drains(drains["semi_on_a_slope"], blocked="SA1")
    words = answer.crossings.set_index("way")["word"]
    assert words["K3"] == NOT_KNOWN
    hung = answer.crossings["because"].str.startswith("does not apply: suspended")
    floors = answer.crossings[(answer.crossings["way"] == "K4") & ~hung]
    assert set(floors["word"]) == {NOT_KNOWN}
    kitchen = answer.crossings[(answer.crossings["way"] == "K4")].iloc[0]
    assert kitchen["margin_mm"] == pytest.approx(72.0, abs=2.0)
    assert "not looked into" in kitchen["because"]


def test_a_solid_wall_has_no_cavity_to_bridge(drains: dict[str, Drains]) -> None:
    """The cottages' walls are solid: neither cavity water nor debris is asked of them, the floor is."""
    answer = ask_drains(drains["three_cottages"], blocked="RB")
    assert not answer.crossings["way"].isin(("K2", "K3")).any()
    assert {"K1", "K4", "K7"} <= set(answer.crossings["way"])


def test_lengths_stay_on_the_ring(drains: dict[str, Drains]) -> None:
    """G3 of the school spills at 83.04 m of 84: its lengths run past the origin corner and stay on the ring."""
    answer = ask_drains(replace(drains["old_school"], surfaces=()), blocked="R7")
    length = drains["old_school"].ring_lengths["H1"]
    ends = answer.crossings[["chainage_from_m", "chainage_to_m"]]
    assert ((ends >= 0) & (ends <= length)).all().all()
    assert answer.crossings["length_m"].max() <= 2.0 + 1e-6
    k1 = answer.crossings[answer.crossings["way"] == "K1"]
    assert k1["length_m"].sum() == pytest.approx(2.0, abs=1e-6)


def test_no_change_is_named_where_a_level_is_missing(drains: dict[str, Drains]) -> None:
    """What is not known for want of a level is to be measured, not mended."""
    for each in drains.values():
        for name in each.every.index:
            answer = ask_drains(each, blocked=str(name))
            assert not answer.remedies["what"].str.contains("nan").any()
            open_ = answer.crossings[answer.crossings["word"] == NOT_KNOWN]
            assert (open_["settle"] != "").all()


def levels_table(rows: list[tuple[str, str, float, float]]) -> pd.DataFrame:
    """Return reduced levels as the book gives them."""
    table = pd.DataFrame(rows, columns=["role", "of_id", "level_m", "sigma_m"])
    return table.set_axis([f"L{i}" for i in range(1, len(table) + 1)], axis=0)


def gullies(**levels: float) -> pd.DataFrame:
    """Return one gully with the levels given."""
    names = ("rim_level_m", "lip_level_m", "outlet_invert_level_m", "level_sigma_m")
    return pd.DataFrame({name: [levels.get(name, math.nan)] for name in names}, index=["G1"])


def test_the_book_fills_what_a_record_lacks() -> None:
    """A rim booked twice counts once, at the mean with the larger sigma; the lip recorded stays."""
    book = levels_table([("rim", "G1", 9.780, 0.004), ("rim", "G1", 9.784, 0.006)])
    made, filled, faults = fill_levels({"gully": gullies(lip_level_m=9.770)}, book, ref=REF)
    assert made["gully"].loc["G1", "rim_level_m"] == pytest.approx(9.782)
    assert made["gully"].loc["G1", "lip_level_m"] == 9.770
    assert made["gully"].loc["G1", "level_sigma_m"] == 0.006
    assert filled.iloc[0]["level_ids"] == "L1 L2"
    assert not faults


@pytest.mark.parametrize(("booked", "clashes"), [(9.788, 0), (9.800, 1)])
def test_a_record_that_contradicts_the_book_is_a_fault(booked: float, clashes: int) -> None:
    """Recorded 9.780 ± 4 mm, booked ± 4 mm: 2 sigma of the difference is 11.3 mm; 8 mm passes, 20 does not."""
    own = gullies(rim_level_m=9.780, level_sigma_m=0.004)
    made, filled, faults = fill_levels({"gully": own}, levels_table([("rim", "G1", booked, 0.004)]), ref=REF)
    assert len(faults) == clashes
    assert filled.empty
    assert made["gully"].loc["G1", "rim_level_m"] == 9.780


@pytest.mark.parametrize(
    ("kind", "role", "column"),
    [
        ("downpipe", "foot", "foot_level_m"),
        ("fixture", "fixture", "level_m"),
        ("foundation", "foundation", "underside_level_m"),
    ],
)
def test_the_book_fills_a_foot_a_fixture_and_an_underside(kind: str, role: str, column: str) -> None:
    """A level booked on a downpipe's foot, a waste or a foundation goes into that record, with its sigma."""
    own = pd.DataFrame({column: [math.nan], "level_sigma_m": [math.nan]}, index=["X1"])
    made, filled, _ = fill_levels({kind: own}, levels_table([(role, "X1", 9.640, 0.005)]), ref=REF)
    assert made[kind].loc["X1", [column, "level_sigma_m"]].tolist() == [9.640, 0.005]
    assert filled["column"].tolist() == [column]


def test_booked_water_is_held_against_what_was_recorded() -> None:
    """Water recorded at 9.300 and booked 9.340, 7.5 mm each: 40 mm against two sigma of 21 is a fault."""
    own = pd.DataFrame({"level_m": [9.300], "level_sigma_m": [0.0075]}, index=["W1"])
    _, _, faults = fill_levels({"water_level": own}, levels_table([("water", "W1", 9.340, 0.0075)]), ref=REF)
    assert [fault.rule for fault in faults] == ["contradiction"]


def test_a_cavity_is_not_taken_to_run_on_where_nobody_looked(drains: dict[str, Drains]) -> None:
    """CV2 of the semi was seen from one hole, its ends not: the tank ends with it, marked as open.

    Nothing is asked of the wall further off than the cavity that was seen and the metre the spill may wet.
    """
    answer = ask_drains(drains["semi_on_a_slope"], blocked="R1")
    seen = drains["semi_on_a_slope"].cavities.loc["CV2"]
    (water,) = answer.water
    assert water.tanks
    for tank in water.tanks:
        assert tank.open_ended
        assert seen["chainage_from_m"] <= tank.chainage_from_m <= tank.chainage_to_m <= seen["chainage_to_m"]
    low = min(seen["chainage_from_m"], water.chainage_from_m)
    high = max(seen["chainage_to_m"], water.chainage_to_m)
    assert answer.crossings["chainage_from_m"].min() >= low - 1e-6
    assert answer.crossings["chainage_to_m"].max() <= high + 1e-6


def test_an_invert_of_a_run_belongs_to_its_nearer_end() -> None:
    """An invert shot 0.3 m from the lower end of a run fills its downstream invert, and only that."""
    runs = pd.DataFrame(
        {
            "invert_up_level_m": [math.nan],
            "invert_down_level_m": [math.nan],
            "level_sigma_m": [math.nan],
            "geometry": [shapely.LineString([(0, 0), (6, 0)])],
        },
        index=["R1"],
    )
    book = levels_table([("invert", "R1", 9.30, 0.0075)]).assign(x=5.8, y=0.2)
    made, _, _ = fill_levels({"run": runs}, book, ref=REF)
    assert made["run"].loc["R1", "invert_down_level_m"] == 9.30
    assert math.isnan(made["run"].loc["R1", "invert_up_level_m"])


def test_a_rim_known_only_to_the_book_decides_the_spill(found: dict[str, Findings]) -> None:
    """The same first spill and level come out when G3's rim stands in the level book alone."""
    whole = found["semi_on_a_slope"]
    site = whole.site
    records = dict(site.records)
    records["gully"] = tuple(
        each.model_copy(update={"rim_level_m": None}) if each.id == "G3" else each
        for each in site.of("gully")
    )
    laid = lay_out_drains(replace(whole, site=replace(site, records=records)))
    assert "G3" in set(laid.filled["of_id"])
    answer = ask_drains(laid, blocked="SA1")
    assert (answer.result.first, answer.result.leaves) == ("G3", "rim")
    assert answer.result.level.value == pytest.approx(9.903, abs=0.015)


def test_the_source_is_just_above_the_stop(drains: dict[str, Drains]) -> None:
    """Without a source water is put in where it comes to the stop; roofs that drain there are added up.

    DP4's 12 m² is the only roof recorded as draining to SA1: DP3 is joined to nothing. At a pitch of 35°
    driven rain meets 1 + tan(35°)/2 times as much of it (Approved Document H, H3 Table 1).
    """
    answer = ask_drains(drains["semi_on_a_slope"], blocked="SA1")
    assert answer.source == "C3"
    assert answer.roof_m2 == 12.0
    driven = 12.0 * (1.0 + math.tan(math.radians(35.0)) / 2.0)
    assert answer.driven_m2 == pytest.approx(driven)
    assert rain_on(answer, 25.0).peak_l_s == pytest.approx(driven * 25.0 / 3600.0)


def test_a_path_leads_from_the_spill_past_the_stop(drains: dict[str, Drains]) -> None:
    """With S3 stopped and water put in at GA, GC spills: the section runs from GC by RC and S3."""
    laid = drains["three_cottages"]
    answer = ask_drains(laid, blocked="S3", source="GA")
    assert path_of(laid, answer) == ("RC", "S3")
    assert path_of(laid, start="GA") == ("RA", "S1", "S2", "S3")
    ground = ground_along(laid, path_of(laid, start="GA"))
    total = laid.network.runs.loc[["RA", "S1", "S2", "S3"], "length_m"].sum()
    assert ground["distance_m"].iloc[-1] == pytest.approx(total)
    assert set(ground["evidence"]) <= {"levels", "raster", ""}


def test_more_water_never_wets_less(drains: dict[str, Drains]) -> None:
    """A larger inflow never makes the first spill later, nor the pool on the ground lower."""
    laid = drains["semi_on_a_slope"]
    rates = (0.05, 0.1, 0.2, 0.4)
    answers = [ask_drains(laid, blocked="R6", inflow=Inflow.steady(r, minutes=20.0)) for r in rates]
    times = [each.result.minutes for each in answers]
    assert times == sorted(times, reverse=True)
    levels = [each.on_ground[0].level.value for each in answers if each.result.balance.spilled_l > 0]
    assert levels == sorted(levels)


def test_an_unknown_id_is_a_sentence(drains: dict[str, Drains]) -> None:
    """A stop or a source that is not there is named, with what may be."""
    with pytest.raises(InputError, match="nothing that can be blocked is called 'X9'"):
        ask_drains(drains["old_school"], blocked="X9")
    with pytest.raises(InputError, match="nothing that can be a source of water is called 'X9'"):
        ask_drains(drains["old_school"], blocked="RK", source="X9")


@pytest.mark.parametrize("name", NAMES)
def test_the_document_is_json(drains: dict[str, Drains], name: str) -> None:
    """Every answer of every site can be written as JSON without NaN, and read back the same."""
    laid = drains[name]
    for blocked in (None, *laid.every.index):
        document = drain_document(examine_drains(laid, blocked=blocked))
        assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert document["answer"]["blocked"] == laid.every.index[-1]


def test_the_text_names_every_fault_and_every_blockage(drains: dict[str, Drains]) -> None:
    """The text table has a line for each fault and each run, and says how the answer was come by."""
    found_ = examine_drains(drains["old_school"], blocked="RK", inflow=Inflow.steady(0.3))
    text = "\n".join(drain_lines(found_))
    assert all(fault.said in text for fault in found_.faults)
    assert all(f"\n  {name} " in text for name in found_.every.index)
    assert isinstance(found_.answer, DrainAnswer)
    assert found_.answer.result.verdict.because in text


def test_the_command_says_and_writes_it_all(tmp_path: Path) -> None:
    """``wallfoot drains`` prints the answer and writes JSON, tables and both sections as SVG and PNG."""
    out = tmp_path / "out"
    run = CliRunner().invoke(
        app,
        ["drains", str(SITES / "semi_on_a_slope"), "--blocked", "SA1", "--source", "DP4", "--rate", "0.25"]
        + ["--out", str(out)],
    )
    assert run.exit_code == 0, run.output
    assert "G3, over its rim at 9.902 m" in run.output
    names = {path.name for path in out.iterdir()}
    assert {"drains.json", "drain-faults.csv", "section.svg", "section.png", "wall-section.svg"} <= names
    assert (out / "section.png").read_bytes().startswith(b"\x89PNG")
    document = json.loads((out / "drains.json").read_text(encoding="utf-8"))
    assert document["answer"]["first"] == "G3"


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--blocked", "X9"], "nothing that can be blocked is called 'X9'"),
        (["--rate", "0.2"], "--blocked ID"),
        (["--blocked", "SA1", "--rate", "inf"], "--rate: a plain number"),
    ],
)
def test_the_command_refuses_in_a_sentence(options: list[str], said: str) -> None:
    """Wrong options end with exit 1 and a sentence, never a traceback."""
    run = CliRunner().invoke(app, ["drains", str(SITES / "semi_on_a_slope"), *options])
    assert run.exit_code == 1
    assert said in run.output
    assert "Traceback" not in run.output
