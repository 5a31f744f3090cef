"""Whatever is missing on a wall, each answer is a plain sentence and each "not known" says what to do."""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from geo import reference
from geo.crossings import WAYS, cross, smallest_changes, wall_section
from geo.drains.cavity import Tank, WallWater
from geo.verdict import NOT_KNOWN, Measured, Verdict

REF = reference.default()
ODD = re.compile(r"\b(?:nan|None|inf)\b")
level = st.one_of(st.just(math.nan), st.integers(9700, 10100).map(lambda mm: mm / 1000))
MARKS = np.arange(5.0)
STATIONS = pd.DataFrame({"chainage_from_m": MARKS[:-1], "chainage_to_m": MARKS[1:]})


@st.composite
def walls(draw: st.DrawFn) -> pd.DataFrame:
    """Draw a wall of four stations on which any level may be missing, any state known or not."""

    def points(leaf: str) -> list[dict[str, Any]]:
        state = draw(st.sampled_from(["continuous", "gap", "absent", "not_seen"]))
        at = [0.0, 2.0, 2.0, 4.0] if leaf == "outer" else [0.0, 4.0]
        lap = draw(st.sampled_from(["seen", "absent", "not_seen", ""]))
        return [{"leaf": leaf, "chainage_m": ch, "level_m": draw(level), "level_sigma_m": 0.005, "state": state,
                 "lap": lap} for ch in at]  # fmt: skip

    floors = pd.DataFrame(
        [{"top_level_m": draw(level), "soffit_level_m": draw(level), "level_sigma_m": 0.005,
          "edge": draw(st.sampled_from(["contact", "isolated", "not_known"])),
          "floor_kind": draw(st.sampled_from(["solid", "suspended_timber", "suspended_concrete", "not_known"]))}]
    )  # fmt: skip
    cavities = pd.DataFrame(
        [{"chainage_from_m": 0.0, "chainage_to_m": 3.0, "base_level_m": 9.6, "debris_top_level_m": draw(level),
          "level_sigma_m": 0.01}]
    )  # fmt: skip
    finishes = pd.DataFrame(
        [{"side": "inside", "chainage_from_m": 0.0, "chainage_to_m": 4.0, "floor_gap_mm": math.nan,
          "height_from_m": draw(st.one_of(st.just(math.nan), st.floats(-0.2, 0.2)))}]
    )  # fmt: skip
    ground = pd.DataFrame({"chainage_m": [0.0, 4.0], "level_m": [draw(level), draw(level)], "sigma_m": 0.005})
    return wall_section(
        STATIONS,
        dpc_points=pd.DataFrame(points("outer") + points("inner")),
        cavities=draw(st.sampled_from([None, cavities])),
        floors=draw(st.sampled_from([None, floors])),
        finishes=draw(st.sampled_from([None, finishes])),
        ground=draw(st.sampled_from([None, ground])),
        ref=REF,
    )


@st.composite
def waters(draw: st.DrawFn) -> WallWater | None:
    """Draw water at a wall, or none; its tank may take it or may not."""
    if draw(st.booleans()):
        return None
    stands = Measured(draw(st.integers(9700, 10100)) / 1000, 0.005)
    sure = draw(st.booleans())
    tank = Tank(
        ring_key="", chainage_from_m=0.0, chainage_to_m=3.0, wet_from_m=0.0, wet_to_m=3.5, open_ended=False,
        base_m=9.6, bound=stands, held_by="the spill", after_m=math.nan, full_l=math.nan, full_minutes=math.nan,
        overtopped=(), rests_on=(), takes="yes" if sure else NOT_KNOWN, because="" if sure else "either side",
        settle="" if sure else "Look.",
    )  # fmt: skip
    return WallWater(
        node="G", below_ground=draw(st.booleans()), head=stands, pool_known=True, drowned=False, ring_key="",
        chainage_from_m=0.0, chainage_to_m=4.0, entries=(), tanks=(tank,), verdict=Verdict(word="yes", because="x"),
    )  # fmt: skip


@given(walls(), waters())
@settings(max_examples=80, deadline=None)
def test_every_answer_is_a_plain_sentence(wall: pd.DataFrame, water: WallWater | None) -> None:
    """No sentence holds nan, None or inf; each not known has a reason and a settle, what is known has no settle."""
    found = cross(wall, water, ref=REF)
    for table in (found.stations, found.lengths):
        said = table["because"].astype(str) + " " + table["settle"].astype(str)
        assert not said[said.str.contains(ODD)].tolist()
        assert (table["because"] != "").all()
        unknown = table["word"] == NOT_KNOWN
        assert (table.loc[unknown, "settle"] != "").all()
        assert (table.loc[~unknown, "settle"] == "").all()
        assert set(table["word"]) <= {"yes", "no", NOT_KNOWN}
        # Within the error is said of no margin that is not.
        near = table["because"].str.endswith("within the error")
        assert (table.loc[near, "margin_mm"].abs() <= 2 * table.loc[near, "sigma_mm"] + 1e-6).all()


@given(walls(), waters())
@settings(max_examples=40, deadline=None)
def test_every_remedy_is_a_plain_sentence(wall: pd.DataFrame, water: WallWater | None) -> None:
    """One remedy for each length that is open or not known, in a sentence, never by a number that is not one."""
    lengths = cross(wall, water, ref=REF).lengths
    remedies = smallest_changes(wall, water, ref=REF)
    assert len(remedies) == (lengths["word"] != "no").sum()
    for remedy in remedies:
        assert remedy.way in WAYS
        assert remedy.what
        assert not ODD.search(remedy.what)
        assert math.isnan(remedy.by_mm) or remedy.by_mm >= 0.0


@given(walls(), waters())
@settings(max_examples=40, deadline=None)
def test_a_timber_floor_that_hangs_bridges_nothing(wall: pd.DataFrame, water: WallWater | None) -> None:
    """K4 does not apply to a suspended timber floor, whatever its levels: no, and the reason says so."""
    hung = wall.assign(floor_kind="suspended_timber")
    table = cross(hung, water, ref=REF).stations
    k4 = table[table["way"] == "K4"]
    assert set(k4["word"]) == {"no"}
    assert set(k4["because"]) == {"does not apply: suspended timber floor"}
