"""The periods of ``shared/calendars.toml``, and a practice's own beside them."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

from geo.errors import InputError, Problem

DAY_AFTER, SAME_DAY = "day_after", "same_day"
UNITS = ("hours", "working_days", "days", "weeks")
BY = ("law", "promise")
LONGEST = 5000
"""No period is longer than this in its unit; more is a slip."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """One length of time counted from one thing to another.

    Parameters
    ----------
    key, label
        Its name in the file, and in words.
    by
        ``"law"`` or ``"promise"``.
    nations, tenures, hazards
        What it is for; an empty one is for all.
    starts_at
        Kind of event it is counted from.
    ended_by, see_also
        Kinds of event that end it, and those shown beside it.
    length, unit
        How long: whole ``hours``, ``working_days``, ``days`` or ``weeks``.
    from_date
        Nothing that began before this is counted.
    source, status, checked, note
        Where it comes from, how far that was checked, when, and what it does not say.
    changed_by
        The practice's file it was given in.
    """

    key: str
    label: str
    by: str
    starts_at: str
    ended_by: tuple[str, ...]
    length: int
    unit: str
    source: str
    status: str
    checked: dt.date | None = None
    from_date: dt.date | None = None
    nations: tuple[str, ...] = ()
    tenures: tuple[str, ...] = ()
    hazards: tuple[str, ...] = ()
    see_also: tuple[str, ...] = ()
    note: str = ""
    changed_by: str = ""

    def suits(self, *, nation: str, tenure: str, hazard: str) -> bool:
        """Tell whether it is for such a home and hazard."""
        return (
            (not self.nations or nation in self.nations)
            and (not self.tenures or tenure in self.tenures)
            and (not self.hazards or hazard in self.hazards)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Nation:
    """Whose bank holidays count, and whose clock."""

    key: str
    label: str
    holidays: str
    zone: str
    source: str
    status: str
    checked: dt.date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NoPeriod:
    """A duty that is known to exist and has no number here."""

    key: str
    label: str
    source: str
    status: str
    note: str
    checked: dt.date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Periods:
    """Everything days are counted by.

    Parameters
    ----------
    first_day
        ``"day_after"``: the day after the event is day 1; ``"same_day"``: the day of the event is.
    """

    first_day: str
    nations: Mapping[str, Nation]
    periods: Mapping[str, Period]
    without: Mapping[str, NoPeriod]

    @property
    def digest(self) -> str:
        """A hash of all that decides a date: dates counted under one are not those under another."""
        said = [self.first_day]
        said += [
            f"{one.key} {one.nations} {one.tenures} {one.hazards} {one.starts_at} {one.ended_by} {one.length}"
            f" {one.unit} {one.from_date} {one.by}"
            for one in self.periods.values()
        ]
        said += [f"{one.key} {one.holidays} {one.zone}" for one in self.nations.values()]
        return hashlib.sha256(json.dumps(said).encode()).hexdigest()[:16]

    def with_changes(self, path: Path) -> Periods:
        """Return a copy with a practice's own periods and way of counting.

        Raises
        ------
        InputError
            When the file is not TOML, or a period in it is not whole.
        """
        try:
            raw = tomllib.loads(path.read_text(encoding="utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            mend = "Correct the line named."
            said = Problem(file=path.name, found=f"not readable as TOML ({error})", allowed="TOML", mend=mend)
            raise InputError([said]) from None
        problems = [
            _problem(path.name, key, "is not a table here", "counting, period", "Take it out.")
            for key in raw
            if key not in ("counting", "period") or not isinstance(raw[key], Mapping)
        ]
        first_day = self.first_day
        changed = dict(self.periods)
        if not problems:
            given = raw.get("counting", {}).get("first_day", self.first_day)
            first_day = given.get("value", "") if isinstance(given, Mapping) else given
            if first_day not in (DAY_AFTER, SAME_DAY):
                mend = "Say which day is day 1."
                problems.append(
                    _problem(path.name, "first_day", repr(first_day), f"{DAY_AFTER}, {SAME_DAY}", mend)
                )
            for key, entry in raw.get("period", {}).items():
                base = _plain(self.periods[key]) if key in self.periods else {}
                whole = {**base, **entry} if isinstance(entry, Mapping) else entry
                wrong = list(_wrong(path.name, f"period.{key}", whole, self.nations))
                problems += wrong
                if not wrong:
                    changed[key] = replace(_period(key, whole), changed_by=path.name)
        if problems:
            raise InputError(problems)
        return replace(self, first_day=first_day, periods=changed)


@lru_cache(1)
def default() -> Periods:
    """Return the periods that ship with the tool.

    Raises
    ------
    InputError
        When the file was edited into something that cannot be counted.
    """
    raw = tomllib.loads(resources.files("shared").joinpath("calendars.toml").read_text(encoding="utf-8"))
    nations = {key: Nation(key=key, **entry) for key, entry in raw["nation"].items()}
    problems = [
        said
        for key, entry in raw["period"].items()
        for said in _wrong("calendars.toml", f"period.{key}", entry, nations)
    ]
    if problems:
        raise InputError(problems)
    return Periods(
        first_day=raw["counting"]["first_day"]["value"],
        nations=nations,
        periods={key: _period(key, entry) for key, entry in raw["period"].items()},
        without={key: NoPeriod(key=key, **entry) for key, entry in raw["no_period"].items()},
    )


LISTS = ("nations", "tenures", "hazards", "ended_by", "see_also")
NEEDED = ("label", "by", "starts_at", "ended_by", "length", "unit", "source", "status")
KNOWN = {field.name for field in fields(Period)} - {"key", "changed_by"}


def _period(key: str, entry: Mapping[str, Any]) -> Period:
    given: dict[str, Any] = {name: tuple(value) if name in LISTS else value for name, value in entry.items()}
    return Period(key=key, **given)


def _plain(period: Period) -> dict[str, Any]:
    return {name: getattr(period, name) for name in KNOWN}


def _wrong(file: str, where: str, entry: Any, nations: Mapping[str, Nation]) -> Iterator[Problem]:
    """Say what keeps an entry from being a period."""
    if not isinstance(entry, Mapping):
        yield _problem(file, where, "is not a table", "a table", "Write [period.NAME].")
        return
    for name in entry:
        if name not in KNOWN:
            yield _problem(file, f"{where}.{name}", "no such key", ", ".join(sorted(KNOWN)), "Take it out.")
    for name in NEEDED:
        if not entry.get(name):
            yield _problem(file, f"{where}.{name}", "is missing", "what it is", "Add it.")
    for name in LISTS:
        value = entry.get(name, ())
        if not isinstance(value, list | tuple) or not all(isinstance(one, str) for one in value):
            yield _problem(file, f"{where}.{name}", repr(value), "a list of words", 'Write ["a", "b"].')
        elif name == "nations" and set(value) - set(nations):
            yield _problem(file, f"{where}.{name}", repr(value), ", ".join(nations), "Correct it.")
    for name, words in (("unit", UNITS), ("by", BY)):
        if entry.get(name) and entry[name] not in words:
            yield _problem(file, f"{where}.{name}", repr(entry[name]), ", ".join(words), "Correct it.")
    length = entry.get("length")
    if length is not None and (
        isinstance(length, bool) or not isinstance(length, int) or not 0 < length <= LONGEST
    ):
        yield _problem(
            file, f"{where}.length", repr(length), f"a whole number from 1 to {LONGEST}", "Correct it."
        )
    for name in ("from_date", "checked"):
        value = entry.get(name)
        if value is not None and (not isinstance(value, dt.date) or isinstance(value, dt.datetime)):
            yield _problem(
                file, f"{where}.{name}", repr(value), "a date as 2026-11-03", "Write it without quotes."
            )


def _problem(file: str, column: str, found: str, allowed: str, mend: str) -> Problem:
    return Problem(file=file, column=column, found=found, allowed=allowed, mend=mend)
