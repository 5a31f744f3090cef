"""Time joining readings to walls, side by side with a general nearest join on the same points and faces.

Run: ``python tests/benchmarks/bench_join.py``. The general join is ``geopandas.sjoin_nearest`` with the same
reach. No ratio is printed unless both find the same distance for every reading, the same readings without a
wall, and a face that is among the other's ties. The whole join (side, party walls, rivals, chainage, sigma,
reasons) is timed besides: it does more work, and its ratio is printed as such.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geo import reference
from geo.perimeter.build import Perimeter, build_perimeter
from geo.perimeter.join import counts, join_to_walls
from geo.perimeter.nearest import nearest_faces

REF = reference.default()
SIZES = ((1_000, 10), (10_000, 100), (100_000, 1_000))
REPEATS = 5


def street(count: int) -> gpd.GeoDataFrame:
    """Make terraces of L-shaped houses, forty to a row, every other row a metre apart from house to house."""
    place = np.arange(count)
    row, house = np.divmod(place, 40)
    east = 412000.0 + house * np.where(row % 2 == 0, 6.0, 10.0)
    north = 287000.0 + row * 30.0
    ell = np.array([(0, 0), (0, 9), (4, 9), (4, 6), (6, 6), (6, 0)], dtype=np.float64)
    corners = ell[None, :, :] + np.column_stack([east, north])[:, None, :]
    table = {"role": "subject", "wall_thickness_m": 0.29, "ring_kinds": [{} for _ in place]}
    names = [f"B{i + 1}" for i in place]
    return gpd.GeoDataFrame(table, geometry=list(shapely.polygons(corners)), crs=27700, index=names)


def readings(perimeter: Perimeter, count: int, seed: int = 1) -> pd.DataFrame:
    """Scatter readings along the walls, most of them a hand outside, some inside and some in the open."""
    rng = np.random.default_rng(seed)
    row = rng.integers(len(perimeter.faces), size=count)
    start, unit, normal = (part[row] for part in perimeter.frames)
    along = rng.uniform(0, 1, count) * perimeter.faces["length_m"].to_numpy()[row]
    inside = rng.random(count) < 0.3
    offset = np.where(inside, -0.29, rng.gamma(2.0, 0.08, count))
    xy = start + unit * along[:, None] + normal * offset[:, None]
    side = np.where(inside, "inside", "outside").astype(object)
    return pd.DataFrame({"x": xy[:, 0], "y": xy[:, 1], "sigma_m": 0.03, "side": side})


def timed(work: Callable[[], object]) -> float:
    """Return the median time in milliseconds, one warm-up before."""
    work()
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        times.append(1000 * (time.perf_counter() - start))
    return statistics.median(times)


def disagreements(found: tuple[np.ndarray, np.ndarray], general: pd.DataFrame, perimeter: Perimeter) -> int:
    """Count the readings on which the two joins differ."""
    face, distance = found
    known = general.dropna(subset=["gap"])
    per_point = known.groupby(level=0)["gap"].first().reindex(range(len(face)))
    theirs = per_point.fillna(np.inf).to_numpy()
    differs = ~((np.abs(np.where(np.isinf(theirs), 0, theirs - np.where(np.isinf(distance), 0, distance))) < 1e-9)
                & (np.isinf(theirs) == np.isinf(distance)))  # fmt: skip
    keys = perimeter.faces.index.to_numpy()
    named = pd.MultiIndex.from_arrays([known.index, known["key"]])
    mine = pd.MultiIndex.from_arrays([np.arange(len(face)), keys[np.maximum(face, 0)]])
    return int((differs | (~mine.isin(named) & (face >= 0))).sum())


def main() -> int:
    """Print times and ratios; exit 1 when the two joins disagree."""
    reach = REF.value("join.reach_m")
    print("readings  buildings  build ms  nearest ms  general ms  times faster  whole join ms  times faster")
    for count, houses in SIZES:
        outlines = street(houses)
        start = time.perf_counter()
        perimeter = build_perimeter(outlines, ref=REF)
        built = 1000 * (time.perf_counter() - start)
        places = readings(perimeter, count)
        xy = places[["x", "y"]].to_numpy()
        points = gpd.GeoDataFrame(geometry=gpd.points_from_xy(xy[:, 0], xy[:, 1]), crs=27700)
        walls = gpd.GeoDataFrame({"key": perimeter.faces.index}, geometry=perimeter.faces.geometry.to_numpy(), crs=27700)  # fmt: skip

        def general(points: gpd.GeoDataFrame = points, walls: gpd.GeoDataFrame = walls) -> pd.DataFrame:
            return gpd.sjoin_nearest(points, walls, how="left", max_distance=reach, distance_col="gap")

        def ours(xy: np.ndarray = xy, perimeter: Perimeter = perimeter) -> tuple[np.ndarray, np.ndarray]:
            return nearest_faces(xy, perimeter, reach_m=reach)

        def whole(places: pd.DataFrame = places, perimeter: Perimeter = perimeter) -> pd.DataFrame:
            return join_to_walls(places, perimeter, ref=REF)

        tally = counts(whole())
        if tally["taken"] != tally["joined"] + tally["ambiguous"] + tally["unjoined"]:
            print(f"readings were lost: {tally}")
            return 1
        wrong = disagreements(ours(), general(), perimeter)
        if wrong:
            print(f"{wrong} of {count} readings differ: no ratio")
            return 1
        mine, theirs, all_of_it = timed(ours), timed(general), timed(whole)
        print(f"{count:8d}  {houses:9d}  {built:8.0f}  {mine:10.1f}  {theirs:10.1f}  {theirs / mine:12.1f}"
              f"  {all_of_it:13.1f}  {theirs / all_of_it:12.1f}   {tally}")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
