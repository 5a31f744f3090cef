"""Levels that follow from others, bounds for those missing, and what is wrong with the whole."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import networkx as nx

from geo.drains.asset_rows import Row, first_known
from geo.drains.drafting import Draft


def finish(draft: Draft) -> tuple[dict[str, Row], Any]:
    """Work out levels that follow from others, bounds for those missing, and check the whole.

    Returns
    -------
    The edges that lead somewhere, and the graph of them.
    """
    for edge in [e for e in draft.edges.values() if e["state"] == "absent"]:
        start = draft.nodes[edge["from_node"]]
        start["socket"] = (
            min(edge["up"], start.get("socket", math.inf)) if not math.isnan(edge["up"]) else math.nan
        )
        start["absent"] = True
    live = {name: edge for name, edge in draft.edges.items() if edge["state"] != "absent"}
    for edge in live.values():
        _fitted(draft, edge)
    graph = nx.MultiDiGraph()
    graph.add_nodes_from(draft.nodes)
    for name, edge in live.items():
        graph.add_edge(edge["from_node"], edge["to_node"], key=name, run=edge)
    _bounds(draft, live, graph)
    _leave(draft, graph)
    _check_whole(draft, graph)
    return live, graph


def _fitted(draft: Draft, edge: Row) -> None:
    """Settle which way water passes the fittings of a run, and whether one stops it.

    A valve nobody tried is taken to let water both ways, a pump or trap to work: what else may be is
    kept as a doubt and asked beside.
    """
    edge |= {"way": "both", "shut": False, "shut_at": math.nan}
    for fitting in edge["fittings"]:
        kind, state = fitting["kind"], fitting["state"]
        if kind == "pump":
            edge["way"] = "pump"
            edge["passes"] = 0.0 if state == "stuck_shut" else first_known(fitting["passes"], edge["passes"])
            if math.isnan(edge["passes"]):
                draft.say("fitting", [fitting["id"]], "pump_rate")
        elif state == "stuck_shut":
            edge |= {"shut": True, "shut_at": fitting["at"]}
        elif kind == "non_return" and state == "works" and edge["way"] == "both":
            edge["way"] = "down"


def _bounds(draft: Draft, edges: Mapping[str, Row], graph: Any) -> None:
    """Give every level a lowest and a highest: itself where recorded, else what must hold it."""
    known = [edge[end] for edge in edges.values() for end in ("up", "down") if not math.isnan(edge[end])]
    tops = [n["spill"] for n in draft.nodes.values() if math.isfinite(n["spill"])]
    floor, roof = min(known, default=-math.inf), max(tops + known, default=math.inf)
    for name, edge in edges.items():
        for end, node in (("up", edge["from_node"]), ("down", edge["to_node"])):
            level = edge[end]
            low = high = level
            if math.isnan(level):
                draft.marked.add(name)
                above = (
                    [edge["up"]]
                    if end == "down" and not math.isnan(edge["up"])
                    else _known(graph, edge["from_node"], "down", up=True)
                )
                below = (
                    [edge["down"]]
                    if end == "up" and not math.isnan(edge["down"])
                    else _known(graph, edge["to_node"], "up", up=False)
                )
                top = draft.nodes[node]["spill"]
                high = min([*above, top if math.isfinite(top) else roof])
                # With nothing known below, no steeper than 1 in 1.
                low = min(max(below, default=high - first_known(edge["length"], high - floor)), high)
                draft.say("run", [edge["run_id"]], "no_invert", end=end, node=node, low=low, high=high)
            edge[f"{end}_low"], edge[f"{end}_high"] = low, high
        crest = first_known(edge["crest"], -math.inf)
        edge["crest_low"] = max(edge["up_low"], edge["down_low"], crest)
        edge["crest_high"] = max(edge["up_high"], edge["down_high"], crest)


def _known(graph: Any, node: str, end: str, *, up: bool) -> list[float]:
    """Return the nearest recorded inverts upstream or downstream of a node."""
    found: list[float] = []
    todo, seen = [node], {node}
    while todo:
        here = todo.pop()
        around = graph.in_edges(here, data="run") if up else graph.out_edges(here, data="run")
        for a, b, edge in around:
            level = first_known(edge[end], edge["up" if end == "down" else "down"])
            other = a if up else b
            if not math.isnan(level):
                found.append(level)
            elif other not in seen:
                seen.add(other)
                todo.append(other)
    return found


def _leave(draft: Draft, graph: Any) -> None:
    """Settle the level at which water leaves each node, and which nodes take it away for good."""
    for name, node in draft.nodes.items():
        inverts = [e["up_low"] for _, _, e in graph.out_edges(name, data="run")]
        inverts += [e["down_low"] for _, _, e in graph.in_edges(name, data="run")]
        node["bottom_low"] = first_known(node["bottom"], min(inverts, default=math.nan))
        node["base"] = first_known(node["outlet"], node["inlet"], min(inverts, default=math.nan))
        ways, into = graph.out_degree(name), graph.in_degree(name)
        if node.get("absent") and not node["socket"] > node["spill"]:
            node |= {"leaves": "socket", "spill": node["socket"]}
        elif ways == 0 and node["kind"] == "joint" and into:
            end_level = min((e["down"] for _, _, e in graph.in_edges(name, data="run")), default=math.nan)
            node |= {"leaves": "outfall", "outfall": True, "assumed": True, "spill": end_level}
        elif ways == 0 and node["kind"] in ("gully", "chamber"):
            node |= {"outfall_assumed": True, "outfall": True, "assumed": True}
            node |= {"leaves": "outfall", "spill": node["base"]}
            draft.say(node["kind"], [name], "no_onward")
        node["low"] = node["high"] = node["spill"]
        if math.isnan(node["spill"]):
            rim, base = node["rim"], node["base"]
            node["low"], node["high"] = first_known(base, -math.inf), first_known(rim, math.inf)
            if node["kind"] != "joint":
                what = node["leaves"] if node["leaves"] not in ("outfall", "socket") else "outlet"
                draft.say(node["kind"], [name], "no_level", what=what)


def _check_whole(draft: Draft, graph: Any) -> None:
    """Say what is wrong with the network as a whole."""
    for part in nx.strongly_connected_components(graph):
        runs = sorted({key for a, b, key in graph.edges(part, keys=True) if a in part and b in part})
        if len(part) > 1 or (runs and len(part) == 1):
            draft.say("run", runs, "ring")
    for part in nx.weakly_connected_components(graph):
        if len(part) > 1 and not any(draft.nodes[n]["outfall"] for n in part):
            runs = sorted({key for _, _, key in graph.edges(part, keys=True)})
            draft.say("run", runs, "no_way_out")
    for node_id in nx.isolates(graph):
        if draft.nodes[node_id]["kind"] == "soakaway":
            draft.say("soakaway", [node_id], "serves_nothing")
    for _, _, edge in graph.edges(data="run"):
        for end, node_id in (("up", edge["from_node"]), ("down", edge["to_node"])):
            top = first_known(draft.nodes[node_id]["rim"], math.inf)
            if edge[end] > top:
                facts = {"end": end, "level": edge[end], "node": node_id, "top": top}
                draft.say("run", [edge["run_id"], node_id], "above_cover", **facts)
