"""The drying of a whole site: the demo site's stated truths, what may be handed on, the command, the drawing."""

from __future__ import annotations

import json
import math
import re
import tomllib
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from pyproj import CRS
from typer.testing import CliRunner

from geo import reference
from geo.cli import app
from geo.draw.drying import draw_drying
from geo.drying.document import (
    drying_document,
    drying_lines,
    drying_tables,
    points_table,
    releases_table,
    summary,
)
from geo.drying.release import (
    DRIER,
    HELD_BACK,
    READY,
    RELEASED,
    SAME,
    UNLIKE,
    WETTER,
    Place,
    PointState,
    came_back,
    like_for_like,
    places_of,
    release_of,
)
from geo.drying.report import Drying, drying_of
from geo.drying.water import LEAK, balance_of
from geo.findings.check import read_checked
from geo.findings.drains import lay_out_drains
from geo.findings.examine import Findings, examine
from geo.findings.trials import judge_trials
from geo.site.model import table_of
from geo.site.records import KINDS
from geo.verdict import NOT_KNOWN, Verdict

REF = reference.default()
GRID = CRS.from_epsg(27700)
FOLDER = Path(__file__).resolve().parents[2] / "demo_sites" / "semi_on_a_slope"
LENGTHS = {"B1": 40.0}


@cache
def examined() -> Findings:
    """Examine the demo site once."""
    return examine(read_checked(FOLDER))


@cache
def judged() -> Any:
    """Judge its tests once."""
    return judge_trials(examined().site, lay_out_drains(examined()))


@cache
def found() -> Drying:
    """Return the drying of the demo site."""
    return drying_of(examined(), judged())


def table(kind: str, *rows: dict[str, Any]) -> pd.DataFrame:
    """Lay records out as the site does."""
    model = KINDS[kind]
    return table_of(tuple(model(**row) for row in rows), model, crs=GRID)


# --- the demo site --------------------------------------------------------------------------------


def test_each_point_is_told_as_it_truly_is() -> None:
    """The truth states of every point what can be said of it, and what cannot."""
    with (FOLDER / "truth.toml").open("rb") as file:
        truth = {row["point"]: row for row in tomllib.load(file)["drying"]}
    assert set(truth) == {one.point_id for one in found().followed}
    for name, row in truth.items():
        one = found().point(name)
        if row["said"] == "not before":
            assert one.outlook is not None
            assert one.outlook.word == "not before"
            assert (one.outlook.earliest_d, one.outlook.settle_d) == (row["day"], row["settles_day"])
            assert math.isinf(one.outlook.latest_d)
            assert f"not before day {row['day']} (29 May 2026); latest date not known" in one.sentence
            assert one.settle.startswith("Measure HMC at this point now")
            assert f"near day {row['settles_day']} (25 June 2026)" in one.settle
        elif row["said"] == "met":
            assert one.verdict.word == "met"
        elif row["said"] == "trend only":
            assert one.outlook is not None
            assert one.outlook.word == "trend only"
        elif row["said"] == "source open":
            assert one.seepage
            assert "seepage with the source open" in one.sentence
            assert one.profile is None
        elif row["said"] == "wetted again":
            assert [(rise.word, rise.reading_id) for rise in one.rises] == [("wetted again", row["reading"])]
            assert one.used is not None
            assert one.used.ids[0] == row["reading"]
        else:
            assert [part.ids[0] for part in one.series.parts][1:] == [row["reading"]]


def test_the_slowest_comes_first_and_dry_references_last() -> None:
    """Nothing is averaged: what is said of the house is said of its slowest point."""
    assert found().slowest is found().points[0]
    assert [one.is_control for one in found().points] == sorted(one.is_control for one in found().points)
    assert "2 of 7 points meet their goal" in summary(found())


def test_no_reading_of_a_fixed_point_enters_the_survey() -> None:
    """Readings at points, and those that repeat one, are kept out of stretches and coverage."""
    survey = examined().readings
    taken = examined().site.table("reading")
    again = taken.index[(taken["point_id"] != "") | (taken["repeats_id"] != "")]
    assert len(again) > 40
    assert not survey.index.isin(again).any()


def test_a_later_sample_of_salts_rules_the_goal_out() -> None:
    """With HMC 4.6 weighed at DR1 the goal of 3.4 cannot be reached by drying; with 1.0 salts do not stop it."""
    for hmc, word in ((4.6, "drying cannot reach the goal"), (1.0, "so they do not stop it")):
        place = examined().placed["drying_point"].loc["DR1"]
        sample = {
            "ring_key": place["ring_key"], "side": place["side"], "chainage_m": place["chainage_m"],
            "material": "brick", "height_m": 0.15, "mc_dry": 5.0, "hmc_dry": hmc, "hmc_dry_sigma": 0.3,
            "excess": 5.0 - hmc, "excess_sigma": 0.42,
        }  # fmt: skip
        samples = pd.concat([examined().samples, pd.DataFrame([sample], index=["S99"])])
        told = drying_of(replace(examined(), samples=samples), judged())
        one = told.point("DR1")
        assert word in one.sentence + one.settle
        assert "Measure HMC" not in one.settle


def test_without_tests_nothing_is_drying() -> None:
    """The same readings with no test judged are seepage, every one, and no date is given."""
    told = drying_of(examined())
    assert all(one.seepage and one.outlook is None for one in told.followed)
    assert "not before" not in " ".join(drying_lines(told))


def test_a_site_without_drying_says_so() -> None:
    """Without fixed points, logs and readings taken again there is nothing to tell, and nothing is made up."""
    site = examined().site
    left_out = ("drying_point", "drying_log", "reading")
    bare = replace(site, records={kind: own for kind, own in site.records.items() if kind not in left_out})
    told = drying_of(replace(examined(), site=bare, placed={}))
    assert not told.recorded
    assert summary(told) == "Nothing of drying is on record."


# --- documents, the command, the drawing -----------------------------------------------------------


def test_the_document_is_json_and_leads_back_to_records() -> None:
    """Every point names its readings, and every id is one of the site."""
    document = json.loads(json.dumps(drying_document(found()), allow_nan=False))
    ids = examined().site.ids
    rests = {name for one in document["points"] for name in one["verdict"]["rests_on"] + one["reading_ids"]}
    assert rests <= set(ids)
    one = next(one for one in document["points"] if one["id"] == "DR1")
    assert one["outlook"]["not_before_day"] == 43
    assert one["outlook"]["latest_day"] is None
    assert one["outlook"]["not_before_day_with_scatter"] < 43


def test_the_command_says_and_writes_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Text, JSON, and a folder with tables and a drawing that can be opened."""
    monkeypatch.setattr("geo.findings.examine.examine", lambda *_: examined())
    runner = CliRunner()
    said = runner.invoke(app, ["drying", str(FOLDER), "--out", str(tmp_path / "out")])
    assert said.exit_code == 0, said.output
    assert "latest date not known" in said.output
    assert {path.name for path in (tmp_path / "out").iterdir()} >= {
        "drying.json",
        "drying.svg",
        "drying-points.csv",
    }
    assert (
        json.loads(runner.invoke(app, ["drying", str(FOLDER), "--json"]).stdout)["site"] == "Semi on a slope"
    )


def test_tables_have_one_row_for_each_thing() -> None:
    """Points, readings of points, places to hand on and readings repeated."""
    tables = drying_tables(found())
    taken = examined().site.table("reading")
    assert len(tables["drying-readings"]) == (taken["point_id"] != "").sum()
    assert len(points_table(found())) == len(examined().site.of("drying_point"))
    assert set(releases_table(found())["verdict"]) >= {"not released", "may be released"}


def test_the_drawing_tells_without_colour() -> None:
    """It is XML, has a lane for each point, says the dates in words, and has no red, amber or green."""
    svg = draw_drying(found())
    root = ET.fromstring(svg)
    words = " ".join(element.text or "" for element in root.iter() if element.tag.endswith("text"))
    for one in found().followed:
        assert one.point_id in words
    for said in (
        "not before 29 May",
        "25 June settles it",
        "wetted again",
        "seepage: the source is open",
        "off",
    ):
        assert said in words
    for r, g, b in {
        tuple(int(c[i : i + 2], 16) for i in (0, 2, 4)) for c in re.findall(r"#([0-9a-f]{6})", svg)
    }:
        assert not (r > 150 and r > 1.7 * g and r > 1.7 * b), "red"
        assert not (g > 130 and g > 1.3 * r and g > 1.3 * b), "green"


def test_a_hostile_name_stays_text() -> None:
    """A point's marks and notes may hold anything; the drawing stays one XML tree."""
    one = found().point("DR1")
    record = one.record.copy()
    bad = replace(one, point_id="<script>alert(1)</script>", record=record)
    svg = draw_drying(replace(found(), points=(bad,)))
    assert "<script" not in svg
    ET.fromstring(svg)


def test_one_point_alone_is_drawn_large() -> None:
    """The page shows the one that was picked."""
    svg = draw_drying(found(), only=("DR1",), lane_px=330.0)
    assert "DR1" in svg
    assert ">DR6<" not in svg


# --- release --------------------------------------------------------------------------------------


def states(
    word: str = "met", *, depths: tuple[float, ...] = (60.0, 10.0), hindered: tuple[str, ...] = ()
) -> dict[str, PointState]:
    """Return points of one place with the same verdict."""
    return {
        f"P{number}": PointState(
            point_id=f"P{number}", depth_mm=depth, hindered=hindered,
            verdict=Verdict(word=word, because="as read", settle="Read it.", rests_on=(f"r{number}",)),
        )
        for number, depth in enumerate(depths)
    }  # fmt: skip


def release(own: dict[str, PointState], *holds: dict[str, Any], trade: str = "plasterer") -> Any:
    """Return the release of 4 to 6 m on ring B1."""
    place = Place(
        name="B1 inside, 4.00 to 6.00 m", trade=trade, ring_key="B1", side="inside", from_m=4.0, to_m=6.0,
        stretch_ids=("W1",), point_ids=tuple(own),
    )  # fmt: skip
    held = table("hold_point", *holds)
    return release_of(place, own, held, pd.Series("B1", index=held.index, dtype=object), LENGTHS, ref=REF)


def test_a_place_is_released_by_its_readings_and_its_hold_point() -> None:
    """Met and hold point 5 passed over the whole length: released; met alone: may be, and what to record."""
    assert release(states()).verdict.word == READY
    assert release(states()).verdict.rests_on == ("r0", "r1")
    passed = {
        "id": "H5",
        "hold_point": "hp5",
        "result": "passed",
        "chainage_from_m": 3.5,
        "chainage_to_m": 6.5,
    }
    assert release(states(), passed).verdict.word == RELEASED
    part = passed | {"chainage_to_m": 5.0}
    assert release(states(), part).verdict.word == READY
    floor = passed | {"hold_point": "hp6"}
    assert release(states(), floor).verdict.word == READY


def test_a_hold_point_on_record_does_not_overrule_the_readings() -> None:
    """Recorded as passed and not met: not released, and that is said."""
    passed = {"id": "H5", "hold_point": "hp5", "result": "passed"}
    held = release(states("not met"), passed)
    assert held.verdict.word == HELD_BACK
    assert "H5 is on record as passed, but" in held.verdict.because


def test_a_wall_needs_a_point_at_depth_and_one_near_the_surface() -> None:
    """A surface alone, however dry, releases nothing; nor does a length without a point."""
    shallow = release(states(depths=(10.0, 15.0)))
    assert shallow.verdict.word == NOT_KNOWN
    assert any("40 mm or deeper" in said for said in shallow.lacks)
    assert any("near the surface" in said for said in release(states(depths=(60.0,))).lacks)
    assert release({}).verdict.because == "no fixed point on it"


def test_a_rebound_or_a_live_leak_holds_it_back() -> None:
    """What was met before the machines stopped, or while litres say leak, is not released."""
    assert release(states(hindered=("rose when the machines stopped",))).verdict.word == HELD_BACK


def test_stretches_of_two_methods_at_one_place_are_one_place() -> None:
    """39 to 1 m and 0.5 to 2 m round the origin merge; a wet length outside without a point is left out."""
    stretches = pd.DataFrame(
        [("B1", "inside", 39.0, 1.0), ("B1", "inside", 0.5, 2.0), ("B1", "inside", 10.0, 11.0), ("B1", "outside", 5.0, 6.0)],
        columns=["ring_key", "side", "chainage_from_m", "chainage_to_m"], index=["W1", "W2", "W3", "W4"],
    )  # fmt: skip
    points = pd.DataFrame(
        [("B1", "inside", 0.2, "control_margin", ""), ("", "inside", math.nan, "floor_humidity", "FZ1")],
        columns=["ring_key", "side", "chainage_m", "goal", "floor_zone"], index=["P1", "P2"],
    )  # fmt: skip
    places = places_of(stretches, points, LENGTHS, ref=REF)
    assert [(place.stretch_ids, place.point_ids, place.trade) for place in places] == [
        (("W3",), (), "plasterer"),
        (("W1", "W2"), ("P1",), "plasterer"),
        ((), ("P2",), "floor layer"),
    ]


# --- before and after -----------------------------------------------------------------------------


def pad(name: str, value: str, **more: Any) -> dict[str, Any]:
    """Return a pad reading."""
    plain = {"id": name, "method": "capacitance", "instrument": "PAD-1", "material": "brick", "value": value}
    return plain | {"height_m": 0.3, "taken_at": "2026-05-01"} | more


@pytest.mark.parametrize(
    ("before", "after", "more", "word"),
    [
        ("120", "60", {}, DRIER),
        ("60", "120", {}, WETTER),
        ("60", "70", {}, SAME),
        ("120", "60", {"instrument": "PAD-2"}, UNLIKE),
        ("120", "60", {"material": "concrete"}, UNLIKE),
        ("120", "60", {"height_m": 0.6}, UNLIKE),
        (">200", "60", {}, DRIER),
        (">200", ">200", {}, NOT_KNOWN),
        ("60", ">200", {}, WETTER),
        ("<5", "3", {}, NOT_KNOWN),
    ],
)
def test_like_is_held_against_like(before: str, after: str, more: dict[str, Any], word: str) -> None:
    """Same method, instrument, material, height; sigma 14.1 (10 each, sqrt 2), so 27.7 must be passed."""
    pairs = like_for_like(
        table("reading", pad("a", before), pad("b", after, repeats_id="a", **more)), ref=REF
    )
    assert pairs.loc["b", "word"] == word


def test_a_spot_that_grew_drier_and_is_wetter_again_came_back() -> None:
    """The third reading is held against the second, which was held against the first."""
    rows = pad("a", "150"), pad("b", "60", repeats_id="a"), pad("c", "140", repeats_id="b")
    assert came_back(like_for_like(table("reading", *rows), ref=REF))[0].startswith("c:")
    assert came_back(like_for_like(table("reading", *rows[:2]), ref=REF)) == ()


# --- litres ---------------------------------------------------------------------------------------


def test_litres_say_nothing_where_a_machine_was_not_measured() -> None:
    """Too little collected is no finding while a second dryer went unmeasured; far too much is one, if complete."""
    points = pd.DataFrame(
        {"area_m2": [18.0], "thickness_mm": [110.0], "density_kg_m3": [1700.0], "from_percent": [9.6],
         "now_percent": [9.5], "to_percent": [3.4], "sigma_percent": [0.3]}, index=["P1"],
    )  # fmt: skip

    def weighed(*logs: tuple[str, float | None]) -> str:
        rows = [
            {"id": f"L{number}", "machine_kind": kind, "collected_l": litres}
            for number, (kind, litres) in enumerate(logs)
        ]
        return balance_of(points, table("drying_log", *rows), fell="did not fall", ref=REF).verdict.word

    assert weighed(("refrigerant", 20.0)) == "not dry"
    assert weighed(("refrigerant", 20.0), ("desiccant", None)) == NOT_KNOWN
    assert weighed(("refrigerant", 20.0), ("fan", None)) == "not dry"
    assert weighed(("refrigerant", 700.0)) == LEAK
    assert weighed(("none", None)) == NOT_KNOWN


def test_a_point_without_its_build_up_is_named() -> None:
    """Nothing is guessed: what is not recorded is said, and an excess is then no leak."""
    points = pd.DataFrame(
        {"area_m2": [18.0, math.nan], "thickness_mm": [110.0, 110.0], "density_kg_m3": [1700.0, 1700.0],
         "from_percent": [9.6, 9.0], "now_percent": [9.5, 9.0], "to_percent": [3.4, 3.4],
         "sigma_percent": [0.3, 0.3]}, index=["P1", "P2"],
    )  # fmt: skip
    logs = table("drying_log", {"id": "L1", "machine_kind": "refrigerant", "collected_l": 700.0})
    balance = balance_of(points, logs, fell="did not fall", ref=REF)
    assert balance.rows.loc["P2", "lacks"] == "area"
    assert balance.verdict.word == NOT_KNOWN
    assert "P2" in balance.verdict.because
    assert np.isclose(balance.expected.value, 18 * 11.594)
