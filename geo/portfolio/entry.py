"""One event as it stands in the register, and which of a home's events stand."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from geo.portfolio.clocks import Dated
from geo.portfolio.events import EVENTS, Happened, Withdrawn, own_fields

NOTHING = bytes(32)
"""What the first event of a home, and the first batch of a landlord, is chained to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One event of a home.

    Parameters
    ----------
    line
        Its number in the home's file, from 1.
    event_id, kind, case_id, by_role, corrects
        As declared in :mod:`geo.portfolio.events`.
    at, with_time
        When it happened, in UTC, and whether a time of day was written.
    payload, text
        Every other field that was filled in, as it was written; and that as the text that is kept and hashed.
    batch
        Which saving it came with.
    digest
        Hash over the one before it and all of this.
    """

    line: int
    event_id: str
    kind: str
    case_id: str
    at: dt.datetime
    with_time: bool
    by_role: str
    corrects: str
    payload: Mapping[str, Any]
    text: str = ""
    batch: int = 0
    digest: bytes = NOTHING

    def get(self, name: str, default: Any = "") -> Any:
        """Return a field of the payload, its declared default where it was left blank."""
        return self.payload.get(name, default)

    @property
    def dated(self) -> Dated:
        """The event as a clock sees it; a stage of works is a kind of its own."""
        kind = f"works_{self.payload['stage']}" if self.kind == "works" else self.kind
        return Dated(event_id=self.event_id, kind=kind, at=self.at, with_time=self.with_time)


def payload_text(event: Happened) -> str:
    """Return what an event says as text that is always the same for the same."""
    return as_text(own_fields(event))


_ENCODER = json.JSONEncoder(sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def as_text(content: Any) -> str:
    """Return a content as JSON that is always the same for the same."""
    return _ENCODER.encode(content)


def chained(before: bytes, landlord_id: str, home_id: str, said: Sequence[str | int]) -> bytes:
    """Return the hash of an event: over the hash before it and everything it says.

    Parameters
    ----------
    said
        Line, event's number, kind, case, role, what it corrects, payload: in that order.
    """
    return hashlib.sha256(before + as_text([landlord_id, home_id, *said]).encode()).digest()


def sealed(before: bytes, batch: int, by: str, why: str, saved_at: str, digests: Iterable[bytes]) -> bytes:
    """Return the hash of a saving: over the one before it, who and when, and all its events in any order."""
    whole = hashlib.sha256(before + as_text([batch, by, why, saved_at]).encode())
    for digest in sorted(digests):
        whole.update(digest)
    return whole.digest()


def standing(entries: Sequence[Entry]) -> list[Entry]:
    """Return the events that stand, in the order they happened: not those another stands in the place of."""
    replaced = {one.corrects for one in entries if one.corrects}
    kept = [one for one in entries if one.event_id not in replaced and one.kind != Withdrawn.kind]
    kept.sort(key=lambda one: (one.at, one.line))
    return kept


def event_of(entry: Entry, home_id: str) -> Happened:
    """Return an entry as its declared record."""
    model = EVENTS[entry.kind]
    return model(
        id=entry.event_id,
        home_id=home_id,
        case_id=entry.case_id,
        by_role=entry.by_role,
        corrects=entry.corrects,
        **entry.payload,
    )
