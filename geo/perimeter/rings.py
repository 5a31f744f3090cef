"""Closed lines of wall as arrays: cleaned, turned clockwise, begun at a named corner, cut at party walls."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geo.errors import GeometryError

Points = NDArray[np.float64]
Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RingOutline:
    """One ring before its faces are named: corners walked clockwise seen from above."""

    ring_key: str
    building_id: str
    ring: str
    kind: str
    role: str
    corners: Points
    exposures: tuple[str, ...]

    @property
    def inward(self) -> bool:
        """Whether the building lies outside the ring (a courtyard or lightwell)."""
        return self.ring != ""


def clean(xy: Any, *, straight_deg: float, shortest_m: float) -> Points:
    """Return the corners of a ring: no closing point, no face shorter than allowed, no straight corner.

    Parameters
    ----------
    xy
        (n, 2) vertices, closed or not.

    Raises
    ------
    GeometryError
        When fewer than three corners are left.
    """
    points = np.asarray(xy, dtype=np.float64)[:, :2]
    if np.allclose(points[0], points[-1], atol=1e-9, rtol=0):
        points = points[:-1]
    while len(points) >= 3:
        edges = np.roll(points, -1, axis=0) - points
        lengths = np.hypot(edges[:, 0], edges[:, 1])
        if lengths.min() < shortest_m:
            points = np.delete(points, (lengths.argmin() + 1) % len(points), axis=0)
            continue
        before = np.roll(edges, 1, axis=0)
        turns = np.degrees(np.abs(np.arctan2(cross(before, edges), (before * edges).sum(axis=1))))
        if turns.min() >= straight_deg:
            return points
        points = np.delete(points, turns.argmin(), axis=0)
    raise GeometryError("has fewer than three corners")


def clockwise(points: Points) -> Points:
    """Return a ring walked clockwise seen from above."""
    following = np.roll(points, -1, axis=0)
    return points[::-1] if cross(points - points[0], following - points[0]).sum() > 0 else points


def begin_at(points: Points, origin: Any) -> Points:
    """Return a ring begun at the corner nearest a point."""
    gaps = np.hypot(*(points - np.asarray(origin, dtype=np.float64)).T)
    return np.roll(points, -int(gaps.argmin()), axis=0)


def front_left(points: Points, front_bearing_deg: float) -> Points:
    """Return the front-left corner as seen from the street, or the most south-westerly without a front.

    Parameters
    ----------
    front_bearing_deg
        Direction one looks from the street at the front, clockwise from north; NaN when not known.
    """
    if np.isnan(front_bearing_deg):
        return np.asarray(points[np.argmin(points.sum(axis=1))], dtype=np.float64)
    look = np.radians(front_bearing_deg)
    ahead, left = np.array([np.sin(look), np.cos(look)]), np.array([-np.cos(look), np.sin(look)])
    return np.asarray(points[np.argmin(points @ (ahead - left))], dtype=np.float64)


def cross(a: Points, b: Points) -> Numbers:
    """Return the z component of the cross product of plane vectors, row by row."""
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0], dtype=np.float64)


def outward_normals(starts: Points, ends: Points, inward: Any) -> Points:
    """Return the unit normals into open air of faces walked clockwise seen from above.

    Parameters
    ----------
    starts, ends
        (n, 2) ends of the faces.
    inward
        Whether the ring is a courtyard's, one for all or (n,).
    """
    along = ends - starts
    unit = along / np.hypot(along[:, 0], along[:, 1])[:, None]
    sign = np.where(np.broadcast_to(inward, len(unit)), -1.0, 1.0)
    return np.column_stack([-unit[:, 1], unit[:, 0]]) * sign[:, None]


def party_intervals(
    starts: Points,
    ends: Points,
    normals: Points,
    owner: NDArray[np.int64],
    *,
    gap_m: float,
    angle_deg: float,
    shortest_m: float,
    snap_m: float,
) -> dict[int, list[tuple[float, float]]]:
    """Find the parts of faces that lie along another building's face.

    Parameters
    ----------
    starts, ends, normals
        (n, 2) ends of every face of every building, and its outward unit normal.
    owner
        (n,) building of each.
    gap_m, angle_deg
        Two faces share a wall where they look at each other, are parallel within the angle and lie no
        further apart than the gap.
    shortest_m, snap_m
        A shorter shared length is no party wall; two with no more than the snap between them are one.

    Returns
    -------
    By face, merged intervals of distance along it, metres.
    """
    lines = np.asarray(shapely.linestrings(np.stack([starts, ends], axis=1)))
    first, second = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=gap_m)
    along = ends - starts
    lengths = np.hypot(along[:, 0], along[:, 1])
    unit = along / lengths[:, None]
    facing = (normals[first] * normals[second]).sum(axis=1) < 0
    parallel = np.abs(cross(unit[first], unit[second])) <= np.sin(np.radians(angle_deg))
    kept = (owner[first] != owner[second]) & facing & parallel
    first, second = first[kept], second[kept]
    u, a, b = unit[first], starts[second] - starts[first], ends[second] - starts[first]
    s_a, s_b, off_a, off_b = (a * u).sum(axis=1), (b * u).sum(axis=1), cross(u, a), cross(u, b)
    # The other face's distance off this one is linear along it: where is it within the gap?
    slope = (off_b - off_a) / (s_b - s_a)
    level = np.abs(slope) < 1e-9
    steep = np.where(level, 1.0, slope)
    reach = np.sort(np.stack([s_a + (sign * gap_m - off_a) / steep for sign in (-1, 1)], axis=1), axis=1)
    whole = np.where(np.abs(off_a) <= gap_m, np.inf, -np.inf)
    low = np.maximum(np.minimum(s_a, s_b), np.where(level, -whole, reach[:, 0])).clip(min=0.0)
    high = np.minimum(np.maximum(s_a, s_b), np.where(level, whole, reach[:, 1]))
    high = np.minimum(high, lengths[first])
    touching = high - low > shortest_m
    found: dict[int, list[tuple[float, float]]] = {}
    kept_parts = zip(first[touching].tolist(), low[touching].tolist(), high[touching].tolist(), strict=True)
    for face, begin, finish in kept_parts:
        found.setdefault(face, []).append((begin, finish))
    return {face: _merge(parts, snap_m) for face, parts in found.items()}


def cut(
    corners: Points, intervals: dict[int, list[tuple[float, float]]], *, snap_m: float
) -> tuple[Points, tuple[str, ...]]:
    """Cut a ring where party walls begin and end; one that ends nearly at a corner ends at it.

    Returns
    -------
    The corners, those along a straight wall included, and the exposure of the face after each.
    """
    points: list[Points] = []
    exposures: list[str] = []
    following = np.roll(corners, -1, axis=0)
    for i, (start, end) in enumerate(zip(corners, following, strict=True)):
        length = float(np.hypot(*(end - start)))
        stops: list[tuple[float, str]] = [(0.0, "free")]
        for low, high in intervals.get(i, []):
            begin = 0.0 if low < snap_m else low
            finish = length if high > length - snap_m else high
            if stops[-1][0] >= begin - 1e-9:
                stops[-1] = (stops[-1][0], "party")
            else:
                stops.append((begin, "party"))
            if finish < length:
                stops.append((finish, "free"))
        points += [start + (end - start) * (at / length) for at, _ in stops]
        exposures += [exposure for _, exposure in stops]
    return np.array(points), tuple(exposures)


def _merge(parts: list[tuple[float, float]], snap_m: float) -> list[tuple[float, float]]:
    merged: list[tuple[float, float]] = []
    for low, high in sorted(parts):
        if merged and low <= merged[-1][1] + snap_m:
            merged[-1] = (merged[-1][0], max(merged[-1][1], high))
        else:
            merged.append((low, high))
    return merged


def corner_names(count: int) -> list[str]:
    """Return corner letters: A … Z, AA, AB …"""
    names = []
    for i in range(count):
        name, left = "", i
        while left >= 0:
            name = chr(ord("A") + left % 26) + name
            left = left // 26 - 1
        names.append(name)
    return names
