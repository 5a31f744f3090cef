"""What the surveyor opens, drills, hears and leaves logging, once it is known where it reads wet."""

from __future__ import annotations

import math

import numpy as np

from geo.houses.home import House
from geo.houses.masonry import SEEN_WET
from geo.houses.notebook import SURVEYED_ON, Notebook, rounded
from geo.houses.recording import Habits, taped
from geo.houses.truth import Fields, Range, Trouble, TrueCause

DAY = SURVEYED_ON
FOUL = ("S01", "S05", "S06", "S07")
LATER = {
    "rain": "follows_rain",
    "use": "follows_use",
    "steady": "steady",
    "cold": "follows_cold",
    "falling": "falling",
}


class Prober:
    """One surveyor's closer look at the places that read wet."""

    def __init__(
        self, rng: np.random.Generator, house: House, fields: Fields, habits: Habits, book: Notebook,
        wet_at: list[float],
    ) -> None:  # fmt: skip
        self.rng, self.house, self.fields, self.habits, self.book = rng, house, fields, habits, book
        self.wall, self.fabric = house.plot.wall, house.fabric
        self.wet_at = wet_at
        self.consent = ""

    def look(self, troubles: list[tuple[Trouble, TrueCause]]) -> None:
        """Drill, open, weigh, measure the air, and ask the occupant."""
        self._samples()
        self._openings()
        self._air()
        self._signs(troubles)
        self._meter(troubles)

    def _some(self, count: int) -> list[float]:
        if not self.wet_at or count == 0:
            return []
        order = self.rng.permutation(len(self.wet_at))
        chosen: list[float] = []
        for i in order:
            at = self.wet_at[int(i)]
            if all(abs(at - other) > 1.5 for other in chosen):
                chosen.append(at)
        return chosen[:count]

    def _samples(self) -> None:
        """Drill a profile and weigh it: moisture and what the salts in it hold."""
        rng, wall, fabric, fields = self.rng, self.wall, self.fabric, self.fields
        for at in self._some(self.habits.samples):
            here = int(wall.at(at))
            for height in (0.1, 0.4, 0.8, 1.2):
                k = int(np.argmin(np.abs(fields.z - (fabric.floor_level + height))))
                salts = float(fields.salts[here, k])
                hold = 0.6 + 5.0 * salts + float(rng.normal(0, 0.1))
                free = 15.0 * float(fields.core[here, k])
                moist = max(0.4, max(free + 0.6, hold * 0.95) + float(rng.normal(0, 0.25)))
                dry = 30.0 + float(rng.uniform(-3, 3))
                sample = self.book.note(
                    "sample", "S", building_id="B1", side="inside", chainage_m=taped(rng, at, wall.length),
                    offset_m=-round(fabric.thickness_m, 3), material="mortar", height_m=height,
                    depth_from_mm=40, depth_to_mm=80, dish_g=20.0,
                    wet_g=round(20 + dry * (1 + moist / 100), 3),
                    humid_g=round(20 + dry * (1 + max(hold, 0.1) / 100), 3), dry_g=round(20 + dry, 3),
                    oven_c=105, mass_sigma_g=0.01, taken_at=DAY,
                )  # fmt: skip
                if height in (0.1, 0.8):
                    self._ions(sample, here, height, salts)

    def _ions(self, sample: str, here: int, height: float, salts: float) -> None:
        """Test a sample for salts: soil and sewage leave nitrates, rain and mains leave none."""
        rng = self.rng
        old = bool(self.fabric.outer_fails[here]) or salts > 0.2
        ladder = ("none", "low", "medium", "high")
        for ion in ("chloride", "nitrate"):
            base = (2.2 if salts > 0.2 else 1.4) if old else 0.3
            step = int(np.clip(round(base + float(rng.normal(0, 0.6))), 0, 3))
            self.book.note(
                "salt", "N", building_id="B1", side="inside", chainage_m=None, sample_id=sample, ion=ion,
                salt_class=ladder[step], extract_ratio=10, material="mortar", height_m=height, taken_at=DAY,
            )  # fmt: skip

    def _openings(self) -> None:
        rng, fabric = self.rng, self.fabric
        places = self._some(self.habits.opens)
        if not places:
            return
        self.consent = self.book.note(
            "consent", "CN", consent_for="opening_up", given_by="owner", state="given", given_on=DAY
        )
        for at in places:
            here = int(self.wall.at(at))
            if not fabric.solid and self.wall.outside[here] and rng.random() < 0.6:
                self._borescope(at, here)
            elif fabric.slab[here]:
                self._floor_edge(at, here)

    def _borescope(self, at: float, here: int) -> None:
        rng, wall, fabric = self.rng, self.wall, self.fabric
        left, right = (round(float(rng.uniform(0.5, 1.4)), 1) for _ in range(2))
        seen = wall.between((at - left) % wall.length, (at + right) % wall.length) & wall.outside
        seen &= wall.face == wall.face[here]
        debris = fabric.debris_top[seen]
        water = self._standing()[seen]
        has = np.isfinite(debris).any()
        deep = float(np.nanmax(water - fabric.cavity_base[seen])) if np.isfinite(water).any() else 0.0
        top = float(np.nanmax(debris)) if has else math.nan
        state = "debris" if has else "water" if deep > 0.01 else "clear"
        start, end = wall.ranges(seen)[0]
        self.book.note(
            "opening_up", "OU", building_id="B1", chainage_m=taped(rng, at, wall.length), offset_m=0.0,
            opening_up_kind="borescope",
            consent_id=self.consent, size_mm=12, level_m=rounded(fabric.floor_level + 0.15),
            level_sigma_m=0.03, cavity_mm=1000 * fabric.cavity_m,
            debris_top_level_m=rounded(top + rng.normal(0, 0.02)) if has else None,
            water_depth_mm=rounded(1000 * deep, 0) if deep > 0.01 else None, reach_left_m=left,
            reach_right_m=right, seen_left=state, seen_right=state, made_good="yes", opened_at=f"{DAY}T13:00",
        )  # fmt: skip
        name = self._cavity_id(seen)
        if has:
            both = wall.ranges(seen & np.isfinite(fabric.debris_top))
            start, end = both[0]
        self.book.note(
            "cavity", id=name, building_id="B1", chainage_from_m=taped(rng, start, wall.length),
            chainage_to_m=taped(rng, end, wall.length), width_mm=1000 * fabric.cavity_m,
            base_level_m=rounded(float(np.median(fabric.cavity_base[seen])) + rng.normal(0, 0.03)),
            debris_top_level_m=rounded(top + rng.normal(0, 0.02)) if has else None, level_sigma_m=0.03,
            water_depth_mm=rounded(1000 * deep, 0) if deep > 0.01 else None, fill="none", state=state,
        )  # fmt: skip

    def _standing(self) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.asarray(self.fields.shares.get("standing", np.full(len(self.wall.s), np.nan)))

    def _cavity_id(self, seen: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> str:
        """Return the id of the debris seen, or one of its own for a length seen clear."""
        taken = {record.id for record in self.book.records.get("cavity", [])}
        for name, start, end in self.house.cavities:
            if (seen & self.wall.between(start, end)).any() and name not in taken:
                return name
        return self.book.next_id("CS")

    def _floor_edge(self, at: float, here: int) -> None:
        rng, wall, fabric = self.rng, self.wall, self.fabric
        inner = float(fabric.inner_course[here])
        place = taped(rng, at, wall.length)
        self.book.note(
            "opening_up", "OU", building_id="B1", side="inside", chainage_m=place,
            offset_m=-round(fabric.thickness_m, 3), opening_up_kind="floor_edge",
            consent_id=self.consent, size_mm=300,
            dpc_inner_level_m=rounded(inner + rng.normal(0, 0.005)),
            slab_top_level_m=rounded(fabric.floor_level + rng.normal(0, 0.005)),
            soffit_level_m=rounded(fabric.soffit + rng.normal(0, 0.008)), level_sigma_m=0.008,
            membrane=fabric.membrane, made_good="yes", opened_at=f"{DAY}T14:00",
        )  # fmt: skip
        if not fabric.solid:
            state = "absent" if fabric.inner_fails[here] else "continuous"
            self.book.note(
                "dpc_point", "DI", building_id="B1", leaf="inner", chainage_m=place,
                level_m=rounded(inner + rng.normal(0, 0.005)), level_sigma_m=0.005, state=state,
            )  # fmt: skip

    def _air(self) -> None:
        """Measure the air and the surface, as on most visits; sometimes leave loggers."""
        rng, wall, house = self.rng, self.wall, self.house
        if rng.random() > 0.75:
            return
        cold = house.cold
        room = cold.get("room_c", float(rng.uniform(17.5, 21)))
        humid = cold.get("room_rh", float(rng.uniform(40, 60)))
        out = cold.get("out_c", float(rng.uniform(3, 9)))
        self.book.note(
            "environment", "E", side="outside", place="outdoors", taken_at=f"{DAY}T10:00",
            air_c=round(out, 1),
            humidity_percent=round(float(rng.uniform(75, 95)), 0),
        )  # fmt: skip
        film = self.fields.film
        for at in self._some(3) or [float(rng.uniform(0, wall.length))]:
            here = int(wall.at(at))
            low = int(np.argmin(np.abs(self.fields.z - self.fabric.floor_level - 0.1)))
            chilled = bool(film[here, low] > SEEN_WET)
            factor = float(rng.uniform(0.5, 0.66) if chilled else rng.uniform(0.72, 0.9))
            surface = out + factor * (room - out) + float(rng.normal(0, 0.3))
            place = {
                "building_id": "B1", "side": "inside", "chainage_m": taped(rng, at, wall.length),
                "offset_m": -round(self.fabric.thickness_m, 3), "place": "room", "air_c": round(room, 1),
                "humidity_percent": round(humid + float(rng.normal(0, 2)), 0), "surface_c": round(surface, 1),
            }  # fmt: skip
            self.book.note("environment", "E", taken_at=f"{DAY}T11:30", **place)

    def _signs(self, troubles: list[tuple[Trouble, TrueCause]]) -> None:
        """Write down what occupants say and what is plain to see; some of it is wrong."""
        rng = self.rng
        for trouble, true in troubles:
            inside = [one for one in true.ranges if one.side == "inside"]
            outside = [one for one in true.ranges if one.side == "outside"]
            if inside and rng.random() < 0.45:
                said = LATER[trouble.rhythm] if rng.random() < 0.85 else str(rng.choice(list(LATER.values())))
                self._sign(said, inside[0], "reported")
            foul = trouble.rhythm == "use" and trouble.cause in FOUL
            if inside and foul and rng.random() < 0.4:
                self._sign(str(rng.choice(["foul_smell", "grease"])), inside[0], "seen")
            plain = {
                "S15": ("mould", 0.75, inside), "S10": ("tide_mark", 0.45, inside),
                "S16": ("salt_bloom", 0.6, inside), "S13": ("stain", 0.4, inside),
                "S03": ("stain", 0.5, outside), "S02": ("splash_marks", 0.4, outside),
                "S01": ("algae", 0.3, outside),
            }.get(trouble.cause)  # fmt: skip
            if plain and plain[2] and rng.random() < plain[1]:
                self._sign(plain[0], plain[2][0], "seen")

    def _sign(self, sign: str, where: Range, evidence: str) -> None:
        rng, wall = self.rng, self.wall
        self.book.note(
            "sign", "SG", building_id="B1", side=where.side, sign=sign, evidence=evidence, seen_on=DAY,
            chainage_from_m=taped(rng, where.from_m % wall.length, wall.length),
            chainage_to_m=taped(rng, where.to_m % wall.length, wall.length),
        )  # fmt: skip

    def _meter(self, troubles: list[tuple[Trouble, TrueCause]]) -> None:
        """Read the water meter twice with everything off, in a third of the houses."""
        rng = self.rng
        if rng.random() > 0.33:
            return
        pressed = ("water_pipe", "water_main")
        kinds = {one["id"]: one["kind"] for one in self.house.services}
        loss = sum(
            trouble.rate_l_day / 24 for trouble, _ in troubles
            if trouble.cause == "S14" and kinds.get(trouble.of_ids[0]) in pressed
        )  # fmt: skip
        start = float(rng.uniform(200, 900))
        minutes = int(rng.choice([30, 45, 60]))
        self.book.note(
            "meter_reading", "M", reading_m3=round(start, 4), resolution_l=0.5, taken_at=f"{DAY}T10:00"
        )
        self.book.note(
            "meter_reading", "M", reading_m3=round(start + loss * minutes / 60 / 1000, 4), resolution_l=0.5,
            all_off="yes", taken_at=f"{DAY}T{10 + minutes // 60:02d}:{minutes % 60:02d}",
        )  # fmt: skip
