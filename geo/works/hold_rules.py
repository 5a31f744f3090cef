"""What each hold point asks for, and whether the numbers written down reach it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from geo.drains.network import Network
from geo.evidence.coverage import Range, laid, minus, rolled, union
from geo.findings.trial_plugged import HOLDS, LEAKS, judge_plugged
from geo.findings.trials import NEGATIVE, POSITIVE, JudgedTrial
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict
from geo.works.asked import spans_of
from geo.works.kinds import Asked
from geo.works.lines import num
from geo.works.measure import House

PASSED, FAILED, NOT_TESTED = "passed", "failed", "not tested"
MINUTE_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """One hold point of one repair, and how it stands.

    Parameters
    ----------
    key, hold_point, repair_id
        ``hp3:R7``, ``hp3``, ``R7``; the repair is ``""`` for the one of the whole house.
    label
        What is checked.
    verdict
        ``passed``, ``failed``, ``not tested`` or not known, with the reason and what would settle it.
    record_ids
        Hold-point records it rests on.
    told
        What one should know beside it.
    """

    key: str
    hold_point: str
    repair_id: str
    label: str
    verdict: Verdict
    record_ids: tuple[str, ...] = ()
    told: tuple[str, ...] = ()

    @property
    def passed(self) -> bool:
        """Whether what waits for it may go on."""
        return self.verdict.word == PASSED

    @property
    def tested(self) -> bool:
        """Whether somebody checked it, whatever came of it."""
        return self.verdict.word in (PASSED, FAILED)


@dataclass(frozen=True, kw_only=True, eq=False)
class Checks:
    """What hold points are judged with.

    Parameters
    ----------
    judged
        Tests on site by id, judged for whether they were big enough.
    goals
        By hold record or reading, what the drying says of it: met, not met, not known.
    """

    house: House
    judged: Mapping[str, JudgedTrial]
    goals: Mapping[str, Verdict]

    @property
    def ref(self) -> Reference:
        """The numbers in force."""
        return self.house.ref

    @property
    def network(self) -> Network | None:
        """The drains."""
        return self.house.drains.network if self.house.drains is not None else None


Judge = Callable[[pd.DataFrame, "Asked | None", Checks], tuple[Verdict, tuple[str, ...]]]


def _passed(because: str, own: pd.DataFrame, **numbers: Any) -> Verdict:
    return Verdict(
        word=PASSED, because=because, rests_on=tuple(str(name) for name in own.index), **numbers
    )  # fmt: skip


def _failed(because: str, settle: str, own: pd.DataFrame, **numbers: Any) -> Verdict:
    return Verdict(
        word=FAILED, because=because, settle=settle, rests_on=tuple(str(name) for name in own.index),
        **numbers,
    )  # fmt: skip


def _unknown(because: str, settle: str, own: pd.DataFrame) -> Verdict:
    return Verdict(
        word=NOT_KNOWN, because=because, settle=settle, rests_on=tuple(str(name) for name in own.index)
    )  # fmt: skip


def _drains_tested(own: pd.DataFrame, asked: Asked | None, checks: Checks) -> tuple[Verdict, tuple[str, ...]]:
    """HP1: the water test of the run, as it is judged for any plugged run, under enough head."""
    last = own.iloc[-1]
    trial = checks.judged.get(str(last["trial_id"]))
    if trial is not None and trial.trial_kind == "plugged":
        word = {HOLDS: PASSED, LEAKS: FAILED}.get(trial.verdict.word, NOT_KNOWN)
        verdict = Verdict(
            word=word, because=f"{trial.trial_id}: {trial.verdict.because}", settle=trial.verdict.settle,
            margin=trial.verdict.margin, sigma=trial.verdict.sigma, unit=trial.verdict.unit,
            rests_on=(str(last.name), trial.trial_id),
        )  # fmt: skip
        return verdict, trial.told
    lacks = [
        said
        for said, column in (("head", "head_m"), ("drop", "drop_mm"), ("minutes", "minutes"))
        if math.isnan(last[column])
    ]
    if lacks:
        return _unknown(f"not written down: {', '.join(lacks)}", SETTLE["hp1"], own), ()
    wanted = checks.ref.value("trials.plugged_head_m")
    if last["head_m"] < wanted - 1e-9:
        said = f"{num(last['head_m'], 2)} m of head, and a test takes {num(wanted)} m"
        return _unknown(said, f"Fill to {num(wanted)} m over the upper invert.", own), ()
    runs = [name for name in (asked.of_ids if asked is not None else ()) if _is_run(name, checks)]
    if not runs:
        said = "no run of this repair is drawn, so what it may lose is not known"
        return _unknown(said, "Draw the run as laid, with its bore.", own), ()
    minutes = Measured(float(last["minutes"]), checks.ref.value("trials.minute_s") / MINUTE_S)
    worst: Verdict | None = None
    told: list[str] = []
    for name in runs:
        test = pd.Series(
            {"source_id": name, "fall_mm": float(last["drop_mm"]), "rise_level_m": math.nan},
            name=str(last.name),
        )
        verdict, more = judge_plugged(test, minutes, network=checks.network, ref=checks.ref)
        told += [line for line in more if not line.startswith("How high")]
        if worst is None or _rank(verdict.word) > _rank(worst.word):
            worst = verdict
    found = worst if worst is not None else _unknown("no run", SETTLE["hp1"], own)
    word = {HOLDS: PASSED, LEAKS: FAILED}.get(found.word, NOT_KNOWN)
    return Verdict(
        word=word, because=f"{found.because}, {num(last['head_m'], 2)} m of head",
        settle=found.settle or ("Find the joint that loses it." if word == FAILED else ""),
        margin=found.margin, sigma=found.sigma, unit=found.unit,
        rests_on=found.rests_on,
    ), tuple(dict.fromkeys(told))  # fmt: skip


def _rank(word: str) -> int:
    return {HOLDS: 0, NOT_KNOWN: 1, LEAKS: 2}.get(word, 1)


def _is_run(name: str, checks: Checks) -> bool:
    return checks.network is not None and bool(checks.network.pieces(name))


def _source_retested(
    own: pd.DataFrame, asked: Asked | None, checks: Checks
) -> tuple[Verdict, tuple[str, ...]]:
    """HP2: a test of the source that showed nothing and was big enough to have shown it."""
    last = own.iloc[-1]
    trial_id = str(last["trial_id"])
    trial = checks.judged.get(trial_id)
    if trial is None:
        said = f"there is no test {trial_id}" if trial_id else "the test it rests on is not named"
        return _unknown(said, "Write the test down, and name it here.", own), ()
    told = trial.told
    wanted = set(asked.of_ids) if asked is not None else set()
    if wanted and trial.source_id not in wanted:
        told = (*told, f"Water was put in at {trial.source_id}; the repair is of {' '.join(sorted(wanted))}.")
    said = f"{trial_id}: {trial.verdict.because}"
    if trial.verdict.word == NEGATIVE:
        return _passed(said, own), told
    if trial.verdict.word == POSITIVE:
        return _failed(said, "It still comes: the source is not stopped.", own), told
    return _unknown(f"{said} ({trial.verdict.word})", trial.verdict.settle or SETTLE["hp2"], own), told


def _cavity_clean(own: pd.DataFrame, asked: Asked | None, checks: Checks) -> tuple[Verdict, tuple[str, ...]]:
    """HP3: clean so far below the lower damp proof course, along the whole length, photographed both ways."""
    least = checks.ref.value("drains.cavity_clear_mm")
    lacks = own[own["clear_below_mm"].isna()]
    if len(lacks):
        said = f"{' '.join(lacks.index)}: how far below the damp proof course it is clean is not written down"
        return _unknown(said, SETTLE["hp3"], own), ()
    short = own[own["clear_below_mm"] < least]
    if len(short):
        said = f"clean to {num(float(short['clear_below_mm'].min()), 0)} mm below, {num(least, 0)} mm asked"
        margin = float(short["clear_below_mm"].min()) - least
        return _failed(said, "Clean it further down.", own, margin=margin, unit="mm"), ()
    blind = own[own["seen_both_ways"] != "yes"]
    if len(blind):
        said = f"{' '.join(blind.index)}: not photographed both ways along"
        return _unknown(said, "Photograph it both ways along from every opening.", own), ()
    return _whole_length(
        own, asked, checks, f"clean {num(float(own['clear_below_mm'].min()), 0)} mm below, seen both ways"
    )  # fmt: skip


def _bridge_cut(own: pd.DataFrame, asked: Asked | None, checks: Checks) -> tuple[Verdict, tuple[str, ...]]:
    """HP4: the bridge cut clear, and the damp proof course seen, along the whole length."""
    return _whole_length(own, asked, checks, "cut clear, damp proof course seen")


def _whole_length(
    own: pd.DataFrame, asked: Asked | None, checks: Checks, said: str
) -> tuple[Verdict, tuple[str, ...]]:
    """Pass only where the records together cover the repair's length; one without a length covers all."""
    if asked is None or not asked.on_wall:
        return _passed(said, own), ()
    placed = own["chainage_from_m"].notna() & own["chainage_to_m"].notna()
    if not placed.all():
        return _passed(f"{said}, along all of it as recorded", own), ()
    gaps = _uncovered(asked, own, checks.house.ring_length(asked.ring_key))
    slack = checks.ref.value("hold.place_slack_m")
    gaps = tuple(gap for gap in gaps if gap.length_m > slack)
    if not gaps:
        return _passed(f"{said}, along all of it", own), ()
    lengths = ", ".join(f"{num(gap.from_m, 2)} to {num(gap.to_m, 2)} m" for gap in gaps)
    return _unknown(f"{said}; not seen: {lengths}", "Look at the rest of it.", own), ()


def _uncovered(asked: Asked, own: pd.DataFrame, length_m: float) -> tuple[Range, ...]:
    """Return the parts of a repair's length that no record covers."""
    ends = own[["chainage_from_m", "chainage_to_m"]].to_numpy(float)
    seen = union(span for a, b in ends for span in laid(float(a), float(b), length_m))
    return rolled(minus(spans_of(asked, length_m), seen), length_m)


def _goal_met(own: pd.DataFrame, asked: Asked | None, checks: Checks) -> tuple[Verdict, tuple[str, ...]]:  # noqa: ARG001
    """HP5: the drying goal met against the dry reference, the machines off long enough."""
    last = own.iloc[-1]
    wanted = checks.ref.value("hold.machines_off_h")
    off = float(last["machines_off_h"])
    if math.isnan(off):
        return _unknown("how long the machines were off is not written down", SETTLE["hp5"], own), ()
    if off < wanted:
        said = f"machines off for {num(off, 0)} h, and {num(wanted, 0)} h are asked: a rebound would not show"
        return _unknown(said, SETTLE["hp5"], own), ()
    ids = last["reading_ids"].split()
    if not ids:
        return _unknown("the readings it rests on are not named", SETTLE["hp5"], own), ()
    known = {record.id for record in checks.house.site.of("reading")}
    lost = [name for name in ids if name not in known]
    if lost:
        return _unknown(f"there is no reading {' '.join(lost)}", "Name readings that are recorded.", own), ()
    goals = [checks.goals[name] for name in ids if name in checks.goals]
    unmet = [goal for goal in goals if goal.word == "no"]
    if unmet:
        return _failed(unmet[0].because, unmet[0].settle or "Go on drying.", own), ()
    vague = [goal for goal in goals if not goal.known]
    if vague or len(goals) < len(ids):
        said = vague[0].because if vague else "no goal is set for every point these readings were taken at"
        settle = vague[0].settle if vague else "Set a goal and a dry reference for the point."
        return _unknown(said, settle, own), ()
    return _passed(f"goal met at {len(ids)} readings, machines off {num(off, 0)} h", own), ()


def _floor_dry(own: pd.DataFrame, asked: Asked | None, checks: Checks) -> tuple[Verdict, tuple[str, ...]]:  # noqa: ARG001
    """HP6: the humidity of the floor under a hood or in a hole sealed long enough."""
    limit, least = checks.ref.value("hold.floor_humidity_percent"), checks.ref.value("hold.floor_sealed_h")
    last = own.iloc[-1]
    if math.isnan(last["humidity_percent"]) or math.isnan(last["sealed_h"]):
        return _unknown("humidity or hours sealed not written down", SETTLE["hp6"], own), ()
    if last["sealed_h"] < least:
        said = f"sealed for {num(last['sealed_h'], 0)} h of the {num(least, 0)} h it takes to settle"
        return _unknown(said, f"Leave it sealed for {num(least, 0)} h.", own), ()
    humidity = float(last["humidity_percent"])
    said = f"{num(humidity, 1)} % RH, sealed {num(last['sealed_h'], 0)} h; limit {num(limit, 1)} %"
    numbers = {"margin": limit - humidity, "unit": "% RH"}
    near = checks.ref.value("hold.humidity_near_percent")
    told = (f"Within {num(near)} % of the limit, which is what a hygrometer may be out.",)
    beside = told if abs(limit - humidity) < near else ()
    if humidity <= limit:
        return _passed(said, own, **numbers), beside
    return _failed(said, "Wait, and measure again; or a surface membrane.", own, **numbers), beside


def _last_set(own: pd.DataFrame, asked: Asked | None, checks: Checks) -> tuple[Verdict, tuple[str, ...]]:  # noqa: ARG001
    """HP7: last readings at the survey's places, and levels after the works."""
    last = own.iloc[-1]
    ids = last["reading_ids"].split()
    known = {record.id: record for record in checks.house.site.of("reading")}
    named = [known[name] for name in ids if name in known]
    if not named:
        return _unknown("the last readings are not named", SETTLE["hp7"], own), ()
    repeated = [record for record in named if getattr(record, "repeats_id", "")]
    if len(repeated) < len(named):
        said = f"{len(named) - len(repeated)} of {len(named)} do not say which earlier reading they repeat"
        return _unknown(said, "Read at the survey's places, and say which reading each repeats.", own), ()
    levels = checks.house.site.table("level")
    if not (levels["stage"] == "as_built").any():
        return _unknown("no level after the works is recorded", "Level ground and course again.", own), ()
    return _passed(f"{len(named)} readings repeated, levels taken after the works", own), ()


JUDGES: dict[str, Judge] = {
    "hp1": _drains_tested,
    "hp2": _source_retested,
    "hp3": _cavity_clean,
    "hp4": _bridge_cut,
    "hp5": _goal_met,
    "hp6": _floor_dry,
    "hp7": _last_set,
}
SETTLE = {
    "hp1": "Plug it, fill it, and write down head, drop and minutes before anything is covered.",
    "hp2": "Repeat the source's test with enough water, and name the test.",
    "hp3": "Look along the cavity from every opening, measure, photograph both ways.",
    "hp4": "Look at the cut and the damp proof course along its length, and note the chainages.",
    "hp5": "Dryers off as long as asked, then read the fixed points, and name the readings.",
    "hp6": "Seal a hood or hole as long as asked, and read the humidity.",
    "hp7": "Read and level again at the survey's places.",
}
"""What would settle each hold point."""
