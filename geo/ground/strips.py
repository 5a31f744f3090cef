"""The fall of the ground at each piece of wall, fitted on raster cells clear of the building.

Cells under a building, and any within half a cell's diagonal of one, are mixed or made up: they are left
out. In the strip that is left the plane ``z = a + b d + c s`` is fitted, with ``d`` outward from the wall
and ``s`` along it. A positive ``b`` is ground that rises away from the house, so falls toward the wall.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from rasterio import features

from geo.ground.raster import Raster, mover
from geo.reference import Reference
from geo.verdict import NOT_KNOWN

Numbers = NDArray[np.float64]
SUMS = 10
BATCH_CELLS = 12_000  # cells summed at once: they then stay in the processor's cache
FALL_COLUMNS = (
    "station_id", "evidence", "fall_percent", "sigma_percent", "low_percent", "high_percent", "along_percent",
    "n", "n_eff", "distances", "verdict", "because", "settle", "rests_on",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StripFit:
    """Planes fitted to many strips; all arrays are (strips,).

    ``fall`` and ``along`` are slopes (metres a metre), positive toward the wall and rising along it;
    ``ground_m`` is the fitted height at the wall; ``spread_m`` the rms residual; ``n`` the clean cells,
    ``distances`` the distinct distances from the wall among them, ``n_eff`` what the cells are worth, and
    ``sd_d_m`` the standard deviation of the distance, along-wall trend removed.
    """

    fall: Numbers
    along: Numbers
    ground_m: Numbers
    spread_m: Numbers
    n: NDArray[np.int64]
    distances: NDArray[np.int64]
    n_eff: Numbers
    sd_d_m: Numbers


def fit_planes(
    raster: Raster,
    mask: NDArray[np.bool_],
    foot: Numbers,
    normal: Numbers,
    half_m: Numbers,
    *,
    near_m: float,
    far_m: float,
    correlation_m: float,
    walls: Any = None,
) -> StripFit:
    """Fit a plane to the clean cells of many strips at once.

    Parameters
    ----------
    mask
        Cells not to be used, same shape as the raster.
    foot, normal
        (strips, 2) middle of the wall at each strip, and its outward unit normal, in the raster's grid.
    half_m
        (strips,) half the strip's length along the wall.
    near_m, far_m
        The strip's inner and outer edge, from the wall.
    correlation_m
        Cells nearer each other than this have errors that move together: ``n`` cells of side ``h`` are
        worth ``n h² / correlation²``, at least one and at most ``n``.
    walls
        Every building as one shape: cells that another building hides from the wall are left out.
    """
    solid = None if walls is None else shapely.buffer(walls, -0.01)
    shapely.prepare(solid)
    widest = float(half_m.max(initial=0.0)) * 2 + far_m
    batch = max(16, int(BATCH_CELLS * raster.cell_m**2 / (widest * far_m)))
    parts = [
        _sums(
            raster,
            mask,
            foot[i : i + batch],
            normal[i : i + batch],
            half_m[i : i + batch],
            near_m=near_m,
            far_m=far_m,
            solid=solid,
        )
        for i in range(0, len(foot), batch)
    ]
    base, sums, distances = (
        (np.concatenate(part, axis=-1) for part in zip(*parts, strict=True))
        if parts
        else (np.zeros(0), np.zeros((SUMS, 0)), np.zeros(0, dtype=np.int64))
    )
    return solve_planes(base, sums, distances, cell_m=raster.cell_m, correlation_m=correlation_m)


def solve_planes(
    base: Numbers, sums: Numbers, distances: NDArray[np.int64], *, cell_m: float, correlation_m: float
) -> StripFit:
    """Solve the planes of many strips from the sums over their clean cells.

    Parameters
    ----------
    base
        (strips,) height that was taken off the cells of each strip.
    sums
        (10, strips) of 1, d, s, z, dd, ds, ss, dz, sz and zz.
    distances
        (strips,) distinct distances from the wall.
    cell_m, correlation_m
        Side of a cell, and the distance over which errors move together.
    """
    count, d1, s1, z1, d2, ds, s2, dz, sz, z2 = sums
    safe = np.maximum(count, 1.0)
    mean_d, mean_s, mean_z = d1 / safe, s1 / safe, z1 / safe
    a, b, c = d2 - d1 * mean_d, ds - d1 * mean_s, s2 - s1 * mean_s
    p, q = dz - d1 * mean_z, sz - s1 * mean_z
    flat_s = c < 1e-9
    determinant = np.where(flat_s, a, a * c - b * b)
    solid = determinant > 1e-9
    det = np.where(solid, determinant, 1.0)
    fall = np.where(solid, np.where(flat_s, p / det, (p * c - q * b) / det), np.nan)
    along = np.where(solid & ~flat_s, (q * a - p * b) / det, np.where(solid, 0.0, np.nan))
    rise, drift = np.nan_to_num(fall), np.nan_to_num(along)
    residual = z2 - z1 * mean_z - rise * p - drift * q
    left_of_d = np.where(flat_s, a, a - b * b / np.where(flat_s, 1.0, c))
    return StripFit(
        fall=fall,
        along=along,
        ground_m=base + mean_z - rise * mean_d - drift * mean_s,
        spread_m=np.sqrt(np.maximum(residual, 0.0) / np.maximum(count - 3, 1)),
        n=count.astype(np.int64),
        distances=distances,
        n_eff=np.clip(count * cell_m**2 / correlation_m**2, 1.0, safe),
        sd_d_m=np.sqrt(np.maximum(left_of_d, 0.0) / safe),
    )


def _sums(
    raster: Raster,
    mask: NDArray[np.bool_],
    foot: Numbers,
    normal: Numbers,
    half_m: Numbers,
    *,
    near_m: float,
    far_m: float,
    solid: Any,
) -> tuple[Numbers, Numbers, NDArray[np.int64]]:
    """Return each strip's base height, its sums over clean cells, and its distinct distances.

    Heights are taken above the first clean cell of the strip, so that the sums lose no digits.
    """
    who, row, column = _cells_in_reach(raster, foot, normal, half_m, far_m)
    x0, y0 = raster.centres()
    away_x, away_y = x0[column] - foot[who, 0], y0[row] - foot[who, 1]
    e, n = normal[who, 0], normal[who, 1]
    d = away_x * e + away_y * n
    s = away_y * e - away_x * n
    place = row * raster.z.shape[1] + column
    z = raster.z.ravel()[place]
    keep = (d >= near_m) & (d <= far_m) & (np.abs(s) <= half_m[who] + 1e-9)
    keep &= ~mask.ravel()[place] & np.isfinite(z)
    if solid is not None:
        keep[keep] = ~_hidden(solid, x0[column[keep]], y0[row[keep]], d[keep], normal[who[keep]])
    who, d, s, z = who[keep], d[keep], s[keep], z[keep]
    strips = len(foot)
    base, sums = np.zeros(strips), np.zeros((SUMS, strips))
    if not len(who):
        return base, sums, np.zeros(strips, dtype=np.int64)
    first = np.flatnonzero(np.r_[True, who[1:] != who[:-1]])
    present = who[first]
    base[present] = z[first]
    z = z - base[who]
    terms = np.stack([np.ones_like(d), d, s, z, d * d, d * s, s * s, d * z, s * z, z * z])
    sums[:, present] = np.add.reduceat(terms, first, axis=1)
    step = raster.cell_m / 2
    bins = int(far_m / step) + 2
    seen = np.zeros((strips, bins), dtype=bool)
    seen.ravel()[who * bins + np.rint(np.maximum(d, 0.0) / step).astype(np.int64)] = True
    return base, sums, seen.sum(axis=1)


def fall_sigma(fit: StripFit, relative_sigma_m: float) -> Numbers:
    """Return the sigma of each fall: the cells' error over √n_eff and the spread of their distances.

    The residuals count too: where the ground is rougher than the stated error, their own is used. For 32
    cells of 1 m in a 4 x 8 m strip, sd(d) = 1.118 m; independent 50 mm errors give 0.79 %, and with 3 m of
    correlation n_eff = 3.6 and 2.4 %.
    """
    error = np.maximum(relative_sigma_m, fit.spread_m)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(error / (np.sqrt(fit.n_eff) * fit.sd_d_m), dtype=np.float64)


def building_mask(
    raster: Raster, footprints: gpd.GeoDataFrame, obstacles: NDArray[np.bool_] | None = None
) -> NDArray[np.bool_]:
    """Mark cells under a building or mixed with one: centres within half a cell's diagonal of it.

    Parameters
    ----------
    footprints
        Every building's outline, in the raster's grid.
    obstacles
        Cells where something stands on the ground, same shape; marked too.
    """
    grown = shapely.buffer(footprints.geometry.to_numpy(), raster.cell_m / np.sqrt(2.0) - 1e-9)
    mask = covered(raster, grown)
    return mask if obstacles is None else mask | obstacles


def fit_strips(
    raster: Raster,
    stations: gpd.GeoDataFrame,
    footprints: gpd.GeoDataFrame,
    *,
    ref: Reference,
    obstacles: NDArray[np.bool_] | None = None,
) -> tuple[pd.DataFrame, StripFit]:
    """Answer, station by station, whether the raster shows ground falling to the wall.

    Parameters
    ----------
    stations
        Pieces of wall as :meth:`geo.perimeter.build.Perimeter.stations` gives them.
    footprints
        Every building's outline, surveyed or not, in the stations' CRS.
    obstacles
        Cells where something stands on the ground.

    Returns
    -------
    The falls table (evidence ``raster``), and the planes behind it.
    """
    move = mover(stations.crs, raster.crs)
    foot = move(stations[["x", "y"]].to_numpy())
    tip = move(stations[["x", "y"]].to_numpy() + stations[["normal_e", "normal_n"]].to_numpy())
    normal = tip - foot
    normal = normal / np.hypot(normal[:, 0], normal[:, 1])[:, None]
    moved = moved_footprints(footprints, raster)
    mask = building_mask(raster, moved, obstacles)
    fit = fit_planes(
        raster,
        mask,
        foot,
        normal,
        np.full(len(foot), ref.value("ground.strip_half_m")),
        near_m=ref.value("ground.strip_dem_from_m"),
        far_m=ref.value("ground.strip_dem_to_m"),
        correlation_m=ref.value("ground.correlation_length_m"),
        walls=moved.geometry.union_all(),
    )
    enough = (fit.n >= ref.value("ground.cells_min")) & (fit.distances >= ref.value("ground.distances_min"))
    enough &= np.isfinite(fit.fall)
    sigma = np.where(enough, fall_sigma(fit, raster.relative_sigma_m), np.nan)
    table = falls_table(
        stations,
        evidence="raster",
        fall=np.where(enough, fit.fall, np.nan),
        sigma=sigma,
        along=np.where(enough, fit.along, np.nan),
        n=fit.n,
        n_eff=fit.n_eff,
        distances=fit.distances,
        missing=_missing(fit, ref),
        what=f"{raster.cell_m:g} m {raster.model}",
        ref=ref,
    )
    return table, fit


def falls_table(
    stations: gpd.GeoDataFrame,
    *,
    evidence: str,
    fall: Numbers,
    sigma: Numbers,
    along: Numbers,
    n: Any,
    n_eff: Any,
    distances: Any,
    missing: Any,
    what: str,
    ref: Reference,
    rests_on: list[tuple[str, ...]] | None = None,
) -> pd.DataFrame:
    """Turn slopes and sigmas into verdicts: toward, away, level or not known.

    A fall steeper than what is called level and surely positive is toward the wall, surely negative away
    from it; one whose whole 95 % range lies within what is called level is level; anything else is not
    known. So a larger sigma turns a known answer into "not known", never into another.
    """
    z = ref.value("confidence.z_95")
    flat = ref.value("ground.fall_level_percent")
    percent, band = fall * 100, z * sigma * 100
    low, high = percent - band, percent + band
    party = (~stations["outside"]).to_numpy()
    known = np.isfinite(percent)
    verdict = fall_words(percent, low, high, flat=flat)
    verdict = np.where(party, "party", verdict)
    middle = stations["chainage_m"].to_numpy()
    because = np.full(len(stations), "", dtype=object)
    settle = np.full(len(stations), "", dtype=object)
    for i in range(len(stations)):
        if party[i]:
            because[i] = "a party wall has no outside"
        elif not known[i]:
            because[i] = missing[i]
        elif verdict[i] == NOT_KNOWN and (low[i] > 0 or high[i] < 0):
            because[i] = f"{percent[i]:+.1f} % ± {band[i]:.1f} %, from {what}: may be called level or not"
        elif verdict[i] == NOT_KNOWN:
            because[i] = f"{what} cannot resolve a fall of {abs(percent[i]):.1f} % here (± {band[i]:.1f} %)"
        else:
            because[i] = f"{percent[i]:+.1f} % ± {band[i]:.1f} %, from {what}"
        if verdict[i] == NOT_KNOWN:
            settle[i] = f"two levels at chainage {middle[i]:.1f}: at the wall and 1.5 m out"
    return pd.DataFrame(
        {
            "station_id": stations["station_id"].to_numpy(),
            "evidence": evidence,
            "fall_percent": np.where(party, np.nan, percent),
            "sigma_percent": np.where(party, np.nan, sigma * 100),
            "low_percent": np.where(party, np.nan, low),
            "high_percent": np.where(party, np.nan, high),
            "along_percent": np.where(party, np.nan, along * 100),
            "n": n,
            "n_eff": n_eff,
            "distances": distances,
            "verdict": verdict,
            "because": because,
            "settle": settle,
            "rests_on": rests_on or [()] * len(stations),
        },
        columns=list(FALL_COLUMNS),
    )


def fall_words(percent: Numbers, low: Numbers, high: Numbers, *, flat: float) -> NDArray[np.str_]:
    """Return toward, away, level or not known for falls in percent and the ends of their 95 % ranges.

    ``flat`` is the fall, in percent, within which ground is called level; NaN falls are not known.
    """
    with np.errstate(invalid="ignore"):
        return np.select(
            [(low >= -flat) & (high <= flat), (low > 0) & (percent > flat), (high < 0) & (percent < -flat)],
            ["level", "toward", "away"],
            default=NOT_KNOWN,
        )


def moved_footprints(footprints: gpd.GeoDataFrame, raster: Raster) -> gpd.GeoDataFrame:
    """Return outlines in the raster's grid."""
    move = mover(footprints.crs, raster.crs)
    moved = shapely.transform(footprints.geometry.to_numpy(), move)
    return gpd.GeoDataFrame(footprints.drop(columns="geometry"), geometry=moved, crs=raster.crs)


def _missing(fit: StripFit, ref: Reference) -> list[str]:
    cells, apart = ref.value("ground.cells_min"), ref.value("ground.distances_min")
    return [
        f"only {n} clean cells beside the wall, {cells:.0f} needed"
        if n < cells
        else f"cells at only {d} distances from the wall, {apart:.0f} needed"
        for n, d in zip(fit.n, fit.distances, strict=True)
    ]


def _cells_in_reach(
    raster: Raster, foot: Numbers, normal: Numbers, half_m: Numbers, far_m: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return flat (strip, row, column) triples of every cell in each strip's bounding box."""
    along = np.column_stack([-normal[:, 1], normal[:, 0]])
    reach = np.abs(along) * half_m[:, None]
    low = np.minimum(foot, foot + normal * far_m) - reach
    high = np.maximum(foot, foot + normal * far_m) + reach
    t = raster.transform
    rows, columns = raster.z.shape
    first_c = np.clip(np.floor((low[:, 0] - t.c) / t.a - 0.5).astype(np.int64), 0, columns)
    last_c = np.clip(np.ceil((high[:, 0] - t.c) / t.a + 0.5).astype(np.int64), 0, columns)
    first_r = np.clip(np.floor((high[:, 1] - t.f) / t.e - 0.5).astype(np.int64), 0, rows)
    last_r = np.clip(np.ceil((low[:, 1] - t.f) / t.e + 0.5).astype(np.int64), 0, rows)
    wide, tall = np.maximum(last_c - first_c, 0), np.maximum(last_r - first_r, 0)
    count = wide * tall
    who = np.repeat(np.arange(len(foot)), count)
    k = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    across = np.maximum(wide[who], 1)
    return who, first_r[who] + k // across, first_c[who] + k % across


def _hidden(solid: Any, x: Numbers, y: Numbers, d: Numbers, normal: Numbers) -> NDArray[np.bool_]:
    """Return which cells have a building between them and the wall's line."""
    cell = np.column_stack([x, y])
    base = cell - normal * (d - 0.02)[:, None]
    return np.asarray(
        shapely.intersects(solid, shapely.linestrings(np.stack([cell, base], axis=1))), dtype=bool
    )


def covered(raster: Raster, shapes: Any) -> NDArray[np.bool_]:
    """Return which cell centres any of the shapes covers."""
    burned = [(shape, 1) for shape in shapes if not shape.is_empty]
    if not burned:
        return np.zeros(raster.z.shape, dtype=bool)
    found = features.rasterize(
        burned, out_shape=raster.z.shape, transform=raster.transform, fill=0, dtype="uint8"
    )
    return np.asarray(found, dtype=bool)
