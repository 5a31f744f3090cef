"""What is due when: every period of a case, with its dates and the events they rest on.

A clock says when something is due, what was recorded, and how far apart the two are. It never says that a
duty was met.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np

from geo.portfolio.counting import (
    days_on,
    end_of_day,
    hours_on,
    local_day,
    working_days_between,
    working_days_on,
)
from geo.portfolio.events import event_words
from geo.portfolio.periods import Nation, Period, Periods

RUNNING, RECORDED, NOT_STARTED = "running", "recorded", "not_started"
NOT_KNOWN_HAZARD, NO_HAZARD = "not_known", "none"
BEGINS = "report"
"""The event by which somebody became aware: a period in force since a date is for cases that began since."""
ASSUMED_HAZARD = "significant"
"""What a report nobody has looked at yet is counted as, and said to be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dated:
    """One event as a clock sees it.

    Parameters
    ----------
    event_id, kind
        Which.
    at
        When, in UTC; the beginning of the day where no time was written.
    with_time
        Whether a time of day was written.
    """

    event_id: str
    kind: str
    at: dt.datetime
    with_time: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """One period of one case.

    Parameters
    ----------
    period
        Which.
    state
        ``"running"``: nothing recorded that ends it; ``"recorded"``: something is; ``"not_started"``: what it
        is counted from is not recorded.
    start, end
        The events it is counted from and ended by.
    due_at
        When it runs out, in UTC: the end of the last day, or the hour.
    due_on
        That day, by the nation's clock.
    beside
        Events that are shown with it and end nothing.
    assumed
        Counted as though the report were significant, because nobody has said what it is.
    remarks
        What the date does not say.
    """

    period: Period
    nation: Nation
    state: str
    start: Dated | None = None
    end: Dated | None = None
    due_at: dt.datetime | None = None
    due_on: dt.date | None = None
    beside: tuple[Dated, ...] = ()
    assumed: bool = False
    remarks: tuple[str, ...] = ()

    @property
    def rests_on(self) -> tuple[str, ...]:
        """Ids of the events it rests on."""
        named = [one.event_id for one in (self.start, self.end) if one is not None]
        return (*named, *(one.event_id for one in self.beside))

    @property
    def late(self) -> bool:
        """Whether what ended it was recorded after the date."""
        return self.end is not None and self.due_at is not None and self.end.at >= self.due_at

    def said(self, now: dt.datetime) -> str:
        """Say in one sentence how it stands at a moment: dates only, no judgement."""
        label = f"{self.period.label} ({self.period.by})"
        if self.start is None or self.due_at is None or self.due_on is None:
            return f"{label}: not started, no {event_words(self.period.starts_at)} is recorded."
        if self.period.unit == "hours":
            due = f"{self.due_at.astimezone(ZoneInfo(self.nation.zone)):%a %d %b %Y %H:%M}"
        else:
            due = f"{self.due_on:%a %d %b %Y}"
        if self.assumed:
            label = f"{label}, if the report is of a significant hazard"
        if self.end is not None:
            when = local_day(self.end.at, self.nation)
            told = f"{event_words(self.end.kind)} recorded {when:%a %d %b %Y}, {self._apart(self.end.at)}"
            return f"{label}: date {due}; {told}."
        return f"{label}: date {due}, {self._apart(now)}; nothing recorded that ends it."

    def _apart(self, moment: dt.datetime) -> str:
        if self.due_at is None or self.due_on is None:
            return ""
        if self.period.unit == "hours":
            left = (self.due_at - moment).total_seconds() / 3600
            return f"{abs(left):.1f} hours {'before' if left > 0 else 'after'} it"
        day = local_day(moment, self.nation)
        if day == self.due_on:
            return "that day"
        if self.period.unit == "working_days":
            left = int(
                working_days_between(np.datetime64(day), np.datetime64(self.due_on), nation=self.nation)
            )
            if left == 0:
                apart = (self.due_on - day).days
                return (
                    f"{_count(apart, 'day')} {'before' if apart > 0 else 'after'} it, no working day between"
                )
            return f"{_count(left, 'working day')} {'before' if left > 0 else 'after'} it"
        left = (self.due_on - day).days
        return f"{_count(left, 'day')} {'before' if left > 0 else 'after'} it"


def due_of(
    period: Period, start: dt.datetime, *, nation: Nation, first_day: str
) -> tuple[dt.datetime, dt.date]:
    """Return when a period that begins at a moment runs out: the moment in UTC, and its day.

    Parameters
    ----------
    start
        When the event was, in UTC.
    first_day
        Which day is day 1, see :class:`~geo.portfolio.periods.Periods`; hours run from the moment itself.
    """
    if period.unit == "hours":
        at = hours_on(start, period.length)
        return at, local_day(at, nation)
    day = np.array([local_day(start, nation)], dtype="datetime64[D]")
    if period.unit == "working_days":
        last = working_days_on(day, period.length, nation=nation, first_day=first_day)
    else:
        days = period.length * (7 if period.unit == "weeks" else 1)
        last = days_on(day, days, first_day=first_day)
    due = last[0].item()
    return end_of_day(due, nation), due


def clocks_of(
    events: Sequence[Dated],
    *,
    nation: str,
    tenure: str,
    hazard: str,
    periods: Periods,
    found: str = "",
) -> tuple[Clock, ...]:
    """Return the clocks of one case, in the order of the file.

    Parameters
    ----------
    events
        Events of the case, in any order. A period counts from the first of its starting kind, and is ended
        by the first that ends it at or after that.
    nation, tenure
        Of the home, words of the register; a nation without a calendar here has no clocks.
    hazard
        What the first look made of it; ``"not_known"`` is counted as significant, and says so.
    found
        What the investigation found, for the periods that begin with it; ``""`` where it did not say.
    """
    where = periods.nations.get(nation)
    if where is None:
        return ()
    in_order = sorted(events, key=lambda one: (one.at, one.event_id))
    firsts: dict[str, Dated] = {}
    for one in in_order:
        firsts.setdefault(one.kind, one)
    made = []
    for period in periods.periods.values():
        taken = hazard if period.starts_at == BEGINS else found or hazard
        assumed = taken == NOT_KNOWN_HAZARD
        if not period.suits(nation=nation, tenure=tenure, hazard=ASSUMED_HAZARD if assumed else taken):
            continue
        if taken == NO_HAZARD and period.starts_at not in firsts:
            continue
        if (clock := _clock(period, where, in_order, firsts, periods)) is not None:
            made.append(replace(clock, assumed=True) if assumed and period.hazards else clock)
    return tuple(made)


def promise_of(due_on: dt.date, *, label: str, made: Dated, ended: Dated | None, nation: Nation) -> Clock:
    """Return the clock of a date promised to somebody."""
    period = Period(
        key="promised", label=label, by="promise", starts_at=made.kind, ended_by=(), length=1, unit="days",
        source="the promise itself", status="SETTING",
    )  # fmt: skip
    state = RUNNING if ended is None else RECORDED
    return Clock(
        period=period, nation=nation, state=state, start=made, end=ended,
        due_at=end_of_day(due_on, nation), due_on=due_on,
    )  # fmt: skip


def next_due(clocks: Iterable[Clock], *, by: str) -> dt.datetime | None:
    """Return the earliest date of the running clocks, ``None`` where none runs."""
    running = [
        clock.due_at
        for clock in clocks
        if clock.state == RUNNING and clock.period.by == by and clock.due_at is not None
    ]
    return min(running, default=None)


def _clock(
    period: Period, nation: Nation, events: Sequence[Dated], firsts: Mapping[str, Dated], periods: Periods
) -> Clock | None:
    if not events:
        return None
    began = firsts.get(BEGINS, events[0])
    if period.from_date and local_day(began.at, nation) < period.from_date:
        return None
    start = firsts.get(period.starts_at)
    if start is None:
        return Clock(period=period, nation=nation, state=NOT_STARTED)
    due_at, due_on = due_of(period, start.at, nation=nation, first_day=periods.first_day)
    later = [
        one for one in events if one.at >= start.at or (not one.with_time and _same_day(one, start, nation))
    ]
    end = next((one for one in later if one.kind in period.ended_by), None)
    beside = tuple(one for one in later if one.kind in period.see_also)
    remarks = []
    if period.unit == "hours" and not start.with_time:
        remarks.append("The time of day was not written: counted from the beginning of that day.")
    if end is not None and period.unit == "hours" and not end.with_time:
        remarks.append("The time of day of what ended it was not written.")
    if period.status == "PLANNED":
        remarks.append("Whether this was in force then was not checked.")
    return Clock(
        period=period, nation=nation, state=RUNNING if end is None else RECORDED, start=start, end=end,
        due_at=due_at, due_on=due_on, beside=beside, remarks=tuple(remarks),
    )  # fmt: skip


def _same_day(one: Dated, other: Dated, nation: Nation) -> bool:
    return local_day(one.at, nation) == local_day(other.at, nation)


def _count(number: int, word: str) -> str:
    return f"{abs(number)} {word}{'' if abs(number) == 1 else 's'}"
