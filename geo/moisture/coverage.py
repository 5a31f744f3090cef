"""How much of the wall was read, and why the rest was not. Unread is not dry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geo.reference import Reference

Numbers = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int64]

NOT_LOOKED = "not looked"
_EXPOSED = {"below_ground": "below ground", "abutment": "something built against it"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coverage:
    """Read and unread wall.

    Parameters
    ----------
    coverage
        One row a ring and side: ``ring_key``, ``side``, ``readable_m``, ``read_m``, ``unread_m``; the
        last two add up to the first.
    unread
        Unread lengths by ring, side and chainage, never across the origin: ``ring_key``, ``side``,
        ``chainage_from_m``, ``chainage_to_m``, ``length_m``, ``reason``.
    """

    coverage: pd.DataFrame
    unread: pd.DataFrame


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Wall:
    """Readable faces of every side laid end to end on one line, with room between them."""

    table: pd.DataFrame
    start: Numbers
    length: Numbers


def wall_coverage(
    readings: pd.DataFrame,
    faces: pd.DataFrame,
    *,
    ref: Reference,
    unread_lengths: pd.DataFrame | None = None,
    sides: tuple[str, ...] = ("outside", "inside"),
) -> Coverage:
    """Measure what was read and what was not, ring by ring and side by side.

    A reading speaks for ``moisture.read_reach_m`` along the wall either way, on its own face, and not
    into a length declared as not read unless it was itself taken there. A sliver shorter than
    ``moisture.same_place_m`` is not called unread. From the outside a party face cannot be read and does
    not count; from the inside every face counts, its length that of the outer face.

    Parameters
    ----------
    readings
        Joined readings: ``status``, ``ring_key``, ``face``, ``side``, ``chainage_m`` and, where there
        are any, ``control`` (bool): a dry reference surveys no wall and is left out.
    faces
        Faces of the rings examined, index ``ring_key:face``; ``ring_key``, ``chainage_from_m``,
        ``chainage_to_m``, ``exposure``, ``outside``.
    unread_lengths
        Declared lengths: ``ring_key``, ``side``, ``chainage_from_m``, ``chainage_to_m`` (clockwise; it
        may wrap at the origin), ``state`` (``not_looked`` or ``no_access``; ``taken`` is no gap).
    """
    wall = _lay_out(faces, sides)
    blocks = _declared(unread_lengths, wall)
    low, high = _read(readings, wall, blocks, ref.value("moisture.read_reach_m"))
    low, high = _merged(low, high)
    gap_low, gap_high = _gaps(low, high, wall)
    pieces = _cut(gap_low, gap_high, blocks, wall)
    pieces = _joined_up(pieces)
    whole = _through_origin(pieces, wall)
    sliver = pieces["plain"].to_numpy(dtype=bool) & (whole < ref.value("moisture.same_place_m") - 1e-6)
    pieces = pieces[~sliver & (pieces["length_m"] > 0)].drop(columns="plain").reset_index(drop=True)

    key = ["ring_key", "side"]
    readable = wall.table.assign(readable_m=wall.length).groupby(key, sort=False)["readable_m"].sum()
    missing = pieces.groupby(key, sort=False)["length_m"].sum().reindex(readable.index, fill_value=0.0)
    table = pd.DataFrame({"readable_m": readable, "read_m": readable - missing, "unread_m": missing})
    return Coverage(coverage=table.reset_index(), unread=pieces)


def _lay_out(faces: pd.DataFrame, sides: tuple[str, ...]) -> _Wall:
    """Lay the readable faces of every side on one line, a metre of nothing between them."""
    ordered = faces.assign(face_key=faces.index.astype(object), ring_no=pd.factorize(faces["ring_key"])[0])
    ordered = ordered.sort_values(["ring_no", "chainage_from_m"], kind="stable")
    parts = []
    for side in sides:
        own = ordered[ordered["outside"].to_numpy(dtype=bool)] if side == "outside" else ordered
        parts.append(own.assign(side=side))
    table = pd.concat(parts, ignore_index=True)
    table = table.sort_values("ring_no", kind="stable", ignore_index=True)
    length = (table["chainage_to_m"] - table["chainage_from_m"]).to_numpy(dtype=float)
    start = np.cumsum(length + 1) - length
    kept = ["ring_key", "side", "face_key", "chainage_from_m", "exposure"]
    return _Wall(table=table[kept], start=start, length=length)


def _declared(lengths: pd.DataFrame | None, wall: _Wall) -> pd.DataFrame:
    """Return the declared lengths on the line, one row a face they touch."""
    found: list[pd.DataFrame] = []
    face_from = wall.table["chainage_from_m"].to_numpy(dtype=float)
    for row in () if lengths is None else lengths.itertuples():
        if str(row.state) == "taken":
            continue
        mine = ((wall.table["ring_key"] == row.ring_key) & (wall.table["side"] == row.side)).to_numpy()
        begin, end = float(str(row.chainage_from_m)), float(str(row.chainage_to_m))
        for a, b in ((begin, end),) if begin <= end else ((begin, np.inf), (-np.inf, end)):
            low = np.clip(a - face_from, 0, wall.length)
            high = np.clip(b - face_from, 0, wall.length)
            at = np.flatnonzero(mine & (high > low))
            found.append(
                pd.DataFrame(
                    {
                        "row": at,
                        "low": wall.start[at] + low[at],
                        "high": wall.start[at] + high[at],
                        "reason": str(row.state).replace("_", " "),
                    }
                )
            )
    empty = pd.DataFrame({"row": pd.Series(dtype=int), "low": [], "high": [], "reason": []})
    blocks = pd.concat(found, ignore_index=True) if found else empty
    return blocks.sort_values(["low", "high", "reason"], ignore_index=True)


def _read(readings: pd.DataFrame, wall: _Wall, blocks: pd.DataFrame, reach: float) -> tuple[Numbers, Numbers]:
    """Return what each reading speaks for, as lengths on the line."""
    chainage = readings["chainage_m"].to_numpy(dtype=float, na_value=np.nan)
    kept = (readings["status"] == "joined").to_numpy() & np.isfinite(chainage)
    if "control" in readings:
        kept &= ~readings["control"].to_numpy(dtype=bool)
    key = readings["side"].astype(object) + "@" + readings["ring_key"].astype(object)
    key = key + ":" + readings["face"].astype(object)
    row = pd.Index(wall.table["side"] + "@" + wall.table["face_key"]).get_indexer(pd.Index(key))
    kept &= row >= 0
    row, chainage = row[kept], chainage[kept]
    begin, end = wall.start[row], wall.start[row] + wall.length[row]
    along = begin + chainage - wall.table["chainage_from_m"].to_numpy(dtype=float)[row]
    at = np.clip(along, begin, end)
    low, high = np.maximum(at - reach, begin), np.minimum(at + reach, end)
    for a, b in zip(blocks["low"], blocks["high"], strict=True):
        high = np.where((at <= a) & (high > a), a, high)
        low = np.where((at >= b) & (low < b), b, low)
    return low, high


def _merged(low: Numbers, high: Numbers) -> tuple[Numbers, Numbers]:
    """Return the union of lengths on the line."""
    if len(low) == 0:
        return low, high
    order = np.argsort(low, kind="stable")
    low, furthest = low[order], np.maximum.accumulate(high[order])
    begins = np.append(True, low[1:] > furthest[:-1])
    last = np.append(np.flatnonzero(begins)[1:] - 1, len(low) - 1)
    return low[begins], furthest[last]


def _gaps(low: Numbers, high: Numbers, wall: _Wall) -> tuple[Numbers, Numbers]:
    """Return the lengths of the faces that no reading speaks for."""
    begin, end = wall.start, wall.start + wall.length
    starts, ends = np.concatenate([begin, high]), np.concatenate([low, end])
    starts, ends = np.sort(starts), np.sort(ends)
    some = ends > starts
    return starts[some], ends[some]


def _cut(low: Numbers, high: Numbers, blocks: pd.DataFrame, wall: _Wall) -> pd.DataFrame:
    """Give each unread length its reason, cutting it where a declared length begins or ends.

    ``plain`` marks a length no part of which touches a declared one.
    """
    edges = np.unique(np.concatenate([low, high, blocks["low"], blocks["high"]]).astype(float))
    a, b = edges[:-1], edges[1:]
    middle = (a + b) / 2
    gap = np.searchsorted(low, middle) - 1
    unread = (gap >= 0) & (middle < high[np.maximum(gap, 0)]) if len(low) else np.zeros(len(a), dtype=bool)
    a, b, middle = a[unread], b[unread], middle[unread]
    row = np.searchsorted(wall.start, middle, side="right") - 1
    part = wall.table.iloc[row]
    reason = part["exposure"].map(_EXPOSED).where(part["side"] == "outside").fillna(NOT_LOOKED)
    told = reason.to_numpy(dtype=object).copy()
    plain = np.ones(len(a), dtype=bool)
    for begin, end, why in zip(blocks["low"], blocks["high"], blocks["reason"], strict=True):
        told[(middle > begin) & (middle < end)] = why
        plain &= (b < begin) | (a > end)
    offset = part["chainage_from_m"].to_numpy(dtype=float) - wall.start[row]
    return pd.DataFrame(
        {
            "ring_key": part["ring_key"].to_numpy(dtype=object),
            "side": part["side"].to_numpy(dtype=object),
            "chainage_from_m": a + offset,
            "chainage_to_m": b + offset,
            "length_m": b - a,
            "reason": told,
            "plain": plain,
        }
    )


def _joined_up(pieces: pd.DataFrame) -> pd.DataFrame:
    """Draw neighbouring pieces of one reason together, round corners too."""
    if pieces.empty:
        return pieces.reset_index(drop=True)
    order: Any = pd.factorize(pieces["ring_key"])[0]
    side: Any = pd.factorize(pieces["side"])[0]
    rows = pieces.iloc[np.lexsort((pieces["chainage_from_m"], side, order))]
    before = rows.shift()
    same = (rows[["ring_key", "side", "reason"]] == before[["ring_key", "side", "reason"]]).all(axis=1)
    touches = (rows["chainage_from_m"] - before["chainage_to_m"]).abs() < 1e-6
    run = (~(same & touches)).cumsum()
    return (
        rows.groupby(run)
        .agg(
            ring_key=("ring_key", "first"),
            side=("side", "first"),
            chainage_from_m=("chainage_from_m", "first"),
            chainage_to_m=("chainage_to_m", "last"),
            length_m=("length_m", "sum"),
            reason=("reason", "first"),
            plain=("plain", "all"),
        )
        .reset_index(drop=True)
    )


def _through_origin(pieces: pd.DataFrame, wall: _Wall) -> Numbers:
    """Return the length of each piece, that of its other half counted in where the origin cuts it in two."""
    whole = pieces["length_m"].to_numpy(dtype=float, copy=True)
    key = pd.MultiIndex.from_frame(pieces[["ring_key", "side"]])
    end = (wall.table["chainage_from_m"] + wall.length).groupby(wall.table["ring_key"]).max()
    first, last = np.flatnonzero(~key.duplicated()), np.flatnonzero(~key.duplicated(keep="last"))
    begins = pieces["chainage_from_m"].to_numpy(dtype=float)[first] < 1e-6
    ends = end.reindex(pieces["ring_key"].iloc[last]).to_numpy(dtype=float)
    reaches = np.abs(pieces["chainage_to_m"].to_numpy(dtype=float)[last] - ends) < 1e-6
    reason = pieces["reason"].to_numpy(dtype=object)
    cut = begins & reaches & (reason[first] == reason[last]) & (first != last)
    first, last = first[cut], last[cut]
    whole[first] = whole[last] = whole[first] + whole[last]
    return np.asarray(whole)
