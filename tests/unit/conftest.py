"""A store in a file of its own; houses on a slope, screened."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from geo import reference
from geo.screen.run import screen_homes
from geo.store.store import Store, open_store


@pytest.fixture(scope="session")
def blank_workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace without sites, to be copied."""
    folder = tmp_path_factory.mktemp("blank")
    with open_store(folder / "open.sqlite", cache=folder) as opened:
        opened.back_up(folder / "blank.sqlite")
    return folder / "blank.sqlite"


@pytest.fixture
def store(blank_workspace: Path, tmp_path: Path) -> Iterator[Store]:
    """A workspace without sites, in one file."""
    path = tmp_path / "workspace.sqlite"
    path.touch(mode=0o600)
    shutil.copyfile(blank_workspace, path)
    with open_store(path, cache=tmp_path / "cache") as opened:
        yield opened


@pytest.fixture(scope="session")
def screened_slope() -> Callable[..., Path]:
    """The maker of a screening: houses 9 m by 8 m in rows, on ground that rises 5 % to the east.

    ``corner`` is the south-west corner of the ground, ``ground_m`` its side; ``across`` houses stand in each of
    as many rows, ``apart_m`` from one another, the first 40 m in; ``shapeless`` more have no outline.
    """

    def made(
        folder: Path,
        corner: tuple[float, float],
        *,
        across: int,
        apart_m: float,
        ground_m: int,
        shapeless: int = 0,
    ) -> Path:
        k = np.arange(across**2)
        x, y = corner[0] + 40 + apart_m * (k % across), corner[1] + 40 + apart_m * (k // across)
        shapes = [*shapely.box(x, y, x + 9, y + 8), *[None] * shapeless]
        ids = [f"H{n}" for n in range(len(shapes))]
        homes, tile, out = folder / "homes.gpkg", folder / "z.tif", folder / "out.parquet"
        gpd.GeoDataFrame({"id": ids}, geometry=shapes, crs="EPSG:27700").to_file(homes)
        z = np.broadcast_to(50 + 0.05 * np.arange(ground_m), (ground_m, ground_m)).astype(np.float32)
        with rasterio.open(
            tile, "w", driver="GTiff", width=ground_m, height=ground_m, count=1, dtype="float32",
            crs="EPSG:27700", nodata=-9999, transform=Affine(1, 0, corner[0], 0, -1, corner[1] + ground_m),
        ) as sink:  # fmt: skip
            sink.write(z, 1)
        screen_homes(str(homes), [str(tile)], out, ref=reference.default(), relative_error_m=0.01)
        return out

    return made
