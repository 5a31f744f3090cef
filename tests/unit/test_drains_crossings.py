"""The seven ways past the barrier, one by one."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geo import reference
from geo.crossings import SETTLE, WAYS, cross, smallest_changes, wall_section
from geo.drains.cavity import Tank, WallWater
from geo.verdict import NOT_KNOWN, Measured, Verdict

REF = reference.default()
STATIONS = pd.DataFrame({"chainage_from_m": [0.0, 1.0, 2.0, 3.0], "chainage_to_m": [1.0, 2.0, 3.0, 4.0]})


def points(*rows: tuple[str, float, float], state: str = "continuous", lap: str = "not_seen") -> pd.DataFrame:
    """Points of the damp proof courses, sigma 5 mm."""
    return pd.DataFrame(
        [
            {"leaf": leaf, "chainage_m": ch, "level_m": z, "level_sigma_m": 0.005, "state": state, "lap": lap}
            for leaf, ch, z in rows
        ]
    )


LEVEL = points(("outer", 0.0, 9.90), ("outer", 4.0, 9.90), ("inner", 0.0, 9.95), ("inner", 4.0, 9.95))


def water(level: float, start: float = 0.0, end: float = 4.0, *, below_ground: bool = False) -> WallWater:
    """Water at one level outside and in the cavity."""
    tank = Tank(
        ring_key="", chainage_from_m=start, chainage_to_m=end, wet_from_m=start, wet_to_m=end, open_ended=False,
        base_m=9.6, bound=Measured(level, 0.005), held_by="the spill", after_m=math.nan, full_l=math.nan,
        full_minutes=math.nan, overtopped=(), rests_on=(),
    )  # fmt: skip
    return WallWater(
        node="G", below_ground=below_ground, head=Measured(level, 0.005), pool_known=True, drowned=False, ring_key="",
        chainage_from_m=start, chainage_to_m=end, entries=(), tanks=(tank,), verdict=Verdict(word="yes", because="x"),
    )  # fmt: skip


def words(way: str, water_: WallWater | None, **section: Any) -> list[str]:
    """The word of one way at every station that has it."""
    section.setdefault("dpc_points", LEVEL)
    table = cross(wall_section(STATIONS, ref=REF, **section), water_, ref=REF).stations
    return list(table.loc[table["way"] == way, "word"])


def test_every_way_has_its_words() -> None:
    """Seven ways, each with what would settle it."""
    assert list(WAYS) == list(SETTLE) == [f"K{i}" for i in range(1, 8)]


@pytest.mark.parametrize(("level", "word"), [(9.95, "yes"), (9.905, NOT_KNOWN), (9.85, "no")])
def test_water_over_the_outer_course(level: float, word: str) -> None:
    """Course at 9.90, sigma root(5² + 5²): 50 mm over, 5 mm over, 50 mm under; only where it is wet."""
    assert words("K1", water(level, 1.0, 3.0)) == ["no", word, word, "no"]


def test_water_below_ground_presses_on_no_outer_course() -> None:
    """Water that leaves below ground is not in front of the wall; it may be in the cavity."""
    assert words("K1", water(9.99, below_ground=True)) == ["no"] * 4
    assert words("K2", water(9.99, below_ground=True)) == ["yes"] * 4


def test_where_there_is_no_course_nothing_holds_it() -> None:
    """A course seen to be absent is no barrier, whatever the margin."""
    gone = points(
        ("outer", 0.0, 9.9), ("outer", 4.0, 9.9), ("inner", 0.0, 9.95), ("inner", 4.0, 9.95), state="absent"
    )
    assert words("K2", water(9.7), dpc_points=gone) == ["yes"] * 4


def test_an_unseen_course_is_not_known() -> None:
    """Not seen, or beyond the last point levelled: not known, with what to level."""
    short = points(("outer", 0.0, 9.9), ("outer", 4.0, 9.9), ("inner", 0.0, 9.95), ("inner", 2.0, 9.95))
    assert words("K2", water(9.7), dpc_points=short) == ["no", "no", NOT_KNOWN, NOT_KNOWN]
    unseen = points(("inner", 0.0, 9.95), ("inner", 4.0, 9.95), state="not_seen")
    assert words("K2", water(9.7), dpc_points=unseen) == [NOT_KNOWN] * 4


def test_the_course_closes_round_the_ring() -> None:
    """Points at 1 and 3 m of a ring of 4 m: the course runs on over the origin corner."""
    two = points(("outer", 1.0, 9.9), ("outer", 3.0, 9.9), ("inner", 1.0, 9.95), ("inner", 3.0, 9.95))
    section = wall_section(STATIONS, dpc_points=two, ring_length_m=4.0, ref=REF)
    assert section["inner_dpc"].to_numpy() == pytest.approx(9.95)
    assert np.isnan(wall_section(STATIONS, dpc_points=two, ref=REF)["inner_dpc"]).sum() == 2


def floor(**more: Any) -> pd.DataFrame:
    """A floor at 10.0 on a soffit of 9.85."""
    return pd.DataFrame(
        [{"top_level_m": 10.0, "soffit_level_m": 9.85, "level_sigma_m": 0.005, "edge": "contact", **more}]
    )


def test_a_floor_bridges_only_in_contact() -> None:
    """Water 30 mm over the soffit and the slab 50 mm over the course: yes in contact, no held off, else not known."""
    assert words("K4", water(9.88), floors=floor()) == ["yes"] * 4
    assert words("K4", water(9.88), floors=floor(edge="isolated")) == ["no"] * 4
    assert words("K4", water(9.88), floors=floor(edge="not_known")) == [NOT_KNOWN] * 4
    assert words("K4", water(9.80), floors=floor()) == ["no"] * 4
    assert words("K4", water(9.88), floors=floor(top_level_m=9.90)) == ["no"] * 4


def test_a_finish_below_the_course() -> None:
    """Plaster to the floor, 10.0, lies over a course at 9.95: no; a course at 10.1 is passed by 100 mm."""
    plaster = pd.DataFrame(
        [
            {
                "side": "inside",
                "chainage_from_m": 0.0,
                "chainage_to_m": 4.0,
                "height_from_m": 0.0,
                "floor_gap_mm": 0.0,
            }
        ]
    )
    assert words("K5", water(9.7), floors=floor(), finishes=plaster) == ["no"] * 4
    high = points(("outer", 0.0, 9.9), ("outer", 4.0, 9.9), ("inner", 0.0, 10.1), ("inner", 4.0, 10.1))
    assert words("K5", water(9.7), floors=floor(), finishes=plaster, dpc_points=high) == ["yes"] * 4


@pytest.mark.parametrize(("lap", "word"), [("seen", "no"), ("absent", "yes"), ("not_seen", NOT_KNOWN)])
def test_a_step_by_its_lap(lap: str, word: str) -> None:
    """A step at 2.0 m of wet brickwork: closed by a lap that was seen, open without one."""
    step = points(
        ("outer", 0.0, 9.9), ("outer", 2.0, 9.9), ("outer", 2.0, 10.05), ("outer", 4.0, 10.05), lap=lap
    )
    assert words("K6", water(9.7), dpc_points=step) == [word]


def test_ground_over_the_course_needs_no_spill() -> None:
    """Ground 40 mm over the outer course bridges it, water or not; unlevelled ground is not known."""
    ground = pd.DataFrame({"chainage_m": [0.0, 2.0], "level_m": [9.94, 9.94], "sigma_m": [0.005, 0.005]})
    assert words("K7", None, ground=ground) == ["yes", "yes", NOT_KNOWN, NOT_KNOWN]


def test_the_smallest_change_is_just_enough() -> None:
    """Ground 40 mm over, sigma 7.07: 40 + 14.1 = 54.1 mm lower and the answer is no."""
    ground = pd.DataFrame({"chainage_m": [0.0, 4.0], "level_m": [9.94, 9.94], "sigma_m": [0.005, 0.005]})
    section = wall_section(STATIONS, dpc_points=LEVEL, ground=ground, ref=REF)
    (remedy,) = [r for r in smallest_changes(section, None, ref=REF) if r.way == "K7"]
    assert remedy.by_mm == pytest.approx(54.14, abs=0.01)
    assert remedy.still_open == ()
    assert (remedy.chainage_from_m, remedy.chainage_to_m) == (0.0, 4.0)


def test_nothing_is_changed_in_what_is_given() -> None:
    """The section handed in is the same afterwards."""
    section = wall_section(STATIONS, dpc_points=LEVEL, floors=floor(), ref=REF)
    before = section.copy(deep=True)
    smallest_changes(section, water(9.96), ref=REF)
    pd.testing.assert_frame_equal(section, before)


def test_more_error_only_moves_to_not_known() -> None:
    """With sigmas of 100 mm no answer turns from yes to no or back."""
    section = wall_section(STATIONS, dpc_points=LEVEL, floors=floor(), ref=REF)
    loose = section.assign(**{name: 0.1 for name in section if str(name).endswith("_sigma")})
    sure = cross(section, water(9.96), ref=REF).stations
    unsure = cross(loose, water(9.96), ref=REF).stations
    assert all(b in (a, NOT_KNOWN) for a, b in zip(sure["word"], unsure["word"], strict=True))
