"""Water poured into hollows: what goes in stands or runs over, and the nearest hollow fills first."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from geo.findings.drain_basins import Standing, fill_hollows

CELL_M2 = 0.25
GROUND = arrays(np.float64, (9, 11), elements=st.integers(0, 60).map(lambda mm: 9.0 + mm / 100.0))


def pour(z: np.ndarray, litres: float, start: tuple[int, int], top_m: float) -> Standing:
    """Pour into everything but the rim of a piece of ground."""
    mask = np.zeros(z.shape, dtype=bool)
    mask[1:-1, 1:-1] = z[1:-1, 1:-1] < top_m
    return fill_hollows(z, mask, start, litres=litres, cell_m2=CELL_M2, top_m=top_m)


@given(z=GROUND, row=st.integers(1, 7), column=st.integers(1, 9), litres=st.floats(0.0, 8000.0))
@settings(max_examples=120, deadline=None)
def test_litres_in_are_litres_stored_and_litres_over(
    z: np.ndarray, row: int, column: int, litres: float
) -> None:
    """What is poured stands or runs over; what stands is the depths under the levels, summed over cells.

    Nothing runs over before the basin is full to its top.
    """
    found = pour(z, litres, (row, column), 9.7)
    assert found.stored_l + found.over_l == pytest.approx(litres, abs=1e-6)
    depth = np.where(found.hollow >= 0, found.level_m - z, 0.0)
    assert (depth >= 0).all()
    assert 1000.0 * CELL_M2 * depth.sum() == pytest.approx(found.stored_l, abs=1e-6)
    if found.over_l > 1e-6:
        inside = np.zeros(z.shape, dtype=bool)
        inside[1:-1, 1:-1] = True
        full = 1000.0 * CELL_M2 * (9.7 - z[inside]).sum()
        assert found.stored_l == pytest.approx(full, abs=1e-6)


@given(z=GROUND, row=st.integers(1, 7), column=st.integers(1, 9), litres=st.floats(1.0, 4000.0))
@settings(max_examples=80, deadline=None)
def test_more_water_stands_higher_everywhere(z: np.ndarray, row: int, column: int, litres: float) -> None:
    """Half as much again never leaves any cell less deep, and never dries one."""
    less, more = (pour(z, share * litres, (row, column), 9.7) for share in (1.0, 1.5))
    wet = less.hollow >= 0
    assert (more.level_m[wet] >= less.level_m[wet] - 1e-9).all()


def two_hollows() -> np.ndarray:
    """A small hollow at 9.10 and a deep one at 9.00, three cells each, a sill of 9.20 between, walls of 9.90."""
    z = np.full((3, 9), 9.9)
    z[1, 1:8] = [9.1, 9.1, 9.1, 9.2, 9.0, 9.0, 9.0]
    return z


@pytest.mark.parametrize(
    ("litres", "small", "deep"),
    [
        (37.5, 9.15, math.nan),
        (75.0, 9.20, math.nan),
        (112.5, 9.20, 9.05),
        (225.0, 9.20, 9.20),
        (400.0, 9.30, 9.30),
    ],
)
def test_a_hollow_fills_before_the_deeper_one_beyond_its_sill(
    litres: float, small: float, deep: float
) -> None:
    """Cells of 0.25 m², poured into the small one.

    It takes 3 × 250 l/m × 0.1 = 75 l to its sill; 37.5 l stand 50 mm deep there, and none beyond though
    that lies lower. Then the deep one takes 3 × 250 × 0.2 = 150. Then all seven cells rise, 1750 l/m: 175
    more is 100 mm.
    """
    found = pour(two_hollows(), litres, (1, 1), 9.6)
    assert found.level_m[1, 1] == pytest.approx(small, abs=1e-9)
    if math.isnan(deep):
        assert found.hollow[1, 6] == -1
    else:
        assert found.level_m[1, 6] == pytest.approx(deep, abs=1e-9)
    assert found.stored_l == pytest.approx(litres)


def test_the_order_of_hollows_hangs_on_where_water_comes_in() -> None:
    """Poured at the deep hollow, the same 100 l stay there: 133 mm in three cells, the small one dry."""
    found = pour(two_hollows(), 100.0, (1, 6), 9.6)
    assert found.level_m[1, 6] == pytest.approx(9.0 + 100.0 / 750.0)
    assert found.hollow[1, 1] == -1
