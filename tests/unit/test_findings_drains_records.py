"""Fixtures, valves, kerbs, tests and high sewers, as they come out of a whole site."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from pyproj import CRS
from shapely import LineString

from geo import reference
from geo.drains.network import Network, build_network
from geo.drains.storage import Inflow
from geo.errors import InputError
from geo.findings.check import read_checked
from geo.findings.drain_fixtures import join_fixtures, seat_fixtures
from geo.findings.drain_ground import follow_over_ground
from geo.findings.drain_sewer import resting_faults, sewer_heads, where_the_sewer_comes_up
from geo.findings.drain_trials import prove_runs, tracing_tests
from geo.findings.drains import (
    Drains,
    answer_facts,
    ask_drains,
    drain_tables,
    examine_drains,
    lay_out_drains,
)
from geo.findings.examine import Findings, examine, kerbs_of
from geo.site.model import Site, table_of
from geo.site.records import KINDS
from geo.verdict import NOT_KNOWN

REF = reference.default()
GRID = CRS.from_epsg(27700)
SITES = Path(__file__).resolve().parents[2] / "demo_sites"
NAMES = ("semi_on_a_slope", "old_school", "three_cottages")


@cache
def site_of(name: str) -> Site:
    """Read a demo site once."""
    return read_checked(SITES / name)


@cache
def found_at(name: str) -> Findings:
    """Examine a demo site once."""
    return examine(site_of(name))


@cache
def drains_of(name: str) -> Drains:
    """Lay out its drains once."""
    return lay_out_drains(found_at(name))


def without(found: Findings, kind: str, **changed: str) -> Drains:
    """Lay out the drains of a site without the records of one kind, or with their fields changed."""
    records = tuple(record.model_copy(update=changed) for record in found.site.of(kind)) if changed else ()
    site = replace(found.site, records={**found.site.records, kind: records})
    return lay_out_drains(replace(found, site=site))


def stated(name: str, kind: str) -> list[dict[str, Any]]:
    """Return a demo site's truths of one kind."""
    return list(tomllib.loads((SITES / name / "truth.toml").read_text(encoding="utf-8")).get(kind, []))


def truths(kind: str) -> list[Any]:
    """Return every demo site's truths of one kind."""
    return [
        pytest.param(name, row, id=f"{name}-{i}")
        for name in NAMES
        for i, row in enumerate(stated(name, kind))
    ]


def rows(kind: str, *given: dict[str, Any]) -> pd.DataFrame:
    """Return records of a kind as their table."""
    records = tuple(KINDS[kind].model_validate(each) for each in given)
    return table_of(records, KINDS[kind], crs=GRID)


def run(name: str, start: str, end: str, up: float, down: float) -> dict[str, Any]:
    """Return a clear run of 100 mm, 6 m long, its ends assumed."""
    line = LineString([(0.0, 0.0), (6.0, 0.0)])
    ends = {"from_id": start, "to_id": end, "invert_up_level_m": up, "invert_down_level_m": down}
    return {"id": name, "geometry": line, "bore_mm": 100.0, "state": "clear", "level_sigma_m": 0.005} | ends


def small_drain(
    *fixtures: dict[str, Any], more: tuple[dict[str, Any], ...] = ()
) -> tuple[Network, dict[str, str]]:
    """Return a gully on a run to a chamber, a soakaway beyond, and whatever fixtures feed it."""
    pipe = {"id": "D", "into_id": "CH", "foot": "shoe_over_gully", "roof_m2": 20.0}
    tables = {
        "gully": rows("gully", {"id": "G", "rim_level_m": 9.79, "outlet_invert_level_m": 9.42}),
        "chamber": rows("chamber", {"id": "C", "cover_level_m": 9.95, "invert_level_m": 9.30}),
        "soakaway": rows("soakaway", {"id": "SA", "inlet_invert_level_m": 9.22, "state": "works"}),
        "downpipe": rows("downpipe", pipe),
        "run": rows("run", run("R1", "G", "C", 9.42, 9.32), run("R2", "C", "SA", 9.30, 9.22), *more),
    }
    seated, leads = seat_fixtures(tables, rows("fixture", *fixtures))
    return join_fixtures(build_network(seated, ref=REF), leads), leads


def test_water_put_in_at_a_waste_goes_where_the_waste_does() -> None:
    """A waste over a gully, one over a waste, and a stack into a run all put their water in at a node."""
    network, _ = small_drain(
        {"id": "W1", "fixture_kind": "waste_pipe", "into_id": "G"},
        {"id": "W2", "fixture_kind": "waste_pipe", "into_id": "W1"},
        {"id": "S1", "fixture_kind": "stack", "into_id": "R2"},
        {"id": "OV", "fixture_kind": "overflow", "into_id": ""},
        {"id": "CH", "fixture_kind": "channel", "into_id": "G"},
    )
    assert dict(network.discharge) == {"W1": "G", "W2": "G", "S1": "C", "CH": "G", "D": "G"}
    assert network.nodes.loc["G", "roof_m2"] == 20.0


def test_fixtures_that_feed_one_another_in_a_ring_feed_nothing() -> None:
    """Two channels that each claim to fall into the other are left out, never followed for ever."""
    network, leads = small_drain(
        {"id": "A", "fixture_kind": "channel", "into_id": "B"},
        {"id": "B", "fixture_kind": "channel", "into_id": "A"},
        {"id": "CH", "fixture_kind": "channel", "into_id": "G"},
    )
    assert leads == {"CH": "G"}
    assert "A" not in network.discharge


def test_a_channel_with_a_run_of_its_own_spills_at_its_grating() -> None:
    """A channel from which a run leads stands in the network at its grating, and takes its downpipe's roof."""
    network, _ = small_drain(
        {"id": "CH", "fixture_kind": "channel", "level_m": 9.60, "level_sigma_m": 0.005},
        more=(
            {
                "id": "R3",
                "from_id": "CH",
                "to_id": "C",
                "invert_up_level_m": 9.4,
                "invert_down_level_m": 9.35,
            },
        ),
    )
    assert network.nodes.loc["CH", ["leaves", "spill_m", "roof_m2"]].to_list() == ["rim", 9.60, 20.0]
    assert network.problems == ()


def test_a_stack_with_a_run_of_its_own_puts_water_in_at_the_head_of_it() -> None:
    """A run drawn from a stack begins at the stack; nothing is said to be missing."""
    network, _ = small_drain(
        {"id": "SS", "fixture_kind": "stack"},
        {"id": "CH", "fixture_kind": "channel", "into_id": "G"},
        more=(
            {
                "id": "R3",
                "from_id": "SS",
                "to_id": "C",
                "invert_up_level_m": 9.4,
                "invert_down_level_m": 9.35,
            },
        ),
    )
    assert network.discharge["SS"] == network.runs.loc["R3", "from_node"]
    assert not [problem for problem in network.problems if "SS" in problem.found]


def tracing(**fields: Any) -> pd.DataFrame:
    """Return one tracing test."""
    usual = {"id": "T1", "trial_kind": "tracing", "source_id": "G", "shown": "shown", "volume_l": 20.0}
    return rows("trial", usual | fields)


CHANNEL = {"id": "CH", "fixture_kind": "channel", "into_id": "G"}


@pytest.mark.parametrize(
    ("kind", "evidence"), [("tracing", "tap_test"), ("dye", "dye"), ("sonde", "sonde"), ("camera", "camera")]
)
def test_a_test_that_showed_proves_the_runs_between(kind: str, evidence: str) -> None:
    """Both ends of every run on the only way between are known by the test; beyond it nothing changes."""
    network, _ = small_drain(CHANNEL)
    proved, proven = prove_runs(network, tracing(trial_kind=kind, shown_id="C"))
    assert proved.runs.loc["R1", ["from_evidence", "to_evidence"]].to_list() == [evidence] * 2
    assert proved.runs.loc["R2", ["from_evidence", "to_evidence"]].to_list() == ["assumed"] * 2
    assert proven.to_dict("records") == [{"trial_id": "T1", "run_id": "R1", "evidence": evidence}]
    assert network.runs.loc["R1", "from_evidence"] == "assumed"  # the network given is left as it was


def test_evidence_is_raised_and_never_lowered() -> None:
    """A tap test does not take away what a camera saw; the better of two tests counts."""
    network, _ = small_drain(CHANNEL)
    seen = replace(network, runs=network.runs.assign(to_evidence="camera"))
    both = pd.concat([tracing(shown_id="C"), tracing(id="T2", trial_kind="dye", shown_id="C")])
    proved, _ = prove_runs(seen, both)
    assert proved.runs.loc["R1", ["from_evidence", "to_evidence"]].to_list() == ["dye", "camera"]


def test_of_two_ways_neither_is_proven() -> None:
    """Where the map draws two runs side by side, water at the far end may have come by either."""
    twin = run("R9", "G", "C", 9.42, 9.32)
    network, _ = small_drain(CHANNEL, more=(twin,))
    _, proven = prove_runs(network, tracing(shown_id="SA"))
    assert list(proven["run_id"]) == ["R2"]


def test_water_does_not_prove_a_run_uphill_but_a_camera_does() -> None:
    """Water poured at the chamber cannot have come by R1 to the gully; a camera may be pushed up it."""
    network, _ = small_drain(CHANNEL)
    up = {"source_id": "C", "shown_id": "G"}
    assert prove_runs(network, tracing(**up))[1].empty
    assert list(prove_runs(network, tracing(trial_kind="camera", **up))[1]["run_id"]) == ["R1"]
    assert tracing_tests(network, tracing(trial_kind="camera", **up)).loc["T1", "poured_at"] == "G"


def test_what_did_not_show_is_held_against_the_nearest_place_watched() -> None:
    """Nothing at C nor SA: the map is asked about C, the first of them; a test that stopped asks nothing."""
    network, _ = small_drain(CHANNEL)
    asked = tracing_tests(network, tracing(shown="not_shown", watched="SA C X7"))
    assert asked.loc["T1", ["watched_at", "seen"]].to_list() == ["C", "no"]
    assert tracing_tests(network, tracing(shown="stopped", watched="C")).empty


@pytest.mark.parametrize(("name", "truth"), truths("proven"))
def test_tests_on_a_whole_site_prove_what_they_should(name: str, truth: dict[str, Any]) -> None:
    """Each stated run is known by its stated test, and the table of proofs names it."""
    laid = drains_of(name)
    run = laid.network.runs.loc[truth["run"]]
    assert [run["from_evidence"], run["to_evidence"]] == [truth["from_evidence"], truth["to_evidence"]]
    assert truth["run"] in set(laid.proven.loc[laid.proven["trial_id"] == truth["trial"], "run_id"])


@pytest.mark.parametrize(("name", "truth"), truths("contradiction"))
def test_a_test_the_map_cannot_account_for_is_a_fault(name: str, truth: dict[str, Any]) -> None:
    """The contradiction is named with the test and both places, and is the only one of its site."""
    faults = [fault for fault in drains_of(name).faults if fault.rule == "contradiction"]
    assert [list(fault.ids) for fault in faults] == [truth["ids"]]
    assert faults[0].verdict.word == "yes"


@pytest.mark.parametrize(("name", "truth"), truths("sewer"))
def test_a_sewer_at_its_highest_comes_up_where_it_should(name: str, truth: dict[str, Any]) -> None:
    """The sewer's mark is held against every opening it could reach, and a valve that shuts keeps it out."""
    (row,) = drains_of(name).sewer.to_dict("records")
    assert (row["outfall"], row["word"]) == (truth["outfall"], truth["says"])
    assert row["level_m"] == pytest.approx(truth["level_m"])
    if "lowest" in truth:
        assert row["node"] == truth["lowest"]
        assert row["reach_m"] == pytest.approx(truth["lowest_m"], abs=0.015)


@pytest.mark.parametrize(
    ("state", "word"), [("works", "no"), ("stuck_open", "yes"), ("not_known", NOT_KNOWN), ("", "yes")]
)
def test_the_sewer_comes_up_as_far_as_the_valve_lets_it(state: str, word: str) -> None:
    """Shut it keeps GK dry; stuck open, or not there, water stands 55 mm over GK's lip; untried, who knows."""
    truth = stated("old_school", "sewer")[0]
    laid = without(found_at("old_school"), "fitting", **({"state": state} if state else {}))
    (row,) = laid.sewer.to_dict("records")
    assert (row["node"], row["word"]) == (truth["without_it"], word)
    assert row["margin_mm"] == pytest.approx(truth["without_it_mm"], abs=15.0)
    assert bool(row["settle"]) == (word == NOT_KNOWN)


def test_behind_a_shut_valve_the_house_drowns_in_its_own_water() -> None:
    """With the sewer at 30.240 and nothing blocked, water of the kitchen's waste comes up at GK."""
    laid = drains_of("old_school")
    answer = ask_drains(laid, source="WP1", inflow=Inflow.steady(0.3), surcharged=True)
    assert (answer.blocked, answer.result.first, answer.result.leaves) == ("", "GK", "lip")
    assert ask_drains(laid, source="M1").result.drains
    high = ask_drains(laid, source="M1", surcharged=True)
    assert high.result.level.value == pytest.approx(30.240)


def test_a_high_sewer_nobody_recorded_cannot_be_asked_for() -> None:
    """Three cottages have no mark of a surcharged sewer: the question is refused with what would answer it."""
    with pytest.raises(InputError, match="Record how high it has stood"):
        ask_drains(drains_of("three_cottages"), blocked="S3", surcharged=True)
    with pytest.raises(InputError, match="no source of water"):
        ask_drains(drains_of("three_cottages"))


def test_a_mark_taken_where_no_drain_ends_bounds_nothing() -> None:
    """A surcharged level in a chamber half-way down is said to be of no use, never dropped unsaid."""
    network, _ = small_drain(CHANNEL)
    marks = rows("water_level", {"id": "M1", "of_id": "C", "level_m": 9.6, "condition": "surcharged"})
    heads, unused = sewer_heads(marks, network, ref=REF)
    assert heads == {}
    assert "M1" in unused[0]
    assert where_the_sewer_comes_up(network, heads, ref=REF).empty


@pytest.mark.parametrize(("level", "faults"), [(9.305, 0), (9.350, 1)])
def test_water_that_rests_higher_than_its_runs_explain_is_a_fault(level: float, faults: int) -> None:
    """Water should rest in C at its outlet, 9.300: 50 mm more is ten sigma, 5 mm is less than two.

    Sigma of a dip 5 mm and of the invert 5 mm together 7 mm, twice that 14 mm.
    """
    network, _ = small_drain(CHANNEL)
    dip = {"id": "WL", "of_id": "C", "level_m": level, "level_sigma_m": 0.005, "condition": "resting"}
    assert len(list(resting_faults(network, rows("water_level", dip), ref=REF))) == faults


@pytest.mark.parametrize(("name", "truth"), truths("kerb"))
def test_a_kerb_keeps_a_pool_from_the_wall(name: str, truth: dict[str, Any]) -> None:
    """Water of M4 stands behind the kerb at the level of its open ends; without the kerb it does not stop."""
    found = found_at(name)
    laid = drains_of(name)
    answer = ask_drains(laid, source=truth["water_from"])
    ground = follow_over_ground(laid, truth["water_from"], float("inf"), answer.result)
    assert ground.word == truth["word"]
    assert ground.level.value == pytest.approx(truth["level_m"], abs=truth["tolerance_m"])
    assert ground.depth_max_m == pytest.approx(truth["depth_m"], abs=truth["tolerance_m"])
    assert ground.pool is None
    bare = replace(found.site, records={**found.site.records, "kerb": ()})
    plain = lay_out_drains(examine(bare))
    before = follow_over_ground(plain, truth["water_from"], float("inf"), answer.result)
    assert before.word != truth["word"]


def test_a_kerb_without_a_level_takes_the_lowest_booked_of_it() -> None:
    """Water passes a kerb at its lowest: of three levels booked of it that one counts, unless one is recorded."""
    (kerb,) = site_of("old_school").of("kerb")
    bare = replace(site_of("old_school"), records={"kerb": (kerb.model_copy(update={"top_level_m": None}),)})
    booked = pd.DataFrame(
        {
            "role": ["kerb", "kerb", "kerb", "ground"],
            "of_id": ["KB1", "KB1", "", "KB1"],
            "level_m": [30.5, 30.4, 1, 2],
        }
    )
    found = kerbs_of(bare, booked)
    assert found is not None
    assert found["top_level_m"].to_list() == [30.4]
    recorded = kerbs_of(site_of("old_school"), booked)
    assert recorded is not None
    assert recorded["top_level_m"].to_list() == [kerb.top_level_m]
    unknown = kerbs_of(bare, booked.iloc[2:])
    ground = examine(
        replace(found_at("old_school").site, records={**found_at("old_school").site.records, **bare.records})
    ).ground
    assert unknown is not None
    assert unknown["top_level_m"].isna().all()
    assert "the top of KB1 has no level: it is taken to hold nothing back" in ground.notes


@pytest.mark.parametrize(("name", "truth"), truths("owner"))
def test_whose_a_run_is_goes_with_the_answer(name: str, truth: dict[str, Any]) -> None:
    """The owner of the stopped run stands in the answer, its facts, and the tables of faults and blockages."""
    laid = drains_of(name)
    found = examine_drains(laid, blocked=truth["run"])
    said = REF.word("run_owner", truth["owner"])
    assert found.answer is not None
    assert found.answer.owners[0] == (truth["run"], said)
    assert ("whose it is", said) in [fact[:2] for fact in answer_facts(found.answer)]
    tables = drain_tables(found)
    every = tables["drain-blockages"].set_index("blocked")
    assert every.loc[truth["run"], "whose"] == said
    shared = tables["drain-faults"].set_index("rule").loc[["shared"]]
    assert all(word in said_ for word, said_ in zip(("shared", "public"), shared["whose"], strict=True))


@pytest.mark.parametrize(("name", "truth"), truths("roof"))
def test_driven_rain_meets_more_roof_than_the_plan_shows(name: str, truth: dict[str, Any]) -> None:
    """Roofs above the stop by their pitch, as stated where the site is made."""
    answer = ask_drains(drains_of(name), blocked=truth["blocked"])
    assert answer.roof_m2 == pytest.approx(truth["plan_m2"])
    assert answer.driven_m2 == pytest.approx(truth["driven_m2"], abs=1e-3)


def test_only_wastes_that_wet_the_wall_are_outlets() -> None:
    """The condensate that drips and the overflow that runs are outlets; wastes over gullies are not."""
    semi, school = (set(found_at(name).outlets.outlets["outlet_id"]) for name in NAMES[:2])
    assert {"CD1"} == semi & {"CD1", "WP1", "WP2", "SS1"}
    assert {"OV1"} == school & {"OV1", "WP1", "WP2", "CH1", "RE1"}
    table = found_at(NAMES[0]).outlets.outlets
    assert set(table.loc[table["outlet_id"] == "CD1", "kind"]) == {"waste"}
