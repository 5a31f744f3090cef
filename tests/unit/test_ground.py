"""Falls, clearance, pools and what drains to the wall, on ground whose answer is known beforehand."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from geo import reference
from geo.ground.clearance import clearance_along
from geo.ground.flood import flood
from geo.ground.model import examine_ground, tie_raster
from geo.ground.ponds import ponds_against_walls
from geo.ground.raster import Raster
from geo.ground.spots import fit_levels
from geo.ground.strips import building_mask, fall_sigma, fit_planes, fit_strips
from geo.ground.uphill import ends_of, receivers, uphill_area
from geo.perimeter.build import Perimeter, build_perimeter

REF = reference.default()
GRID = CRS.from_epsg(27700)
E, N = 412300.0, 287600.0


def house(turn_deg: float = 0.0) -> Perimeter:
    """Return an 8 x 6 m house in open ground, turned about its south-west corner."""
    polygon = shapely.affinity.rotate(shapely.box(E, N, E + 8, N + 6), turn_deg, origin=(E, N))
    table = gpd.GeoDataFrame({"role": ["subject"]}, geometry=[polygon], crs=GRID, index=["B1"])
    columns = ("origin_e", "origin_n", "front_bearing_deg", "wall_thickness_m", "wall_thickness_sigma_m")
    return build_perimeter(table.assign(**dict.fromkeys(columns, np.nan)), ref=REF)


def ground(z: Any, cell: float = 0.25, size: float = 40.0, sigma: float = 0.01) -> Raster:
    """Return a raster of ``z(x, y)`` from the house's south-west corner."""
    count = int(size / cell)
    x = (np.arange(count) + 0.5) * cell - size / 2 + 4
    grid_x, grid_y = np.meshgrid(x, x[::-1])
    heights = np.asarray(z(grid_x, grid_y), dtype=np.float64) + np.zeros_like(grid_x)
    transform = Affine(cell, 0, E - size / 2 + 4, 0, -cell, N + size / 2 + 4)
    return Raster(
        z=heights,
        transform=transform,
        crs=GRID,
        model="DTM",
        sigma_m=0.15,
        relative_sigma_m=sigma,
        stated=True,
    )


def empty_levels(**rows: Any) -> pd.DataFrame:
    """Return a table of ground levels."""
    columns = {"ring_key": "B1", "face": "F1", "chainage_m": 0.0, "offset_m": 0.0, "level_m": np.nan}
    columns |= {"sigma_m": 0.005, "patch_id": "", "hardness": "hard", "x": np.nan, "y": np.nan}
    count = len(next(iter(rows.values()))) if rows else 0
    names = [f"L{i}" for i in range(1, count + 1)]
    return pd.DataFrame({**columns, **rows}, index=names)


@pytest.mark.parametrize("turn", [0, 17, 45, 73])
@pytest.mark.parametrize("cell", [0.25, 0.5, 1.0])
def test_a_plane_gives_its_own_fall_at_every_face(turn: float, cell: float) -> None:
    """On a 2.0 % plane falling east each face reads the plane's slope along its own normal.

    General slope tools are blank or half as steep in the cells beside a masked house; the strip is not.
    """
    perimeter = house(turn)
    falls, _ = fit_strips(
        ground(lambda x, y: 100 - 0.02 * x, cell), perimeter.stations(), perimeter.footprints, ref=REF
    )
    expected = -2.0 * perimeter.stations()["normal_e"].to_numpy()
    found = falls["fall_percent"].to_numpy()
    known = np.isfinite(found)
    assert known.mean() > 0.9
    assert found[known] == pytest.approx(expected[known], abs=1e-6)


def test_what_lies_under_the_building_does_not_count() -> None:
    """Heights under the house and mixed cells beside it may be anything."""
    perimeter = house()
    raster = ground(lambda x, y: 100 + 0.03 * y, 0.5)
    spoiled = raster.z.copy()
    spoiled[building_mask(raster, perimeter.footprints)] = 250.0
    kept, _ = fit_strips(raster, perimeter.stations(), perimeter.footprints, ref=REF)
    other = Raster(**{name: getattr(raster, name) for name in Raster.__slots__} | {"z": spoiled})
    again, _ = fit_strips(other, perimeter.stations(), perimeter.footprints, ref=REF)
    assert again["fall_percent"].to_numpy() == pytest.approx(kept["fall_percent"].to_numpy())


def test_a_metre_raster_cannot_resolve_two_per_cent() -> None:
    """32 cells of 1 m in a 4 x 8 m strip, 50 mm errors, 3 m of correlation: ±4.6 % (worked by hand).

    n_eff = 32/9 = 3.6, sd(d) = 1.118 m: 50/(√3.6 · 1.118) = 2.4 %; independent errors would give 0.79 %.
    """
    raster = ground(lambda x, y: 100 + 0.021 * x, cell=1.0, sigma=0.05)
    plan = {"foot": np.array([[E, N]]), "normal": np.array([[1.0, 0.0]]), "half_m": np.array([4.0])}
    nothing = np.zeros(raster.z.shape, dtype=bool)
    fit = fit_planes(raster, nothing, **plan, near_m=0.0, far_m=4.0, correlation_m=3.0)
    assert fit.n[0] == 32
    assert fit.sd_d_m[0] == pytest.approx(1.118, abs=5e-4)
    assert fit.n_eff[0] == pytest.approx(3.56, abs=0.01)
    assert 100 * fall_sigma(fit, 0.05)[0] == pytest.approx(2.37, abs=0.01)
    loose = fit_planes(raster, nothing, **plan, near_m=0.0, far_m=4.0, correlation_m=0.01)
    assert 100 * fall_sigma(loose, 0.05)[0] == pytest.approx(0.79, abs=0.005)


def test_a_metre_raster_says_not_known_with_the_way_out() -> None:
    """A 2.1 % fall in a 1 m DTM with 50 mm errors is not known, and two levels would settle it."""
    perimeter = house()
    falls, _ = fit_strips(
        ground(lambda x, y: 100 - 0.021 * x, 1.0, sigma=0.05),
        perimeter.stations(),
        perimeter.footprints,
        ref=REF,
    )
    assert set(falls["verdict"]) == {"not known"}
    assert falls["because"].str.contains("cannot resolve a fall").any()
    assert falls["settle"].str.startswith("two levels at chainage").all()


def test_three_levels_across_paving() -> None:
    """9.742, 9.771, 9.795 at 0, 1, 2 m, σ 5 mm: 2.65 % ± 0.69 % toward the wall (worked by hand)."""
    levels = empty_levels(chainage_m=[2.5] * 3, offset_m=[0.0, 1.0, 2.0], level_m=[9.742, 9.771, 9.795])
    falls = fit_levels(house().stations(), levels, ref=REF)
    here = falls[falls["station_id"] == "B1@2.00"].iloc[0]
    assert here["fall_percent"] == pytest.approx(2.65, abs=0.005)
    assert here["high_percent"] - here["fall_percent"] == pytest.approx(0.69, abs=0.005)
    assert here["verdict"] == "toward"
    assert here["rests_on"] == ("L1", "L2", "L3")


def test_six_pairs_of_levels() -> None:
    """Six pairs 1.4 m apart, σ 5 mm: +1.97 % ± 0.40 % (instrument), whatever the wall's own fall."""
    slopes = [1.7, 2.2, 1.9, 2.4, 1.5, 2.1]
    spots = np.repeat(np.linspace(1.2, 3.7, 6), 2)
    base = np.repeat([9.70, 9.72, 9.69, 9.75, 9.71, 9.73], 2)
    rise = np.ravel([[0.0, slope * 0.014] for slope in slopes])
    levels = empty_levels(chainage_m=spots, offset_m=[0.0, 1.4] * 6, level_m=base + rise)
    here = fit_levels(house().stations(), levels, ref=REF).query("station_id == 'B1@2.00'").iloc[0]
    assert here["n"] == 12
    assert here["fall_percent"] == pytest.approx(1.97, abs=0.005)
    assert here["high_percent"] - here["fall_percent"] == pytest.approx(0.40, abs=0.005)


def test_levels_of_two_surfaces_are_not_fitted_together() -> None:
    """Beyond the edge of the paving the lawn is another patch: only one of them is used."""
    levels = empty_levels(
        chainage_m=[2.5] * 4,
        offset_m=[0.0, 1.0, 1.2, 1.9],
        level_m=[9.70, 9.71, 9.90, 9.95],
        patch_id=["paving", "paving", "lawn", "lawn"],
    )
    here = fit_levels(house().stations(), levels, ref=REF).query("station_id == 'B1@2.00'").iloc[0]
    assert here["fall_percent"] == pytest.approx(1.0)


COURSE = {"ring_key": "B1", "sigma_m": 0.005, "state": "continuous"}


def course(*points: tuple[float, float]) -> pd.DataFrame:
    """Return points of a damp proof course."""
    s, z = zip(*points, strict=True)
    return pd.DataFrame({**COURSE, "chainage_m": s, "level_m": z}, index=[f"D{i}" for i in range(len(s))])


def clearances(levels: pd.DataFrame, dpc: pd.DataFrame, **more: Any) -> pd.DataFrame:
    """Return the clearance table of the house, indexed by station."""
    perimeter = house()
    found = clearance_along(perimeter.stations(), levels, dpc, perimeter.rings["length_m"], ref=REF, **more)
    return found.set_index("station_id")


def test_clearance_with_its_range() -> None:
    """9.930 less 9.742, σ 5 mm each, is 188 ± 14 mm: clear of 150 by 38 mm (worked by hand)."""
    levels = empty_levels(chainage_m=[2.0, 3.0], level_m=[9.742, 9.742], sigma_m=0.005)
    here = clearances(levels, course((0, 9.930), (28, 9.930))).loc["B1@2.00"]
    assert here["clearance_mm"] == pytest.approx(188)
    assert here["verdict"] == "clear"
    assert here["low_mm"] == pytest.approx(188 - 1.96 * np.hypot(5, 5 / np.sqrt(2)), abs=0.1)
    assert here["rests_on"] == ("L1", "L2", "D0", "D1")


@pytest.mark.parametrize(
    ("clear_mm", "verdict"), [(120, "short"), (145, "not known"), (158, "not known"), (190, "clear")]
)
def test_the_rule_is_answered_with_a_margin(clear_mm: float, verdict: str) -> None:
    """Within 1.96 σ of 150 mm the answer is not known."""
    levels = empty_levels(chainage_m=[2.5], level_m=[9.900 - clear_mm / 1000])
    assert clearances(levels, course((0, 9.900), (28, 9.900))).loc["B1@2.00", "verdict"] == verdict


def test_the_lower_course_counts_at_a_step() -> None:
    """A piece of wall in which the course steps from 10.050 to 9.900 is judged by 9.900."""
    levels = empty_levels(chainage_m=[2.2, 2.8], level_m=[9.700, 9.700])
    here = clearances(levels, course((0, 10.050), (2.5, 10.050), (2.5, 9.900), (28, 9.900))).loc["B1@2.00"]
    assert here["clearance_mm"] == pytest.approx(200)
    assert "step" in here["because"]


def test_what_is_missing_is_named() -> None:
    """Without a level on the course or at the wall the sentence says which, and where to shoot it."""
    levels = empty_levels(chainage_m=[2.5], level_m=[9.7])
    found = clearances(levels, course((0, 9.9), (4, 9.9)))
    assert (
        "no level on the damp proof course between chainage 10.0 and 11.0" in found.loc["B1@10.00", "because"]
    )
    assert "at the wall" in found.loc["B1@0.00", "because"]
    assert found.loc["B1@10.00", "settle"]


def test_a_raster_never_decides_the_rule() -> None:
    """Even 1 m of clearance from a raster is not known: it is shown with its range, and levels settle it."""
    heights = np.full(28, 8.9)
    found = clearances(empty_levels(), course((0, 9.9), (28, 9.9)), raster_ground=(heights, 0.02))
    assert set(found["verdict"]) == {"not known"}
    assert found["clearance_mm"].iloc[0] == pytest.approx(1000)


def test_water_stands_to_the_lip_of_a_hollow() -> None:
    """A flat hollow 60 mm below level ground holds 60 mm, over its own area, against the wall."""
    perimeter = house()
    gullies = pd.DataFrame({"x": [E + 4.0], "y": [N + 7.0], "works": [True]})
    ponds = ponds_against_walls(
        ground(lambda x, y: np.where((np.abs(x - 4) < 1.5) & (y > 6) & (y < 8), 99.90, 99.96)),
        perimeter.stations(),
        perimeter.footprints,
        gullies,
        ref=REF,
    )
    assert list(ponds["gullies"]) == ["none working"]
    pool = ponds.iloc[0]
    assert pool["depth_max_m"] == pytest.approx(0.06)
    assert pool["area_m2"] == pytest.approx(6.0, abs=0.3)
    assert pool["volume_l"] == pytest.approx(360, abs=18)
    assert pool["at_wall"]
    assert pool["chainage_from_m"] == pytest.approx(8.0, abs=1.01)
    assert pool["chainage_to_m"] == pytest.approx(12.0, abs=1.01)


def test_a_courtyard_without_a_way_out_is_never_dry() -> None:
    """Shut in on all sides, water rises to the lowest threshold; with no threshold levelled it is not known."""
    outline = shapely.box(E - 4, N - 4, E + 14, N + 12).difference(shapely.box(E, N, E + 8, N + 6))
    table = gpd.GeoDataFrame({"role": ["subject"]}, geometry=[outline], crs=GRID, index=["B1"])
    columns = ("origin_e", "origin_n", "front_bearing_deg", "wall_thickness_m", "wall_thickness_sigma_m")
    perimeter = build_perimeter(table.assign(**dict.fromkeys(columns, np.nan)), ref=REF)
    nothing = pd.DataFrame({"x": [], "y": [], "works": []}).astype({"works": bool})
    plan = (
        ground(lambda x, y: 100 + 0 * x, sigma=0.005),
        perimeter.stations(),
        perimeter.footprints,
        nothing,
    )
    shut = ponds_against_walls(*plan, ref=REF)
    assert list(shut["verdict"]) == ["not known"]
    assert "shut in" in shut["because"].iloc[0]
    door = {"x": [E + 4.0], "y": [N], "normal_e": [0.0], "normal_n": [1.0], "level_m": [100.15]}
    pool = ponds_against_walls(*plan, ref=REF, ways_in=pd.DataFrame(door, index=["O1"])).iloc[0]
    assert pool["level_m"] == pytest.approx(100.15)
    assert pool["volume_l"] == pytest.approx(8 * 6 * 150, rel=0.01)
    assert "O1" in pool["because"]


def test_a_pool_no_deeper_than_the_error_is_not_known() -> None:
    """60 mm in a raster good to 50 mm is what error alone makes somewhere along the wall."""
    perimeter = house()
    raster = ground(
        lambda x, y: np.where((np.abs(x - 4) < 1.5) & (y > 6) & (y < 8), 99.90, 99.96), sigma=0.05
    )
    nothing = pd.DataFrame({"x": [], "y": [], "works": []}).astype({"works": bool})
    ponds = ponds_against_walls(raster, perimeter.stations(), perimeter.footprints, nothing, ref=REF)
    assert set(ponds["verdict"]) == {"not known"}


@given(st.integers(0, 2**31), st.integers(4, 14))
@settings(max_examples=25, deadline=None)
def test_the_flood_is_a_priority_flood(seed: int, size: int) -> None:
    """On any rough ground the filled surface is that of a textbook priority flood (Barnes 2014)."""
    import heapq

    z = np.random.default_rng(seed).integers(0, 6, (size, size)).astype(np.float64)
    raster = ground(lambda x, y: 0 * x)
    nothing = np.zeros_like(z, dtype=bool)
    plain = Raster(**{name: getattr(raster, name) for name in Raster.__slots__} | {"z": z})
    filled = z + flood(plain, nothing, nothing).depth_m
    expected = np.full_like(z, np.inf)
    heap = [
        (z[i, j], i, j) for i in range(size) for j in range(size) if i in (0, size - 1) or j in (0, size - 1)
    ]
    for height, i, j in heap:
        expected[i, j] = height
    heapq.heapify(heap)
    while heap:
        height, i, j = heapq.heappop(heap)
        for di in (-1, 0, 1):
            for dj in (-1, 0, 1):
                a, b = i + di, j + dj
                if 0 <= a < size and 0 <= b < size and np.isinf(expected[a, b]):
                    expected[a, b] = max(height, z[a, b])
                    heapq.heappush(heap, (expected[a, b], a, b))
    assert np.array_equal(filled, expected)


def test_a_plane_drains_to_the_wall_it_falls_to() -> None:
    """On ground falling east, the west wall takes the ground west of it, the east wall only its own cells.

    The raster ends 16 m west of the wall, and the west face is 6 m long: 96 m², at least that much.
    """
    perimeter = house()
    stations = perimeter.stations()
    area = uphill_area(ground(lambda x, y: 100 - 0.02 * x), stations, perimeter.footprints)
    by_face = area.groupby(stations["face"])["area_m2"].sum()
    assert by_face["F1"] == pytest.approx(16 * 6, rel=0.06)
    assert by_face["F3"] == pytest.approx(6 * 0.25)
    assert area["reaches_raster_edge"][stations["face"] == "F1"].all()


@given(st.integers(0, 2**31))
@settings(max_examples=20, deadline=None)
def test_no_water_is_lost(seed: int) -> None:
    """Every cell's water ends somewhere lower or level, and following it twice changes nothing."""
    random = np.random.default_rng(seed)
    rough = random.normal(size=(20, 20)).cumsum(axis=0)
    raster = ground(lambda x, y: 0 * x)
    nothing = np.zeros(rough.shape, dtype=bool)
    plain = Raster(**{name: getattr(raster, name) for name in Raster.__slots__} | {"z": rough})
    filled = flood(plain, nothing, nothing).surface_m
    to = receivers(filled, nothing)
    end = ends_of(to)
    assert (filled.ravel()[to] <= filled.ravel() + 1e-9).all()
    rows, columns = np.divmod(end, 20)
    assert (np.isin(rows, (0, 19)) | np.isin(columns, (0, 19))).all()


def test_a_tie_that_scatters_is_not_used() -> None:
    """Three hard points 10 mm apart tie the raster; one 300 mm off does not."""
    raster = ground(lambda x, y: 100 + 0 * x, 0.5)
    spots = {"x": [E - 3, E - 4, E - 5], "y": [N] * 3, "offset_m": [3.0, 4.0, 5.0], "chainage_m": [0.0] * 3}
    good = tie_raster(raster, house().stations(), empty_levels(level_m=[9.99, 10.0, 10.01], **spots), ref=REF)
    bad = tie_raster(raster, house().stations(), empty_levels(level_m=[9.99, 10.0, 10.3], **spots), ref=REF)
    assert good.used
    assert good.offset_m == pytest.approx(90.0)
    assert not bad.used


@given(st.floats(1.0, 8.0))
@settings(max_examples=15, deadline=None)
def test_a_larger_error_only_moves_to_not_known(factor: float) -> None:
    """Raising a raster's error never turns one known fall into another."""
    perimeter = house()
    z = lambda x, y: 100 - 0.03 * x + 0.01 * y
    before, _ = fit_strips(ground(z, 0.5), perimeter.stations(), perimeter.footprints, ref=REF)
    after, _ = fit_strips(
        ground(z, 0.5, sigma=0.01 * factor), perimeter.stations(), perimeter.footprints, ref=REF
    )
    same = (after["verdict"] == before["verdict"]) | (after["verdict"] == "not known")
    assert same.all()


def test_the_datum_does_not_matter() -> None:
    """Lifting raster, levels and course by 10 m changes no answer."""
    perimeter = house()
    levels = empty_levels(
        chainage_m=[2.0, 3.0, 2.0, 3.0], offset_m=[0, 0, 1.5, 1.5], level_m=[9.7, 9.7, 9.72, 9.72]
    )
    dpc = course((0, 9.9), (28, 9.9))
    nothing = pd.DataFrame({"x": [], "y": [], "works": []}).astype({"works": bool})
    reports = [
        examine_ground(
            perimeter.stations(),
            perimeter.footprints,
            perimeter.rings["length_m"],
            levels=levels.assign(level_m=levels["level_m"] + lift),
            dpc=dpc.assign(level_m=dpc["level_m"] + lift),
            gullies=nothing,
            raster=ground(lambda x, y, lift=lift: 10 + lift - 0.03 * x),
            ref=REF,
        )
        for lift in (0.0, 10.0)
    ]
    for name in ("falls", "clearance"):
        first, second = (getattr(report, name)["verdict"] for report in reports)
        assert list(first) == list(second)
