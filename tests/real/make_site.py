"""Site folders made of open data that packages carry; nothing in them is invented, and none is kept here.

The elevation and outlines of a part of Gothenburg lie in the wheel of ``umep`` 0.0.1b47, which is fetched
once into a cache folder and read in place, never installed. The British and the Prague outlines lie in
``momepy``, which the tests need anyway. The folders hold what such a survey would: outlines, and the raster
where there is one. No reading, level or asset is made up.
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
import zipfile
from collections.abc import Sequence
from pathlib import Path

import geopandas as gpd
import momepy
from shapely.geometry import box

UMEP = "umep==0.0.1b47"
WHEEL = "umep-0.0.1b47-py3-none-any.whl"
WHEEL_SHA256 = "bff4b77c246a627fb78f367eb2c224dbfb3b560ca1ab75ee3d866fd435fc83d9"
GOTHENBURG = "demos/data/Goteborg_SWEREF99_1200"
GOTHENBURG_BOUNDS = (147720.0, 6398557.0, 147954.0, 6398780.0)
SURVEYED = (10, 20, 32, 35, 36, 87, 89, 128, 129, 135)
"""Rows of the outlines that are surveyed: ten of the smaller buildings that lie wholly in the raster."""


class FetchError(Exception):
    """The package with the open data could not be fetched, or is not the one that was read before."""


def fetch_wheel(folder: Path) -> Path:
    """Return the wheel that carries the Gothenburg data, fetching it where it is not there yet."""
    wheel = folder / WHEEL
    if not wheel.is_file():
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "-d", str(folder), UMEP]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode or not wheel.is_file():
            raise FetchError(f"{UMEP} could not be fetched from the package registry: {done.stderr[-400:]}")
    found = hashlib.sha256(wheel.read_bytes()).hexdigest()
    if found != WHEEL_SHA256:
        raise FetchError(f"{wheel} is another file than the one these figures were taken from")
    return wheel


def gothenburg_outlines(wheel: Path) -> gpd.GeoDataFrame:
    """Return every valid outline that reaches the raster, named B and its row in the file."""
    outlines = gpd.read_file(f"/vsizip/{{{wheel}}}/{GOTHENBURG}/buildings.shp")
    near = outlines[outlines.is_valid & outlines.intersects(box(*GOTHENBURG_BOUNDS))]
    return near[["geometry"]].set_axis([f"B{row}" for row in near.index], axis="index")


def british_outlines() -> gpd.GeoDataFrame:
    """Return sixteen British outlines in the National Grid."""
    outlines = gpd.read_file(momepy.datasets.get_path("tests"), layer="os")
    return outlines[["geometry"]].set_axis([f"H{row + 1}" for row in outlines.index], axis="index")


def prague_outlines() -> gpd.GeoDataFrame:
    """Return the outlines of a block of Prague, as stored: in Web Mercator."""
    outlines = gpd.read_file(momepy.datasets.get_path("bubenec"), layer="buildings")
    return outlines[["geometry"]].set_axis([f"P{row + 1}" for row in outlines.index], axis="index")


def gothenburg_site(folder: Path, wheel: Path) -> Path:
    """Write the site of Gothenburg: ten buildings surveyed, the others neighbours, the raster as it is."""
    write_site(
        folder, gothenburg_outlines(wheel), surveyed=[f"B{row}" for row in SURVEYED], name="Gothenburg"
    )
    with zipfile.ZipFile(wheel) as packed:
        (folder / "ground.tif").write_bytes(packed.read(f"{GOTHENBURG}/DEM_KRbig.tif"))
    (folder / "ground.toml").write_text('model = "DTM"\nsource = "umep 0.0.1b47"\n', encoding="utf-8")
    return folder


def write_site(folder: Path, outlines: gpd.GeoDataFrame, *, surveyed: Sequence[str], name: str) -> Path:
    """Write a folder of outlines, exported as GeoJSON by the usual driver."""
    folder.mkdir(parents=True)
    role = ["subject" if building in surveyed else "neighbour" for building in outlines.index]
    table = outlines.assign(id=outlines.index, role=role)
    table.to_file(folder / "buildings.geojson", driver="GeoJSON", engine="pyogrio", index=False)
    code = outlines.crs.to_epsg()
    settings = f'name = "{name}"\ncrs = "EPSG:{code}"\ndatum = "of the raster"\n'
    (folder / "site.toml").write_text(settings, encoding="utf-8")
    return folder
