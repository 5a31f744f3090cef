"""Everything the ground says about the walls, raster and levels side by side."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.ground.clearance import clearance_along
from geo.ground.ponds import POND_COLUMNS, ponds_against_walls
from geo.ground.raster import Raster, mover
from geo.ground.spots import fit_levels, misfit_levels
from geo.ground.strips import fit_strips
from geo.ground.uphill import uphill_area
from geo.reference import Reference


@dataclass(frozen=True, slots=True, kw_only=True)
class RasterTie:
    """How a raster's heights agree with levels on hard points: raster less level, metres."""

    points: int
    offset_m: float
    sigma_m: float
    used: bool
    because: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GroundReport:
    """Falls, clearance, pools and what drains to the walls.

    ``falls`` has a row for each station and kind of evidence (``raster``, ``levels``); the two are never
    averaged. ``tie`` is ``None`` without a raster. ``notes`` are sentences for the report.
    """

    falls: pd.DataFrame
    clearance: pd.DataFrame
    ponds: gpd.GeoDataFrame
    uphill: pd.DataFrame
    tie: RasterTie | None
    notes: tuple[str, ...]


def examine_ground(
    stations: gpd.GeoDataFrame,
    footprints: gpd.GeoDataFrame,
    lengths: pd.Series,
    *,
    levels: pd.DataFrame,
    dpc: pd.DataFrame,
    gullies: pd.DataFrame,
    raster: Raster | None,
    ref: Reference,
    surface: Raster | None = None,
    ways_in: pd.DataFrame | None = None,
) -> GroundReport:
    """Work out what the ground does to the walls.

    Parameters
    ----------
    stations, footprints, lengths
        Pieces of wall, every building's outline, and the length of each ring.
    levels
        Ground levels indexed by id (see :func:`geo.ground.spots.fit_levels`), with x, y and hardness.
    dpc
        Points of the outer leaf's damp proof course (see :func:`geo.ground.clearance.clearance_along`).
    gullies
        x, y and works.
    raster, surface
        A ground raster, and on the same grid one with what stands on the ground.
    ways_in
        Thresholds, air-bricks and holes (see :func:`geo.ground.ponds.ponds_against_walls`).
    """
    by_levels = fit_levels(stations, levels, ref=ref)
    notes = [
        f"level {name} stands out from its neighbours: shoot it again"
        for name in misfit_levels(levels, ref=ref)
    ]
    if raster is None:
        clearance = clearance_along(stations, levels, dpc, lengths, ref=ref)
        nothing = gpd.GeoDataFrame(pd.DataFrame(columns=list(POND_COLUMNS)), geometry=[], crs=stations.crs)
        none = pd.DataFrame(
            {"station_id": stations["station_id"], "area_m2": np.nan, "reaches_raster_edge": False}
        ).iloc[:0]
        notes.append("no raster of the ground: pools and the ground uphill of the walls are not known")
        return GroundReport(
            falls=by_levels, clearance=clearance, ponds=nothing, uphill=none, tie=None, notes=tuple(notes)
        )
    tie = tie_raster(raster, stations, levels, ref=ref)
    notes.append(tie.because)
    if not raster.stated:
        notes.append(f"the raster states no error: {raster.sigma_m * 1000:.0f} mm is taken")
    if raster.model == "DSM":
        notes.append("a surface model shows shrubs and cars as ground: falls from it are no better than that")
    obstacles = _obstacles(raster, surface, ref)
    by_raster, fit = fit_strips(raster, stations, footprints, ref=ref, obstacles=obstacles)
    shown = np.where(
        np.isfinite(by_raster["fall_percent"]), fit.ground_m + (-tie.offset_m if tie.used else 0.0), np.nan
    )
    sigma = float(np.hypot(raster.relative_sigma_m, tie.sigma_m)) if tie.used else raster.sigma_m
    clearance = clearance_along(stations, levels, dpc, lengths, ref=ref, raster_ground=(shown, sigma))
    return GroundReport(
        falls=pd.concat([by_levels, by_raster], ignore_index=True),
        clearance=clearance,
        ponds=ponds_against_walls(
            raster, stations, footprints, gullies, ref=ref, ways_in=_on_raster(ways_in, tie)
        ),
        uphill=uphill_area(raster, stations, footprints),
        tie=tie,
        notes=tuple(notes),
    )


def _on_raster(ways_in: pd.DataFrame | None, tie: RasterTie) -> pd.DataFrame | None:
    """Return ways in with their levels on the raster's heights, where the two were tied."""
    if ways_in is None or not tie.used:
        return ways_in
    return ways_in.assign(level_m=ways_in["level_m"] + tie.offset_m)


def tie_raster(
    raster: Raster, stations: gpd.GeoDataFrame, levels: pd.DataFrame, *, ref: Reference
) -> RasterTie:
    """Compare a raster with levels on hard points clear of the building.

    A tie is used only with enough points and a small enough scatter; it moves the raster's heights for
    display, and never merges the two kinds of evidence.
    """
    least, most = ref.value("ground.tie_points_min"), ref.value("ground.tie_sigma_max_m")
    usable = levels[
        (levels["hardness"] == "hard") & np.isfinite(levels["level_m"]) & np.isfinite(levels["x"])
    ]
    usable = usable[usable["offset_m"].abs() > raster.cell_m]
    gaps: NDArray[np.float64] = np.zeros(0)
    if len(usable):
        xy = mover(stations.crs, raster.crs)(usable[["x", "y"]].to_numpy())
        t = raster.transform
        column = np.floor((xy[:, 0] - t.c) / t.a).astype(int)
        row = np.floor((xy[:, 1] - t.f) / t.e).astype(int)
        rows, columns = raster.z.shape
        inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        gaps = raster.z[row[inside], column[inside]] - usable["level_m"].to_numpy()[inside]
        gaps = gaps[np.isfinite(gaps)]
    count = len(gaps)
    if count < least:
        said = f"the raster is not tied to the levels: {count} hard points off the wall, {least:.0f} needed"
        return RasterTie(points=count, offset_m=np.nan, sigma_m=np.nan, used=False, because=said)
    offset, scatter = float(np.mean(gaps)), float(np.std(gaps, ddof=1))
    used = scatter <= most
    said = (
        f"the raster lies {offset * 1000:+.0f} mm from {count} hard points, scatter {scatter * 1000:.0f} mm"
    )
    if not used:
        said += f": more than {most * 1000:.0f} mm, so the two are not put on one datum"
    return RasterTie(points=count, offset_m=offset, sigma_m=scatter / np.sqrt(count), used=used, because=said)


def _obstacles(raster: Raster, surface: Raster | None, ref: Reference) -> NDArray[np.bool_] | None:
    """Return the cells where something stands on the ground, from a surface model on the same grid."""
    if surface is None or surface.z.shape != raster.z.shape or surface.transform != raster.transform:
        return None
    with np.errstate(invalid="ignore"):
        return np.asarray(surface.z - raster.z > ref.value("ground.obstacle_m"), dtype=bool)
