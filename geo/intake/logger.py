"""A data logger's series: its clock's zone asked, its gaps told, its numbers never averaged."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.errors import Problem
from geo.intake.cells import Texts, date_order_of, moments, numbers
from geo.intake.clock import REFUSE, on_utc, zone_of
from geo.intake.columns import field_of_title, unit_of_title, units_for
from geo.intake.mapping import Question
from geo.intake.series import Series
from geo.intake.sheet import ASK, Sheet
from geo.reference import Reference
from geo.site.fields import allowed
from geo.site.records import Environment

FIELDS = ("air_c", "humidity_percent", "surface_c")


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggerMap:
    """What a logger's columns mean.

    Parameters
    ----------
    time
        Column of the time, or of the date.
    clock
        Column of the time of day where it is apart, ``""`` otherwise.
    columns
        Column of each of ``air_c``, ``humidity_percent``, ``surface_c`` there is.
    units
        Unit of each column that has one; ``"?"`` until a person says.
    zone
        Zone the logger's clock was set to, as ``Europe/London`` or ``UTC+01:00``; ``""`` until a person
        says.
    date_order, decimal
        As for tables; ``"?"`` until a person says.
    twice
        What to do with times that happen twice when a clock goes back.
    """

    time: str = ""
    clock: str = ""
    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    zone: str = ""
    date_order: str = ASK
    decimal: str = "."
    twice: str = REFUSE


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggerIntake:
    """A series and everything said of it; ``series`` is ``None`` as soon as there is one error."""

    series: Series | None
    problems: tuple[Problem, ...]


def propose_logger(sheet: Sheet) -> LoggerMap:
    """Propose which columns are time, temperature and humidity; the zone is never guessed."""
    time, clock = "", ""
    columns: dict[str, str] = {}
    units: dict[str, str] = {}
    for title in sheet.header:
        words, unit = unit_of_title(title)
        whole = words.replace("/", " ").split()
        if any(word in ("date", "time", "datetime", "timestamp") for word in whole):
            if not time:
                time = title
            elif not clock and "time" in whole and "date" not in whole:
                clock = title
            continue
        found = field_of_title(title, Environment, taken=columns)
        if not found and unit in ("c", "f"):
            found = "air_c"
        elif not found and unit == "%":
            found = "humidity_percent"
        if found in FIELDS and found not in columns:
            columns[found] = title
            units[found] = (
                unit
                if unit in units_for(found)
                else ASK
                if len(units_for(found)) > 1
                else units_for(found)[0]
            )
    order = date_order_of(np.array(sheet.column(time), dtype=object))[0] if time else ""
    return LoggerMap(
        time=time, clock=clock, columns=columns, units=units, date_order=order or ASK, decimal=sheet.decimal
    )


def logger_questions(sheet: Sheet, mapping: LoggerMap) -> tuple[Question, ...]:
    """Return what must be asked before the series can be read."""
    out = []
    if not mapping.time:
        out.append(
            Question(key="time", ask="Which column is the time?", choices={one: one for one in sheet.header})
        )
    if not mapping.columns:
        out.append(Question(key="columns", ask="Which columns are temperature and humidity?"))
    if not mapping.zone:
        ask = (
            "To which zone was the logger's clock set (Europe/London changes in summer; UTC+00:00 does not)?"
        )
        out.append(Question(key="zone", ask=ask))
    if mapping.date_order == ASK and mapping.time:
        choices = {"dmy": "day, month, year", "mdy": "month, day, year"}
        out.append(Question(key="date_order", ask="In what order are its dates written?", choices=choices))
    if mapping.decimal == ASK:
        out.append(
            Question(key="decimal", ask="How are its decimals written?", choices={".": "point", ",": "comma"})
        )
    out += [
        Question(
            key=f"unit:{name}",
            ask=f"In what unit is {mapping.columns.get(name, name)!r}?",
            choices={one: one for one in units_for(name)},
        )
        for name, unit in mapping.units.items()
        if unit == ASK
    ]
    return tuple(out)


def answer_logger(mapping: LoggerMap, key: str, said: str) -> LoggerMap:
    """Return the mapping with one question answered, by the question's key.

    Raises
    ------
    ValueError
        When there is no such question with one answer.
    """
    what, _, name = key.partition(":")
    if what == "unit":
        return replace(mapping, units={**mapping.units, name: said})
    if what in ("time", "clock", "zone", "date_order", "decimal", "twice"):
        changes: dict[str, Any] = {what: said}
        return replace(mapping, **changes)
    raise ValueError(f"{key!r} is no question with one answer")


def take_series(sheet: Sheet, raw: bytes, mapping: LoggerMap, *, ref: Reference) -> LoggerIntake:
    """Read a logger's series on one clock, UTC, and tell what the file's own clock leaves in doubt.

    Times that never were (a clock going forward skips them) and times that were twice (a clock going back)
    are named, row by row, and never moved on the quiet. Times that stand twice with the same numbers are
    told and kept once; with different numbers they are an error. Readings are kept as they are.

    Parameters
    ----------
    sheet
        The table.
    raw
        The file's bytes, for its hash.
    mapping
        What its columns mean, every question answered.
    ref
        Limits in force: ``intake.logger_gap``.
    """
    problems = [
        Problem(
            file=sheet.place,
            found=one.ask,
            allowed=" or ".join(one.choices) or "an answer",
            mend="Answer the question.",
        )
        for one in logger_questions(sheet, mapping)
    ]
    named = [name for name in (mapping.time, mapping.clock, *mapping.columns.values()) if name]
    problems += [
        Problem(
            file=sheet.place,
            column=name,
            found="there is no such column",
            allowed="a column of the file",
            mend="Choose it again.",
        )
        for name in named
        if name not in sheet.header
    ]
    zone = None
    if mapping.zone:
        zone = zone_of(mapping.zone)
        if zone is None:
            mend = "Write it as Europe/London or UTC+01:00."
            problems.append(
                Problem(
                    file=sheet.place, found=f"{mapping.zone!r} is no known zone", allowed="a zone", mend=mend
                )
            )
    if not sheet.rows:
        mend = "Look whether the right sheet and header row were chosen."
        problems.append(
            Problem(file=sheet.place, found="has no rows below its header", allowed="rows", mend=mend)
        )
    if problems or zone is None:
        return LoggerIntake(series=None, problems=tuple(problems))
    rows = np.array(sheet.numbers, dtype=np.int64)
    utc, said = _utc(sheet, mapping, zone)
    problems += said
    values, said = _values(sheet, mapping)
    problems += said
    if not any(problem.severity == "error" for problem in problems):
        series, said = _in_order(sheet, raw, mapping, utc, rows, values, ref)
        problems += said
        if series is not None and not any(problem.severity == "error" for problem in problems):
            return LoggerIntake(series=series, problems=tuple(problems))
    return LoggerIntake(series=None, problems=tuple(problems))


def _utc(sheet: Sheet, mapping: LoggerMap, zone: tzinfo) -> tuple[NDArray[np.datetime64], list[Problem]]:
    """Return the times on UTC, NaT where one cannot be told, and what is wrong with which."""
    cells = np.array(sheet.column(mapping.time), dtype=object)
    if mapping.clock:
        more = sheet.column(mapping.clock)
        cells = np.array(
            [f"{one} {two}".strip() if one else "" for one, two in zip(cells, more, strict=True)],
            dtype=object,
        )
    order = "ymd" if mapping.date_order == ASK else mapping.date_order
    written, bad = moments(cells, order=order, only_date=False)
    blank = np.array([not cell for cell in cells], dtype=bool)
    problems = [
        _time(
            sheet,
            mapping,
            int(at),
            "is blank" if blank[at] else f"{cells[at][:60]!r} is not a date and time",
            "a date and time",
            "Correct it, or take the row out.",
        )
        for at in np.flatnonzero(bad | blank)
    ]
    fine = ~(bad | blank)
    stated = np.array(
        [bool(re.search(r"(Z|[+-]\d{2}:\d{2})$", str(text))) and "T" in str(text) for text in written],
        dtype=bool,
    )
    out = np.full(len(cells), np.datetime64("NaT"), dtype="datetime64[s]")
    zoned = fine & stated
    if zoned.any():
        own = pd.to_datetime(pd.Series(written[zoned]), utc=True, format="ISO8601")
        out[zoned] = own.dt.tz_localize(None).to_numpy().astype("datetime64[s]")
    bare = fine & ~stated
    if bare.any():
        local = pd.DatetimeIndex(pd.to_datetime(written[bare].astype(str), format="ISO8601"))
        moved, said = on_utc(local, zone, mapping.twice)
        out[bare] = moved
        where = np.flatnonzero(bare)
        shown = {
            "never": [int(where[at]) for at in said["never"]],
            "twice": [int(where[at]) for at in said["twice"]],
        }
        problems += [_never(sheet, mapping, at, str(written[at])) for at in shown["never"]]
        problems += [_twice(sheet, mapping, at, str(written[at])) for at in shown["twice"]]
    return out, problems


def _values(sheet: Sheet, mapping: LoggerMap) -> tuple[dict[str, NDArray[np.float64]], list[Problem]]:
    values: dict[str, NDArray[np.float64]] = {}
    problems: list[Problem] = []
    for name, title in mapping.columns.items():
        cells: Texts = np.array(sheet.column(title), dtype=object)
        made, bad = numbers(cells, field=name, unit=mapping.units.get(name, ""), decimal=mapping.decimal)
        signed = np.array([str(cell)[:1] in "<>" and bool(cell) for cell in made], dtype=bool)
        out = np.full(len(cells), np.nan)
        fine = ~bad & ~signed & np.array([bool(cell) for cell in made], dtype=bool)
        out[fine] = made[fine].astype(np.float64)
        one = Environment.model_fields[name]
        low, high = {"air_c": (-40, 60), "humidity_percent": (0, 100), "surface_c": (-40, 90)}[name]
        outside = fine & ((out < low) | (out > high))
        for at in np.flatnonzero(bad | signed | outside):
            found = f"{str(cells[at])[:60]!r} is not a number" if bad[at] else f"{str(cells[at])[:60]!r}"
            mend = "Correct the cell, or leave it blank: it is then told as not read."
            problems.append(
                Problem(
                    file=sheet.place,
                    row=sheet.numbers[int(at)],
                    column=title,
                    found=found,
                    allowed=allowed(name, one),
                    mend=mend,
                )
            )
        values[name] = out
    return values, problems


def _in_order(
    sheet: Sheet,
    raw: bytes,
    mapping: LoggerMap,
    utc: NDArray[np.datetime64],
    rows: NDArray[np.int64],
    values: Mapping[str, NDArray[np.float64]],
    ref: Reference,
) -> tuple[Series | None, list[Problem]]:
    """Put the readings in order of time, keep doubled ones once, and tell the gaps."""
    problems: list[Problem] = []
    order = np.argsort(utc, kind="stable")
    if (order != np.arange(len(order))).any():
        mend = "Look whether two files were joined."
        problems.append(
            _warned(
                sheet,
                int(rows[order != np.arange(len(order))][0]),
                "is not in order of time",
                "rows in order",
                mend,
            )
        )
    times, rows = utc[order], rows[order]
    columns = {name: column[order] for name, column in values.items()}
    same = np.zeros(len(times), dtype=bool)
    same[1:] = times[1:] == times[:-1]
    for at in np.flatnonzero(same):
        equal = all(np.array_equal(column[at], column[at - 1], equal_nan=True) for column in columns.values())
        found = f"has the time of row {rows[at - 1]} ({times[at]}Z)"
        if equal:
            problems.append(
                _warned(
                    sheet,
                    int(rows[at]),
                    f"{found} and the same numbers",
                    "each time once",
                    "It is kept once.",
                )
            )
        else:
            mend = "Take one of them out, or say what the clock did when it went back."
            problems.append(
                Problem(
                    file=sheet.place,
                    row=int(rows[at]),
                    found=f"{found} and other numbers",
                    allowed="each time once",
                    mend=mend,
                )
            )
    times, rows = times[~same], rows[~same]
    columns = {name: column[~same] for name, column in columns.items()}
    waits = np.diff(times).astype("timedelta64[s]").astype(np.float64)
    usual = float(np.median(waits)) if len(waits) else float("nan")
    long = (
        np.flatnonzero(waits > ref.value("intake.logger_gap") * usual)
        if len(waits)
        else np.array([], dtype=np.int64)
    )
    gaps = tuple((f"{times[at]}Z", f"{times[at + 1]}Z") for at in long)
    for at in long:
        found = f"nothing from {times[at]}Z to {times[at + 1]}Z ({waits[at] / 3600:.1f} h)"
        problems.append(
            _warned(
                sheet,
                int(rows[at + 1]),
                found,
                f"a reading every {usual:g} s",
                "Not logged is not known: it stays a gap.",
            )
        )
    series = Series(
        file=sheet.place,
        sha256=hashlib.sha256(raw).hexdigest(),
        times=times,
        rows=rows,
        values=columns,
        interval_s=usual,
        gaps=gaps,
        zone=mapping.zone,
    )
    return series, problems


def _never(sheet: Sheet, mapping: LoggerMap, at: int, written: str) -> Problem:
    mend = "If the logger's clock was never changed, say UTC+00:00 (or the zone it was started in) instead."
    return _time(
        sheet,
        mapping,
        at,
        f"{written} never was in {mapping.zone}: the clock went forward over it",
        "a time that was",
        mend,
    )


def _twice(sheet: Sheet, mapping: LoggerMap, at: int, written: str) -> Problem:
    mend = "Say which is meant, or by their order, or, if the clock was never changed, a zone as UTC+00:00."
    return _time(
        sheet,
        mapping,
        at,
        f"{written} was twice in {mapping.zone}: the clock went back over it",
        "a time that was once",
        mend,
    )


def _time(sheet: Sheet, mapping: LoggerMap, at: int, found: str, may_be: str, mend: str) -> Problem:
    return Problem(
        file=sheet.place, row=sheet.numbers[at], column=mapping.time, found=found, allowed=may_be, mend=mend
    )


def _warned(sheet: Sheet, row: int, found: str, may_be: str, mend: str) -> Problem:
    return Problem(file=sheet.place, row=row, found=found, allowed=may_be, mend=mend, severity="warning")
