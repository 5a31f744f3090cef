"""Cells pasted from a spreadsheet into a grid."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from geo.errors import Problem
from geo.intake.apply import Intake, apply
from geo.intake.columns import field_unit
from geo.intake.mapping import ColumnMap, ColumnUse
from geo.intake.sheet import ASK, Sheet, decimal_of
from geo.reference import Reference
from geo.site.records import KINDS

PLACE = "pasted cells"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pasted:
    """What was pasted.

    Parameters
    ----------
    rows
        One mapping of column to text for each row; none when there is an error.
    numbers
        Row of each among those pasted, the first being 1.
    decimal
        How decimals are written: ``"."``, ``","`` or ``"?"``.
    problems
        Everything wrong with the shape of what was pasted.
    """

    rows: tuple[Mapping[str, str], ...]
    numbers: tuple[int, ...]
    decimal: str
    problems: tuple[Problem, ...] = ()


def read_pasted(text: str, columns: Sequence[str], *, ref: Reference) -> Pasted:
    """Read pasted cells into the columns of a grid, from the first on.

    A first row that repeats the columns' names is left out. Blank rows are left out; blank cells stay
    blank. Cells keep their text: whether they are numbers is for the kind of record to say.

    Parameters
    ----------
    text
        Cells parted by tabs, rows by line ends, as every spreadsheet copies them.
    columns
        Fields of the grid's columns in order, beginning with the one pasted into.
    ref
        Limits in force (``input.max_rows``, ``intake.table_mb``).
    """
    most = ref.value("intake.table_mb")
    if len(text) > most * 1e6:
        said = _said(f"{len(text) / 1e6:,.0f} MB", f"at most {most:g} MB", "Paste less at a time.", None)
        return Pasted(rows=(), numbers=(), decimal=".", problems=(said,))
    lines = csv.reader(io.StringIO(text, newline=""), delimiter="\t")
    rows: list[dict[str, str]] = []
    numbers: list[int] = []
    problems: list[Problem] = []
    highest = int(ref.value("input.max_rows"))
    try:
        for number, cells in enumerate(lines, start=1):
            written = [cell.strip() for cell in cells]
            while written and not written[-1]:
                written.pop()
            if not written or (
                number == 1
                and [cell.casefold() for cell in written]
                == [name.casefold() for name in columns[: len(written)]]
            ):
                continue
            if len(rows) >= highest:
                problems.append(
                    _said(
                        f"more than {highest:,} rows", f"at most {highest:,}", "Paste less at a time.", None
                    )
                )
                break
            if len(written) > len(columns):
                allowed = f"{len(columns)}, one for each column from where it was pasted"
                problems.append(
                    _said(f"{len(written)} cells", allowed, "Paste into the first column.", number)
                )
                continue
            rows.append(dict(zip(columns, written + [""] * (len(columns) - len(written)), strict=True)))
            numbers.append(number)
    except csv.Error as error:
        problems.append(
            _said(f"cannot be read ({error})", "cells of a spreadsheet", "Copy them again.", lines.line_num)
        )
    if not rows and not problems:
        problems.append(_said("nothing", "cells of a spreadsheet", "Copy them again.", None))
    if problems:
        return Pasted(rows=(), numbers=(), decimal=".", problems=tuple(problems))
    decimal, _ = decimal_of([cell for row in rows for cell in row.values() if "," in cell or "." in cell])
    return Pasted(rows=tuple(rows), numbers=tuple(numbers), decimal=decimal)


def check_pasted(
    pasted: Pasted,
    kind: str,
    *,
    ref: Reference,
    fixed: Mapping[str, str],
    mapping: ColumnMap | None = None,
    existing_ids: Sequence[str] = (),
) -> Intake:
    """Hold pasted rows against a kind of record, with every problem by row and column.

    Parameters
    ----------
    pasted
        The rows.
    kind
        Kind of record.
    fixed
        Fields the grid carries down for all rows: method, instrument, side.
    mapping
        Answers already given; without one, numbers are in the fields' own units, dates year first.
    existing_ids
        Ids the site has already.
    """
    header = tuple(pasted.rows[0]) if pasted.rows else ()
    sheet = Sheet(
        file=PLACE,
        header=header,
        rows=tuple(tuple(row[name] for name in header) for row in pasted.rows),
        numbers=pasted.numbers,
        header_row=0,
        decimal=pasted.decimal,
    )
    known = [name for name in header if name in KINDS[kind].columns()]
    uses = tuple(ColumnUse(column=name, field=name, unit=field_unit(name)) for name in known)
    decimal = pasted.decimal if any(row for row in pasted.rows) else "."
    own = ColumnMap(
        kind=kind, columns=uses, decimal=decimal if decimal != ASK else ASK, date_order="ymd", id_prefix=kind
    )
    used = mapping or own
    return apply(
        sheet,
        ColumnMap(
            kind=kind,
            columns=used.columns,
            fixed={**used.fixed, **fixed},
            basis=used.basis,
            decimal=used.decimal,
            date_order=used.date_order,
            id_prefix=used.id_prefix,
        ),
        ref=ref,
        existing_ids=existing_ids,
        faults=pasted.problems,
    )


def _said(found: str, allowed: str, mend: str, row: int | None) -> Problem:
    return Problem(file=PLACE, row=row, found=found, allowed=allowed, mend=mend)
