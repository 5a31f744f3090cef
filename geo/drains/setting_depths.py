"""How deep pipes lie below the ground, each depth with its range and what it was measured from."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeAlias

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from geo.reference import Reference
from geo.verdict import NOT_KNOWN

Numbers = NDArray[np.float64]
Terrain: TypeAlias = Callable[[Numbers], tuple[Numbers, Numbers]]
"""From (n, 2) places to the ground's level above the site datum and its sigma, m; NaN where not known."""
RASTER = "the ground raster"


def ground_levels(ground: pd.DataFrame | None) -> pd.DataFrame:
    """Return the levels of the ground that have a place and a sigma: x, y, level_m, sigma_m, name."""
    columns = ["x", "y", "level_m", "sigma_m", "name"]
    table = pd.DataFrame(columns=columns) if ground is None else ground[columns]
    numbers = table[columns[:4]].astype("float64")
    return table.assign(**numbers)[np.isfinite(numbers).all(axis=1)]


def depths_below(
    targets: pd.DataFrame,
    ground: pd.DataFrame,
    *,
    ref: Reference,
    terrain: Terrain | None = None,
    buildings: BaseGeometry | None = None,
) -> pd.DataFrame:
    """Return how deep the crown and the invert lie, with 95 % ranges.

    The ground is taken from the level that serves best: near, and well measured, the ground between
    being allowed to fall by ``setting_out.ground_fall``. Only where no level is in reach does the terrain
    speak, with its own sigma; the two are never averaged. Where a pipe level is only bounded there is a
    range and no value.

    Parameters
    ----------
    targets
        x, y; bounds crown_low_m … invert_high_m and level_sigma_m.
    ground
        x, y, level_m, sigma_m, name.
    terrain
        Heights of a raster on the site's datum.
    buildings
        What a level must not be carried through: a lightwell's floor says nothing of the ground outside.

    Returns
    -------
    Indexed as the input: ground_m, ground_sigma_m, ground_from, ground_away_m; depth_crown_m,
    depth_crown_sigma_m, depth_crown_low_m, depth_crown_high_m and the same of depth_invert; depth
    (``known``, ``between`` or ``not known``), depth_because, depth_settle.
    """
    count = len(targets)
    level, spread, away = (np.full(count, np.nan) for _ in range(3))
    name = np.full(count, "", dtype=object)
    if len(ground) and count:
        gap = targets[["x", "y"]].to_numpy(dtype=np.float64)[:, None] - ground[["x", "y"]].to_numpy(
            dtype=np.float64
        )
        distance = np.hypot(gap[..., 0], gap[..., 1])
        sigma = np.hypot(ground["sigma_m"].to_numpy(), ref.value("setting_out.ground_fall") * distance)
        near = distance <= ref.value("setting_out.ground_reach_m")
        if buildings is not None:
            near &= ~_through(
                targets, ground, near, buildings.buffer(-ref.value("setting_out.ground_wall_m"))
            )
        sigma = np.where(near, sigma, np.inf)
        pick = np.argmin(sigma, axis=1)
        each = np.arange(count)
        on = np.isfinite(sigma[each, pick])
        level = np.where(on, ground["level_m"].to_numpy()[pick], np.nan)
        spread = np.where(on, sigma[each, pick], np.nan)
        away = np.where(on, distance[each, pick], np.nan)
        name = np.where(on, ground["name"].to_numpy(dtype=object)[pick], "")
    bare = np.flatnonzero(np.isnan(level))
    if terrain is not None and len(bare):
        found, error = terrain(targets[["x", "y"]].to_numpy(dtype=np.float64)[bare])
        seen = bare[np.isfinite(found)]
        level[bare], spread[bare] = found, error
        away[seen], name[seen] = 0.0, RASTER
    z = ref.value("confidence.z_95")
    pipe = targets["level_sigma_m"].to_numpy(dtype=np.float64)
    wall = ref.value("setting_out.pipe_wall_sigma_m")
    columns: dict[str, Any] = {
        "ground_m": level, "ground_sigma_m": spread, "ground_from": name, "ground_away_m": away,
    }  # fmt: skip
    states = {}
    for part, extra in (("crown", wall), ("invert", 0.0)):
        low, high = (targets[f"{part}_{bound}_m"].to_numpy(dtype=np.float64) for bound in ("low", "high"))
        sigma = np.sqrt(spread**2 + pipe**2 + extra**2)
        sure = high - low < 1e-9
        columns |= {
            f"depth_{part}_m": np.where(sure, level - low, np.nan),
            f"depth_{part}_sigma_m": np.where(sure, sigma, np.nan),
            f"depth_{part}_low_m": level - high - z * sigma,
            f"depth_{part}_high_m": level - low + z * sigma,
        }
        states[part] = np.where(np.isnan(level - low), 0, np.where(sure, 2, 1))
    worst = np.minimum(states["crown"], states["invert"])
    no_pipe = targets["invert_low_m"].isna().to_numpy()
    no_bore = ~no_pipe & targets["crown_low_m"].isna().to_numpy()
    no_level = np.isnan(level)
    cases = [no_pipe, no_level, no_bore, worst == 1]
    because = [
        "no pipe level is recorded here", "no ground level within reach", "the bore is not recorded",
        "a pipe level is not recorded; it lies between those of its neighbours",
    ]  # fmt: skip
    settle = ["Dip the invert.", "Level the ground over it.", "Measure the bore.", "Dip the invert."]
    return pd.DataFrame(columns, index=targets.index).assign(
        depth=np.array([NOT_KNOWN, "between", "known"], dtype=object)[worst],
        depth_because=np.select(cases, because, default=""),
        depth_settle=np.select(cases, settle, default=""),
    )


def _through(
    targets: pd.DataFrame, ground: pd.DataFrame, near: NDArray[np.bool_], solid: BaseGeometry
) -> NDArray[np.bool_]:
    """Tell which of the near levels lie on the other side of a building, or under it."""
    found = np.zeros(near.shape, dtype=np.bool_)
    i, j = np.nonzero(near)
    ends = np.stack(
        [table[["x", "y"]].to_numpy(dtype=np.float64)[k] for table, k in ((targets, i), (ground, j))], axis=1
    )
    shapely.prepare(solid)
    found[i, j] = shapely.intersects(solid, shapely.linestrings(ends))
    return found


def run_depths(drawn: gpd.GeoDataFrame, targets: pd.DataFrame) -> pd.DataFrame:
    """Return the depth to the invert at both ends of every run, from the ground over its targets."""
    table = pd.DataFrame(index=drawn.index)
    for end, column in (("up", "from_id"), ("down", "to_id")):
        over = targets.reindex(drawn[column])[["ground_m", "ground_sigma_m"]].to_numpy(dtype=np.float64)
        low, high = (drawn[f"{end}_{bound}_m"].to_numpy(dtype=np.float64) for bound in ("low", "high"))
        table[f"{end}_ground_m"] = over[:, 0]
        table[f"{end}_depth_m"] = np.where(high - low < 1e-9, over[:, 0] - low, np.nan)
        table[f"{end}_depth_sigma_m"] = np.hypot(
            over[:, 1], drawn["level_sigma_m"].to_numpy(dtype=np.float64)
        )
    return table
