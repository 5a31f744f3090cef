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
from scipy.stats import norm
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
    """Standing water over a raster: ``depth_m`` per cell, and the cells water has no way out of."""

    depth_m: Heights
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
        Cells where water leaves: gullies that work.
    spills
        Level at which water leaves a cell by a threshold or air-brick, infinite where there is none.
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
    depth = np.where(open_ground & (filled < WALL_M / 2), filled - ground, 0.0)
    return Flood(depth_m=np.maximum(depth, 0.0), shut_in=open_ground & (filled >= WALL_M / 2))


def ponds_against_walls(
    raster: Raster,
    stations: gpd.GeoDataFrame,
    footprints: gpd.GeoDataFrame,
    gullies: pd.DataFrame,
    *,
    ref: Reference,
    ways_in: pd.DataFrame | None = None,
) -> gpd.GeoDataFrame:
    """List the pools deep enough to matter, with the gullies as they were found and with none working.

    Parameters
    ----------
    gullies
        x, y in the stations' CRS and whether each was found to work.
    ways_in
        Thresholds, air-bricks and holes indexed by id: x, y of the wall there, normal_e, normal_n, level_m.

    Returns
    -------
    One row a pool, in the stations' CRS; depth_sigma_m is the raster's relative error. Among so many
    cells beside the walls some hollow is always made by that error alone: a pool is called sure only when
    deeper than the deepest that chance would make in one site out of twenty.
    """
    moved = moved_footprints(footprints, raster)
    building = under_buildings(raster, moved)
    move = mover(stations.crs, raster.crs)
    outward = stations[["normal_e", "normal_n"]].to_numpy()
    step = raster.cell_m * 0.75
    toes = move(stations[["x", "y"]].to_numpy() + outward * step)
    working = gullies[gullies["works"]] if len(gullies) else gullies
    spills, entries = _spills(raster, move, ways_in)
    beside = max(1.0, float(stations.loc[stations["outside"], "length_m"].sum()) / raster.cell_m)
    sure_m = float(norm.isf(0.025 / beside)) * raster.relative_sigma_m
    rows: list[dict[str, object]] = []
    shapes: list[Any] = []
    for name, sinks in (("as found", working), ("none working", gullies.iloc[:0])):
        if name == "none working" and not len(working):
            break
        cells = np.zeros(raster.z.shape, dtype=bool)
        if len(sinks):
            row, column = _cell(raster, move(sinks[["x", "y"]].to_numpy()))
            inside = _within(raster, row, column)
            cells[row[inside], column[inside]] = True
        water = flood(raster, building, cells, spills)
        label = name if len(gullies) else "none recorded"
        found, drawn = _pools(raster, water, stations, toes, label, entries, sure_m, ref)
        rows += found
        shapes += drawn
    table = pd.DataFrame(rows, columns=list(POND_COLUMNS))
    table["pond_id"] = [f"P{i}" for i in range(1, len(table) + 1)]
    back = mover(raster.crs, stations.crs)
    geometry: Any = shapely.transform(np.array(shapes, dtype=object), back) if shapes else []
    return gpd.GeoDataFrame(table, geometry=geometry, crs=stations.crs)


def _pools(
    raster: Raster,
    water: Flood,
    stations: gpd.GeoDataFrame,
    toes: Heights,
    gullies: str,
    entries: pd.DataFrame,
    sure_m: float,
    ref: Reference,
) -> tuple[list[dict[str, object]], list[Any]]:
    least = ref.value("ground.pond_depth_min_m")
    labels, count = ndimage.label((water.depth_m >= least) | water.shut_in, structure=EIGHT)
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
    shut = np.isin(index, np.unique(labels[water.shut_in]))
    matter = (deepest > sigma) | np.isin(index, at)
    matter &= ((deepest >= 2 * least) & (cells >= 2)) | shut
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
        sure = deepest[k - 1] > sure_m and not shut[k - 1]
        said = f"up to {deepest[k - 1] * 1000:.0f} mm deep; error alone makes up to {sure_m * 1000:.0f} mm"
        way_in = entries.index[(entries["pool"].map(lambda rc: labels[rc]) == k).to_numpy(dtype=bool)]
        low = [name for name in way_in if entries.loc[name, "level_m"] <= level[k - 1] + 0.02]
        if low and sure:
            said += f"; it reaches {', '.join(map(str, low))}, where it would come in"
        if shut[k - 1]:
            said = "shut in on all sides: it rises until it finds a way in; no threshold or air-brick has a level"
        rows.append(
            {
                "pond_id": "",
                "gullies": gullies,
                "evidence": "raster",
                "level_m": np.nan if shut[k - 1] else float(level[k - 1]),
                "depth_max_m": np.nan if shut[k - 1] else float(deepest[k - 1]),
                "depth_sigma_m": sigma,
                "area_m2": float(cells[k - 1] * raster.cell_m**2),
                "volume_l": np.nan if shut[k - 1] else float(volume[k - 1] * 1000),
                "at_wall": bool(len(touched)),
                "wall_length_m": float(touched["length_m"].sum()),
                "ring_key": ring,
                **_stretch(touched),
                "depth_at_wall_m": (
                    float(depth_there[at == k].max()) if len(touched) and not shut[k - 1] else np.nan
                ),
                "verdict": "ponds" if sure else NOT_KNOWN,
                "because": said,
            }
        )
        shapes.append(outlines[int(k)])
    return rows, shapes


def _spills(raster: Raster, move: Any, ways_in: pd.DataFrame | None) -> tuple[Heights, pd.DataFrame]:
    """Return the level at which water leaves each cell by the building, and the cells of the ways in."""
    spills = np.full(raster.z.shape, np.inf)
    columns = ["level_m", "pool"]
    if ways_in is None or ways_in.empty:
        return spills, pd.DataFrame({name: pd.Series(dtype=object) for name in columns})
    known = ways_in[np.isfinite(ways_in["level_m"].to_numpy(dtype=np.float64))]
    toe = known[["x", "y"]].to_numpy() + known[["normal_e", "normal_n"]].to_numpy() * raster.cell_m * 0.75
    row, column = _cell(raster, move(toe))
    inside = _within(raster, row, column)
    known, row, column = known[inside], row[inside], column[inside]
    np.minimum.at(spills, (row, column), known["level_m"].to_numpy(dtype=np.float64))
    cells = pd.Series(list(zip(row.tolist(), column.tolist(), strict=True)), index=known.index, dtype=object)
    return spills, known.assign(pool=cells)[columns]


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
