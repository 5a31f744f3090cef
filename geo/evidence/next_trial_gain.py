"""What a test would tell, in bits: only to rank tests by, and never shown to anybody."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geo.weights import Weights

Numbers = NDArray[np.float64]


@lru_cache(4096)
def gain_of(
    points: float, sensitivity: float, specificity: float, bounds: tuple[float, float, float]
) -> float:
    """Return the gain for a cause of so many points; the same few come again and again."""
    even, least, most = bounds
    odds = 2.0 ** (points - even)
    return float(gain_bits(min(max(odds / (1.0 + odds), least), most), sensitivity, specificity))


def belief(points: ArrayLike, *, weights: Weights) -> Numbers:
    """Return a nominal belief for points, only to rank tests by, and never shown to anybody.

    The odds are 2 to the power of the points less those of even odds; the belief is clipped at both ends.
    """
    odds = np.exp2(np.asarray(points, dtype=np.float64) - weights.number("belief.even"))
    return np.clip(odds / (1.0 + odds), weights.number("belief.least"), weights.number("belief.most"))


def bits(p: ArrayLike) -> Numbers:
    """Return the entropy of a yes or no of chance ``p``, in bits."""
    chance = np.asarray(p, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = [np.where(q > 0, -q * np.log2(q), 0.0) for q in (chance, 1.0 - chance)]
    return np.asarray(terms[0] + terms[1])


def gain_bits(p: ArrayLike, sensitivity: float, specificity: float) -> Numbers:
    """Return by how many bits a test lessens the uncertainty about a cause, on average.

    Parameters
    ----------
    p
        Belief that the cause is at work.
    sensitivity, specificity
        How often it shows what is there, and stays silent where nothing is.

    Notes
    -----
    The mutual information of cause and outcome: T. M. Cover and J. A. Thomas, Elements of Information
    Theory (2nd ed. 2006), chapter 2.
    """
    before = np.asarray(p, dtype=np.float64)
    shows = before * sensitivity + (1.0 - before) * (1.0 - specificity)
    silent = 1.0 - shows
    with np.errstate(divide="ignore", invalid="ignore"):
        after_show = np.where(shows > 0, before * sensitivity / shows, 0.0)
        after_silence = np.where(silent > 0, before * (1.0 - sensitivity) / silent, 0.0)
    return np.asarray(bits(before) - shows * bits(after_show) - silent * bits(after_silence))
