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
        ([("1", "A", "", 1.5, NAN, NAN, NAN)], "the backsight of set-up 1 is on A, whose level is not known"),
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
