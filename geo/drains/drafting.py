"""Runs and assets joined into one draft of a network; what cannot be right is said and marked."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from itertools import pairwise
from typing import Any

import networkx as nx
import numpy as np
import pandas as pd

from geo.drains import tables
from geo.drains.asset_rows import (
    Row,
    first_known,
    node_of,
    number_of,
    record_rows,
    rows_by_id,
    run_length,
    text_of,
)
from geo.drains.roofs import effective_roof
from geo.errors import Problem
from geo.reference import Reference

FILES = {
    "gully": "gullies.csv",
    "downpipe": "downpipes.csv",
    "soakaway": "soakaways.csv",
    "chamber": "chambers.csv",
    "run": "runs.geojson",
    "fitting": "fittings.csv",
}
CUT_RUN = ("blocked", "collapsed")
LEAKY_RUN = ("crack", "fracture", "open_joint", "displaced")
TRAPS = ("intercepting_trap", "grease_trap")
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
    "fitting_run": "run_id | is in {name}, which no record has | the id of a run | Correct it.",
    "pump_rate": "passes_l_s | what it delivers is not recorded; taken as nothing | litres per second"
    " | Time how fast it empties its well.",
    "above_cover": "invert_{end}_level_m | the {end}stream invert {level:.3f} lies above the top of {node},"
    " {top:.3f} | an invert below the cover or rim | Look at the level book: one of the two is wrong.",
}


class Draft:
    """A network being made; only :func:`build_network` sees it."""

    def __init__(self, ref: Reference, positions: pd.DataFrame | None, fittings: pd.DataFrame | None) -> None:
        self.ref = ref
        self.rim_sigma = ref.value("levels.rim_sigma_m")
        self.invert_sigma = ref.value("levels.invert_sigma_m")
        self.ground_sigma = ref.value("ground.hard_level_sigma_m")
        self.places: Mapping[str, Row] = {} if positions is None else rows_by_id(positions)
        self.fittings: dict[str, list[Row]] = {}
        for row in record_rows(fittings):
            self.fittings.setdefault(text_of(row, "run_id"), []).append(_fitting(row))
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
        node = node_of(
            kind,
            row,
            self.places.get(row["id"], {}),
            sigma=first_known(number_of(row, "level_sigma_m"), self.rim_sigma),
            ground_sigma=self.ground_sigma,
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
        named = Counter(text_of(row, column) for row in runs.values() for column in ("from_id", "to_id"))
        loose = _loose_ends(runs, self.ref.value("drains.join_m"))
        taps: dict[str, list[tuple[float, str]]] = {}
        for run_id, row in runs.items():
            self._check_run(run_id, row)
            ends = []
            for column, end in (("from_id", "up"), ("to_id", "down")):
                name = text_of(row, column)
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
        for run_id in self.fittings.keys() - runs.keys():
            ids = [each["id"] for each in self.fittings[run_id]]
            self.say("fitting", ids, "fitting_run", name=run_id or "no run")

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
        self.nodes[node_id] = node_of(
            "joint", {"id": node_id}, place, sigma=self.invert_sigma, ground_sigma=self.ground_sigma
        )

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
        bore, length = number_of(row, "bore_mm"), run_length(row)
        if bore <= 0:
            self.say("run", [run_id], "bore", bore=bore)
        if length < 0.01:
            self.say("run", [run_id], "no_length")
        if text_of(row, "from_id") and text_of(row, "from_id") == text_of(row, "to_id"):
            self.say("run", [run_id], "one_end", name=row["from_id"])

    def _edge(self, run_id: str, row: Row, start: str, end: str) -> Row:
        bore = number_of(row, "bore_mm") / 1000.0
        crest = number_of(row, "crest_level_m")
        if self.nodes[start].get("sill", math.nan) == self.nodes[start].get("sill", 0.0):
            crest = max(first_known(crest, -math.inf), self.nodes[start]["sill"])
        return {
            "run_id": run_id,
            "from_node": start,
            "to_node": end,
            "up": first_known(number_of(row, "invert_up_level_m"), self.nodes[start]["outlet"]),
            "down": first_known(number_of(row, "invert_down_level_m"), self.nodes[end]["inlet"]),
            "crest": crest,
            "sigma": first_known(number_of(row, "level_sigma_m"), self.invert_sigma),
            "length": run_length(row),
            "bore": bore if bore > 0 else math.nan,
            "state": text_of(row, "state"),
            "use": text_of(row, "use") or "not_known",
            "passes": number_of(row, "passes_l_s"),
            "passes_level": number_of(row, "passes_level_m"),
            "opening": first_known(
                number_of(self.places.get(run_id, {}), "opening_cm2"), number_of(row, "opening_cm2")
            ),
            "fault_at": number_of(row, "fault_at_m"),
            "sag": number_of(row, "sag_mm") / 1000.0,
            "fittings": self.fittings.get(run_id, []),
            "from_evidence": text_of(row, "from_evidence") or "assumed",
            "to_evidence": text_of(row, "to_evidence") or "assumed",
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
            if known and not here and piece["state"] in LEAKY_RUN:
                piece["state"] = "clear"
            if not (here or (not known and b == 1.0)):
                piece["passes"] = math.nan
            span = (a * whole["length"], b * whole["length"])
            piece["fittings"] = _on_piece(whole["fittings"], span[0], span[1], last=b == 1.0)
            crested = here if known and whole["state"] in ("belly", "clear", "not_traced", "") else b == 1.0
            piece["crest"] = whole["crest"] if crested else math.nan
            self.edges[run_id if a == 0.0 else f"{run_id}@{a * whole['length']:.2f}"] = piece

    def _shed(self) -> None:
        """Work out the area of each roof that catches rain driven by wind."""
        pipes = [self.nodes[row["id"]] for row in self.downpipes]
        if pipes:
            plan = [pipe["roof_m2"] for pipe in pipes]
            caught = effective_roof(
                plan, pitch_deg=[pipe["pitch_deg"] for pipe in pipes], tables=tables.default()
            )
            for pipe, area in zip(pipes, caught.value, strict=True):
                pipe["roof_effective_m2"] = float(area)

    def join_downpipes(self) -> None:
        """Settle where each downpipe's water goes when no run says so."""
        starts = {edge["from_node"] for edge in self.edges.values()}
        self._shed()
        for row in self.downpipes:
            pipe, into, foot = row["id"], text_of(row, "into_id"), text_of(row, "foot")
            if pipe in starts:
                continue
            into = self.edges[into]["from_node"] if into in self.edges else into
            if into and into not in self.nodes:
                self.say("downpipe", [pipe], "no_such_end", column="into_id", name=into)
            elif into and (
                foot == "shoe_over_gully" or (foot != "sealed" and self.nodes[into]["kind"] == "gully")
            ):
                self.discharge[pipe] = into
                gone = self.nodes.pop(pipe)
                for area in ("roof_m2", "roof_effective_m2"):
                    self.nodes[into][area] += gone[area]
            elif into and foot in ("sealed", "not_known"):
                level = first_known(self.nodes[into]["outlet"], self.nodes[into]["inlet"])
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


def _fitting(row: Row) -> Row:
    """Read a fitting: of a record its state, which nobody may know; of a bare row that it works."""
    bare = text_of(row, "fitting")
    return {
        "id": row["id"],
        "kind": text_of(row, "fitting_kind") or bare,
        "state": text_of(row, "state") or ("works" if bare else "not_known"),
        "at": number_of(row, "at_m"),
        "passes": number_of(row, "passes_l_s"),
    }


def _on_piece(fittings: list[Row], start: float, end: float, *, last: bool) -> list[Row]:
    """Return the fittings of one piece of a run; those whose place is not known are in the last."""
    return [
        {**each, "at": each["at"] - start}
        for each in fittings
        if (math.isnan(each["at"]) and last) or start <= each["at"] < end or (last and each["at"] >= end)
    ]


def _loose_ends(runs: Mapping[str, Row], reach: float) -> dict[tuple[str, str], str]:
    """Name ends drawn at the same spot, with no asset named, as one joint."""
    ends, spots = [], []
    for run_id, row in runs.items():
        shape = row.get("geometry")
        for column, end, i in (("from_id", "up", 0), ("to_id", "down", -1)):
            if not text_of(row, column) and shape is not None and not shape.is_empty:
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
        chosen = ends[min(part)]
        for i in part:
            name[ends[i]] = f"{chosen[0]}:{chosen[1]}"
    return name
