"""Worked cases of water backing up, worked by hand in the docstrings."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from geo import reference
from geo.crossings import Crossings, cleaning_levels, cross, smallest_changes, wall_section
from geo.drains.backup import BackUp, Blockage, back_up, required_pour, sufficiency
from geo.drains.cavity import WallWater, reach_the_wall, tank_at
from geo.drains.network import Network, build_network
from geo.drains.storage import Inflow
from geo.verdict import Measured

REF = reference.default()


def table(*rows: dict[str, object]) -> pd.DataFrame:
    """Lay rows out by id, as the records do."""
    return pd.DataFrame(list(rows)).set_index("id", drop=False)


def soakaway_network() -> Network:
    """Two gullies and a downpipe with a cracked socket on one soakaway, 18 m of 100 mm pipe."""
    tables = {
        "gully": table(
            {"id": "G1", "rim_level_m": 9.790, "outlet_invert_level_m": 9.420, "riser_mm": 150.0, "level_sigma_m": 0.005},
            {"id": "G2", "rim_level_m": 9.835, "outlet_invert_level_m": 9.480, "riser_mm": 150.0, "level_sigma_m": 0.005},
        ),
        "downpipe": table(
            {"id": "D3", "bore_mm": 68.0, "roof_m2": 30.0, "foot": "sealed", "foot_level_m": 9.640, "state": "cracked",
             "level_sigma_m": 0.005},
        ),
        "soakaway": table({"id": "SA", "inlet_invert_level_m": 9.220, "cover_level_m": 9.8, "state": "works"}),
        "run": table(
            run("R1", "G1", "J", 9.420, 9.300, 6.0),
            run("R2", "G2", "J", 9.480, 9.300, 4.0),
            run("R3", "D3", "J", 9.390, 9.300, 3.0),
            run("R4", "J", "SA", 9.300, 9.220, 5.0),
        ),
    }  # fmt: skip
    ground = pd.DataFrame({"ground_m": [9.830], "opening_cm2": [3.0]}, index=["D3"])
    return build_network(tables, ref=REF, positions=ground)


def run(
    name: str, start: str, end: str, up: float, down: float, length: float, **more: object
) -> dict[str, object]:
    """One 100 mm run."""
    return {
        "id": name, "from_id": start, "to_id": end, "bore_mm": 100.0, "invert_up_level_m": up,
        "invert_down_level_m": down, "length_m": length, "level_sigma_m": 0.005, "state": "clear",
        "use": "surface", "from_evidence": "seen", "to_evidence": "dye", **more,
    }  # fmt: skip


def kitchen_network(passes: float = 0.02) -> Network:
    """A waste gully with a broken lip on a foul run with grease 2.5 m downstream."""
    tables = {
        "gully": table(
            {"id": "K", "rim_level_m": 9.805, "lip_level_m": 9.770, "state": "lip_broken",
             "outlet_invert_level_m": 9.480, "riser_mm": 150.0, "level_sigma_m": 0.005},
        ),
        "run": table(run("F1", "K", "", 9.480, 9.350, 8.0, state="grease", fault_at_m=2.5, passes_l_s=passes, use="foul")),
    }  # fmt: skip
    return build_network(tables, ref=REF)


def three_pump_outs(passes: float) -> BackUp:
    """One wash: three pump-outs of 20 l in 80 s, ten minutes between."""
    wash = Inflow.pours(20.0, over_s=80.0, times=3, wait_s=600.0)
    return back_up(kitchen_network(passes), source="K", inflow=wash, ref=REF)


def test_failed_soakaway_first_shows_below_ground() -> None:
    """Worked case. Every way passes inverts of 9.480 at most, so each node needs its own level:

    D3 9.640 (buried socket, ground 9.830), G1 9.790, G2 9.835. First D3 at 9.640, 190 mm down; the
    next is 150 mm higher, 21 sigma of root(5² + 5²) mm, so there is no rival.
    """
    found = back_up(soakaway_network(), blocked="SA", source="G1", ref=REF)
    assert found.first == "D3"
    assert found.level.value == pytest.approx(9.640, abs=5e-4)
    assert found.below_ground
    assert found.rivals == ()
    order = found.order["reach_m"]
    assert order["G1"] - order["D3"] == pytest.approx(0.150, abs=5e-4)
    assert order["G2"] == pytest.approx(9.835, abs=5e-4)
    assert not math.isfinite(order["SA"])


def test_failed_soakaway_litres_and_minutes() -> None:
    """Worked case. 18.0 m × 7.854 l/m = 141.4; risers 0.220 × 22.5 = 4.95 and 0.160 × 22.5 = 3.60;

    68 mm downpipe 0.250 × 3.63 = 0.91; together 150.8 l. A hose of 0.25 l/s takes 10.1 minutes, rain
    of 25 mm/h on 30 m² (0.208 l/s) 12.1.
    """
    network = soakaway_network()
    hose = back_up(network, blocked="SA", source="G1", inflow=Inflow.steady(0.25), ref=REF)
    assert hose.litres.value == pytest.approx(150.8, abs=0.05)
    assert hose.minutes == pytest.approx(10.1, abs=0.05)
    rain = back_up(network, blocked="SA", source="D3", inflow=Inflow.rain(25.0, area_m2=30.0), ref=REF)
    assert rain.minutes == pytest.approx(12.1, abs=0.05)


def test_failed_soakaway_splits_a_storm() -> None:
    """Worked case. A 3 cm² crack under 0.150 m lets out 0.6 × 3e-4 × root(2 g 0.15) = 0.309 l/s:

    rain of 25 mm/h (0.208 l/s) all goes below ground; 75 mm/h (0.625) leaves 0.316 l/s to rise at G1.
    """
    network = soakaway_network()
    gentle = back_up(network, blocked="SA", source="D3", inflow=Inflow.rain(25.0, area_m2=30.0), ref=REF)
    assert [spill.node for spill in gentle.spills] == ["D3"]
    assert gentle.spills[0].takes_l_s == pytest.approx(0.309, abs=5e-4)
    assert gentle.spills[0].receives_l_s == pytest.approx(0.208, abs=5e-4)
    assert 9.640 < gentle.standing_m < 9.790
    storm = back_up(network, blocked="SA", source="D3", inflow=Inflow.rain(75.0, area_m2=30.0), ref=REF)
    assert [spill.node for spill in storm.spills] == ["D3", "G1"]
    assert storm.spills[0].receives_l_s == pytest.approx(0.309, abs=5e-4)
    assert storm.spills[1].receives_l_s == pytest.approx(0.316, abs=5e-4)
    assert storm.spills[1].minutes > storm.spills[0].minutes
    assert storm.standing_m == pytest.approx(9.790, abs=5e-4)


def test_short_hose_says_nothing() -> None:
    """Worked case. Two minutes at 0.25 l/s are 30 l, 20 % of 150.8: no information.

    To reach the first spill takes 10.1 minutes; a test worth having, half as much again, 15.
    """
    found = back_up(
        soakaway_network(), blocked="SA", source="G1", inflow=Inflow.steady(0.25, minutes=2), ref=REF
    )
    assert found.verdict.word == "no spill"
    said = sufficiency(30.0, found.litres, ref=REF)
    assert said.word == "no information"
    assert "20 %" in said.because
    pour = required_pour(found, rate_l_s=0.25, ref=REF)
    assert pour.to_spill_minutes == pytest.approx(10.1, abs=0.05)
    assert pour.wanted_minutes == pytest.approx(15.1, abs=0.05)
    assert sufficiency(pour.wanted_l, found.litres, ref=REF).word == "enough"


def test_part_blocked_run_spills_over_the_lip() -> None:
    """Worked case. The lip, 9.770, not the rim, 9.805. 2.5 m × 7.854 + 0.290 × 22.5 = 26.2 l."""
    found = back_up(kitchen_network(), source="K", ref=REF)
    assert (found.first, found.leaves) == ("K", "lip")
    assert found.level.value == pytest.approx(9.770, abs=5e-4)
    assert found.litres.value == pytest.approx(26.2, abs=0.05)
    assert found.passes_l_s == 0.02


@pytest.mark.parametrize(("litres", "over", "stands"), [(10.0, 25.0, 9.5), (20.0, 80.0, 18.4)])
def test_a_bowl_or_one_pump_out_does_not_spill(litres: float, over: float, stands: float) -> None:
    """Worked case. 10 l in 25 s less 0.5 passed is 9.5; 20 l in 80 s less 1.6 is 18.4; both below 26.2."""
    found = back_up(kitchen_network(), source="K", inflow=Inflow.pours(litres, over_s=over), ref=REF)
    assert found.verdict.word == "no spill"
    assert found.balance is not None
    assert found.balance.stored_l == pytest.approx(stands, abs=0.05)


@pytest.mark.parametrize(("passes", "spilled"), [(0.02, 5.0), (0.03, 0.0), (0.01, 19.4), (0.0, 33.8)])
def test_only_the_third_pump_out_spills(passes: float, spilled: float) -> None:
    """Worked case. 18.4, less 12 is 6.4; 24.8, less 12 is 12.8; 31.2 is 5.0 l over 26.2.

    With 0.03, 0.01 and no trickle 0, 19.4 and 33.8 l of the 60 spill.
    """
    found = three_pump_outs(passes)
    assert found.balance is not None
    assert found.balance.spilled_l == pytest.approx(spilled, abs=0.05)
    if passes == 0.02:
        assert found.balance.first_spill_s > 2 * 680.0


def test_lip_first_rim_close_behind() -> None:
    """Worked case. Back broken at 9.880, rim 9.895: +15 mm against 2 root(5² + 5²) = 14.1: just distinct."""
    tables = {
        "gully": table(
            {"id": "G3", "rim_level_m": 9.895, "lip_level_m": 9.880, "outlet_invert_level_m": 9.550,
             "state": "lip_broken", "riser_mm": 150.0, "level_sigma_m": 0.005},
        ),
        "run": table(run("F3", "G3", "", 9.550, 9.400, 6.0)),
    }  # fmt: skip
    network = build_network(tables, ref=REF)
    stop = Blockage(asset_id="F3", at_m=0.0)
    found = back_up(network, blocked=stop, source="G3", inflow=Inflow.steady(0.3, minutes=40), ref=REF)
    assert (found.first, found.leaves) == ("G3", "lip")
    assert found.level.value == pytest.approx(9.880, abs=5e-4)
    assert 1000 * found.rim_behind.value == pytest.approx(15.0, abs=0.5)
    assert 2000 * found.rim_behind.sigma == pytest.approx(14.1, abs=0.05)
    mended = next(change for change in found.changes if change.what.startswith("make the lip"))
    assert mended.then_level_m == pytest.approx(9.895, abs=5e-4)
    cleared = next(change for change in found.changes if change.what == "clear it")
    assert "runs off" in cleared.then


KITCHEN_CAVITY = table(
    {"id": "C1", "chainage_from_m": 1.1, "chainage_to_m": 1.5, "width_mm": 60.0, "base_level_m": 9.640,
     "debris_top_level_m": 9.930, "state": "debris", "level_sigma_m": 0.005},
    {"id": "C2", "chainage_from_m": 1.5, "chainage_to_m": 3.5, "width_mm": 60.0, "base_level_m": 9.640,
     "debris_top_level_m": math.nan, "state": "clear", "level_sigma_m": 0.005},
    {"id": "C3", "chainage_from_m": 3.5, "chainage_to_m": 3.7, "width_mm": 60.0, "base_level_m": 9.640,
     "debris_top_level_m": 9.800, "state": "debris", "level_sigma_m": 0.005},
)  # fmt: skip


def stations(start: float, end: float) -> pd.DataFrame:
    """Stations of 0.1 m."""
    marks = np.round(np.arange(round((end - start) * 10) + 1) / 10 + start, 3)
    return pd.DataFrame({"chainage_from_m": marks[:-1], "chainage_to_m": marks[1:]})


def opening(name: str, at: float, level: float, kind: str = "open_perpend") -> pd.DataFrame:
    """One hole in the wall."""
    return table(
        {"id": name, "opening_kind": kind, "chainage_from_m": at, "chainage_to_m": at, "sill_level_m": level,
         "level_sigma_m": 0.005}
    )  # fmt: skip


def at_wall(
    network: Network, found: BackUp, openings: pd.DataFrame, cavities: pd.DataFrame, ch: float
) -> WallWater:
    """The first spill at a chainage of the wall."""
    placed = replace(network, nodes=network.nodes.assign(chainage_m=ch))
    return reach_the_wall(found, placed, openings=openings, cavities=cavities, ref=REF)[0]


def dpc(*points: tuple[str, float, float]) -> pd.DataFrame:
    """Points of the damp proof courses, sigma 5 mm."""
    return pd.DataFrame(
        [
            {
                "leaf": leaf,
                "chainage_m": ch,
                "level_m": level,
                "level_sigma_m": 0.005,
                "state": "continuous",
                "lap": "not_seen",
            }
            for leaf, ch, level in points
        ]
    )


def kitchen_water() -> WallWater:
    """The third pump-out at the kitchen wall, gully at 2.2 m, a perpend open behind it at 9.740."""
    return at_wall(kitchen_network(), three_pump_outs(0.02), opening("P1", 2.2, 9.740), KITCHEN_CAVITY, 2.2)


def word_at(found: Crossings, way: str, chainage: float) -> tuple[str, float]:
    """Word and margin of one way at one chainage."""
    table_ = found.stations
    on = (
        (table_["way"] == way)
        & (table_["chainage_from_m"] <= chainage)
        & (table_["chainage_to_m"] > chainage)
    )
    row = table_[on].iloc[0]
    return str(row["word"]), float(row["margin_mm"])


def test_spill_enters_by_the_open_perpend() -> None:
    """Worked case. 9.770 at the lip against the perpend at 9.740: 30 mm over, sigma 7."""
    water = kitchen_water()
    assert water.verdict.word == "yes"
    assert water.verdict.margin == pytest.approx(30.0, abs=0.5)
    assert water.entries[0].opening_id == "P1"


def test_litres_between_dams() -> None:
    """Worked case. 5.04 l between dams at 1.1-1.5 and 3.5-3.7, cavity 0.060 m: 35 mm over 2.4 m, 9.675.

    That takes the debris at 1.1-1.5 as all voids and that at 3.5-3.7 as none. How much debris holds is
    not known: none of it, 2.0 m between the near faces, gives 42 mm, 9.682; all of it, 2.6 m out to the
    far faces, 32 mm, 9.672. The level lies between, 9.675 with it; so do the litres to the perpend, 100 mm
    up: 12.0 to 15.6, the 14.4 of 2.4 m between. No rule for which dam is porous gives 9.675 alone.
    """
    water = kitchen_water()
    (tank,) = water.tanks
    assert (tank.chainage_from_m, tank.chainage_to_m) == (1.5, 3.5)
    low, high = tank.after_between_m
    assert (low, high) == (pytest.approx(9.672, abs=5e-4), pytest.approx(9.682, abs=5e-4))
    assert tank.after_m == high
    assert low < 9.675 < high
    assert tank.bound.value == pytest.approx(9.770, abs=5e-4)
    to_perpend = tank_at(KITCHEN_CAVITY, 2.2, head=Measured(9.740, 0.005))
    assert to_perpend is not None
    assert to_perpend.full_between_l == (pytest.approx(12.0, abs=0.05), pytest.approx(15.6, abs=0.05))
    thin = KITCHEN_CAVITY.assign(chainage_from_m=[1.1, 1.1, 3.5], chainage_to_m=[1.1, 3.5, 3.5])
    wide = tank_at(thin, 2.2, head=Measured(9.740, 0.005), litres=5.04)
    assert wide is not None
    assert wide.after_between_m == (pytest.approx(9.675, abs=5e-4),) * 2
    assert wide.full_l == pytest.approx(14.4, abs=0.05)


def test_wet_patch_lies_away_from_the_gully() -> None:
    """Worked case. At most 9.770 stands in the cavity: 105 mm below the inner damp proof course, 80

    below the soffit; the debris at 1.1-1.5 stands 55 mm over it. The gully is at 2.2: a crossing
    0.7-1.1 m from it and none opposite.
    """
    section = wall_section(
        stations(0.0, 5.0),
        dpc_points=dpc(
            ("outer", 0.0, 9.900), ("outer", 6.0, 9.900), ("inner", 0.0, 9.875), ("inner", 6.0, 9.875)
        ),
        cavities=KITCHEN_CAVITY,
        floors=pd.DataFrame(
            [{"top_level_m": 10.0, "soffit_level_m": 9.850, "level_sigma_m": 0.005, "edge": "contact"}]
        ),
        ref=REF,
    )
    found = cross(section, kitchen_water(), ref=REF)
    assert word_at(found, "K2", 2.25) == ("no", pytest.approx(-105.0, abs=0.5))
    assert word_at(found, "K4", 2.25) == ("no", pytest.approx(-80.0, abs=0.5))
    assert word_at(found, "K3", 1.25) == ("yes", pytest.approx(55.0, abs=0.5))
    assert word_at(found, "K3", 2.25)[0] == "no"
    yes = found.lengths[found.lengths["word"] == "yes"]
    assert yes[["way", "chainage_from_m", "chainage_to_m"]].to_numpy().tolist() == [["K3", 1.1, 1.5]]


def test_cavity_flood_below_every_barrier() -> None:
    """Worked case. Water at 9.640 over a cavity base of 9.600 stands 40 mm deep: 235 mm below the inner

    damp proof course at 9.875 and 210 below the soffit at 9.850: by level alone it cannot pass.
    """
    network = soakaway_network()
    result = back_up(network, blocked="SA", source="D3", ref=REF)
    cavity = table(
        {"id": "C", "chainage_from_m": 0.0, "chainage_to_m": 4.0, "width_mm": 50.0, "base_level_m": 9.600,
         "debris_top_level_m": math.nan, "closed_at_from": "yes", "closed_at_to": "yes", "level_sigma_m": 0.005}
    )  # fmt: skip
    water = at_wall(network, result, pd.DataFrame(), cavity, 2.0)
    assert water.below_ground
    (tank,) = water.tanks
    assert 1000 * (tank.bound.value - tank.base_m) == pytest.approx(40.0, abs=0.5)
    (entry,) = water.entries
    assert (entry.kind, entry.quick, entry.verdict.word) == ("brick", False, "yes")
    section = wall_section(
        stations(0.0, 4.0),
        dpc_points=dpc(
            ("outer", 0.0, 9.975), ("outer", 4.0, 9.975), ("inner", 0.0, 9.875), ("inner", 4.0, 9.875)
        ),
        cavities=cavity,
        floors=pd.DataFrame(
            [{"top_level_m": 10.0, "soffit_level_m": 9.850, "level_sigma_m": 0.005, "edge": "contact"}]
        ),
        ref=REF,
    )
    found = cross(section, water, ref=REF)
    assert word_at(found, "K2", 2.05) == ("no", pytest.approx(-235.0, abs=0.5))
    assert word_at(found, "K4", 2.05) == ("no", pytest.approx(-210.0, abs=0.5))
    assert "yes" not in set(found.stations["word"])


STEP_CAVITY = table(
    {"id": "C1", "chainage_from_m": 4.0, "chainage_to_m": 4.6, "width_mm": 50.0, "base_level_m": 9.650,
     "debris_top_level_m": 9.960, "level_sigma_m": 0.020, "closed_at_to": "no"},
    {"id": "C2", "chainage_from_m": 4.6, "chainage_to_m": 9.0, "width_mm": 50.0, "base_level_m": 9.650,
     "debris_top_level_m": math.nan, "level_sigma_m": 0.005, "closed_at_to": "yes"},
)  # fmt: skip
STEP_DPC = dpc(
    ("outer", 0.0, 9.900), ("outer", 5.0, 9.900), ("outer", 5.0, 10.050), ("outer", 9.0, 10.050),
    ("inner", 0.0, 9.925), ("inner", 9.0, 9.925),
)  # fmt: skip


def stepped_wall() -> tuple[WallWater, pd.DataFrame]:
    """A gully at 6.2 m, back broken at 9.880; a perpend behind it at 9.860; the outer course steps at 5.0."""
    tables = {
        "gully": table(
            {"id": "G3", "rim_level_m": 9.895, "lip_level_m": 9.880, "outlet_invert_level_m": 9.550,
             "state": "lip_broken", "riser_mm": 150.0, "level_sigma_m": 0.005},
        ),
        "run": table(run("F3", "G3", "", 9.550, 9.400, 6.0)),
    }  # fmt: skip
    network = build_network(tables, ref=REF)
    hose = Inflow.steady(0.3, minutes=40)
    result = back_up(network, blocked=Blockage(asset_id="F3", at_m=0.0), source="G3", inflow=hose, ref=REF)
    water = at_wall(network, result, opening("P", 6.2, 9.860), STEP_CAVITY, 6.2)
    section = wall_section(
        stations(0.0, 9.0),
        dpc_points=STEP_DPC,
        cavities=STEP_CAVITY,
        floors=pd.DataFrame(
            [{"top_level_m": 10.0, "soffit_level_m": 9.850, "level_sigma_m": 0.010, "edge": "contact"}]
        ),
        ground=pd.DataFrame({"chainage_m": [5.0, 9.0], "level_m": [9.905, 9.905], "sigma_m": [0.005, 0.005]}),
        ref=REF,
    )
    return water, section


def test_stepped_wall_tank() -> None:
    """Worked case. 0.230 × 0.050 × 4.4 m = 50.6 l, 2.8 minutes at 0.3 l/s; then held at 9.880 by the spill."""
    water, _ = stepped_wall()
    (tank,) = water.tanks
    assert (tank.chainage_from_m, tank.chainage_to_m, tank.open_ended) == (4.6, 9.0, False)
    assert tank.full_l == pytest.approx(50.6, abs=0.05)
    assert tank.full_minutes == pytest.approx(2.8, abs=0.05)
    # Between the faces the least; out to the far face of the debris at 4.0 m, 0.6 × 0.050 × 0.230 more.
    assert tank.full_between_l == (pytest.approx(50.6, abs=0.05), pytest.approx(57.5, abs=0.05))
    assert (tank.bound.value, tank.held_by) == (pytest.approx(9.880, abs=5e-4), "the spill")
    assert tank.after_m == pytest.approx(9.880, abs=5e-4)


def test_stepped_wall_crossings() -> None:
    """Worked case, margins in mm. K1 9.880 − 10.050 = −170 no. K2 9.880 − 9.925 = −45, sigma 7, no.

    K4 9.880 − 9.850 = +30, sigma root(5² + 10²) = 11.2, 2.7 sigma, and the slab 75 over: yes from 4.6
    to 9.0. K3 at 4.0-4.6 9.960 − 9.925 = +35, sigma root(20² + 5²) = 20.6, 1.7 sigma: not known. K6 at
    5.0 free water −20, lap not seen: not known.
    """
    water, section = stepped_wall()
    found = cross(section, water, ref=REF)
    assert word_at(found, "K1", 6.25) == ("no", pytest.approx(-170.0, abs=0.5))
    assert word_at(found, "K2", 6.25) == ("no", pytest.approx(-45.0, abs=0.5))
    lengths = found.lengths.set_index(["way", "word"])
    bridge = lengths.loc[("K4", "yes")]
    assert (bridge["margin_mm"], bridge["sigma_mm"]) == (
        pytest.approx(30.0, abs=0.5),
        pytest.approx(11.2, abs=0.05),
    )
    assert bridge["chainage_to_m"] == 9.0
    debris = lengths.loc[("K3", "not known")]
    assert (debris["chainage_from_m"], debris["chainage_to_m"]) == (4.0, 4.6)
    assert (debris["margin_mm"], debris["sigma_mm"]) == (
        pytest.approx(35.0, abs=0.5),
        pytest.approx(20.6, abs=0.05),
    )
    assert debris["settle"].startswith("Take out two bricks")
    step = found.stations[found.stations["way"] == "K6"]
    assert step["word"].tolist() == ["not known"]
    assert step["chainage_from_m"].tolist() == [5.0]
    assert "lap" in step["settle"].iloc[0]
    assert not ((found.stations["way"] == "K2") & (found.stations["word"] == "yes")).any()


def test_stepped_wall_bridge_begins_at_the_debris() -> None:
    """Worked case. The floor is bridged where free water stands, 4.6 to 9.0; the wet debris is K3's."""
    water, section = stepped_wall()
    bridge = cross(section, water, ref=REF).lengths.set_index(["way", "word"]).loc[("K4", "yes")]
    assert bridge["chainage_from_m"] == 4.6


def test_stepped_wall_cleaning_levels() -> None:
    """Worked case. 150 mm below the lower course: 9.750 left of the step (9.900), 9.775 right of it (9.925)."""
    _, section = stepped_wall()
    level = cleaning_levels(section, ref=REF)
    assert level[section["chainage_to_m"] <= 5.0].to_numpy() == pytest.approx(9.750, abs=5e-4)
    assert level[section["chainage_from_m"] >= 5.0].to_numpy() == pytest.approx(9.775, abs=5e-4)


def test_stepped_wall_smallest_changes() -> None:
    """Worked case. Cutting the slab edge free closes K4; clearing debris to 9.750 closes K3."""
    water, section = stepped_wall()
    remedies = {remedy.way: remedy for remedy in smallest_changes(section, water, ref=REF)}
    assert "K4" not in remedies["K4"].still_open
    assert "K3" not in remedies["K3"].still_open
    assert "9.750" in remedies["K3"].what
    assert remedies["K6"].what.startswith("build in")
