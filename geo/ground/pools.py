"""Standing water named pool by pool: how deep, how sure, and which walls it touches."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from rasterio import features
from scipy import ndimage

from geo.ground.flood import EIGHT, Flood
from geo.ground.raster import Raster
from geo.reference import Reference
from geo.verdict import NOT_KNOWN

Numbers = NDArray[np.float64]
SMALLEST_SHUT_M2 = 0.1  # a smaller gap between walls is how cells meet an outline, not a yard


def list_pools(
    raster: Raster,
    water: Flood,
    stations: gpd.GeoDataFrame,
    toe_cells: tuple[NDArray[np.int64], NDArray[np.int64]],
    *,
    entries: pd.DataFrame,
    sure_m: float,
    building: NDArray[np.bool_],
    evidence: str,
    ref: Reference,
) -> tuple[list[dict[str, object]], list[Any]]:
    """Return a row and an outline for each pool that touches a wall or is surely there.

    Parameters
    ----------
    water
        Standing water.
    toe_cells
        (row, column) of the cell at the foot of the wall at each station; -1 where there is none.
    entries
        Ways in, indexed by id: level_m, and the row and column of the cell before each.
    sure_m
        A pool deeper than this is not made by error alone.
    building
        Cells that stand as a wall.
    evidence
        ``raster`` or ``levels``: what the heights rest on.
    """
    least = ref.value("ground.pond_depth_min_m")
    depth_m, shut_in = water.depth_m, water.shut_in
    labels, count = ndimage.label((depth_m >= least) | shut_in, structure=EIGHT)
    if not count:
        return [], []
    index = np.arange(1, count + 1)
    wet = labels > 0
    which, depth = labels[wet] - 1, depth_m[wet]
    deepest = np.zeros(count)
    np.maximum.at(deepest, which, depth)
    known = np.isfinite(raster.z)
    cells = np.bincount(which, minlength=count)
    level = np.bincount(which, weights=raster.z[wet] + depth, minlength=count) / cells
    volume = np.bincount(which, weights=depth, minlength=count) * raster.cell_m**2
    row, column = toe_cells
    there = (row >= 0) & stations["outside"].to_numpy()
    at = np.where(there, labels[row, column], 0)
    depth_there = depth_m[row, column]
    shut = np.isin(index, labels[shut_in])
    sure = (deepest > sure_m) & ~shut
    matter = (sure | np.isin(index, at)) & (deepest >= 2 * least) & (cells >= 2)
    matter |= shut & (cells >= 2) & (cells * raster.cell_m**2 >= SMALLEST_SHUT_M2)
    chosen = np.where(np.isin(labels, index[matter]), labels, 0).astype(np.int32)
    outlines = {
        int(value): shapely.geometry.shape(geometry)
        for geometry, value in features.shapes(
            chosen, mask=chosen > 0, transform=raster.transform, connectivity=8
        )
    }
    edge = known & ndimage.binary_dilation(~known & ~building, structure=EIGHT)
    open_ended = np.isin(index, labels[spilling_at(edge, raster.z, water)]) & (evidence == "levels")
    before = labels[entries["row"].to_numpy(dtype=np.int64), entries["column"].to_numpy(dtype=np.int64)]
    sill, names = entries["level_m"].to_numpy(dtype=np.float64), entries.index.astype(str).to_numpy()
    rings = stations["ring_key"].to_numpy()
    starts, ends = stations["chainage_from_m"].to_numpy(), stations["chainage_to_m"].to_numpy()
    rows: list[dict[str, object]] = []
    for k in index[matter]:
        i = k - 1
        touched = np.flatnonzero(at == k)
        ring = ""
        if len(touched):
            here, times = np.unique(rings[touched], return_counts=True)
            ring = str(here[times.argmax()])
            touched = touched[rings[touched] == ring]
        said = f"up to {deepest[i] * 1000:.0f} mm deep; error alone makes up to {sure_m * 1000:.0f} mm"
        low = names[(before == k) & (sill <= level[i] + 0.02)]
        if len(low) and sure[i]:
            said += f"; it reaches {', '.join(low)}, where it would come in"
        if open_ended[i]:
            said += "; the levels end at its edge, so it may be larger"
        if shut[i]:
            said = "shut in: it rises until it finds a way in, and no threshold or air-brick has a level"
        first, last = stretch(starts[touched], ends[touched])
        rows.append(
            {
                "evidence": evidence,
                "level_m": np.nan if shut[i] else float(level[i]),
                "depth_max_m": np.nan if shut[i] else float(deepest[i]),
                "depth_sigma_m": raster.relative_sigma_m,
                "area_m2": float(cells[i] * raster.cell_m**2),
                "volume_l": np.nan if shut[i] else float(volume[i] * 1000),
                "at_wall": bool(len(touched)),
                "wall_length_m": float((ends[touched] - starts[touched]).sum()),
                "ring_key": ring,
                "chainage_from_m": first,
                "chainage_to_m": last,
                "depth_at_wall_m": (
                    float(depth_there[touched].max()) if len(touched) and not shut[i] else np.nan
                ),
                "verdict": "ponds" if sure[i] else NOT_KNOWN,
                "because": said,
            }
        )
    return rows, [outlines[int(k)] for k in index[matter]]


def spilling_at(edge: NDArray[np.bool_], z: Numbers, water: Flood) -> NDArray[np.bool_]:
    """Return the wet cells whose water first spills over one of these cells."""
    wet = water.depth_m > 0
    labels, count = ndimage.label(wet, structure=EIGHT)
    level = np.full(count + 1, np.nan)
    level[labels[wet]] = water.surface_m[wet]
    beside = ndimage.maximum_filter(labels, footprint=EIGHT)
    lips = edge & ~wet & (beside > 0)
    lips[lips] = z[lips] == level[beside[lips]]
    return np.asarray(wet & np.isin(labels, beside[lips]), dtype=bool)


def stretch(starts: Numbers, ends: Numbers) -> tuple[float, float]:
    """Return the chainage pieces of wall cover together, going past the origin corner where they must."""
    if not len(starts):
        return np.nan, np.nan
    starts, ends = np.sort(starts), np.sort(ends)
    gaps = np.r_[starts[1:] - ends[:-1], -np.inf]
    widest = int(np.argmax(gaps))
    if gaps[widest] > 0 and starts[0] < 0.01 and gaps[widest] > (ends[-1] - starts[0]) / 2:
        return float(starts[widest + 1]), float(ends[widest])
    return float(starts[0]), float(ends[-1])
