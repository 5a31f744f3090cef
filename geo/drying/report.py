"""The drying of a whole site: every point followed, litres, air, rises, and what may be released."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geo.drying.air import Drive, TentRise, air_states, last_drives, tent_rises
from geo.drying.clock import Sources, clock_of, sources_of
from geo.drying.fits import Profile
from geo.drying.follow import Around, Followed, follow
from geo.drying.machines import Machines, machines_of
from geo.drying.release import (
    Place,
    PointState,
    Release,
    came_back,
    like_for_like,
    places_of,
    release_of,
)
from geo.drying.rises import REBOUND, ROSE, Rise
from geo.drying.saying import CONTENTS
from geo.drying.series import exact, moments, series_of
from geo.drying.water import FELL, LEAK, STOOD, Balance, balance_of
from geo.findings.examine import Findings
from geo.findings.places import ring_keys
from geo.findings.trials import JudgedTrial
from geo.moisture.bases import dry_from_wet
from geo.moisture.censor import ABOVE, BELOW
from geo.reference import Reference
from geo.site.model import Site
from geo.verdict import NOT_KNOWN

__all__ = ["Drying", "Followed", "Profile", "Release", "Rise", "drying_of"]
DAY = np.timedelta64(1, "D")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drying:
    """What can be said of the drying of one site.

    Parameters
    ----------
    points
        Fixed points, the slowest first, dry references last.
    sources
        What proves sources open and stopped.
    machines, logs
        What the machines did.
    balance
        Litres expected, gone and collected.
    air, drives, tent
        Air as read; which way it drives; days on which the tent alone grew wetter.
    releases
        Places and whether they may be handed on.
    pairs, back
        Readings held against those they repeat; where a spot is wetter again.
    told
        What must be said plainly: series cut, readings left out.
    """

    site: Site
    points: tuple[Followed, ...]
    sources: Sources
    machines: Machines
    logs: pd.DataFrame
    balance: Balance
    air: pd.DataFrame
    drives: tuple[Drive, ...]
    tent: tuple[TentRise, ...]
    releases: tuple[Release, ...]
    pairs: pd.DataFrame
    back: tuple[str, ...]
    told: tuple[str, ...] = field(default=())

    @property
    def ref(self) -> Reference:
        """Limits in force."""
        return self.site.reference

    @property
    def recorded(self) -> bool:
        """Whether anything of drying is on record."""
        return bool(self.points) or len(self.logs) > 0 or len(self.pairs) > 0

    @property
    def followed(self) -> tuple[Followed, ...]:
        """Points that have to dry, the slowest first."""
        return tuple(point for point in self.points if not point.is_control)

    @property
    def slowest(self) -> Followed | None:
        """The point everything waits for."""
        return self.followed[0] if self.followed else None

    def point(self, point_id: str) -> Followed:
        """Return one point."""
        return next(one for one in self.points if one.point_id == point_id)


def drying_of(found: Findings, judged: Sequence[JudgedTrial] = ()) -> Drying:
    """Work out the drying of a site.

    Parameters
    ----------
    found
        The site examined.
    judged
        Its tests, judged: a silent one proves a source stopped only where it was big enough.
    """
    site, ref = found.site, found.site.reference
    points, readings, events = (site.table(kind) for kind in ("drying_point", "reading", "event"))
    logs, holds = site.table("drying_log"), site.table("hold_point")
    hold_rings = ring_keys(holds, site)
    lengths = {str(key): float(value) for key, value in found.perimeter.rings["length_m"].items()}
    sources = sources_of(
        site.table("trial"), {one.trial_id: one.verdict.word for one in judged}, holds, hold_rings,
        questioned=_questioned(site), places=found.placed.get("trial"), lengths=lengths,
    )  # fmt: skip
    machines = machines_of(logs)
    air = air_states(site.table("environment"), ref=ref)
    series = series_of(points, readings, ref=ref)
    around = Around(
        machines=machines, events=events, series=series, survey_controls=_survey_controls(found),
        samples=_samples(found), air=air,
    )  # fmt: skip
    places = _places(points, found)
    zones = _zones(places, site)
    followed = [
        follow(
            point, places.loc[name], clock_of(
                sources, str(places.loc[name, "ring_key"]), float(places.loc[name, "chainage_m"]), ref=ref
            ),
            around, floor_zone=zones[str(name)], ref=ref,
        )
        for name, point in points.iterrows()
    ]  # fmt: skip
    followed.sort(key=lambda one: (*one.rank, one.point_id))
    balance = _balance(followed, logs, ref)
    pairs = like_for_like(readings, ref=ref)
    states = {one.point_id: _state(one, balance) for one in followed if not one.is_control}
    releases = _releases(followed, found, states, holds, hold_rings, lengths, ref)
    return Drying(
        site=site, points=tuple(followed), sources=sources, machines=machines, logs=logs, balance=balance,
        air=air, drives=last_drives(air, ref=ref), tent=tent_rises(air, machines, ref=ref), releases=releases,
        pairs=pairs, back=(*_beyond(followed, ref), *came_back(pairs)),
        told=tuple(f"{name}: {said}" for name, own in series.items() for said in own.told),
    )  # fmt: skip


def _questioned(site: Site) -> frozenset[str]:
    """Return sources that repairs are for, or that were accepted as causes."""
    repairs, decided = site.table("repair"), site.table("hypothesis")
    names = {name for said in repairs["of_ids"] for name in str(said).split()}
    names |= set(repairs["cause_of_id"]) | set(decided.loc[decided["state"] == "accepted", "of_id"])
    return frozenset(str(name) for name in names if name)


def _survey_controls(found: Findings) -> pd.DataFrame:
    readings = found.readings
    own = readings[readings["control"].astype(bool)]
    return own[["method", "instrument", "material", "value", "censored"]].assign(at=moments(own["taken_at"]))


def _samples(found: Findings) -> pd.DataFrame:
    taken = found.site.table("sample")["taken_at"]
    return found.samples.assign(at=moments(taken).reindex(found.samples.index))


def _places(points: pd.DataFrame, found: Findings) -> pd.DataFrame:
    """Return where the points are; what is joined to no wall keeps its grid position."""
    placed = found.placed.get("drying_point")
    columns = ["ring_key", "side", "chainage_m", "x", "y"]
    if placed is None:
        blank = pd.DataFrame({name: pd.Series(dtype="float64") for name in columns}, index=points.index)
        return blank.assign(ring_key="", side=points["side"])
    own = placed[columns].copy()
    joined = placed["status"] == "joined"
    own["ring_key"] = own["ring_key"].where(joined, "").fillna("")
    own["chainage_m"] = own["chainage_m"].where(joined)
    own["side"] = own["side"].where(own["side"].fillna("") != "", points["side"])
    return own


def _zones(places: pd.DataFrame, site: Site) -> dict[str, str]:
    """Return the floor zone each point lies in, ``""`` for none."""
    found = dict.fromkeys(map(str, places.index), "")
    zones = site.table("floor_zone")
    if zones.empty or not isinstance(zones, gpd.GeoDataFrame):
        return found
    points = shapely.points(places["x"].to_numpy(float), places["y"].to_numpy(float))
    for zone, shape in zip(zones.index, zones.geometry, strict=True):
        if shape is None or shape.is_empty:
            continue
        for name, inside in zip(places.index, shapely.intersects(shape, points), strict=True):
            if inside and not found[str(name)]:
                found[str(name)] = str(zone)
    return found


def _state(point: Followed, balance: Balance) -> PointState:
    """Return what stands against the release of a point besides its goal."""
    hindered = []
    if point.rebound.word == ROSE and not point.seepage:
        hindered.append(f"rose when the machines stopped: {point.rebound.because}")
    last = point.rises[-1] if point.rises else None
    if last is not None and last.word != REBOUND and point.used is not None and len(point.used) < 2:
        hindered.append(f"{last.word}: {last.because}")
    if balance.verdict.word == LEAK:
        hindered.append(balance.verdict.because)
    depth = float(point.record["depth_mm"])
    return PointState(
        point_id=point.point_id, verdict=point.verdict, depth_mm=depth, hindered=tuple(hindered)
    )


def _releases(
    followed: Sequence[Followed], found: Findings, states: Mapping[str, PointState], holds: pd.DataFrame,
    hold_rings: pd.Series[str], lengths: Mapping[str, float], ref: Reference,
) -> tuple[Release, ...]:  # fmt: skip
    own = [one for one in followed if not one.is_control]
    table = pd.DataFrame(
        {
            "ring_key": [one.ring_key for one in own], "side": [one.side for one in own],
            "chainage_m": np.array([one.chainage_m for one in own], dtype=float),
            "goal": [one.goal.kind for one in own], "floor_zone": [one.floor_zone for one in own],
        },
        index=pd.Index([one.point_id for one in own], dtype=object),
    )  # fmt: skip
    places: tuple[Place, ...] = places_of(found.stretches, table, lengths, ref=ref)
    return tuple(release_of(place, states, holds, hold_rings, lengths, ref=ref) for place in places)


def _balance(followed: Sequence[Followed], logs: pd.DataFrame, ref: Reference) -> Balance:
    """Hold litres against each other over the time the points were followed."""
    rows: dict[str, dict[str, Any]] = {}
    starts, ends = [], []
    for one in followed:
        if one.is_control or one.seepage or one.used is None or not len(one.used):
            continue
        starts.append(one.day_0)
        ends.append(one.used.when[-1])
        first, last, goal, sigma = _contents(one)
        rows[one.point_id] = {
            "area_m2": float(one.record["area_m2"]), "thickness_mm": float(one.record["thickness_mm"]),
            "density_kg_m3": float(one.record["density_kg_m3"]), "from_percent": first, "now_percent": last,
            "to_percent": goal, "sigma_percent": sigma,
        }  # fmt: skip
    names = [
        "area_m2",
        "thickness_mm",
        "density_kg_m3",
        "from_percent",
        "now_percent",
        "to_percent",
        "sigma_percent",
    ]
    table = pd.DataFrame.from_dict(rows, orient="index", columns=names).astype(float)
    if starts:
        began, ended = moments(logs["began_at"]), moments(logs["ended_at"])
        over = (began >= min(starts) - DAY) & (ended.fillna(began) <= max(ends) + DAY)
        logs = logs[over.to_numpy()]
    return balance_of(table, logs, fell=_fell(followed, ref), ref=ref)


def _contents(point: Followed) -> tuple[float, float, float, float]:
    """Return first, last and wanted content and the sigma of one, % of dry mass; NaN where not a content."""
    used = point.used
    if (
        used is None
        or used.method not in CONTENTS
        or point.goal.kind not in ("control_margin", "content", "salt_balance")
    ):
        return math.nan, math.nan, math.nan, math.nan
    begun = point.series.parts[-1].since(point.day_0)
    ends = [float(own.numbers[row]) if exact(own)[row] else math.nan for own, row in ((begun, 0), (used, -1))]
    numbers = np.array([*ends, point.goal.value])
    sigma = used.sigma
    if used.basis == "wet":
        numbers, spreads = dry_from_wet(numbers, sigma)
        sigma = float(spreads[0])
    return float(numbers[0]), float(numbers[1]), float(numbers[2]), sigma


def _fell(followed: Sequence[Followed], ref: Reference) -> str:
    """Say whether any fixed point fell beyond its error since the clock began."""
    z, read = ref.value("confidence.z_95"), 0
    for one in followed:
        if one.is_control or one.seepage or one.used is None or len(one.used) < 2:
            continue
        read += 1
        first = -math.inf if one.used.censored[0] == BELOW else float(one.used.numbers[0])
        last = math.inf if one.used.censored[-1] == ABOVE else float(one.used.numbers[-1])
        if first - last > z * math.sqrt(2.0) * one.used.sigma:
            return FELL
    return STOOD if read else NOT_KNOWN


def _beyond(followed: Sequence[Followed], ref: Reference) -> tuple[str, ...]:
    """Return in words where a point that had reached its goal has surely left it again."""
    z, found = ref.value("confidence.z_95"), []
    for one in followed:
        series = one.series.current
        if one.is_control or one.seepage or series is None or not one.goal.known:
            continue
        margins = one.goal.value - series.since(one.clock.starts).numbers
        reached = np.flatnonzero(margins >= 0)
        if reached.size and (margins[reached[0] :] < -z * math.hypot(series.sigma, one.goal.sigma)).any():
            found.append(f"{one.point_id} had reached its goal and is above it again")
    return tuple(found)
