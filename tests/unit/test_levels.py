"""Level books that can be followed, that cannot, and how sure their levels are."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geo import reference
from geo.errors import InputError
from geo.levels.book import CLOSES, MISSES, reduce_book
from geo.levels.page import COLLIMATION, RISE_AND_FALL, book_page
from geo.levels.staff import read_staff, staff_text
from geo.levels.tie import difference, differences
from geo.verdict import NOT_KNOWN

REF = reference.default()
NAN = math.nan
SIGMA = REF.value("levels.staff_sigma_m")


def book_of(*lines: tuple[Any, ...]) -> pd.DataFrame:
    """Return a book from (label, point, set-up, backsight, intermediate, foresight, known)."""
    columns = [
        "label",
        "point",
        "setup_id",
        "backsight_m",
        "intermediate_sight_m",
        "foresight_m",
        "known_level_m",
    ]
    return pd.DataFrame(list(lines), columns=columns).set_index("label")


LOOP = book_of(
    ("1", "BM", "S1", 1.500, NAN, NAN, 10.0),
    ("2", "", "S1", NAN, 1.700, NAN, NAN),
    ("3", "", "S1", NAN, NAN, 1.300, NAN),
    ("4", "", "S2", 1.400, NAN, NAN, NAN),
    ("5", "", "S2", NAN, 1.900, NAN, NAN),
    ("6", "BM", "S2", NAN, NAN, 1.606, NAN),
)


def test_a_small_misclosure_is_shared_out_by_setups() -> None:
    """Back on the bench mark at 9.994: -6 mm, so the first set-up's points rise 3 mm, the second's 6."""
    book = reduce_book(LOOP, ref=REF)
    assert book.runs.loc[1, "word"] == CLOSES
    assert book.levels["raw_level_m"].round(3).tolist() == [10.0, 9.8, 10.2, 10.2, 9.7, 9.994]
    assert book.levels["correction_m"].round(6).tolist() == [0, 0.003, 0.003, 0.003, 0.006, 0.006]
    assert book.levels.loc["6", "level_m"] == pytest.approx(10.0, abs=1e-12)


def test_a_large_misclosure_is_refused() -> None:
    """At 9.980 it misses by 20 mm, over 5 √2 = 7.1: levels stay as reduced, and their sigmas say so."""
    wide = LOOP.copy()
    wide.loc["6", "foresight_m"] = 1.620
    book = reduce_book(wide, ref=REF)
    assert book.runs.loc[1, "word"] == MISSES
    assert (book.levels["correction_m"] == 0).all()
    assert book.levels.loc["5", "sigma_m"] > 0.020
    assert difference(book, "3", "2").sigma == pytest.approx(math.sqrt(2) * SIGMA)


def test_sigma_of_an_open_run_grows_with_its_sights() -> None:
    """A level k set-ups from the bench mark rests on 2 k sights: sigma √(2 k) times one sight's."""
    lines: list[tuple[Any, ...]] = [("b0", "BM", "", 1.5, NAN, NAN, 10.0)]
    lines += [(f"c{k}", f"C{k}", "", 1.5, NAN, 1.4, NAN) for k in range(1, 6)]
    lines.append(("end", "P", "", NAN, NAN, 1.4, NAN))
    book = reduce_book(book_of(*lines), ref=REF)
    expected = [math.sqrt(2 * k) * SIGMA for k in range(1, 7)]
    assert book.levels["sigma_m"].tolist()[1:] == pytest.approx(expected)
    assert book.runs.loc[1, "word"] == NOT_KNOWN
    assert book.runs.loc[1, "settle"]


def test_sigma_of_a_closed_run_is_that_of_a_line_tied_at_both_ends() -> None:
    """After k of n set-ups between two known levels the variance is 2 k (n - k) / n sights."""
    n = 4
    lines: list[tuple[Any, ...]] = [("b", "BM", "", 1.5, NAN, NAN, 10.0)]
    lines += [(f"c{k}", "", "", 1.5, NAN, 1.5, NAN) for k in range(1, n)]
    lines.append(("end", "BM", "", NAN, NAN, 1.5, NAN))
    book = reduce_book(book_of(*lines), ref=REF)
    expected = [math.sqrt(2 * k * (n - k) / n) * SIGMA for k in range(n + 1)]
    assert book.levels["sigma_m"].tolist() == pytest.approx(expected, abs=1e-12)


def test_covariances_are_those_of_the_readings_moved_one_by_one() -> None:
    """Moving each of the six readings by 1 mm and adding the products of what follows gives the covariance."""
    columns = ["backsight_m", "intermediate_sight_m", "foresight_m"]
    exact = LOOP.copy()
    exact.loc["6", "foresight_m"] = 1.600
    book = reduce_book(exact, ref=REF)
    rest = book.levels["level_m"].to_numpy()
    moves = []
    booked = [
        (line, column)
        for line in exact.index
        for column in columns
        if not math.isnan(exact.loc[line, column])
    ]
    for line, column in booked:
        nudged = exact.copy()
        nudged.loc[line, column] += 0.001
        moves.append((reduce_book(nudged, ref=REF).levels["level_m"].to_numpy() - rest) / 0.001)
    slope = np.array(moves)
    assert slope.shape == (6, 6)
    assert np.allclose(book.covariance, slope.T @ slope * SIGMA**2, atol=1e-12)


def test_levels_of_two_setups_share_only_what_comes_before() -> None:
    """In an open run the difference of a point of set-up 2 and its change point rests on two sights."""
    book = reduce_book(LOOP.iloc[:5], ref=REF)
    assert difference(book, "5", "3").sigma == pytest.approx(math.sqrt(2) * SIGMA)
    assert difference(book, "5", "2").sigma == pytest.approx(math.sqrt(4) * SIGMA)
    pairs = differences(book, ["5", "3"], ["2", "2"])
    assert pairs["same_setup"].tolist() == [False, True]
    with pytest.raises(KeyError, match="no line '99'"):
        differences(book, ["99"], ["2"])


def test_a_branch_rests_on_the_run_it_leaves() -> None:
    """A set-up that backsights an intermediate point carries that point's error on: √(2 + 2) sights."""
    branch = book_of(
        ("1", "BM", "S1", 1.5, NAN, NAN, 10.0),
        ("2", "A", "S1", NAN, 1.2, NAN, NAN),
        ("3", "A", "S2", 1.1, NAN, NAN, NAN),
        ("4", "B", "S2", NAN, 1.0, NAN, NAN),
    )
    book = reduce_book(branch, ref=REF)
    assert book.levels.loc["4", "level_m"] == pytest.approx(10.4)
    assert book.levels.loc["4", "sigma_m"] == pytest.approx(2 * SIGMA)
    assert len(book.runs) == 2


def test_a_line_without_a_sight_has_no_level() -> None:
    """A level reduced elsewhere takes no part; its line stays, without a level from this book."""
    book = reduce_book(pd.concat([LOOP, book_of(("7", "X", "", NAN, NAN, NAN, NAN))]), ref=REF)
    assert math.isnan(book.levels.loc["7", "level_m"])
    assert math.isnan(book.covariance[6, 0])
    assert reduce_book(LOOP.iloc[:0], ref=REF).runs.empty


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        (
            [("1", "BM", "S1", 1.5, NAN, NAN, 10.0), ("2", "A", "S2", 1.5, NAN, NAN, NAN)],
            "the backsight of set-up S2 is on A, whose level is not known",
        ),
        ([("1", "A", "", NAN, 1.5, NAN, NAN)], "no backsight before this"),
        ([("1", "BM", "", 1.5, 1.2, NAN, 10.0)], "an intermediate sight beside another sight"),
        (
            [("1", "BM", "S1", 1.5, NAN, NAN, 10.0), ("2", "BM", "S1", 1.4, NAN, NAN, NAN)],
            "set-up S1 has a second backsight",
        ),
        (
            [
                ("1", "BM", "", 1.5, NAN, NAN, 10.0),
                ("2", "A", "", NAN, NAN, 1.4, NAN),
                ("3", "B", "", NAN, NAN, 1.4, NAN),
            ],
            "set-up 1 has a second foresight",
        ),
        (
            [("1", "BM", "", 1.5, NAN, NAN, 10.0), ("2", "BM", "", NAN, NAN, 1.4, 10.5)],
            "BM has two known levels, 10 and 10.5",
        ),
        (
            [("1", "BM", "S1", 1.5, NAN, NAN, 10.0), ("2", "A", "S9", NAN, 1.4, NAN, NAN)],
            "set-up S9 has no backsight before this",
        ),
    ],
)
def test_a_book_that_cannot_be_followed_is_refused(lines: list[tuple[Any, ...]], found: str) -> None:
    """The line and what is wrong with it are named, with the way out."""
    with pytest.raises(InputError, match=found) as caught:
        reduce_book(book_of(*lines), ref=REF)
    assert all(problem.mend for problem in caught.value.problems)


UNTIED = book_of(
    ("1", "BM", "S1", 1.500, NAN, NAN, NAN),
    ("2", "A", "S1", NAN, 1.700, NAN, NAN),
    ("3", "CP", "S1", NAN, NAN, 1.300, NAN),
    ("4", "CP", "S2", 1.400, NAN, NAN, NAN),
    ("5", "B", "S2", NAN, NAN, 1.600, NAN),
)


def test_a_bench_mark_without_a_level_leaves_levels_not_known() -> None:
    """Rises and falls stand, -0.200, +0.400, -0.200; no level is made up, and the bench mark is asked for."""
    book = reduce_book(UNTIED, ref=REF)
    assert book.levels[["level_m", "raw_level_m", "sigma_m"]].isna().all().all()
    assert np.isnan(book.covariance).all()
    assert book.sights["rise_m"].dropna().tolist() == pytest.approx([0.4])
    assert book.sights["fall_m"].dropna().tolist() == pytest.approx([0.2, 0.2])
    run = book.runs.loc[1]
    assert (run["tied"], run["word"]) == (False, NOT_KNOWN)
    assert run["arithmetic_ok"]
    assert run["difference_m"] == pytest.approx(0.0, abs=1e-12)
    assert "BM has no known level" in run["because"]
    assert "Give BM its known level" in run["settle"]


def test_a_run_can_hang_on_its_far_end() -> None:
    """B known at 20.000 makes the bench mark 20.000 too and A 19.800; nothing closes, and B is the surest.

    A is two set-ups of sights away from B: its own and the backsight of S1 cancel to sights 1-2, plus the
    backsight of S1 to B: A = B - (b1 - f1 + b2 - f2) + b1 - i = B + f1 - b2 + f2 - i, four sights.
    """
    book = reduce_book(UNTIED.assign(known_level_m=[NAN, NAN, NAN, NAN, 20.0]), ref=REF)
    assert book.levels["level_m"].tolist() == pytest.approx([20.0, 19.8, 20.2, 20.2, 20.0])
    assert book.levels["sigma_m"].tolist() == pytest.approx(
        [2 * SIGMA, 2 * SIGMA, math.sqrt(2) * SIGMA, math.sqrt(2) * SIGMA, 0]
    )
    run = book.runs.loc[1]
    assert (run["tied"], run["word"]) == (True, NOT_KNOWN)
    assert "carried back from B" in run["because"]


def test_only_a_bench_mark_may_begin_a_later_run_without_a_level() -> None:
    """A second bench mark, booked as one, leaves its own run not known; an unknown change point breaks off."""
    lines = [
        ("1", "BM", "S1", 1.5, NAN, NAN, 10.0),
        ("2", "A", "S1", NAN, 1.2, NAN, NAN),
        ("3", "BM2", "S2", 1.1, NAN, NAN, NAN),
        ("4", "C", "S2", NAN, 1.0, NAN, NAN),
    ]
    told = book_of(*lines).assign(role=["bench_mark", "ground", "bench_mark", "ground"])
    book = reduce_book(told, ref=REF)
    assert book.runs["tied"].tolist() == [True, False]
    assert book.levels["level_m"].notna().tolist() == [True, True, False, False]
    assert difference(book, "2", "1").value == pytest.approx(0.3)
    with pytest.raises(InputError, match="BM2, whose level is not known"):
        reduce_book(book_of(*lines), ref=REF)


@pytest.mark.parametrize("form", [COLLIMATION, RISE_AND_FALL])
def test_a_page_without_a_datum_still_shows_its_sights(form: str) -> None:
    """Sights, sums and rises are there to be seen; levels are blank, and the checks say why."""
    page = book_page(reduce_book(UNTIED, ref=REF), UNTIED, form=form)
    assert page.lines["level_m"].isna().all()
    assert page.sums.loc[1, "backsight_m"] == pytest.approx(2.9)
    assert NOT_KNOWN in page.checks["word"].tolist()
    assert page.checks.iloc[-1]["settle"].startswith("Give BM")


def test_a_page_in_millimetres_keeps_levels_in_metres() -> None:
    """A staff of 1.482 is booked as 1482, its rise in millimetres with it; corrections are always so."""
    page = book_page(reduce_book(LOOP, ref=REF), LOOP, form=RISE_AND_FALL, staff_unit="mm")
    assert page.lines["backsight_mm"].dropna().tolist() == pytest.approx([1500, 1400])
    assert page.lines["fall_mm"].dropna().tolist() == pytest.approx([200, 500])
    assert page.lines["correction_mm"].tolist() == pytest.approx([0, 3, 3, 3, 6, 6])
    assert page.lines.loc["6", "adjusted_level_m"] == pytest.approx(10.0)
    assert page.checks["word"].tolist() == ["yes", "yes", "yes"]
    for form, unit in (("by eye", "m"), (COLLIMATION, "ft")):
        with pytest.raises(ValueError, match="no level book"):
            book_page(reduce_book(LOOP, ref=REF), LOOP, form=form, staff_unit=unit)


@pytest.mark.parametrize(
    ("typed", "unit", "metres"),
    [("1.482", "", 1.482), ("1482", "", 1.482), ("1482", "mm", 1.482), ("2", "m", 2.0), ("2", "mm", 0.002),
     ("-0.350", "", -0.35), ("-350", "", -0.35), ("0", "", 0.0), (" 1.5 ", "", 1.5), (".5", "", 0.5), ("2.", "", 2.0)],
)  # fmt: skip
def test_a_staff_reading_in_either_unit(typed: str, unit: str, metres: float) -> None:
    """With a point it is metres, whole it is millimetres, and a unit said goes before both."""
    assert read_staff(typed, unit=unit) == (pytest.approx(metres, abs=1e-12), "")


@pytest.mark.parametrize(
    ("typed", "unit", "word"),
    [("2", "", "may be metres or millimetres"), ("1,482", "", "comma"), ("1482", "m", "1482 m"), ("14.82", "", "14.82 m"),
     ("1e3", "", "not a staff reading"), ("nan", "", "not a staff reading"), ("99999", "", "99.999 m"), ("x", "mm", "not")],
)  # fmt: skip
def test_a_staff_reading_that_cannot_be_told(typed: str, unit: str, word: str) -> None:
    """What may be two things, or is off every staff, is asked again and never guessed."""
    metres, fault = read_staff(typed, unit=unit)
    assert math.isnan(metres)
    assert word in fault


@given(st.integers(-4999, 9999), st.sampled_from(["m", "mm"]))
def test_a_staff_reading_reads_back_as_it_was_shown(millimetres: int, unit: str) -> None:
    """To the millimetre, in either unit, what is shown is what is read; no sight is a blank."""
    shown = staff_text(millimetres / 1000.0, unit=unit)
    assert read_staff(shown, unit=unit) == (pytest.approx(millimetres / 1000.0, abs=1e-12), "")
    assert staff_text(NAN, unit=unit) == ""
    assert read_staff("", unit=unit)[1] == ""


reading = st.floats(0.2, 4.5).map(lambda x: round(x, 3))


@settings(max_examples=20, deadline=None)
@given(
    st.lists(st.tuples(reading, st.lists(reading, max_size=3), reading), min_size=1, max_size=6),
    st.floats(-50, 500),
)
def test_the_datum_changes_nothing_but_the_datum(
    setups: list[tuple[float, list[float], float]], shift: float
) -> None:
    """Moving the bench mark moves every level by as much and no sigma; three counts always agree."""
    lines: list[tuple[Any, ...]] = []
    for k, (back, between, fore) in enumerate(setups):
        lines.append((f"{k}b", f"C{k}", f"S{k}", back, NAN, NAN, 10.0 if k == 0 else NAN))
        lines += [(f"{k}i{i}", "", f"S{k}", NAN, r, NAN, NAN) for i, r in enumerate(between)]
        lines.append((f"{k}f", f"C{k + 1}", f"S{k}", NAN, NAN, fore, NAN))
    table = book_of(*lines)
    moved = table.assign(known_level_m=table["known_level_m"] + shift)
    one, two = reduce_book(table, ref=REF), reduce_book(moved, ref=REF)
    assert np.allclose(two.levels["level_m"] - one.levels["level_m"], shift, atol=1e-9)
    assert np.allclose(two.levels["sigma_m"], one.levels["sigma_m"], atol=1e-12)
    assert one.runs["arithmetic_ok"].all()
    assert np.allclose(one.sights["level_m"], one.sights["level_by_rise_m"], atol=1e-9)
