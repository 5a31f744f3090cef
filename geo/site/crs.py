"""One pinned pair of functions between a site's grid and the screen's longitude and latitude.

In Britain the pair goes through OSTN15 (the transformation the national mapping agency defines,
carried by ``convertbng``). Elsewhere it is one coordinate operation, chosen once for the grid and
never per point, followed by a correction step so that the round trip is far under a millimetre.
"""

from __future__ import annotations

import math
import warnings
from functools import lru_cache
from typing import Any

import numpy as np
from convertbng.cutil import convert_lonlat
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.transformer import TransformerGroup

from geo.errors import CrsError

Points = NDArray[np.float64]
WGS84 = CRS.from_epsg(4326)
NATIONAL_GRID = 27700
WEB_MERCATOR = 3857
CORRECTIONS = 3


def require_metric(crs: CRS | None) -> CRS:
    """Return a CRS in which metres can be measured.

    Raises
    ------
    CrsError
        For none, a geographic one, one not in metres, or Web Mercator, whose scale is wrong.
    """
    if crs is None:
        raise CrsError("has no coordinate reference system")
    if crs.is_geographic:
        raise CrsError("is in degrees, in which no wall can be measured")
    if crs.to_epsg() == WEB_MERCATOR:
        raise CrsError("is Web Mercator, whose metres are stretched (1.6 times in Britain)")
    units = {axis.unit_name for axis in crs.axis_info[:2]}
    if units and units != {"metre"}:
        raise CrsError(f"is in {', '.join(sorted(str(unit) for unit in units))}, not metres")
    return crs


def to_lonlat(xy: Any, crs: CRS, *, tie: tuple[float, float, float] | None = None) -> Points:
    """Return longitude and latitude (WGS 84) of points in a site's grid.

    Parameters
    ----------
    xy
        (n, 2) eastings and northings, metres.
    tie
        Local grid only: longitude and latitude of its zero point and the bearing of its north, in
        degrees. Without one it is drawn round 0° N, 0° E, where no house stands.
    """
    points = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    if _is_local(crs):
        points, crs = _turned(points, tie, back=False), _local_projection(tie)
    elif crs.to_epsg() == NATIONAL_GRID:
        points = points + _shift(points)
    return np.column_stack(_operation(crs.to_wkt()).transform(points[:, 0], points[:, 1]))


def from_lonlat(lonlat: Any, crs: CRS, *, tie: tuple[float, float, float] | None = None) -> Points:
    """Return eastings and northings of points given as longitude and latitude (WGS 84).

    The exact way back of :func:`to_lonlat`: a point comes back to itself to under a hundredth of a
    millimetre. Parameters as there.
    """
    points = np.asarray(lonlat, dtype=np.float64).reshape(-1, 2)
    plain = _local_projection(tie) if _is_local(crs) else crs
    operation = _operation(plain.to_wkt())
    asked = points
    grid = np.column_stack(operation.transform(asked[:, 0], asked[:, 1], direction="INVERSE"))
    for _ in range(CORRECTIONS):  # the inverse of some operations drops the height: ask again for the rest
        asked = asked + points - np.column_stack(operation.transform(grid[:, 0], grid[:, 1]))
        grid = np.column_stack(operation.transform(asked[:, 0], asked[:, 1], direction="INVERSE"))
    if _is_local(crs):
        return _turned(grid, tie, back=True)
    if crs.to_epsg() != NATIONAL_GRID:
        return grid
    found = grid
    for _ in range(CORRECTIONS):  # the shift changes by centimetres in a kilometre: this closes at once
        found = grid - _shift(found)
    return found


def absolute_note(crs: CRS) -> str:
    """Say in a sentence how far absolute positions may be out when GNSS meets this grid."""
    if _is_local(crs):
        return (
            "A local grid: places within it are as good as the tapes; where it lies on the map is not known."
        )
    if crs.to_epsg() == NATIONAL_GRID:
        return "National Grid through OSTN15: agrees with the national framework to about 0.1 m."
    accuracy = _operation(crs.to_wkt()).accuracy
    said = f"about {accuracy:g} m" if accuracy is not None and accuracy > 0 else "an unstated amount"
    return f"{crs.name}: absolute positions may be out by {said}; places within the site are not affected."


def _is_local(crs: CRS) -> bool:
    return crs.to_wkt().startswith("ENGCRS")


@lru_cache(16)
def _operation(wkt: str) -> Transformer:
    """Return the one operation used for a grid: the most accurate available that is not ballpark."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = TransformerGroup(CRS.from_wkt(wkt), WGS84, always_xy=True).transformers
    named = [one for one in found if one.accuracy is not None and one.accuracy >= 0]
    return min(named, key=lambda one: one.accuracy or 0.0) if named else found[0]


def _shift(points: Points) -> Points:
    """Return what to add to National Grid points before the plain operation, so that it is OSTN15.

    OSTN15 is bilinear between the corners of kilometre squares, and so is this: the carrier, which
    rounds to a millimetre, is asked at the corners only, and between them nothing is rounded.
    """
    square = np.floor(points / 1000.0)
    corners, place = np.unique(
        (square[:, None, :] + [[0, 0], [1, 0], [0, 1], [1, 1]]).reshape(-1, 2), axis=0, return_inverse=True
    )
    ends = corners * 1000.0
    lonlat = np.column_stack(convert_lonlat(ends[:, 0].copy(), ends[:, 1].copy()))
    plain = _operation(CRS.from_epsg(NATIONAL_GRID).to_wkt())
    inside = np.isfinite(lonlat).all(axis=1)
    shift = np.zeros_like(ends)
    shift[inside] = np.column_stack(plain.transform(*lonlat[inside].T, direction="INVERSE")) - ends[inside]
    known = inside[place.reshape(-1, 4)].all(axis=1)
    u, v = (points / 1000.0 - square).T
    weights = np.column_stack([(1 - u) * (1 - v), u * (1 - v), (1 - u) * v, u * v])
    whole = np.einsum("nk,nkc->nc", weights, shift[place.reshape(-1, 4)])
    return np.where(known[:, None], whole, 0.0)


def _local_projection(tie: tuple[float, float, float] | None) -> CRS:
    """Return the projection a local grid is drawn in: true scale at its zero point."""
    longitude, latitude, _ = tie or (0.0, 0.0, 0.0)
    return CRS.from_proj4(f"+proj=tmerc +lat_0={latitude} +lon_0={longitude} +ellps=WGS84 +units=m")


def _turned(points: Points, tie: tuple[float, float, float] | None, *, back: bool) -> Points:
    """Turn a local grid to true north, or back."""
    angle = math.radians(tie[2] if tie else 0.0) * (-1 if back else 1)
    c, s = math.cos(angle), math.sin(angle)
    return points @ np.array([[c, -s], [s, c]])
