"""Water rising in a stopped drain: over which sills it runs, and the litres it takes on the way."""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from geo.drains.answers import Blockage, Leak
from geo.drains.network import BURIED, Cut, Network, Outcome
from geo.drains.storage import Trickle, leak_l_s, pipe_litres
from geo.drains.wiring import Wiring
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict, decide

NAN = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Rise:
    """Water rising from one node: the first spill and the basins it filled on the way."""

    first: int
    level: float
    pool: list[int]
    held: list[tuple[list[int], float]]
    near: list[tuple[int, float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A network with its stops, ready to be filled."""

    net: Network
    cuts: Mapping[int, Cut]
    shut: frozenset[int]
    rows: tuple[int, ...]
    spill: tuple[list[float], list[float]]
    closed: frozenset[int]
    w: Wiring


def make_case(net: Network, blockages: Sequence[Blockage], *, without: Iterable[int] = ()) -> Case:
    """Stop what is blocked, beside what is recorded as stopped; ``without`` names stops to be cleared."""
    w = net.wiring
    cuts = {e: cut for e, cut in net.cuts.items() if e not in set(without)}
    closed: set[int] = set()
    for one in blockages:
        pieces = net.pieces(one.asset_id)
        if pieces:
            _stop_run(net, pieces, one, cuts)
            continue
        i = net.place(one.asset_id)
        if net.nodes["kind"].iloc[i] == "soakaway":
            takes = float(net.nodes["takes_l_s"].iloc[i])
            passes = one.passes_l_s if one.passes_l_s is not None else (0.0 if math.isnan(takes) else takes)
            for e, _ in w.back[i]:
                cuts[e] = Cut(float(w.length[e]) if w.ends[e][1] == i else 0.0, passes)
        else:
            closed.add(i)
            for e, (a, _) in ((e, w.ends[e]) for e, _ in w.onward[i]):
                if a == i:
                    cuts[e] = Cut(0.0, one.passes_l_s or 0.0)
    spill = w.spill
    if closed:
        rim = net.nodes["rim_m"].to_numpy(float)
        spill = (list(spill[0]), list(spill[1]))
        for i in closed:
            if w.outfall[i]:
                spill[0][i] = spill[1][i] = math.inf if math.isnan(rim[i]) else float(rim[i])
    rows = (0,) if w.exact else (0, 1)
    return Case(
        net=net, cuts=cuts, shut=frozenset(cuts), rows=rows, spill=spill, closed=frozenset(closed), w=w
    )


def if_instead(case: Case, e: int, outcome: Outcome) -> Case:
    """Return the case with a fitting in one run doing something else than it was taken to do."""
    cuts = dict(case.cuts)
    if outcome.cut is not None:
        cuts[e] = outcome.cut
    w = case.w.one_way([e]) if outcome.way == "down" else case.w
    return replace(case, cuts=cuts, shut=frozenset(cuts), w=w)


def _stop_run(net: Network, pieces: list[int], one: Blockage, cuts: dict[int, Cut]) -> None:
    w = net.wiring
    at = NAN if one.passes_at_m is None else one.passes_at_m
    for e in pieces:
        fault = float(net.runs["fault_at_m"].iloc[e])
        passes = float(net.runs["passes_l_s"].iloc[e])
        let = one.passes_l_s if one.passes_l_s is not None else (0.0 if math.isnan(passes) else passes)
        if one.at_m is None and not math.isnan(fault):
            cuts[e] = Cut(fault, let, at)
            return
    left = one.at_m
    for e in pieces:
        if left is None:
            cuts[pieces[-1]] = Cut(None, let, at)
            return
        if left <= w.length[e] + 1e-6 or e == pieces[-1]:
            cuts[e] = Cut(min(max(left, 0.0), float(w.length[e])), let, at)
            return
        left -= float(w.length[e])


def fill_from(case: Case, start: int, row: int, z: float) -> Rise:
    """Fill from a node: over the lowest sill into the next basin, until somewhere water can leave.

    Water over a sill runs down into a basin of its own, which fills from its bottom; when that basin
    comes up to the sill the two are one. So a low way out beyond a sill is found before a higher one.
    """
    w, shut, spill, crest, onward = case.w, case.shut, case.spill[row], case.w.crest[row], case.w.onward
    seen = bytearray(len(onward))
    near: list[tuple[int, float, float]] = []

    def basin(node: int, entry: float) -> list[Any]:
        seen[node] = 1
        edges = [(crest[e], e, other) for e, other in onward[node] if e not in shut and not seen[other]]
        heapq.heapify(edges)
        return [edges, (spill[node], node), entry, [node]]

    stack = [basin(start, math.inf)]
    while True:
        here = stack[-1]
        edges = here[0]
        while edges and seen[edges[0][2]]:
            heapq.heappop(edges)
        out = edges[0][0] if edges else math.inf
        (low, node), entry = here[1], here[2]
        if low <= out and low <= entry:
            first = node if math.isfinite(low) else -1
            held = [(each[3], after[2]) for each, after in pairwise(stack)]
            return Rise(first=first, level=low, pool=here[3], held=held, near=near)
        if entry <= out:
            stack.pop()
            into = stack[-1]
            small, large = (into, here) if len(into[0]) < len(edges) else (here, into)
            for edge in small[0]:
                heapq.heappush(large[0], edge)
            into[0], into[1] = large[0], min(into[1], here[1])
            few, many = (into[3], here[3]) if len(into[3]) < len(here[3]) else (here[3], into[3])
            many.extend(few)
            into[3] = many
            continue
        level, e, other = heapq.heappop(edges)
        sigma = math.hypot(w.spill_sigma[node], w.crest_sigma[e])
        if low - level < z * sigma and not w.outfall[node]:
            near.append((node, low - level, sigma))
        stack.append(basin(other, level))


def crests_from(case: Case, start: int, row: int) -> tuple[np.ndarray, np.ndarray]:
    """Return for every node the highest crest on the best way to it, and which run has that crest."""
    shut, crest, onward = case.shut, case.w.crest[row], case.w.onward
    best = [math.inf] * len(onward)
    over = [-1] * len(onward)
    best[start] = -math.inf
    queue = [(-math.inf, start)]
    while queue:
        here, i = heapq.heappop(queue)
        if here > best[i]:
            continue
        for e, j in onward[i]:
            if e in shut:
                continue
            step = crest[e]
            over_e = e
            if step < here:
                step, over_e = here, over[i]
            if step < best[j]:
                best[j], over[j] = step, over_e
                heapq.heappush(queue, (step, j))
    return np.array(best), np.array(over)


def litres_to(
    case: Case, pools: Sequence[tuple[list[int], float]], row: int, *, nearest: bool = False
) -> float:
    """Return litres from resting water to a level in everything that stands open to each pool.

    ``nearest`` puts a stop whose place is not known right beside the pool; else it is at the far end.
    """
    w = case.w
    if not all(math.isfinite(level) for _, level in pools):
        return NAN
    stands = np.full(len(w.ids), np.nan)
    for pool, level in pools:
        stands[pool] = level
    inside = ~np.isnan(stands)
    mask = inside[w.piece_node]
    if case.shut:
        stopped = np.zeros(len(w.edge_ids), dtype=bool)
        stopped[list(case.shut)] = True
        mask &= ~stopped[w.piece_edge]
    sel = np.flatnonzero(mask & (w.piece_length > 0))
    full = pipe_litres(
        stands[w.piece_node[sel]],
        w.piece_at[row, sel],
        w.piece_far[row, sel],
        w.piece_length[sel],
        w.bore[w.piece_edge[sel]],
    )
    total = float(np.maximum(full - w.piece_rest[row, sel], 0.0).sum())
    nodes = np.flatnonzero(inside)
    stood = 1000.0 * w.area[nodes] * np.maximum(stands[nodes] - w.base[nodes], 0.0)
    total += float(np.nansum(np.maximum(stood - w.node_rest[nodes], 0.0)))
    for e, cut in case.cuts.items():
        a, b = w.ends[e]
        length = float(w.length[e])
        up, down = float(w.up[row, e]), float(w.down[row, e])
        rest = w.rest[b if up >= down else a]
        for mine, near, far, span in (
            (a, up, down, length if cut.at_m is None else cut.at_m),
            (b, down, up, length if cut.at_m is None else length - cut.at_m),
        ):
            skip = nearest and cut.at_m is None
            if inside[mine] and length > 0 and span > 0 and not skip:
                end = near + (far - near) * span / length
                levels = [stands[mine], rest if math.isfinite(rest) else -math.inf]
                held = pipe_litres(levels, near, end, span, w.bore[e])
                total += max(float(held[0] - held[1]), 0.0)
    return total


def _trickles(case: Case, pool: Iterable[int], z: float) -> list[tuple[int, Cut]]:
    """Return the partial stops and pumps by which a pool loses water, where the far side drains."""
    inside = set(pool)
    found = []
    for e, cut in case.cuts.items():
        a, b = case.w.ends[e]
        if cut.passes_l_s > 0 and a in inside and b not in inside:
            far = fill_from(case, b, 0, z)
            if far.first >= 0 and case.w.outfall[far.first]:
                found.append((e, cut))
    return found


def _head_law(case: Case, e: int, cut: Cut) -> tuple[float, float]:
    """Return the invert at a partial stop and the head of its trickle when measured; NaN if constant."""
    w = case.w
    length = float(w.length[e])
    if cut.at_m is None or not length > 0 or math.isnan(cut.passes_at_m):
        return NAN, NAN
    up, down = (float(side[case.rows[-1], e]) for side in (w.up, w.down))
    invert = up + (down - up) * cut.at_m / length
    head = cut.passes_at_m - invert
    return (invert, head) if head > 0 else (NAN, NAN)


SLICES = 48  # halving them moves the time to the first spill by less than a part in a thousand


def passing(case: Case, found: Rise, capacity_l: float, z: float) -> tuple[float, Trickle | None]:
    """Return what leaves a pool past partial stops and pumps at the first spill, and by litres stored.

    A stop whose trickle was measured at a known level, and whose place is known, passes as a hole does:
    ``q = q0 √(h / h0)`` with the head over the invert at the stop. Others pass what was measured, at
    every level: over a range of heads of four to one that is out by a factor of two at most, too much
    where the water stands lower and too little where higher. Pumps are constant.

    Returns
    -------
    Litres per second; and ``None`` where every trickle is constant.
    """
    stops = _trickles(case, found.pool, z)
    laws = [(cut.passes_l_s, *_head_law(case, e, cut)) for e, cut in stops]

    def rate(level: float) -> float:
        return sum(
            q if math.isnan(head) else q * math.sqrt(max(level - invert, 0.0) / head)
            for q, invert, head in laws
        )

    if all(math.isnan(head) for _, _, head in laws) or not math.isfinite(found.level):
        return sum(q for q, _, _ in laws), None
    w, row = case.w, case.rows[-1]
    inverts = [invert for _, invert, _ in laws if not math.isnan(invert)]
    bottom = min([*inverts, *(float(w.base[i]) for i in found.pool if not math.isnan(w.base[i]))])
    marks = np.linspace(bottom, found.level, SLICES + 1)
    held = np.array([litres_to(case, [(found.pool, float(mark))], row) for mark in marks])
    held = np.maximum.accumulate(held - held[0])
    total = float(held[-1])
    held = held * (capacity_l / total) if total > 0 and math.isfinite(capacity_l) else held
    middle = (marks[1:] + marks[:-1]) / 2.0
    kept = np.flatnonzero(np.diff(held) > 0)
    if not kept.size:
        return rate(found.level), None
    edges = np.append(held[kept], held[kept[-1] + 1])
    levels = np.append(marks[kept], marks[kept[-1] + 1])
    return rate(found.level), Trickle(
        litres=tuple(edges.tolist()), rates_l_s=tuple(rate(float(m)) for m in middle[kept]),
        levels_m=tuple(levels.tolist()),
    )  # fmt: skip


def leaks(case: Case, pools: Sequence[tuple[Sequence[int], float]], *, ref: Reference) -> tuple[Leak, ...]:
    """Return the cracked runs that stand under water, and the most each can lose.

    Parameters
    ----------
    pools
        Nodes, and the level the water stands at in them, m.

    Returns
    -------
    A Leak a run. ``Cd A √(2 g h)`` with nothing but air behind the hole is the most; silt and soil may
    let through any less, down to nothing.
    """
    if not case.net.cracks:
        return ()
    stands = {i: level for pool, level in pools for i in pool}
    found = []
    for e, crack in case.net.cracks.items():
        cut = case.cuts.get(e)
        at = None if cut is None or cut.at_m is None or crack.at_m is None else cut.at_m - crack.at_m
        sides = [
            node
            for node, wet in zip(case.w.ends[e], (at is None or at >= 0, at is None or at <= 0), strict=True)
            if wet and node in stands
        ]
        head = max((stands[node] for node in sides), default=-math.inf) - crack.lowest_m
        if head > 0:
            hole = crack.opening_cm2
            most = math.inf if math.isnan(hole) else float(leak_l_s(head, hole, ref=ref))
            found.append(
                Leak(
                    run_id=crack.run_id, state=crack.state, lowest_m=crack.lowest_m,
                    highest_m=crack.highest_m, head_m=head, most_l_s=most,
                )
            )  # fmt: skip
    return tuple(found)


def ground_word(case: Case, i: int, level: float, z: float) -> Verdict:
    """Say whether the way out of a node is buried, at the surface, or not known.

    A joint or socket is held against the ground beside it, or against the rim or cover it lies under; a
    rim, lip, cover or foot is at the surface unless the ground is surely higher.
    """
    name = case.w.ids[i]
    hole = str(case.net.nodes["leaves"].iloc[i]) in BURIED
    ground, sigma = float(case.w.ground[i]), float(case.w.ground_sigma[i])
    if math.isnan(ground) and hole:
        ground, sigma = float(case.net.nodes["rim_m"].iloc[i]), float(case.w.spill_sigma[i])
    settle = f"Level the ground beside {name} and its {case.net.nodes['leaves'].iloc[i]}."
    if math.isnan(ground) or math.isnan(level):
        if not hole:
            return Verdict(word="at the surface")
        because = f"the ground beside {name} was not levelled"
        return Verdict(word=NOT_KNOWN, because=because, settle=settle, rests_on=(name,))
    margin = Measured(1000 * (ground - level), 1000 * math.hypot(sigma, float(case.w.spill_sigma[i])))
    said = decide(
        margin, z=z, unit="mm", settle=settle, above="buried", below="at the surface", rests_on=(name,)
    )
    return said if hole or said.word == "buried" else Verdict(word="at the surface", rests_on=(name,))


def below_ground(case: Case, i: int, level: float, z: float) -> bool:
    """Return whether nothing need show at the surface: buried, or not known not to be."""
    return ground_word(case, i, level, z).word != "at the surface"


def limited(case: Case, i: int) -> bool:
    """Return whether the way out is a hole that takes only so much, wherever it lies."""
    return str(case.net.nodes["leaves"].iloc[i]) in BURIED


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """What every node needs: crest on the way, level at which it spills, its sigma, its lowest."""

    crest: np.ndarray
    reach: np.ndarray
    sigma: np.ndarray
    lowest: np.ndarray
