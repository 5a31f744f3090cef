"""Chances and counts against published and enumerated values."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from itertools import combinations, permutations
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from scipy.stats import hypergeom, spearmanr

from geo.outlets.cluster import count_outlets
from geo.stats import correlation, doubled_ranks, false_discovery, hypergeometric_upper, permutation_upper

# Four rows of four places, neighbours along rows and columns; the first two rows are wet.
SIDE = 4
ROOK = np.array(
    [
        (i, j)
        for i, j in combinations(range(SIDE * SIDE), 2)
        if abs(i // SIDE - j // SIDE) + abs(i % SIDE - j % SIDE) == 1
    ]
)
WET_HALF = np.r_[np.ones(8), np.zeros(8)]


def wet_joins(labels: np.ndarray) -> np.ndarray:
    """Return the neighbouring pairs of which both are wet, for each arrangement."""
    return np.asarray((labels[:, ROOK[:, 0]] * labels[:, ROOK[:, 1]]).sum(axis=1))


def mixed_joins(labels: np.ndarray) -> np.ndarray:
    """Return the neighbouring pairs of which one is wet, for each arrangement."""
    return np.asarray((labels[:, ROOK[:, 0]] != labels[:, ROOK[:, 1]]).sum(axis=1))


@pytest.mark.parametrize(
    ("hits", "total", "drawn", "marked", "published", "half_unit"),
    [
        (7, 20, 14, 10, 0.686, 5e-4),
        (7, 24, 9, 8, 0.00075, 5e-6),
        (7, 20, 14, 7, 3432 / 77520, 1e-12),
        (4, 8, 4, 4, 1 / 70, 1e-12),
    ],
    ids=["sampled at outlets", "gathered", "six dry away", "Fisher's tea"],
)
def test_worked_chances(
    hits: int, total: int, drawn: int, marked: int, published: float, half_unit: float
) -> None:
    """Worked by hand from binomial coefficients; the last is R. A. Fisher's lady tasting tea (1935), 1 in 70."""
    found = hypergeometric_upper(hits, total=total, drawn=drawn, marked=marked)
    assert float(found) == pytest.approx(published, abs=half_unit)


def test_exact_chance_is_the_count_of_arrangements() -> None:
    """On every table of up to 12 places the chance is the counted share of arrangements, and scipy's tail."""
    for total in range(2, 13):
        for drawn in range(1, total):
            for marked in range(1, total):
                hits = np.arange(max(0, drawn + marked - total), min(drawn, marked) + 1)
                ways = [math.comb(drawn, k) * math.comb(total - drawn, marked - k) for k in hits]
                counted = np.cumsum(ways[::-1])[::-1] / math.comb(total, marked)
                found = hypergeometric_upper(hits, total=total, drawn=drawn, marked=marked)
                np.testing.assert_allclose(found, counted, rtol=1e-9)
                tail = hypergeom(total, drawn, marked)
                np.testing.assert_allclose(found, tail.sf(hits) + tail.pmf(hits), rtol=1e-9)


def test_lattice_enumerated() -> None:
    """All C(16,8) = 12,870 arrangements: 22 have as many wet pairs as two full rows, 4 as few mixed pairs.

    The counts 10, 4 and 24 are those of the lattice example in esda's documentation; the expectation is
    Cliff and Ord (1981): J n1 (n1 - 1) / (n (n - 1)) = 24 × 8 × 7 / (16 × 15) = 5.6.
    """
    every = np.zeros((math.comb(16, 8), 16))
    for row, chosen in enumerate(combinations(range(16), 8)):
        every[row, list(chosen)] = 1.0
    assert len(ROOK) == 24
    assert int(wet_joins(WET_HALF[None])[0]) == 10
    assert int(mixed_joins(WET_HALF[None])[0]) == 4
    assert int((wet_joins(every) >= 10).sum()) == 22
    assert int((mixed_joins(every) <= 4).sum()) == 4
    assert wet_joins(every).mean() == pytest.approx(5.6)


@pytest.mark.parametrize(
    ("statistic", "exact"),
    [(wet_joins, 22 / 12870), (lambda labels: -mixed_joins(labels), 4 / 12870)],
    ids=["wet", "mixed"],
)
def test_lattice_permuted(statistic: object, exact: float) -> None:
    """The drawn chance meets the enumerated one within four standard errors of 100,000 draws."""
    draws = 100_000
    found = permutation_upper(WET_HALF, statistic, draws=draws, random=np.random.default_rng(1))  # type: ignore[arg-type]
    assert found == pytest.approx(exact, abs=4 * math.sqrt(exact * (1 - exact) / draws) + 1 / draws)


def test_lattice_against_another_implementation() -> None:
    """Counts equal esda's join counts, and its simulated chance agrees within the errors of both."""
    libpysal = pytest.importorskip("libpysal")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        esda = pytest.importorskip("esda")
        weights = libpysal.weights.lat2W(SIDE, SIDE)
        np.random.seed(12345)  # noqa: NPY002 - the other package draws from the old generator
        theirs = esda.Join_Counts(WET_HALF, weights, permutations=999)
    assert (theirs.bb, theirs.bw, theirs.J) == (10, 4, 24)
    ours = permutation_upper(WET_HALF, wet_joins, draws=9999, random=np.random.default_rng(2))
    error = math.sqrt(ours * (1 - ours) * (1 / 999 + 1 / 9999))
    assert theirs.p_sim_bb == pytest.approx(ours, abs=4 * error + 1 / 1000)


def test_tea_by_permutation() -> None:
    """Fisher's 1 in 70 comes out of the draws within four standard errors."""
    cups = np.r_[np.ones(4), np.zeros(4)]
    found = permutation_upper(cups, lambda block: block @ cups, draws=50_000, random=np.random.default_rng(3))
    assert found == pytest.approx(1 / 70, abs=4 * math.sqrt(1 / 70 / 50_000))


def test_rank_correlation_with_ties() -> None:
    """Doubled ranks give Spearman's coefficient as scipy has it, ties included."""
    random = np.random.default_rng(8)
    for _ in range(20):
        one, other = random.integers(0, 6, 30), random.integers(0, 6, 30)
        found = correlation(doubled_ranks(one), doubled_ranks(other))
        assert found == pytest.approx(spearmanr(one, other).statistic)


def test_rank_chance_is_the_count_of_orders() -> None:
    """For seven places the drawn chance meets the count over all 5,040 orders within four standard errors."""
    wetness, nearness = doubled_ranks([3, 1, 4, 1, 5, 9, 2]), doubled_ranks([2, 7, 1, 8, 2, 8, 1])
    orders = np.array(list(permutations(wetness)))
    seen = wetness @ nearness
    exact = float((orders @ nearness >= seen).mean())
    found = permutation_upper(
        wetness, lambda block: block @ nearness, draws=40_000, random=np.random.default_rng(4)
    )
    assert found == pytest.approx(exact, abs=4 * math.sqrt(exact * (1 - exact) / 40_000))


def test_false_discovery_published() -> None:
    """Benjamini and Hochberg (1995), section 4: of these 15 the four smallest stand at 5 %.

    The fourth is held against 4/15 × 0.05 = 0.013 and its adjusted value is 0.0095 × 15/4 = 0.0356; the
    fifth, 0.0201, exceeds 0.017.
    """
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719]
    adjusted = false_discovery([*p, 0.6528, 0.7590, 1.0000])
    assert (adjusted <= 0.05).tolist() == [True] * 4 + [False] * 11
    assert adjusted[3] == pytest.approx(0.0095 * 15 / 4)
    assert np.isnan(false_discovery([0.01, np.nan])[1])
    assert false_discovery([0.01, np.nan])[0] == 0.01


@pytest.fixture(scope="module")
def soho() -> tuple[np.ndarray, np.ndarray]:
    """Deaths at each address of the 1854 Soho map, and metres from each to each of 13 pumps (EPSG:27700)."""
    examples = pytest.importorskip("libpysal.examples")
    folder = Path(examples.__path__[0]) / "snow_maps"
    people = gpd.read_file(folder / "SohoPeople.shp").to_crs(27700)
    pumps = gpd.read_file(folder / "SohoWater.shp").to_crs(27700)
    away = np.hypot(
        people.geometry.x.to_numpy()[:, None] - pumps.geometry.x.to_numpy()[None, :],
        people.geometry.y.to_numpy()[:, None] - pumps.geometry.y.to_numpy()[None, :],
    )
    return people["Count"].to_numpy(dtype=np.float64), away


BROAD_STREET = 8


@pytest.mark.realdata
def test_soho_cases_by_nearest_pump(soho: tuple[np.ndarray, np.ndarray]) -> None:
    """On the Soho map of 1854 as libpysal carries it 266 of 392 deaths are nearest Broad Street; next 37."""
    deaths, away = soho
    by_pump = np.array(
        count_outlets((deaths > 0).astype(float), away, radius_m=1e6, same_outlet_m=0.0)["near"]
    )
    assert by_pump.sum() == len(deaths) == 324
    total = np.bincount(away.argmin(axis=1), weights=deaths, minlength=13)
    assert total.sum() == 392
    assert total[BROAD_STREET] == 266
    assert np.sort(total)[-2] == 37


@pytest.mark.realdata
@pytest.mark.parametrize(
    ("radius_m", "named"), [(60.0, [BROAD_STREET]), (100.0, [BROAD_STREET]), (150.0, []), (200.0, [])]
)
def test_soho_outlet_is_found(soho: tuple[np.ndarray, np.ndarray], radius_m: float, named: list[int]) -> None:
    """Of 13 pumps only Broad Street has houses struck more often near it than away from every pump.

    191 of the 324 addresses had no death, so the map has its dry readings too. From 150 m on no more than
    35 addresses are away from every pump, and nothing can be shown: the want of readings away.
    """
    deaths, away = soho
    assert int((deaths == 0).sum()) == 191
    counts = count_outlets((deaths > 0).astype(float), away, radius_m=radius_m, same_outlet_m=0.3)
    assert np.flatnonzero(counts["p_exact"] <= 0.05).tolist() == named
    assert (counts["away"].iloc[0] <= 35) == (not named)


@pytest.mark.realdata
def test_soho_deaths_rise_towards_the_pump(soho: tuple[np.ndarray, np.ndarray]) -> None:
    """Of the three pumps nearest to 30 addresses or more, deaths rank with nearness to Broad Street most.

    The next, 37 deaths, stands in the same quarter, so its own chance is small too (about 0.01): a
    gathering is a reason to test an outlet, not proof of which.
    """
    deaths, away = soho
    ranks = doubled_ranks(deaths)
    chances: dict[int, float] = {}
    for pump in np.flatnonzero(np.bincount(away.argmin(axis=1), minlength=13) >= 30):
        nearness = doubled_ranks(-away[:, pump])
        chances[int(pump)] = permutation_upper(
            ranks, _times(nearness), draws=9999, random=np.random.default_rng(6)
        )
    assert len(chances) == 3
    assert chances.pop(BROAD_STREET) <= 0.001
    assert min(chances.values()) > 0.001


def _times(weights: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    """Return the statistic that sums label times weight."""
    return lambda block: np.asarray(block @ weights)
