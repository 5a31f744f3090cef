"""Where water comes up when a drain is stopped: the first spill, its rivals, litres and minutes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from geo.drains.answers import NAN, NOBODY_ASKED, BackUp, Blockage, Change, Leak, Otherwise, Rival, Spill
from geo.drains.boundary import boundary_heads, surcharged
from geo.drains.changes import changes_to
from geo.drains.network import LEAKY_RUN, Network
from geo.drains.pours import Pour, required_pour, sufficiency
from geo.drains.rising import (
    Case,
    Levels,
    Rise,
    below_ground,
    crests_from,
    fill_from,
    ground_word,
    leaks,
    litres_to,
    make_case,
    passing,
)
from geo.drains.saying import otherwise, said_of
from geo.drains.spilling import chain
from geo.drains.storage import Inflow, Trickle, balance, together
from geo.errors import InputError, Problem
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured

__all__ = [
    "BackUp",
    "Blockage",
    "Change",
    "Leak",
    "Otherwise",
    "Pour",
    "Rival",
    "Spill",
    "back_up",
    "boundary_heads",
    "every_blockage",
    "required_pour",
    "sufficiency",
    "surcharged",
]

UNKNOWN = Measured(NAN, NAN)


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
    case = make_case(network, blockages)
    return _answer(case, blockages, sources, _inflows(sources, inflow), ref=ref, changes=changes)


def _blockages(blocked: str | Blockage | Sequence[str | Blockage]) -> tuple[Blockage, ...]:
    several = (blocked,) if isinstance(blocked, str | Blockage) else tuple(blocked)
    return tuple(Blockage(asset_id=one) if isinstance(one, str) else one for one in several)


def _inflows(sources: tuple[str, ...], inflow: Inflow | Mapping[str, Inflow] | None) -> dict[str, Inflow]:
    if inflow is None:
        return {}
    return {sources[0]: inflow} if isinstance(inflow, Inflow) else dict(inflow)


def _answer(
    case: Case,
    blockages: tuple[Blockage, ...],
    sources: tuple[str, ...],
    inflows: Mapping[str, Inflow],
    *,
    ref: Reference,
    changes: bool,
) -> BackUp:
    net, w = case.net, case.w
    z = ref.value("drains.rival_sigmas")
    rises = {s: [fill_from(case, net.place(s), row, z) for row in case.rows] for s in sources}
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
    passes, trickle = (0.0, None) if outfall else passing(case, high, volumes[1], z)
    flows = [inflows[s] for s in ours if s in inflows]
    flow = together(flows) if flows else None
    lost = () if outfall else leaks(case, [(high.pool, high.level), *high.held], ref=ref)
    most = sum(leak.most_l_s for leak in lost)
    filled = drier = None
    if flow is not None and known and not outfall:
        capacity = volumes[1] if first >= 0 else math.inf
        gone = Trickle.constant(passes) if trickle is None else trickle
        filled = balance(flow, capacity_l=capacity, passes_l_s=gone)
        drier = balance(flow, capacity_l=capacity, passes_l_s=gone.and_also(most)) if lost else filled
    spills: tuple[Spill, ...] = ()
    standing = NAN
    if first >= 0 and not outfall:
        spills, standing = chain(case, levels, first, flow, filled, passes, ref=ref)
        if flow is not None and trickle is not None and not flow.peak_l_s > passes:
            standing = trickle.level_for(flow.peak_l_s)
    wet = [*high.pool, *(i for pool, _ in high.held for i in pool)]
    edges = sorted({e for i in wet for e, _ in (*w.onward[i], *w.back[i])})
    runs = net.runs.iloc[edges]
    assumed = (runs["from_evidence"] == "assumed") | (runs["to_evidence"] == "assumed")
    touched = {w.ids[i] for i in wet} | set(runs["run_id"]) | {w.edge_ids[e] for e in edges}
    leaves = str(net.nodes["leaves"].iloc[first]) if first >= 0 else ""
    rim = float(net.nodes["rim_m"].iloc[first]) if leaves == "lip" else NAN
    below = ground_word(case, first, level.value, z) if first >= 0 and not outfall else NOBODY_ASKED
    result: dict[str, Any] = {
        "blocked": tuple(one.asset_id for one in blockages), "sources": tuple(ours),
        "first": w.ids[first] if first >= 0 else "", "leaves": leaves, "level": level,
        "level_between": (low.level, high.level), "drains": outfall,
        "needs_m": max([high.level, *(sill for _, sill in high.held)]),
        "below_ground": below is not NOBODY_ASKED and below.word != "at the surface", "below": below,
        "rivals": _rivals(case, high, levels, z) if first >= 0 and not outfall else (), "decides": decides,
        "litres": litres, "litres_between": volumes, "passes_l_s": passes, "trickle": trickle,
        "balance": filled, "leaks": lost, "loses_between_l_s": (0.0, most),
        "standing_m": standing, "spills": spills, "order": _order(case, levels),
        "pool": tuple(w.ids[i] for i in high.pool), "pool_runs": tuple(sorted(set(runs["run_id"]))),
        "rim_behind": Measured(rim - level.value, math.sqrt(2.0) * level.sigma),
        "assumed_runs": tuple(sorted(set(runs["run_id"][assumed]))),
        "leaky_runs": tuple(sorted(set(runs["run_id"][runs["state"].isin(LEAKY_RUN)]))),
        "at_least": tuple(sorted(touched & net.at_least)), "marked": tuple(sorted(touched & net.marked)),
        "minutes": NAN if filled is None else filled.first_spill_s / 60.0,
    }  # fmt: skip
    if filled is not None and drier is not None:
        result["minutes_between"] = (filled.first_spill_s / 60.0, drier.first_spill_s / 60.0)
        result["spilled_between_l"] = (drier.spilled_l, filled.spilled_l)
    result["otherwise"] = otherwise(case, blockages, net.place(sources[0]), high, z) if known else ()
    result["verdict"] = said_of(result, flow, z)
    result["changes"] = changes_to(case, blockages, sources[0], high, z) if changes and first >= 0 else ()
    rest = tuple(s for s in sources if s not in ours)
    if rest:
        result["elsewhere"] = (_answer(case, blockages, rest, inflows, ref=ref, changes=changes),)
    return BackUp(**result)


def _levels(case: Case, low: Rise, high: Rise) -> Levels:
    w = case.w
    start = high.first if high.first >= 0 else high.pool[0]
    crest, over = crests_from(case, start, case.rows[-1])
    spill = np.array(case.spill[case.rows[-1]])
    own = np.array(w.spill_sigma)
    sigma = np.where((crest > spill) & (over >= 0), np.array([*w.crest_sigma, 0.0])[over], own)
    reach = lowest = np.maximum(spill, crest)
    if len(case.rows) > 1:
        below, _ = crests_from(case, low.first if low.first >= 0 else low.pool[0], 0)
        lowest = np.maximum(np.array(case.spill[0]), below)
    return Levels(crest=crest, reach=reach, sigma=sigma, lowest=lowest)


def _decided(case: Case, low: Rise, high: Rise, levels: Levels) -> tuple[tuple[str, ...], bool]:
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


def _order(case: Case, levels: Levels) -> pd.DataFrame:
    columns = {
        "leaves": case.net.nodes["leaves"].to_numpy(),
        "crest_m": levels.crest,
        "reach_m": levels.reach,
        "reach_low_m": levels.lowest,
        "sigma_m": levels.sigma,
    }
    table = pd.DataFrame(columns, index=pd.Index(case.w.ids, dtype=object))
    return table.sort_values("reach_m", kind="stable")


def _volumes(case: Case, low: Rise, high: Rise) -> tuple[float, float]:
    """Return the fewest and the most litres to the first spill."""
    fewest = litres_to(case, [(low.pool, low.level), *low.held], case.rows[-1], nearest=True)
    return fewest, litres_to(case, [(high.pool, high.level), *high.held], 0)


def _litres_sigma(case: Case, rise: Rise, sigma: float) -> float:
    """Return the sigma of the litres that follows from the level's own."""
    step = max(sigma, 1e-4)
    above, below = (litres_to(case, [(rise.pool, rise.level + d)], case.rows[-1]) for d in (step, -step))
    return abs(above - below) / 2.0


def _rivals(case: Case, rise: Rise, levels: Levels, z: float) -> tuple[Rival, ...]:
    w = case.w
    margin = np.where(np.isfinite(levels.reach), levels.reach - rise.level, np.inf)
    sigma = np.hypot(levels.sigma, w.spill_sigma[rise.first])
    close = {int(i): (float(margin[i]), float(sigma[i])) for i in np.flatnonzero(margin < z * sigma)}
    close |= {i: (m, s) for i, m, s in rise.near}
    close.pop(rise.first, None)
    return tuple(Rival(node=w.ids[i], margin_mm=1000 * m, sigma_mm=1000 * s) for i, (m, s) in close.items())


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
    ``decides``; ``leaks``, cracked runs that stand full: where the size of one was not measured it is not
    known whether water comes up; ``fittings`` nobody tried, on which the answer hangs.
    """
    w, z = network.wiring, ref.value("drains.rival_sigmas")
    heads = {run: w.ends[pieces[-1]][0] for run, pieces in w.pieces_of.items()}
    for i in np.flatnonzero(network.nodes["kind"].to_numpy() == "soakaway"):
        above = [w.ends[e][0] for e, _ in w.back[i] if w.ends[e][1] == i]
        heads |= {w.ids[i]: above[0]} if above else {}
    leaves = network.nodes["leaves"].to_numpy()
    rows: dict[str, dict[str, Any]] = {}
    for asset_id, start in heads.items():
        case = make_case(network, (Blockage(asset_id=asset_id),))
        rises = [fill_from(case, start, row, z) for row in case.rows]
        low, high = rises[0], rises[-1]
        levels = _levels(case, low, high)
        decides, known = _decided(case, low, high, levels)
        fewest, most = _volumes(case, low, high)
        first = high.first if known else -1
        spills = first >= 0 and not w.outfall[first]
        word = "spills" if spills else "no spill" if known else NOT_KNOWN
        lost = leaks(case, [(high.pool, high.level), *high.held], ref=ref) if spills else ()
        others = otherwise(case, (Blockage(asset_id=asset_id),), start, high, z) if known else ()
        name = w.ids[first] if first >= 0 else ""
        other_first = any(each.first != name for each in others)
        if other_first or any(math.isinf(leak.most_l_s) for leak in lost):
            word = NOT_KNOWN
        rows[asset_id] = {
            "source": w.ids[start],
            "word": word,
            "first": name,
            "leaves": leaves[first] if first >= 0 else "",
            "level_m": high.level if first >= 0 else NAN,
            "sigma_m": w.spill_sigma[first] if first >= 0 else NAN,
            "litres": most,
            "litres_fewest": fewest,
            "rivals": tuple(r.node for r in _rivals(case, high, levels, z)) if spills else (),
            "below_ground": spills and below_ground(case, first, high.level, z),
            "decides": decides,
            "leaks": tuple(leak.run_id for leak in lost),
            "fittings": tuple(dict.fromkeys(each.fitting_id for each in others)),
        }
    return pd.DataFrame.from_dict(rows, orient="index")
