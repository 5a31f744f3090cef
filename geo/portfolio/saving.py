"""The one way the register grows: events are added, and what follows from them is brought along."""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from geo.errors import InputError, WallfootError
from geo.portfolio.counting import holidays_digest, moment_of
from geo.portfolio.entry import NOTHING, Entry, as_text, chained, sealed
from geo.portfolio.events import Happened, own_fields
from geo.portfolio.fitting import misfit, misfits, not_there_yet
from geo.portfolio.follow import bring_along, insert_rows
from geo.portfolio.periods import Nation, Periods
from geo.reference import Reference
from geo.store.blobs import batches
from geo.store.register_tables import (
    REGISTER_BATCH,
    REGISTER_EVENT,
    REGISTER_LANDLORD,
)
from geo.store.said import StoreError

HOMES = 400
"""Homes worked out at a time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Appended:
    """What came of adding events.

    Parameters
    ----------
    batch
        Number of the saving, 0 when there was nothing new.
    added, already
        Events added, and events that were there already, the same.
    head
        Hash over everything the landlord's register holds now, in hexadecimal.
    """

    batch: int
    added: int
    already: int
    head: str


class GrownError(WallfootError):
    """The file of a home has grown since whoever adds to it looked; nothing was added.

    ``grown`` has, by home, how many events were seen and how many there are.
    """

    def __init__(self, grown: Mapping[str, tuple[int, int]]) -> None:
        self.grown = dict(grown)
        some = [
            f"the file of home {name[:80]} had {seen} events when it was opened and has {there} now"
            for name, (seen, there) in sorted(self.grown.items())[:5]
        ]
        more = f"; and {len(self.grown) - 5} more" if len(self.grown) > 5 else ""
        super().__init__(f"Nothing was added: {'; '.join(some)}{more}. Look at what is new, then add again.")


def lock_landlord(connection: sa.Connection, landlord_id: str) -> Any:
    """Take the right to add to a landlord's register and return its row."""
    row = connection.execute(
        sa.select(REGISTER_LANDLORD).where(REGISTER_LANDLORD.c.landlord_id == landlord_id).with_for_update()
    ).one_or_none()
    if row is None:
        raise StoreError(f"There is no register of the landlord {landlord_id[:80]!r} in this workspace.")
    return row


def append(
    connection: sa.Connection,
    landlord_id: str,
    records: Sequence[Happened],
    *,
    by: str,
    why: str,
    periods: Periods,
    ref: Reference,
    seen: Mapping[str, int],
) -> Appended:
    """Add events to a landlord's register; those it holds already are left out.

    Raises
    ------
    GrownError
        When the file of a home new events are of has other than the events that were ``seen``: the landlord's
        row is locked by then, so that none can come in between.
    InputError
        When an event does not fit what is there; nothing is added.
    StoreError
        When there is no such landlord, or its dates are counted by other periods.
    """
    landlord = lock_landlord(connection, landlord_id)
    if landlord.counted_by != counted_by(periods, ref):
        raise StoreError(
            "The periods or settings that dates are counted by have changed since the register was worked"
            " out: work it out again (wallfoot register rebuild), then add."
        )
    new, already = not_there_yet(connection, landlord_id, records)
    if not new:
        return Appended(batch=0, added=0, already=already, head=bytes(landlord.head).hex())
    homes: dict[str, list[Happened]] = defaultdict(list)
    for record in new:
        homes[record.home_id].append(record)
    batch = int(landlord.batches) + 1
    at = dt.datetime.now(dt.UTC)
    known = {
        home_id: entries
        for some in batches(list(homes))
        for home_id, entries in entries_of(connection, landlord_id, some).items()
    }
    there = {home_id: len(known.get(home_id, ())) for home_id in homes if home_id in seen}
    if grown := {name: (seen[name], now) for name, now in there.items() if now != seen[name]}:
        raise GrownError(grown)
    problems = misfits(homes, known)
    if problems:
        raise InputError(problems)
    nation = periods.nations["england"]
    added = {
        home_id: _chain(landlord_id, home_id, some, known.get(home_id, []), batch=batch, nation=nation)
        for home_id, some in homes.items()
    }
    head = sealed(
        bytes(landlord.head),
        batch,
        by,
        why,
        stamp(at),
        (one.digest for some in added.values() for one in some),
    )
    connection.execute(
        REGISTER_BATCH.insert().values(
            landlord_id=landlord_id,
            batch=batch,
            saved_at=at,
            by=by,
            why=why,
            events_count=len(new),
            head=head,
        )
    )
    insert_rows(
        connection,
        REGISTER_EVENT,
        (event_row(landlord_id, home_id, one) for home_id, some in added.items() for one in some),
    )
    bring_along(
        connection,
        landlord_id,
        {home_id: [*known.get(home_id, []), *some] for home_id, some in added.items()},
        periods=periods,
        ref=ref,
    )
    connection.execute(
        REGISTER_LANDLORD.update()
        .where(REGISTER_LANDLORD.c.landlord_id == landlord_id)
        .values(batches=batch, head=head)
    )
    return Appended(batch=batch, added=len(new), already=already, head=head.hex())


DECIDES = ("repeat_m", "repeat_months", "drying_months", "explained_m", "air_log_days")
"""Settings under ``portfolio`` that what is kept depends on; the others count when it is shown."""


def counted_by(periods: Periods, ref: Reference) -> str:
    """Return a hash of everything the derived tables depend on besides the events."""
    numbers = " ".join(f"{ref.value(f'portfolio.{name}'):g}" for name in DECIDES)
    holidays = " ".join(holidays_digest(nation.holidays) for nation in periods.nations.values())
    return f"{periods.digest} {holidays} {numbers}"


def stamp(at: dt.datetime) -> str:
    """Return a moment as it is hashed: UTC, to the microsecond, as both databases keep it."""
    return at.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def entries_of(
    connection: sa.Connection, landlord_id: str, home_ids: Sequence[str]
) -> dict[str, list[Entry]]:
    """Return all events of some homes, in the order they were added."""
    found: dict[str, list[Entry]] = defaultdict(list)
    rows = connection.execute(
        sa.select(REGISTER_EVENT)
        .where(REGISTER_EVENT.c.landlord_id == landlord_id, REGISTER_EVENT.c.home_id.in_(home_ids))
        .order_by(REGISTER_EVENT.c.home_id, REGISTER_EVENT.c.line)
    )
    for row in rows:
        found[row.home_id].append(entry_of(row))
    return found


def entry_of(row: Any) -> Entry:
    """Return a row of the event table as an entry."""
    return Entry(
        line=row.line,
        event_id=row.event_id,
        kind=row.kind,
        case_id=row.case_id,
        at=row.at,
        with_time=bool(row.with_time),
        by_role=row.by_role,
        corrects=row.corrects,
        payload=json.loads(row.payload),
        text=row.payload,
        batch=row.batch,
        digest=bytes(row.digest),
    )


def event_row(landlord_id: str, home_id: str, entry: Entry) -> dict[str, Any]:
    """Return an entry as a row of the event table."""
    return {
        "landlord_id": landlord_id,
        "home_id": home_id,
        "line": entry.line,
        "event_id": entry.event_id,
        "kind": entry.kind,
        "case_id": entry.case_id,
        "at": entry.at,
        "with_time": entry.with_time,
        "by_role": entry.by_role,
        "corrects": entry.corrects,
        "payload": entry.text,
        "batch": entry.batch,
        "digest": entry.digest,
    }


def _chain(
    landlord_id: str,
    home_id: str,
    records: Sequence[Happened],
    known: Sequence[Entry],
    *,
    batch: int,
    nation: Nation,
) -> list[Entry]:
    """Return new events as entries that follow on from those known.

    Raises
    ------
    InputError
        When a time never was.
    """
    line = known[-1].line if known else 0
    before = known[-1].digest if known else NOTHING
    made = []
    for record in records:
        line += 1
        try:
            at, with_time = moment_of(record.at, nation)
        except ValueError as error:
            raise InputError([misfit(record, str(error), "a date and time that was")]) from None
        payload = own_fields(record)
        text = as_text(payload)
        said = (line, record.id, record.kind, record.case_id, record.by_role, record.corrects, text)
        before = chained(before, landlord_id, home_id, said)
        made.append(
            Entry(
                line=line,
                event_id=record.id,
                kind=record.kind,
                case_id=record.case_id,
                at=at,
                with_time=with_time,
                by_role=record.by_role,
                corrects=record.corrects,
                payload=payload,
                text=text,
                batch=batch,
                digest=before,
            )
        )
    return made
