"""Where the homes of a screening are, and everything said of one of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]
from pyarrow.dataset import dataset  # type: ignore[import-untyped]

from geo.screen import said
from geo.screen.results import walls_of
from geo.verdict import NOT_KNOWN

STEP = {NOT_KNOWN: 0, "party": 1, "away": 2, "level": 3, "toward": 5}
"""Steps of a map; a word says where the ground falls, and nothing about any clearance."""
LEGEND = (
    "not known: open the home to see why", "no free wall", "falls away at every wall that is known",
    "level at every wall that is known", "", "ground surely falls to a wall",
)  # fmt: skip

SHARES = (1e-9, 0.02, 0.05, 0.1, 0.2)
FAR_LEGEND = (
    "of those examined, no home the ground surely falls to", "fewer than 1 in 50", "1 in 50 to 1 in 20",
    "1 in 20 to 1 in 10", "1 in 10 to 1 in 5", "1 in 5 or more",
)  # fmt: skip
"""Steps of a map by squares."""
SQUARES = 48
"""Squares along the longer side of a far view."""
MOST_NEAR = 5000
SQUARE = "square"
Box = tuple[float, float, float, float]
CORNERS = ("xmin", "ymin", "xmax", "ymax")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """What a map shows of a box: its homes, or squares of them where it holds too many.

    Parameters
    ----------
    near
        Whether ``table`` has a row a home; a row a square otherwise.
    table
        ``home_id`` (of a square, a name :func:`box_of` knows), ``x_m``, ``y_m`` (middle, in the grid of the
        file), ``step`` (of ``legend``), ``verdict`` of a home; of a square ``homes``, ``examined``,
        ``toward``, ``not_known`` and ``side_m``.
    homes
        How many homes have their middle in the box.
    box
        West, south, east and north.
    """

    near: bool
    table: pd.DataFrame
    homes: int
    box: Box

    @property
    def legend(self) -> tuple[str, ...]:
        """What each step is in words."""
        return LEGEND if self.near else FAR_LEGEND


def homes_count(results: Path) -> int:
    """Return how many homes a screening has."""
    return int(pq.read_metadata(results).num_rows)


def verdict_counts(results: Path) -> dict[str, int]:
    """Return how many homes of a screening have each verdict; without an outline it is not known."""
    counts = pc.value_counts(pq.read_table(results, columns=["verdict"])["verdict"].combine_chunks())
    found = {str(one["values"]): int(one["counts"]) for one in counts.to_pylist()}
    return {word: found.get(word, 0) for word in said.WORDS}


def bounds_of(results: Path) -> Box | None:
    """Return the box round every home, as the file tells of its parts; ``None`` where none has a place."""
    file = pq.ParquetFile(results).metadata
    at = _columns(file)
    parts = [_box_of_part(file.row_group(n), at) for n in range(file.num_row_groups)]
    known = np.array([part for part in parts if part is not None])
    if not len(known):
        return None
    (west, south), (east, north) = known[:, :2].min(axis=0), known[:, 2:].max(axis=0)
    return float(west), float(south), float(east), float(north)


def view_of(results: Path, box: Box | None = None, *, most: int = MOST_NEAR) -> View:
    """Return what a map shows of a box: no more rows than it can draw, whatever the file holds.

    Only those parts of the file are read that reach the box.

    Parameters
    ----------
    box
        West, south, east and north in the file's grid; all of it by default.
    most
        Homes shown one by one; more are counted by squares.
    """
    whole = box or bounds_of(results)
    if whole is None:
        return View(near=True, table=_homes(_empty(results)), homes=0, box=(0.0, 0.0, 0.0, 0.0))
    table = _in_box(results, whole, ["home_id", "verdict", "examined"])
    if len(table) <= most:
        return View(near=True, table=_homes(table), homes=len(table), box=whole)
    return View(near=False, table=_squares(table, whole), homes=len(table), box=whole)


def box_of(name: str) -> Box | None:
    """Return the box of a square of a far view by its name, ``None`` for a name of anything else."""
    word, *rest = name.split(" ")
    try:
        west, south, side = (float(one) for one in rest)
    except ValueError:
        return None
    if word != SQUARE or not all(math.isfinite(one) for one in (west, south, side)) or side <= 0:
        return None
    return west, south, west + side, south + side


def page_of(
    results: Path, *, verdict: str = "toward", limit: int = 50, offset: int = 0
) -> tuple[pd.DataFrame, int]:
    """Return one page of homes of a verdict, the surest fall to a wall first, and how many there are.

    Surest: the larger the least fall its 95 % range leaves. Those without one come last, by number.

    Returns
    -------
    ``home_id``, ``steepest_face``, ``steepest_fall_percent``, ``steepest_low_percent``,
    ``steepest_high_percent``, ``uphill_m2``, ``low_spot``, ``reason``.
    """
    source = pq.read_table(results, columns=["verdict", "steepest_low_percent", "home_id"])
    kept = np.flatnonzero(np.asarray(pc.equal(source["verdict"].cast(pa.string()), verdict)))
    low = source["steepest_low_percent"].to_numpy()[kept]
    order = np.lexsort([kept, -np.nan_to_num(low, nan=-np.inf)])[max(0, offset) : max(0, offset) + limit]
    rows = kept[order]
    columns = ["home_id", "steepest_face", "steepest_fall_percent", "steepest_low_percent",
               "steepest_high_percent", "uphill_m2", "low_spot", "reason"]  # fmt: skip
    table = dataset(results).take(pa.array(np.sort(rows)), columns=columns).to_pandas()
    table = table.iloc[np.argsort(np.argsort(rows, kind="stable"), kind="stable")].reset_index(drop=True)
    for name in ("low_spot", "reason"):
        table[name] = table[name].astype(str)
    return table, len(kept)


def _columns(file: Any) -> dict[str, int]:
    """Return which columns of a file the corners of the homes' bounds are."""
    paths = {file.schema.column(n).path: n for n in range(file.num_columns)}
    return {name: paths[f"bbox.{name}"] for name in CORNERS}


def _box_of_part(part: Any, at: dict[str, int]) -> Box | None:
    """Return the box round the homes of a part of a file, ``None`` where it has none with a place."""
    told = [part.column(at[name]).statistics for name in CORNERS]
    if any(one is None or not one.has_min_max for one in told):
        return None
    west, south, east, north = told[0].min, told[1].min, told[2].max, told[3].max
    return (west, south, east, north) if all(map(math.isfinite, (west, south, east, north))) else None


def _in_box(results: Path, box: Box, columns: Sequence[str]) -> pd.DataFrame:
    """Return the homes whose middle lies in a box, with ``x_m`` and ``y_m``, from the parts that reach it."""
    file = pq.ParquetFile(results)
    at = _columns(file.metadata)
    parts = []
    for n in range(file.metadata.num_row_groups):
        own = _box_of_part(file.metadata.row_group(n), at)
        if (
            own is not None
            and own[0] <= box[2]
            and own[1] <= box[3]
            and own[2] >= box[0]
            and own[3] >= box[1]
        ):
            parts.append(n)
    if not parts:
        return _empty(results)
    table = file.read_row_groups(parts, columns=[*columns, "bbox"])
    corner = table["bbox"].combine_chunks().flatten()
    x = (np.asarray(corner[0]) + np.asarray(corner[2])) / 2
    y = (np.asarray(corner[1]) + np.asarray(corner[3])) / 2
    with np.errstate(invalid="ignore"):
        inside = (x >= box[0]) & (x <= box[2]) & (y >= box[1]) & (y <= box[3])
    found = table.select(list(columns)).filter(pa.array(inside)).to_pandas()
    found["verdict"] = found["verdict"].astype(str)
    return found.assign(x_m=x[inside], y_m=y[inside])


def _empty(results: Path) -> pd.DataFrame:
    columns = ["home_id", "verdict", "examined"]
    found = pq.read_schema(results).empty_table().select(columns).to_pandas()
    return found.assign(verdict=found["verdict"].astype(str), x_m=np.zeros(0), y_m=np.zeros(0))


def _homes(table: pd.DataFrame) -> pd.DataFrame:
    step = table["verdict"].map(STEP).fillna(STEP[NOT_KNOWN]).astype(np.uint8)
    return table.assign(step=step)[["home_id", "x_m", "y_m", "verdict", "step"]].reset_index(drop=True)


def _squares(table: pd.DataFrame, box: Box) -> pd.DataFrame:
    """Count homes by squares of a round size, on the grid of the file."""
    side = max(box[2] - box[0], box[3] - box[1]) / SQUARES
    rounded = 10.0 ** math.floor(math.log10(side))
    size = rounded * next(step for step in (1, 2, 5, 10) if rounded * step >= side * 0.999)
    word = table["verdict"]
    counts = (
        pd.DataFrame(
            {
                "up": np.floor(table["y_m"] / size),
                "across": np.floor(table["x_m"] / size),
                "homes": 1,
                "examined": table["examined"].astype(bool),
                "toward": word.eq("toward"),
                "not_known": word.eq(NOT_KNOWN),
            }
        )
        .groupby(["up", "across"], sort=True)
        .sum()
        .astype(np.int64)
        .reset_index()
    )
    west, south = counts["across"] * size, counts["up"] * size
    share = counts["toward"] / counts["examined"].clip(lower=1)
    return pd.DataFrame(
        {
            "home_id": [f"{SQUARE} {x:.12g} {y:.12g} {size:.12g}" for x, y in zip(west, south, strict=True)],
            "x_m": west + size / 2,
            "y_m": south + size / 2,
            "step": np.digitize(share, SHARES).astype(np.uint8),
            **{name: counts[name] for name in ("homes", "examined", "toward", "not_known")},
            "side_m": size,
        }
    )


def home_of(results: Path, home_id: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the rows of one home, and those of its walls; both empty where there is no such home."""
    named = pc.field("home_id") == home_id
    found = []
    for file in (results, walls_of(results)):
        source = dataset(file)
        kept = [name for name in source.schema.names if name not in ("geometry", "bbox")]
        table = source.to_table(filter=named, columns=kept).to_pandas()
        for name in ("verdict", "reason", "low_spot"):
            if name in table.columns:
                table[name] = table[name].astype(str)
        found.append(table)
    return found[0], found[1]


def reasons_of(walls: pd.DataFrame) -> pd.DataFrame:
    """Return the faces of one home as a person reads them: fall, range, what is said, what would settle it.

    Returns
    -------
    ``face``, ``from_m``, ``to_m``, ``bearing_deg``, ``verdict``, ``fall`` (per cent, ± the half of the range
    that holds 95 %), ``said``.
    """
    rows = []
    for wall in walls.sort_values(["part", "ring", "face", "from_m"]).to_dict("records"):
        known = np.isfinite(wall["fall_percent"]) and wall["verdict"] != "party"
        band = wall["high_percent"] - wall["fall_percent"]
        rows.append(
            {
                "face": f"F{wall['face']}",
                "from_m": float(wall["from_m"]),
                "to_m": float(wall["to_m"]),
                "bearing_deg": float(wall["bearing_deg"]),
                "verdict": str(wall["verdict"]),
                "fall": f"{wall['fall_percent']:+.1f} % ± {band:.1f} %" if known else "",
                "said": said.wall_said(wall),
            }
        )
    columns = ["face", "from_m", "to_m", "bearing_deg", "verdict", "fall", "said"]
    return pd.DataFrame(rows, columns=columns)
