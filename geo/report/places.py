"""Where things are, as people say it: the rear wall, so far from its left-hand end."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from geo.findings.examine import Findings
from geo.report.parts import listed

SAME_M = 1e-6
NEAR_END_M = 0.1
"""Nearer to the end of a wall than this is at its end: positions are said to a tenth of a metre."""
TOWARD = ("rear", "right", "front", "left")
"""What a wall looks to, by quarter turns clockwise from the way one looks from the street."""
QUARTER_DEG = 90.0


@dataclass(frozen=True, slots=True, kw_only=True)
class WetPlace:
    """Wall found wet on one side, whatever methods showed it.

    Parameters
    ----------
    ring_key, side, from_m, to_m
        Where; ``to_m`` passes the ring's length where it runs through the origin corner.
    stretch_ids
        The stretches of its methods, which are not pooled.
    """

    ring_key: str
    side: str
    from_m: float
    to_m: float
    stretch_ids: tuple[str, ...]

    @property
    def length_m(self) -> float:
        """Its length."""
        return self.to_m - self.from_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """One face, as plain numbers."""

    face: str
    from_m: float
    to_m: float
    length_m: float
    bearing_deg: float
    normal_e: float
    normal_n: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Places:
    """The walls of a site in words."""

    found: Findings

    @cached_property
    def lengths(self) -> dict[str, float]:
        """Length of each ring, m."""
        return {str(key): float(m) for key, m in self.found.perimeter.rings["length_m"].items()}

    @cached_property
    def walls(self) -> dict[str, tuple[Wall, ...]]:
        """The faces of each ring in order."""
        found: dict[str, list[Wall]] = {}
        for row in self.found.perimeter.faces.itertuples():
            found.setdefault(str(row.ring_key), []).append(
                Wall(
                    face=str(row.face),
                    from_m=float(row.chainage_from_m),
                    to_m=float(row.chainage_to_m),
                    length_m=float(row.length_m),
                    bearing_deg=float(row.bearing_deg),
                    normal_e=float(row.normal_e),
                    normal_n=float(row.normal_n),
                )
            )
        return {key: tuple(walls) for key, walls in found.items()}

    def _wall(self, ring_key: str, face: str) -> Wall:
        return next(wall for wall in self.walls[ring_key] if wall.face == face)

    @cached_property
    def _rings(self) -> dict[str, tuple[str, str, str]]:
        """Building, kind and ring of each ring."""
        table = self.found.perimeter.rings[["building_id", "kind", "ring"]]
        return {str(row[0]): (str(row[1]), str(row[2]), str(row[3])) for row in table.itertuples(name=None)}

    @cached_property
    def _several(self) -> bool:
        rings = self.found.perimeter.rings
        return int(rings.loc[rings["examined"], "building_id"].nunique()) > 1

    @cached_property
    def _front_deg(self) -> dict[str, float]:
        table = self.found.site.table("building")
        return {str(key): float(value) for key, value in table["front_bearing_deg"].items()}

    @cached_property
    def _label(self) -> dict[str, str]:
        table = self.found.site.table("building")
        return {str(key): str(label) for key, label in table["label"].items()}

    def ring(self, ring_key: str) -> str:
        """Return a ring's name: the building's, and the courtyard where it is one."""
        building, kind, ring = self._rings[ring_key]
        name = self._label.get(building) or building
        return name if kind == "outer" else f"{name}, {kind} {ring}"

    def _outer(self, ring_key: str) -> bool:
        return self._rings[ring_key][1] == "outer"

    def _whose(self, ring_key: str) -> str:
        """Return what must stand before a wall's name to tell it from other buildings' and courtyards'."""
        return "" if self._outer(ring_key) and not self._several else f"{self.ring(ring_key)}: "

    def wall(self, ring_key: str, face: str) -> str:
        """Return a face as ``rear wall (F2)``, or ``wall F2`` where the front is not recorded."""
        front = self._front_deg.get(self._rings[ring_key][0], math.nan)
        if not self._outer(ring_key) or not math.isfinite(front):
            return f"wall {face}"
        turns = ((self._wall(ring_key, face).bearing_deg - QUARTER_DEG - front) % 360.0) / QUARTER_DEG
        if QUARTER_DEG * abs(turns - round(turns)) > self._face_name_deg:
            return f"wall {face}"
        word = TOWARD[round(turns) % 4]
        named = word if word in ("rear", "front") else f"{word}-hand"
        return f"{named} wall ({face})"

    @cached_property
    def _face_name_deg(self) -> float:
        return self.found.site.reference.value("report.face_name_deg")

    def pieces(self, ring_key: str, start: float, end: float) -> list[tuple[str, float, float]]:
        """Cut a length of a ring at its corners: face, and where it begins and ends along that face."""
        length = self.lengths[ring_key]
        end = end if end >= start - SAME_M else end + length
        cut = []
        for turn in (0.0, length):
            for wall in self.walls[ring_key]:
                begin = wall.from_m + turn
                a, b = max(start, begin), min(end, wall.to_m + turn)
                if b - a > SAME_M:
                    cut.append((wall.face, a - begin, b - begin))
        return cut

    def span(self, ring_key: str, start: float, end: float) -> str:
        """Return a length of wall for a surveyor: ``rear wall (F2), chainage 12.4 to 13.9 m``."""
        if ring_key not in self.lengths:
            return ""
        length = self.lengths[ring_key]
        walls = dict.fromkeys(face for face, _, _ in self.pieces(ring_key, start, end))
        named = listed(self.wall(ring_key, face) for face in walls)
        first, last = start % length if start >= length else start, end
        last = last - length if last > length + SAME_M else last
        return f"{self._whose(ring_key)}{named}, chainage {tenth(first)} to {tenth(last)} m"

    def spot(self, ring_key: str, chainage_m: float) -> str:
        """Return one place on a wall for a surveyor."""
        if ring_key not in self.lengths or not math.isfinite(chainage_m):
            return ""
        face = self.face_at(ring_key, chainage_m)
        return f"{self._whose(ring_key)}{self.wall(ring_key, face)}, chainage {chainage_m:.2f} m"

    def face_at(self, ring_key: str, chainage_m: float) -> str:
        """Return the face a chainage lies on."""
        at = chainage_m % self.lengths[ring_key]
        walls = self.walls[ring_key]
        return next((wall.face for wall in walls if at <= wall.to_m + SAME_M), walls[-1].face)

    def marked(self, ring_key: str, face: str) -> str:
        """Return what a wall is called on a small plan: ``rear``, or ``rear F2`` where there are several."""
        said = self._plain_wall(ring_key, face)
        return said.replace(" on the plan)", "").replace("(", "").replace(" wall", "").replace("wall ", "")

    def _plain_wall(self, ring_key: str, face: str) -> str:
        """Return a wall's name without its face, unless another wall has that name too."""
        word = self.wall(ring_key, face).split(" (")[0]
        alike = sum(self.wall(ring_key, own.face).split(" (")[0] == word for own in self.walls[ring_key])
        return f"{word} ({face} on the plan)" if alike > 1 else word

    @staticmethod
    def _hand(wall: Wall, side: str) -> str:
        """Return the end of a wall chainage begins at, for who faces the wall from a side of it."""
        along = math.radians(wall.bearing_deg)
        east, north = math.sin(along), math.cos(along)
        # Facing the wall from outside one looks against its normal; right is a quarter clockwise of that.
        to_right = east * -wall.normal_n + north * wall.normal_e > 0
        begins_left = to_right if side != "inside" else not to_right
        return "left-hand" if begins_left else "right-hand"

    def plainly(self, ring_key: str, side: str, start: float, end: float) -> str:
        """Return a length of wall for a householder, from the end of the wall they can find.

        Distances are along the outer face.
        """
        said = []
        for face, a, b in self.pieces(ring_key, start, end):
            wall = self._wall(ring_key, face)
            whole = a < NEAR_END_M and b > wall.length_m - NEAR_END_M
            named, hand = self._plain_wall(ring_key, face), self._hand(wall, side)
            said.append(
                f"all of the {named}" if whole else f"the {named}, {a:.1f} to {b:.1f} m from its {hand} end"
            )
        return f"{self._whose(ring_key)}{listed(said)}"


def tenth(value_m: float) -> str:
    """Return metres to a tenth; what rounds to nothing bears no sign."""
    return f"{round(value_m, 1) + 0.0:.1f}"


def wet_places(found: Findings) -> list[WetPlace]:
    """Draw stretches together where they overlap on one side of a wall; values of methods are not pooled."""
    places = []
    stretches = found.stretches
    lengths = found.perimeter.rings["length_m"]
    for (ring_key, side), own in stretches.groupby(["ring_key", "side"], sort=True):
        length = float(lengths[ring_key])
        spans = [
            (float(row.chainage_from_m), float(row.chainage_from_m) + float(row.length_m), str(row.Index))
            for row in own.itertuples()
        ]
        places += [
            WetPlace(ring_key=str(ring_key), side=str(side), from_m=a, to_m=b, stretch_ids=ids)
            for a, b, ids in joined(spans, length)
        ]
    return sorted(places, key=lambda place: (place.ring_key, place.side != "inside", place.from_m))


def joined(
    spans: Sequence[tuple[float, float, str]], length: float
) -> Iterable[tuple[float, float, tuple[str, ...]]]:
    """Join spans that overlap, through the origin corner too."""
    found: list[tuple[float, float, tuple[str, ...]]] = []
    for start, end, name in sorted(spans):
        if found and start <= found[-1][1] + SAME_M:
            a, b, names = found[-1]
            found[-1] = (a, max(b, end), (*names, name))
        else:
            found.append((start, end, (name,)))
    while len(found) > 1 and found[-1][1] - length >= found[0][0] - SAME_M:
        a, b, names = found.pop()
        first = found.pop(0)
        found.append((a, max(b, first[1] + length), (*names, *first[2])))
    return [(a, min(b, a + length), names) for a, b, names in found]


def stretch_span(places: Places, row: pd.Series) -> str:
    """Return where a stretch lies, for a surveyor."""
    start = float(row["chainage_from_m"])
    return places.span(str(row["ring_key"]), start, start + float(row["length_m"]))
