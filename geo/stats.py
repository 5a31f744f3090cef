"""Exact and resampled chances for labels on fixed places: pure counting, nothing of the trade."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import false_discovery_control, hypergeom, rankdata

Numbers = NDArray[np.float64]

_BLOCK = 2_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Rotations:
    """The chance found by turning labels round their circles.

    Parameters
    ----------
    p
        Upper-tail chance, the arrangement as seen among those counted.
    smallest
        The smallest chance these circles could ever give.
    count
        How many arrangements were looked at.
    exact
        Whether these were all there are; otherwise they were drawn at random.
    """

    p: float
    smallest: float
    count: int
    exact: bool


def hypergeometric_upper(
    hits: ArrayLike, *, total: ArrayLike, drawn: ArrayLike, marked: ArrayLike
) -> Numbers:
    """Return the exact chance of at least so many marked ones among those drawn.

    Parameters
    ----------
    hits
        Marked ones among the drawn ones.
    total, drawn, marked
        Size of the whole, how many of it are drawn, how many of it are marked.

    Notes
    -----
    R. A. Fisher, The Design of Experiments (1935), chapter II: the one-sided exact test of a
    fourfold table with both margins fixed.
    """
    found = hypergeom.sf(np.asarray(hits) - 1, np.asarray(total), np.asarray(drawn), np.asarray(marked))
    return np.asarray(found, dtype=np.float64)


def doubled_ranks(values: ArrayLike) -> Numbers:
    """Return twice the average rank of each value: whole numbers, so that ties compare exactly.

    Parameters
    ----------
    values
        (n,) numbers; infinite ones are allowed and tie with each other.
    """
    return np.asarray(2.0 * rankdata(np.asarray(values, dtype=np.float64), method="average"))


def correlation(one: ArrayLike, other: ArrayLike) -> float:
    """Return the product-moment correlation, NaN where either does not vary.

    On ranks this is Spearman's coefficient.
    """
    a, b = np.asarray(one, dtype=np.float64), np.asarray(other, dtype=np.float64)
    a, b = a - a.mean(), b - b.mean()
    scale = float(np.sqrt((a @ a) * (b @ b)))
    return float(a @ b) / scale if scale > 0.0 else float("nan")


def permutation_upper(
    values: ArrayLike,
    statistic: Callable[[Numbers], Numbers],
    *,
    draws: int,
    random: np.random.Generator,
    threshold: float | None = None,
) -> float:
    """Return the chance of a statistic at least as large when values are dealt out at random.

    Parameters
    ----------
    values
        (n,) values, one on each place.
    statistic
        Takes (b, n) arrangements and returns (b,) numbers; these should be whole numbers, so that
        ties compare exactly.
    draws
        Random arrangements; the one seen is counted besides, so the chance is never 0.
    threshold
        The statistic as seen, when ``values`` come in another order than they were seen in.

    Notes
    -----
    B. Phipson and G. K. Smyth, Statistical Applications in Genetics and Molecular Biology 9 (2010),
    article 39: (count + 1) / (draws + 1).
    """
    seen = np.asarray(values, dtype=np.float64)
    if threshold is None:
        threshold = float(statistic(seen[None, :])[0])
    rows = max(1, _BLOCK // max(1, len(seen)))
    reached = 0
    for start in range(0, draws, rows):
        block = np.broadcast_to(seen, (min(rows, draws - start), len(seen)))
        reached += int(np.count_nonzero(statistic(random.permuted(block, axis=1)) >= threshold))
    return (reached + 1) / (draws + 1)


def rotation_upper(
    circles: Sequence[tuple[Numbers, Numbers]], *, draws: int, random: np.random.Generator
) -> Rotations:
    """Return the chance of a sum of products as large when labels are turned round their circles.

    Neighbouring labels stay neighbours, so likeness of neighbours is no evidence here.

    Parameters
    ----------
    circles
        For each circle the (k,) labels and the (k,) weights of its places, both whole numbers in
        order round the circle. The statistic is the sum of label times weight over all places.
    draws
        When the circles can be turned together in no more than ``draws + 1`` ways, every way is
        counted; otherwise so many are drawn at random and the one seen is counted besides.
    """
    turned = [_turned(labels, weights) for labels, weights in circles if len(labels)]
    turned.sort(key=lambda sums: (len(sums), float(sums[0]), float(sums @ sums)))
    ways = 1
    for sums in turned:
        ways = min(ways * len(sums), draws + 2)
    threshold = float(sum(sums[0] for sums in turned))
    if ways <= draws + 1:
        totals = np.zeros(1)
        for sums in turned:
            totals = np.add.outer(totals, sums).ravel()
        p = float(np.count_nonzero(totals >= threshold)) / len(totals)
        return Rotations(p=p, smallest=1.0 / ways, count=ways, exact=True)
    drawn = np.zeros(draws)
    for sums in turned:
        drawn += sums[random.integers(0, len(sums), draws)]
    p = (1 + int(np.count_nonzero(drawn >= threshold))) / (draws + 1)
    return Rotations(p=p, smallest=1.0 / (draws + 1), count=draws, exact=False)


def _turned(labels: Numbers, weights: Numbers) -> Numbers:
    """Return the sum of products for each turn of the labels, the unturned one first."""
    places = np.arange(len(labels))
    return np.asarray(labels[(places[:, None] + places[None, :]) % len(labels)] @ weights, dtype=np.float64)


def false_discovery(p: ArrayLike) -> Numbers:
    """Return chances adjusted for how many were looked at; NaN stays NaN and is not counted.

    Notes
    -----
    Y. Benjamini and Y. Hochberg, J. R. Statist. Soc. B 57 (1995), 289-300.
    """
    raw = np.asarray(p, dtype=np.float64)
    found = np.full(raw.shape, np.nan)
    known = np.isfinite(raw)
    if known.any():
        found[known] = false_discovery_control(raw[known], method="bh")
    return found
