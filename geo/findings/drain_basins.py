"""Hollows within a hollow: which fills first with few litres, and over what sill the rest runs on."""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.morphology import local_minima
from skimage.segmentation import watershed

from geo.ground.flood import EIGHT

Numbers = NDArray[np.float64]
Labels = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Standing:
    """Water standing in the hollows of one basin.

    Parameters
    ----------
    level_m
        (rows, columns) level of the water over each cell; NaN where it is dry.
    hollow
        (rows, columns) the hollow each wet cell stands in, numbered in the order they filled; -1 where dry.
    stored_l
        Litres that stand in all.
    over_l
        Litres that did not fit.
    """

    level_m: Numbers
    hollow: Labels
    stored_l: float
    over_l: float


@dataclass(slots=True)
class _Hollow:
    """A hollow being filled; only :func:`fill_hollows` sees it."""

    sills: list[tuple[float, int]]
    entry_m: float
    regions: list[int]
    level_m: float
    z: Numbers
    held_m: float = 0.0


def fill_hollows(
    z: Numbers,
    mask: NDArray[np.bool_],
    start: tuple[int, int],
    *,
    litres: float,
    cell_m2: float,
    top_m: float,
) -> Standing:
    """Pour litres into a basin at a cell, and fill its hollows one after another.

    Water runs down to the hollow the cell lies in and fills it. At its lowest sill it runs over into the
    next, which fills from its own bottom; once that stands at the sill too the two are one water.

    Parameters
    ----------
    z
        (rows, columns) ground, m.
    mask
        Cells of the basin; the start is one of them.
    litres
        What is poured; infinite to fill it to the top.
    cell_m2
        Plan area of a cell, m².
    top_m
        Level at which water leaves the basin, m; infinite where nothing lets it out.

    Returns
    -------
    Standing. ``litres = stored_l + over_l``, but for rounding.
    """
    regions, lowest = _regions(z, mask)
    order = np.argsort(regions[mask], kind="stable")
    heights = np.split(z[mask][order], np.cumsum(np.bincount(regions[mask])[1:-1]))
    neighbours = _sills(z, regions)
    seen = {int(regions[start])}

    def hollow(region: int, entry_m: float) -> _Hollow:
        sills = list(neighbours.get(region, ()))
        heapq.heapify(sills)
        cells = heights[region - 1]
        return _Hollow(
            sills=sills, entry_m=entry_m, regions=[region], level_m=float(lowest[region - 1]), z=cells
        )

    left = litres / 1000.0 / cell_m2
    stack = [hollow(int(regions[start]), math.inf)]
    while True:
        here = stack[-1]
        while here.sills and here.sills[0][1] in seen:
            heapq.heappop(here.sills)
        out = here.sills[0][0] if here.sills else math.inf
        brim = min(out, here.entry_m, top_m)
        need = _depths(here.z, brim) - here.held_m if math.isfinite(brim) else math.inf
        if left < need:
            here.level_m = _level(here.z, here.held_m + left)
            here.held_m, left = here.held_m + left, 0.0
            break
        left -= need
        here.held_m, here.level_m = here.held_m + need, brim
        if not math.isfinite(brim) or (brim == top_m and top_m <= min(out, here.entry_m)):
            break
        if here.entry_m <= out:
            stack.pop()
            into = stack[-1]
            into.sills = list(heapq.merge(sorted(into.sills), sorted(here.sills)))
            into.regions += here.regions
            into.z = np.concatenate([into.z, here.z])
            into.held_m += here.held_m
            continue
        sill, other = heapq.heappop(here.sills)
        seen.add(other)
        stack.append(hollow(other, sill))
    level = np.full(len(heights) + 1, np.nan)
    number = np.full(len(heights) + 1, -1)
    for k, each in enumerate(stack):
        level[each.regions], number[each.regions] = each.level_m, k
    levels = np.where(mask, level[regions], np.nan)
    wet = mask & (z < levels)
    return Standing(
        level_m=np.where(wet, levels, np.nan),
        hollow=np.where(wet, number[regions], -1),
        stored_l=1000.0 * cell_m2 * sum(each.held_m for each in stack),
        over_l=1000.0 * cell_m2 * left if math.isfinite(left) else math.inf,
    )


def _regions(z: Numbers, mask: NDArray[np.bool_]) -> tuple[Labels, Numbers]:
    """Return for each cell of a basin the lowest place it runs down to, from 1 up, and its level."""
    ground = np.where(mask, z, np.inf)
    minima = local_minima(ground, connectivity=2) & mask  # type: ignore[no-untyped-call]
    markers, count = ndimage.label(minima, structure=EIGHT)
    regions = watershed(ground, markers=markers, connectivity=2, mask=mask)  # type: ignore[no-untyped-call]
    lowest = ndimage.minimum(z, markers, np.arange(1, count + 1))
    return np.asarray(regions, dtype=np.int64), np.asarray(lowest, dtype=float)


def _sills(z: Numbers, regions: Labels) -> dict[int, list[tuple[float, int]]]:
    """Return by region the lowest sill to each of its neighbours: level, neighbour."""
    pairs, levels = [], []
    for rows, columns in ((0, 1), (1, 0), (1, 1), (1, -1)):
        here = (slice(0, z.shape[0] - rows), slice(max(0, -columns), z.shape[1] - max(0, columns)))
        there = (slice(rows, None), slice(max(0, columns), z.shape[1] + min(0, columns)))
        a, b = regions[here], regions[there]
        apart = (a != b) & (a > 0) & (b > 0)
        pairs.append(np.column_stack([np.minimum(a, b)[apart], np.maximum(a, b)[apart]]))
        levels.append(np.maximum(z[here], z[there])[apart])
    both, level = np.concatenate(pairs), np.concatenate(levels)
    order = np.lexsort((level, both[:, 1], both[:, 0]))
    both, level = both[order], level[order]
    first = np.r_[True, (both[1:] != both[:-1]).any(axis=1)] if len(both) else np.zeros(0, dtype=bool)
    found: dict[int, list[tuple[float, int]]] = {}
    for (a, b), sill in zip(both[first].tolist(), level[first].tolist(), strict=True):
        found.setdefault(a, []).append((sill, b))
        found.setdefault(b, []).append((sill, a))
    return found


def _depths(z: Numbers, level: float) -> float:
    """Return the sum of the depths of water over cells, m."""
    return float(np.maximum(level - z, 0.0).sum())


def _level(z: Numbers, depths: float) -> float:
    """Return the level at which the depths over cells sum to this, filled from the lowest cell up."""
    low = np.sort(z)
    level = (depths + np.cumsum(low)) / np.arange(1, len(low) + 1)
    above = np.append(low[1:], np.inf)
    return float(level[int(np.argmax(level <= above))])
