"""One fixed point followed: readings since the source was stopped, the goal, what settles the date."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from geo.drying.clock import SEEPAGE, Clock
from geo.drying.fits import DATED, EARLIEST, NEVER, Outlook, Profile, look_ahead, profile_ends
from geo.drying.goals import (
    MET,
    SALTS,
    SURFACE,
    Dry,
    Goal,
    goal_of,
    judge_salts,
    judge_series,
    judge_surface,
)
from geo.drying.machines import Machines
from geo.drying.rises import REWET, Rise, find_rises, rebound_check
from geo.drying.saying import CONTENTS, Known, said_of
from geo.drying.series import PointSeries, Series, day_said, exact, lowest_end
from geo.moisture.bases import wet_from_dry
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict

DAY = np.timedelta64(1, "D")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Followed:
    """One fixed point, and everything that can be said of its drying.

    Parameters
    ----------
    point_id, record, place
        The point, its record, and where it is in words.
    ring_key, side, chainage_m, floor_zone
        Its wall, and the floor zone it lies in; ``""`` and NaN where there is none.
    series
        Every series read at it, with what cut them.
    clock
        When its sources were proven stopped.
    day_0
        Day 0 of its dates: its first reading since then; not-a-time without one.
    used
        Readings the dates rest on: since the clock, and since it was last wetted again.
    reference
        Readings of its dry reference that may be held against it.
    goal, verdict
        What it has to reach, and whether it has.
    profile, outlook
        What its readings leave open, and when it may be dry; ``None`` without enough.
    trend
        Change a week over the readings used; NaN with fewer than two.
    rises, rebound
        Rises found, and what it did after the machines stopped.
    hmc
        Content its salts hold, % in the readings' basis; NaN where not sampled.
    cautions
        What its dates take for granted.
    sentence, settle
        What is said of it, and the reading that settles it.
    """

    point_id: str
    record: pd.Series[Any]
    place: str
    ring_key: str
    side: str
    chainage_m: float
    floor_zone: str
    series: PointSeries
    clock: Clock
    day_0: np.datetime64
    used: Series | None
    reference: Series | None
    goal: Goal
    verdict: Verdict
    profile: Profile | None
    outlook: Outlook | None
    trend: Measured
    rises: tuple[Rise, ...]
    rebound: Verdict
    hmc: Measured
    cautions: tuple[str, ...]
    sentence: str
    settle: str

    @property
    def is_control(self) -> bool:
        """Whether it is itself a dry reference."""
        return str(self.record["control"]) == "yes"

    @property
    def seepage(self) -> bool:
        """Whether its readings were taken with the source open, or not proven stopped."""
        return not self.clock.running

    def date_of(self, day: float) -> str:
        """Return a day counted from its day 0 as a date, ``""`` where there is none."""
        if not math.isfinite(day) or np.isnat(self.day_0):
            return ""
        return day_said(self.day_0 + np.timedelta64(round(day * 24), "h"))

    @property
    def rank(self) -> tuple[int, float]:
        """Where it stands among the slowest; the smallest first."""
        if self.is_control:
            return 9, 0.0
        if self.verdict.word == MET:
            return 6, 0.0
        if self.seepage:
            return 0, 0.0
        word = self.outlook.word if self.outlook else ""
        if word == NEVER:
            return 1, 0.0
        if self.outlook is not None and word in (EARLIEST, DATED):
            return (2 if word == EARLIEST else 4), -self.outlook.earliest_d
        return 3, 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Around:
    """What is known round every point: machines, events, dry references, samples, air."""

    machines: Machines
    events: pd.DataFrame
    series: Mapping[str, PointSeries]
    survey_controls: pd.DataFrame
    samples: pd.DataFrame
    air: pd.DataFrame


def follow(
    point: pd.Series[Any],
    place: pd.Series[Any],
    clock: Clock,
    around: Around,
    *,
    floor_zone: str,
    ref: Reference,
) -> Followed:
    """Follow one fixed point.

    Parameters
    ----------
    point
        Record of kind drying_point.
    place
        Its place: ``ring_key``, ``side``, ``chainage_m``, ``height_m`` where joined.
    clock
        Of its place.
    """
    name = str(point.name)
    series = around.series[name]
    current = series.current
    counted = current.since(clock.starts) if current is not None and clock.running else None
    judged_from = current if clock.running is False else counted
    rises = (
        find_rises(judged_from, around.events, around.machines, ref=ref) if judged_from is not None else ()
    )
    used, day_0 = counted, np.datetime64("NaT")
    if counted is not None and len(counted):
        day_0 = counted.when[0]
        wetted = [rise for rise in rises if rise.word == REWET]
        if wetted:
            used = counted.since(wetted[-1].at)
    reference, dry = _dry(point, used if used is not None and len(used) else current, around)
    sample = _sample(point, place, around.samples, ref)
    goal = goal_of(point, used, dry, sample, ref=ref)
    verdict = _judge(goal, used, point, around, sample, clock, ref)
    hmc = _hmc(sample, current)
    profile = outlook = None
    if used is not None and len(used) and goal.kind != SURFACE:
        profile, outlook = _ahead(used, day_0, goal, dry, ref)
    trend = _trend(used)
    rebound = rebound_check(used, around.machines, ref=ref) if used is not None else _no_rebound()
    sentence, settle = said_of(
        Known(
            name=name, is_control=str(point["control"]) == "yes", goal=goal, verdict=verdict, clock=clock,
            outlook=outlook, used=used, day_0=day_0, hmc=hmc, trend=trend, rises=rises,
        ),
        ref=ref,
    )  # fmt: skip
    return Followed(
        point_id=name,
        record=point,
        place=_place_said(point, place, floor_zone),
        ring_key=str(place["ring_key"]),
        side=str(place["side"]),
        chainage_m=float(place["chainage_m"]),
        floor_zone=floor_zone,
        series=series,
        clock=clock,
        day_0=day_0,
        used=used,
        reference=reference,
        goal=goal,
        verdict=verdict,
        profile=profile,
        outlook=outlook,
        trend=trend,
        rises=rises,
        rebound=rebound,
        hmc=hmc,
        cautions=_cautions(used, outlook, verdict, around.machines),
        sentence=sentence,
        settle=settle,
    )


def _judge(
    goal: Goal, used: Series | None, point: pd.Series[Any], around: Around, sample: pd.Series[Any] | None,
    clock: Clock, ref: Reference,
) -> Verdict:  # fmt: skip
    if str(point["control"]) == "yes":
        return Verdict(word=NOT_KNOWN, because="it is a dry reference, and has no goal")
    if not clock.running:
        return Verdict(
            word=NOT_KNOWN, because=f"{SEEPAGE}: {clock.verdict.because}", settle=clock.verdict.settle
        )
    if goal.kind == SALTS:
        return judge_salts(goal, sample, ref=ref)
    if goal.kind == SURFACE:
        own = around.air[around.air["surface_humidity"].notna() & (around.air["at"] >= clock.starts)]
        return judge_surface(goal, own[own["instrument"] == str(point["instrument"])], ref=ref)
    return judge_series(goal, used, around.machines, ref=ref)


def _cautions(
    used: Series | None, outlook: Outlook | None, verdict: Verdict, machines: Machines
) -> tuple[str, ...]:
    """Return what the dates of a point take for granted."""
    if used is None or outlook is None or outlook.word not in (EARLIEST, DATED) or verdict.word == MET:
        return ()
    said = []
    if outlook.scatter_d < outlook.earliest_d:
        said.append(f"If its readings err together, it could be day {outlook.scatter_d:.0f} at the earliest.")
    changed = machines.changes(used.when[0], used.when[-1])
    if changed:
        said.append(
            f"Machines were changed meanwhile ({', '.join(changed)}); its dates take them as on the whole."
        )
    return tuple(said)


def _ahead(
    used: Series, day_0: np.datetime64, goal: Goal, dry: Dry | None, ref: Reference
) -> tuple[Profile | None, Outlook | None]:
    """Return what the readings leave open and when the goal may be met."""
    if len(used) < 2:
        return None, None
    days = used.days(day_0)
    also = [dry.value.value] if dry is not None else []
    if goal.known:
        also += [goal.value - used.sigma, goal.value, goal.value + used.sigma]
    profile = None
    if len(np.unique(days)) >= 3 and float(np.ptp(used.numbers)) > 0:
        profile = profile_ends(
            days, used.numbers, sigma=used.sigma, lowest=lowest_end(used.method, used.basis, ref=ref),
            censored=used.censored, also=tuple(also), ref=ref,
        )  # fmt: skip
    if profile is None or not goal.known:
        return profile, None
    rhythm = used.rhythm_d if math.isfinite(used.rhythm_d) else ref.value("drying.rhythm_days")
    return profile, look_ahead(profile, goal.value, rhythm_d=rhythm, ref=ref)


def _dry(point: pd.Series[Any], series: Series | None, around: Around) -> tuple[Series | None, Dry | None]:
    """Return the readings of the dry reference, and the one nearest in time to the last reading."""
    if series is None or not len(series):
        return None, None
    control = str(point["control_point_id"])
    if control in around.series:
        for part in reversed(around.series[control].parts):
            alike = (part.method, part.instrument, part.material, part.basis) == (
                series.method, series.instrument, series.material, series.basis,
            )  # fmt: skip
            same_depth = (
                part.depth_mm == series.depth_mm or math.isnan(part.depth_mm) or math.isnan(series.depth_mm)
            )
            good = np.flatnonzero(exact(part))
            if alike and same_depth and good.size:
                nearest = int(good[np.argmin(np.abs((part.when[good] - series.when[-1]) / DAY))])
                value = Measured(float(part.numbers[nearest]), part.sigma)
                said = f"dry reference {control} on {day_said(part.when[nearest])}"
                return part, Dry(at=part.when[nearest], value=value, said=said, rests_on=(part.ids[nearest],))
        return None, None
    own = around.survey_controls
    own = own[
        (own["method"] == series.method) & (own["instrument"] == series.instrument)
        & (own["material"] == series.material) & own["value"].notna() & (own["censored"] == "none")
    ]  # fmt: skip
    if own.empty:
        return None, None
    value = Measured(float(own["value"].median()), series.sigma / math.sqrt(len(own)))
    at = own["at"].max()
    said = f"median of {len(own)} dry references of the survey"
    at = at.to_datetime64() if not pd.isna(at) else series.when[0]
    return None, Dry(at=at, value=value, said=said, rests_on=tuple(map(str, own.index)))


def _sample(
    point: pd.Series[Any], place: pd.Series[Any], samples: pd.DataFrame, ref: Reference
) -> pd.Series[Any] | None:
    """Return the last sample of the same material taken at the point."""
    near = ref.value("moisture.same_place_m")
    own = samples[
        (samples["ring_key"] == place["ring_key"])
        & (samples["ring_key"] != "")
        & (samples["side"] == place["side"])
        & (samples["material"] == point["material"])
        & ((samples["chainage_m"] - float(place["chainage_m"])).abs() <= near)
    ]
    height = float(point["height_m"])
    if math.isfinite(height):
        own = own[(own["height_m"] - height).abs() <= near]
    return own.sort_values("at", kind="stable").iloc[-1] if len(own) else None


def _hmc(sample: pd.Series[Any] | None, series: Series | None) -> Measured:
    """Return the content salts hold, in the readings' basis; NaN where it cannot be held against them."""
    nothing = Measured(math.nan, math.nan)
    if sample is None or series is None or series.method not in CONTENTS:
        return nothing
    value, sigma = float(sample["hmc_dry"]), float(sample["hmc_dry_sigma"])
    if series.basis == "wet":
        wet, spread = wet_from_dry(value, sigma)
        return Measured(float(wet), float(spread))
    return Measured(value, sigma)


def _trend(used: Series | None) -> Measured:
    """Return the change a week by a straight line through the readings used, and its sigma."""
    if used is None:
        return Measured(math.nan, math.nan)
    good = exact(used)
    if good.sum() < 2:
        return Measured(math.nan, math.nan)
    t, m = used.days(used.when[0])[good], used.numbers[good]
    spread = float(((t - t.mean()) ** 2).sum())
    if not spread > 0:
        return Measured(math.nan, math.nan)
    slope = float(((t - t.mean()) * m).sum() / spread)
    return Measured(7.0 * slope, 7.0 * used.sigma / math.sqrt(spread))


def _no_rebound() -> Verdict:
    return Verdict(word=NOT_KNOWN, because="not read since the source was stopped", settle="Read the point.")


def _place_said(point: pd.Series[Any], place: pd.Series[Any], floor_zone: str) -> str:
    parts = []
    if floor_zone and point["goal"] == "floor_humidity":
        parts.append(f"floor {floor_zone}")
    elif place["ring_key"] and math.isfinite(float(place["chainage_m"])):
        parts.append(f"{place['ring_key']} {place['side']} {float(place['chainage_m']):.2f} m")
    if math.isfinite(float(point["height_m"])):
        parts.append(f"{float(point['height_m']):.2f} m up")
    if math.isfinite(float(point["depth_mm"])):
        parts.append(f"{float(point['depth_mm']):g} mm deep")
    return ", ".join(parts) or "place not recorded"
