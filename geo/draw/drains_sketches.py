"""What an answer about the drains draws on the map: its water, the wall it reaches, its numbered marks."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import networkx as nx
import numpy as np
import shapely
from shapely.ops import substring

from geo.drains.cavity import WallWater
from geo.draw.layers import Sketch, chevrons, sketch
from geo.draw.scene import Scene
from geo.draw.theme import ACCENT, INK, WET_STEPS
from geo.findings.drains import DrainAnswer, Drains, OnGround
from geo.verdict import NOT_KNOWN

HATCHED = "url(#wallfoot-hatch)"
WALL_M, WAY_M, WAY_STEP_M = 0.35, 0.35, 0.28
STOP_SHARE = 0.85
LEAST_DRAWN_M = 0.02
NUDGE_M = 1e-6
Lines = Mapping[str, shapely.LineString]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpillMark:
    """One numbered place on the map and in the tables.

    ``role`` is ``first``, ``rival`` (could equally be first) or ``next`` (when the first cannot take it).
    """

    number: int
    node: str
    role: str


def spill_marks(answer: DrainAnswer) -> tuple[SpillMark, ...]:
    """Return numbered places where water comes up: the first, its rivals, then what follows."""
    result = answer.result
    if not result.first or result.drains:
        return ()
    roles: dict[str, str] = {result.first: "first"}
    for rival in result.rivals:
        roles.setdefault(rival.node, "rival")
    for spill in result.spills:
        roles.setdefault(spill.node, "next")
    return tuple(
        SpillMark(number=number, node=node, role=role)
        for number, (node, role) in enumerate(roles.items(), start=1)
    )


def comes_up(answer: DrainAnswer) -> bool:
    """Return whether water leaves at all: not when what passes the stop, or what is put in, is too little."""
    result = answer.result
    return bool(result.first) and not result.drains and not math.isinf(result.minutes)


def run_lines(scene: Scene, drains: Drains) -> Lines:
    """Return the line of every piece of run by its id, from upstream to downstream.

    A run into which another is joined part-way has two pieces; each is the part of its line between its
    two ends. Pieces without a line on the drawing are left out.
    """
    drawn = dict(zip(scene.runs["run_id"], scene.runs.geometry, strict=True))
    nodes = drains.network.nodes
    found: dict[str, shapely.LineString] = {}
    for name, run in drains.network.runs.iterrows():
        line = drawn.get(run["run_id"])
        if line is None:
            continue
        ends = [0.0, line.length]
        if len(drains.network.pieces(run["run_id"])) > 1:
            for which, side in enumerate(("from_node", "to_node")):
                x, y = nodes.loc[run[side], ["x", "y"]].astype(float)
                if math.isfinite(x) and math.isfinite(y):
                    ends[which] = line.project(shapely.Point(x, y))
        piece: Any = substring(line, *ends) if ends[0] < ends[1] else line
        found[str(name)] = piece
    return found


def way_of(drains: Drains, answer: DrainAnswer) -> list[tuple[str, bool]]:
    """Return the pieces of run the water takes, in order, and whether it runs down each of them.

    From where it is put in: to the outfall when nothing stops it, else through what stands full to the
    first spill, up a run where it must.
    """
    network, result = drains.network, answer.result
    if not result.first:
        return []
    graph: Any = network.graph
    start = str(network.nodes.index[network.place(answer.source)])
    path = [start]
    if not result.drains:
        pool = set(result.pool) | {result.first}
        while path[-1] not in pool:  # what is put in runs down to where water stands
            below = next((node for node in graph.successors(path[-1]) if node not in path), None)
            if below is None:
                return []
            path.append(below)
        graph = graph.to_undirected(as_view=True)
        reach: Any = graph.subgraph(pool)
    else:
        reach = graph
    if path[-1] not in reach or result.first not in reach or not nx.has_path(reach, path[-1], result.first):
        return []
    path += nx.shortest_path(reach, path[-1], result.first)[1:]
    steps = []
    for here, there in itertools.pairwise(path):
        key = next(iter(graph.get_edge_data(here, there)))
        steps.append((str(key), bool(network.runs.loc[key, "from_node"] == here)))
    return steps


def stop_place(drains: Drains, answer: DrainAnswer, lines: Lines) -> tuple[shapely.Point, bool] | None:
    """Return where the stop is drawn and whether its place along the run is known; ``None`` for nowhere."""
    network = drains.network
    pieces = network.pieces(answer.blocked)
    if not pieces:
        return _node_point(drains, answer.blocked, known=True)
    names = [str(network.runs.index[e]) for e in pieces]
    left = answer.at_m
    for name in names:
        run = network.runs.loc[name]
        line, fault, length = lines.get(name), float(run["fault_at_m"]), float(run["length_m"])
        if left is None and math.isfinite(fault) and line is not None:
            return line.interpolate(min(fault / max(length, 1e-9), 1.0), normalized=True), True
        if left is not None and line is not None and (left <= length or name == names[-1]):
            return line.interpolate(min(left / max(length, 1e-9), 1.0), normalized=True), True
        left = None if left is None else left - length
    last = lines.get(names[-1])
    return None if last is None else (last.interpolate(STOP_SHARE, normalized=True), False)


def _node_point(drains: Drains, node: str, *, known: bool) -> tuple[shapely.Point, bool] | None:
    x, y = drains.network.nodes.loc[node, ["x", "y"]].astype(float)
    return (shapely.Point(x, y), known) if math.isfinite(x) and math.isfinite(y) else None


def standing(drains: Drains, answer: DrainAnswer, lines: Lines) -> list[Sketch]:
    """Return the drains in which water stands as broad bands, and arrows along the way it takes."""
    network, found = drains.network, []
    stop = stop_place(drains, answer, lines)
    full = set(answer.result.pool_runs) if not answer.result.drains else set()
    for name, line in lines.items():
        run_id = str(network.runs.loc[name, "run_id"])
        if network.runs.loc[name, "from_node"] == answer.blocked:
            continue  # the way out of what is blocked: nothing comes into it
        if name not in full and run_id not in full:
            continue
        cut = run_id == answer.blocked and stop is not None and stop[1]
        wet = substring(line, 0.0, line.project(stop[0])) if cut and stop is not None else line
        if wet.length > LEAST_DRAWN_M:
            style = {"color": WET_STEPS[2], "weight": 11, "opacity": 0.85, "lineCap": "butt"}
            found.append(sketch(wet, [], style))
    for name, down in way_of(drains, answer):
        if name in lines:
            line = lines[name] if down else shapely.reverse(lines[name])
            found.append(sketch(chevrons(line), [], {"color": WET_STEPS[5], "weight": 4.4}))
    return found


def wet_wall(scene: Scene, answer: DrainAnswer) -> list[Sketch]:
    """Return the wall each spill reaches as a band outside it; dashed where its length is only taken."""
    wet = [each for each in answer.water if math.isfinite(each.chainage_from_m + each.chainage_to_m)]
    pieces = [(each.ring_key, each.chainage_from_m, each.chainage_to_m, WALL_M) for each in wet]
    style = {"color": WET_STEPS[4], "weight": 7, "opacity": 0.9, "lineCap": "butt"}
    return [
        sketch(band, [], {**style, "dashArray": "" if each.pool_known else "9 5"})
        for each, band in zip(wet, wall_lines(scene, pieces), strict=True)
    ]


def wall_lines(scene: Scene, pieces: Sequence[tuple[str, float, float, float]]) -> list[shapely.LineString]:
    """Return pieces of wall as lines beside it, all brought there at once.

    Parameters
    ----------
    pieces
        Ring, chainage from and to (smaller where it passes the origin corner), offset outward, m.
    """
    perimeter = scene.perimeter
    begins, owner = perimeter.faces["chainage_from_m"].to_numpy(), perimeter.faces["ring_key"].to_numpy()
    lengths = dict(zip(perimeter.rings.index, perimeter.rings["length_m"].astype(float), strict=True))
    rings: list[str] = []
    chainages: list[float] = []
    offsets: list[float] = []
    counts: list[int] = []
    for ring_key, start, end, offset in pieces:
        last = end if end > start else end + lengths[ring_key]
        own = begins[owner == ring_key]
        turns = np.concatenate([own, own + lengths[ring_key]])
        inner = turns[(turns > start + NUDGE_M) & (turns < last - NUDGE_M)]
        # On both sides of a corner, so that the line goes round it square.
        stops = [start, *(at + by for at in inner for by in (-NUDGE_M, 0.0)), last - NUDGE_M]
        rings += [ring_key] * len(stops)
        chainages += stops
        offsets += [offset] * len(stops)
        counts.append(len(stops))
    if not counts:
        return []
    points = perimeter.point_at(np.array(rings), np.array(chainages), np.array(offsets))
    return [shapely.LineString(part) for part in np.split(points, np.cumsum(counts)[:-1])]


def crossings(scene: Scene, answer: DrainAnswer) -> list[Sketch]:
    """Return the lengths that are past the barrier, or may be, as lines inside the wall, one a way."""
    own = answer.crossings[answer.crossings["word"] != "no"]
    own = own[own[["chainage_from_m", "chainage_to_m"]].notna().all(axis=1)]
    rows = list(own.itertuples())
    order = {way: k for k, way in enumerate(sorted(own["way"].unique()))}
    pieces = [
        (row.ring_key, row.chainage_from_m, row.chainage_to_m, -(WAY_M + WAY_STEP_M * order[row.way]))
        for row in rows
    ]
    found, said = [], dict[tuple[str, str], list[str]]()
    for row, line in zip(rows, wall_lines(scene, pieces), strict=True):
        unsure = row.word == NOT_KNOWN
        style = {"color": INK, "weight": 3, "lineCap": "butt", "dashArray": "3 4" if unsure else ""}
        card = [
            ["", f"{row.way}: {'not known' if unsure else 'past the barrier'}"],
            ["chainage", f"{row.chainage_from_m:.2f}-{row.chainage_to_m:.2f} m"],
            ["because", row.because],
            *([["to settle it", row.settle]] if row.settle else []),
        ]
        found.append(sketch(line, card, style))
        names = said.setdefault((str(row.node), str(row.ring_key)), [])
        word = f"{row.way}{' ?' if unsure else ''}"
        if word not in names:
            names.append(word)
    deep = -(WAY_M + WAY_STEP_M * len(order) + 0.4)
    for water in answer.water:
        names = said.get((water.node, water.ring_key), [])
        if names and math.isfinite(water.chainage_from_m):
            spot = scene.perimeter.point_at(water.ring_key, _middle(scene, water), deep)[0]
            text = " · ".join(names)
            found.append(sketch(shapely.Point(spot), [], {"text": text, "look": "way"}))
    return found


def _middle(scene: Scene, water: WallWater) -> float:
    """Return the chainage half-way along the wetted wall, which may pass the origin corner."""
    length = float(scene.perimeter.rings.loc[water.ring_key, "length_m"])
    reach = (water.chainage_to_m - water.chainage_from_m) % length or length
    return (water.chainage_from_m + reach / 2.0) % length


def entries(scene: Scene, answer: DrainAnswer) -> list[Sketch]:
    """Return the openings by which water enters the wall, or may."""
    found = []
    for water in answer.water:
        for entry in water.entries:
            if entry.verdict.word == "no":
                continue
            middle = (entry.chainage_from_m + entry.chainage_to_m) / 2.0
            if not math.isfinite(middle):  # plain brick anywhere along the wetted wall
                if not math.isfinite(water.chainage_from_m):
                    continue
                middle = _middle(scene, water)
            spot = shapely.Point(scene.perimeter.point_at(water.ring_key, middle)[0])
            kind = entry.kind.replace("_", " ")
            card = [
                ["", f"{entry.opening_id or kind}: {entry.verdict.word}"],
                ["way in", kind if entry.quick else f"{kind}, seeps only"],
                ["level", f"{entry.level_m:.3f} m" if math.isfinite(entry.level_m) else "not known"],
                ["because", entry.verdict.because],
                *([["to settle it", entry.verdict.settle]] if entry.verdict.settle else []),
            ]
            sign = "▶" if entry.verdict.known else "?"
            found.append(sketch(spot, card, {"text": sign, "look": "entry", "known": "seen"}))
    return found


def pools(answer: DrainAnswer) -> list[Sketch]:
    """Return the pools on the ground with level and depth, hatched where it is not known if they stand."""
    found = []
    for ground in answer.on_ground:
        if ground.outline is None or ground.outline.is_empty:
            continue
        sure = ground.word != NOT_KNOWN
        style = {
            "color": ACCENT, "weight": 1.4, "dashArray": "" if sure else "6 4",
            "fillColor": WET_STEPS[2] if sure else HATCHED, "fillOpacity": 0.6 if sure else 0.8,
        }  # fmt: skip
        card = [
            ["", f"Water from {ground.node}: {ground.word}"],
            ["because", ground.because],
            *([["to settle it", ground.settle]] if ground.settle else []),
            ["rests on", ground.evidence or "nothing"],
        ]
        found.append(sketch(ground.outline, card, style))
        spot = ground.outline.representative_point()
        found.append(sketch(spot, [], {"text": _pool_words(ground), "look": "pool", "over": True}))
    return found


def _pool_words(ground: OnGround) -> str:
    level = f"{ground.level.value:.3f} m" if math.isfinite(ground.level.value) else "level not known"
    deep = f"{1000 * ground.depth_max_m:.0f} mm deep" if math.isfinite(ground.depth_max_m) else ""
    said = ", ".join(part for part in (level, deep) if part)
    return said if ground.word != NOT_KNOWN else f"? {said}"


def node_marks(drains: Drains, answer: DrainAnswer, lines: Lines) -> list[Sketch]:
    """Return the stop, where water is put in, and the numbered places where it comes up."""
    found, order = [], answer.result.order
    stop = stop_place(drains, answer, lines)
    if stop is not None:
        card = [["", f"{answer.blocked} taken as blocked"]]
        if not stop[1]:
            card.append(["where along it", "not known; it makes no odds to the level, only to the litres"])
        sign = "✕" if stop[1] else "✕ ?"
        found.append(sketch(stop[0], card, {"text": sign, "look": "stop", "known": "seen", "over": True}))
    source = str(drains.network.nodes.index[drains.network.place(answer.source)])
    marks = spill_marks(answer)
    put = _node_point(drains, source, known=True)
    if put is not None:
        card = [["", f"Water put in at {answer.source}"]]
        found.append(sketch(put[0], card, {"text": "↓ in", "look": "put", "known": "seen"}))
    for mark in marks:
        place = _node_point(drains, mark.node, known=True)
        if place is None:
            continue
        words = {"first": "comes up first", "rival": "could equally be first", "next": "comes up next"}
        said = words[mark.role] if comes_up(answer) else "would come up, with more water"
        card = [["", f"{mark.number}. {mark.node} {said}"]]
        if mark.node in order.index:
            row = order.loc[mark.node]
            card.append(["over its", str(row["leaves"])])
            card.append(["level", f"{row['reach_m']:.3f} m, ± {2000 * row['sigma_m']:.0f} mm"])
        look = "spill" if mark.role == "first" and comes_up(answer) else "rival"
        found.append(
            sketch(place[0], card, {"text": str(mark.number), "look": look, "known": "seen", "over": True})
        )
    return found
