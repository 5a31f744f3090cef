"""A walk under way: what is done, what is left, how long it takes, and what to leave out to be in time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from geo.reference import Reference
from geo.site.records import Record
from geo.walk.plan import total_of
from geo.walk.stops import Stop, WalkPlan

NOT_YET = "not yet"
SETTLED = "settled by the records"


@dataclass(frozen=True, slots=True, kw_only=True)
class Drop:
    """A stop to leave out: the minutes it saves, spare time included, and what will not be known."""

    stop: Stop
    saved_min: float
    not_known: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Shorter:
    """A walk made to fit.

    Parameters
    ----------
    within_min, whole_min, kept_min
        Minutes there are, minutes of all that is ahead, and minutes of what is kept.
    drops
        What is left out, first the one that costs the report least.
    """

    within_min: float
    whole_min: float
    kept_min: float
    drops: tuple[Drop, ...]

    @property
    def fits(self) -> bool:
        """Whether what is kept fits into the time there is."""
        return self.kept_min <= self.within_min + 1e-9

    @property
    def over_min(self) -> float:
        """Minutes by which it still does not fit; 0 when it does."""
        return max(0.0, self.kept_min - self.within_min)


@dataclass(frozen=True, slots=True, kw_only=True)
class Remaining:
    """A walk under way.

    Parameters
    ----------
    state
        By stop id, in order: ``done``, ``left_out``, ``no_access``, ``not yet``, ``settled by the records``.
    left
        Stops not yet visited, in order; none is ever hidden.
    left_min
        Minutes they take, walking and what goes wrong included.
    ends_at
        When the walk then ends.
    not_known
        What will not be known because a stop was left out or could not be reached.
    unmatched
        Marks whose stop the plan no longer has: (stop, state).
    """

    state: dict[str, str]
    left: tuple[Stop, ...]
    left_min: float
    ends_at: datetime
    not_known: tuple[str, ...]
    unmatched: tuple[tuple[str, str], ...]


def leave_out(plan: WalkPlan, *, within_min: float, ref: Reference, marks: Sequence[Record] = ()) -> Shorter:
    """Say what to leave out so that a walk fits, and what will then not be known.

    What costs the report least goes first; within a kind, the last of the walk. What turns out to fit after
    all is taken back, so no stop is left out needlessly. Set-up, corners, gullies, downpipes, ways in, wet
    lengths and the close-down are never left out.

    Parameters
    ----------
    within_min
        Minutes there are, 0 or more.
    marks
        Records of kind ``stop_mark``: a stop already marked takes no more time and is not left out again.
    """
    ahead = _ahead(plan, latest_marks(marks))
    kept = {stop.id: stop for stop in ahead.left}
    whole = _minutes(kept.values(), ahead.walked_m, ref)
    candidates = [stop for stop in ahead.left if stop.drop_rank and stop.minutes > 0]
    place = plan.number()
    dropped: list[Stop] = []
    for stop in sorted(candidates, key=lambda stop: (stop.drop_rank, -place[stop.id])):
        if _minutes(kept.values(), ahead.walked_m, ref) <= within_min:
            break
        dropped.append(kept.pop(stop.id))
    for stop in reversed(dropped.copy()):
        tried = {**kept, stop.id: stop}
        if _minutes(tried.values(), ahead.walked_m, ref) <= within_min:
            kept = tried
            dropped.remove(stop)
    share = 1 + ref.value("walk.spare_share")
    drops = tuple(
        Drop(stop=stop, saved_min=share * stop.minutes, not_known=not_known(stop)) for stop in dropped
    )
    left = _minutes(kept.values(), ahead.walked_m, ref)
    return Shorter(within_min=within_min, whole_min=whole, kept_min=left, drops=drops)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ahead:
    """What lies ahead: the state of every stop, those not yet made, and the perimeter still to walk."""

    state: dict[str, str]
    left: tuple[Stop, ...]
    walked_m: float


def _ahead(plan: WalkPlan, last: Mapping[str, str]) -> _Ahead:
    state = {stop.id: last.get(stop.id, SETTLED if stop.settled else NOT_YET) for stop in plan.stops}
    left = tuple(stop for stop in plan.stops if state[stop.id] == NOT_YET)
    outside = plan.of_part("outside")
    share = sum(state[stop.id] == NOT_YET for stop in outside) / len(outside) if outside else 0.0
    return _Ahead(state=state, left=left, walked_m=plan.total.walked_m * share)


def _minutes(stops: Iterable[Stop], walked_m: float, ref: Reference) -> float:
    return total_of(stops, walked_m=walked_m, ref=ref).whole_min


def not_known(stop: Stop) -> str:
    """Return what the report must call not known when a stop was not made."""
    said = stop.left_out or f"what is at {stop.title.lower() if stop.part == 'set_up' else stop.title}"
    return f"Not known then: {said}."


def remaining(plan: WalkPlan, marks: Sequence[Record], *, now: datetime, ref: Reference) -> Remaining:
    """Say how a walk stands.

    Parameters
    ----------
    marks
        Records of kind ``stop_mark``, in file order; of several for one stop the latest holds, and of two
        with the same or no time the later row.
    now
        The time of day; with a zone, or without as the marks.
    """
    last = latest_marks(marks)
    ahead = _ahead(plan, last)
    state, left = ahead.state, ahead.left
    minutes = _minutes(left, ahead.walked_m, ref)
    missed = [stop for stop in plan.stops if state[stop.id] in ("left_out", "no_access")]
    return Remaining(
        state=state,
        left=left,
        left_min=minutes,
        ends_at=now + timedelta(minutes=minutes),
        not_known=tuple(not_known(stop) for stop in missed),
        unmatched=tuple((name, said) for name, said in last.items() if name not in state),
    )


def latest_marks(marks: Sequence[Record]) -> dict[str, str]:
    """Return the state last given to each stop; a mark with no time counts as older than one with a time."""
    given: list[Any] = list(marks)
    rows = sorted(range(len(given)), key=lambda row: (_moment(given[row].marked_at), row))
    return {given[row].stop: given[row].state for row in rows}


def _moment(said: str) -> float:
    """Return a time as a number to order marks by; one without a zone is read as UTC."""
    if not said:
        return float("-inf")
    moment = datetime.fromisoformat(said)
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
