"""Time the back-up on growing estates, and side by side with a hydraulic solver on the same networks.

Run: ``python tests/benchmarks/bench_backup.py``. The solver comes with ``pip install pyswmm``; without it
only our own times are printed. The solver returns whole hydrographs, so it does more work than a level and
a volume; no ratio is printed for a network on which the two do not first agree.
"""

from __future__ import annotations

import importlib.util
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from geo import reference
from geo.drains.backup import back_up, every_blockage
from geo.drains.network import Network, build_network

REF = reference.default()
SIZES = (200, 1000, 3000, 10000)


def estate(count: int, seed: int = 1) -> Network:
    """Make an estate of gullies and chambers on a branching drain that falls to one outfall."""
    rng = np.random.default_rng(seed)
    level = np.zeros(count)
    gullies, chambers, runs = [], [], []
    for i in range(count):
        # Each node joins one of the forty before it: long branches, as along streets.
        below = -1 if i == 0 else int(rng.integers(max(0, i - 40), i))
        length = float(rng.uniform(4, 20))
        start = 50.0 if below < 0 else level[below]
        level[i] = start + length / 80.0
        sizes = {"level_sigma_m": 0.005}
        if rng.random() < 0.5:
            gullies.append({"id": f"N{i}", "rim_level_m": level[i] + rng.uniform(0.4, 1.0), "riser_mm": 150.0,
                            "outlet_invert_level_m": level[i], "state": "sound"} | sizes)  # fmt: skip
        else:
            chambers.append({"id": f"N{i}", "cover_level_m": level[i] + rng.uniform(0.6, 1.8), "length_mm": 450.0,
                             "invert_level_m": level[i], "state": "sound", "sealed": "no"} | sizes)  # fmt: skip
        runs.append({"id": f"R{i}", "from_id": f"N{i}", "to_id": "" if below < 0 else f"N{below}", "bore_mm": 100.0,
                     "invert_up_level_m": level[i], "invert_down_level_m": start, "length_m": length,
                     "state": "clear", "level_sigma_m": 0.005})  # fmt: skip
    frames = {"gully": gullies, "chamber": chambers, "run": runs}
    return build_network({kind: pd.DataFrame(rows) for kind, rows in frames.items() if rows}, ref=REF)


def timed(
    work: Callable[[], object], repeats: int = 7, clock: Callable[[], float] = time.perf_counter
) -> float:
    """Return the median time in milliseconds, one warm-up before."""
    work()
    times = []
    for _ in range(repeats):
        start = clock()
        work()
        times.append(1000 * (clock() - start))
    return statistics.median(times)


def main() -> None:
    """Print the times and the ratios."""
    print(
        f"{'nodes':>7} {'build ms':>9} {'one blockage ms':>16} {'with changes ms':>16} {'its CPU ms':>11} {'CPU µs a node':>14}"
    )
    for count in SIZES:
        start = time.perf_counter()
        network = estate(count)
        _ = network.wiring
        built = 1000 * (time.perf_counter() - start)
        source = f"N{count - 1}"
        one = timed(lambda n=network, s=source: back_up(n, blocked="R0", source=s, ref=REF, changes=False))
        full = timed(lambda n=network, s=source: back_up(n, blocked="R0", source=s, ref=REF), repeats=3)
        cpu = timed(lambda n=network, s=source: back_up(n, blocked="R0", source=s, ref=REF, changes=False),
                    clock=time.process_time)  # fmt: skip
        print(f"{count:>7} {built:>9.0f} {one:>16.1f} {full:>16.1f} {cpu:>11.1f} {1000 * cpu / count:>14.2f}")
    network = estate(200)
    print(f"every blockage of 200 nodes: {timed(lambda: every_blockage(network, REF), repeats=5):.0f} ms")
    if importlib.util.find_spec("pyswmm") is None:
        print("pyswmm is not installed: no comparison")
        return
    sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "reference"))
    import test_backup_against_solver as solver

    print(
        f"\n{'seed':>5} {'nodes':>6} {'ours ms':>8} {'solver ms':>10} {'ratio':>8}   (solver: whole hydrograph)"
    )
    ratios = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(8):
            case = solver.make_case(seed)
            network = solver.ours(case)
            found = back_up(network, blocked=case.blocked, source=case.source, ref=REF, changes=False)
            theirs = solver.flood(case, Path(folder))
            if theirs.first != found.first or abs(theirs.level_m - found.level.value) > 0.005:
                print(f"{seed:>5}: they do not agree, no ratio")
                continue
            pairs = []
            for _ in range(3):  # one of ours, one of theirs, in turn
                start = time.perf_counter()
                back_up(network, blocked=case.blocked, source=case.source, ref=REF, changes=False)
                middle = time.perf_counter()
                solver.flood(case, Path(folder))
                pairs.append((1000 * (middle - start), 1000 * (time.perf_counter() - middle)))
            mine, other = (statistics.median(each) for each in zip(*pairs, strict=True))
            ratios.append(other / mine)
            print(f"{seed:>5} {len(network.nodes):>6} {mine:>8.2f} {other:>10.1f} {other / mine:>8.0f}")
    if ratios:
        print(f"median ratio {statistics.median(ratios):.0f}, from {min(ratios):.0f} to {max(ratios):.0f}")


if __name__ == "__main__":
    main()
