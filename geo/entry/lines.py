"""Lines as they are typed, turned into records with what is wrong said cell by cell."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from geo.entry.columns import Column
from geo.moisture.censor import value_fault
from geo.reference import Reference
from geo.site.record import Seen
from geo.site.records import KINDS, Record
from geo.site.tables import build, cell_text

NUMBERED = re.compile(r"^(.*?)(\d+)$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a grid.

    Parameters
    ----------
    key
        What the grid calls it; it stays the same while the line is typed.
    cells
        What was typed, by column.
    record_id
        Id of the record it is, ``""`` for a new one.
    """

    key: str
    cells: Mapping[str, str]
    record_id: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """What a line says.

    Parameters
    ----------
    record
        The record, ``None`` while the line is not whole or something in it is wrong.
    said
        What is wrong or missing, by column; ``""`` for the line as a whole.
    notes
        What is strange but does not stop it being kept, by column.
    """

    line: Line
    record: Record | None
    said: Mapping[str, str] = field(default_factory=dict)
    notes: Mapping[str, str] = field(default_factory=dict)


def fill_lines(
    lines: Sequence[Line],
    kind: str,
    columns: Sequence[Column],
    *,
    ref: Reference,
    taken: Iterable[str] = (),
    fixed: Mapping[str, Any] | None = None,
    existing: Mapping[str, Record] | None = None,
    stem: str | None = None,
) -> list[Filled]:
    """Turn lines into records.

    Parameters
    ----------
    lines
        In the order they stand: in new lines, blank cells of carried columns take what stands above. In a
        line that is a record already a blank cell is blank.
    fixed
        Fields every line has and the grid does not show.
    taken
        Ids of the site that new lines must not have.
    existing
        Records the lines change, by id: fields the grid does not show keep what they hold.
    stem
        New ids are this and a number: ``reading-001``; the kind's own name by default.

    Returns
    -------
    One for each line; a line with nothing typed but carried cells is left out.
    """
    known = set(taken)
    number = _next_number(known, stem or kind)
    above: dict[str, str] = {}
    filled = []
    for line in lines:
        if not any(line.cells.get(column.name, "").strip() for column in columns if not column.carry):
            continue
        cells, said = {}, {}
        for column in columns:
            typed = line.cells.get(column.name, "").strip()
            if column.carry and not line.record_id:
                typed = typed or above.get(column.name, "")
            if column.carry:
                above[column.name] = typed or above.get(column.name, "")
            word, wrong = _word(typed, column)
            cells[column.name] = word
            if wrong:
                said[column.name] = wrong
        record_id = cells.get("id") or line.record_id
        if not record_id:
            record_id = f"{stem or kind}-{number:03d}"
            number += 1
        if record_id in known and record_id != line.record_id:
            said["id" if "id" in cells else ""] = f"{record_id!r} is the id of another record of this site"
        known.add(record_id)
        old = (existing or {}).get(line.record_id)
        filled.append(
            _fill(
                line,
                kind,
                {**(fixed or {}), **cells, "id": record_id},
                columns=columns,
                said=said,
                old=old,
                ref=ref,
            )
        )
    return filled


def cells_of(record: Record, columns: Sequence[Column]) -> dict[str, str]:
    """Return what a record's line shows: words as people read them, numbers as they were typed."""
    cells = {}
    for column in columns:
        text = cell_text(getattr(record, column.name))
        cells[column.name] = column.words.get(text, text)
    return cells


def unseen(kind: str, given: Mapping[str, Any]) -> dict[str, str]:
    """Return what a new record says of how it is known when nobody said its state: not looked at yet."""
    silent = issubclass(KINDS[kind], Seen) and not given.get("state") and not given.get("evidence")
    return {"evidence": "not_looked"} if silent else {}


def _fill(
    line: Line,
    kind: str,
    cells: Mapping[str, Any],
    *,
    columns: Sequence[Column],
    said: Mapping[str, str],
    old: Record | None,
    ref: Reference,
) -> Filled:
    model = KINDS[kind]
    shown = {column.name for column in columns} | {"id"}
    kept = {} if old is None else {k: v for k, v in old.model_dump().items() if k not in shown}
    given = {name: value for name, value in {**kept, **cells}.items() if value not in ("", None)}
    if old is None:
        given |= unseen(kind, given)
    if old is not None and old.geometry is not None:
        given["geometry"] = old.geometry
    record, problems = build(model, given, file=kind, row=0)
    wrong = dict(said)
    for problem in problems:
        sentence = f"{problem.found}; {problem.allowed}"
        if problem.mend not in ("Correct the cell.", "Fill it in."):
            sentence += f". {problem.mend}"
        wrong.setdefault(problem.column or "", sentence)
    notes: dict[str, str] = {}
    method = ref.methods.get(str(given.get("method", "")))
    if kind == "reading" and method is not None and given.get("value") and "value" not in wrong:
        fault = value_fault(str(given["value"]), method)
        if fault is not None:
            target = wrong if fault.stops else notes
            target["value"] = f"{fault.found}; allowed: {fault.allowed}. {fault.mend}"
    return Filled(line=line, record=None if wrong else record, said=wrong, notes=notes)


def _word(typed: str, column: Column) -> tuple[str, str]:
    """Return the word a person meant: its key, its label, or a beginning only one of them has."""
    if not column.words or not typed or typed in column.words:
        return typed, ""
    low = typed.casefold()
    whole = [key for key, label in column.words.items() if low in (label.casefold(), key.casefold())]
    if len(whole) == 1:
        return whole[0], ""
    begun = [
        key
        for key, label in column.words.items()
        if label.casefold().startswith(low) or key.replace("_", " ").startswith(low)
    ]
    if len(begun) == 1:
        return begun[0], ""
    if begun:
        return typed, f"{typed!r} may be {', '.join(column.words[key] for key in begun)}: type more of it"
    return typed, f"{typed!r} is none of: {', '.join(column.words.values())}"


def _next_number(taken: Iterable[str], stem: str) -> int:
    """Return the number after the highest that ids of this stem have."""
    own = [NUMBERED.match(name) for name in taken if name.startswith(f"{stem}-")]
    return 1 + max(
        (int(found.group(2)) for found in own if found and found.group(1) == f"{stem}-"), default=0
    )
