"""Pools: on a raster or between levels, held back by kerbs, let out by gullies, and no surer than the levels."""

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
from geo.ground.flood import flood
from geo.ground.model import examine_ground
from geo.ground.ponds import ponds_against_walls, stand_kerbs
from geo.ground.pools import spilling_at
from geo.ground.raster import Raster
from geo.ground.spots import misfit_levels
from geo.ground.surface import surfaces_from_levels
from geo.perimeter.build import Perimeter, build_perimeter

REF = reference.default()
GRID = CRS.from_epsg(27700)
E, N = 412300.0, 287600.0
NO_GULLIES = pd.DataFrame({"x": [], "y": [], "works": []}).astype({"works": bool})


def house() -> Perimeter:
    """Return an 8 x 6 m house; its north wall is face F2, chainage 6 to 14 from west to east."""
    table = gpd.GeoDataFrame(
        {"role": ["subject"]}, geometry=[shapely.box(E, N, E + 8, N + 6)], crs=GRID, index=["B1"]
    )
    columns = ("origin_e", "origin_n", "front_bearing_deg", "wall_thickness_m", "wall_thickness_sigma_m")
    return build_perimeter(table.assign(**dict.fromkeys(columns, np.nan)), ref=REF)


def patio(levels: Any, sigma_m: float = 0.005, step_m: float = 2.0) -> pd.DataFrame:
    """Return levels behind the north wall: ``levels[row][column]`` 0.1, 1.0 and 2.0 m out, 2 m apart."""
    z = np.asarray(levels, dtype=np.float64)
    out = np.broadcast_to(np.array([0.1, 1.0, 2.0])[: len(z), None], z.shape).ravel()
    along = np.broadcast_to(1.0 + step_m * np.arange(z.shape[1]), z.shape).ravel()
    names = [f"L{i}" for i in range(1, z.size + 1)]
    table = {
        "ring_key": "B1",
        "face": "F2",
        "chainage_m": 6.0 + along,
        "offset_m": out,
        "x": E + along,
        "y": N + 6.0 + out,
        "level_m": z.ravel(),
        "sigma_m": sigma_m,
        "patch_id": "patio",
        "hardness": "hard",
    }
    return pd.DataFrame(table, index=names)


# A dip against the wall, 30 mm below the lip all round it.
DIP = [[9.800, 9.770, 9.770, 9.800], [9.800, 9.780, 9.780, 9.800], [9.800, 9.800, 9.800, 9.800]]


def pools_of(levels: pd.DataFrame, gullies: pd.DataFrame = NO_GULLIES, **more: Any) -> gpd.GeoDataFrame:
    """Return the pools of a house with levels and no raster."""
    perimeter = house()
    dpc = pd.DataFrame(
        {
            "ring_key": "B1",
            "chainage_m": [0.0, 28.0],
            "level_m": 10.0,
            "sigma_m": 0.005,
            "state": "continuous",
        }
    )
    return examine_ground(
        perimeter.stations(),
        perimeter.footprints,
        perimeter.rings["length_m"],
        levels=levels,
        dpc=dpc,
        gullies=gullies,
        raster=None,
        ref=REF,
        **more,
    ).ponds


def test_a_dip_between_levels_holds_water_to_its_lip() -> None:
    """Twelve levels on a patio whose lip stands 30 mm over the dip: 30 mm of water against the wall."""
    pool = pools_of(patio(DIP)).iloc[0]
    assert pool["evidence"] == "levels"
    assert pool["level_m"] == pytest.approx(9.800, abs=0.002)  # cells of 0.1 m see the lip half a cell short
    assert pool["depth_max_m"] == pytest.approx(0.030, abs=0.002)
    assert pool["depth_at_wall_m"] == pytest.approx(0.030, abs=0.002)
    assert pool["verdict"] == "ponds"
    assert pool["ring_key"] == "B1"
    assert pool["chainage_from_m"] == 7.0
    assert pool["chainage_to_m"] == 13.0


def test_the_depth_is_no_surer_than_two_levels() -> None:
    """A depth is one level less another, √2 σ: 30 mm is sure at σ 5 mm (13.9), not at σ 15 mm (41.6)."""
    sure, unsure = pools_of(patio(DIP)).iloc[0], pools_of(patio(DIP, sigma_m=0.015)).iloc[0]
    assert sure["depth_sigma_m"] == pytest.approx(0.00707, abs=1e-5)
    assert unsure["verdict"] == "not known"
    assert "error alone makes up to 42 mm" in unsure["because"]


def test_a_patio_that_falls_away_holds_nothing() -> None:
    """On an even fall away from the wall there is no pool at all."""
    assert pools_of(patio([[9.80] * 4, [9.78] * 4, [9.76] * 4])).empty


def test_a_pool_that_runs_off_where_the_levels_end_may_be_larger() -> None:
    """Where the lip is the last level shot the pool is said to be perhaps larger; within the levels it is not."""
    assert "may be larger" in pools_of(patio(DIP))["because"].iloc[0]
    ridge, dip, low = 9.810, 9.770, 9.780
    ringed = [[low, ridge, dip, dip, ridge, low], [low, ridge, 9.8, 9.8, ridge, low], [low] * 6]
    inner = pools_of(patio(ringed, step_m=1.2)).iloc[0]
    assert inner["level_m"] == pytest.approx(9.800, abs=0.002)
    assert "may be larger" not in inner["because"]


def test_a_rim_lets_water_out_at_its_own_level() -> None:
    """A working gully with its rim 15 mm over the bottom of the dip leaves 15 mm; blocked, it leaves 30 mm."""
    place = {"x": [E + 4.0], "y": [N + 6.3], "rim_level_m": [9.785]}
    works = pools_of(patio(DIP), pd.DataFrame({**place, "works": [True]})).set_index("gullies")
    assert works.loc["as found", "level_m"] == pytest.approx(9.785, abs=1e-6)
    assert works.loc["none working", "level_m"] == pytest.approx(9.800, abs=0.002)
    blocked = pools_of(patio(DIP), pd.DataFrame({**place, "works": [False]}))
    assert list(blocked["gullies"]) == ["as found"]
    assert blocked["level_m"].iloc[0] == pytest.approx(9.800, abs=0.002)


def test_a_kerb_holds_back_what_ran_off() -> None:
    """A patio that falls away holds water once a kerb stands along its far edge: but only where its ends meet the wall."""
    falling = patio([[9.80] * 4, [9.78] * 4, [9.76] * 4])
    line = shapely.LineString([(E + 0.5, N + 7.7), (E + 7.5, N + 7.7)])
    hook = shapely.LineString(
        [(E + 1.2, N + 6.0), (E + 1.2, N + 7.7), (E + 6.8, N + 7.7), (E + 6.8, N + 6.0)]
    )
    straight = gpd.GeoDataFrame({"top_level_m": [9.85]}, geometry=[line], crs=GRID)
    closed = gpd.GeoDataFrame({"top_level_m": [9.85]}, geometry=[hook], crs=GRID)
    assert pools_of(falling, kerbs=straight).empty
    held = pools_of(falling, kerbs=closed).iloc[0]
    assert held["level_m"] == pytest.approx(9.85, abs=1e-6)
    assert held["at_wall"]


def test_patches_are_not_joined() -> None:
    """Levels of a dip shared out between two patches make no surface across them, and the note says why."""
    levels = patio(DIP)
    levels["patch_id"] = np.where(levels["x"] < E + 4, "patio", "path")
    made = surfaces_from_levels(levels, house().footprints, GRID, ref=REF)
    assert [patch.patch_id for patch in made] == ["path", "patio"]
    west = next(patch for patch in made if patch.patch_id == "patio").raster
    assert west is not None
    x, _ = west.centres()
    assert np.isnan(west.z[:, x > E + 3.4]).all()
    few = surfaces_from_levels(levels.iloc[:5], house().footprints, GRID, ref=REF)
    assert [patch.raster for patch in few] == [None, None]
    assert few[0].because == "2 levels, 6 needed for a surface"


def test_levels_in_one_line_make_no_surface() -> None:
    """Eight levels along the foot of the wall say nothing of the ground beyond."""
    line = patio([[9.80] * 8])
    (only,) = surfaces_from_levels(line, house().footprints, GRID, ref=REF)
    assert only.raster is None
    assert only.because == "its levels lie in one line"


def test_no_surface_spans_what_was_not_levelled() -> None:
    """Levels on both sides of the garden, 12 m apart, are not joined across it."""
    near = patio([[9.80, 9.81, 9.80], [9.79, 9.80, 9.79]])
    far = near.assign(y=near["y"] + 12.0)
    both = pd.concat([near, far.set_axis([f"F{i}" for i in range(6)])])
    (only,) = surfaces_from_levels(both, house().footprints, GRID, ref=REF)
    assert only.raster is not None
    _, y = only.raster.centres()
    assert np.isnan(only.raster.z[(y > N + 8) & (y < N + 17)]).all()
    assert np.isfinite(only.raster.z[(y > N + 6.2) & (y < N + 6.9)]).any()


def test_the_surface_is_the_levels_own() -> None:
    """At every level the surface has its height, between them the plane of the three round it."""
    tilted = patio([[9.80 + 0.01 * i + 0.02 * d for i in range(4)] for d in range(3)])
    (only,) = surfaces_from_levels(tilted, house().footprints, GRID, ref=REF)
    assert only.raster is not None
    x, y = only.raster.centres()
    row, column = int(np.argmin(np.abs(y - (N + 7.5)))), int(np.argmin(np.abs(x - (E + 4.0))))
    out, along = y[row] - N - 6, x[column] - E
    expected = 9.82 + 0.02 * (out - 1.0) + 0.005 * (along - 1.0)
    assert only.raster.z[row, column] == pytest.approx(expected, abs=1e-9)


def test_an_outlier_is_to_be_shot_again() -> None:
    """One level 60 mm off its neighbours is named, at the wall as further out; an even slope names none."""
    rows = [[9.80 + 0.004 * i for i in range(7)], [9.83 + 0.004 * i for i in range(7)]]
    assert misfit_levels(patio(rows), ref=REF) == []
    slip = [list(row) for row in rows]
    slip[0][3] += 0.06
    slip[1][4] -= 0.06
    assert set(misfit_levels(patio(slip), ref=REF)) == {"L4", "L12"}


def test_a_dip_of_the_ground_is_no_slip() -> None:
    """Where paving falls to a gully from both sides, at the wall and further out alike, no level is doubted."""
    rows = [[9.90 - 0.01 * (3 - abs(i - 3)) - 0.03 * (i == 3) for i in range(7)] for _ in range(2)]
    assert misfit_levels(patio(rows), ref=REF) == []
    rows[1][3] += 0.12
    assert set(misfit_levels(patio(rows), ref=REF)) == {"L4", "L11"}


def test_few_levels_accuse_none() -> None:
    """Five levels along a wall have too little beside them to call one a slip."""
    assert misfit_levels(patio([[9.80, 9.80, 9.90, 9.80, 9.80]]), ref=REF) == []


def flat(z: float = 100.0, cell: float = 0.25) -> Raster:
    """Return level ground 20 m square behind the house."""
    count = int(20 / cell)
    return Raster(
        z=np.full((count, count), z),
        transform=Affine(cell, 0, E - 6, 0, -cell, N + 16),
        crs=GRID,
        model="DTM",
        sigma_m=0.1,
        relative_sigma_m=0.005,
        stated=True,
    )


@pytest.mark.parametrize("turn", [0, 1, 7, 31, 44.99, 45, 62, 89.999, 90])
def test_water_does_not_pass_a_kerb_cornerwise(turn: float) -> None:
    """A closed kerb laid at any angle to the cells holds its water to its top, 100 mm over level ground."""
    ring = shapely.affinity.rotate(shapely.box(E + 1, N + 8, E + 6, N + 12), turn).exterior
    kerb = gpd.GeoDataFrame({"top_level_m": [100.1]}, geometry=[ring], crs=GRID)
    perimeter = house()
    pools = ponds_against_walls(
        stand_kerbs(flat(), kerb), perimeter.stations(), perimeter.footprints, NO_GULLIES, ref=REF
    )
    assert len(pools) == 1
    assert pools["level_m"].iloc[0] == pytest.approx(100.1)
    assert pools["area_m2"].iloc[0] == pytest.approx(20.0, abs=18 * 0.25)
    assert not pools["at_wall"].iloc[0]


def test_a_kerb_never_lowers_the_ground() -> None:
    """A kerb whose top is under the ground changes nothing."""
    line = shapely.LineString([(E, N + 8), (E + 6, N + 9)])
    kerb = gpd.GeoDataFrame({"top_level_m": [99.0]}, geometry=[line], crs=GRID)
    assert np.array_equal(stand_kerbs(flat(), kerb).z, flat().z)


def test_kerbs_need_a_raster_on_their_datum() -> None:
    """On a raster that is not tied to the levels kerbs are left out, and the note says so."""
    perimeter = house()
    ring = shapely.box(E + 1, N + 8, E + 6, N + 12).exterior
    dpc = pd.DataFrame({"ring_key": [], "chainage_m": [], "level_m": [], "sigma_m": [], "state": []})
    report = examine_ground(
        perimeter.stations(),
        perimeter.footprints,
        perimeter.rings["length_m"],
        levels=patio(DIP).iloc[:0],
        dpc=dpc,
        gullies=NO_GULLIES,
        raster=flat(),
        kerbs=gpd.GeoDataFrame({"top_level_m": [100.1]}, geometry=[ring], crs=GRID),
        ref=REF,
    )
    assert report.ponds.empty
    assert any("kerbs are not stood on the raster" in note for note in report.notes)


def test_pools_are_numbered_through_both_kinds_of_evidence() -> None:
    """A pool by raster and one by levels are two rows with two ids, never one."""
    perimeter = house()
    raster = flat()
    raster.z[:] = 100.0
    x, y = raster.centres()
    raster.z[np.ix_((y > N + 6) & (y < N + 8), (x > E + 2) & (x < E + 6))] -= 0.06
    dpc = pd.DataFrame({"ring_key": [], "chainage_m": [], "level_m": [], "sigma_m": [], "state": []})
    ponds = examine_ground(
        perimeter.stations(),
        perimeter.footprints,
        perimeter.rings["length_m"],
        levels=patio(DIP),
        dpc=dpc,
        gullies=NO_GULLIES,
        raster=raster,
        ref=REF,
    ).ponds
    assert list(ponds["pond_id"]) == ["P1", "P2"]
    assert list(ponds["evidence"]) == ["raster", "levels"]
    assert ponds.crs == GRID
    assert list(ponds["verdict"]) == ["ponds", "ponds"]


def test_only_the_cell_water_spills_over_ends_a_pool() -> None:
    """Of the last cells levelled, a higher one beside the pool does not make it end there; its lip does."""
    known = np.full((5, 6), np.nan)
    known[:, :5] = 10.0
    known[1:4, 1:4] = 9.9
    inner, outer = known.copy(), known.copy()
    inner[0, 2], inner[:, 4] = 9.95, 10.2
    outer[2, 4] = 9.95
    edge = np.zeros(known.shape, dtype=bool)
    edge[:, 4] = True
    nothing = np.zeros(known.shape, dtype=bool)
    for z, ends_there in ((inner, False), (outer, True)):
        raster = Raster(
            z=z,
            transform=Affine(1, 0, 0, 0, -1, 5),
            crs=GRID,
            model="DTM",
            sigma_m=0.1,
            relative_sigma_m=0.01,
            stated=True,
        )
        water = flood(raster, nothing, nothing)
        assert water.depth_m[2, 2] == pytest.approx(0.05)
        assert spilling_at(edge, z, water).any() == ends_there
