"""The level book while it is being typed: staff readings in either unit, and the page that follows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

import pandas as pd

from geo.entry.columns import Column
from geo.errors import InputError
from geo.findings.drain_levels import BOOKED
from geo.findings.heights import booked_lines, site_levels
from geo.levels.book import CLOSES, MISSES, LevelBook
from geo.levels.page import BookPage, book_page
from geo.levels.staff import METRES, MILLIMETRES, read_staff
from geo.site.model import Site

STAFF = ("backsight_m", "intermediate_sight_m", "foresight_m")
_LEAST_WHOLE = Decimal(10)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BookNow:
    """The level book as it stands.

    Parameters
    ----------
    page
        Reduced, in the form asked for; ``None`` while nothing is booked or it cannot be followed.
    told
        One sentence for each run: whether it closes, and what was done or is to be done.
    wrong
        What cannot be followed, line by line.
    levels
        One row a level, by id: ``on``, ``of_id``, ``level_m``, ``sigma_mm``, ``feeds``.
    no_datum
        Whether something was booked from a bench mark that has no level.
    """

    page: BookPage | None
    told: tuple[str, ...] = ()
    wrong: tuple[str, ...] = ()
    levels: pd.DataFrame = field(default_factory=pd.DataFrame)
    no_datum: bool = False


def book_now(site: Site, *, form: str, staff_unit: str = METRES) -> BookNow:
    """Reduce the level book of a site and say in words what came of it.

    Parameters
    ----------
    form
        ``height of collimation`` or ``rise and fall``.
    staff_unit
        ``m`` or ``mm``, of the staff columns only.
    """
    try:
        levels, book = site_levels(site)
    except InputError as error:
        said = tuple(f"{problem.found}. {problem.mend}" for problem in error.problems)
        return BookNow(page=None, wrong=said)
    page = None if book is None else book_page(book, booked_lines(site), form=form, staff_unit=staff_unit)
    return BookNow(
        page=page,
        told=() if book is None else closing_sentences(book, site),
        levels=_feeding(levels, site),
        no_datum=book is not None and not bool(book.runs["tied"].all()),
    )


def closing_sentences(book: LevelBook, site: Site) -> tuple[str, ...]:
    """Say of each run of a book whether it closes, and what follows."""
    return tuple(_sentence(book, number, run, site) for number, run in book.runs.iterrows())


def _sentence(book: LevelBook, number: Any, run: pd.Series[Any], site: Site) -> str:
    begin = f"From {run['from_point']} to {run['to_point']}, {_counted(int(run['n_setups']))}: "
    if run["word"] == CLOSES:
        shared = "nothing to share out" if abs(run["misclosure_mm"]) < 0.05 else _shared(run)
        return f"{begin}closes. It {run['because']}; {shared}."
    if run["word"] == MISSES:
        setup, since = level_again_from(book, int(number), site)
        said = f"{begin}refused. It {run['because']}. Level again from set-up {setup}"
        return f"{said}, the first since {since}." if int(run["n_setups"]) > 1 else f"{said}."
    ends = "" if str(run["settle"]).endswith(".") else "."
    return f"{begin}not known whether it closes: {run['because']}. To settle it: {run['settle']}{ends}"


def level_again_from(book: LevelBook, run: int, site: Site) -> tuple[str, str]:
    """Return the first set-up of a run that nothing vouches for, and what was last known before it.

    A known level met on the way, as an intermediate sight or at a change of set-up, vouches for the
    set-ups before its own as far as the allowance goes.

    Returns
    -------
    The set-up's name and the point of known level it begins from or was last held to.
    """
    sights = book.sights[book.sights["run"] == run]
    setups = list(dict.fromkeys(sights["setup_id"]))
    known = booked_lines(site)["known_level_m"]
    rate = site.reference.value("levels.misclosure_mm")
    first, since = setups[0], str(sights["point"].iloc[0])
    for sight in sights.iloc[1:-1].itertuples():
        level, passed = known.get(sight.line, math.nan), setups.index(sight.setup_id) + 1
        if math.isfinite(level) and abs(1000.0 * (sight.level_m - level)) <= rate * math.sqrt(passed):
            first, since = str(sight.setup_id), str(sight.point)
    return str(first), since


def staff_columns(columns: Sequence[Column], unit: str) -> tuple[Column, ...]:
    """Return columns of a grid with their staff readings under the unit the staff is read in."""
    if unit != MILLIMETRES:
        return tuple(columns)
    hint = "as 1482; a number with a point under 10 is taken as metres"
    return tuple(
        replace(column, unit=MILLIMETRES, hint=f"{column.hint.split(':')[0]}: {hint}")
        if column.name in STAFF
        else column
        for column in columns
    )


def cells_to_metres(cells: Mapping[str, str], unit: str) -> dict[str, str]:
    """Return cells with staff readings typed in millimetres as metres, digit for digit.

    What is no reading stays as it was typed, for the line to say what is wrong with it.
    """
    found = dict(cells)
    for name in STAFF if unit == MILLIMETRES else ():
        typed = found.get(name, "").strip()
        metres, wrong = read_staff(typed, unit=MILLIMETRES)
        if not typed or wrong or not math.isfinite(metres):
            continue
        value = Decimal(typed)
        if "." in typed and abs(value) < _LEAST_WHOLE:
            continue  # written as metres on a staff that is otherwise read in millimetres
        found[name] = _digits(value / 1000)
    return found


def cells_in_unit(cells: Mapping[str, str], unit: str) -> dict[str, str]:
    """Return cells with staff readings kept in metres as the staff shows them in a unit."""
    found = dict(cells)
    for name in STAFF if unit == MILLIMETRES else ():
        kept = found.get(name, "").strip()
        metres, wrong = read_staff(kept, unit=METRES)
        if kept and not wrong and math.isfinite(metres):
            found[name] = _digits(Decimal(kept) * 1000)
    return found


def _digits(value: Decimal) -> str:
    """Return a number as digits without an exponent or idle zeros."""
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _counted(setups: int) -> str:
    return "1 set-up" if setups == 1 else f"{setups} set-ups"


def _shared(run: pd.Series[Any]) -> str:
    if int(run["n_setups"]) == 1:
        return "taken off its levels"
    return f"shared out over its {int(run['n_setups'])} set-ups"


def _feeding(levels: pd.DataFrame, site: Site) -> pd.DataFrame:
    """Return the levels that came out, with what each is used for."""
    own = levels[levels["level_m"].notna()]
    records = {record.id: record for kind in site.records for record in site.of(kind)}
    placed = site.table("level")["chainage_m"].notna()
    return pd.DataFrame(
        {
            "on": [site.reference.word("level_role", role) for role in own["role"]],
            "of_id": own["of_id"],
            "level_m": own["level_m"].astype(float),
            "sigma_mm": 1000.0 * own["sigma_m"].astype(float),
            "feeds": [
                feeds(str(row.role), str(row.of_id), records, placed=bool(placed[row.Index]))
                for row in own.itertuples()
            ],
        },
        index=own.index,
    )


def feeds(role: str, of_id: str, records: Mapping[str, Any], *, placed: bool) -> str:
    """Return what a level is used for: the field of a record, the ground, the damp proof course.

    Parameters
    ----------
    role, of_id
        What the staff stood on, and the record it belongs to.
    records
        Records of the site by id.
    placed
        Whether the level has a place on the wall.
    """
    if of_id and of_id not in records:
        return f"nothing yet: {of_id} is not recorded"
    kind = str(records[of_id].kind) if of_id else ""
    column = BOOKED.get((kind, role), "")
    if column:
        what = column.removesuffix("_level_m").replace("_", " ")
        typed = getattr(records[of_id], column)
        said = f"{what} of {of_id}"
        return said if typed is None else f"{said}, which is typed as {typed:.3f}: the typed one counts"
    if kind == "run" and role == "invert":
        return f"invert of {of_id} at the nearer end"
    plain = {
        "ground": "ground and its falls",
        "dpc": "line of the damp proof course",
        "bench_mark": "datum",
        "change_point": "carries the level on",
    }
    if role == "kerb" and kind == "kerb":
        return f"top of {of_id}"
    if role in ("ground", "dpc") and not placed:
        return f"{plain[role]}, once it has a place: give its chainage"
    if role in plain:
        return plain[role]
    return "nothing: say in of id whose it is" if not of_id else f"nothing: a {kind} has no such level"
