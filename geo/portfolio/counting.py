"""Hours, working days and weeks counted on a nation's own calendar and clock: pure functions."""

from __future__ import annotations

import datetime as dt
import hashlib
from functools import lru_cache
from zoneinfo import ZoneInfo

import holidays
import numpy as np
from numpy.typing import ArrayLike, NDArray

from geo.portfolio.periods import DAY_AFTER, Nation

YEARS = (1990, 2100)
"""Years whose bank holidays are known or follow from the law as it stands."""
DIGESTED = (2020, 2040)
"""Years in which a holiday proclaimed since would move a date anybody still asks for."""
Days = NDArray[np.datetime64]


@lru_cache(16)
def calendar_of(subdivision: str) -> np.busdaycalendar:
    """Return the working days of a part of the United Kingdom: Monday to Friday without bank holidays.

    Parameters
    ----------
    subdivision
        ``"ENG"``, ``"WLS"``, ``"SCT"`` or ``"NIR"``.
    """
    known = holidays.country_holidays("GB", subdiv=subdivision, years=range(*YEARS))
    return np.busdaycalendar(holidays=np.array(sorted(known), dtype="datetime64[D]"))


@lru_cache(16)
def holiday_names(subdivision: str) -> dict[dt.date, str]:
    """Return the names of bank holidays by date."""
    known = holidays.country_holidays("GB", subdiv=subdivision, years=range(*YEARS))
    return dict(sorted(known.items()))


@lru_cache(16)
def holidays_digest(subdivision: str) -> str:
    """Return a hash of the bank holidays known: proclaimed ones come with a newer library."""
    known = holidays.country_holidays("GB", subdiv=subdivision, years=range(*DIGESTED))
    return hashlib.sha256(" ".join(day.isoformat() for day in sorted(known)).encode()).hexdigest()[:8]


def working_days_on(days: ArrayLike, count: int, *, nation: Nation, first_day: str = DAY_AFTER) -> Days:
    """Return the last working day of a period of so many.

    Parameters
    ----------
    days
        (n,) days of the event, ``datetime64[D]`` or what becomes it; NaT stays NaT.
    count
        Working days, 1 or more.
    first_day
        ``"day_after"``: the first working day after the event is day 1. ``"same_day"``: the day of the event
        is, where it is a working day.
    """
    start = np.asarray(days, dtype="datetime64[D]")
    known = ~np.isnat(start)
    out = np.full(start.shape, np.datetime64("NaT"), dtype="datetime64[D]")
    calendar = calendar_of(nation.holidays)
    if first_day == DAY_AFTER:
        out[known] = np.busday_offset(start[known], count, roll="preceding", busdaycal=calendar)
    else:
        out[known] = np.busday_offset(start[known], count - 1, roll="following", busdaycal=calendar)
    return out


def working_days_between(begin: ArrayLike, end: ArrayLike, *, nation: Nation) -> NDArray[np.int64]:
    """Return how many working days there are after one day up to another, negative when it lies before."""
    one, other = np.broadcast_arrays(
        np.asarray(begin, dtype="datetime64[D]"), np.asarray(end, dtype="datetime64[D]")
    )
    count = np.busday_count(
        np.minimum(one, other) + 1, np.maximum(one, other) + 1, busdaycal=calendar_of(nation.holidays)
    )
    return np.asarray(np.where(one > other, -count, count), dtype=np.int64)


def days_on(days: ArrayLike, count: int, *, first_day: str = DAY_AFTER) -> Days:
    """Return the last day of a period of so many calendar days."""
    return np.asarray(days, dtype="datetime64[D]") + (count if first_day == DAY_AFTER else count - 1)


def local_day(moment: dt.datetime, nation: Nation) -> dt.date:
    """Return the day a moment falls on by a nation's clock."""
    return moment.astimezone(ZoneInfo(nation.zone)).date()


def end_of_day(day: dt.date, nation: Nation) -> dt.datetime:
    """Return the moment a day ends by a nation's clock, in UTC."""
    after = dt.datetime.combine(day + dt.timedelta(days=1), dt.time(), ZoneInfo(nation.zone))
    return after.astimezone(dt.UTC)


def moment_of(written: str, nation: Nation) -> tuple[dt.datetime, bool]:
    """Return a written date, or date and time, as a moment in UTC, and whether it had a time of day.

    A day alone is its beginning. A time without a zone is by the nation's clock; one that was twice, when
    clocks went back, is the first of the two, which makes every period end the earlier.

    Raises
    ------
    ValueError
        When it is none, or is a time that never was because clocks went forward.
    """
    with_time = "T" in written
    given = dt.datetime.fromisoformat(written)
    if given.tzinfo is None:
        zone = ZoneInfo(nation.zone)
        local = given.replace(tzinfo=zone)
        if local.astimezone(dt.UTC).astimezone(zone).replace(tzinfo=None) != given:
            raise ValueError(f"{written} never was: clocks went forward over it")
        given = local
    return given.astimezone(dt.UTC), with_time


def hours_on(moment: dt.datetime, count: int) -> dt.datetime:
    """Return the moment so many hours later, in UTC: hours run through nights, holidays and clock changes."""
    return moment.astimezone(dt.UTC) + dt.timedelta(hours=count)
