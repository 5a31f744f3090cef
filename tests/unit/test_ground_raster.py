"""Reading the ground raster: only what lies round the house, and a sentence for every way it can be useless."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import CRS

from geo import reference
from geo.errors import InputError
from geo.ground.raster import Raster, moved_bounds, mover, read_raster
from geo.site.model import LOCAL_GRID

REF = reference.default()
GRID = CRS.from_epsg(27700)
E, N = 412300.0, 287600.0
HOUSE = (E, N, E + 8, N + 6)


@dataclass(frozen=True)
class Facts:
    """What ``ground.toml`` says."""

    model: str = "DTM"
    error_m: float | None = None
    relative_error_m: float | None = None
    flown_on: str = "2024-03-01"
    datum_offset_m: float | None = None
    datum_offset_sigma_m: float | None = None


def write(folder: Path, z: Any, **profile: Any) -> Path:
    """Write a raster of 1 m cells about the house, unless told otherwise."""
    z = np.atleast_3d(np.asarray(z))
    z = np.moveaxis(z, -1, 0)
    more = {name: profile.pop(name) for name in ("units", "scales", "offsets") if name in profile}
    given = {
        "driver": "GTiff",
        "count": z.shape[0],
        "height": z.shape[1],
        "width": z.shape[2],
        "dtype": z.dtype,
        "crs": "EPSG:27700",
        "transform": Affine(1, 0, E - 46, 0, -1, N + 53),
    }
    path = folder / "ground.tif"
    with rasterio.open(path, "w", **(given | profile)) as sink:
        sink.write(z)
        for name, value in more.items():
            setattr(sink, name, value)
    return path


def read(path: Path, *, crs: CRS = GRID, bounds: Any = HOUSE, facts: Facts | None = None) -> Raster:
    """Read it round the house."""
    return read_raster(path, meta=facts or Facts(), crs=crs, bounds=bounds, ref=REF)


def heights(rows: int = 100, columns: int = 100) -> Any:
    """Return heights that tell their cell."""
    return (50 + np.arange(rows)[:, None] / 100 + np.arange(columns)[None, :] / 1000).astype(np.float32)


def refusal(path: Path, **more: Any) -> str:
    """Return the one sentence with which a raster is refused."""
    with pytest.raises(InputError) as error:
        read(path, **more)
    assert len(error.value.problems) == 1
    return str(error.value)


def test_only_the_ground_round_the_house_is_read(tmp_path: Path) -> None:
    """Of a tile of 1 km the window is the house and 40 m round it, each height in its own place."""
    z = heights(1000, 1000)
    path = write(tmp_path, z, transform=Affine(1, 0, E - 500, 0, -1, N + 500), tiled=True)
    raster = read(path)
    assert raster.z.shape == (86, 88)
    x, y = raster.centres()
    assert (x[0], x[-1], y[-1], y[0]) == (E - 39.5, E + 47.5, N - 39.5, N + 45.5)
    assert raster.z[10, 20] == pytest.approx(float(z[500 - 46 + 10, 500 - 40 + 20]))


def test_what_is_said_beside_the_raster_is_kept(tmp_path: Path) -> None:
    """Stated errors are used and marked stated; an offset moves the heights and widens their error."""
    facts = Facts(error_m=0.03, relative_error_m=0.02, datum_offset_m=-40.0, datum_offset_sigma_m=0.04)
    raster = read(write(tmp_path, heights()), facts=facts)
    assert raster.stated
    assert raster.sigma_m == pytest.approx(0.05)
    assert raster.relative_sigma_m == 0.02
    assert np.nanmin(raster.z) < 11
    usual = read(write(tmp_path, heights()))
    assert not usual.stated
    assert usual.sigma_m == REF.value("ground.dem_sigma_m")


def test_heights_in_steps_are_scaled(tmp_path: Path) -> None:
    """Whole centimetres above 40 m, as a band's own scale and offset say, become metres."""
    z = np.full((100, 100), 1234, dtype=np.int16)
    raster = read(write(tmp_path, z, scales=(0.01,), offsets=(40.0,)))
    assert np.unique(raster.z) == pytest.approx(52.34)


def test_a_hole_is_a_hole_even_without_a_mark(tmp_path: Path) -> None:
    """Cells marked as no data, or holding a height no ground has, have none."""
    z = heights()
    z[40, 40], z[41, 41], z[42, 42] = -9999, 3.4e38, -32767
    raster = read(write(tmp_path, z, nodata=-32767))
    top, left = 40 - 7, 40 - 6
    assert np.isnan(raster.z[[top, top + 1, top + 2], [left, left + 1, left + 2]]).all()
    assert np.isfinite(raster.z).sum() == raster.z.size - 3


def test_more_than_one_band_is_remarked_on(tmp_path: Path) -> None:
    """The first band is read, and the reader is told."""
    both = np.stack([heights(), heights() + 5], axis=-1)
    raster = read(write(tmp_path, both))
    assert raster.remarks == ("ground.tif has 2 bands: the first is read as heights",)
    assert np.nanmax(raster.z) < 52


def test_no_raster_at_all(tmp_path: Path) -> None:
    """A file of text is refused, and so is one cut short."""
    path = tmp_path / "ground.tif"
    path.write_text("heights, honest")
    assert "a GeoTIFF of heights" in refusal(path)
    whole = write(tmp_path, heights()).read_bytes()
    path.write_bytes(whole[: len(whole) // 3])
    assert "ground.tif" in refusal(path)


@pytest.mark.parametrize(
    ("profile", "said"),
    [
        ({"crs": None}, "has no grid"),
        ({"crs": "EPSG:4326", "transform": Affine(1e-5, 0, -1.9, 0, -1e-5, 52.5)}, "in degrees"),
        ({"crs": "EPSG:2230"}, "not metres"),
        ({"crs": "EPSG:3857"}, "Web Mercator"),
        ({"transform": Affine(1, 0.2, E - 46, 0.2, -1, N + 53)}, "turned or mirrored"),
        ({"transform": Affine(1, 0, E - 46, 0, 1, N - 47)}, "turned or mirrored"),
        ({"transform": Affine(5, 0, E - 246, 0, -5, N + 253)}, "cells of 5 m"),
        ({"transform": Affine(1, 0, E + 446, 0, -1, N + 53)}, "does not reach the buildings"),
        ({"units": ("ft",)}, "heights in ft"),
    ],
)
def test_a_raster_that_cannot_serve_is_refused(tmp_path: Path, profile: dict[str, Any], said: str) -> None:
    """One sentence says what is wrong, what would do, and how to get it."""
    assert said in refusal(write(tmp_path, heights(), **profile))


def test_heights_in_feet_over_a_metric_grid_are_refused(tmp_path: Path) -> None:
    """A grid in metres whose upright axis is in feet would make every fall three times too steep."""
    assert "heights in" in refusal(write(tmp_path, heights(), crs="EPSG:26918+6360"))


def test_a_picture_is_refused(tmp_path: Path) -> None:
    """A shaded picture of the ground has three bands of bytes and no heights."""
    assert "a picture" in refusal(write(tmp_path, np.full((100, 100, 3), 120, dtype=np.uint8)))


def test_nothing_at_the_house_is_refused(tmp_path: Path) -> None:
    """A raster that is empty just where the house stands says nothing of its walls."""
    z = heights()
    z[30:70, 30:70] = np.nan
    assert "no height at the buildings" in refusal(write(tmp_path, z))


def test_too_many_cells_are_refused_before_they_are_read(tmp_path: Path) -> None:
    """Outlines drawn 12 km apart ask for more cells than a house needs, and the file is never opened up."""
    path = tmp_path / "ground.tif"
    profile = {
        "driver": "GTiff",
        "count": 1,
        "height": 24_000,
        "width": 24_000,
        "dtype": "float32",
        "crs": "EPSG:27700",
        "transform": Affine(0.5, 0, E - 100, 0, -0.5, N + 11_900),
        "sparse_ok": True,
        "tiled": True,
    }
    with rasterio.open(path, "w", **profile):
        pass
    assert "cells round the buildings" in refusal(path, bounds=(E, N, E + 9_000, N + 9_000))


def test_one_huge_block_is_refused(tmp_path: Path) -> None:
    """A small file that unpacks into one block of 64 million cells is not unpacked."""
    path = tmp_path / "ground.tif"
    profile = {
        "driver": "GTiff",
        "count": 1,
        "height": 8_000,
        "width": 8_000,
        "dtype": "float32",
        "crs": "EPSG:27700",
        "transform": Affine(0.5, 0, E - 1000, 0, -0.5, N + 1000),
        "sparse_ok": True,
        "blockysize": 8_000,
        "compress": "deflate",
    }
    with rasterio.open(path, "w", **profile):
        pass
    assert "stored in blocks of 64,000,000 cells" in refusal(path)


def test_the_house_goes_to_the_raster_and_comes_back(tmp_path: Path) -> None:
    """A site in one grid and a raster in another: the raster is not resampled, the house's bounds are moved."""
    site = CRS.from_epsg(32630)
    there = mover(GRID, site)(np.array([[E, N], [E + 8, N + 6]]))
    bounds = (*there.min(axis=0), *there.max(axis=0))
    raster = read(write(tmp_path, heights()), crs=site, bounds=bounds)
    assert raster.crs.to_epsg() == 27700
    x, y = raster.centres()
    assert x[0] < E - 38
    assert x[-1] > E + 46
    back = mover(site, GRID)(there)
    assert back == pytest.approx(np.array([[E, N], [E + 8, N + 6]]), abs=1e-4)
    west, _, _, north = moved_bounds(bounds, site, GRID)
    assert west <= E + 0.01
    assert north >= N + 5.99
    assert y[0] > N + 44


def test_a_local_grid_is_taken_as_the_rasters_own(tmp_path: Path) -> None:
    """Where the site has its own grid the raster is in it: nothing is moved."""
    local = CRS.from_wkt(LOCAL_GRID)
    path = write(tmp_path, heights(), crs=LOCAL_GRID, transform=Affine(1, 0, -46, 0, -1, 53))
    raster = read(path, crs=local, bounds=(0, 0, 8, 6))
    assert raster.z.shape == (86, 88)
    assert mover(local, raster.crs)([[1.0, 2.0]]).tolist() == [[1.0, 2.0]]
