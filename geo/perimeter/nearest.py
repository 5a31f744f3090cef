"""The faces near many points at once, and how each lies to them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from geo.perimeter.build import Perimeter
from geo.perimeter.rings import Numbers, Points


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NearFaces:
    """Every pair of a point and a face within reach of it, sorted by point.

    Parameters
    ----------
    point, face
        Row of the point and of the face.
    distance_m
        From the point to the face.
    along_m, offset_m
        Foot of the point along the face, held to its ends, and its offset outward from the face's line.
    end
        -1 where the foot is the face's beginning, 1 where it is its end, else 0.
    """

    point: NDArray[np.int64]
    face: NDArray[np.int64]
    distance_m: Numbers
    along_m: Numbers
    offset_m: Numbers
    end: NDArray[np.int64]


def near_faces(points: Points, perimeter: Perimeter, *, reach_m: float) -> NearFaces:
    """Find every face within reach of each point.

    Parameters
    ----------
    points
        (n, 2), the perimeter's CRS.
    """
    tree = shapely.STRtree(perimeter.faces.geometry.to_numpy())
    who, face = tree.query(shapely.points(points), predicate="dwithin", distance=reach_m)
    start, unit, normal = perimeter.frames
    length = perimeter.faces["length_m"].to_numpy()[face]
    away = points[who] - start[face]
    ahead = np.einsum("ni,ni->n", away, unit[face])
    along = np.clip(ahead, 0.0, length)
    gap = away - unit[face] * along[:, None]
    return NearFaces(
        point=who,
        face=face,
        distance_m=np.hypot(gap[:, 0], gap[:, 1]),
        along_m=along,
        offset_m=np.einsum("ni,ni->n", away, normal[face]),
        end=(ahead >= length).astype(np.int64) - (ahead <= 0),
    )


def nearest_faces(
    points: Points, perimeter: Perimeter, *, reach_m: float
) -> tuple[NDArray[np.int64], Numbers]:
    """Find the nearest face of each point; of faces equally near, the first.

    Returns
    -------
    (n,) row of the face, -1 where there is none within reach; and its distance, infinite there.
    """
    near = near_faces(points, perimeter, reach_m=reach_m)
    best, distance = np.full(len(points), -1, dtype=np.int64), np.full(len(points), np.inf)
    if len(near.point):
        first = np.flatnonzero(np.r_[True, near.point[1:] != near.point[:-1]])
        least = np.minimum.reduceat(near.distance_m, first)
        tied = near.distance_m == np.repeat(least, np.diff(np.r_[first, len(near.point)]))
        face = np.minimum.reduceat(np.where(tied, near.face, len(perimeter.faces)), first)
        best[near.point[first]], distance[near.point[first]] = face, least
    return best, distance
