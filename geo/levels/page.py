"""A level book laid out as it is booked: by height of collimation, or by rise and fall."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geo.levels.book import LevelBook
from geo.levels.booked import onward_sights
from geo.levels.sights import BACK, BETWEEN, FORE
from geo.levels.staff import METRES, MILLIMETRES, STAFF_UNITS
from geo.verdict import NOT_KNOWN

COLLIMATION, RISE_AND_FALL = "height of collimation", "rise and fall"
FORMS = (COLLIMATION, RISE_AND_FALL)
_TAIL = ["level_m", "correction_mm", "adjusted_level_m", "sigma_mm", "known_level_m", "remark"]
_ROUNDING_M = 0.0005


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BookPage:
    """A page of a level book in one form.

    Parameters
    ----------
    form, staff_unit
        ``height of collimation`` or ``rise and fall``; ``m`` or ``mm``, what the staff columns end with.
    lines
        One row a line of the book, same index: ``point``, ``setup_id``, ``backsight_…``,
        ``intermediate_sight_…``, ``foresight_…``; then ``collimation_m``, or ``rise_…`` and ``fall_…``;
        then ``level_m`` (as reduced), ``correction_mm``, ``adjusted_level_m``, ``sigma_mm``,
        ``known_level_m`` and ``remark``.
    sums
        The same columns, one row a run: the sums under the columns, and in ``level_m`` last less first.
    checks
        One row a check: ``run``, ``check``, ``one_m``, ``other_m``, ``word`` (yes, no, not known),
        ``said``, ``settle``. The last check of each run is whether it closes.
    """

    form: str
    staff_unit: str
    lines: pd.DataFrame
    sums: pd.DataFrame
    checks: pd.DataFrame


def book_page(book: LevelBook, booked: pd.DataFrame, *, form: str, staff_unit: str = METRES) -> BookPage:
    """Lay a reduced level book out in one form, with the checks that form has.

    By rise and fall every sight takes part in the checks: the backsights less the foresights, the rises
    less the falls, and the last level less the first are one number. By height of collimation that check
    does not see the intermediate sights; they are checked by adding up the levels: all but those of the
    backsights come to each collimation times the sights taken from it, less those sights.

    Parameters
    ----------
    book
        The book, reduced.
    booked
        The lines it was reduced from.
    form
        ``height of collimation`` or ``rise and fall``.
    staff_unit
        Unit of the staff columns, ``m`` or ``mm``; levels stay in metres.

    Raises
    ------
    ValueError
        When there is no such form or unit.
    """
    if form not in FORMS or staff_unit not in STAFF_UNITS:
        raise ValueError(f"no level book is kept by {form!r} in {staff_unit!r}")
    times = 1000.0 if staff_unit == MILLIMETRES else 1.0
    sights, levels = book.sights, book.levels
    staff = [f"{name}_{staff_unit}" for name in ("backsight", "intermediate_sight", "foresight")]
    lines = pd.DataFrame({"point": levels["point"], "setup_id": levels["setup_id"]})
    for name, column in zip(staff, ("backsight_m", "intermediate_sight_m", "foresight_m"), strict=True):
        lines[name] = times * booked[column].astype(float)
    if form == COLLIMATION:
        backs = sights[sights["kind"] == BACK].drop_duplicates("line").set_index("line")
        lines["collimation_m"] = backs["hpc_m"].reindex(lines.index)
        own = ["collimation_m"]
    else:
        onward = onward_sights(sights).reindex(lines.index)
        own = [f"rise_{staff_unit}", f"fall_{staff_unit}"]
        for name, column in zip(own, ("rise_m", "fall_m"), strict=True):
            lines[name] = times * onward[column]
    lines["level_m"] = levels["raw_level_m"]
    lines["correction_mm"] = 1000.0 * levels["correction_m"]
    lines["adjusted_level_m"] = levels["level_m"]
    lines["sigma_mm"] = 1000.0 * levels["sigma_m"]
    lines["known_level_m"] = booked["known_level_m"].astype(float)
    lines["remark"] = _remarks(book, lines)
    columns = ["point", "setup_id", *staff, *own, *_TAIL]
    return BookPage(
        form=form, staff_unit=staff_unit, lines=lines[columns],
        sums=_sums(book, columns, staff, own, times), checks=_checks(book, booked, form),
    )  # fmt: skip


def _remarks(book: LevelBook, lines: pd.DataFrame) -> list[str]:
    """Return what is to be said of each line: a known level it was held to, and a slip in what was booked."""
    slips = book.differs.groupby("line")["said"].agg("; ".join) if len(book.differs) else {}
    found = []
    for name, row in lines.iterrows():
        said = [str(slips[name])] if name in slips else []
        missed = 1000.0 * (row["level_m"] - row["known_level_m"])
        if math.isfinite(missed) and abs(missed) >= 1000.0 * _ROUNDING_M:
            said.insert(0, f"{missed:+.0f} mm to its known level")
        found.append("; ".join(said))
    return found


def _sums(
    book: LevelBook, columns: list[str], staff: list[str], own: list[str], times: float
) -> pd.DataFrame:
    runs = book.runs
    sums = pd.DataFrame(index=runs.index, columns=columns, dtype=object)
    sums["point"] = runs["from_point"] + " to " + runs["to_point"]
    sums["setup_id"] = ""
    sums["remark"] = runs["word"]
    sums[staff[0]] = times * runs["sum_backsights_m"]
    sums[staff[2]] = times * runs["sum_foresights_m"]
    if len(own) == 2:
        sums[own[0]], sums[own[1]] = times * runs["sum_rises_m"], times * runs["sum_falls_m"]
    sums["level_m"] = runs["difference_m"]
    numbers = [name for name in columns if name not in ("point", "setup_id", "remark")]
    return sums.astype(dict.fromkeys(numbers, "float64"))


def _checks(book: LevelBook, booked: pd.DataFrame, form: str) -> pd.DataFrame:
    rows = []
    for number, run in book.runs.iterrows():
        by_sights = float(run["sum_backsights_m"] - run["sum_foresights_m"])
        pairs = [("backsights less foresights, last level less first", by_sights, float(run["difference_m"]))]
        if form == RISE_AND_FALL:
            by_rises = float(run["sum_rises_m"] - run["sum_falls_m"])
            pairs.insert(0, ("backsights less foresights, rises less falls", by_sights, by_rises))
        else:
            pairs.append(_intermediates(book, booked, int(number)))
        for check, one, other in pairs:
            known = math.isfinite(one) and math.isfinite(other)
            word = NOT_KNOWN if not known else ("yes" if abs(one - other) <= _ROUNDING_M else "no")
            said = f"{one:+.3f} m and {other:+.3f} m" if known else "no level is known to begin from"
            rows.append((number, check, one, other, word, said, "" if known else run["settle"]))
        if not run["arithmetic_ok"]:
            said, again = run["arithmetic_because"], "Add the columns up again."
            rows.append((number, "sums as they were booked", math.nan, math.nan, "no", said, again))
        found, known_m = float(run["found_m"]), float(run["known_m"])
        word = _closing(str(run["word"]))
        rows.append((number, "closes", found, known_m, word, run["because"], run["settle"]))
    return pd.DataFrame(rows, columns=["run", "check", "one_m", "other_m", "word", "said", "settle"])


def _closing(word: str) -> str:
    return {"closes": "yes", "does not close": "no"}.get(word, NOT_KNOWN)


def _intermediates(book: LevelBook, booked: pd.DataFrame, run: int) -> tuple[str, float, float]:
    """Return the sum of the levels of a run, as booked where they were, and what collimation makes of it."""
    own = book.sights[(book.sights["run"] == run) & book.sights["kind"].isin((BETWEEN, FORE))]
    levels = own["level_m"].to_numpy(float)
    if "booked_level_m" in booked:
        said = booked["booked_level_m"].reindex(own["line"]).to_numpy(float)
        levels = np.where(np.isnan(said), levels, said)
    what = "sum of levels, collimations times sights less sights"
    return what, float(np.sum(levels)), float(own["hpc_m"].sum(skipna=False) - own["reading_m"].sum())
