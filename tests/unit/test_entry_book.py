"""The level book while it is typed, and what its levels are used for."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.entry.book import BookNow, book_now, cells_in_unit, cells_to_metres, staff_columns
from geo.entry.columns import columns_of
from geo.findings.examine import examine
from geo.findings.heights import course_points, site_levels, usual_sigma
from geo.levels.page import COLLIMATION, RISE_AND_FALL
from geo.site.folder import read_site
from geo.site.model import Site
from geo.site.reading_records import Level

DEMO = Path(__file__).parents[2] / "demo_sites" / "semi_on_a_slope"


def booked(*lines: Level, mark: float | None = None, of: str = "") -> Site:
    """Return the demo site with another book, and its bench mark at another level."""
    site = read_site(DEMO)
    info = site.info.model_copy(update={"bench_mark_level_m": mark, "bench_mark": of})
    return replace(site, info=info, records={**site.records, "level": lines})


def loop(back: float, *, known: float | None = None) -> tuple[Level, ...]:
    """Return two set-ups out to a gully and home: -0.250 out, and home by what the last sight says."""
    return (
        Level(id="L1", role="bench_mark", setup_id="S1", backsight_m=1.500, known_level_m=known),
        Level(id="L2", role="rim", of_id="G1", intermediate_sight_m=1.820, chainage_m=30.7, offset_m=0.3),
        Level(id="L3", role="change_point", foresight_m=1.750),
        Level(id="L4", role="change_point", setup_id="S2", backsight_m=1.600),
        Level(id="L5", role="bench_mark", foresight_m=back, known_level_m=known),
    )


def now(site: Site, form: str = COLLIMATION) -> BookNow:
    """Return the book as it stands."""
    return book_now(site, form=form)


def test_a_small_miss_is_shared_out_and_said() -> None:
    """Out -0.250, home +0.246: -4 mm in two set-ups, where 5 √2 = 7.1 mm are allowed."""
    found = now(booked(*loop(1.354, known=10.0)))
    (told,) = found.told
    assert told.startswith("From L1 to L5, 2 set-ups: closes. It misses L5 by -4 mm; 5 √2 = 7.1 mm allowed")
    assert told.endswith("shared out over its 2 set-ups.")
    assert found.page is not None
    rim = found.levels.loc["L2"]
    assert rim["level_m"] == pytest.approx(10.0 + 1.500 - 1.820 + 0.002)
    assert rim["feeds"].startswith("rim of G1")


def test_a_large_miss_is_refused_and_says_from_where_to_level_again() -> None:
    """Home +0.200 after -0.250: 50 mm is no rounding, nothing is shared out."""
    found = now(booked(*loop(1.400, known=10.0)))
    (told,) = found.told
    assert "refused" in told
    assert "Level again from set-up S1, the first since L1." in told
    assert found.levels.loc["L2", "level_m"] == pytest.approx(9.680)


def test_a_known_level_met_on_the_way_vouches_for_the_set_ups_before_it() -> None:
    """A second bench mark read as it should be from the second set-up leaves only that set-up to doubt."""
    lines = list(loop(1.400, known=10.0))
    lines.insert(4, Level(id="L4b", role="bench_mark", intermediate_sight_m=1.100, known_level_m=10.25))
    lines[-1] = lines[-1].model_copy(update={"setup_id": "S2"})
    lines[4] = lines[4].model_copy(update={"setup_id": "S2"})
    (told,) = now(booked(*lines)).told
    assert "Level again from set-up S2, the first since L4b." in told


def test_a_bench_mark_without_a_level_is_asked_for() -> None:
    """Without any known level the book says so, and no level comes out."""
    found = now(booked(*loop(1.354)))
    assert found.no_datum
    assert "L1 has no known level" in found.told[0]
    assert found.levels.empty


def test_the_sites_own_bench_mark_has_the_sites_level() -> None:
    """A line booked as a bench mark stands on the level the site's facts give, so the loop closes."""
    found = now(booked(*loop(1.354), mark=25.0))
    assert "closes" in found.told[0]
    assert found.levels.loc["L2", "level_m"] == pytest.approx(25.0 - 0.320 + 0.002)


def test_a_bench_mark_whose_note_names_another_is_not_the_sites() -> None:
    """Closing on another mark of unknown level closes nothing; levels of the run stand."""
    lines = list(loop(1.354))
    lines[-1] = lines[-1].model_copy(update={"note": "nail in the garden wall"})
    found = now(booked(*lines, mark=25.0, of="step"))
    assert "not known whether it closes" in found.told[0]
    assert found.levels.loc["L2", "level_m"] == pytest.approx(25.0 - 0.320)


def test_a_set_up_without_a_backsight_is_said_and_nothing_is_reduced() -> None:
    """A foresight that no backsight opened cannot be followed."""
    found = now(booked(Level(id="L1", role="ground", setup_id="S9", foresight_m=1.2)))
    assert found.page is None
    assert "no backsight" in found.wrong[0]


@pytest.mark.parametrize("form", [COLLIMATION, RISE_AND_FALL])
def test_staff_columns_follow_the_unit_and_levels_stay_in_metres(form: str) -> None:
    """1.820 on the staff is 1820 on a page kept in millimetres."""
    found = book_now(booked(*loop(1.354, known=10.0)), form=form, staff_unit="mm")
    assert found.page is not None
    assert found.page.lines.loc["L2", "intermediate_sight_mm"] == pytest.approx(1820.0)
    assert found.page.lines.loc["L2", "level_m"] == pytest.approx(9.680)


@given(st.integers(-4999, 9999).filter(lambda n: n != 0))
def test_millimetres_typed_come_back_as_typed(millimetres: int) -> None:
    """What is kept in metres is the same number, digit for digit, in the unit it was read in."""
    kept = cells_to_metres({"backsight_m": str(millimetres), "note": "7"}, "mm")
    assert float(kept["backsight_m"]) == pytest.approx(millimetres / 1000, abs=1e-12)
    assert kept["note"] == "7"
    assert cells_in_unit(kept, "mm")["backsight_m"] == str(millimetres)


@pytest.mark.parametrize(("typed", "kept"), [("1482", "1.482"), ("1482.5", "1.4825"), ("1.482", "1.482"),
                                             ("x", "x"), ("15000", "15000"), ("", "")])  # fmt: skip
def test_what_is_no_reading_in_millimetres_stays_as_typed(typed: str, kept: str) -> None:
    """A number with a point under 10 was written in metres; 15 m is on no staff, and the line says so."""
    assert cells_to_metres({"foresight_m": typed}, "mm")["foresight_m"] == kept


def test_a_reading_in_metres_is_left_alone() -> None:
    """A book kept in metres holds what was typed, idle zeros and all."""
    assert cells_to_metres({"foresight_m": "1.500"}, "m") == {"foresight_m": "1.500"}


def test_only_the_staff_columns_change_their_unit() -> None:
    """The known level of a bench mark is in metres whatever the staff is read in."""
    units = {c.name: c.unit for c in staff_columns(columns_of("level"), "mm")}
    assert (units["backsight_m"], units["known_level_m"], units["chainage_m"]) == ("mm", "m", "m")


def test_soft_and_hidden_points_have_larger_sigmas() -> None:
    """Practice: underside of a slab 5-10 mm, top of debris 20-40 mm, against 2.5 mm on a hard point."""
    roles = ("soffit", "debris", "other")
    site = booked(*(Level(id=role, role=role, level_m=9.0) for role in roles))
    sigma = usual_sigma(site.table("level"), ref=site.reference)
    assert 0.005 <= sigma["soffit"] <= 0.010
    assert 0.020 <= sigma["debris"] <= 0.040
    assert sigma["soffit"] < site_levels(site)[0].loc["debris", "sigma_m"]


def with_course(*levels: Level) -> Site:
    """Return the demo site with levels already reduced, and its own points of the damp proof course."""
    site = read_site(DEMO)
    return replace(site, records={**site.records, "level": levels})


def test_a_levelled_course_is_a_point_of_the_line_where_none_is_typed() -> None:
    """The typed points of the demo at 11.6 and beyond leave chainage 8.0 free."""
    level = Level(id="X1", role="dpc", chainage_m=8.0, level_m=10.047, face="", side="outside")
    found = examine(with_course(level))
    row = found.dpc.loc["X1"]
    assert (row["leaf"], row["level_m"], row["state"]) == ("outer", 10.047, "continuous")
    assert row["sigma_m"] == pytest.approx(found.site.reference.value("levels.dpc_sigma_m"))


def test_a_typed_level_of_the_course_is_never_replaced_and_both_are_told() -> None:
    """DO1 is typed at 9.904 at chainage 0.2; a level of 9.950 there is told beside it, and not used."""
    level = Level(id="X1", role="dpc", chainage_m=0.25, level_m=9.950)
    found = examine(with_course(level))
    assert "X1" not in found.dpc.index
    assert found.dpc.loc["DO1", "level_m"] == 9.904
    assert any("X1" in note and "DO1" in note and "+46 mm" in note for note in found.notes)


def test_a_levelled_course_fills_a_typed_point_without_a_level() -> None:
    """Somebody saw the course there without levelling it: the book gives the level, the state stays."""
    site = with_course()
    points = [
        point.model_copy(update={"level_m": None}) if point.id == "DO1" else point
        for point in site.of("dpc_point")
    ]
    site = replace(site, records={**site.records, "dpc_point": tuple(points)})
    levels = examine(with_course(Level(id="X1", role="dpc", chainage_m=0.25, level_m=9.9))).levels
    found, told = course_points(site, levels)
    assert found.loc["DO1", "level_m"] == 9.9
    assert "X1" not in found.index
    assert told == ()
