"""Readings as a surveyor takes them: a sweep, closer beside outlets, profiles where it reads wet."""

from __future__ import annotations

import numpy as np

from geo.houses.home import House
from geo.houses.meters import Meter, draw_meter
from geo.houses.notebook import SURVEYED_ON, Notebook
from geo.houses.recording import Habits, taped
from geo.houses.truth import Fields
from geo.houses.wall import Flags

PROFILE_M = (0.1, 0.3, 0.6, 0.9, 1.2, 1.5)
DRY_SCATTER = 0.012
CALLS_WET, SPREAD = 3.0, 10.0


class Reader:
    """One surveyor with a meter, reading round a house."""

    def __init__(
        self, rng: np.random.Generator, house: House, fields: Fields, habits: Habits, book: Notebook
    ) -> None:
        self.rng, self.house, self.fields, self.habits, self.book = rng, house, fields, habits, book
        self.wall = house.plot.wall
        self.outlets = [
            node.chainage for node in house.drains.nodes.values()
            if node.kind in ("gully", "downpipe") and np.isfinite(node.chainage)
        ]  # fmt: skip
        self.unread = np.zeros(len(self.wall.s), dtype=bool)
        self.wet_at: dict[str, list[float]] = {"inside": [], "outside": []}
        self._mark = {"inside": 40.0, "outside": 40.0}

    def read_all(self) -> None:
        """Read the inside, mostly the outside too, sometimes the floor and with a second meter."""
        rng = self.rng
        self._unread()
        first = "resistance_masonry" if rng.random() < 0.55 else "capacitance"
        meter = draw_meter(rng, first)
        self._side(meter, "inside", self._places("inside"))
        if rng.random() < 0.8:
            own = draw_meter(rng, "capacitance" if first == "resistance_masonry" else "resistance_masonry")
            self._side(own, "outside", self._places("outside"))
        if self.habits.methods > 1 and self.wet_at["inside"]:
            second = draw_meter(rng, str(rng.choice(["microwave", "resistance_deep", "microwave"])))
            near = [at + d for at in self._heads("inside") for d in (-0.9, -0.3, 0.3, 0.9)]
            self._controls(second, "inside")
            for at in near:
                self._one(second, "inside", at % self.wall.length, 0.1)
                self._one(second, "inside", at % self.wall.length, 0.6)
        if rng.random() < 0.45 and self.wet_at["inside"]:
            self._floor()

    def _unread(self) -> None:
        """Units, furniture and locked rooms: no readings there, and mostly said so."""
        rng, wall = self.rng, self.wall
        for _ in range(int(rng.choice([0, 1, 2], p=[0.35, 0.45, 0.2]))):
            start = float(rng.uniform(0, wall.length))
            end = float(np.mod(start + rng.uniform(0.8, 2.8), wall.length))
            self.unread |= wall.between(start, end)
            if rng.random() < 0.7:
                self.book.note(
                    "unread_length", "U", building_id="B1", chainage_from_m=taped(rng, start, wall.length),
                    chainage_to_m=taped(rng, end, wall.length), state="no_access", evidence="no_access",
                )  # fmt: skip

    def _places(self, side: str) -> list[float]:
        """Return where a side is swept: evenly, and closer beside outlets."""
        rng, wall = self.rng, self.wall
        found = []
        at = float(rng.uniform(0.2, 0.5))
        while at < wall.length - 0.1:
            found.append(at)
            near = min((abs(float(wall.along(each)[int(wall.at(at))])) for each in self.outlets), default=9.0)
            step = self.habits.spacing_m / (self.habits.near if near < 1.0 else 1.0)
            at += float(step * rng.uniform(0.85, 1.15))
        if side == "outside":
            return [at for at in found if wall.free[wall.face[int(wall.at(at))]]]
        return [at for at in found if not self.unread[int(wall.at(at))]]

    def _level(self, side: str, at: float, height: float) -> float:
        if side == "outside":
            return float(self.house.plot.ground[int(self.wall.at(at))]) + height
        return self.house.fabric.floor_level + height

    def _one(self, meter: Meter, side: str, at: float, height: float) -> float:
        """Take one reading, write it down, and return its number."""
        rng, wall = self.rng, self.wall
        margin = 0.06
        face = int(wall.face[int(wall.at(at))])
        at = float(np.clip(at, wall.starts[face] + margin, wall.starts[face + 1] - margin))
        wet = meter.seen(self.fields, int(wall.at(at)), self._level(side, at, height), side)
        text = meter.read(rng, max(0.0, wet + abs(float(rng.normal(0, DRY_SCATTER)))))
        fabric = self.house.fabric
        self.book.note(
            "reading", "r", building_id="B1", side=side, chainage_m=taped(rng, at, wall.length),
            offset_m=0.0 if side == "outside" else -round(fabric.thickness_m, 3), method=meter.method,
            instrument=meter.name, material=fabric.outside_is if side == "outside" else fabric.inside_is,
            value=text, height_m=round(height + float(rng.normal(0, 0.01)), 2), taken_at=SURVEYED_ON,
        )  # fmt: skip
        return float(text.lstrip(">"))

    def _controls(self, meter: Meter, side: str) -> None:
        """Read the dry reference: five or more times in most houses, too few in some."""
        rng, wall, fabric = self.rng, self.wall, self.house.fabric
        count = int(rng.choice([6, 5, 4, 3, 0], p=[0.45, 0.45, 0.04, 0.03, 0.03]))
        values = []
        for _ in range(count):
            at = float(rng.uniform(0.3, wall.length - 0.3))
            text = meter.read(rng, abs(float(rng.normal(0, DRY_SCATTER))))
            values.append(float(text.lstrip(">")))
            self.book.note(
                "reading", "k", building_id="B1", side="inside", chainage_m=taped(rng, at, wall.length),
                offset_m=-round(fabric.thickness_m, 3), method=meter.method, instrument=meter.name,
                material=fabric.outside_is if side == "outside" else fabric.inside_is, value=text,
                height_m=1.5, control="yes", taken_at=SURVEYED_ON,
                note="partition upstairs" if side == "inside" else "sheltered wall under the porch",
            )  # fmt: skip
        middle = float(np.median(values)) if values else meter.dry
        self._mark[side] = middle + CALLS_WET * SPREAD

    def _side(self, meter: Meter, side: str, places: list[float]) -> None:
        rng, wall = self.rng, self.wall
        self._controls(meter, side)
        foot = 0.1 if side == "inside" else 0.2
        values = np.array([self._one(meter, side, at, foot) for at in places])
        if not len(values):
            return
        high = (0.6, 1.2) if side == "inside" else (0.6,)
        above = np.zeros(len(places))
        for i, at in enumerate(places):
            if rng.random() < 0.55:
                above[i] = self._one(meter, side, at, float(rng.choice(high)))
        wet = np.maximum(values, above) > self._mark[side]
        self.wet_at[side] = [at for at, is_wet in zip(places, wet, strict=True) if is_wet]
        for at in self._heads(side):
            heights = PROFILE_M if side == "inside" else PROFILE_M[1:4]
            for height in heights:
                if height != foot:
                    self._one(meter, side, at, height)
        dry = [at for at, is_wet in zip(places, wet, strict=True) if not is_wet]
        if dry and side == "inside":
            at = dry[int(rng.integers(len(dry)))]
            for height in PROFILE_M[1:]:
                self._one(meter, side, at, height)
        edges = np.flatnonzero(wet & ~np.roll(wet, 1))
        for i in edges[:3]:
            at = (places[i] - 0.3) % wall.length
            if side == "outside" or not self.unread[int(wall.at(at))]:
                self._one(meter, side, at, foot)

    def _heads(self, side: str) -> list[float]:
        """Return one place in each wet length to take a profile at, four at most."""
        heads: list[float] = []
        for at in self.wet_at[side]:
            if all(abs(float(self.wall.along(at)[int(self.wall.at(each))])) > 1.5 for each in heads):
                heads.append(at)
        return heads[:4]

    def _floor(self) -> None:
        """Read the floor at its edge and further in, beside the wet wall and away from it."""
        rng, wall, fabric = self.rng, self.wall, self.house.fabric
        meter = draw_meter(rng, "capacitance")
        solid: Flags = fabric.slab
        places = [at for at in self._heads("inside") if solid[int(wall.at(at))]]
        if not places:
            return
        dry = [float(wall.s[i]) for i in np.flatnonzero(solid & ~self.unread)]
        for at in [dry[int(rng.integers(len(dry)))] for _ in range(5)]:
            self._spot(meter, at, 1.8, abs(float(rng.normal(0, DRY_SCATTER))), control=True)
        for at in places:
            here = int(wall.at(at))
            edge = float(self.fields.floor[here])
            middle = 0.5 * edge if fabric.membrane == "none" else 0.1 * edge
            for out, wet in ((0.1, edge), (0.5, 0.6 * edge), (1.5, middle)):
                self._spot(meter, at, out, wet, control=False)

    def _spot(self, meter: Meter, at: float, out: float, wet: float, *, control: bool) -> None:
        text = meter.read(self.rng, wet)
        self.book.note(
            "reading", "f", building_id="B1", side="floor", chainage_m=taped(self.rng, at, self.wall.length),
            offset_m=-round(self.house.fabric.thickness_m + out, 2), method=meter.method,
            instrument=meter.name, material="concrete", value=text, control="yes" if control else "no",
            taken_at=SURVEYED_ON,
        )  # fmt: skip
