"""What is said of one fixed point, and which reading settles it, the cheapest first."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geo.drying.clock import SEEPAGE, Clock
from geo.drying.fits import DATED, EARLIEST, NEVER, Outlook
from geo.drying.goals import CONTENT, CONTROL, MET, NOT_MET, Goal
from geo.drying.rises import REBOUND, REWET, Rise
from geo.drying.series import Series, day_said
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict

CONTENTS = ("gravimetric", "carbide")
"""Methods that give a content, which what salts hold may be held against."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Known:
    """What is known of one point: as in :class:`geo.drying.follow.Followed`."""

    name: str
    is_control: bool
    goal: Goal
    verdict: Verdict
    clock: Clock
    outlook: Outlook | None
    used: Series | None
    day_0: np.datetime64
    hmc: Measured
    trend: Measured
    rises: tuple[Rise, ...]

    def on(self, day: float) -> str:
        """Return a day as it is said: ``day 43 (29 May 2026)``."""
        return f"day {day:.0f} ({day_said(self.day_0 + np.timedelta64(round(day * 24), 'h'))})"


def said_of(known: Known, *, ref: Reference) -> tuple[str, str]:
    """Return the sentence said of a point, and the one that says what settles it."""
    name, verdict, clock = known.name, known.verdict, known.clock
    if known.is_control:
        return f"{name} is a dry reference.", ""
    if not clock.running:
        return f"{name}: {SEEPAGE}: {clock.verdict.because}. No date is given.", clock.verdict.settle
    if verdict.word == MET:
        return f"{name} meets its goal: {verdict.because}.", ""
    last = next((rise for rise in reversed(known.rises) if rise.word != REBOUND), None)
    if last is not None and known.used is not None and len(known.used) <= 1:
        return f"{name} {last.word}: {last.because}.", last.settle
    not_met = verdict.word == NOT_MET
    head = f"{name} {verdict.word}: {verdict.because}." if not_met else f"{name}: {verdict.because}."
    waits = verdict.word == NOT_KNOWN and verdict.margin >= 0  # low enough; something else is missing
    if waits or known.outlook is None or known.used is None:
        return head, verdict.settle or known.goal.settle
    return _of_dates(known, known.outlook, known.used, head, last, ref)


def _of_dates(
    known: Known, outlook: Outlook, used: Series, head: str, last: Rise | None, ref: Reference
) -> tuple[str, str]:
    """Return what is said of when."""
    name = known.name
    if _salty(known, used, ref):
        said = f"drying cannot reach the goal of {known.goal.value:.1f}: its salts hold {known.hmc.value:.1f}"
        settle = "Agree another goal here: no more than salts hold (HMC + 2 sigma)."
        return f"{name}: {said} {used.unit} (HMC).", settle
    if outlook.word == NEVER:
        again = "Measure HMC at this point, and test the source again."
        return f"{head} It will not get there by drying as it goes now: {outlook.because}.", again
    now = f" Now {known.verdict.because}." if known.verdict.word == NOT_MET else ""
    after = _after(last)
    if outlook.word == DATED:
        said = f"not before {known.on(outlook.earliest_d)}, not after {known.on(outlook.latest_d)}"
        return f"{name}: {said}.{now}{after}", f"Read it on {known.on(outlook.latest_d)}, machines off."
    if outlook.word == EARLIEST:
        first = f"not before {known.on(outlook.earliest_d)}"
        if outlook.earliest_d <= float(used.days(known.day_0)[-1]):
            first = "it may be there already"
        said = f"{name}: {first}; latest date not known: {outlook.because}.{now}{after}"
        return said, _settling(known, outlook, used, ref)
    slope = ""
    if math.isfinite(known.trend.value):
        band = ref.value("confidence.z_95") * known.trend.sigma
        slope = f"; it changes {known.trend.value:+.1f} ± {band:.1f} {used.unit} a week"
    rhythm = used.rhythm_d if math.isfinite(used.rhythm_d) else ref.value("drying.rhythm_days")
    due = day_said(used.when[-1] + np.timedelta64(round(rhythm * 24), "h"))
    said = f"{head} Trend only: {outlook.because}{slope}.{after}"
    return said, f"Read it again on {due}, in the same way."


def _after(last: Rise | None) -> str:
    """Say what a rise does to the dates."""
    if last is None:
        return ""
    if last.word == REWET:
        return f" Its dates count from {day_said(last.at)}, when it was wetted again ({last.because})."
    return f" A rise cannot be told yet: {last.because}."


def _settling(known: Known, outlook: Outlook, used: Series, ref: Reference) -> str:
    """Say which reading settles whether the goal will be met at all, the cheaper one first."""
    parts = []
    goal, hmc = known.goal, known.hmc
    if used.method in CONTENTS and goal.kind in (CONTENT, CONTROL) and outlook.whether:
        if math.isnan(hmc.value):
            said = f"if it is {goal.value:.1f} or more, drying cannot reach the goal"
            parts.append(f"Measure HMC at this point now: {said}.")
        elif hmc.value + ref.value("confidence.z_95") * math.hypot(hmc.sigma, goal.sigma) < goal.value:
            parts.append(f"Salts hold {hmc.value:.1f} there, below the goal, so they do not stop it.")
        else:
            parts.append(f"Salts hold {hmc.value:.1f} there, too near the goal to tell; weigh two more.")
    if math.isnan(outlook.settle_d):
        parts.append("No one reading by this method can settle it; send samples to the oven.")
    elif outlook.whether:
        parts.append(
            f"A reading near {known.on(outlook.settle_d)} settles whether the goal will be met at all."
        )
    else:
        parts.append(f"A reading near {known.on(outlook.settle_d)} will let a latest date be given.")
    return " ".join(parts)


def _salty(known: Known, used: Series, ref: Reference) -> bool:
    """Whether salts surely hold more water than the goal allows."""
    goal, hmc = known.goal, known.hmc
    if goal.kind not in (CONTENT, CONTROL) or used.method not in CONTENTS or math.isnan(hmc.value):
        return False
    return hmc.value - ref.value("confidence.z_95") * math.hypot(hmc.sigma, goal.sigma) >= goal.value
