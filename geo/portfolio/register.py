"""The register: open it, add events; what one may ask of it stands in :mod:`geo.portfolio.questions`.

Events are only ever added; whatever else is shown follows from them. A question names its viewer
(:class:`~geo.portfolio.viewer.Viewer`), and on a server where the landlord has a database role of its own it
is asked under that role, so that the database itself keeps other landlords' rows out.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import sqlalchemy as sa

from geo import reference
from geo.errors import InputError, Problem
from geo.portfolio import database_roles, rebuild
from geo.portfolio.entry import NOTHING
from geo.portfolio.events import Happened
from geo.portfolio.periods import Periods, default
from geo.portfolio.questions import Questions
from geo.portfolio.saving import Appended, append, counted_by
from geo.portfolio.viewer import Viewer
from geo.reference import Reference
from geo.store.blobs import PIECE
from geo.store.engine import connect, name_of, reading, writing
from geo.store.migrate import bring_up
from geo.store.read_log import ReadLog
from geo.store.register_tables import REGISTER_FILE, REGISTER_LANDLORD
from geo.store.said import told

AS_READ_LONGEST = 80


def open_register(
    where: str | Path,
    *,
    create: bool = True,
    periods: Periods | None = None,
    ref: Reference | None = None,
) -> Register:
    """Open the register of a workspace, and bring the workspace to the layout in use.

    Parameters
    ----------
    where
        A workspace's file, or the address of a PostgreSQL database with PostGIS.
    periods, ref
        What dates and places are counted by; those that ship with the tool when left out.

    Raises
    ------
    StoreError
        When it cannot be opened, was made by a newer wallfoot, or holds something else.
    """
    engine = connect(where, create=create)
    try:
        bring_up(engine)
    except BaseException:
        engine.dispose()
        raise
    return Register(engine, periods=periods or default(), ref=ref or reference.default())


class Register(Questions):
    """Homes of landlords in one database. Safe to share between threads; each call is one transaction."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give back every connection."""
        self._engine.dispose()

    @property
    def name(self) -> str:
        """The file, or the address without its password."""
        return name_of(self._engine)

    @property
    def read_log(self) -> ReadLog:
        """Who read what of it."""
        return ReadLog(self._engine)

    # --- landlords -------------------------------------------------------------------------------

    def begin(self, landlord_id: str) -> None:
        """Begin a landlord's register; one that is there already stays as it is.

        Raises
        ------
        InputError
            When the number is blank or too long.
        """
        name = landlord_id.strip()
        if not name or len(name) > AS_READ_LONGEST or not name.isprintable():
            allowed = f"a number or short name of at most {AS_READ_LONGEST} letters"
            raise InputError(
                [Problem(file="landlord", found=repr(landlord_id[:90]), allowed=allowed, mend="Give one.")]
            )
        with told(), writing(self._engine) as connection:
            there = connection.scalar(
                sa.select(REGISTER_LANDLORD.c.landlord_id).where(REGISTER_LANDLORD.c.landlord_id == name)
            )
            if there is None:
                connection.execute(
                    REGISTER_LANDLORD.insert().values(
                        landlord_id=name,
                        batches=0,
                        head=NOTHING,
                        counted_by=counted_by(self.periods, self.ref),
                        created_at=dt.datetime.now(dt.UTC),
                    )
                )

    def landlords(self) -> tuple[str, ...]:
        """Return the landlords that have a register here: for whoever keeps the workspace."""
        with told(), reading(self._engine) as connection:
            return tuple(
                connection.scalars(
                    sa.select(REGISTER_LANDLORD.c.landlord_id).order_by(REGISTER_LANDLORD.c.landlord_id)
                )
            )

    # --- adding ----------------------------------------------------------------------------------

    def append(
        self,
        viewer: Viewer,
        records: Sequence[Happened],
        *,
        by: str,
        why: str = "",
        seen: Mapping[str, int] | None = None,
    ) -> Appended:
        """Add events: all of them, or none. Those that are there already, the same, are left out.

        Parameters
        ----------
        by, why
            Who adds them, by role, and the reason, if any.
        seen
            By home, how many events its file had (``events_count`` of :meth:`state`) when whoever adds these
            looked at it; a home that is not named is not looked at. Looked at in the transaction that adds.

        Raises
        ------
        GrownError
            When a file that was seen has grown since; nothing is added.
        InputError
            When the viewer may not add them, or one does not fit what is there.
        StoreError
            When the database cannot do it, or dates are counted by other periods since.
        """
        _may_write(viewer, records)
        with told(), writing(self._engine) as connection:
            return append(
                connection, viewer.landlord_id, records, by=by, why=why, seen=seen or {},
                periods=self.periods, ref=self.ref,
            )  # fmt: skip

    def keep_file(self, viewer: Viewer, content: bytes) -> str:
        """Keep the bytes of a document, once however often they are sent, and return their SHA-256."""
        _may_write(viewer, ())
        sha256 = hashlib.sha256(content).hexdigest()
        own = (REGISTER_FILE.c.landlord_id == viewer.landlord_id, REGISTER_FILE.c.sha256 == sha256)
        with told(), writing(self._engine) as connection:
            if connection.scalar(sa.select(sa.func.count()).select_from(REGISTER_FILE).where(*own)):
                return sha256
            for line, start in enumerate(range(0, max(1, len(content)), PIECE)):
                connection.execute(
                    REGISTER_FILE.insert().values(
                        landlord_id=viewer.landlord_id,
                        sha256=sha256,
                        line=line,
                        content=content[start : start + PIECE],
                    )
                )
        return sha256

    def rebuild(self, viewer: Viewer) -> int:
        """Work everything out again from the events, and return how many homes there are."""
        _may_write(viewer, ())
        with told(), writing(self._engine) as connection:
            return rebuild.rebuild(connection, viewer.landlord_id, periods=self.periods, ref=self.ref)

    def verify(self, viewer: Viewer) -> tuple[Problem, ...]:
        """Say everything that is missing or does not follow from the events: nothing for a sound register."""
        with told(), reading(self._engine) as connection:
            return tuple(rebuild.verify(connection, viewer.landlord_id, periods=self.periods, ref=self.ref))

    def let_in(self, role_name: str, landlord_id: str) -> None:
        """Let a role of the database server read one landlord's rows and no others."""
        with told(), writing(self._engine) as connection:
            database_roles.let_in(connection, role_name, landlord_id)


def _may_write(viewer: Viewer, records: Sequence[Happened]) -> None:
    strangers = sorted({record.home_id for record in records if not viewer.sees(record.home_id)})
    if not viewer.writes or strangers:
        found = f"a {viewer.role}" if not viewer.writes else f"homes not theirs ({', '.join(strangers[:5])})"
        raise InputError(
            [
                Problem(
                    file="viewer",
                    found=found,
                    allowed="whoever may add to these homes",
                    mend="Ask the manager.",
                )
            ]
        )
