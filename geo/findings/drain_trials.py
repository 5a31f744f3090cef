"""Tracing tests held against the map: what they prove of the runs, and what they contradict."""

from __future__ import annotations

from dataclasses import replace

import networkx as nx
import pandas as pd

from geo.drains.network import Network

PROVES = {
    "tracing": "tap_test",
    "hose": "tap_test",
    "appliance": "tap_test",
    "dye": "dye",
    "sonde": "sonde",
    "camera": "camera",
}
"""What a test that showed at an asset proves the way between by, by the kind of test."""
STRENGTH = {"assumed": 0, "tap_test": 1, "dye": 2, "sonde": 3, "camera": 4, "seen": 5}
RODDED = ("sonde", "camera")
"""Tests pushed through the pipe: they prove it whichever end they went in at."""


def prove_runs(network: Network, trials: pd.DataFrame) -> tuple[Network, pd.DataFrame]:
    """Raise the evidence of every run that a test has shown water, or a sonde, to pass.

    Parameters
    ----------
    network
        The drains as they are drawn.
    trials
        Tests, indexed by id: trial_kind, source_id, shown, shown_id.

    Returns
    -------
    The network with both ends of each proven run known by the strongest test that passed it; and what was
    proven: trial_id, run_id, evidence. Where the map has two ways between, neither is proven. Evidence is
    never lowered.
    """
    graph, rows = network.graph, []
    for name, trial in trials.iterrows():
        evidence = PROVES.get(str(trial["trial_kind"]), "")
        if not evidence or trial["shown"] != "shown" or not trial["shown_id"]:
            continue
        start, end = _ends(network, trial)
        if end in graph and start in graph and not nx.has_path(graph, start, end):
            start, end = (end, start) if trial["trial_kind"] in RODDED else ("", "")
        if start in graph and end in graph:
            rows += [(str(name), key, evidence) for key in _only_way(graph, start, end)]
    proven = pd.DataFrame(rows, columns=["trial_id", "run_id", "evidence"])
    if proven.empty:
        return network, proven
    runs = network.runs.copy()
    best = proven.assign(strength=proven["evidence"].map(STRENGTH)).sort_values("strength", kind="stable")
    best = best.drop_duplicates("run_id", keep="last").set_index("run_id")
    for side in ("from_evidence", "to_evidence"):
        held = runs.loc[best.index, side]
        stronger = best["strength"] > held.map(STRENGTH).fillna(0)
        runs.loc[best.index[stronger], side] = best.loc[stronger, "evidence"]
    return replace(network, runs=runs), proven.assign(run_id=runs.loc[proven["run_id"], "run_id"].to_numpy())


def tracing_tests(network: Network, trials: pd.DataFrame) -> pd.DataFrame:
    """Return the tests to hold against the map, as :func:`geo.drains.faults.find_faults` takes them.

    A test that showed is asked whether the map has a way there; one that did not show, whether the map
    takes water to the nearest place that was watched. A sonde or camera may have gone in at either end.
    """
    graph, rows = network.graph, {}
    for name, trial in trials.iterrows():
        if trial["trial_kind"] not in PROVES or trial["shown"] == "stopped":
            continue
        start, end = _ends(network, trial)
        seen = trial["shown"] == "shown"
        if not seen:
            end = _first_watched(network, start, str(trial["watched"]))
        elif trial["trial_kind"] in RODDED and start in graph and end in graph:
            start, end = (end, start) if nx.has_path(graph, end, start) else (start, end)
        if start and end:
            litres = float(trial["volume_l"])
            rows[str(name)] = (start, end, "yes" if seen else "no", litres)
    columns = ["poured_at", "watched_at", "seen", "litres"]
    return pd.DataFrame.from_dict(rows, orient="index", columns=columns)


def _ends(network: Network, trial: pd.Series) -> tuple[str, str]:
    """Return the nodes of a test: those it names, or the upper end of a run it names."""
    named = [str(trial["source_id"]), str(trial["shown_id"])]
    start, end = (node_of(network, name) for name in named)
    return start, end


def node_of(network: Network, name: str) -> str:
    """Return the node a record's water enters: itself, what it falls into, or a run's upper end."""
    if name in network.discharge:
        return network.discharge[name]
    pieces = network.pieces(name)
    return str(network.runs["from_node"].iloc[pieces[0]]) if pieces else name


def _first_watched(network: Network, start: str, watched: str) -> str:
    """Return the first place watched that the map takes water to from the start, or nothing."""
    graph = network.graph
    if start not in graph:
        return ""
    far = nx.single_source_shortest_path_length(graph, start)
    near = [(far[node], node) for node in (node_of(network, name) for name in watched.split()) if node in far]
    return min(near)[1] if near else ""


def _only_way(graph: nx.MultiDiGraph, start: str, end: str) -> list[str]:
    """Return the runs that every way between two nodes takes."""
    between = (nx.descendants(graph, start) | {start}) & (nx.ancestors(graph, end) | {end})
    ways = nx.MultiDiGraph(graph.subgraph(between))
    found = []
    for a, b in nx.utils.pairwise(nx.shortest_path(ways, start, end)):
        keys = list(ways[a][b])
        if len(keys) > 1:
            continue
        run = ways[a][b][keys[0]]
        ways.remove_edge(a, b, keys[0])
        if not nx.has_path(ways, start, end):
            found.append(str(keys[0]))
        ways.add_edge(a, b, keys[0], **run)
    return found
