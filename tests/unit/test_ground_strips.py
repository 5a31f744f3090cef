"""Which cells a strip may use, how sure its fall is, and what it is then called."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine
from pyproj import CRS

from geo import reference
from geo.ground.model import examine_ground
from geo.ground.raster import Raster
from geo.ground.strips import building_mask, fall_sigma, falls_table, fit_planes, fit_strips
from geo.perimeter.build import Perimeter, build_perimeter

REF = reference.default()
GRID = CRS.from_epsg(27700)
E, N = 412300.0, 287600.0


def houses(*shapes: shapely.Polygon, roles: tuple[str, ...] = ("subject", "neighbour")) -> Perimeter:
    """Return the walls of buildings; only the first is surveyed."""
    columns = ("origin_e", "origin_n", "front_bearing_deg", "wall_thickness_m", "wall_thickness_sigma_m")
    table = gpd.GeoDataFrame(
        {"role": roles[: len(shapes)]},
        geometry=list(shapes),
        crs=GRID,
        index=[f"B{i}" for i in range(1, len(shapes) + 1)],
    )
    return build_perimeter(table.assign(**dict.fromkeys(columns, np.nan)), ref=REF)


def box(west: float, south: float, east: float, north: float) -> shapely.Polygon:
    """Return a building, metres from (E, N)."""
    return shapely.box(E + west, N + south, E + east, N + north)


def ground(z: Any, cell: float = 0.5, sigma: float = 0.01) -> Raster:
    """Return 40 m square of ``z(x, y)`` about (E, N)."""
    count = int(40 / cell)
    x = (np.arange(count) + 0.5) * cell - 20
    grid_x, grid_y = np.meshgrid(x, x[::-1])
    return Raster(
        z=np.asarray(z(grid_x, grid_y), dtype=np.float64) + np.zeros_like(grid_x),
        transform=Affine(cell, 0, E - 20, 0, -cell, N + 20),
        crs=GRID,
        model="DTM",
        sigma_m=0.15,
        relative_sigma_m=sigma,
        stated=True,
    )


@pytest.mark.parametrize("cell", [0.25, 1.0])
@pytest.mark.parametrize("turn", [0.0, 20.0, 45.0])
def test_the_mask_is_half_a_diagonal_wide(cell: float, turn: float) -> None:
    """Cells whose centre is under a building or within 0.707 cells of it are left out, and no others.

    A square cell can touch the building only where its centre is nearer than half its diagonal.
    """
    shape = shapely.affinity.rotate(box(0.1, 0.2, 8.3, 6.1), turn)
    raster = ground(lambda x, y: 0 * x, cell)
    mask = building_mask(raster, gpd.GeoDataFrame(geometry=[shape], crs=GRID))
    x, y = raster.centres()
    away = shapely.distance(shapely.points(*np.meshgrid(x, y)), shape)
    half = cell / np.sqrt(2)
    assert mask[away < half * 0.998].all()  # the buffer's corners are drawn with short straight pieces
    assert not mask[away > half].any()
    h = cell / 2
    cells = shapely.box(*(grid + by for grid, by in zip(np.meshgrid(x, y) * 2, (-h, -h, h, h), strict=True)))
    mixed = shapely.area(shapely.intersection(cells, shape)) > 1e-6
    assert not (mixed & ~mask).any()


def test_mixed_cells_do_not_tilt_the_strip() -> None:
    """Where cells are averages of ground and of a floor 0.4 m above it, every face still reads 2.0 %."""
    perimeter = houses(shapely.affinity.rotate(box(0, 0, 8, 6), 25))
    raster = ground(lambda x, y: 100 + 0.02 * y)
    x, y = raster.centres()
    grid_x, grid_y = np.meshgrid(x, y)
    cells = shapely.box(grid_x - 0.25, grid_y - 0.25, grid_x + 0.25, grid_y + 0.25)
    share = shapely.area(shapely.intersection(cells, perimeter.footprints.geometry.iloc[0])) / 0.25
    raster.z[:] += 0.4 * share
    stations = perimeter.stations()
    falls, _ = fit_strips(raster, stations, perimeter.footprints, ref=REF)
    known = falls["fall_percent"].notna().to_numpy()
    assert known.mean() > 0.9
    expected = 2.0 * stations["normal_n"].to_numpy()
    assert falls["fall_percent"].to_numpy()[known] == pytest.approx(expected[known], abs=1e-6)


def test_ground_behind_another_building_is_another_yard() -> None:
    """A strip stops at the house opposite: the ground behind it, 2 m lower, is not fitted with this side's."""
    perimeter = houses(box(0, 0, 8, 6), box(-3, 8.5, 11, 9.5))
    raster = ground(lambda x, y: np.where(y > 9, 98.0, 100 + 0.03 * (y - 6)), 0.25, 0.002)
    stations = perimeter.stations()
    falls, _ = fit_strips(raster, stations, perimeter.footprints, ref=REF)
    behind = (stations["normal_n"] > 0.5).to_numpy()
    assert falls["fall_percent"].to_numpy()[behind] == pytest.approx(3.0, abs=1e-6)
    assert (falls["verdict"].to_numpy()[behind] == "toward").all()


def test_what_stands_on_the_ground_is_left_out() -> None:
    """A hedge in the surface model 0.8 m over the ground model is no ground; without it the fall is spoilt."""
    perimeter = houses(box(0, 0, 8, 6))
    raster = ground(lambda x, y: 100 - 0.03 * (y - 6))
    x, y = raster.centres()
    hedge = (np.abs(y - N - 8.5) < 0.6)[:, None] & (np.abs(x - E - 4) < 3)[None, :]
    raster.z[hedge] += 0.2
    surface = Raster(
        **{name: getattr(raster, name) for name in Raster.__slots__} | {"z": raster.z + 0.8 * hedge}
    )
    found = [
        examine(perimeter, raster, surface=surface),
        examine(perimeter, raster, surface=None),
    ]
    behind = (perimeter.stations()["face"] == "F2").to_numpy()
    clean, spoilt = (
        report.falls.query("evidence == 'raster'")["fall_percent"].to_numpy()[behind] for report in found
    )
    assert clean == pytest.approx(-3.0, abs=1e-6)
    assert np.abs(spoilt + 3.0).max() > 0.3


def test_a_surface_model_on_other_cells_is_not_guessed_at() -> None:
    """A surface model that does not lie cell on cell is left aside, and the note says so."""
    perimeter = houses(box(0, 0, 8, 6))
    raster, other = ground(lambda x, y: 100 + 0 * x), ground(lambda x, y: 101 + 0 * x, 0.25)
    report = examine(perimeter, raster, surface=other)
    assert any("on other cells" in note for note in report.notes)


def test_rough_ground_is_no_surer_than_it_is_even() -> None:
    """Where cells scatter 80 mm about the plane a stated 10 mm is not believed."""
    random = np.random.default_rng(2)
    raster = ground(lambda x, y: 100 + random.normal(0, 0.08, x.shape))
    nothing = np.zeros(raster.z.shape, dtype=bool)
    fit = fit_planes(
        raster,
        nothing,
        np.array([[E, N]]),
        np.array([[0.0, 1.0]]),
        np.array([2.0]),
        near_m=0.0,
        far_m=4.0,
        correlation_m=3.0,
    )
    assert fit.spread_m[0] == pytest.approx(0.08, rel=0.25)
    assert fall_sigma(fit, 0.01)[0] == pytest.approx(fall_sigma(fit, fit.spread_m[0])[0])
    assert fall_sigma(fit, 0.2)[0] == pytest.approx(0.2 / (np.sqrt(fit.n_eff[0]) * fit.sd_d_m[0]))


@pytest.mark.parametrize(
    ("fall", "sigma", "verdict"),
    [
        (0.45, 0.02, "level"),
        (0.45, 0.15, "not known"),
        (0.45, 0.50, "not known"),
        (0.60, 0.02, "toward"),
        (0.60, 0.30, "toward"),
        (0.60, 0.32, "not known"),
        (-0.60, 0.30, "away"),
        (-0.45, 0.10, "not known"),
        (0.0, 0.25, "level"),
        (0.0, 0.26, "not known"),
    ],
)
def test_the_word_for_a_fall(fall: float, sigma: float, verdict: str) -> None:
    """0.5 % either way is level; a fall that may be that or more is not known, however surely it is not nothing."""
    stations = houses(box(0, 0, 8, 6)).stations().iloc[:1]
    row = falls_table(
        stations,
        evidence="levels",
        fall=np.array([fall / 100]),
        sigma=np.array([sigma / 100]),
        along=np.array([0.0]),
        n=2,
        n_eff=2.0,
        distances=2,
        missing=[""],
        what="levels",
        ref=REF,
    ).iloc[0]
    assert row["verdict"] == verdict
    assert bool(row["settle"]) == (verdict == "not known")
    assert row["because"]


def test_a_party_wall_has_no_fall() -> None:
    """Where the next house is built on there is no outside: party, with no number."""
    perimeter = houses(box(0, 0, 8, 6), box(8, 0, 16, 6))
    stations = perimeter.stations()
    falls, _ = fit_strips(ground(lambda x, y: 100 + 0.05 * x), stations, perimeter.footprints, ref=REF)
    party = (~stations["outside"]).to_numpy()
    assert party.sum() == 6
    assert (falls["verdict"][party] == "party").all()
    assert falls["fall_percent"][party].isna().all()


def test_too_few_cells_say_how_many() -> None:
    """In a passage 1 m wide cells of 0.5 m leave too few clean ones: not known, with the number."""
    perimeter = houses(box(0, 0, 8, 6), box(9, 0, 16, 6))
    stations = perimeter.stations()
    falls, _ = fit_strips(ground(lambda x, y: 100 + 0.05 * x), stations, perimeter.footprints, ref=REF)
    passage = (stations["normal_e"] > 0.5).to_numpy()
    middle = np.abs(stations["y"].to_numpy() - N - 3) < 2
    assert (falls["verdict"][passage & middle] == "not known").all()
    assert falls["because"][passage & middle].str.contains("needed").all()


def examine(perimeter: Perimeter, raster: Raster, *, surface: Raster | None) -> Any:
    """Return the whole report of a house without levels."""
    levels = {"ring_key": "", "face": "", "patch_id": "", "hardness": "hard"}
    numbers = ("chainage_m", "offset_m", "x", "y", "level_m", "sigma_m")
    table = pd.DataFrame({**levels, **dict.fromkeys(numbers, 0.0)}, index=["L1"]).iloc[:0]
    dpc = pd.DataFrame({name: [] for name in ("ring_key", "chainage_m", "level_m", "sigma_m", "state")})
    gullies = pd.DataFrame({"x": [], "y": [], "works": []}).astype({"works": bool})
    return examine_ground(
        perimeter.stations(),
        perimeter.footprints,
        perimeter.rings["length_m"],
        levels=table,
        dpc=dpc,
        gullies=gullies,
        raster=raster,
        surface=surface,
        ref=REF,
    )
