"""Ground models as one ground: any number of tiles on one lattice of cells, read window by window."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from numpy.typing import NDArray
from pyproj import CRS
from rasterio.errors import RasterioError, RasterioIOError
from rasterio.windows import Window

from geo.errors import CrsError, InputError, Problem
from geo.ground.raster import HIGHEST_M, LOWEST_M, METRES, height_unit
from geo.reference import Reference
from geo.site.crs import require_metric

Heights = NDArray[np.float32]
NO_TILE, COVERED, UNREADABLE = 0, 1, 2
OFF_LATTICE = 1e-3  # of a cell: less is how a corner was written down


@dataclass(frozen=True, slots=True, kw_only=True)
class Lattice:
    """Cells without beginning: centres at ``ox + a (j + 0.5)`` and ``oy - b (i + 0.5)``.

    ``ox`` and ``oy`` are less than a cell, so that every tile of a ground gives the same ones.
    """

    ox: float
    oy: float
    a: float
    b: float

    @property
    def cell_m(self) -> float:
        """Side of a cell, metres."""
        return math.sqrt(self.a * self.b)

    def corner(self, left: float, top: float) -> tuple[int, int]:
        """Return the row and column of the cell whose upper left corner is at a place."""
        return round((self.oy - top) / self.b), round((left - self.ox) / self.a)

    def window(self, bounds: tuple[float, float, float, float]) -> tuple[int, int, int, int]:
        """Return first row, first column, rows and columns of the cells that cover bounds."""
        west, south, east, north = bounds
        row, column = math.floor((self.oy - north) / self.b), math.floor((west - self.ox) / self.a)
        last_row, last_column = math.ceil((self.oy - south) / self.b), math.ceil((east - self.ox) / self.a)
        return row, column, last_row - row, last_column - column


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """One file: its name, and the lattice cells it covers, last ones excluded."""

    path: str
    row: int
    column: int
    last_row: int
    last_column: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """Tiles of one ground model; where two overlap the one named first holds."""

    tiles: tuple[Tile, ...]
    lattice: Lattice
    crs_wkt: str

    @property
    def crs(self) -> CRS:
        """The tiles' own grid."""
        return CRS.from_wkt(self.crs_wkt)

    def within(self, window: tuple[int, int, int, int]) -> Ground:
        """Return the ground with those tiles only that reach a window."""
        row, column, rows, columns = window
        kept = tuple(
            tile
            for tile in self.tiles
            if tile.row < row + rows
            and tile.last_row > row
            and tile.column < column + columns
            and tile.last_column > column
        )
        return Ground(tiles=kept, lattice=self.lattice, crs_wkt=self.crs_wkt)


def open_ground(paths: Sequence[str], *, ref: Reference) -> Ground:
    """Look at every file of a ground model; none of its heights are read.

    Raises
    ------
    InputError
        Names every file that cannot be used, or is on another grid or other cells than the first: nothing is
        ever resampled.
    """
    problems: list[Problem] = []
    tiles: list[Tile] = []
    lattice: Lattice | None = None
    crs: CRS | None = None
    for path in paths:
        try:
            own, transform, rows, columns = _facts(path, ref)
        except InputError as error:
            problems += error.problems
            continue
        mine = _lattice(transform)
        if lattice is None or crs is None:
            lattice, crs = mine, own
        said = _unlike(lattice, crs, transform, own)
        if said:
            problems.append(
                _problem(path, said, "the grid and the cells of the first file", "Screen it on its own.")
            )
            continue
        row, column = lattice.corner(transform.c, transform.f)
        tiles.append(
            Tile(path=path, row=row, column=column, last_row=row + rows, last_column=column + columns)
        )
    if problems or lattice is None or crs is None:
        raise InputError(problems or [_problem("DEM", "no file", "one or more", "Name the ground models.")])
    return Ground(tiles=tuple(tiles), lattice=lattice, crs_wkt=crs.to_wkt())


def read_window(
    ground: Ground, window: tuple[int, int, int, int]
) -> tuple[Heights, NDArray[np.uint8], tuple[str, ...]]:
    """Read heights of a window of the lattice.

    Returns
    -------
    (rows, columns) metres, NaN where there are none; whether a tile covers each cell (``NO_TILE``,
    ``COVERED``, ``UNREADABLE``); and what was wrong with tiles that could not be read, a sentence each.
    """
    row, column, rows, columns = window
    z = np.full((rows, columns), np.nan, dtype=np.float32)
    covered = np.full((rows, columns), NO_TILE, dtype=np.uint8)
    faults: list[str] = []
    for tile in ground.within(window).tiles:
        top, left = max(tile.row, row), max(tile.column, column)
        bottom, right = min(tile.last_row, row + rows), min(tile.last_column, column + columns)
        place = (slice(top - row, bottom - row), slice(left - column, right - column))
        try:
            with rasterio.open(tile.path) as source:
                part = _heights(
                    source, Window(left - tile.column, top - tile.row, right - left, bottom - top)
                )
        except (RasterioError, OSError) as error:
            faults.append(f"{Path(tile.path).name} cannot be read ({_first_line(error)})")
            covered[place] = np.where(covered[place] == COVERED, COVERED, UNREADABLE)
            continue
        z[place] = np.where(np.isnan(z[place]), part, z[place])
        covered[place] = COVERED
    return z, covered, tuple(faults)


def _heights(source: Any, window: Window) -> Heights:
    """Return the first band in metres, NaN where there is no height."""
    raw = source.read(1, window=window)
    z = np.asarray(raw, dtype=np.float32)
    if source.scales[0] != 1.0 or source.offsets[0] != 0.0:
        z = (raw.astype(np.float64) * source.scales[0] + source.offsets[0]).astype(np.float32)
    empty = ~((z > LOWEST_M) & (z < HIGHEST_M))
    if source.nodata is not None:
        empty |= raw == np.asarray(source.nodata).astype(raw.dtype)
    elif "all_valid" not in {flag.name for flag in source.mask_flag_enums[0]}:
        empty |= source.read_masks(1, window=window) == 0
    z[empty] = np.nan
    return z


def _facts(path: str, ref: Reference) -> tuple[CRS, Any, int, int]:
    """Return grid, transform, rows and columns of a file, or refuse it."""

    def refuse(found: str, allowed: str, mend: str) -> InputError:
        return InputError([_problem(path, found, allowed, mend)])

    try:
        source = rasterio.open(path)
    except RasterioIOError as error:
        said = f"cannot be read ({_first_line(error)})"
        raise refuse(said, "a GeoTIFF or VRT of heights", "Export it again as GeoTIFF.") from None
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
        t = source.transform
        if abs(t.b) > 1e-9 or abs(t.d) > 1e-9 or t.a <= 0 or t.e >= 0:
            raise refuse("is turned or mirrored", "rows from north to south", "Export it north up.")
        cell, widest = math.sqrt(-t.a * t.e), ref.value("ground.widest_cell_m")
        if cell > widest:
            said = "Get finer tiles: these say nothing of the ground at a house wall."
            raise refuse(f"cells of {cell:g} m", f"at most {widest:g} m", said)
        most = ref.value("input.max_cells")
        if math.prod(source.block_shapes[0]) > most:
            found = f"stored in blocks of {math.prod(source.block_shapes[0]):,.0f} cells"
            raise refuse(found, f"blocks of at most {most:,.0f}", "Export it tiled.")
        return own, t, source.height, source.width


def _lattice(transform: Any) -> Lattice:
    """Return the lattice a transform lies on, its beginning within a cell of nothing."""
    a, b = float(transform.a), float(-transform.e)
    ox, oy = transform.c - math.floor(transform.c / a) * a, transform.f - math.floor(transform.f / b) * b
    return Lattice(ox=_rest(ox, a), oy=_rest(oy, b), a=a, b=b)


def _rest(rest: float, side: float) -> float:
    """Return what is left of a cell, nothing where only the writing down left it, to the micrometre."""
    return 0.0 if min(rest, side - rest) < OFF_LATTICE * side else round(rest, 6)


def _unlike(lattice: Lattice, crs: CRS, transform: Any, own: CRS) -> str:
    """Say in what a file differs from the first, or ``""``."""
    if not crs.equals(own, ignore_axis_order=True):
        return f"is in {own.name}, the first file in {crs.name}"
    a, b = float(transform.a), float(-transform.e)
    if abs(a - lattice.a) > 1e-6 * lattice.a or abs(b - lattice.b) > 1e-6 * lattice.b:
        return f"cells of {a:g} x {b:g} m, the first file's {lattice.a:g} x {lattice.b:g} m"
    off = max(
        abs((transform.c - lattice.ox) / a - round((transform.c - lattice.ox) / a)),
        abs((transform.f - lattice.oy) / b - round((transform.f - lattice.oy) / b)),
    )
    return f"cells {off:.3f} of a cell out of line with the first file's" if off > 2 * OFF_LATTICE else ""


def _problem(path: str, found: str, allowed: str, mend: str) -> Problem:
    return Problem(file=Path(path).name or path, found=found, allowed=allowed, mend=mend)


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]
