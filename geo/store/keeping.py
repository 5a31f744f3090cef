"""What of people has been kept for long: it is listed, and never erased by itself."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from geo.store.tables import FILE, LATEST, SAVE, SITE

OF_PEOPLE = ("account", "photo")
"""Kinds of record whose age is asked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """One thing kept since long ago.

    Parameters
    ----------
    site_id, site_name
        The site it is of.
    kind, name
        ``file`` and the file's name, or a record's kind and id.
    saved_at
        When it was last saved (UTC).
    there
        Whether it is in use; what was removed, or is of a removed site, stays in the history.
    site_changed_at
        When anything of its site was last saved (UTC).
    """

    site_id: str
    site_name: str
    kind: str
    name: str
    saved_at: datetime
    there: bool
    site_changed_at: datetime


def kept_since(connection: sa.Connection, before: datetime) -> tuple[Kept, ...]:
    """Return files, photographs and accounts last saved before a moment, site by site, the oldest first."""
    of_site = (SITE.c.site_id, SITE.c.name.label("site_name"), SITE.c.changed_at, SITE.c.removed_at)
    files = (
        sa.select(*of_site, sa.literal("file").label("kind"), FILE.c.name.label("own"), SAVE.c.saved_at)
        .add_columns(sa.true().label("there"))
        .join(FILE, FILE.c.site_id == SITE.c.site_id)
        .join(SAVE, sa.and_(SAVE.c.site_id == FILE.c.site_id, SAVE.c.version == FILE.c.version))
    )
    records = (
        sa.select(*of_site, LATEST.c.kind, LATEST.c.id.label("own"), SAVE.c.saved_at, LATEST.c.there)
        .join(LATEST, LATEST.c.site_id == SITE.c.site_id)
        .join(SAVE, sa.and_(SAVE.c.site_id == LATEST.c.site_id, SAVE.c.version == LATEST.c.version))
        .where(LATEST.c.kind.in_(OF_PEOPLE))
    )
    rows = [
        row
        for asked in (files, records)
        for row in connection.execute(asked.where(SAVE.c.saved_at < before)).all()
    ]
    found = [
        Kept(
            site_id=row.site_id,
            site_name=row.site_name,
            kind=row.kind,
            name=row.own,
            saved_at=row.saved_at,
            there=bool(row.there) and row.removed_at is None,
            site_changed_at=row.changed_at,
        )
        for row in rows
    ]
    return tuple(sorted(found, key=lambda one: (one.site_id, one.saved_at, one.kind, one.name)))
