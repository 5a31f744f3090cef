"""Screening many homes: homes a second, growth, workers, memory, and the straightforward way beside it.

An invented estate on invented ground: plots of 20 x 20 m, houses of about 9 x 8 m turned anyhow, every second
pair semi-detached, tiles of 1 km in cells of 1 m with 20 mm of noise. Times are of this machine on this day and
hold whatever else ran on it. Beside them stand processor seconds, what each process waited for, and what the
same processor seconds come to where every worker has a processor of its own. Nothing is asserted.

    python tests/benchmarks/bench_screen.py --homes 10000 100000
    python tests/benchmarks/bench_screen.py --homes 1000000 --workers 2
"""

from __future__ import annotations

import argparse
import resource
import statistics
import sys
import tempfile
import threading
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import rasterstats
import shapely
from affine import Affine
from numpy.typing import NDArray

from geo import reference
from geo.screen.run import screen_homes

REF = reference.default()
E, N = 400_000.0, 300_000.0
PLOT_M, TILE_M = 20.0, 1000
CRS = "EPSG:27700"


def outlines(homes: int) -> NDArray[Any]:
    """Return house outlines, row by row of plots, whole square kilometres at a time."""
    a_side = int(TILE_M / PLOT_M)
    k = np.arange(homes)
    tile, plot = np.divmod(k, a_side * a_side)
    wide = max(1, round(np.sqrt(homes / a_side**2)))
    x = E + TILE_M * (tile % wide) + PLOT_M * (plot % a_side) + PLOT_M / 2 + 0.13  # no wall on a row of cells
    y = N + TILE_M * (tile // wide) + PLOT_M * (plot // a_side) + PLOT_M / 2 + 0.29
    pair = (plot // 2) % 2 == 0
    random = np.random.default_rng(1)
    turn = np.radians(np.where(pair, 0.0, random.uniform(0, 90, homes)))
    left = np.where(pair & (plot % 2 == 0), 1.6, -4.5)  # the two of a pair meet at the line between plots
    left = np.where(pair & (plot % 2 == 1), -10.0, left)
    width = np.where(pair, 8.4, 9.0)
    corner_x = np.stack([left, left, left + width, left + width], axis=1)
    corner_y = np.broadcast_to([-4.0, 4.0, 4.0, -4.0], corner_x.shape)
    c, s = np.cos(turn)[:, None], np.sin(turn)[:, None]
    xy = np.stack(
        [x[:, None] + c * corner_x - s * corner_y, y[:, None] + s * corner_x + c * corner_y], axis=2
    )
    return np.asarray(shapely.polygons(xy))


def write_estate(folder: Path, homes: int) -> tuple[str, list[str]]:
    """Write footprints as a GeoPackage and the ground as tiles; return their names."""
    shapes = outlines(homes)
    path = folder / f"homes-{homes}.gpkg"
    if not path.exists():
        frame = gpd.GeoDataFrame({"id": np.arange(homes)}, geometry=shapes, crs=CRS)
        frame.to_file(path, layer_options={"SPATIAL_INDEX": "NO"})
    west, south, east, north = shapely.total_bounds(shapes)
    tiles = []
    for column in range(int((west - E) // TILE_M), int((east - E) // TILE_M) + 1):
        for row in range(int((south - N) // TILE_M), int((north - N) // TILE_M) + 1):
            name = folder / f"tile-{column}-{row}.tif"
            tiles.append(str(name))
            if not name.exists():
                write_tile(name, E + TILE_M * column, N + TILE_M * row)
    return str(path), tiles


def write_tile(path: Path, left: float, bottom: float) -> None:
    """Write a square kilometre of rolling ground."""
    random = np.random.default_rng(int(left + 7 * bottom) % 2**32)
    x, y = left + np.arange(TILE_M) + 0.5, bottom + TILE_M - np.arange(TILE_M) - 0.5
    z = (
        60
        + 8 * np.sin(x / 190)[None, :] * np.cos(y / 230)[:, None]
        + 2 * np.sin((x[None, :] + y[:, None]) / 71)
    )
    z = z + random.normal(0, 0.02, z.shape)
    with rasterio.open(
        path, "w", driver="GTiff", width=TILE_M, height=TILE_M, count=1, dtype="float32", crs=CRS, nodata=-9999,
        transform=Affine(1, 0, left, 0, -1, bottom + TILE_M), tiled=True, blockxsize=256, blockysize=256,
        compress="deflate", predictor=3, zlevel=1,
    ) as sink:  # fmt: skip
        sink.write(np.round(z, 3).astype(np.float32), 1)


def processor_s() -> float:
    """Return processor seconds of this process and its children that have ended."""
    return sum(
        used.ru_utime + used.ru_stime
        for used in (resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN))
    )


class Watch(threading.Thread):
    """Watches this process and its children: memory they hold together, and what their time goes on.

    ``most`` is in megabytes, a proportional share of what they share. ``ran``, ``queued`` and ``lived`` are by
    process, seconds: on a processor, ready and waiting for one, and from first to last look. The rest of its
    life it waited for something else: the disk, or another process. Only Linux tells them apart.
    """

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.most, self.over = 0.0, threading.Event()
        self.ran: dict[int, float] = {}
        self.queued: dict[int, float] = {}
        self.lived: dict[int, float] = {}
        self._since: dict[int, tuple[float, float, float]] = {}

    def run(self) -> None:
        """Look every three seconds: looking takes time itself."""
        import psutil

        me = psutil.Process()
        while not self.over.wait(3.0):
            held = 0
            for one in (me, *me.children(recursive=True)):
                try:
                    held += one.memory_full_info().pss
                    self._look(one.pid)
                except (psutil.Error, OSError):
                    continue
            self.most = max(self.most, held / 1e6)

    def _look(self, pid: int) -> None:
        """Take what the kernel counts of a process's first thread, in nanoseconds."""
        ran, queued, _ = (float(one) for one in Path(f"/proc/{pid}/schedstat").read_text().split())
        now = time.perf_counter()
        first = self._since.setdefault(pid, (ran, queued, now))
        self.ran[pid], self.queued[pid] = (ran - first[0]) / 1e9, (queued - first[1]) / 1e9
        self.lived[pid] = now - first[2]

    def told(self) -> str:
        """Say where the time of the busiest processes went, those that worked on blocks first."""
        busy = sorted(self.ran, key=lambda pid: -self.ran[pid])[:3]
        parts = [
            f"{self.lived[pid]:.0f} s = {self.ran[pid]:.0f} running + {self.queued[pid]:.0f} waiting for a"
            f" processor + {max(0.0, self.lived[pid] - self.ran[pid] - self.queued[pid]):.0f} for anything else"
            for pid in busy
        ]
        return "; ".join(parts)


class Parts:
    """Processor seconds of this process before the first block, while blocks are worked out, and after the last."""

    def __init__(self) -> None:
        self.begun, self.marks = _own_s(), [_own_s()]

    def tell(self, done: int, total: int) -> None:
        """Mark a block."""
        del done, total
        self.marks.append(_own_s())

    def alone_s(self) -> float:
        """Return the seconds in which no block was worked out."""
        return self.marks[1] - self.begun + _own_s() - self.marks[-1]


def _own_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def timed(source: str, tiles: list[str], out: Path, workers: int) -> tuple[float, float, float, float, str]:
    """Return seconds, processor seconds, those of them nothing ran beside, most megabytes, and where time went."""
    watch, parts = Watch(), Parts()
    watch.start()
    begun, used = time.perf_counter(), processor_s()
    screen_homes(source, tiles, out, ref=REF, jobs=workers, tell=parts.tell)
    took, used = time.perf_counter() - begun, processor_s() - used
    alone = parts.alone_s()
    watch.over.set()
    watch.join()
    return took, used, alone, watch.most, watch.told()


def straightforward(source: str, tiles: list[str], count: int) -> pd.DataFrame:
    """Return falls by wall as one writes it with geopandas and rasterstats: a clipped strip a wall, a fit each."""
    homes = gpd.read_file(source, rows=count + 2000)
    buffered = homes.geometry.buffer(np.sqrt(0.5) - 1e-9)
    index = homes.sindex
    rows, strips = [], []
    for number in range(count):
        shape = homes.geometry.iloc[number]
        xy = shapely.get_coordinates(shapely.geometry.polygon.orient(shape, -1).exterior)
        for a, b in pairwise(xy):
            length = float(np.hypot(*(b - a)))
            unit = (b - a) / length
            out = np.array([-unit[1], unit[0]])
            line = shapely.LineString([a, b])
            near = [k for k in index.query(line, predicate="dwithin", distance=0.1) if k != number]
            if any(homes.geometry.iloc[k].buffer(0.1).intersection(line).length > length / 2 for k in near):
                continue
            strip = shapely.Polygon([a, b, b + 4 * out, a + 4 * out])
            stands = index.query(strip.buffer(1.0))
            strips.append(strip.difference(shapely.union_all(buffered.iloc[stands].to_numpy())))
            rows.append((number, (a + b) / 2, out))
    with rasterio.open(tiles[0]) as ground:
        z, transform = ground.read(1), ground.transform
    found = rasterstats.zonal_stats(strips, z, affine=transform, nodata=-9999, stats="count", raster_out=True)
    falls = []
    for (number, foot, out), one in zip(rows, found, strict=True):
        heights = one["mini_raster_array"]
        row, column = np.nonzero(~heights.mask)
        t = one["mini_raster_affine"]
        x, y = t.c + t.a * (column + 0.5) - foot[0], t.f + t.e * (row + 0.5) - foot[1]
        d, s = x * out[0] + y * out[1], y * out[0] - x * out[1]
        fitted = np.linalg.lstsq(
            np.column_stack([np.ones_like(d), d, s]), heights.data[row, column].astype(float), rcond=None
        )[0]
        falls.append((number, np.degrees(np.arctan2(*out)) % 360, 100 * fitted[1], len(d)))
    return pd.DataFrame(falls, columns=["home_no", "bearing_deg", "fall_percent", "n"])


def compare(folder: Path, count: int) -> None:
    """Time the straightforward way on some homes, after seeing that both give the same answers."""
    source, tiles = write_estate(folder, 2500)
    ours = folder / "all.parquet"
    screen_homes(source, tiles, ours, ref=REF)
    used = processor_s()
    screen_homes(source, tiles, ours, ref=REF)
    mine = (processor_s() - used) / 2500
    used = processor_s()
    theirs = straightforward(source, tiles, count)
    general = (processor_s() - used) / count
    walls = gpd.read_parquet(folder / "all-walls.parquet").dropna(subset="fall_percent")
    walls = walls[walls["home_no"] < count]
    both = walls.assign(key=walls["bearing_deg"].round(2)).merge(
        theirs.assign(key=theirs["bearing_deg"].astype(np.float32).round(2)), on=["home_no", "key"]
    )
    apart = (both["fall_percent_x"] - both["fall_percent_y"]).abs().max()
    alike = (both["n_x"] == both["n_y"]).mean()
    print(
        f"geopandas and rasterstats on {count} homes, falls only: {len(both)} of {len(walls)} walls matched,"
        f" cells the same at {alike:.2%}, falls apart by at most {apart:.2g} %"
    )
    print(
        f"  {general * 1e3:.2f} ms a home against {mine * 1e3:.3f} ms with the water: ratio {general / mine:.0f}"
    )


def main() -> int:
    """Print everything."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--homes", type=int, nargs="+", default=[10_000, 100_000])
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--repeats", type=int, default=1)
    parser.add_argument("--compare", type=int, default=300)
    parser.add_argument("--folder", type=Path, help="keep the estate here, to use again")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        folder = chosen.folder or Path(made)
        folder.mkdir(exist_ok=True)
        if chosen.compare:
            compare(folder, chosen.compare)
        for homes in chosen.homes:
            source, tiles = write_estate(folder, homes)
            first = free_first = 0.0
            for workers in chosen.workers:
                runs = [timed(source, tiles, folder / "out.parquet", workers) for _ in range(chosen.repeats)]
                took, used, alone, most = (
                    statistics.median(column) for column in list(zip(*runs, strict=True))[:4]
                )
                free = alone + (used - alone) / workers
                if workers == 1:
                    first, free_first = took, free
                said = f", {first / took:.2f} x one worker" if workers > 1 and first else ""
                least = f", {free_first / free:.2f} x one worker" if workers > 1 and first else ""
                print(
                    f"{homes:9,d} homes, {len(tiles)} tiles, {workers} workers: {took:7.1f} s,"
                    f" {homes / took:,.0f} homes/s{said}; {most:,.0f} MB\n"
                    f"{'':>10}processor {used:.1f} s, {homes / used:,.0f} homes/s a core, {alone:.1f} s of it alone:"
                    f" with {workers} free it takes {free:.1f} s{least}\n"
                    f"{'':>10}{runs[-1][4]}",
                    flush=True,
                )
    return 0


if __name__ == "__main__":
    sys.exit(main())
