"""Wet, dry or not known: each reading held against the dry references of its own group.

A group is one method, one material, one basis and one instrument. Nothing is ever compared, ranked
or averaged across two groups.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geo.errors import InputError, Problem
from geo.moisture.censor import ABOVE, BELOW, NONE
from geo.reference import Method, Reference
from geo.verdict import NOT_KNOWN

Numbers = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

WET, DRY, CONTROL = "wet", "dry", "control"
GROUP = ("method", "material", "basis", "instrument")
WETNESS_COLUMNS = ("group", "censored", "excess", "excess_at_least", "rank", "wet", "because", "settle")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wetness:
    """What the readings say, group by group.

    Parameters
    ----------
    wetness
        Same index as the readings: ``group``, ``censored``, ``excess`` (robust sigmas over the median
        of the controls; NaN without enough controls, or off the scale), ``excess_at_least`` (its lower
        bound where only that is known, else the same as ``excess``), ``rank`` (0 lowest to 1, the share
        of the group's other readings that are not surely higher; ties share the higher rank, so that
        whatever may be the highest has 1; NaN for a single reading), ``wet`` (``"wet"``, ``"dry"``,
        ``"not known"``, ``"control"``), ``because``, ``settle``.
    groups
        Index ``group``: ``method``, ``material``, ``basis``, ``instrument``, ``n``, ``n_control``,
        ``control_median`` (NaN when it is itself off the scale), ``control_mad``, ``spread`` (of the
        instrument, in its unit), ``robust_sigma`` (the larger of spread and 1.4826 MAD),
        ``basis_of_comparison`` (``"excess"`` or ``"ranks"``), ``because``, ``settle``.
    """

    wetness: pd.DataFrame
    groups: pd.DataFrame


def group_keys(readings: pd.DataFrame, *, ref: Reference) -> pd.Series[Any]:
    """Return each reading's group, ``method|material|basis|instrument``; a blank basis is the method's own.

    The three first are words of the vocabulary and hold no bar, so no two groups share a key.
    """
    own = readings["method"].map({key: method.basis for key, method in ref.methods.items()})
    told = readings["basis"].astype(object)
    basis = told.where(told.notna() & (told != ""), own)
    key = readings["method"].astype(str) + "|" + readings["material"].astype(str)
    return (key + "|" + basis.astype(str) + "|" + readings["instrument"].astype(str)).astype(object)


def score_wetness(readings: pd.DataFrame, *, ref: Reference) -> Wetness:
    """Hold every reading against the dry references of its own group.

    The excess is (value - median of the controls) / sigma, sigma being the larger of the instrument's
    spread and 1.4826 times the controls' median absolute deviation. Above ``moisture.wet_excess`` a
    reading is wet, at or below ``moisture.dry_excess`` dry, between the two not known. Off the scale
    upward it is wet when even its limit is, else not known; downward, dry when even its limit is. With
    fewer than ``moisture.control_min`` controls there are ranks only. Where the end of the scale lies
    within ``moisture.wet_excess`` sigma of the controls nothing could ever show as wet, so nothing is
    called dry.

    Parameters
    ----------
    readings
        One row a reading; columns ``method``, ``material``, ``basis``, ``instrument``, ``value``,
        ``censored`` (``"none"``, ``"above"``, ``"below"``), ``control`` (bool) and, where sets are
        named, ``control_set_id`` (a reading that belongs to a control set is a control).

    Raises
    ------
    InputError
        When a method is not one of ``shared/methods.toml``.
    """
    _refuse_unknown_methods(readings, ref)
    keys = group_keys(readings, ref=ref)
    codes, names = pd.factorize(keys, sort=True)
    code: Counts = codes.astype(np.int64)
    value = readings["value"].to_numpy(dtype=float, na_value=np.nan)
    word = readings["censored"].to_numpy(dtype=object)
    control = readings["control"].to_numpy(dtype=bool)
    if "control_set_id" in readings:
        control = control | readings["control_set_id"].fillna("").ne("").to_numpy(dtype=bool)

    groups = _groups(readings, code, names, value, word, control, ref)
    median, top, sigma = (
        groups[c].to_numpy(float)[code] for c in ("control_median", "_control_top", "robust_sigma")
    )
    enough = (groups["basis_of_comparison"] == "excess").to_numpy()[code]
    blunt = groups["_blunt"].to_numpy(dtype=bool)[code]

    bound = np.where(enough, (value - top) / sigma, np.nan)
    known = np.where(enough, (value - median) / sigma, np.nan)
    excess = np.where(word == NONE, known, np.nan)
    at_least = np.where(word == BELOW, np.nan, np.where(np.isnan(excess), bound, excess))

    wet_at, dry_at = ref.value("moisture.wet_excess"), ref.value("moisture.dry_excess")
    with np.errstate(invalid="ignore"):
        is_wet = at_least > wet_at
        # Where the controls lie under their scale, only what is no higher than that limit is surely dry.
        under = np.isnan(median) & (value <= top)
        is_dry = enough & ~blunt & (word != ABOVE) & ((known <= dry_at) | under)
    wet = np.select([control, is_wet, is_dry], [CONTROL, WET, DRY], NOT_KNOWN).astype(object)
    wet[np.isnan(value) & ~control] = NOT_KNOWN

    because, settle = _sentences(groups, code, wet, word, value, blunt, enough, ref)
    suspect = control & (excess > wet_at)
    because[suspect] = "a control that reads as wet against the others: has it a reason to be?"
    wetness = pd.DataFrame(
        {
            "group": keys.to_numpy(dtype=object),
            "censored": word,
            "excess": excess,
            "excess_at_least": at_least,
            "rank": _ranks(code, value, word, len(names)),
            "wet": wet,
            "because": because,
            "settle": settle,
        },
        index=readings.index,
    )
    shown = [c for c in groups.columns if not c.startswith("_")]
    return Wetness(wetness=wetness, groups=groups[shown])


def _refuse_unknown_methods(readings: pd.DataFrame, ref: Reference) -> None:
    unknown = sorted({str(m) for m in readings["method"].unique() if m not in ref.methods})
    if unknown:
        allowed = "one of " + ", ".join(ref.methods)
        raise InputError(
            Problem(
                file="readings.csv",
                column="method",
                found=f"{name!r} is no method",
                allowed=allowed,
                mend="Name the method by what it measures.",
            )
            for name in unknown
        )


def spread_of(method: Method) -> float:
    """Return what the same spot gives again by a method, one standard deviation in its unit."""
    span = method.scale_max - method.scale_min
    return method.spread * (span if method.spread_kind == "of span" else 1.0)


def _groups(
    readings: pd.DataFrame,
    code: Counts,
    names: Any,
    value: Numbers,
    word: npt.NDArray[np.object_],
    control: npt.NDArray[np.bool_],
    ref: Reference,
) -> pd.DataFrame:
    """Return the groups with their dry references; ``_`` columns are for this module only."""
    size = len(names)
    usable = control & np.isfinite(value)
    at, of = value[usable], code[usable]
    above, below = word[usable] == ABOVE, word[usable] == BELOW

    top = _group_medians(np.where(above, np.inf, at), of, size)
    low = _group_medians(np.where(below, -np.inf, at), of, size)
    centre = np.where(np.isfinite(top), top, np.nan)
    exact = np.where(top == low, centre, np.nan)
    # The widest each deviation can be: no scale goes below nothing, and upward there is no end.
    away = np.where(above, np.inf, np.where(below, exact[of], np.abs(at - exact[of])))
    mad = _group_medians(np.where(np.isnan(away), np.inf, away), of, size)
    mad[np.isnan(exact)] = np.nan
    n_control = np.bincount(of, minlength=size)

    first = np.zeros(size, dtype=np.int64)
    first[code[::-1]] = np.arange(len(code))[::-1]
    parts = readings.iloc[first][["method", "material", "instrument"]].to_numpy(dtype=object)
    methods = [ref.methods[str(m)] for m in parts[:, 0]]
    spread = np.array([spread_of(m) for m in methods], dtype=float)
    sigma = np.fmax(spread, ref.value("moisture.mad_factor") * mad)

    need = int(ref.value("moisture.control_min"))
    few = n_control < need
    off = ~few & (~np.isfinite(top) | np.isinf(mad) | (np.isfinite(low) & (low != top)))
    ends = np.array([m.scale_max for m in methods], dtype=float)
    with np.errstate(invalid="ignore"):
        blunt = (ends - centre) / sigma <= ref.value("moisture.wet_excess")
    settle, because = [], []
    for i, method in enumerate(methods):
        lack = need if off[i] else max(need - int(n_control[i]), 0)
        more = "more " if few[i] and n_control[i] else ""
        material = ref.word("material", str(parts[i, 1]))
        asked = f"take {lack} {more}reading{'s' if lack > 1 else ''} of {material} with {method.name}"
        asked += " where the wall has no reason to be wet"
        settle.append(asked if few[i] or off[i] else "")
        because.append(
            f"{n_control[i]} of {need} controls: ranks only"
            if few[i]
            else "the controls are off the scale: there is no dry reference"
            if off[i]
            else ""
        )
    return pd.DataFrame(
        {
            "method": parts[:, 0],
            "material": parts[:, 1],
            "basis": [str(name).split("|", 3)[2] for name in names],
            "instrument": parts[:, 2],
            "n": np.bincount(code, minlength=size),
            "n_control": n_control,
            "control_median": exact,
            "control_mad": np.where(np.isinf(mad), np.nan, mad),
            "spread": spread,
            "robust_sigma": np.where(few | off, np.nan, sigma),
            "basis_of_comparison": np.where(few | off, "ranks", "excess").astype(object),
            "because": because,
            "settle": settle,
            "_control_top": centre,
            "_blunt": blunt & ~few & ~off,
        },
        index=pd.Index(names, name="group", dtype=object),
    )


def _group_medians(values: Numbers, code: Counts, size: int) -> Numbers:
    """Return the median of each group; NaN for an empty one, infinite where the middle is."""
    out = np.full(size, np.nan)
    if len(values) == 0:
        return out
    order = np.lexsort((values, code))
    ordered = values[order]
    count = np.bincount(code, minlength=size)
    start = np.concatenate([[0], np.cumsum(count)[:-1]])
    some = count > 0
    low, high = ordered[(start + (count - 1) // 2)[some]], ordered[(start + count // 2)[some]]
    out[some] = np.where(low == high, low, low / 2 + high / 2)
    return out


def _ranks(code: Counts, value: Numbers, word: npt.NDArray[np.object_], size: int) -> Numbers:
    """Return the share of a group's other readings that are not surely higher.

    Each reading is an interval on doubled integer places (so that ">20" lies above 20 itself); the
    surely higher ones are those whose low end lies above its high end, counted by one sorted search.
    """
    rank = np.full(len(value), np.nan)
    fit = np.isfinite(value)
    if not fit.any():
        return rank
    place = 2 * np.unique(value[fit], return_inverse=True)[1].astype(np.int64) + 1
    of, cut = code[fit], word[fit]
    far = 2 * len(place) + 4
    low = np.where(cut == ABOVE, place + 1, np.where(cut == BELOW, 0, place))
    high = np.where(cut == BELOW, place - 1, np.where(cut == ABOVE, far - 1, place))
    lows = np.sort(of * far + low)
    ends = np.cumsum(np.bincount(of, minlength=size))[of]
    surely_higher = ends - np.searchsorted(lows, of * far + high, side="right")
    others = np.bincount(of, minlength=size)[of] - 1
    rank[fit] = np.where(others > 0, 1 - surely_higher / np.maximum(others, 1), np.nan)
    return rank


def _sentences(
    groups: pd.DataFrame,
    code: Counts,
    wet: npt.NDArray[np.object_],
    word: npt.NDArray[np.object_],
    value: Numbers,
    blunt: npt.NDArray[np.bool_],
    enough: npt.NDArray[np.bool_],
    ref: Reference,
) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.object_]]:
    """Return why each reading is called what it is, and what would settle it; said once a group."""
    wet_at, dry_at = ref.value("moisture.wet_excess"), ref.value("moisture.dry_excess")
    said: dict[str, list[str]] = {name: [] for name in ("wet", "off", "dry", "between", "above", "below")}
    for top, n in zip(groups["_control_top"], groups["n_control"], strict=True):
        against = f"the middle of {n} controls ({top:g})"
        said["wet"].append(f"more than {wet_at:g} sigma above {against}")
        said["off"].append(f"off the scale; its end is more than {wet_at:g} sigma above {against}")
        said["dry"].append(f"within {dry_at:g} sigma of {against}, or below it")
        said["between"].append(f"between {dry_at:g} and {wet_at:g} sigma above {against}")
        said["above"].append(f"off the scale, whose end is not {wet_at:g} sigma above {against}")
        said["below"].append(f"below the scale, whose end lies above {against}")
    texts = {name: np.array(lines, dtype=object)[code] for name, lines in said.items()}
    blunted = "the controls read so high, or scatter so widely, that nothing on this scale could show as wet"
    none = ~enough & (wet == NOT_KNOWN)
    gone = np.isnan(value)
    unknown = wet == NOT_KNOWN
    cases = [
        wet == CONTROL, gone, none, (wet == WET) & (word == ABOVE), wet == WET, wet == DRY,
        unknown & (word == ABOVE), unknown & blunt, unknown & (word == BELOW), unknown,
    ]  # fmt: skip
    because = np.select(
        cases,
        [
            "a dry reference", "no value", groups["because"].to_numpy(dtype=object)[code], texts["off"],
            texts["wet"], texts["dry"], texts["above"], blunted, texts["below"], texts["between"],
        ],
        "",
    ).astype(object)  # fmt: skip
    settle = np.select(
        [
            gone & (wet != CONTROL),
            none,
            unknown & (word == ABOVE),
            unknown & blunt,
            unknown & (word == BELOW),
            unknown,
        ],
        [
            "read it again",
            groups["settle"].to_numpy(dtype=object)[code],
            "read it by a method whose scale goes further, or drill a sample",
            "take the controls again, on one material and finish",
            "read it by a method whose scale goes lower, or drill a sample",
            "read it three times more, or drill a sample",
        ],
        "",
    ).astype(object)
    return because, settle
