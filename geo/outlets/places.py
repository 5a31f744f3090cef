"""From readings to places: each spot of the outside wall once for each group, whatever the heights."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.stats import Numbers

Rows = NDArray[np.intp]
Arc = tuple[str, float, float] | tuple[str, float, float, bool]

DRY, UNKNOWN, WET = 0, 1, 2
COLUMNS = (
    *("group", "ring_key", "arc", "along_m", "chainage_m", "sigma_m"),
    *("wet", "score", "compared_by", "reading_ids"),
)
DTYPES = {
    "arc": "int64",
    "along_m": "float64",
    "chainage_m": "float64",
    "sigma_m": "float64",
    "wet": "int64",
    "score": "float64",
}

CONTROL = "a dry reference, not a reading of the wall foot"
UNJOINED = "belongs to no wall"
NOT_OUTSIDE = "on a party wall, or on a wall with no way round the outside"
POORLY_PLACED = "its position is not known to the middle radius"

_TOUCH_M = 1e-6


def places_of(
    readings: pd.DataFrame,
    arcs: Sequence[Arc],
    *,
    ring_lengths: Mapping[str, float],
    same_place_m: float,
    worst_sigma_m: float,
) -> tuple[pd.DataFrame, pd.Series[str]]:
    """Gather readings into places, one for each group and spot of free wall.

    Parameters
    ----------
    readings
        Index reading_id; columns ring_key, chainage_m, wet, group; where known chainage_sigma_m,
        rank (0 to 1 within the group, ties at the top), excess with censored, control.
    arcs
        Runs of wall without a party face: ring_key, chainage from, chainage to (past the ring's
        length where the run passes the origin corner).
    ring_lengths
        Length of each ring in metres, by ring_key.
    same_place_m
        Readings no further apart along the wall are one place.
    worst_sigma_m
        Readings whose chainage is known no better than this are left out.

    Returns
    -------
    places, left_out
        places: columns group, ring_key, arc (number in ``arcs``), along_m (order round the arc),
        chainage_m, sigma_m, wet (0 dry, 1 not known, 2 wet: the wettest of its heights), score (the
        highest of its heights; minus infinity where dry, NaN where it cannot be compared),
        compared_by ("rank" | "excess" | "wet or dry"), reading_ids.
        left_out: reason by reading_id.
    """
    ring = readings["ring_key"].fillna("").astype(str).to_numpy(dtype=object)
    chainage = readings["chainage_m"].to_numpy(dtype=np.float64)
    sigma = _column(readings, "chainage_sigma_m", 0.0)
    said = readings["wet"].fillna("not known").astype(str).to_numpy(dtype=object)
    wet = np.select([said == "wet", said == "dry"], [WET, DRY], default=UNKNOWN)
    arc, along = _on_arcs(ring, chainage, arcs, ring_lengths)
    controls = said == "control"
    if "control" in readings:
        controls = controls | readings["control"].fillna(False).to_numpy(dtype=bool)
    reason = np.select(
        [controls, (ring == "") | ~np.isfinite(chainage), arc < 0, ~(sigma < worst_sigma_m)],
        [CONTROL, UNJOINED, NOT_OUTSIDE, POORLY_PLACED],
        default="",
    ).astype(object)
    score, compared_by = _scores(readings, wet, reason == "")
    kept = np.flatnonzero(reason == "")
    left_out = pd.Series(reason, index=readings.index, name="reason", dtype=object)
    left_out = left_out[left_out != ""]

    if not len(kept):
        return pd.DataFrame(columns=list(COLUMNS)).astype(DTYPES), left_out
    group = readings["group"].astype(str).to_numpy(dtype=object)
    code, _ = pd.factorize(group[kept], sort=True)
    order = np.lexsort((along[kept], arc[kept], code))
    kept = kept[order]
    cuts = np.flatnonzero((np.diff(code[order]) != 0) | (np.diff(arc[kept]) != 0)) + 1
    rows, starts, middles, before = [], [], [], 0
    for segment in np.split(kept, cuts):
        closed_m = _closed(arcs[arc[segment[0]]], ring_lengths)
        turned, first, middle = _spots(along[segment], closed_m, same_place_m)
        rows.append(segment[turned])
        starts.append(first + before)
        middles.append(middle)
        before += len(segment)
    row, start, middle = np.concatenate(rows), np.concatenate(starts), np.concatenate(middles)
    head = row[start]
    begin = np.array([arcs[number][1] for number in arc[head]], dtype=np.float64)
    length = np.array([ring_lengths[key] for key in ring[head]], dtype=np.float64)
    wettest = np.maximum.reduceat(wet[row], start)
    highest = np.fmax.reduceat(score[row], start)
    highest[(wettest == UNKNOWN) & (compared_by[head] == "wet or dry")] = np.nan
    ids = np.split(readings.index.to_numpy(dtype=object)[row], start[1:])
    places = pd.DataFrame(
        {
            "group": group[head],
            "ring_key": ring[head],
            "arc": arc[head],
            "along_m": middle,
            "chainage_m": np.mod(begin + middle, length),
            "sigma_m": np.maximum.reduceat(sigma[row], start),
            "wet": wettest,
            "score": highest,
            "compared_by": compared_by[head],
            "reading_ids": pd.Series([tuple(part) for part in ids], dtype=object),
        },
        columns=list(COLUMNS),
    )
    return places.astype(DTYPES), left_out


def _column(frame: pd.DataFrame, name: str, missing: float) -> Numbers:
    """Return a column of numbers, with what is missing filled in."""
    if name not in frame:
        return np.full(len(frame), missing)
    return np.asarray(frame[name].astype(np.float64).fillna(missing), dtype=np.float64)


def _given(score: Numbers) -> NDArray[np.bool_]:
    """Tell which scores are there; infinite ones (off the scale) are."""
    return np.asarray(~np.isnan(score))


def _closed(arc: Arc, ring_lengths: Mapping[str, float]) -> float:
    """Return the length of a run that closes on itself, infinity for one with two ends."""
    length = float(ring_lengths[arc[0]])
    return length if arc[2] - arc[1] >= length - _TOUCH_M else np.inf


def _on_arcs(
    ring: NDArray[Any], chainage: Numbers, arcs: Sequence[Arc], ring_lengths: Mapping[str, float]
) -> tuple[Rows, Numbers]:
    """Return the number of the run each reading is on (-1: none) and how far along it."""
    arc, along = np.full(len(ring), -1, dtype=np.intp), np.zeros(len(ring))
    for number, (key, begins, ends, *_) in enumerate(arcs):
        length = float(ring_lengths[key])
        rows = np.flatnonzero((ring == key) & np.isfinite(chainage) & (arc < 0))
        walked = np.mod(chainage[rows] - begins + _TOUCH_M, length) - _TOUCH_M
        here = walked <= ends - begins + _TOUCH_M
        arc[rows[here]], along[rows[here]] = number, walked[here]
    return arc, along


def _scores(
    readings: pd.DataFrame, wet: NDArray[Any], usable: NDArray[np.bool_]
) -> tuple[Numbers, NDArray[Any]]:
    """Return what readings of one group are compared by: rank, else excess, else wet or dry.

    Dry readings are all alike: what they differ by is the instrument's spread.
    """
    rank = _column(readings, "rank", np.nan)
    excess = _column(readings, "excess", np.nan)
    if "censored" in readings:
        censored = readings["censored"].fillna("none").astype(str).to_numpy(dtype=object)
        excess = np.where(censored == "above", np.inf, np.where(censored == "below", -np.inf, excess))
    classes = np.where(wet == UNKNOWN, np.nan, wet).astype(np.float64)
    group = readings["group"].astype(str)

    def any_in_group(there: NDArray[np.bool_]) -> NDArray[np.bool_]:
        seen = pd.Series(there & usable, index=group.index).groupby(group.to_numpy()).transform("any")
        return np.asarray(seen, dtype=bool)

    by_rank, by_excess = any_in_group(_given(rank)), any_in_group(np.isfinite(excess))
    score = np.where(by_rank, rank, np.where(by_excess, excess, classes))
    score[(wet == DRY) & _given(score)] = -np.inf
    words = np.where(by_rank, "rank", np.where(by_excess, "excess", "wet or dry")).astype(object)
    return score, words


def _spots(along: Numbers, closed_m: float, same_m: float) -> tuple[Rows, Rows, Numbers]:
    """Return the order round the run, where in that order each spot begins, and the middle of each spot.

    The walk begins after the widest gap, so that nothing hangs on where the origin corner is. A
    chain of readings too long to be one spot is cut into spots of the same length.
    """
    lap = closed_m if np.isfinite(closed_m) else 0.0
    ring_gap = closed_m - (along[-1] - along[0])
    turned = np.roll(np.arange(len(along)), -(int(np.argmax(np.append(np.diff(along), ring_gap))) + 1))
    walked = along[turned] + np.where(turned < turned[0], lap, 0.0)
    chain = np.cumsum(np.diff(walked, prepend=walked[0]) > same_m + _TOUCH_M)
    begins = np.flatnonzero(np.diff(chain, prepend=-1))
    ends = np.append(begins[1:], len(walked)) - 1
    reach = (walked[ends] - walked[begins])[chain]
    piece = np.floor(np.maximum(walked - walked[begins][chain] - _TOUCH_M, 0.0) / same_m)
    piece[reach <= 2.0 * same_m + _TOUCH_M] = 0.0
    first = np.flatnonzero((np.diff(chain, prepend=-1) != 0) | (np.diff(piece, prepend=-1.0) != 0))
    last = np.append(first[1:], len(walked)) - 1
    return turned, first, 0.5 * (walked[first] + walked[last])
