"""The drains as a network: where water can stand, over what it must rise, and where it can leave."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import networkx as nx
import numpy as np
import pandas as pd

from geo.drains.storage import Wiring, wire
from geo.errors import InputError, Problem
from geo.reference import Reference
from geo.verdict import Measured

Row = dict[str, Any]
FILES = {
    "gully": "gullies.csv",
    "downpipe": "downpipes.csv",
    "soakaway": "soakaways.csv",
    "chamber": "chambers.csv",
    "run": "runs.geojson",
}
FAILED_SOAKAWAY = ("silted", "collapsed", "root_bound", "standing_water", "none_suspected")
CUT_RUN = ("blocked", "collapsed")
LEAKY_RUN = ("crack", "fracture", "open_joint", "displaced")
BURIED = ("joint", "socket", "wall of the chamber")
# column | what was found | what may be there | the way out
SAID = {
    "twice": "id | stand twice under one id; the first is used | each id once | Rename one.",
    "upside_down": "level_m | its invert {low:.3f} lies above where water leaves it, {top:.3f}"
    " | an invert below the rim or cover | Look at the level book: one of the two is wrong.",
    "no_such_end": "{column} | names {name}, which no record has | the id of an asset"
    " | Correct it, or leave it blank.",
    "where_joined": "geometry | joins {name}, but where along it is not drawn; taken half-way"
    " | a drawn run | Draw it.",
    "bore": "bore_mm | bore {bore:g} mm; its litres are left out | a bore above 0 | Measure it.",
    "no_length": "geometry | has no length; it joins its ends and holds nothing"
    " | a run with a length | Draw it again, or take it out.",
    "one_end": "to_id | begins and ends at {name} | two different ends | Correct one end.",
    "no_invert": "invert_{end}_level_m | its {end}stream invert at {node} is not recorded; taken between"
    " {low:.3f} and {high:.3f}, as if every run fell | a level | Dip the invert at {node}.",
    "no_onward": "id | nothing is drawn from it onwards; it is taken to drain"
    " | a run from it | Trace where it goes.",
    "no_level": "level_m | the level of its {what} is not recorded | a level | Level its {what}.",
    "ring": "to_id | lead round in a ring | runs from upstream to downstream"
    " | Turn one of them round, or correct an end.",
    "no_way_out": "to_id | lead to no outfall, soakaway or onward run | a way out | Trace where they go.",
    "serves_nothing": "id | no run leads to it | a run | Trace what it serves.",
    "above_cover": "invert_{end}_level_m | the {end}stream invert {level:.3f} lies above the top of {node},"
    " {top:.3f} | an invert below the cover or rim | Look at the level book: one of the two is wrong.",
}


@dataclass(frozen=True, slots=True)
class Cut:
    """A stop in a run: metres from its upper end (``None``: anywhere), and what it still passes, l/s."""

    at_m: float | None
    passes_l_s: float = 0.0


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
        ``x``, ``y``, ``ring_key``, ``chainage_m``, ``roof_m2``, ``state``, ``evidence``.
    runs
        One row a piece of run, by id (a run into which another is joined part-way has two pieces):
        ``run_id``, ``from_node``, ``to_node``, ``up_low_m`` … ``crest_high_m``, ``length_m``,
        ``bore_m``, ``way`` (both, down, pump), ``state``, ``use``, evidence of both ends.
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
    """

    nodes: pd.DataFrame
    runs: pd.DataFrame
    graph: Any = field(repr=False)
    discharge: Mapping[str, str]
    problems: tuple[Problem, ...]
    marked: frozenset[str]
    cuts: Mapping[int, Cut]
    at_least: frozenset[str]

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

        Raises
        ------
        InputError
            When an id is no outfall.
        """
        nodes = self.nodes.copy()
        for node_id, head in heads.items():
            if node_id not in nodes.index or not nodes.loc[node_id, "outfall"]:
                raise InputError([_unknown(node_id, nodes.index[nodes["outfall"].to_numpy(bool)])])
            raised = max(head.value, float(nodes.loc[node_id, "spill_low_m"]))
            nodes.loc[node_id, ["spill_m", "spill_low_m", "spill_high_m"]] = raised
            nodes.loc[node_id, "spill_sigma_m"] = head.sigma
        return replace(self, nodes=nodes)

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
        Rows ``run_id``, ``fitting`` ("non_return" or "pump"), ``passes_l_s`` of a pump.

    Returns
    -------
    Network. Wrong records are reported in its ``problems`` and marked; the rest is used.
    """
    draft = _Draft(ref, positions, fittings)
    for kind in ("gully", "chamber", "soakaway", "downpipe"):
        for row in _rows(tables.get(kind)):
            draft.add_asset(kind, row)
    draft.add_runs(_rows(tables.get("run")))
    draft.join_downpipes()
    return draft.finish()


def _rows(table: pd.DataFrame | None) -> list[Row]:
    if table is None or table.empty:
        return []
    rows: list[Row] = [{str(key): value for key, value in row.items()} for row in table.to_dict("records")]
    for row, name in zip(rows, table.index, strict=True):
        row["id"] = str(row.get("id", name))
    return rows


def _number(row: Row, name: str) -> float:
    value = row.get(name)
    return math.nan if value is None or not math.isfinite(value) else float(value)


def _text(row: Row, name: str) -> str:
    value = row.get(name, "")
    return value if isinstance(value, str) else ""


def _first(*values: float) -> float:
    return next((value for value in values if not math.isnan(value)), math.nan)


class _Draft:
    """A network being made; only :func:`build_network` sees it."""

    def __init__(self, ref: Reference, positions: pd.DataFrame | None, fittings: pd.DataFrame | None) -> None:
        self.ref = ref
        self.rim_sigma = ref.value("levels.rim_sigma_m")
        self.invert_sigma = ref.value("levels.invert_sigma_m")
        self.places: Mapping[str, Row] = {} if positions is None else _by_id(positions)
        self.fittings = {_text(row, "run_id"): row for row in _rows(fittings)}
        self.nodes: dict[str, Row] = {}
        self.edges: dict[str, Row] = {}
        self.discharge: dict[str, str] = {}
        self.problems: list[Problem] = []
        self.marked: set[str] = set()
        self.downpipes: list[Row] = []

    def say(self, kind: str, ids: Iterable[str], key: str, **facts: Any) -> None:
        """Note a problem and mark the ids it touches."""
        named = list(dict.fromkeys(ids))
        self.marked.update(named)
        column, found, allowed, mend = SAID[key].format(**facts).split(" | ")
        found = f"{', '.join(named)}: {found}"
        self.problems.append(
            Problem(
                file=FILES[kind], column=column, found=found, allowed=allowed, mend=mend, severity="warning"
            )
        )

    def add_asset(self, kind: str, row: Row) -> None:
        """Make the node of one record."""
        if row["id"] in self.nodes:
            self.say(kind, [row["id"]], "twice")
            return
        node = _node(
            kind,
            row,
            self.places.get(row["id"], {}),
            sigma=_first(_number(row, "level_sigma_m"), self.rim_sigma),
        )
        self.nodes[row["id"]] = node
        if kind == "downpipe":
            self.downpipes.append(row)
        top, bottom = node["spill"], node["bottom"]
        if bottom > top + 1e-9 and node["leaves"] not in ("never", "outfall"):
            self.say(kind, [row["id"]], "upside_down", low=bottom, top=top)

    def add_runs(self, rows: list[Row]) -> None:
        """Make the edges of the runs, joining ends that are named, drawn together or part-way."""
        runs: dict[str, Row] = {}
        for row in rows:
            if row["id"] in runs:
                self.say("run", [row["id"]], "twice")
            else:
                runs[row["id"]] = row
        named = Counter(_text(row, column) for row in runs.values() for column in ("from_id", "to_id"))
        loose = _loose_ends(runs, self.ref.value("drains.join_m"))
        taps: dict[str, list[tuple[float, str]]] = {}
        for run_id, row in runs.items():
            self._check_run(run_id, row)
            ends = []
            for column, end in (("from_id", "up"), ("to_id", "down")):
                name = _text(row, column)
                if name in self.nodes:
                    ends.append(name)
                elif name in runs and name != run_id:
                    at, node = self._tap(runs[name], row, end, f"{run_id}:{end}")
                    taps.setdefault(name, []).append((at, node))
                    ends.append(node)
                elif name and named[name] > 1:
                    self._joint(name, row, end)
                    ends.append(name)
                else:
                    if name:
                        self.say("run", [run_id], "no_such_end", column=column, name=name)
                    ends.append(loose.get((run_id, end), f"{run_id}:{end}"))
                    self._joint(ends[-1], row, end)
            self.edges[run_id] = self._edge(run_id, row, ends[0], ends[1])
        for run_id, joined in taps.items():
            self._split(run_id, sorted(joined))

    def _joint(self, node_id: str, row: Row, end: str) -> None:
        if node_id in self.nodes:
            return
        shape = row.get("geometry")
        xy = (
            shape.coords[0 if end == "up" else -1][:2]
            if shape is not None and not shape.is_empty
            else (math.nan,) * 2
        )
        place = {"x": xy[0], "y": xy[1]} | dict(self.places.get(node_id, {}))
        self.nodes[node_id] = _node("joint", {"id": node_id}, place, sigma=self.invert_sigma)

    def _tap(self, main: Row, row: Row, end: str, node_id: str) -> tuple[float, str]:
        """Find how far along the main run another joins it; its middle where nothing is drawn."""
        shape, mine = main.get("geometry"), row.get("geometry")
        self._joint(node_id, row, end)
        if shape is None or mine is None:
            self.say("run", [row["id"]], "where_joined", name=main["id"])
            return 0.5, node_id
        from shapely.geometry import Point  # noqa: PLC0415 - only where runs are drawn

        return float(shape.project(Point(mine.coords[0 if end == "up" else -1]), normalized=True)), node_id

    def _check_run(self, run_id: str, row: Row) -> None:
        bore, length = _number(row, "bore_mm"), _length(row)
        if bore <= 0:
            self.say("run", [run_id], "bore", bore=bore)
        if length < 0.01:
            self.say("run", [run_id], "no_length")
        if _text(row, "from_id") and _text(row, "from_id") == _text(row, "to_id"):
            self.say("run", [run_id], "one_end", name=row["from_id"])

    def _edge(self, run_id: str, row: Row, start: str, end: str) -> Row:
        fitting = self.fittings.get(run_id, {})
        way = {"non_return": "down", "pump": "pump"}.get(_text(fitting, "fitting"), "both")
        bore = _number(row, "bore_mm") / 1000.0
        crest = _number(row, "crest_level_m")
        if self.nodes[start].get("sill", math.nan) == self.nodes[start].get("sill", 0.0):
            crest = max(_first(crest, -math.inf), self.nodes[start]["sill"])
        return {
            "run_id": run_id,
            "from_node": start,
            "to_node": end,
            "up": _first(_number(row, "invert_up_level_m"), self.nodes[start]["outlet"]),
            "down": _first(_number(row, "invert_down_level_m"), self.nodes[end]["inlet"]),
            "crest": crest,
            "sigma": _first(_number(row, "level_sigma_m"), self.invert_sigma),
            "length": _length(row),
            "bore": bore if bore > 0 else math.nan,
            "state": _text(row, "state"),
            "use": _text(row, "use") or "not_known",
            "passes": _first(_number(fitting, "passes_l_s"), _number(row, "passes_l_s")),
            "fault_at": _number(row, "fault_at_m"),
            "way": way,
            "from_evidence": _text(row, "from_evidence") or "assumed",
            "to_evidence": _text(row, "to_evidence") or "assumed",
        }

    def _split(self, run_id: str, joined: list[tuple[float, str]]) -> None:
        """Cut a run into pieces where others join it, levels in proportion to length."""
        whole = self.edges.pop(run_id)
        marks = [(0.0, whole["from_node"]), *joined, (1.0, whole["to_node"])]
        fall = whole["down"] - whole["up"]
        for (a, start), (b, end) in pairwise(marks):
            piece = dict(whole, from_node=start, to_node=end, length=whole["length"] * (b - a))
            piece["up"], piece["down"] = whole["up"] + a * fall, whole["up"] + b * fall
            fault = whole["fault_at"] - a * whole["length"]
            here = not math.isnan(fault) and 0 <= fault < piece["length"] + 1e-9 * (b == 1.0)
            piece["fault_at"] = fault if here else math.nan
            known = not math.isnan(whole["fault_at"])
            if not (here or (not known and b == 1.0)) and piece["state"] in (*CUT_RUN, "slow"):
                piece["state"] = "clear"
            piece["crest"] = whole["crest"] if b == 1.0 else math.nan
            self.edges[run_id if a == 0.0 else f"{run_id}@{a * whole['length']:.2f}"] = piece

    def join_downpipes(self) -> None:
        """Settle where each downpipe's water goes when no run says so."""
        starts = {edge["from_node"] for edge in self.edges.values()}
        for row in self.downpipes:
            pipe, into, foot = row["id"], _text(row, "into_id"), _text(row, "foot")
            if pipe in starts:
                continue
            into = self.edges[into]["from_node"] if into in self.edges else into
            if into and into not in self.nodes:
                self.say("downpipe", [pipe], "no_such_end", column="into_id", name=into)
            elif into and (
                foot == "shoe_over_gully" or (foot != "sealed" and self.nodes[into]["kind"] == "gully")
            ):
                self.discharge[pipe] = into
                self.nodes[into]["roof_m2"] += self.nodes.pop(pipe)["roof_m2"]
            elif into and foot in ("sealed", "not_known"):
                level = _first(self.nodes[into]["outlet"], self.nodes[into]["inlet"])
                stub: Row = {
                    "id": f"{pipe}>{into}",
                    "bore_mm": row.get("bore_mm"),
                    "state": "clear",
                    "invert_up_level_m": level,
                    "invert_down_level_m": level,
                }
                self.edges[stub["id"]] = self._edge(stub["id"], stub, pipe, into) | {
                    "length": 0.0,
                    "use": "surface",
                }
                self.nodes[pipe]["spill"] = (
                    self.nodes[pipe]["spill"] if foot == "sealed" else self.nodes[pipe]["foot"]
                )

    def finish(self) -> Network:
        """Work out levels that follow from others, bounds for those missing, and check the whole."""
        for edge in [e for e in self.edges.values() if e["state"] == "absent"]:
            start = self.nodes[edge["from_node"]]
            start["socket"] = (
                min(edge["up"], start.get("socket", math.inf)) if not math.isnan(edge["up"]) else math.nan
            )
            start["absent"] = True
        live = {name: edge for name, edge in self.edges.items() if edge["state"] != "absent"}
        graph = nx.MultiDiGraph()
        graph.add_nodes_from(self.nodes)
        for name, edge in live.items():
            graph.add_edge(edge["from_node"], edge["to_node"], key=name, run=edge)
        _bounds(self, live, graph)
        _leave(self, graph)
        _check_whole(self, graph)
        return _made(self, live, graph)


def _by_id(table: pd.DataFrame) -> dict[str, Row]:
    records: list[Any] = table.to_dict("records")
    return dict(zip((str(name) for name in table.index), records, strict=True))


def _length(row: Row) -> float:
    shape = row.get("geometry")
    if "length_m" in row and not math.isnan(_number(row, "length_m")):
        return _number(row, "length_m")
    return math.nan if shape is None or shape.is_empty else float(shape.length)


def _loose_ends(runs: Mapping[str, Row], reach: float) -> dict[tuple[str, str], str]:
    """Name ends drawn at the same spot, with no asset named, as one joint."""
    ends, spots = [], []
    for run_id, row in runs.items():
        shape = row.get("geometry")
        for column, end, i in (("from_id", "up", 0), ("to_id", "down", -1)):
            if not _text(row, column) and shape is not None and not shape.is_empty:
                ends.append((run_id, end))
                spots.append(shape.coords[i][:2])
    if not ends:
        return {}
    from scipy.spatial import cKDTree  # noqa: PLC0415 - only where ends are loose

    near = nx.Graph()
    near.add_nodes_from(range(len(ends)))
    near.add_edges_from(cKDTree(np.array(spots)).query_pairs(reach))
    name: dict[tuple[str, str], str] = {}
    for part in nx.connected_components(near):
        first = ends[min(part)]
        for i in part:
            name[ends[i]] = f"{first[0]}:{first[1]}"
    return name


def _node(kind: str, row: Row, place: Row, *, sigma: float) -> Row:
    """Read from one record where water stands in it and where it leaves."""
    nan, state = math.nan, _text(row, "state")
    node: Row = {
        "kind": kind, "leaves": "never", "spill": math.inf, "outlet": nan, "inlet": nan, "sigma": sigma,
        "area": 0.0, "outfall": False, "assumed": False, "rim": nan, "sill": nan, "foot": nan, "takes": nan,
        "roof_m2": 0.0, "state": state, "evidence": _text(row, "evidence"),
        "building_id": _text(row, "building_id"),
        "x": _number(place, "x"), "y": _number(place, "y"), "ring_key": _text(place, "ring_key"),
        "chainage_m": _first(_number(place, "chainage_m"), _number(row, "chainage_m")),
        "ground_m": _number(place, "ground_m"), "opening_cm2": _number(place, "opening_cm2"),
        "takes_kind": _text(row, "takes"), "position_sigma_m": _number(place, "sigma_m"),
    }  # fmt: skip
    if kind == "gully":
        rim, lip, out = (_number(row, f"{name}_level_m") for name in ("rim", "lip", "outlet_invert"))
        node |= {"outlet": out, "rim": rim, "area": (_number(row, "riser_mm") / 1000.0) ** 2, "spill": rim}
        node["leaves"] = "rim"
        if state == "removed":
            node |= {"leaves": "socket", "spill": out}
        elif not math.isnan(lip) and not lip > rim:
            node |= {"leaves": "lip", "spill": lip} if lip < rim or math.isnan(rim) else {}
        elif state == "lip_broken":
            node |= {"leaves": "lip", "spill": nan}
    elif kind == "chamber":
        cover, invert = _number(row, "cover_level_m"), _number(row, "invert_level_m")
        a, b = _number(row, "length_mm") / 1000.0, _number(row, "width_mm") / 1000.0
        node |= {"outlet": invert, "rim": cover, "area": math.pi * a * a / 4.0 if math.isnan(b) else a * b}
        node |= {"leaves": "cover", "spill": cover} if _text(row, "sealed") != "yes" else {}
        if state == "wall_leaks":
            node |= {"leaves": "wall of the chamber", "spill": nan}
        node["sill"] = invert if _text(row, "interceptor") == "yes" else nan
        node["loose_not_known"] = _text(row, "sealed") not in ("yes", "no")
    elif kind == "soakaway":
        inlet = _number(row, "inlet_invert_level_m")
        sides = 2.0 * (_number(row, "length_m") + _number(row, "width_m")) * _number(row, "depth_m") * 0.5
        node |= {"inlet": inlet, "rim": _number(row, "cover_level_m"), "leaves": "outfall", "spill": inlet}
        node |= {"outfall": True, "takes": 1000.0 * _number(row, "soakage_m_s") * sides}
    elif kind == "downpipe":
        foot, bore = _number(row, "foot_level_m"), _number(row, "bore_mm") / 1000.0
        sealed = _text(row, "foot") == "sealed" and state not in ("foot_open", "foot_joined_to_nothing")
        node |= {
            "foot": foot,
            "area": math.pi * bore * bore / 4.0,
            "roof_m2": _first(_number(row, "roof_m2"), 0.0),
        }
        whole = sealed and state == "sound" and math.isnan(foot)
        node |= {} if whole else {"leaves": "joint" if sealed else "foot", "spill": foot}
    node["bottom"] = _first(node["outlet"], node["inlet"])
    return node


def _bounds(draft: _Draft, edges: Mapping[str, Row], graph: Any) -> None:
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
                low = min(max(below, default=high - _first(edge["length"], high - floor)), high)
                draft.say("run", [edge["run_id"]], "no_invert", end=end, node=node, low=low, high=high)
            edge[f"{end}_low"], edge[f"{end}_high"] = low, high
        crest = _first(edge["crest"], -math.inf)
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
            level = _first(edge[end], edge["up" if end == "down" else "down"])
            other = a if up else b
            if not math.isnan(level):
                found.append(level)
            elif other not in seen:
                seen.add(other)
                todo.append(other)
    return found


def _leave(draft: _Draft, graph: Any) -> None:
    """Settle the level at which water leaves each node, and which nodes take it away for good."""
    for name, node in draft.nodes.items():
        inverts = [e["up_low"] for _, _, e in graph.out_edges(name, data="run")]
        inverts += [e["down_low"] for _, _, e in graph.in_edges(name, data="run")]
        node["bottom_low"] = _first(node["bottom"], min(inverts, default=math.nan))
        node["base"] = _first(node["outlet"], node["inlet"], min(inverts, default=math.nan))
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
            node["low"], node["high"] = _first(base, -math.inf), _first(rim, math.inf)
            if node["kind"] != "joint":
                what = node["leaves"] if node["leaves"] not in ("outfall", "socket") else "outlet"
                draft.say(node["kind"], [name], "no_level", what=what)


def _check_whole(draft: _Draft, graph: Any) -> None:
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
            top = _first(draft.nodes[node_id]["rim"], math.inf)
            if edge[end] > top:
                facts = {"end": end, "level": edge[end], "node": node_id, "top": top}
                draft.say("run", [edge["run_id"], node_id], "above_cover", **facts)


def _made(draft: _Draft, edges: Mapping[str, Row], graph: Any) -> Network:
    names = {
        "kind": "kind", "leaves": "leaves", "spill": "spill_m", "low": "spill_low_m", "high": "spill_high_m",
        "sigma": "spill_sigma_m", "base": "base_m", "area": "area_m2", "outfall": "outfall",
        "assumed": "assumed", "rim": "rim_m", "ground_m": "ground_m", "opening_cm2": "opening_cm2", "takes":
        "takes_l_s",
        "roof_m2": "roof_m2", "x": "x", "y": "y", "position_sigma_m": "position_sigma_m",
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
        "fault_at": "fault_at_m", "from_evidence": "from_evidence", "to_evidence": "to_evidence",
    }  # fmt: skip
    runs = pd.DataFrame(
        {new: [e[old] for e in edges.values()] for old, new in columns.items()},
        index=pd.Index(list(edges), dtype=object),
    )
    thin = {e["run_id"] for e in edges.values() if math.isnan(e["bore"]) or math.isnan(e["length"])}
    thin |= {name for name, n in draft.nodes.items() if math.isnan(n["area"])}
    cuts = {}
    for i, edge in enumerate(edges.values()):
        failed = draft.nodes[edge["to_node"]]
        if edge["way"] == "pump":
            cuts[i] = Cut(0.0, _first(edge["passes"], 0.0))
        elif edge["state"] in CUT_RUN or not math.isnan(edge["passes"]):
            at = edge["fault_at"]
            cuts[i] = Cut(None if math.isnan(at) else at, _first(edge["passes"], 0.0))
        elif failed["kind"] == "soakaway" and (
            failed["state"] in FAILED_SOAKAWAY or (failed["state"] == "slow" and failed["takes"] >= 0)
        ):
            cuts[i] = Cut(edge["length"], _first(failed["takes"], 0.0))
    return Network(
        nodes=nodes, runs=runs, graph=graph, discharge=draft.discharge, problems=tuple(draft.problems),
        marked=frozenset(draft.marked), cuts=cuts, at_least=frozenset(thin),
    )  # fmt: skip


def _unknown(node_id: str, ids: Iterable[Any]) -> Problem:
    some = ", ".join(str(name) for name in list(ids)[:12])
    return Problem(
        file="network",
        found=f"nothing is called {node_id!r}",
        allowed=some or "nothing is recorded",
        mend="Name one of these.",
    )
