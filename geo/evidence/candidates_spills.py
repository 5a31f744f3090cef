"""Where stopped drains would let their water out, and how it would come to the wall and past its barrier."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import networkx as nx
from numpy.typing import NDArray

from geo.drains.backup import back_up
from geo.drains.cavity import Pool, WallWater, reach_the_wall
from geo.evidence.candidates_ways import Ways, ways_along
from geo.findings.drain_answer import Drains
from geo.findings.drain_ground import follow_over_ground
from geo.findings.drain_wall import as_far_as_seen, told
from geo.verdict import Measured

NAN = math.nan


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spill:
    """Water that leaves at one node of the drains, as the wall meets it.

    Parameters
    ----------
    node, ring_key, chainage_m
        Where it leaves; ``""`` and NaN for one that lies along no wall.
    head
        Level of the water that presses on the wall, m.
    wets
        Length of wall it wets, m; ``None`` where it comes to no wall.
    pool_known
        Whether that length was worked out from the ground.
    tanks
        Lengths of cavity it may fill, and whether it surely gets in.
    ways
        Every way past the barrier along those lengths; ``None`` where it comes to no wall.
    enters
        ``yes``, ``no`` or not known: whether it gets into the wall at all.
    """

    node: str
    ring_key: str
    chainage_m: float
    below_ground: bool
    head: Measured
    wets: tuple[float, float] | None
    pool_known: bool
    tanks: tuple[tuple[float, float, bool], ...]
    ways: Ways | None
    enters: str
    because: str
    rests_on: tuple[str, ...]


def first_spills(drains: Drains) -> dict[str, tuple[str, str]]:
    """Return, by run and soakaway stopped, the node where water first leaves and the word for it.

    The node is ``""`` where nothing comes out at a wall, or where a level that is missing decides.
    """
    every = drains.every
    if not len(every):
        return {}
    return {
        str(name): (str(first) if word == "spills" else "", str(word))
        for name, first, word in zip(every.index, every["first"], every["word"], strict=True)
    }


def spills_at(
    drains: Drains, stops: Mapping[str, str], sections: Mapping[str, Mapping[str, NDArray[Any]]]
) -> Mapping[str, Spill]:
    """Follow the water that first leaves with each of several things stopped to the wall.

    Parameters
    ----------
    stops
        By what is stopped, the node where its water first leaves. Stops below which the same gullies are shut
        off let it out alike, and are followed once.

    Returns
    -------
    By what is stopped; one whose water does not leave there after all is left out.
    """
    every, network = drains.every, drains.network
    sources = every["source"].to_dict() if len(every) else {}
    gullies = set(network.nodes.index[(network.nodes["kind"] == "gully").to_numpy(dtype=bool)])
    allowed = set(drains.can_be_blocked)
    made: dict[tuple[str, frozenset[str]], Spill | None] = {}
    found: dict[str, Spill] = {}
    for stop, node in stops.items():
        if stop not in allowed:
            continue
        key = node, frozenset(nodes_above(drains, stop) & gullies)
        if key not in made:
            made[key] = _follow(drains, node, stop, str(sources.get(stop, stop)), sections)
        spill = made[key]
        if spill is not None:
            found[stop] = replace(spill, rests_on=tuple(dict.fromkeys([stop, *spill.rests_on])))
    return found


def nodes_above(drains: Drains, stop: str) -> set[str]:
    """Return the nodes whose water passes a stop."""
    network = drains.network
    pieces = network.pieces(stop)
    heads = [str(network.runs["from_node"].iloc[i]) for i in pieces] if pieces else [stop]
    graph = network.graph
    return {name for head in heads if head in graph for name in (head, *nx.ancestors(graph, head))}


def _follow(
    drains: Drains, node: str, stop: str, source: str, sections: Mapping[str, Mapping[str, NDArray[Any]]]
) -> Spill | None:
    """Follow what leaves at a node when one thing is stopped."""
    result = back_up(drains.network, blocked=stop, source=source, ref=drains.ref, changes=False)
    if result.verdict.word == "no spill" or not any(spill.node == node for spill in result.spills):
        return None
    ground = {
        spill.node: follow_over_ground(drains, spill.node, NAN, result)
        for spill in result.spills
        if spill.node == node and not spill.below_ground
    }

    def pool_of(name: str, _level: Measured, _litres: float) -> Pool | None:
        return ground[name].pool if name in ground else None

    own = replace(result, spills=tuple(spill for spill in result.spills if spill.node == node))
    every = reach_the_wall(
        own, drains.network, openings=drains.openings, cavities=drains.cavities, ref=drains.ref,
        ground_pool=pool_of, ring_lengths=drains.ring_lengths,
    )  # fmt: skip
    water = next(each for each in every if each.node == node)
    water = told(as_far_as_seen(water, drains), ground.get(node), drains)
    ways = None
    if water.ring_key in sections:
        z = drains.ref.value("drains.rival_sigmas")
        ways = ways_along(sections[water.ring_key], water, ring_m=drains.ring_lengths[water.ring_key], z=z)
    row = drains.network.nodes.loc[node]
    wets = (water.chainage_from_m, water.chainage_to_m)
    away = node in ground and ground[node].word in ("runs off", "stands off the wall")
    return Spill(
        node=node,
        ring_key=water.ring_key or str(row["ring_key"]),
        chainage_m=float(row["chainage_m"]),
        below_ground=water.below_ground,
        head=water.head,
        wets=None if math.isnan(wets[0]) or away else wets,
        pool_known=water.pool_known,
        tanks=tuple((tank.chainage_from_m, tank.chainage_to_m, tank.takes == "yes") for tank in water.tanks),
        ways=ways,
        enters=water.verdict.word,
        because=water.verdict.because or (ground[node].because if node in ground else ""),
        rests_on=_rests(water, node),
    )


def _rests(water: WallWater, node: str) -> tuple[str, ...]:
    """Return the ids behind a spill: the node, the way in and the cavity."""
    cavity = [name for tank in water.tanks for name in tank.rests_on]
    return tuple(dict.fromkeys([node, *water.verdict.rests_on, *cavity]))
