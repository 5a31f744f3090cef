"""Readings off the end of the scale: what they do say, and what they cannot."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geo.reference import Method, Reference

Numbers = npt.NDArray[np.float64]

NONE, ABOVE, BELOW = "none", "above", "below"
_VALUE = re.compile(r"\s*(>=|<=|[<>≥≤])?\s*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))\s*")
_SIGNS = {"": NONE, ">": ABOVE, ">=": ABOVE, "≥": ABOVE, "<": BELOW, "<=": BELOW, "≤": BELOW}


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Middle of a set of readings, some of which may be off the scale.

    Parameters
    ----------
    n, n_censored
        Readings, and how many of them are off the scale.
    median_low, median_high
        Bounds of the median; equal when it is known, infinite where it has no bound.
    mean
        Mean, NaN as soon as one reading is off the scale.
    mean_low, mean_high
        Bounds of the mean; infinite where it has none.
    median_text, mean_text
        The same in words: ``"14.0"``, ``"at least 13.9"``, ``"not known"``.
    """

    n: int
    n_censored: int
    median_low: float
    median_high: float
    mean: float
    mean_low: float
    mean_high: float
    median_text: str
    mean_text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What is wrong with a value as it was written; ``stops`` when it cannot be used."""

    found: str
    allowed: str
    mend: str
    stops: bool


def value_fault(text: str, method: Method) -> Fault | None:
    """Return what is wrong with a value of a method, or ``None``."""
    try:
        number, censored = parse_value(text)
    except ValueError:
        return Fault(
            found=f"{text!r} is not a reading",
            allowed="a number, or >100 or <6 when off the scale",
            mend="Write a number with a point; write off-scale with > or <.",
            stops=True,
        )
    if censored == NONE and number >= method.scale_max:
        return Fault(
            found=f"{number:g} is at or beyond the end of the scale of {method.name}",
            allowed=f"below {method.scale_max:g}, or >{method.scale_max:g}",
            mend=f"If the instrument read full scale, write >{number:g}; it is not a value.",
            stops=False,
        )
    return None


def parse_value(text: str) -> tuple[float, str]:
    """Read one value as it was written: ``"12.3"``, ``">20"``, ``"≥ 20"`` or ``"<6"``.

    Returns
    -------
    The number, and ``"none"``, ``"above"`` (the true value is above it) or ``"below"``.

    Raises
    ------
    ValueError
        When it is anything else; a decimal comma is refused by name.
    """
    match = _VALUE.fullmatch(text)
    if match is None or not math.isfinite(float(match[2])):
        why = "has a decimal comma" if re.search(r"\d,\d", text) else "is not a number, >number or <number"
        raise ValueError(f"{text!r} {why}")
    return float(match[2]), _SIGNS[match[1] or ""]


def parse_values(texts: pd.Series[Any]) -> pd.DataFrame:
    """Read a column of values as they were written.

    Returns
    -------
    Table with the same index: ``value`` (NaN when unreadable), ``censored`` (``"none"``,
    ``"above"``, ``"below"``) and ``problem`` (a sentence, ``""`` when it was read).
    """
    written = texts.astype(object)
    parts = written.astype("str").str.extract(f"^(?:{_VALUE.pattern})$").fillna("")
    value = pd.to_numeric(parts[1], errors="coerce").astype(float).replace(np.inf, np.nan)
    unread = value.isna()
    problem = pd.Series("", index=texts.index, dtype=object)
    for row in np.flatnonzero(unread.to_numpy()):
        raw = written.iloc[row]
        said = f"{raw!r} is not a number, >number or <number"
        if isinstance(raw, str):
            try:
                parse_value(raw)
            except ValueError as error:
                said = str(error)
        problem.iloc[row] = said
    censored = parts[0].map(_SIGNS).where(~unread, NONE).astype(object)
    return pd.DataFrame({"value": value, "censored": censored, "problem": problem}, index=texts.index)


def scale_end_warnings(
    value: pd.Series[Any], censored: pd.Series[Any], method: pd.Series[Any], *, ref: Reference
) -> pd.Series[Any]:
    """Say which values stand at an end of their method's scale and may be off it.

    A share of mass has a true nothing, so only an instrument's own scale has a lower end.

    Returns
    -------
    Text on the same index: ``"at the end of the scale: > 100?"``, or ``""``.
    """
    methods = ref.methods
    tops = method.map({key: m.scale_max for key, m in methods.items()}).astype(float)
    bottoms = method.map(
        {key: m.scale_min if m.basis == "instrument" else -math.inf for key, m in methods.items()}
    ).astype(float)
    plain = censored == NONE
    said = pd.Series("", index=value.index, dtype=object)
    high, low = plain & (value >= tops), plain & (value <= bottoms)
    said[high] = "at the end of the scale: > " + tops[high].map("{:g}".format) + "?"
    said[low] = "at the end of the scale: < " + bottoms[low].map("{:g}".format) + "?"
    return said


def bounds(values: npt.ArrayLike, censored: npt.ArrayLike) -> tuple[Numbers, Numbers]:
    """Return what each reading surely is at least, and at most.

    Parameters
    ----------
    values, censored
        Numbers as written, and ``"none"``, ``"above"`` or ``"below"`` for each.
    """
    number, word = np.asarray(values, dtype=float), np.asarray(censored, dtype=object)
    return np.where(word == BELOW, -np.inf, number), np.where(word == ABOVE, np.inf, number)


def summary(values: npt.ArrayLike, censored: npt.ArrayLike, *, decimals: int = 1) -> Summary:
    """Return the median of readings of one group, and their mean only where it exists.

    A reading off the scale counts as anything from its limit outward: the median is bounded by the
    medians of the lowest and of the highest values the readings can have. The mean is given only
    when no reading is off the scale; else its bounds are.
    """
    low, high = bounds(values, censored)
    n, cut = len(low), int(np.count_nonzero(np.asarray(censored, dtype=object) != NONE))
    if n == 0:
        nan, said = math.nan, "no readings"
        return Summary(
            n=0, n_censored=0, median_low=nan, median_high=nan, mean=nan, mean_low=nan, mean_high=nan,
            median_text=said, mean_text=said,
        )  # fmt: skip
    middle = _middle(low), _middle(high)
    mean = float(low.mean()), float(high.mean())
    return Summary(
        n=n,
        n_censored=cut,
        median_low=middle[0],
        median_high=middle[1],
        mean=mean[0] if cut == 0 else math.nan,
        mean_low=mean[0],
        mean_high=mean[1],
        median_text=_said(*middle, decimals),
        mean_text=_said(*mean, decimals),
    )


def value_text(value: float, censored: str) -> str:
    """Write a reading as it is written on site: ``"12.3"``, ``">20"``, ``"<6"``."""
    return {ABOVE: ">", BELOW: "<"}.get(censored, "") + f"{value:g}"


def highest_text(values: npt.ArrayLike, censored: npt.ArrayLike) -> str:
    """Write the highest of some readings; one off the scale leaves it open upwards."""
    number, word = np.asarray(values, dtype=float), np.asarray(censored, dtype=object)
    above, other = number[word == ABOVE], number[word == NONE]
    if above.size and (not other.size or above.max() >= other.max()):
        return f">{above.max():g}"
    if other.size:
        return ("≥" if above.size else "") + f"{other.max():g}"
    return f"<{number.max():g}" if number.size else ""


def _middle(values: Numbers) -> float:
    """Return the median; of two middle values of which one has no bound, none."""
    ordered = np.sort(values)
    pair = ordered[(len(ordered) - 1) // 2], ordered[len(ordered) // 2]
    return float(pair[0]) if pair[0] == pair[1] else float(pair[0] + pair[1]) / 2


def _said(low: float, high: float, decimals: int) -> str:
    if low == high and math.isfinite(low):
        return f"{low:.{decimals}f}"
    if math.isinf(low) and math.isinf(high):
        return "not known"
    if math.isinf(high):
        return f"at least {low:.{decimals}f}"
    if math.isinf(low):
        return f"at most {high:.{decimals}f}"
    return f"between {low:.{decimals}f} and {high:.{decimals}f}"
