"""The damp along the wall and through it, against shapes worked by hand."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo import reference
from geo.moisture.along import along_wall
from geo.moisture.bases import BOTH, NEITHER, SALT
from geo.moisture.depth import depth_ratio, dry_core, in_out_ratio, ratio, salt_ratio
from geo.verdict import NOT_KNOWN

REF = reference.default()
X = [0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0]
TENT = [10.0, 20.0, 40.0, 80.0, 60.0, 30.0, 10.0]


def test_half_widths_of_a_tent_are_those_of_its_straight_sides() -> None:
    """Half of 80 is met where the sides say.

    Dry 0, peak 80 at 1.5: half is 40, met at 1.0 on the left, and on the right on the way from 60 at 2.0 to 30 at 2.5 is 50, two thirds is 40: 2.0 + 2/3 × 0.5 = 2.333, 0.833 from the peak.
    """
    found = along_wall(X, TENT, TENT, apart=5.0, dry=0.0)
    assert (found.peak_m, found.plateau_m) == (1.5, 0.0)
    assert found.left_m == (pytest.approx(0.5), pytest.approx(0.5))
    assert found.right_m == (pytest.approx(0.8333, abs=1e-4), pytest.approx(0.8333, abs=1e-4))
    assert found.skew == "right"


def test_readings_that_cannot_be_told_apart_are_one_plateau() -> None:
    """80 and 60 differ by less than 25, 40 does not: the plateau runs from 1.5 to 2.0."""
    found = along_wall(X, TENT, TENT, apart=25.0, dry=0.0)
    assert (found.plateau_from_m, found.plateau_to_m, found.peak_m) == (1.5, 2.0, 1.75)


def test_a_reading_off_the_scale_keeps_its_bounds() -> None:
    """Off the scale the widths have bounds only.

    Above 80 the peak may be anything more: half of it is 40 or more, so the damp is at most as wide as
    at 40 and at least nothing.
    """
    high = [value if value != 80.0 else math.inf for value in TENT]
    found = along_wall(X, TENT, high, apart=5.0, dry=0.0)
    assert found.left_m == (0.0, pytest.approx(0.5))
    assert found.right_m[0] == 0.0
    assert found.right_m[1] == pytest.approx(0.8333, abs=1e-4)
    assert found.skew == ""


def test_unread_wall_ends_a_half_width_as_not_read() -> None:
    """Beyond a gap of 1 m nothing is read: at least to the last reading over half, at most unknown."""
    found = along_wall([0.0, 0.5, 2.0], [80.0, 70.0, 10.0], [80.0, 70.0, 10.0], apart=5.0, dry=0.0, gap_m=1.0)
    assert found.right_m == (0.5, math.inf)


def test_without_a_dry_reference_no_half_width_is_known() -> None:
    """Half of an unknown height is unknown."""
    found = along_wall(X, TENT, TENT, apart=5.0)
    assert found.left_m == found.right_m == (0.0, math.inf)
    assert found.peak_m == 1.5


def test_the_peak_is_looked_for_within_the_stretch_only() -> None:
    """From 2.0 on the highest is 60 at 2.0."""
    found = along_wall(X, TENT, TENT, apart=5.0, dry=0.0, within=(2.0, 3.0))
    assert found.peak_m == 2.0


@given(
    st.lists(st.integers(0, 100), min_size=3, max_size=12),
    st.lists(st.integers(0, 20), min_size=12, max_size=12),
)
def test_wider_bounds_never_narrow_what_a_half_width_may_be(values: list[int], more: list[int]) -> None:
    """Less surely known readings leave the half-widths less surely known."""
    x = [0.5 * i for i in range(len(values))]
    low = [float(value) for value in values]
    high = [value + extra for value, extra in zip(low, more, strict=False)]
    sure, unsure = along_wall(x, low, low, apart=0.0, dry=0.0), along_wall(x, low, high, apart=0.0, dry=0.0)
    if (sure.plateau_from_m, sure.plateau_to_m) == (unsure.plateau_from_m, unsure.plateau_to_m):
        for exact, loose in ((sure.left_m, unsure.left_m), (sure.right_m, unsure.right_m)):
            assert loose[0] <= exact[0] + 1e-9
            assert loose[1] >= exact[1] - 1e-9


@given(st.floats(-500, 500), st.lists(st.integers(0, 100), min_size=3, max_size=10))
def test_a_shape_moves_with_its_wall(shift: float, values: list[int]) -> None:
    """Chainage shifted, everything shifts and no width changes."""
    x = [0.5 * i for i in range(len(values))]
    here = along_wall(x, values, values, apart=1.0, dry=0.0)
    there = along_wall([at + shift for at in x], values, values, apart=1.0, dry=0.0)
    assert there.peak_m - here.peak_m == pytest.approx(shift, abs=1e-6)
    assert there.left_m == pytest.approx(here.left_m, abs=1e-6)


def test_a_ratio_of_readings_off_the_scale_is_a_bound() -> None:
    """At least 20 over 5 to 10 is at least 2."""
    assert (ratio((20.0, math.inf), (5.0, 10.0), of="x").low, ratio((20.0, math.inf), (5.0, 10.0), of="x").high) == (
        2.0, math.inf,
    )  # fmt: skip
    assert not ratio((1.0, 2.0), (0.0, 0.0), of="x").known


def test_inside_and_outside_are_held_together_only_within_one_group() -> None:
    """90 over 30 by one pad is 3; pins on one side only say nothing."""
    rows = pd.DataFrame(
        {
            "group": ["pad", "pad", "pins"],
            "side": ["inside", "outside", "inside"],
            "low": [90.0, 30.0, 60.0],
            "high": [90.0, 30.0, 60.0],
        }
    )
    assert in_out_ratio(rows).low == in_out_ratio(rows).high == 3.0
    assert not in_out_ratio(rows[rows["group"] == "pins"]).known
    assert not in_out_ratio(rows.assign(group=["pad", "pins", "pad"])).known


def test_depth_is_held_against_depth_of_one_method() -> None:
    """4 at the face over 8 in the core is a half."""
    rows = pd.DataFrame(
        {"group": ["a", "a"], "depth_mm": [10.0, 60.0], "low": [4.0, 8.0], "high": [4.0, 8.0]}
    )
    assert depth_ratio(rows).low == 0.5
    assert not depth_ratio(rows.assign(group=["a", "b"])).known


def test_salts_hold_all_of_the_water_at_the_band_and_not_at_its_foot() -> None:
    """Worked scenario of a salt band (MC/HMC 7.90/8.40 and 1.6/1.0 %, sigma 0.3): 1.06 and 0.63."""
    band = salt_ratio(8.40, 0.3, 7.90, 0.3, z=1.96)
    assert band.low < 8.40 / 7.90 < band.high
    assert salt_ratio(1.0, 0.3, 1.6, 0.3, z=0.0).low == pytest.approx(0.625)


@pytest.mark.parametrize(
    ("words", "said"), [((NEITHER, NEITHER), "yes"), ((NEITHER, BOTH), "no"), ((SALT,), "no")]
)
def test_a_core_is_dry_only_where_neither_water_nor_salts_show(words: tuple[str, ...], said: str) -> None:
    """Salts in the core are water in the core."""
    rows = pd.DataFrame({"depth_from_mm": 40.0, "mc_dry": 0.9, "hmc_dry": 0.8, "word": list(words)})
    assert dry_core(rows, ref=REF).word == said


def test_a_shallow_sample_says_nothing_of_the_core() -> None:
    """From the face to 40 mm is not the core."""
    rows = pd.DataFrame({"depth_from_mm": [0.0], "mc_dry": [0.9], "hmc_dry": [0.8], "word": [NEITHER]})
    assert dry_core(rows, ref=REF).word == NOT_KNOWN
