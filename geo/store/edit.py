"""What a save comes to: changes held against what stands, told as conflicts or worked out as steps."""

from __future__ import annotations

import json
from bisect import insort
from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa

from geo.errors import InputError, Problem
from geo.site.records import KINDS
from geo.store.blobs import keep
from geo.store.changes import Change, Put, PutFile, PutGround, PutInfo, Remove
from geo.store.content import (
    FACTS,
    FILE_KIND,
    Content,
    facts_of,
    fields_of,
    place_between,
    record_of,
    shape_bytes,
    text_of,
)
from geo.store.ledger import Key, Standing, Step, standings
from geo.store.said import Conflict, StaleError, refused
from geo.store.tables import FILE, RECORD_TABLES, SAVE

RASTER = "ground.tif"


def work_out(connection: sa.Connection, site_id: str, changes: Sequence[Change]) -> list[Step]:
    """Hold changes against what stands and return the steps they come to; those that alter nothing are none.

    Raises
    ------
    StaleError
        When something stands at another version than its editor saw, unless both say the same.
    InputError
        When an id is taken by another kind, a place is after nothing, or a raster loses its facts.
    """
    changes = _with_raster(connection, site_id, changes)
    stand = standings(connection, site_id, [change.key for change in changes])
    places = _Places(connection, site_id)
    steps: list[Step] = []
    stale: list[tuple[Change, Standing | None, Content | None]] = []
    problems: list[Problem] = []
    for change in changes:
        kind, name = change.key
        now = stand.get(change.key)
        there = None if now is None else now.content
        if now is not None and there is not None and now.kind != kind:
            found = f"{name!r} is the id of a {now.kind.replace('_', ' ')}"
            problems.append(refused(kind, found, "an id only once in the whole site", "Give another id."))
            continue
        wanted = _content(connection, change)
        if isinstance(change, Put) and wanted is not None:
            try:
                place = places.wanted(change, there)
            except KeyError:
                found = f"{name!r} shall stand after {change.after!r}, which is not there"
                problems.append(refused(kind, found, "an id of its kind, or blank", "Put it elsewhere."))
                continue
            wanted = Content(text=wanted.text, shape=wanted.shape, place=place)
        if wanted is None and there is None:
            continue
        if wanted is not None and wanted.same_as(there):
            continue
        seen = now.version if now is not None and there is not None else None
        if change.base != seen:
            stale.append((change, now, wanted))
            continue
        steps.append(
            Step(
                kind=kind,
                record_id=name,
                action="remove" if wanted is None else "put",
                was=there,
                was_version=None if now is None else now.version,
                now=wanted,
            )
        )
    if problems:
        raise InputError(problems)
    if stale:
        raise StaleError(
            tuple(
                conflict_of(connection, site_id, change.key, base=change.base, mine=mine, standing=now)
                for change, now, mine in stale
            )
        )
    return steps


def conflict_of(
    connection: sa.Connection,
    site_id: str,
    key: Key,
    *,
    base: int | None,
    mine: Content | None,
    standing: Standing | None,
) -> Conflict:
    """Return both versions of one thing, with who made the one that stands."""
    version = 0 if standing is None else standing.version
    save = connection.execute(
        sa.select(SAVE).where(SAVE.c.site_id == site_id, SAVE.c.version == version)
    ).one_or_none()
    kind = key[0] if standing is None else standing.kind
    return Conflict(
        kind=key[0],
        record_id=key[1],
        base=base,
        mine=thing_of(key[0], mine),
        theirs=None if standing is None else thing_of(kind, standing.content),
        version=version,
        by="" if save is None else save.by,
        at=None if save is None else save.saved_at,
        why="" if save is None else save.why,
    )


def thing_of(kind: str, content: Content | None) -> Any:
    """Return what a content stands for: a record, facts, or the SHA-256 of a file."""
    if content is None:
        return None
    if kind in KINDS:
        return record_of(kind, content.text, content.shape)
    return facts_of(kind, content.text) if kind in FACTS else json.loads(content.text)["sha256"]


def refuse_lonely_raster(connection: sa.Connection, site: Any) -> None:
    """Refuse a raster without the facts that say what it is, or the facts without it.

    Raises
    ------
    InputError
        When there is one of the two and not the other.
    """
    asked = sa.select(FILE.c.name).where(FILE.c.site_id == site.site_id, FILE.c.name == RASTER)
    raster = connection.execute(asked).one_or_none() is not None
    if raster != (site.ground is not None):
        found = "has no facts beside it" if raster else "is missing, and its facts are there"
        mend = "Save ground.tif and the facts of the ground together."
        raise InputError([refused(RASTER, found, "both or none of the two", mend)])


def file_content(sha256: str, size: int) -> Content:
    """Return what an event says of a file."""
    return Content(text=text_of({"sha256": sha256, "bytes": size}))


def _with_raster(connection: sa.Connection, site_id: str, changes: Sequence[Change]) -> list[Change]:
    """Let the raster go with its facts, unless the same save says what becomes of it."""
    kept = list(changes)
    named = {change.key for change in changes}
    gone = any(isinstance(change, PutGround) and change.ground is None for change in changes)
    if gone and (FILE_KIND, RASTER) not in named:
        there = standings(connection, site_id, [(FILE_KIND, RASTER)]).get((FILE_KIND, RASTER))
        if there is not None and there.content is not None:
            kept.append(Remove(FILE_KIND, RASTER, there.version))
    return kept


def _content(connection: sa.Connection, change: Change) -> Content | None:
    if isinstance(change, Put):
        return Content(text=text_of(fields_of(change.record)), shape=shape_bytes(change.record.geometry))
    if isinstance(change, PutInfo):
        return Content(text=text_of(fields_of(change.info)))
    if isinstance(change, PutGround):
        return None if change.ground is None else Content(text=text_of(fields_of(change.ground)))
    if isinstance(change, PutFile):
        return file_content(keep(connection, change.content), len(change.content))
    return None


class _Places:
    """Places of the records of a kind while one save is worked out."""

    def __init__(self, connection: sa.Connection, site_id: str) -> None:
        self._connection, self._site_id = connection, site_id
        self._last: dict[str, str] = {}
        self._order: dict[str, list[tuple[str, str]]] = {}

    def wanted(self, change: Put, there: Content | None) -> str:
        """Return where a record shall stand."""
        kind, name = change.key
        if change.after is None:
            if there is not None and there.place is not None:
                return there.place
            self._last[kind] = place_between(self._last.get(kind) or self._greatest(kind), None)
            if kind in self._order:
                insort(self._order[kind], (self._last[kind], name))
            return self._last[kind]
        order = self._ordered(kind)
        order[:] = [(place, held) for place, held in order if held != name]
        at = 0
        if change.after:
            at = 1 + {held: n for n, (_, held) in enumerate(order)}[change.after]
        low = order[at - 1][0] if at else ""
        following = (place for place, _ in order[at:] if place > low)
        place = place_between(low, next(following, None))
        insort(order, (place, name))
        self._last[kind] = max(self._last.get(kind) or self._greatest(kind), place)
        return place

    def _greatest(self, kind: str) -> str:
        column = RECORD_TABLES[kind].c.row_place
        site = RECORD_TABLES[kind].c.site_id == self._site_id
        return self._connection.scalar(sa.select(sa.func.max(column)).where(site)) or ""

    def _ordered(self, kind: str) -> list[tuple[str, str]]:
        if kind not in self._order:
            table = RECORD_TABLES[kind]
            rows = self._connection.execute(
                sa.select(table.c.row_place, table.c.id).where(table.c.site_id == self._site_id)
            )
            self._order[kind] = sorted((place, name) for place, name in rows)
        return self._order[kind]
