"""Do new events fit what is there: once each, of homes that are listed, correcting what stands."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence

import sqlalchemy as sa

from geo.errors import InputError, Problem
from geo.portfolio.counting import YEARS
from geo.portfolio.entry import Entry, payload_text
from geo.portfolio.events import EVENTS, Happened
from geo.store.blobs import batches
from geo.store.register_tables import REGISTER_EVENT


def not_there_yet(
    connection: sa.Connection, landlord_id: str, records: Sequence[Happened]
) -> tuple[list[Happened], int]:
    """Return the events not there yet, and how many are there already, the same.

    Raises
    ------
    InputError
        When an event of that number says something else there, or twice here.
    """
    given: dict[str, Happened] = {}
    problems: list[Problem] = []
    again = 0
    for record in records:
        first = given.setdefault(record.id, record)
        if first is not record:
            if _said(first) != _said(record):
                problems.append(misfit(record, "stands twice and says two things", "a number only once"))
            again += 1
    there: dict[str, tuple[str, ...]] = {}
    table = REGISTER_EVENT.c
    shown = [
        table[name] for name in ("event_id", "home_id", "kind", "case_id", "by_role", "corrects", "payload")
    ]
    for some in batches(list(given)):
        rows = connection.execute(
            sa.select(*shown).where(table.landlord_id == landlord_id, table.event_id.in_(some))
        )
        there |= {row.event_id: tuple(row)[1:] for row in rows}
    for name, said in there.items():
        if said != _said(given[name]):
            problems.append(
                misfit(
                    given[name],
                    "is in the register and says something else there",
                    "an event is never changed",
                    "Give the corrected event a number of its own, and name this one in corrects.",
                )
            )
    if problems:
        raise InputError(problems)
    return [record for name, record in given.items() if name not in there], len(there) + again


def _said(record: Happened) -> tuple[str, ...]:
    return (
        record.home_id,
        record.kind,
        record.case_id,
        record.by_role,
        record.corrects,
        payload_text(record),
    )


def misfits(homes: Mapping[str, Sequence[Happened]], known: Mapping[str, Sequence[Entry]]) -> list[Problem]:
    """Say what is wrong with events that each alone are right."""
    problems: list[Problem] = []
    for home_id, records in homes.items():
        there = {one.event_id: one.kind for one in known.get(home_id, ())}
        if not there and not any(record.kind == "home" for record in records):
            problems.append(
                misfit(
                    records[0],
                    f"is of a home {home_id!r} the register does not hold",
                    "a listed home",
                    "Add its facts.",
                )
            )
        corrected = {one.corrects for one in known.get(home_id, ()) if one.corrects}
        there |= {record.id: record.kind for record in records}
        for record in records:
            problems += _wrong_by_itself(record)
            if not record.corrects:
                if record.kind == "withdrawn":
                    problems.append(
                        misfit(record, "names no event to withdraw", "an event of the home in corrects")
                    )
                continue
            if there.get(record.corrects) not in (
                {record.kind} if record.kind != "withdrawn" else set(EVENTS)
            ):
                found = f"corrects {record.corrects!r}, which is no {record.kind} of that home"
                problems.append(misfit(record, found, "an event of the same kind and home"))
            if record.corrects in corrected or record.corrects == record.id:
                found = f"corrects {record.corrects!r}, which is corrected already"
                problems.append(misfit(record, found, "the event that stands", "Name the last correction."))
            corrected.add(record.corrects)
    return problems


def _wrong_by_itself(record: Happened) -> Iterable[Problem]:
    fields = record.__dict__
    begin, end = fields.get("chainage_from_m"), fields.get("chainage_to_m")
    if (begin is None) != (end is None):
        yield misfit(record, "has one chainage without the other", "both or none")
    elif begin is not None and end is not None and begin >= end:
        mend = "A length that passes the origin corner is two rows."
        yield misfit(
            record, f"runs from {begin:g} to {end:g} m", "a length that ends beyond its beginning", mend
        )
    if not YEARS[0] < int(record.at[:4]) < YEARS[1] - 10:
        yield misfit(record, f"happened in {record.at[:4]}", f"a year from {YEARS[0] + 1} to {YEARS[1] - 11}")
    for name in ("due_on", "reply_by"):
        if fields.get(name):
            try:
                dt.date.fromisoformat(str(fields[name]))
            except ValueError as error:
                yield misfit(record, f"{fields[name]}: {error}", "a date as 2026-11-03")


def misfit(record: Happened, found: str, allowed: str, mend: str = "Correct it.") -> Problem:
    """Return what is wrong with one event."""
    return Problem(file=f"{record.stem} {record.id}", found=found, allowed=allowed, mend=mend)
