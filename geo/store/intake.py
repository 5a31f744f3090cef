"""A site folder taken in: every record, every fact, every file with its bytes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from geo.errors import InputError
from geo.site.folder import FILE_FOLDERS
from geo.site.model import Site
from geo.site.records import KINDS
from geo.store.blobs import keep
from geo.store.changes import KEPT_APART, safe_name
from geo.store.content import (
    FILE_KIND,
    GROUND_FILE,
    SITE_FILE,
    Content,
    digest_of,
    fields_of,
    place_of,
    shape_bytes,
    text_of,
)
from geo.store.edit import file_content
from geo.store.ledger import Step
from geo.store.said import refused


def site_steps(connection: sa.Connection, site: Site) -> tuple[list[Step], list[dict[str, Any]]]:
    """Return the steps that take a site in, and the rows that remember its text files.

    Raises
    ------
    InputError
        When a file of its folder cannot be kept: too large, a link, or of a name other machines refuse.
    """
    facts = {"site": Content(text=text_of(fields_of(site.info)))}
    if site.ground is not None:
        facts["ground"] = Content(text=text_of(fields_of(site.ground)))
    names = {"site": SITE_FILE, "ground": GROUND_FILE}
    steps = [_step(kind, names[kind], now) for kind, now in facts.items()]
    digests = {kind: now.digest for kind, now in facts.items()}
    for kind in KINDS:
        contents = [
            Content(
                text=text_of(fields_of(record)), shape=shape_bytes(record.geometry), place=place_of(number)
            )
            for number, record in enumerate(site.of(kind), start=1)
        ]
        digests[kind] = digest_of(content.digest for content in contents)
        steps += [_step(kind, record.id, now) for record, now in zip(site.of(kind), contents, strict=True)]
    stems = {names["site"]: "site", names["ground"]: "ground"}
    stems |= {f"{model.stem}.{end}": kind for kind, model in KINDS.items() for end in ("csv", "geojson")}
    as_read = [
        {
            "name": name,
            "kind": stems[name],
            "digest": digests[stems[name]],
            "sha256": keep(connection, content),
        }
        for name, content in site.files.items()
        if name in stems and stems[name] in digests and _as_it_was(site, stems[name])
    ]
    most = site.reference.value("input.max_file_mb")
    problems = []
    for name, path in _files(site.folder):
        if name in KEPT_APART:
            continue
        found = ""
        if path.is_symlink() or not path.is_file():
            found = "is no plain file"
        elif not safe_name(name):
            found = "has a name that other machines refuse"
        elif path.stat().st_size > most * 1e6:
            found = f"is {path.stat().st_size / 1e6:.0f} MB; at most {most:g} MB is kept"
        if found:
            mend = "Take it out of the folder, rename it, or make it smaller."
            problems.append(refused(name, found, "plain files of plain names", mend))
            continue
        content = path.read_bytes()
        steps.append(_step(FILE_KIND, name, file_content(keep(connection, content), len(content))))
    if problems:
        raise InputError(problems)
    return steps, as_read


def _step(kind: str, name: str, now: Content) -> Step:
    return Step(kind=kind, record_id=name, action="put", was=None, was_version=None, now=now)


def _as_it_was(site: Site, kind: str) -> bool:
    return kind not in KINDS or site.read.get(kind) == site.records.get(kind)


def _files(folder: Path) -> Iterator[tuple[str, Path]]:
    """Give every file of a site folder with its name in it; hidden ones and other folders are not its own."""
    if not folder.is_dir():
        return
    for path in sorted(folder.iterdir()):
        if path.name.startswith((".", "~")):
            continue
        if path.name in FILE_FOLDERS and path.is_dir() and not path.is_symlink():
            for inside in sorted(path.rglob("*")):
                if not inside.is_dir() or inside.is_symlink():
                    yield inside.relative_to(folder).as_posix(), inside
        elif not path.is_dir():
            yield path.name, path
