"""Where water comes up when a drain is stopped: the first spill, its rivals, litres and minutes."""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from geo.drains.network import BURIED, LEAKY_RUN, Cut, Network
from geo.drains.storage import Balance, Inflow, Wiring, balance, leak_l_s, pipe_litres, together
from geo.errors import InputError, Problem
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict, decide

NAN = math.nan
UNKNOWN = Measured(NAN, NAN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Blockage:
    """What is stopped: a run, or the way out of a gully, chamber or soakaway.

    Parameters
    ----------
    asset_id
        Run, gully, chamber or soakaway.
    at_m
        Distance from the run's upstream end; ``None`` to take the recorded one.
    passes_l_s
        What still gets through; ``None`` to take the recorded one, nothing where none is.
    """

    asset_id: str
    at_m: float | None = None
    passes_l_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """A node that could equally be the first to spill: its margin over the first, and the sigma."""

    node: str
    margin_mm: float
    sigma_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Spill:
    """Water leaving at one node.

    Parameters
    ----------
    node, leaves
        Where, and over what.
    level_m
        Level of the water inside when it begins.
    below_ground
        Nothing need show at the surface.
    takes_l_s
        The most that can leave there: an upper bound for a buried hole, infinite at the surface.
    receives_l_s
        Its part of the inflow; NaN without one.
    minutes
        From the start until it begins; NaN without a steady inflow.
    """

    node: str
    leaves: str
    level_m: float
    below_ground: bool
    takes_l_s: float
    receives_l_s: float
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that could be done, and where water would leave first after it."""

    asset_id: str
    what: str
    by_mm: float
    then_first: str
    then_level_m: float
    then: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BackUp:
    """What happens when something is stopped and water is put in.

    Parameters
    ----------
    verdict
        Spills, no spill, or not known.
    first, leaves
        Node where water first leaves, and over what; "" when not known or closed.
    level, level_between
        Level at which it does, m; lowest and highest where a level is missing.
    needs_m
        The highest the water must stand anywhere before it does: above ``level`` where it first runs
        over a sill into a lower basin.
    drains
        The first way out is an outfall: nothing backs up.
    rivals, decides
        Nodes that could equally be first; ids whose missing levels decide which it is.
    litres, litres_between
        From resting water to the first spill.
    passes_l_s
        What leaves past partial blockages and pumps meanwhile.
    minutes
        To the first spill at the inflow; infinite when it never comes, NaN without an inflow.
    balance
        Where the litres of the inflow went; ``None`` without one.
    standing_m
        Level the water comes to under the steady inflow, m.
    spills
        The first, and the next where the first cannot take it all.
    order
        Every node by the level it needs: ``crest_m``, ``reach_m``, ``sigma_m``.
    pool, pool_runs
        Nodes and runs in which water stands at the first spill.
    rim_behind
        For a broken lip: how far the sound rim is above it, m.
    assumed_runs, leaky_runs, at_least
        Runs on the way known by assumption only; cracked runs that stand full; ids without a size.
    """

    blocked: tuple[str, ...]
    sources: tuple[str, ...]
    verdict: Verdict
    first: str
    leaves: str
    level: Measured
    level_between: tuple[float, float]
    needs_m: float
    drains: bool
    below_ground: bool
    rivals: tuple[Rival, ...]
    decides: tuple[str, ...]
    litres: Measured
    litres_between: tuple[float, float]
    passes_l_s: float
    minutes: float
    balance: Balance | None
    standing_m: float
    spills: tuple[Spill, ...]
    changes: tuple[Change, ...]
    order: pd.DataFrame = field(repr=False)
    pool: tuple[str, ...] = field(repr=False)
    pool_runs: tuple[str, ...] = field(repr=False)
    rim_behind: Measured
    assumed_runs: tuple[str, ...]
    leaky_runs: tuple[str, ...]
    at_least: tuple[str, ...]
    marked: tuple[str, ...]
    elsewhere: tuple[BackUp, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rise:
    """Water rising from one node: the first spill and the basins it filled on the way."""

    first: int
    level: float
    pool: list[int]
    held: list[tuple[list[int], float]]
    near: list[tuple[int, float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """A network with its stops, ready to be filled."""

    net: Network
    cuts: Mapping[int, Cut]
    shut: frozenset[int]
    rows: tuple[int, ...]
    spill: tuple[list[float], list[float]]
    closed: frozenset[int]

    @property
    def w(self) -> Wiring:
        return self.net.wiring


def _case(net: Network, blockages: Sequence[Blockage], *, without: Iterable[int] = ()) -> _Case:
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
    return _Case(net=net, cuts=cuts, shut=frozenset(cuts), rows=rows, spill=spill, closed=frozenset(closed))


def _stop_run(net: Network, pieces: list[int], one: Blockage, cuts: dict[int, Cut]) -> None:
    w = net.wiring
    for e in pieces:
        fault = float(net.runs["fault_at_m"].iloc[e])
        passes = float(net.runs["passes_l_s"].iloc[e])
        let = one.passes_l_s if one.passes_l_s is not None else (0.0 if math.isnan(passes) else passes)
        if one.at_m is None and not math.isnan(fault):
            cuts[e] = Cut(fault, let)
            return
    left = one.at_m
    for e in pieces:
        if left is None:
            cuts[pieces[-1]] = Cut(None, let)
            return
        if left <= w.length[e] + 1e-6 or e == pieces[-1]:
            cuts[e] = Cut(min(max(left, 0.0), float(w.length[e])), let)
            return
        left -= float(w.length[e])


def _rise(case: _Case, start: int, row: int, z: float) -> _Rise:
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
            return _Rise(first=first, level=low, pool=here[3], held=held, near=near)
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


def _reach(case: _Case, start: int, row: int) -> tuple[np.ndarray, np.ndarray]:
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


def _litres(
    case: _Case, pools: Sequence[tuple[list[int], float]], row: int, *, nearest: bool = False
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


def _passes(case: _Case, pool: Iterable[int], z: float) -> float:
    """Return what leaves the pool past partial stops and pumps, where the far side drains."""
    inside, total = set(pool), 0.0
    for e, cut in case.cuts.items():
        a, b = case.w.ends[e]
        if cut.passes_l_s > 0 and a in inside and b not in inside:
            far = _rise(case, b, 0, z)
            total += cut.passes_l_s if far.first >= 0 and case.w.outfall[far.first] else 0.0
    return total


def back_up(
    network: Network,
    *,
    blocked: str | Blockage | Sequence[str | Blockage] = (),
    source: str | Sequence[str],
    inflow: Inflow | Mapping[str, Inflow] | None = None,
    ref: Reference,
    changes: bool = True,
) -> BackUp:
    """Find where water first leaves when something is stopped.

    Parameters
    ----------
    network
        The drains, levels in m.
    blocked
        What is stopped, by id or with place and trickle; nothing for the network as recorded.
    source
        Node or nodes where water is put in.
    inflow
        What is put in, l/s; one for each source by id, or one at the first source.
    changes
        Also work out the smallest changes and where water would leave after each.

    Returns
    -------
    BackUp. Levels are those of still water: where full pipes are open to each other the level is one,
    so no flow need be computed until the first spill. Sources that fill another basin are in
    ``elsewhere``.

    Raises
    ------
    InputError
        When an id is not of the network.
    """
    blockages = _blockages(blocked)
    sources = (source,) if isinstance(source, str) else tuple(source)
    if not sources:
        raise InputError(
            [Problem(file="network", found="no source", allowed="one or more", mend="Name a node.")]
        )
    case = _case(network, blockages)
    return _answer(case, blockages, sources, _inflows(sources, inflow), ref=ref, changes=changes)


def _blockages(blocked: str | Blockage | Sequence[str | Blockage]) -> tuple[Blockage, ...]:
    several = (blocked,) if isinstance(blocked, str | Blockage) else tuple(blocked)
    return tuple(Blockage(asset_id=one) if isinstance(one, str) else one for one in several)


def _inflows(sources: tuple[str, ...], inflow: Inflow | Mapping[str, Inflow] | None) -> dict[str, Inflow]:
    if inflow is None:
        return {}
    return {sources[0]: inflow} if isinstance(inflow, Inflow) else dict(inflow)


def _answer(
    case: _Case,
    blockages: tuple[Blockage, ...],
    sources: tuple[str, ...],
    inflows: Mapping[str, Inflow],
    *,
    ref: Reference,
    changes: bool,
) -> BackUp:
    net, w = case.net, case.w
    z = ref.value("drains.rival_sigmas")
    rises = {s: [_rise(case, net.place(s), row, z) for row in case.rows] for s in sources}
    low, high = rises[sources[0]][0], rises[sources[0]][-1]
    ours = [s for s in sources if set(rises[s][-1].pool) & set(high.pool)]
    levels = _levels(case, low, high)
    decides, known = _decided(case, low, high, levels)
    first = high.first if known else -1
    volumes = _volumes(case, low, high)
    level = litres = UNKNOWN
    if first >= 0:
        level = Measured((low.level + high.level) / 2.0, w.spill_sigma[first])
        litres = Measured(volumes[1], _litres_sigma(case, high, level.sigma))
    outfall = first >= 0 and w.outfall[first]
    passes = 0.0 if outfall else _passes(case, high.pool, z)
    flows = [inflows[s] for s in ours if s in inflows]
    flow = together(flows) if flows else None
    filled = None
    if flow is not None and known and not outfall:
        filled = balance(flow, capacity_l=volumes[1] if first >= 0 else math.inf, passes_l_s=passes)
    spills: tuple[Spill, ...] = ()
    standing = NAN
    if first >= 0 and not outfall:
        spills, standing = _chain(case, levels, first, flow, filled, passes, ref=ref)
    wet = [*high.pool, *(i for pool, _ in high.held for i in pool)]
    edges = sorted({e for i in wet for e, _ in (*w.onward[i], *w.back[i])})
    runs = net.runs.iloc[edges]
    assumed = (runs["from_evidence"] == "assumed") | (runs["to_evidence"] == "assumed")
    touched = {w.ids[i] for i in wet} | set(runs["run_id"]) | {w.edge_ids[e] for e in edges}
    leaves = str(net.nodes["leaves"].iloc[first]) if first >= 0 else ""
    rim = float(net.nodes["rim_m"].iloc[first]) if leaves == "lip" else NAN
    result: dict[str, Any] = {
        "blocked": tuple(one.asset_id for one in blockages), "sources": tuple(ours),
        "first": w.ids[first] if first >= 0 else "", "leaves": leaves, "level": level,
        "level_between": (low.level, high.level), "drains": outfall,
        "needs_m": max([high.level, *(sill for _, sill in high.held)]),
        "below_ground": first >= 0 and _below_ground(net, first, level.value),
        "rivals": _rivals(case, high, levels, z) if first >= 0 and not outfall else (), "decides": decides,
        "litres": litres, "litres_between": volumes, "passes_l_s": passes, "balance": filled,
        "standing_m": standing, "spills": spills, "order": _order(case, levels),
        "pool": tuple(w.ids[i] for i in high.pool), "pool_runs": tuple(sorted(set(runs["run_id"]))),
        "rim_behind": Measured(rim - level.value, math.sqrt(2.0) * level.sigma),
        "assumed_runs": tuple(sorted(set(runs["run_id"][assumed]))),
        "leaky_runs": tuple(sorted(set(runs["run_id"][runs["state"].isin(LEAKY_RUN)]))),
        "at_least": tuple(sorted(touched & net.at_least)), "marked": tuple(sorted(touched & net.marked)),
        "minutes": NAN if filled is None else filled.first_spill_s / 60.0,
    }  # fmt: skip
    result["verdict"] = _verdict(result, flow, z)
    result["changes"] = _changes(case, blockages, sources[0], high, z) if changes and first >= 0 else ()
    rest = tuple(s for s in sources if s not in ours)
    if rest:
        result["elsewhere"] = (_answer(case, blockages, rest, inflows, ref=ref, changes=changes),)
    return BackUp(**result)


def _below_ground(net: Network, i: int, level: float) -> bool:
    ground = float(net.nodes["ground_m"].iloc[i])
    return str(net.nodes["leaves"].iloc[i]) in BURIED or ground > level


@dataclass(frozen=True, slots=True, kw_only=True)
class _Levels:
    """What every node needs: crest on the way, level at which it spills, its sigma, its lowest."""

    crest: np.ndarray
    reach: np.ndarray
    sigma: np.ndarray
    lowest: np.ndarray


def _levels(case: _Case, low: _Rise, high: _Rise) -> _Levels:
    w = case.w
    start = high.first if high.first >= 0 else high.pool[0]
    crest, over = _reach(case, start, case.rows[-1])
    spill = np.array(case.spill[case.rows[-1]])
    own = np.array(w.spill_sigma)
    sigma = np.where((crest > spill) & (over >= 0), np.array([*w.crest_sigma, 0.0])[over], own)
    reach = lowest = np.maximum(spill, crest)
    if len(case.rows) > 1:
        below, _ = _reach(case, low.first if low.first >= 0 else low.pool[0], 0)
        lowest = np.maximum(np.array(case.spill[0]), below)
    return _Levels(crest=crest, reach=reach, sigma=sigma, lowest=lowest)


def _decided(case: _Case, low: _Rise, high: _Rise, levels: _Levels) -> tuple[tuple[str, ...], bool]:
    """Say which missing levels decide the first spill, and whether it is known all the same."""
    if len(case.rows) == 1:
        return (), True
    w = case.w
    could = {int(i) for i in np.flatnonzero(levels.lowest <= high.level)} | {low.first, high.first} - {-1}
    missing = [i for i in sorted(could) if case.spill[0][i] != case.spill[1][i]]
    if low.first == high.first and (len(could) == 1 or not missing):
        return (), True
    edges = {e for i in (*low.pool, *high.pool) for e, _ in w.onward[i] if w.crest[0][e] != w.crest[1][e]}
    named = [w.ids[i] for i in missing] or sorted({str(case.net.runs["run_id"].iloc[e]) for e in edges})
    return tuple(named), False


def _order(case: _Case, levels: _Levels) -> pd.DataFrame:
    columns = {
        "leaves": case.net.nodes["leaves"].to_numpy(),
        "crest_m": levels.crest,
        "reach_m": levels.reach,
        "reach_low_m": levels.lowest,
        "sigma_m": levels.sigma,
    }
    table = pd.DataFrame(columns, index=pd.Index(case.w.ids, dtype=object))
    return table.sort_values("reach_m", kind="stable")


def _volumes(case: _Case, low: _Rise, high: _Rise) -> tuple[float, float]:
    """Return the fewest and the most litres to the first spill."""
    fewest = _litres(case, [(low.pool, low.level), *low.held], case.rows[-1], nearest=True)
    return fewest, _litres(case, [(high.pool, high.level), *high.held], 0)


def _litres_sigma(case: _Case, rise: _Rise, sigma: float) -> float:
    """Return the sigma of the litres that follows from the level's own."""
    step = max(sigma, 1e-4)
    above, below = (_litres(case, [(rise.pool, rise.level + d)], case.rows[-1]) for d in (step, -step))
    return abs(above - below) / 2.0


def _rivals(case: _Case, rise: _Rise, levels: _Levels, z: float) -> tuple[Rival, ...]:
    w = case.w
    margin = np.where(np.isfinite(levels.reach), levels.reach - rise.level, np.inf)
    sigma = np.hypot(levels.sigma, w.spill_sigma[rise.first])
    close = {int(i): (float(margin[i]), float(sigma[i])) for i in np.flatnonzero(margin < z * sigma)}
    close |= {i: (m, s) for i, m, s in rise.near}
    close.pop(rise.first, None)
    return tuple(Rival(node=w.ids[i], margin_mm=1000 * m, sigma_mm=1000 * s) for i, (m, s) in close.items())


def _chain(
    case: _Case,
    levels: _Levels,
    first: int,
    flow: Inflow | None,
    filled: Balance | None,
    passes: float,
    *,
    ref: Reference,
) -> tuple[tuple[Spill, ...], float]:
    """Follow the water on from a first spill that cannot take it all; give the level it comes to."""
    net, w = case.net, case.w
    rate = NAN if flow is None else flow.peak_l_s - passes
    crack = net.nodes["opening_cm2"].fillna(ref.value("drains.crack_cm2")).to_numpy(float)
    by_level = np.argsort(levels.reach, kind="stable")
    by_level = by_level[np.isfinite(levels.reach[by_level]) & (by_level != first)]
    queue = [int(i) for i in by_level[:64]]  # nobody follows water through more than 64 holes
    opened = [first]
    begins = [NAN if filled is None else filled.first_spill_s / 60.0]

    def leaks(level: float) -> np.ndarray:
        heads = np.array([level - levels.reach[i] for i in opened])
        return leak_l_s(heads, crack[opened], ref=ref)

    ceiling = float(levels.reach[first])
    while _below_ground(net, opened[-1], float(levels.reach[opened[-1]])) and queue:
        ceiling = float(levels.reach[queue[0]])
        if not rate > leaks(ceiling).sum():
            break
        begins.append(_later(case, levels, opened, begins[-1], rate, ceiling, leaks))
        opened.append(queue.pop(0))
    surface = not _below_ground(net, opened[-1], float(levels.reach[opened[-1]]))
    standing = float(levels.reach[opened[-1]])
    if not surface and rate > 0:
        bottom, top = standing, standing + 10.0
        for _ in range(60):
            standing = (bottom + top) / 2.0
            bottom, top = (standing, top) if leaks(standing).sum() < rate else (bottom, standing)
    takes = leaks(standing if rate > 0 and not surface else max(ceiling, standing))
    share = (
        takes if surface or math.isnan(rate) else takes * (max(rate, 0.0) / max(float(takes.sum()), 1e-12))
    )
    spills = []
    for k, i in enumerate(opened):
        last = surface and k == len(opened) - 1
        gets = (
            NAN if math.isnan(rate) else max(rate - float(takes[:-1].sum()), 0.0) if last else float(share[k])
        )
        most = math.inf if last else float(leak_l_s(ceiling - levels.reach[i], crack[i], ref=ref))
        spills.append(
            Spill(
                node=w.ids[i],
                leaves=str(net.nodes["leaves"].iloc[i]),
                level_m=float(levels.reach[i]),
                below_ground=not last,
                takes_l_s=most,
                receives_l_s=gets,
                minutes=begins[k],
            )
        )
    return tuple(spills), standing if math.isnan(rate) or rate > 0 else NAN


def _later(
    case: _Case,
    levels: _Levels,
    opened: list[int],
    start: float,
    rate: float,
    ceiling: float,
    leaks: Callable[[float], np.ndarray],
) -> float:
    """Return the minutes until the next spill begins, water leaking from those already open."""
    marks = np.linspace(float(levels.reach[opened[-1]]), ceiling, 24)
    row = case.rows[-1]
    held = [
        _litres(case, [(np.flatnonzero(levels.crest < max(m, 1e-9 + marks[0])).tolist(), float(m))], row)
        for m in marks
    ]
    middle = (marks[1:] + marks[:-1]) / 2.0
    spare = np.array([rate - float(leaks(float(m)).sum()) for m in middle])
    return start + float((np.diff(held) / np.maximum(spare, 1e-9)).sum()) / 60.0


def _verdict(result: Mapping[str, Any], flow: Inflow | None, z: float) -> Verdict:
    """Say in one word and one sentence whether water leaves."""
    rests_on = tuple(sorted({*result["pool"], *result["pool_runs"]}))
    if result["decides"]:
        ids = ", ".join(result["decides"])
        low, high = result["level_between"]
        said = f"first spill not known, between {low:.3f} and {high:.3f} m: level of {ids} decides"
        return Verdict(word=NOT_KNOWN, because=said, settle=f"Level {ids}.", rests_on=rests_on)
    if not result["first"]:
        return Verdict(
            word="no spill", because="nothing is open to the air: the pipes fill and hold", rests_on=rests_on
        )
    if result["drains"]:
        return Verdict(word="no spill", because=f"it runs off at {result['first']}", rests_on=rests_on)
    level, litres = result["level"], result["litres"]
    where = f"{result['first']}, over its {result['leaves']} at {level.value:.3f} m"
    if result["below_ground"]:
        where += ", below ground"
    where += f", after {litres.value:.1f} l"
    if result["rivals"]:
        where += "; could equally be " + ", ".join(rival.node for rival in result["rivals"])
    filled: Balance | None = result["balance"]
    if flow is None or filled is None:
        return Verdict(word="spills", because=where, rests_on=rests_on)
    low, high = result["litres_between"]
    fewest = balance(flow, capacity_l=max(low - z * litres.sigma, 0.0), passes_l_s=result["passes_l_s"])
    most = balance(flow, capacity_l=high + z * litres.sigma, passes_l_s=result["passes_l_s"])
    facts: dict[str, Any] = {
        "margin": filled.peak_stored_l - litres.value,
        "sigma": litres.sigma,
        "unit": "l",
    }
    if math.isinf(fewest.first_spill_s):
        said = f"{flow.said}: at most {fewest.peak_stored_l:.1f} l stands, and it holds {litres.value:.1f} l"
        return Verdict(word="no spill", because=said, rests_on=rests_on, **facts)
    if math.isinf(most.first_spill_s):
        said = f"{flow.said} is near the {litres.value:.1f} l it can hold (between {low:.1f} and {high:.1f})"
        return Verdict(word=NOT_KNOWN, because=said, settle="Pour more, and find where the stop is.", **facts)
    return Verdict(word="spills", because=where, rests_on=rests_on, **facts)


def _changes(
    case: _Case, blockages: tuple[Blockage, ...], source: str, rise: _Rise, z: float
) -> tuple[Change, ...]:
    """Try the smallest changes one at a time and find the first spill after each."""
    net, w = case.net, case.w
    first, row = rise.first, case.rows[-1]
    if w.outfall[first]:
        return ()
    found = []
    inside = set(rise.pool)

    def after(asset: str, what: str, by_m: float, changed: _Case) -> None:
        next_ = _rise(changed, net.place(source), row, z)
        node = w.ids[next_.first] if next_.first >= 0 else ""
        level = next_.level if next_.first >= 0 else NAN
        drains = next_.first >= 0 and w.outfall[next_.first]
        then = (
            f"it runs off at {node}"
            if drains
            else f"{node} spills first, at {level:.3f} m"
            if node
            else "no other way out is recorded, so it rises where it is put in"
        )
        found.append(
            Change(
                asset_id=asset, what=what, by_mm=1000 * by_m, then_first=node, then_level_m=level, then=then
            )
        )

    for one in blockages:
        others = tuple(other for other in blockages if other is not one)
        own = {e for e, cut in case.cuts.items() if e not in net.cuts or net.cuts[e] is not cut}
        own |= set(net.pieces(one.asset_id))
        i = w.ids.index(one.asset_id) if one.asset_id in net.nodes.index else -1
        own |= {e for e, _ in (*w.onward[i], *w.back[i])} if i >= 0 else set()
        after(one.asset_id, "clear it", NAN, _case(net, others, without=own & set(net.cuts)))
    named = {e for one in blockages for e in net.pieces(one.asset_id)}
    for e in sorted(set(net.cuts) & set(case.shut) - named):
        if inside & set(w.ends[e]) and net.runs["way"].iloc[e] != "pump":
            after(str(net.runs["run_id"].iloc[e]), "clear it", NAN, _case(net, blockages, without=[e]))
    rim = float(net.nodes["rim_m"].iloc[first])
    if str(net.nodes["leaves"].iloc[first]) == "lip" and rim > rise.level:
        after(w.ids[first], "make the lip good to the rim", rim - rise.level, _raised(case, first, rim))
    shut = _raised(case, first, math.inf)
    by = _rise(shut, net.place(source), row, z).level - rise.level
    raised = "raise it by more than this" if math.isfinite(by) else "close it"
    what = "seal it" if str(net.nodes["leaves"].iloc[first]) in BURIED else raised
    after(w.ids[first], what, by if math.isfinite(by) else NAN, shut)
    return tuple(found)


def _raised(case: _Case, i: int, level: float) -> _Case:
    rows = [list(each) for each in case.spill]
    for each in rows:
        each[i] = level
    return replace(case, spill=(rows[0], rows[1]))


def every_blockage(network: Network, ref: Reference) -> pd.DataFrame:
    """Block every run and every soakaway in turn, water coming from just above.

    Parameters
    ----------
    network
        The drains, levels in m.

    Returns
    -------
    DataFrame, index the id blocked: ``source``, ``word`` (spills, no spill, not known), ``first``,
    ``leaves``, ``level_m``, ``sigma_m``, ``litres``, ``litres_fewest``, ``rivals``, ``below_ground``,
    ``decides``.
    """
    w, z = network.wiring, ref.value("drains.rival_sigmas")
    heads = {run: w.ends[pieces[-1]][0] for run, pieces in w.pieces_of.items()}
    for i in np.flatnonzero(network.nodes["kind"].to_numpy() == "soakaway"):
        above = [w.ends[e][0] for e, _ in w.back[i] if w.ends[e][1] == i]
        heads |= {w.ids[i]: above[0]} if above else {}
    leaves = network.nodes["leaves"].to_numpy()
    rows: dict[str, dict[str, Any]] = {}
    for asset_id, start in heads.items():
        case = _case(network, (Blockage(asset_id=asset_id),))
        rises = [_rise(case, start, row, z) for row in case.rows]
        low, high = rises[0], rises[-1]
        levels = _levels(case, low, high)
        decides, known = _decided(case, low, high, levels)
        fewest, most = _volumes(case, low, high)
        first = high.first if known else -1
        spills = first >= 0 and not w.outfall[first]
        rows[asset_id] = {
            "source": w.ids[start],
            "word": "spills" if spills else "no spill" if known else NOT_KNOWN,
            "first": w.ids[first] if first >= 0 else "",
            "leaves": leaves[first] if first >= 0 else "",
            "level_m": high.level if first >= 0 else NAN,
            "sigma_m": w.spill_sigma[first] if first >= 0 else NAN,
            "litres": most,
            "litres_fewest": fewest,
            "rivals": tuple(r.node for r in _rivals(case, high, levels, z)) if spills else (),
            "below_ground": first >= 0 and _below_ground(network, first, high.level),
            "decides": decides,
        }
    return pd.DataFrame.from_dict(rows, orient="index")


def surcharged(network: Network, outfall: str, head: Measured, *, ref: Reference) -> pd.DataFrame:
    """Say which nodes a full sewer or ditch outside would flood through the drains.

    Parameters
    ----------
    outfall
        The outfall it stands at.
    head
        Level of the water there, m.

    Returns
    -------
    DataFrame, index node: ``reach_m``, ``margin_mm``, ``sigma_mm``, ``word``; lowest first. Nothing
    passes a non-return valve or a pump backwards.
    """
    case = _case(network, ())
    row = case.rows[-1]
    start = network.place(outfall)
    crest, _ = _reach(case, start, row)
    reach = np.maximum(np.array(case.spill[row]), crest)
    z = ref.value("drains.rival_sigmas")
    rows = {}
    for i in np.argsort(reach, kind="stable"):
        if i == start or case.w.outfall[i] or not math.isfinite(reach[i]):
            continue
        margin = Measured(1000 * head.value, 1000 * head.sigma) - Measured(
            1000 * float(reach[i]), 1000 * case.w.spill_sigma[i]
        )
        said = decide(margin, z=z, unit="mm", settle=f"Level {case.w.ids[i]} and the water at {outfall}.")
        rows[case.w.ids[i]] = {
            "reach_m": float(reach[i]),
            "margin_mm": margin.value,
            "sigma_mm": margin.sigma,
            "word": said.word,
        }
    return pd.DataFrame.from_dict(rows, orient="index", columns=["reach_m", "margin_mm", "sigma_mm", "word"])


@dataclass(frozen=True, slots=True, kw_only=True)
class Pour:
    """What a water test needs: litres and minutes to the first spill, and to be worth doing."""

    to_spill_l: Measured
    to_spill_minutes: float
    wanted_l: float
    wanted_minutes: float


def required_pour(result: BackUp, *, rate_l_s: float, ref: Reference) -> Pour:
    """Return how much a test must pour, and for how long.

    Parameters
    ----------
    result
        The back-up the test is to show.
    rate_l_s
        Flow of the hose, measured with a bucket, l/s.

    Returns
    -------
    Pour; minutes are infinite where the partial blockage passes the whole flow.
    """
    spare = rate_l_s - result.passes_l_s
    minutes = result.litres.value / spare / 60.0 if spare > 0 else math.inf
    factor = ref.value("drains.pour_factor")
    litres = result.litres.value * rate_l_s / spare if spare > 0 else math.inf
    return Pour(
        to_spill_l=Measured(
            litres, result.litres.sigma * (litres / result.litres.value if litres < math.inf else 1.0)
        ),
        to_spill_minutes=minutes,
        wanted_l=factor * litres,
        wanted_minutes=factor * minutes,
    )


def sufficiency(test_volume_l: float, needed: Measured, *, ref: Reference) -> Verdict:
    """Say whether a test that showed nothing was big enough to mean anything.

    Parameters
    ----------
    test_volume_l
        Litres poured (less what a partial blockage passed meanwhile).
    needed
        Litres to the first spill, with sigma.

    Returns
    -------
    Verdict ``enough``, ``no information`` (it could not have shown), or not known in between.
    """
    if not (needed.value > 0 and math.isfinite(needed.value)):
        return Verdict(
            word=NOT_KNOWN,
            because="the litres to the first spill are not known",
            settle="Level what is missing.",
        )
    factor, z = ref.value("drains.pour_factor"), ref.value("drains.rival_sigmas")
    share = test_volume_l / needed.value
    said = f"{test_volume_l:.0f} l is {100 * share:.0f} % of the {needed.value:.1f} l it can hold"
    facts: dict[str, Any] = {"margin": test_volume_l - needed.value, "sigma": needed.sigma, "unit": "l"}
    if test_volume_l < needed.value - z * needed.sigma:
        settle = f"Pour {factor * needed.value:.0f} l or more."
        return Verdict(
            word="no information", because=f"{said}: it could not have shown", settle=settle, **facts
        )
    if test_volume_l >= factor * needed.value:
        return Verdict(word="enough", because=said, **facts)
    settle = f"Pour {factor * needed.value:.0f} l or more."
    return Verdict(word=NOT_KNOWN, because=f"{said}: only just enough to show", settle=settle, **facts)
