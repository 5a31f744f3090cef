"""Drain runs laid out for digging: from fixed asset to fixed asset, with levels, fall and how well traced."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from geo.drains.network import Network
from geo.reference import Reference

Numbers = NDArray[np.float64]
Row = dict[str, Any]

UNKNOWN_OWNER = "not_known"
ROUTE = {"seen": "seen", "sonde": "sonde", "camera": "camera"}


def lay_out_runs(
    network: Network, runs: gpd.GeoDataFrame, places: pd.DataFrame, *, ref: Reference
) -> gpd.GeoDataFrame:
    """Draw every run from fixed asset to fixed asset, with its levels, lengths and how well it is traced.

    Returns
    -------
    By run id: from_id, to_id, use, owner, state, bore_m, pipe_material, from_evidence, to_evidence,
    route_sigma_m (across the line between its ends), up_low_m, up_high_m, down_low_m, down_high_m,
    level_sigma_m, plan_m, pipe_m (along the slope), fall_m (NaN where a level is missing), gradient (n of
    1:n, negative: backwards), fault_at_m, and its line. Runs that nobody drew, or that lead nowhere, are
    left out.
    """
    pieces = network.runs
    live = set(pieces["run_id"])
    kept = [name for name in runs.index if name in live and is_line(runs.geometry[name])]
    rows = []
    for name in kept:
        own = pieces[pieces["run_id"] == name]
        first, last = own.iloc[0], own.iloc[-1]
        line = _snapped(runs.geometry[name], first["from_node"], last["to_node"], places, ref)
        levels = {
            f"{end}_{bound}_m": float(part[f"{end}_{bound}_m"])
            for end, part in (("up", first), ("down", last))
            for bound in ("low", "high")
        }
        fixed = levels["up_low_m"] == levels["up_high_m"] and levels["down_low_m"] == levels["down_high_m"]
        fall = levels["up_low_m"] - levels["down_low_m"] if fixed else math.nan
        plan = float(line.length)
        rows.append(
            {
                "from_id": first["from_node"], "to_id": last["to_node"], "use": first["use"],
                "owner": str(runs.loc[name].get("owner") or UNKNOWN_OWNER),
                "state": runs.loc[name, "state"], "bore_m": float(first["bore_m"]),
                "pipe_material": runs.loc[name, "pipe_material"],
                "from_evidence": first["from_evidence"], "to_evidence": last["to_evidence"],
                "route_sigma_m": _route_sigma((first["from_evidence"], last["to_evidence"]), ref),
                **levels, "level_sigma_m": float(first["level_sigma_m"]), "plan_m": plan,
                "pipe_m": math.hypot(plan, 0.0 if math.isnan(fall) else fall), "fall_m": fall,
                "gradient": plan / fall if fall else math.nan,
                "fault_at_m": float(runs.loc[name, "fault_at_m"]), "geometry": line,
            }
        )  # fmt: skip
    columns = [
        "from_id", "to_id", "use", "owner", "state", "bore_m", "pipe_material", "from_evidence",
        "to_evidence", "route_sigma_m", "up_low_m", "up_high_m", "down_low_m", "down_high_m",
        "level_sigma_m", "plan_m", "pipe_m", "fall_m", "gradient", "fault_at_m", "geometry",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=columns, index=pd.Index(kept, dtype=object))
    table = table.astype({name: "float64" for name in columns if name.endswith("_m") or name == "gradient"})
    return gpd.GeoDataFrame(table, geometry="geometry", crs=runs.crs)


def is_line(shape: Any) -> bool:
    """Say whether something was drawn as a line that has a length."""
    return shape is not None and shape.geom_type == "LineString" and shape.length > 0


def _route_sigma(evidence: Sequence[str], ref: Reference) -> float:
    """Return how far the line may be out across the run: the worse of its ends decides."""
    return max(ref.value(f"setting_out.route_{ROUTE.get(word, 'untraced')}_m") for word in evidence)


def route_spread(route_sigma_m: float, share: ArrayLike) -> Numbers:
    """Return how far a run may lie off its line, at shares of its length: least at its fixed ends.

    A line held at both ends strays most half-way, as ``2 √(s (1 − s))`` of what it may stray there.
    """
    s = np.clip(np.asarray(share, dtype=np.float64), 0.0, 1.0)
    return np.asarray(route_sigma_m * 2.0 * np.sqrt(s * (1.0 - s)), dtype=np.float64)


def _snapped(line: Any, start: str, end: str, places: pd.DataFrame, ref: Reference) -> shapely.LineString:
    """Move a run's drawn ends to where its assets were fixed, when they are near."""
    xy = shapely.get_coordinates(line)
    for i, name in ((0, start), (-1, end)):
        if name in places.index:
            fixed = places.loc[name, ["x", "y"]].to_numpy(dtype=np.float64)
            if np.hypot(*(fixed - xy[i])) <= ref.value("input.run_end_m"):
                xy[i] = fixed
    return shapely.LineString(xy)


def end_levels(run: Any) -> tuple[float, float] | None:
    """Return the inverts at both ends of a run laid out, m, where both were measured."""
    fall = float(run["fall_m"])
    return None if math.isnan(fall) else (float(run["up_low_m"]), float(run["down_low_m"]))
