"""Where the homes of a screening are, and everything said of one of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
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


def homes_count(results: Path) -> int:
    """Return how many homes a screening has."""
    return int(pq.read_metadata(results).num_rows)


def places_of(results: Path) -> pd.DataFrame:
    """Return every home of a screening with its place.

    Returns
    -------
    ``home_id``, ``x_m``, ``y_m`` (middle of its bounds, in the grid of the file), ``verdict``, ``step``;
    homes without an outline are left out.
    """
    table = pq.read_table(results, columns=["home_id", "verdict", "bbox"])
    box = table["bbox"].combine_chunks().flatten()
    x = (np.asarray(box[0]) + np.asarray(box[2])) / 2
    y = (np.asarray(box[1]) + np.asarray(box[3])) / 2
    word = table["verdict"].to_pandas().astype(str)
    found = pd.DataFrame(
        {"home_id": table["home_id"].to_pandas().astype(str), "x_m": x, "y_m": y, "verdict": word}
    )
    found["step"] = found["verdict"].map(STEP).fillna(STEP[NOT_KNOWN]).astype(np.uint8)
    return found[np.isfinite(found["x_m"]) & np.isfinite(found["y_m"])].reset_index(drop=True)


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
