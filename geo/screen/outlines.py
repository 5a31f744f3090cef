"""Walls of many homes from their outlines: cleaned, walked clockwise, party walls found, long ones cut."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geo.perimeter.rings import outward_normals, party_intervals
from geo.reference import Reference
from geo.screen.kernels import clean_rings

Numbers = NDArray[np.float64]
Rows = NDArray[np.int64]
SOUND, MISSING, NO_OUTLINE, CROSSED, TOO_SMALL, TWICE = range(6)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Walls:
    """Pieces of wall, (walls,) or (walls, 2).

    ``home`` is the number of the home, ``part`` and ``ring`` which ring of it (ring 0 is the outer one,
    others are courtyards), ``face`` its number clockwise from the most south-westerly corner, ``from_m`` and
    ``to_m`` where the piece begins and ends along it, and ``party`` whether a neighbour stands against it.
    """

    home: Rows
    part: Rows
    ring: Rows
    face: Rows
    from_m: Numbers
    to_m: Numbers
    start: Numbers
    end: Numbers
    normal: Numbers
    party: NDArray[np.bool_]

    @property
    def length_m(self) -> Numbers:
        """Length of each piece, metres."""
        return self.to_m - self.from_m


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outlines:
    """What outlines give: the state of each (``SOUND`` or what is wrong), edges, and the walls.

    ``twin`` is the number of the earlier home with the same outline, -1 for none; ``edges`` are (edges, 4)
    x and y of both ends of every edge of every building, cleaned where it is sound and as drawn where it is
    not, and ``edge_home`` whose each is.
    """

    state: NDArray[np.int8]
    twin: Rows
    edges: Numbers
    edge_home: NDArray[np.int32]
    walls: Walls


def read_outlines(shapes: Any, *, ref: Reference) -> Outlines:
    """Work out the walls of many buildings, as :func:`geo.perimeter.build.build_perimeter` does of few.

    Parameters
    ----------
    shapes
        (homes,) shapes in the grid of the heights; anything but polygons has no outline.
    """
    shapes = np.asarray(shapes, dtype=object)
    kind = shapely.get_type_id(shapes)
    state = np.full(len(shapes), SOUND, dtype=np.int8)
    state[(kind != 3) & (kind != 6)] = NO_OUTLINE
    state[shapely.is_missing(shapes) | shapely.is_empty(shapes)] = MISSING
    drawn = np.flatnonzero(state == SOUND)
    state[drawn[~shapely.is_valid(shapes[drawn])]] = CROSSED
    twin = _twins(shapes, drawn)
    state[twin >= 0] = TWICE
    xy, starts, of_part, owner = _rings(shapes[drawn])
    ring_home = drawn[owner[of_part]]
    first = starts[:-1]
    drawn_as = np.diff(starts) - 1
    corners, counts = clean_rings(
        xy, starts, np.radians(ref.value("perimeter.straight_deg")), ref.value("perimeter.shortest_face_m")
    )
    outer = np.r_[True, of_part[1:] != of_part[:-1]]
    bad = np.unique(ring_home[(counts == 0) & outer])
    state[bad[state[bad] == SOUND]] = TOO_SMALL
    cleaned = (state[ring_home] == SOUND) & (counts > 0)
    edges, of_ring = _edges(xy, corners, first, np.where(cleaned, counts, drawn_as), cleaned)
    edge_home = ring_home[of_ring].astype(np.int32)
    use = np.flatnonzero(cleaned)
    if not len(use):
        return Outlines(state=state, twin=twin, edges=edges, edge_home=edge_home, walls=_no_walls())
    begun = _begun(corners, first, counts, outer)
    number = np.repeat(use, counts[use])
    count = counts[number]
    k = np.arange(len(number)) - np.repeat(np.cumsum(counts[use]) - counts[use], counts[use])
    start = corners[first[number] + (begun[number] + k) % np.maximum(count, 1)]
    end = corners[first[number] + (begun[number] + k + 1) % np.maximum(count, 1)]
    part_of_home = of_part - np.searchsorted(owner, owner[of_part])
    place = np.arange(len(of_part)) - np.searchsorted(of_part, of_part)
    normal = outward_normals(start, end, (~outer)[number]) if len(start) else np.zeros((0, 2))
    whole = Walls(
        home=ring_home[number],
        part=part_of_home[number],
        ring=place[number],
        face=k + 1,
        from_m=np.zeros(len(number)),
        to_m=np.hypot(*(end - start).T),
        start=start,
        end=end,
        normal=normal,
        party=np.zeros(len(number), dtype=bool),
    )
    walls = _shortened(
        _parted(whole, _beside(whole, ref.value("perimeter.party_gap_m")), ref),
        ref.value("screen.longest_strip_m"),
    )
    return Outlines(state=state, twin=twin, edges=edges, edge_home=edge_home, walls=walls)


def _edges(
    xy: Numbers, corners: Numbers, first: Rows, count: Rows, cleaned: NDArray[np.bool_]
) -> tuple[Numbers, Rows]:
    """Return the edges of all rings, ring by ring, and which ring each is of.

    Those of a cleaned ring run between its corners, as on a single site: a line drawn a little bowed would
    else stand before its own wall and hide the ground from it.
    """
    ring = np.repeat(np.arange(len(first)), count)
    k = np.arange(len(ring)) - np.repeat(np.cumsum(count) - count, count)
    own = cleaned[ring]
    after = np.where(own & (k + 1 == count[ring]), 0, k + 1)
    start, end = first[ring] + k, first[ring] + after
    own = own[:, None]
    begins, ends = np.where(own, corners[start], xy[start]), np.where(own, corners[end], xy[end])
    return np.concatenate([begins, ends], axis=1), ring


def _rings(shapes: Any) -> tuple[Numbers, Rows, Rows, Rows]:
    """Return the corners of all rings, where each ring begins, the part each is of, and whose each part is.

    Polygons of one ring, which most homes are, are taken apart without making an object of every ring.
    """
    simple = (shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON) & (
        shapely.get_num_interior_rings(shapes) == 0
    )
    own, rest = np.flatnonzero(simple), np.flatnonzero(~simple)
    xy = shapely.get_coordinates(shapes[own])
    count = shapely.get_num_coordinates(shapes[own])
    home, part = own, np.zeros(len(own), dtype=np.int64)
    if len(rest):
        kind, more, offsets = shapely.to_ragged_array(shapes[rest], include_z=False)
        several = kind == shapely.GeometryType.MULTIPOLYGON
        whose: Any = np.asarray(offsets[2]) if several else np.arange(len(rest) + 1)
        of_part = np.repeat(np.arange(len(offsets[1]) - 1), np.diff(offsets[1]))
        owner = np.repeat(np.arange(len(rest)), np.diff(whose))
        xy, count = np.concatenate([xy, more]), np.r_[count, np.diff(offsets[0])]
        home, part = (
            np.r_[home, rest[owner[of_part]]],
            np.r_[part, of_part - whose[owner[of_part]]],
        )
        order = np.argsort(home, kind="stable")
        begins = (np.cumsum(count) - count)[order]
        home, part, count = home[order], part[order], count[order]
        starts = np.cumsum(count) - count
        xy = xy[np.repeat(begins - starts, count) + np.arange(len(xy))]
    new = np.r_[True, (np.diff(home) != 0) | (np.diff(part) != 0)][: len(home)]
    starts = np.r_[0, np.cumsum(count)].astype(np.int64)
    return np.ascontiguousarray(xy), starts, np.cumsum(new) - 1, home[new]


def _twins(shapes: Any, drawn: Rows) -> Rows:
    """Return, of each home, the first one with the very same outline before it, -1 for none."""
    twin = np.full(len(shapes), -1, dtype=np.int64)
    if len(drawn) < 2:
        return twin
    bounds = np.round(shapely.bounds(shapes[drawn]), 3)
    order = np.lexsort(bounds.T)
    same = np.r_[False, (bounds[order][1:] == bounds[order][:-1]).all(axis=1)]
    group = np.cumsum(~same)
    for number in np.unique(group[same]):
        members = np.sort(drawn[order[group == number]])
        for i, late in enumerate(members[1:], start=1):
            alike = [
                one
                for one in members[:i]
                if twin[one] < 0 and shapes[one].equals_exact(shapes[late], 1e-3, normalize=True)
            ]
            if alike:
                twin[late] = alike[0]
    return twin


def _begun(corners: Numbers, first: Rows, counts: Rows, outer: NDArray[np.bool_]) -> Rows:
    """Return which corner each ring begins at: the most south-westerly, a courtyard the nearest to that."""
    begun = np.zeros(len(counts), dtype=np.int64)
    n = np.where(outer, counts, 0)
    rows = np.repeat(first, n) + np.arange(n.sum()) - np.repeat(np.cumsum(n) - n, n)
    ring = np.repeat(np.arange(len(n)), n)
    toward = corners[rows].sum(axis=1)
    order = np.lexsort((rows, toward, ring))
    leads = np.r_[True, np.diff(ring[order]) > 0] if len(order) else np.zeros(0, dtype=bool)
    begun[ring[order][leads]] = rows[order][leads] - first[ring[order][leads]]
    lead = 0
    for i in np.flatnonzero(~outer & (counts > 0)):
        lead = int(np.flatnonzero(outer[: i + 1])[-1])
        origin = corners[first[lead] + begun[lead]]
        own = corners[first[i] : first[i] + counts[i]]
        begun[i] = int(np.hypot(*(own - origin).T).argmin())
    return begun


def _beside(walls: Walls, gap_m: float) -> Rows:
    """Return the walls whose bounds come as near to a wall of another home as a party wall may."""
    low, high = np.minimum(walls.start, walls.end), np.maximum(walls.start, walls.end)
    homes, at = np.unique(walls.home, return_index=True)
    ends = np.r_[at[1:], len(walls.home)]
    sorted_homes = bool((np.diff(walls.home) >= 0).all())
    if not len(homes) or not sorted_homes:
        return np.arange(len(walls.home))
    boxes = np.concatenate([np.minimum.reduceat(low, at), np.maximum.reduceat(high, at)], axis=1)
    grown = boxes + np.array([-gap_m, -gap_m, gap_m, gap_m])
    first, second = shapely.STRtree(shapely.box(*grown.T)).query(shapely.box(*boxes.T))
    apart = first != second
    first, second = first[apart], second[apart]
    count = (ends - at)[first]
    wall = np.repeat(at[first], count) + np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    other = grown[np.repeat(second, count)]
    touches = (low[wall] <= other[:, 2:]).all(axis=1) & (high[wall] >= other[:, :2]).all(axis=1)
    return np.unique(wall[touches])


def _parted(walls: Walls, row: Rows, ref: Reference) -> Walls:
    """Cut faces where party walls begin and end; only those in ``row`` can have any."""
    if not len(row):
        return walls
    snap_m = ref.value("perimeter.corner_snap_m")
    with np.errstate(divide="ignore", invalid="ignore"):
        shared = party_intervals(
            walls.start[row],
            walls.end[row],
            walls.normal[row],
            walls.home[row],
            gap_m=ref.value("perimeter.party_gap_m"),
            angle_deg=ref.value("perimeter.party_angle_deg"),
            shortest_m=ref.value("perimeter.shortest_party_m"),
            snap_m=snap_m,
        )
    cuts: list[tuple[int, float, float, bool]] = []
    for i, intervals in shared.items():
        number = int(row[i])
        length = float(walls.to_m[number])
        at = 0.0
        for low, high in intervals:
            begin = 0.0 if low < snap_m else low
            finish = length if high > length - snap_m else high
            if begin > at + 1e-9:
                cuts.append((number, at, begin, False))
            cuts.append((number, begin, finish, True))
            at = finish
        if at < length:
            cuts.append((number, at, length, False))
    kept = np.setdiff1d(np.arange(len(walls.home)), row[list(shared)])
    face, begins, ends, party = (
        np.array([one[i] for one in cuts], dtype=kind) for i, kind in enumerate(("i8", "f8", "f8", "?"))
    )
    face_of = np.r_[kept, face]
    from_m, to_m = np.r_[walls.from_m[kept], begins], np.r_[walls.to_m[kept], ends]
    is_party = np.r_[np.zeros(len(kept), dtype=bool), party]
    order = np.lexsort((from_m, face_of))
    return _pieces(walls, face_of[order], from_m[order], to_m[order], is_party[order])


def _shortened(walls: Walls, longest_m: float) -> Walls:
    """Cut free walls into equal pieces no longer than one plane is fitted to."""
    count = np.where(walls.party, 1, np.maximum(1, np.ceil(walls.length_m / longest_m - 1e-9))).astype(int)
    if (count == 1).all():
        return walls
    row = np.repeat(np.arange(len(count)), count)
    k = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    piece = (walls.length_m / count)[row]
    from_m = walls.from_m[row] + k * piece
    return _pieces(walls, row, from_m, from_m + piece, walls.party[row])


def _pieces(walls: Walls, row: Rows, from_m: Numbers, to_m: Numbers, party: NDArray[np.bool_]) -> Walls:
    """Return parts of walls, measured along the faces they are of."""
    along = walls.end[row] - walls.start[row]
    unit = along / np.hypot(along[:, 0], along[:, 1])[:, None]
    begins = walls.from_m[row][:, None]
    return Walls(
        home=walls.home[row],
        part=walls.part[row],
        ring=walls.ring[row],
        face=walls.face[row],
        from_m=from_m,
        to_m=to_m,
        start=walls.start[row] + unit * (from_m[:, None] - begins),
        end=walls.start[row] + unit * (to_m[:, None] - begins),
        normal=walls.normal[row],
        party=party,
    )


def _no_walls() -> Walls:
    none, place = np.zeros(0, dtype=np.int64), np.zeros((0, 2))
    return Walls(
        home=none, part=none, ring=none, face=none, from_m=np.zeros(0), to_m=np.zeros(0),
        start=place, end=place, normal=place, party=np.zeros(0, dtype=bool),
    )  # fmt: skip
