"""Wet stretches: wet places that follow one another along read wall, and never through unread wall."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from shapely import LineString

from geo.moisture.censor import highest_text
from geo.moisture.places import SIDES, Places, wall_places
from geo.moisture.profile import profile_by_height
from geo.moisture.wetness import WET, Wetness
from geo.reference import Reference

Numbers = npt.NDArray[np.float64]
Line = Callable[[str, float, float], LineString]

STRETCH_COLUMNS = (
    "ring_key",
    "building_id",
    "ring",
    "side",
    "group",
    "chainage_from_m",
    "chainage_to_m",
    "length_m",
    "n",
    "n_wet",
    "n_places",
    "highest",
    "peak_excess",
    "peak_chainage_m",
    "profile",
    "profile_because",
    "profile_settle",
    "reading_ids",
    "geometry",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ring:
    """The faces of one ring, in order of chainage; ``row_of`` has those that can be read."""

    length: float
    starts: Numbers
    ends: Numbers
    barred: npt.NDArray[np.bool_]
    row_of: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Read:
    """Readings as plain columns, and the rows of each place."""

    ids: npt.NDArray[np.str_]
    chainage: Numbers
    height: Numbers
    value: Numbers
    censored: npt.NDArray[np.object_]
    wet: npt.NDArray[np.bool_]
    members: list[npt.NDArray[np.intp]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Block:
    """The places of one ring, side and group, in order of chainage."""

    row: npt.NDArray[np.intp]
    face: npt.NDArray[np.int64]
    chainage: Numbers
    wet: npt.NDArray[np.bool_]
    peak: Numbers
    heights: npt.NDArray[np.int64]


def cut_stretches(
    readings: pd.DataFrame,
    wetness: Wetness,
    faces: gpd.GeoDataFrame,
    ring_length_m: Mapping[Any, float],
    line: Line,
    *,
    ref: Reference,
) -> gpd.GeoDataFrame:
    """Cut the walls into wet stretches, ring by ring, side by side, group by group.

    Two wet places that follow one another are one stretch when their gap is under
    ``moisture.stretch_gap_spacings`` times the median gap between places of that ring, side and group,
    and all of it is read: each place speaks for ``moisture.read_reach_m`` either way and not round a
    corner, and less than ``moisture.same_place_m`` may remain. A dry or not known place between cuts,
    and so does a party face from the outside. A stretch ends half way to the next place, and never
    further than half the spacing, the reach or the end of the face. Chainage wraps at the origin: a
    stretch through it has ``chainage_from_m`` above ``chainage_to_m``.

    Parameters
    ----------
    readings
        Joined readings, one row each: ``status``, ``ring_key``, ``face``, ``side``, ``chainage_m``,
        ``height_m``, ``value``, ``censored``.
    wetness
        Of the same readings.
    faces
        Faces of the perimeter, index ``ring_key:face``; ``ring_key``, ``building_id``, ``ring``,
        ``chainage_from_m``, ``chainage_to_m``, ``outside``.
    ring_length_m
        Chainage length of each ring, by ring key.
    line
        Gives the line along the wall for a ring and two chainages, clockwise from the first.

    Returns
    -------
    Index ``stretch_id`` (W1, W2 … by ring, side, chainage), in the CRS of ``faces``. The profile is that
    of the place with most heights; heights of different places are never mixed.
    """
    places = wall_places(readings, wetness.wetness, ref=ref)
    table, read = places.table, _plain(readings, wetness, places)
    whole = _Block(
        row=np.arange(len(table)),
        face=np.zeros(len(table), dtype=np.int64),
        chainage=table["chainage_m"].to_numpy(dtype=float),
        wet=(table["wet"] == WET).to_numpy(dtype=bool),
        peak=table["peak_excess"].to_numpy(dtype=float),
        heights=table["n_heights"].to_numpy(dtype=np.int64),
    )
    face_key = table["face_key"].to_numpy(dtype=object)
    own = {key: faces.iloc[rows] for key, rows in faces.groupby("ring_key", sort=False).indices.items()}
    ring_order = {key: i for i, key in enumerate(dict.fromkeys(faces["ring_key"]))}
    shapes = {str(g): (r.spread, r.control_median, r.robust_sigma) for g, r in wetness.groups.iterrows()}
    rings: dict[tuple[str, bool], _Ring] = {}
    rows: list[dict[str, Any]] = []
    for (ring_key, side, group), taken in table.groupby(
        ["ring_key", "side", "group"], sort=False
    ).indices.items():
        if ring_key not in own or not whole.wet[taken].any():
            continue
        outside = side == "outside"
        if (ring_key, outside) not in rings:
            rings[ring_key, outside] = _ring(own[ring_key], float(ring_length_m[ring_key]), outside=outside)
        ring = rings[ring_key, outside]
        block = _block(whole, taken, face_key[taken], ring)
        rows += [
            {
                "ring_key": ring_key,
                "building_id": own[ring_key]["building_id"].iloc[0],
                "ring": own[ring_key]["ring"].iloc[0],
                "side": side,
                "group": group,
                "chainage_from_m": start,
                "chainage_to_m": end,
                "length_m": length,
                **_content(block, run, read, shapes[group], ref),
                "geometry": line(str(ring_key), start, end),
            }
            for run, start, end, length in _runs(block, ring, ref)
        ]
    rows.sort(
        key=lambda r: (ring_order[r["ring_key"]], SIDES.index(r["side"]), r["chainage_from_m"], r["group"])
    )
    out = pd.DataFrame(rows, columns=list(STRETCH_COLUMNS))
    out.index = pd.Index([f"W{i}" for i in range(1, len(rows) + 1)], name="stretch_id", dtype=object)
    return gpd.GeoDataFrame(out, geometry="geometry", crs=faces.crs)


def _plain(readings: pd.DataFrame, wetness: Wetness, places: Places) -> _Read:
    row = places.of.to_numpy(dtype=np.int64)
    order = np.argsort(row, kind="stable")
    position = readings.index.get_indexer(places.of.index)[order]
    ends = np.cumsum(np.bincount(row, minlength=len(places.table)))
    return _Read(
        ids=readings.index.to_numpy(dtype=object).astype(str),
        chainage=readings["chainage_m"].to_numpy(dtype=float, na_value=np.nan),
        height=readings["height_m"].to_numpy(dtype=float, na_value=np.nan),
        value=readings["value"].to_numpy(dtype=float, na_value=np.nan),
        censored=readings["censored"].to_numpy(dtype=object),
        wet=(wetness.wetness["wet"] == WET).to_numpy(dtype=bool),
        members=np.split(position, ends[:-1]) if len(row) else [],
    )


def _block(whole: _Block, taken: npt.NDArray[np.intp], face_key: Any, ring: _Ring) -> _Block:
    face = np.array([ring.row_of.get(key, -1) for key in face_key], dtype=np.int64)
    row, face = taken[face >= 0], face[face >= 0]
    return _Block(
        row=row,
        face=face,
        chainage=whole.chainage[row],
        wet=whole.wet[row],
        peak=whole.peak[row],
        heights=whole.heights[row],
    )


def _ring(own: gpd.GeoDataFrame, length: float, *, outside: bool) -> _Ring:
    faces = own.sort_values("chainage_from_m")
    barred = ~faces["outside"].to_numpy(dtype=bool) if outside else np.zeros(len(faces), dtype=bool)
    return _Ring(
        length=length,
        starts=faces["chainage_from_m"].to_numpy(dtype=float),
        ends=faces["chainage_to_m"].to_numpy(dtype=float),
        barred=barred,
        row_of={str(faces.index[i]): int(i) for i in np.flatnonzero(~barred)},
    )


def _runs(block: _Block, ring: _Ring, ref: Reference) -> Iterator[tuple[list[int], float, float, float]]:
    """Yield each run of wet places: which they are in order along the wall, from, to and length."""
    at, face, wet, n = block.chainage, block.face, block.wet, len(block.row)
    if n == 0:
        return
    reach = ref.value("moisture.read_reach_m")
    spacing = float(np.median(np.diff(at))) if n > 1 else 2 * reach
    # The gap after each place, clockwise; with one place it is the whole way round.
    after = np.roll(at, -1) - at
    after[-1] += ring.length
    follows = wet & np.roll(wet, -1) & (after < ref.value("moisture.stretch_gap_spacings") * spacing)
    follows &= _unread(at, face, after, ring, reach) <= ref.value("moisture.same_place_m")
    follows &= ~_bars_between(face, ring)
    if n == 1:
        follows[:] = False
    if follows.all():
        yield list(range(n)), 0.0, ring.length, ring.length
        return
    half = np.full(n, min(spacing / 2, reach))
    back = np.minimum.reduce([half, np.roll(after, 1) / 2, np.maximum(at - ring.starts[face], 0)])
    ahead = np.minimum.reduce([half, after / 2, np.maximum(ring.ends[face] - at, 0)])
    for first in np.flatnonzero(wet & ~np.roll(follows, 1)):
        taken = [int(first)]
        while follows[taken[-1]]:
            taken.append((taken[-1] + 1) % n)
        last = taken[-1]
        length = float(after[taken[:-1]].sum() + back[first] + ahead[last])
        yield taken, float(max(at[first] - back[first], 0.0)), float(at[last] + ahead[last]), length


def _unread(at: Numbers, face: npt.NDArray[np.int64], after: Numbers, ring: _Ring, reach: float) -> Numbers:
    """Return how much of the gap after each place nobody read; a reach ends at the corner."""
    to_corner = ring.ends[face] - at
    from_corner = np.roll(at - ring.starts[face], -1)
    same = (np.roll(face, -1) == face) & (after <= to_corner + 1e-9)
    between = np.maximum(after - to_corner - from_corner, 0)
    turned = np.maximum(to_corner - reach, 0) + np.maximum(from_corner - reach, 0) + between
    return np.where(same, np.maximum(after - 2 * reach, 0), turned)


def _bars_between(face: npt.NDArray[np.int64], ring: _Ring) -> npt.NDArray[np.bool_]:
    """Whether a party face lies between each place and the next, clockwise."""
    passed = np.concatenate([[0], np.cumsum(ring.barred)])
    following = np.roll(face, -1)
    count = passed[following] - passed[face]
    wraps = np.append(np.zeros(len(face) - 1, dtype=bool), True)
    return np.asarray(np.where(wraps, count + passed[-1], count) > 0)


def _content(
    block: _Block, run: list[int], read: _Read, group: tuple[float, float, float], ref: Reference
) -> dict[str, Any]:
    """Return what the readings of one stretch say."""
    rows = np.concatenate([read.members[i] for i in block.row[run]])
    order = np.lexsort((read.ids[rows], np.nan_to_num(read.height[rows], nan=-1), read.chainage[rows]))
    wet = rows[read.wet[rows]]
    peak, heights, at = block.peak[run], block.heights[run], block.chainage[run]
    highest = np.flatnonzero(peak == np.nanmax(peak))
    tallest = min(range(len(run)), key=lambda i: (-heights[i], -np.nan_to_num(peak[i]), at[i]))
    there = read.members[block.row[run[tallest]]]
    spread, middle, sigma = group
    shape = profile_by_height(
        read.height[there],
        read.value[there],
        read.censored[there],
        spread=spread,
        ref=ref,
        control_median=middle,
        robust_sigma=sigma,
    )
    return {
        "n": len(rows),
        "n_wet": len(wet),
        "n_places": len(run),
        "highest": highest_text(read.value[wet], read.censored[wet]),
        "peak_excess": float(np.nanmax(peak)),
        "peak_chainage_m": float(at[highest[len(highest) // 2]]),
        "profile": shape.word,
        "profile_because": shape.because,
        "profile_settle": shape.settle,
        "reading_ids": tuple(read.ids[rows[order]].tolist()),
    }
