"""How much ground drains to each piece of wall."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import ndimage

from geo.ground.flood import Flood, flood
from geo.ground.raster import Raster, mover
from geo.ground.strips import covered, moved_footprints

STEPS = ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1))


def receivers(z: NDArray[np.float64], stops: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return, for each cell, the flat index of the cell it drains to: steepest of eight, or itself.

    Parameters
    ----------
    z
        A surface without hollows; NaN or infinite cells take no water.
    stops
        Cells where water stops: it is not led on.

    Notes
    -----
    Steepest descent to one of eight neighbours (O'Callaghan and Mark 1984). On level ground, such as a
    filled hollow, cells are led toward its lip, nearest first: heights there are compared exactly, so no
    two cells drain to each other.
    """
    rows, columns = z.shape
    solid = np.where(np.isfinite(z), z, np.inf)
    own = np.arange(z.size).reshape(z.shape)
    best = np.zeros(z.shape)
    to = own.copy()
    padded = np.pad(solid, 1, constant_values=np.inf)
    number = np.pad(own, 1, constant_values=-1)
    for dr, dc in STEPS:
        near = padded[1 + dr : 1 + dr + rows, 1 + dc : 1 + dc + columns]
        with np.errstate(invalid="ignore"):
            drop = (solid - near) / np.hypot(dr, dc)
        steeper = drop > best
        best = np.where(steeper, drop, best)
        to = np.where(steeper, number[1 + dr : 1 + dr + rows, 1 + dc : 1 + dc + columns], to)
    to = np.where(stops | ~np.isfinite(solid), own, to)
    stuck = (to == own) & np.isfinite(solid) & ~stops
    edge = np.zeros_like(stuck)
    edge[[0, -1], :] = edge[:, [0, -1]] = True
    stuck &= ~edge
    done = ~stuck
    while stuck.any():
        done_p = np.pad(done & np.isfinite(solid), 1)
        led = np.zeros_like(stuck)
        for dr, dc in STEPS:
            near = padded[1 + dr : 1 + dr + rows, 1 + dc : 1 + dc + columns]
            ready = done_p[1 + dr : 1 + dr + rows, 1 + dc : 1 + dc + columns]
            take = stuck & ~led & ready & (near == solid)
            to = np.where(take, number[1 + dr : 1 + dr + rows, 1 + dc : 1 + dc + columns], to)
            led |= take
        if not led.any():
            break
        done |= led
        stuck &= ~led
    return np.asarray(to.ravel(), dtype=np.int64)


def ends_of(to: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return where each cell's water ends, by doubling the steps until nothing moves."""
    end = to
    while True:
        further = end[end]
        if np.array_equal(further, end):
            return end
        end = further


def uphill_area(
    raster: Raster,
    stations: gpd.GeoDataFrame,
    footprints: gpd.GeoDataFrame,
    *,
    water: Flood | None = None,
) -> pd.DataFrame:
    """Return the area that drains to each piece of wall.

    Water runs down the surface with its hollows filled and the buildings standing. A drop counts to the
    piece of wall nearest the first cell beside a wall that it comes to, even where it would run on along
    the wall. Only cells whose centre is within a cell of a surveyed wall's open side are beside it.

    Parameters
    ----------
    water
        The raster flooded without sinks, where that was already worked out.

    Returns
    -------
    station_id, area_m2, and reaches_raster_edge: then the area is at least this.
    """
    moved = moved_footprints(footprints, raster)
    building = covered(raster, moved.geometry)
    surface = (water or flood(raster, building, np.zeros_like(building))).surface_m
    owner = _wall_cells(raster, stations, building)
    to = receivers(surface, owner >= 0)
    end = ends_of(to)
    open_ground = np.isfinite(surface).ravel()
    taken = owner.ravel()[end]
    count = np.bincount(taken[open_ground & (taken >= 0)], minlength=len(stations))
    rim = ndimage.binary_dilation(~np.isfinite(raster.z), structure=np.ones((3, 3), dtype=bool))
    rim[[0, -1], :] = rim[:, [0, -1]] = True
    at_edge = np.zeros(len(stations), dtype=bool)
    reached = taken[rim.ravel() & open_ground]
    at_edge[reached[reached >= 0]] = True
    return pd.DataFrame(
        {
            "station_id": stations["station_id"].to_numpy(),
            "area_m2": count * raster.cell_m**2,
            "reaches_raster_edge": at_edge,
        }
    )


def _wall_cells(raster: Raster, stations: gpd.GeoDataFrame, building: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return, per cell, the station it lies beside; -1 elsewhere."""
    beside = ndimage.binary_dilation(building) & ~building
    beside &= np.isfinite(raster.z)
    owner = np.full(raster.z.shape, -1, dtype=np.int64)
    own = np.flatnonzero(stations["outside"].to_numpy())
    row, column = np.nonzero(beside)
    if not len(own) or not len(row):
        return owner
    move = mover(stations.crs, raster.crs)
    middle = stations[["x", "y"]].to_numpy()[own]
    foot = move(middle)
    normal = move(middle + stations[["normal_e", "normal_n"]].to_numpy()[own]) - foot
    half = stations["length_m"].to_numpy()[own] / 2
    x, y = raster.centres()
    away_x, away_y = x[column][:, None] - foot[None, :, 0], y[row][:, None] - foot[None, :, 1]
    d = away_x * normal[None, :, 0] + away_y * normal[None, :, 1]
    s = np.abs(away_y * normal[None, :, 0] - away_x * normal[None, :, 1])
    over = np.maximum(s - half[None, :], 0.0)
    gap = np.where(d > -0.1 * raster.cell_m, np.hypot(np.maximum(d, 0.0), over), np.inf)
    nearest = gap.argmin(axis=1)
    close = gap[np.arange(len(row)), nearest] <= 1.5 * raster.cell_m
    owner[row[close], column[close]] = own[nearest[close]]
    return owner
