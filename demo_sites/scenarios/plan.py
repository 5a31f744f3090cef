"""Where things truly are: a house's own axes, its rings of wall, and distances along them.

``u`` runs along the front from left to right as seen from the street, ``v`` from the front towards
the back; both in metres from the front-left corner. Plain trigonometry, nothing of the tool's own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

Point = tuple[float, float]


@dataclass(frozen=True)
class Frame:
    """The house's axes in the site's grid."""

    easting_m: float
    northing_m: float
    u_bearing_deg: float

    @property
    def front_bearing_deg(self) -> float:
        """Direction one looks from the street at the front: the ``v`` axis."""
        return (self.u_bearing_deg - 90.0) % 360.0

    def grid(self, place: Point) -> Point:
        """Return easting and northing of a place."""
        t = math.radians(self.u_bearing_deg)
        u, v = place
        return (
            self.easting_m + u * math.sin(t) - v * math.cos(t),
            self.northing_m + u * math.cos(t) + v * math.sin(t),
        )

    def bearing(self, start: Point, end: Point) -> float:
        """Return the grid bearing from one place to another."""
        e0, n0 = self.grid(start)
        e1, n1 = self.grid(end)
        return math.degrees(math.atan2(e1 - e0, n1 - n0)) % 360.0


@dataclass(frozen=True)
class Ring:
    """One ring of wall, its corners clockwise seen from above from the origin corner.

    A point where a party wall begins along a straight wall is a corner too.
    """

    building_id: str
    corners: tuple[Point, ...]
    ring: str = ""
    party: frozenset[int] = frozenset()
    thickness: tuple[float, ...] = ()
    starts: tuple[float, ...] = field(init=False)

    def __post_init__(self) -> None:
        """Lay out the chainages."""
        ends = [*self.corners, self.corners[0]]
        starts = [0.0]
        for a, b in pairwise(ends):
            starts.append(starts[-1] + math.dist(a, b))
        object.__setattr__(self, "starts", tuple(starts))
        turned = sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(ends))
        if turned >= 0:
            raise ValueError(f"{self.building_id} {self.ring}: corners must go clockwise")

    @property
    def key(self) -> str:
        """Name of the ring."""
        return f"{self.building_id}/{self.ring}" if self.ring else self.building_id

    @property
    def length(self) -> float:
        """Length all round."""
        return self.starts[-1]

    def name(self, corner: int) -> str:
        """Return the letter of a corner."""
        return chr(ord("A") + corner % len(self.corners))

    def corner(self, letter: str) -> Point:
        """Return the place of a corner."""
        return self.corners[ord(letter) - ord("A")]

    def face(self, chainage: float) -> int:
        """Return which face a chainage is on, from 0."""
        at = chainage % self.length
        return max(i for i, start in enumerate(self.starts[:-1]) if start <= at)

    def way(self, i: int) -> Point:
        """Return the unit direction of travel along a face."""
        (u0, v0), (u1, v1) = self.corners[i], self.corners[(i + 1) % len(self.corners)]
        run = math.hypot(u1 - u0, v1 - v0)
        return (u1 - u0) / run, (v1 - v0) / run

    def normal(self, i: int) -> Point:
        """Return the unit normal into the open air: left of travel, right in a courtyard."""
        du, dv = self.way(i)
        return (dv, -du) if self.ring else (-dv, du)

    def at(self, chainage: float, offset: float = 0.0) -> Point:
        """Return the place at a chainage, so far out from the outer face."""
        at = chainage % self.length
        i = self.face(at)
        (u, v), (du, dv), (nu, nv) = self.corners[i], self.way(i), self.normal(i)
        run = at - self.starts[i]
        return u + run * du + offset * nu, v + run * dv + offset * nv

    def within(self, chainage: float) -> Point:
        """Return the place on the inside face opposite a chainage."""
        return self.at(chainage, -self.thickness[self.face(chainage)])

    def inner_corner(self, k: int) -> Point:
        """Return where the inside faces on both sides of a corner meet."""
        n = len(self.corners)
        before, after = (k - 1) % n, k % n
        (bu, bv), (au, av) = self.normal(before), self.normal(after)
        pu, pv = self.corners[after]
        b0 = bu * pu + bv * pv - self.thickness[before]
        a0 = au * pu + av * pv - self.thickness[after]
        det = bu * av - bv * au
        if abs(det) < 1e-9:
            return pu - self.thickness[after] * au, pv - self.thickness[after] * av
        return (b0 * av - a0 * bv) / det, (bu * a0 - au * b0) / det

    def walk(self, a: float, b: float) -> float:
        """Return the shortest walk outside between two chainages, endless past a party wall."""
        there, back = sorted((a % self.length, b % self.length))
        ways = ((there, back), (back, there + self.length))
        return min((self._open(p, q) for p, q in ways), default=math.inf)

    def _open(self, start: float, end: float) -> float:
        for i in self.party:
            for lap in (0.0, self.length):
                if self.starts[i] + lap < end - 1e-9 and self.starts[i + 1] + lap > start + 1e-9:
                    return math.inf
        return end - start

    def free_length(self) -> float:
        """Return the length of wall that has an outside."""
        return self.length - sum(self.starts[i + 1] - self.starts[i] for i in self.party)
