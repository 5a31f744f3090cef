"""Ways out that are buried or not, cracked runs that stand full, and trickles that follow the head."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
import pytest

from geo import reference
from geo.drains.backup import BackUp, Blockage, back_up, every_blockage, required_pour
from geo.drains.network import Network, build_network
from geo.drains.profile import run_profile
from geo.drains.storage import Inflow, Trickle, balance
from geo.errors import InputError
from geo.verdict import NOT_KNOWN

REF = reference.default()
ORIFICE_3 = 0.6 * 3e-4 * math.sqrt(2 * 9.80665) * 1000  # l/s at 1 m of head through 3 cm²


def gully(name: str, rim: float, outlet: float) -> dict[str, Any]:
    """One sound gully, levels to 5 mm."""
    return {"id": name, "rim_level_m": rim, "outlet_invert_level_m": outlet, "riser_mm": 150.0, "state": "sound",
            "level_sigma_m": 0.005}  # fmt: skip


def run(name: str, start: str, end: str, up: float, down: float, **more: Any) -> dict[str, Any]:
    """One 100 mm run of 5 m."""
    return {"id": name, "from_id": start, "to_id": end, "bore_mm": 100.0, "invert_up_level_m": up,
            "invert_down_level_m": down, "length_m": 5.0, "state": "clear", "level_sigma_m": 0.005, **more}  # fmt: skip


def build(positions: pd.DataFrame | None = None, **tables: list[dict[str, Any]]) -> Network:
    """Build from rows."""
    frames = {kind: pd.DataFrame(rows) for kind, rows in tables.items()}
    return build_network(frames, ref=REF, positions=positions)


# --- buried or not -----------------------------------------------------------------------------------


def joint(ground: float) -> BackUp:
    """A downpipe with an open joint at 9.640 on a stopped drain, its gully's rim at 9.790."""
    pipe = {"id": "D", "bore_mm": 68.0, "foot": "sealed", "foot_level_m": 9.640, "state": "cracked",
            "level_sigma_m": 0.005}  # fmt: skip
    rows = [run("R1", "G", "J", 9.42, 9.30), run("R2", "D", "J", 9.39, 9.30), run("R3", "J", "", 9.30, 9.22)]
    place = pd.DataFrame({"ground_m": [ground], "ground_sigma_m": [0.005], "opening_cm2": [3.0]}, index=["D"])
    network = build(place, gully=[gully("G", 9.790, 9.42)], downpipe=[pipe], run=rows)
    return back_up(network, blocked="R3", source="G", ref=REF)


@pytest.mark.parametrize(
    ("ground", "word", "below"),
    [
        (9.830, "buried", True),
        (9.500, "at the surface", False),
        (9.645, NOT_KNOWN, True),
        (math.nan, NOT_KNOWN, True),
    ],
)
def test_a_joint_by_the_ground_beside_it(ground: float, word: str, below: bool) -> None:
    """Joint at 9.640, 5 mm each: ground 190 mm over it buries it, 140 under it does not, 5 over is not known.

    Where the ground was not levelled nobody can say. What is not known is taken as buried: nothing need show.
    """
    found = joint(ground)
    assert (found.first, found.below.word, found.below_ground) == ("D", word, below)
    assert found.spills[0].below_ground is below
    if word == NOT_KNOWN:
        assert "Level the ground beside D" in found.below.settle
        assert "below ground or not" in found.verdict.because


def test_a_joint_above_ground_takes_no_more_than_its_hole() -> None:
    """At the surface too a 3 cm² joint under 0.150 m lets out 0.309 l/s: of 0.625 the rest rises at G."""
    pipe = {"id": "D", "bore_mm": 68.0, "foot": "sealed", "foot_level_m": 9.640, "state": "cracked",
            "level_sigma_m": 0.005}  # fmt: skip
    rows = [run("R1", "G", "J", 9.42, 9.30), run("R2", "D", "J", 9.39, 9.30), run("R3", "J", "", 9.30, 9.22)]
    place = pd.DataFrame({"ground_m": [9.5], "opening_cm2": [3.0]}, index=["D"])
    network = build(place, gully=[gully("G", 9.790, 9.42)], downpipe=[pipe], run=rows)
    found = back_up(network, blocked="R3", source="G", inflow=Inflow.steady(0.625), ref=REF)
    assert [(spill.node, spill.below_ground) for spill in found.spills] == [("D", False), ("G", False)]
    assert found.spills[0].receives_l_s == pytest.approx(ORIFICE_3 * math.sqrt(0.150), abs=5e-4)
    assert found.spills[1].receives_l_s == pytest.approx(0.625 - 0.309, abs=5e-4)


def test_a_socket_lies_under_its_gully() -> None:
    """A pipe that leads nowhere from a gully's outlet, 500 mm under its rim, is buried as its rim is the ground."""
    network = build(gully=[gully("G", 10.0, 9.5)], run=[run("R1", "G", "", 9.5, 9.4, state="absent")])
    assert back_up(network, source="G", ref=REF).below.word == "buried"


# --- cracked runs -------------------------------------------------------------------------------------


def cracked(opening: float, **more: Any) -> Network:
    """G1 (rim 9.80) drains by R1, cracked 4 m down at invert 9.42, to R2: level 9.80 stands 0.38 m over it."""
    place = pd.DataFrame({"opening_cm2": [opening]}, index=["R1"])
    rows = [
        run("R1", "G1", "J", 9.5, 9.4, state="crack", fault_at_m=4.0, **more),
        run("R2", "J", "", 9.4, 9.3),
    ]
    return build(place, gully=[gully("G1", 9.8, 9.5)], run=rows)


STOP = Blockage(asset_id="R2", at_m=5.0)


def test_a_crack_of_known_size_sets_what_must_come_in() -> None:
    """3 cm² under 9.80 − 9.42 = 0.38 m lose 0.6 × 3e-4 × root(2 g 0.38) = 0.491 l/s at most, nothing at least.

    0.8 l/s surely comes up, after V over 0.8 to V over 0.8 − 0.491; 0.3 l/s may all go into the ground.
    """
    network = cracked(3.0)
    most = ORIFICE_3 * math.sqrt(0.38)
    much = back_up(network, blocked=STOP, source="G1", inflow=Inflow.steady(0.8), ref=REF)
    assert (much.verdict.word, much.first) == ("spills", "G1")
    (leak,) = much.leaks
    assert (leak.run_id, leak.lowest_m, leak.head_m) == ("R1", pytest.approx(9.42), pytest.approx(0.38))
    assert leak.most_l_s == pytest.approx(most, abs=1e-6)
    assert most == pytest.approx(0.491, abs=5e-4)
    assert much.minutes_between == pytest.approx(
        (much.litres.value / 0.8 / 60, much.litres.value / (0.8 - most) / 60)
    )
    little = back_up(network, blocked=STOP, source="G1", inflow=Inflow.steady(0.3), ref=REF)
    assert little.verdict.word == NOT_KNOWN
    assert "not known whether it comes up" in little.verdict.because
    assert little.verdict.settle.startswith("Plug R1")
    assert math.isinf(little.minutes_between[1])


def test_a_crack_of_unknown_size_may_take_it_all() -> None:
    """Nobody measured the opening: from nothing to everything, so it is not known whether it comes up."""
    network = cracked(math.nan)
    for inflow in (None, Inflow.steady(5.0)):
        found = back_up(network, blocked=STOP, source="G1", inflow=inflow, ref=REF)
        assert found.verdict.word == NOT_KNOWN
        assert (found.first, math.isinf(found.loses_between_l_s[1])) == ("G1", True)
        assert "camera" in found.verdict.settle
    every = every_blockage(network, REF)
    assert every.loc["R2", ["word", "first", "leaks"]].tolist() == [NOT_KNOWN, "G1", ("R1",)]


def test_too_little_water_is_no_spill_crack_or_not() -> None:
    """10 l where more than 50 fit cannot come up, whatever the crack does."""
    found = back_up(
        cracked(math.nan), blocked=STOP, source="G1", inflow=Inflow.pours(10.0, over_s=60.0), ref=REF
    )
    assert found.verdict.word == "no spill"


def test_a_crack_beyond_the_stop_stays_dry() -> None:
    """R1 is stopped at 2 m and cracked at 4 m: the water above the stop never comes to the crack.

    Stopped at 4.5 m the crack stands full; a crack above the water loses nothing.
    """
    stop = Blockage(asset_id="R1", at_m=2.0)
    assert back_up(cracked(3.0), blocked=stop, source="G1", ref=REF).leaks == ()
    stop = Blockage(asset_id="R1", at_m=4.5)
    assert len(back_up(cracked(3.0), blocked=stop, source="G1", ref=REF).leaks) == 1
    high = build(
        gully=[gully("G1", 9.8, 9.5), gully("G2", 10.9, 10.5)],
        run=[run("R1", "G1", "J", 9.5, 9.4), run("R3", "G2", "J", 10.5, 9.4, state="crack", fault_at_m=0.5),
             run("R2", "J", "", 9.4, 9.3)],
    )  # fmt: skip
    assert back_up(high, blocked="R2", source="G1", ref=REF).leaks == ()


def test_litres_lost_to_a_crack_lie_between() -> None:
    """100 l in 100 s against what fits: all the rest spilled if the crack is sealed, less 49.1 l if it is not.

    0.491 l/s at most over 100 s; and in = stored + left + spilled either way.
    """
    pour = Inflow.pours(100.0, over_s=100.0)
    found = back_up(cracked(3.0), blocked=STOP, source="G1", inflow=pour, ref=REF)
    low, high = found.spilled_between_l
    assert found.balance is not None
    assert high == pytest.approx(100.0 - found.litres.value)
    assert high - low == pytest.approx(min(ORIFICE_3 * math.sqrt(0.38) * 100.0, high), abs=0.01)


# --- trickles -----------------------------------------------------------------------------------------


def greased(passes: float, level: float) -> BackUp:
    """A gully with its run part-stopped at its outlet, invert 9.5; what passes was measured at a level."""
    network = build(gully=[gully("G1", 9.8, 9.5)], run=[run("R1", "G1", "", 9.5, 9.5)])
    stop = Blockage(asset_id="R1", at_m=0.0, passes_l_s=passes, passes_at_m=level)
    return back_up(network, blocked=stop, source="G1", inflow=Inflow.steady(0.05), ref=REF)


def test_a_trickle_follows_the_head_it_was_measured_at() -> None:
    """0.02 l/s under 0.1 m is 0.02 root 3 = 0.0346 under the 0.3 m of the rim; unknown head, 0.02 throughout."""
    assert greased(0.02, 9.6).passes_l_s == pytest.approx(0.02 * math.sqrt(3), abs=1e-6)
    network = build(gully=[gully("G1", 9.8, 9.5)], run=[run("R1", "G1", "", 9.5, 9.5)])
    stop = Blockage(asset_id="R1", at_m=0.0, passes_l_s=0.02)
    found = back_up(network, blocked=stop, source="G1", inflow=Inflow.steady(0.05), ref=REF)
    assert (found.passes_l_s, found.trickle) == (0.02, None)


def test_the_time_to_fill_against_a_head_law() -> None:
    """A riser A = 0.0225 m², Q in, q = k root h out: t = 2A/k² (Q ln(Q/(Q − k root H)) − k root H).

    With Q = 0.05 l/s, k = 0.02 / root 0.1 l/s and H = 0.3 m; separation of variables with u = root h.
    """
    area, inflow, k, depth = 0.0225 * 1000, 0.05, 0.02 / math.sqrt(0.1), 0.3
    root = k * math.sqrt(depth)
    seconds = 2 * area / k**2 * (inflow * math.log(inflow / (inflow - root)) - root)
    assert greased(0.02, 9.6).minutes == pytest.approx(seconds / 60, rel=2e-3)


def test_the_water_stands_where_the_trickle_keeps_up() -> None:
    """0.02 l/s under 0.1 m passes 0.03 under 0.1 × (0.03 / 0.02)² = 0.225 m: of 0.03 l/s it stands at 9.725."""
    network = build(gully=[gully("G1", 9.8, 9.5)], run=[run("R1", "G1", "", 9.5, 9.5)])
    stop = Blockage(asset_id="R1", at_m=0.0, passes_l_s=0.02, passes_at_m=9.6)
    found = back_up(network, blocked=stop, source="G1", inflow=Inflow.steady(0.03), ref=REF)
    assert found.verdict.word == "no spill"
    assert math.isinf(found.minutes)
    assert found.standing_m == pytest.approx(9.725, abs=0.007)  # a slice is 6.25 mm
    assert math.isinf(required_pour(found, rate_l_s=0.03, ref=REF).to_spill_minutes)


def test_a_recorded_trickle_takes_its_level_too() -> None:
    """Recorded on the run with the level it was measured at: the same as asked of a blockage."""
    rows = [
        run("R1", "G1", "", 9.5, 9.5, state="grease", fault_at_m=0.0, passes_l_s=0.02, passes_level_m=9.6)
    ]
    network = build(gully=[gully("G1", 9.8, 9.5)], run=rows)
    found = back_up(network, source="G1", ref=REF)
    assert found.passes_l_s == pytest.approx(0.02 * math.sqrt(3), abs=1e-6)


def test_a_store_drains_slice_by_slice() -> None:
    """Two slices of 10 l at 0.1 and 0.2 l/s: full at 20 l it takes 50 s, then 100 s, to empty."""
    trickle = Trickle(litres=(0.0, 10.0, 20.0), rates_l_s=(0.1, 0.2))
    fill = Inflow(pieces=((0.0, 1.0, 20.0), (51.0, 51.0, 0.0)))
    after = balance(fill, capacity_l=30.0, passes_l_s=trickle)
    assert after.stored_l == pytest.approx(20.0 - 0.15 - 0.2 * 50.0, abs=0.1)
    empty = balance(
        Inflow(pieces=((0.0, 1.0, 20.0), (160.0, 160.0, 0.0))), capacity_l=30.0, passes_l_s=trickle
    )
    assert empty.stored_l == 0.0
    assert empty.left_l == pytest.approx(20.0)


# --- roofs and profiles -------------------------------------------------------------------------------


@pytest.mark.parametrize(("pitch", "factor"), [(0.0, 1.00), (30.0, 1.29), (45.0, 1.50), (60.0, 1.87)])
def test_a_roof_catches_driven_rain_by_its_pitch(pitch: float, factor: float) -> None:
    """Approved Document H, H3 Table 1: 1.00, 1.29, 1.50, 1.87 times the plan at 0, 30, 45, 60 degrees."""
    pipe = {"id": "D1", "foot": "shoe_over_gully", "into_id": "G1", "roof_m2": 40.0, "roof_pitch_deg": pitch,
            "bore_mm": 68.0}  # fmt: skip
    network = build(gully=[gully("G1", 10.0, 9.5)], downpipe=[pipe], run=[run("R1", "G1", "", 9.5, 9.4)])
    assert network.roofs_above(["G1"]) == (40.0, pytest.approx(40.0 * factor, abs=0.2))
    assert network.nodes.loc["G1", "roof_effective_m2"] == network.roofs_above(["R1:down"])[1]


def test_a_roof_without_a_pitch_is_taken_as_flat() -> None:
    """A blank pitch is the field's own flat; two downpipes add up."""
    pipes = [
        {"id": name, "foot": "shoe_over_gully", "into_id": "G1", "roof_m2": 20.0, "bore_mm": 68.0}
        for name in ("D1", "D2")
    ]
    network = build(gully=[gully("G1", 10.0, 9.5)], downpipe=pipes, run=[run("R1", "G1", "", 9.5, 9.4)])
    assert network.roofs_above(["G1"]) == (40.0, 40.0)


def profile_of(**more: Any) -> Any:
    """The profile of R1, 5 m from 9.5 to 9.4."""
    row = run("R1", "G1", "", 9.5, 9.4) | more
    return run_profile(build(gully=[gully("G1", 10.0, 9.5)], run=[row]), "R1", ref=REF)


def test_a_hump_is_drawn_where_it_lies_and_keeps_water_behind_it() -> None:
    """Crest 9.7, twice a bore over the upper invert, at 2 m: full 1 m of the rise, half full the other.

    The 2 m rise 0.2 m. Under 9.7 the lower 1 m lies a bore or more deep, the upper tapers off to nothing:
    by symmetry half of it. 1.5 × 7.854 = 11.8 l.
    """
    held = profile_of(crest_level_m=9.7, fault_at_m=2.0)
    assert (held.distance_m, held.invert_m) == ((0.0, 2.0, 5.0), (9.5, 9.7, 9.4))
    assert (held.verdict.word, held.stands_m, held.crest_known) == ("holds water", 9.7, True)
    assert held.holds_l.value == pytest.approx(1.5 * 7.854, abs=0.01)
    assert profile_of(crest_level_m=9.7).crest_known is False


def test_the_place_of_a_hump_counts_in_what_rests_behind_it() -> None:
    """To fill G1 past the hump at 4 m more already stands behind it than past one at 1 m."""

    def litres(at: float) -> float:
        row = run("R1", "G1", "J", 9.5, 9.4, crest_level_m=9.7, fault_at_m=at)
        network = build(gully=[gully("G1", 10.0, 9.5)], run=[row, run("R2", "J", "", 9.4, 9.3)])
        return back_up(network, blocked=Blockage(asset_id="R2", at_m=0.0), source="G1", ref=REF).litres.value

    assert litres(4.0) < litres(1.0) - 10.0


def test_a_back_fall_keeps_water_and_a_belly_is_not_known() -> None:
    """A run that rises 100 mm keeps half of itself; how deep a belly sags nobody recorded; a sound run drains."""
    back = profile_of(invert_down_level_m=9.6)
    assert (back.verdict.word, back.stands_m) == ("holds water", 9.6)
    assert back.holds_l.value == pytest.approx(2.5 * 7.854, abs=0.01)
    belly = profile_of(state="belly", fault_at_m=2.0)
    assert belly.verdict.word == NOT_KNOWN
    assert "camera" in belly.verdict.settle
    measured = profile_of(state="belly", fault_at_m=2.0, sag_mm=30.0)
    assert (measured.verdict.word, measured.sag_m) == ("holds water", pytest.approx(0.030))
    assert math.isnan(measured.holds_l.value)
    assert profile_of().verdict.word == "drains"
    assert profile_of(invert_down_level_m=math.nan).verdict.word == NOT_KNOWN
    with pytest.raises(InputError, match="no piece of run is called 'R9'"):
        run_profile(build(gully=[gully("G1", 10.0, 9.5)], run=[run("R1", "G1", "", 9.5, 9.4)]), "R9", ref=REF)
