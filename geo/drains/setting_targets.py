"""Places a contractor has to find: positions with their spread, and the levels of the pipes there."""

from __future__ import annotations

import math
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.drains.network import Network
from geo.drains.setting_camera import camera_path
from geo.drains.setting_runs import end_levels, route_spread
from geo.perimeter.answer import turned
from geo.reference import Reference

Numbers = NDArray[np.float64]
Row = dict[str, Any]

COVARIANCE = ("var_xx", "var_xy", "var_yy")


def targets_of(
    network: Network, drawn: gpd.GeoDataFrame, places: pd.DataFrame, *, ref: Reference
) -> tuple[pd.DataFrame, list[str]]:
    """Return every place to find, with covariance and pipe levels; and what has no place."""
    fixed = places[np.isfinite(places["x"].astype(float))]
    notes = [f"{name}: no position: {why}." for name, why in places["refused"].items() if why]
    rows: dict[str, Row] = {}
    for name, place in fixed.iterrows():
        rows[str(name)] = {**place[["kind", "state", "evidence", "x", "y", *COVARIANCE]], "run_id": ""}
    joints = network.nodes[(network.nodes["kind"] == "joint") & np.isfinite(network.nodes["x"].astype(float))]
    scaled = ref.value("tape.coordinate_m")
    for name, node in joints.iterrows():
        touching = drawn[(drawn["from_id"] == name) | (drawn["to_id"] == name)]
        route = float(touching["route_sigma_m"].max()) if len(touching) else 0.0
        each = math.hypot(scaled, route) ** 2 / 2
        rows[str(name)] = {
            "kind": "joint", "state": "", "evidence": "", "x": node["x"], "y": node["y"], "var_xx": each,
            "var_xy": 0.0, "var_yy": each, "run_id": str(touching.index[0]) if len(touching) else "",
        }  # fmt: skip
    for name, run in drawn[np.isfinite(drawn["fault_at_m"])].iterrows():
        path = camera_path(run.geometry, levels=end_levels(run))
        place = path.to_map([run["fault_at_m"]], ref=ref).iloc[0]
        if place["word"] != "on the run":
            notes.append(f"{name}: its fault at {run['fault_at_m']:.2f} m lies {place['word']}.")
            continue
        towards = np.radians(place["bearing_deg"])
        unit = np.array([[np.sin(towards), np.cos(towards)]])
        across = route_spread(run["route_sigma_m"], [place["pipe_m"] / run["pipe_m"]])
        spread = turned(np.array([place["sigma_m"]]), across, unit)[0]
        start = fixed.loc[run["from_id"], list(COVARIANCE)] if run["from_id"] in fixed.index else (0.0,) * 3
        xx, xy, yy = np.array([spread[0, 0], spread[0, 1], spread[1, 1]]) + np.asarray(start, dtype=float)
        rows[f"{name} fault"] = {
            "kind": "fault", "state": run["state"], "evidence": run["from_evidence"], "x": place["x"],
            "y": place["y"], "var_xx": xx, "var_xy": xy, "var_yy": yy, "run_id": str(name),
        }  # fmt: skip
    columns = ["kind", "state", "evidence", "x", "y", *COVARIANCE, "run_id"]
    table = pd.DataFrame(list(rows.values()), columns=columns, index=pd.Index(list(rows), dtype=object))
    table = table.astype(dict.fromkeys(("x", "y", *COVARIANCE), "float64"))
    return table.join(ellipses(table)).join(_pipe_levels(table, network, drawn, ref)), notes


def ellipses(table: pd.DataFrame) -> pd.DataFrame:
    """Return the error ellipses of points with var_xx, var_xy and var_yy, m².

    Returns
    -------
    Indexed as the input: sigma_m, sigma_major_m, sigma_minor_m, and bearing_deg of the long axis.
    """
    xx, xy, yy = (table[name].to_numpy(dtype=np.float64) for name in COVARIANCE)
    half, bend = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    # Bearing of the long axis: half the angle of the covariance, turned from east to north.
    bearing = np.mod(90.0 - np.degrees(np.arctan2(2 * xy, xx - yy)) / 2, 180.0)
    return pd.DataFrame(
        {
            "sigma_m": np.sqrt(xx + yy),
            "sigma_major_m": np.sqrt(half + bend),
            "sigma_minor_m": np.sqrt(np.maximum(0.0, half - bend)),
            "bearing_deg": bearing,
        },
        index=table.index,
    )


def _pipe_levels(
    targets: pd.DataFrame, network: Network, drawn: gpd.GeoDataFrame, ref: Reference
) -> pd.DataFrame:
    """Return bounds of the highest crown and the lowest invert at every target, with their sigma."""
    pieces, columns = network.runs, ["node", "low", "high", "sigma", "bore"]
    ends = [
        pieces[[node, f"{end}_low_m", f"{end}_high_m", "level_sigma_m", "bore_m"]].set_axis(columns, axis=1)
        for end, node in (("up", "from_node"), ("down", "to_node"))
    ]
    # A chamber's or gully's own invert; a base that only repeats the bound of a run not dipped is none.
    bounded = pd.concat(ends).astype(dict.fromkeys(columns[1:], "float64"))
    bounded = bounded[bounded["high"] - bounded["low"] > 1e-9]
    guessed = set(zip(bounded["node"], bounded["low"], strict=True))
    nodes = network.nodes[
        np.isfinite(network.nodes["base_m"].astype(float)) & (network.nodes["kind"] != "joint")
    ]
    kept = [place not in guessed for place in zip(nodes.index, nodes["base_m"], strict=True)]
    bases = nodes[np.array(kept, dtype=bool)]
    own = {"node": bases.index, "low": bases["base_m"], "high": bases["base_m"]}
    ends.append(pd.DataFrame({**own, "sigma": ref.value("levels.invert_sigma_m"), "bore": np.nan}))
    faults = []
    for name, fault in targets[targets["kind"] == "fault"].iterrows():
        run = drawn.loc[fault["run_id"]]
        share = shapely.line_locate_point(
            run.geometry, shapely.Point(fault["x"], fault["y"]), normalized=True
        )
        low, high = (run[f"up_{b}_m"] * (1 - share) + run[f"down_{b}_m"] * share for b in ("low", "high"))
        faults.append((name, low, high, run["level_sigma_m"], run["bore_m"]))
    table = pd.concat([*ends, pd.DataFrame(faults, columns=columns)], ignore_index=True).astype(
        dict.fromkeys(columns[1:], "float64")
    )
    rise = table["bore"] + ref.value("setting_out.pipe_wall_m")
    table = table.assign(crown_low=table["low"] + rise, crown_high=table["high"] + rise)
    found = table.groupby("node").agg(
        crown_low_m=("crown_low", "max"), crown_high_m=("crown_high", "max"), invert_low_m=("low", "min"),
        invert_high_m=("high", "min"), level_sigma_m=("sigma", "max"),
    )  # fmt: skip
    return found.reindex(targets.index).replace([np.inf, -np.inf], np.nan)
