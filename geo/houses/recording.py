"""What the surveyor writes down of building, ground and drains: seen, missed, or not looked at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from geo.houses.home import House
from geo.houses.notebook import SURVEYED_ON, Notebook, line, polygon, rounded
from geo.houses.pipes import Node
from geo.houses.wall import Numbers

DAY = SURVEYED_ON


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """How one surveyor works, 0 to 1 where it is a share.

    Parameters
    ----------
    care
        Chance that a fault in plain sight is seen for what it is.
    levels, covers, camera, opens, samples, tests
        Chance that levels are taken, covers lifted, a camera run, holes made, samples drilled; number of
        tests.
    near
        How much closer the readings are beside outlets.
    spacing_m
        Usual spacing of readings.
    """

    care: float
    levels: bool
    covers: bool
    camera: bool
    opens: int
    samples: int
    tests: int
    near: float
    spacing_m: float
    methods: int


def draw_habits(rng: np.random.Generator) -> Habits:
    """Draw a surveyor."""
    return Habits(
        care=float(rng.uniform(0.6, 0.92)), levels=bool(rng.random() < 0.8), covers=bool(rng.random() < 0.7),
        camera=bool(rng.random() < 0.3), opens=int(rng.choice([0, 1, 2, 3], p=[0.45, 0.25, 0.2, 0.1])),
        samples=int(rng.choice([0, 1, 2], p=[0.6, 0.28, 0.12])),
        tests=int(rng.choice([0, 1, 2, 3], p=[0.3, 0.3, 0.25, 0.15])), near=float(rng.uniform(1.0, 2.2)),
        spacing_m=float(rng.uniform(0.6, 0.95)), methods=int(rng.choice([1, 2], p=[0.55, 0.45])),
    )  # fmt: skip


def taped(rng: np.random.Generator, chainage: float, length: float) -> float:
    """Return a chainage as taped: 10 mm and 0.1 %, kept on the ring."""
    return round(float(np.clip(chainage + rng.normal(0, 0.01 + 0.001 * chainage), 0, length - 0.01)), 2)


class Recorder:
    """One surveyor's first walk round a house."""

    def __init__(self, rng: np.random.Generator, house: House, habits: Habits, book: Notebook) -> None:
        self.rng, self.house, self.habits, self.book = rng, house, habits, book
        self.wall, self.plot, self.fabric = house.plot.wall, house.plot, house.fabric

    def walk(self) -> None:
        """Write down everything that is seen without opening anything."""
        self._building()
        self._openings()
        self._ground()
        self._courses()
        self._floors()
        self._assets()
        self._runs()
        self._features()

    def _chance(self, share: float) -> bool:
        return bool(self.rng.random() < share)

    def _noisy(self, value: float, sigma: float) -> float | None:
        return rounded(value + self.rng.normal(0, sigma))

    def _at(self, chainage: float) -> float:
        return taped(self.rng, chainage, self.wall.length)

    def _building(self) -> None:
        book, wall, fabric = self.book, self.wall, self.fabric
        origin = wall.grid(wall.corners[0])[0]
        book.note(
            "building", id="B1", geometry=polygon(wall.grid(wall.corners)), label="House",
            origin_easting_m=rounded(origin[0]), origin_northing_m=rounded(origin[1]), storeys_count=2,
            wall_type="solid" if fabric.solid else "cavity", wall_thickness_m=round(fabric.thickness_m, 3),
            wall_thickness_sigma_m=0.01, outline_sigma_m=0.05,
            floor_level_m=self._noisy(fabric.floor_level, 0.004), floor_level_sigma_m=0.004,
        )  # fmt: skip
        for number, outline in enumerate(self.plot.neighbours, start=2):
            book.note(
                "building", id=f"B{number}", role="neighbour", label="Neighbour",
                geometry=polygon(wall.grid(outline)), outline_sigma_m=0.1,
            )  # fmt: skip
        for i, length in enumerate(np.diff(wall.starts), start=1):
            sigma = 0.01 + 0.001 * float(length)
            book.note(
                "face", id=f"B1-F{i}", building_id="B1", face=f"F{i}",
                taped_length_m=self._noisy(float(length), 0.5 * sigma), taped_sigma_m=round(sigma, 4),
                cavity_mm=None if fabric.solid or self._chance(0.5) else 1000 * fabric.cavity_m,
            )  # fmt: skip
        rain = max(0.0, float(self.rng.gamma(1.2, 5.0)))
        book.note("visit", "V", arrived_at=f"{DAY}T09:00", left_at=f"{DAY}T15:30", rain_48h_mm=round(rain, 1))

    def _openings(self) -> None:
        wall = self.wall
        for face in np.flatnonzero(wall.free):
            start, end = wall.starts[face], wall.starts[face + 1]
            if end - start < 3:
                continue
            middle = float(self.rng.uniform(start + 1, end - 1))
            door = self._chance(0.35)
            base = 0.03 if door else 0.9
            self.book.note(
                "opening", "O", building_id="B1", chainage_from_m=self._at(middle - 0.45),
                chainage_to_m=self._at(middle + 0.45), opening_kind="door" if door else "window",
                sill_level_m=self._noisy(self.fabric.floor_level + base, 0.005), level_sigma_m=0.005,
            )  # fmt: skip

    def _ground(self) -> None:
        wall, plot, rng = self.wall, self.plot, self.rng
        for face in np.flatnonzero(wall.free):
            surface = str(
                rng.choice(["slabs", "concrete", "block_paving"] if plot.hard[face] else ["grass", "gravel"])
            )
            a, b = wall.starts[face], wall.starts[face + 1]
            own = [
                wall.own_point(a + 1e-6, 0.0), wall.own_point(a + 1e-6, 2.5), wall.own_point(b - 1e-6, 2.5),
                wall.own_point(b - 1e-6, 0.0),
            ]  # fmt: skip
            if self._chance(0.5):
                self.book.note(
                    "ground_patch", "P", surface=surface, geometry=polygon(wall.grid(np.array(own))),
                    permeable="no" if plot.hard[face] else "yes",
                )  # fmt: skip
            if not self.habits.levels:
                continue
            sigma = 0.005 if plot.hard[face] else 0.013
            step = float(rng.uniform(1.4, 2.0))
            for at in np.arange(a + 0.4, b - 0.2, step):
                here = int(wall.at(float(at)))
                for out in (0.05, round(float(rng.uniform(1.0, 1.4)), 2)):
                    self.book.note(
                        "level", "L", building_id="B1", chainage_m=self._at(float(at)), offset_m=out,
                        role="ground", hardness="hard" if plot.hard[face] else "soft",
                        level_m=self._noisy(plot.ground[here] + plot.rise[here] * out, sigma),
                        level_sigma_m=sigma,
                    )  # fmt: skip

    def _courses(self) -> None:
        wall, fabric, rng = self.wall, self.fabric, self.rng
        leaf = "solid" if fabric.solid else "outer"
        for face in np.flatnonzero(wall.free):
            a, b = float(wall.starts[face]), float(wall.starts[face + 1])
            for at in np.arange(a + 0.2, b - 0.1, float(rng.uniform(1.6, 2.6))):
                here = int(wall.at(float(at)))
                hidden = fabric.raised[here] > fabric.outer_course[here]
                state = "continuous"
                if fabric.outer_fails[here]:
                    state = str(
                        rng.choice(["absent", "not_seen", "brittle", "continuous"], p=[0.3, 0.45, 0.1, 0.15])
                    )
                elif hidden:
                    state = str(rng.choice(["not_seen", "covered", "continuous"], p=[0.4, 0.3, 0.3]))
                elif self._chance(0.12):
                    state = "not_seen"
                # One looks along a covered course from where it comes out of the ground.
                seen = state in ("continuous", "brittle", "covered") or (hidden and self._chance(0.4))
                self.book.note(
                    "dpc_point", "DO", building_id="B1", leaf=leaf, chainage_m=self._at(float(at)),
                    level_m=self._noisy(fabric.outer_course[here], 0.005) if seen else None,
                    level_sigma_m=0.005 if seen else None, state=state,
                )  # fmt: skip

    def _floors(self) -> None:
        wall, plot, fabric, rng = self.wall, self.plot, self.fabric, self.rng
        main = wall.corners if plot.offshoot is None else np.array(
            [[0, 0], [0, plot.depth], [wall.corners[:, 0].max(), plot.depth], [wall.corners[:, 0].max(), 0]]
        )  # fmt: skip
        front_solid = bool(fabric.slab[int(wall.at(wall.length - 0.5))])
        zones: list[tuple[str, Numbers, bool]] = [("FZ1", main, front_solid)]
        if plot.offshoot is not None:
            zones.append(("FZ2", plot.offshoot, bool(fabric.slab.any())))
        known = rng.random() < 0.3
        bridges = "contact" if fabric.slab_bridges.any() else "isolated"
        for name, corners, solid in zones:
            thick = 1000 * (fabric.floor_level - fabric.soffit)
            looked = solid and known
            self.book.note(
                "floor_zone", id=name, building_id="B1", geometry=polygon(wall.grid(corners)),
                floor_kind="solid" if solid else "suspended_timber",
                top_level_m=self._noisy(fabric.floor_level, 0.004), level_sigma_m=0.01,
                thickness_mm=rounded(thick + rng.normal(0, 8), 0) if looked else None,
                soffit_level_m=self._noisy(fabric.soffit, 0.01) if looked else None,
                membrane=fabric.membrane if looked else "not_known",
                edge=bridges if looked and self._chance(0.6) else "not_known",
                evidence="seen" if looked else "not_looked",
            )  # fmt: skip

    def _seen(self, state: str, share: float, *, sound: str = "sound") -> dict[str, Any]:
        """Return a state as it is written down, with how it is known."""
        rng = self.rng
        way = rng.random()
        if way < 0.07:
            return {"state": sound, "evidence": "not_looked"}
        if state != sound and not self._chance(share * self.habits.care / 0.8):
            return {"state": sound, "evidence": "seen"}
        return {"state": state, "evidence": "reported" if way > 0.95 else "seen", "seen_on": DAY}

    def _assets(self) -> None:
        for node in self.house.drains.nodes.values():
            getattr(self, f"_{node.kind}")(node)
        for one in self.house.gutters:
            known = self._chance(0.7)
            said = one["state"] if known and self._chance(0.65) else "sound"
            self.book.note(
                "gutter", id=one["id"], building_id="B1", chainage_from_m=self._at(one["start"]),
                chainage_to_m=self._at(one["end"]), width_mm=112, state=said,
                evidence="seen" if known else "not_looked",
            )  # fmt: skip

    def _beside(self, node: Node) -> dict[str, Any]:
        return {
            "id": node.id, "building_id": "B1", "chainage_m": self._at(node.chainage),
            "offset_m": round(max(node.offset + float(self.rng.normal(0, 0.015)), 0.02), 3),
        }  # fmt: skip

    def _gully(self, node: Node) -> None:
        leveled = self.habits.levels and self._chance(0.88)
        seen = self._seen(node.state, 0.8)
        lip = node.state == "lip_broken" and seen["state"] == "lip_broken" and leveled
        takes = (
            "both"
            if node.use_l and self.house.drains.roof_into(node.id)
            else "waste"
            if node.use_l
            else "rain"
        )
        self.book.note(
            "gully", **self._beside(node), **seen, takes=takes,
            rim_level_m=self._noisy(node.rim, 0.004) if leveled else None,
            lip_level_m=self._noisy(node.spill, 0.004) if lip else None,
            outlet_invert_level_m=self._noisy(node.invert, 0.006) if leveled and self._chance(0.7) else None,
            level_sigma_m=0.006 if leveled else None, riser_mm=150, trapped="yes",
        )  # fmt: skip

    def _downpipe(self, node: Node) -> None:
        seen = self._seen(node.state, 0.85)
        into = node.into if self._chance(0.85) or node.foot == "shoe_over_gully" else ""
        true_foot = node.foot if seen["state"] == node.state or node.foot != "shoe_to_ground" else "not_known"
        self.book.note(
            "downpipe", **self._beside(node), **seen, bore_mm=68, roof_m2=round(node.roof_m2, 0),
            foot=true_foot, foot_level_m=self._noisy(node.rim, 0.006) if self.habits.levels else None,
            level_sigma_m=0.006 if self.habits.levels else None, into_id=into,
        )  # fmt: skip

    def _fixture(self, node: Node) -> None:
        kind = {"W1": "waste_pipe", "SS": "stack", "WB": "water_butt"}[node.id[:2]]
        into = {"waste_pipe": node.into, "stack": "C1", "water_butt": ""}[kind]
        self.book.note(
            "fixture", **self._beside(node), fixture_kind=kind, bore_mm=110 if kind == "stack" else 40,
            into_id=into,
            level_m=self._noisy(node.rim, 0.006) if kind == "waste_pipe" and self.habits.levels else None,
            level_sigma_m=0.006 if kind == "waste_pipe" and self.habits.levels else None,
        )  # fmt: skip

    def _chamber(self, node: Node) -> None:
        lifted = self.habits.covers and (node.id == "C1" or self._chance(0.5))
        seen = self._seen(node.state, 0.75) if lifted else {"state": "sound", "evidence": "not_looked"}
        if np.isfinite(node.chainage):
            place = self._beside(node)
        else:
            e, n = self.wall.grid(node.own)[0]
            place = {
                "id": node.id,
                "easting_m": rounded(e),
                "northing_m": rounded(n),
                "position_sigma_m": 0.1,
            }
        if self.house.stops & {"R1"} and node.id == "C1" and lifted:
            seen = {"state": "standing_water", "evidence": "seen", "seen_on": DAY}
        self.book.note(
            "chamber", **place, **seen,
            cover_level_m=self._noisy(node.rim, 0.004) if self.habits.levels else None,
            invert_level_m=self._noisy(node.invert, 0.01) if lifted else None,
            level_sigma_m=0.008 if lifted or self.habits.levels else None, length_mm=600, width_mm=450,
        )  # fmt: skip

    def _soakaway(self, node: Node) -> None:
        found = self._chance(0.5)
        state, evidence = ("not_found", "not_looked")
        if found:
            told = self._chance(0.75)
            state, evidence = (node.state, "seen") if told else ("not_found", "reported")
        e, n = self.wall.grid(node.own)[0]
        self.book.note(
            "soakaway", id=node.id, easting_m=rounded(e), northing_m=rounded(n),
            position_sigma_m=0.1 if found else 2.0, state=state, evidence=evidence,
            cover_level_m=self._noisy(node.rim, 0.01) if found and self.habits.levels else None,
            inlet_invert_level_m=self._noisy(node.invert, 0.01) if found and self.habits.levels else None,
            level_sigma_m=0.01 if found else None,
        )  # fmt: skip

    def _runs(self) -> None:
        nodes = self.house.drains.nodes
        for pipe in self.house.drains.pipes.values():
            seen = self.habits.camera and self._chance(0.9)
            lifted = self.habits.covers and nodes[pipe.end].kind == "chamber"
            leveled = self.habits.levels and self._chance(0.75)
            state = pipe.state if seen else "not_traced"
            if lifted and pipe.state == "clear" and self._chance(0.4):
                state = "clear"
            told = bool(self._chance(0.9))
            self.book.note(
                "run", id=pipe.id, geometry=line(self.wall.grid(pipe.own)), from_id=pipe.start,
                to_id=pipe.end if told else "", use=pipe.use, owner="private", bore_mm=100,
                invert_up_level_m=self._noisy(pipe.up, 0.008) if leveled else None,
                invert_down_level_m=self._noisy(pipe.down, 0.01) if lifted and leveled else None,
                level_sigma_m=0.01 if leveled else None, state=state,
                fault_at_m=rounded(max(pipe.fault_at_m + self.rng.normal(0, 0.15), 0.0)) if seen else None,
                from_evidence="camera" if seen else "seen",
                to_evidence="camera" if seen else ("tap_test" if lifted else "assumed"),
            )  # fmt: skip

    def _features(self) -> None:
        """Write down what stands out of a wall; what is behind plaster mostly does not."""
        for one in self.house.features:
            hidden = one["kind"] in ("metal_or_foil", "cavity_tray", "neighbours_side")
            if not self._chance(0.4 if hidden else 0.85):
                continue
            looked = self._chance(0.8 * self.habits.care)
            level = one["level"]
            self.book.note(
                "wall_feature", id=one["id"], building_id="B1", chainage_from_m=self._at(one["start"]),
                chainage_to_m=self._at(one["end"]), feature_kind=one["kind"],
                state=one["state"] if looked else "not_looked", evidence="seen" if looked else "not_looked",
                level_m=self._noisy(float(level), 0.02) if isinstance(level, float) else None,
                level_sigma_m=0.02 if isinstance(level, float) else None,
            )  # fmt: skip
        for one in self.house.services:
            own = np.array([self.wall.own_point(float(one["at"]) + d, -0.4) for d in (-0.6, 0.6)])
            self.book.note(
                "service", id=one["id"], geometry=line(self.wall.grid(own)), service_kind=one["kind"],
                state="not_known", evidence="reported",
            )  # fmt: skip
