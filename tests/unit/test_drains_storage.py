"""Litres in pipes, what leaks, and the balance of a store that fills and drains."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geo import reference
from geo.drains.storage import Inflow, balance, leak_l_s, pipe_litres, segment_area, together

REF = reference.default()


def test_segment_areas() -> None:
    """Of a 100 mm pipe: empty 0, half full half of π/400 m², full and over π/400."""
    full = math.pi / 400.0
    assert segment_area([-0.1, 0.0, 0.05, 0.1, 0.3], 0.1) == pytest.approx(
        [0, 0, full / 2, full, full], abs=1e-12
    )


@pytest.mark.parametrize("level", [9.31, 9.36, 9.42, 9.47, 9.52, 9.8])
def test_part_full_litres_are_the_integral(level: float) -> None:
    """A pipe from 9.42 to 9.30 over 6 m: the closed form is the segment area summed in 20,000 slices."""
    inverts = np.linspace(9.42, 9.30, 20001)
    slices = segment_area(level - (inverts[:-1] + inverts[1:]) / 2, 0.1).sum() * 6000.0 / 20000
    assert pipe_litres(level, 9.42, 9.30, 6.0, 0.1) == pytest.approx(slices, abs=1e-4)


def test_full_bore_litres_a_metre() -> None:
    """Full, 100 mm holds 7.854 l/m and 150 mm 17.67, whichever way it falls, and level too."""
    litres = pipe_litres(12.0, [9.0, 9.5, 9.0], [9.5, 9.0, 9.0], 1.0, [0.1, 0.1, 0.15])
    assert litres == pytest.approx([7.854, 7.854, 17.671], abs=5e-4)


def test_a_leak_needs_head() -> None:
    """No head, no leak; four times the head, twice the leak."""
    dry, low, high = leak_l_s([-0.1, 0.1, 0.4], 3.0, ref=REF)
    assert dry == 0
    assert high == pytest.approx(2 * low)


@pytest.mark.parametrize(
    "pieces",
    [
        ((0.0, 10.0, -1.0),),
        ((0.0, 10.0, math.nan),),
        ((5.0, 2.0, 1.0),),
        ((0.0, 10.0, 1.0), (5.0, 12.0, 1.0)),
    ],
)
def test_an_inflow_that_cannot_be(pieces: tuple[tuple[float, float, float], ...]) -> None:
    """Negative or missing flows, time running back and pieces that overlap are refused."""
    with pytest.raises(ValueError, match="inflow from"):
        Inflow(pieces=pieces)


def test_two_inflows_add_up() -> None:
    """A hose of 0.2 l/s for 60 s and a bowl of 10 l in 20 s are 22 l, 0.7 l/s at most."""
    both = together([Inflow.steady(0.2, minutes=1), Inflow.pours(10.0, over_s=20.0)])
    assert both.litres == pytest.approx(22.0)
    assert both.peak_l_s == pytest.approx(0.7)


def test_a_trickle_that_passes_all_never_spills() -> None:
    """0.02 l/s in, 0.03 past the stop: nothing stands and nothing spills, however long."""
    assert math.isinf(balance(Inflow.steady(0.02), capacity_l=1.0, passes_l_s=0.03).first_spill_s)


def test_a_store_drains_after_the_pour() -> None:
    """10 l at once into an empty store of 30 past which 0.1 l/s goes: 8 stand, and 0 after 80 s more."""
    twice = Inflow.pours(10.0, over_s=20.0, times=2, wait_s=100.0)
    found = balance(twice, capacity_l=30.0, passes_l_s=0.1)
    assert found.peak_stored_l == pytest.approx(8.0)
    assert found.left_l == pytest.approx(12.0)
