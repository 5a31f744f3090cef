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
from convertbng.cutil import convert_bng
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.transformer import TransformerGroup

from geo.errors import CrsError

Points = NDArray[np.float64]
WGS84 = CRS.from_epsg(4326)
NATIONAL_GRID = 27700
WEB_MERCATOR = 3857
CORRECTIONS = 3
ETRS_FRAME = CRS.from_proj4(
    "+proj=tmerc +lat_0=49 +lon_0=-2 +k=0.9996012717 +x_0=400000 +y_0=-100000 +ellps=GRS80 +units=m"
)
"""The National Grid's projection on the ETRS89 ellipsoid, in which OSTN15 is defined."""


def require_metric(crs: CRS | None) -> CRS:
    """Return a CRS in which metres can be measured.

    Raises
    ------
    CrsError
        For none, a geographic one, one that is no plane grid, one not in metres, or Web Mercator, whose
        scale is wrong.
    """
    if crs is None:
        raise CrsError("has no coordinate reference system")
    if crs.is_geographic:
        raise CrsError("is in degrees, in which no wall can be measured")
    if not crs.is_projected and not _is_local(crs):
        raise CrsError("is no grid of eastings and northings")
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
        return _forward(_turned(points, tie, back=False), _local_projection(tie))
    if crs.to_epsg() != NATIONAL_GRID:
        return _forward(points, crs)
    frame = points - _shift(points)
    for _ in range(CORRECTIONS):  # the shift changes by centimetres in a kilometre: this closes at once
        frame = points - _shift(frame)
    inside = np.all(np.isfinite(frame), axis=1, keepdims=True)
    return np.where(inside, _forward(np.where(inside, frame, points), ETRS_FRAME), _forward(points, crs))


def from_lonlat(lonlat: Any, crs: CRS, *, tie: tuple[float, float, float] | None = None) -> Points:
    """Return eastings and northings of points given as longitude and latitude (WGS 84).

    The exact way back of :func:`to_lonlat`: a point comes back to itself to under a hundredth of a
    millimetre. Parameters as there.
    """
    points = np.asarray(lonlat, dtype=np.float64).reshape(-1, 2)
    if _is_local(crs):
        return _turned(_inverse(points, _local_projection(tie)), tie, back=True)
    if crs.to_epsg() != NATIONAL_GRID:
        return _inverse(points, crs)
    frame = _inverse(points, ETRS_FRAME)
    found = frame + _shift(frame)
    return np.where(np.all(np.isfinite(found), axis=1, keepdims=True), found, _inverse(points, crs))


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


def _forward(points: Points, crs: CRS) -> Points:
    return np.column_stack(_operation(crs.to_wkt()).transform(points[:, 0], points[:, 1]))


def _inverse(lonlat: Points, crs: CRS) -> Points:
    """Undo :func:`_forward` exactly: the inverse of some operations drops the height, so ask again."""
    operation = _operation(crs.to_wkt())
    asked = lonlat
    grid = np.column_stack(operation.transform(asked[:, 0], asked[:, 1], direction="INVERSE"))
    for _ in range(CORRECTIONS):
        asked = asked + lonlat - _forward(grid, crs)
        grid = np.column_stack(operation.transform(asked[:, 0], asked[:, 1], direction="INVERSE"))
    return grid


def _shift(frame: Points) -> Points:
    """Return the OSTN15 shift from the ETRS89 frame to the National Grid; NaN where there is none.

    OSTN15 is bilinear between the corners of the frame's kilometre squares, and so is this: the
    carrier, which rounds to a millimetre, is asked at the corners only, and between them nothing is
    rounded.
    """
    square = np.floor(frame / 1000.0)
    corners, place = np.unique(
        (square[:, None, :] + [[0, 0], [1, 0], [0, 1], [1, 1]]).reshape(-1, 2), axis=0, return_inverse=True
    )
    lonlat = _forward(corners * 1000.0, ETRS_FRAME)
    shift = np.column_stack(convert_bng(lonlat[:, 0], lonlat[:, 1])) - corners * 1000.0
    u, v = (frame / 1000.0 - square).T
    weights = np.column_stack([(1 - u) * (1 - v), u * (1 - v), (1 - u) * v, u * v])
    return np.asarray(np.einsum("nk,nkc->nc", weights, shift[place.reshape(-1, 4)]), dtype=np.float64)


def _local_projection(tie: tuple[float, float, float] | None) -> CRS:
    """Return the projection a local grid is drawn in: true scale at its zero point."""
    longitude, latitude, _ = tie or (0.0, 0.0, 0.0)
    return CRS.from_proj4(f"+proj=tmerc +lat_0={latitude} +lon_0={longitude} +ellps=WGS84 +units=m")


def _turned(points: Points, tie: tuple[float, float, float] | None, *, back: bool) -> Points:
    """Turn a local grid to true north, or back."""
    angle = math.radians(tie[2] if tie else 0.0) * (-1 if back else 1)
    c, s = math.cos(angle), math.sin(angle)
    return np.asarray(points @ np.array([[c, -s], [s, c]]), dtype=np.float64)
