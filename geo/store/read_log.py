"""Who read what of the sensitive things: a table that only ever grows.

It is written where people log in, and by every command that reads them.

A row says what somebody was given, not what their eye rested on: a site opened hands its page everything
in it, so that it is a reading of each sensitive kind the site holds.
"""

from __future__ import annotations

import getpass
import hashlib
import os
import platform
import secrets
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from geo.site.model import Site
from geo.store.columns import Moment
from geo.store.engine import reading, writing
from geo.store.register_tables import REGISTER_LANDLORD
from geo.store.said import StoreError, told
from geo.store.tables import FILE, METADATA, RECORD_TABLES, SITE

READ_LOG = sa.Table(
    "read_log",
    METADATA,
    sa.Column("read_id", sa.Text, primary_key=True),
    sa.Column("at", Moment, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("role", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("site_id", sa.Text, nullable=False, server_default=""),
    sa.Column("landlord_id", sa.Text, nullable=False, server_default=""),
    sa.Column("home_id", sa.Text, nullable=False, server_default=""),
    sa.Index(None, "at"),
    sa.Index(None, "site_id", "at"),
    sa.Index(None, "landlord_id", "at"),
)
"""One row a reading. Its number is drawn by chance, so that rows brought back from a copy never meet others.

A site or home is named, not pointed at: what was read stays told whatever becomes of it.
"""

KINDS_READ = {
    "accounts": "what people said",
    "photographs": "photographs",
    "hazards": "hazards of visits",
    "letter": "the letter",
    "report": "the full report",
    "export": "a file taken away",
    "back_up": "everything of it, in a back-up of the whole workspace",
    "bring_back": "everything of it, brought in here from a back-up",
    "register": "the list of homes",
    "home": "one home of the register",
}
"""Kinds of reading that are noted, in words."""
PHOTOS = "photos/"
"""Folder of a site's photographs, in the names of its files."""
MOST_ROWS = 500
COMMAND = "command"
"""Role of whoever reads by a command: there nobody logs in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """One reading.

    Parameters
    ----------
    at
        When (UTC).
    who, role
        Who, as a sign that tells no name, and in which role.
    kind
        One of :data:`KINDS_READ`.
    site_id, landlord_id, home_id
        Of what: a site, or a landlord's register and a home of it.
    """

    at: datetime
    who: str
    role: str
    kind: str
    site_id: str = ""
    landlord_id: str = ""
    home_id: str = ""


class ReadLog:
    """The readings noted in one database."""

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine

    def add(self, reads: Sequence[Read]) -> None:
        """Note readings, all of them on the disk when this returns.

        Raises
        ------
        StoreError
            When they cannot be noted.
        ValueError
            When a kind is none that is noted.
        """
        odd = sorted({read.kind for read in reads} - set(KINDS_READ))
        if odd:
            raise ValueError(odd[0])
        if reads:
            with told(), writing(self._engine) as connection:
                _insert(connection, reads)

    def note_command(self, kinds: Sequence[str], **of: str) -> None:
        """Note that whoever runs a command reads something, before it is shown.

        Parameters
        ----------
        kinds
            Kinds of :data:`KINDS_READ`.
        of
            ``site_id``, or ``landlord_id`` and ``home_id``.

        Raises
        ------
        StoreError
            When it cannot be noted; then it must not be shown.
        """
        now, who = datetime.now(UTC), sign_of_this_user()
        try:
            self.add([Read(at=now, who=who, role=COMMAND, kind=kind, **of) for kind in kinds])
        except StoreError as error:
            raise StoreError(
                "Here it is noted who reads what, and just now it cannot be noted; so this is not shown."
                f" {error}"
            ) from error

    def note_whole(self, kind: str) -> None:
        """Note that whoever runs a command takes the whole store, before it is given: see :func:`note_whole`.

        Raises
        ------
        StoreError
            When it cannot be noted; then it must not be given.
        """
        try:
            with told(), writing(self._engine) as connection:
                note_whole(connection, kind)
        except StoreError as error:
            raise StoreError(
                "Here it is noted who takes what, and just now it cannot be noted; so nothing is given."
                f" {error}"
            ) from error

    def held(self, site_id: str) -> tuple[str, ...]:
        """Return the sensitive kinds a site holds now."""
        with told(), reading(self._engine) as connection:
            account, visit = RECORD_TABLES["account"], RECORD_TABLES["visit"]
            asked = {
                "accounts": sa.select(account.c.id).where(account.c.site_id == site_id),
                "hazards": sa.select(visit.c.id).where(visit.c.site_id == site_id, visit.c.hazards != ""),
                "photographs": sa.select(FILE.c.name).where(
                    FILE.c.site_id == site_id, FILE.c.name.startswith(PHOTOS, autoescape=True)
                ),
            }
            return tuple(kind for kind, ask in asked.items() if connection.scalar(ask.limit(1)) is not None)

    def rows(
        self,
        *,
        site_ids: Collection[str] = (),
        homes: Mapping[str, Collection[str] | None] | None = None,
        limit: int = MOST_ROWS,
    ) -> tuple[Read, ...]:
        """Return what was read of some sites and homes, the latest first.

        Parameters
        ----------
        site_ids
            Only readings of these sites.
        homes
            By landlord, the homes whose readings are asked for; ``None`` for all and for the register itself.
        limit
            At most so many.
        """
        of: list[sa.ColumnElement[bool]] = []
        if site_ids:
            of.append(READ_LOG.c.site_id.in_(sorted(site_ids)))
        for landlord_id, own in (homes or {}).items():
            theirs = READ_LOG.c.landlord_id == landlord_id
            of.append(theirs if own is None else sa.and_(theirs, READ_LOG.c.home_id.in_(sorted(own))))
        if not of:
            return ()
        names = tuple(Read.__dataclass_fields__)
        asked = (
            sa.select(*(READ_LOG.c[name] for name in names))
            .where(sa.or_(*of))
            .order_by(READ_LOG.c.at.desc(), READ_LOG.c.read_id)
            .limit(limit)
        )
        with told(), reading(self._engine) as connection:
            return tuple(
                Read(**dict(zip(names, row, strict=True))) for row in connection.execute(asked).all()
            )


def note_whole(connection: sa.Connection, kind: str) -> None:
    """Note by whose command a whole store goes or came: a row for each site and each landlord's register.

    Whoever asks what was read of their own site or homes finds it so, and learns of no other's.

    Parameters
    ----------
    connection
        One that writes: the rows are there once its other changes are, or none of them is.
    kind
        ``back_up`` or ``bring_back``.
    """
    by: dict[str, Any] = {"at": datetime.now(UTC), "who": sign_of_this_user(), "role": COMMAND, "kind": kind}
    sites = connection.scalars(sa.select(SITE.c.site_id).order_by(SITE.c.site_id))
    reads = [Read(site_id=site_id, **by) for site_id in sites]
    landlords = connection.scalars(
        sa.select(REGISTER_LANDLORD.c.landlord_id).order_by(REGISTER_LANDLORD.c.landlord_id)
    )
    reads += [Read(landlord_id=landlord_id, **by) for landlord_id in landlords]
    if reads:
        _insert(connection, reads)


def _insert(connection: sa.Connection, reads: Sequence[Read]) -> None:
    rows = [{"read_id": secrets.token_hex(12), **asdict(read)} for read in reads]
    connection.execute(READ_LOG.insert(), rows)


def sign_of_this_user() -> str:
    """Return the sign of who runs this program: the same each time, and it tells no name."""
    try:
        name = getpass.getuser()
    except (KeyError, OSError):  # a user this machine has no name for
        name = str(os.getuid()) if hasattr(os, "getuid") else ""
    return hashlib.sha256(f"{platform.node()}|{name}".encode()).hexdigest()[:10]


def held_by(site: Site) -> tuple[str, ...]:
    """Return the sensitive kinds a site read from a folder holds."""
    found = {
        "accounts": bool(site.of("account")),
        "hazards": any(getattr(visit, "hazards", "") for visit in site.of("visit")),
        "photographs": bool(site.of("photo")),
    }
    return tuple(kind for kind, there in found.items() if there)
