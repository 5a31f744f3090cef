"""Water put in, as a person says it: a rate, rain, or pours one after another."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from geo.drains.storage import Inflow
from geo.errors import InputError, Problem

POUR = re.compile(r"\s*(\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)\s*(?:x\s*(\d+))?\s*", re.IGNORECASE)
MOST_POURS = 1000


def read_pours(said: Sequence[str], *, wait_s: float) -> Inflow:
    """Read pours such as ``20:80`` or ``20:80x3``: litres, seconds it takes, and how often.

    Parameters
    ----------
    said
        One text a pour, in the order they are poured.
    wait_s
        Seconds from the end of one pour to the beginning of the next.

    Raises
    ------
    InputError
        When one cannot be read, or there are more than a thousand.
    """
    pours: list[tuple[float, float]] = []
    for each in said:
        match = POUR.fullmatch(each)
        litres, seconds = (float(match[1]), float(match[2])) if match else (0.0, 0.0)
        times = int(match[3] or 1) if match else 0
        if not (litres > 0 and seconds > 0 and times > 0 and len(pours) + times <= MOST_POURS):
            raise InputError([_not_a_pour(each)])
        pours += [(litres, seconds)] * times
    pieces, at = [], 0.0
    for litres, seconds in pours:
        pieces.append((at, at + seconds, litres / seconds))
        at += seconds + wait_s
    return Inflow(pieces=tuple(pieces), said=_said(pours, wait_s))


def _said(pours: Sequence[tuple[float, float]], wait_s: float) -> str:
    runs: list[tuple[tuple[float, float], int]] = []
    for pour in pours:
        again = runs and runs[-1][0] == pour
        runs[-1:] = [(pour, runs[-1][1] + 1)] if again else [*runs[-1:], (pour, 1)]
    listed = [
        f"{f'{times} × ' if times > 1 else ''}{litres:g} l in {seconds:g} s"
        for (litres, seconds), times in runs
    ]
    waits = f", {wait_s:g} s between" if len(pours) > 1 else ""
    return ", then ".join(listed) + waits


def _not_a_pour(said: str) -> Problem:
    return Problem(
        file="--pour",
        found=repr(said),
        allowed=f"litres:seconds, such as 20:80, or 20:80x3 for three; {MOST_POURS} pours at most",
        mend="Write it so; say it again for each pour.",
    )


def wrong_flow(
    *,
    blocked: str,
    source: str,
    at: float | None,
    rate: float | None,
    rain: float | None,
    minutes: float | None,
    pours: Sequence[str],
    wait: float | None,
    surcharged: bool,
) -> str:
    """Return what is wrong with how a question was put, or nothing: one sentence."""
    numbers = {"--at": at, "--rate": rate, "--rain": rain, "--minutes": minutes, "--wait": wait}
    wild = [name for name, value in numbers.items() if value is not None and not math.isfinite(value)]
    if wild:
        return f"{', '.join(wild)}: a plain number is wanted: metres, l/s, mm/h, minutes or seconds."
    asked = surcharged or bool(pours) or any(value is not None for value in (rate, rain, minutes, wait))
    if not blocked and not source and (asked or at is not None):
        return "Name what is blocked with --blocked ID, or where water is put in with --source ID."
    if at is not None and not blocked:
        return "--at says where a run is blocked: name the run with --blocked ID."
    if sum((rate is not None, rain is not None, bool(pours))) > 1:
        return "--rate, --rain and --pour are three ways of putting water in: choose one."
    if minutes is not None and rate is None and rain is None:
        return "--minutes says how long a rate or a rain lasts: give --rate or --rain."
    if wait is not None and not pours:
        return "--wait is the time between pours: give --pour."
    return ""
