"""What must hold of fits and dates whatever the readings."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geo import reference
from geo.drying.fits import DATED, EARLIEST, NEVER, TREND, best_curves, look_ahead, profile_ends
from geo.drying.water import water_kg_m2

REF = reference.default()
ends = st.floats(0.5, 4.0)
falls = st.floats(3.0, 12.0)
taus = st.floats(6.0, 30.0)
sigmas = st.floats(0.05, 0.4)
shifts = st.floats(-50.0, 50.0)


def readings(
    end: float, fall: float, tau: float, *, span: float = 3.0, seed: int = 0, sigma: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Return eight readings over some time constants, with scatter."""
    t = np.linspace(0.0, span * tau, 8)
    return t, end + fall * np.exp(-t / tau) + sigma * np.random.default_rng(seed).standard_normal(8)


@settings(deadline=None, max_examples=60)
@given(ends, falls, taus)
def test_a_curve_is_found_again(end: float, fall: float, tau: float) -> None:
    """Readings that lie on a curve give back its time constant and its start when the end is right."""
    t, m = readings(end, fall, tau)
    curve = best_curves(t, m, [end], sigma=0.1)
    assert curve.tau_d[0] == pytest.approx(tau, rel=1e-4)
    assert curve.start[0] == pytest.approx(end + fall, rel=1e-4)
    assert curve.misfit[0] < 1e-4


@settings(deadline=None, max_examples=40)
@given(ends, falls, taus, sigmas, shifts, st.integers(0, 1000))
def test_moving_the_first_day_moves_every_date(
    end: float, fall: float, tau: float, sigma: float, shift: float, seed: int
) -> None:
    """Day 0 is a name: the same readings some days later give the same dates as much later."""
    t, m = readings(end, fall, tau, sigma=sigma, seed=seed)
    goal = end + 0.3 * fall
    one, two = (
        best_curves(t + by, m, np.linspace(0, 4, 9), sigma=sigma).goal_day(goal) for by in (0.0, shift)
    )
    known = np.isfinite(one)
    np.testing.assert_array_equal(known, np.isfinite(two))
    np.testing.assert_allclose(two[known], one[known] + shift, atol=1e-2 * tau)


@settings(deadline=None, max_examples=40)
@given(ends, falls, taus, st.integers(0, 1000))
def test_a_larger_sigma_never_says_more(end: float, fall: float, tau: float, seed: int) -> None:
    """With a larger sigma more ends are kept, the earliest day is no later, and the latest no sooner."""
    t, m = readings(end, fall, tau, sigma=0.1, seed=seed)
    goal = end + 0.15 * fall
    order = {DATED: 0, NEVER: 0, EARLIEST: 1, TREND: 2}
    fine, coarse = (profile_ends(t, m, sigma=sigma, lowest=0.0, ref=REF) for sigma in (0.15, 0.6))
    assert (coarse.kept >= fine.kept).all()
    first, second = (look_ahead(each, goal, rhythm_d=7.0, ref=REF) for each in (fine, coarse))
    if first.word in (DATED, EARLIEST) and second.word in (DATED, EARLIEST):
        assert order[second.word] >= order[first.word]
        assert second.earliest_d <= first.earliest_d
        assert second.latest_d >= first.latest_d


@settings(deadline=None, max_examples=40)
@given(ends, falls, taus, sigmas, st.integers(0, 1000))
def test_no_latest_date_beyond_once_the_time_watched(
    end: float, fall: float, tau: float, sigma: float, seed: int
) -> None:
    """Whatever the readings, a latest date lies within one span of the last; the earliest is not after it."""
    t, m = readings(end, fall, tau, span=1.6, sigma=sigma, seed=seed)
    found = look_ahead(
        profile_ends(t, m, sigma=sigma, lowest=0.0, ref=REF), end + 0.05 * fall, rhythm_d=7.0, ref=REF
    )
    if math.isfinite(found.latest_d):
        assert found.latest_d <= math.ceil(2 * t[-1])
        assert found.earliest_d <= found.latest_d
    if math.isfinite(found.scatter_d):
        assert found.scatter_d <= found.earliest_d


@settings(deadline=None, max_examples=30)
@given(ends, falls, taus, st.floats(0.2, 5.0))
def test_the_unit_does_not_matter(end: float, fall: float, tau: float, scale: float) -> None:
    """Readings, goal and sigma in another unit give the same ends kept and the same date."""
    t, m = readings(end, fall, tau, sigma=0.1)
    goal = end + 0.2 * fall
    one = profile_ends(t, m, sigma=0.2, lowest=0.0, ref=REF)
    two = profile_ends(t, scale * m, sigma=scale * 0.2, lowest=0.0, ref=REF)
    assert np.count_nonzero(one.kept != two.kept) <= 1
    a, b = (look_ahead(each, by * goal, rhythm_d=7.0, ref=REF) for each, by in ((one, 1.0), (two, scale)))
    assert a.word == b.word
    if math.isfinite(a.earliest_d):
        assert abs(a.earliest_d - b.earliest_d) <= 1.0


@given(st.floats(10, 400), st.floats(400, 2500), st.floats(0, 25), st.floats(0, 25), st.floats(0, 25))
def test_water_is_conserved(
    thickness: float, density: float, first: float, middle: float, last: float
) -> None:
    """What leaves from first to middle and from middle to last is what leaves from first to last."""
    whole, _ = water_kg_m2(thickness, density, first, last, ref=REF)
    one, _ = water_kg_m2(thickness, density, first, middle, ref=REF)
    two, _ = water_kg_m2(thickness, density, middle, last, ref=REF)
    assert float(one + two) == pytest.approx(float(whole), abs=1e-9 * density)
