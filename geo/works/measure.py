"""What repairs are measured on: lengths of wall and their inside faces, openings, floors, heights of damp."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.drains.setting_out import SettingOut
from geo.findings.drains import Drains
from geo.findings.examine import Findings
from geo.findings.places import fill_building, ring_keys
from geo.moisture.wetness import WET
from geo.perimeter.path import outside_distance
from geo.reference import Reference
from geo.site.model import Site
from geo.works.kinds import NAN, Asked

Numbers = NDArray[np.float64]
AT_CORNER_M = 0.02
TURNS = 0.1
"""Sine of a turn that makes a corner; less is two faces in line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Damp:
    """How high the damp of a length reaches, m above the floor.

    Parameters
    ----------
    low_m, high_m
        The highest sign of damp or salts, and the next dry height above it; infinite where the highest
        height read is still wet, NaN where nothing was read.
    of_ids
        Readings and samples it was seen at.
    """

    low_m: float
    high_m: float
    of_ids: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class House:
    """A site as repairs are measured on it.

    Parameters
    ----------
    drains
        The drains laid out, or ``None`` where they cannot be.
    setting
        The setting-out, with the depths of the runs, or ``None``.
    """

    found: Findings
    drains: Drains | None
    setting: SettingOut | None

    @property
    def site(self) -> Site:
        """The site's records."""
        return self.found.site

    @property
    def ref(self) -> Reference:
        """The numbers in force."""
        return self.found.site.reference

    @cached_property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Record tables with the ring each row belongs to, by kind, laid out once."""
        kinds = ("opening", "cavity", "finish_zone", "gutter", "dpc_point", "wall_feature", "sign")
        return {kind: _keyed(self.site.table(kind), self.site) for kind in kinds}

    @cached_property
    def zones(self) -> gpd.GeoDataFrame:
        """Floors as drawn, with the building each belongs to."""
        table = gpd.GeoDataFrame(self.site.table("floor_zone"), crs=self.site.crs)
        return table.assign(building_id=fill_building(table["building_id"], self.site))

    @cached_property
    def _lengths(self) -> dict[str, float]:
        rings = self.found.perimeter.rings
        return {str(key): float(length) for key, length in rings["length_m"].items()}

    @cached_property
    def clearances(self) -> pd.DataFrame:
        """Stations with ``low``, whether the damp proof course surely or possibly stands too low there."""
        stations = self.found.stations[["station_id", "ring_key", "chainage_from_m", "chainage_to_m"]]
        words = self.found.ground.clearance.set_index("station_id")["verdict"]
        low = words.isin(("short", "not known")).loc[stations["station_id"]].to_numpy()
        return pd.DataFrame(stations).assign(low=low)

    @cached_property
    def _outlets(self) -> dict[tuple[str, float, float], str]:
        """The nearest outlet, by the lengths that were asked for already."""
        return {}

    def nearest_outlet(self, ring_key: str, from_m: float, to_m: float) -> str:
        """Return the nearest gully that takes water, along the outside from the middle of a length."""
        key = ring_key, from_m, to_m
        if key not in self._outlets:
            self._outlets[key] = self._nearest_outlet(*key)
        return self._outlets[key]

    def _nearest_outlet(self, ring_key: str, from_m: float, to_m: float) -> str:
        if self.drains is None:
            return ""
        assets = self.found.assets
        takes = assets[assets.index.isin(self.drains.takes) & (assets["ring_key"] == ring_key)]
        if takes.empty:
            return ""
        length = self.ring_length(ring_key)
        middle = (from_m + ((to_m - from_m) % length) / 2.0) % length
        far = outside_distance(
            self.found.perimeter, [ring_key], [middle], takes["ring_key"], takes["chainage_m"]
        )[0]
        return str(takes.index[int(np.argmin(far))]) if np.isfinite(far).any() else ""

    def ring_length(self, ring_key: str) -> float:
        """Return the length of a ring, m."""
        return self._lengths[ring_key]

    def pieces(self, asked: Asked) -> pd.DataFrame:
        """Cut a length of wall at its corners.

        Returns
        -------
        One row a piece in order: face, from_m, to_m, length_m, inside_m (along the inner face: shorter at a
        corner of the building, longer where it turns inward), outside, and corner, what it meets the piece
        before it at: ``inner`` (a corner of the room), ``outer`` (one that points into the room) or ``""``.
        """
        if not asked.on_wall or asked.ring_key not in self.found.perimeter.rings.index:
            return pd.DataFrame(
                columns=["face", "from_m", "to_m", "length_m", "inside_m", "outside", "corner"]
            )
        return self._cut(asked.ring_key, asked.from_m, asked.to_m)

    def _cut(self, ring_key: str, from_m: float, to_m: float) -> pd.DataFrame:
        perimeter, length = self.found.perimeter, self.ring_length(ring_key)
        end = to_m if to_m > from_m else to_m + length
        own = np.flatnonzero((perimeter.faces["ring_key"] == ring_key).to_numpy())
        rows: list[dict[str, Any]] = []
        before, after = perimeter.neighbours
        for turn in (0.0, length):
            for i in map(int, own):
                face = perimeter.faces.iloc[i]
                start, stop = float(face["chainage_from_m"]) + turn, float(face["chainage_to_m"]) + turn
                low, high = max(start, from_m), min(stop, end)
                if high - low <= AT_CORNER_M / 2:
                    continue
                at_start, at_stop = low - start <= AT_CORNER_M, stop - high <= AT_CORNER_M
                inside = high - low
                inside -= self._shift(i, int(before[i]), first=True) if at_start else 0.0
                inside -= self._shift(i, int(after[i]), first=False) if at_stop else 0.0
                sine = self._sine(int(before[i]), i)
                corner = "inner" if sine > TURNS else "outer" if sine < -TURNS else ""
                rows.append(
                    {
                        "face": str(face["face"]), "from_m": low, "to_m": high, "length_m": high - low,
                        "inside_m": max(inside, 0.0), "outside": bool(face["outside"]),
                        "corner": corner if rows and at_start else "",
                    }
                )  # fmt: skip
        return pd.DataFrame(rows)

    def _sine(self, first: int, then: int) -> float:
        """Return the sine of the turn from one face to the next: positive at a corner of the building."""
        _, unit, normal = self.found.perimeter.frames
        return -float(unit[then] @ normal[first])

    def _shift(self, face: int, other: int, *, first: bool) -> float:
        """Return by how much the inner face is shorter than the outer at a corner with another face."""
        _, unit, _ = self.found.perimeter.frames
        sine = self._sine(other, face) if first else self._sine(face, other)
        if abs(sine) < TURNS:
            return 0.0
        thick = self.found.perimeter.faces["thickness_m"].to_numpy(float)
        own, next_one = (float(np.nan_to_num(thick[i])) for i in (face, other))
        return (next_one - own * float(unit[face] @ unit[other])) / sine

    def openings(self, asked: Asked, kinds: tuple[str, ...] = ("door", "window")) -> pd.DataFrame:
        """Return openings within a length: opening_kind, width_m, sill_m and head_m above the floor.

        A door is taken to reach the floor where its threshold is not levelled; a head not levelled is taken
        to stand above any strip.
        """
        table = self.tables["opening"]
        own = table[(table["ring_key"] == asked.ring_key) & table["opening_kind"].isin(kinds)]
        width = self.overlap(own, asked)
        own, width = own[width > 0], width[width > 0]
        middle = (own["chainage_from_m"] + own["chainage_to_m"]).to_numpy() / 2
        floor = np.array([self.floor_level(asked.ring_key, at) for at in middle], dtype=np.float64)
        sill = own["sill_level_m"].to_numpy(float) - floor
        head = own["head_level_m"].to_numpy(float) - floor
        sill = np.where(np.isnan(sill) & (own["opening_kind"] == "door").to_numpy(), 0.0, sill)
        return pd.DataFrame(
            {
                "opening_kind": own["opening_kind"], "width_m": width, "sill_m": sill,
                "head_m": np.where(np.isnan(head), np.inf, head),
            },
            index=own.index,
        )  # fmt: skip

    def overlap(self, table: pd.DataFrame, asked: Asked) -> Numbers:
        """Return how much of each length of a table lies in the length asked for, (rows,) m."""
        length = self.ring_length(asked.ring_key)
        start = table["chainage_from_m"].to_numpy(float)
        end = table["chainage_to_m"].to_numpy(float)
        end = np.where(end > start, end, end + length)
        low, high = asked.from_m, asked.to_m if asked.to_m > asked.from_m else asked.to_m + length
        turns = np.array([-length, 0.0, length])[:, None]
        shared = np.minimum(end + turns, high) - np.maximum(start + turns, low)
        return np.asarray(np.maximum(shared, 0.0).sum(axis=0), dtype=np.float64)

    def floor_level(self, ring_key: str, chainage_m: float) -> float:
        """Return the level of the floor inside a place on the wall, m; NaN where it is not known."""
        row = self.floor_at(ring_key, chainage_m)
        if row is not None and math.isfinite(row["top_level_m"]):
            return float(row["top_level_m"])
        building = str(self.found.perimeter.rings.loc[ring_key, "building_id"])
        table = self.site.table("building")
        return float(table.loc[building, "floor_level_m"]) if building in table.index else NAN

    def floor_at(self, ring_key: str, chainage_m: float) -> Any:
        """Return the floor inside a place on the wall as it was recorded, or ``None``."""
        if self.drains is None:
            return None
        floors = self.drains.floors
        own = floors[floors["ring_key"] == ring_key]
        at = math.fmod(chainage_m, self.ring_length(ring_key))
        on = own[(own["chainage_from_m"] <= at) & (own["chainage_to_m"] >= at)]
        return None if on.empty else on.iloc[0]

    def floors_along(self, asked: Asked) -> pd.DataFrame:
        """Return the floors inside a length of wall, with the metres of each: along_m."""
        if self.drains is None or not asked.on_wall:
            return pd.DataFrame(columns=["floor_id", "floor_kind", "thickness_mm", "along_m", "evidence"])
        floors = self.drains.floors
        own = floors[floors["ring_key"] == asked.ring_key]
        own = own.assign(along_m=self.overlap(own, asked))
        return own[own["along_m"] > AT_CORNER_M]

    def partitions(self, floor_ids: tuple[str, ...]) -> list[tuple[str, str, float]]:
        """Return where two floors lie so close that a partition may stand between, with its length, m."""
        zones, gap = self.zones, self.ref.value("works.partition_gap_m")
        shapes = zones.geometry
        found = []
        for i, first in enumerate(zones.index):
            for then in zones.index[i + 1 :]:
                if first not in floor_ids and then not in floor_ids:
                    continue
                a, b = shapes[first], shapes[then]
                if a is None or b is None or shapely.distance(a, b) > gap:
                    continue
                beside = min(_beside(a, b, gap), _beside(b, a, gap))
                if beside > gap:
                    found.append((str(first), str(then), beside))
        return found

    def room_height(self, asked: Asked) -> float:
        """Return the height of wall finish inside a length, m above the floor; NaN where none is recorded."""
        table = self.tables["finish_zone"]
        own = table[(table["ring_key"] == asked.ring_key) & (table["side"] == "inside")]
        tall = own["height_to_m"][self.overlap(own, asked) > 0].dropna() if len(own) else own["height_to_m"]
        return float(tall.max()) if len(tall) else NAN

    def services_near(self, asked: Asked, reach_m: float) -> tuple[str, ...] | None:
        """Return the services drawn near a length of wall; ``None`` where none is drawn at all."""
        services = gpd.GeoDataFrame(self.site.table("service"), crs=self.site.crs)
        drawn = services[~(services.geometry.isna() | services.geometry.is_empty)]
        if drawn.empty or not asked.on_wall:
            return None
        wall = self.found.perimeter.line(asked.ring_key, asked.from_m, asked.to_m)
        near = shapely.distance(drawn.geometry.to_numpy(), wall) <= reach_m
        return tuple(str(name) for name in drawn.index[near])

    @cached_property
    def _read_inside(self) -> pd.DataFrame:
        """Readings of a known height inside, with the wall they belong to."""
        readings = self.found.readings[["status", "ring_key", "side", "height_m", "chainage_m", "wet"]]
        joined = (readings["status"] == "joined") & (readings["side"] == "inside")
        return readings[joined & readings["height_m"].notna()]

    @cached_property
    def _marked_inside(self) -> pd.DataFrame:
        """Tide marks and salts of a known height inside."""
        signs = self.tables["sign"]
        marks = (signs["side"] == "inside") & signs["sign"].isin(("tide_mark", "salt_bloom"))
        return signs[marks & signs["height_m"].notna()]

    @cached_property
    def _damp(self) -> dict[tuple[str, float, float], Damp]:
        """How high the damp reaches, by the lengths that were asked for already."""
        return {}

    def damp(self, asked: Asked) -> Damp:
        """Return how high the damp reaches inside a length of wall."""
        key = asked.ring_key, asked.from_m, asked.to_m
        if key not in self._damp:
            self._damp[key] = self._damp_along(asked)
        return self._damp[key]

    def _damp_along(self, asked: Asked) -> Damp:
        readings, signs = self._read_inside, self._marked_inside
        own = readings[(readings["ring_key"] == asked.ring_key).to_numpy()]
        own = own[self.within(own["chainage_m"].to_numpy(float), asked)]
        wet = own[own["wet"] == WET]
        signs = signs[(signs["ring_key"] == asked.ring_key).to_numpy()] if len(signs) else signs
        signs = signs[self.overlap(signs, asked) > 0] if len(signs) else signs
        heights = np.concatenate([wet["height_m"].to_numpy(float), signs["height_m"].to_numpy(float)])
        if not len(heights):
            return Damp(low_m=NAN, high_m=NAN, of_ids=())
        top = float(heights.max())
        above = own[(own["height_m"] > top + 1e-9) & (own["wet"] == "dry")]["height_m"]
        high = float(above.min()) if len(above) else math.inf
        ids = [*wet.index[wet["height_m"] >= top - 1e-9], *signs.index[signs["height_m"] >= top - 1e-9]]
        return Damp(low_m=top, high_m=high, of_ids=tuple(str(name) for name in ids))

    def within(self, chainage_m: Numbers, asked: Asked) -> NDArray[np.bool_]:
        """Tell which places lie in the length asked for."""
        length = self.ring_length(asked.ring_key)
        span = (asked.to_m - asked.from_m) % length or length
        return np.asarray((chainage_m - asked.from_m) % length <= span + 1e-9, dtype=bool)

    def place(self, asked: Asked) -> str:
        """Say where a repair is, as people read it."""
        if asked.on_wall:
            return f"{asked.ring_key}, {asked.from_m:.2f} to {asked.to_m:.2f} m, {self._side(asked)}"
        return " ".join(asked.of_ids)

    def _side(self, asked: Asked) -> str:
        return self.ref.word("side", asked.side)


def _keyed(table: pd.DataFrame, site: Site) -> pd.DataFrame:
    return table.assign(ring_key=ring_keys(table, site))


def _beside(a: Any, b: Any, gap: float) -> float:
    """Return how much of the outline of one shape runs beside the other, without the turns at its ends."""
    near = shapely.intersection(a.boundary, shapely.buffer(b, gap))
    return float(shapely.length(near)) - 2.0 * (gap - float(shapely.distance(a, b)))
