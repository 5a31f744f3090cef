"""Marks made on the way: what a tap on a stop adds, changes or takes out."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from geo.site.records import StopMark
from geo.walk.stops import WalkPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class Tap:
    """What somebody said of a stop.

    Parameters
    ----------
    stop
        Id of the stop.
    state
        A word of ``stop_state``; blank takes the mark off.
    at
        When, with its zone.
    """

    stop: str
    state: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Marking:
    """What taps come to: marks to put, and ids of marks to take out."""

    put: tuple[StopMark, ...]
    remove: tuple[str, ...]


def mark_id(stop: str) -> str:
    """Return the id of the mark of a stop: the same on every device, so that two taps meet on one record."""
    return f"mark-{hashlib.sha256(stop.encode()).hexdigest()[:12]}"


def marking(taps: Sequence[Tap], marks: Sequence[StopMark]) -> Marking:
    """Return the records that taps change.

    A stop has one mark, which keeps its note and photographs when it is marked anew. Where a file brought
    several for one stop, the last that counts is changed and the others go.

    Parameters
    ----------
    taps
        In the order they were made; of several on one stop the last holds.
    marks
        Marks on record, in file order.
    """
    wanted = {tap.stop: tap for tap in taps}
    put: list[StopMark] = []
    remove: list[str] = []
    for stop, tap in wanted.items():
        own = [mark for mark in marks if mark.stop == stop]
        fixed = mark_id(stop)
        kept = next((mark for mark in own if mark.id == fixed), own[-1] if own else None)
        if tap.state:
            when = tap.at.isoformat(timespec="seconds")
            said = {"stop": stop, "state": tap.state, "marked_at": when}
            old = {} if kept is None else kept.model_dump()
            put.append(StopMark.model_validate({"id": fixed, **old, **said}))
        remove += [mark.id for mark in own if not tap.state or mark is not kept]
    return Marking(put=tuple(put), remove=tuple(remove))


def marked_on(marks: Sequence[StopMark], day: date) -> tuple[StopMark, ...]:
    """Return the marks made on a day, by the clock they were written with."""
    return tuple(mark for mark in marks if mark.marked_at[:10] == day.isoformat())


def of_each_visit(plan: WalkPlan, marks: Sequence[StopMark], *, today: date) -> tuple[str, ...]:
    """Return the stops every visit has anew, set-up and close-down, whose marks are not of today."""
    fresh = {mark.stop for mark in marked_on(marks, today)}
    old = {mark.stop for mark in marks} - fresh
    return tuple(stop.id for stop in plan.stops if stop.part in ("set_up", "close_down") and stop.id in old)
