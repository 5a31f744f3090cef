"""Where water would stand, with the building in its way and the gullies working or not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from rasterio import features
from scipy import ndimage
from skimage.morphology import reconstruction

from geo.ground.raster import Raster, mover
from geo.ground.strips import moved_footprints
from geo.reference import Reference
from geo.verdict import NOT_KNOWN

Heights = NDArray[np.float64]
POND_COLUMNS = (
    "pond_id", "gullies", "evidence", "level_m", "depth_max_m", "depth_sigma_m", "area_m2",
    "volume_l", "at_wall", "wall_length_m", "ring_key", "chainage_from_m", "chainage_to_m",
    "depth_at_wall_m", "verdict", "because",
)  # fmt: skip
EIGHT = np.ones((3, 3), dtype=bool)
WALL_M = 1e6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Flood:
    """Standing water over a raster: ``depth_m`` per cell, and which cells are building."""

    depth_m: Heights
    building: NDArray[np.bool_]


def flood(raster: Raster, building: NDArray[np.bool_], sinks: NDArray[np.bool_]) -> Flood:
    """Fill every hollow to the level at which it spills.

    The filled surface is the lowest one above the ground from which water can run off the raster's edge,
    into a cell without height, or down a sink: morphological reconstruction by erosion, the same surface
    as priority flooding. The building stands as a wall that is never drowned.

    Parameters
    ----------
    building
        Cells that stand as a wall.
    sinks
        Cells where water leaves: gullies that work.
    """
    open_ground = np.isfinite(raster.z) & ~building
    low = float(np.nanmin(raster.z))
    ground = np.where(building, WALL_M, np.where(np.isfinite(raster.z), raster.z, low - 1.0))
    leaves = sinks & open_ground | ~np.isfinite(raster.z) & ~building
    leaves[[0, -1], :] |= open_ground[[0, -1], :]
    leaves[:, [0, -1]] |= open_ground[:, [0, -1]]
    seed = np.where(leaves | building, ground, WALL_M)
    filled = reconstruction(seed, ground, method="erosion", footprint=EIGHT)  # type: ignore[no-untyped-call]
    depth = np.where(open_ground & (filled < WALL_M / 2), filled - ground, 0.0)
    return Flood(depth_m=np.maximum(depth, 0.0), building=building)


def ponds_against_walls(
    raster: Raster,
    stations: gpd.GeoDataFrame,
    footprints: gpd.GeoDataFrame,
    gullies: pd.DataFrame,
    *,
    ref: Reference,
) -> gpd.GeoDataFrame:
    """List the pools deep enough to matter, with the gullies working and not working.

    Parameters
    ----------
    gullies
        x, y in the stations' CRS and whether each was found to work.

    Returns
    -------
    One row a pool, in the stations' CRS; depth_sigma_m is the raster's relative error, and a pool no
    deeper than that error can show is not known.
    """
    moved = moved_footprints(footprints, raster)
    building = under_buildings(raster, moved)
    move = mover(stations.crs, raster.crs)
    outward = stations[["normal_e", "normal_n"]].to_numpy()
    step = raster.cell_m * 0.75
    toes = move(stations[["x", "y"]].to_numpy() + outward * step)
    working = gullies[gullies["works"]] if len(gullies) else gullies
    rows: list[dict[str, object]] = []
    shapes: list[Any] = []
    for name, sinks in (("working", working), ("not working", gullies.iloc[:0])):
        if name == "not working" and not len(working):
            break
        cells = np.zeros(raster.z.shape, dtype=bool)
        if len(sinks):
            row, column = _cell(raster, move(sinks[["x", "y"]].to_numpy()))
            inside = _within(raster, row, column)
            cells[row[inside], column[inside]] = True
        water = flood(raster, building, cells)
        label = name if len(gullies) else "none recorded"
        found, drawn = _pools(raster, water, stations, toes, label, ref)
        rows += found
        shapes += drawn
    table = pd.DataFrame(rows, columns=list(POND_COLUMNS))
    table["pond_id"] = [f"P{i}" for i in range(1, len(table) + 1)]
    back = mover(raster.crs, stations.crs)
    geometry: Any = shapely.transform(np.array(shapes, dtype=object), back) if shapes else []
    return gpd.GeoDataFrame(table, geometry=geometry, crs=stations.crs)


def _pools(
    raster: Raster, water: Flood, stations: gpd.GeoDataFrame, toes: Heights, gullies: str, ref: Reference
) -> tuple[list[dict[str, object]], list[Any]]:
    least, z = ref.value("ground.pond_depth_min_m"), ref.value("confidence.z_95")
    labels, count = ndimage.label(water.depth_m >= least, structure=EIGHT)
    if not count:
        return [], []
    index = np.arange(1, count + 1)
    deepest = ndimage.maximum(water.depth_m, labels, index)
    level = ndimage.mean(np.where(np.isfinite(raster.z), raster.z, 0.0) + water.depth_m, labels, index)
    cells = ndimage.sum_labels(np.ones_like(water.depth_m), labels, index)
    volume = ndimage.sum_labels(water.depth_m, labels, index) * raster.cell_m**2
    row, column = _cell(raster, toes)
    inside = _within(raster, row, column)
    at = np.where(inside, labels[np.where(inside, row, 0), np.where(inside, column, 0)], 0)
    at = np.where(stations["outside"].to_numpy(), at, 0)
    depth_there = water.depth_m[np.where(inside, row, 0), np.where(inside, column, 0)]
    sigma = raster.relative_sigma_m
    matter = (deepest > sigma) | np.isin(index, at)
    matter &= (deepest >= 2 * least) & (cells >= 2)
    rows: list[dict[str, object]] = []
    shapes: list[Any] = []
    outlines = {
        int(value): shapely.geometry.shape(geometry)
        for geometry, value in features.shapes(
            labels.astype(np.int32),
            mask=np.isin(labels, index[matter]),
            transform=raster.transform,
            connectivity=8,
        )
    }
    for k in index[matter]:
        touched = stations[at == k]
        ring = touched["ring_key"].mode().iloc[0] if len(touched) else ""
        touched = touched[touched["ring_key"] == ring]
        sure = deepest[k - 1] > z * sigma
        said = f"up to {deepest[k - 1] * 1000:.0f} mm deep, ± {z * sigma * 1000:.0f} mm"
        rows.append(
            {
                "pond_id": "",
                "gullies": gullies,
                "evidence": "raster",
                "level_m": float(level[k - 1]),
                "depth_max_m": float(deepest[k - 1]),
                "depth_sigma_m": sigma,
                "area_m2": float(cells[k - 1] * raster.cell_m**2),
                "volume_l": float(volume[k - 1] * 1000),
                "at_wall": bool(len(touched)),
                "wall_length_m": float(touched["length_m"].sum()),
                "ring_key": ring,
                **_stretch(touched),
                "depth_at_wall_m": float(depth_there[at == k].max()) if len(touched) else np.nan,
                "verdict": "ponds" if sure else NOT_KNOWN,
                "because": said if sure else f"{said}: no deeper than the raster's own error",
            }
        )
        shapes.append(outlines[int(k)])
    return rows, shapes


def _stretch(touched: gpd.GeoDataFrame) -> dict[str, float]:
    """Return the chainage a pool touches, going past the origin corner where it must."""
    if not len(touched):
        return {"chainage_from_m": np.nan, "chainage_to_m": np.nan}
    begins = np.sort(touched["chainage_from_m"].to_numpy())
    ends = np.sort(touched["chainage_to_m"].to_numpy())
    gaps = np.r_[begins[1:] - ends[:-1], -np.inf]
    widest = int(np.argmax(gaps))
    if gaps[widest] > 0 and begins[0] < 0.01 and gaps[widest] > (ends[-1] - begins[0]) / 2:
        return {"chainage_from_m": float(begins[widest + 1]), "chainage_to_m": float(ends[widest])}
    return {"chainage_from_m": float(begins[0]), "chainage_to_m": float(ends[-1])}


def under_buildings(raster: Raster, footprints: gpd.GeoDataFrame) -> NDArray[np.bool_]:
    """Return the cells whose centre is under a building: only they stand as the wall."""
    shapes = [(shape, 1) for shape in footprints.geometry]
    burned = features.rasterize(
        shapes, out_shape=raster.z.shape, transform=raster.transform, fill=0, dtype="uint8"
    )
    return np.asarray(burned, dtype=bool)


def _cell(raster: Raster, xy: Heights) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    t = raster.transform
    column = np.floor((xy[:, 0] - t.c) / t.a).astype(np.int64)
    return np.floor((xy[:, 1] - t.f) / t.e).astype(np.int64), column


def _within(raster: Raster, row: NDArray[np.int64], column: NDArray[np.int64]) -> NDArray[np.bool_]:
    rows, columns = raster.z.shape
    return np.asarray((row >= 0) & (row < rows) & (column >= 0) & (column < columns), dtype=bool)
