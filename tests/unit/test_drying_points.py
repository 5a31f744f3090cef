"""Series, machines, the clock, goals and rises of fixed points, each on a few rows."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from pyproj import CRS

from geo import reference
from geo.drying.air import air_states, tent_rises
from geo.drying.clock import OPEN, SEEPAGE, STOPPED, Clock, Sources, clock_of, sources_of
from geo.drying.goals import (
    CONTROL,
    FLOOR,
    MET,
    NOT_MET,
    Dry,
    Goal,
    goal_of,
    judge_salts,
    judge_series,
    judge_surface,
)
from geo.drying.machines import Machines, machines_of
from geo.drying.rises import REBOUND, REWET, find_rises, rebound_check
from geo.drying.series import Series, day_said, moment, moments, reading_sigma, series_of
from geo.site.model import table_of
from geo.site.records import KINDS
from geo.verdict import NOT_KNOWN, Measured

REF = reference.default()
GRID = CRS.from_epsg(27700)
WEIGHED: dict[str, Any] = {
    "method": "gravimetric", "instrument": "BAL-1", "material": "brick", "depth_mm": 60.0, "point_id": "P1"
}  # fmt: skip


def table(kind: str, *rows: dict[str, Any]) -> pd.DataFrame:
    """Lay records out as the site does."""
    model = KINDS[kind]
    records = [model(**({"id": f"{kind}-{number}"} | row)) for number, row in enumerate(rows)]
    return table_of(tuple(records), model, crs=GRID)


def readings(values: str, *, days: tuple[int, ...] = (0, 7, 14, 21, 28), **more: Any) -> pd.DataFrame:
    """Return readings of point P1, the first on 1 May 2026 at noon."""
    rows = [
        WEIGHED | {"id": f"a{number}", "value": value, "taken_at": at(day)} | more
        for number, (value, day) in enumerate(zip(values.split(), days, strict=False))
    ]
    return table("reading", *rows)


def at(day: float, hour: int = 12) -> str:
    """Return a moment counted from 1 May 2026."""
    stamp = pd.Timestamp("2026-05-01") + pd.Timedelta(days=day, hours=hour)
    return stamp.strftime("%Y-%m-%dT%H:%M")


def series(values: str, **more: Any) -> Series:
    """Return the last series of point P1."""
    method = more.get("method", "gravimetric")
    points = table("drying_point", {"id": "P1", "method": method, "material": "brick"})
    found = series_of(points, readings(values, **more), ref=REF)["P1"].current
    assert found is not None
    return found


def off() -> Machines:
    """Return machines on record as off all along."""
    return machines_of(table("drying_log", {"began_at": at(-10), "ended_at": at(90), "machine_kind": "none"}))


def events(*rows: dict[str, Any]) -> pd.DataFrame:
    """Return events."""
    return table("event", *rows)


# --- series ---------------------------------------------------------------------------------------


def test_a_change_of_instrument_or_depth_cuts_the_series() -> None:
    """Three ways of reading are three series, none held against another, and each cut is said."""
    points = table("drying_point", {"id": "P1", "method": "gravimetric", "material": "brick"})
    rows = pd.concat(
        [
            readings("9.6 7.9"),
            readings("6.6", days=(14,), instrument="BAL-2").rename(index={"a0": "b0"}),
            readings("5.7", days=(21,), instrument="BAL-2", depth_mm=20.0).rename(index={"a0": "c0"}),
        ]
    )
    found = series_of(points, rows, ref=REF)["P1"]
    assert [part.ids for part in found.parts] == [("a0", "a1"), ("b0",), ("c0",)]
    assert "instrument BAL-1 to BAL-2" in found.told[0]
    assert "depth 60 mm to 20 mm" in found.told[1]


def test_another_method_never_enters_a_series() -> None:
    """A pin reading at a point of weighed samples is left out, and that is said."""
    points = table("drying_point", {"id": "P1", "method": "gravimetric", "material": "brick"})
    pins = readings("61", days=(3,), method="resistance_masonry").rename(index={"a0": "pin"})
    found = series_of(points, pd.concat([readings("9.6 7.9"), pins]), ref=REF)["P1"]
    assert [part.ids for part in found.parts] == [("a0", "a1")]
    assert "pin" in found.told[0]


def test_readings_come_in_order_of_time_and_zones_are_brought_together() -> None:
    """A time with a zone is turned to UTC; a blank or impossible one is no time."""
    assert series("5.0 9.6 7.9", days=(28, 0, 7)).numbers.tolist() == [9.6, 7.9, 5.0]
    assert moment("2026-05-01T13:00+01:00") == pd.Timestamp("2026-05-01T12:00")
    assert moments(pd.Series(["", "2026-13-01"])).isna().all()
    assert day_said(np.datetime64("2026-05-03T09:00")) == "3 May 2026"


def test_pins_left_in_place_scatter_less_than_pins_pushed_in_anew() -> None:
    """The share is a limit a user may change; a pad is put down anew each time and has no such share."""
    fixed, anew = (
        reading_sigma("resistance_masonry", "instrument", fixed=each, ref=REF) for each in (True, False)
    )
    assert fixed == pytest.approx(REF.value("drying.pins_share") * anew)
    pads = [reading_sigma("capacitance", "instrument", fixed=each, ref=REF) for each in (True, False)]
    assert pads == [10.0, 10.0]
    assert reading_sigma("gravimetric", "dry", fixed=True, ref=REF) == REF.value("drying.content_sigma")


# --- machines -------------------------------------------------------------------------------------


def test_hours_the_machines_were_off() -> None:
    """While one runs: none; after the last stopped: counted from it; with nothing on record: not known."""
    machines = machines_of(
        table(
            "drying_log",
            {"began_at": at(0), "ended_at": at(10), "machine_kind": "refrigerant"},
            {"began_at": at(2), "ended_at": at(12), "machine_kind": "fan"},
        )
    )
    assert machines.off_h(np.datetime64(at(11))) == 0.0
    assert machines.off_h(np.datetime64(at(14))) == 48.0
    assert math.isnan(machines_of(table("drying_log")).off_h(np.datetime64(at(14))))
    assert off().off_h(np.datetime64(at(0))) == 240.0


def test_a_run_without_an_end_still_goes_on() -> None:
    """A log that was never closed is a machine that runs."""
    machines = machines_of(table("drying_log", {"began_at": at(0), "machine_kind": "desiccant"}))
    assert machines.off_h(np.datetime64(at(60))) == 0.0


# --- clock ----------------------------------------------------------------------------------------


def clock(
    trials: pd.DataFrame, words: dict[str, str], holds: pd.DataFrame, *, chainage: float = 5.0,
    questioned: frozenset[str] = frozenset(), shown: float | None = 5.0,
) -> Clock:  # fmt: skip
    """Return the clock of a place on ring B1, 40 m long; tests showed at one chainage of it."""
    places = None
    if shown is not None:
        places = pd.DataFrame({"ring_key": "B1", "chainage_m": shown}, index=trials.index)
    rings = pd.Series("B1", index=holds.index, dtype=object)
    sources: Sources = sources_of(
        trials, words, holds, rings, questioned=questioned, places=places, lengths={"B1": 40.0}
    )
    return clock_of(sources, "B1", chainage, ref=REF)


def trial(name: str, day: float, **more: Any) -> dict[str, Any]:
    """Return a test of gully G1."""
    plain = {"id": name, "trial_kind": "dye", "source_id": "G1", "started_at": at(day), "shown": "not_shown"}
    return plain | more


def hold(**more: Any) -> dict[str, Any]:
    """Return hold point 2 passed on day 10, resting on test T2."""
    plain = {"id": "H1", "hold_point": "hp2", "result": "passed", "trial_id": "T2", "checked_at": at(10)}
    return plain | more


POSITIVE, BIG, SMALL = "positive", "negative, and big enough", "no information"


def test_no_clock_before_a_source_is_proven_stopped() -> None:
    """Nothing on record: seepage, with what would start the clock."""
    found = clock(table("trial"), {}, table("hold_point"))
    assert not found.running
    assert found.verdict.word == NOT_KNOWN
    assert "HP2" in found.verdict.settle


def test_the_hold_point_starts_the_clock_only_on_a_test_that_was_big_enough() -> None:
    """The same record starts it with a sufficient test, and not with one that could not have shown, or none."""
    trials = table("trial", trial("T2", 9))
    assert clock(trials, {"T2": BIG}, table("hold_point", hold())).starts == np.datetime64(at(10))
    short = clock(trials, {"T2": SMALL}, table("hold_point", hold()))
    assert not short.running
    assert SMALL in short.verdict.because
    unnamed = clock(trials, {"T2": BIG}, table("hold_point", hold(trial_id="")))
    assert "names no test" in unnamed.verdict.because


def test_a_source_that_still_fed_it_stops_the_clock_again() -> None:
    """Positive after the hold point: open, until it is tested again and nothing shows."""
    first, again = trial("T1", 12, shown="shown"), trial("T3", 20)
    words = {"T1": POSITIVE, "T2": BIG, "T3": BIG}
    holds = table("hold_point", hold())
    opened = clock(table("trial", trial("T2", 9), first), words, holds)
    assert opened.verdict.word == OPEN
    stopped = clock(table("trial", trial("T2", 9), first, again), words, holds)
    assert stopped.verdict.word == STOPPED
    assert stopped.starts == np.datetime64(at(20))


def test_dye_in_a_chamber_opens_nothing() -> None:
    """What came out in a chamber proves a run, not that the wall is fed."""
    seen = table("trial", trial("T1", 12, shown="shown", shown_id="C1"), trial("T2", 9))
    found = clock(seen, {"T1": POSITIVE, "T2": BIG}, table("hold_point", hold()))
    assert found.verdict.word == STOPPED


def test_a_silent_test_of_a_source_nobody_asked_about_stops_nothing() -> None:
    """It excludes that source; what feeds the wall may still run. Repaired, or accepted as cause, it counts."""
    trials, none = table("trial", trial("T2", 9)), table("hold_point")
    assert not clock(trials, {"T2": BIG}, none).running
    assert clock(trials, {"T2": BIG}, none, questioned=frozenset({"G1"})).running


def test_a_test_or_a_hold_point_elsewhere_says_nothing_here() -> None:
    """A hold point of 20 to 22 m does not start the clock at 5 m; a test that showed at 30 m does not stop it."""
    trials = table("trial", trial("T2", 9))
    far = table("hold_point", hold(chainage_from_m=20.0, chainage_to_m=22.0))
    assert not clock(trials, {"T2": BIG}, far).running
    shown = table("trial", trial("T1", 12, shown="shown"), trial("T2", 9))
    words = {"T1": POSITIVE, "T2": BIG}
    assert clock(shown, words, table("hold_point", hold()), shown=30.0).running
    assert not clock(shown, words, table("hold_point", hold()), shown=6.0).running


def test_a_hold_point_may_pass_the_origin_of_the_ring() -> None:
    """From 39 to 2 m on a ring of 40 m covers 1 m, and not 20 m."""
    trials = table("trial", trial("T2", 9))
    holds = table("hold_point", hold(chainage_from_m=39.0, chainage_to_m=2.0))
    assert clock(trials, {"T2": BIG}, holds, chainage=1.0).running
    assert not clock(trials, {"T2": BIG}, holds, chainage=20.0).running


def test_a_failed_hold_point_says_the_source_runs() -> None:
    """Failed is not "not tested"."""
    holds = table("hold_point", hold(result="failed"))
    assert clock(table("trial", trial("T2", 9)), {"T2": BIG}, holds).verdict.word == OPEN
    assert SEEPAGE == "seepage with the source open"


# --- goals ----------------------------------------------------------------------------------------


def goal(value: float, *, kind: str = CONTROL, sigma: float = 0.0, unit: str = "% mass") -> Goal:
    """Return a goal of a known value."""
    return Goal(kind=kind, value=value, sigma=sigma, unit=unit)


def test_a_goal_takes_two_visits_a_week_apart() -> None:
    """Under the goal once is not known; twice in four days is not known; twice in seven is met."""
    assert judge_series(goal(4.4), series("6.0 3.6", days=(0, 7)), off(), ref=REF).word == NOT_KNOWN
    close = judge_series(goal(4.4), series("3.7 3.6", days=(0, 4)), off(), ref=REF)
    assert close.word == NOT_KNOWN
    assert "two" in close.because
    found = judge_series(goal(4.4), series("3.7 3.6", days=(0, 7)), off(), ref=REF)
    assert found.word == MET
    assert found.rests_on == ("a0", "a1")


def test_machines_running_or_just_stopped_do_not_count() -> None:
    """A reading 47 h after the machines stopped lacks an hour; with no log it is not on record."""
    for end, word in ((at(19, 13), NOT_KNOWN), (at(5, 12), MET)):
        machines = machines_of(
            table(
                "drying_log",
                {"began_at": at(0, 1), "ended_at": end, "machine_kind": "refrigerant"},
            )
        )
        found = judge_series(goal(4.4), series("3.7 3.6", days=(14, 21)), machines, ref=REF)
        assert found.word == word
    unsaid = judge_series(
        goal(4.4), series("3.7 3.6", days=(14, 21)), machines_of(table("drying_log")), ref=REF
    )
    assert "not on record" in unsaid.because
    assert "log" in unsaid.settle


def test_within_the_error_is_not_met() -> None:
    """3.3 twice against 3.4 at 0.3 each: under the goal, and not surely. Margin 0.1, 1.96 x 0.3 / sqrt 2 = 0.42."""
    found = judge_series(goal(3.4), series("3.3 3.3", days=(0, 7)), off(), ref=REF)
    assert found.word == NOT_KNOWN
    assert found.sigma == pytest.approx(0.3 / math.sqrt(2))
    assert judge_series(goal(3.4), series("5.0", days=(0,)), off(), ref=REF).word == NOT_MET


def test_off_the_scale_is_not_met_and_below_the_scale_may_be() -> None:
    """>30 is surely over 18; <6 is surely under it, twice."""
    wood = {"method": "resistance_wood", "material": "softwood"}
    dry = goal(18.0, kind="timber", unit="% WME")
    assert judge_series(dry, series("24 >30", days=(0, 7), **wood), off(), ref=REF).word == NOT_MET
    assert judge_series(dry, series("<6 <6", days=(0, 7), **wood), off(), ref=REF).word == MET


def test_a_floor_is_read_once_but_sealed_and_with_the_heating_off() -> None:
    """72 h sealed and 96 h off: 68 % meets 75; 71 h sealed does not count; 74 is within the error."""
    screed = {"method": "rh_hole", "material": "screed"}
    floor = goal(75.0, kind=FLOOR, unit="% RH")
    assert judge_series(floor, series("68", days=(0,), sealed_h=72.0, **screed), off(), ref=REF).word == MET
    early = judge_series(floor, series("68", days=(0,), sealed_h=71.0, **screed), off(), ref=REF)
    assert early.word == NOT_KNOWN
    assert "71 h" in early.because
    near = judge_series(floor, series("74", days=(0,), sealed_h=72.0, **screed), off(), ref=REF)
    assert near.word == NOT_KNOWN


def test_the_margin_stands_over_the_dry_reference() -> None:
    """2.4 and 1.0 give 3.4, with the reference's own sigma; without a reference there is no goal."""
    point = pd.Series({"goal": CONTROL, "goal_value": math.nan, "method": "gravimetric"})
    own = series("9.6", days=(0,))
    dry = Dry(at=np.datetime64(at(0)), value=Measured(2.4, 0.3), said="dry reference C1", rests_on=("c1",))
    found = goal_of(point, own, dry, None, ref=REF)
    assert (found.value, found.sigma) == (pytest.approx(3.4), 0.3)
    late = Dry(at=np.datetime64(at(-30)), value=dry.value, said="dry reference C1", rests_on=())
    assert "read 30 days apart" in goal_of(point, own, late, None, ref=REF).stale
    assert not goal_of(point, own, None, None, ref=REF).known


def test_a_dry_reference_of_another_day_releases_nothing() -> None:
    """Low enough twice, and the reference read 30 days before: not known, and what to read."""
    low = Goal(
        kind=CONTROL,
        value=4.4,
        unit="% mass",
        stale="its dry reference was read 30 days apart",
        settle="Read it.",
    )
    found = judge_series(low, series("3.0 3.0", days=(0, 7)), off(), ref=REF)
    assert found.word == NOT_KNOWN
    assert "30 days apart" in found.because


def logged(humidity: float, *, days: int) -> pd.DataFrame:
    """Return four readings a day at a surface of 13 degrees in a room of 18."""
    rows = [
        {"id": f"E{day}-{hour}", "place": "room", "taken_at": at(day, hour), "air_c": 18.0, "surface_c": 13.0,
         "humidity_percent": humidity, "instrument": "LOG"}
        for day in range(days) for hour in (0, 6, 12, 18)
    ]  # fmt: skip
    return air_states(table("environment", *rows), ref=REF)


def test_a_surface_is_judged_by_a_month() -> None:
    """Room 18 degrees, surface 13: at 72 % the surface has 99 %, at 45 % 62 % (e_s 20.6 and 15.0 hPa by table).

    72 % of 20.63 hPa is 14.85 of 14.97; 45 % is 9.28 of 14.97. Twenty days of it are not a month.
    """
    most = Goal(kind="surface_humidity", value=80.0, unit="% RH")
    assert judge_surface(most, logged(45.0, days=29), ref=REF).word == MET
    wet = judge_surface(most, logged(72.0, days=29), ref=REF)
    assert wet.word == NOT_MET
    assert "mean 99 % RH" in wet.because
    assert judge_surface(most, logged(45.0, days=20), ref=REF).word == NOT_KNOWN
    assert judge_surface(most, logged(58.0, days=29), ref=REF).word == NOT_KNOWN


@pytest.mark.parametrize(
    ("outside", "moved", "alarms"),
    [((10.0, 10.0), False, 1), ((10.0, 22.0), False, 0), ((10.0, 10.0), True, 0)],
)
def test_a_tent_that_grows_wetter_alone(outside: tuple[float, float], moved: bool, alarms: int) -> None:
    """From 7.8 to 13.6 g/m3 in a day in the tent: an alarm, unless it grew wetter outdoors too, or machines moved."""
    rows = []
    for day, (humidity, out) in enumerate(zip((40.0, 70.0), outside, strict=True)):
        for name, place, air, own in (("T", "tent", 22.0, humidity), ("O", "outdoors", out, 85.0)):
            rows.append(
                {"id": f"{name}{day}", "place": place, "taken_at": at(day), "air_c": air, "instrument": name,
                 "humidity_percent": own}
            )  # fmt: skip
    log = {"began_at": at(-9), "ended_at": at(0, 20) if moved else at(9), "machine_kind": "refrigerant"}
    states = air_states(table("environment", *rows), ref=REF)
    assert len(tent_rises(states, machines_of(table("drying_log", log)), ref=REF)) == alarms


def test_salts_ask_for_no_more_than_they_hold() -> None:
    """MC 7.9, HMC 8.4: met although it reads wet; MC 5.6, HMC 3.0, sigma 0.42: 2.6 over, 0.85 allowed: not met."""
    point = pd.Series({"goal": "salt_balance", "goal_value": math.nan, "method": "gravimetric"})
    for mc, hmc, word in ((7.9, 8.4, MET), (5.6, 3.0, NOT_MET)):
        sample = pd.Series(
            {"mc_dry": mc, "hmc_dry": hmc, "excess": mc - hmc, "excess_sigma": 0.424}, name="S1"
        )
        own = goal_of(point, None, None, sample, ref=REF)
        assert judge_salts(own, sample, ref=REF).word == word
    assert judge_salts(goal_of(point, None, None, None, ref=REF), None, ref=REF).word == NOT_KNOWN


# --- rises ----------------------------------------------------------------------------------------


def test_a_rise_of_three_sigma_with_rain_is_wetted_again() -> None:
    """+1.9 at sigma 0.3 is 4.5 times 0.42; +1.2 is 2.8 times, and scatter."""
    rain = events({"event_kind": "rain", "began_at": at(10), "ended_at": at(10, 20), "rain_mm": 21.0})
    (found,) = find_rises(series("8.8 7.4 9.3 8.0 6.9"), rain, off(), ref=REF)
    assert (found.word, found.reading_id, found.from_id) == (REWET, "a2", "a1")
    assert "rain 21 mm" in found.because
    assert find_rises(series("8.8 7.4 8.6 8.0 6.9"), rain, off(), ref=REF) == ()


def test_a_slow_climb_is_found_too() -> None:
    """0.5 a week never jumps, and is 1.5 over its lowest after three weeks (3.5 sigma of a difference)."""
    (found,) = find_rises(series("6.0 6.5 7.0 7.5"), events(), off(), ref=REF)
    assert (found.from_id, found.reading_id) == ("a0", "a3")
    assert "no rain" in found.because


def test_a_step_after_the_machines_moved_is_a_rebound() -> None:
    """Machines stopped between the two readings; with rain as well the two cannot be told apart."""
    machines = machines_of(
        table("drying_log", {"began_at": at(-5), "ended_at": at(9), "machine_kind": "refrigerant"})
    )
    own = series("8.8 5.4 7.3 7.2")
    (dry,) = find_rises(own, events(), machines, ref=REF)
    assert dry.word == REBOUND
    rain = events({"event_kind": "rain", "began_at": at(11), "ended_at": at(11, 20), "rain_mm": 12.0})
    (both,) = find_rises(own, rain, machines, ref=REF)
    assert both.word == NOT_KNOWN
    assert both.settle


def test_bounds_stay_bounds_in_a_rise() -> None:
    """From 24 to >30 the rise is at least 6; from >30 to 28 nothing rose; from >30 to >30 nothing is shown."""
    wood = {"method": "resistance_wood", "material": "softwood"}
    (found,) = find_rises(series("24 >30", **wood), events(), off(), ref=REF)
    assert "at least +6.0" in found.because
    assert find_rises(series(">30 28", **wood), events(), off(), ref=REF) == ()
    assert find_rises(series(">30 >30", **wood), events(), off(), ref=REF) == ()


def test_the_rebound_check_waits_two_days() -> None:
    """Held within the error, risen beyond it, or not read yet 48 h after the machines stopped."""
    machines = machines_of(
        table("drying_log", {"began_at": at(-5), "ended_at": at(7, 13), "machine_kind": "refrigerant"})
    )
    assert rebound_check(series("8.8 5.4 5.5"), machines, ref=REF).word == "held"
    assert rebound_check(series("8.8 5.4 7.3"), machines, ref=REF).word == "rose"
    early = rebound_check(series("8.8 5.4 7.3", days=(0, 7, 9)), machines, ref=REF)
    assert early.word == NOT_KNOWN
