"""A surface between levels of one ground patch, so that standing water can be looked for there."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS
from scipy import ndimage
from scipy.spatial import Delaunay, QhullError

from geo.ground.raster import Raster
from geo.ground.strips import covered
from geo.reference import Reference

Numbers = NDArray[np.float64]
MOST_CELLS = 250_000
HULL_M = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PatchSurface:
    """The surface of one patch, or why there is none.

    ``raster`` is ``None`` where ``because`` says why; its relative error is that of one level less another.
    """

    patch_id: str
    levels: int
    raster: Raster | None
    because: str


def surfaces_from_levels(
    levels: pd.DataFrame, footprints: gpd.GeoDataFrame, crs: CRS, *, ref: Reference
) -> list[PatchSurface]:
    """Return a surface for each ground patch with enough levels.

    Parameters
    ----------
    levels
        Ground levels: x, y in ``crs``, level_m, sigma_m, and patch_id.
    footprints
        Every building's outline, in ``crs``.

    Notes
    -----
    Levels are joined by Delaunay's triangles and the surface is flat within each. A triangle with a side
    longer than two levels reach is left out, so the surface does not span what was not levelled; nothing
    is carried outside the triangles but up to the foot of a wall beside them. Levels of two patches are
    never joined: a kerb or a step may lie between.
    """
    known = np.isfinite(levels[["x", "y", "level_m"]].to_numpy(dtype=np.float64)).all(axis=1)
    return [
        _surface(str(patch), own, footprints, crs, ref)
        for patch, own in levels[known].groupby("patch_id", sort=True)
    ]


def _surface(
    patch: str, levels: pd.DataFrame, footprints: gpd.GeoDataFrame, crs: CRS, ref: Reference
) -> PatchSurface:
    count, least = len(levels), ref.value("ground.surface_levels_min")
    if count < least:
        said = f"{count} levels, {least:.0f} needed for a surface"
        return PatchSurface(patch_id=patch, levels=count, raster=None, because=said)
    xy = levels[["x", "y"]].to_numpy(dtype=np.float64)
    centre = xy.mean(axis=0)
    try:
        mesh = Delaunay(xy - centre)
    except QhullError:
        said = "its levels lie in one line"
        return PatchSurface(patch_id=patch, levels=count, raster=None, because=said)
    margin = ref.value("ground.wall_level_reach_m")
    low, high = xy.min(axis=0) - 2 * margin, xy.max(axis=0) + 2 * margin
    extent = high - low
    cell = max(ref.value("ground.surface_cell_m"), float(np.sqrt(extent.prod() / MOST_CELLS)))
    columns, rows = (int(n) for n in np.ceil(extent / cell))
    transform = Affine(cell, 0.0, low[0], 0.0, -cell, low[1] + rows * cell)
    sigma = float(levels["sigma_m"].max())
    raster = Raster(
        z=np.full((rows, columns), np.nan),
        transform=transform,
        crs=crs,
        model="levels",
        sigma_m=sigma,
        relative_sigma_m=float(np.sqrt(2.0) * sigma),
        stated=True,
    )
    x, y = raster.centres()
    grid = np.stack(np.meshgrid(x - centre[0], y - centre[1]), axis=-1).reshape(-1, 2)
    corners = mesh.points[mesh.simplices]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    inside = _triangle_of(mesh, grid)
    fair = (inside >= 0) & (sides <= 2 * ref.value("ground.level_reach_m"))[inside]
    if not fair.any():
        said = "its levels lie too far apart"
        return PatchSurface(patch_id=patch, levels=count, raster=None, because=said)
    z = np.full(len(grid), np.nan)
    z[fair] = _within(mesh, inside[fair], grid[fair], levels["level_m"].to_numpy(dtype=np.float64))
    building = covered(raster, footprints.geometry)
    return PatchSurface(
        patch_id=patch,
        levels=count,
        raster=Raster(
            z=_to_the_wall(z.reshape(rows, columns), building, margin / cell),
            transform=transform,
            crs=crs,
            model=raster.model,
            sigma_m=raster.sigma_m,
            relative_sigma_m=raster.relative_sigma_m,
            stated=True,
        ),
        because="",
    )


def _triangle_of(mesh: Delaunay, xy: Numbers) -> NDArray[np.int32]:
    """Return the triangle each point lies in, -1 outside them all.

    A point outside would be tried against every triangle; the hull tells that first.
    """
    hull = shapely.convex_hull(shapely.multipoints(mesh.points))
    near = np.flatnonzero(shapely.contains_xy(shapely.buffer(hull, HULL_M), xy))
    found = np.full(len(xy), -1, dtype=np.int32)
    found[near] = mesh.find_simplex(xy[near])
    return found


def _within(mesh: Delaunay, triangle: NDArray[np.int32], xy: Numbers, level: Numbers) -> Numbers:
    """Return the level of each point in its triangle, by its shares in the three corners."""
    turn = mesh.transform[triangle]
    two = np.einsum("nij,nj->ni", turn[:, :2], xy - turn[:, 2])
    share = np.column_stack([two, 1.0 - two.sum(axis=1)])
    return np.asarray(np.einsum("ni,ni->n", share, level[mesh.simplices[triangle]]), dtype=np.float64)


def _to_the_wall(z: Numbers, building: NDArray[np.bool_], reach_cells: float) -> Numbers:
    """Carry the nearest height up to the wall, over the gap between the last levels and its face."""
    known = np.isfinite(z) & ~building
    if not building.any() or not known.any():
        return np.where(building, np.nan, z)
    off_surface, nearest = ndimage.distance_transform_edt(~known, return_indices=True)
    off_wall = ndimage.distance_transform_edt(~building)
    gap = ~known & ~building & (off_surface <= reach_cells) & (off_wall <= reach_cells)
    carried = z[nearest[0], nearest[1]]
    return np.asarray(np.where(building, np.nan, np.where(gap, carried, z)), dtype=np.float64)
