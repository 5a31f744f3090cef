"""What is known of a wall at one chainage, gathered for its cross-section."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from geo.crossings import cross
from geo.drains.cavity import WallWater
from geo.errors import GeometryError
from geo.findings.drains import DrainAnswer, Drains

CAVITY_M = 0.075
"""Usual width of a cavity, drawn dashed where nobody measured it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cut:
    """The wall at one chainage: levels in m, what each rests on, and the water there.

    Parameters
    ----------
    row
        The station's levels (:func:`geo.crossings.wall_section`).
    thick, cavity
        Widths, m; ``cavity_seen`` where the cavity's was measured.
    known
        By part (outer_dpc, inner_dpc, cavity, floor, finish), whether it was seen.
    water
        Spills that wet the wall here.
    """

    ring_key: str
    chainage: float
    face: str
    row: pd.Series
    thick: float
    cavity: float
    cavity_seen: bool
    known: dict[str, bool]
    water: tuple[WallWater, ...]
    floor_kind: str
    floor: float
    openings: pd.DataFrame
    ways: pd.DataFrame

    @property
    def solid(self) -> bool:
        """Whether the wall has no cavity."""
        return bool(self.row["solid"])


def wet_place(answer: DrainAnswer) -> tuple[str, float] | None:
    """Return the ring and chainage to cut: where most gets past, else the wetted wall's middle."""
    known = answer.crossings[answer.crossings["word"] != "no"]
    yes = known[known["word"] == "yes"]
    for table in (yes, known):
        table = table[table["margin_mm"].notna()]  # noqa: PLW2901
        if len(table):
            row = table.loc[table["margin_mm"].astype(float).idxmax()]
            return str(row["ring_key"]), float(row["chainage_from_m"]) + float(row["length_m"]) / 2.0
    for water in answer.water:
        if math.isfinite(water.chainage_from_m):
            return water.ring_key, (water.chainage_from_m + water.chainage_to_m) / 2.0
    return None


def cut_wall(drains: Drains, ring_key: str, chainage_m: float, *, answer: DrainAnswer | None = None) -> Cut:
    """Gather what is known of the wall at one chainage.

    Raises
    ------
    GeometryError
        When the ring is not a surveyed one.
    """
    if ring_key not in drains.sections:
        rings = ", ".join(drains.sections) or "none"
        raise GeometryError(f"no surveyed wall {ring_key!r}; there are: {rings}")
    length = drains.ring_lengths[ring_key]
    at = float(chainage_m) % length
    section = drains.sections[ring_key]
    start, end = (section[f"chainage_{side}_m"].to_numpy(float) for side in ("from", "to"))
    here = ((start <= at) & (at < end)).argmax()
    row = section.iloc[int(here)]
    faces = drains.perimeter.faces.iloc[int(drains.perimeter.face_at(ring_key, [at])[0])]
    cavity = _over(drains.cavities, ring_key, at)
    wide = float(cavity["width_mm"].iloc[0]) / 1000.0 if len(cavity) else math.nan
    floor = _over(drains.floors, ring_key, at)
    finish = _over(drains.finishes, ring_key, at)
    finish = finish[finish["side"] == "inside"]
    known = {
        "outer_dpc": _dpc_seen(drains.dpc, ring_key, ("outer", "solid"), at),
        "inner_dpc": _dpc_seen(drains.dpc, ring_key, ("inner", "solid"), at),
        "cavity": bool(len(cavity)) and cavity["evidence"].iloc[0] == "seen",
        "floor": bool(len(floor)) and floor["evidence"].iloc[0] == "seen",
        "finish": bool(len(finish)) and finish["evidence"].iloc[0] == "seen",
    }
    building = str(drains.perimeter.rings.loc[ring_key, "building_id"])
    level = drains.site.table("building")["floor_level_m"].get(building, math.nan)
    water = tuple(
        each
        for each in (answer.water if answer is not None else ())
        if each.ring_key == ring_key and _wets(each, at, length)
    )
    return Cut(
        ring_key=ring_key,
        chainage=at,
        face=str(faces["face"]),
        row=row,
        thick=float(faces["thickness_m"]),
        cavity=0.0 if bool(row["solid"]) else wide if math.isfinite(wide) else CAVITY_M,
        cavity_seen=math.isfinite(wide),
        known=known,
        water=water,
        floor_kind=str(floor["floor_kind"].iloc[0]).replace("_", " ") if len(floor) else "",
        floor=float(row["slab"]) if math.isfinite(float(row["slab"])) else float(level),
        openings=_over(drains.openings, ring_key, at),
        ways=_ways(drains, section, int(here), answer, ring_key, at),
    )


def _over(table: pd.DataFrame, ring_key: str, at: float) -> pd.DataFrame:
    """Return the rows of a ring that lie over a chainage; from beyond to passes the origin corner."""
    own = table[table["ring_key"] == ring_key]
    a, b = own["chainage_from_m"].to_numpy(float), own["chainage_to_m"].to_numpy(float)
    plain = (a <= at) & (at <= b)
    return own[plain | ((a > b) & ((at >= a) | (at <= b)))]


def _dpc_seen(points: pd.DataFrame, ring_key: str, leaves: Sequence[str], at: float) -> bool:
    own = points[(points["ring_key"] == ring_key) & points["leaf"].isin(leaves)].sort_values("chainage_m")
    if own.empty:
        return False
    before = own[own["chainage_m"] <= at]
    return bool((before.iloc[-1] if len(before) else own.iloc[-1])["evidence"] == "seen")


def _wets(water: WallWater, at: float, length: float) -> bool:
    spans = [(water.chainage_from_m, water.chainage_to_m)]
    spans += [(tank.wet_from_m, tank.wet_to_m) for tank in water.tanks]
    return any(a - 1e-9 <= at + turn <= b + 1e-9 for a, b in spans for turn in (-length, 0.0, length))


def _ways(
    drains: Drains, section: pd.DataFrame, here: int, answer: DrainAnswer | None, ring_key: str, at: float
) -> pd.DataFrame:
    """Return the ways past the barrier here: those of the answer, the rest of the fabric alone."""
    alone = cross(section.iloc[[here]], None, ref=drains.ref).stations
    if bool(section["solid"].iloc[here]):
        alone = alone[~alone["way"].isin(("K2", "K3"))]
    if answer is None:
        return alone
    own = _over(answer.crossings, ring_key, at)
    own = own.assign(rank=own["word"].map({"yes": 0, "not known": 1, "no": 2})).sort_values("rank")
    own = own.drop_duplicates("way")
    rest = alone[~alone["way"].isin(own["way"])] if len(own) else alone
    both = [table for table in (own, rest) if len(table)]
    return pd.concat(both, ignore_index=True).sort_values("way", kind="stable")
