"""Litres held by pipes and risers below a level, and what a leak or a slow run lets go."""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from geo.reference import Reference

GRAVITY = 9.80665
Floats = NDArray[np.float64]


def segment_area(depth_m: ArrayLike, bore_m: ArrayLike) -> Floats:
    """Return the wetted area of a round pipe.

    Parameters
    ----------
    depth_m
        Depth of water above the invert, m; below 0 counts as dry, above the bore as full.
    bore_m
        Inside diameter, m.

    Returns
    -------
    Area, m². Circular segment: ``r² acos((r − h)/r) − (r − h) √(2rh − h²)``.
    """
    radius = np.asarray(bore_m, dtype=float) / 2.0
    u = radius - np.clip(np.asarray(depth_m, dtype=float), 0.0, 2.0 * radius)
    with np.errstate(invalid="ignore", divide="ignore"):
        angle = np.arccos(np.where(radius > 0, u / np.where(radius > 0, radius, 1.0), 1.0).clip(-1.0, 1.0))
    return np.asarray(radius**2 * angle - u * np.sqrt(np.maximum(radius**2 - u**2, 0.0)))


def _area_to_depth(depth_m: Floats, bore_m: Floats) -> Floats:
    """Integrate the segment area from the invert up to a depth, full bore beyond the crown; m³ per m/m."""
    radius = bore_m / 2.0
    depth = np.maximum(depth_m, 0.0)
    u = radius - np.minimum(depth, bore_m)
    s = np.sqrt(np.maximum(radius**2 - u**2, 0.0))
    safe = np.where(radius > 0, radius, 1.0)
    angle = np.arccos(np.where(radius > 0, u / safe, 1.0).clip(-1.0, 1.0))
    part = radius**2 * (s - u * angle) - s**3 / 3.0
    return np.asarray(part + math.pi * radius**2 * np.maximum(depth - bore_m, 0.0))


def pipe_litres(
    level_m: ArrayLike, invert_a_m: ArrayLike, invert_b_m: ArrayLike, length_m: ArrayLike, bore_m: ArrayLike
) -> Floats:
    """Return the litres a straight pipe holds under a flat water surface.

    Parameters
    ----------
    level_m
        Level of the water, m.
    invert_a_m, invert_b_m
        Inverts of the two ends, m; either may be the higher.
    length_m, bore_m
        Length and bore, m.

    Returns
    -------
    Litres: the segment area integrated exactly along the sloping pipe.
    """
    level, a, b, length, bore = np.broadcast_arrays(
        *(np.asarray(each, dtype=float) for each in (level_m, invert_a_m, invert_b_m, length_m, bore_m))
    )
    low, high = np.minimum(a, b), np.maximum(a, b)
    drop = high - low
    flat = drop < 1e-6  # below a micrometre the quotient is only rounding
    with np.errstate(invalid="ignore"):
        sloped = (_area_to_depth(level - low, bore) - _area_to_depth(level - high, bore)) / np.where(
            flat, 1.0, drop
        )
        level_pipe = segment_area(level - (low + high) / 2.0, bore)
    return np.asarray(1000.0 * length * np.where(flat, level_pipe, sloped))


def leak_l_s(head_m: ArrayLike, area_cm2: ArrayLike, *, ref: Reference) -> Floats:
    """Return the most a hole can let out: an orifice with nothing but air behind it.

    Parameters
    ----------
    head_m
        Water above the hole, m.
    area_cm2
        Area of the hole, cm².

    Returns
    -------
    Litres per second, ``Cd A √(2 g h)``; the soil round a buried joint lets through less.
    """
    head = np.maximum(np.asarray(head_m, dtype=float), 0.0)
    area = np.asarray(area_cm2, dtype=float) * 1e-4
    return np.asarray(1000.0 * ref.value("drains.orifice_cd") * area * np.sqrt(2.0 * GRAVITY * head))


@dataclass(frozen=True, slots=True, kw_only=True)
class Inflow:
    """Water put in: pieces of steady flow, one after another or with waits between.

    Parameters
    ----------
    pieces
        ``(from_s, to_s, litres_per_second)``; the last may end at infinity.
    said
        What it is, in words.
    """

    pieces: tuple[tuple[float, float, float], ...]
    said: str = ""

    def __post_init__(self) -> None:
        last = 0.0
        for start, end, rate in self.pieces:
            if not (math.isfinite(start) and math.isfinite(rate)) or math.isnan(end):
                raise ValueError(f"inflow from {start} to {end} s at {rate} l/s: every number must be finite")
            if rate < 0 or start < last - 1e-6 or end < start:
                raise ValueError(
                    f"inflow from {start:g} to {end:g} s at {rate:g} l/s: pieces follow one another"
                )
            last = end

    @classmethod
    def steady(cls, rate_l_s: float, *, minutes: float = math.inf) -> Inflow:
        """Return a flow that stays the same: a hose, a tap."""
        return cls(pieces=((0.0, minutes * 60.0, rate_l_s),), said=f"{rate_l_s:g} l/s")

    @classmethod
    def rain(cls, mm_h: float, *, area_m2: float, minutes: float = math.inf) -> Inflow:
        """Return the flow of steady rain on an effective area: ``Q = A i / 3600`` (l/s, m², mm/h)."""
        rate = area_m2 * mm_h / 3600.0
        said = f"rain of {mm_h:g} mm/h on {area_m2:g} m² ({rate:.3f} l/s)"
        return cls(pieces=((0.0, minutes * 60.0, rate),), said=said)

    @classmethod
    def pours(cls, litres: float, *, over_s: float, times: int = 1, wait_s: float = 0.0) -> Inflow:
        """Return the same volume several times: bowls, pump-outs of a machine."""
        each = over_s + wait_s
        pieces = tuple((i * each, i * each + over_s, litres / over_s) for i in range(times))
        return cls(pieces=pieces, said=f"{times} × {litres:g} l over {over_s:g} s, {wait_s:g} s between")

    @property
    def peak_l_s(self) -> float:
        """Largest flow, l/s."""
        return max((rate for _, _, rate in self.pieces), default=0.0)

    @property
    def litres(self) -> float:
        """Litres in all; infinite for a flow without an end."""
        return sum((end - start) * rate for start, end, rate in self.pieces if rate > 0)


def together(inflows: Sequence[Inflow]) -> Inflow:
    """Add several inflows up, moment by moment."""
    if len(inflows) == 1:
        return inflows[0]
    every = [piece for inflow in inflows for piece in inflow.pieces]
    marks = sorted({mark for start, end, _ in every for mark in (start, end)})
    pieces = tuple(
        (start, end, sum(rate for s, e, rate in every if s <= start and e >= end))
        for start, end in itertools.pairwise(marks)
    )
    return Inflow(pieces=pieces, said=" and ".join(each.said for each in inflows))


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """Where the litres went. ``in_l = stored_l + left_l + spilled_l``, always.

    ``first_spill_s`` is the moment of the first spill, infinite when there is none; ``peak_stored_l``
    the most that stood at once. Volumes of a flow without an end are NaN.
    """

    in_l: float
    stored_l: float
    left_l: float
    spilled_l: float
    peak_stored_l: float
    first_spill_s: float


def balance(inflow: Inflow, *, capacity_l: float, passes_l_s: float = 0.0) -> Balance:
    """Follow a store that fills, lets a steady trickle pass, and spills over its top.

    Parameters
    ----------
    inflow
        What is put in.
    capacity_l
        Litres to the first spill; infinite for a closed system.
    passes_l_s
        What the partial blockage still passes while there is water behind it.

    Returns
    -------
    Balance; exact, since every rate is constant between two moments.
    """
    entered = stored = left = spilled = peak = 0.0
    first = math.inf
    clock = 0.0
    for start, end, rate in inflow.pieces:
        drained = min(stored, passes_l_s * (start - clock))
        stored, left = stored - drained, left + drained
        net = rate - passes_l_s
        if math.isinf(end):
            if net > 0 and math.isinf(first):
                first = start + (capacity_l - stored) / net
            nan = math.nan
            full = capacity_l if net > 0 else stored
            return Balance(
                in_l=nan, stored_l=nan, left_l=nan, spilled_l=nan, peak_stored_l=full, first_spill_s=first
            )
        span = end - start
        entered += rate * span
        if net <= 0:
            gone = min(stored + rate * span, passes_l_s * span)
            stored, left = stored + rate * span - gone, left + gone
        else:
            room = capacity_l - stored
            over = max(net * span - room, 0.0)
            if over > 0 and math.isinf(first):
                first = start + room / net
            stored = capacity_l if over > 0 else stored + net * span
            spilled, left = spilled + over, left + passes_l_s * span
        peak = max(peak, stored)
        clock = end
    return Balance(
        in_l=entered, stored_l=stored, left_l=left, spilled_l=spilled, peak_stored_l=peak, first_spill_s=first
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """A network as arrays: rows of two are the lowest and the highest a level can be."""

    ids: list[str]
    edge_ids: list[str]
    pieces_of: dict[str, list[int]]
    onward: list[list[tuple[int, int]]]
    back: list[list[tuple[int, int]]]
    ends: list[tuple[int, int]]
    crest: tuple[list[float], list[float]]
    spill: tuple[list[float], list[float]]
    spill_sigma: list[float]
    crest_sigma: list[float]
    outfall: list[bool]
    exact: bool
    up: Floats
    down: Floats
    length: Floats
    bore: Floats
    area: Floats
    base: Floats
    piece_node: np.ndarray
    piece_edge: np.ndarray
    piece_at: Floats
    piece_far: Floats
    piece_length: Floats
    piece_rest: Floats
    node_rest: Floats
    rest: Floats


def wire(nodes: pd.DataFrame, runs: pd.DataFrame) -> Wiring:
    """Lay a network out as arrays and lists.

    Parameters
    ----------
    nodes, runs
        The tables of a network, levels in m.
    """
    where = {name: i for i, name in enumerate(nodes.index)}
    start = np.array([where[n] for n in runs["from_node"]], dtype=int)
    end = np.array([where[n] for n in runs["to_node"]], dtype=int)
    way = runs["way"].to_numpy()
    onward: list[list[tuple[int, int]]] = [[] for _ in nodes.index]
    back: list[list[tuple[int, int]]] = [[] for _ in nodes.index]
    for e, (a, b) in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
        onward[a].append((e, b))
        back[b].append((e, a))
        if way[e] == "both":
            onward[b].append((e, a))
            back[a].append((e, b))
    pieces_of: dict[str, list[int]] = {}
    for e, run_id in enumerate(runs["run_id"]):
        pieces_of.setdefault(run_id, []).append(e)
    up = runs[["up_low_m", "up_high_m"]].to_numpy(float).T
    down = runs[["down_low_m", "down_high_m"]].to_numpy(float).T
    crest = runs[["crest_low_m", "crest_high_m"]].to_numpy(float).T
    length = runs["length_m"].fillna(0.0).to_numpy(float)
    bore = runs["bore_m"].fillna(0.0).to_numpy(float)
    hump = crest > np.maximum(up, down) + 1e-9
    # A run is two pieces that meet at its crest; without a hump one of them has no length.
    share = np.where(hump[0], 0.5, np.where(up[0] >= down[0], 0.0, 1.0))
    spill = nodes[["spill_low_m", "spill_high_m"]].to_numpy(float).T
    area = nodes["area_m2"].fillna(0.0).to_numpy(float)
    base = nodes["base_m"].to_numpy(float)
    outfall = nodes["outfall"].to_numpy(bool)
    crest_lists = (crest[0].tolist(), crest[1].tolist())
    rest = _resting(back, crest_lists[0], np.flatnonzero(outfall), nodes["base_m"].to_numpy(float))
    piece_node = np.concatenate([start, end])
    piece_at, piece_far = np.concatenate([up, down], axis=1), np.concatenate([crest, crest], axis=1)
    piece_length = np.concatenate([length * share, length * (1.0 - share)])
    standing = rest[piece_node]
    held = np.where(np.isfinite(standing), standing, -np.inf)
    piece_rest = pipe_litres(held, piece_at, piece_far, piece_length, np.concatenate([bore, bore]))
    node_rest = (
        1000.0 * area * np.maximum(np.where(np.isfinite(rest), rest, -np.inf) - np.nan_to_num(base), 0.0)
    )
    return Wiring(
        ids=[str(name) for name in nodes.index], edge_ids=[str(name) for name in runs.index],
        pieces_of=pieces_of, onward=onward, back=back, ends=list(zip(start.tolist(), end.tolist(),
        strict=True)),
        crest=crest_lists, spill=(spill[0].tolist(), spill[1].tolist()),
        spill_sigma=nodes["spill_sigma_m"].tolist(),
        crest_sigma=runs["level_sigma_m"].tolist(), outfall=outfall.tolist(),
        exact=bool(np.array_equal(spill[0], spill[1]) and np.array_equal(crest[0], crest[1])),
        up=up, down=down, length=length, bore=bore, area=area, base=base, piece_node=piece_node,
        piece_edge=np.concatenate([np.arange(len(runs))] * 2), piece_at=piece_at, piece_far=piece_far,
        piece_length=piece_length, piece_rest=piece_rest, node_rest=node_rest, rest=rest,
    )  # fmt: skip


def _resting(
    back: list[list[tuple[int, int]]], crest: list[float], outfalls: np.ndarray, base: Floats
) -> Floats:
    """Return the level at which water stands in the sound network: the lowest sill on its way out."""
    level = np.full(len(back), np.inf)
    queue = [(-math.inf if math.isnan(base[i]) else float(base[i]), int(i)) for i in outfalls]
    heapq.heapify(queue)
    done = [False] * len(back)
    while queue:
        here, i = heapq.heappop(queue)
        if done[i]:
            continue
        done[i] = True
        level[i] = here
        for e, j in back[i]:
            if not done[j]:
                heapq.heappush(queue, (max(here, crest[e]), j))
    return level
