"""Turn a table into records: a dry run that tells everything wrong, then all of it or nothing."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geo.errors import Problem
from geo.intake.cells import Texts, moments, numbers, words
from geo.intake.mapping import ColumnMap, ColumnUse, Question, is_number, labels_of, questions
from geo.intake.sheet import ASK, Sheet
from geo.moisture.censor import value_fault
from geo.reference import Reference
from geo.site.fields import allowed, group_of, type_of
from geo.site.records import Record
from geo.site.tables import build

PREVIEW_ROWS = 50


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Intake:
    """What a file would bring in.

    Parameters
    ----------
    file, kind
        File as it is shown, and the kind of record.
    records
        The records, none as soon as there is one error: all or nothing.
    rows
        Row of the file each came from.
    problems
        Everything wrong, in the file's own columns.
    preview
        The first rows as they would be kept, by row of the file; cells that are wrong stand as they came.
    right, read
        Rows that are right, of how many.
    remarks
        What was done to the file on the way, in sentences.
    """

    file: str
    kind: str
    records: tuple[Record, ...]
    rows: tuple[int, ...]
    problems: tuple[Problem, ...]
    preview: pd.DataFrame
    right: int
    read: int
    remarks: tuple[str, ...] = ()

    @property
    def usable(self) -> bool:
        """Whether the records may be taken in."""
        return not any(problem.severity == "error" for problem in self.problems)


def apply(
    sheet: Sheet,
    mapping: ColumnMap,
    *,
    ref: Reference,
    existing_ids: Collection[str] = (),
    extra: Mapping[str, npt.NDArray[Any]] | None = None,
    faults: tuple[Problem, ...] = (),
) -> Intake:
    """Make records of a table's rows as a mapping says, and tell everything that is wrong.

    Parameters
    ----------
    sheet
        The table.
    mapping
        What its columns mean, with every question answered; an open one is an error.
    ref
        Vocabulary and methods in force.
    existing_ids
        Ids the site has already; none is given twice.
    extra
        Values of fields that come from elsewhere than the cells, row by row: shapes, coordinates.
    faults
        Problems found before, which count with those found here.
    """
    model = mapping.model
    opened = [one for one in questions(sheet, mapping, ref=ref) if not one.key.startswith("word:")]
    problems = [
        *faults,
        *(_open(sheet, one) for one in opened),
        *_mapping_faults(sheet, mapping, extra or {}),
    ]
    blind = _unread_fields(mapping, opened)
    columns, originals, wrong = _columns(sheet, mapping, blind, ref)
    remarks = list(sheet.remarks)
    columns["id"], said, made = _ids(sheet, mapping, columns.get("id"), existing_ids)
    problems += said
    if made:
        remarks.append(f"{made} rows had no id and were given one.")
    if len(sheet.rows) == 0:
        mend = "Look whether the right sheet and header row were chosen."
        problems.append(
            Problem(file=sheet.place, found="has no rows below its header", allowed="rows", mend=mend)
        )
    given = {**columns, **(extra or {})}
    records, rows, bad_rows, cells = _validated(sheet, mapping, given, originals, blind, wrong)
    problems += cells
    if mapping.kind == "reading":
        problems += _value_faults(sheet, mapping, given, ref, bad_rows)
    broken = {problem.row for problem in problems if problem.severity == "error" and problem.row is not None}
    fine = not any(problem.severity == "error" for problem in problems)
    return Intake(
        file=sheet.place,
        kind=mapping.kind,
        records=tuple(records) if fine else (),
        rows=tuple(rows) if fine else (),
        problems=tuple(sorted(problems, key=lambda one: (one.row or 0, one.severity != "error"))),
        preview=_preview(sheet, given, model),
        right=len(sheet.rows) - len(broken & set(sheet.numbers)),
        read=len(sheet.rows),
        remarks=tuple(remarks),
    )


def _columns(
    sheet: Sheet, mapping: ColumnMap, blind: set[str], ref: Reference
) -> tuple[dict[str, Texts], dict[str, Texts], dict[str, npt.NDArray[np.bool_]]]:
    """Return the fields' texts, the texts as they came, and which of them could not be read."""
    model = mapping.model
    count = len(sheet.rows)
    made: dict[str, Texts] = {}
    came: dict[str, Texts] = {}
    wrong: dict[str, npt.NDArray[np.bool_]] = {}
    for use in mapping.columns:
        if use.column not in sheet.header or use.field in blind or use.field not in model.columns():
            continue
        cells = _joined(sheet, use)
        came[use.field] = cells
        kind, group = type_of(model.model_fields[use.field]), group_of(model.model_fields[use.field])
        none = np.zeros(count, dtype=bool)
        if is_number(model, use.field):
            unit = "" if use.unit == ASK else use.unit
            made[use.field], bad = numbers(cells, field=use.field, unit=unit, decimal=mapping.decimal)
            wrong[use.field] = none if use.field == "value" else bad  # a value is judged with its method
        elif kind in ("date", "moment"):
            made[use.field], wrong[use.field] = moments(
                cells, order=mapping.date_order, only_date=kind == "date"
            )
        elif group:
            made[use.field], unknown = words(
                cells, group=group, given=use.words, labels=labels_of(group, ref)
            )
            wrong[use.field] = np.array([cell in unknown for cell in cells], dtype=bool)
        else:
            made[use.field], wrong[use.field] = cells, none
    for name, said in mapping.fixed.items():
        if name in model.columns() and said:
            start = made.get(name, np.full(count, "", dtype=object))
            made[name] = np.where(start == "", said, start).astype(object)
    if mapping.basis and "method" in made:
        start = made.get("basis", np.full(count, "", dtype=object))
        stated = np.array([mapping.basis.get(str(method), "") for method in made["method"]], dtype=object)
        made["basis"] = np.where(start == "", stated, start).astype(object)
    return made, came, wrong


def _joined(sheet: Sheet, use: ColumnUse) -> Texts:
    cells = np.array(sheet.column(use.column), dtype=object)
    if not use.also or use.also not in sheet.header:
        return cells
    more = np.array(sheet.column(use.also), dtype=object)
    return np.array(
        [f"{one} {two}".strip() if one else "" for one, two in zip(cells, more, strict=True)], dtype=object
    )


def _ids(
    sheet: Sheet, mapping: ColumnMap, given: Texts | None, existing: Collection[str]
) -> tuple[Texts, list[Problem], int]:
    """Keep given ids, make the missing ones, and refuse one that stands twice or is taken."""
    count = len(sheet.rows)
    ids = given.copy() if given is not None else np.full(count, "", dtype=object)
    use = mapping.use_of("id")
    title = use.column if use else "id"
    problems: list[Problem] = []
    first: dict[str, int] = {}
    taken = set(existing)
    for name, row in zip(ids, sheet.numbers, strict=True):
        if not name:
            continue
        if name in first or name in taken:
            where = f"in row {first[name]}" if name in first else "in the site"
            problems.append(
                Problem(
                    file=sheet.place,
                    row=row,
                    column=title,
                    found=f"{name!r} is already {where}",
                    allowed="an id only once in the whole site",
                    mend="Give it another id, or take the column out: ids are then made.",
                )
            )
        first.setdefault(str(name), row)
    taken |= set(first)
    prefix = mapping.id_prefix or mapping.kind
    digits, number, made = max(3, len(str(count))), 0, 0
    for at in np.flatnonzero(ids == ""):
        number += 1
        while (name := f"{prefix}-{number:0{digits}d}") in taken:
            number += 1
        ids[at] = name
        made += 1
    return ids, problems, made


def _validated(
    sheet: Sheet,
    mapping: ColumnMap,
    given: Mapping[str, npt.NDArray[Any]],
    came: Mapping[str, Texts],
    blind: set[str],
    wrong: Mapping[str, npt.NDArray[np.bool_]],
) -> tuple[list[Record], list[int], set[int], list[Problem]]:
    """Hold every row against the record's declaration."""
    model = mapping.model
    titles = {use.field: use.column for use in mapping.columns}
    names = list(given)
    lists = [given[name].tolist() for name in names]
    records: list[Record] = []
    rows: list[int] = []
    problems: list[Problem] = []
    bad_rows: set[int] = set()
    unread = {name: flags for name, flags in wrong.items() if flags.any()}
    for at, row in enumerate(sheet.numbers):
        cells = {
            name: column[at]
            for name, column in zip(names, lists, strict=True)
            if column[at] not in ("", None)
        }
        failed = [name for name, flags in unread.items() if flags[at]]
        for name in failed:
            cells.pop(name, None)
            problems.append(_unread_cell(sheet, mapping, name, str(came[name][at]), titles[name], row))
        record, said = build(model, cells, file=sheet.place, row=row)
        skip = blind | set(failed)
        kept = [one for one in said if one.column not in skip]
        for one in kept:
            name = one.column or ""
            before = came[name][at] if name in came else None
            after = cells.get(name)
            found = one.found
            if before is not None and after is not None and before != after:
                found = (
                    f"{before!r} becomes {after!r}, which {found}"
                    if found.startswith("is")
                    else f"{before!r} becomes {after!r}"
                )
            problems.append(replace(one, column=titles.get(name, name) or None, found=found))
        if kept or failed:
            bad_rows.add(row)
        if record is not None and not failed:
            records.append(record)
            rows.append(row)
    return records, rows, bad_rows, problems


def _unread_cell(sheet: Sheet, mapping: ColumnMap, name: str, cell: str, title: str, row: int) -> Problem:
    shown = repr(cell[:60])
    one = mapping.model.model_fields[name]
    kind = type_of(one)
    mend = "Correct the cell."
    found = f"{shown} is not one of its words"
    if kind == "number":
        found = f"{shown} is not a number"
        if "," in cell and mapping.decimal == ".":
            found, mend = (
                f"{shown} is written with a decimal comma",
                "Say that decimals have commas, or correct the cell.",
            )
        elif cell[:1] in "<>≤≥":
            found, mend = (
                f"{shown} is off the scale",
                "Only a reading's value may be; leave the cell blank and note it.",
            )
    elif kind in ("date", "moment"):
        found, mend = (
            f"{shown} is not a date in the order chosen",
            "Correct the cell, or choose another order of dates.",
        )
    elif group_of(one):
        mend = "Say what the word means, or correct the cell."
    return Problem(
        file=sheet.place, row=row, column=title, found=found, allowed=allowed(name, one), mend=mend
    )


def _value_faults(
    sheet: Sheet, mapping: ColumnMap, given: Mapping[str, npt.NDArray[Any]], ref: Reference, skip: set[int]
) -> list[Problem]:
    """Hold each reading against the scale of its method."""
    if "value" not in given or "method" not in given:
        return []
    use = mapping.use_of("value")
    title = use.column if use else "value"
    pairs = list(zip(given["value"].tolist(), given["method"].tolist(), strict=True))
    judged = {
        pair: value_fault(str(pair[0]), ref.methods[pair[1]])
        for pair in set(pairs)
        if pair[0] and pair[1] in ref.methods
    }
    return [
        Problem(
            file=sheet.place,
            row=row,
            column=title,
            found=fault.found,
            allowed=fault.allowed,
            mend=fault.mend,
            severity="error" if fault.stops else "warning",
        )
        for row, pair in zip(sheet.numbers, pairs, strict=True)
        if (fault := judged.get(pair)) is not None and (fault.stops or row not in skip)
    ]


def _mapping_faults(sheet: Sheet, mapping: ColumnMap, extra: Mapping[str, Any]) -> list[Problem]:
    """Say which columns the mapping names and the table has not, and what no table can give."""
    mend = "Choose the column again."
    out = [
        Problem(
            file=sheet.place,
            column=use.column,
            found="there is no such column",
            allowed="a column of the file",
            mend=mend,
        )
        for use in mapping.columns
        if use.column not in sheet.header
    ]
    names = [use.field for use in mapping.columns]
    out += [
        Problem(
            file=sheet.place,
            column=name,
            found=f"{names.count(name)} columns are taken for {name}",
            allowed="one column for a field",
            mend="Take one out.",
        )
        for name in sorted(set(names))
        if names.count(name) > 1
    ]
    out += [
        Problem(
            file=sheet.place,
            column=name,
            found="no such field",
            allowed=f"a field of a {mapping.kind}",
            mend=mend,
        )
        for name in sorted({*names, *mapping.fixed} - set(mapping.model.columns()))
    ]
    if mapping.model.shape == "Polygon" and "geometry" not in extra:
        mend = "Bring it in as a map layer or a drawing."
        out.append(
            Problem(
                file=sheet.place,
                found="an outline cannot be read from a table",
                allowed="a drawing",
                mend=mend,
            )
        )
    return out


def _unread_fields(mapping: ColumnMap, opened: list[Question]) -> set[str]:
    """Return the fields whose cells cannot be judged while a question is open."""
    out: set[str] = set()
    for one in opened:
        what, _, rest = one.key.partition(":")
        if what == "fixed":
            out.add(rest)
        for use in mapping.columns:
            number = is_number(mapping.model, use.field)
            dated = type_of(mapping.model.model_fields[use.field]) in ("date", "moment")
            if (
                (what == "decimal" and number)
                or (what == "date_order" and dated)
                or (what == "unit" and use.column == rest)
            ):
                out.add(use.field)
    return out


def _open(sheet: Sheet, one: Question) -> Problem:
    what, _, rest = one.key.partition(":")
    may_be = " or ".join(one.choices) if one.choices else "an answer"
    column = rest if what in ("unit", "fixed") else None
    return Problem(
        file=sheet.place, column=column, found=one.ask, allowed=may_be, mend="Answer the question."
    )


def _preview(sheet: Sheet, given: Mapping[str, npt.NDArray[Any]], model: type[Record]) -> pd.DataFrame:
    order = [name for name in model.columns() if name in given]
    shown = {name: given[name][:PREVIEW_ROWS] for name in order}
    return pd.DataFrame(shown, index=pd.Index(sheet.numbers[:PREVIEW_ROWS], name="row"), columns=order)
