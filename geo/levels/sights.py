"""A level book taken apart into sights, set-ups and runs, or refused with what cannot be followed."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import pandas as pd

from geo.errors import InputError, Problem

BACK, BETWEEN, FORE = "backsight", "intermediate", "foresight"
SIGHTS = {BACK: "backsight_m", BETWEEN: "intermediate_sight_m", FORE: "foresight_m"}


@dataclass(slots=True)
class Sight:
    """One staff reading, with the line of the book it stands on."""

    line: int
    point: str
    kind: str
    reading_m: float


@dataclass(slots=True)
class Setup:
    """One set-up: the backsight that opens it, then every other sight, the foresight last."""

    name: str
    back: Sight
    onward: list[Sight] = field(default_factory=list)

    @property
    def fore(self) -> Sight | None:
        """The sight that carries the level on, if there is one."""
        return self.onward[-1] if self.onward and self.onward[-1].kind == FORE else None


@dataclass(slots=True)
class Run:
    """Set-ups that follow one another, from a start of known level to a foresight on one, if any.

    ``start`` is the sight its level comes from when it branches off another run, ``None`` when it
    begins on a bench mark; ``start_level_m`` is NaN where that has no known level.
    """

    setups: list[Setup]
    start: Sight | None
    start_level_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Runs in order, and the known level of every bench mark by name."""

    runs: tuple[Run, ...]
    known: dict[str, float]


def lay_out(book: pd.DataFrame) -> Layout:
    """Take a book apart; see :func:`geo.levels.book.reduce_book` for its columns.

    A line with a foresight and a backsight is a change point: the foresight ends the set-up it was
    sighted from, the backsight opens the next. Where ``setup_id`` is blank sights belong to the set-up
    opened last. A backsight whose ``point`` is blank, booked next after a foresight, is on the same
    change point. The first set-up may begin on a bench mark without a known level, and so may any whose
    ``role`` is ``bench_mark``; any other backsight on a point nobody sighted breaks the book off.

    Raises
    ------
    InputError
        With every line that cannot be followed.
    """
    problems: list[Problem] = []
    points = _points(book)
    marks = _marks(book, points)
    setups = _setups(book, points, problems)
    known = _known(book, points, problems)
    runs: list[Run] = []
    levelled: dict[str, Sight] = {}
    ends: dict[str, Run] = {}
    for setup in setups:
        point = setup.back.point
        if point in known:
            runs.append(Run([setup], None, known[point]))
        elif point in ends:
            ends.pop(point).setups.append(setup)
        elif point in levelled:
            runs.append(Run([setup], levelled[point], math.nan))
        elif not runs or point in marks:
            runs.append(Run([setup], None, math.nan))
        else:
            said = f"the backsight of set-up {setup.name} is on {point}, whose level is not known"
            allowed = "a bench mark, or a point sighted before under the same name"
            mend = "Give its known_level_m, or name it as in the line that sighted it."
            problems.append(_at(book, setup.back.line, "backsight_m", said, allowed, mend))
            continue
        run = next(r for r in reversed(runs) if r.setups[-1] is setup)
        levelled |= {sight.point: sight for sight in setup.onward}
        if setup.fore is not None:
            ends[setup.fore.point] = run
    if problems:
        raise InputError(problems)
    return Layout(runs=tuple(runs), known=known)


def _marks(book: pd.DataFrame, points: list[str]) -> set[str]:
    """Return the points booked as bench marks, where the book says what its points are."""
    roles = book["role"] if "role" in book else pd.Series("", index=book.index)
    return {point for point, role in zip(points, roles, strict=True) if role == "bench_mark"}


def _points(book: pd.DataFrame) -> list[str]:
    """Return a name for the point of every line; blank ones are named by what follows what."""
    sighted = book[list(SIGHTS.values())].notna()
    names: list[str] = book["point"].fillna("").astype(str).tolist()
    before = ""
    for i, (back, between, fore) in enumerate(sighted.itertuples(index=False)):
        if not names[i]:
            names[i] = before if back and not fore and before else f"line {book.index[i]}"
        if back or between or fore:
            before = names[i] if fore and not back else ""
    return names


def _setups(book: pd.DataFrame, points: list[str], problems: list[Problem]) -> list[Setup]:
    """Return the set-ups in the order their backsights were booked."""
    lines = list(book.index)
    names = book["setup_id"].fillna("").astype(str).tolist()
    readings = {
        kind: book[column].to_numpy(dtype=float, na_value=math.nan) for kind, column in SIGHTS.items()
    }
    opened: dict[str, Setup] = {}
    last: Setup | None = None
    for i in range(len(lines)):
        kinds = [kind for kind in (FORE, BETWEEN, BACK) if not math.isnan(readings[kind][i])]
        if BETWEEN in kinds and len(kinds) > 1:
            said, allowed = "an intermediate sight beside another sight", "one of them on a line of its own"
            problems.append(
                _at(book, i, SIGHTS[BETWEEN], said, allowed, "Book the second sight on the next line.")
            )
            continue
        for kind in kinds:
            sight = Sight(i, points[i], kind, float(readings[kind][i]))
            if kind == BACK:
                name = _name(names, i, opened, last, changes=FORE in kinds)
                if name in opened:
                    said, allowed = f"set-up {name} has a second backsight", "one backsight a set-up"
                    mend = "Give the new set-up its own name; check a backsight as an intermediate sight."
                    problems.append(_at(book, i, SIGHTS[BACK], said, allowed, mend))
                    continue
                last = opened[name] = Setup(name, sight)
                continue
            named = names[i] and FORE in kinds and BACK in kinds
            owner = opened.get(names[i]) if names[i] and not named else last
            if owner is None:
                said = (
                    f"set-up {names[i]} has no backsight before this"
                    if names[i]
                    else "no backsight before this"
                )
                mend = "Book the backsight first, or correct setup_id."
                problems.append(_at(book, i, SIGHTS[kind], said, "a set-up opened by a backsight", mend))
            elif kind == FORE and owner.fore is not None:
                said, allowed = f"set-up {owner.name} has a second foresight", "one foresight a set-up"
                mend = "Book the others as intermediate sights."
                problems.append(_at(book, i, SIGHTS[kind], said, allowed, mend))
            else:
                owner.onward.append(sight)
                owner.onward.sort(key=lambda s: s.kind == FORE)
    return list(opened.values())


def _name(names: list[str], i: int, opened: dict[str, Setup], last: Setup | None, *, changes: bool) -> str:
    """Return the name of the set-up a backsight opens; a change point may carry that of the one it ends."""
    if names[i] and not (changes and last is not None and names[i] == last.name):
        return names[i]
    following = next((name for name in names[i + 1 :] if name), "")
    if changes and following and following not in opened:
        return following
    number = len(opened) + 1
    while str(number) in opened:
        number += 1
    return str(number)


def _known(book: pd.DataFrame, points: list[str], problems: list[Problem]) -> dict[str, float]:
    """Return known levels by point; two different ones for one point are refused."""
    known: dict[str, float] = {}
    levels = book["known_level_m"].to_numpy(dtype=float, na_value=math.nan)
    for i, (point, level) in enumerate(zip(points, levels.tolist(), strict=True)):
        if not math.isnan(level) and abs(known.setdefault(point, level) - level) > 1e-9:
            said = f"{point} has two known levels, {known[point]:g} and {level:g}"
            mend = "Correct one of them, or name two points."
            problems.append(_at(book, i, "known_level_m", said, "one level for one point", mend))
    return known


def _at(book: pd.DataFrame, line: int, column: str, found: str, allowed: str, mend: str) -> Problem:
    said = f"{found} (line {book.index[line]})"
    return Problem(file="levels.csv", column=column, found=said, allowed=allowed, mend=mend)
