"""Results read again: homes in a view when near, counts by squares when far."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.compute as pc  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]
import shapely
from numpy.typing import NDArray
from pyarrow.dataset import dataset  # type: ignore[import-untyped]
from pyproj import CRS

from geo.screen import said

COUNTED = ("homes", "examined", "toward", "away", "level", "party", "not_known", "low_spots", "uphill_known")


def homes_in(results: Path, bbox: tuple[float, float, float, float]) -> gpd.GeoDataFrame:
    """Return the homes of a screening that touch a box, or the walls where the file is one of walls.

    Parameters
    ----------
    results
        A file :func:`geo.screen.run.screen_homes` wrote; only those of its parts that reach the box are read.
    bbox
        West, south, east and north, in the file's grid.
    """
    return gpd.read_parquet(results, bbox=bbox)


def crs_of(results: Path) -> CRS:
    """Return the grid a file of results is in."""
    geo = json.loads(pq.read_schema(results).metadata[b"geo"])
    return CRS.from_json_dict(geo["columns"][geo["primary_column"]]["crs"])


def cells_of(results: Path, size_m: float) -> gpd.GeoDataFrame:
    """Count the homes of a screening by squares of the grid, for a far view.

    Parameters
    ----------
    size_m
        Side of the squares, in the units of the file's grid; a home is counted where its middle lies.

    Returns
    -------
    A row a square that has homes: homes, examined, by verdict (toward, away, level, party, not_known),
    low_spots (surely there), uphill_known, uphill_m2_median of those known, and the square.
    """
    file = pq.ParquetFile(results)
    parts: list[pd.DataFrame] = []
    columns = ["examined", "verdict", "low_spot", "uphill_m2", "bbox"]
    for batch in file.iter_batches(262_144, columns=columns):
        box = batch.column("bbox").flatten()
        x = (np.asarray(box[0]) + np.asarray(box[2])) / 2
        y = (np.asarray(box[1]) + np.asarray(box[3])) / 2
        uphill = batch.column("uphill_m2").to_numpy(zero_copy_only=False)
        table = pd.DataFrame(
            {
                "across": np.floor(x / size_m),
                "up": np.floor(y / size_m),
                "homes": 1,
                "examined": batch.column("examined").to_numpy(zero_copy_only=False),
                **{one.replace(" ", "_"): is_word(batch.column("verdict"), one) for one in said.WORDS},
                "low_spots": is_word(batch.column("low_spot"), "yes"),
                "uphill_known": np.isfinite(uphill),
                "uphill_m2": uphill,
            }
        )
        parts.append(table[np.isfinite(x)])
    by = pd.concat(parts, ignore_index=True).groupby(["up", "across"], sort=True)
    counts = by[list(COUNTED)].sum().astype(np.int64)
    counts["uphill_m2_median"] = by["uphill_m2"].median()
    counts = counts.reset_index()
    west, south = counts["across"].to_numpy() * size_m, counts["up"].to_numpy() * size_m
    squares = shapely.box(west, south, west + size_m, south + size_m)
    return gpd.GeoDataFrame(counts.drop(columns=["across", "up"]), geometry=squares, crs=crs_of(results))


def is_word(column: Any, word: str) -> NDArray[np.bool_]:
    """Say of each row of a column of words whether it holds this one."""
    found: NDArray[np.bool_] = pc.fill_null(pc.equal(column, word), False).to_numpy(zero_copy_only=False)
    return found


def count_in(results: Path, bbox: tuple[float, float, float, float]) -> int:
    """Return how many homes of a screening touch a box, without reading more than their bounds."""
    west, south, east, north = bbox
    box = (
        pc.field("bbox", "xmin"),
        pc.field("bbox", "ymin"),
        pc.field("bbox", "xmax"),
        pc.field("bbox", "ymax"),
    )
    inside = (box[0] <= east) & (box[1] <= north) & (box[2] >= west) & (box[3] >= south)
    return int(dataset(results).count_rows(filter=inside))


def walls_of(results: Path) -> Path:
    """Return the file of walls that belongs to a file of homes."""
    return results.with_name(f"{results.stem}-walls.parquet")
