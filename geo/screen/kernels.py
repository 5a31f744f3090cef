"""The inner loops over corners and cells, compiled: they do what the rooms below do for one site.

``clean_rings`` is :func:`geo.perimeter.rings.clean` for many rings, ``sum_strips`` the sums of
:func:`geo.ground.strips.fit_planes`, ``mark_buildings`` its mask. Cells are counted on a lattice without
beginning: cell (row, column) of the lattice has its centre at ``x = ox + a (column + 0.5)`` and
``y = oy - b (row + 0.5)``, so that a cell has the same centre, to the last bit, whatever part of the ground
was read.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

SUMS = 10
SHRINK_M = 0.01  # a building hides only what lies this far within it, as on a single site
BASE_M = 0.02  # … and only from this far off the wall's line


@njit("(f8[:,::1], i8[::1], f8, f8)", cache=True, error_model="numpy")
def clean_rings(xy: Any, starts: Any, straight_rad: float, shortest_m: float) -> Any:
    """Clean rings and turn them clockwise.

    Parameters
    ----------
    xy, starts
        (n, 2) vertices of all rings, and (rings + 1,) where each begins; closed or not.

    Returns
    -------
    (n, 2) corners, packed from each ring's own start on, and (rings,) their numbers; 0 where fewer than
    three are left.
    """
    out = xy.copy()
    counts = np.zeros(len(starts) - 1, dtype=np.int64)
    for ring in range(len(starts) - 1):
        first = starts[ring]
        n = starts[ring + 1] - first
        p = out[first : first + n]
        if n and abs(p[0, 0] - p[n - 1, 0]) <= 1e-9 and abs(p[0, 1] - p[n - 1, 1]) <= 1e-9:
            n -= 1
        while n >= 3:
            least, short = np.inf, 0
            for i in range(n):
                j = (i + 1) % n
                length = np.hypot(p[j, 0] - p[i, 0], p[j, 1] - p[i, 1])
                if length < least:
                    least, short = length, i
            gone = -1
            if least < shortest_m:
                gone = (short + 1) % n
            else:
                least = np.inf
                for i in range(n):
                    h, j = (i - 1) % n, (i + 1) % n
                    ux, uy = p[i, 0] - p[h, 0], p[i, 1] - p[h, 1]
                    vx, vy = p[j, 0] - p[i, 0], p[j, 1] - p[i, 1]
                    turn = abs(np.arctan2(ux * vy - uy * vx, ux * vx + uy * vy))
                    if turn < least:
                        least, short = turn, i
                if least >= straight_rad:
                    break
                gone = short
            for i in range(gone, n - 1):
                p[i, 0], p[i, 1] = p[i + 1, 0], p[i + 1, 1]
            n -= 1
        if n < 3:
            continue
        area = 0.0
        for i in range(n):
            j = (i + 1) % n
            area += (p[i, 0] - p[0, 0]) * (p[j, 1] - p[0, 1]) - (p[i, 1] - p[0, 1]) * (p[j, 0] - p[0, 0])
        if area > 0:
            for i in range(n // 2):
                for k in range(2):
                    p[i, k], p[n - 1 - i, k] = p[n - 1 - i, k], p[i, k]
        counts[ring] = n
    return out, counts


@njit("(f8[:,::1], i4[::1], i8, i8, i8, i8, f8, f8, f8, f8, f8)", cache=True, error_model="numpy")
def mark_buildings(
    ends: Any, home: Any, rows: int, columns: int, row0: int, column0: int,
    ox: float, oy: float, a: float, b: float, near_m: float,
) -> Any:  # fmt: skip
    """Mark cells in a building, and cells near one.

    Parameters
    ----------
    ends, home
        (edges, 4) x and y of both ends of every edge, those of one building together, and its number.
    rows, columns, row0, column0
        Rows and columns, and the lattice row and column of the first.
    near_m
        Cells whose centre is this near to an edge are marked too.

    Returns
    -------
    (rows, columns) number of the building that covers the cell's centre, -1 where none does; and whether
    the cell is covered or near.
    """
    inside = np.full((rows, columns), -1, dtype=np.int32)
    near = np.zeros((rows, columns), dtype=np.bool_)
    count = len(ends)
    crossings = np.empty(max(1, count))
    first = 0
    while first < count:
        last = first
        low, high = np.inf, -np.inf
        while last < count and home[last] == home[first]:
            low = min(low, ends[last, 1], ends[last, 3])
            high = max(high, ends[last, 1], ends[last, 3])
            last += 1
        top = max(0, int(np.floor((oy - high) / b)) - row0 - 1)
        bottom = min(rows, int(np.ceil((oy - low) / b)) - row0 + 1)
        for r in range(top, bottom):
            y = oy - b * (row0 + r + 0.5)
            found = 0
            for e in range(first, last):
                x1, y1, x2, y2 = ends[e, 0], ends[e, 1], ends[e, 2], ends[e, 3]
                if (y1 <= y) != (y2 <= y):
                    crossings[found] = x1 + (y - y1) / (y2 - y1) * (x2 - x1)
                    found += 1
            for k in range(1, found):
                at, m = crossings[k], k
                while m > 0 and crossings[m - 1] > at:
                    crossings[m] = crossings[m - 1]
                    m -= 1
                crossings[m] = at
            for k in range(0, found - 1, 2):
                left = max(0, int(np.ceil((crossings[k] - ox) / a - 0.5)) - column0)
                right = min(columns, int(np.ceil((crossings[k + 1] - ox) / a - 0.5)) - column0)
                for c in range(left, right):
                    inside[r, c] = home[first]
                    near[r, c] = True
        first = last
    for e in range(count):
        x1, y1, x2, y2 = ends[e, 0], ends[e, 1], ends[e, 2], ends[e, 3]
        ux, uy = x2 - x1, y2 - y1
        square = ux * ux + uy * uy
        top = max(0, int(np.floor((oy - max(y1, y2) - near_m) / b - 0.5)) - row0)
        bottom = min(rows, int(np.ceil((oy - min(y1, y2) + near_m) / b)) - row0 + 1)
        left = max(0, int(np.floor((min(x1, x2) - near_m - ox) / a - 0.5)) - column0)
        right = min(columns, int(np.ceil((max(x1, x2) + near_m - ox) / a)) - column0 + 1)
        for r in range(top, bottom):
            wy = oy - b * (row0 + r + 0.5) - y1
            for c in range(left, right):
                wx = ox + a * (column0 + c + 0.5) - x1
                t = 0.0 if square == 0.0 else min(1.0, max(0.0, (wx * ux + wy * uy) / square))
                gx, gy = wx - t * ux, wy - t * uy
                if gx * gx + gy * gy <= near_m * near_m:
                    near[r, c] = True
    return inside, near


def bin_edges(ends: Any, left: float, bottom: float, side_m: float, wide: int, tall: int) -> Any:
    """Sort edges into square bins: (bins + 1,) where each bin begins, and the edges bin by bin.

    An edge stands in every bin its bounds touch; one outside all bins in the nearest.
    """
    low = np.minimum(ends[:, :2], ends[:, 2:]) - (left, bottom)
    high = np.maximum(ends[:, :2], ends[:, 2:]) - (left, bottom)
    last = np.array([wide - 1, tall - 1])
    first = np.clip(np.floor(low / side_m), 0, last).astype(np.int64)
    span = np.clip(np.floor(high / side_m), 0, last).astype(np.int64) - first + 1
    count = span.prod(axis=1)
    edge = np.repeat(np.arange(len(ends)), count)
    k = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    across = span[edge, 0]
    where = (first[edge, 1] + k // across) * wide + first[edge, 0] + k % across
    starts = np.zeros(wide * tall + 1, dtype=np.int64)
    starts[1:] = np.cumsum(np.bincount(where, minlength=wide * tall))
    return starts, edge[np.argsort(where, kind="stable")]


@njit("b1(f8[:,::1], i8, f8, f8)", cache=True, error_model="numpy")
def _hides(edges: Any, count: int, s: float, d: float) -> bool:
    """Return whether an edge lies between the wall's line and a cell, a little to either side of it too."""
    hits = 0
    for side in (-SHRINK_M, SHRINK_M):
        at = s + side
        for k in range(count):
            s1, d1, s2, d2 = edges[k, 0], edges[k, 1], edges[k, 2], edges[k, 3]
            if (s1 <= at) != (s2 <= at):
                crossed = d1 + (at - s1) / (s2 - s1) * (d2 - d1)
                if BASE_M + SHRINK_M < crossed < d:
                    hits += 1
                    break
    return hits == 2


@njit(
    "(f4[:,::1], b1[:,::1], i8, i8, f8, f8, f8, f8, f8[:,::1], f8[:,::1], f8[::1], f8, f8, f8,"
    " f8[:,::1], i8[::1], i8[::1], f8, f8, f8, i8, i8)",
    cache=True,
    error_model="numpy",
)
def sum_strips(
    z: Any, near: Any, row0: int, column0: int, ox: float, oy: float, a: float, b: float,
    foot: Any, normal: Any, half_m: Any, near_m: float, far_m: float, step_m: float,
    ends: Any, starts: Any, listed: Any, left: float, bottom: float, side_m: float, wide: int, tall: int,
) -> Any:  # fmt: skip
    """Sum over the clean cells of strips before walls.

    Parameters
    ----------
    z, near
        (rows, columns) heights, NaN where there are none, and cells not to be used.
    foot, normal, half_m
        (strips, 2) middle of the wall and its outward unit normal; (strips,) half its length.
    step_m
        Distances from the wall are told apart in steps of this.
    ends, starts, listed, left, bottom, side_m, wide, tall
        Edges of every building, in bins (see :func:`bin_edges`).

    Returns
    -------
    (strips,) base height, (10, strips) sums, and (strips,) distinct distances, cells without a height, and
    cells too near a building or hidden by one.
    """
    strips = len(foot)
    rows, columns = z.shape
    base = np.zeros(strips)
    sums = np.zeros((SUMS, strips))
    distances = np.zeros(strips, dtype=np.int64)
    blank = np.zeros(strips, dtype=np.int64)
    taken = np.zeros(strips, dtype=np.int64)
    bins = int(far_m / step_m) + 2
    seen = np.zeros(bins, dtype=np.bool_)
    edges = np.empty((1024, 4))
    for i in range(strips):
        fx, fy, e, n, half = foot[i, 0], foot[i, 1], normal[i, 0], normal[i, 1], half_m[i]
        reach_x, reach_y = abs(n) * half, abs(e) * half
        west, east = min(fx, fx + e * far_m) - reach_x, max(fx, fx + e * far_m) + reach_x
        south, north = min(fy, fy + n * far_m) - reach_y, max(fy, fy + n * far_m) + reach_y
        found = 0
        r1 = min(tall - 1, max(0, int((south - bottom) // side_m)))
        r2 = min(tall - 1, max(0, int((north - bottom) // side_m)))
        c1 = min(wide - 1, max(0, int((west - left) // side_m)))
        c2 = min(wide - 1, max(0, int((east - left) // side_m)))
        for r in range(r1, r2 + 1):
            for c in range(c1, c2 + 1):
                for k in range(starts[r * wide + c], starts[r * wide + c + 1]):
                    q = listed[k]
                    d1 = (ends[q, 0] - fx) * e + (ends[q, 1] - fy) * n
                    d2 = (ends[q, 2] - fx) * e + (ends[q, 3] - fy) * n
                    if max(d1, d2) <= BASE_M + SHRINK_M or min(d1, d2) >= far_m:
                        continue
                    s1 = (ends[q, 1] - fy) * e - (ends[q, 0] - fx) * n
                    s2 = (ends[q, 3] - fy) * e - (ends[q, 2] - fx) * n
                    if max(s1, s2) < -half - SHRINK_M or min(s1, s2) > half + SHRINK_M:
                        continue
                    if found == len(edges):
                        more = np.empty((2 * found, 4))
                        more[:found] = edges
                        edges = more
                    edges[found, 0], edges[found, 1], edges[found, 2], edges[found, 3] = s1, d1, s2, d2
                    found += 1
        seen[:] = False
        first = True
        top = max(0, int(np.floor((oy - north) / b - 0.5)) - row0)
        below = min(rows, int(np.ceil((oy - south) / b + 0.5)) - row0)
        begin = max(0, int(np.floor((west - ox) / a - 0.5)) - column0)
        finish = min(columns, int(np.ceil((east - ox) / a + 0.5)) - column0)
        for r in range(top, below):
            away_y = oy - b * (row0 + r + 0.5) - fy
            for c in range(begin, finish):
                away_x = ox + a * (column0 + c + 0.5) - fx
                d = away_x * e + away_y * n
                s = away_y * e - away_x * n
                if d < near_m or d > far_m or abs(s) > half + 1e-9:
                    continue
                if near[r, c]:
                    taken[i] += 1
                    continue
                height = float(z[r, c])
                if not np.isfinite(height):
                    blank[i] += 1
                    continue
                if found and _hides(edges, found, s, d):
                    taken[i] += 1
                    continue
                if first:
                    base[i] = height
                    first = False
                v = height - base[i]
                sums[0, i] += 1.0
                sums[1, i] += d
                sums[2, i] += s
                sums[3, i] += v
                sums[4, i] += d * d
                sums[5, i] += d * s
                sums[6, i] += s * s
                sums[7, i] += d * v
                sums[8, i] += s * v
                sums[9, i] += v * v
                seen[int(np.rint(max(d, 0.0) / step_m))] = True
        distances[i] = seen.sum()
    return base, sums, distances, blank, taken
