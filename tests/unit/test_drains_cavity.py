"""Spilled water at the wall: pools, entries, tanks between dams and what overtops them."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
import pytest

from geo import reference
from geo.drains.backup import BackUp, back_up
from geo.drains.cavity import Pool, WallWater, reach_the_wall, tank_at
from geo.drains.network import Network, build_network
from geo.verdict import NOT_KNOWN, Measured

REF = reference.default()
HEAD = Measured(9.800, 0.005)


def cavity(*rows: tuple[str, float, float, float, float, str]) -> pd.DataFrame:
    """Lengths of cavity 50 mm wide: id, from, to, base, debris top, closed at its end."""
    return pd.DataFrame(
        [
            {
                "id": name,
                "chainage_from_m": a,
                "chainage_to_m": b,
                "width_mm": 50.0,
                "base_level_m": base,
                "debris_top_level_m": top,
                "closed_at_from": shut,
                "closed_at_to": shut,
                "level_sigma_m": 0.005,
            }
            for name, a, b, base, top, shut in rows
        ]
    ).set_index("id", drop=False)


DAMMED = cavity(
    ("A", 0.0, 2.0, 9.6, math.nan, "no"),
    ("DAM", 2.0, 2.5, 9.6, 9.70, "no"),
    ("B", 2.5, 4.5, 9.6, math.nan, "no"),
    ("END", 4.5, 5.0, 9.6, 9.95, "no"),
)


def holes(*rows: tuple[str, str, float, float]) -> pd.DataFrame:
    """Openings: id, kind, chainage, level."""
    return pd.DataFrame(
        [
            {
                "id": name,
                "opening_kind": kind,
                "chainage_from_m": at,
                "chainage_to_m": at,
                "sill_level_m": level,
                "level_sigma_m": 0.005,
            }
            for name, kind, at, level in rows
        ]
    ).set_index("id", drop=False)


def spilled() -> tuple[Network, BackUp]:
    """A blocked gully at 3.0 m of the wall that spills at 9.800."""
    gully: dict[str, Any] = {"id": "G", "rim_level_m": 9.8, "outlet_invert_level_m": 9.5, "riser_mm": 150.0,
                             "state": "sound", "chainage_m": 3.0, "level_sigma_m": 0.005}  # fmt: skip
    run = {"id": "R", "from_id": "G", "to_id": "", "bore_mm": 100.0, "invert_up_level_m": 9.5,
           "invert_down_level_m": 9.4, "length_m": 5.0, "state": "clear"}  # fmt: skip
    network = build_network({"gully": pd.DataFrame([gully]), "run": pd.DataFrame([run])}, ref=REF)
    return network, back_up(network, blocked="R", source="G", ref=REF)


def at_wall(openings: pd.DataFrame, cavities: pd.DataFrame, **more: Any) -> WallWater:
    """The spill at the wall."""
    network, result = spilled()
    return reach_the_wall(result, network, openings=openings, cavities=cavities, ref=REF, **more)[0]


def test_openings_are_entered_by_their_level() -> None:
    """Head 9.800: in at 9.75, not at 9.85, not known at 9.795; an unlevelled one asks for its level; one beyond 1 m is not asked."""
    openings = holes(("P", "open_perpend", 3.0, 9.75), ("V", "vent", 3.2, 9.85), ("W", "weep", 2.8, 9.795),
                     ("H", "pipe_hole", 3.1, math.nan), ("FAR", "vent", 6.0, 9.6))  # fmt: skip
    water = at_wall(openings, pd.DataFrame())
    words = {entry.opening_id: entry.verdict.word for entry in water.entries}
    assert words == {"P": "yes", "W": NOT_KNOWN, "V": "no", "H": NOT_KNOWN}
    assert water.verdict.word == "yes"
    assert not water.pool_known


def test_a_place_by_the_origin_corner_wets_both_sides_of_it() -> None:
    """From 2.0 to 4.0 m of a ring of 3.5 m passes the corner: an opening at 0.3 m is wetted."""
    openings = holes(("P", "open_perpend", 0.3, 9.75)).assign(ring_key="")
    network, result = spilled()
    network.nodes["ring_key"] = "house"
    with_ring = reach_the_wall(
        result, network, openings=openings, cavities=pd.DataFrame(), ref=REF, ring_lengths={"house": 3.5}
    )
    assert [entry.opening_id for entry in with_ring[0].entries] == ["P"]
    without = reach_the_wall(result, network, openings=openings, cavities=pd.DataFrame(), ref=REF)
    assert without[0].entries == ()


def test_a_pool_on_the_ground_drowns_the_rim() -> None:
    """The ground holds the spill to 9.86 from 1 to 8 m: that is the head, and it reaches further along the wall."""
    asked: list[tuple[str, float]] = []

    def ground(node: str, level: Measured, litres: float) -> Pool:
        asked.append((node, level.value))
        return Pool(level=Measured(9.86, 0.01), ring_key="", chainage_from_m=1.0, chainage_to_m=8.0)

    water = at_wall(holes(("FAR", "vent", 6.0, 9.6)), pd.DataFrame(), ground_pool=ground)
    assert asked == [("G", 9.8)]
    assert (water.drowned, water.head.value, water.pool_known) == (True, 9.86, True)
    assert water.entries[0].verdict.word == "yes"


def test_nothing_recorded_is_not_an_all_clear() -> None:
    """Without openings and without a look into the cavity it is not known whether water gets in."""
    water = at_wall(pd.DataFrame(), pd.DataFrame())
    assert water.verdict.word == NOT_KNOWN
    assert water.verdict.settle


def test_a_low_dam_is_overtopped() -> None:
    """Head 9.800, dam 9.70: both lengths fill. 0.2 × 0.05 × 4 m = 40 l, and 0.1 × 0.05 × 0.5 = 2.5 over the dam."""
    tank = tank_at(DAMMED, 3.0, head=HEAD)
    assert tank is not None
    assert tank.overtopped == ("DAM",)
    assert tank.full_l == pytest.approx(42.5)
    assert tank.open_ended


@pytest.mark.parametrize(
    ("litres", "level"), [(5.0, 9.65), (10.0, 9.70), (15.0, 9.70), (20.0, 9.70), (31.25, 9.75)]
)
def test_a_dam_holds_until_the_other_side_is_full(litres: float, level: float) -> None:
    """Each side takes 10 l to the dam's top: to 10 the first rises, to 20 the other fills, then both and the dam: 4.5 m × 0.05 = 22.5 l for 0.1 m."""
    tank = tank_at(DAMMED, 3.0, head=HEAD, litres=litres)
    assert tank is not None
    assert tank.after_m == pytest.approx(level, abs=1e-6)


def test_an_opening_beyond_the_wet_wall_lets_it_out() -> None:
    """A weep at 9.66, at 4.2 m, beyond the wetted 2.5-3.5: the water leaves there before it tops the dam."""
    tank = tank_at(DAMMED, 3.0, head=HEAD, openings=holes(("W", "weep", 4.2, 9.66)), wet=(2.5, 3.5))
    assert tank is not None
    assert (tank.bound.value, tank.held_by, tank.overtopped) == (9.66, "W", ())


def test_closed_ends_make_a_tank() -> None:
    """Closed at both ends: 3 m × 0.05 × 0.2 = 30 l, and it is the whole tank."""
    tank = tank_at(cavity(("A", 1.0, 4.0, 9.6, math.nan, "yes")), 2.0, head=HEAD, rate_l_s=0.5)
    assert tank is not None
    assert (tank.full_l, tank.full_minutes, tank.open_ended) == (
        pytest.approx(30.0),
        pytest.approx(1.0),
        False,
    )


def test_a_cavity_whose_base_was_not_seen() -> None:
    """Without a base there is no tank to speak of."""
    assert tank_at(cavity(("A", 1.0, 4.0, math.nan, math.nan, "no")), 2.0, head=HEAD) is None
