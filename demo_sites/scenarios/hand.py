"""What a careful hand takes on site: true lengths with the errors of a tape, a compass, a level.

Errors come from one seeded generator and are drawn again beyond two standard deviations, so that
a slip never passes for a scatter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from scenarios.plan import Frame, Point, Ring

WIDEST = 2.0
TAPE_WALL = (0.010, 0.001)
TAPE_FREE = (0.015, 0.001)


class Hand:
    """A surveyor's tape, compass and level, seeded."""

    def __init__(self, frame: Frame, seed: int) -> None:
        self.frame = frame
        self.rng = np.random.default_rng(seed)

    def slip(self, sigma: float, *, widest: float = WIDEST) -> float:
        """Return one error."""
        while True:
            drawn = float(self.rng.standard_normal())
            if abs(drawn) <= widest:
                return drawn * sigma

    def tape(self, length: float, grade: tuple[float, float] = TAPE_WALL) -> float:
        """Return a length as a tape gives it, to half a centimetre."""
        taken = length + self.slip(grade[0] + grade[1] * length)
        return round(max(taken, 0.0) * 200) / 200

    def level(self, true: float, sigma: float = 0.003) -> float:
        """Return a level to the millimetre."""
        return round(true + self.slip(sigma), 3)

    def by_chainage(self, ring: Ring, chainage: float, offset: float = 0.0) -> dict[str, Any]:
        """Chainage, taped on from the last corner, and an offset."""
        out = 0.0 if offset == 0 else round(offset + self.slip(0.01), 2)
        corner = ring.starts[ring.face(chainage)]
        taken = round(corner + self.tape(chainage - corner), 3)
        return self._on(ring) | {"position_by": "chainage_offset", "chainage_m": taken, "offset_m": out}

    def by_face(self, ring: Ring, chainage: float, *, inside: bool, far_end: bool = False) -> dict[str, Any]:
        """Tape along one face from one of its corners; inside, from the internal corner."""
        i = ring.face(chainage)
        k = i + 1 if far_end else i
        if inside:
            start, place = ring.inner_corner(k), ring.within(chainage)
        else:
            start, place = ring.corners[k % len(ring.corners)], ring.at(chainage)
        return self._on(ring) | {
            "position_by": "face_distance",
            "side": "inside" if inside else "outside",
            "face": f"F{i + 1}",
            "corner": ring.name(k),
            "distance_m": self.tape(math.dist(start, place)),
        }

    def by_tapes(self, ring: Ring, place: Point, letters: Sequence[str]) -> dict[str, Any]:
        """Tapes through the air from two, three or four corners."""
        taken: dict[str, Any] = self._on(ring)
        taken["position_by"] = "two_tapes" if len(letters) == 2 else "tapes"
        for number, letter in enumerate(letters, start=1):
            taken[f"tape_{number}_from"] = letter
            taken[f"tape_{number}_m"] = self.tape(math.dist(ring.corner(letter), place), TAPE_FREE)
        if len(letters) == 2:
            (u0, v0), (u1, v1) = ring.corner(letters[0]), ring.corner(letters[1])
            turn = (u1 - u0) * (place[1] - v0) - (v1 - v0) * (place[0] - u0)
            taken["tape_side"] = "left" if turn > 0 else "right"
        return taken

    def by_coordinates(self, place: Point, sigma: float, ring: Ring | None = None) -> dict[str, Any]:
        """Coordinates in the site's grid, with their sigma."""
        e, n = self.frame.grid(place)
        along = sigma / math.sqrt(2)
        return (self._on(ring) if ring else {}) | {
            "position_by": "coordinates",
            "easting_m": round(e + self.slip(along), 3),
            "northing_m": round(n + self.slip(along), 3),
            "position_sigma_m": sigma,
        }

    def by_bearing(self, ring: Ring, place: Point, letter: str) -> dict[str, Any]:
        """Distance and compass bearing from a corner."""
        start = ring.corner(letter)
        return self._on(ring) | {
            "position_by": "distance_bearing",
            "corner": letter,
            "distance_m": self.tape(math.dist(start, place), TAPE_FREE),
            "bearing_deg": round((self.frame.bearing(start, place) + self.slip(2.0, widest=1.0)) % 360, 1),
        }

    @staticmethod
    def _on(ring: Ring) -> dict[str, Any]:
        return {"building_id": ring.building_id, "ring": ring.ring}


class Book:
    """A level book: staff readings by set-up, closing back on the bench mark."""

    STAFF = 0.002
    HARD, SOFT = 0.002, 0.008

    def __init__(self, hand: Hand, bench_mark: tuple[Point, float]) -> None:
        self.hand = hand
        self.bench_mark = bench_mark
        self.rows: list[dict[str, Any]] = []
        self.setup = 0
        self.height = 0.0
        self.turns = 0

    def open(self, height: float) -> None:
        """Set up with the line of sight at a level and read the bench mark back."""
        self._stand(height)
        place, level = self.bench_mark
        self._row("bench_mark", place, backsight_m=self._staff(level), known_level_m=level)

    def shoot(self, level: float, role: str, where: dict[str, Any], **more: Any) -> None:
        """Read one point between."""
        rough = self.SOFT if more.get("hardness") == "soft" else self.HARD
        ground = rough if role == "ground" else 0.001
        bumpy = level + self.hand.slip(ground)
        self.rows.append(
            self._named() | {"role": role, "intermediate_sight_m": self._staff(bumpy)} | where | more
        )

    def turn(self, level: float, place: Point, height: float) -> None:
        """Leave a set-up on a change point and read it again from the next."""
        self.turns += 1
        note = {"note": f"change point {self.turns}"}
        self._row("change_point", place, foresight_m=self._staff(level), **note)
        self._stand(height)
        self._row("change_point", place, backsight_m=self._staff(level), **note)

    def close(self) -> None:
        """Close back on the bench mark."""
        place, level = self.bench_mark
        self._row("bench_mark", place, foresight_m=self._staff(level), known_level_m=level)

    def _stand(self, height: float) -> None:
        self.setup += 1
        self.height = height + self.hand.slip(0.03)

    def _staff(self, level: float) -> float:
        return round(self.height - level + self.hand.slip(self.STAFF), 3)

    def _named(self) -> dict[str, Any]:
        return {"id": f"L{len(self.rows) + 1:03d}", "setup_id": f"S{self.setup}"}

    def _row(self, role: str, place: Point, **more: Any) -> None:
        where = self.hand.by_coordinates(place, 0.05)
        self.rows.append(self._named() | {"role": role} | where | more)
