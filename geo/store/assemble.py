"""A site put together from the store: the same object a site folder gives."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import sqlalchemy as sa

from geo.errors import InputError
from geo.site.model import GroundInfo, Site, SiteInfo
from geo.site.records import KINDS, Record
from geo.site.tables import write_geojson
from geo.store.blobs import contents_of, lay_out
from geo.store.changes import RASTERS, reference_with
from geo.store.content import (
    CHANGES,
    GROUND_FILE,
    LIMITS_FILE,
    SITE_FILE,
    Content,
    digest_of,
    facts_of,
    made,
    starts,
    toml_bytes,
)
from geo.store.said import StoreError, refused
from geo.store.tables import AS_READ, EVENT, FILE, LATEST, RECORD_TABLES, SITE

Line = tuple[str, str, bytes, Record]
"""Place, id and digest of a record, and the record."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Assembled:
    """A site at one version, with what is needed to bring it along to the next."""

    version: int
    site: Site
    lines: Mapping[str, Sequence[Line]]


def assemble(
    connection: sa.Connection, site_id: str, *, cache: Path, before: Assembled | None = None
) -> Assembled:
    """Put a site together; records that did not change since ``before`` are taken from there.

    Raises
    ------
    StoreError
        When there is no such site.
    """
    row = connection.execute(sa.select(SITE).where(SITE.c.site_id == site_id)).one_or_none()
    if row is None:
        raise StoreError(f"There is no site {site_id[:80]!r} in this workspace.")
    if before is not None and before.version == row.version and before.site.folder.is_dir():
        return before
    if before is None:
        lines = {kind: _read_lines(connection, site_id, kind) for kind in _kinds(connection, site_id)}
    else:
        lines = _brought_along(connection, site_id, before)
    records = {kind: tuple(line[3] for line in lines.get(kind, ())) for kind in KINDS}
    digests = {kind: digest_of(line[2] for line in lines.get(kind, ())) for kind in KINDS}
    files = _file_names(connection, site_id)
    info = facts_of("site", row.info)
    ground = None if row.ground is None else facts_of("ground", row.ground)
    if not isinstance(info, SiteInfo) or not isinstance(ground, GroundInfo | None):
        raise StoreError(f"The facts of the site {site_id!r} cannot be read. Run: wallfoot store verify")
    digests |= {
        "site": Content(text=row.info).digest,
        "ground": b"" if row.ground is None else Content(text=row.ground).digest,
    }
    read, texts = _texts(connection, site_id, records, digests, info=info, ground=ground)
    for name in CHANGES:
        if name in files:
            texts[name] = contents_of(connection, [files[name]])[files[name]]
    site = Site(
        folder=lay_out(connection, files, cache),
        info=info,
        ground=ground,
        records=records,
        read={kind: records[kind] for kind in read},
        rows=_rows(records, texts),
        files=texts,
        reference=reference_with(texts.get(LIMITS_FILE)),
        digest=_whole_digest(digests, files),
    )
    return Assembled(version=int(row.version), site=site, lines=lines)


def ready_to_write(connection: sa.Connection, site_id: str, site: Site) -> Site:
    """Return a site with everything its folder shall hold besides rasters and photographs.

    Raises
    ------
    InputError
        When a layer holds drawn and undrawn records, which no file of the folder can.
    """
    files = _file_names(connection, site_id)
    others = {name: sha256 for name, sha256 in files.items() if name not in RASTERS and "/" not in name}
    held = contents_of(connection, others.values())
    texts = dict(site.files) | {name: held[sha256] for name, sha256 in others.items()}
    read = dict(site.read)
    problems = []
    for kind, model in KINDS.items():
        drawn = [record.geometry is not None for record in site.of(kind)]
        if kind in read or not any(drawn):
            continue
        name = f"{model.stem}.geojson"
        if model.shape and not all(drawn):
            undrawn = next(record.id for record in site.of(kind) if record.geometry is None)
            found = f"{undrawn!r} is not drawn, and others are"
            problems.append(refused(name, found, "all of them drawn, or none", "Draw it, or take it out."))
        elif not model.shape and name in texts and all(drawn):
            texts[name] = write_geojson(site.of(kind), model, crs=site.crs)
            read[kind] = site.of(kind)
    if problems:
        raise InputError(problems)
    return replace(site, files=texts, read=read)


def _file_names(connection: sa.Connection, site_id: str) -> dict[str, str]:
    """Return the SHA-256 of every file of a site by its name."""
    rows = connection.execute(sa.select(FILE.c.name, FILE.c.sha256).where(FILE.c.site_id == site_id))
    return {row.name: row.sha256 for row in rows}


def _kinds(connection: sa.Connection, site_id: str) -> list[str]:
    """Return the kinds a site has records of."""
    asked = sa.select(LATEST.c.kind).where(LATEST.c.site_id == site_id, LATEST.c.there).distinct()
    return list(connection.scalars(asked))


def _brought_along(connection: sa.Connection, site_id: str, before: Assembled) -> dict[str, Sequence[Line]]:
    """Return the lines of a site, those of records that did not change taken from before."""
    touched: dict[str, set[str]] = defaultdict(set)
    asked = sa.select(EVENT.c.kind, EVENT.c.record_id).where(
        EVENT.c.site_id == site_id, EVENT.c.version > before.version
    )
    for kind, name in connection.execute(asked):
        touched[kind].add(name)
    lines = dict(before.lines)
    for kind in touched.keys() & KINDS.keys():
        new = _read_lines(connection, site_id, kind, since=before.version)
        old = [line for line in before.lines.get(kind, ()) if line[1] not in touched[kind]]
        lines[kind] = sorted([*old, *new], key=_order)
    return lines


def _read_lines(connection: sa.Connection, site_id: str, kind: str, *, since: int = 0) -> Sequence[Line]:
    """Return the lines of a kind in their order, or of those changed after a version."""
    model, table = KINDS[kind], RECORD_TABLES[kind]
    names = list(starts(model))
    asked = sa.select(*(table.c[name] for name in (*names, "shape", "row_digest", "row_place")))
    rows = connection.execute(asked.where(table.c.site_id == site_id, table.c.row_version > since)).all()
    at, width = names.index("id"), len(names) + 1
    fields = (*names, "geometry")
    lines: list[Line] = [
        (row[-1], row[at], bytes(row[-2]), made(model, dict(zip(fields, row[:width], strict=True))))
        for row in rows
    ]
    return sorted(lines, key=_order)


def _order(line: Line) -> tuple[str, str]:
    return line[0], line[1]


def _texts(
    connection: sa.Connection,
    site_id: str,
    records: Mapping[str, tuple[Record, ...]],
    digests: Mapping[str, bytes],
    *,
    info: SiteInfo,
    ground: GroundInfo | None,
) -> tuple[set[str], dict[str, bytes]]:
    """Return the kinds that stand as they were read, and the bytes of every text file by name.

    A file whose records have changed since keeps its name here, so that they are written back in its
    form; its bytes are then not used.
    """
    kept = connection.execute(sa.select(AS_READ).where(AS_READ.c.site_id == site_id)).all()
    held = contents_of(connection, [row.sha256 for row in kept])
    texts: dict[str, bytes] = {}
    read: set[str] = set()
    for row in kept:
        if row.kind in ("site", "ground"):
            if bytes(row.digest) == digests[row.kind]:
                texts[row.name] = held[row.sha256]
        elif row.kind in records:
            texts[row.name] = held[row.sha256]
            if bytes(row.digest) == digests[row.kind]:
                read.add(row.kind)
    texts.setdefault(SITE_FILE, toml_bytes(info))
    if ground is not None:
        texts.setdefault(GROUND_FILE, toml_bytes(ground))
    return read, texts


def _rows(
    records: Mapping[str, tuple[Record, ...]], texts: Mapping[str, bytes]
) -> dict[str, tuple[str, int]]:
    """Return file and row of every record, as the handed-out folder has them."""
    rows: dict[str, tuple[str, int]] = {}
    for kind, some in records.items():
        model = KINDS[kind]
        drawn = f"{model.stem}.geojson"
        as_shapes = drawn in texts or bool(model.shape)
        name, first = (drawn, 1) if as_shapes else (f"{model.stem}.csv", 2)
        rows |= {record.id: (name, row) for row, record in enumerate(some, start=first)}
    return rows


def _whole_digest(digests: Mapping[str, bytes], files: Mapping[str, str]) -> str:
    """Return the data version: facts, records in their order, limits and rasters; not photographs."""
    whole = hashlib.sha256()
    for name in ("site", "ground", *KINDS):
        whole.update(name.encode() + b"\0" + digests[name])
    for name in (*CHANGES, *RASTERS):
        if name in files:
            whole.update(name.encode() + b"\0" + files[name].encode())
    return whole.hexdigest()
