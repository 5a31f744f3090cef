"""The shape of the damp up the wall, at one place and within one group of readings."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geo.moisture.censor import bounds, value_text
from geo.reference import Reference
from geo.verdict import NOT_KNOWN

Numbers = npt.NDArray[np.float64]

FOOT = "highest at the foot, falling"
EDGE = "only at the floor edge"
PART_WAY = "highest part way up"
BAND = "band above a drier base"
PATCH = "patch high up"
EVEN = "even with height"
UPWARD = "highest at the top read"
UNEVEN = "uneven with height"
CLASSES = (FOOT, EDGE, PART_WAY, BAND, PATCH, EVEN, UPWARD, UNEVEN)
"""Every class; ``"not known"`` besides."""

_USUAL_M = (0.1, 0.3, 0.6, 0.9, 1.2, 1.5)
_EDGE_AGAINST_M = (0.3, 0.6)


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """Class by height, with what it was read from.

    Parameters
    ----------
    word, because, settle
        One of :data:`CLASSES` or ``"not known"``, why, and what would settle it.
    n_heights
        Distinct heights read.
    base
        Reading at the lowest height, as written on site.
    slope_per_m, slope_low, slope_high
        Theil-Sen slope against height in the readings' unit per metre, and its 95 % interval (Sen
        1968). Readings off the scale leave the slope NaN or an end infinite where it has no bound.
    height_of_max_m
        Height of the highest reading; NaN when more than one may be it.
    top_of_damp_low_m, top_of_damp_high_m
        The damp ends between these: the highest height still over the threshold and the next above it.
        NaN without an excess over controls; 0 below when no height is over it, infinite above when the
        highest read still is.
    edge_ratio, edge_ratio_text
        Highest reading up to ``moisture.edge_height_m`` over the highest at 0.3-0.6 m, NaN when either
        was not read or the ratio is not bounded; in words ``"at least"`` or ``"at most"`` where only
        that is known.
    """

    word: str
    because: str
    settle: str
    n_heights: int
    base: str
    slope_per_m: float
    slope_low: float
    slope_high: float
    height_of_max_m: float
    top_of_damp_low_m: float
    top_of_damp_high_m: float
    edge_ratio: float
    edge_ratio_text: str


def profile_by_height(
    height_m: npt.ArrayLike,
    value: npt.ArrayLike,
    censored: npt.ArrayLike,
    *,
    spread: float,
    ref: Reference,
    control_median: float = math.nan,
    robust_sigma: float = math.nan,
) -> Profile:
    """Class the readings of one place and one group by height.

    Two heights differ when the lower bound of one exceeds the upper bound of the other by more than
    ``confidence.z_95`` √2 spreads. Readings off the scale take part by what they surely are: at least
    their limit. Of several readings at one height the highest stands.

    Parameters
    ----------
    height_m, value, censored
        Heights, readings, and ``"none"``, ``"above"`` or ``"below"`` for each.
    spread
        What the same spot gives again, one standard deviation in the readings' unit.
    control_median, robust_sigma
        Dry reference of the group; NaN when there is none. Whether the base is dry is then not known.
    """
    height, low, high, shown = _one_per_height(height_m, value, censored)
    n, need = len(height), int(ref.value("moisture.profile_heights_min"))
    slope = _slope(height, low, high, ref.value("confidence.z_95"))
    apart = ref.value("confidence.z_95") * math.sqrt(2) * spread
    higher = low[:, None] - high[None, :] > apart
    may_be_max = ~higher.any(axis=0)
    peaks = np.flatnonzero(may_be_max)
    bound = control_median + ref.value("moisture.top_of_damp_excess") * robust_sigma
    word, because, settle = _class(height, low, high, higher, peaks, bound=bound, need=need, ref=ref)
    top = _top_of_damp(height, low, high, bound)
    ratio, ratio_text = _edge_ratio(height, low, high, ref.value("moisture.edge_height_m"))
    return Profile(
        word=word,
        because=because,
        settle=settle,
        n_heights=n,
        base=shown[0] if n else "",
        slope_per_m=slope[0],
        slope_low=slope[1],
        slope_high=slope[2],
        height_of_max_m=float(height[peaks[0]]) if len(peaks) == 1 else math.nan,
        top_of_damp_low_m=top[0],
        top_of_damp_high_m=top[1],
        edge_ratio=ratio,
        edge_ratio_text=ratio_text,
    )


def height_text(height_m: float) -> str:
    """Write a height in metres with one decimal, or two where it has them: 1.0, 0.25."""
    text = f"{height_m:.2f}"
    return text.removesuffix("0")


def _one_per_height(
    height_m: npt.ArrayLike, value: npt.ArrayLike, censored: npt.ArrayLike
) -> tuple[Numbers, Numbers, Numbers, list[str]]:
    """Return distinct heights, lowest first, with the bounds and the text of the highest at each."""
    height, number = np.asarray(height_m, dtype=float), np.asarray(value, dtype=float)
    word = np.asarray(censored, dtype=object)
    fit = np.isfinite(height) & np.isfinite(number)
    height, number, word = np.round(height[fit], 2), number[fit], word[fit]
    low, high = bounds(number, word)
    order = np.lexsort((number, high, low, height))
    height, low, high, number, word = (a[order] for a in (height, low, high, number, word))
    last = (
        np.flatnonzero(np.append(height[1:] != height[:-1], True)) if len(height) else np.array([], dtype=int)
    )
    texts = [value_text(number[i], str(word[i])) for i in last]
    return height[last], low[last], high[last], texts


def _class(
    height: Numbers,
    low: Numbers,
    high: Numbers,
    higher: npt.NDArray[np.bool_],
    peaks: npt.NDArray[np.intp],
    *,
    bound: float,
    need: int,
    ref: Reference,
) -> tuple[str, str, str]:
    """Return the class, why, and what would settle it; ``higher[i, j]``: i is surely above j."""
    n = len(height)
    if n < need:
        said = "1 height read" if n == 1 else f"{n} heights read"
        return NOT_KNOWN, f"{said}, and a class needs {need}", _more_heights(height, need - n)
    if height[0] > ref.value("moisture.foot_height_m"):
        return NOT_KNOWN, f"nothing read below {height_text(height[0])} m", "read at 0.1 m as well"
    if np.all(np.isinf(high)):
        return NOT_KNOWN, "off the scale at every height", "drilled samples at these heights"
    rises = bool(np.tril(higher, -1).any())
    falls = bool(np.triu(higher, 1).any())
    most = height[peaks]
    where = ", ".join(height_text(h) for h in most)
    if not rises and not falls:
        if np.isinf(high).any() or np.isinf(low).any():
            said = "no two heights surely differ, and some readings are off the scale"
            return NOT_KNOWN, said, "drilled samples at these heights"
        return EVEN, "no two heights differ by more than the readings scatter", ""
    if not rises:
        return _from_foot(height, higher, where, ref)
    if most[0] == height[0]:
        return UNEVEN, f"highest at {where} m, and surely rising again above the foot", ""
    if most[-1] == height[-1] and not (len(most) == 1 and _is_dry_below(height, high, most, bound, ref)):
        above = f"read above {height_text(height[-1])} m"
        return UPWARD, f"the highest may be above the {height_text(height[-1])} m read", above
    return _above_base(height, low, high, most, where, bound, ref)


def _from_foot(
    height: Numbers, higher: npt.NDArray[np.bool_], where: str, ref: Reference
) -> tuple[str, str, str]:
    """Tell a smooth fall from the foot from damp at the floor edge alone."""
    edge = height <= ref.value("moisture.edge_height_m")
    above = ~edge
    every_one_lower = bool(edge.any() and above.any() and higher[0, above].all())
    if every_one_lower and not higher[np.ix_(above, above)].any():
        return EDGE, f"above {height_text(height[edge][-1])} m lower, and even there", ""
    return FOOT, f"highest at {where} m, and nowhere surely rising above it", ""


def _is_dry_below(height: Numbers, high: Numbers, most: Numbers, bound: float, ref: Reference) -> bool:
    """Whether the base is known to be dry and the maximum high up."""
    return bool(high[0] <= bound and most[0] >= ref.value("moisture.high_patch_m") and height[0] < most[0])


def _above_base(
    height: Numbers,
    low: Numbers,
    high: Numbers,
    most: Numbers,
    where: str,
    bound: float,
    ref: Reference,
) -> tuple[str, str, str]:
    """Tell apart the shapes whose maximum is above the foot."""
    said = f"highest at {where} m, lower at {height_text(height[0])} m"
    if math.isnan(bound):
        return PART_WAY, f"{said}; without controls it is not known whether the base is dry", ""
    if high[0] <= bound:
        patch = bool(most[0] >= ref.value("moisture.high_patch_m"))
        return (PATCH if patch else PART_WAY), f"{said}, where it is dry", ""
    if low[0] > bound:
        return BAND, f"{said}, where it is wet too", ""
    return PART_WAY, f"{said}; whether the base is dry is not known", ""


def _slope(height: Numbers, low: Numbers, high: Numbers, z: float) -> tuple[float, float, float]:
    """Return the Theil-Sen slope and its interval after Sen (1968), by bounds where readings have none.

    With N pairs of n distinct heights the interval runs between the ordered pair slopes whose places
    are (N ± C) / 2, C = z √(n (n - 1) (2 n + 5) / 18).
    """
    n = len(height)
    if n < 2:
        return math.nan, math.nan, math.nan
    i, j = np.triu_indices(n, 1)
    run = height[j] - height[i]
    least, most = np.sort((low[j] - high[i]) / run), np.sort((high[j] - low[i]) / run)
    middle = float(np.median(least)), float(np.median(most))
    pairs = len(run)
    reach = z * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    below, above = round((pairs - reach) / 2) - 1, round((pairs + reach) / 2)
    slope = middle[0] if middle[0] == middle[1] else math.nan
    return slope, float(least[max(below, 0)]), float(most[min(above, pairs - 1)])


def _top_of_damp(height: Numbers, low: Numbers, high: Numbers, bound: float) -> tuple[float, float]:
    """Return the heights between which the damp ends; what lies between two heights is not read."""
    if math.isnan(bound) or len(height) == 0:
        return math.nan, math.nan
    over, surely_under = np.flatnonzero(low > bound), high <= bound
    last = int(over[-1]) if len(over) else -1
    dry = np.flatnonzero(surely_under & (np.arange(len(height)) > last))
    start = float(height[last]) if last >= 0 else 0.0
    unsure = np.flatnonzero(~surely_under)
    following = dry[dry > (unsure[-1] if len(unsure) else -1)]
    return start, float(height[following[0]]) if len(following) else math.inf


def _edge_ratio(height: Numbers, low: Numbers, high: Numbers, edge_m: float) -> tuple[float, str]:
    """Return the highest at the floor edge over the highest at 0.3-0.6 m, and it in words."""
    at_edge = height <= edge_m
    beyond = (height >= _EDGE_AGAINST_M[0]) & (height <= _EDGE_AGAINST_M[1])
    if not at_edge.any() or not beyond.any():
        return math.nan, ""
    top = float(low[at_edge].max()), float(high[at_edge].max())
    foot = float(low[beyond].max()), float(high[beyond].max())
    least = top[0] / foot[1] if foot[1] > 0 and math.isfinite(top[0]) else 0.0
    most = top[1] / foot[0] if foot[0] > 0 else math.inf
    if least == most:
        return least, f"{least:.1f}"
    if math.isinf(most):
        return math.nan, f"at least {least:.1f}" if least > 0 else "not known"
    return math.nan, f"at most {most:.1f}" if least == 0 else f"between {least:.1f} and {most:.1f}"


def _more_heights(height: Numbers, lack: int) -> str:
    """Name the usual heights that would make the profile whole, the foot first."""
    free = [h for h in _USUAL_M if not np.any(np.abs(height - h) < 0.1)][:lack]
    return "read at " + ", ".join(height_text(h) for h in free) + " m as well at this place"
