"""Dig boxes: the hole that holds what is dug for, its position ellipse by its depth."""

from __future__ import annotations

import math
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.drains.setting_targets import ellipses
from geo.reference import Reference

Numbers = NDArray[np.float64]
Row = dict[str, Any]

DUG_FOR = ("gully", "downpipe", "soakaway", "joint", "fault")


def ellipse_factor(ref: Reference) -> float:
    """Return how many sigmas an ellipse reaches to hold a point as surely as ± z on a line.

    The square of a distance in sigmas is exponential in two dimensions: ``k = √(−2 ln(1 − p))``.
    """
    return math.sqrt(-2.0 * math.log(1.0 - math.erf(ref.value("confidence.z_95") / math.sqrt(2.0))))


def dig_boxes(targets: pd.DataFrame, *, ref: Reference, crs: Any) -> gpd.GeoDataFrame:
    """Return the hole to dig for each target that is not in view: its position ellipse by its depth.

    The 95 % ellipse of the peg, with room to work round it, and from just over the crown to under the
    bed. A chamber that was seen is lifted, not dug for.
    """
    buried = (targets["kind"] == "chamber") & (
        (targets["state"] == "buried") | (targets["evidence"] != "seen")
    )
    rows = targets[(targets["kind"].isin(DUG_FOR) | buried) & ~_open_foot(targets)]
    xx, xy, yy = (
        rows[f"set_{name}"].fillna(rows[f"var_{name}"]).to_numpy(dtype=np.float64)
        for name in ("xx", "xy", "yy")
    )
    shape = ellipses(pd.DataFrame({"var_xx": xx, "var_xy": xy, "var_yy": yy}, index=rows.index))
    factor, room = ellipse_factor(ref), ref.value("setting_out.trench_least_m") / 2
    half = factor * shape[["sigma_major_m", "sigma_minor_m"]].to_numpy() + room
    towards = np.radians(shape["bearing_deg"].to_numpy())
    long = np.column_stack([np.sin(towards), np.cos(towards)]) * half[:, :1]
    short = np.column_stack([np.cos(towards), -np.sin(towards)]) * half[:, 1:]
    middle = rows[["x", "y"]].to_numpy(dtype=np.float64)
    ring = np.stack(
        [middle + a * long + b * short for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))], axis=1
    ).reshape(-1, 4, 2)
    top = rows["depth_crown_low_m"].fillna(rows["depth_invert_low_m"]).clip(lower=0.0)
    bottom = rows["depth_invert_high_m"] + ref.value("setting_out.bed_m")
    size = 2 * half
    wide = size[:, 0] > ref.value("setting_out.box_most_m")
    first = np.where(wide, "Too wide to dig for: trace it by sonde or camera first.", rows["depth_settle"])
    table = pd.DataFrame(
        {
            "kind": rows["kind"], "depth_from_m": top, "depth_to_m": bottom, "length_m": size[:, 0],
            "width_m": size[:, 1], "bearing_deg": shape["bearing_deg"],
            "volume_m3": size[:, 0] * size[:, 1] * bottom, "because": rows["depth_because"], "first": first,
        },
        index=rows.index,
    )  # fmt: skip
    return gpd.GeoDataFrame(table, geometry=shapely.polygons(ring), crs=crs)


def _open_foot(targets: pd.DataFrame) -> pd.Series[bool]:
    """Tell the downpipes at which no pipe goes into the ground."""
    return (targets["kind"] == "downpipe") & targets["invert_low_m"].isna()
