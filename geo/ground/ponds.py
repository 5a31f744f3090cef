"""Where water would stand, with the building in its way and the gullies working or not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from rasterio import features
from scipy.stats import norm

from geo.ground.flood import Flood, drain, flood
from geo.ground.pools import list_pools
from geo.ground.raster import Raster, mover
from geo.ground.strips import covered, moved_footprints
from geo.reference import Reference

Heights = NDArray[np.float64]
POND_COLUMNS = (
    "pond_id", "gullies", "evidence", "level_m", "depth_max_m", "depth_sigma_m", "area_m2",
    "volume_l", "at_wall", "wall_length_m", "ring_key", "chainage_from_m", "chainage_to_m",
    "depth_at_wall_m", "verdict", "because",
)  # fmt: skip


def ponds_against_walls(
    raster: Raster,
    stations: gpd.GeoDataFrame,
    footprints: gpd.GeoDataFrame,
    gullies: pd.DataFrame,
    *,
    ref: Reference,
    ways_in: pd.DataFrame | None = None,
    water: Flood | None = None,
    evidence: str = "raster",
    sure_m: float | None = None,
) -> gpd.GeoDataFrame:
    """List the pools against the walls, with the gullies as they were found and with none working.

    Parameters
    ----------
    gullies
        x, y in the stations' CRS and whether each was found to work (``works``). With ``rim_level_m``, on
        the raster's heights, water leaves at the rim where that is above the ground of its cell.
    ways_in
        Thresholds, air-bricks and holes indexed by id: x, y of the wall there, normal_e, normal_n, level_m.
    water
        The raster flooded without sinks, where that was already worked out.
    evidence
        What the heights rest on: ``raster``, or ``levels`` for a surface made from them.
    sure_m
        Depth that error alone does not make. By default the deepest hollow that chance would make in one
        site out of twenty: among so many cells beside the walls some hollow is always made by error.

    Returns
    -------
    One row a pool, in the stations' CRS; depth_sigma_m is the heights' relative error. A pool away from
    the walls is listed only where it is sure; one no deeper than ``sure_m`` is not known.
    """
    moved = moved_footprints(footprints, raster)
    building = covered(raster, moved.geometry)
    move = mover(stations.crs, raster.crs)
    outward = stations[["normal_e", "normal_n"]].to_numpy()
    toes = _cells(raster, move(stations[["x", "y"]].to_numpy() + outward * raster.cell_m * 0.75))
    entries = _entries(raster, move, ways_in)
    sills = _least(raster, entries)
    row, column = _cells(raster, move(gullies[["x", "y"]].to_numpy(dtype=np.float64)))
    rim = gullies["rim_level_m"] if "rim_level_m" in gullies else pd.Series(np.nan, index=gullies.index)
    rims = pd.DataFrame({"row": row, "column": column, "level_m": rim.fillna(-np.inf).to_numpy()})
    works = gullies["works"].to_numpy(dtype=bool)
    here = row >= 0
    here[here] = np.isfinite(raster.z[row[here], column[here]])
    if sure_m is None:
        beside = max(1.0, float(stations.loc[stations["outside"], "length_m"].sum()) / raster.cell_m)
        sure_m = float(norm.isf(0.025 / beside)) * raster.relative_sigma_m
    runs = [("as found" if here.any() else "none recorded", here & works)]
    if (here & works).any():
        runs.append(("none working", np.zeros(len(gullies), dtype=bool)))
    rows: list[dict[str, object]] = []
    shapes: list[Any] = []
    full = water or flood(raster, building, np.zeros(raster.z.shape, dtype=bool))
    for label, open_now in runs:
        left = drain(full, raster, building, np.minimum(sills, _least(raster, rims[open_now])))
        found, drawn = list_pools(
            raster,
            left,
            stations,
            toes,
            entries=entries,
            sure_m=sure_m,
            building=building,
            evidence=evidence,
            ref=ref,
        )
        rows += [{"gullies": label, **pool} for pool in found]
        shapes += drawn
    table = pd.DataFrame(rows, columns=list(POND_COLUMNS))
    table["pond_id"] = [f"P{i}" for i in range(1, len(table) + 1)]
    back = mover(raster.crs, stations.crs)
    geometry: Any = shapely.transform(np.array(shapes, dtype=object), back) if shapes else []
    return gpd.GeoDataFrame(table, geometry=geometry, crs=stations.crs)


def no_ponds(crs: Any) -> gpd.GeoDataFrame:
    """Return an empty table of pools."""
    return gpd.GeoDataFrame(pd.DataFrame(columns=list(POND_COLUMNS)), geometry=[], crs=crs)


def stand_kerbs(raster: Raster, kerbs: gpd.GeoDataFrame) -> Raster:
    """Return the raster with kerbs and edgings standing on it.

    Parameters
    ----------
    kerbs
        Lines with top_level_m, on the raster's heights. Every cell a line touches is raised to its top, so
        that no step from cell to cell, straight or diagonal, passes through.
    """
    z = raster.z.copy()
    move = mover(kerbs.crs, raster.crs)
    # The rasteriser says that a line just between two cells touches neither: a little width mends that.
    lines = shapely.buffer(shapely.transform(kerbs.geometry.to_numpy(), move), 0.05 * raster.cell_m)
    tops = kerbs["top_level_m"].to_numpy(dtype=np.float64)
    burned = [(line, top) for line, top in zip(lines, tops, strict=True) if np.isfinite(top)]
    if not burned:
        return raster
    top = features.rasterize(
        sorted(burned, key=lambda kerb: kerb[1]),
        out_shape=z.shape,
        transform=raster.transform,
        fill=-np.inf,
        all_touched=True,
        dtype="float64",
    )
    return replace(raster, z=np.where(np.isfinite(z), np.maximum(z, top), z))


def _entries(raster: Raster, move: Any, ways_in: pd.DataFrame | None) -> pd.DataFrame:
    """Return the ways in that have a level, with the cell before each."""
    if ways_in is None or ways_in.empty:
        return pd.DataFrame({"level_m": np.zeros(0), "row": np.zeros(0, int), "column": np.zeros(0, int)})
    known = ways_in[np.isfinite(ways_in["level_m"].to_numpy(dtype=np.float64))]
    toe = known[["x", "y"]].to_numpy() + known[["normal_e", "normal_n"]].to_numpy() * raster.cell_m * 0.75
    row, column = _cells(raster, move(toe))
    found = pd.DataFrame({"level_m": known["level_m"], "row": row, "column": column}, index=known.index)
    return found[row >= 0]


def _least(raster: Raster, places: pd.DataFrame) -> Heights:
    """Return the lowest level at which water leaves each cell, infinite where it does not."""
    level = np.full(raster.z.shape, np.inf)
    known = places[places["row"] >= 0]
    row, column = known["row"].to_numpy(dtype=np.int64), known["column"].to_numpy(dtype=np.int64)
    np.minimum.at(level, (row, column), known["level_m"].to_numpy(dtype=np.float64))
    return level


def _cells(raster: Raster, xy: Heights) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return row and column of the cells points lie in; -1 off the raster."""
    t = raster.transform
    column = np.floor((xy[:, 0] - t.c) / t.a).astype(np.int64)
    row = np.floor((xy[:, 1] - t.f) / t.e).astype(np.int64)
    rows, columns = raster.z.shape
    off = (row < 0) | (row >= rows) | (column < 0) | (column >= columns)
    return np.where(off, -1, row), np.where(off, -1, column)
