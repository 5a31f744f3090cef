"""The connection to one embedded file or to PostgreSQL: the same statements, the same promises.

A write begins by taking the right to write (``BEGIN IMMEDIATE``, or the lock of the site's row), so
that a second writer queues instead of failing at the end; it is on the disk when it is acknowledged.
A read sees one moment of the whole store.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event

from geo.store.said import StoreError, is_gone, sentence_of

WAIT_S = 20
"""How long a writer waits for another before it says so."""


def default_workspace() -> Path:
    """Return where sites are kept when nothing else is named.

    Returns
    -------
    The file named by ``WALLFOOT_WORKSPACE``, or ``wallfoot/wallfoot.sqlite`` under ``XDG_DATA_HOME``
    or ``~/.local/share``.
    """
    named = os.environ.get("WALLFOOT_WORKSPACE", "")
    if named:
        return Path(named)
    root = os.environ.get("XDG_DATA_HOME", "")
    return (Path(root) if root else Path.home() / ".local" / "share") / "wallfoot" / "wallfoot.sqlite"


def default_cache() -> Path:
    """Return where rasters and photographs are laid out for reading; it may be emptied at any time."""
    named = os.environ.get("WALLFOOT_CACHE", "")
    if named:
        return Path(named)
    root = os.environ.get("XDG_CACHE_HOME", "")
    return (Path(root) if root else Path.home() / ".cache") / "wallfoot"


def connect(where: str | Path, *, create: bool = True) -> sa.Engine:
    """Return the engine of a workspace file, or of a database address.

    Raises
    ------
    StoreError
        When the file is missing and shall not be made, is a folder, or the address is none of PostgreSQL.
    """
    return _server(str(where)) if "://" in str(where) else _file(Path(where), create=create)


def name_of(engine: sa.Engine) -> str:
    """Return a database's address without its password, or a file's path."""
    if engine.dialect.name == "sqlite":
        return str(engine.url.database)
    return engine.url.render_as_string(hide_password=True)


@contextmanager
def reading(engine: sa.Engine) -> Iterator[sa.Connection]:
    """Give a connection that sees one moment and changes nothing."""
    options: dict[str, Any] = {}
    if engine.dialect.name == "postgresql":
        options = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
    try:
        with engine.connect().execution_options(**options) as connection, connection.begin():
            yield connection
    except (sa.exc.DBAPIError, sa.exc.TimeoutError, OSError) as error:
        raise StoreError(sentence_of(error).replace("nothing was saved", "nothing was read")) from error


@contextmanager
def writing(engine: sa.Engine) -> Iterator[sa.Connection]:
    """Give a connection whose changes are all made final at the end, or not at all."""
    final = False
    try:
        with engine.connect().execution_options(writes=True) as connection:
            connection.begin()
            yield connection
            final = True
            connection.commit()
    except (sa.exc.DBAPIError, sa.exc.TimeoutError, OSError) as error:
        if final and is_gone(error):
            said = (
                "The connection broke while saving was being made final: whether it was saved is not known."
                " What was typed is still here; save again, and nothing is saved twice."
            )
            raise StoreError(said, in_doubt=True) from error
        raise StoreError(sentence_of(error)) from error


def _file(path: Path, *, create: bool) -> sa.Engine:
    if path.is_dir():
        raise StoreError(f"{path} is a folder; name the workspace's file in it, as wallfoot.sqlite.")
    if not path.exists():
        if not create:
            raise StoreError(f"{path}: there is no such workspace. One is made by taking in a site.")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.touch(mode=0o600)
        except OSError as error:
            raise StoreError(f"{path}: no workspace can be made here ({error.strerror or error}).") from error
    # Slashes and the like in a path are no part of an address: the URL is built, never parsed.
    made = sa.create_engine(
        sa.URL.create("sqlite", database=str(path)), connect_args={"timeout": WAIT_S}, pool_size=5
    )

    @event.listens_for(made, "connect")
    def _opened(connection: sqlite3.Connection, _record: Any) -> None:
        connection.isolation_level = None  # transactions are begun below, never by the driver
        for setting in (f"busy_timeout={WAIT_S * 1000}", "synchronous=FULL", "foreign_keys=ON"):
            connection.execute(f"pragma {setting}")
        # Only a workspace is written ahead: another program's file is opened, looked at and left.
        if connection.execute("select 1 from sqlite_master where name = 'alembic_version'").fetchone():
            _write_ahead(connection)

    @event.listens_for(made, "begin")
    def _begun(connection: sa.Connection) -> None:
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return made


def _write_ahead(connection: sqlite3.Connection) -> None:
    """Have a workspace written ahead; while another program changes that too, the file makes nobody wait."""
    until = time.monotonic() + WAIT_S
    while connection.execute("pragma journal_mode").fetchone()[0] != "wal":
        try:
            connection.execute("pragma journal_mode=WAL")
        except sqlite3.OperationalError:
            if time.monotonic() > until:
                raise
            time.sleep(0.02)


def _server(address: str) -> sa.Engine:
    try:
        url = sa.make_url(address)
    except (sa.exc.ArgumentError, ValueError):
        raise StoreError(
            "The address of the database cannot be read. Write postgresql://USER@HOST/NAME."
        ) from None
    if url.get_backend_name() not in ("postgresql", "postgres"):
        raise StoreError(
            f"Sites are kept in a file or in PostgreSQL, not in {url.get_backend_name()}."
            " Write postgresql://USER@HOST/NAME."
        )
    try:
        made = sa.create_engine(
            url.set(drivername="postgresql+psycopg"),
            pool_pre_ping=True,
            pool_size=5,
            connect_args={"connect_timeout": 10, "options": f"-c lock_timeout={WAIT_S * 1000}"},
        )
    except ImportError:
        raise StoreError("To keep sites in PostgreSQL, install wallfoot with its extra: postgis.") from None
    return made
