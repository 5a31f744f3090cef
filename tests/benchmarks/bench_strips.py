"""Time the strips against the way they would be done with geopandas and rasterio alone.

Run: ``python tests/benchmarks/bench_strips.py``. Both sides get the same raster in memory and the same
outlines, and answer the same question: the fall square to each face of each house, fitted on cells clear
of every building. The other side draws each face's strip as a polygon, masks it with
``rasterio.features.geometry_mask`` in a window, and calls ``numpy.linalg.lstsq``; it is given the buffered
outlines and a spatial index. No ratio is printed for a size at which the two do not first agree on every
face, to 1e-7 of slope, from the same cells. Runs are interleaved; start one thread each:

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_strips.py
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS
from rasterio import features, windows

from geo.ground.raster import Raster
from geo.ground.strips import StripFit, building_mask, fit_planes

GRID = CRS.from_epsg(27700)
FAR_M = 4.0
SPACING_M = 24.0
AGREE = 1e-7
Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Estate:
    """Detached houses on rough sloping ground: outlines, and each face's middle, normal and half length."""

    raster: Raster
    outlines: gpd.GeoDataFrame
    foot: Numbers
    normal: Numbers
    half_m: Numbers


def make_estate(count: int, cell_m: float, seed: int = 1) -> Estate:
    """Make an estate of houses of 8 x 6 m, each turned its own way."""
    random = np.random.default_rng(seed)
    side = int(np.ceil(np.sqrt(count)))
    cells = int(side * SPACING_M / cell_m)
    y, x = np.mgrid[0:cells, 0:cells] * cell_m
    z = 80 + 0.02 * x - 0.015 * y + random.normal(0, 0.03, (cells, cells))
    raster = Raster(
        z=z,
        transform=Affine(cell_m, 0, 0, 0, -cell_m, cells * cell_m),
        crs=GRID,
        model="DTM",
        sigma_m=0.15,
        relative_sigma_m=0.05,
        stated=True,
    )
    k = np.arange(count)
    centre = np.column_stack([k % side, k // side]) * SPACING_M + SPACING_M / 2
    turn = random.uniform(0, 2 * np.pi, count)
    spin = np.stack([np.cos(turn), -np.sin(turn), np.sin(turn), np.cos(turn)], axis=1).reshape(-1, 2, 2)
    corners = np.array([(-4, -3), (-4, 3), (4, 3), (4, -3)], dtype=np.float64)
    rings = np.einsum("nij,kj->nki", spin, corners) + centre[:, None, :]
    following = np.roll(rings, -1, axis=1)
    along = following - rings
    length = np.linalg.norm(along, axis=2)
    unit = along / length[..., None]
    return Estate(
        raster=raster,
        outlines=gpd.GeoDataFrame(geometry=shapely.polygons(rings), crs=GRID),
        foot=((rings + following) / 2).reshape(-1, 2),
        normal=np.stack([-unit[..., 1], unit[..., 0]], axis=-1).reshape(-1, 2),
        half_m=(length / 2).ravel(),
    )


def ours(estate: Estate) -> StripFit:
    """Mask the buildings and fit every strip."""
    return fit_all(estate, building_mask(estate.raster, estate.outlines))


def fit_all(estate: Estate, mask: NDArray[np.bool_]) -> StripFit:
    """Fit every strip, the mask being there already."""
    return fit_planes(
        estate.raster,
        mask,
        estate.foot,
        estate.normal,
        estate.half_m,
        near_m=0.0,
        far_m=FAR_M,
        correlation_m=3.0,
    )


def theirs(estate: Estate) -> tuple[Numbers, NDArray[np.int64]]:
    """Answer the same with general tools, face by face; the count of cells beside the falls."""
    raster, normal = estate.raster, estate.normal
    along = np.column_stack([-normal[:, 1], normal[:, 0]])
    grown = estate.outlines.geometry.buffer(raster.cell_m / np.sqrt(2.0))
    index = grown.sindex
    near_left = estate.foot - along * estate.half_m[:, None]
    near_right = estate.foot + along * estate.half_m[:, None]
    strips = shapely.polygons(
        np.stack([near_left, near_right, near_right + normal * FAR_M, near_left + normal * FAR_M], axis=1)
    )
    falls, counts = np.full(len(strips), np.nan), np.zeros(len(strips), dtype=np.int64)
    raster_like = SimpleNamespace(
        transform=raster.transform, height=raster.z.shape[0], width=raster.z.shape[1]
    )
    for i, strip in enumerate(strips):
        window = features.geometry_window(raster_like, [strip])
        transform = windows.transform(window, raster.transform)
        z = raster.z[window.toslices()]
        use = features.geometry_mask([strip], z.shape, transform, invert=True)
        others = grown.iloc[index.query(strip, predicate="intersects")]
        use &= features.geometry_mask(others, z.shape, transform)
        row, column = np.nonzero(use)
        x, y = rasterio.transform.xy(transform, row, column)
        away = np.column_stack([x, y]) - estate.foot[i]
        counts[i] = len(row)
        design = np.column_stack([np.ones(len(row)), away @ normal[i], away @ along[i]])
        falls[i] = np.linalg.lstsq(design, z[row, column], rcond=None)[0][1]
    return falls, counts


def agree(estate: Estate) -> tuple[bool, str]:
    """Say whether both sides read the same falls off the same cells."""
    fit, (falls, counts) = ours(estate), theirs(estate)
    same = counts == fit.n
    # A cell whose centre lies on a strip's edge belongs to it for one side and not for the other.
    worst = float(np.abs(fit.fall - falls)[same].max())
    share = float(same.mean())
    said = f"{share:.1%} of faces from the same cells, worst difference there {worst:.1e} of slope"
    return share > 0.98 and worst < AGREE, said


def side_by_side(
    one: Callable[[], Any], other: Callable[[], Any], repeats: int
) -> tuple[list[float], list[float]]:
    """Time two jobs in turns, seconds, one warm-up each."""
    one(), other()
    times: tuple[list[float], list[float]] = ([], [])
    for _ in range(repeats):
        for job, kept in ((one, times[0]), (other, times[1])):
            start = time.perf_counter()
            job()
            kept.append(time.perf_counter() - start)
    return times


def spread(values: list[float]) -> str:
    """Return least, median and most in milliseconds."""
    least, middle, most = min(values), statistics.median(values), max(values)
    return f"{middle * 1000:9.2f} ms ({least * 1000:.2f} to {most * 1000:.2f})"


def main() -> int:
    """Print agreement, times and ratios for a house, a terrace and an estate, and houses a second."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--repeats", type=int, default=7)
    parser.add_argument("--many", type=int, default=10_000, help="houses of the largest estate, ours alone")
    chosen = parser.parse_args()
    failed = False
    print(
        f"numpy {np.__version__}, rasterio {rasterio.__version__}, geopandas {gpd.__version__}, warm, in memory"
    )
    for cell in (1.0, 0.5):
        for count in (1, 12, 500):
            estate = make_estate(count, cell)
            good, said = agree(estate)
            print(f"\n{count} houses, cells of {cell:g} m: {said}")
            if not good:
                print("  the two do not agree: no ratio")
                failed = True
                continue
            repeats = chosen.repeats if count < 500 else min(3, chosen.repeats)
            mine, general = side_by_side(lambda e=estate: ours(e), lambda e=estate: theirs(e), repeats)
            pairs = [b / a for a, b in zip(mine, general, strict=True)]
            ratio = statistics.median(general) / statistics.median(mine)
            print(f"  strips            {spread(mine)}")
            print(f"  general tools     {spread(general)}")
            print(f"  ratio {ratio:.0f} (pairs {min(pairs):.0f} to {max(pairs):.0f})")
        estate = make_estate(chosen.many, cell)
        mask = building_mask(estate.raster, estate.outlines)
        kernel, whole = side_by_side(
            lambda e=estate, m=mask: fit_all(e, m), lambda e=estate: ours(e), chosen.repeats
        )
        print(f"\n{chosen.many} houses, cells of {cell:g} m, {estate.raster.z.size / 1e6:.0f} million cells")
        print(
            f"  fits alone        {spread(kernel)}  {chosen.many / statistics.median(kernel):,.0f} houses/s"
        )
        print(f"  with the mask     {spread(whole)}  {chosen.many / statistics.median(whole):,.0f} houses/s")
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
