"""A ground raster as a survey from the air would give it: the true ground, its errors, no buildings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import rasterio
import shapely
from rasterio.transform import from_origin
from scenarios.plan import Frame, Point
from scipy.ndimage import gaussian_filter

Array = np.ndarray[tuple[int, ...], np.dtype[np.float64]]
Surface = Callable[[Array, Array], Array]

# A Gaussian smoothing of width k gives errors whose correlation has the area 4 pi k²; this width
# makes it 9 m², the area of a square of 3 m, over which such errors are said to move together.
SMOOTHING_M = 3.0 / np.sqrt(4 * np.pi)


class Grid:
    """Cells of a north-up raster round a house."""

    def __init__(self, frame: Frame, *, centre: Point, width_m: float, cell_m: float) -> None:
        self.cell = cell_m
        self.count = round(width_m / cell_m)
        e, n = frame.grid(centre)
        self.west = round((e - width_m / 2) / cell_m) * cell_m
        self.north = round((n + width_m / 2) / cell_m) * cell_m
        middles = (np.arange(self.count) + 0.5) * cell_m
        east, north = np.meshgrid(self.west + middles, self.north - middles)
        t = np.radians(frame.u_bearing_deg)
        de, dn = east - frame.easting_m, north - frame.northing_m
        self.u = de * np.sin(t) + dn * np.cos(t)
        self.v = dn * np.sin(t) - de * np.cos(t)

    def inside(self, outlines: Sequence[shapely.Polygon]) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        """Return which cell centres lie under a building."""
        return shapely.contains_xy(shapely.union_all(list(outlines)), self.u, self.v)

    def errors(self, *, seed: int, sigma: float) -> Array:
        """Return errors that move together over some metres, scaled to ``sigma``."""
        drawn = np.random.default_rng(seed).standard_normal((self.count, self.count))
        smooth = gaussian_filter(drawn, SMOOTHING_M / self.cell, mode="wrap")
        return smooth * (sigma / smooth.std())

    def bare(self, surface: Surface, outlines: Sequence[shapely.Polygon]) -> Array:
        """Return the ground, carried under the buildings by straight lines from side to side."""
        z = surface(self.u, self.v)
        hidden = self.inside(outlines)
        across, down = z.copy(), z.copy()
        for filled, mask in ((across, hidden), (down.T, hidden.T)):
            place = np.arange(filled.shape[1])
            for line, gone in zip(filled, mask, strict=True):
                if gone.any():
                    line[gone] = np.interp(place[gone], place[~gone], line[~gone])
        return (across + down) / 2

    def write(self, path: Path, z: Array) -> None:
        """Write levels to the millimetre."""
        with rasterio.open(
            path,
            "w",
            driver="GTiff",
            width=self.count,
            height=self.count,
            count=1,
            dtype="float32",
            crs="EPSG:27700",
            transform=from_origin(self.west, self.north, self.cell, self.cell),
            nodata=-9999.0,
            compress="deflate",
            zlevel=9,
            predictor=3,
        ) as raster:
            raster.write(np.round(z, 3).astype("float32"), 1)
