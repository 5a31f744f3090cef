"""How far the damp proof course stands above the ground, piece by piece, and whether that is enough."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm

from geo.reference import Reference
from geo.verdict import NOT_KNOWN

Numbers = NDArray[np.float64]
UNSEEN = ("not_seen", "absent")


def clearance_along(
    stations: gpd.GeoDataFrame,
    levels: pd.DataFrame,
    dpc: pd.DataFrame,
    lengths: pd.Series,
    *,
    ref: Reference,
    raster_ground: tuple[Numbers, float] | None = None,
) -> pd.DataFrame:
    """Return the clearance at each piece of wall, from levels at the wall and the course of that stretch.

    Parameters
    ----------
    stations
        Pieces of wall.
    levels
        Ground levels indexed by id: ring_key, chainage_m, offset_m, level_m, sigma_m.
    dpc
        Points of the outer (or solid) leaf's course indexed by id, in file order: ring_key, chainage_m,
        level_m, sigma_m, state. A step is two rows at one chainage; a state holds until the next row.
    lengths
        Length of each ring.
    raster_ground
        Height of the ground at the wall from a raster, with its sigma: it may be shown, and never decides.

    Returns
    -------
    station_id, clearance_mm, sigma_mm, low_mm, high_mm, dpc_level_m, ground_level_m, verdict (``clear``,
    ``short``, ``not known`` or ``party``), because, settle, rests_on. Between two levels the ground is
    taken straight only where they are near enough; past the last one it is not carried on further than a
    level reaches. Where a step lies within the piece the lower course counts.
    """
    rule, z = ref.value("ground.dpc_clearance_mm"), ref.value("confidence.z_95")
    reach = ref.value("ground.level_reach_m")
    near = ref.value("ground.wall_level_reach_m")
    wall = levels[(levels["offset_m"].abs() <= near) & np.isfinite(levels["level_m"])]
    count = len(stations)
    ground, ground_sigma = np.full(count, np.nan), np.full(count, np.nan)
    course, course_sigma = np.full(count, np.nan), np.full(count, np.nan)
    stepped = np.zeros(count, dtype=bool)
    rests: list[tuple[str, ...]] = [()] * count
    for ring_key, rows in stations.groupby("ring_key", sort=False).indices.items():
        length = float(lengths[ring_key])
        at = stations["chainage_m"].to_numpy()[rows]
        own = wall[wall["ring_key"] == ring_key].sort_values("chainage_m")
        level, sigma, pair = _between(own, at, length, reach)
        ground[rows], ground_sigma[rows] = level, sigma
        points = dpc[dpc["ring_key"] == ring_key]
        half = stations["length_m"].to_numpy()[rows] / 2
        line, line_sigma, step, names = _course(points, at, half, length)
        course[rows], course_sigma[rows], stepped[rows] = line, line_sigma, step
        for place, row in enumerate(rows):
            rests[row] = tuple(dict.fromkeys([*pair[place], *names[place]]))
    by_raster = np.zeros(count, dtype=bool)
    if raster_ground is not None:
        heights, raster_sigma = raster_ground
        by_raster = ~np.isfinite(ground) & np.isfinite(heights)
        ground = np.where(by_raster, heights, ground)
        ground_sigma = np.where(by_raster, raster_sigma, ground_sigma)
    clear = (course - ground) * 1000
    sigma = np.hypot(course_sigma, ground_sigma) * 1000
    party = (~stations["outside"]).to_numpy()
    margin, band = clear - rule, z * sigma
    with np.errstate(invalid="ignore"):
        verdict = np.select(
            [party, ~np.isfinite(clear) | by_raster, margin > band, -margin > band],
            ["party", NOT_KNOWN, "clear", "short"],
            default=NOT_KNOWN,
        )
    because, settle = _sentences(
        stations, verdict, clear, band, ground, course, by_raster=by_raster, stepped=stepped, rule=rule
    )
    hidden = party | ~np.isfinite(clear)
    return pd.DataFrame(
        {
            "station_id": stations["station_id"].to_numpy(),
            "clearance_mm": np.where(hidden, np.nan, clear),
            "sigma_mm": np.where(hidden, np.nan, sigma),
            "low_mm": np.where(hidden, np.nan, clear - band),
            "high_mm": np.where(hidden, np.nan, clear + band),
            "dpc_level_m": np.where(party, np.nan, course),
            "ground_level_m": np.where(party, np.nan, ground),
            "verdict": verdict,
            "because": because,
            "settle": settle,
            "rests_on": rests,
        }
    )


def chance_short(clearance_mm: Numbers, sigma_mm: Numbers, rule_mm: float) -> Numbers:
    """Return the probability that the true clearance is below the rule: Φ((rule - c) / σ), normal errors."""
    return np.asarray(norm.cdf((rule_mm - clearance_mm) / sigma_mm), dtype=np.float64)


def _between(
    levels: pd.DataFrame, at: Numbers, length: float, reach_m: float
) -> tuple[Numbers, Numbers, list[tuple[str, ...]]]:
    """Interpolate levels along a closed ring, only between neighbours near enough."""
    nothing = np.full(len(at), np.nan)
    if levels.empty:
        return nothing, nothing, [()] * len(at)
    s = levels["chainage_m"].to_numpy()
    ids = levels.index.to_numpy()
    order = np.arange(len(s))
    after = np.searchsorted(s, at, side="left") % len(s)
    before = order[after - 1]
    to_before, to_after = np.mod(at - s[before], length), np.mod(s[after] - at, length)
    gap = to_before + to_after
    both = (to_before <= reach_m) & (to_after <= reach_m)
    share = np.where(gap > 1e-9, to_before / np.maximum(gap, 1e-9), 0.0)
    nearest_after = to_after < to_before
    single = ~both & (np.minimum(to_before, to_after) <= reach_m / 2)
    share = np.where(both, share, nearest_after.astype(float))
    level, sigma = levels["level_m"].to_numpy(), levels["sigma_m"].to_numpy()
    found = level[before] * (1 - share) + level[after] * share
    error = np.hypot(sigma[before] * (1 - share), sigma[after] * share)
    known = both | single
    names: list[tuple[str, ...]] = [
        () if not ok else (str(ids[b]), str(ids[a])) if two else (str(ids[a] if nxt else ids[b]),)
        for ok, two, nxt, b, a in zip(known, both, nearest_after, before, after, strict=True)
    ]
    return np.where(known, found, np.nan), np.where(known, error, np.nan), names


def _course(
    points: pd.DataFrame, at: Numbers, half: Numbers, length: float
) -> tuple[Numbers, Numbers, NDArray[np.bool_], list[tuple[str, ...]]]:
    """Return the course's level at chainages: straight between points, the lower of two at a step."""
    nothing = np.full(len(at), np.nan)
    stepped = np.zeros(len(at), dtype=bool)
    if points.empty:
        return nothing, nothing, stepped, [()] * len(at)
    points = points.sort_values("chainage_m", kind="stable")
    s, z = points["chainage_m"].to_numpy(), points["level_m"].to_numpy(dtype=np.float64)
    sigma = points["sigma_m"].to_numpy(dtype=np.float64)
    seen = ~points["state"].isin(UNSEEN).to_numpy() & np.isfinite(z)
    ids = points.index.to_numpy()

    def level_at(chainage: Numbers) -> tuple[Numbers, Numbers, NDArray[np.int64], NDArray[np.int64]]:
        after = np.searchsorted(s, chainage, side="right")
        before = np.maximum(after - 1, 0)
        past = after >= len(s)
        after = np.where(past, before, after)
        wide = np.maximum(s[after] - s[before], 1e-9)
        share = np.where(after == before, 0.0, np.clip((chainage - s[before]) / wide, 0.0, 1.0))
        known = seen[before] & (np.isfinite(z[after])) & (chainage >= s[0] - 0.5) & (chainage <= s[-1] + 0.5)
        found = np.where(known, z[before] * (1 - share) + z[after] * share, np.nan)
        error = np.where(known, np.maximum(sigma[before], sigma[after]), np.nan)
        return found, error, before, after

    middle, error, before, after = level_at(at)
    low_end, low_error, *_ = level_at(np.maximum(at - half + 1e-6, 0.0))
    high_end, high_error, *_ = level_at(np.minimum(at + half - 1e-6, length))
    ends = np.stack([middle, low_end, high_end])
    spread = np.nanmax(np.where(np.isfinite(ends), ends, -np.inf), axis=0) - np.nanmin(
        np.where(np.isfinite(ends), ends, np.inf), axis=0
    )
    jump = np.diff(s) < 0.02
    steps = s[:-1][jump]
    inside = (steps[None, :] > (at - half)[:, None]) & (steps[None, :] < (at + half)[:, None])
    stepped = inside.any(axis=1) if len(steps) else stepped
    stepped = np.asarray(stepped & np.isfinite(spread), dtype=bool)
    lowest = np.nanmin(np.where(np.isfinite(ends), ends, np.inf), axis=0)
    level = np.where(stepped & np.isfinite(lowest), lowest, middle)
    sigmas = np.where(np.isfinite(error), error, np.fmax(low_error, high_error))
    names: list[tuple[str, ...]] = [
        (str(ids[b]), str(ids[a])) if np.isfinite(value) else ()
        for value, b, a in zip(level, before, after, strict=True)
    ]
    return level, np.where(np.isfinite(level), sigmas, np.nan), stepped, names


def _sentences(
    stations: gpd.GeoDataFrame,
    verdict: NDArray[np.str_],
    clear: Numbers,
    band: Numbers,
    ground: Numbers,
    course: Numbers,
    *,
    by_raster: NDArray[np.bool_],
    stepped: NDArray[np.bool_],
    rule: float,
) -> tuple[list[str], list[str]]:
    because, settle = [], []
    for i, (start, end) in enumerate(
        zip(stations["chainage_from_m"], stations["chainage_to_m"], strict=True)
    ):
        where = f"between chainage {start:.1f} and {end:.1f}"
        step = "; a step lies here, the lower course counts" if stepped[i] else ""
        shot = ""
        if verdict[i] == "party":
            said = "a party wall has no outside"
        elif not np.isfinite(course[i]):
            said, shot = f"no level on the damp proof course {where}", f"a level on the course {where}"
        elif not np.isfinite(ground[i]):
            said, shot = f"no level of the ground at the wall {where}", f"a level at the wall {where}"
        elif by_raster[i]:
            said = f"{clear[i]:.0f} ± {band[i]:.0f} mm from the raster, which cannot decide {rule:.0f} mm"
            shot = f"a level at the wall {where}"
        elif verdict[i] == NOT_KNOWN:
            said = f"{clear[i]:.0f} ± {band[i]:.0f} mm: too near {rule:.0f} mm to tell{step}"
            shot = f"levels of course and ground from one set-up {where}"
        else:
            said = f"{clear[i]:.0f} ± {band[i]:.0f} mm against {rule:.0f} mm{step}"
        because.append(said)
        settle.append(shot)
    return because, settle
