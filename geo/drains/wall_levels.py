"""The levels of a wall laid out along the chainage of one ring: barrier, cavity, floor, finish, ground."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.reference import Reference

Floats = NDArray[np.float64]
Words = NDArray[np.object_]
NAN = math.nan


def wall_section(
    stations: pd.DataFrame,
    *,
    dpc_points: pd.DataFrame,
    cavities: pd.DataFrame | None = None,
    floors: pd.DataFrame | None = None,
    finishes: pd.DataFrame | None = None,
    ground: pd.DataFrame | None = None,
    ring_length_m: float = NAN,
    ref: Reference,
) -> pd.DataFrame:
    """Lay the levels of the wall out along the chainage of one ring.

    Parameters
    ----------
    stations
        ``chainage_from_m``, ``chainage_to_m``.
    dpc_points
        Points of both leaves; a step is two rows at one chainage. Between points levels run straight,
        beyond them they are not known; with ``ring_length_m`` the line closes on itself.
    cavities, finishes
        Tables of those records, of this ring.
    floors
        Floor zones with ``chainage_from_m`` and ``chainage_to_m`` where they touch this wall; without
        those columns one floor lies along all of it.
    ground
        ``chainage_m``, ``level_m``, ``sigma_m`` of the ground against the wall.

    Returns
    -------
    DataFrame, index as stations, levels in m with ``_sigma`` beside each: ``outer_dpc``, ``inner_dpc``,
    their states, ``debris``, ``base``, ``soffit``, ``slab``, ``edge``, ``floor_kind``, ``finish``,
    ``ground``, and ``step_…`` where the outer damp proof course steps within the station.
    """
    a, b = (stations[f"chainage_{end}_m"].to_numpy(float) for end in ("from", "to"))
    at = (a + b) / 2.0
    default = ref.value("levels.dpc_sigma_m")
    columns: dict[str, Any] = {"chainage_from_m": a, "chainage_to_m": b}
    for leaf in ("outer", "inner"):
        rows = dpc_points[dpc_points["leaf"].isin((leaf, "solid") if leaf == "outer" else (leaf,))]
        level, sigma, state = _line(rows, at, default, ring_length_m)
        columns |= {f"{leaf}_dpc": level, f"{leaf}_dpc_sigma": sigma, f"{leaf}_state": state}
    columns |= _steps(dpc_points, a, b, default)
    columns |= _along(cavities, at, {"debris": "debris_top_level_m", "base": "base_level_m"}, 0.02)
    columns |= _along(floors, at, {"slab": "top_level_m", "soffit": "soffit_level_m"}, default)
    columns["edge"] = _word_along(floors, at, "edge")
    columns["floor_kind"] = _word_along(floors, at, "floor_kind")
    columns |= _finish(finishes, columns, at, ref)
    if ground is None or ground.empty:
        columns |= {"ground": np.full(len(at), NAN), "ground_sigma": np.full(len(at), NAN)}
    else:
        rows = ground.rename(columns={"sigma_m": "level_sigma_m"})
        level, sigma, _ = _line(rows, at, ref.value("ground.hard_level_sigma_m"), ring_length_m)
        columns |= {"ground": level, "ground_sigma": sigma}
    return pd.DataFrame(columns, index=stations.index)


def _line(rows: pd.DataFrame, at: Floats, default: float, ring: float) -> tuple[Floats, Floats, Words]:
    """Read level, sigma and state off a line of points; NaN beyond its ends and where it was not seen."""
    nothing = np.full(len(at), NAN)
    if rows.empty:
        return nothing, nothing.copy(), np.full(len(at), "not_seen", dtype=object)
    rows = rows.sort_values("chainage_m", kind="stable")
    x, y = rows["chainage_m"].to_numpy(float), rows["level_m"].to_numpy(float)
    s = rows["level_sigma_m"].to_numpy(float) if "level_sigma_m" in rows else np.full(len(x), NAN)
    s = np.where(np.isnan(s), default, s)
    words = rows["state"].to_numpy(object) if "state" in rows else np.full(len(x), "continuous", dtype=object)
    if math.isfinite(ring):
        x = np.concatenate([[x[-1] - ring], x, [x[0] + ring]])
        y, s = np.concatenate([[y[-1]], y, [y[0]]]), np.concatenate([[s[-1]], s, [s[0]]])
        words = np.concatenate([[words[-1]], words, [words[0]]])
    i = np.searchsorted(x, at, side="right") - 1
    within = (i >= 0) & (i < len(x) - 1)
    k = np.clip(i, 0, max(len(x) - 2, 0))
    n = np.minimum(k + 1, len(x) - 1)
    span = np.where(x[n] > x[k], x[n] - x[k], 1.0)
    t = (at - x[k]) / span
    level = np.where(within, y[k] + t * (y[n] - y[k]), NAN)
    sigma = np.where(within, np.maximum(s[k], s[n]), NAN)
    state = np.where(within, words[k], "not_seen").astype(object)
    return np.where(state == "not_seen", NAN, level), sigma, state


def _steps(points: pd.DataFrame, a: Floats, b: Floats, default: float) -> dict[str, Any]:
    """Find the station in which the outer damp proof course steps, its two levels and its lap."""
    low, high, sigma = (np.full(len(a), NAN) for _ in range(3))
    lap = np.full(len(a), "", dtype=object)
    rows = points[points["leaf"].isin(("outer", "solid"))].sort_values("chainage_m", kind="stable")
    x, y = rows["chainage_m"].to_numpy(float), rows["level_m"].to_numpy(float)
    s = rows["level_sigma_m"].to_numpy(float) if "level_sigma_m" in rows else np.full(len(x), NAN)
    laps = rows["lap"].to_numpy(object) if "lap" in rows else np.full(len(x), "", dtype=object)
    for j in np.flatnonzero((np.diff(x) < 1e-9) & (np.diff(y) != 0)):
        here = np.flatnonzero((a <= x[j]) & (b >= x[j]))
        if len(here):
            k = here[-1]
            low[k], high[k] = min(y[j], y[j + 1]), max(y[j], y[j + 1])
            sigma[k] = np.nan_to_num(s[j : j + 2], nan=default).max()
            lap[k] = laps[j] or laps[j + 1] or "not_seen"
    return {"step_low": low, "step_high": high, "step_sigma": sigma, "step_lap": lap}


def _along(
    table: pd.DataFrame | None, at: Floats, names: Mapping[str, str], default: float
) -> dict[str, Any]:
    """Spread levels recorded for lengths of wall over the stations that lie on them."""
    columns: dict[str, Any] = {}
    for name, source in names.items():
        columns[name], columns[f"{name}_sigma"] = np.full(len(at), NAN), np.full(len(at), NAN)
        if table is None or table.empty or source not in table:
            continue
        value = table[source].to_numpy(float)
        given = (
            table["level_sigma_m"].to_numpy(float) if "level_sigma_m" in table else np.full(len(table), NAN)
        )
        given = np.where(np.isnan(given), default, given)
        on = _covers(table, at) & ~np.isnan(value)[:, None]
        row = on.argmax(axis=0)
        some = on.any(axis=0)
        columns[name] = np.where(some, value[row], NAN)
        columns[f"{name}_sigma"] = np.where(some, given[row], NAN)
    return columns


def _covers(table: pd.DataFrame, at: Floats) -> NDArray[np.bool_]:
    """Return which rows lie over which stations, rows down and stations across."""
    if "chainage_from_m" not in table:
        return np.ones((len(table), len(at)), dtype=bool)
    a = table["chainage_from_m"].to_numpy(float)[:, None]
    b = table["chainage_to_m"].to_numpy(float)[:, None]
    plain = (a <= at) & (at <= b)
    return np.asarray(np.where(a <= b, plain, (at >= a) | (at <= b)), dtype=bool)


def _word_along(table: pd.DataFrame | None, at: Floats, source: str) -> Words:
    words = np.full(len(at), "not_known", dtype=object)
    if table is None or table.empty or source not in table:
        return words
    on = _covers(table, at)
    return np.where(on.any(axis=0), table[source].to_numpy(object)[on.argmax(axis=0)], words)


def _finish(
    finishes: pd.DataFrame | None, columns: Mapping[str, Any], at: Floats, ref: Reference
) -> dict[str, Any]:
    """Put the bottom of the inside finish on the floor's level."""
    none = np.full(len(at), NAN)
    if finishes is None or finishes.empty:
        return {"finish": none, "finish_sigma": none.copy()}
    inside = finishes[finishes["side"] == "inside"] if "side" in finishes else finishes
    found = _along(inside, at, {"up": "height_from_m", "gap": "floor_gap_mm"}, ref.value("tape.height_m"))
    up = np.where(np.isnan(found["up"]), found["gap"] / 1000.0, found["up"])
    sigma = np.hypot(columns["slab_sigma"], ref.value("tape.height_m"))
    return {"finish": columns["slab"] + up, "finish_sigma": sigma}
