"""A logger's series keeps its numbers and its doubts: zone asked, lost and doubled hours named, gaps told."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from geo import reference
from geo.errors import InputError
from geo.intake.clock import zone_of
from geo.intake.logger import (
    LoggerIntake,
    LoggerMap,
    answer_logger,
    logger_questions,
    propose_logger,
    take_series,
)
from geo.intake.series import Series, environment_records
from geo.intake.sheet import Sheet, look_at

REF = reference.default()
LONDON = ZoneInfo("Europe/London")


def text(times: list[str], *, header: str = "Time,Temperature (°C),Humidity (%RH)") -> bytes:
    """Return a logger's file: 20.0 °C and 55 % at the first time, a tenth and one more at each after."""
    return "\n".join(
        [header, *(f"{time},{20 + at % 100 / 10:.1f},{55 + at % 40}" for at, time in enumerate(times))]
    ).encode()


def sheet_of(raw: bytes) -> Sheet:
    """Return a logger's file as a table."""
    looked = look_at("logger.csv", raw, ref=REF)
    assert not looked.problems, looked.problems
    return looked.sheets[0]


def taken(times: list[str], **change: str) -> LoggerIntake:
    """Read a series with its zone and order said."""
    raw = text(times)
    sheet = sheet_of(raw)
    mapping = replace(propose_logger(sheet), **{"zone": "Europe/London", "date_order": "ymd", **change})
    return take_series(sheet, raw, mapping, ref=REF)


def series_of(found: LoggerIntake) -> Series:
    """Return the series of a file that is right."""
    assert found.series is not None, found.problems
    return found.series


def every(start: str, count: int, minutes: int = 30) -> list[str]:
    """Return clock times one after another, as a clock that is never changed shows them."""
    first = datetime.fromisoformat(start)
    return [(first + timedelta(minutes=minutes * at)).isoformat(sep=" ") for at in range(count)]


def test_what_a_logger_does_not_say() -> None:
    """Its columns are found by their titles; its zone, and the order of a date both ways round, are asked."""
    sheet = sheet_of(text(["03/04/2026 10:00", "03/04/2026 10:30"]))
    mapping = propose_logger(sheet)
    assert mapping.columns == {"air_c": "Temperature (°C)", "humidity_percent": "Humidity (%RH)"}
    assert {question.key for question in logger_questions(sheet, mapping)} == {"zone", "date_order"}
    assert take_series(sheet, b"", mapping, ref=REF).series is None
    for key, said in (("zone", "UTC+00:00"), ("date_order", "dmy")):
        mapping = answer_logger(mapping, key, said)
    assert logger_questions(sheet, mapping) == ()
    assert str(series_of(take_series(sheet, b"", mapping, ref=REF)).times[0]) == "2026-04-03T10:00:00"


def test_summer_and_winter() -> None:
    """Half past ten by the clock in London is 09:30 UTC in July and 10:30 UTC in January."""
    for written, utc in (
        ("2026-07-01 10:30", "2026-07-01T09:30:00"),
        ("2026-01-10 10:30", "2026-01-10T10:30:00"),
    ):
        assert str(series_of(taken([written])).times[0]) == utc


def test_an_hour_that_never_was() -> None:
    """On 29 March 2026 London's clocks went from 01:00 to 02:00: 01:00 and 01:30 never were, and are named."""
    times = every("2026-03-29 00:00", 6)
    found = taken(times)
    assert found.series is None
    assert [problem.row for problem in found.problems] == [4, 5]
    assert all("never was" in problem.found for problem in found.problems)
    series = series_of(taken(times, zone="UTC+00:00"))
    assert series.times[2] == np.datetime64("2026-03-29T01:00:00")


def test_an_hour_that_was_twice() -> None:
    """On 25 October 2026 London's clocks went from 02:00 back to 01:00: one pass through the hour is in doubt.

    First is summer time, 01:00 = 00:00 UTC; second is winter time, 01:00 = 01:00 UTC.
    """
    times = every("2026-10-25 00:00", 6)
    found = taken(times)
    assert [problem.row for problem in found.problems] == [4, 5]
    assert all("was twice" in problem.found for problem in found.problems)
    assert str(series_of(taken(times, twice="first")).times[2]) == "2026-10-25T00:00:00"
    assert str(series_of(taken(times, twice="second")).times[2]) == "2026-10-25T01:00:00"
    assert taken(times, twice="by_order").series is None  # the clock never went back: the order says nothing


def test_a_clock_that_went_back_by_its_order() -> None:
    """Two passes through the doubled hour, told apart by their order, are even half hours of UTC."""
    times = every("2026-10-25 00:00", 4) + every("2026-10-25 01:00", 4)
    assert taken(times).series is None
    series = series_of(taken(times, twice="by_order"))
    assert series.times.tolist() == [
        datetime.fromisoformat("2026-10-24T23:00") + timedelta(minutes=30 * at) for at in range(8)
    ]
    assert series.gaps == ()


def test_against_the_standard_library() -> None:
    """Every half hour of 2026 that was once comes out as Python's own zoneinfo has it."""
    first = datetime.fromisoformat("2026-01-01")
    clock = [first + timedelta(minutes=30 * at) for at in range(48 * 365)]
    early = [one.replace(tzinfo=LONDON, fold=0).astimezone(ZoneInfo("UTC")) for one in clock]
    late = [one.replace(tzinfo=LONDON, fold=1).astimezone(ZoneInfo("UTC")) for one in clock]
    once = [at for at in range(len(clock)) if early[at] == late[at]]
    assert len(clock) - len(once) == 4  # two half hours lost in March, two doubled in October
    series = series_of(taken([clock[at].isoformat() for at in once]))
    assert series.times.tolist() == [early[at].replace(tzinfo=None) for at in once]


def test_times_with_their_own_zone() -> None:
    """A time that says its zone keeps it, whatever the clock was said to be set to."""
    series = series_of(taken(["2026-07-01T10:30:00+02:00", "2026-07-01T09:00:00Z"]))
    assert [str(time) for time in series.times] == ["2026-07-01T08:30:00", "2026-07-01T09:00:00"]


def test_gaps_are_told_and_stay_gaps() -> None:
    """Five hours without a reading are told with their ends; no number is put in between."""
    times = every("2026-01-10 00:00", 5) + every("2026-01-10 07:00", 5)
    found = taken(times)
    series = series_of(found)
    assert len(series) == 10
    assert series.interval_s == 1800
    assert series.gaps == (("2026-01-10T02:00:00Z", "2026-01-10T07:00:00Z"),)
    assert ["5.0 h" in problem.found for problem in found.problems] == [True]


def test_doubled_rows() -> None:
    """A row repeated word for word is kept once and told; one time with two numbers is an error."""
    raw = b"Time,Temperature (C)\n2026-01-10 00:00,5\n2026-01-10 00:30,6\n2026-01-10 00:30,6\n"
    sheet = sheet_of(raw)
    mapping = replace(propose_logger(sheet), zone="UTC")
    found = take_series(sheet, raw, mapping, ref=REF)
    assert len(series_of(found)) == 2
    assert found.problems[0].row == 4
    raw = raw.replace(b"00:30,6\n2026-01-10 00:30,6", b"00:30,6\n2026-01-10 00:30,7")
    found = take_series(sheet_of(raw), raw, mapping, ref=REF)
    assert found.series is None
    assert "other numbers" in found.problems[0].found


def test_numbers_that_cannot_be() -> None:
    """A humidity of 140 %, a word, an off-scale sign and a date that is none are errors by row and column."""
    raw = b"Time,Temp (C),RH (%)\n2026-01-10 00:00,5,140\n2026-01-10 00:30,err,50\n2026-01-10 01:00,5,>99\n2026-02-30 00:00,5,50\n"
    sheet = sheet_of(raw)
    found = take_series(sheet, raw, replace(propose_logger(sheet), zone="UTC"), ref=REF)
    assert {(problem.row, problem.column) for problem in found.problems} == {
        (2, "RH (%)"),
        (3, "Temp (C)"),
        (4, "RH (%)"),
        (5, "Time"),
    }


def test_date_and_time_apart() -> None:
    """A date column and a time column make one moment; Fahrenheit becomes Celsius: 50 °F is 10 °C."""
    raw = b"Date;Time;Temperature (F)\n25/11/2026;14:30;50,0\n"
    sheet = sheet_of(raw)
    mapping = replace(propose_logger(sheet), zone="UTC")
    series = series_of(take_series(sheet, raw, mapping, ref=REF))
    assert str(series.times[0]) == "2026-11-25T14:30:00"
    assert series.values["air_c"][0] == pytest.approx(10.0, abs=1e-9)
    assert series.sha256 == hashlib.sha256(raw).hexdigest()


def test_records_are_picked_never_averaged() -> None:
    """One record a step, each a reading that was really taken; a silent step has none."""
    series = series_of(taken(every("2026-01-10 00:00", 6) + every("2026-01-10 06:00", 2)))
    made = environment_records(series, place="room", instrument="L1", every_h=1, existing_ids={"air-0002"})
    assert [record.id for record in made] == ["air-0001", "air-0003", "air-0004", "air-0005"]
    assert [record.taken_at for record in made] == [f"2026-01-10T0{hour}:00:00Z" for hour in (0, 1, 2, 6)]
    assert [record.air_c for record in made] == [20.0, 20.2, 20.4, 20.6]
    for place, step in (("room", 0), ("nowhere", 1)):
        with pytest.raises(InputError):
            environment_records(series, place=place, instrument="L1", every_h=step)


@pytest.mark.parametrize("name", ["", "Nowhere/City", "../../etc/passwd", "UTC+99:00", "UTC+01:75", "\x00"])
def test_zones_that_are_none(name: str) -> None:
    """A zone nobody knows is none; it is never read as a path."""
    assert zone_of(name) is None


def test_a_column_that_is_not_there() -> None:
    """A mapping kept from another logger names a column this file has not: said, nothing read."""
    raw = text(every("2026-01-10 00:00", 2))
    mapping = LoggerMap(
        time="Zeit", columns={"air_c": "Temperature (°C)"}, units={"air_c": "c"}, zone="UTC", date_order="ymd"
    )
    found = take_series(sheet_of(raw), raw, mapping, ref=REF)
    assert found.series is None
    assert found.problems[0].column == "Zeit"
