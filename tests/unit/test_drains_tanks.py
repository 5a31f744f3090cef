"""Water that enters the cavity over debris, and what porous debris holds."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from geo import reference
from geo.crossings import cross, wall_section
from geo.drains.cavity import Tank, WallWater, tank_at, tanks_at
from geo.verdict import NOT_KNOWN, Measured, Verdict

REF = reference.default()
HEAD = Measured(9.800, 0.005)


def cavity(*rows: tuple[str, float, float, float, str, str]) -> pd.DataFrame:
    """Lengths of cavity 50 mm wide on a base of 9.600: id, from, to, debris top, closed at from, at to."""
    return pd.DataFrame(
        [
            {"id": name, "chainage_from_m": a, "chainage_to_m": b, "width_mm": 50.0, "base_level_m": 9.6,
             "debris_top_level_m": top, "closed_at_from": left, "closed_at_to": right, "level_sigma_m": 0.005}
            for name, a, b, top, left, right in rows
        ]
    ).set_index("id", drop=False)  # fmt: skip


BOTH = cavity(
    ("A", 0.0, 2.0, math.nan, "yes", "no"),
    ("DAM", 2.0, 3.0, 9.95, "no", "no"),
    ("B", 3.0, 7.0, math.nan, "no", "yes"),
)


def test_over_debris_either_side_may_fill() -> None:
    """Entering at 2.5 over a dam higher than the head, water may run to 0-2 or to 3-7: both are said.

    10 l: 0.100 m deep over 2.0 × 0.05 m, or 0.050 over 4.0 × 0.05; or none on the side it did not take.
    """
    left, right = tanks_at(BOTH, 2.5, head=HEAD, litres=10.0)
    assert [(t.chainage_from_m, t.chainage_to_m, t.takes) for t in (left, right)] == [
        (0.0, 2.0, NOT_KNOWN),
        (3.0, 7.0, NOT_KNOWN),
    ]
    assert left.after_between_m == (9.6, pytest.approx(9.700))
    assert right.after_between_m == (9.6, pytest.approx(9.650))
    assert "over DAM and may run to either side" in left.because
    assert left.settle.startswith("Look into the cavity on both sides of DAM")
    worse = tank_at(BOTH, 2.5, head=HEAD, litres=10.0)
    assert worse is not None
    assert worse.chainage_to_m == 2.0


@pytest.mark.parametrize("at", [2.0, 2.2, 2.8, 3.0])
def test_where_over_the_debris_does_not_matter(at: float) -> None:
    """Nearer one face than the other is no reason to pick that side."""
    assert len(tanks_at(BOTH, at, head=HEAD)) == 2


def test_beside_the_debris_it_is_known() -> None:
    """At 1.9 it falls into 0-2, at 3.1 into 3-7."""
    (left,) = tanks_at(BOTH, 1.9, head=HEAD)
    (right,) = tanks_at(BOTH, 3.1, head=HEAD)
    assert (left.chainage_to_m, left.takes, right.chainage_from_m, right.takes) == (2.0, "yes", 3.0, "yes")


def test_debris_against_a_closed_end_leaves_one_way() -> None:
    """A dam from 2 to 3 with the cavity closed at 3: water entering at 2.5 can only run to 0-2."""
    table = cavity(("A", 0.0, 2.0, math.nan, "yes", "no"), ("DAM", 2.0, 3.0, 9.95, "no", "yes"))
    (tank,) = tanks_at(table, 2.5, head=HEAD, litres=10.0)
    assert (tank.chainage_to_m, tank.takes) == (2.0, "yes")


def test_a_side_nobody_looked_into_is_not_known() -> None:
    """With nothing recorded beyond the dam water may run there: the tank that is known may stay empty."""
    table = cavity(("A", 0.0, 2.0, math.nan, "yes", "no"), ("DAM", 2.0, 3.0, 9.95, "no", "no"))
    (tank,) = tanks_at(table, 2.5, head=HEAD, litres=10.0)
    assert (tank.chainage_to_m, tank.takes) == (2.0, NOT_KNOWN)


def test_low_debris_is_one_water() -> None:
    """A dam of 9.700 under a head of 9.800 is overtopped whichever side fills first: one tank, 0-7.

    Full to 9.800 it takes 0.05 × (2 + 4) × 0.2 and 0.05 × 1 × 0.1 over the dam: 60 + 5 = 65 l.
    """
    table = BOTH.assign(debris_top_level_m=[math.nan, 9.7, math.nan])
    (tank,) = tanks_at(table, 2.5, head=HEAD)
    assert (tank.chainage_from_m, tank.chainage_to_m, tank.takes) == (0.0, 7.0, "yes")
    assert tank.full_l == pytest.approx(65.0)


def test_debris_holds_from_nothing_to_all() -> None:
    """At 1.0 m, 8 l between the faces of 0-2 stand 80 mm; the dam beyond, 1 m more, holding all, 53 mm."""
    (tank,) = tanks_at(BOTH, 1.0, head=HEAD, litres=8.0)
    assert tank.after_m == pytest.approx(9.680)
    assert tank.after_between_m == (pytest.approx(9.6 + 8.0 / 150.0), pytest.approx(9.680))
    assert tank.full_between_l == (pytest.approx(20.0), pytest.approx(30.0))


def test_a_tank_that_may_stay_empty_crosses_nothing_for_sure() -> None:
    """Water 50 mm over the inner course on a side it may not have run to: not known, and where to look."""
    tanks = tanks_at(BOTH, 2.5, head=HEAD)
    water = WallWater(
        node="G", below_ground=True, head=HEAD, pool_known=True, drowned=False, ring_key="", chainage_from_m=2.4,
        chainage_to_m=2.6, entries=(), tanks=tanks, verdict=Verdict(word="yes", because="x"),
    )  # fmt: skip
    marks = np.arange(8.0)
    stations = pd.DataFrame({"chainage_from_m": marks[:-1], "chainage_to_m": marks[1:]})
    points = pd.DataFrame(
        [
            {
                "leaf": leaf,
                "chainage_m": ch,
                "level_m": 9.75,
                "level_sigma_m": 0.005,
                "state": "continuous",
                "lap": "",
            }
            for leaf in ("outer", "inner")
            for ch in (0.0, 7.0)
        ]
    )
    section = wall_section(stations, dpc_points=points, cavities=BOTH, ref=REF)
    table = cross(section, water, ref=REF).stations
    k2 = table[(table["way"] == "K2") & table["chainage_from_m"].isin([0.0, 1.0, 3.0])]
    assert set(k2["word"]) == {NOT_KNOWN}
    assert k2["because"].str.contains("if water comes so far").all()
    assert k2["settle"].str.startswith("Look into the cavity on both sides").all()
    known = cross(
        section,
        WallWater(**{f: getattr(water, f) for f in water.__slots__} | {"tanks": (sure(tanks[0]),)}),
        ref=REF,
    )
    assert set(known.stations.query("way == 'K2' and chainage_from_m < 2")["word"]) == {"yes"}


def sure(tank: Tank) -> Tank:
    """The same tank, known to take the water."""
    (one,) = tanks_at(BOTH, (tank.chainage_from_m + tank.chainage_to_m) / 2, head=HEAD)
    return one
