"""Work everything out again from the events, and look whether what stands is what follows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa

from geo.errors import Problem
from geo.portfolio.derive import derive
from geo.portfolio.entry import NOTHING, Entry, chained, sealed
from geo.portfolio.follow import bring_along
from geo.portfolio.periods import Periods
from geo.portfolio.saving import HOMES, counted_by, entry_of, lock_landlord, stamp
from geo.reference import Reference
from geo.store.register_tables import (
    DERIVED,
    HOME_STATE,
    REGISTER_BATCH,
    REGISTER_EVENT,
    REGISTER_LANDLORD,
)
from geo.store.said import refused

MEND = "Open the last back-up that verifies."
WORK_OUT = "Work it out again: wallfoot register rebuild."


def rebuild(connection: sa.Connection, landlord_id: str, *, periods: Periods, ref: Reference) -> int:
    """Work out a landlord's derived tables again from its events alone, and return how many homes there are.

    Raises
    ------
    StoreError
        When there is no such landlord.
    """
    lock_landlord(connection, landlord_id)
    for table in DERIVED:
        connection.execute(table.delete().where(table.c.landlord_id == landlord_id))
    count = 0
    for some in _in_lots(connection, landlord_id):
        bring_along(connection, landlord_id, some, periods=periods, ref=ref)
        count += len(some)
    connection.execute(
        REGISTER_LANDLORD.update()
        .where(REGISTER_LANDLORD.c.landlord_id == landlord_id)
        .values(counted_by=counted_by(periods, ref))
    )
    return count


def verify(
    connection: sa.Connection, landlord_id: str, *, periods: Periods, ref: Reference
) -> Iterator[Problem]:
    """Say everything that does not follow: broken chains, missing savings, tables that say something else."""
    landlord = connection.execute(
        sa.select(REGISTER_LANDLORD).where(REGISTER_LANDLORD.c.landlord_id == landlord_id)
    ).one_or_none()
    if landlord is None:
        yield refused(landlord_id, "has no register here", "a landlord with a register", "Name another.")
        return
    current = landlord.counted_by == counted_by(periods, ref)
    if not current:
        yield refused(
            landlord_id, "was worked out with other periods or settings", "those in force", WORK_OUT
        )
    digests: dict[int, list[bytes]] = defaultdict(list)
    seen: set[str] = set()
    for some in _in_lots(connection, landlord_id):
        held = _held(connection, landlord_id, list(some))
        for home_id, entries in some.items():
            seen.add(home_id)
            yield from _chain(landlord_id, home_id, entries)
            for entry in entries:
                digests[entry.batch].append(entry.digest)
            if current:
                yield from _follows(landlord_id, home_id, entries, held, periods=periods, ref=ref)
    yield from _strays(connection, landlord_id, seen)
    yield from _savings(connection, landlord, digests)


def _in_lots(connection: sa.Connection, landlord_id: str) -> Iterator[dict[str, list[Entry]]]:
    """Give a landlord's homes with all their events, some hundreds of homes at a time."""
    table = REGISTER_EVENT.c
    rows = connection.execute(
        sa.select(REGISTER_EVENT)
        .where(table.landlord_id == landlord_id)
        .order_by(table.landlord_id, table.home_id, table.line)
        .execution_options(yield_per=5000)
    )
    lot: dict[str, list[Entry]] = {}
    for row in rows:
        if row.home_id not in lot and len(lot) == HOMES:
            yield lot
            lot = {}
        lot.setdefault(row.home_id, []).append(entry_of(row))
    if lot:
        yield lot


def _chain(landlord_id: str, home_id: str, entries: list[Entry]) -> Iterator[Problem]:
    before = NOTHING
    for number, one in enumerate(entries, start=1):
        said = (
            one.line,
            one.event_id,
            one.kind,
            one.case_id,
            one.by_role,
            one.corrects,
            one.text,
        )
        before = chained(before, landlord_id, home_id, said)
        if one.line != number or before != one.digest:
            found = f"event {one.event_id!r} does not follow from the one before it"
            yield refused(f"{landlord_id}, home {home_id}", found, "an unbroken chain", MEND)
            return


def _held(
    connection: sa.Connection, landlord_id: str, home_ids: list[str]
) -> dict[str, dict[str, list[Any]]]:
    held: dict[str, dict[str, list[Any]]] = {}
    for table in DERIVED:
        rows: dict[str, list[Any]] = defaultdict(list)
        keys = list(table.primary_key.columns)
        found = connection.execute(
            sa.select(table)
            .where(table.c.landlord_id == landlord_id, table.c.home_id.in_(home_ids))
            .order_by(*keys)
        )
        for row in found.mappings():
            rows[row["home_id"]].append(dict(row))
        held[table.name] = rows
    return held


def _follows(
    landlord_id: str,
    home_id: str,
    entries: list[Entry],
    held: dict[str, dict[str, list[Any]]],
    *,
    periods: Periods,
    ref: Reference,
) -> Iterator[Problem]:
    made = derive(landlord_id, home_id, entries, periods=periods, ref=ref)
    wanted = (
        [made.state], list(made.clocks), list(made.assets), list(made.flags), list(made.costs)
    )  # fmt: skip
    for table, rows in zip(DERIVED, wanted, strict=True):
        there = [
            {name: value for name, value in row.items() if name != "spread_count"}
            for row in held[table.name].get(home_id, [])
        ]
        if not _same(there, rows):
            found = f"{table.name} is not what the events say"
            yield refused(f"{landlord_id}, home {home_id}", found, "what follows from them", WORK_OUT)


def _same(there: list[dict[str, Any]], wanted: list[dict[str, Any]]) -> bool:
    def plain(rows: list[dict[str, Any]]) -> list[list[Any]]:
        return sorted(
            (
                [bytes(value) if isinstance(value, memoryview) else value for _, value in sorted(row.items())]
                for row in rows
            ),
            key=repr,
        )

    return plain(there) == plain(wanted)


def _strays(connection: sa.Connection, landlord_id: str, seen: set[str]) -> Iterator[Problem]:
    rows = connection.scalars(sa.select(HOME_STATE.c.home_id).where(HOME_STATE.c.landlord_id == landlord_id))
    for home_id in rows:
        if home_id not in seen:
            found = "has a row of its own and no event"
            yield refused(f"{landlord_id}, home {home_id}", found, "homes with events", WORK_OUT)


def _savings(connection: sa.Connection, landlord: Any, digests: dict[int, list[bytes]]) -> Iterator[Problem]:
    before, number = NOTHING, 0
    rows = connection.execute(
        sa.select(REGISTER_BATCH)
        .where(REGISTER_BATCH.c.landlord_id == landlord.landlord_id)
        .order_by(REGISTER_BATCH.c.batch)
    )
    for number, row in enumerate(rows, start=1):
        some = digests.get(row.batch, [])
        before = sealed(before, row.batch, row.by, row.why, stamp(row.saved_at), some)
        if row.batch != number or before != bytes(row.head) or len(some) != row.events_count:
            found = f"saving {number} is missing, or holds other events than it did"
            yield refused(landlord.landlord_id, found, "an unbroken chain of savings", MEND)
            return
    if before != bytes(landlord.head) or number != landlord.batches:
        found = "its last savings are missing"
        yield refused(landlord.landlord_id, found, f"{landlord.batches} savings", MEND)
