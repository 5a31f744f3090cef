"""Truth rows that every site has, from its surface, its damp proof course and its readings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from scenarios.hand import Hand
from scenarios.meters import BY_HEIGHT, Meter
from scenarios.plan import Frame, Point, Ring
from scenarios.record import Cluster, SiteFolder

Height = Callable[[float, float], float]
FULL_BORE_100 = 7.854  # litres in a metre of 100 mm pipe running full: pi/4 x 0.1² x 1000
BESIDE = 0.001  # so far off the wall that a place is surely outside
RISER_150 = 22.5  # litres in a metre of a square riser of 150 mm: 0.15² x 1000


def fall_percent(ring: Ring, chainage: float, surface: Height, reach: float = 2.0) -> float:
    """Return the fall square to the wall over ``reach``; positive towards the wall."""
    near, far = ring.at(chainage, BESIDE), ring.at(chainage, reach)
    return (surface(*far) - surface(*near)) / (reach - BESIDE) * 100


def axes(frame: Frame) -> dict[str, float]:
    """Return the house's axes in the grid."""
    return {
        "origin_easting_m": frame.easting_m,
        "origin_northing_m": frame.northing_m,
        "u_bearing_deg": frame.u_bearing_deg,
        "v_bearing_deg": frame.front_bearing_deg,
    }


def plane_row(
    patch: str, surface: Height, places: Sequence[Point], a: float, b: float, c: float
) -> dict[str, Any]:
    """Return a plane of ground, z = a + b u + c v, refusing one that is not the surface at its places."""
    for u, v in places:
        if abs(a + b * u + c * v - surface(u, v)) > 1e-6:
            raise ValueError(f"{patch}: not its plane at {u}, {v}")
    return {"patch_id": patch, "a_m": a, "per_u": b, "per_v": c}


def group_rows(*groups: tuple[Meter, int]) -> list[dict[str, Any]]:
    """Return each group with its controls: five or more give an excess, fewer only ranks."""
    return [
        meter.names | {"controls": controls, "basis": "excess" if controls >= 5 else "ranks"}
        for meter, controls in groups
    ]


@dataclass
class FallRow:
    """A length of wall with one plane of ground before it."""

    ring: Ring
    start: float
    end: float
    levels: list[str]
    raster: list[str]
    why: str

    def truth(self, surface: Height) -> dict[str, Any]:
        """Return the row, refusing ground that is no plane."""
        middle = (self.start + self.end) / 2
        falls = [
            fall_percent(self.ring, at, surface, reach)
            for at in (self.start, middle, self.end)
            for reach in (1.0, 4.0)
        ]
        if max(falls) - min(falls) > 0.05:
            raise ValueError(f"{self.ring.key} {self.start}-{self.end}: falls {falls}")
        return {
            "building_id": self.ring.building_id,
            "ring": self.ring.ring,
            "face": f"F{self.ring.face(middle) + 1}",
            "chainage_from_m": self.start,
            "chainage_to_m": self.end,
            "fall_percent": sum(falls) / len(falls),
            "levels_say": self.levels,
            "raster_says": self.raster,
            "why": self.why,
        }


def clearance_row(
    ring: Ring, start: float, end: float, *, dpc: float, surface: Height, word: str
) -> dict[str, Any]:
    """Return the true clearance at both ends of a length, refusing one too near 150 mm for its word."""
    ends = [(dpc - surface(*ring.at(at, BESIDE))) * 1000 for at in (start, end)]
    sure = {"clear": min(ends) > 180, "short": max(ends) < 120}
    if word in sure and not sure[word]:
        raise ValueError(f"{ring.key} {start}-{end}: {ends}")
    return {
        "building_id": ring.building_id,
        "ring": ring.ring,
        "chainage_from_m": start,
        "chainage_to_m": end,
        "at_from_mm": ends[0],
        "at_to_mm": ends[1],
        "says": [word] if word else ["clear", "short", "not known"],
    }


def face_rows(frame: Frame, ring: Ring) -> list[dict[str, Any]]:
    """Return the faces of a ring."""
    count = len(ring.corners)
    return [
        {
            "building_id": ring.building_id,
            "ring": ring.ring,
            "face": f"F{i + 1}",
            "corners": ring.name(i) + ring.name(i + 1),
            "chainage_from_m": ring.starts[i],
            "chainage_to_m": ring.starts[i + 1],
            "bearing_deg": frame.bearing(ring.corners[i], ring.corners[(i + 1) % count]),
            "exposure": "party" if i in ring.party else "free",
        }
        for i in range(count)
    ]


@dataclass
class Wet:
    """A length of wall that is truly wet, and why."""

    name: str
    ring: Ring
    start: float
    end: float
    cause: str
    groups: Sequence[Meter]
    side: str
    by_outlet: str = ""

    def holds(self, ring: Ring, chainage: float, side: str, meter: Meter) -> bool:
        """Return whether a reading falls in it."""
        here = ring.key == self.ring.key and self.start <= chainage <= self.end
        return here and side == self.side and meter in self.groups

    def truth(self) -> dict[str, Any]:
        """Return the row."""
        return {
            "id": self.name,
            "building_id": self.ring.building_id,
            "ring": self.ring.ring,
            "side": self.side,
            "chainage_from_m": self.start,
            "chainage_to_m": self.end,
            "cause": self.cause,
            "by_outlet": self.by_outlet,
            "groups": [meter.names for meter in self.groups],
        }


def wet_word(share: float) -> str:
    """Return the word for a share of the wet signal: far enough from dry, or not."""
    return "wet" if share > 0.7 else "dry" if share < 0.05 else "between"


@dataclass
class Sweep:
    """Readings being taken, their true places and what they should come out as."""

    site: SiteFolder
    hand: Hand
    wets: Sequence[Wet]
    day: str
    rows: list[dict[str, Any]] = field(default_factory=list)
    places: dict[str, list[tuple[Ring, float, bool]]] = field(default_factory=dict)
    count: int = 0

    def share(self, ring: Ring, chainage: float, side: str, meter: Meter) -> float:
        """Return 1 in the middle of a wet length, a little less near its ends, 0 elsewhere."""
        for wet in self.wets:
            if wet.holds(ring, chainage, side, meter):
                return 1.1 if min(chainage - wet.start, wet.end - chainage) > 0.4 else 0.9
        return 0.0

    def take(
        self,
        meter: Meter,
        ring: Ring,
        chainage: float,
        *,
        how: str,
        side: str = "outside",
        heights: Sequence[float] = (0.3,),
        far_end: bool = False,
        tapes: str = "",
        **more: Any,
    ) -> None:
        """Read one place at one height or more."""
        inside = side == "inside"
        place = ring.within(chainage) if inside else ring.at(chainage)
        share = self.share(ring, chainage, side, meter)
        where = self._where(ring, chainage, place, how=how, inside=inside, far_end=far_end, tapes=tapes)
        for height in heights:
            self.count += 1
            name = f"r{self.count:03d}"
            value = meter.shows(self.hand, share * BY_HEIGHT[height])
            self.site.add(
                "reading",
                id=name,
                value=value,
                height_m=height,
                taken_at=self.day,
                **({"side": side} | where | meter.names | more),
            )
            e, n = self.site.frame.grid(place)
            self.rows.append(
                {
                    "id": name,
                    "status": "joined",
                    "ring": ring.key,
                    "side": side,
                    "chainage_m": chainage,
                    "e": e,
                    "n": n,
                    "is": wet_word(share * BY_HEIGHT[height]),
                }
            )
        self.places.setdefault(meter.group, []).append((ring, chainage, share > 0))

    def control(
        self, meter: Meter, ring: Ring, chainage: float, *, set_id: str, side: str = "inside", **where: Any
    ) -> None:
        """Read one dry reference, high up, where nothing can wet the wall."""
        self.count += 1
        inside = side == "inside"
        place = ring.within(chainage) if inside else ring.at(chainage)
        taken = self.hand.by_face(ring, chainage, inside=inside)
        self.site.add(
            "reading",
            id=f"r{self.count:03d}",
            value=meter.shows(self.hand, 0.0),
            height_m=1.5,
            control="yes",
            control_set_id=set_id,
            taken_at=self.day,
            **({"side": side} | taken | meter.names | where),
        )
        e, n = self.site.frame.grid(place)
        self.rows.append(
            {
                "id": f"r{self.count:03d}",
                "status": "joined",
                "ring": ring.key,
                "side": side,
                "chainage_m": chainage,
                "e": e,
                "n": n,
                "is": "dry",
            }
        )

    def stray(
        self, meter: Meter, place: Point, *, sigma: float, status: str, why: str, ring: Ring | None = None
    ) -> None:
        """Read a place that cannot be joined to one wall, or to any."""
        self.count += 1
        self.site.add(
            "reading",
            id=f"r{self.count:03d}",
            value=meter.shows(self.hand, 0.0),
            height_m=0.3,
            taken_at=self.day,
            **(self.hand.by_coordinates(place, sigma, ring) | meter.names),
        )
        e, n = self.site.frame.grid(place)
        self.rows.append({"id": f"r{self.count:03d}", "status": status, "why": why, "e": e, "n": n})

    def _where(
        self, ring: Ring, chainage: float, place: Point, *, how: str, inside: bool, far_end: bool, tapes: str
    ) -> dict[str, Any]:
        if how == "chainage":
            return self.hand.by_chainage(ring, chainage)
        if how == "face":
            return self.hand.by_face(ring, chainage, inside=inside, far_end=far_end)
        if how == "tapes":
            return self.hand.by_tapes(ring, place, tapes)
        if how == "bearing":
            i = ring.face(chainage)
            return self.hand.by_bearing(ring, place, ring.name(i + 1 if far_end else i))
        return self.hand.by_coordinates(place, 0.04, ring)

    def truth(self, main: Meter, cluster: Cluster, *, says: str, because: str) -> dict[str, Any]:
        """Return the truths of readings and clustering, ready for the site's truth."""
        count = {
            word: sum(row["status"] == word for row in self.rows)
            for word in ("joined", "ambiguous", "unjoined")
        }
        return {
            "readings": (
                (
                    "Taken = joined + ambiguous + unjoined, by design. Chainages below are true ones: the\n"
                    "tool's own follow the taped faces, and may differ by the tolerance."
                ),
                {"taken": len(self.rows)} | count | {"chainage_tolerance_m": 0.10},
            ),
            "cluster": (
                "What may be said of the outlets from the main group of readings.",
                main.names | {"says": says, "because": because},
            ),
            "cluster_counts": (
                (
                    "Counts by the true walk outside; no place lies within a tape's error of a radius.\n"
                    "p_exact: chance of as many wet places near outlets, were the wet ones drawn by luck."
                ),
                cluster.counts(self.places[main.group]),
            ),
            "reading": (
                "Every reading: where it truly is, and whether it is truly wet, dry or between.",
                self.rows,
            ),
        }


def causes_table(rows: Sequence[tuple[str, str, str, str]]) -> tuple[str, list[dict[str, Any]]]:
    """Return what truly feeds, passes or feigns the water of each wet length."""
    return (
        "What truly feeds, passes or feigns the water of each wet length; of_id blank where any will do.",
        [{"wet": wet, "cause": cause, "of_id": of_id, "why": why} for wet, cause, of_id, why in rows],
    )


def not_causes_table(rows: Sequence[tuple[str, str, str]]) -> tuple[str, list[dict[str, Any]]]:
    """Return what has nothing to do with a wet length, and must not come out above possible."""
    return (
        "What has nothing to do with a wet length, and must not come out above possible.",
        [{"wet": wet, "cause": cause, "of_id": of_id} for wet, cause, of_id in rows],
    )
