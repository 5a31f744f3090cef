"""The whole store in one file: a back-up opens as a workspace, whichever database it was made from."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from pathlib import Path

import sqlalchemy as sa

from geo.store.engine import connect, reading, writing
from geo.store.migrate import bring_up
from geo.store.read_log import ReadLog, note_whole
from geo.store.register_tables import REGISTER_LANDLORD
from geo.store.said import StoreError
from geo.store.tables import METADATA, SITE

ROWS = 500
"""Rows carried at a time."""


def back_up(engine: sa.Engine, path: Path) -> Path:
    """Copy a store into a file of its own, under another name until it is whole.

    Who takes it is noted in the store first, so that the copy tells it too. A file on a disk that is full, or
    may not be written to, is rescued all the same: the copy alone then tells who took it.
    """
    if path.is_dir():
        raise StoreError(f"{path} is a folder; name a file for the back-up.")
    if engine.dialect.name == "sqlite" and path.exists() and path.samefile(str(engine.url.database)):
        raise StoreError(f"{path} is the workspace itself; name another file for the back-up.")
    path.parent.mkdir(parents=True, exist_ok=True)
    number, name = tempfile.mkstemp(prefix=".wallfoot-", suffix=".sqlite", dir=path.parent)
    os.close(number)
    work = Path(name)
    try:
        if engine.dialect.name == "sqlite":
            try:
                ReadLog(engine).note_whole("back_up")
            except StoreError:
                _copy_pages(engine, work)
                _note_in(work)
            else:
                _copy_pages(engine, work)
        else:
            ReadLog(engine).note_whole("back_up")
            _copy_rows(engine, work)
        _settle(work)
        work.replace(path)
    finally:
        for end in ("", "-wal", "-shm", "-journal"):
            Path(f"{work}{end}").unlink(missing_ok=True)
    return path


def bring_back(engine: sa.Engine, path: Path) -> None:
    """Fill an empty store from a back-up, and note in it who did."""
    source = connect(path, create=False)
    try:
        bring_up(source)
        with reading(source) as old, writing(engine) as new:
            if new.scalar(sa.select(sa.func.count()).select_from(SITE)):
                raise StoreError("This workspace already holds sites; bring a back-up into an empty one.")
            if new.scalar(sa.select(sa.func.count()).select_from(REGISTER_LANDLORD)):
                raise StoreError(
                    "This workspace already holds a register of homes; bring a back-up into an empty one."
                )
            _carry(old, new)
            note_whole(new, "bring_back")
    finally:
        source.dispose()


def _copy_pages(engine: sa.Engine, work: Path) -> None:
    raw = engine.raw_connection()
    try:
        source = raw.driver_connection
        if not isinstance(source, sqlite3.Connection):
            raise TypeError(source)
        target = sqlite3.connect(work)
        try:
            source.backup(target)
        except sqlite3.Error as error:
            raise StoreError(
                f"The back-up could not be written ({error}). Make room, or name another place."
            ) from error
        finally:
            target.close()
    finally:
        raw.close()


def _note_in(work: Path) -> None:
    copy = connect(work, create=False)
    try:
        ReadLog(copy).note_whole("back_up")
    finally:
        copy.dispose()


def _copy_rows(engine: sa.Engine, work: Path) -> None:
    work.unlink()
    target = connect(work)
    try:
        bring_up(target)
        with reading(engine) as old, writing(target) as new:
            _carry(old, new)
    finally:
        target.dispose()


def _carry(old: sa.Connection, new: sa.Connection) -> None:
    for table in METADATA.sorted_tables:
        rows = old.execution_options(yield_per=ROWS).execute(sa.select(table))
        for some in rows.mappings().partitions():
            new.execute(table.insert(), [dict(row) for row in some])


def _settle(path: Path) -> None:
    """Fold a copy into one file, see that it is sound, and put it on the disk."""
    connection = sqlite3.connect(path)
    try:
        connection.execute("pragma wal_checkpoint(truncate)")
        connection.execute("pragma journal_mode=delete")
        said = connection.execute("pragma integrity_check").fetchall()
    except sqlite3.Error as error:
        raise StoreError(
            f"The back-up could not be written ({error}). Make room, or name another place."
        ) from error
    finally:
        connection.close()
    if said != [("ok",)]:
        raise StoreError("The back-up does not pass its check; the older one, if any, was left as it was.")
    with path.open("rb+") as whole:
        os.fsync(whole.fileno())
