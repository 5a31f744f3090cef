"""The same screening on a real cluster of two worker processes, by its address as a user gives it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from typer.testing import CliRunner

from geo.cli import app

distributed = pytest.importorskip("distributed")
pytestmark = pytest.mark.filterwarnings("default")  # the cluster's own, of ports and closing

E, N = 400_000.0, 300_000.0


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    """Start a scheduler and two worker processes on this machine, and give the scheduler's address."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
    ) as started:
        yield started.scheduler_address


@pytest.fixture(scope="module")
def estate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    """Write ninety homes on four tiles, and limits with small blocks, so that there are many."""
    folder = tmp_path_factory.mktemp("estate")
    random = np.random.default_rng(2)
    shapes = [
        shapely.affinity.rotate(shapely.box(E + a, N + b, E + a + 9, N + b + 8), random.uniform(0, 90))
        for a in range(20, 290, 30)
        for b in range(20, 290, 28)
    ]
    gpd.GeoDataFrame({"id": range(len(shapes))}, geometry=shapes, crs=27700).to_file(folder / "homes.gpkg")
    tiles = []
    for column in range(2):
        for row in range(2):
            x, y = 160 * column + np.arange(160) + 0.5, 160 * row + 160 - np.arange(160) - 0.5
            z = 50 + 0.07 * x[None, :] + 0.03 * y[:, None] + random.normal(0, 0.02, (160, 160))
            path = folder / f"tile{column}{row}.tif"
            with rasterio.open(
                path, "w", driver="GTiff", width=160, height=160, count=1, dtype="float32", crs="EPSG:27700",
                transform=Affine(1, 0, E + 160 * column, 0, -1, N + 160 * row + 160),
            ) as sink:  # fmt: skip
                sink.write(z.astype(np.float32), 1)
            tiles.append(str(path))
    (folder / "limits.toml").write_text("[screen]\nblock_cells = 60\n")
    return folder, tiles


def run(estate: tuple[Path, list[str]], name: str, *options: str) -> str:
    """Run the command on the estate and return what it printed."""
    folder, tiles = estate
    asked = ["screen", str(folder / "homes.gpkg"), *tiles, "--out", str(folder / f"{name}.parquet"),
             "--limits", str(folder / "limits.toml"), *options]  # fmt: skip
    found = CliRunner().invoke(app, asked)
    assert found.exit_code == 0, found.output
    return found.stdout


def test_a_cluster_gives_the_same_files(cluster: str, estate: tuple[Path, list[str]]) -> None:
    """Two worker processes reached over the network write byte for byte what this process writes."""
    folder, _ = estate
    with distributed.Client(cluster, set_as_default=False) as client:
        before = client.run(lambda dask_worker: dask_worker.state.executed_count)
        assert len(before) == 2
        there = run(estate, "there", "--cluster", cluster)
        after = client.run(lambda dask_worker: dask_worker.state.executed_count)
    assert all(after[one] > before[one] for one in before), "both workers had work"
    here = run(estate, "here", "--jobs", "1")
    assert here == there
    assert here.startswith("90 homes, 90 examined")
    for suffix in ("", "-walls", "-squares"):
        assert (folder / f"here{suffix}.parquet").read_bytes() == (
            folder / f"there{suffix}.parquet"
        ).read_bytes()


def test_no_scheduler_is_one_sentence(
    estate: tuple[Path, list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """An address at which nothing answers is said, and what was asked for is not begun."""
    monkeypatch.setattr("geo.screen.run.PATIENCE", "1s")
    folder, tiles = estate
    asked = ["screen", str(folder / "homes.gpkg"), *tiles, "--out", str(folder / "no.parquet")]
    found = CliRunner().invoke(app, [*asked, "--cluster", "tcp://127.0.0.1:9"])
    assert found.exit_code == 1
    assert "no scheduler answers at tcp://127.0.0.1:9" in found.output
    assert not list(folder.glob("no*.parquet"))
