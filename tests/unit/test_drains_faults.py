"""Findings by rule: each found where it is so, not where it is not, not known within the error."""

from __future__ import annotations

import math
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
from shapely.geometry import box

from geo import reference
from geo.drains.faults import RULES, Fault, find_faults
from geo.drains.network import Network, build_network
from geo.verdict import NOT_KNOWN

REF = reference.default()


def gully(name: str, **more: Any) -> dict[str, Any]:
    """One sound gully."""
    return {
        "id": name,
        "rim_level_m": 10.0,
        "outlet_invert_level_m": 9.5,
        "riser_mm": 150.0,
        "state": "sound",
        **more,
    }


def chamber(name: str, **more: Any) -> dict[str, Any]:
    """One shallow chamber."""
    return {
        "id": name,
        "cover_level_m": 10.2,
        "invert_level_m": 9.3,
        "length_mm": 450.0,
        "state": "sound",
        **more,
    }


def run(name: str, start: str, end: str, up: float, down: float, **more: Any) -> dict[str, Any]:
    """One 100 mm run of 5 m, levels to 5 mm."""
    return {"id": name, "from_id": start, "to_id": end, "bore_mm": 100.0, "invert_up_level_m": up,
            "invert_down_level_m": down, "length_m": 5.0, "state": "clear", "level_sigma_m": 0.005, **more}  # fmt: skip


def build(positions: pd.DataFrame | None = None, **tables: list[dict[str, Any]]) -> Network:
    """Build from rows."""
    frames = {kind: pd.DataFrame(rows) for kind, rows in tables.items()}
    return build_network(frames, ref=REF, positions=positions)


def of(rule: str, network: Network, **more: Any) -> list[Fault]:
    """Findings of one rule."""
    return [fault for fault in find_faults(network, ref=REF, **more) if fault.rule == rule]


def test_every_finding_has_a_rule_ids_and_a_sentence() -> None:
    """Whatever is found names its records."""
    network = build(gully=[gully("G1")], run=[run("R1", "G1", "", 9.5, 9.6, state="crack")])
    found = find_faults(network, ref=REF)
    assert found
    assert all(fault.rule in RULES and fault.ids and fault.said for fault in found)
    assert all(fault.verdict.known or fault.verdict.settle for fault in found)


@pytest.mark.parametrize(("down", "words"), [(9.4, []), (9.512, [NOT_KNOWN]), (9.53, ["yes"])])
def test_a_back_fall_only_beyond_two_sigma(down: float, words: list[str]) -> None:
    """Inverts to 5 mm each: 2 root(5² + 5²) = 14.1 mm. 12 mm the wrong way is not known, 30 mm is so."""
    network = build(gully=[gully("G1")], run=[run("R1", "G1", "", 9.5, down)])
    assert [fault.verdict.word for fault in of("back_fall", network)] == words


def test_a_hump() -> None:
    """A crest 100 mm over both ends is a hump; water stands behind it."""
    network = build(gully=[gully("G1")], run=[run("R1", "G1", "", 9.5, 9.4, crest_level_m=9.6)])
    (fault,) = of("hump", network)
    assert fault.verdict.margin == pytest.approx(100.0)
    assert "9.600" in fault.said


def test_an_outlet_above_an_inlet() -> None:
    """In C1 the way out lies 50 mm above the way in."""
    rows = [run("R1", "G1", "C1", 9.5, 9.30), run("R2", "C1", "", 9.35, 9.2)]
    (fault,) = of("outlet_above_inlet", build(gully=[gully("G1")], chamber=[chamber("C1")], run=rows))
    assert fault.ids == ("C1", "R2", "R1")
    assert fault.verdict.margin == pytest.approx(50.0)


@pytest.mark.parametrize(
    ("use", "fall", "words"),
    [
        ("surface", 0.10, []),
        ("surface", 0.02, ["yes"]),
        ("foul", 0.20, []),
        ("foul", 0.09, [NOT_KNOWN]),
        ("foul", 0.02, ["yes"]),
        ("not_known", 0.02, []),
    ],
)
def test_gradients_by_duty(use: str, fall: float, words: list[str]) -> None:
    """Over 5 m, 100 mm: surface water wants 1 in 100, 50 mm; foul 1 in 40, 125 mm, or with a WC and over 1 l/s 1 in 80, 62.5 mm.

    90 mm of fall is enough for the second, not for the first: not known until it is known what runs in.
    """
    network = build(gully=[gully("G1")], run=[run("R1", "G1", "", 9.5, 9.5 - fall, use=use)])
    assert [fault.verdict.word for fault in of("too_flat", network)] == words


def test_water_in_the_wrong_drain() -> None:
    """Rain into a foul run and waste into surface water are both found, by gully and by run."""
    rows = [
        run("R1", "G1", "J", 9.5, 9.4, use="foul"),
        run("R2", "G2", "J", 9.5, 9.4, use="surface"),
        run("R3", "J", "", 9.4, 9.3, use="foul"),
    ]
    network = build(gully=[gully("G1", takes="rain"), gully("G2", takes="waste")], run=rows)
    assert [fault.ids for fault in of("surface_into_foul", network)] == [("G1", "R1"), ("R2", "R3")]
    assert [fault.ids for fault in of("foul_into_surface", network)] == [("G2", "R2")]


def test_a_downpipe_joined_to_nothing() -> None:
    """Foot joined to nothing is so; a butt is not known until it is filled."""
    pipes = [
        {
            "id": "D1",
            "foot": "not_known",
            "state": "foot_joined_to_nothing",
            "bore_mm": 68.0,
            "foot_level_m": 10.0,
        },
        {"id": "D2", "foot": "butt", "state": "sound", "bore_mm": 68.0, "foot_level_m": 10.5},
    ]
    table = pd.DataFrame(pipes).set_index("id", drop=False)
    found = of("joined_to_nothing", build(downpipe=pipes), downpipes=table)
    assert [(fault.ids, fault.verdict.word) for fault in found] == [(("D1",), "yes"), (("D2",), NOT_KNOWN)]


@pytest.mark.parametrize(("away", "words"), [(4.0, ["yes"]), (4.95, [NOT_KNOWN]), (6.0, [])])
def test_a_soakaway_near_a_building(away: float, words: list[str]) -> None:
    """5 m, positions to 0.1 m: 4.0 is too near, 4.95 not known, 6.0 far enough."""
    place = pd.DataFrame({"x": [10.0 + away], "y": [5.0], "sigma_m": [0.1]}, index=["SA"])
    pit = {"id": "SA", "inlet_invert_level_m": 9.3, "state": "works"}
    network = build(place, gully=[gully("G1")], soakaway=[pit], run=[run("R1", "G1", "SA", 9.5, 9.3)])
    homes = gpd.GeoSeries([box(0, 0, 10, 10)], index=["house"])
    assert [fault.verdict.word for fault in of("near_building", network, buildings=homes)] == words


def test_access_spacing() -> None:
    """From the start of a drain to a shallow chamber at most 22 m: 25 m is too far, over two runs, 15 is not."""
    rows = [run("R1", "G1", "J", 9.5, 9.4, length_m=12.0), run("R2", "J", "C1", 9.4, 9.3, length_m=13.0)]
    rows += [
        run("R3", "G2", "C1", 9.5, 9.3, length_m=15.0),
        run("R4", "C1", "", 9.3, 9.2),
        run("R5", "X", "J", 9.5, 9.4),
    ]
    network = build(gully=[gully("G1"), gully("G2")], chamber=[chamber("C1")], run=rows)
    assert [fault.ids for fault in of("access_spacing", network)] == [("G1", "R1", "R2", "C1")]


def test_tests_that_contradict_the_map() -> None:
    """Water seen where the map has no way, or not seen where it has one; states that disagree."""
    rows = [run("R1", "G1", "C1", 9.5, 9.3), run("R2", "G2", "", 9.5, 9.3)]
    network = build(gully=[gully("G1"), gully("G2")], chamber=[chamber("C1")], run=rows)
    traces = pd.DataFrame(
        {"poured_at": ["G2", "G1", "G1"], "watched_at": ["C1", "C1", "C1"], "seen": ["yes", "no", "yes"]},
        index=["T1", "T2", "T3"],
    )
    states = pd.DataFrame({"of_id": ["R1", "G1"], "state": ["blocked", "sound"]}, index=["S1", "S2"])
    found = of("contradiction", network, traces=traces, states=states)
    assert [(fault.ids, fault.verdict.word) for fault in found] == [
        (("T1", "G2", "C1"), "yes"),
        (("T2", "G1", "R1", "C1"), NOT_KNOWN),
        (("R1", "S1"), NOT_KNOWN),
    ]


def test_a_run_that_serves_two_buildings() -> None:
    """Only the run below the joint carries both."""
    rows = [run("R1", "G1", "J", 9.5, 9.4), run("R2", "G2", "J", 9.5, 9.4), run("R3", "J", "", 9.4, 9.3)]
    homes = [gully("G1", building_id="left"), gully("G2", building_id="right")]
    (fault,) = of("shared", build(gully=homes, run=rows))
    assert fault.ids == ("R3",)
    assert "left, right" in fault.said


def test_runs_that_end_nowhere_and_bad_records() -> None:
    """A bare end is not known to drain; a socket is; what the records get wrong is among the findings."""
    rows = [
        run("R1", "G1", "", 9.5, 9.4),
        run("R2", "G2", "", 9.5, math.nan, state="absent"),
        run("R3", "G1", "", 9.5, 9.4, bore_mm=-1.0),
    ]
    network = build(gully=[gully("G1"), gully("G2")], run=rows)
    ends = {fault.ids: fault.verdict.word for fault in of("ends_nowhere", network)}
    assert ends == {("R1",): NOT_KNOWN, ("R3",): NOT_KNOWN, ("G2",): "yes"}
    assert [fault.ids for fault in of("bad_record", network)] == [("R3",)]


def test_runs_round_in_a_ring() -> None:
    """Both runs of the ring are named."""
    rows = [run("R1", "G1", "G2", 9.5, 9.4), run("R2", "G2", "G1", 9.4, 9.3)]
    assert [fault.ids for fault in of("loop", build(gully=[gully("G1"), gully("G2")], run=rows))] == [
        ("R1", "R2")
    ]
