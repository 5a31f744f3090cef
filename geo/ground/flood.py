"""Hollows filled to where they spill, and let out again by what drains them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.morphology import reconstruction

from geo.ground.raster import Raster

Heights = NDArray[np.float64]
EIGHT = np.ones((3, 3), dtype=bool)
WALL_M = 1e6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Flood:
    """Standing water over a raster.

    ``depth_m`` is water per cell, ``surface_m`` the ground with its hollows filled (buildings infinite,
    NaN without height), and ``shut_in`` the cells water has no way out of: their ground is left unfilled.
    """

    depth_m: Heights
    surface_m: Heights
    shut_in: NDArray[np.bool_]


def flood(
    raster: Raster,
    building: NDArray[np.bool_],
    sinks: NDArray[np.bool_],
    spills: Heights | None = None,
) -> Flood:
    """Fill every hollow to the level at which it spills.

    The filled surface is the lowest one above the ground from which water can run off the raster's edge,
    into a cell without height, or down a sink: morphological reconstruction by erosion, the same surface
    as priority flooding. The building stands as a wall that is never drowned.

    Parameters
    ----------
    building
        Cells that stand as a wall.
    sinks
        Cells where water leaves at the level of the ground.
    spills
        Level at which water leaves a cell by a gully's rim, a threshold or an air-brick, infinite where
        there is none.
    """
    open_ground = np.isfinite(raster.z) & ~building
    low = float(np.nanmin(raster.z))
    ground = np.where(building, WALL_M, np.where(np.isfinite(raster.z), raster.z, low - 1.0))
    leaves = sinks & open_ground | ~np.isfinite(raster.z) & ~building
    leaves[[0, -1], :] |= open_ground[[0, -1], :]
    leaves[:, [0, -1]] |= open_ground[:, [0, -1]]
    over = np.full_like(ground, WALL_M) if spills is None else np.minimum(np.maximum(spills, ground), WALL_M)
    seed = np.where(leaves | building, ground, over)
    filled = reconstruction(seed, ground, method="erosion", footprint=EIGHT)  # type: ignore[no-untyped-call]
    shut_in = open_ground & (filled >= WALL_M / 2)
    wet = open_ground & ~shut_in
    dry = np.where(building, np.inf, raster.z)
    return Flood(
        depth_m=np.where(wet, np.maximum(filled - ground, 0.0), 0.0),
        surface_m=np.where(wet, filled, dry),
        shut_in=shut_in,
    )


def drain(water: Flood, raster: Raster, building: NDArray[np.bool_], spills: Heights) -> Flood:
    """Let water out of hollows that were filled with nothing to drain them.

    Gives what :func:`flood` gives with the same spills, filling again only the hollows that hold one: a
    hollow apart from them already spills over ground higher than their water, so nothing changes there.

    Parameters
    ----------
    water
        The raster flooded without sinks or spills.
    spills
        Level at which water leaves a cell, infinite where it does not.
    """
    wet = (water.depth_m > 0) | water.shut_in
    labels, _ = ndimage.label(wet, structure=EIGHT)
    again = np.isin(labels, np.unique(labels[wet & (spills < np.inf)]))
    again &= wet
    if not again.any():
        return water
    rows, columns = np.flatnonzero(again.any(axis=1)), np.flatnonzero(again.any(axis=0))
    part = (
        slice(max(0, rows[0] - 1), rows[-1] + 2),
        slice(max(0, columns[0] - 1), columns[-1] + 2),
    )
    part_again, solid = again[part], building[part]
    z = raster.z[part]
    low = float(np.nanmin(raster.z)) - 1.0
    surface = np.where(solid, WALL_M, np.where(np.isfinite(z), water.surface_m[part], low))
    ground = np.where(part_again, z, surface)
    over = np.minimum(np.maximum(spills[part], ground), WALL_M)
    seed = np.where(part_again, over, ground)
    filled = reconstruction(seed, ground, method="erosion", footprint=EIGHT)  # type: ignore[no-untyped-call]
    shut = part_again & (filled >= WALL_M / 2)
    changed = part_again & ~shut
    depth, height, shut_in = water.depth_m.copy(), water.surface_m.copy(), water.shut_in.copy()
    depth[part] = np.where(changed, np.maximum(filled - z, 0.0), depth[part])
    height[part] = np.where(changed, filled, height[part])
    shut_in[part] = np.where(part_again, shut, shut_in[part])
    return Flood(depth_m=depth, surface_m=height, shut_in=shut_in)
