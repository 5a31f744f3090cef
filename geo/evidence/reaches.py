"""Lengths of wall on a closed ring: their overlap, the gap between them, where a party line ends them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from geo.evidence.kinds import Reach

Numbers = NDArray[np.float64]
Arc = tuple[float, float, bool]
"""From, to (running on past the origin) and whether it is the whole closed ring."""


def unwrapped(from_m: float, to_m: float, length_m: float) -> tuple[float, float]:
    """Return a length of wall with its end above its beginning, running on past the origin corner."""
    return (from_m, to_m) if to_m >= from_m else (from_m, to_m + length_m)


def overlap_m(a: tuple[float, float], b: tuple[float, float], length_m: float) -> float:
    """Return how many metres two lengths of one ring share."""
    return sum(max(0.0, min(a[1], b[1] + s) - max(a[0], b[0] + s)) for s in (-length_m, 0.0, length_m))


def apart_m(a: tuple[float, float], b: tuple[float, float], length_m: float) -> float:
    """Return how far apart two lengths of one ring are, the shorter way round; 0 where they touch."""
    gaps = (max(b[0] + s - a[1], a[0] - b[1] - s) for s in (-length_m, 0.0, length_m))
    return max(0.0, min(gaps))


def touches(a: tuple[float, float], b: tuple[float, float], length_m: float, within_m: float = 0.0) -> bool:
    """Whether two lengths of one ring lie within so much of each other."""
    return apart_m(a, b, length_m) <= within_m + 1e-9


def overlaps(a: tuple[float, float], b: tuple[float, float], length_m: float) -> bool:
    """Whether two lengths of one ring share more than an end."""
    for shift in (-length_m, 0.0, length_m):
        if min(a[1], b[1] + shift) - max(a[0], b[0] + shift) > 1e-6:
            return True
    return False


def covered_m(span: tuple[float, float], parts: Iterable[tuple[float, float]], length_m: float) -> float:
    """Return how much of a length lies in any of several others, those that overlap counted once."""
    cut = [
        (max(span[0], a + s), min(span[1], b + s))
        for a, b in parts
        for s in (-length_m, 0.0, length_m)
        if b + s > span[0] and a + s < span[1]
    ]
    total, end = 0.0, -math.inf
    for a, b in sorted(cut):
        total += max(0.0, b - max(a, end))
        end = max(end, b)
    return total


def clipped(
    span: tuple[float, float], at: float, arcs: Sequence[Arc], length_m: float
) -> tuple[tuple[float, float], bool]:
    """End a length round a place where the free wall it lies on ends.

    Parameters
    ----------
    arcs
        Free wall of that ring.

    Returns
    -------
    The length, and whether a party line ended it. A place on no free wall keeps its length.
    """
    for begin, end, whole in arcs:
        if whole:
            if span[1] - span[0] >= length_m:
                return (0.0, length_m), False
            return span, False
        for s in (-length_m, 0.0, length_m):
            if begin + s - 1e-9 <= at <= end + s + 1e-9:
                cut = max(span[0], begin + s), min(span[1], end + s)
                return cut, cut != span
    return span, False


def on_ring(ring_key: str, side: str, span: tuple[float, float], length_m: float, basis: str) -> Reach:
    """Return a length as a reach, its beginning brought back onto the ring."""
    turns = math.floor(span[0] / length_m + 1e-12) * length_m if length_m > 0 else 0.0
    return Reach(
        ring_key=ring_key, side=side, from_m=span[0] - turns, to_m=min(span[1], span[0] + length_m) - turns,
        basis=basis,
    )  # fmt: skip
