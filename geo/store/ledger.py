"""The one way anything is changed: events are added, and the tables that follow from them brought along."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import shapely
import sqlalchemy as sa
from pyproj import CRS

from geo.site.records import KINDS
from geo.store.blobs import batches
from geo.store.content import FACTS, FILE_KIND, Content, bounds_of, starts
from geo.store.said import StoreError
from geo.store.tables import EVENT, FILE, LATEST, RECORD_TABLES, SAVE, SITE

Key = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Step:
    """One change of one thing, worked out and not yet written."""

    kind: str
    record_id: str
    action: str
    was: Content | None
    was_version: int | None
    now: Content | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Standing:
    """How one thing stands: its last version, what it holds (``None``: removed), its kind."""

    kind: str
    version: int
    content: Content | None


def lock_site(connection: sa.Connection, site_id: str, *, removed: bool = False) -> Any:
    """Take the right to change a site and return its row.

    Raises
    ------
    StoreError
        When there is no such site, or (unless ``removed``) it was removed.
    """
    row = connection.execute(sa.select(SITE).where(SITE.c.site_id == site_id).with_for_update()).one_or_none()
    if row is None:
        raise StoreError(f"There is no site {site_id[:80]!r} in this workspace.")
    if row.removed_at is not None and not removed:
        raise StoreError(f"The site {row.name!r} was removed. Restore it first.")
    return row


def standings(connection: sa.Connection, site_id: str, keys: Iterable[Key]) -> dict[Key, Standing]:
    """Return how things stand; those a site never had are left out.

    Records are looked up by id alone, since an id is used once in a whole site: the answer is under the
    key that was asked for and names the kind it really has.
    """
    asked = list(keys)
    ids = {name: (kind, name) for kind, name in asked if kind in KINDS}
    found: dict[Key, Standing] = {}
    for some in batches(list(ids)):
        rows = connection.execute(
            sa.select(LATEST.c.kind, LATEST.c.version, *_NOW)
            .join(
                EVENT,
                sa.and_(
                    EVENT.c.site_id == LATEST.c.site_id,
                    EVENT.c.record_id == LATEST.c.id,
                    EVENT.c.version == LATEST.c.version,
                    EVENT.c.kind == LATEST.c.kind,
                ),
            )
            .where(LATEST.c.site_id == site_id, LATEST.c.id.in_(some))
        )
        for row in rows:
            found[ids[row.record_id]] = Standing(kind=row.kind, version=row.version, content=now_of(row))
    for kind, name in asked:
        if kind in KINDS:
            continue
        last = connection.execute(
            sa.select(EVENT.c.version, *_NOW)
            .where(EVENT.c.site_id == site_id, EVENT.c.record_id == name, EVENT.c.kind == kind)
            .where(EVENT.c.action.in_(("put", "remove")))
            .order_by(EVENT.c.version.desc())
            .limit(1)
        ).one_or_none()
        if last is not None:
            found[kind, name] = Standing(kind=kind, version=last.version, content=now_of(last))
    return found


_NOW = (EVENT.c.record_id, EVENT.c.now, EVENT.c.now_shape, EVENT.c.now_place)


def now_of(row: Any) -> Content | None:
    """Return what an event's row says stood after it."""
    return None if row.now is None else Content(text=row.now, shape=row.now_shape, place=row.now_place)


def was_of(row: Any) -> Content | None:
    """Return what an event's row says stood before it."""
    return None if row.was is None else Content(text=row.was, shape=row.was_shape, place=row.was_place)


def append(
    connection: sa.Connection,
    site: Any,
    steps: Sequence[Step],
    *,
    by: str,
    why: str = "",
    undoes: int | None = None,
    token: str | None = None,
) -> int:
    """Add one save with its events to a locked site, bring its tables along, and return the new version."""
    version = int(site.version) + 1
    at = datetime.now(UTC)
    connection.execute(
        SAVE.insert().values(
            site_id=site.site_id,
            version=version,
            saved_at=at,
            by=by.strip(),
            why=why.strip(),
            undoes=undoes,
            token=token,
        )
    )
    connection.execute(EVENT.insert(), event_rows(site.site_id, version, steps))
    bring_along(connection, site, version, steps, at=at)
    return version


def event_rows(site_id: str, version: int, steps: Sequence[Step]) -> list[dict[str, Any]]:
    """Return the rows of the events of one save."""
    nothing = Content(text="")
    rows = []
    for line, step in enumerate(steps):
        was, now = step.was or nothing, step.now or nothing
        rows.append(
            {
                "site_id": site_id,
                "version": version,
                "line": line,
                "kind": step.kind,
                "record_id": step.record_id,
                "action": step.action,
                "was_version": step.was_version,
                "was": was.text or None,
                "was_shape": was.shape,
                "was_place": was.place,
                "now": now.text or None,
                "now_shape": now.shape,
                "now_place": now.place,
            }
        )
    return rows


def bring_along(
    connection: sa.Connection, site: Any, version: int, steps: Sequence[Step], *, at: datetime
) -> None:
    """Bring the tables that follow from events to where a site's new events lead."""
    changed: dict[str, Any] = {"version": version, "changed_at": at}
    records: dict[str, list[Step]] = defaultdict(list)
    for step in steps:
        if step.kind in KINDS:
            records[step.kind].append(step)
        elif step.kind == FILE_KIND:
            _bring_file(connection, site.site_id, version, step)
        elif step.action == "remove_site":
            changed["removed_at"] = at
        elif step.action == "restore_site":
            changed["removed_at"] = None
        else:
            changed |= facts_columns(step.kind, step.now, version)
    info = changed.get("info", site.info)
    srid = srid_of(info)
    if srid != srid_of(site.info):
        _renumber(connection, site.site_id, srid)
    more = 0
    for kind, some in records.items():
        _bring_records(connection, site.site_id, version, kind, some, srid=srid)
        more += sum(step.now is not None for step in some) - sum(step.was is not None for step in some)
    changed["records_count"] = int(site.records_count) + more
    connection.execute(SITE.update().where(SITE.c.site_id == site.site_id).values(**changed))


def facts_columns(kind: str, now: Content | None, version: int) -> dict[str, Any]:
    """Return the columns of ``site`` that the site's or the ground's facts fill."""
    if kind not in FACTS:
        raise StoreError(f"The store holds an event of a kind nobody knows ({kind!r}).")
    if kind == "ground":
        return {"ground": None if now is None else now.text, "ground_version": version}
    text = "" if now is None else now.text
    return {"info": text, "info_version": version, "name": json.loads(text).get("name", "")}


def srid_of(info_text: str) -> int:
    """Return the number of a site's grid, 0 for a local one or one without a number."""
    stated = json.loads(info_text).get("crs", "local")
    return 0 if stated == "local" else int(CRS.from_user_input(stated).to_epsg() or 0)


def record_rows(
    site_id: str, kind: str, contents: Mapping[str, tuple[int, Content]], *, srid: int
) -> list[dict[str, Any]]:
    """Return the rows of a kind's table for contents by record id, each with its version."""
    empty = starts(KINDS[kind])
    shapes = [
        None if content.shape is None else shapely.set_srid(shapely.from_wkb(content.shape), srid)
        for _, content in contents.values()
    ]
    rows = []
    for (name, (version, content)), shape, edges in zip(
        contents.items(), shapes, bounds_of(shapes), strict=True
    ):
        held = json.loads(content.text)
        row = {column: held.get(column, start) for column, start in empty.items()}
        row |= {
            "site_id": site_id,
            "id": name,
            "row_version": version,
            "row_place": content.place or "",
            "row_digest": content.digest,
            "shape": shape,
        }
        row |= zip(("x0", "y0", "x1", "y1"), edges, strict=True)
        rows.append(row)
    return rows


def _bring_records(
    connection: sa.Connection, site_id: str, version: int, kind: str, steps: list[Step], *, srid: int
) -> None:
    table = RECORD_TABLES[kind]
    known = [step.record_id for step in steps if step.was_version is not None]
    for some in batches(known):
        connection.execute(table.delete().where(table.c.site_id == site_id, table.c.id.in_(some)))
        connection.execute(LATEST.delete().where(LATEST.c.site_id == site_id, LATEST.c.id.in_(some)))
    now = {step.record_id: (version, step.now) for step in steps if step.now is not None}
    if now:
        connection.execute(table.insert(), record_rows(site_id, kind, now, srid=srid))
    connection.execute(
        LATEST.insert(),
        [
            {
                "site_id": site_id,
                "id": step.record_id,
                "kind": kind,
                "version": version,
                "there": step.now is not None,
            }
            for step in steps
        ],
    )


def _bring_file(connection: sa.Connection, site_id: str, version: int, step: Step) -> None:
    connection.execute(FILE.delete().where(FILE.c.site_id == site_id, FILE.c.name == step.record_id))
    if step.now is not None:
        sha256 = json.loads(step.now.text)["sha256"]
        connection.execute(
            FILE.insert().values(site_id=site_id, name=step.record_id, sha256=sha256, version=version)
        )


def _renumber(connection: sa.Connection, site_id: str, srid: int) -> None:
    """Give a site's shapes the number of the grid it is now said to be in; no coordinate moves."""
    for kind in connection.scalars(
        sa.select(LATEST.c.kind).where(LATEST.c.site_id == site_id, LATEST.c.there).distinct()
    ).all():
        table = RECORD_TABLES[kind]
        rows = connection.execute(
            sa.select(table.c.id, table.c.shape).where(table.c.site_id == site_id, table.c.shape.is_not(None))
        ).all()
        moved = [{"own": row.id, "drawn": shapely.set_srid(row.shape, srid)} for row in rows]
        if moved:
            connection.execute(
                table.update()
                .where(table.c.site_id == site_id, table.c.id == sa.bindparam("own"))
                .values(shape=sa.bindparam("drawn", type_=table.c.shape.type)),
                moved,
            )
