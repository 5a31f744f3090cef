"""The screen of many homes against GDAL, pyflwdir, the single site's own water, and real outlines."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from typing import Any

import geopandas as gpd
import momepy
import numpy as np
import pandas as pd
import pyflwdir
import pytest
import rasterio
import shapely
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS
from scipy import ndimage

from geo import reference
from geo.ground.raster import Raster
from geo.ground.uphill import uphill_area
from geo.perimeter.build import build_perimeter
from geo.screen.kernels import mark_buildings
from geo.screen.outlines import read_outlines
from geo.screen.run import screen_homes
from geo.screen.water import run_water

REF = reference.default()
GRID = CRS.from_epsg(27700)
E, N = 412000.0, 287000.0
needs_gdaldem = pytest.mark.skipif(shutil.which("gdaldem") is None, reason="gdaldem is not installed")


def write(path: Path, z: NDArray[Any]) -> str:
    """Write heights in cells of 1 m, north-west corner at (E, N)."""
    with rasterio.open(
        path, "w", driver="GTiff", width=z.shape[1], height=z.shape[0], count=1, dtype="float32",
        crs="EPSG:27700", nodata=-9999, transform=Affine(1, 0, E, 0, -1, N),
    ) as sink:  # fmt: skip
        sink.write(np.where(np.isfinite(z), z, -9999).astype(np.float32), 1)
    return str(path)


@needs_gdaldem
def test_falls_on_planes_are_gdals_slope_and_aspect(tmp_path: Path) -> None:
    """Homes on ground bent so little that each stands on a plane: fall = slope x cos(aspect - bearing).

    gdaldem reads slope and aspect of the bare ground in the cell 2 m before the middle of each wall, on
    cells that the home does not spoil there, since the ground goes on under it.
    """
    side = 400
    x, y = np.arange(side) + 0.5, -(np.arange(side) + 0.5)
    z = 60 + 0.05 * x[None, :] + 0.03 * y[:, None] + 2e-4 * (x[None, :] - 200) * (y[:, None] + 200) / 2
    ground = write(tmp_path / "z.tif", z)
    random = np.random.default_rng(5)
    shapes = [
        shapely.affinity.rotate(shapely.box(E + a, N - b, E + a + 9, N - b + 8), random.uniform(0, 90))
        for a in range(40, 350, 40)
        for b in range(40, 350, 40)
    ]
    gpd.GeoDataFrame({"id": range(len(shapes))}, geometry=shapes, crs=GRID).to_file(tmp_path / "h.gpkg")
    screen_homes(str(tmp_path / "h.gpkg"), [ground], tmp_path / "o.parquet", ref=REF)
    walls = gpd.read_parquet(tmp_path / "o-walls.parquet")
    made = {}
    for what in ("slope", "aspect"):
        target = tmp_path / f"{what}.tif"
        how = ["-p"] if what == "slope" else []
        subprocess.run(["gdaldem", what, ground, str(target), "-q", *how], check=True)
        with rasterio.open(target) as found:
            made[what] = found.read(1)
    ends = shapely.get_coordinates(walls.geometry.to_numpy()).reshape(-1, 2, 2)
    bearing = np.radians(walls["bearing_deg"].to_numpy(dtype=float))
    at = ends.mean(axis=1) + 2.0 * np.stack([np.sin(bearing), np.cos(bearing)], axis=1)
    row, column = np.floor(N - at[:, 1]).astype(int), np.floor(at[:, 0] - E).astype(int)
    aspect = np.radians(made["aspect"][row, column])  # the way the ground falls
    expected = -made["slope"][row, column] * np.cos(aspect - bearing)
    assert len(walls) == 4 * len(shapes)
    assert np.abs(walls["fall_percent"] - expected).max() < 0.06  # the ground bends by 0.02 % in a metre


def rough(side: int, seed: int, steep: float = 0.02) -> NDArray[np.float32]:
    """Return hilly, pitted ground, heights in whole millimetres."""
    random = np.random.default_rng(seed)
    z = ndimage.gaussian_filter(random.normal(0, 1, (side, side)), 6) * 8 + random.normal(
        0, 0.05, (side, side)
    )
    z += steep * np.arange(side)[None, :]
    return np.asarray(np.round(z - z.min(), 3), dtype=np.float32)


def boxes(count: int, seed: int, side: int) -> list[Any]:
    """Return houses of 9 x 8 m standing clear of each other and of the edge."""
    random = np.random.default_rng(seed)
    places = [(a, b) for a in range(20, side - 30, 25) for b in range(20, side - 30, 25)]
    chosen = random.permutation(len(places))[:count]
    return [
        shapely.affinity.rotate(shapely.box(E + a, N - b - 8, E + a + 9, N - b), random.uniform(0, 90))
        for a, b in (places[i] for i in chosen)
    ]


def mark(shapes: list[Any], side: int) -> NDArray[np.int32]:
    """Return which house covers each cell."""
    found = read_outlines(np.array(shapes, dtype=object), ref=REF)
    inside, _ = mark_buildings(
        found.edges, found.edge_home, side, side, -int(N), int(E), 0.0, 0.0, 1.0, 1.0, 0.7
    )
    return np.asarray(inside)


def test_buildings_cover_the_cells_gdal_burns() -> None:
    """Cell for cell what GDAL's rasteriser covers by the centres' rule."""
    shapes = boxes(30, 3, 200)
    burned = rasterio.features.rasterize(
        [(shape, k) for k, shape in enumerate(shapes)], (200, 200), fill=-1,
        transform=Affine(1, 0, E, 0, -1, N), dtype="int32",
    )  # fmt: skip
    assert np.array_equal(mark(shapes, 200), burned)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_hollows_at_the_walls_are_pyflwdirs(seed: int) -> None:
    """The deepest hollow that touches each house, and the water at its wall, by pyflwdir's filling."""
    side = 220
    z, inside = rough(side, seed, 0.004), mark(boxes(35, seed, side), side)
    houses = int(inside.max()) + 1
    _, _, hole, stands, _, _ = run_water(z, inside, houses, 1.0, 1.0, 1e6)
    walled = np.where(inside >= 0, 1e4, z).astype(np.float64)
    filled, _ = pyflwdir.dem.fill_depressions(walled, nodata=-9999.0, outlets="edge")
    depth = np.where(inside >= 0, 0.0, np.round((filled - walled) * 1000))
    labels, count = ndimage.label(depth > 0, structure=np.ones((3, 3)))
    deepest = ndimage.maximum(depth, labels, range(1, count + 1))
    expected_hole, expected_stands = np.zeros(houses), np.zeros(houses)
    for house in range(houses):
        beside = ndimage.binary_dilation(inside == house) & (inside < 0)
        touched = np.unique(labels[beside])
        expected_hole[house] = max((deepest[k - 1] for k in touched if k), default=0)
        expected_stands[house] = depth[beside].max()
    assert (expected_hole > 100).any()
    assert hole.tolist() == expected_hole.tolist()
    assert stands.tolist() == expected_stands.tolist()


@pytest.mark.parametrize("seed", [4, 5])
def test_uphill_area_is_that_of_a_single_site(seed: int) -> None:
    """House by house the ground that drains to it is what a site's own page says, where nothing is far.

    The two lead water out of hollows by other ways to the same lip, so on pitted ground single cells may
    end at the neighbour's wall; the total does not change, and no house is out by more than a few.
    """
    side = 200
    z, shapes = rough(side, seed, 0.05), boxes(25, seed, side)
    inside = mark(shapes, side)
    cells, onward, *_ = run_water(z, inside, len(shapes), 1.0, 1.0, 1e6)
    columns = ("origin_e", "origin_n", "front_bearing_deg", "wall_thickness_m", "wall_thickness_sigma_m")
    table = gpd.GeoDataFrame({"role": "subject", **dict.fromkeys(columns, np.nan)}, geometry=shapes, crs=GRID,
                             index=[str(k) for k in range(len(shapes))])  # fmt: skip
    perimeter = build_perimeter(table, ref=REF)
    stations = perimeter.stations()
    raster = Raster(
        z=z.astype(np.float64), transform=Affine(1, 0, E, 0, -1, N), crs=GRID, model="DTM", sigma_m=0.15,
        relative_sigma_m=0.05, stated=True,
    )  # fmt: skip
    uphill = uphill_area(raster, stations, perimeter.footprints)
    by_house = uphill.groupby(stations["building_id"].astype(int).to_numpy())
    expected, edge = by_house["area_m2"].sum(), by_house["reaches_raster_edge"].any()
    assert expected.max() > 500
    assert np.abs(cells - expected).max() <= 0.02 * expected.sum() / len(shapes)
    assert cells.sum() == pytest.approx(expected.sum(), rel=2e-3)
    assert onward.tolist() == edge.tolist()


def test_real_outlines_have_the_walls_of_a_single_site() -> None:
    """144 outlines of a city block carried by momepy (BSD-3): every face and party wall as one site draws them."""
    homes = gpd.read_file(momepy.datasets.get_path("bubenec"), layer="buildings").to_crs(32633)
    columns = ("origin_e", "origin_n", "front_bearing_deg", "wall_thickness_m", "wall_thickness_sigma_m")
    table = homes[["geometry"]].assign(role="subject", **dict.fromkeys(columns, np.nan))
    perimeter = build_perimeter(table.set_axis([str(k) for k in range(len(table))]), ref=REF)
    faces = perimeter.faces
    expected = pd.DataFrame(
        {
            "home": faces["building_id"].astype(int).to_numpy(),
            "party": (faces["exposure"] == "party").to_numpy(),
            "length": faces["length_m"].to_numpy(),
        }
    )
    found = read_outlines(homes.geometry.to_numpy(), ref=REF)
    walls = found.walls
    mine = pd.DataFrame({"home": walls.home, "party": walls.party, "length": walls.length_m})
    assert (found.state == 0).all()
    assert expected["party"].sum() > 200
    totals = mine.groupby(["home", "party"])["length"].sum()
    pd.testing.assert_series_equal(totals, expected.groupby(["home", "party"])["length"].sum(), rtol=1e-9)
    free, limit = mine[~mine["party"]], REF.value("screen.longest_strip_m")
    assert free["length"].max() <= limit + 1e-9
    short = expected[~expected["party"] & (expected["length"] <= limit)]
    pieces = free["length"].round(6).value_counts()
    wanted = short["length"].round(6).value_counts()
    assert (pieces.reindex(wanted.index, fill_value=0) >= wanted).all()
