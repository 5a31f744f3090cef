"""What a fixed point has to reach, and whether it has: by which readings, or what they lack."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from geo.drying.machines import Machines
from geo.drying.series import Series, day_said, exact
from geo.moisture.censor import ABOVE, BELOW
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict

MET, NOT_MET = "met", "not met"
CONTROL, CONTENT, FLOOR = "control_margin", "content", "floor_humidity"
TIMBER, SALTS, SURFACE = "timber", "salt_balance", "surface_humidity"
HUMIDITY = "rh_hole"
DAY = np.timedelta64(1, "D")


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """What one point has to reach.

    Parameters
    ----------
    kind
        Word of its goal.
    value, sigma
        Value to come down to and its standard deviation, in the readings' unit; NaN where not known.
    unit
        Unit of both.
    said, source
        The goal in words, and where its number is from.
    lacks
        Why its number is not known; ``""`` when it is.
    stale
        Why its number serves to look at and not to release by: a dry reference read on another day.
    settle
        What would make it known.
    rests_on
        Record ids.
    """

    kind: str
    value: float = math.nan
    sigma: float = 0.0
    unit: str = ""
    said: str = ""
    source: str = ""
    lacks: str = ""
    stale: str = ""
    settle: str = ""
    rests_on: tuple[str, ...] = ()

    @property
    def known(self) -> bool:
        """Whether there is a number to come down to."""
        return math.isfinite(self.value)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Dry:
    """A dry reference: its value and sigma, when it was read, and by what."""

    at: np.datetime64
    value: Measured
    said: str
    rests_on: tuple[str, ...]


def goal_of(
    point: pd.Series[Any],
    series: Series | None,
    dry: Dry | None,
    salts: pd.Series[Any] | None,
    *,
    ref: Reference,
) -> Goal:
    """Return what a point has to come down to.

    Parameters
    ----------
    point
        Record of kind drying_point.
    series
        The series followed; its method and unit are the goal's.
    dry
        Its dry reference; ``None`` without one.
    salts
        The last sample of the point: ``mc_dry``, ``hmc_dry``, ``excess``, ``excess_sigma``; ``None`` without.
    """
    kind, given = str(point["goal"]), float(point["goal_value"])
    method = series.method if series is not None else str(point["method"])
    unit = ref.methods[method].unit
    if not kind:
        return Goal(kind="", unit=unit, lacks="no goal is set", settle="Choose what this point has to reach.")
    if kind == CONTROL:
        return _over_control(given, method, unit, series, dry, ref)
    if kind == SALTS:
        return _salts(unit, salts, ref)
    if kind == CONTENT:
        said = f"{given:g} {unit}, as agreed"
        if math.isnan(given):
            return Goal(kind=kind, unit=unit, lacks="no value is set", settle="Write the value agreed.")
        return Goal(kind=kind, value=given, unit=unit, said=said)
    default = {
        FLOOR: "drying.floor_humidity", TIMBER: "drying.timber_content", SURFACE: "moisture.mould_surface_rh"
    }[kind]  # fmt: skip
    limit = ref.limit(default)
    value = limit.value if math.isnan(given) else given
    source = limit.source if math.isnan(given) else "as agreed"
    own = limit.unit if kind == SURFACE else unit
    return Goal(kind=kind, value=value, unit=own, said=f"{value:g} {own} or less", source=source)


def judge_series(goal: Goal, series: Series | None, machines: Machines, *, ref: Reference) -> Verdict:
    """Say whether readings meet a goal: twice, far enough apart, with the machines off long enough.

    Parameters
    ----------
    series
        Readings since the source was proven stopped; ``None`` or empty without any.
    """
    if series is None or not len(series):
        return Verdict(
            word=NOT_KNOWN, because="not read since the source was stopped", settle="Read the point."
        )
    if not goal.known:
        return Verdict(word=NOT_KNOWN, because=goal.lacks, settle=goal.settle, rests_on=series.ids[-1:])
    z = ref.value("confidence.z_95")
    scatter = math.hypot(series.sigma, goal.sigma)
    margins = goal.value - series.numbers
    last = float(margins[-1])
    sign = {ABOVE: ">", BELOW: "<"}.get(str(series.censored[-1]), "")
    read = f"{sign}{series.numbers[-1]:.1f} against {goal.value:.1f} {goal.unit}"
    facts: dict[str, Any] = {"margin": last, "sigma": scatter, "unit": goal.unit}
    if not exact(series)[-1] and series.censored[-1] != BELOW:
        return Verdict(word=NOT_MET, because=f"{read}: off the scale", rests_on=series.ids[-1:], **facts)
    if last < -z * scatter:
        return Verdict(word=NOT_MET, because=read, rests_on=series.ids[-1:], **facts)
    if last < 0:
        said = f"{read}: within the error of ± {z * scatter:.1f}"
        settle = "Read it again in a week."
        return Verdict(word=NOT_KNOWN, because=said, settle=settle, rests_on=series.ids[-1:], **facts)
    return _twice(goal, series, margins, machines, read, facts, ref)


def judge_salts(goal: Goal, sample: pd.Series[Any] | None, *, ref: Reference) -> Verdict:
    """Say whether a sample holds no more water than its salts do."""
    if sample is None or not math.isfinite(float(sample["excess"])):
        return Verdict(word=NOT_KNOWN, because=goal.lacks, settle=goal.settle)
    excess, sigma = float(sample["excess"]), float(sample["excess_sigma"])
    allowed = ref.value("drying.salt_sigmas") * sigma
    said = f"MC - HMC {excess:+.1f} % of dry mass, {allowed:.1f} allowed (sample {sample.name})"
    word = MET if excess <= allowed else NOT_MET
    return Verdict(
        word=word, because=said, margin=allowed - excess, sigma=sigma, unit="% of dry mass",
        rests_on=(str(sample.name),),
    )  # fmt: skip


def judge_surface(goal: Goal, air: pd.DataFrame, *, ref: Reference) -> Verdict:
    """Say whether the humidity at a surface, over a month, stays under its limit.

    Parameters
    ----------
    air
        Logged rows in order of time: ``at``, ``surface_humidity`` and its ``sigma``, per cent.
    """
    least = ref.value("drying.month_days")
    settle = f"Log air and surface for {least:g} days."
    if air.empty:
        return Verdict(word=NOT_KNOWN, because="nothing is logged at its surface", settle=settle)
    days = (air["at"].iloc[-1] - air["at"].iloc[0]) / pd.Timedelta(days=1)
    daily = air.set_index("at")["surface_humidity"].resample("D").mean().dropna()
    mean = float(daily.iloc[-int(least) :].mean())
    said = f"mean {mean:.0f} % RH over {min(days, least):.0f} days against {goal.value:g}"
    if days < least - 1:
        return Verdict(word=NOT_KNOWN, because=f"{said}; {least:g} days are wanted", settle=settle)
    # One logger's error is the same all month, so the mean is no better than one reading.
    sigma, z = float(air["sigma"].median()), ref.value("confidence.z_95")
    margin = goal.value - mean
    word = MET if margin > z * sigma else NOT_MET if margin < -z * sigma else NOT_KNOWN
    known = word != NOT_KNOWN
    return Verdict(
        word=word, because=said if known else f"{said}: within the logger's error of ± {z * sigma:.0f}",
        settle="" if known else "Check the logger against another and go on.", margin=margin, sigma=sigma,
        unit="% RH", rests_on=tuple(str(name) for name in air.index[[0, -1]]),
    )  # fmt: skip


def _over_control(
    given: float, method: str, unit: str, series: Series | None, dry: Dry | None, ref: Reference
) -> Goal:
    """Return the goal of a margin over a dry reference."""
    content = ref.methods[method].basis != "instrument"
    kind = ref.methods[method]
    spread = kind.spread * (kind.scale_max - kind.scale_min) if kind.spread_kind == "of span" else kind.spread
    usual = ref.value("drying.control_margin") if content else spread
    margin = usual if math.isnan(given) else given
    settle = (
        "Read a dry reference on the same day: same instrument, material and depth, where nothing wets it."
    )
    if dry is None:
        return Goal(kind=CONTROL, unit=unit, lacks="its dry reference is not read", settle=settle)
    stale = ""
    if series is not None and len(series):
        gap = abs(float((series.when[-1] - dry.at) / DAY))
        if gap > ref.value("drying.control_days"):
            stale = f"its dry reference was read {gap:.0f} days apart"
    said = f"{dry.value.value:.1f} + {margin:.1f} {unit} ({dry.said})"
    return Goal(
        kind=CONTROL, value=dry.value.value + margin, sigma=dry.value.sigma, unit=unit, said=said,
        stale=stale, settle=settle if stale else "", rests_on=dry.rests_on,
    )  # fmt: skip


def _salts(unit: str, sample: pd.Series[Any] | None, ref: Reference) -> Goal:
    settle = "Drill a sample at the point, and weigh it wet, after 75 % RH and dry."
    if sample is None or not math.isfinite(float(sample["hmc_dry"])):
        lacks = "no sample with its content at 75 % RH"
        return Goal(kind=SALTS, unit=unit, lacks=lacks, settle=settle, said="MC no more than HMC + 2 sigma")
    hmc, sigma = float(sample["hmc_dry"]), float(sample["excess_sigma"])
    value = hmc + ref.value("drying.salt_sigmas") * sigma
    said = f"MC no more than HMC {hmc:.1f} + 2 sigma {sigma:.1f} % of dry mass (sample {sample.name})"
    return Goal(kind=SALTS, value=value, unit=unit, said=said, rests_on=(str(sample.name),))


def _twice(
    goal: Goal,
    series: Series,
    margins: Any,
    machines: Machines,
    read: str,
    facts: dict[str, Any],
    ref: Reference,
) -> Verdict:
    """Judge a series whose last reading is at or below its goal."""
    z, apart = ref.value("confidence.z_95"), ref.value("drying.visits_days")
    floor = goal.kind == FLOOR
    usable, last_lacks = [], ""
    for row in range(len(series)):
        lacks = _conditions(series, row, machines, floor=floor, ref=ref)
        good = margins[row] >= 0 and (series.censored[row] in ("none", BELOW))
        if good and not lacks:
            usable.append(row)
        elif not good:
            usable.clear()
        if row == len(series) - 1:
            last_lacks = lacks
    if goal.stale and not last_lacks:
        return Verdict(
            word=NOT_KNOWN, because=f"{read}, but {goal.stale}", settle=goal.settle, rests_on=series.ids[-1:],
            **facts,
        )  # fmt: skip
    if last_lacks:
        return Verdict(
            word=NOT_KNOWN, because=f"{read}, but {last_lacks}", settle=_mend(last_lacks, floor, ref),
            rests_on=series.ids[-1:], **facts,
        )  # fmt: skip
    first = [row for row in usable[:-1] if (series.when[usable[-1]] - series.when[row]) / DAY >= apart]
    if floor:
        rows = usable[-1:]
    elif not first:
        when = day_said(series.when[-1] + np.timedelta64(int(apart), "D"))
        said = f"{read} on one visit; it takes two, {apart:g} days apart"
        settle = f"Read it again on {when} or later, machines off."
        return Verdict(word=NOT_KNOWN, because=said, settle=settle, rests_on=series.ids[-1:], **facts)
    else:
        rows = [first[-1], usable[-1]]
    mean = float(np.mean([margins[row] for row in rows]))
    sigma = math.hypot(series.sigma / math.sqrt(len(rows)), goal.sigma)
    ids = tuple(series.ids[row] for row in rows) + goal.rests_on
    whole = {"margin": mean, "sigma": sigma, "unit": goal.unit, "rests_on": ids}
    days = " and ".join(day_said(series.when[row]) for row in rows)
    if mean > z * sigma:
        return Verdict(word=MET, because=f"{read}, read {days}", **whole)  # type: ignore[arg-type]
    said = f"{read}, read {days}: below the goal, but within the error of ± {z * sigma:.1f}"
    settle = "Read a second sensor beside it." if floor else "One more visit, or samples to the oven."
    return Verdict(word=NOT_KNOWN, because=said, settle=settle, **whole)  # type: ignore[arg-type]


def _conditions(series: Series, row: int, machines: Machines, *, floor: bool, ref: Reference) -> str:
    """Say what a reading lacks to count: machines off long enough, sealed long enough."""
    least = ref.value("drying.floor_off_h" if floor else "drying.machines_off_h")
    off = machines.off_h(series.when[row])
    lacks = []
    if floor or series.method == HUMIDITY:
        sealed, wanted = float(series.sealed_h[row]), ref.value("drying.sealed_h")
        if math.isnan(sealed):
            lacks.append("the hours it was sealed are not recorded")
        elif sealed < wanted:
            lacks.append(f"it was sealed {sealed:.0f} h, not {wanted:g}")
    if math.isnan(off):
        lacks.append("it is not on record whether the machines were off")
    elif off < least:
        lacks.append(
            "the machines were running" if off == 0 else f"the machines were off {off:.0f} h, not {least:g}"
        )
    return " and ".join(lacks)


def _mend(lacks: str, floor: bool, ref: Reference) -> str:
    if "not on record whether" in lacks:
        return "Write in the drying log when the machines ran, or that none did."
    hours = ref.value("drying.floor_off_h" if floor else "drying.machines_off_h")
    if "machines" in lacks:
        return f"Switch the machines off and read again after {hours:g} h."
    return f"Seal it for {ref.value('drying.sealed_h'):g} h and read it again."
