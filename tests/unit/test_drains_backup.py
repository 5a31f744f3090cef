"""Back-up: humps, sources, valves, pumps, sealed covers, missing levels and the smallest change."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
import pytest

from geo import reference
from geo.drains.backup import Blockage, back_up, every_blockage, required_pour, sufficiency, surcharged
from geo.drains.network import Network, build_network
from geo.drains.storage import Inflow
from geo.verdict import NOT_KNOWN, Measured

REF = reference.default()


def gully(name: str, rim: float, outlet: float = 9.5, **more: Any) -> dict[str, Any]:
    """One sound gully, levels to 5 mm."""
    return {"id": name, "rim_level_m": rim, "outlet_invert_level_m": outlet, "riser_mm": 150.0, "state": "sound",
            "level_sigma_m": 0.005, **more}  # fmt: skip


def run(name: str, start: str, end: str, up: float, down: float, **more: Any) -> dict[str, Any]:
    """One 100 mm run of 5 m."""
    return {"id": name, "from_id": start, "to_id": end, "bore_mm": 100.0, "invert_up_level_m": up,
            "invert_down_level_m": down, "length_m": 5.0, "state": "clear", "level_sigma_m": 0.005,
            "from_evidence": "seen", "to_evidence": "seen", **more}  # fmt: skip


def build(fittings: pd.DataFrame | None = None, **tables: list[dict[str, Any]]) -> Network:
    """Build from rows."""
    frames = {kind: pd.DataFrame(rows) for kind, rows in tables.items()}
    return build_network(frames, ref=REF, fittings=fittings)


def two(**more: Any) -> Network:
    """Two gullies in a row on one drain: G1 (rim 10.0) above G2 (rim 9.8)."""
    rows = [run("R1", "G1", "G2", 9.5, 9.4, **more), run("R2", "G2", "", 9.4, 9.3)]
    return build(gully=[gully("G1", 10.0), gully("G2", 9.8, 9.4)], run=rows)


def test_an_open_drain_does_not_back_up() -> None:
    """With nothing blocked the water runs off at the end of the last run."""
    found = back_up(two(), source="G1", inflow=Inflow.steady(0.3), ref=REF)
    assert (found.verdict.word, found.drains, found.first) == ("no spill", True, "R2:down")


def test_blocked_below_the_lower_rim_spills_first() -> None:
    """Both stand open to each other, so the lower rim, 9.8, though the water is put in at the higher."""
    found = back_up(two(), blocked="R2", source="G1", ref=REF)
    assert (found.first, found.level.value) == ("G2", 9.8)
    assert back_up(two(), blocked="R1", source="G1", ref=REF).first == "G1"


def test_a_hump_keeps_the_water_back() -> None:
    """A crest of 9.9 on the shared run lies over G2's rim: from G2 the water never passes it.

    From G1, rim 10.0, it does at 9.9, and fills G2 from the bottom: G2 spills at 9.8, below the crest.
    """
    network = two(crest_level_m=9.9)
    assert back_up(network, blocked="R2", source="G2", ref=REF).first == "G2"
    over = back_up(network, blocked="R2", source="G1", ref=REF)
    assert (over.first, over.level.value) == ("G2", 9.8)
    assert over.order.loc["G1", "reach_m"] == 10.0


def test_water_in_the_sound_drain_is_not_counted() -> None:
    """Behind a crest of 9.65 the upper half of R1 holds water in the sound drain: it is there already.

    To 9.8 with R2 blocked at its end: lower half of R1, R2, the risers above 9.65 and 9.4, and the air
    left under the crest: 2.5 × 7.854 + 5 × 7.854 + 22.5 × (0.15 + 0.4), and over the last 0.10 of the
    0.15 m that the upper half rises, half a bore: 2.5 × 0.10/0.15 × 7.854/2. Together 77.8 l.
    """
    found = back_up(two(crest_level_m=9.65), blocked=Blockage(asset_id="R2", at_m=5.0), source="G1", ref=REF)
    assert found.litres.value == pytest.approx(7.5 * 7.854 + 22.5 * 0.55 + 2.5 / 3 * 7.854, abs=0.02)


def test_an_intercepting_trap_is_a_crest() -> None:
    """The chamber's invert is the sill of its trap, though the pipe beyond begins lower."""
    trap = {
        "id": "C1",
        "cover_level_m": 10.2,
        "invert_level_m": 9.45,
        "length_mm": 450.0,
        "interceptor": "yes",
    }
    rows = [run("R1", "G1", "C1", 9.5, 9.45), run("R2", "C1", "", 9.30, 9.2)]
    network = build(gully=[gully("G1", 10.0)], chamber=[trap], run=rows)
    assert network.runs.loc["R2", "crest_low_m"] == 9.45


def test_two_rims_within_the_error_are_rivals() -> None:
    """9.800 and 9.805, 5 mm each: 5 mm against 2 root(5² + 5²) = 14.1: either may be first."""
    rows = [run("R1", "G1", "J", 9.5, 9.4), run("R2", "G2", "J", 9.5, 9.4), run("R3", "J", "", 9.4, 9.3)]
    network = build(gully=[gully("G1", 9.805), gully("G2", 9.800)], run=rows)
    found = back_up(network, blocked="R3", source="G1", ref=REF)
    assert found.first == "G2"
    (rival,) = found.rivals
    assert rival.node == "G1"
    assert (rival.margin_mm, rival.sigma_mm) == (pytest.approx(5.0), pytest.approx(7.07, abs=0.005))
    assert "could equally be G1" in found.verdict.because


def test_a_missing_rim_decides() -> None:
    """G2's rim is not recorded and may lie from its outlet up: the first spill is not known, and says whose level decides.

    A rim that cannot be the lowest does not decide: G3, beyond its own run of inverts at 10.1.
    """
    rows = [run("R1", "G1", "J", 9.5, 9.4), run("R2", "G2", "J", 9.5, 9.4), run("R3", "J", "", 9.4, 9.3)]
    network = build(gully=[gully("G1", 9.8), gully("G2", math.nan)], run=rows)
    found = back_up(network, blocked="R3", source="G1", ref=REF)
    assert found.verdict.word == NOT_KNOWN
    assert found.verdict.because.endswith("level of G2 decides")
    assert found.decides == ("G2",)
    assert found.level_between == (9.5, 9.8)
    high = build(
        gully=[gully("G1", 9.8), gully("G2", math.nan, 10.1)],
        run=[rows[0], {**rows[1], "invert_up_level_m": 10.1}, rows[2]],
    )
    known = back_up(high, blocked="R3", source="G1", ref=REF)
    assert (known.first, known.decides) == ("G1", ())


def test_an_unknown_place_of_the_stop_gives_fewest_and_most_litres() -> None:
    """R2 is stopped somewhere: from nothing of it to all of its 5 m, 39.3 l more."""
    found = back_up(two(), blocked="R2", source="G2", ref=REF)
    fewest, most = found.litres_between
    assert most - fewest == pytest.approx(39.27, abs=0.01)


def test_a_sealed_cover_is_no_way_out() -> None:
    """The lowest cover is sealed, so the rim above it is first; with every way sealed nothing spills."""
    low = {"id": "C1", "cover_level_m": 9.6, "invert_level_m": 9.4, "length_mm": 450.0, "sealed": "yes"}
    rows = [run("R1", "G1", "C1", 9.5, 9.4), run("R2", "C1", "", 9.4, 9.3)]
    network = build(gully=[gully("G1", 10.0)], chamber=[low], run=rows)
    assert back_up(network, blocked="R2", source="G1", ref=REF).first == "G1"
    closed = build(chamber=[low, {**low, "id": "C2"}], run=[run("R1", "C2", "C1", 9.5, 9.4), rows[1]])
    held = back_up(closed, blocked="R2", source="C2", ref=REF)
    assert (held.first, held.verdict.word) == ("", "no spill")


def test_two_sources_on_one_tree_add_up() -> None:
    """0.1 and 0.2 l/s into one pool fill it in a third of the time of 0.1 alone."""
    network = two()
    stop = Blockage(asset_id="R2", at_m=5.0)
    one = back_up(network, blocked=stop, source="G1", inflow=Inflow.steady(0.1), ref=REF)
    flows = {"G1": Inflow.steady(0.1), "G2": Inflow.steady(0.2)}
    both = back_up(network, blocked=stop, source=["G1", "G2"], inflow=flows, ref=REF)
    assert both.sources == ("G1", "G2")
    assert both.minutes == pytest.approx(one.minutes / 3)


def test_sources_in_different_pools_are_told_apart() -> None:
    """With R1 blocked G1 fills above it, while G2 below drains: two answers."""
    found = back_up(two(), blocked="R1", source=["G1", "G2"], ref=REF)
    assert (found.first, found.sources) == ("G1", ("G1",))
    (other,) = found.elsewhere
    assert (other.sources, other.drains) == (("G2",), True)


def test_a_trickle_counts_only_where_it_drains() -> None:
    """R1 passes 0.1 l/s, but R2 below is blocked too: the trickle fills G2 and nothing is gained."""
    network = two(passes_l_s=0.1, state="slow")
    assert back_up(network, source="G1", ref=REF).passes_l_s == 0.1
    assert back_up(network, blocked="R2", source="G1", ref=REF).passes_l_s == 0.0


def test_a_trickle_as_great_as_the_inflow_never_spills() -> None:
    """0.1 l/s in and 0.1 past the stop: never."""
    found = back_up(two(passes_l_s=0.1), source="G1", inflow=Inflow.steady(0.1), ref=REF)
    assert found.verdict.word == "no spill"
    assert math.isinf(found.minutes)


def test_a_pump_moves_its_rate() -> None:
    """A pump of 0.4 l/s keeps up with 0.3, not with 0.6; without power it is a blockage."""
    pump = pd.DataFrame([{"run_id": "R2", "fitting": "pump", "passes_l_s": 0.4}])
    rows = [run("R1", "G1", "G2", 9.5, 9.4), run("R2", "G2", "", 9.4, 11.0)]
    network = build(gully=[gully("G1", 10.0), gully("G2", 9.8, 9.4)], run=rows, fittings=pump)
    assert back_up(network, source="G1", inflow=Inflow.steady(0.3), ref=REF).verdict.word == "no spill"
    assert back_up(network, source="G1", inflow=Inflow.steady(0.6), ref=REF).first == "G2"
    failed = back_up(
        network,
        blocked=Blockage(asset_id="R2", passes_l_s=0.0),
        source="G1",
        inflow=Inflow.steady(0.3),
        ref=REF,
    )
    assert failed.verdict.word == "spills"


def test_a_full_sewer_comes_in_unless_a_valve_stops_it() -> None:
    """The sewer stands at 9.85: G2's rim, 9.8, is flooded by 50 mm, G1's, 10.0, is not. A valve on R2 stops both."""
    flooded = surcharged(two(), "R2:down", Measured(9.85, 0.005), ref=REF)
    assert flooded["word"].to_dict() == {"G2": "yes", "G1": "no"}
    assert flooded.loc["G2", "margin_mm"] == pytest.approx(50.0)
    valve = pd.DataFrame([{"run_id": "R2", "fitting": "non_return"}])
    rows = [run("R1", "G1", "G2", 9.5, 9.4), run("R2", "G2", "", 9.4, 9.3)]
    shut = build(gully=[gully("G1", 10.0), gully("G2", 9.8, 9.4)], run=rows, fittings=valve)
    assert surcharged(shut, "R2:down", Measured(9.85, 0.005), ref=REF).empty


def test_own_water_meets_a_high_sewer() -> None:
    """With the sewer at 9.7 own water runs off at 9.7; at 9.9 it comes out of G2 first, at 9.8."""
    low = two().with_boundary({"R2:down": Measured(9.7, 0.01)})
    assert back_up(low, source="G1", ref=REF).level.value == 9.7
    high = two().with_boundary({"R2:down": Measured(9.9, 0.01)})
    found = back_up(high, source="G1", ref=REF)
    assert (found.first, found.level.value) == ("G2", 9.8)


def test_a_failed_soakaway_keeps_its_present_soakage() -> None:
    """1e-5 m/s into the sides of a pit 1 × 1 × 1.2 m, half full: 2 × (1 + 1) × 1.2 / 2 = 2.4 m², 0.024 l/s."""
    pit = {"id": "SA", "inlet_invert_level_m": 9.3, "length_m": 1.0, "width_m": 1.0, "depth_m": 1.2,
           "soakage_m_s": 1e-5, "state": "silted"}  # fmt: skip
    network = build(gully=[gully("G1", 9.8)], soakaway=[pit], run=[run("R1", "G1", "SA", 9.5, 9.3)])
    found = back_up(network, source="G1", inflow=Inflow.steady(0.1), ref=REF)
    assert found.passes_l_s == pytest.approx(0.024)
    assert found.verdict.word == "spills"


def test_the_smallest_changes_say_where_the_spill_goes() -> None:
    """Clearing R2 lets it run off; raising G2 by more than 200 mm sends it to G1 at 10.0."""
    found = back_up(two(), blocked="R2", source="G1", ref=REF)
    clear, raise_ = found.changes
    assert (clear.asset_id, clear.then) == ("R2", "it runs off at R2:down")
    assert (raise_.asset_id, raise_.then_first) == ("G2", "G1")
    assert raise_.by_mm == pytest.approx(200.0)


def test_a_recorded_stop_can_be_cleared_too() -> None:
    """R2 is recorded as blocked: the first change is to clear it."""
    rows = [run("R1", "G1", "G2", 9.5, 9.4), run("R2", "G2", "", 9.4, 9.3, state="blocked", fault_at_m=1.0)]
    found = back_up(build(gully=[gully("G1", 10.0), gully("G2", 9.8, 9.4)], run=rows), source="G1", ref=REF)
    assert found.first == "G2"
    assert found.changes[0].then.startswith("it runs off")


def test_what_an_answer_rests_on() -> None:
    """Assumed ends and cracked runs that stand full are named."""
    found = back_up(two(state="crack", to_evidence="assumed"), blocked="R2", source="G1", ref=REF)
    assert found.assumed_runs == ("R1",)
    assert found.leaky_runs == ("R1",)
    assert {"G1", "G2", "R1", "R2"} <= set(found.verdict.rests_on)


def test_every_blockage_is_the_single_ones() -> None:
    """Each row is what the single question gives for water from just above the stop."""
    network = two()
    table = every_blockage(network, REF)
    assert list(table.index) == ["R1", "R2"]
    for name, row in table.iterrows():
        one = back_up(network, blocked=str(name), source=row["source"], ref=REF)
        assert (one.first, one.level.value, one.litres.value) == (row["first"], row["level_m"], row["litres"])


def test_a_pour_near_the_capacity_is_not_known() -> None:
    """Two litres over or under the capacity are within its sigma when the stop lies anywhere in R2."""
    found = back_up(two(), blocked="R2", source="G2", inflow=Inflow.pours(70.0, over_s=300.0), ref=REF)
    fewest, most = found.litres_between
    assert fewest < 70.0 < most
    assert found.verdict.word == NOT_KNOWN
    assert found.verdict.settle


def test_a_test_pour_counts_what_passes() -> None:
    """At 0.3 l/s with 0.1 passing, a pool of V takes V/0.2 seconds and 1.5 V from the hose."""
    found = back_up(two(passes_l_s=0.1), source="G1", ref=REF)
    pour = required_pour(found, rate_l_s=0.3, ref=REF)
    assert pour.to_spill_l.value == pytest.approx(1.5 * found.litres.value)
    assert math.isinf(required_pour(found, rate_l_s=0.1, ref=REF).to_spill_minutes)


@pytest.mark.parametrize(
    ("litres", "word"), [(99.0, NOT_KNOWN), (80.0, "no information"), (110.0, NOT_KNOWN), (151.0, "enough")]
)
def test_how_much_is_enough(litres: float, word: str) -> None:
    """100 ± 2 l: 80 cannot have shown; 99 and 110 may have; half as much again, 150, is enough."""
    assert sufficiency(litres, Measured(100.0, 2.0), ref=REF).word == word
