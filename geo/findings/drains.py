"""The drains of a site: what is wrong with them, and where water goes when one is stopped."""

from __future__ import annotations

import difflib
import math
from dataclasses import replace

import networkx as nx

from geo.drains.backup import Blockage, back_up, required_pour
from geo.drains.cavity import Pool, reach_the_wall
from geo.drains.storage import Inflow
from geo.errors import InputError, Problem
from geo.findings.drain_answer import DrainAnswer, DrainFindings, Drains, OnGround, Surface
from geo.findings.drain_document import drain_document, drain_tables
from geo.findings.drain_ground import follow_over_ground, ground_along
from geo.findings.drain_layout import lay_out_drains
from geo.findings.drain_levels import fill_levels
from geo.findings.drain_wall import as_far_as_seen, past_the_barrier, told
from geo.findings.drain_words import answer_facts, drain_lines
from geo.findings.examine import Findings
from geo.verdict import Measured

__all__ = [
    "DrainAnswer",
    "DrainFindings",
    "Drains",
    "OnGround",
    "Surface",
    "answer_facts",
    "ask_drains",
    "drain_document",
    "drain_lines",
    "drain_tables",
    "examine_drains",
    "fill_levels",
    "ground_along",
    "just_above",
    "lay_out_drains",
    "path_of",
    "rain_on",
]
NAN = math.nan
MOST_NAMED = 12


def examine_drains(
    found: Findings | Drains,
    *,
    blocked: str | Blockage | None = None,
    source: str | None = None,
    inflow: Inflow | None = None,
    surcharged: bool = False,
) -> DrainFindings:
    """Say what is wrong with a site's drains and, for something stopped, where the water goes.

    Parameters
    ----------
    found
        What was found at the site, or its drains already laid out by :func:`lay_out_drains`.
    blocked
        What is stopped; ``None`` for the faults and every single blockage only, or with a source for what
        water put in there does with nothing stopped.
    source
        Where water is put in; by default just above the stop.
    inflow
        What is put in; ``None`` to ask only where it would leave.
    surcharged
        Let the water outside stand as high as it is recorded to have stood at each outfall.

    Raises
    ------
    InputError
        When an id is not of the network.
    """
    drains = found if isinstance(found, Drains) else lay_out_drains(found)
    answer = None
    if blocked is not None or source is not None:
        answer = ask_drains(drains, blocked=blocked, source=source, inflow=inflow, surcharged=surcharged)
    return DrainFindings(drains=drains, answer=answer)


def ask_drains(
    drains: Drains,
    *,
    blocked: str | Blockage | None = None,
    source: str | None = None,
    inflow: Inflow | None = None,
    surcharged: bool = False,
) -> DrainAnswer:
    """Follow the water from something stopped to the wall and past its barrier.

    Parameters
    ----------
    blocked, source, inflow, surcharged
        As for :func:`examine_drains`. With nothing blocked a source is needed.

    Raises
    ------
    InputError
        When an id is not of the network, when neither is named, or when no high water is recorded.
    """
    ref = drains.ref
    stop = Blockage(asset_id=blocked) if isinstance(blocked, str) else blocked
    if stop is None and not source:
        raise InputError([_nothing_named(drains)])
    if stop is not None and stop.asset_id not in drains.can_be_blocked:
        raise InputError([_no_such(stop.asset_id, "blocked", drains.can_be_blocked)])
    if source and source not in drains.sources and source not in drains.network.nodes.index:
        raise InputError([_no_such(source, "a source of water", drains.sources)])
    if surcharged and not drains.heads:
        raise InputError([_never_high()])
    network = drains.network.with_boundary(drains.heads) if surcharged else drains.network
    named = stop.asset_id if stop is not None else ""
    start = source or just_above(drains, named)
    result = back_up(network, blocked=stop or (), source=start, inflow=inflow, ref=ref)
    if result.verdict.word == "no spill":
        # What would come up with more water is not followed to a wall that none reaches.
        result = replace(result, spills=())
    litres = result.balance.spilled_l if result.balance is not None else NAN
    follow = {
        spill.node: follow_over_ground(drains, spill.node, litres, result)
        for spill in result.spills
        if not spill.below_ground
    }

    def pool_of(node: str, _level: Measured, _litres: float) -> Pool | None:
        return follow[node].pool if node in follow else None

    water = reach_the_wall(
        result,
        network,
        openings=drains.openings,
        cavities=drains.cavities,
        ref=ref,
        ground_pool=pool_of,
        ring_lengths=drains.ring_lengths,
    )
    water = tuple(told(as_far_as_seen(each, drains), follow.get(each.node), drains) for each in water)
    crossings, remedies = past_the_barrier(drains, water)
    rate = inflow.peak_l_s if inflow is not None else 0.0
    pours = rate > 0 and result.litres.value > 0
    plan, driven = network.roofs_above(result.pool)
    full = dict.fromkeys([named, *(str(run) for run in network.runs.loc[list(result.pool_runs), "run_id"])])
    owners = tuple((run, drains.whose(run)) for run in full if drains.whose(run))
    return DrainAnswer(
        blocked=named,
        at_m=stop.at_m if stop is not None else None,
        source=start,
        inflow=inflow,
        result=result,
        on_ground=tuple(follow.values()),
        water=water,
        crossings=crossings,
        remedies=remedies,
        roof_m2=plan,
        driven_m2=driven,
        pour=required_pour(result, rate_l_s=rate, ref=ref) if pours else None,
        surcharged=surcharged,
        owners=owners,
    )


def _no_such(name: str, what: str, allowed: tuple[str, ...]) -> Problem:
    some = ", ".join(allowed[:MOST_NAMED]) or "nothing is recorded"
    more = len(allowed) - MOST_NAMED
    close = difflib.get_close_matches(name, allowed, n=1)
    return Problem(
        file="drains",
        found=f"nothing that can be {what} is called {name!r}",
        allowed=some if more <= 0 else f"{some} and {more} more",
        mend=f"Did you mean {close[0]}?" if close else "Name one of these.",
    )


def _nothing_named(drains: Drains) -> Problem:
    return Problem(
        file="drains",
        found="nothing blocked, and no source of water",
        allowed=f"one of {', '.join(drains.can_be_blocked[:MOST_NAMED])} blocked, or water put in somewhere",
        mend="Name what is blocked, or where water is put in.",
    )


def _never_high() -> Problem:
    return Problem(
        file="water_levels.csv",
        found="no level of a surcharged sewer or high ditch at the end of a drain",
        allowed="a row with condition surcharged and the outfall it was taken at",
        mend="Record how high it has stood, or ask without it.",
    )


def just_above(drains: Drains, asset_id: str) -> str:
    """Return the node just above a stop, where water comes to it: the usual place to put some in."""
    if asset_id in drains.every.index:
        return str(drains.every.loc[asset_id, "source"])
    return asset_id


def path_of(drains: Drains, answer: DrainAnswer | None = None, *, start: str = "") -> tuple[str, ...]:
    """Return the runs to show in a long section, upper end first.

    From ``start``, or from the first spill where its water comes by the stop, else from the source, down
    to where the drain ends.
    """
    network, graph = drains.network, drains.network.graph
    node = start
    if answer is not None and not node:
        pieces = network.pieces(answer.blocked) if answer.blocked else []
        stop = str(network.runs["from_node"].iloc[pieces[-1]]) if pieces else answer.blocked
        first = answer.result.first
        node = first if first in graph and stop in graph and nx.has_path(graph, first, stop) else ""
        node = node or str(network.nodes.index[network.place(answer.source)])
    if node not in graph:
        node = str(network.nodes.index[network.place(node)])
    path: list[str] = []
    seen = {node}
    while True:
        onward = [(key, below) for _, below, key in graph.out_edges(node, keys=True) if below not in seen]
        if not onward:
            return tuple(path)
        key, node = onward[0]
        path.append(str(key))
        seen.add(node)


def rain_on(answer: DrainAnswer, mm_h: float, *, minutes: float = math.inf) -> Inflow:
    """Return steady rain on the roofs that drain to the stop, as driven rain meets them.

    Their plan area where no pitch is recorded, or one too near the step of the table to say more.
    """
    area = answer.driven_m2 if math.isfinite(answer.driven_m2) else answer.roof_m2
    return Inflow.rain(mm_h, area_m2=area, minutes=minutes)
