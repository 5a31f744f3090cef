"""Where water runs on the ground round many homes, and where it stands: one pass, lowest cells first.

The hollows are filled to where they spill by priority flooding (Barnes, Lehman and Mulla 2014), with a bucket
for each millimetre in place of a heap: heights are rounded to whole millimetres first, so the order is exact.
A cell is taken up only after every lower one, so its water's way (steepest of eight; out of a hollow toward
its lip) is known at once, to the wall where it ends.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

BUILT, BLANK, UNSEEN = -1, -2, -3
RIM = -1
WAY_BITS, LONGEST = 12, 4095  # of a number that holds home and way; the reach is REACH of its units
REACH = 4000
WAITS, READY, DONE = 8, 9, 10  # cells of a hollow whose water is led out, in place of where theirs came from


@njit("i8(i4[:,::1], i8, i8)", cache=True, error_model="numpy")
def _beside(building: Any, r: int, c: int) -> int:
    """Return the home whose building shares a side with a cell, the first of several; -1 for none."""
    rows, columns = building.shape
    wall = -1
    for dr, dc in ((-1, 0), (0, -1), (0, 1), (1, 0)):
        if 0 <= r + dr < rows and 0 <= c + dc < columns:
            name = building[r + dr, c + dc]
            if name >= 0 and (wall < 0 or name < wall):
                wall = name
    return wall


@njit("void(i4[::1], i4[::1], i4[::1], i8, i8)", cache=True, error_model="numpy")
def _push(head: Any, tail: Any, following: Any, level: int, k: int) -> None:
    """Put a cell at the end of a level's line."""
    following[k] = -1
    if head[level] < 0:
        head[level] = k
    else:
        following[tail[level]] = k
    tail[level] = k


@njit("i8(i8, i8)", cache=True, error_model="numpy")
def _further(end: int, step: int) -> int:
    """Return where water ends that comes to a cell whose water ends there, a step further off."""
    if end < 0:
        return end
    return (end & ~LONGEST) + min(LONGEST, (end & LONGEST) + step)


@njit("void(i4[::1], i1[::1], i4[::1], i8[::1], i8[::1], i4[::1], i8)", cache=True, error_model="numpy")
def _lead_out(level_of: Any, came: Any, ends: Any, around: Any, steps: Any, pool: Any, lip: int) -> None:
    """Lead the water of a filled hollow to its lip, or to a wall in it, whichever is fewer cells away.

    Cells are taken in layers from the lip and the walls outward; of several taken before, water goes to the
    first in the order of ``around``, as on a single site.
    """
    count = len(pool)
    line = np.empty(count + 1, dtype=np.int32)
    line[0] = lip
    end = 1
    for i in range(count):
        if ends[pool[i]] >= 0:
            came[pool[i]] = DONE
            line[end] = pool[i]
            end += 1
        else:
            came[pool[i]] = WAITS
    begin = 0
    while begin < end:
        last = end
        for i in range(begin, last):
            for step in around:
                near = line[i] + step
                if came[near] == WAITS:
                    came[near] = READY
                    line[end] = near
                    end += 1
        for i in range(last, end):
            k = line[i]
            for j in range(8):
                near = k + around[j]
                if near == lip or (level_of[near] == level_of[k] and came[near] == DONE):
                    ends[k] = _further(ends[near], steps[j])
                    break
        for i in range(last, end):
            came[line[i]] = DONE
        begin = last


@njit("(f4[:,::1], i4[:,::1], i8, f8, f8, f8)", cache=True, error_model="numpy")
def run_water(z: Any, building: Any, homes: int, a: float, b: float, reach_m: float) -> Any:
    """Follow the water on the ground to the first wall it comes to.

    Parameters
    ----------
    z, building
        (rows, columns) heights, metres, NaN where there are none; and the number of the home that covers
        the cell, -1 where none does. Buildings stand as walls that are never drowned.
    homes
        How many homes there are, fewer than half a million.
    a, b
        Width and height of a cell, metres.
    reach_m
        Ground further away than this, along the way its water runs, is not counted.

    Returns
    -------
    By home: cells that drain to its walls; whether more does from beyond the reach or the heights' edge;
    depth of the deepest hollow that touches its walls and of the water at the wall there, millimetres; cells
    beside its walls; and such cells without a height.

    Notes
    -----
    Water leaves at the edge of the heights, and into cells without one. A cell beside a wall is one that
    shares a side with a cell of a building; its water is taken to have come to that wall, even where it would
    run on along it. The way is told in 4000ths of the reach, each step rounded to one.
    """
    rows, columns = z.shape
    wide = columns + 2
    size = (rows + 2) * wide
    low = np.inf
    for r in range(rows):
        for c in range(columns):
            low = min(low, z[r, c])
    # One number a cell: its level once water has come to it, UNSEEN less its ground before, or what it is.
    level_of = np.full(size, BLANK, dtype=np.int32)
    top = 0
    for r in range(rows):
        for c in range(columns):
            k = (r + 1) * wide + c + 1
            if building[r, c] >= 0:
                level_of[k] = BUILT
            elif np.isfinite(z[r, c]):
                ground = np.int32(np.rint((float(z[r, c]) - low) * 1000.0))
                level_of[k] = UNSEEN - ground
                top = max(top, int(ground))
    around = np.array([-wide - 1, -wide, -wide + 1, -1, 1, wide - 1, wide, wide + 1])
    slant = np.hypot(a, b)
    length = np.array([slant, b, slant, a, a, slant, b, slant])
    steps = np.rint(length * (REACH / reach_m)).astype(np.int64)
    share = 1.0 / length
    head = np.full(top + 1, -1, dtype=np.int32)
    tail = np.full(top + 1, -1, dtype=np.int32)
    following = np.empty(size, dtype=np.int32)  # next cell in its level's line
    came = np.full(size, RIM, dtype=np.int8)  # neighbour by which water first came
    ends = np.full(size, -1, dtype=np.int32)  # home whose wall its water comes to, and the way there
    cells = np.zeros(homes, dtype=np.int64)
    onward = np.zeros(homes, dtype=np.bool_)
    beside = np.zeros(homes, dtype=np.int64)
    blank = np.zeros(homes, dtype=np.int64)
    for r in range(rows):
        for c in range(columns):
            k = (r + 1) * wide + c + 1
            if level_of[k] == BUILT:
                continue
            wall = _beside(building, r, c)
            if level_of[k] == BLANK:
                if wall >= 0:
                    blank[wall] += 1
                continue
            if wall >= 0:
                beside[wall] += 1
                ends[k] = wall << WAY_BITS
            for step in around:
                if level_of[k + step] == BLANK:
                    level_of[k] = UNSEEN - level_of[k]
                    _push(head, tail, following, level_of[k], k)
                    break
    touched = np.empty((1024, 3), dtype=np.int32)  # a home, a hollow at its wall, the depth there
    deepest = np.zeros(1024, dtype=np.int32)
    touches, hollows = 0, 0
    pool = np.empty(1024, dtype=np.int32)  # cells of the hollow being filled
    pit, pit_end, lip, pooled = -1, -1, -1, 0
    for level in range(top + 1):
        while True:
            in_pit = pit >= 0
            if in_pit:
                k = pit
                pit = following[k]
            else:
                if pooled:
                    _lead_out(level_of, came, ends, around, steps, pool[:pooled], lip)
                    for i in range(pooled):
                        end = ends[pool[i]]
                        if end >= 0:
                            wall = end >> WAY_BITS
                            if end & LONGEST <= REACH:
                                cells[wall] += 1
                            else:
                                onward[wall] = True
                    pooled = 0
                k = head[level]
                if k < 0:
                    break
                head[level] = following[k]
            best, to, again = 0.0, -1, False
            for j in range(8):
                near = k + around[j]
                height = level_of[near]
                if height >= 0:
                    if height < level:
                        drop = (level - height) * share[j]
                        if drop > best:
                            best, to = drop, j
                    continue
                if height > UNSEEN:
                    continue
                ground = UNSEEN - height
                if ground >= level:
                    level_of[near] = ground
                    came[near] = 7 - j
                    _push(head, tail, following, ground, near)
                    continue
                if not in_pit:
                    if again:
                        continue  # a lip: the first hollow is filled before the next is looked at
                    again = True
                    hollows += 1
                    if hollows == len(deepest):
                        deepest = np.concatenate((deepest, np.zeros(hollows, dtype=np.int32)))
                level_of[near] = level
                came[near] = 7 - j
                depth = level - ground
                deepest[hollows] = max(deepest[hollows], depth)
                if ends[near] >= 0:
                    if touches == len(touched):
                        touched = np.concatenate((touched, np.empty_like(touched)))
                    touched[touches, 0], touched[touches, 1] = ends[near] >> WAY_BITS, hollows
                    touched[touches, 2] = depth
                    touches += 1
                if pooled == len(pool):
                    pool = np.concatenate((pool, np.empty_like(pool)))
                pool[pooled] = near
                pooled += 1
                following[near] = -1
                if pit < 0:
                    pit = near
                else:
                    following[pit_end] = near
                pit_end = near
            if in_pit:
                continue
            told = k == lip  # taken up again: its own water is led on already
            if told:
                lip = -1
            if again:
                lip = k
                following[k] = head[level]
                if head[level] < 0:
                    tail[level] = k
                head[level] = k
            if told:
                continue
            end = ends[k]
            if end < 0:
                if to < 0:
                    to = came[k]
                if to < 0:
                    continue
                end = _further(ends[k + around[to]], steps[to])
                if end < 0:
                    continue
                ends[k] = end
            wall = end >> WAY_BITS
            if end & LONGEST <= REACH:
                cells[wall] += 1
            if end & LONGEST > REACH or came[k] == RIM:
                onward[wall] = True
    hole = np.zeros(homes, dtype=np.int64)
    stands = np.zeros(homes, dtype=np.int64)
    for i in range(touches):
        wall = touched[i, 0]
        hole[wall] = max(hole[wall], deepest[touched[i, 1]])
        stands[wall] = max(stands[wall], touched[i, 2])
    return cells, onward, hole, stands, beside, blank
