"""Dates worked by hand and published bank holidays, held against the clocks."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from geo.portfolio.clocks import Clock, Dated, clocks_of, due_of, next_due
from geo.portfolio.counting import (
    end_of_day,
    holiday_names,
    hours_on,
    moment_of,
    working_days_between,
    working_days_on,
)
from geo.portfolio.periods import DAY_AFTER, SAME_DAY, Period, default

PERIODS = default()
ENGLAND, SCOTLAND, WALES = (PERIODS.nations[key] for key in ("england", "scotland", "wales"))
DAY = dt.date


def day(text: str) -> np.datetime64:
    """Return a day."""
    return np.datetime64(text, "D")


def at(text: str) -> dt.datetime:
    """Return a moment by the English clock, in UTC."""
    return moment_of(text, ENGLAND)[0]


def clocks(*events: tuple[str, str], hazard: str, nation: str = "england") -> dict[str, Clock]:
    """Return the clocks of a case by period."""
    dated = [
        Dated(event_id=f"e{n}", kind=kind, at=at(when), with_time="T" in when)
        for n, (kind, when) in enumerate(events)
    ]
    found = clocks_of(dated, nation=nation, tenure="social_rent", hazard=hazard, periods=PERIODS)
    return {clock.period.key: clock for clock in found}


def test_bank_holidays_of_2026_and_2027() -> None:
    """The bank holidays gov.uk lists for England and Wales at the turn of the years (from memory).

    25 December 2026 is a Friday; Boxing Day falls on a Saturday and is kept on Monday the 28th.
    """
    for nation in (ENGLAND, WALES):
        known = holiday_names(nation.holidays)
        for one in ("2026-12-25", "2026-12-28", "2027-01-01", "2026-04-03", "2026-04-06", "2026-08-31"):
            assert DAY.fromisoformat(one) in known
        assert DAY(2027, 1, 4) not in known
    assert DAY(2026, 11, 30) in holiday_names("SCT")
    assert DAY(2026, 11, 30) not in holiday_names("ENG")
    assert DAY(2026, 4, 6) not in holiday_names("SCT"), "Easter Monday is none in Scotland"


@pytest.mark.parametrize(("aware", "due"), [("2026-12-01", "2026-12-15"), ("2026-12-18", "2027-01-06")])
def test_ten_working_days(aware: str, due: str) -> None:
    """Worked by hand. From Tue 1 Dec: 2-4, 7-11, 14, 15. From Fri 18 Dec: 21-24, 29-31, 4-6 Jan.

    25 and 28 December and 1 January are bank holidays in England.
    """
    assert working_days_on([aware], 10, nation=ENGLAND)[0] == day(due)
    found = clocks(("report", f"{aware}T09:10"), hazard="significant")["significant_investigate"]
    assert found.due_on == DAY.fromisoformat(due)
    assert found.due_at == dt.datetime.combine(
        DAY.fromisoformat(due) + dt.timedelta(days=1), dt.time(), dt.UTC
    )


def test_the_periods_from_an_investigation() -> None:
    """Concluded Tue 22 Dec 2026. Worked by hand: 23, 24, 29 is three; 30, 31 is five; 84 days later 16 Mar."""
    found = clocks(("report", "2026-12-18"), ("investigated", "2026-12-22T15:00"), hazard="significant")
    assert found["written_summary"].due_on == DAY(2026, 12, 29)
    assert found["safety_work"].due_on == DAY(2026, 12, 31)
    assert found["further_work_steps"].due_on == DAY(2026, 12, 31)
    assert found["further_work_start"].due_on == DAY(2027, 3, 16)
    assert DAY(2026, 12, 22).weekday() == DAY(2026, 12, 29).weekday() == DAY(2027, 3, 16).weekday() == 1
    assert "emergency_safe" not in found


def test_the_first_day_may_be_the_day_itself() -> None:
    """Counted with Tue 1 Dec 2026 as day 1: 1-4, 7-11, 14 December. From a Saturday both ways give the same."""
    assert working_days_on(["2026-12-01"], 10, nation=ENGLAND, first_day=SAME_DAY)[0] == day("2026-12-14")
    saturday = [
        working_days_on(["2026-12-05"], 10, nation=ENGLAND, first_day=way)[0] for way in (SAME_DAY, DAY_AFTER)
    ]
    assert saturday == [day("2026-12-18")] * 2
    weeks = PERIODS.periods["further_work_start"]
    assert due_of(weeks, at("2026-12-22"), nation=ENGLAND, first_day=SAME_DAY)[1] == DAY(2027, 3, 15)


def test_scotland_counts_its_own_holidays() -> None:
    """From Fri 27 Nov 2026, three working days: Mon 30 Nov is St Andrew's Day in Scotland only."""
    assert working_days_on(["2026-11-27"], 3, nation=SCOTLAND)[0] == day("2026-12-03")
    assert working_days_on(["2026-11-27"], 3, nation=ENGLAND)[0] == day("2026-12-02")
    assert working_days_on(["2026-11-27"], 3, nation=WALES)[0] == day("2026-12-02")


def test_twenty_four_hours_run_through_christmas() -> None:
    """Aware Thu 24 Dec 2026 at 16:30: 16:30 on Christmas Day, whatever is closed."""
    found = clocks(("report", "2026-12-24T16:30"), ("triage", "2026-12-24T16:40"), hazard="emergency")
    for key in ("emergency_investigate", "emergency_safe"):
        assert found[key].due_at == dt.datetime(2026, 12, 25, 16, 30, tzinfo=dt.UTC)
        assert found[key].due_on == DAY(2026, 12, 25)
    assert "Fri 25 Dec 2026 16:30" in found["emergency_safe"].said(at("2026-12-25T10:30"))
    assert "6.0 hours before it" in found["emergency_safe"].said(at("2026-12-25T10:30"))
    assert "1.5 hours after it" in found["emergency_safe"].said(at("2026-12-25T18:00"))


def test_hours_are_hours_when_clocks_change() -> None:
    """Clocks go back Sun 25 Oct 2026 at 02:00: 24 h after Sat 14:00 (British Summer Time) is Sun 13:00 GMT.

    They go forward Sun 28 Mar 2027 at 01:00: 24 h after Sat 14:00 is Sun 15:00.
    """
    assert hours_on(at("2026-10-24T14:00"), 24) == dt.datetime(2026, 10, 25, 13, 0, tzinfo=dt.UTC)
    forward = hours_on(at("2027-03-27T14:00"), 24)
    assert forward == dt.datetime(2027, 3, 28, 14, 0, tzinfo=dt.UTC)
    assert "Sun 28 Mar 2027 15:00" in clocks(("report", "2027-03-27T14:00"), hazard="emergency")[
        "emergency_safe"
    ].said(forward)


def test_a_day_ends_by_its_own_clock() -> None:
    """Midnight in July is 23:00 UTC the day before, in December 00:00 UTC."""
    assert end_of_day(DAY(2026, 7, 10), ENGLAND) == dt.datetime(2026, 7, 10, 23, 0, tzinfo=dt.UTC)
    assert end_of_day(DAY(2026, 12, 10), ENGLAND) == dt.datetime(2026, 12, 11, 0, 0, tzinfo=dt.UTC)


def test_a_moment_is_read_by_the_home_s_clock() -> None:
    """23:30 UTC on 9 July is 00:30 on the 10th in London: the period begins on the 10th.

    01:30 on 25 October 2026 was twice (the first is summer time); 01:30 on 28 March 2027 never was.
    """
    late = clocks(("report", "2026-07-09T23:30Z"), hazard="significant")["significant_investigate"]
    assert late.due_on == working_days_on(["2026-07-10"], 10, nation=ENGLAND)[0].item() == DAY(2026, 7, 24)
    assert moment_of("2026-10-25T01:30", ENGLAND)[0] == dt.datetime(2026, 10, 25, 0, 30, tzinfo=dt.UTC)
    with pytest.raises(ValueError, match="never was"):
        moment_of("2027-03-28T01:30", ENGLAND)
    assert moment_of("2026-12-01", ENGLAND) == (dt.datetime(2026, 12, 1, tzinfo=dt.UTC), False)


def test_what_a_clock_says() -> None:
    """Dates, what was recorded and how far apart; the word compliant is nowhere."""
    events = (
        ("report", "2026-12-01T09:00"),
        ("investigated", "2026-12-14T11:00"),
        ("summary_sent", "2026-12-18"),
    )
    found = clocks(*events, hazard="significant")
    now = at("2026-12-22T12:00")
    assert found["significant_investigate"].said(now) == (
        "Investigate significant damp or mould (law): date Tue 15 Dec 2026; conclusion of the investigation recorded Mon 14 Dec 2026,"
        " 1 working day before it."
    )
    assert (
        found["written_summary"]
        .said(now)
        .endswith("date Thu 17 Dec 2026; written summary recorded Fri 18 Dec 2026, 1 working day after it.")
    )
    assert found["written_summary"].late
    assert not found["significant_investigate"].late
    assert (
        found["safety_work"]
        .said(now)
        .endswith("date Mon 21 Dec 2026, 1 working day after it; nothing recorded that ends it.")
    )
    assert found["safety_work"].rests_on == ("e1",)
    said = " ".join(clock.said(now) for clock in found.values()).lower()
    assert "complian" not in said
    assert "breach" not in said


def test_a_report_nobody_has_looked_at() -> None:
    """Counted as significant, and said so; a home or time the law is not for has no clock of it."""
    open_case = clocks(("report", "2026-12-01T09:00"), hazard="not_known")["significant_investigate"]
    assert open_case.assumed
    assert "if the report is of a significant hazard" in open_case.said(at("2026-12-02T09:00"))
    assert clocks(("report", "2025-10-26T09:00"), hazard="significant") == {}
    assert "significant_investigate" in clocks(("report", "2025-10-27T09:00"), hazard="significant")
    assert clocks(("report", "2026-12-01T09:00"), hazard="significant", nation="wales") == {}
    assert clocks(("report", "2026-12-01T09:00"), hazard="none") == {}
    planned = clocks(("report", "2026-12-01T09:00"), hazard="significant", nation="scotland")
    assert planned["scotland_investigate"].remarks == ("Whether this was in force then was not checked.",)


def test_a_period_not_begun_and_the_next_date() -> None:
    """Without an investigation the summary's period has not begun; the next date is the investigation's."""
    found = clocks(("report", "2026-12-01T09:00"), hazard="significant")
    assert found["written_summary"].state == "not_started"
    assert "no conclusion of the investigation is recorded" in found["written_summary"].said(at("2026-12-02"))
    assert next_due(found.values(), by="law") == dt.datetime(2026, 12, 16, tzinfo=dt.UTC)
    assert next_due(found.values(), by="promise") is None


def test_a_time_of_day_that_was_not_written() -> None:
    """24 hours from a day alone run from its beginning, the earliest it can be, and that is said."""
    found = clocks(("report", "2026-12-24"), ("made_safe", "2026-12-24"), hazard="emergency")[
        "emergency_safe"
    ]
    assert found.due_at == dt.datetime(2026, 12, 25, tzinfo=dt.UTC)
    assert len(found.remarks) == 2
    assert found.end is not None


def test_working_days_between_agree_with_a_walk() -> None:
    """Counted day by day, forwards and backwards, over two years with their holidays."""
    known = holiday_names("ENG")
    one = DAY(2026, 3, 1)
    for gap in range(0, 700, 13):
        other = one + dt.timedelta(days=gap)
        walked = [one + dt.timedelta(days=n) for n in range(1, gap + 1)]
        count = sum(each.weekday() < 5 and each not in known for each in walked)
        assert working_days_between([one], [other], nation=ENGLAND)[0] == count
        assert working_days_between([other], [one], nation=ENGLAND)[0] == -count


@pytest.mark.parametrize("period", PERIODS.periods.values(), ids=lambda one: one.key)
def test_a_period_is_traceable(period: Period) -> None:
    """Every period names its source, how far that was checked, and when."""
    assert period.source
    assert period.status in {"CONFIRMED", "CONFIRMED-2", "FROM MEMORY", "PLANNED", "SETTING"}
    assert period.checked is not None
    assert period.from_date is not None
