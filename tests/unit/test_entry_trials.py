"""What a test must pour, shown before it, and what it was worth, shown after."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from geo import reference
from geo.entry.trials import before_test, log_of, rate_typed, readings_of_meters, sources_of
from geo.findings.drains import Drains, lay_out_drains
from geo.findings.examine import examine
from geo.site.folder import read_site
from geo.site.visit_records import MeterReading, Trial

DEMO = Path(__file__).parents[2] / "demo_sites" / "semi_on_a_slope"
REF = reference.default()


@cache
def drains() -> Drains:
    """Return the demo site's drains, laid out once."""
    return lay_out_drains(examine(read_site(DEMO)))


def asked(**fields: str) -> dict[str, str]:
    """Return what was typed before a test by hose at DP4."""
    return {"trial_kind": "hose", "source_id": "DP4", **fields}


def test_the_rate_by_bucket_and_stopwatch_has_its_error() -> None:
    """10 l in 40 s is 0.25 l/s; 3 % of the fill and 0.5 s of the watch give 0.25 √(0.03² + 0.0125²)."""
    rate = rate_typed({"bucket_l": "10", "bucket_s": "40"}, ref=REF)
    assert rate.value == pytest.approx(0.25)
    assert rate.sigma == pytest.approx(0.25 * math.hypot(0.03, 0.5 / 40))


@pytest.mark.parametrize(
    "typed", [{}, {"bucket_l": "x", "bucket_s": "40"}, {"bucket_l": "10"}, {"rate_l_s": "-1"}]
)
def test_a_rate_that_is_no_number_is_not_known(typed: dict[str, str]) -> None:
    """Half a bucket rate is no rate."""
    assert math.isnan(rate_typed(typed, ref=REF).value)


def test_litres_and_minutes_are_shown_before_the_test() -> None:
    """Minutes are litres over the rate: at half the rate it takes twice as long, for the same litres."""
    fast = before_test(read_site(DEMO), drains(), asked(bucket_l="10", bucket_s="40"))
    slow = before_test(read_site(DEMO), drains(), asked(bucket_l="10", bucket_s="80"))
    litres = "V*, to the first way out"
    assert fast.figures[litres] == slow.figures[litres]
    minutes = [float(each.figures["t*"].split()[0]) for each in (fast, slow)]
    assert minutes[1] == pytest.approx(2 * minutes[0], abs=0.11)
    volume = float(fast.figures[litres].split()[0])
    assert minutes[0] == pytest.approx(volume / 0.25 / 60, abs=0.1)
    wanted = float(fast.figures["pour 1.5 V*"].split()[0])
    assert wanted == pytest.approx(1.5 * volume, abs=1.0)
    assert len(fast.stops) >= 1


def test_without_a_rate_the_litres_stand_and_the_minutes_do_not() -> None:
    """How much it holds needs no rate; how long it takes does."""
    before = before_test(read_site(DEMO), drains(), asked())
    assert "t*" not in before.figures
    assert "bucket" in before.rate


def test_a_missing_level_is_named() -> None:
    """A source joined to nothing cannot be asked, and how to end that is said."""
    before = before_test(read_site(DEMO), drains(), asked(source_id="nowhere"))
    assert not before.known
    assert "nowhere" in before.told[0]
    assert "Trace" in before.told[1]


def test_drains_that_cannot_be_laid_out_are_said() -> None:
    """No figure is made up without them."""
    before = before_test(read_site(DEMO), None, asked(), why="There is no outline yet.")
    assert "not known: There is no outline yet." in before.told[0]
    assert not before.known


def test_tests_by_time_ask_for_minutes() -> None:
    """Spray, sheet and pressure need time and no litres."""
    (told,) = before_test(read_site(DEMO), drains(), asked(trial_kind="spray")).told
    assert f"{REF.value('trials.spray_minutes'):g} min" in told


def test_the_newest_test_stands_first_and_no_information_is_said_plainly() -> None:
    """30 l into DP4 is a small part of what it can hold: it tells nothing, in so many words."""
    log = log_of(read_site(DEMO), drains())
    assert log.table["id"].tolist() == ["TR6", "TR5", "TR4", "TR3", "TR2", "TR1"]
    (told,) = [one for one in log.told if "nothing either way" in one]
    assert told.startswith("TR4 tells nothing either way: 30 l")
    assert "Pour" in told


def test_a_test_that_showed_is_positive_and_says_what_it_lacks() -> None:
    """It showed, but without a colour and without the seconds it is no proof of its source yet."""
    site = read_site(DEMO)
    new = Trial(id="T9", trial_kind="hose", source_id="DP4", shown="shown", started_at="2026-04-18T09:00")
    log = log_of(replace(site, records={**site.records, "trial": (*site.of("trial"), new)}), drains())
    first = log.table.iloc[0]
    assert (first["id"], first["worth"]) == ("T9", "positive")
    assert "colour" in first["still lacks"]


def test_water_goes_in_where_the_drains_begin_first() -> None:
    """Every source of the drains is offered, and no id twice."""
    offers = sources_of(read_site(DEMO), drains())
    assert set(drains().sources) <= set(offers)
    assert len(offers) == len(set(offers))


def test_a_leak_shows_between_two_readings_with_everything_off() -> None:
    """12 l in an hour through a meter read to 0.5 l is a loss of 12 l/h."""
    readings = tuple(
        MeterReading(id=name, service_id="SV1", reading_m3=m3, resolution_l=0.5, all_off=off, taken_at=at)
        for name, m3, off, at in (
            ("M1", 100.000, "no", "2026-03-17T11:00:00"),
            ("M2", 100.012, "yes", "2026-03-17T12:00:00"),
        )
    )
    site = read_site(DEMO)
    found = readings_of_meters(replace(site, records={**site.records, "meter_reading": readings}))
    assert found.table.iloc[0]["verdict"] == "loses water"
    assert found.table.iloc[0]["loss, l/h"] == pytest.approx(12.0)
    assert "12 l/h" in found.told[0]
