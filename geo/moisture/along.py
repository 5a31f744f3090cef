"""The shape of the damp along the wall, at one height and within one group of readings."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.float64]
Span = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Along:
    """What the readings of one height and group say along the wall.

    Parameters
    ----------
    peak_m
        Chainage of the highest reading; the middle of the plateau where several may be it.
    plateau_from_m, plateau_to_m
        From the first to the last of the readings next to one another that may be the highest.
    left_m, right_m
        Half-widths at half height, m, from the plateau's end toward falling and rising chainage, each as
        (least, most): equal when known; most is infinite where the damp was not read to half its height.
    skew
        ``"left"``, ``"right"``, ``"even"``, or ``""`` where the half-widths do not tell.
    """

    peak_m: float
    plateau_from_m: float
    plateau_to_m: float
    left_m: Span
    right_m: Span
    skew: str

    @property
    def plateau_m(self) -> float:
        """Length of the plateau, m."""
        return self.plateau_to_m - self.plateau_from_m


def along_wall(
    chainage_m: npt.ArrayLike,
    low: npt.ArrayLike,
    high: npt.ArrayLike,
    *,
    apart: float,
    dry: float = math.nan,
    gap_m: float = math.inf,
    within: Span = (-math.inf, math.inf),
) -> Along:
    """Find the peak along a wall, its plateau and its half-widths.

    Half height is half way from the dry reference to the peak. Between two readings the damp is taken
    straight. A reading off the scale takes part by its bounds: it is at least, or at most, its limit.

    Parameters
    ----------
    chainage_m
        Of the readings, running on past the origin corner where the stretch does.
    low, high
        Bounds of each reading, in one unit; the same where it is on the scale.
    apart
        Two readings that differ by less cannot be told apart.
    dry
        Dry reference of the group; NaN leaves the half-widths unbounded.
    gap_m
        A wider gap between readings is unread, and ends the half-width there as not read.
    within
        Chainages the peak must lie between: the stretch. Readings beyond it serve the half-widths.
    """
    x, lows, highs = (np.asarray(each, dtype=float) for each in (chainage_m, low, high))
    fit = np.isfinite(x) & ~np.isnan(lows) & ~np.isnan(highs)
    x, lows, highs = x[fit], lows[fit], highs[fit]
    x, lows, highs = _one_per_place(x, lows, highs)
    inside = (x >= within[0] - 1e-9) & (x <= within[1] + 1e-9)
    if not inside.any():
        nothing = (0.0, math.inf)
        return Along(
            peak_m=math.nan, plateau_from_m=math.nan, plateau_to_m=math.nan, left_m=nothing, right_m=nothing,
            skew="",
        )  # fmt: skip
    top = float(lows[inside].max())
    may = inside & (highs >= top - apart)
    first = int(np.flatnonzero(inside & (lows == top))[0])
    a, b = _around(may, first)
    left = _half(x, lows, highs, a, -1, dry=dry, peak=(top, float(highs[a : b + 1].max())), gap_m=gap_m)
    right = _half(x, lows, highs, b, 1, dry=dry, peak=(top, float(highs[a : b + 1].max())), gap_m=gap_m)
    return Along(
        peak_m=float((x[a] + x[b]) / 2),
        plateau_from_m=float(x[a]),
        plateau_to_m=float(x[b]),
        left_m=left,
        right_m=right,
        skew=_skew(left, right),
    )


def _one_per_place(x: Numbers, low: Numbers, high: Numbers) -> tuple[Numbers, Numbers, Numbers]:
    """Return places in order, the highest reading standing for each."""
    order = np.lexsort((high, low, x))
    x, low, high = x[order], low[order], high[order]
    last = np.append(x[1:] != x[:-1], True) if len(x) else np.zeros(0, dtype=bool)
    return x[last], low[last], high[last]


def _around(may: npt.NDArray[np.bool_], at: int) -> tuple[int, int]:
    """Return the ends of the run of true values round a place."""
    a = b = at
    while a > 0 and may[a - 1]:
        a -= 1
    while b + 1 < len(may) and may[b + 1]:
        b += 1
    return a, b


def _half(
    x: Numbers, low: Numbers, high: Numbers, start: int, step: int, *, dry: float, peak: Span, gap_m: float
) -> Span:
    """Return how far the damp stays above half its height, at least and at most, going one way."""
    if math.isnan(dry):
        return 0.0, math.inf
    least_bar, most_bar = ((dry + top) / 2 if math.isfinite(top) else math.inf for top in peak)
    return (
        _falls(x, low, start, step, bar=most_bar, gap_m=gap_m, beyond=False),
        _falls(x, high, start, step, bar=least_bar, gap_m=gap_m, beyond=True),
    )


def _falls(
    x: Numbers, value: Numbers, start: int, step: int, *, bar: float, gap_m: float, beyond: bool
) -> float:
    """Return the distance to where values fall below a bar, or to the last read (infinite) beyond it."""
    i = start
    if value[i] < bar:
        return 0.0
    while 0 <= i + step < len(x):
        j = i + step
        if abs(x[j] - x[i]) > gap_m:
            break
        if value[j] < bar:
            share = 1.0 if math.isinf(value[i]) else (value[i] - bar) / (value[i] - value[j])
            return float(abs(x[i] - x[start]) + share * abs(x[j] - x[i]))
        i = j
    return math.inf if beyond else float(abs(x[i] - x[start]))


def _skew(left: Span, right: Span) -> str:
    if left[0] > right[1]:
        return "left"
    if right[0] > left[1]:
        return "right"
    known = left[0] == left[1] and right[0] == right[1]
    return "even" if known else ""
