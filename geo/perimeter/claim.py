"""Which faces a point may lie on, given how well its position is known and which side was recorded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geo.perimeter.build import Perimeter
from geo.perimeter.nearest import near_faces
from geo.perimeter.rings import Numbers, Points
from geo.reference import Reference

WITHIN = ("inside", "cavity", "floor")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Claim:
    """The face each point lies on, and what speaks against it.

    Parameters
    ----------
    face, rival
        (n,) rows of faces, -1 for none.
    distance_m
        (n,) from the point to the wall, its thickness taken off for a point inside it; infinite for none.
    lead_m
        (n,) by how much the face is nearer than its rival; NaN for no rival.
    contradicted
        (n,) whether the point lies on the other side of its face than was recorded.
    """

    face: NDArray[np.int64]
    rival: NDArray[np.int64]
    distance_m: Numbers
    lead_m: Numbers
    contradicted: NDArray[np.bool_]


def claim_faces(
    xy: Points,
    placed: NDArray[np.bool_],
    sigma: Numbers,
    outer: NDArray[np.bool_],
    within: NDArray[np.bool_],
    perimeter: Perimeter,
    ref: Reference,
) -> Claim:
    """Find the face each point lies on, and the nearest one it might lie on as well.

    Parameters
    ----------
    xy, placed
        (n, 2) points, and which of them have a position.
    sigma
        (n,) sigma of the position, metres.
    outer, within
        (n,) whether the point was recorded outside the wall, and inside it (cavity and floor included).

    Notes
    -----
    The recorded side decides between walls that lie together, such as both sides of a party wall; it does
    not carry a point to a wall further off. A rival is a face whose distance cannot be told from the
    nearest one's; round a corner, where the distances of a point well off the wall grow alike, only when
    the foot of the point cannot be told from the corner either.
    """
    faces = perimeter.faces
    wall = faces["thickness_m"].to_numpy()
    margin = ref.value("join.ambiguous_sigmas") * sigma
    slack = ref.value("join.contradiction_m")
    reach = ref.value("join.reach_m") + float(wall.max())
    near = near_faces(xy[placed], perimeter, reach_m=reach)
    who, face = np.flatnonzero(placed)[near.point], near.face
    distance = near.distance_m - np.where(within[who], wall[face], 0.0)
    distance = np.where(within[who], np.maximum(0.0, distance), distance)
    past = near.offset_m * np.where(outer[who], -1.0, 1.0)
    against = (outer | within)[who] & (near.end == 0) & (past > margin[who] + slack)
    against |= outer[who] & ~faces["outside"].to_numpy()[face]
    least = np.full(len(xy), np.inf)
    np.minimum.at(least, who, distance)
    together = distance <= least[who] + margin[who] + ref.value("perimeter.party_gap_m")
    order = np.lexsort((face, distance, against | ~together, who))
    first = order[np.r_[True, who[order][1:] != who[order][:-1]]] if len(order) else order
    best = np.full(len(xy), -1, dtype=np.int64)
    best[who[first]] = first
    own = best[who]
    start, unit, _ = perimeter.frames
    end_of = near.end > 0
    corner = start[face] + unit[face] * np.where(end_of, faces["length_m"].to_numpy()[face], 0.0)[:, None]
    foot = start[face[own]] + unit[face[own]] * near.along_m[own][:, None]
    round_corner = (near.end != 0) & _at_an_end(corner, face[own], perimeter, ref)
    at_corner = np.hypot(*(foot - corner).T) <= margin[who]
    alike = np.abs(distance - distance[own]) < margin[who]
    other = own != np.arange(len(who))
    rivals = np.flatnonzero(other & ~against & alike & (at_corner | ~round_corner))
    rivals = rivals[np.lexsort((face[rivals], distance[rivals], who[rivals]))]
    seconds = rivals[np.r_[True, who[rivals][1:] != who[rivals][:-1]]] if len(rivals) else rivals
    rival = np.full(len(xy), -1, dtype=np.int64)
    rival[who[seconds]] = seconds

    def of(pair: NDArray[np.int64], values: Any, otherwise: Any) -> Any:
        answer = np.full(len(xy), otherwise)
        answer[pair >= 0] = values[pair[pair >= 0]]
        return answer

    return Claim(
        face=of(best, face, -1),
        rival=of(rival, face, -1),
        distance_m=of(best, distance, np.inf),
        lead_m=of(rival, np.abs(distance - distance[own]), np.nan),
        contradicted=of(best, against, False),
    )


def _at_an_end(corner: Points, face: NDArray[np.int64], perimeter: Perimeter, ref: Reference) -> Any:
    """Whether points lie at either end of faces, to within the gap of a party wall."""
    start, unit, _ = perimeter.frames
    finish = start[face] + unit[face] * perimeter.faces["length_m"].to_numpy()[face][:, None]
    gap = ref.value("perimeter.party_gap_m")
    return (np.hypot(*(corner - start[face]).T) <= gap) | (np.hypot(*(corner - finish).T) <= gap)
