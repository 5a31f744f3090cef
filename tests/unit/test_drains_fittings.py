"""Valves, pumps and traps in runs, tried or not, and a full sewer outside."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
import pytest

from geo import reference
from geo.drains.backup import back_up, boundary_heads, every_blockage, surcharged
from geo.drains.network import Network, build_network
from geo.drains.storage import Inflow
from geo.errors import InputError
from geo.verdict import NOT_KNOWN, Measured

REF = reference.default()


def gully(name: str, rim: float, outlet: float) -> dict[str, Any]:
    """One sound gully, levels to 5 mm."""
    return {"id": name, "rim_level_m": rim, "outlet_invert_level_m": outlet, "riser_mm": 150.0, "state": "sound",
            "level_sigma_m": 0.005}  # fmt: skip


def run(name: str, start: str, end: str, up: float, down: float, **more: Any) -> dict[str, Any]:
    """One 100 mm run of 5 m."""
    return {"id": name, "from_id": start, "to_id": end, "bore_mm": 100.0, "invert_up_level_m": up,
            "invert_down_level_m": down, "length_m": 5.0, "state": "clear", "level_sigma_m": 0.005, **more}  # fmt: skip


def two(*fittings: dict[str, Any], **more: Any) -> Network:
    """Two gullies in a row on one drain: G1 (rim 10.0) above G2 (rim 9.8), fittings as they were recorded."""
    tables = {
        "gully": [gully("G1", 10.0, 9.5), gully("G2", 9.8, 9.4)],
        "run": [run("R1", "G1", "G2", 9.5, 9.4), run("R2", "G2", "", 9.4, 9.3, **more)],
        "fitting": list(fittings),
    }
    return build_network({kind: pd.DataFrame(rows) for kind, rows in tables.items() if rows}, ref=REF)


def fitting(kind: str, state: str, **more: Any) -> dict[str, Any]:
    """One fitting in R2."""
    return {"id": "V1", "run_id": "R2", "fitting_kind": kind, "state": state, "at_m": math.nan,
            "passes_l_s": math.nan, **more}  # fmt: skip


HIGH = Measured(9.9, 0.005)


def test_a_valve_that_works_holds_the_sewer_back() -> None:
    """Water comes back through no valve that works: nothing in the house floods."""
    assert surcharged(two(fitting("non_return", "works")), "R2:down", HIGH, ref=REF).empty


def test_a_valve_stuck_open_is_no_valve() -> None:
    """With the flap stuck open a sewer at 9.9 comes out of G2, rim 9.8, by 100 mm, as it would without one."""
    flooded = surcharged(two(fitting("non_return", "stuck_open")), "R2:down", HIGH, ref=REF)
    assert flooded["word"].to_dict() == {"G2": "yes", "G1": "no"}
    assert flooded.loc["G2", "margin_mm"] == pytest.approx(100.0)


def test_a_valve_stuck_shut_is_a_blockage() -> None:
    """The flap stuck shut stops own water: it comes up at G2, and clearing the run lets it off."""
    found = back_up(two(fitting("non_return", "stuck_shut", at_m=2.0)), source="G1", ref=REF)
    assert (found.first, found.verdict.word) == ("G2", "spills")
    assert found.changes[0].then == "it runs off at R2:down"


def test_a_valve_nobody_tried_is_asked_both_ways() -> None:
    """Own water runs off if the flap opens and comes up at G2, 9.8, if it is stuck shut: not known which.

    From a full sewer G2 floods if it is stuck open and stays dry if it works. G1's rim is higher than
    the sewer either way.
    """
    network = two(fitting("non_return", "not_known"))
    found = back_up(network, source="G1", ref=REF)
    assert found.verdict.word == NOT_KNOWN
    assert "if it is stuck shut, G2 spills first, at 9.800 m" in found.verdict.because
    assert "try V1" in found.verdict.settle
    assert [each.said for each in found.otherwise] == ["it is stuck shut"]
    flooded = surcharged(network, "R2:down", HIGH, ref=REF)
    assert flooded["word"].to_dict() == {"G2": NOT_KNOWN, "G1": "no"}
    assert flooded.loc["G2", "settle"] == "Try V1."


def test_a_blockage_above_the_doubt_is_still_known() -> None:
    """R1 is stopped: what V1 in R2 does changes nothing for water put in at G1."""
    found = back_up(two(fitting("non_return", "not_known")), blocked="R1", source="G1", ref=REF)
    assert (found.first, found.verdict.word, found.otherwise) == ("G1", "spills", ())
    every = every_blockage(two(fitting("non_return", "not_known")), REF)
    assert every["word"].to_dict() == {"R1": "spills", "R2": "spills"}


def test_too_little_for_a_stuck_valve_is_known() -> None:
    """10 l fit behind the flap at 5 m of R2 even if it is stuck shut, where more than 50 do: no spill either way."""
    network = two(fitting("non_return", "not_known", at_m=5.0))
    few = back_up(network, source="G1", inflow=Inflow.pours(10.0, over_s=60.0), ref=REF)
    assert few.verdict.word == "no spill"
    assert few.otherwise[0].litres > 50.0
    many = back_up(network, source="G1", inflow=Inflow.pours(100.0, over_s=60.0), ref=REF)
    assert many.verdict.word == NOT_KNOWN


def test_a_pump_by_its_state() -> None:
    """0.4 l/s keeps up with 0.3 while it runs, not when it does not; nobody knowing, it is not known.

    Against 0.6 l/s water comes up at G2 whether it runs or not: known.
    """
    rise = {"invert_down_level_m": 11.0}
    words = {
        state: back_up(
            two(fitting("pump", state, passes_l_s=0.4), **rise),
            source="G1",
            inflow=Inflow.steady(0.3),
            ref=REF,
        ).verdict.word
        for state in ("works", "stuck_shut", "not_known")
    }
    assert words == {"works": "no spill", "stuck_shut": "spills", "not_known": NOT_KNOWN}
    much = back_up(
        two(fitting("pump", "not_known", passes_l_s=0.4), **rise),
        source="G1",
        inflow=Inflow.steady(0.6),
        ref=REF,
    )
    assert (much.verdict.word, much.first) == ("spills", "G2")


def test_a_pump_without_a_rate_is_said() -> None:
    """What a pump delivers has no default: it is taken as nothing, and said."""
    network = two(fitting("pump", "works"), invert_down_level_m=11.0)
    assert any("what it delivers is not recorded" in problem.found for problem in network.problems)
    assert "V1" in network.marked


def test_a_trap_stuck_shut_stops_where_it_lies() -> None:
    """Grease trap choked 2 m down R2: 2 × 7.854 l of it fill, not 5 × 7.854."""
    shut = two(fitting("grease_trap", "stuck_shut", at_m=2.0))
    found = back_up(shut, source="G2", ref=REF)
    assert (found.first, found.verdict.word) == ("G2", "spills")
    end = back_up(two(fitting("grease_trap", "stuck_shut", at_m=5.0)), source="G2", ref=REF)
    assert end.litres.value - found.litres.value == pytest.approx(3 * 7.854, abs=0.01)
    assert back_up(two(fitting("grease_trap", "works")), source="G2", ref=REF).drains


def test_a_fitting_in_no_run_is_said() -> None:
    """A fitting that names a run nobody recorded is a problem, and the rest is used."""
    network = two({**fitting("pump", "works", passes_l_s=1.0), "run_id": "R9"})
    assert any("is in R9, which no record has" in problem.found for problem in network.problems)
    assert back_up(network, source="G1", ref=REF).drains


def test_the_highest_sewer_level_is_the_boundary() -> None:
    """Of two levels of a surcharged sewer at R2 the higher counts; water resting in a chamber is no boundary."""
    taken = pd.DataFrame(
        [
            {"id": "W1", "of_id": "R2", "level_m": 9.6, "level_sigma_m": 0.01, "condition": "surcharged"},
            {"id": "W2", "of_id": "R2", "level_m": 9.9, "level_sigma_m": math.nan, "condition": "surcharged"},
            {"id": "W3", "of_id": "G1", "level_m": 9.45, "level_sigma_m": 0.01, "condition": "resting"},
        ]
    )
    heads = boundary_heads(taken, ref=REF)
    assert heads == {"R2": Measured(9.9, REF.value("levels.invert_sigma_m"))}
    found = back_up(two().with_boundary(heads), source="G1", ref=REF)
    assert (found.first, found.level.value) == ("G2", 9.8)
    assert boundary_heads(taken.iloc[:0], ref=REF) == {}
    with pytest.raises(InputError, match="nothing is called 'G1'"):
        two().with_boundary({"G1": Measured(9.9, 0.01)})
