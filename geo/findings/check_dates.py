"""Dates that exist, and times that follow one another as they must."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime

from geo.errors import Problem
from geo.findings.check_said import at
from geo.site.fields import type_of
from geo.site.model import Site
from geo.site.records import KINDS

PAIRS = {
    "visit": ("arrived_at", "left_at"),
    "trial": ("started_at", "stopped_at"),
    "event": ("began_at", "ended_at"),
    "account": ("about_from", "about_to"),
    "drying_log": ("began_at", "ended_at"),
}
"""Which moment of a record may not come after which."""


def real_dates(site: Site) -> Iterator[Problem]:
    """Ask of every date and time that there is one such: no 31st of June, no 25 o'clock."""
    for kind, model in KINDS.items():
        names = [name for name, field in model.model_fields.items() if type_of(field) in ("date", "moment")]
        for record in site.of(kind) if names else ():
            for name in names:
                said = getattr(record, name)
                if said and parsed(said) is None:
                    yield at(
                        site,
                        record.id,
                        name,
                        kind,
                        found=f"{said!r} is no date or time there is",
                        allowed="a date of the calendar, and a time from 00:00 to 23:59",
                        mend="Correct the day, the month or the time.",
                    )


def in_order_of_time(site: Site) -> Iterator[Problem]:
    """Hold starts against ends."""
    for kind, (first, last) in PAIRS.items():
        for record in site.of(kind):
            begun, ended = getattr(record, first), getattr(record, last)
            if after(begun, ended):
                yield at(
                    site,
                    record.id,
                    last,
                    kind,
                    found=f"{ended} is before {first} {begun}",
                    allowed=f"a time at or after {first}",
                    mend="One of the two is a slip, or of another day.",
                )


def after(first: str, last: str) -> bool:
    """Return whether one date or time surely comes after another; blank, or of another kind, is not sure."""
    one, other = parsed(first), parsed(last)
    if one is None or other is None:
        return False
    if isinstance(one, datetime) and isinstance(other, datetime) and bool(one.tzinfo) == bool(other.tzinfo):
        return one > other
    return first[:10] > last[:10]


def parsed(said: str) -> date | datetime | None:
    """Return a date or a time, or ``None`` where there is no such."""
    try:
        return datetime.fromisoformat(said) if "T" in said else date.fromisoformat(said)
    except ValueError:
        return None
