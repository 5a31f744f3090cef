"""The ground over a drain: levels taken there, and the raster only as far as it is tied to them."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.drains.setting_depths import Terrain
from geo.findings.heights import site_levels
from geo.findings.places import positions_table
from geo.ground.model import tie_raster
from geo.ground.raster import Raster, mover, read_raster
from geo.perimeter.build import Perimeter
from geo.perimeter.fix import fix_positions
from geo.perimeter.join import join_to_walls
from geo.site.model import Site

Numbers = NDArray[np.float64]
GROUND_ROLES = ("ground", "rim", "cover", "kerb")
TOP = {"chamber": "cover_level_m", "gully": "rim_level_m", "soakaway": "cover_level_m"}


def levels_over(
    site: Site, perimeter: Perimeter, fixed: Mapping[str, pd.DataFrame]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return every level of the ground: staffed ones, and covers and rims recorded with their assets.

    Parameters
    ----------
    fixed
        Fixed positions of assets, by kind.

    Returns
    -------
    x, y, level_m, sigma_m, name of all; and the staffed ones with hardness and offset_m from the wall.
    """
    usual = site.reference.value("levels.rim_sigma_m")
    tops = []
    for kind, column in TOP.items():
        table = site.table(kind)
        name = f"{'rim' if kind == 'gully' else 'cover'} of " + table.index.astype(str)
        sigma = table["level_sigma_m"].fillna(usual)
        tops.append(fixed[kind][["x", "y"]].assign(level_m=table[column], sigma_m=sigma, name=name))
    levels, _ = site_levels(site)
    raw = positions_table(site, "level")
    place = fix_positions(raw, perimeter, ref=site.reference)
    place = join_to_walls(place.assign(side=raw["side"]), perimeter, ref=site.reference)
    staffed = levels[levels["role"].isin(GROUND_ROLES)].join(place[["x", "y", "offset_m"]])
    tops.append(staffed[["x", "y", "level_m", "sigma_m"]].assign(name=staffed.index.astype(str)))
    ground = pd.concat([table for table in tops if len(table)] or tops[:1], ignore_index=True)
    return ground, staffed[staffed["role"] == "ground"]


def terrain_of(site: Site, perimeter: Perimeter, staffed: pd.DataFrame) -> tuple[Terrain | None, str]:
    """Return the raster's ground on the site's datum, and in a sentence how it was put there or why not.

    It is tied by levels on hard points where there are enough; else by the offset stated with the raster.
    A surface model is not used: what stands on the ground would count as ground.

    Parameters
    ----------
    staffed
        Levels of the ground: x, y, level_m, hardness, offset_m.

    Raises
    ------
    InputError
        When the raster cannot be used.
    """
    if site.raster_path is None or site.ground is None:
        return None, ""
    ref, bounds = site.reference, tuple(perimeter.footprints.total_bounds)
    raster = read_raster(site.raster_path, meta=site.ground, crs=site.crs, bounds=bounds, ref=ref)
    if raster.model == "DSM":
        return None, "The raster shows what stands on the ground too: no depth is taken from it."
    tie = tie_raster(raster, perimeter.stations(), staffed, ref=ref)
    drift = ref.value("setting_out.ground_fall") * raster.cell_m / 2
    if tie.used:
        lift, sigma = -tie.offset_m, math.hypot(raster.relative_sigma_m, tie.sigma_m)
        said = f"Where no level is near, the ground is taken from the raster: {tie.because}."
    elif site.ground.datum_offset_m is not None:
        lift, sigma = 0.0, raster.sigma_m
        said = "Where no level is near, the ground is taken from the raster by the offset stated with it."
    else:
        return None, f"No depth is taken from the raster: {tie.because}."
    return _terrain(raster, perimeter, lift_m=lift, sigma_m=math.hypot(sigma, drift)), said


def _terrain(raster: Raster, perimeter: Perimeter, *, lift_m: float, sigma_m: float) -> Terrain:
    """Return the heights of the cells places lie in; nothing under a building."""
    inside = perimeter.footprints.union_all()
    shapely.prepare(inside)
    move = mover(perimeter.crs, raster.crs)

    def heights(xy: Numbers) -> tuple[Numbers, Numbers]:
        place, t = move(xy), raster.transform
        column = np.floor((place[:, 0] - t.c) / t.a).astype(np.int64)
        row = np.floor((place[:, 1] - t.f) / t.e).astype(np.int64)
        rows, columns = raster.z.shape
        on = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        on &= ~shapely.contains_xy(inside, xy[:, 0], xy[:, 1])
        z = np.full(len(xy), np.nan)
        z[on] = raster.z[row[on], column[on]] + lift_m
        return z, np.where(np.isfinite(z), sigma_m, np.nan)

    return heights
