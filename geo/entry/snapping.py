"""Drawn points that are meant to lie on something that is there already."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

Points = NDArray[np.float64]


def snap_vertices(shape: BaseGeometry, corners: Points, *, reach_m: float) -> BaseGeometry:
    """Return a shape with every vertex near a corner moved onto the nearest.

    Parameters
    ----------
    shape
        In the site's grid.
    corners
        (n, 2) corners that are there already, same grid.
    reach_m
        How near is meant to be the same.
    """
    if len(corners) == 0:
        return shape
    tree = shapely.STRtree([shapely.Point(corner) for corner in corners])

    def moved(xy: Points) -> Points:
        near = tree.query_nearest(shapely.points(xy), max_distance=reach_m, all_matches=False)
        out = xy.copy()
        out[near[0]] = corners[near[1]]
        return out

    return shapely.transform(shape, moved)


def ends_at(
    line: BaseGeometry, places: Mapping[str, Sequence[float]], *, reach_m: float
) -> tuple[BaseGeometry, str, str]:
    """Return a line with its ends moved onto the assets they were drawn to, and those assets' ids.

    Parameters
    ----------
    line
        In the site's grid.
    places
        Easting and northing of every asset, by id.
    reach_m
        How near an end joins an asset.

    Returns
    -------
    The line, the id at its start and at its end; ``""`` where nothing is near.
    """
    names = [name for name, at in places.items() if all(math.isfinite(part) for part in at)]
    if not names:
        return line, "", ""
    at = np.array([places[name] for name in names], dtype=np.float64)
    coords = shapely.get_coordinates(line)
    joined = ["", ""]
    for side, i in enumerate((0, len(coords) - 1)):
        apart = np.hypot(*(at - coords[i]).T)
        best = int(np.argmin(apart))
        if apart[best] <= reach_m and names[best] not in joined:
            coords[i], joined[side] = at[best], names[best]
    return shapely.LineString(coords), joined[0], joined[1]
