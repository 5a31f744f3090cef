"""The store: open it, take sites in, save changes, hand sites out.

Nothing saved is ever lost: a change is an event with who, when, what was and what is, on the disk before
it is acknowledged. Nobody overwrites anybody: a change names the version its editor saw, and another
version standing there by then is a :class:`~geo.store.said.StaleError` with both.
"""

from __future__ import annotations

import secrets
import unicodedata
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from threading import Lock
from types import TracebackType
from typing import Self

import sqlalchemy as sa

from geo.errors import InputError, Problem
from geo.site.folder import write_site
from geo.site.model import Site, SiteInfo
from geo.store import copies, past, replay
from geo.store.assemble import Assembled, assemble, ready_to_write
from geo.store.changes import Change, PutInfo, check_words, checked
from geo.store.content import Content, fields_of, text_of
from geo.store.earlier import stood
from geo.store.edit import refuse_lonely_raster, work_out
from geo.store.engine import connect, default_cache, default_workspace, name_of, reading, writing
from geo.store.entries import Event, Save, Saved, SiteEntry
from geo.store.intake import site_steps
from geo.store.keeping import Kept, kept_since
from geo.store.ledger import Step, append, lock_site
from geo.store.migrate import bring_up
from geo.store.read_log import ReadLog
from geo.store.said import StoreError, told
from geo.store.tables import AS_READ, EVENT, FILE, LATEST, SAVE, SITE

__all__ = ["Store", "default_workspace", "open_store"]

MOST_KEPT = 8
LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
"""Signs of the made part of a site's id; none is taken for another."""


def open_store(where: str | Path, *, create: bool = True, cache: Path | None = None) -> Store:
    """Open a workspace, and bring it to the layout in use.

    Parameters
    ----------
    where
        A file, or the address of a PostgreSQL database with PostGIS (``postgresql://USER@HOST/NAME``).
    create
        Make the file when it is not there.
    cache
        Where rasters and photographs are laid out; :func:`~geo.store.engine.default_cache` when left out.

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
    return Store(engine, cache=cache or default_cache())


class Store:
    """Sites in one database. Safe to share between threads; each call is one transaction."""

    def __init__(self, engine: sa.Engine, *, cache: Path) -> None:
        self._engine, self._cache = engine, cache
        self._kept: OrderedDict[str, Assembled] = OrderedDict()
        self._lock = Lock()

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

    # --- sites -----------------------------------------------------------------------------------

    def sites(self, *, removed: bool = False) -> tuple[SiteEntry, ...]:
        """Return the sites, last changed first; with ``removed`` those removed as well."""
        names = tuple(SiteEntry.__dataclass_fields__)
        asked = sa.select(*(SITE.c[name] for name in names)).order_by(
            SITE.c.changed_at.desc(), SITE.c.site_id
        )
        with reading(self._engine) as connection:
            rows = connection.execute(asked if removed else asked.where(SITE.c.removed_at.is_(None))).all()
        return tuple(SiteEntry(**dict(zip(names, row, strict=True))) for row in rows)

    def create_site(self, info: SiteInfo, *, by: str, why: str = "", owner: str = "") -> str:
        """Begin a site with nothing but its own facts, and return its id."""
        change = checked([PutInfo(info, None)], by=by, why=why)[0]
        if not isinstance(change, PutInfo):
            raise TypeError(change)
        steps = [_fact_step("site", "site.toml", Content(text=text_of(fields_of(change.info))))]
        with writing(self._engine) as connection:
            return self._begin(connection, steps, by=by, why=why, owner=owner)

    def take_in(self, site: Site, *, by: str, why: str = "", owner: str = "") -> str:
        """Take in a site read from a folder, with every file of the folder, and return its new id.

        Raises
        ------
        InputError
            When the folder holds a file that cannot be kept.
        """
        problems: list[Problem] = check_words(by=by, why=why)
        if problems:
            raise InputError(problems)
        with told(), writing(self._engine) as connection:
            steps, as_read = site_steps(connection, site)
            site_id = self._begin(connection, steps, by=by, why=why, owner=owner)
            if as_read:
                from_read = [{"site_id": site_id, **row} for row in as_read]
                connection.execute(AS_READ.insert(), from_read)
            return site_id

    def _begin(
        self, connection: sa.Connection, steps: Sequence[Step], *, by: str, why: str, owner: str
    ) -> str:
        facts = next(step.now for step in steps if step.kind == "site")
        if facts is None:
            raise StoreError("A site needs its own facts.")
        now = datetime.now(UTC)
        name = str(past.fields_in(facts).get("name", ""))
        site_id = _new_id(name)
        connection.execute(
            SITE.insert().values(
                site_id=site_id,
                owner=owner,
                name=name,
                version=0,
                records_count=0,
                created_at=now,
                changed_at=now,
                info=facts.text,
                info_version=1,
            )
        )
        append(connection, lock_site(connection, site_id), steps, by=by, why=why)
        refuse_lonely_raster(connection, lock_site(connection, site_id))
        return site_id

    def site(self, site_id: str) -> Site:
        """Return a site as a site folder would give it."""
        with self._lock:
            before = self._kept.get(site_id)
        with told(), reading(self._engine) as connection:
            whole = assemble(connection, site_id, cache=self._cache, before=before)
        with self._lock:
            self._kept[site_id] = whole
            self._kept.move_to_end(site_id)
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        return whole.site

    def hand_out(self, site_id: str, folder: Path | str) -> None:
        """Write a site as a folder, whole or not at all; files that have not changed keep their bytes.

        Raises
        ------
        InputError
            When the folder holds something already, or a layer is only partly drawn.
        """
        with told(), reading(self._engine) as connection:
            whole = assemble(connection, site_id, cache=self._cache)
            write_site(ready_to_write(connection, site_id, whole.site), folder)

    def version(self, site_id: str) -> int:
        """Return the number of a site's last save."""
        with reading(self._engine) as connection:
            found = connection.scalar(sa.select(SITE.c.version).where(SITE.c.site_id == site_id))
        if found is None:
            raise StoreError(f"There is no site {site_id[:80]!r} in this workspace.")
        return int(found)

    def remove_site(self, site_id: str, *, by: str, why: str = "") -> Saved:
        """Take a site out of the list; everything of it stays and it can be restored."""
        return self._whole_site(site_id, "remove_site", by=by, why=why)

    def restore_site(self, site_id: str, *, by: str, why: str = "") -> Saved:
        """Put a removed site back into the list."""
        return self._whole_site(site_id, "restore_site", by=by, why=why)

    def _whole_site(self, site_id: str, action: str, *, by: str, why: str) -> Saved:
        if problems := check_words(by=by, why=why):
            raise InputError(problems)
        with writing(self._engine) as connection:
            site = lock_site(connection, site_id, removed=True)
            if (site.removed_at is not None) == (action == "remove_site"):
                return Saved(site_id=site_id, version=int(site.version), save_id=0, versions={})
            facts = Content(text=site.info)
            step = Step(
                kind="site", record_id="site.toml", action=action, was=facts, was_version=None, now=facts
            )
            version = append(connection, site, [step], by=by, why=why)
        return Saved(site_id=site_id, version=version, save_id=version, versions={})

    # --- saving ----------------------------------------------------------------------------------

    def save(
        self, site_id: str, changes: Sequence[Change], *, by: str, why: str = "", token: str = ""
    ) -> Saved:
        """Save changes in one transaction: all of them, or nothing.

        Parameters
        ----------
        changes
            What to change; a change names the version its editor saw.
        by, why
            Who saves, by role, and the reason, if any.
        token
            Any text the caller makes up once for these changes and keeps until they are acknowledged.
            Sent again after a broken connection, it saves nothing twice.

        Returns
        -------
        The new versions. A change that says what already stands is no change and makes no event.

        Raises
        ------
        StaleError
            When another version stands; nothing is saved and every conflict carries both.
        InputError
            When a change is not what its declaration allows.
        StoreError
            When the database cannot do it: full, read-only, locked, gone.
        """
        wanted = checked(changes, by=by, why=why)
        with writing(self._engine) as connection:
            site = lock_site(connection, site_id)
            done = past.save_of_token(connection, site_id, token) if token else None
            if done is not None:
                return past.saved_of(connection, site_id, done, version=int(site.version))
            steps = work_out(connection, site_id, wanted)
            if not steps:
                return Saved(site_id=site_id, version=int(site.version), save_id=0, versions={})
            version = append(connection, site, steps, by=by, why=why, token=token or None)
            if any(step.record_id in ("ground.tif", "ground.toml") for step in steps):
                refuse_lonely_raster(connection, lock_site(connection, site_id))
        return _saved(site_id, version, steps)

    def versions(self, site_id: str) -> Mapping[str, int]:
        """Return the version of every record, by its id."""
        asked = sa.select(LATEST.c.id, LATEST.c.version).where(LATEST.c.site_id == site_id, LATEST.c.there)
        with reading(self._engine) as connection:
            return {name: int(version) for name, version in connection.execute(asked)}

    def file_versions(self, site_id: str) -> Mapping[str, int]:
        """Return the version of every file, and of ``site.toml`` and ``ground.toml``, by name."""
        asked = sa.select(FILE.c.name, FILE.c.version).where(FILE.c.site_id == site_id)
        facts = sa.select(SITE.c.info_version, SITE.c.ground_version, SITE.c.ground).where(
            SITE.c.site_id == site_id
        )
        with reading(self._engine) as connection:
            found = {name: int(version) for name, version in connection.execute(asked)}
            row = connection.execute(facts).one_or_none()
        if row is not None:
            found["site.toml"] = int(row.info_version)
            if row.ground is not None:
                found["ground.toml"] = int(row.ground_version)
        return found

    def file(self, site_id: str, name: str) -> bytes:
        """Return a file of a site, as it was sent.

        Raises
        ------
        StoreError
            When there is none of that name.
        """
        with reading(self._engine) as connection:
            return past.file_of(connection, site_id, name)

    # --- the past --------------------------------------------------------------------------------

    def history(self, site_id: str, record_id: str | None = None, *, since: int = 0) -> tuple[Event, ...]:
        """Return the events of a site, or of one record or file of it, oldest first.

        Parameters
        ----------
        record_id
            Id of a record, or name of a file; ``site.toml`` and ``ground.toml`` for facts.
        since
            Only events of later saves than this.
        """
        with reading(self._engine) as connection:
            return past.history(connection, site_id, record_id, since=since)

    def site_at(self, site_id: str, save_id: int) -> Site:
        """Return a site as it stood after a save, its records in the order they stand in now.

        Raises
        ------
        StoreError
            When a file that findings or causes rest on, or the order of the level book, was changed since.
        """
        now = self.site(site_id)
        return stood(now, self.history(site_id, since=save_id), mark=f"save {save_id}")

    def saves(self, site_id: str) -> tuple[Save, ...]:
        """Return the saves of a site, newest first."""
        counted = sa.func.count(EVENT.c.line)
        asked = (
            sa.select(SAVE, counted.label("changes_count"))
            .outerjoin(EVENT, sa.and_(EVENT.c.site_id == SAVE.c.site_id, EVENT.c.version == SAVE.c.version))
            .where(SAVE.c.site_id == site_id)
            .group_by(*SAVE.c)
            .order_by(SAVE.c.version.desc())
        )
        with reading(self._engine) as connection:
            rows = connection.execute(asked).all()
        return tuple(
            Save(
                site_id=row.site_id,
                save_id=int(row.version),
                by=row.by,
                at=row.saved_at,
                why=row.why,
                changes_count=int(row.changes_count),
                undoes=row.undoes,
            )
            for row in rows
        )

    def undo(self, site_id: str, save_id: int, *, by: str, why: str = "") -> Saved:
        """Undo a save by a new one; the save undone stays in the history.

        Raises
        ------
        StaleError
            When something it changed was changed again since.
        StoreError
            When there is no such save, or it began the site.
        """
        if problems := check_words(by=by, why=why):
            raise InputError(problems)
        with writing(self._engine) as connection:
            site = lock_site(connection, site_id)
            steps = past.undoing(connection, site_id, save_id)
            version = append(connection, site, steps, by=by, why=why, undoes=save_id)
            refuse_lonely_raster(connection, lock_site(connection, site_id))
        return _saved(site_id, version, steps)

    def restore(self, site_id: str, record_id: str, version: int, *, by: str, why: str = "") -> Saved:
        """Bring a record or file back to what it was at a version, by a new save.

        Raises
        ------
        StoreError
            When it had no such version, or was removed by it.
        InputError
            When its id now belongs to a record of another kind.
        """
        if problems := check_words(by=by, why=why):
            raise InputError(problems)
        with writing(self._engine) as connection:
            site = lock_site(connection, site_id)
            steps = past.restoring(connection, site_id, record_id, version)
            if not steps:
                return Saved(site_id=site_id, version=int(site.version), save_id=0, versions={})
            new = append(connection, site, steps, by=by, why=why)
            refuse_lonely_raster(connection, lock_site(connection, site_id))
        return _saved(site_id, new, steps)

    def kept_since(self, before: datetime) -> tuple[Kept, ...]:
        """Return what of people was last saved before a moment, see :func:`geo.store.keeping.kept_since`."""
        with told(), reading(self._engine) as connection:
            return kept_since(connection, before)

    # --- the whole store -------------------------------------------------------------------------

    def back_up(self, path: Path | str) -> Path:
        """Copy the whole store into one file that opens as a workspace; an older one is replaced at the end.

        Who takes it is noted in :attr:`read_log`, of each site and each landlord's register.

        Raises
        ------
        StoreError
            When it cannot be noted or written, or is the workspace itself.
        """
        with told():
            return copies.back_up(self._engine, Path(path))

    def bring_back(self, path: Path | str) -> None:
        """Fill this store, which must hold no site and no register, from a back-up; who does is noted in it.

        Raises
        ------
        StoreError
            When it holds a site or a register of homes, or the file is no back-up.
        """
        with told():
            copies.bring_back(self._engine, Path(path))

    def verify(self) -> tuple[Problem, ...]:
        """Look whether the database is sound, its tables follow from its events, and its files are whole."""
        with told(), reading(self._engine) as connection:
            return replay.verify(connection)


def _fact_step(kind: str, name: str, now: Content) -> Step:
    return Step(kind=kind, record_id=name, action="put", was=None, was_version=None, now=now)


def _saved(site_id: str, version: int, steps: Sequence[Step]) -> Saved:
    there = {step.record_id: version for step in steps if step.now is not None}
    return Saved(site_id=site_id, version=version, save_id=version, versions=there)


def _new_id(name: str) -> str:
    """Return an id a person can read and nobody else has."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    words = "".join(sign if sign.isalnum() else " " for sign in plain).split()
    made = "".join(secrets.choice(LETTERS) for _ in range(6))
    return "-".join([*("-".join(words)[:40].strip("-") or "site").split("-"), made])
