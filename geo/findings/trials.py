"""Tests made on site, judged: did it show, and where it did not, was it big enough to mean anything."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from geo.drains.backup import sufficiency
from geo.findings.drains import Drains
from geo.findings.trial_amounts import clashes, trial_amounts
from geo.findings.trial_needs import PASSES, POURED, Needed, needed_before, read_beside
from geo.findings.trial_plugged import judge_plugged
from geo.findings.trial_rivals import beside_tests
from geo.reference import Reference
from geo.site.model import Site
from geo.verdict import NOT_KNOWN, Measured, Verdict

NAN = math.nan
POSITIVE, NEGATIVE, NO_INFORMATION = "positive", "negative, and big enough", "no information"
POURED_KINDS = ("hose", "dye", "appliance")
LEAKING = ("crack", "fracture", "open_joint", "displaced", "collapsed")
FLOWING = ("clear", "works")
FROM_AIR = {
    "room_face": "water on the face of the sheet towards the room: it came out of the air",
    "both_faces": "water on both faces of the sheet: some came out of the air, some out of the wall",
}
"""Wet faces of a sealed sheet that show water out of the air."""
TIMED_KINDS = {
    "spray": "trials.spray_minutes",
    "sheet": "trials.sheet_minutes",
    "pressure": "trials.pressure_minutes",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JudgedTrial:
    """One test on site and what it is worth.

    Parameters
    ----------
    trial_id, trial_kind, source_id
        The test.
    verdict
        ``positive``; ``negative, and big enough``; ``no information`` (it could not have shown); ``holds`` or
        ``leaks`` for a plugged run; or not known, with what would settle it.
    rate, minutes, litres
        What was put in: l/s, min, l; NaN where not known.
    needed
        What it had to pour; ``None`` for tests that are not of poured water.
    told
        What one should know beside it: a colour used twice, a clash, guesses.
    lacks
        What a positive test still lacks to prove its source; empty when it lacks nothing.
    after_works
        It was made after the works, to see whether they hold: it says nothing of what the survey found.
    """

    trial_id: str
    trial_kind: str
    source_id: str
    verdict: Verdict
    rate: Measured
    minutes: Measured
    litres: Measured
    needed: Needed | None
    told: tuple[str, ...]
    lacks: tuple[str, ...]
    after_works: bool = False


def judge_trials(site: Site, drains: Drains | None) -> tuple[JudgedTrial, ...]:
    """Judge every test of a site.

    Parameters
    ----------
    drains
        The site's drains laid out; ``None`` when they cannot be, and nothing poured can be judged negative.
    """
    table = site.table("trial")
    if table.empty:
        return ()
    ref = site.reference
    amounts = trial_amounts(table, ref=ref)
    beside = beside_tests(site, table, amounts)
    judged = []
    for trial_id, trial in table.iterrows():
        amount = amounts.loc[trial_id]
        rate, minutes, litres = (
            Measured(float(amount[name]), float(amount[sigma]))
            for name, sigma in (
                ("rate_l_s", "rate_sigma_l_s"), ("minutes", "minutes_sigma"), ("litres", "litres_sigma")
            )
        )  # fmt: skip
        own = beside[str(trial_id)]
        told = [*own.told, *_clash(amount, ref), *_contradictions(drains, str(trial_id))]
        needed = None
        kind = str(trial["trial_kind"])
        if kind == "plugged":
            verdict, more = judge_plugged(trial, minutes, network=drains.network if drains else None, ref=ref)
            told += more
        elif kind in POURED_KINDS:
            if drains is not None:
                needed = needed_before(site, drains, str(trial["source_id"]), rate)
                told += read_beside(needed)
            verdict = _poured(trial, litres, needed, ref)
        elif kind in TIMED_KINDS:
            verdict = _timed(trial, minutes, ref.value(TIMED_KINDS[kind]))
        else:
            verdict = _looked(trial)
        lacks: tuple[str, ...] = ()
        if verdict.word == POSITIVE and kind in POURED_KINDS:
            lacks = (*_lacks(trial, own.wet), *_passed_below(site, trial, rate, litres, needed))
        judged.append(
            JudgedTrial(
                trial_id=str(trial_id), trial_kind=kind, source_id=str(trial["source_id"]), verdict=verdict,
                rate=rate, minutes=minutes, litres=litres, needed=needed, told=tuple(told), lacks=lacks,
                after_works=trial["stage"] == "as_built",
            )
        )  # fmt: skip
    return tuple(judged)


def trials_table(judged: tuple[JudgedTrial, ...], *, ref: Reference) -> pd.DataFrame:
    """Return judged tests as a table for a page or a sheet, one row a test, indexed by id.

    Returns
    -------
    ``what``, ``source_id``, ``litres``, ``litres_sigma``, ``minutes``, ``rate_l_s``, ``rate_sigma_l_s``,
    ``needs_l``, ``needs_minutes``, ``wanted_l``, ``word``, ``because``, ``settle``, ``told``, ``lacks``;
    NaN where not known.
    """
    rows = [
        {
            "what": ref.word("trial_kind", one.trial_kind), "source_id": one.source_id,
            "litres": one.litres.value, "litres_sigma": one.litres.sigma, "minutes": one.minutes.value,
            "rate_l_s": one.rate.value, "rate_sigma_l_s": one.rate.sigma,
            "needs_l": one.needed.litres.value if one.needed else NAN,
            "needs_minutes": one.needed.minutes if one.needed else NAN,
            "wanted_l": one.needed.wanted_l if one.needed else NAN,
            "word": one.verdict.word, "because": one.verdict.because, "settle": one.verdict.settle,
            "told": " ".join(one.told), "lacks": ", ".join(one.lacks),
        }
        for one in judged
    ]  # fmt: skip
    columns = ["what", "source_id", "litres", "litres_sigma", "minutes", "rate_l_s", "rate_sigma_l_s"]
    columns += ["needs_l", "needs_minutes", "wanted_l", "word", "because", "settle", "told", "lacks"]
    index = pd.Index([one.trial_id for one in judged], dtype=object)
    return pd.DataFrame(rows, index=index, columns=columns)


def _poured(trial: pd.Series[Any], litres: Measured, needed: Needed | None, ref: Reference) -> Verdict:
    """Judge a test of poured water: shown, or not shown with so many litres against so many."""
    rests = (str(trial.name), str(trial["source_id"]))
    if trial["shown"] == "shown":
        return _shown(trial)
    if math.isnan(litres.value):
        said = "how much water was put in is not recorded"
        settle = "Write down the litres, or the bucket, its seconds, the start and the stop."
        return Verdict(word=NOT_KNOWN, because=said, settle=settle, rests_on=rests)
    if needed is None or needed.stops.empty:
        because = (
            needed.because
            if needed
            else "the drains could not be laid out, so what it had to fill is not known"
        )
        settle = needed.settle if needed else "Mend what is wrong with the records of the drains."
        return Verdict(
            word=NOT_KNOWN, because=f"{litres.value:.0f} l: {because}", settle=settle, rests_on=rests
        )
    asked = {str(name): _against(litres, row, ref) for name, row in needed.stops.iterrows()}
    enough = [name for name, each in asked.items() if each.word == "enough"]
    short = [name for name, each in asked.items() if each.word == NO_INFORMATION]
    unknown = [name for name, each in asked.items() if each.word == NOT_KNOWN]
    stopped = ""
    if trial["shown"] == "stopped":
        why = str(trial["stopped_because"]).rstrip(".")
        stopped = f"stopped early{': ' + why if why else ''}; "
    only = f"; it speaks of {', '.join(enough)} only" if enough and (short or unknown) else ""
    if short:
        worst = max(short, key=lambda name: _finite(needed.stops.loc[name, "litres"]))
        each = asked[worst]
        said = f"{stopped}{each.because} with {worst} stopped{only}"
        return _like(each, NO_INFORMATION, said, _pour(needed) or each.settle, rests)
    if unknown:
        worst = max(unknown, key=lambda name: _finite(needed.stops.loc[name, "litres"]))
        each = asked[worst]
        said = f"{stopped}{each.because} with {worst} stopped{only}"
        return _like(each, NOT_KNOWN, said, needed.settle or _pour(needed) or each.settle, rests)
    if not enough:
        said = f"{stopped}the water finds another way whatever is stopped below {needed.enters}"
        return Verdict(
            word=NO_INFORMATION, because=said, settle="Pour where it must pass the stop.", rests_on=rests
        )
    worst = needed.stop or enough[0]
    said = f"{stopped}{asked[worst].because} with {worst} stopped"
    return _like(asked[worst], NEGATIVE, said, "", rests)


def _against(litres: Measured, row: pd.Series[Any], ref: Reference) -> Verdict:
    """Hold litres poured against what one stop asks; ``enough`` also where a missing level cannot matter."""
    word = str(row["word"])
    if word == POURED:
        needs = Measured(float(row["litres"]), math.hypot(float(row["litres_sigma"]), litres.sigma))
        found = sufficiency(litres.value, needs, ref=ref)
        if found.word == "enough" and row["at_least"]:
            said = f"{found.because}, or more: a size is not recorded"
            return Verdict(word=NOT_KNOWN, because=said, settle="Measure what has no size on the way.")
        return found
    if word == PASSES:
        return Verdict(word=NO_INFORMATION, because=str(row["because"]), settle=str(row["settle"]))
    if word != NOT_KNOWN:
        return Verdict(word=word, because=str(row["because"]))
    factor, z = ref.value("drains.pour_factor"), ref.value("drains.rival_sigmas")
    low, high = float(row["litres_low"]), float(row["litres_high"])
    span = f"the litres it can hold lie between {low:.0f} and {high:.0f}"
    if math.isfinite(high) and high > 0 and litres.value >= factor * high and not row["at_least"]:
        return Verdict(word="enough", because=f"{litres.value:.0f} l; {span}")
    if math.isfinite(low) and low > 0 and litres.value < low - z * litres.sigma:
        return Verdict(
            word=NO_INFORMATION, because=f"{litres.value:.0f} l; {span}", settle=str(row["settle"])
        )
    said = f"{litres.value:.0f} l, and what it had to fill is not known: {row['because']}"
    return Verdict(word=NOT_KNOWN, because=said, settle=str(row["settle"]))


def _shown(trial: pd.Series[Any]) -> Verdict:
    at = str(trial["shown_id"])
    if not at and math.isfinite(trial["chainage_m"]):
        at = f"chainage {trial['chainage_m']:.2f} m"
    after = trial["shown_after_s"]
    said = (
        "it showed" + (f" at {at}" if at else "") + (f" after {after:.0f} s" if math.isfinite(after) else "")
    )
    named = (str(trial.name), str(trial["source_id"]), str(trial["shown_id"]))
    return Verdict(word=POSITIVE, because=said, rests_on=tuple(name for name in named if name))


def _timed(trial: pd.Series[Any], minutes: Measured, least: float) -> Verdict:
    """Judge a test that needs time rather than litres: a spray, a sheet, a pressure test."""
    sheet = trial["trial_kind"] == "sheet"
    if sheet and trial["shown"] != "wall_face":
        return _sheet(trial)
    if trial["shown"] == "shown":
        return _shown(trial)
    rests = (str(trial.name), str(trial["source_id"]))
    settle = f"Give it {least:.0f} min or more, and write down start and stop."
    if not math.isfinite(minutes.value):
        said = "how long it ran is not recorded"
        return Verdict(word=NOT_KNOWN, because=said, settle=settle, rests_on=rests)
    said = "water under the sheet only: it came out of the wall; " if sheet else ""
    said += f"{minutes.value:.0f} min against the {least:.0f} min it takes"
    facts: dict[str, Any] = {
        "margin": minutes.value - least,
        "sigma": minutes.sigma,
        "unit": "min",
        "rests_on": rests,
    }
    if minutes.value + 2.0 * minutes.sigma < least:
        return Verdict(
            word=NO_INFORMATION, because=f"{said}: it could not have shown", settle=settle, **facts
        )
    return Verdict(word=NEGATIVE, because=said, **facts)


def _sheet(trial: pd.Series[Any]) -> Verdict:
    """Judge a sealed sheet by its wet face: the room's is wet out of the air, the wall's out of the wall.

    Water on a face nobody wrote down says neither, and a sheet dry on both only that none came in that time.
    """
    rests = tuple(name for name in (str(trial.name), str(trial["source_id"])) if name)
    because = FROM_AIR.get(str(trial["shown"]), "")
    if because:
        return Verdict(word=POSITIVE, because=because, rests_on=rests)
    because = "which face of the sheet was wet is not recorded"
    settle = "Write down which face of the sheet the water is on, the room's or the wall's."
    if trial["shown"] != "shown":
        because = "no water on either face: that says only that none came in that time"
        settle = "Leave it again in colder or damper weather, and look at both faces."
    return Verdict(word=NOT_KNOWN, because=because, settle=settle, rests_on=rests)


def _looked(trial: pd.Series[Any]) -> Verdict:
    """Judge tracing, camera, sonde and soakage: what they show they show; silence is not measured here."""
    if trial["shown"] == "shown":
        return _shown(trial)
    kind = str(trial["trial_kind"])
    settle = {
        "camera": "Write down in watched which runs it passed, and how far it got.",
        "sonde": "Trace it from the other end too.",
        "soakaway_fill": "Write down the fall of its water against time, and judge the soakage from that.",
    }.get(kind, "Pour enough to fill the runs, and watch every chamber between.")
    said = (
        "nothing came, and how much would have had to is not known"
        if kind == "tracing"
        else "nothing was found"
    )
    return Verdict(
        word=NOT_KNOWN, because=said, settle=settle, rests_on=(str(trial.name), str(trial["source_id"]))
    )


def _lacks(trial: pd.Series[Any], wet: tuple[str, ...]) -> tuple[str, ...]:
    """Return what a positive test lacks to prove its source: time, colour, a picture before, rivals dry."""
    found = []
    if not math.isfinite(trial["shown_after_s"]):
        found.append("the seconds until it showed")
    if trial["dye"] in ("", "none"):
        found.append("a colour of its own")
    return (*found, *wet)


def _passed_below(
    site: Site, trial: pd.Series[Any], rate: Measured, litres: Measured, needed: Needed | None
) -> list[str]:
    """Return what of the drain below shared the water, and could as well have let it out.

    A stop that so much water could have backed up from, wherever along its run it is, one of which that is
    not known, and a run seen to leak, are rivals that were wet. Below what is known to be clear or to work
    nothing backs up.
    """
    if needed is None or needed.stops.empty or trial["shown_id"]:
        return []
    in_by_then = rate.value * float(trial["shown_after_s"])
    came = in_by_then if math.isfinite(in_by_then) else litres.value
    below = {str(one.id): one for kind in ("run", "soakaway") for one in site.of(kind)}
    found = []
    for name, row in needed.stops.iterrows():
        state = str(getattr(below.get(str(name)), "state", ""))
        if state in LEAKING:
            found.append(not_leaking(str(name)))
        elif state not in FLOWING and _may_stop(row, came, below.get(str(name))):
            found.append(not_stopped(str(name)))
    return found


def not_stopped(name: str) -> str:
    """Say of a run or soakaway what a test above it lacks while it may have been stopped."""
    return f"that {name} below it was not stopped"


def not_leaking(name: str) -> str:
    """Say of a run what a test above it lacks while it may have leaked."""
    return f"that {name} below it did not leak"


def _may_stop(row: pd.Series[Any], came_l: float, run: Any) -> bool:
    """Say whether so much water could have backed up from a stop, at the upper end of its run if need be."""
    if row["word"] != POURED:
        return bool(row["word"] == NOT_KNOWN)
    shape, bore = getattr(run, "geometry", None), getattr(run, "bore_mm", None)
    if shape is None or getattr(run, "kind", "") != "run":
        return came_l >= float(row["litres"])
    own = math.inf if bore is None else 1000.0 * shape.length * math.pi * (bore / 2000.0) ** 2
    return came_l >= float(row["litres"]) - own


def _clash(amount: pd.Series[Any], ref: Reference) -> list[str]:
    """Say where litres written down are not what rate and time give."""
    if clashes(amount.to_frame().T, ref=ref).iloc[0]:
        return [
            f"{amount['litres']:.0f} l are written down, and rate by time gives {amount['by_rate_l']:.0f} l."
        ]
    return []


def _contradictions(drains: Drains | None, trial_id: str) -> list[str]:
    faults = () if drains is None else drains.faults
    return [f"{one.said}." for one in faults if one.rule == "contradiction" and trial_id in one.ids]


def _pour(needed: Needed) -> str:
    """Return what to pour next time, from the stop that takes most."""
    if not math.isfinite(needed.wanted_l):
        return ""
    over = f" over {needed.wanted_minutes:.0f} min" if math.isfinite(needed.wanted_minutes) else ""
    least = f" ({needed.minutes:.1f} min is the least)" if over else ""
    return f"Pour {needed.wanted_l:.0f} l{over}{least}."


def _like(each: Verdict, word: str, because: str, settle: str, rests: tuple[str, ...]) -> Verdict:
    return Verdict(
        word=word, because=because, settle=settle, margin=each.margin, sigma=each.sigma, unit=each.unit,
        rests_on=rests,
    )  # fmt: skip


def _finite(value: Any) -> float:
    return float(value) if math.isfinite(float(value)) else math.inf
