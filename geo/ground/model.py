"""Everything the ground says about the walls, raster and levels side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.ground.clearance import clearance_along
from geo.ground.flood import Flood, flood
from geo.ground.ponds import no_ponds, ponds_against_walls, stand_kerbs
from geo.ground.raster import Raster, mover
from geo.ground.spots import fit_levels, misfit_levels
from geo.ground.strips import covered, fit_strips, moved_footprints
from geo.ground.surface import surfaces_from_levels
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
class OpenGround:
    """One surface on which water can be followed, kerbs standing on it, and its hollows filled.

    ``patch_id`` is the patch whose levels made it, or ``""``; ``evidence`` is ``levels`` or ``raster``, and
    the heights are those of that evidence. ``building`` are the cells that stand as a wall.
    """

    patch_id: str
    evidence: str
    raster: Raster
    building: NDArray[np.bool_]
    water: Flood


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GroundReport:
    """Falls, clearance, pools and what drains to the walls.

    ``falls`` has a row for each station and kind of evidence (``raster``, ``levels``); the two are never
    averaged. ``tie`` is ``None`` without a raster. ``notes`` are sentences for the report. ``surfaces``
    are the grounds the pools were looked for on, surfaces of levels first.
    """

    falls: pd.DataFrame
    clearance: pd.DataFrame
    ponds: gpd.GeoDataFrame
    uphill: pd.DataFrame
    tie: RasterTie | None
    notes: tuple[str, ...]
    surfaces: tuple[OpenGround, ...] = ()


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
    kerbs: gpd.GeoDataFrame | None = None,
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
        x, y and works, and where it is known rim_level_m (site datum).
    raster, surface
        A ground raster, and on the same grid one with what stands on the ground.
    ways_in
        Thresholds, air-bricks and holes (see :func:`geo.ground.ponds.ponds_against_walls`).
    kerbs
        Lines with top_level_m (site datum): they hold water back.
    """
    by_levels = fit_levels(stations, levels, ref=ref)
    notes = [
        f"level {name} stands out from its neighbours: shoot it again"
        for name in misfit_levels(levels, ref=ref)
    ]
    by_hand, unmade, surfaces = _ponds_from_levels(stations, footprints, levels, gullies, ways_in, kerbs, ref)
    notes += _unlevelled(kerbs)
    if unmade:
        notes.append("no surface from levels, so no pools from them: " + "; ".join(unmade))
    if raster is None:
        clearance = clearance_along(stations, levels, dpc, lengths, ref=ref)
        none = pd.DataFrame(
            {"station_id": stations["station_id"], "area_m2": np.nan, "reaches_raster_edge": False}
        ).iloc[:0]
        notes.append("no raster of the ground: the ground uphill of the walls is not known")
        return GroundReport(
            falls=by_levels,
            clearance=clearance,
            ponds=by_hand,
            uphill=none,
            tie=None,
            notes=tuple(notes),
            surfaces=surfaces,
        )
    tie = tie_raster(raster, stations, levels, ref=ref)
    notes += [tie.because, *raster.remarks]
    if not raster.stated:
        notes.append(f"the raster states no error: {raster.sigma_m * 1000:.0f} mm is taken")
    if raster.model == "DSM":
        notes.append("a surface model shows shrubs and cars as ground: falls from it are no better than that")
    if surface is not None and not _same_grid(raster, surface):
        notes.append(
            "the surface model is on other cells than the ground model: what stands there is not seen"
        )
    obstacles = _obstacles(raster, surface, ref)
    by_raster, fit = fit_strips(raster, stations, footprints, ref=ref, obstacles=obstacles)
    shown = np.where(
        np.isfinite(by_raster["fall_percent"]), fit.ground_m + (-tie.offset_m if tie.used else 0.0), np.nan
    )
    sigma = float(np.hypot(raster.relative_sigma_m, tie.sigma_m)) if tie.used else raster.sigma_m
    clearance = clearance_along(stations, levels, dpc, lengths, ref=ref, raster_ground=(shown, sigma))
    stood = raster
    if kerbs is not None and tie.used:
        stood = stand_kerbs(raster, _on_raster(kerbs, tie, "top_level_m"))
    elif kerbs is not None:
        notes.append("kerbs are not stood on the raster: it is not tied to their levels")
    drains = gullies if tie.used else gullies.drop(columns="rim_level_m", errors="ignore")
    building = covered(stood, moved_footprints(footprints, stood).geometry)
    water = flood(stood, building, np.zeros_like(building))
    by_flight = ponds_against_walls(
        stood,
        stations,
        footprints,
        _on_raster(drains, tie, "rim_level_m"),
        ref=ref,
        ways_in=_on_raster(ways_in, tie, "level_m"),
        water=water,
    )
    return GroundReport(
        falls=pd.concat([by_levels, by_raster], ignore_index=True),
        clearance=clearance,
        ponds=_numbered([by_flight, by_hand]),
        uphill=uphill_area(stood, stations, footprints, water=water),
        tie=tie,
        notes=tuple(notes),
        surfaces=(
            *surfaces,
            OpenGround(patch_id="", evidence="raster", raster=stood, building=building, water=water),
        ),
    )


def _unlevelled(kerbs: gpd.GeoDataFrame | None) -> list[str]:
    """Say of which kerbs nothing can be said, for want of a level."""
    if kerbs is None:
        return []
    bare = kerbs.index[kerbs["top_level_m"].isna()]
    return [f"the top of {name} has no level: it is taken to hold nothing back" for name in bare]


def _ponds_from_levels(
    stations: gpd.GeoDataFrame,
    footprints: gpd.GeoDataFrame,
    levels: pd.DataFrame,
    gullies: pd.DataFrame,
    ways_in: pd.DataFrame | None,
    kerbs: gpd.GeoDataFrame | None,
    ref: Reference,
) -> tuple[gpd.GeoDataFrame, list[str], tuple[OpenGround, ...]]:
    """Return pools on the surfaces that levels make, why other patches have none, and those surfaces."""
    z = ref.value("confidence.z_95")
    found, unmade, surfaces = [], [], []
    for patch in surfaces_from_levels(levels, footprints, stations.crs, ref=ref):
        if patch.raster is None:
            unmade.append(f"{patch.patch_id or 'ground with no patch'} ({patch.because})")
            continue
        made = patch.raster if kerbs is None else stand_kerbs(patch.raster, kerbs)
        building = covered(made, moved_footprints(footprints, made).geometry)
        water = flood(made, building, np.zeros_like(building))
        surfaces.append(
            OpenGround(
                patch_id=patch.patch_id, evidence="levels", raster=made, building=building, water=water
            )
        )
        found.append(
            ponds_against_walls(
                made,
                stations,
                footprints,
                gullies,
                ref=ref,
                ways_in=ways_in,
                water=water,
                evidence="levels",
                sure_m=z * made.relative_sigma_m,
            )
        )
    return _numbered(found) if found else no_ponds(stations.crs), unmade, tuple(surfaces)


def _numbered(parts: list[gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    """Return pools of every kind of evidence in one table, numbered through."""
    filled = [part for part in parts if len(part)]
    if not filled:
        return parts[0]
    table = gpd.GeoDataFrame(pd.concat(filled, ignore_index=True), crs=filled[0].crs)
    return table.assign(pond_id=[f"P{i}" for i in range(1, len(table) + 1)])


def _on_raster(places: Any, tie: RasterTie, column: str) -> Any:
    """Return places with their levels on the raster's heights, where the two were tied."""
    if places is None or not tie.used or column not in places:
        return places
    return places.assign(**{column: places[column] + tie.offset_m})


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
    away = f"{offset:+.2f} m" if abs(offset) >= 1 else f"{offset * 1000:+.0f} mm"
    said = f"the raster lies {away} from {count} hard points, scatter {scatter * 1000:.0f} mm"
    if not used:
        said += f": more than {most * 1000:.0f} mm, so the two are not put on one datum"
    return RasterTie(points=count, offset_m=offset, sigma_m=scatter / np.sqrt(count), used=used, because=said)


def _obstacles(raster: Raster, surface: Raster | None, ref: Reference) -> NDArray[np.bool_] | None:
    """Return the cells where something stands on the ground, from a surface model on the same grid."""
    if surface is None or not _same_grid(raster, surface):
        return None
    with np.errstate(invalid="ignore"):
        return np.asarray(surface.z - raster.z > ref.value("ground.obstacle_m"), dtype=bool)


def _same_grid(raster: Raster, surface: Raster) -> bool:
    return surface.z.shape == raster.z.shape and surface.transform == raster.transform
