"""The ground raster: read round the buildings only, and refused when it cannot say anything there."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import rasterio
import shapely
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS
from rasterio.errors import RasterioIOError
from rasterio.windows import Window, from_bounds

from geo.errors import CrsError, InputError, Problem
from geo.reference import Reference
from geo.site.crs import from_lonlat, require_metric, to_lonlat

Heights = NDArray[np.float64]
MARGIN_M = 40.0
LOWEST_M, HIGHEST_M = -1000.0, 10000.0
METRES = {"", "m", "metre", "metres", "meter", "meters"}


class RasterFacts(Protocol):
    """What is said of a raster beside it."""

    model: str
    error_m: float | None
    relative_error_m: float | None
    flown_on: str
    datum_offset_m: float | None
    datum_offset_sigma_m: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Raster:
    """Heights round the buildings.

    Parameters
    ----------
    z
        (rows, columns) metres above the site datum where the offset is known, else above the raster's
        own; NaN where there are none.
    transform
        From (column, row) to the raster's grid.
    crs
        The raster's own grid: buildings are moved to it, never it to them.
    model
        ``DTM`` or ``DSM``.
    sigma_m, relative_sigma_m
        Standard error of a cell, and of a cell against its neighbours.
    stated
        Whether the error was stated with the data, or is the usual one.
    flown_on
        Date of the survey behind it, or ``""``.
    remarks
        What a reader should know of the file, in sentences.
    """

    z: Heights
    transform: Affine
    crs: CRS
    model: str
    sigma_m: float
    relative_sigma_m: float
    stated: bool
    flown_on: str = ""
    remarks: tuple[str, ...] = ()

    @property
    def cell_m(self) -> float:
        """Side of a cell, metres."""
        return math.sqrt(abs(self.transform.a * self.transform.e))

    def centres(self) -> tuple[Heights, Heights]:
        """Return x of the columns and y of the rows of cell centres."""
        columns, rows = np.arange(self.z.shape[1]) + 0.5, np.arange(self.z.shape[0]) + 0.5
        x = np.asarray(self.transform.c + self.transform.a * columns, dtype=np.float64)
        return x, np.asarray(self.transform.f + self.transform.e * rows, dtype=np.float64)

    def raised(self, offset_m: float) -> Raster:
        """Return the raster with its levels moved by an offset."""
        return replace(self, z=self.z + offset_m)


def read_raster(
    path: Path, *, meta: RasterFacts, crs: CRS, bounds: tuple[float, float, float, float], ref: Reference
) -> Raster:
    """Read the part of a GeoTIFF round the buildings.

    Parameters
    ----------
    meta
        Kind, errors and date, from ``ground.toml``.
    crs, bounds
        The site's grid, and the buildings' bounds in it.

    Raises
    ------
    InputError
        When it is no raster, is a picture, has no grid or one not in metres, is turned, is too large,
        misses the house, is empty there, or its cells are too wide to say anything of the ground at a wall.
    """
    name = path.name

    def refuse(found: str, allowed: str, mend: str) -> InputError:
        return InputError([Problem(file=name, found=found, allowed=allowed, mend=mend)])

    try:
        source = rasterio.open(path)
    except RasterioIOError as error:
        raise refuse(
            f"cannot be read ({error})", "a GeoTIFF of heights", "Export it again as GeoTIFF."
        ) from None
    with source:
        if source.crs is None:
            raise refuse("has no grid", "a projected grid in metres", "Export it with its grid.")
        own = CRS.from_wkt(source.crs.to_wkt())
        try:
            require_metric(own)
        except CrsError as error:
            raise refuse(str(error), "a projected grid in metres", "Export it in such a grid.") from None
        if source.count >= 3 and set(source.dtypes) == {"uint8"}:
            raise refuse(
                "is a picture, not heights", "one band of heights", "Export the heights, not their shading."
            )
        if "complex" in source.dtypes[0]:
            raise refuse("holds complex numbers", "one band of heights", "Export the heights.")
        unit = height_unit(source, own)
        if unit not in METRES:
            raise refuse(f"heights in {unit}", "heights in metres", "Convert them and export again.")
        transform = source.transform
        if abs(transform.b) > 1e-9 or abs(transform.d) > 1e-9 or transform.a <= 0 or transform.e >= 0:
            raise refuse("is turned or mirrored", "rows from north to south", "Export it north up.")
        cell = math.sqrt(abs(transform.a * transform.e))
        widest = ref.value("ground.widest_cell_m")
        if cell > widest:
            mend = "Get a finer raster, or do without: levels from a staff decide more."
            raise refuse(f"cells of {cell:g} m", f"at most {widest:g} m", mend)
        west, south, east, north = moved_bounds(bounds, crs, own)
        window = from_bounds(west - MARGIN_M, south - MARGIN_M, east + MARGIN_M, north + MARGIN_M, transform)
        left, top = math.floor(window.col_off), math.floor(window.row_off)
        right, bottom = math.ceil(window.col_off + window.width), math.ceil(window.row_off + window.height)
        window = Window(left, top, right - left, bottom - top)
        whole = Window(0, 0, source.width, source.height)
        mend = "Get the tile that covers the site, or correct the grid."
        try:
            window = window.intersection(whole)
        except rasterio.errors.WindowError:
            raise refuse("does not reach the buildings", "a raster that covers them", mend) from None
        most = ref.value("input.max_cells")
        if window.width * window.height > most:
            said = f"{window.width * window.height:,.0f} cells round the buildings"
            raise refuse(
                said, f"at most {most:,.0f}", "Cut the tile, or draw the outlines nearer each other."
            )
        if math.prod(source.block_shapes[0]) > most:
            raise refuse(
                f"stored in blocks of {math.prod(source.block_shapes[0]):,.0f} cells",
                f"blocks of at most {most:,.0f}",
                "Export it tiled.",
            )
        try:
            z = source.read(1, window=window, masked=True).astype(np.float64).filled(np.nan)
        except RasterioIOError as error:
            raise refuse(f"breaks off ({error})", "a whole GeoTIFF", "Copy it again.") from None
        part = source.window_transform(window)
        z = z * source.scales[0] + source.offsets[0]
        bands = source.count
    z[~((z > LOWEST_M) & (z < HIGHEST_M))] = np.nan
    reach = ref.value("ground.strip_dem_to_m")
    rows, columns = z.shape
    left, top = (west - reach - part.c) / part.a, (north + reach - part.f) / part.e
    right, bottom = (east + reach - part.c) / part.a, (south - reach - part.f) / part.e
    near = z[
        max(0, int(top)) : min(rows, math.ceil(bottom)), max(0, int(left)) : min(columns, math.ceil(right))
    ]
    if not np.isfinite(near).any():
        raise refuse("holds no height at the buildings", "heights round them", mend)
    relative = ref.value("ground.dem_relative_sigma_m")
    sigma = meta.error_m if meta.error_m is not None else ref.value("ground.dem_sigma_m")
    return Raster(
        z=z + (meta.datum_offset_m or 0.0),
        transform=part,
        crs=own,
        model=meta.model,
        sigma_m=math.hypot(sigma, meta.datum_offset_sigma_m or 0.0),
        relative_sigma_m=meta.relative_error_m or min(sigma, relative),
        stated=meta.error_m is not None,
        flown_on=meta.flown_on,
        remarks=(f"{name} has {bands} bands: the first is read as heights",) if bands > 1 else (),
    )


def height_unit(source: Any, crs: CRS) -> str:
    """Return the unit heights are in, as the band or the grid's vertical part says it; "" where neither."""
    said = (source.units[0] or "").strip().lower()
    if said:
        return str(said)
    upright = [axis.unit_name for axis in crs.axis_info if axis.direction in ("up", "down")]
    return str(upright[0]).lower() if upright else ""


def mover(crs: CRS, raster_crs: CRS) -> Any:
    """Return a function from the site's grid to the raster's; the raster itself is never resampled.

    Both ways go by longitude and latitude through the one pinned pair of functions.
    """
    if crs.equals(raster_crs, ignore_axis_order=True) or crs.to_wkt().startswith("ENGCRS"):
        return lambda xy: np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    return lambda xy: from_lonlat(to_lonlat(xy, crs), raster_crs)


def moved_bounds(
    bounds: tuple[float, float, float, float], crs: CRS, raster_crs: CRS
) -> tuple[float, float, float, float]:
    """Return bounds in the raster's grid."""
    ring = shapely.get_coordinates(shapely.box(*bounds).segmentize(10.0))
    moved = mover(crs, raster_crs)(ring)
    low, high = moved.min(axis=0), moved.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])
