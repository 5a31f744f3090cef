"""A home's cases: which are open, since when, with which clocks."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from geo.portfolio.clocks import NOT_KNOWN_HAZARD, RUNNING, Clock, clocks_of, promise_of
from geo.portfolio.entry import Entry
from geo.portfolio.periods import Periods

OPENS = ("report", "triage", "notice")
"""Kinds that open a case."""
ENGLAND, SOCIAL = "england", "social_rent"
"""What a home is counted as where nobody wrote it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One case of a home, from what opened it to its closing; one opened again is a case of its own.

    Parameters
    ----------
    case_id
        As written, ``""`` for a home's only one.
    events
        Its events that stand, in the order they happened.
    closed
        The event that closed it, ``None`` while it is open.
    hazard, found
        What the first look made of it, and what the investigation found; ``""`` where neither is said.
    """

    case_id: str
    events: tuple[Entry, ...]
    closed: Entry | None
    hazard: str
    found: str

    @property
    def open(self) -> bool:
        """Whether it waits for something."""
        return self.closed is None

    @property
    def opened_at(self) -> dt.datetime:
        """When it began, in UTC."""
        return self.events[0].at

    def last(self, kind: str) -> Entry | None:
        """Return its last event of a kind."""
        return next((one for one in reversed(self.events) if one.kind == kind), None)

    def any_yes(self, name: str) -> bool:
        """Tell whether its last triage says yes to something."""
        last = self.last("triage")
        return last is not None and last.get(name) == "yes"


def cases_of(events: Sequence[Entry]) -> tuple[Case, ...]:
    """Return the cases of a home, in the order they began.

    Parameters
    ----------
    events
        Events of the home that stand, in the order they happened. Those before anything opened a case, and
        facts of the home, belong to none.
    """
    rounds: dict[str, list[list[Entry]]] = {}
    for entry in events:
        if entry.kind == "home":
            continue
        own = rounds.setdefault(entry.case_id, [])
        if not own or own[-1][-1].kind == "closed":
            if entry.kind not in OPENS:
                continue
            own.append([])
        own[-1].append(entry)
    made = [_case(case_id, some) for case_id, own in rounds.items() for some in own if some]
    return tuple(sorted(made, key=lambda one: (one.opened_at, one.case_id)))


def clocks_of_case(case: Case, *, nation: str, tenure: str, periods: Periods) -> tuple[Clock, ...]:
    """Return every clock of a case: by law, and as promised."""
    found = list(
        clocks_of(
            [entry.dated for entry in case.events],
            nation=nation or ENGLAND,
            tenure=tenure or SOCIAL,
            hazard=case.hazard or NOT_KNOWN_HAZARD,
            found=case.found,
            periods=periods,
        )
    )
    where = periods.nations.get(nation or ENGLAND)
    if where is None:
        return tuple(found)
    answered = {str(entry.get("of_id")): entry for entry in case.events if entry.kind == "kept"}
    for entry in case.events:
        due = entry.get("due_on") if entry.kind == "promise" else entry.get("reply_by")
        if entry.kind not in ("promise", "notice") or not due:
            continue
        label = (
            str(entry.get("promised"))
            if entry.kind == "promise"
            else f"Answer to a {_plain(entry.get('notice_kind'))}"
        )
        ended = answered.get(entry.event_id)
        found.append(
            promise_of(
                dt.date.fromisoformat(due),
                label=label,
                made=entry.dated,
                ended=None if ended is None else ended.dated,
                nation=where,
            )
        )
    return tuple(found)


def running(clocks: Sequence[Clock]) -> list[Clock]:
    """Return the clocks that run, the earliest date first."""
    some = [clock for clock in clocks if clock.state == RUNNING and clock.due_at is not None]
    return sorted(
        some, key=lambda clock: (clock.due_at or dt.datetime.max.replace(tzinfo=dt.UTC), clock.period.key)
    )


def _case(case_id: str, events: list[Entry]) -> Case:
    last = events[-1]
    hazard = next((str(one.get("hazard")) for one in reversed(events) if one.kind == "triage"), "")
    found = next((str(one.get("hazard")) for one in reversed(events) if one.kind == "investigated"), "")
    return Case(
        case_id=case_id,
        events=tuple(events),
        closed=last if last.kind == "closed" else None,
        hazard=hazard,
        found=found,
    )


def _plain(word: object) -> str:
    return str(word).replace("_", " ")
