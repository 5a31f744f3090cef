"""Slopes against published worked grids, and against the general tool where a house stands in the way."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS

from geo import reference
from geo.ground.hillshade import aspect_degrees, gradients, hillshade, slope_degrees
from geo.ground.raster import Raster
from geo.ground.strips import building_mask, fit_planes, fit_strips
from geo.perimeter.build import build_perimeter

REF = reference.default()
GRID = CRS.from_epsg(27700)
E, N = 412300.0, 287600.0
NODATA = -9999.0
needs_gdaldem = pytest.mark.skipif(shutil.which("gdaldem") is None, reason="gdaldem is not installed")

# Esri, "How Slope works" (cell 5) and "How Aspect works" (cell 1); a university's example grid (cell 10),
# whose slope and aspect are gdaldem's; its gradient by hand: (197 - 166)/80 and (192 - 179)/80. (grid, cell, dz/dx, dz/dy southward, slope, aspect)
HORN = [
    ([[50, 45, 50], [30, 30, 30], [8, 10, 10]], 5, 0.05, -3.8, 75.25766, 180.75385),
    ([[101, 92, 85], [101, 92, 85], [101, 91, 84]], 1, -8.125, -0.375, 82.99088, 92.64255),
    ([[42, 45, 47], [40, 44, 49], [44, 48, 52]], 10, 0.3875, 0.1625, 22.791824, 292.75098),
]


@pytest.mark.parametrize(("grid", "cell", "dx", "dy", "slope", "aspect"), HORN)
def test_horns_method_on_published_grids(
    grid: list[list[float]], cell: float, dx: float, dy: float, slope: float, aspect: float
) -> None:
    """The middle cell has the published gradient, slope and aspect."""
    z = np.array(grid, dtype=np.float64)
    found_x, found_y = gradients(z, cell)
    assert found_x[1, 1] == pytest.approx(dx)
    assert found_y[1, 1] == pytest.approx(dy)
    assert slope_degrees(z, cell)[1, 1] == pytest.approx(slope, abs=2e-5)
    assert aspect_degrees(z, cell)[1, 1] == pytest.approx(aspect, abs=2e-5)


def test_a_printed_slope_is_met_to_its_own_rounding() -> None:
    """Esri prints 75.25762 for the first grid: it uses 57.29578 and cut-off arithmetic."""
    assert slope_degrees(np.array(HORN[0][0], dtype=float), 5)[1, 1] == pytest.approx(75.25762, abs=5e-5)


def test_level_ground_has_no_aspect() -> None:
    """Where nothing falls no direction is given, and edge cells have neither slope nor aspect."""
    level = np.full((4, 4), 12.0)
    assert np.isnan(aspect_degrees(level, 1.0)).all()
    assert np.isnan(slope_degrees(level, 1.0)[0]).all()
    assert slope_degrees(level, 1.0)[1, 1] == 0.0


def test_light_on_a_slope() -> None:
    """A face square to the sun is fully lit, level ground takes the sine of the sun's height."""
    slope = np.tan(np.radians(45.0))
    z = -slope * np.arange(8.0)[None, :] * np.ones((8, 1))
    lit = hillshade(z, 1.0, exaggeration=1.0, azimuth_deg=90.0, altitude_deg=45.0)
    level = hillshade(z * 0, 1.0, exaggeration=1.0, azimuth_deg=90.0, altitude_deg=30.0)
    assert lit[4, 4] == pytest.approx(1.0)
    assert level[4, 4] == pytest.approx(0.5)


@needs_gdaldem
def test_slope_and_aspect_equal_gdaldem(tmp_path: Path) -> None:
    """On rough ground slope agrees with gdaldem to its float32, aspect too where the ground is not flat."""
    random = np.random.default_rng(4)
    z = random.normal(0, 0.4, (120, 140)).cumsum(axis=0).cumsum(axis=1) / 40
    z -= z.mean()
    ours, theirs = slope_degrees(z, 0.5), gdaldem(tmp_path, "slope", z, 0.5)
    inside = np.isfinite(ours)
    assert np.array_equal(inside, np.isfinite(theirs))
    assert np.abs(ours[inside] - theirs[inside]).max() < 2e-3
    turned = np.abs(aspect_degrees(z, 0.5) - gdaldem(tmp_path, "aspect", z, 0.5))
    turned = np.minimum(turned, 360 - turned)[inside & (ours > 0.5)]
    assert turned.max() < 2e-2


@needs_gdaldem
def test_beside_a_house_the_general_tool_is_blank_or_half(tmp_path: Path) -> None:
    """On a true 2.0 % plane the cells beside a house read nothing, or 1.0 to 1.5 %; the strip reads 2.0 %.

    The house is a hole of 8 x 6 m in the raster, falling east. gdaldem gives no slope beside a hole; told to
    compute edges it makes up the missing neighbours, and halves the slope across the wall.
    """
    z, house = plane_with_a_hole(fall=0.02)
    beside_west, beside_east = house_columns(house)
    rows = np.flatnonzero(house.any(axis=1))[1:-1]
    blank = gdaldem(tmp_path, "slope", z, 0.5, "-p")
    assert np.isnan(blank[rows][:, [beside_west, beside_east]]).all()
    made_up = gdaldem(tmp_path, "slope", z, 0.5, "-p", "-compute_edges")
    assert made_up[rows][:, [beside_west, beside_east]] == pytest.approx(1.0, abs=1e-3)
    columns = np.flatnonzero(house.any(axis=0))[1:-1]
    along = made_up[np.ix_([rows[0] - 2, rows[-1] + 2], columns)]
    assert ((along > 1.4) & (along < 2.01)).all()
    falls = strip_falls(z)
    assert falls["F1"] == pytest.approx(2.0, abs=1e-9)
    assert falls["F3"] == pytest.approx(-2.0, abs=1e-9)
    assert falls["F2"] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("turn", range(0, 360, 15))
def test_every_orientation_reads_the_plane(turn: int) -> None:
    """A face turned any way in a raster of 0.5 m reads 2.000 % times the cosine between it and the fall."""
    angle = np.radians(turn)
    normal = np.array([[np.sin(angle), np.cos(angle)]])
    wall = shapely.affinity.rotate(shapely.box(E - 4, N - 6, E + 4, N), -turn, origin=(E, N))
    raster = plane_raster(0.02)
    mask = building_mask(raster, gpd.GeoDataFrame(geometry=[wall], crs=GRID))
    spoiled = np.where(mask, np.nan, raster.z)
    fit = fit_planes(
        Raster(**{name: getattr(raster, name) for name in Raster.__slots__} | {"z": spoiled}),
        mask,
        np.array([[E, N]]),
        normal,
        np.array([2.0]),
        near_m=0.0,
        far_m=4.0,
        correlation_m=3.0,
    )
    assert fit.n[0] >= 40
    assert 100 * fit.fall[0] == pytest.approx(-2.0 * np.sin(angle), abs=1e-9)
    assert 100 * fit.along[0] == pytest.approx(2.0 * np.cos(angle), abs=1e-9)


def plane_raster(fall: float, cell: float = 0.5, count: int = 80) -> Raster:
    """Return a plane falling east, centred on (E, N)."""
    x = (np.arange(count) + 0.5) * cell - count * cell / 2
    return Raster(
        z=np.broadcast_to(100 - fall * x, (count, count)).copy(),
        transform=Affine(cell, 0, E - count * cell / 2, 0, -cell, N + count * cell / 2),
        crs=GRID,
        model="DTM",
        sigma_m=0.15,
        relative_sigma_m=0.01,
        stated=True,
    )


def plane_with_a_hole(fall: float) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return a plane with a house of 8 x 6 m left out, and the cells of the house."""
    raster = plane_raster(fall)
    x, y = raster.centres()
    house = (np.abs(x - E) < 4)[None, :] & (np.abs(y - N) < 3)[:, None]
    return np.where(house, np.nan, raster.z), house


def house_columns(house: NDArray[np.bool_]) -> tuple[int, int]:
    """Return the columns just west and just east of the house."""
    own = np.flatnonzero(house.any(axis=0))
    return int(own[0]) - 1, int(own[-1]) + 1


def strip_falls(z: NDArray[np.float64]) -> dict[str, float]:
    """Return the fall of each face of the house by strips."""
    outline = shapely.box(E - 4, N - 3, E + 4, N + 3)
    table = gpd.GeoDataFrame({"role": ["subject"]}, geometry=[outline], crs=GRID, index=["B1"])
    columns = ("origin_e", "origin_n", "front_bearing_deg", "wall_thickness_m", "wall_thickness_sigma_m")
    perimeter = build_perimeter(table.assign(**dict.fromkeys(columns, np.nan)), ref=REF)
    raster = plane_raster(0.0)
    whole = Raster(**{name: getattr(raster, name) for name in Raster.__slots__} | {"z": z})
    stations = perimeter.stations()
    falls, _ = fit_strips(whole, stations, perimeter.footprints, ref=REF)
    known = falls["fall_percent"].groupby(stations["face"])
    spread: Any = known.max() - known.min()
    assert spread.max() < 1e-9
    return {str(face): float(value) for face, value in known.mean().items()}


def gdaldem(
    folder: Path, what: str, z: NDArray[np.float64], cell: float, *options: str
) -> NDArray[np.float64]:
    """Return what gdaldem makes of heights."""
    source, target = folder / "z.tif", folder / f"{what}.tif"
    profile = {
        "driver": "GTiff",
        "height": z.shape[0],
        "width": z.shape[1],
        "count": 1,
        "dtype": "float32",
        "nodata": NODATA,
        "crs": "EPSG:27700",
        "transform": Affine(cell, 0, E, 0, -cell, N),
    }
    with rasterio.open(source, "w", **profile) as sink:
        sink.write(np.where(np.isfinite(z), z - np.nanmean(z), NODATA).astype(np.float32), 1)
    subprocess.run(
        ["gdaldem", what, str(source), str(target), "-q", *options], check=True, capture_output=True
    )
    with rasterio.open(target) as found:
        return np.asarray(found.read(1, masked=True).astype(np.float64).filled(np.nan))
