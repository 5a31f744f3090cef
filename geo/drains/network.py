"""The drains as a network: where water can stand, over what it must rise, and where it can leave."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import networkx as nx
import numpy as np
import pandas as pd

from geo.drains.asset_rows import Row, first_known, record_rows
from geo.drains.bounds import finish
from geo.drains.drafting import CUT_RUN, LEAKY_RUN, TRAPS, Draft
from geo.drains.wiring import Wiring, wire
from geo.errors import InputError, Problem
from geo.reference import Reference
from geo.verdict import Measured

__all__ = ["BURIED", "LEAKY_RUN", "Crack", "Cut", "Doubt", "Network", "Outcome", "build_network"]

FAILED_SOAKAWAY = ("silted", "collapsed", "root_bound", "standing_water", "none_suspected")
BURIED = ("joint", "socket", "wall of the chamber")


@dataclass(frozen=True, slots=True)
class Cut:
    """A stop in a run: metres from its upper end (``None``: anywhere), and what it still passes, l/s.

    Parameters
    ----------
    passes_at_m
        Level of the water above the stop when that trickle was measured, m. With it the trickle follows
        the head as through a hole, ``q = q0 √(h / h0)``; NaN keeps it constant.
    """

    at_m: float | None
    passes_l_s: float = 0.0
    passes_at_m: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Crack:
    """A crack or open joint in a run: the invert there and the size of the hole.

    Parameters
    ----------
    at_m
        Metres from the upper end of the piece; ``None`` where it is not recorded.
    lowest_m, highest_m
        Levels between which it lies, m: one level where its place is known.
    opening_cm2
        Size; NaN where it was not measured.
    """

    run_id: str
    state: str
    at_m: float | None
    lowest_m: float
    highest_m: float
    opening_cm2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a fitting nobody tried may turn out: the way it lets water, and the stop it makes."""

    said: str
    way: str
    cut: Cut | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """A fitting nobody tried: what it is taken to do in the reckoning, and what else it may do."""

    fitting_id: str
    kind: str
    run_id: str
    edge: int
    taken: str
    others: tuple[Outcome, ...]


@dataclass(frozen=True, eq=False, kw_only=True)
class Network:
    """A drainage network.

    Parameters
    ----------
    nodes
        One row a node, by id: ``kind``, ``leaves`` (rim, lip, cover, joint, socket, foot, outfall,
        never), ``spill_m`` (NaN where not recorded) with ``spill_low_m``/``spill_high_m`` that it must
        lie between and ``spill_sigma_m``, ``bottom_low_m``/``bottom_high_m``, ``area_m2`` standing
        above its outlet, ``outfall``, ``rim_m`` (where water would leave if a broken lip were mended),
        ``ground_m`` with ``ground_sigma_m`` beside it, ``x``, ``y``, ``ring_key``, ``chainage_m``,
        ``roof_m2`` on plan and ``roof_effective_m2`` that catches driven rain, ``state``, ``evidence``.
    runs
        One row a piece of run, by id (a run into which another is joined part-way has two pieces):
        ``run_id``, ``from_node``, ``to_node``, ``up_low_m`` … ``crest_high_m``, ``length_m``,
        ``bore_m``, ``way`` (both, down, pump), ``hump_share`` (place of the crest over the length, NaN
        where not recorded), ``sag_m`` (depth of the water a belly holds), ``state``, ``use``, evidence of
        both ends.
    graph
        The same as a directed graph with parallel edges, runs from upstream to downstream.
    discharge
        Id of a downpipe over a gully → the gully it falls into.
    problems, marked
        What is wrong with the records, and the ids whose answers rest on something wrong.
    cuts
        Runs that are stopped as they were recorded.
    at_least
        Ids whose size is not recorded, so that litres are at least.
    cracks
        Pieces of run that lose water below ground when they stand full.
    doubts
        Fittings whose state nobody knows.
    """

    nodes: pd.DataFrame
    runs: pd.DataFrame
    graph: Any = field(repr=False)
    discharge: Mapping[str, str]
    problems: tuple[Problem, ...]
    marked: frozenset[str]
    cuts: Mapping[int, Cut]
    at_least: frozenset[str]
    cracks: Mapping[int, Crack] = field(default_factory=dict)
    doubts: tuple[Doubt, ...] = ()

    @cached_property
    def wiring(self) -> Wiring:
        """The same as arrays and lists, made once."""
        return wire(self.nodes, self.runs)

    def place(self, node_id: str) -> int:
        """Return the position of a node, or of the gully a downpipe falls into.

        Raises
        ------
        InputError
            When there is no such node.
        """
        try:
            return int(self.nodes.index.get_loc(self.discharge.get(node_id, node_id)))
        except KeyError:
            raise InputError([_unknown(node_id, self.nodes.index)]) from None

    def pieces(self, run_id: str) -> list[int]:
        """Return the positions of the pieces of a run, upper end first; empty when there is none."""
        return self.wiring.pieces_of.get(run_id, [])

    def with_boundary(self, heads: Mapping[str, Measured]) -> Network:
        """Return the network with water standing at outfalls: a surcharged sewer, a high ditch.

        Parameters
        ----------
        heads
            Level of the water, m, by outfall, or by the run that ends there.

        Raises
        ------
        InputError
            When an id is no outfall, nor a run that ends at one.
        """
        nodes = self.nodes.copy()
        ends = {
            str(run): str(end)
            for run, end in zip(self.runs["run_id"], self.runs["to_node"], strict=True)
            if nodes.loc[end, "outfall"]
        }
        for name, head in heads.items():
            node_id = name if name in nodes.index else ends.get(name, "")
            if node_id not in nodes.index or not nodes.loc[node_id, "outfall"]:
                raise InputError([_unknown(name, nodes.index[nodes["outfall"].to_numpy(bool)])])
            raised = max(head.value, float(nodes.loc[node_id, "spill_low_m"]))
            nodes.loc[node_id, ["spill_m", "spill_low_m", "spill_high_m"]] = raised
            nodes.loc[node_id, "spill_sigma_m"] = head.sigma
        return replace(self, nodes=nodes)

    def roofs_above(self, names: Iterable[str]) -> tuple[float, float]:
        """Return the roofs that drain by way of nodes, m²: on plan, and as driven rain meets them."""
        above = set(names)
        above = above.union(*(nx.ancestors(self.graph, name) for name in above))
        own = self.nodes.loc[sorted(above), ["roof_m2", "roof_effective_m2"]].sum(skipna=False)
        return float(own["roof_m2"]), float(own["roof_effective_m2"])

    def with_level(self, node_id: str, level_m: float) -> Network:
        """Return the network with the spill level of one node set, as if it had been mended or raised."""
        self.place(node_id)
        nodes = self.nodes.copy()
        nodes.loc[node_id, ["spill_m", "spill_low_m", "spill_high_m"]] = level_m
        return replace(self, nodes=nodes)

    def steady_flows(self, inflows: Mapping[str, float]) -> pd.Series:
        """Return the flow in every run once it is steady and nothing backs up.

        Parameters
        ----------
        inflows
            Litres per second into nodes, by id.

        Returns
        -------
        Series of l/s, index as :attr:`runs`; NaN round and below a ring of runs, and below a node from
        which two runs lead on, since levels alone do not share a flow out.
        """
        flow = pd.Series(0.0, index=self.runs.index)
        into = dict.fromkeys(self.graph.nodes, 0.0)
        for node_id, rate in inflows.items():
            into[str(self.nodes.index[self.place(node_id)])] += rate
        ringed = {n for part in nx.strongly_connected_components(self.graph) if len(part) > 1 for n in part}
        for node in ringed:
            into[node] = math.nan
        parts = nx.condensation(self.graph)
        order = [n for part in nx.topological_sort(parts) for n in parts.nodes[part]["members"]]
        for node in order:
            leaving = list(self.graph.out_edges(node, keys=True))
            for _, below, key in leaving:
                part = into[node] if len(leaving) == 1 or into[node] == 0 else math.nan
                flow[key] = part
                into[below] += part
        return flow


def build_network(
    tables: Mapping[str, pd.DataFrame],
    *,
    ref: Reference,
    positions: pd.DataFrame | None = None,
    fittings: pd.DataFrame | None = None,
) -> Network:
    """Make a network of the tables of gullies, downpipes, soakaways, chambers and runs.

    Parameters
    ----------
    tables
        Tables by record kind, columns as the records have them; kinds may be missing. Levels in m.
    positions
        Where the assets are, by id: any of ``x``, ``y``, ``ring_key``, ``chainage_m``, ``ground_m``,
        ``opening_cm2`` (size of a crack or open socket).
    fittings
        Valves, pumps and traps in runs: by default the table of those records among ``tables``. Bare rows
        ``run_id``, ``fitting`` ("non_return" or "pump") and ``passes_l_s`` of a pump are taken to work.

    Returns
    -------
    Network. Wrong records are reported in its ``problems`` and marked; the rest is used.

    A pump delivers its rate whatever the level in its well. Water standing 0.5 m higher takes 0.5 m off a
    lift of 3 m, at which a pump delivers a little more, so the answer errs to an earlier spill.
    """
    draft = Draft(ref, positions, tables.get("fitting") if fittings is None else fittings)
    for kind in ("gully", "chamber", "soakaway", "downpipe"):
        for row in record_rows(tables.get(kind)):
            draft.add_asset(kind, row)
    draft.add_runs(record_rows(tables.get("run")))
    draft.join_downpipes()
    live, graph = finish(draft)
    return _made(draft, live, graph)


def _made(draft: Draft, edges: Mapping[str, Row], graph: Any) -> Network:
    names = {
        "kind": "kind", "leaves": "leaves", "spill": "spill_m", "low": "spill_low_m", "high": "spill_high_m",
        "sigma": "spill_sigma_m", "base": "base_m", "area": "area_m2", "outfall": "outfall",
        "assumed": "assumed", "rim": "rim_m", "ground_m": "ground_m",
        "ground_sigma_m": "ground_sigma_m", "opening_cm2": "opening_cm2", "takes":
        "takes_l_s",
        "roof_m2": "roof_m2", "roof_effective_m2": "roof_effective_m2", "x": "x", "y": "y",
        "position_sigma_m": "position_sigma_m",
        "ring_key": "ring_key", "chainage_m": "chainage_m", "building_id": "building_id", "takes_kind":
        "takes", "state": "state",
        "evidence": "evidence",
    }  # fmt: skip
    nodes = pd.DataFrame(
        {new: [n[old] for n in draft.nodes.values()] for old, new in names.items()},
        index=pd.Index(list(draft.nodes), dtype=object),
    )
    columns = {
        "run_id": "run_id", "from_node": "from_node", "to_node": "to_node", "up": "up_m", "down": "down_m",
        "up_low": "up_low_m", "up_high": "up_high_m", "down_low": "down_low_m", "down_high": "down_high_m",
        "crest_low": "crest_low_m", "crest_high": "crest_high_m", "sigma": "level_sigma_m",
        "length": "length_m", "bore": "bore_m", "way": "way", "state": "state", "use": "use", "passes":
        "passes_l_s",
        "fault_at": "fault_at_m", "sag": "sag_m", "from_evidence": "from_evidence",
        "to_evidence": "to_evidence",
    }  # fmt: skip
    runs = pd.DataFrame(
        {new: [e[old] for e in edges.values()] for old, new in columns.items()},
        index=pd.Index(list(edges), dtype=object),
    )
    thin = {e["run_id"] for e in edges.values() if math.isnan(e["bore"]) or math.isnan(e["length"])}
    thin |= {name for name, n in draft.nodes.items() if math.isnan(n["area"])}
    runs["hump_share"] = _hump_share(runs)
    cuts = {i: cut for i, edge in enumerate(edges.values()) if (cut := _cut(draft, edge)) is not None}
    return Network(
        nodes=nodes, runs=runs, graph=graph, discharge=draft.discharge, problems=tuple(draft.problems),
        marked=frozenset(draft.marked), cuts=cuts, at_least=frozenset(thin), cracks=_cracks(edges),
        doubts=tuple(doubt for i, edge in enumerate(edges.values()) for doubt in _doubts(i, edge)),
    )  # fmt: skip


def _hump_share(runs: pd.DataFrame) -> np.ndarray:
    """Return where along each run its crest lies: at the fault, where the fault is no stop or crack."""
    own = runs["state"].isin(("belly", "clear", "not_traced", "")) & runs["passes_l_s"].isna()
    length = runs["length_m"].to_numpy(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = runs["fault_at_m"].to_numpy(float) / length
    return np.where(own.to_numpy(bool) & (length > 0), np.clip(share, 0.0, 1.0), np.nan)


def _cut(draft: Draft, edge: Row) -> Cut | None:
    """Return how a run is stopped as it was recorded."""
    failed = draft.nodes[edge["to_node"]]
    if edge["way"] == "pump":
        return Cut(0.0, first_known(edge["passes"], 0.0))
    if edge["shut"]:
        return Cut(None if math.isnan(edge["shut_at"]) else edge["shut_at"])
    if edge["state"] in CUT_RUN or not math.isnan(edge["passes"]):
        at = edge["fault_at"]
        return Cut(None if math.isnan(at) else at, first_known(edge["passes"], 0.0), edge["passes_level"])
    if failed["kind"] == "soakaway" and (
        failed["state"] in FAILED_SOAKAWAY or (failed["state"] == "slow" and failed["takes"] >= 0)
    ):
        return Cut(edge["length"], first_known(failed["takes"], 0.0))
    return None


def _cracks(edges: Mapping[str, Row]) -> dict[int, Crack]:
    """Return the runs that are cracked or open at a joint, with the invert there or the bounds it has."""
    found = {}
    for i, edge in enumerate(edges.values()):
        if edge["state"] not in LEAKY_RUN:
            continue
        at, length = edge["fault_at"], edge["length"]
        if not math.isnan(at) and length > 0:
            t = min(max(at / length, 0.0), 1.0)
            levels = [
                edge[f"up_{side}"] + t * (edge[f"down_{side}"] - edge[f"up_{side}"])
                for side in ("low", "high")
            ]
        else:
            levels = [edge[f"{end}_{side}"] for end in ("up", "down") for side in ("low", "high")]
        found[i] = Crack(
            run_id=edge["run_id"], state=edge["state"], at_m=None if math.isnan(at) else at,
            lowest_m=min(levels), highest_m=max(levels), opening_cm2=edge["opening"],
        )  # fmt: skip
    return found


def _doubts(i: int, edge: Row) -> Iterable[Doubt]:
    """Return what the fittings of a run that nobody tried may do, one at a time."""
    for fitting in edge["fittings"]:
        if fitting["state"] != "not_known" or edge["shut"]:
            continue
        kind = fitting["kind"]
        shut = Cut(None if math.isnan(fitting["at"]) else fitting["at"])
        blocked = Outcome(said="it is stuck shut", way=edge["way"], cut=shut)
        if kind == "non_return":
            works = Outcome(said="it works", way="down", cut=None)
            yield Doubt(
                fitting_id=fitting["id"], kind=kind, run_id=edge["run_id"], edge=i,
                taken="it lets water both ways", others=(works, blocked),
            )  # fmt: skip
        elif kind == "pump" and edge["passes"] > 0:
            off = Outcome(said="it does not run", way="pump", cut=Cut(0.0))
            yield Doubt(
                fitting_id=fitting["id"], kind=kind, run_id=edge["run_id"], edge=i, taken="it runs",
                others=(off,),
            )  # fmt: skip
        elif kind in TRAPS:
            yield Doubt(
                fitting_id=fitting["id"], kind=kind, run_id=edge["run_id"], edge=i, taken="it is clear",
                others=(blocked,),
            )  # fmt: skip


def _unknown(node_id: str, ids: Iterable[Any]) -> Problem:
    some = ", ".join(str(name) for name in list(ids)[:12])
    return Problem(
        file="network",
        found=f"nothing is called {node_id!r}",
        allowed=some or "nothing is recorded",
        mend="Name one of these.",
    )
