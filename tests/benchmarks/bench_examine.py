"""Time and memory of the whole examination of one large site, after imports.

Run: ``python tests/benchmarks/bench_examine.py [runs]``. A made-up house and its neighbour, 500 readings by
three methods, 60 assets, 120 levels in a level book, and a raster of 400 x 400 cells of 0.25 m. The
folder is written and read for real; timed is ``examine(site)`` with every permutation the limits ask for.
Targets: 1 s on two cores and 500 MB. Prints the median, the ratio to each target, the share of each room, and
the slowest functions; exits 1 only when something was lost on the way.
"""

from __future__ import annotations

import csv
import json
import os
import resource
import statistics
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np
import rasterio
from affine import Affine

from geo.findings.check import check_folder, read_checked
from geo.findings.examine import examine
from geo.findings.places import perimeter_of
from geo.perimeter.build import Perimeter
from geo.perimeter.join import counts
from geo.site.folder import read_site

E, N = 412300.0, 287600.0
READINGS, LEVELS, CELLS, CELL_M = 500, 120, 400, 0.25
ASSETS = {"gully": 16, "downpipe": 20, "soakaway": 4, "chamber": 20}
TARGET_S, TARGET_MB = 1.0, 500.0
SHOWN = 16
OWN = f"{os.sep}geo{os.sep}"


def write_csv(path: Path, head: tuple[str, ...], rows: list[tuple[Any, ...]]) -> None:
    """Write a table."""
    with path.open("w", encoding="utf-8", newline="") as sink:
        csv.writer(sink, lineterminator="\n").writerows([head, *rows])


def outlines(folder: Path) -> Perimeter:
    """Write the outlines and return their perimeter: a house of 46 m with a courtyard, and one joined to it."""
    house = [(0, 0), (14, 0), (14, 9), (9, 9), (9, 12), (0, 12), (0, 0)]
    yard = [(3, 3), (3, 7), (7, 7), (7, 3), (3, 3)]
    next_door = [(14, 0), (22, 0), (22, 9), (14, 9), (14, 0)]
    shapes = {"B1": ("subject", [house, yard]), "B2": ("neighbour", [next_door])}
    whole = {
        "type": "FeatureCollection",
        "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::27700"}},
        "features": [
            {
                "type": "Feature",
                "properties": {"id": name, "role": role, "wall_thickness_m": 0.3},
                "geometry": {
                    "type": "Polygon",
                    "coordinates": [[[E + x, N + y] for x, y in ring] for ring in rings],
                },
            }
            for name, (role, rings) in shapes.items()
        ],
    }
    (folder / "buildings.geojson").write_text(json.dumps(whole), encoding="utf-8")
    (folder / "site.toml").write_text(
        'name = "Large house"\ncrs = "EPSG:27700"\ndatum = "step, 70.000"\n', encoding="utf-8"
    )
    return perimeter_of(read_site(folder))


def ground(x: Any, y: Any) -> Any:
    """Return the level of the ground: a slope of 3 % with dips."""
    return 70 + 0.03 * (x - E) + 0.012 * (y - N) + 0.12 * np.sin((x - E) / 3.1) * np.cos((y - N) / 2.7)


def raster(folder: Path, rng: np.random.Generator) -> None:
    """Write the ground raster."""
    place = Affine(CELL_M, 0, E + 8 - CELLS * CELL_M / 2, 0, -CELL_M, N + 6 + CELLS * CELL_M / 2)
    at = (np.arange(CELLS) + 0.5) * CELL_M
    z = ground(place.c + at[None, :], place.f - at[:, None]) + rng.normal(0, 0.02, (CELLS, CELLS))
    with rasterio.open(folder / "ground.tif", "w", driver="GTiff", height=CELLS, width=CELLS, count=1, dtype="float32", crs="EPSG:27700", transform=place) as sink:  # fmt: skip
        sink.write(z.astype(np.float32), 1)
    settings = 'model = "DTM"\nerror_m = 0.05\nrelative_error_m = 0.03\ndatum_offset_m = 0.0\n'
    (folder / "ground.toml").write_text(settings, encoding="utf-8")


def readings(folder: Path, perimeter: Perimeter, outlets: np.ndarray, rng: np.random.Generator) -> None:
    """Write readings round both rings, wetter near some outlets; a tenth are taken as the dry reference."""
    methods = (
        ("capacitance", "PAD-1", "brick", 100),
        ("resistance_masonry", "PIN-1", "mortar", 100),
        ("capacitance", "PAD-1", "gypsum_plaster", 100),
    )
    rows = []
    for i in range(READINGS):
        method, instrument, material, full = methods[i % 3]
        ring = "Y1" if i % 7 == 0 else ""
        length = float(perimeter.rings.loc["B1/Y1" if ring else "B1", "length_m"])
        side = "inside" if material == "gypsum_plaster" else "outside"
        at, control = rng.uniform(0, length), i % 10 == 0
        near = np.abs(outlets - at).min() < 1.2 and not control
        value = rng.normal(18, 4) + (60 if near and rng.random() < 0.7 else 0)
        said = f">{full - 1}" if value > full - 1 else f"{max(1.0, value):.0f}"
        level = 1.5 if control else float(rng.choice([0.1, 0.4, 0.8, 1.2]))
        offset = 0.0 if side == "outside" else -0.3
        rows.append((f"R{i + 1}", "B1", ring, side, f"{at:.3f}", offset, method, instrument, material, said, level, "yes" if control else "no"))  # fmt: skip
    head = ("id", "building_id", "ring", "side", "chainage_m", "offset_m", "method", "instrument", "material", "value", "height_m", "control")  # fmt: skip
    write_csv(folder / "readings.csv", head, rows)


def assets(folder: Path, perimeter: Perimeter, rng: np.random.Generator) -> np.ndarray:
    """Write the assets; return the chainages of those that let water out."""
    open_wall = perimeter.stations()
    open_wall = open_wall[open_wall["outside"] & (open_wall["ring_key"] == "B1")]
    spots = []
    for kind, stem in (("gully", "gullies"), ("downpipe", "downpipes")):
        chosen = rng.choice(open_wall["chainage_m"].to_numpy(), ASSETS[kind], replace=False)
        spots.append(chosen)
        rows = [(f"{kind[0].upper()}{i + 1}", "B1", f"{at:.3f}", 0.15, "sound" if i % 3 else ("lip_broken" if kind == "gully" else "joint_leaks")) for i, at in enumerate(chosen)]  # fmt: skip
        write_csv(folder / f"{stem}.csv", ("id", "building_id", "chainage_m", "offset_m", "state"), rows)
    for kind, stem in (("soakaway", "soakaways"), ("chamber", "chambers")):
        rows = []
        for i in range(ASSETS[kind]):
            turn = 2 * np.pi * i / ASSETS[kind]
            x, y = E + 8 + 18 * np.cos(turn), N + 6 + 16 * np.sin(turn)
            level = float(ground(x, y))
            rows.append((f"{kind[0].upper()}{kind[1]}{i + 1}", f"{x:.3f}", f"{y:.3f}", f"{level:.3f}"))
        write_csv(folder / f"{stem}.csv", ("id", "easting_m", "northing_m", "cover_level_m"), rows)
    return np.concatenate(spots)


def levels(folder: Path, perimeter: Perimeter) -> None:
    """Write a level book of one set-up round the house, and a damp proof course."""
    wall = perimeter.stations()
    wall = wall[wall["outside"] & (wall["ring_key"] == "B1")].reset_index(drop=True)
    rows: list[tuple[Any, ...]] = [("L0", "B1", "", "", "bench_mark", "S1", 1.5, "", 70)]
    for i in range(LEVELS):
        station = wall.iloc[(i // 2) % len(wall)]
        out = (0.05, 1.5)[i % 2] + 0.3 * (i // (2 * len(wall)))
        spot = perimeter.point_at("B1", station["chainage_m"], out)[0]
        sight = 71.5 - float(ground(*spot))
        rows.append((f"L{i + 1}", "B1", f"{station['chainage_m']:.3f}", out, "ground", "S1", "", f"{sight:.3f}", ""))  # fmt: skip
    head = ("id", "building_id", "chainage_m", "offset_m", "role", "setup_id", "backsight_m", "intermediate_sight_m", "known_level_m")  # fmt: skip
    write_csv(folder / "levels.csv", head, rows)
    length = float(perimeter.rings.loc["B1", "length_m"])
    course = [(f"C{i}", "B1", f"{at:.3f}", 70.45) for i, at in enumerate(np.linspace(0, length - 0.01, 12))]
    write_csv(folder / "dpc_points.csv", ("id", "building_id", "chainage_m", "level_m"), course)


def write_large(folder: Path, seed: int = 1) -> None:
    """Write the whole site."""
    rng = np.random.default_rng(seed)
    perimeter = outlines(folder)
    outlets = assets(folder, perimeter, rng)
    readings(folder, perimeter, outlets, rng)
    levels(folder, perimeter)
    raster(folder, rng)


def peak_mb() -> float:
    """Return the most memory this process has held, MB."""
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most / (1e6 if sys.platform == "darwin" else 1e3)


class Sampler:
    """Looks every millisecond at which line of geo the examination is at, whatever library it has called."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = defaultdict(float)
        self.over = threading.Event()
        self.watched = threading.get_ident()
        self.thread = threading.Thread(target=self.watch, daemon=True)

    def watch(self) -> None:
        """Count the time since the last look to the innermost function of geo, and to its file."""
        last = time.perf_counter()
        while not self.over.wait(0.001):
            frame: FrameType | None = sys._current_frames().get(self.watched)
            while frame is not None and OWN not in frame.f_code.co_filename:
                frame = frame.f_back
            now = time.perf_counter()
            if frame is not None:
                name = frame.f_code.co_filename.split(OWN)[-1]
                self.spent[f"{name}:{frame.f_code.co_name}"] += now - last
            last = now

    def run(self, work: Callable[[], object], times: int) -> dict[str, float]:
        """Return the share of time by function, most first."""
        before = sys.getswitchinterval()
        sys.setswitchinterval(0.0005)
        self.thread.start()
        for _ in range(times):
            work()
        self.over.set()
        self.thread.join()
        sys.setswitchinterval(before)
        total = sum(self.spent.values())
        return {name: spent / total for name, spent in sorted(self.spent.items(), key=lambda item: -item[1])}


def main() -> int:
    """Print times, memory and where the time goes; exit 1 when readings were lost or the site has an error."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    with tempfile.TemporaryDirectory() as work:
        folder = Path(work)
        write_large(folder)
        errors = [said for said in check_folder(folder) if said.severity == "error"]
        if errors:
            print(*errors[:5], sep="\n")
            return 1
        site = read_checked(folder)
        taken = len(site.of("reading")), sum(len(site.of(kind)) for kind in ASSETS)
        before = peak_mb()
        elapsed, busy = [], []
        for _ in range(runs):
            start, start_busy = time.perf_counter(), time.process_time()
            found = examine(site)
            elapsed.append(time.perf_counter() - start)
            busy.append(time.process_time() - start_busy)
        tally = counts(found.readings)
        if tally["taken"] != tally["joined"] + tally["ambiguous"] + tally["unjoined"] or taken != (
            READINGS,
            60,
        ):
            print(f"readings or assets were lost: {taken} {tally}")
            return 1
        permutations = site.reference.value("confidence.permutations")
        print(f"{taken[0]} readings, {taken[1]} assets, {CELLS} x {CELLS} cells, {permutations:.0f} permutations, "
              f"{len(found.stations)} stations, {len(found.outlets.clusters)} groups; joined {tally['joined']}")  # fmt: skip
        typical, least = statistics.median(elapsed), min(elapsed)
        print(f"first run {elapsed[0]:.2f} s, median {typical:.2f} s, least {least:.2f} s; processor, median "
              f"{statistics.median(busy):.2f} s, least {min(busy):.2f} s")  # fmt: skip
        print(
            f"target / median: {TARGET_S / typical:.2f}; target / least: {TARGET_S / least:.2f} (1 or more meets it)"
        )
        print(
            f"peak memory {peak_mb():.0f} MB (before {before:.0f}); target / peak: {TARGET_MB / peak_mb():.2f}"
        )
        shares = Sampler().run(lambda: examine(site), runs)
        files: dict[str, float] = defaultdict(float)
        for name, share in shares.items():
            files[name.split(":")[0]] += share
        for said, table in (("file", files), ("function", shares)):
            print(f"share of time by {said} of geo, what it calls in libraries counted to it:")
            for name, share in sorted(table.items(), key=lambda item: -item[1])[:SHOWN]:
                print(f"  {share:6.1%}  {1000 * share * min(busy):5.0f} ms  {name}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
