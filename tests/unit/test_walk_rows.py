"""The walk as it is touched: rows, marks, and whether one is away in time."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geo import reference
from geo.site.model import Site, SiteInfo
from geo.site.records import Building, StopMark
from geo.walk.live import latest_marks
from geo.walk.marks import Tap, mark_id, marked_on, marking, of_each_visit
from geo.walk.plan import plan_walk
from geo.walk.rows import stop_rows
from geo.walk.stops import WalkPlan
from geo.walk.timing import day_words, span_words, timing, usual_away

REF = reference.default()
NOON = datetime(2026, 3, 17, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def plan() -> WalkPlan:
    """Return the walk round a house of which only the outline is known."""
    house = Building(
        id="B1", role="subject", geometry=shapely.box(0, 0, 10, 8), origin_easting_m=0, origin_northing_m=0
    )
    info = SiteInfo(name="House", crs="local", datum="step")
    site = Site(
        folder=Path(), info=info, ground=None, records={"building": (house,)}, reference=REF, digest="f" * 64
    )
    return plan_walk(site)


def tap(stop: str, state: str, minutes: float = 0) -> Tap:
    """Return a tap so many minutes after noon."""
    return Tap(stop=stop, state=state, at=NOON + timedelta(minutes=minutes))


def test_every_stop_has_a_row_in_the_order_of_the_walk(plan: WalkPlan) -> None:
    """Rows are numbered from 1 without a gap, one for each stop, and none is dropped."""
    rows = stop_rows(plan, ref=REF)
    assert [row.id for row in rows] == [stop.id for stop in plan.stops]
    assert [row.number for row in rows] == list(range(1, len(plan.stops) + 1))


def test_a_row_says_its_place_its_minutes_and_what_to_shoot(plan: WalkPlan) -> None:
    """Clockwise from 0, 0 a 10 by 8 m house is followed north, so B is 8 m on; tied and shot in 2 + 2 min."""
    corner = next(row for row in stop_rows(plan, ref=REF) if row.title == "Corner B")
    assert corner.where == "B1 · F2 · 8.00 m"
    assert corner.minutes == "4.0"
    folds = dict(corner.folds)
    assert folds["Levels"] == ("ground", "damp proof course")
    assert [corner.folds[place][0] for place in corner.short] == ["Levels"]


def test_a_first_tap_adds_one_mark_with_its_time_and_a_second_takes_it_out() -> None:
    """The mark bears the moment of the tap; a tap with no state leaves nothing on record."""
    made = marking([tap("corner:B1:F1", "done", 5)], ())
    (mark,) = made.put
    assert (mark.stop, mark.state, mark.marked_at) == ("corner:B1:F1", "done", "2026-03-17T12:05:00+00:00")
    assert made.remove == ()
    gone = marking([tap("corner:B1:F1", "")], made.put)
    assert gone.put == ()
    assert gone.remove == (mark.id,)


def test_two_devices_marking_one_stop_meet_on_one_record() -> None:
    """The id rests on the stop alone, so that the second save is refused instead of adding a rival mark."""
    one, other = (marking([tap("gully:G1", state)], ()).put[0] for state in ("done", "no_access"))
    assert one.id == other.id == mark_id("gully:G1")
    assert mark_id("gully:G1") != mark_id("gully:G2")


def test_a_mark_brought_from_a_file_is_changed_where_it_stands_and_keeps_its_note() -> None:
    """Of two marks of one stop in a file the later stays, with its note; the other goes."""
    old = (
        StopMark(id="SM1", stop="a", state="done"),
        StopMark(id="SM2", stop="a", state="no_access", note="behind units", photo_ids="P1"),
        StopMark(id="SM3", stop="b", state="done"),
    )
    made = marking([tap("a", "left_out")], old)
    (mark,) = made.put
    assert (mark.id, mark.state, mark.note, mark.photo_ids) == ("SM2", "left_out", "behind units", "P1")
    assert made.remove == ("SM1",)


@given(st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from(["done", "left_out", "no_access", ""]))))
def test_after_any_taps_the_last_on_each_stop_holds(taps: list[tuple[str, str]]) -> None:
    """Saved one by one or all at once, taps come to the same: the last state of each stop, or none."""
    made = [tap(stop, state, count) for count, (stop, state) in enumerate(taps)]
    marks: dict[str, StopMark] = {}
    for one in made:
        step = marking([one], tuple(marks.values()))
        marks = {name: mark for name, mark in marks.items() if name not in step.remove}
        marks |= {mark.id: mark for mark in step.put}
    wanted = {stop: state for stop, state in dict(taps).items() if state}
    assert latest_marks(tuple(marks.values())) == wanted
    assert latest_marks(marking(made, ()).put) == wanted


def test_set_up_and_close_down_of_an_earlier_day_are_told_apart(plan: WalkPlan) -> None:
    """What every visit has anew is only what was marked on another day, never a stop on the way."""
    marks = (
        StopMark(id="1", stop="close_down:covers", state="done", marked_at="2026-03-16T17:00"),
        StopMark(id="2", stop="set_up:meter", state="done", marked_at="2026-03-17T09:00"),
        StopMark(id="3", stop="corner:B1:F1", state="done", marked_at="2026-03-16T10:00"),
    )
    assert of_each_visit(plan, marks, today=date(2026, 3, 17)) == ("close_down:covers",)
    assert [mark.id for mark in marked_on(marks, date(2026, 3, 17))] == ["2"]


def test_a_walk_of_466_minutes_is_nearly_a_day_and_not_done_by_four() -> None:
    """466 min from 08:30 end at 16:16, by hand: 16 minutes after four; of two half days of 240 it is 97 %."""
    assert day_words(466, ref=REF) == "nearly a day"
    held = timing(466, begins_at=NOON.replace(hour=8, minute=30), away=time(16, 0))
    assert held.verdict == "no"
    assert held.sentence == "Not done by 16:00: it ends at 16:16, 16 min too late."
    assert timing(466, begins_at=held.begins_at, away=time(16, 16)).verdict == "yes"


@pytest.mark.parametrize(
    ("minutes", "away", "said"),
    [
        (90, time(14, 0), "Done by 14:00: it ends at 13:30, with 30 min to spare."),
        (90, time(11, 0), "11:00 has passed, and 1 h 30 min are left."),
        (0, time(11, 0), "Nothing is left to do."),
        (13 * 60, time(18, 0), "Not done by 18:00: it ends at 01:00 the next day, 7 h 00 min too late."),
    ],
)
def test_the_sentence_says_whether_one_is_done(minutes: float, away: time, said: str) -> None:
    """From noon, worked by hand: in time, the time already passed, nothing left, past midnight."""
    assert timing(minutes, begins_at=NOON, away=away).sentence == said


def test_the_usual_time_to_be_away_is_the_next_quarter_of_the_same_day() -> None:
    """From noon: 90 min end on a quarter, 91 reach the next, 13 h pass midnight and stop at 23:45."""
    assert usual_away(90, begins_at=NOON) == time(13, 30)
    assert usual_away(91, begins_at=NOON) == time(13, 45)
    assert usual_away(13 * 60, begins_at=NOON) == time(23, 45)


def test_a_changed_half_day_changes_what_a_day_is() -> None:
    """With half a day of 180 min, 466 min are 129 % of a day."""
    half = REF.limits["walk.half_day_min"]
    shorter = replace(REF, limits={**REF.limits, "walk.half_day_min": replace(half, value=180)})
    assert day_words(466, ref=shorter) == "more than a day"


def test_times_are_rounded_up() -> None:
    """59.2 minutes are an hour, never 59 minutes."""
    assert span_words(59.2) == "1 h 00 min"
    assert span_words(59.0) == "59 min"
