"""What stands in a grid between two keystrokes: its lines, those saved, and what is wrong with the rest."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import streamlit as st

from app import desk
from app.desk import Desk
from app.widgets.grid import Edits, Row
from geo.entry.columns import Column
from geo.entry.lines import Filled, Line, cells_of, fill_lines
from geo.entry.sheets import SHEETS, Sheet
from geo.entry.whereabouts import Whereabouts, whereabouts
from geo.site.records import Record
from geo.store.changes import Change, Put, Remove
from geo.store.said import Conflict

EARLIER = 12


@dataclass
class Typed:
    """Lines of one grid.

    Parameters
    ----------
    lines
        In the order they stand, with the id of the record each is.
    bases
        Version each record had when its line was last made equal to it.
    acked
        Last keystroke dealt with.
    told
        One sentence for the person.
    conflicts
        What somebody else changed meanwhile.
    unsaved
        Keys of lines that hold something not saved yet.
    seen
        Version of the site the lines were last held against.
    run
        Another one for each beginning: of a visit, or of the program.
    """

    lines: list[Line] = field(default_factory=list)
    bases: dict[str, int] = field(default_factory=dict)
    acked: int = 0
    told: str = ""
    conflicts: tuple[Conflict, ...] = ()
    unsaved: set[str] = field(default_factory=set)
    seen: int = -1
    run: str = field(default_factory=lambda: secrets.token_hex(8))


def typed_of(name: str, at: Desk, sheet: Sheet, columns: Sequence[Column], *, all_lines: bool) -> Typed:
    """Return what stands in a grid, with what was saved elsewhere since brought along."""
    key = f"typed-{name}"
    if key not in st.session_state:
        st.session_state[key] = Typed()
    typed: Typed = st.session_state[key]
    records = {record.id: record for record in at.site.of(sheet.kind)}
    known = {line.record_id for line in typed.lines}
    missing = [record for record in records.values() if record.id not in known]
    if not all_lines and not typed.lines:
        missing = missing[-EARLIER:]
    if all_lines or not typed.lines:
        earlier = [
            Line(key=record.id, cells=cells_of(record, columns), record_id=record.id) for record in missing
        ]
        typed.lines = earlier + typed.lines
        typed.bases.update({record.id: at.versions[record.id] for record in missing})
    if typed.seen != at.version:
        _bring_along(typed, at, records, columns)
        typed.seen = at.version
    return typed


def _bring_along(typed: Typed, at: Desk, records: dict[str, Record], columns: Sequence[Column]) -> None:
    """Show what others saved, in lines nobody is changing here; lines of removed records go."""
    lines = []
    for line in typed.lines:
        name = line.record_id
        if not name or line.key in typed.unsaved or typed.bases.get(name) == at.versions.get(name):
            lines.append(line)
        elif name in records:
            lines.append(replace(line, cells=cells_of(records[name], columns)))
            typed.bases[name] = at.versions[name]
    typed.lines = lines


def take_edits(typed: Typed, edits: Edits, site_id: str, sheet: Sheet, columns: Sequence[Column]) -> None:
    """Deal with what was typed: save every line that is whole, keep every other as it is."""
    at = desk.current(site_id)
    by_key = {line.key: line for line in typed.lines}
    for key, (record_id, base) in edits.again.items():
        _take_up(typed, by_key, key, record_id, base, at)
    for key, cells in edits.rows:
        by_key[key] = replace(by_key.get(key, Line(key=key, cells={})), cells=cells)
        typed.unsaved.add(key)
    gone = [by_key.pop(key) for key in edits.gone if key in by_key]
    place = {key: i for i, key in enumerate(edits.order)}
    before = {key: i for i, key in enumerate(by_key)}
    order = sorted(by_key, key=lambda key: (place.get(key, before[key]), before[key]))
    typed.lines = [by_key[key] for key in order]
    typed.acked = max(typed.acked, edits.seq)
    typed.conflicts = tuple(
        conflict
        for conflict in typed.conflicts
        if conflict.record_id in {line.record_id for line in typed.lines}
    )
    saved = _drop_saved_before(typed, edits, at, sheet, columns)
    _save(typed, at, sheet, columns, gone)
    if saved:
        told = "1 line had been saved" if saved == 1 else f"{saved} lines had been saved"
        typed.told = typed.told or f"{told} before the connection went, and not again now."


def _take_up(typed: Typed, by_key: dict[str, Line], key: str, record_id: str, base: int, at: Desk) -> None:
    """Make a line the browser had kept the record it was, so that it changes it and is not added again."""
    if not record_id or key in by_key or record_id not in at.versions:
        return
    for other in [line.key for line in by_key.values() if line.record_id == record_id]:
        del by_key[other]
    by_key[key] = Line(key=key, cells={}, record_id=record_id)
    typed.bases[record_id] = base


def _drop_saved_before(typed: Typed, edits: Edits, at: Desk, sheet: Sheet, columns: Sequence[Column]) -> int:
    """Leave out kept lines whose record is there: it was saved, and only the word of it was lost."""
    if not edits.again:
        return 0
    there = [record.model_dump(exclude={"id"}) for record in at.site.of(sheet.kind)]
    twice = {
        line.line.key
        for line in fill(typed, at, sheet, columns)
        if line.line.key in edits.again
        and not line.line.record_id
        and line.record is not None
        and line.record.model_dump(exclude={"id"}) in there
    }
    typed.lines = [line for line in typed.lines if line.key not in twice]
    typed.unsaved -= twice
    return len(twice)


def _save(typed: Typed, at: Desk, sheet: Sheet, columns: Sequence[Column], gone: Sequence[Line] = ()) -> None:
    records = {record.id: record for record in at.site.of(sheet.kind)}
    filled = fill(typed, at, sheet, columns)
    stuck = {conflict.record_id for conflict in typed.conflicts}
    changes: list[Change] = []
    lines: dict[str, Filled] = {}
    before = next(reversed(records), "")
    for line in filled:
        record = line.record
        if record is None or record.id in stuck:
            continue
        after, before = before, record.id
        if records.get(line.line.record_id) == record:
            continue
        if line.line.record_id and line.line.record_id != record.id:
            changes.append(Remove(sheet.kind, line.line.record_id, typed.bases.get(line.line.record_id)))
        base = typed.bases.get(record.id) if line.line.record_id == record.id else None
        new = sheet.ordered and record.id not in records
        changes.append(Put(record, base, after if new else None))
        lines[record.id] = line
    changes += [
        Remove(sheet.kind, line.record_id, typed.bases.get(line.record_id)) for line in gone if line.record_id
    ]
    outcome = desk.save(at.site_id, changes)
    typed.told = outcome.told
    if not outcome.saved:
        typed.conflicts += outcome.conflicts
        if outcome.conflicts and len(changes) > len(outcome.conflicts):
            _save(typed, at, sheet, columns, [line for line in gone if line.record_id not in stuck])
        return
    now = desk.current(at.site_id)
    same = {line.line.key for line in filled if line.record is not None}
    typed.unsaved -= same - {line.key for line in typed.lines if line.record_id in stuck}
    own = {line.line.key: record_id for record_id, line in lines.items()}
    for i, line in enumerate(typed.lines):
        if line.key in own:
            record_id = own[line.key]
            record = next(record for record in now.site.of(sheet.kind) if record.id == record_id)
            typed.lines[i] = replace(line, record_id=record_id, cells=cells_of(record, columns))
            typed.bases[record_id] = now.versions[record_id]
    typed.seen = now.version


def keep_mine(
    typed: Typed, conflict: Conflict, site_id: str, sheet: Sheet, columns: Sequence[Column]
) -> None:
    """Save one's own version over the other, which one has now seen; it stays in the history."""
    typed.bases[conflict.record_id] = conflict.version
    typed.conflicts = tuple(other for other in typed.conflicts if other is not conflict)
    if conflict.theirs is None:
        typed.bases.pop(conflict.record_id, None)
    _save(typed, desk.current(site_id), sheet, columns)


def take_theirs(typed: Typed, conflict: Conflict) -> None:
    """Show the other version in the line; one's own goes."""
    typed.conflicts = tuple(other for other in typed.conflicts if other is not conflict)
    typed.bases.pop(conflict.record_id, None)
    typed.unsaved -= {line.key for line in typed.lines if line.record_id == conflict.record_id}
    typed.seen = -1


def fill(typed: Typed, at: Desk, sheet: Sheet, columns: Sequence[Column]) -> list[Filled]:
    """Turn the lines into records."""
    records = {record.id: record for record in at.site.of(sheet.kind)}
    return fill_lines(
        typed.lines, sheet.kind, columns, ref=at.site.reference, taken=at.site.ids, existing=records
    )


def rows_of(
    filled: Sequence[Filled], typed: Typed, at: Desk, kind: str
) -> tuple[list[Row], dict[str, Whereabouts]]:
    """Return the lines as the grid shows them, and where each lies."""
    saved = {record.id: record for record in at.site.of(kind)}
    places = whereabouts(
        [line.record for line in filled if line.record is not None], at.site, perimeter=at.perimeter
    )
    stuck = {conflict.record_id for conflict in typed.conflicts}
    rows = []
    for line in filled:
        record = line.record
        if record is None:
            missing = all("is blank" in said for said in line.said.values())
            state = "part" if missing else "wrong"
        else:
            state = "saved" if saved.get(record.id) == record else "kept"
            state = "stuck" if record.id in stuck else state
        told = places[record.id].told if record is not None and record.id in places else at.because
        rows.append(
            Row(
                key=line.line.key,
                cells=dict(line.line.cells),
                state=state,
                said=dict(line.said),
                notes=dict(line.notes),
                told=told if record is not None else "",
                fresh=not line.line.record_id,
                record_id=line.line.record_id,
                base=typed.bases.get(line.line.record_id, 0),
            )
        )
    return rows, places


def save_one(at: Desk, sheet_name: str, cells: dict[str, str]) -> str:
    """Save one record of a sheet and say what became of it."""
    sheet = SHEETS[sheet_name]
    columns = sheet.columns(ref=at.site.reference)
    line = Line(key="one", cells=cells)
    (filled,) = fill_lines([line], sheet.kind, columns, ref=at.site.reference, taken=at.site.ids) or (None,)
    if filled is None:
        return "Nothing was filled in."
    if filled.record is None:
        labels = {column.name: column.label for column in columns}
        return "; ".join(f"{labels.get(name, name)}: {said}" for name, said in filled.said.items())
    outcome = desk.save(at.site_id, [Put(filled.record)])
    return f"{filled.record.id} saved." if outcome.saved else outcome.told
