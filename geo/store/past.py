"""What was: the history of a site, and the steps that undo a save or restore a record."""

from __future__ import annotations

import json
from typing import Any

import sqlalchemy as sa

from geo.errors import InputError
from geo.store.blobs import content_of
from geo.store.content import Content
from geo.store.edit import conflict_of, thing_of
from geo.store.entries import Event, Saved
from geo.store.ledger import Step, now_of, standings, was_of
from geo.store.said import Conflict, StaleError, StoreError, refused
from geo.store.tables import EVENT, FILE, SAVE


def history(
    connection: sa.Connection, site_id: str, record_id: str | None, *, since: int = 0
) -> tuple[Event, ...]:
    """Return the events of a site, or of one record or file of it, oldest first."""
    asked = (
        sa.select(EVENT, SAVE.c.by, SAVE.c.saved_at, SAVE.c.why, SAVE.c.undoes)
        .join(SAVE, sa.and_(SAVE.c.site_id == EVENT.c.site_id, SAVE.c.version == EVENT.c.version))
        .where(EVENT.c.site_id == site_id, EVENT.c.version > since)
        .order_by(EVENT.c.version, EVENT.c.line)
    )
    if record_id is not None:
        asked = asked.where(EVENT.c.record_id == record_id)
    return tuple(
        Event(
            site_id=row.site_id,
            save_id=int(row.version),
            kind=row.kind,
            record_id=row.record_id,
            action=row.action,
            by=row.by,
            at=row.saved_at,
            why=row.why,
            was=thing_of(row.kind, was_of(row)),
            now=thing_of(row.kind, now_of(row)),
            was_version=row.was_version,
            undoes=row.undoes,
        )
        for row in connection.execute(asked)
    )


def save_of_token(connection: sa.Connection, site_id: str, token: str) -> int | None:
    """Return the save that carried a token, or ``None``."""
    asked = sa.select(SAVE.c.version).where(SAVE.c.site_id == site_id, SAVE.c.token == token)
    return connection.scalar(asked)


def saved_of(connection: sa.Connection, site_id: str, save_id: int, *, version: int) -> Saved:
    """Return what a save of the past did."""
    asked = sa.select(EVENT.c.record_id, EVENT.c.now).where(
        EVENT.c.site_id == site_id, EVENT.c.version == save_id
    )
    there = {name: save_id for name, now in connection.execute(asked) if now is not None}
    return Saved(site_id=site_id, version=version, save_id=save_id, versions=there)


def undoing(connection: sa.Connection, site_id: str, save_id: int) -> list[Step]:
    """Return the steps that undo a save, unless later ones stand in the way.

    Raises
    ------
    StaleError
        When something it changed was changed again.
    StoreError
        When there is no such save, or it began, removed or restored the site.
    """
    rows = connection.execute(
        sa.select(EVENT)
        .where(EVENT.c.site_id == site_id, EVENT.c.version == save_id)
        .order_by(EVENT.c.line.desc())
    ).all()
    if not rows:
        raise StoreError(f"There is no save {save_id} of this site.")
    if any(row.action not in ("put", "remove") for row in rows):
        raise StoreError("This save removed or restored the whole site; do the other of the two instead.")
    if any(row.kind == "site" and row.was is None for row in rows):
        raise StoreError("This save began the site. To be rid of it, remove the site.")
    stand = standings(connection, site_id, [(row.kind, row.record_id) for row in rows])
    conflicts: list[Conflict] = []
    steps: list[Step] = []
    for row in rows:
        key = (row.kind, row.record_id)
        standing = stand[key]
        was = was_of(row)
        if standing.version != save_id:
            conflicts.append(conflict_of(connection, site_id, key, base=save_id, mine=was, standing=standing))
            continue
        steps.append(_step(key, was, standing.content, standing.version))
    if conflicts:
        raise StaleError(tuple(conflicts))
    return steps


def restoring(connection: sa.Connection, site_id: str, record_id: str, version: int) -> list[Step]:
    """Return the step that brings something back to what it was at a version; none when it is that now.

    Raises
    ------
    StoreError
        When it had no such version, or was removed by it.
    InputError
        When its id now belongs to a record of another kind.
    """
    row = connection.execute(
        sa.select(EVENT)
        .where(EVENT.c.site_id == site_id, EVENT.c.record_id == record_id, EVENT.c.version <= version)
        .where(EVENT.c.action.in_(("put", "remove")))
        .order_by(EVENT.c.version.desc(), EVENT.c.line.desc())
        .limit(1)
    ).one_or_none()
    if row is None:
        raise StoreError(f"{record_id[:80]!r} had no version {version}.")
    wanted = now_of(row)
    if wanted is None:
        raise StoreError(f"{record_id[:80]!r} was not there at version {version}: it was removed before.")
    key = (row.kind, row.record_id)
    standing = standings(connection, site_id, [key])[key]
    if standing.content is not None and standing.kind != row.kind:
        found = f"{record_id!r} is now the id of a {standing.kind.replace('_', ' ')}"
        mend = "Give that one another id first."
        raise InputError([refused(row.kind, found, "an id only once in the whole site", mend)])
    if wanted.same_as(standing.content):
        return []
    return [_step(key, wanted, standing.content, standing.version)]


def _step(key: tuple[str, str], now: Content | None, was: Content | None, was_version: int) -> Step:
    action = "remove" if now is None else "put"
    return Step(kind=key[0], record_id=key[1], action=action, was=was, was_version=was_version, now=now)


def file_of(connection: sa.Connection, site_id: str, name: str) -> bytes:
    """Return a file of a site."""
    asked = sa.select(FILE.c.sha256).where(FILE.c.site_id == site_id, FILE.c.name == name)
    sha256 = connection.scalar(asked)
    if sha256 is None:
        raise StoreError(f"This site has no file {name[:80]!r}.")
    return content_of(connection, sha256)


def fields_in(content: Content) -> dict[str, Any]:
    """Return the fields a content holds."""
    found: dict[str, Any] = json.loads(content.text)
    return found
