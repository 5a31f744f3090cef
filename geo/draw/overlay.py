"""The ground's shade as a picture that lies under the map's lines to the millimetre.

The raster is never left to a second transformation: one affine from its grid to the screen's is fitted
through the same pinned functions the lines go through, and the picture is warped by it.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import rasterio.warp
from affine import Affine
from numpy.typing import NDArray
from PIL import Image

from geo.draw.hue import shade_colours
from geo.draw.scene import Scene
from geo.ground.hillshade import hillshade
from geo.ground.raster import mover
from geo.site.crs import to_lonlat

EARTH_RADIUS_M = 6378137.0
EXAGGERATION, AZIMUTH_DEG, ALTITUDE_DEG = 2.0, 315.0, 45.0
FINEST_PX_M, MOST_PX = 0.12, 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlay:
    """A PNG and the south-west and north-east corners it covers, as (latitude, longitude)."""

    png: bytes
    bounds: tuple[tuple[float, float], tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lie:
    """How a raster lies on the screen.

    Parameters
    ----------
    source, target
        From (column, row) of the raster, and of the north-up picture, to the screen's coordinates.
    shape
        Rows and columns of the picture.
    bounds
        Its south-west and north-east corner, latitude before longitude.
    """

    source: Affine
    target: Affine
    shape: tuple[int, int]
    bounds: tuple[tuple[float, float], tuple[float, float]]


def shade_overlay(scene: Scene) -> Overlay | None:
    """Return the shaded ground as a picture for the map, or ``None`` without a raster."""
    raster = scene.raster
    if raster is None:
        return None
    shade = hillshade(
        raster.z, raster.cell_m, exaggeration=EXAGGERATION, azimuth_deg=AZIMUTH_DEG, altitude_deg=ALTITUDE_DEG
    )
    lie = lie_on_screen(
        raster.transform,
        shade.shape[::-1],
        lambda xy: to_lonlat(mover(raster.crs, scene.crs)(xy), scene.crs, tie=scene.tie),
    )
    tall, wide = lie.shape
    warped = np.full((tall, wide), np.nan, dtype=np.float32)
    rasterio.warp.reproject(
        shade.astype(np.float32),
        warped,
        src_transform=lie.source,
        src_crs="EPSG:3857",
        dst_transform=lie.target,
        dst_crs="EPSG:3857",
        resampling=rasterio.warp.Resampling.bilinear,
        src_nodata=np.nan,
        dst_nodata=np.nan,
    )
    image = io.BytesIO()
    Image.fromarray(shade_colours(warped)).save(image, "PNG", compress_level=6)
    return Overlay(png=image.getvalue(), bounds=lie.bounds)


def lie_on_screen(
    transform: Affine,
    size: tuple[int, int],
    lonlat: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    *,
    finest_m: float = FINEST_PX_M,
    most_px: int = MOST_PX,
) -> Lie:
    """Return how a raster or picture lies on the screen: one affine, fitted through the pinned functions.

    Parameters
    ----------
    transform
        From (column, row) to the raster's grid.
    size
        Columns and rows.
    lonlat
        From places in the raster's grid, (n, 2), to longitude and latitude.
    finest_m
        Cells larger than this are drawn in pixels of this size, smaller ones in their own.
    most_px
        Most pixels along a side.
    """
    columns, rows = size
    c, r = (grid.ravel() for grid in np.meshgrid(np.linspace(0, columns, 5), np.linspace(0, rows, 5)))
    t = transform
    places = np.column_stack([t.c + t.a * c + t.b * r, t.f + t.d * c + t.e * r])
    x, y = mercator(lonlat(places))
    x0, y0 = float(x.mean()), float(y.mean())
    basis = np.column_stack([c, r, np.ones_like(c)])
    (a, b, e), *_ = np.linalg.lstsq(basis, x - x0, rcond=None)
    (d, f, g), *_ = np.linalg.lstsq(basis, y - y0, rcond=None)
    source = Affine(a, b, e + x0, d, f, g + y0)
    cell = float(np.hypot(a, d))
    extent = max(float(x.max() - x.min()), float(y.max() - y.min()))
    pixel = max(min(cell, finest_m), extent / most_px)
    west, north = float(x.min()), float(y.max())
    wide = int(np.ceil((x.max() - west) / pixel))
    tall = int(np.ceil((north - y.min()) / pixel))
    south, east = north - tall * pixel, west + wide * pixel
    return Lie(
        source=source,
        target=Affine(pixel, 0, west, 0, -pixel, north),
        shape=(tall, wide),
        bounds=(_latlon(west, south), _latlon(east, north)),
    )


def mercator(lonlat: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the screen's own coordinates (spherical Mercator, EPSG:3857) of longitudes and latitudes."""
    longitude, latitude = np.radians(lonlat).T
    return EARTH_RADIUS_M * longitude, EARTH_RADIUS_M * np.log(np.tan(np.pi / 4 + latitude / 2))


def _latlon(x: float, y: float) -> tuple[float, float]:
    latitude = 2 * np.arctan(np.exp(y / EARTH_RADIUS_M)) - np.pi / 2
    return float(np.degrees(latitude)), float(np.degrees(x / EARTH_RADIUS_M))
