"""What it takes to lay runs again and to dig out soakaways: net, waste, order, formula."""

from __future__ import annotations

import math
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from geo.reference import Reference
from geo.verdict import NOT_KNOWN

Numbers = NDArray[np.float64]
Row = dict[str, Any]

NOMINAL_MM = (75, 100, 150, 225, 300)

MATERIALS = (
    "of_id", "item", "formula", "net", "sigma", "unit", "waste_percent", "order", "order_unit", "rests_on",
)  # fmt: skip
# item, formula, column of the net amount, of its sigma, unit, kind of waste, column and unit of the order
RELAY = (
    ("pipe", "⌈1.05 L / 3.0 m⌉", "pipe_m", "length_sigma_m", "m", "pipe", "pipes", "lengths of 3 m"),
    ("trench width", "OD + 0.30 m, at least 0.45", "trench_m", "trench_sigma_m", "m", "", "trench_m", "m"),
    ("dig", "W L (depth + 0.10 m)", "dig_m3", "dig_sigma_m3", "m³", "", "dig_m3", "m³"),
    ("spoil", "dig × bulking", "dig_m3", "dig_sigma_m3", "m³", "loose", "dig_loose_m3", "m³ loose"),
    ("bed and surround", "W (0.20 + OD) L − pipe", "bed_m3", "bed_sigma_m3", "m³", "stone", "bed_t", "t"),
    ("backfill", "dig − bed − pipe", "backfill_m3", "dig_sigma_m3", "m³", "", "backfill_m3", "m³"),
    ("cart away", "(bed + pipe) × bulking", "away_m3", "bed_sigma_m3", "m³", "loose", "cart_away_m3", "m³"),
    ("break out and make good", "(W + 0.30 m) L", "surface_m2", "none_sigma", "m²", "", "surface_m2", "m²"),
)  # fmt: skip


def outside_diameter(bore_m: ArrayLike, *, ref: Reference) -> Numbers:
    """Return the outside diameter, m, of plastic drain pipe sold for a bore; NaN for no bore sold."""
    bore = np.atleast_1d(np.asarray(bore_m, dtype=np.float64))
    nominal = np.array(NOMINAL_MM) / 1000.0
    sizes = np.array([ref.value(f"setting_out.outside_{mm}_mm") for mm in NOMINAL_MM]) / 1000.0
    off = np.abs(np.nan_to_num(bore, nan=-9.0)[:, None] - nominal) / nominal
    pick = np.argmin(off, axis=1)
    fits = off[np.arange(len(bore)), pick] <= ref.value("setting_out.nominal_share") + 1e-9
    return np.where(fits, sizes[pick], np.nan)


def relay_quantities(
    length_m: ArrayLike,
    depth_m: ArrayLike,
    outside_m: ArrayLike,
    *,
    ref: Reference,
    length_sigma_m: ArrayLike = 0.0,
    depth_sigma_m: ArrayLike = 0.0,
) -> pd.DataFrame:
    """Return what it takes to lay runs again in open trench.

    Parameters
    ----------
    length_m
        (n,) along the pipe.
    depth_m
        (n,) mean depth to the invert.
    outside_m
        (n,) outside diameter of the new pipe.

    Returns
    -------
    One row a run. pipes = ⌈1.05 L / 3.0⌉; trench_m W = outside + 2 × 0.15, at least 0.45;
    dig_m3 = W L (depth + 0.10); bed_m3 = W (0.10 + outside + 0.10) L − π outside² L / 4;
    pipe_m3; backfill_m3 = dig − bed − pipe; dig_loose_m3 and cart_away_m3 = (bed + pipe), both bulked;
    surface_m2 = (W + 2 × 0.15) L; bed_t ordered; sigmas of dig and bed; shallow, where the bed stands
    above the ground.
    """
    length, depth, outside, length_sigma, depth_sigma = np.broadcast_arrays(
        *(
            np.atleast_1d(np.asarray(value, dtype=np.float64))
            for value in (length_m, depth_m, outside_m, length_sigma_m, depth_sigma_m)
        )
    )
    bed = ref.value("setting_out.bed_m")
    trench = np.maximum(
        outside + 2 * ref.value("setting_out.working_m"), ref.value("setting_out.trench_least_m")
    )
    trench = np.where(np.isnan(outside), np.nan, trench)
    dig = trench * length * (depth + bed)
    pipe = np.pi * outside**2 / 4 * length
    surround = trench * (2 * bed + outside) * length - pipe
    waste, bulk = ref.value("setting_out.pipe_waste"), ref.value("setting_out.bulking")
    stone = surround * (1 + ref.value("setting_out.stone_waste"))
    return pd.DataFrame(
        {
            "pipe_m": length,
            "pipes": np.ceil((1 + waste) * length / ref.value("setting_out.pipe_length_m") - 1e-9),
            "trench_m": trench,
            "dig_m3": dig,
            "dig_sigma_m3": np.hypot(trench * (depth + bed) * length_sigma, trench * length * depth_sigma),
            "dig_loose_m3": dig * bulk,
            "bed_m3": surround,
            "bed_sigma_m3": surround / np.where(length > 0, length, 1.0) * length_sigma,
            "bed_t": stone * ref.value("setting_out.stone_t_m3"),
            "pipe_m3": pipe,
            "backfill_m3": np.maximum(0.0, dig - surround - pipe),
            "cart_away_m3": (surround + pipe) * bulk,
            "surface_m2": (trench + 2 * ref.value("setting_out.reinstate_m")) * length,
            "shallow": dig < surround + pipe,
        }
    )


def materials_of(
    drawn: gpd.GeoDataFrame,
    depths: pd.DataFrame,
    patches: gpd.GeoDataFrame | None,
    soakaways: pd.DataFrame | None,
    targets: pd.DataFrame,
    *,
    ref: Reference,
) -> pd.DataFrame:
    """Return the quantities as lines of a list: net, waste, order, formula and how sure."""
    ends = depths[["up_depth_m", "down_depth_m"]].to_numpy()
    spread = np.hypot(*depths[["up_depth_sigma_m", "down_depth_sigma_m"]].to_numpy().T) / 2
    joined = [targets["sigma_m"].reindex(drawn[c]).to_numpy(dtype=np.float64) for c in ("from_id", "to_id")]
    # The part of each end's spread that lies along the run.
    length_sigma = np.hypot(*np.nan_to_num(joined)) / math.sqrt(2.0)
    found = relay_quantities(
        drawn["pipe_m"],
        ends.mean(axis=1),
        outside_diameter(drawn["bore_m"], ref=ref),
        ref=ref,
        length_sigma_m=length_sigma,
        depth_sigma_m=spread,
    ).assign(length_sigma_m=length_sigma, trench_sigma_m=0.0, none_sigma=np.nan)
    found.index = drawn.index
    waste = {
        "pipe": ref.value("setting_out.pipe_waste"),
        "stone": ref.value("setting_out.stone_waste"),
        "loose": ref.value("setting_out.bulking") - 1.0,
        "": 0.0,
    }
    lines: list[tuple[Any, ...]] = []
    surfaces = _surfaces(drawn, patches)
    for name, row in found.assign(away_m3=found["bed_m3"] + found["pipe_m3"]).iterrows():
        sure = _how_sure(drawn.loc[name], row)
        for item, formula, net, sigma, unit, kind, order, order_unit in RELAY:
            told = f"surface: {surfaces[str(name)]}" if item.startswith("break") else sure
            if row["shallow"] and item in ("dig", "backfill"):
                told += "; the bed stands above the ground"
            numbers = (row[net], row[sigma], unit, 100 * waste[kind], row[order], order_unit)
            lines.append((name, item, formula, *numbers, told))
    for name, size in (soakaways if soakaways is not None else pd.DataFrame()).iterrows():
        plan, depth = size["length_m"] * size["width_m"], size["depth_m"]
        whole = plan * (targets["depth_invert_m"].get(name, math.nan) + depth)
        sure = "measured" if math.isfinite(whole) else "provisional: size or depth not known"
        loose = (100 * waste["loose"], whole * (1 + waste["loose"]), "m³ loose")
        fill = (plan * depth, math.nan, "m³", 0.0, plan * depth, "m³")
        dug = "length × width × (depth to inlet + depth below it)"
        lines.append((name, "dig, whole soakaway", dug, whole, math.nan, "m³", *loose, sure))
        lines.append((name, "fill below the inlet", "length × width × depth below it", *fill, sure))
    return pd.DataFrame(lines, columns=MATERIALS)


def _how_sure(run: Any, row: Any) -> str:
    if math.isnan(row["dig_m3"]):
        return f"provisional: {'bore' if math.isnan(row['trench_m']) else 'depth'} not known"
    traced = {run["from_evidence"], run["to_evidence"]}
    told = " and ".join(word.replace("_", " ") for word in sorted(traced))
    return f"inferred: {told}" if traced - {"seen"} else "measured"


def _surfaces(drawn: gpd.GeoDataFrame, patches: gpd.GeoDataFrame | None) -> dict[str, str]:
    """Say by run how many metres lie under each surface."""
    said = {}
    for name, line in drawn.geometry.items():
        parts: dict[str, float] = {}
        if patches is not None and len(patches):
            lengths = shapely.length(shapely.intersection(line, patches.geometry.to_numpy()))
            for surface, length in zip(patches["surface"], lengths, strict=True):
                if length > 0.05:
                    parts[str(surface)] = parts.get(str(surface), 0.0) + float(length)
        rest = line.length - sum(parts.values())
        if rest > 0.05:
            parts[NOT_KNOWN] = rest
        said[str(name)] = ", ".join(
            f"{key.replace('_', ' ')} {length:.1f} m" for key, length in parts.items()
        )
    return said
