"""A scanned plan as a picture that lies under the lines one draws over it, to the millimetre."""

from __future__ import annotations

import io
import math
from typing import Any

import numpy as np
import rasterio.warp
from affine import Affine
from numpy.typing import NDArray
from PIL import Image
from pyproj import CRS

from geo.draw.overlay import Overlay, lie_on_screen
from geo.site.crs import to_lonlat

MOST_PX = 2000
OPAQUE = 0.75
"""How strongly a plan shows: what is drawn over it must be seen first."""


def plan_overlay(
    picture: NDArray[np.uint8],
    transform: Affine,
    *,
    crs: CRS,
    tie: tuple[float, float, float] | None = None,
) -> Overlay:
    """Return a plan warped north up on the screen, by the functions the lines go through.

    Parameters
    ----------
    picture
        (rows, columns, 3) red, green, blue.
    transform
        From (column, row) to the site's grid, metres.
    crs
        The site's grid.
    tie
        Local grid only: longitude, latitude and bearing of its zero point.
    """
    rows, columns = picture.shape[:2]

    def lonlat(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return to_lonlat(xy, crs, tie=tie)

    lie = lie_on_screen(transform, (columns, rows), lonlat, finest_m=math.inf, most_px=MOST_PX)
    shown = np.full((rows, columns), 255, dtype=np.uint8)
    bands = np.concatenate([np.moveaxis(picture, 2, 0), shown[None]])
    warped: Any = np.zeros((4, *lie.shape), dtype=np.uint8)
    rasterio.warp.reproject(
        bands,
        warped,
        src_transform=lie.source,
        src_crs="EPSG:3857",
        dst_transform=lie.target,
        dst_crs="EPSG:3857",
        resampling=rasterio.warp.Resampling.bilinear,
    )
    warped[3] = np.where(warped[3] > 127, round(255 * OPAQUE), 0)
    image = io.BytesIO()
    Image.fromarray(np.moveaxis(warped, 0, 2)).save(image, "PNG", compress_level=6)
    return Overlay(png=image.getvalue(), bounds=lie.bounds)
