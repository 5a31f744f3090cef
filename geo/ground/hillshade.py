"""Slope, aspect and shade of a raster, after Horn."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Heights = NDArray[np.float64]
EAST = np.array([[-1, 0, 1], [-2, 0, 2], [-1, 0, 1]], dtype=np.float64)
SOUTH = np.array([[-1, -2, -1], [0, 0, 0], [1, 2, 1]], dtype=np.float64)


def gradients(z: Heights, cell_m: float) -> tuple[Heights, Heights]:
    """Return dz/dx eastward and dz/dy southward of a grid whose first row is north.

    Third-order finite difference of the eight neighbours (Horn 1981, Proc. IEEE 69). Cells at the edge, and
    those beside a cell without height, are NaN.
    """
    low = np.nanmean(z) if np.isfinite(z).any() else 0.0
    level = z - low
    dx = ndimage.correlate(level, EAST, mode="constant", cval=np.nan) / (8 * cell_m)
    dy = ndimage.correlate(level, SOUTH, mode="constant", cval=np.nan) / (8 * cell_m)
    return np.asarray(dx, dtype=np.float64), np.asarray(dy, dtype=np.float64)


def slope_degrees(z: Heights, cell_m: float) -> Heights:
    """Return the slope of each cell, degrees."""
    dx, dy = gradients(z, cell_m)
    return np.asarray(np.degrees(np.arctan(np.hypot(dx, dy))), dtype=np.float64)


def aspect_degrees(z: Heights, cell_m: float) -> Heights:
    """Return the direction of steepest descent, clockwise from north, degrees; NaN where level."""
    dx, dy = gradients(z, cell_m)
    found = np.mod(np.degrees(np.arctan2(-dx, dy)), 360.0)
    return np.where((dx == 0) & (dy == 0), np.nan, found)


def hillshade(
    z: Heights, cell_m: float, *, exaggeration: float, azimuth_deg: float, altitude_deg: float
) -> Heights:
    """Return the light each cell gets, 0 to 1; NaN without height.

    Parameters
    ----------
    exaggeration
        Heights are multiplied by it: house ground is nearly flat.
    azimuth_deg, altitude_deg
        Where the light comes from, clockwise from north and above the horizon.
    """
    filled = np.where(np.isfinite(z), z, np.nanmean(z) if np.isfinite(z).any() else 0.0)
    dx, dy = gradients(np.pad(filled, 1, mode="edge") * exaggeration, cell_m)
    dx, dy = dx[1:-1, 1:-1], dy[1:-1, 1:-1]
    azimuth, altitude = np.radians(azimuth_deg), np.radians(altitude_deg)
    sun = np.array([np.sin(azimuth) * np.cos(altitude), np.cos(azimuth) * np.cos(altitude), np.sin(altitude)])
    light = (-dx * sun[0] + dy * sun[1] + sun[2]) / np.sqrt(dx**2 + dy**2 + 1)
    return np.where(np.isfinite(z), np.clip(light, 0.0, 1.0), np.nan)
