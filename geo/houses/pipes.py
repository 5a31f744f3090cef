"""The drains of an invented house: what is joined to what, at what level, and what water does in them."""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass, field

import numpy as np

from geo.houses.plots import Plot
from geo.houses.wall import Numbers

RAIN_MM_DAY = 2.6
"""Mean winter rain on a roof in the wetter half of Britain, mm a day (invented houses only)."""


@dataclass(slots=True, kw_only=True, eq=False)
class Node:
    """One gully, downpipe, chamber, soakaway or waste.

    Parameters
    ----------
    chainage, offset
        Place beside the wall, m; chainage NaN when it stands away from it.
    own
        Place in the house's axes, m.
    spill
        Lowest level at which water can leave there, m; infinite when it cannot.
    invert
        Outlet, m.
    area_m2
        Plan area of the water standing above the outlet.
    roof_m2, use_l
        Roof that drains to it, and litres of waste a day.
    into
        Node or run it discharges to.
    state
        True state, a word of its kind.
    """

    id: str
    kind: str
    chainage: float
    offset: float
    own: Numbers
    spill: float
    rim: float
    invert: float
    area_m2: float = 0.0225
    roof_m2: float = 0.0
    use_l: float = 0.0
    into: str = ""
    state: str = "sound"
    foot: str = ""
    loss: float = 0.0


@dataclass(slots=True, kw_only=True, eq=False)
class Pipe:
    """One run, upstream to downstream; ``state`` is true."""

    id: str
    start: str
    end: str
    own: Numbers
    up: float
    down: float
    bore_m: float = 0.1
    use: str = "foul"
    state: str = "clear"
    fault_at_m: float = math.nan
    loss: float = 0.0

    @property
    def length(self) -> float:
        """Length on plan, m."""
        return float(np.hypot(*(self.own[-1] - self.own[0])))


@dataclass(slots=True, kw_only=True, eq=False)
class Drainage:
    """Every node and run of a house, by id."""

    nodes: dict[str, Node] = field(default_factory=dict)
    pipes: dict[str, Pipe] = field(default_factory=dict)

    def of(self, kind: str) -> list[Node]:
        """Return the nodes of one kind."""
        return [node for node in self.nodes.values() if node.kind == kind]

    def roof_into(self, node_id: str) -> float:
        """Return the roof that drains to a node by way of others, m²."""
        above = [pipe.start for pipe in self.pipes.values() if pipe.end == node_id]
        feeding = [node.id for node in self.nodes.values() if node.into == node_id]
        return self.nodes[node_id].roof_m2 + sum(self.roof_into(name) for name in (*above, *feeding))

    def use_into(self, node_id: str) -> float:
        """Return the waste water that drains to a node by way of others, l a day."""
        above = [pipe.start for pipe in self.pipes.values() if pipe.end == node_id]
        return self.nodes[node_id].use_l + sum(self.use_into(name) for name in above)

    def below(self, node_id: str) -> list[Pipe]:
        """Return the runs below a node, in order."""
        found: list[Pipe] = []
        here = node_id
        while True:
            onward = [pipe for pipe in self.pipes.values() if pipe.start == here]
            if not onward:
                return found
            found.append(onward[0])
            here = onward[0].end


@dataclass(frozen=True, slots=True, kw_only=True)
class BackUp:
    """Where water comes up above a stop: node, level, and the litres it takes first."""

    node: str
    level: float
    litres: float


def back_up(drains: Drainage, *, stopped: str, start: str) -> BackUp | None:
    """Return where water rises when a run is stopped: the lowest way out of what is joined above it.

    Water standing in pipes is level, so it leaves where the lowest way out is reached, whichever way
    round; a hump on the way counts. ``None`` when nothing above the stop can spill.
    """
    ways: dict[str, list[tuple[str, float]]] = {name: [] for name in drains.nodes}
    for pipe in drains.pipes.values():
        if pipe.id == stopped:
            continue
        crest = max(pipe.up, pipe.down)
        ways[pipe.start].append((pipe.end, crest))
        ways[pipe.end].append((pipe.start, crest))
    # Downhill from the start there is a way out to the sewer unless the stop bars it.
    reached = {start: drains.nodes[start].invert}
    queue = [(reached[start], start)]
    while queue:
        level, here = heapq.heappop(queue)
        for there, crest in ways[here]:
            through = max(level, crest)
            if through < reached.get(there, math.inf):
                reached[there] = through
                heapq.heappush(queue, (through, there))
    out = {name: max(level, drains.nodes[name].spill) for name, level in reached.items()}
    first = min(out, key=lambda name: (out[name], name), default="")
    if not first or not math.isfinite(out[first]):
        return None
    top = out[first]
    litres = 0.0
    for pipe in drains.pipes.values():
        if pipe.id == stopped:
            if reached.get(pipe.start, math.inf) < top:
                litres += 0.5 * pipe.length * math.pi * pipe.bore_m**2 / 4 * 1000
        elif max(reached.get(pipe.start, math.inf), reached.get(pipe.end, math.inf)) < top:
            litres += pipe.length * math.pi * pipe.bore_m**2 / 4 * 1000
    for name, level in reached.items():
        node = drains.nodes[name]
        if level < top:
            litres += 1000 * node.area_m2 * max(0.0, top - node.invert)
    return BackUp(node=first, level=top, litres=litres)


def draw_drains(rng: np.random.Generator, plot: Plot) -> Drainage:
    """Draw the drains of a house, all of them sound."""
    return _Drawing(rng, plot).whole()


class _Drawing:
    """The drains of one house while they are drawn."""

    def __init__(self, rng: np.random.Generator, plot: Plot) -> None:
        self.rng, self.plot, self.wall = rng, plot, plot.wall
        self.drains = Drainage()

    def whole(self) -> Drainage:
        """Draw chambers first, then what drains to them."""
        self._chambers()
        self._waste_gully()
        self._rainwater()
        self._stack()
        return self.drains

    def _ground(self, chainage: float) -> float:
        return float(self.plot.ground[int(self.wall.at(chainage))])

    def _add(self, node: Node) -> Node:
        self.drains.nodes[node.id] = node
        return node

    def _beside(self, name: str, kind: str, chainage: float, offset: float, **more: float | str) -> Node:
        rim = self._ground(chainage) + float(self.rng.uniform(-0.015, 0.01))
        node = Node(
            id=name, kind=kind, chainage=float(np.mod(chainage, self.wall.length)), offset=offset,
            own=self.wall.own_point(chainage, offset), spill=rim, rim=rim,
            invert=rim - float(self.rng.uniform(0.28, 0.4)),
        )  # fmt: skip
        for key, value in more.items():
            setattr(node, key, value)
        return self._add(node)

    def _join(self, name: str, start: Node, end: Node, *, use: str) -> Pipe:
        length = float(np.hypot(*(end.own - start.own)))
        drop = length / float(self.rng.uniform(40, 80))
        up = start.invert
        down = up - drop
        if end.kind == "chamber":
            down = max(down, end.invert + 0.01)
        end.invert = min(end.invert, down)
        pipe = Pipe(
            id=name, start=start.id, end=end.id, own=np.array([start.own, end.own]), up=up, down=down, use=use
        )
        self.drains.pipes[name] = pipe
        return pipe

    def _chambers(self) -> None:
        """One chamber behind or beside the house, one by the road, and the sewer."""
        rng, wall = self.rng, self.wall
        long = np.flatnonzero(np.diff(wall.starts) > 1.2)
        back = [i for i in long if wall.free[i] and wall.normals()[wall.face == i][0][1] > 0.5]
        face = int(rng.choice(back))
        at = float(rng.uniform(wall.starts[face] + 0.4, wall.starts[face + 1] - 0.4))
        out = float(rng.uniform(0.8, 2.5))
        level = self._ground(at)
        first = self._add(
            Node(
                id="C1", kind="chamber", chainage=at, offset=out, own=wall.own_point(at, out),
                spill=level, rim=level, invert=level - float(rng.uniform(1.0, 1.3)), area_m2=0.27,
            )
        )  # fmt: skip
        far = first.own + np.array([float(rng.uniform(-3, 3)), float(rng.uniform(5, 9))])
        last = self._add(
            Node(
                id="C2", kind="chamber", chainage=math.nan, offset=math.nan, own=far, spill=level - 0.1,
                rim=level - 0.1, invert=first.invert - 0.25, area_m2=0.27,
            )
        )  # fmt: skip
        self._join("R1", first, last, use="combined")

    def _waste_gully(self) -> None:
        rng, first = self.rng, self.drains.nodes["C1"]
        wall = self.wall
        near = wall.along(first.chainage)
        choice = np.flatnonzero((np.abs(near) < 4.0) & (np.abs(near) > 0.6) & self._clear_of_corners(0.4))
        if not len(choice):
            return
        at = float(wall.s[int(rng.choice(choice))])
        gully = self._beside("G1", "gully", at, round(float(rng.uniform(0.15, 0.3)), 3))
        gully.use_l = float(rng.uniform(60, 200))
        self._join("R2", gully, first, use="foul")
        sink = self._beside("W1", "fixture", at + float(rng.uniform(-0.2, 0.2)), 0.05, into="G1")
        sink.rim = gully.rim + float(rng.uniform(0.1, 0.35))
        sink.spill = math.inf

    def _clear_of_corners(self, margin: float) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        wall = self.wall
        ahead = wall.starts[wall.face + 1] - wall.s
        behind = wall.s - wall.starts[wall.face]
        return np.asarray((np.minimum(ahead, behind) > margin) & wall.outside)

    def _rainwater(self) -> None:
        """Downpipes at two to four places, each to a gully, a drain, the ground or a butt."""
        rng, wall = self.rng, self.wall
        spots = np.flatnonzero(self._clear_of_corners(0.15) & ~self._clear_of_corners(0.9))
        count = int(rng.integers(2, 5))
        taken: list[float] = []
        soakaway = self._soakaway() if rng.random() < 0.6 else None
        roof = float(np.prod(np.ptp(wall.corners, axis=0))) * 0.9
        for _ in range(40):
            if len(taken) == count or not len(spots):
                break
            at = float(wall.s[int(rng.choice(spots))])
            if any(abs(wall.along(at)[int(wall.at(other))]) < 2.5 for other in taken):
                continue
            taken.append(at)
            self._downpipe(len(taken), at, roof / count, soakaway)

    def _soakaway(self) -> Node:
        rng, first = self.rng, self.drains.nodes["C1"]
        own = first.own + np.array([float(rng.uniform(-4, 4)), float(rng.uniform(4, 7))])
        level = first.rim - float(rng.uniform(0.0, 0.1))
        return self._add(
            Node(
                id="SA1", kind="soakaway", chainage=math.nan, offset=math.nan, own=own, spill=math.inf,
                rim=level, invert=level - 0.9, area_m2=0.4, state="works",
            )
        )  # fmt: skip

    def _downpipe(self, number: int, at: float, roof: float, soakaway: Node | None) -> None:
        rng = self.rng
        pipe = self._beside(f"D{number}", "downpipe", at, 0.06, roof_m2=round(roof, 1))
        pipe.spill = math.inf
        drain = soakaway if soakaway is not None and rng.random() < 0.7 else self.drains.nodes["C1"]
        use = "surface" if drain is soakaway else "combined"
        way = rng.random()
        if way < 0.5:
            gully = self._beside(f"G{number + 1}", "gully", at, round(float(rng.uniform(0.15, 0.35)), 3))
            pipe.foot, pipe.into, pipe.rim = "shoe_over_gully", gully.id, gully.rim + 0.08
            self._join(f"R{number + 2}", gully, drain, use=use)
        elif way < 0.8:
            pipe.foot, pipe.rim = "sealed", pipe.rim - float(rng.uniform(-0.05, 0.15))
            pipe.spill, pipe.invert, pipe.area_m2 = pipe.rim, pipe.rim - 0.3, 0.0036
            run = self._join(f"R{number + 2}", pipe, drain, use=use)
            pipe.into = run.id
        elif way < 0.92:
            pipe.foot, pipe.rim = "shoe_to_ground", pipe.rim + 0.1
        else:
            pipe.foot, pipe.rim = "butt", pipe.rim + 0.6
            self._beside(f"WB{number}", "fixture", at, 0.4, rim=pipe.rim, spill=math.inf)

    def _stack(self) -> None:
        first = self.drains.nodes["C1"]
        near = np.flatnonzero((np.abs(self.wall.along(first.chainage)) < 3) & self._clear_of_corners(0.3))
        if len(near):
            at = float(self.wall.s[int(self.rng.choice(near))])
            self._beside("SS1", "fixture", at, 0.05, spill=math.inf)
