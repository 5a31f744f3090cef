"""Published level books, with the misprints some of them were published with."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geo import reference
from geo.levels.book import CLOSES, MISSES, LevelBook, reduce_book
from geo.levels.page import COLLIMATION, RISE_AND_FALL, book_page
from geo.levels.tie import difference

REF = reference.default()
NAN = math.nan

# askfilo.com, "booking and reduced level calculations": (point, backsight, intermediate, foresight, known)
BOOK_A = [
    ("BM", 2.191, NAN, NAN, 49.872),
    ("A", NAN, 2.507, NAN, NAN),
    ("B", NAN, 2.325, NAN, NAN),
    ("C", 3.019, NAN, 1.496, NAN),
    ("D", NAN, 2.513, NAN, NAN),
    ("E", 1.752, NAN, 2.811, NAN),
    ("TBM", NAN, NAN, 3.817, 48.719),
]
LEVELS_A = [49.556, 49.738, 50.567, 51.073, 50.775, 48.710]

# wizedu.com, question 93661
BOOK_B = [
    ("TBM", 1.379, NAN, NAN, 175.5),
    ("1", NAN, 2.795, NAN, NAN),
    ("2", NAN, 3.215, NAN, NAN),
    ("3", NAN, 0.595, NAN, NAN),
    ("4", NAN, 1.270, NAN, NAN),
    ("5", 1.280, NAN, 3.215, NAN),
    ("6", NAN, 1.030, NAN, NAN),
    ("7", NAN, 3.045, NAN, NAN),
    ("8", 2.312, NAN, 3.815, NAN),
    ("9", 1.743, NAN, 3.227, NAN),
    ("10", NAN, 2.735, NAN, NAN),
    ("11", NAN, NAN, 3.623, 168.50),
]
LEVELS_B = [
    174.084, 173.664, 176.284, 175.609, 173.664, 173.914, 171.899, 171.129, 170.214, 169.222, 168.334,
]  # fmt: skip

# civinnovate.com, 2026-06-23, levelling explanation
BOOK_C = [
    ("BM", 1.855, NAN, NAN, 100.000),
    ("A", NAN, 2.410, NAN, NAN),
    ("B", NAN, 1.280, NAN, NAN),
    ("CP1", 2.165, NAN, 0.995, NAN),
    ("C", NAN, NAN, 1.720, NAN),
]


def booked(lines: list[tuple[Any, ...]], **more: list[float]) -> pd.DataFrame:
    """Return a book as it would be typed in, without set-up names."""
    columns = ["point", "backsight_m", "intermediate_sight_m", "foresight_m", "known_level_m"]
    table = pd.DataFrame(lines, columns=columns).assign(setup_id="", **more)
    return table.set_index("point", drop=False).rename_axis(None)


def reduced(book: LevelBook) -> list[float]:
    """Return the reduced levels after the first line, to the millimetre."""
    return [round(float(level), 3) for level in book.levels["raw_level_m"].iloc[1:]]


def test_book_a_reduces_as_printed() -> None:
    """Reduced levels, heights of collimation, rises, falls and sums are those printed."""
    book = reduce_book(booked(BOOK_A), ref=REF)
    assert reduced(book) == LEVELS_A
    assert sorted(book.sights["hpc_m"].round(3).unique()) == [52.063, 52.527, 53.586]
    assert book.sights["rise_m"].dropna().round(3).tolist() == [0.182, 0.829, 0.506]
    assert book.sights["fall_m"].dropna().round(3).tolist() == [0.316, 0.298, 2.065]
    run = book.runs.loc[1]
    sums = ["sum_backsights_m", "sum_foresights_m", "sum_rises_m", "sum_falls_m", "difference_m"]
    assert [round(float(run[name]), 3) for name in sums] == [6.962, 8.124, 1.517, 2.679, -1.162]
    assert run["arithmetic_ok"]
    assert np.allclose(book.sights["level_m"], book.sights["level_by_rise_m"], atol=1e-12)


def test_book_a_misses_its_bench_mark() -> None:
    """It ends 9 mm low, over 5 √3 = 8.7 mm: nothing is shared out, whatever 12 √K allows at 0.6 km."""
    book = reduce_book(booked(BOOK_A), ref=REF, distance_km=0.6)
    run = book.runs.loc[1]
    assert run["misclosure_mm"] == pytest.approx(-9, abs=0.5)
    assert run["allowed_setups_mm"] == pytest.approx(8.66, abs=0.005)
    assert run["word"] == MISSES
    assert run["allowed_distance_mm"] == pytest.approx(9.30, abs=0.005)
    assert run["within_distance"] == "yes"
    assert "8.7 mm allowed" in run["because"]
    assert "nothing was shared out" in run["because"]
    assert run["settle"]
    assert book.levels["correction_m"].abs().max() == 0
    near = reduce_book(booked(BOOK_A), ref=REF, distance_km=0.55).runs.loc[1]
    assert near["within_distance"] == "no"


def test_a_misprint_passes_the_arithmetic_and_moves_the_misclosure() -> None:
    """The page prints C's foresight as 1.497: all three checks agree at -1.163, and it misses by 10 mm."""
    lines = [(*line[:3], 1.497, line[4]) if line[0] == "C" else line for line in BOOK_A]
    run = reduce_book(booked(lines), ref=REF).runs.loc[1]
    assert run["arithmetic_ok"]
    assert run["difference_m"] == pytest.approx(-1.163, abs=5e-4)
    assert run["misclosure_mm"] == pytest.approx(-10, abs=0.5)


def test_the_misprint_shows_against_the_printed_rise() -> None:
    """Held against the printed rise 0.829 and level 50.567 of C, 1.497 is a millimetre out on that line."""
    lines = [(*line[:3], 1.497, line[4]) if line[0] == "C" else line for line in BOOK_A]
    rise = [NAN, NAN, 0.182, 0.829, 0.506, NAN, NAN]
    fall = [NAN, 0.316, NAN, NAN, NAN, 0.298, 2.065]
    level = [49.872, *LEVELS_A]
    book = reduce_book(booked(lines, booked_rise_m=rise, booked_fall_m=fall, booked_level_m=level), ref=REF)
    assert book.differs.query("column == 'booked_rise_m'")["line"].tolist() == ["C"]
    assert book.differs.query("column == 'booked_level_m'")["line"].iloc[0] == "C"
    assert not book.runs.loc[1, "arithmetic_ok"]


def test_book_b_balances_and_misses_by_166_mm() -> None:
    """Every arithmetic check agrees at -7.166 m, and the bench mark is missed by 166 mm."""
    book = reduce_book(booked(BOOK_B), ref=REF)
    assert reduced(book) == LEVELS_B
    run = book.runs.loc[1]
    sums = ["sum_backsights_m", "sum_foresights_m", "sum_rises_m", "sum_falls_m", "difference_m"]
    assert [round(float(run[name]), 3) for name in sums] == [6.714, 13.880, 2.870, 10.036, -7.166]
    assert run["arithmetic_ok"]
    assert run["misclosure_mm"] == pytest.approx(-166, abs=0.5)
    assert run["word"] == MISSES
    assert book.levels["sigma_m"].iloc[-1] > 0.16


def test_a_rise_booked_as_a_fall_is_named() -> None:
    """The page books C as a fall, to 100.415; its sights give a rise of 0.445, to 101.305."""
    rise = [NAN, NAN, 1.130, 0.285, NAN]
    fall = [NAN, 0.555, NAN, NAN, 0.445]
    level = [100.000, 99.445, 100.575, 100.860, 100.415]
    table = booked(BOOK_C, booked_rise_m=rise, booked_fall_m=fall, booked_level_m=level)
    book = reduce_book(table, ref=REF)
    assert reduced(book)[-1] == 101.305
    fall_of_c = book.differs.query("line == 'C' and column == 'booked_fall_m'").iloc[0]
    assert "booked as a fall of 0.445 m; the sights give a rise of 0.445 m" in fall_of_c["said"]
    assert set(book.differs["line"]) == {"C"}
    run = book.runs.loc[1]
    assert not run["arithmetic_ok"]
    assert "+1.305" in run["arithmetic_because"]
    assert "+0.415" in run["arithmetic_because"]
    assert run["word"] == "not known"


def test_clearance_does_not_know_the_bench_mark() -> None:
    """Worked case: clearance is ground staff less damp proof course staff, 1.742 - 1.507 = 235 mm.

    The height of collimation, 10.000 + 1.482 = 11.482, cancels, so with 3 mm on the ground and 8 mm on
    the damp proof course the sigma is √(3² + 8²) = 8.54 mm, and neither the bench mark's level nor a
    poor backsight changes anything.
    """
    lines = [
        ("TBM", 1.482, NAN, NAN, 10.000),
        ("rim", NAN, 1.697, NAN, NAN),
        ("ground", NAN, 1.742, NAN, NAN),
        ("dpc", NAN, 1.507, NAN, NAN),
    ]
    sigma = [0.0025, 0.003, 0.003, 0.008]
    book = reduce_book(booked(lines, sight_sigma_m=sigma), ref=REF)
    assert book.sights["hpc_m"].round(3).unique().tolist() == [11.482]
    assert reduced(book) == [9.785, 9.740, 9.975]
    clearance = difference(book, "dpc", "ground")
    assert clearance.value == pytest.approx(0.235, abs=1e-9)
    assert clearance.sigma * 1000 == pytest.approx(8.54, abs=0.005)
    lines[0] = ("TBM", 1.482, NAN, NAN, 57.321)
    other = reduce_book(booked(lines, sight_sigma_m=[0.5, 0.003, 0.003, 0.008]), ref=REF)
    assert difference(other, "dpc", "ground").value == pytest.approx(clearance.value, abs=1e-9)
    assert difference(other, "dpc", "ground").sigma == pytest.approx(clearance.sigma, rel=1e-9)


def test_allowances_grow_with_the_root() -> None:
    """5 √n mm gives 7 mm for two set-ups and 10 mm for four (common practice, no single source)."""
    back_and_forth = [
        ("BM", 1.500, NAN, NAN, 10.0),
        ("CP", 1.400, NAN, 1.300, NAN),
        ("BM2", NAN, NAN, 1.605, 10.0),
    ]
    run = reduce_book(booked(back_and_forth), ref=REF).runs.loc[1]
    assert run["allowed_setups_mm"] == pytest.approx(7.07, abs=0.005)
    assert run["misclosure_mm"] == pytest.approx(-5.0, abs=1e-6)
    assert run["word"] == CLOSES


def test_book_a_by_rise_and_fall_as_printed() -> None:
    """Every rise and fall stands on its own line, and the three sums agree at -1.162, sign and all.

    The page prints the three differences without their sign; the levels fall, so they are below nought.
    """
    lines = booked(BOOK_A)
    page = book_page(reduce_book(lines, ref=REF), lines, form=RISE_AND_FALL)
    rises = dict(zip("ABCDE", [NAN, 0.182, 0.829, 0.506, NAN], strict=True)) | {"TBM": NAN}
    falls = dict(zip("ABCDE", [0.316, NAN, NAN, NAN, 0.298], strict=True)) | {"TBM": 2.065}
    for point in "ABCDE":
        for column, printed in (("rise_m", rises), ("fall_m", falls)):
            assert page.lines.loc[point, column] == pytest.approx(printed[point], abs=5e-4, nan_ok=True)
    assert page.lines["level_m"].round(3).tolist()[1:] == LEVELS_A
    sums = page.sums.loc[1]
    columns = ["backsight_m", "foresight_m", "rise_m", "fall_m", "level_m"]
    assert [round(float(sums[name]), 3) for name in columns] == [6.962, 8.124, 1.517, 2.679, -1.162]
    assert page.checks["word"].tolist() == ["yes", "yes", "no"]
    assert page.checks.iloc[:2][["one_m", "other_m"]].round(3).to_numpy().tolist() == [[-1.162, -1.162]] * 2
    assert page.lines.loc["TBM", "remark"] == "-9 mm to its known level"


def test_book_a_by_collimation_as_printed() -> None:
    """52.063, 53.586 and 52.527 stand where their backsights do; the levels are those of the other form.

    The levels after the first come to 300.419; by collimation 3 × 52.063 + 2 × 53.586 + 52.527 less
    sights of 15.469 is the same (worked by hand).
    """
    lines = booked(BOOK_A)
    page = book_page(reduce_book(lines, ref=REF), lines, form=COLLIMATION)
    assert page.lines["collimation_m"].dropna().round(3).to_dict() == {"BM": 52.063, "C": 53.586, "E": 52.527}
    assert page.lines["level_m"].round(3).tolist()[1:] == LEVELS_A
    summed = page.checks[page.checks["check"].str.startswith("sum of levels")].iloc[0]
    assert summed["one_m"] == pytest.approx(300.419, abs=5e-4)
    assert summed["other_m"] == pytest.approx(3 * 52.063 + 2 * 53.586 + 52.527 - 15.469, abs=5e-4)
    assert page.checks["word"].tolist() == ["yes", "yes", "no"]


@pytest.mark.parametrize("form", [COLLIMATION, RISE_AND_FALL])
def test_book_b_balances_in_both_forms_and_closes_in_neither(form: str) -> None:
    """Every check of either form agrees, and both say that it misses its bench mark by 166 mm."""
    lines = booked(BOOK_B)
    page = book_page(reduce_book(lines, ref=REF), lines, form=form)
    assert page.checks["word"].tolist()[:-1] == ["yes"] * (len(page.checks) - 1)
    closes = page.checks.iloc[-1]
    assert (closes["check"], closes["word"]) == ("closes", "no")
    assert "-166 mm" in closes["said"]
    assert page.lines["level_m"].round(3).tolist()[1:] == LEVELS_B


def test_a_rise_booked_as_a_fall_shows_in_both_forms() -> None:
    """Book C's own sums fail: by its levels +0.415 against +1.305; the levels add up 0.890 short.

    Its levels come to 99.445 + 100.575 + 100.860 + 100.415 = 401.295; by collimation, 3 × 101.855 +
    103.025 less 6.405, they come to 402.185.
    """
    level = [100.000, 99.445, 100.575, 100.860, 100.415]
    rise, fall = [NAN, NAN, 1.130, 0.285, NAN], [NAN, 0.555, NAN, NAN, 0.445]
    lines = booked(BOOK_C, booked_rise_m=rise, booked_fall_m=fall, booked_level_m=level)
    book = reduce_book(lines, ref=REF)
    by_hpc = book_page(book, lines, form=COLLIMATION)
    summed = by_hpc.checks[by_hpc.checks["check"].str.startswith("sum of levels")].iloc[0]
    assert (summed["one_m"], summed["other_m"]) == (pytest.approx(401.295), pytest.approx(402.185))
    assert summed["word"] == "no"
    for page in (by_hpc, book_page(book, lines, form=RISE_AND_FALL)):
        assert "rise of 0.445" in page.lines.loc["C", "remark"]
        own = page.checks[page.checks["check"] == "sums as they were booked"].iloc[0]
        assert "+0.415" in own["said"]
        assert page.checks.iloc[-1]["word"] == "not known"
