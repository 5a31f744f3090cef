"""Is the store sound: its pages, its files, and its tables held against the events they follow from."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely
import sqlalchemy as sa
from pydantic import ValidationError

from geo.errors import Problem
from geo.site.records import KINDS
from geo.store.blobs import pieces
from geo.store.content import FACTS, FILE_KIND, Content, record_of
from geo.store.ledger import Key, now_of, record_rows, srid_of, was_of
from geo.store.said import refused
from geo.store.tables import AS_READ, BLOB, EVENT, FILE, LATEST, RECORD_TABLES, SAVE, SITE

MEND = "Open the last back-up that verifies; hand the sites out as folders first."


def verify(connection: sa.Connection) -> tuple[Problem, ...]:
    """Return everything that is not as it should be: an empty answer is a sound store."""
    problems = [*_pages(connection), *_blobs(connection)]
    for (site_id,) in connection.execute(sa.select(SITE.c.site_id).order_by(SITE.c.site_id)).all():
        problems += _site(connection, site_id)
    return tuple(problems)


def replayed(
    connection: sa.Connection, site_id: str
) -> tuple[dict[Key, tuple[int, Content | None]], list[str]]:
    """Replay the events of a site.

    Returns
    -------
    What stands by kind and id with its version, and the places where an event does not follow from the
    one before.
    """
    state: dict[Key, tuple[int, Content | None]] = {}
    breaks: list[str] = []
    events = connection.execute(
        sa.select(EVENT).where(EVENT.c.site_id == site_id).order_by(EVENT.c.version, EVENT.c.line)
    )
    for row in events:
        key, was, now = (row.kind, row.record_id), was_of(row), now_of(row)
        stood = state.get(key, (None, None))[1]
        if not (was is None and stood is None) and not (was is not None and was.same_as(stood)):
            breaks.append(
                f"save {row.version} of {row.record_id!r} does not follow from what stood before it"
            )
        if row.action in ("put", "remove"):
            state[key] = (int(row.version), now)
    return state, breaks


def _pages(connection: sa.Connection) -> Iterator[Problem]:
    if connection.dialect.name != "sqlite":
        return
    said = [str(row[0]) for row in connection.exec_driver_sql("pragma integrity_check")]
    if said != ["ok"]:
        yield refused("workspace", f"its pages are damaged ({'; '.join(said)[:200]})", "a sound file", MEND)
    for row in connection.exec_driver_sql("pragma foreign_key_check"):
        yield refused(
            str(row[0]), f"a row names a {row[2]} that is not there", "rows that hold together", MEND
        )


def _blobs(connection: sa.Connection) -> Iterator[Problem]:
    for sha256, size in connection.execute(sa.select(BLOB.c.sha256, BLOB.c.bytes_count)).all():
        seen, length = hashlib.sha256(), 0
        for piece in pieces(connection, sha256):
            seen.update(piece)
            length += len(piece)
        if seen.hexdigest() != sha256 or length != size:
            yield refused(f"file {sha256[:12]}…", "is not what its hash says", "the bytes once sent", MEND)


def _site(connection: sa.Connection, site_id: str) -> Iterator[Problem]:
    state, breaks = replayed(connection, site_id)
    for broken in breaks:
        yield refused(site_id, broken, "a chain of events", MEND)
    site = connection.execute(sa.select(SITE).where(SITE.c.site_id == site_id)).one()
    saves = list(
        connection.scalars(
            sa.select(SAVE.c.version).where(SAVE.c.site_id == site_id).order_by(SAVE.c.version)
        )
    )
    if saves != list(range(1, int(site.version) + 1)):
        yield refused(site_id, "saves are missing or too many", f"saves 1 to {site.version}", MEND)
    there = {key: (version, now) for key, (version, now) in state.items() if now is not None}
    yield from _facts(site, there)
    yield from _files(connection, site_id, there)
    yield from _latest(connection, site_id, state)
    kinds: dict[str, dict[str, tuple[int, Content]]] = defaultdict(dict)
    for (kind, name), held in there.items():
        if kind in KINDS:
            kinds[kind][name] = held
        elif kind not in FACTS and kind != FILE_KIND:
            yield refused(site_id, f"holds a record of kind {kind!r}", "a declared kind", MEND)
    if sum(map(len, kinds.values())) != site.records_count:
        yield refused(site_id, f"counts {site.records_count} records", "as many as its events leave", MEND)
    for kind in KINDS:
        yield from _records(connection, site_id, kind, kinds[kind], srid=srid_of(site.info))


def _facts(site: Any, there: dict[Key, tuple[int, Content]]) -> Iterator[Problem]:
    for kind, text, version in (
        ("site", site.info, site.info_version),
        ("ground", site.ground, site.ground_version),
    ):
        held = next((held for key, held in there.items() if key[0] == kind), None)
        if text != (None if held is None else held[1].text) or (held is not None and version != held[0]):
            yield refused(f"{site.site_id}, {kind}", "is not what its events say", "their last", MEND)


def _files(
    connection: sa.Connection, site_id: str, there: dict[Key, tuple[int, Content]]
) -> Iterator[Problem]:
    table = {
        row.name: (int(row.version), row.sha256)
        for row in connection.execute(sa.select(FILE).where(FILE.c.site_id == site_id))
    }
    events = {
        name: (version, json.loads(now.text)["sha256"])
        for (kind, name), (version, now) in there.items()
        if kind == FILE_KIND
    }
    for name in sorted(table.keys() | events.keys()):
        if table.get(name) != events.get(name):
            yield refused(f"{site_id}, {name}", "is not the file its events say", "their last", MEND)
    held = set(connection.scalars(sa.select(BLOB.c.sha256)))
    named = {sha256 for _, sha256 in events.values()}
    named |= set(connection.scalars(sa.select(AS_READ.c.sha256).where(AS_READ.c.site_id == site_id)))
    for sha256 in sorted(named - held):
        yield refused(f"{site_id}, file {sha256[:12]}…", "is missing", "every file named", MEND)


def _latest(
    connection: sa.Connection, site_id: str, state: dict[Key, tuple[int, Content | None]]
) -> Iterator[Problem]:
    last: dict[str, tuple[str, int, bool]] = {}
    for (kind, name), (version, now) in state.items():
        if kind in KINDS and (name not in last or last[name][1] < version):
            last[name] = (kind, version, now is not None)
    table = {
        row.id: (row.kind, int(row.version), bool(row.there))
        for row in connection.execute(sa.select(LATEST).where(LATEST.c.site_id == site_id))
    }
    for name in sorted(table.keys() | last.keys()):
        if table.get(name) != last.get(name):
            yield refused(f"{site_id}, {name}", "its version is not what its events say", "their last", MEND)


def _records(
    connection: sa.Connection,
    site_id: str,
    kind: str,
    contents: dict[str, tuple[int, Content]],
    *,
    srid: int,
) -> Iterator[Problem]:
    table = RECORD_TABLES[kind]
    rows = {
        row.id: dict(row._mapping)  # noqa: SLF001 - its public name in SQLAlchemy
        for row in connection.execute(sa.select(table).where(table.c.site_id == site_id))
    }
    wanted = {row["id"]: row for row in record_rows(site_id, kind, contents, srid=srid)}
    for name in sorted(rows.keys() | wanted.keys()):
        if not _same(rows.get(name), wanted.get(name)):
            yield refused(f"{site_id}, {name}", f"the {kind} is not what its events say", "their last", MEND)
    for name, (_, content) in contents.items():
        try:
            KINDS[kind].model_validate(record_of(kind, content.text, content.shape).__dict__)
        except ValidationError as error:
            said = "; ".join(f"{detail['loc']}: {detail['msg']}" for detail in error.errors())
            mend = "Correct the record: its declaration has changed since it was saved."
            yield refused(f"{site_id}, {name}", said[:300], "what its declaration allows", mend)


def _same(row: dict[str, Any] | None, wanted: dict[str, Any] | None) -> bool:
    if row is None or wanted is None:
        return False
    plain = {key: value for key, value in row.items() if key not in ("shape", "row_digest")}
    if any(value != wanted[key] for key, value in plain.items()):
        return False
    drawn = np.array([row["shape"], wanted["shape"]], dtype=object)
    shapes = shapely.to_wkb(shapely.set_srid(drawn, 0))
    return bool(bytes(row["row_digest"]) == wanted["row_digest"] and shapes[0] == shapes[1])
