"""What must hold of clocks, rates, walls read again and the register, whatever the numbers."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geo import reference
from geo.portfolio.clocks import due_of
from geo.portfolio.counting import end_of_day, local_day, moment_of, working_days_between, working_days_on
from geo.portfolio.derive import derive
from geo.portfolio.entry import Entry, standing
from geo.portfolio.patterns import draw_sample, once_each, shrunk, shrunk_range, upper_tail
from geo.portfolio.periods import DAY_AFTER, SAME_DAY, default
from geo.portfolio.walls import repeats_of, walls_of

REF, PERIODS = reference.default(), default()
ENGLAND = PERIODS.nations["england"]
NATIONS = st.sampled_from(list(PERIODS.nations.values()))
DAYS = st.dates(dt.date(2024, 1, 1), dt.date(2030, 12, 31))
MOMENTS = st.integers(0, 220_000_000).map(
    lambda s: dt.datetime(2024, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=s)
)
START = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)


@given(DAYS, st.integers(1, 60), NATIONS)
def test_a_period_has_as_many_working_days_as_it_says(day: dt.date, count: int, nation: Any) -> None:
    """From the day after the event to the last day there are exactly so many, and the last is one of them."""
    last = working_days_on([day.isoformat()], count, nation=nation)
    assert working_days_between([day.isoformat()], last, nation=nation)[0] == count
    before = last - np.timedelta64(1, "D")
    assert working_days_between([day.isoformat()], before, nation=nation)[0] == count - 1


@given(DAYS, st.integers(1, 60), NATIONS)
def test_counting_the_day_itself_is_never_later(day: dt.date, count: int, nation: Any) -> None:
    """Day 1 on the day of the event ends at most one working day earlier, never later."""
    after = working_days_on([day.isoformat()], count, nation=nation, first_day=DAY_AFTER)
    same = working_days_on([day.isoformat()], count, nation=nation, first_day=SAME_DAY)
    assert 0 <= working_days_between(same, after, nation=nation)[0] <= 1


@given(
    MOMENTS, st.timedeltas(dt.timedelta(0), dt.timedelta(days=40)), st.sampled_from(sorted(PERIODS.periods))
)
def test_knowing_later_is_never_due_earlier(at: dt.datetime, more: dt.timedelta, key: str) -> None:
    """A later start ends no earlier, and every period ends after it starts."""
    period = PERIODS.periods[key]
    one, day = due_of(period, at, nation=ENGLAND, first_day=PERIODS.first_day)
    other, _ = due_of(period, at + more, nation=ENGLAND, first_day=PERIODS.first_day)
    assert one <= other
    assert one > at
    assert local_day(one - dt.timedelta(microseconds=1), ENGLAND) in (day, day - dt.timedelta(days=1))


@given(MOMENTS)
def test_a_moment_read_by_the_clock_comes_back(at: dt.datetime) -> None:
    """Written with its offset, a moment is read as itself; a day ends within 25 hours of its middle."""
    whole = at.replace(microsecond=0)
    assert moment_of(whole.isoformat(), ENGLAND)[0] == whole
    day = local_day(whole, ENGLAND)
    assert dt.timedelta(0) < end_of_day(day, ENGLAND) - whole <= dt.timedelta(hours=25)


@given(st.integers(1, 300), st.data(), st.floats(0.001, 0.999), st.floats(0.1, 100))
def test_a_rate_is_drawn_towards_the_portfolio(
    inspected: int, data: Any, rate: float, strength: float
) -> None:
    """The shrunk rate lies between the group's and the portfolio's, inside its own range; more failures, more."""
    failed = data.draw(st.integers(0, inspected))
    found = float(shrunk(failed, inspected, rate=rate, strength=strength))
    low, high = sorted((failed / inspected, rate))
    assert low - 1e-12 <= found <= high + 1e-12
    bottom, top = (float(one) for one in shrunk_range(failed, inspected, rate=rate, strength=strength))
    assert 0.0 <= bottom <= top <= 1.0
    if failed < inspected:
        assert found < float(shrunk(failed + 1, inspected, rate=rate, strength=strength))
        assert upper_tail(failed, inspected, rate) >= upper_tail(failed + 1, inspected, rate)
    assert float(upper_tail(0, inspected, rate)) == pytest.approx(1.0)


@given(st.lists(st.text("abc", min_size=1, max_size=3), max_size=40), st.integers(0, 50), st.integers(0, 99))
def test_a_sample_is_of_what_there_is(ids: list[str], count: int, seed: int) -> None:
    """No home twice, none invented, as many as asked or all."""
    drawn = draw_sample(ids, count, seed=seed)
    assert set(drawn) <= set(ids)
    assert len(drawn) == len(set(drawn)) == min(count, len(set(ids)))


@given(st.data())
@settings(deadline=None, max_examples=50)
def test_an_asset_is_once_whatever_order_its_rows_come_in(data: Any) -> None:
    """Rows shuffled give the same assets in the same state."""
    row = st.tuples(
        st.sampled_from(["S1", "S2", "S3"]), st.sampled_from(["H1", "H2", "H3"]), st.just("soakaway"),
        st.sampled_from(["failed", "sound", "not_looked", "no_access"]), st.sampled_from(["2026-01-01", "2026-02-01"]),
        st.just("complaint"),
    )  # fmt: skip
    rows = data.draw(st.lists(row, min_size=1, max_size=12))
    columns = ["asset_id", "home_id", "asset_kind", "state", "inspected_on", "chosen_by"]
    one = once_each(pd.DataFrame(rows, columns=columns))
    other = once_each(pd.DataFrame(data.draw(st.permutations(rows)), columns=columns))
    assert one["asset_id"].is_unique
    names = ["asset_id", "state", "homes", "home_ids"]
    pd.testing.assert_frame_equal(one[names], other[names])


# --- walls ---------------------------------------------------------------------------------------


def reading(line: int, day: int, begin: float, length: float, wetness: str, **more: Any) -> Entry:
    """Return a length of wall read."""
    payload = {"chainage_from_m": begin, "chainage_to_m": begin + length, "wetness": wetness, **more}
    return entry(line, "stretch", day, payload)


def entry(line: int, kind: str, day: int, payload: dict[str, Any], **more: Any) -> Entry:
    """Return one event of a home."""
    at = START + dt.timedelta(days=day)
    given_ = {"event_id": f"e{line}", "case_id": "", "by_role": "manager", "corrects": "", **more}
    return Entry(
        line=line,
        kind=kind,
        at=at,
        with_time=False,
        payload={"at": at.date().isoformat(), **payload},
        **given_,
    )


READINGS = st.lists(
    st.tuples(
        st.integers(0, 400), st.integers(0, 80), st.integers(1, 40), st.sampled_from(["wet", "drying", "dry"])
    ),
    max_size=14,
)


def as_readings(rows: list[tuple[int, int, int, str]], shift_m: float = 0.0, later: int = 0) -> list[Entry]:
    """Return drawn rows as readings in order, a quarter of a metre a step."""
    return [
        reading(n, day + later, shift_m + begin / 4, length / 4, wetness)
        for n, (day, begin, length, wetness) in enumerate(sorted(rows, key=lambda row: row[0]), start=1)
    ]


@given(READINGS)
def test_wet_length_is_that_of_a_walk_along_the_wall(rows: list[tuple[int, int, int, str]]) -> None:
    """Painted quarter metre by quarter metre, each reading over the one before: the same length."""
    wall = np.zeros(200, dtype=bool)
    for _, begin, length, wetness in sorted(rows, key=lambda row: row[0]):
        wall[begin : begin + length] = wetness != "dry"
    assert walls_of(as_readings(rows)).wet_m == pytest.approx(wall.sum() / 4, abs=1e-3)


@given(READINGS, st.integers(0, 50), st.integers(0, 500))
def test_where_and_when_a_wall_begins_makes_no_difference(
    rows: list[tuple[int, int, int, str]], shift: int, later: int
) -> None:
    """Chainage counted from elsewhere and everything so many days later: the same walls, the same verdicts."""
    done = {"repair_id": "R", "stage": "finished", "cause": "S04", "asset_id": "K", "unexplained_m": 0.5}

    def verdicts(shift_m: float, days: int) -> list[str]:
        events = as_readings(rows, shift_m, days)
        where = {"chainage_from_m": shift_m + 5.0, "chainage_to_m": shift_m + 8.0}
        events = standing([*events, entry(99, "works", days + 30, {**done, **where})])
        return [one.verdict for one in repeats_of(events, ref=REF)]

    one, other = walls_of(as_readings(rows)), walls_of(as_readings(rows, shift / 4, later))
    assert one.wet_m == pytest.approx(other.wet_m, abs=2e-3)
    assert one.growing_m == pytest.approx(other.growing_m, abs=2e-3)
    assert verdicts(0.0, 0) == verdicts(shift / 4, later)


# --- what follows from events --------------------------------------------------------------------

KINDS = st.sampled_from(
    [
        ("report", {"channel": "phone"}),
        ("triage", {"hazard": "significant", "reason": "x"}),
        ("triage", {"hazard": "emergency", "reason": "x", "electrics": "yes"}),
        ("investigated", {"hazard": "significant"}),
        ("summary_sent", {"channel": "letter"}),
        ("made_safe", {"done": "x"}),
        ("access_attempt", {"method": "visit", "result": "no_answer"}),
        ("visit", {"purpose": "investigate"}),
        ("stretch", {"chainage_from_m": 1.0, "chainage_to_m": 3.0, "wetness": "wet"}),
        ("cost", {"amount": 10.1, "currency": "GBP", "cost_for": "survey"}),
        ("closed", {"reason": "dry"}),
    ]
)
HOMES = st.lists(st.tuples(st.integers(0, 300), KINDS), min_size=1, max_size=16, unique_by=lambda one: one[0])


def as_home(rows: list[tuple[int, tuple[str, dict[str, Any]]]]) -> list[Entry]:
    """Return drawn rows as a home's events."""
    facts = entry(1, "home", -10, {"nation": "england", "tenure": "social_rent"})
    return [facts, *(entry(n, kind, day, payload) for n, (day, (kind, payload)) in enumerate(rows, start=2))]


def shown(events: list[Entry]) -> dict[str, Any]:
    """Return what follows, without what tells the order things were entered in."""
    made = derive("L", "H", events, periods=PERIODS, ref=REF)
    return {name: value for name, value in made.state.items() if name != "head"}


@given(HOMES, st.data())
@settings(deadline=None)
def test_the_order_of_entering_makes_no_difference(rows: list[Any], data: Any) -> None:
    """Events entered in any order, each with its own time, leave the same state."""
    assert shown(as_home(rows)) == shown(as_home(data.draw(st.permutations(rows))))


@given(HOMES)
@settings(deadline=None)
def test_a_withdrawn_event_leaves_no_trace_in_what_stands(rows: list[Any]) -> None:
    """Everything but the number of events is as though it had never been entered."""
    events = as_home(rows)
    last = events[-1]
    withdrawn = entry(99, "withdrawn", 301, {"reason": "x"}, corrects=last.event_id)
    with_it, without = shown([*events, withdrawn]), shown(events[:-1])
    assert {**with_it, "events_count": 0} == {**without, "events_count": 0}


@given(HOMES, st.integers(1, 4))
@settings(deadline=None)
def test_of_a_chain_of_corrections_one_stands(rows: list[Any], times: int) -> None:
    """However often an event is corrected, one of it stands and it is the last."""
    events = as_home(rows)
    chain = [events[-1]]
    for n in range(times):
        chain.append(replace(chain[-1], line=100 + n, event_id=f"c{n}", corrects=chain[-1].event_id))
    kept = [one.event_id for one in standing([*events, *chain[1:]])]
    assert kept.count(f"c{times - 1}") == 1
    assert not {one.event_id for one in chain[:-1]} & set(kept)
    assert len(kept) == len(events)


@given(HOMES)
@settings(deadline=None)
def test_only_open_cases_have_dates(rows: list[Any]) -> None:
    """A home without an open case has no date, no emergency; every date is of an open case and after its report."""
    made = derive("L", "H", as_home(rows), periods=PERIODS, ref=REF)
    if not made.state["open_cases_count"]:
        assert made.clocks == ()
        assert made.state["law_due_at"] is None
        assert made.state["emergency"] == 0
        assert made.state["opened_at"] is None
    for row in made.clocks:
        assert row["due_at"] > made.state["opened_at"]
