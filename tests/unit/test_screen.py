"""Many homes at once: the same answers as one site, whatever the tiles, the workers and the interruptions."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS

from geo import reference
from geo.errors import InputError
from geo.ground.model import examine_ground
from geo.ground.raster import Raster
from geo.perimeter.build import build_perimeter
from geo.screen.results import cells_of, homes_in
from geo.screen.run import Screening, screen_homes
from geo.site.crs import from_lonlat, to_lonlat

REF = reference.default()
GRID = CRS.from_epsg(27700)
E, N = 412000.0, 287000.0  # north-west corner of the ground is (E, N + 240)
SIDE = 240
NODATA = -9999.0


def rough(side: int = SIDE, noise: float = 0.03, steep: float = 0.09) -> NDArray[np.float32]:
    """Return hilly ground with a little roughness, cells of 1 m, north row first."""
    random = np.random.default_rng(11)
    x, y = np.arange(side) + 0.5, side - np.arange(side) - 0.5
    z = 80 + steep * x[None, :] + 0.02 * y[:, None] + 1.2 * np.sin(x / 31)[None, :] * np.cos(y / 23)[:, None]
    return (z + random.normal(0, noise, z.shape)).astype(np.float32)


def write_tile(
    path: Path,
    z: NDArray[np.float32],
    *,
    left: float = E,
    top: float = N + SIDE,
    cell: float = 1.0,
    crs: str = "EPSG:27700",
) -> str:
    """Write heights as a GeoTIFF and return its name."""
    with rasterio.open(
        path, "w", driver="GTiff", width=z.shape[1], height=z.shape[0], count=1, dtype="float32", crs=crs,
        nodata=NODATA, transform=Affine(cell, 0, left, 0, -cell, top), compress="deflate",
    ) as sink:  # fmt: skip
        sink.write(np.where(np.isfinite(z), z, NODATA).astype(np.float32), 1)
    return str(path)


def write_tiles(folder: Path, z: NDArray[np.float32], side: int) -> list[str]:
    """Cut the ground into tiles and return their names."""
    return [
        write_tile(folder / f"t{row}_{column}.tif", z[row : row + side, column : column + side], left=E + column, top=N + SIDE - row)
        for row in range(0, z.shape[0], side)
        for column in range(0, z.shape[1], side)
    ]  # fmt: skip


def village() -> gpd.GeoDataFrame:
    """Return a detached house turned, a terrace of three, an L, one with a courtyard, and two near each other."""
    turned = shapely.affinity.rotate(shapely.box(E + 100, N + 130, E + 110, N + 138), 27)
    terrace = [
        shapely.affinity.rotate(shapely.box(E + 60 + 5.5 * k, N + 101 - k, E + 65.5 + 5.5 * k, N + 109 + k), 12, origin=(E + 60, N + 100))
        for k in range(3)
    ]  # fmt: skip
    ell = shapely.Polygon(
        [(E + 140, N + 120), (E + 152, N + 120), (E + 152, N + 126), (E + 146, N + 126), (E + 146, N + 133), (E + 140, N + 133)]
    )  # fmt: skip
    yard = shapely.box(E + 118, N + 60, E + 138, N + 80) - shapely.box(E + 123, N + 65, E + 133, N + 75)
    shed = shapely.box(E + 101, N + 119, E + 106, N + 122)
    shapes = [turned, *terrace, ell, yard, shed]
    return gpd.GeoDataFrame({"id": [f"H{k}" for k in range(len(shapes))]}, geometry=shapes, crs=GRID)


def screen(
    folder: Path, homes: gpd.GeoDataFrame | str, tiles: list[str], name: str = "out", **options: Any
) -> Screening:
    """Write homes where they are not written yet, and screen them."""
    if not isinstance(homes, str):
        path = folder / "homes.gpkg"
        path.unlink(missing_ok=True)
        homes.to_file(path)
        homes = str(path)
    return screen_homes(homes, tiles, folder / f"{name}.parquet", ref=options.pop("ref", REF), **options)


def read(folder: Path, name: str = "out") -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Return the homes in the file's order, and the walls."""
    homes = gpd.read_parquet(folder / f"{name}.parquet").sort_values("home_no", ignore_index=True)
    walls = gpd.read_parquet(folder / f"{name}-walls.parquet")
    keys = ["home_no", "part", "ring", "face", "from_m"]
    return homes, walls.sort_values(keys, ignore_index=True)


def site_falls(homes: gpd.GeoDataFrame, z: NDArray[np.float32]) -> pd.DataFrame:
    """Return the falls one site gives, a station in the middle of every piece of wall."""
    columns = ("origin_e", "origin_n", "front_bearing_deg", "wall_thickness_m", "wall_thickness_sigma_m")
    table = homes.set_index("id").assign(role="subject", **dict.fromkeys(columns, np.nan))
    perimeter = build_perimeter(table, ref=REF)
    stations = perimeter.stations(step_m=1e6)
    raster = Raster(
        z=z.astype(np.float64), transform=Affine(1, 0, E, 0, -1, N + SIDE), crs=GRID, model="DTM",
        sigma_m=0.15, relative_sigma_m=REF.value("ground.dem_relative_sigma_m"), stated=True,
    )  # fmt: skip
    words = {"ring_key": "", "face": "", "patch_id": "", "hardness": "hard"}
    numbers = ("chainage_m", "offset_m", "x", "y", "level_m", "sigma_m")
    report = examine_ground(
        stations,
        perimeter.footprints,
        perimeter.rings["length_m"],
        levels=pd.DataFrame({**words, **dict.fromkeys(numbers, 0.0)}, index=["L1"]).iloc[:0],
        dpc=pd.DataFrame({name: [] for name in ("ring_key", "chainage_m", "level_m", "sigma_m", "state")}),
        gullies=pd.DataFrame({"x": [], "y": [], "works": []}).astype({"works": bool}),
        raster=raster,
        ref=REF,
    )
    own = report.falls[report.falls["evidence"] == "raster"]
    assert len(own) == len(stations)
    return own.assign(x=stations["x"].to_numpy(), y=stations["y"].to_numpy()).reset_index(drop=True)


def test_falls_are_those_of_a_single_site(tmp_path: Path) -> None:
    """Wall by wall the fall, its range, the cells behind it and the word are what examine_ground gives.

    The single site fits 2 m each side of a station, so the screen is asked for the same.
    """
    z = rough()
    homes = village()
    screen(tmp_path, homes, write_tiles(tmp_path, z, 80), half_m=REF.value("ground.strip_half_m"))
    _, walls = read(tmp_path)
    middle = shapely.get_coordinates(
        shapely.line_interpolate_point(walls.geometry.to_numpy(), 0.5, normalized=True)
    )
    expected = site_falls(homes, z)
    near = shapely.STRtree(shapely.points(expected[["x", "y"]].to_numpy())).nearest(shapely.points(middle))
    # walls of 20 m (four) and 13 m (one) are over 12 m: the screen cuts them in two, the site has one station
    whole = np.hypot(*(middle - expected[["x", "y"]].to_numpy()[near]).T) < 1e-6
    assert (~whole).sum() == 10
    assert whole.sum() == len(expected) - 5
    mine, theirs = walls[whole].reset_index(drop=True), expected.iloc[near[whole]].reset_index(drop=True)
    assert (mine["verdict"].astype(str) == theirs["verdict"]).all()
    assert {"toward", "away", "party", "not known"} <= set(theirs["verdict"])
    fitted = theirs["verdict"] != "party"
    assert (mine["n"] == theirs["n"])[fitted].all()
    assert (mine["distances"] == theirs["distances"])[fitted].all()
    for column in ("fall_percent", "sigma_percent", "low_percent", "high_percent", "along_percent"):
        assert mine[column].to_numpy() == pytest.approx(
            theirs[column].to_numpy(), rel=1e-5, abs=1e-4, nan_ok=True
        )


def test_a_line_drawn_a_little_bowed_hides_nothing_from_its_own_wall(tmp_path: Path) -> None:
    """60 mm out in the middle of 40 m is a straight wall: its pieces have the cells the straight one has."""
    tiles = [write_tile(tmp_path / "z.tif", rough())]
    corners = [(E + 60, N + 100), (E + 60, N + 108), (E + 100, N + 108), (E + 100, N + 100)]
    bowed = [*corners, (E + 80, N + 100 - 0.06)]
    found = []
    for name, drawn in (("straight", corners), ("bowed", bowed)):
        shape = shapely.affinity.rotate(shapely.Polygon(drawn), 13, origin=(E + 80, N + 104))
        frame = gpd.GeoDataFrame({"id": ["H"]}, geometry=[shape], crs=GRID)
        screen(tmp_path, frame, tiles, name)
        found.append(read(tmp_path, name)[1].drop(columns=["geometry", "bbox"], errors="ignore"))
    assert (found[0]["n"] >= 12).all()
    pd.testing.assert_frame_equal(*found, check_exact=False, rtol=1e-6)


def test_tiles_and_blocks_make_no_difference(tmp_path: Path) -> None:
    """One mosaic, tiles whose borders run through homes, and a VRT give the same rows to the last bit."""
    z, homes = rough(), village()
    screen(tmp_path, homes, [write_tile(tmp_path / "whole.tif", z)], "whole")
    tiles = write_tiles(tmp_path, z, 60)
    screen(tmp_path, homes, tiles, "tiles")
    screen(tmp_path, homes, tiles[::-1], "reversed")
    pieces = "".join(
        f'<SimpleSource><SourceFilename relativeToVRT="1">{Path(one).name}</SourceFilename><SourceBand>1</SourceBand>'
        f'<SrcRect xOff="0" yOff="0" xSize="60" ySize="60"/><DstRect xOff="{column}" yOff="{row}" xSize="60" ySize="60"/></SimpleSource>'
        for one, (row, column) in zip(tiles, [(r, c) for r in range(0, SIDE, 60) for c in range(0, SIDE, 60)], strict=True)
    )  # fmt: skip
    vrt = (
        f'<VRTDataset rasterXSize="{SIDE}" rasterYSize="{SIDE}"><SRS>EPSG:27700</SRS>'
        f"<GeoTransform>{E}, 1, 0, {N + SIDE}, 0, -1</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1"><NoDataValue>{NODATA}</NoDataValue>{pieces}</VRTRasterBand></VRTDataset>'
    )
    (tmp_path / "all.vrt").write_text(vrt)
    screen(tmp_path, homes, [str(tmp_path / "all.vrt")], "vrt")
    for other in ("tiles", "reversed", "vrt"):
        for mine, theirs in zip(read(tmp_path, "whole"), read(tmp_path, other), strict=True):
            pd.testing.assert_frame_equal(pd.DataFrame(mine), pd.DataFrame(theirs), check_exact=True)


def test_blocks_make_no_difference_to_the_falls(tmp_path: Path) -> None:
    """With blocks of 40 m, whose borders run through homes, every wall and every home has the same answer.

    Only the ground uphill may differ a little: of two lips just as high, water takes the one come to first.
    """
    z, homes = rough(steep=0.04), village()
    tiles = [write_tile(tmp_path / "whole.tif", z)]
    screen(tmp_path, homes, tiles, "one")
    screen(tmp_path, homes, tiles, "many", ref=changed({"screen.block_cells": 40.0}))
    (mine, walls), (theirs, others) = read(tmp_path, "one"), read(tmp_path, "many")
    pd.testing.assert_frame_equal(pd.DataFrame(walls), pd.DataFrame(others), check_exact=True)
    water = ["uphill_m2"]
    pd.testing.assert_frame_equal(
        pd.DataFrame(mine.drop(columns=water)), pd.DataFrame(theirs.drop(columns=water)), check_exact=True
    )
    assert theirs["uphill_m2"].to_numpy() == pytest.approx(mine["uphill_m2"].to_numpy(), rel=0.02)


def changed(values: dict[str, float]) -> reference.Reference:
    """Return the reference with other limits."""
    from dataclasses import replace

    limits = dict(REF.limits)
    limits |= {key: replace(limits[key], value=value) for key, value in values.items()}
    return replace(REF, limits=limits)


def test_processes_make_no_difference(tmp_path: Path) -> None:
    """The files are the same byte for byte whether two processes did the work or this one."""
    z, homes, ref = rough(), village(), changed({"screen.block_cells": 50.0})
    tiles = write_tiles(tmp_path, z, 120)
    screen(tmp_path, homes, tiles, "alone", ref=ref)
    screen(tmp_path, str(tmp_path / "homes.gpkg"), tiles, "shared", ref=ref, jobs=2)
    for suffix in ("", "-walls", "-squares"):
        mine, theirs = tmp_path / f"alone{suffix}.parquet", tmp_path / f"shared{suffix}.parquet"
        assert mine.read_bytes() == theirs.read_bytes()
    assert not list(tmp_path.glob("*.parts"))


def test_no_tile_no_height_and_a_torn_tile_are_told_apart(tmp_path: Path) -> None:
    """A home off the tiles, one on a hole in them, and one on a file that breaks off each say which it is."""
    z = rough()
    z[100:140, 20:60] = np.nan
    shapes = [
        shapely.box(E + x, N + y, E + x + 9, N + y + 8)
        for x, y in ((35, 118), (150, 30), (400, 30), (150, 200))
    ]
    homes = gpd.GeoDataFrame({"id": list("abcd")}, geometry=shapes, crs=GRID)
    tiles = write_tiles(tmp_path, z, 120)
    torn = Path(tiles[1])  # the north-east quarter
    torn.write_bytes(torn.read_bytes()[:3000])
    done = screen(tmp_path, homes, tiles)
    found, walls = read(tmp_path)
    said = found.set_index("home_id")["reason"].astype(str)
    assert said["a"] == "the tile holds no height here"
    assert said["c"] == "no tile reaches the ground here"
    assert said["d"] == "the tile of the ground here cannot be read"
    assert any("t0_120.tif cannot be read" in note for note in done.notes)
    assert (found["verdict"].astype(str) == "not known")[[0, 2, 3]].all()
    assert found["uphill_m2"].isna().tolist() == [True, False, True, True]
    assert (found["low_spot"].astype(str)[[0, 2, 3]] == "not known").all()
    assert walls.loc[walls["home_id"] == "b", "fall_percent"].notna().all()


def test_bad_shapes_keep_their_row_and_say_why(tmp_path: Path) -> None:
    """Missing, crossed, tiny, doubled and pointlike shapes are rows with a reason; the others are examined."""
    good = shapely.box(E + 100, N + 100, E + 109, N + 108)
    crossed = shapely.Polygon([(E + 20, N + 60), (E + 30, N + 70), (E + 30, N + 60), (E + 20, N + 70)])
    thin = shapely.box(E + 60, N + 60, E + 60.01, N + 60.02)
    pair = shapely.MultiPolygon(
        [shapely.box(E + 150, N + 50, E + 158, N + 57), shapely.box(E + 170, N + 50, E + 178, N + 57)]
    )
    shapes = [good, crossed, None, thin, good.reverse(), shapely.Point(E + 50, N + 50), pair]
    homes = gpd.GeoDataFrame({"id": ["7", "7", "x", "y", None, "p", "m"]}, geometry=shapes, crs=GRID)
    path = tmp_path / "homes.geojson"
    homes.to_crs(27700).to_file(path, driver="GeoJSON")
    done = screen(tmp_path, str(path), [write_tile(tmp_path / "z.tif", rough())], crs="EPSG:27700")
    found, walls = read(tmp_path)
    assert found["home_id"].tolist() == ["7", "7", "x", "y", "4", "p", "m"]
    assert found["reason"].astype(str).tolist()[1:6] == [
        "the outline crosses itself",
        "there is no outline",
        "the outline has fewer than three corners",
        "the same outline stands earlier in the file",
        "the shape is no outline: a polygon is needed",
    ]
    assert found["examined"].tolist() == [True, False, False, False, False, False, True]
    assert (found["remark"].astype(str) != "").tolist() == [True, True, False, False, False, False, False]
    assert walls.groupby("home_no").size().to_dict() == {0: 4, 6: 8}
    assert walls.loc[walls["home_no"] == 6, "part"].tolist() == [0] * 4 + [1] * 4
    assert (done.homes, done.examined) == (7, 2)


def test_footprints_in_another_grid_are_moved(tmp_path: Path) -> None:
    """Footprints in degrees come to the same answers: the round trip is under a tenth of a millimetre."""
    z, homes = rough(), village()
    tiles = [write_tile(tmp_path / "z.tif", z)]
    screen(tmp_path, homes, tiles, "grid")
    lonlat = homes.copy()
    lonlat.geometry = shapely.transform(homes.geometry.to_numpy(), lambda xy: to_lonlat(xy, GRID))
    lonlat = lonlat.set_crs(4326, allow_override=True)
    lonlat.to_file(tmp_path / "lonlat.gpkg")
    screen(tmp_path, str(tmp_path / "lonlat.gpkg"), tiles, "lonlat")
    (mine, walls), (theirs, other) = read(tmp_path, "grid"), read(tmp_path, "lonlat")
    assert theirs.crs == GRID
    assert mine["home_id"].tolist() == theirs["home_id"].tolist()
    assert other["fall_percent"].to_numpy() == pytest.approx(
        walls["fall_percent"].to_numpy(), abs=2e-3, nan_ok=True
    )
    assert np.abs(from_lonlat(to_lonlat([[E, N]], GRID), GRID) - [E, N]).max() < 1e-4


def test_an_interrupted_run_goes_on(tmp_path: Path) -> None:
    """Stopped half way, the same command keeps what was done and ends with the same files."""
    ref, z = changed({"screen.block_cells": 50.0}), rough()
    tiles = [write_tile(tmp_path / "z.tif", z)]
    screen(tmp_path, village(), tiles, "whole", ref=ref)

    def stop(done: int, _: int) -> None:
        if done >= 2:
            raise KeyboardInterrupt

    homes = str(tmp_path / "homes.gpkg")
    with pytest.raises(KeyboardInterrupt):
        screen(tmp_path, homes, tiles, ref=ref, tell=stop)
    assert not (tmp_path / "out.parquet").exists()
    done = screen(tmp_path, homes, tiles, ref=ref)
    assert done.kept >= 1
    assert "are kept" in done.notes[0]
    for suffix in ("", "-walls", "-squares"):
        assert (tmp_path / f"out{suffix}.parquet").read_bytes() == (
            tmp_path / f"whole{suffix}.parquet"
        ).read_bytes()
    with pytest.raises(KeyboardInterrupt):
        screen(tmp_path, homes, tiles, ref=ref, tell=stop)
    write_tile(tmp_path / "z.tif", z + 1)
    again = screen(tmp_path, homes, tiles, ref=ref)
    assert again.kept == 0
    assert "began anew" in again.notes[0]


def test_results_never_take_the_place_of_what_is_read(tmp_path: Path) -> None:
    """Footprints given as NAME-walls.parquet are not written over by the walls of NAME.parquet."""
    path = tmp_path / "out-walls.parquet"
    village().to_parquet(path)
    before = path.read_bytes()
    with pytest.raises(InputError, match="would write over what it reads"):
        screen(tmp_path, str(path), [write_tile(tmp_path / "z.tif", rough())])
    assert path.read_bytes() == before
    screen(tmp_path, str(path), [str(tmp_path / "z.tif")], "other")
    assert read(tmp_path, "other")[0]["home_id"].tolist() == [f"H{k}" for k in range(7)]


def test_a_folder_of_somebody_elses_is_not_emptied(tmp_path: Path) -> None:
    """Where the folder of parts holds other files nothing is thrown away."""
    folder = tmp_path / "out.parquet.parts"
    folder.mkdir()
    (folder / "letter.txt").write_text("mine")
    with pytest.raises(InputError, match="holds other files"):
        screen(tmp_path, village(), [write_tile(tmp_path / "z.tif", rough())])
    assert (folder / "letter.txt").read_text() == "mine"


def test_tiles_that_do_not_fit_are_refused_by_name(tmp_path: Path) -> None:
    """Another grid, other cells, cells out of line, and no raster at all: every one named, nothing written."""
    z = rough(60)
    tiles = [
        write_tile(tmp_path / "a.tif", z),
        write_tile(tmp_path / "b.tif", z, cell=0.5),
        write_tile(tmp_path / "c.tif", z, left=E + 0.3),
        write_tile(tmp_path / "d.tif", z, crs="EPSG:32630"),
        str(tmp_path / "none.tif"),
    ]
    with pytest.raises(InputError) as refused:
        screen(tmp_path, village(), tiles)
    said = [str(problem) for problem in refused.value.problems]
    assert [line.split(":")[0] for line in said] == ["b.tif", "c.tif", "d.tif", "none.tif"]
    assert "0.300 of a cell out of line" in said[1]
    assert not list(tmp_path.glob("out*"))


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"id_field": "uprn"}, "no field is called 'uprn'"),
        ({"layer": "roofs"}, "cannot be read"),
        ({"crs": "EPSG:0"}, "is no grid"),
    ],
)
def test_wrong_footprints_are_refused(tmp_path: Path, options: dict[str, str], said: str) -> None:
    """A field, a layer or a grid that is not there is said in a sentence."""
    with pytest.raises(InputError, match=said):
        screen(tmp_path, village(), [write_tile(tmp_path / "z.tif", rough())], **options)


def test_squares_count_every_home_once(tmp_path: Path) -> None:
    """The far view has as many homes as the near one, and the near one is read by its box."""
    screen(tmp_path, village(), [write_tile(tmp_path / "z.tif", rough())])
    homes, _ = read(tmp_path)
    squares = cells_of(tmp_path / "out.parquet", 50.0)
    assert squares["homes"].sum() == len(homes) == 7
    for _, square in squares.iterrows():
        box = homes.geometry.bounds
        x, y = (box["minx"] + box["maxx"]) / 2, (box["miny"] + box["maxy"]) / 2
        west, south, east, north = square.geometry.bounds
        inside = (x >= west) & (x < east) & (y >= south) & (y < north)
        assert inside.sum() == square["homes"]
        assert (homes["verdict"].astype(str)[inside] == "toward").sum() == square["toward"]
    near = homes_in(tmp_path / "out.parquet", (E + 95, N + 110, E + 115, N + 140))
    assert sorted(near["home_id"]) == ["H0", "H6"]


def test_results_say_what_they_rest_on(tmp_path: Path) -> None:
    """The file carries version, limits, error and the caution, and nowhere a word on the damp proof course's state."""
    import pyarrow.parquet as pq

    screen(tmp_path, village(), [write_tile(tmp_path / "z.tif", rough())], model="DTM", relative_error_m=0.04)
    told = pq.read_schema(tmp_path / "out.parquet").metadata
    assert told[b"wallfoot_model"] == b"DTM"
    assert told[b"wallfoot_relative_error_m"] == b"0.04"
    assert json.loads(told[b"wallfoot_limits"])["ground.cells_min"] == 12
    assert b"cannot say whether a damp proof course is clear" in told[b"wallfoot_caution"]
    names = set(pq.read_schema(tmp_path / "out.parquet").names) | set(
        pq.read_schema(tmp_path / "out-walls.parquet").names
    )
    assert not {name for name in names if "dpc" in name or "clearance" in name}


def test_a_larger_error_only_turns_answers_into_not_known(tmp_path: Path) -> None:
    """With the error of a cell raised, no word changes but into not known."""
    tiles = [write_tile(tmp_path / "z.tif", rough())]
    screen(tmp_path, village(), tiles, "small", relative_error_m=0.02)
    screen(tmp_path, village(), tiles, "large", relative_error_m=0.2)
    before, after = (read(tmp_path, name)[1]["verdict"].astype(str) for name in ("small", "large"))
    assert (before[before != after] != "not known").all()
    assert (after[before != after] == "not known").all()
    assert (before != after).any()


def test_what_stands_on_the_ground_is_left_out(tmp_path: Path) -> None:
    """A hedge in the surface model, 0.4 m high in the ground model too, no longer lifts the fall.

    Cells lie 0.75 to 3.75 m off the wall, the hedge on those at 2.25 and 2.75. By least squares over the seven
    distances, mean 2.25: 0.4 (0.0 + 0.5) / 7.0 = 2.857 % with the hedge, nothing without.
    """
    z = np.full((SIDE, SIDE), 50.0, dtype=np.float32)
    z[:, 124:126] += 0.4  # 2 m off the wall, in cells of 0.5 m
    above = z.copy()
    above[:, 124:126] += 1.0
    outline = shapely.box(E + 50, N + SIDE - 60, E + 60, N + SIDE - 50)
    homes = gpd.GeoDataFrame({"id": ["a"]}, geometry=[outline], crs=GRID)
    ground = write_tile(tmp_path / "z.tif", z, cell=0.5)
    surface = write_tile(tmp_path / "s.tif", above, cell=0.5)
    screen(tmp_path, homes, [ground], "without")
    screen(tmp_path, homes, [ground], "with", surface=[surface])
    east = [
        read(tmp_path, name)[1].set_index("bearing_deg").loc[90.0, "fall_percent"]
        for name in ("without", "with")
    ]
    assert east[0] == pytest.approx(100 * 0.4 * 0.5 / 7, abs=1e-3)
    assert east[1] == pytest.approx(0.0, abs=1e-6)


def test_the_map_draws_homes_when_near_and_squares_when_far(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Near, every home of the view is there with its sentences; far, squares count them; words stay words."""
    from geo.draw import many

    homes = village()
    homes.loc[0, "id"] = "<b>1</b>"
    screen(tmp_path, homes, [write_tile(tmp_path / "z.tif", rough())])
    near = many.draw_many(tmp_path / "out.parquet").get_root().render()
    assert all(f"H{k}" in near for k in range(1, 7))
    assert "cannot say whether a damp proof course is clear" in near
    assert "<b>1" not in near
    monkeypatch.setattr(many, "NEAR_HOMES", 3)
    far = many.draw_many(tmp_path / "out.parquet").get_root().render()
    assert "7 homes, by squares" in far
    assert "H3" not in far


def test_every_answer_has_its_sentence(tmp_path: Path) -> None:
    """Each home and wall is told in words, the range with it, and what is not known with what would end it."""
    from geo.screen.said import home_said, wall_said

    screen(tmp_path, village(), [write_tile(tmp_path / "z.tif", rough())])
    homes, walls = read(tmp_path)
    for home in homes.to_dict("records"):
        lines = home_said(home)
        assert lines[0].startswith("Fall of the ground by length of free wall")
        assert any("m² of ground drain to its walls" in line for line in lines)
    for wall in walls.to_dict("records"):
        told = wall_said(wall)
        assert ("±" in told) == bool(np.isfinite(wall["fall_percent"]))
        assert ("Two levels with a staff" in told) == (wall["verdict"] == "not known")
