"""What holds on any ground: moving, lifting or doubting a site never turns one answer into another."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from pyproj import CRS

from geo import reference
from geo.ground.clearance import chance_short, clearance_along
from geo.ground.flood import drain, flood
from geo.ground.ponds import ponds_against_walls
from geo.ground.raster import Raster
from geo.ground.spots import fit_levels
from geo.ground.strips import covered, fall_sigma, fit_planes, fit_strips
from geo.ground.uphill import STEPS, ends_of, receivers, uphill_area
from geo.perimeter.build import Perimeter, build_perimeter

REF = reference.default()
GRID = CRS.from_epsg(27700)
E, N = 412300.0, 287600.0
NO_GULLIES = pd.DataFrame({"x": [], "y": [], "works": []}).astype({"works": bool})
seeds = st.integers(0, 2**31)
few = settings(max_examples=25, deadline=None)


@lru_cache(64)
def house(turn_deg: float = 0.0, east_m: float = 0.0, north_m: float = 0.0) -> Perimeter:
    """Return an L-shaped house, turned and moved."""
    corners = [(0, 0), (8, 0), (8, 4), (5, 4), (5, 7), (0, 7)]
    shape = shapely.affinity.rotate(shapely.Polygon(corners), turn_deg, origin=(0, 0))
    shape = shapely.affinity.translate(shape, E + east_m, N + north_m)
    origin = shapely.get_coordinates(shape)[0]
    table = gpd.GeoDataFrame(
        {"role": ["subject"], "origin_e": [origin[0]], "origin_n": [origin[1]]},
        geometry=[shape],
        crs=GRID,
        index=["B1"],
    )
    return build_perimeter(table, ref=REF)


@lru_cache(1)
def first_station() -> gpd.GeoDataFrame:
    """Return the first piece of wall."""
    return house().stations().iloc[:1]


def raster_of(z: Any, cell: float = 0.5, sigma: float = 0.01, west: float = E, north: float = N) -> Raster:
    """Return heights whose top left corner is given."""
    return Raster(
        z=np.asarray(z, dtype=np.float64),
        transform=Affine(cell, 0, west, 0, -cell, north),
        crs=GRID,
        model="DTM",
        sigma_m=0.15,
        relative_sigma_m=sigma,
        stated=True,
    )


def plane(east: float, north: float, cell: float = 0.5, sigma: float = 0.01) -> Raster:
    """Return 40 x 40 m of a plane about the house."""
    count = int(40 / cell)
    x = (np.arange(count) + 0.5) * cell - 20
    z = 80 + east * x[None, :] + north * x[::-1, None]
    return raster_of(z, cell, sigma, E - 20, N + 20)


def rough(seed: int, rows: int = 24, columns: int = 30) -> NDArray[np.float64]:
    """Return rough ground with level places and hollows."""
    random = np.random.default_rng(seed)
    return np.round(random.normal(0, 0.05, (rows, columns)).cumsum(axis=0) + 20, 2)


@given(
    turn=st.floats(0, 360),
    east=st.floats(-1, 1),
    north=st.floats(-1, 1),
    fall=st.floats(-0.08, 0.08),
    cell=st.sampled_from([0.25, 0.5, 1.0]),
)
@few
def test_turning_house_and_plane_together_changes_no_fall(
    turn: float, east: float, north: float, fall: float, cell: float
) -> None:
    """However house and plane are turned and moved over the cells, each face keeps its fall."""
    angle = math.radians(turn)
    still, moved = house(), house(turn, east, north)
    tilted = plane(fall * math.cos(angle), fall * math.sin(angle), cell)
    before, _ = fit_strips(plane(fall, 0.0, cell), still.stations(), still.footprints, ref=REF)
    after, _ = fit_strips(tilted, moved.stations(), moved.footprints, ref=REF)
    first, second = before["fall_percent"].to_numpy(), after["fall_percent"].to_numpy()
    both = np.isfinite(first) & np.isfinite(second)
    assert both.mean() > 0.6
    assert second[both] == pytest.approx(first[both], abs=1e-6)


@given(seed=seeds, lift=st.floats(-50, 200))
@few
def test_lifting_the_datum_changes_no_answer(seed: int, lift: float) -> None:
    """Raster falls, pools and what drains to each wall are the same above any datum."""
    perimeter = house()
    stations = perimeter.stations()
    z = np.random.default_rng(seed).normal(0, 0.03, (80, 80))
    low, high = (
        raster_of(z + 10, west=E - 20, north=N + 20),
        raster_of(z + 10 + lift, west=E - 20, north=N + 20),
    )
    first, _ = fit_strips(low, stations, perimeter.footprints, ref=REF)
    second, _ = fit_strips(high, stations, perimeter.footprints, ref=REF)
    assert second["fall_percent"].to_numpy() == pytest.approx(
        first["fall_percent"].to_numpy(), nan_ok=True, abs=1e-7
    )
    ponds = [
        ponds_against_walls(raster, stations, perimeter.footprints, NO_GULLIES, ref=REF)
        for raster in (low, high)
    ]
    assert len(ponds[0]) == len(ponds[1])
    assert ponds[1]["level_m"].to_numpy() == pytest.approx(ponds[0]["level_m"].to_numpy() + lift)
    assert list(ponds[1]["verdict"]) == list(ponds[0]["verdict"])


@given(seed=seeds, factor=st.floats(1.0, 30.0))
@few
def test_more_doubt_only_takes_answers_away(seed: int, factor: float) -> None:
    """Larger sigmas turn a known fall or clearance into "not known", never into another answer."""
    random = np.random.default_rng(seed)
    perimeter = house(float(random.uniform(0, 360)))
    stations = perimeter.stations()
    sharp = plane(*random.normal(0, 0.01, 2), sigma=0.002)
    vague = replace(sharp, relative_sigma_m=sharp.relative_sigma_m * factor)
    pairs = [
        tuple(
            fit_strips(raster, stations, perimeter.footprints, ref=REF)[0]["verdict"]
            for raster in (sharp, vague)
        )
    ]
    at = np.repeat(stations["chainage_m"].to_numpy(), 2)
    levels = pd.DataFrame(
        {
            "ring_key": "B1",
            "face": np.repeat(stations["face"].to_numpy(), 2),
            "chainage_m": at,
            "offset_m": np.tile([0.05, 1.5], len(stations)),
            "level_m": random.normal(9.8, 0.02, len(at)),
            "sigma_m": 0.002,
            "patch_id": "",
        },
        index=[f"L{i}" for i in range(len(at))],
    )
    doubted = levels.assign(sigma_m=levels["sigma_m"] * factor)
    pairs.append(tuple(fit_levels(stations, table, ref=REF)["verdict"] for table in (levels, doubted)))
    dpc = pd.DataFrame(
        {
            "ring_key": "B1",
            "chainage_m": [0.0, 30.0],
            "level_m": 9.95,
            "sigma_m": 0.002,
            "state": "continuous",
        },
        index=["D1", "D2"],
    )
    lengths = perimeter.rings["length_m"]
    pairs.append(
        (
            clearance_along(stations, levels, dpc, lengths, ref=REF)["verdict"],
            clearance_along(stations, doubted, dpc, lengths, ref=REF)["verdict"],
        )
    )
    for known, doubt in pairs:
        assert ((doubt == known) | (doubt == "not known")).all()


@given(fall=st.floats(-2, 2), sigma=st.floats(0.005, 1.0))
def test_a_fall_has_one_word(fall: float, sigma: float) -> None:
    """A pair of levels says toward only of a fall that is surely positive, and level only within the limit."""
    apart = 1.5
    one = math.sqrt(2) * 1.96
    levels = pd.DataFrame(
        {
            "ring_key": "B1", "face": "F1", "chainage_m": 0.5, "offset_m": [0.0, apart],
            "level_m": [10.0, 10.0 + fall / 100 * apart], "sigma_m": sigma / 100, "patch_id": "",
        },
        index=["L1", "L2"],
    )  # fmt: skip
    row = fit_levels(first_station(), levels, ref=REF).iloc[0]
    band = one * sigma / apart
    flat = REF.value("ground.fall_level_percent")
    word = row["verdict"]
    assert word in ("toward", "away", "level", "not known")
    if word == "toward":
        assert fall > band
    if word == "away":
        assert fall < -band
    if word == "level":
        assert abs(fall) + band <= flat + 1e-9
    if word == "not known":
        assert row["because"]
        assert row["settle"]


@given(correlation=st.floats(0.3, 8.0), noise=st.floats(0.001, 0.2), cell=st.sampled_from([0.25, 0.5, 1.0]))
@few
def test_cells_are_never_worth_more_than_their_number(correlation: float, noise: float, cell: float) -> None:
    """Correlated errors only widen the sigma: it lies between all cells independent and all one."""
    raster = plane(0.02, 0.01, cell)
    nothing = np.zeros(raster.z.shape, dtype=bool)
    where = {"foot": np.array([[E, N]]), "normal": np.array([[0.6, 0.8]]), "half_m": np.array([2.0])}
    fit = fit_planes(raster, nothing, **where, near_m=0.0, far_m=4.0, correlation_m=correlation)
    sigma = fall_sigma(fit, noise)[0]
    assert noise / (math.sqrt(fit.n[0]) * fit.sd_d_m[0]) <= sigma * (1 + 1e-9)
    assert sigma <= noise / fit.sd_d_m[0] * (1 + 1e-9)


@given(seed=seeds)
@few
def test_a_strip_is_the_least_squares_plane(seed: int) -> None:
    """On rough ground a strip's fall is that of numpy's least squares over the same cells."""
    random = np.random.default_rng(seed)
    raster = raster_of(random.normal(60, 0.05, (60, 60)), west=E - 15, north=N + 15)
    turn = random.uniform(0, 2 * math.pi)
    normal = np.array([math.sin(turn), math.cos(turn)])
    mask = random.random((60, 60)) < 0.3
    fit = fit_planes(
        raster,
        mask,
        np.array([[E, N]]),
        normal[None],
        np.array([2.0]),
        near_m=0.0,
        far_m=4.0,
        correlation_m=3.0,
    )
    x, y = raster.centres()
    grid_x, grid_y = np.meshgrid(x - E, y - N)
    d, s = grid_x * normal[0] + grid_y * normal[1], grid_y * normal[0] - grid_x * normal[1]
    inside = (d >= 0) & (d <= 4) & (np.abs(s) <= 2) & ~mask
    design = np.column_stack([np.ones(inside.sum()), d[inside], s[inside]])
    (level, fall, along), residual, *_ = np.linalg.lstsq(design, raster.z[inside], rcond=None)
    assert fit.n[0] == inside.sum()
    assert fit.fall[0] == pytest.approx(fall, abs=1e-9)
    assert fit.along[0] == pytest.approx(along, abs=1e-9)
    assert fit.ground_m[0] == pytest.approx(level, abs=1e-9)
    assert fit.spread_m[0] == pytest.approx(math.sqrt(residual[0] / (inside.sum() - 3)))


@given(clear=st.floats(-100, 500), sigma=st.floats(0.5, 200))
def test_the_chance_is_the_normal_one(clear: float, sigma: float) -> None:
    """P(true < 150) is half of erfc((c - 150)/(σ√2))."""
    expected = 0.5 * math.erfc((clear - 150) / (sigma * math.sqrt(2)))
    assert chance_short(np.array([clear]), np.array([sigma]), 150.0)[0] == pytest.approx(expected, abs=1e-12)


@given(seed=seeds, holes=st.integers(0, 6))
@few
def test_draining_afterwards_is_flooding_with_drains(seed: int, holes: int) -> None:
    """Filling once and letting water out is the same surface, cell for cell, as filling with the drains open."""
    random = np.random.default_rng(seed)
    z = rough(seed)
    raster = raster_of(np.where(random.random(z.shape) < 0.02, np.nan, z))
    building = np.zeros(z.shape, dtype=bool)
    building[8:14, 10:18] = True
    building[10:12, 12:16] = False  # a courtyard, shut in
    spills = np.full(z.shape, np.inf)
    at = random.integers(0, z.size, holes)
    spills.ravel()[at] = np.where(
        random.random(holes) < 0.5, -np.inf, z.ravel()[at] + random.uniform(0, 0.1, holes)
    )
    nothing = np.zeros(z.shape, dtype=bool)
    once = flood(raster, building, nothing, spills)
    after = drain(flood(raster, building, nothing), raster, building, spills)
    assert np.array_equal(once.shut_in, after.shut_in)
    assert np.array_equal(once.surface_m, after.surface_m, equal_nan=True)
    assert once.depth_m == pytest.approx(after.depth_m, abs=1e-12)


@given(seed=seeds)
@few
def test_a_drain_never_raises_water(seed: int) -> None:
    """Opening a gully anywhere lowers water or leaves it; shutting it gives it back."""
    random = np.random.default_rng(seed)
    raster = raster_of(rough(seed))
    building = np.zeros(raster.z.shape, dtype=bool)
    building[8:14, 10:18] = True
    full = flood(raster, building, np.zeros_like(building))
    opened = flood(raster, building, random.random(raster.z.shape) < 0.03)
    assert (opened.depth_m <= full.depth_m + 1e-12).all()
    assert (full.surface_m[~building] >= raster.z[~building]).all()


@given(seed=seeds)
@few
def test_water_takes_the_steepest_way_down(seed: int) -> None:
    """Each cell's water goes to the steepest lower neighbour, or over level water towards its lip."""
    raster = raster_of(rough(seed))
    nothing = np.zeros(raster.z.shape, dtype=bool)
    surface = flood(raster, nothing, nothing).surface_m
    rows, columns = surface.shape
    to = receivers(surface, nothing)
    for row in range(1, rows - 1):
        for column in range(1, columns - 1):
            drops = {
                (row + dr) * columns + column + dc: (surface[row, column] - surface[row + dr, column + dc])
                / math.hypot(dr, dc)
                for dr, dc in STEPS
            }
            taken, best = int(to[row * columns + column]), max(drops.values())
            assert drops[taken] == best if best > 0 else drops[taken] == 0.0


@given(seed=seeds)
@few
def test_the_area_uphill_is_a_textbook_count(seed: int) -> None:
    """Following every drop cell by cell gives the same area for each wall cell as doubling the steps."""
    raster = raster_of(rough(seed))
    nothing = np.zeros(raster.z.shape, dtype=bool)
    stops = nothing.copy()
    stops[10:14, 12:18] = True
    surface = flood(raster, nothing, nothing).surface_m
    to = receivers(surface, stops)
    end = ends_of(to)
    for start in range(0, to.size, 7):
        cell, steps = start, 0
        while to[cell] != cell:
            cell, steps = int(to[cell]), steps + 1
            assert steps < to.size
        assert end[start] == cell


def test_accumulation_is_that_of_a_flow_library() -> None:
    """Counting how many cells pass each cell, our directions give pyflwdir's own upstream area."""
    pyflwdir = pytest.importorskip("pyflwdir")
    raster = raster_of(rough(3, 60, 70))
    nothing = np.zeros(raster.z.shape, dtype=bool)
    to = receivers(flood(raster, nothing, nothing).surface_m, nothing)
    rows, columns = raster.z.shape
    step = np.stack(np.divmod(to, columns)) - np.stack(np.divmod(np.arange(to.size), columns))
    code = {
        (0, 0): 0,
        (0, 1): 1,
        (1, 1): 2,
        (1, 0): 4,
        (1, -1): 8,
        (0, -1): 16,
        (-1, -1): 32,
        (-1, 0): 64,
        (-1, 1): 128,
    }
    d8 = np.array([code[int(dr), int(dc)] for dr, dc in step.T], dtype=np.uint8).reshape(rows, columns)
    theirs = pyflwdir.from_array(d8, ftype="d8", check_ftype=False).upstream_area("cell")
    passing = np.ones(to.size)
    where = np.arange(to.size)
    while True:
        onward = to[where]
        moved = onward != where
        if not moved.any():
            break
        np.add.at(passing, onward[moved], 1)
        where = np.where(moved, onward, to[onward])
    assert np.array_equal(passing.reshape(rows, columns), theirs)


@given(seed=seeds)
@few
def test_no_ground_is_counted_twice(seed: int) -> None:
    """The areas that drain to all walls together are no more than the open ground, no cell twice."""
    z = np.random.default_rng(seed).normal(0, 0.03, (80, 80)).cumsum(axis=1) + 20
    perimeter = house()
    raster = raster_of(z, west=E - 16, north=N + 22)
    area = uphill_area(raster, perimeter.stations(), perimeter.footprints)["area_m2"]
    under = covered(raster, perimeter.footprints.geometry).sum()
    assert 0 < area.sum() <= (raster.z.size - under) * 0.25
    assert (area >= 0).all()


@given(seed=seeds, order=st.randoms())
@few
def test_the_order_of_levels_does_not_matter(seed: int, order: Any) -> None:
    """Levels booked in any order give the same falls."""
    random = np.random.default_rng(seed)
    count = 20
    levels = pd.DataFrame(
        {
            "ring_key": "B1",
            "face": "F1",
            "chainage_m": random.uniform(0, 7, count),
            "offset_m": random.uniform(0, 2, count),
            "level_m": random.normal(9.8, 0.02, count),
            "sigma_m": 0.005,
            "patch_id": "",
        },
        index=[f"L{i}" for i in range(count)],
    )
    names = list(levels.index)
    order.shuffle(names)
    first = fit_levels(house().stations(), levels, ref=REF)
    second = fit_levels(house().stations(), levels.loc[names], ref=REF)
    for column in ("fall_percent", "sigma_percent"):
        assert second[column].to_numpy() == pytest.approx(first[column].to_numpy(), nan_ok=True)
    assert [set(names) for names in second["rests_on"]] == [set(names) for names in first["rests_on"]]
