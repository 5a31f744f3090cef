"""Whether a grid's metres are metres on the ground where the buildings stand."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
from pyproj import CRS, Proj

from geo.errors import CrsError
from geo.reference import Reference
from geo.site.crs import require_metric


def measurable(crs: CRS | None, bounds: Any, *, ref: Reference) -> CRS:
    """Return a grid whose metres hold at the site.

    Parameters
    ----------
    bounds
        (4,) of the outlines: least easting, least northing, greatest easting, greatest northing; the
        scale is not looked at where they are NaN.

    Raises
    ------
    CrsError
        For none, degrees, another unit, Web Mercator, Earth-centred coordinates, or a projection whose
        scale at the site differs from 1 by more than ``perimeter.grid_scale_max``.

    Notes
    -----
    The scale is that of the projection itself along meridian and parallel (PROJ's factors). A local site
    grid has none and is taken at its word.
    """
    grid = require_metric(crs)
    if grid.is_geocentric:
        raise CrsError("is Earth-centred, in which no plan can be drawn")
    plan = grid.sub_crs_list[0] if grid.is_compound else grid
    box = np.asarray(bounds, dtype=np.float64)
    if not plan.is_projected or not np.isfinite(box).all():
        return grid
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        projection = Proj(plan)
    longitude, latitude = projection((box[0] + box[2]) / 2, (box[1] + box[3]) / 2, inverse=True)
    if not (np.isfinite(longitude) and np.isfinite(latitude)):
        raise CrsError("does not reach the site: its coordinates lie off the projection")
    factors = projection.get_factors(longitude, latitude)
    worst = max((factors.meridional_scale, factors.parallel_scale), key=lambda scale: abs(scale - 1.0))
    if not abs(worst - 1.0) <= ref.value("perimeter.grid_scale_max"):
        raise CrsError(f"draws a metre of ground as {worst:.3f} m at the site: use the local projected grid")
    return grid
