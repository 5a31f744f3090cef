"""Files kept byte for byte in the database, by their hash, in pieces; laid out in a folder to be read."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from geo.store.said import StoreError
from geo.store.tables import BLOB, CHUNK

PIECE = 1 << 20
MANY = 400
"""Names in one statement; every database takes that many."""


def keep(connection: sa.Connection, content: bytes) -> str:
    """Keep a content once, however often it is sent, and return its SHA-256."""
    name = hashlib.sha256(content).hexdigest()
    insert = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    new = connection.scalar(
        insert(BLOB)
        .values(sha256=name, bytes_count=len(content))
        .on_conflict_do_nothing()
        .returning(BLOB.c.sha256)
    )
    if new is not None:
        for line, start in enumerate(range(0, len(content), PIECE)):
            piece = content[start : start + PIECE]
            connection.execute(CHUNK.insert().values(sha256=name, line=line, content=piece))
    return name


def content_of(connection: sa.Connection, sha256: str) -> bytes:
    """Return a kept content.

    Raises
    ------
    StoreError
        When it is not there, or is not what its hash says.
    """
    whole = b"".join(pieces(connection, sha256))
    if hashlib.sha256(whole).hexdigest() != sha256:
        raise StoreError(f"A file kept in the store is damaged ({sha256[:12]}…). Open the last back-up.")
    return whole


def contents_of(connection: sa.Connection, names: Iterable[str]) -> dict[str, bytes]:
    """Return several kept contents by their hash."""
    wanted = sorted(set(names))
    held: dict[str, list[bytes]] = {name: [] for name in wanted}
    for some in batches(wanted):
        rows = connection.execute(
            sa.select(CHUNK.c.sha256, CHUNK.c.content)
            .where(CHUNK.c.sha256.in_(some))
            .order_by(CHUNK.c.sha256, CHUNK.c.line)
        )
        for name, piece in rows:
            held[name].append(piece)
    return {name: b"".join(parts) for name, parts in held.items()}


def pieces(connection: sa.Connection, sha256: str) -> Iterator[bytes]:
    """Give a kept content piece by piece."""
    for (piece,) in connection.execute(
        sa.select(CHUNK.c.content).where(CHUNK.c.sha256 == sha256).order_by(CHUNK.c.line)
    ):
        yield bytes(piece)


def batches(names: list[str]) -> Iterator[list[str]]:
    """Give names in lots one statement can hold."""
    for start in range(0, len(names), MANY):
        yield names[start : start + MANY]


def lay_out(connection: sa.Connection, files: Mapping[str, str], cache: Path) -> Path:
    """Lay files out in a folder named after what they are, and return it.

    Parameters
    ----------
    files
        SHA-256 of each file by its name in the site folder.
    cache
        Where such folders are made; a content that several sites or versions share is there once.
    """
    listed = "".join(f"{name}\0{files[name]}\n" for name in sorted(files))
    folder = cache / "sites" / hashlib.sha256(listed.encode()).hexdigest()[:32]
    if folder.is_dir():
        return folder
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=".wallfoot-", dir=folder.parent))
    except OSError as error:
        said = f"{cache} cannot be written to, and rasters are laid out there to be read ({error.strerror})."
        raise StoreError(f"{said} Name another folder in WALLFOOT_CACHE.") from error
    try:
        for name, sha256 in files.items():
            target = work / name
            target.parent.mkdir(parents=True, exist_ok=True)
            _link(_cached(connection, sha256, cache), target)
        try:
            work.rename(folder)
        except OSError:
            if not folder.is_dir():
                raise
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return folder


def _cached(connection: sa.Connection, sha256: str, cache: Path) -> Path:
    path = cache / "files" / sha256
    if path.is_file():
        return path
    path.parent.mkdir(parents=True, exist_ok=True)
    number, name = tempfile.mkstemp(prefix=".wallfoot-", dir=path.parent)
    seen = hashlib.sha256()
    try:
        with os.fdopen(number, "wb") as out:
            for piece in pieces(connection, sha256):
                seen.update(piece)
                out.write(piece)
        if seen.hexdigest() != sha256:
            raise StoreError(f"A file kept in the store is damaged ({sha256[:12]}…). Open the last back-up.")
        Path(name).chmod(0o444)
        Path(name).replace(path)
    finally:
        Path(name).unlink(missing_ok=True)
    return path


def _link(source: Path, target: Path) -> None:
    try:
        target.hardlink_to(source)
    except OSError:
        shutil.copyfile(source, target)
