"""The register: open it, add events, ask.

Events are only ever added; whatever else is shown follows from them. A question names its viewer
(:class:`~geo.portfolio.viewer.Viewer`), and on a server where the landlord has a database role of its own it
is asked under that role, so that the database itself keeps other landlords' rows out.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import pandas as pd
import sqlalchemy as sa

from geo import reference
from geo.errors import InputError, Problem
from geo.portfolio import ask, database_roles, rebuild
from geo.portfolio.cases import Case, cases_of, clocks_of_case
from geo.portfolio.clocks import Clock
from geo.portfolio.derive import NO_AIR_LOG, UNPROVEN
from geo.portfolio.entry import NOTHING, Entry, standing
from geo.portfolio.events import Happened
from geo.portfolio.keys import KEYS, USUAL, sorts_of
from geo.portfolio.patterns import Patterns, draw_sample, patterns_of, quiet_homes, shared
from geo.portfolio.periods import Nation, Periods, default
from geo.portfolio.saving import Appended, append, counted_by
from geo.portfolio.viewer import ADMINISTRATOR, Viewer
from geo.portfolio.walls import VERDICT_WORDS
from geo.reference import Reference
from geo.store.blobs import PIECE
from geo.store.engine import connect, name_of, reading, writing
from geo.store.migrate import bring_up
from geo.store.register_tables import REGISTER_FILE, REGISTER_LANDLORD
from geo.store.said import StoreError, told

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


class Register:
    """Homes of landlords in one database. Safe to share between threads; each call is one transaction."""

    def __init__(self, engine: sa.Engine, *, periods: Periods, ref: Reference) -> None:
        self._engine, self.periods, self.ref = engine, periods, ref

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

    @contextmanager
    def _asking(self, viewer: Viewer) -> Iterator[sa.Connection]:
        """Give a connection for a viewer: under the landlord's own database role, where it has one."""
        with told(), reading(self._engine) as connection:
            database_roles.take(connection, viewer.landlord_id)
            yield connection

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

    def head(self, viewer: Viewer) -> str:
        """Return the hash over everything a landlord's register holds, in hexadecimal.

        Written down somewhere else, it shows later that nothing was altered or taken out since.
        """
        with self._asking(viewer) as connection:
            found = connection.scalar(
                sa.select(REGISTER_LANDLORD.c.head).where(
                    REGISTER_LANDLORD.c.landlord_id == viewer.landlord_id
                )
            )
        if found is None:
            raise StoreError(
                f"There is no register of the landlord {viewer.landlord_id[:80]!r} in this workspace."
            )
        return bytes(found).hex()

    # --- adding ----------------------------------------------------------------------------------

    def append(self, viewer: Viewer, records: Sequence[Happened], *, by: str, why: str = "") -> Appended:
        """Add events: all of them, or none. Those that are there already, the same, are left out.

        Parameters
        ----------
        by, why
            Who adds them, by role, and the reason, if any.

        Raises
        ------
        InputError
            When the viewer may not add them, or one does not fit what is there.
        StoreError
            When the database cannot do it, or dates are counted by other periods since.
        """
        _may_write(viewer, records)
        with told(), writing(self._engine) as connection:
            return append(
                connection, viewer.landlord_id, records, by=by, why=why, periods=self.periods, ref=self.ref
            )

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

    # --- asking ----------------------------------------------------------------------------------

    def next_homes(
        self,
        viewer: Viewer,
        order: Sequence[str] = USUAL,
        *,
        limit: int | None = None,
        offset: int = 0,
        estate: str = "",
        every: bool = False,
        now: dt.datetime | None = None,
    ) -> ask.NextHomes:
        """Return one page of homes in an order of the viewer's choosing, each place explained in a line.

        Parameters
        ----------
        order
            Names of :data:`~geo.portfolio.keys.KEYS`, the first the strongest; ``-`` before one turns it
            round. Ties go by the age of the case, then by the home's number.
        limit, offset
            Homes of the page, ``portfolio.page_homes`` when left out, and homes before it.
        estate
            Homes of one estate only.
        every
            Homes without an open case too.
        now
            The moment it is asked at.

        Raises
        ------
        InputError
            When a key does not exist, or the viewer is not shown it.
        """
        hidden = viewer.hidden_keys
        if order is USUAL:
            order = [name for name in USUAL if KEYS[name].column not in hidden]
        sorts = sorts_of(order, hidden=hidden)
        with self._asking(viewer) as connection:
            return ask.next_homes(
                connection,
                viewer,
                sorts,
                nation=self._nation,
                now=now or dt.datetime.now(dt.UTC),
                limit=int(self.ref.value("portfolio.page_homes")) if limit is None else max(1, limit),
                offset=max(0, offset),
                estate=estate,
                every=every,
            )

    def events(self, viewer: Viewer, home_id: str) -> tuple[Entry, ...]:
        """Return a home's events in the order they were added, corrected ones too."""
        with self._asking(viewer) as connection:
            return tuple(ask.events_of(connection, viewer, home_id))

    def state(self, viewer: Viewer, home_id: str) -> dict[str, Any] | None:
        """Return what stands of a home, ``None`` when the viewer has no such home."""
        with self._asking(viewer) as connection:
            return ask.state_of(connection, viewer, home_id)

    def cases(self, viewer: Viewer, home_id: str) -> tuple[tuple[Case, tuple[Clock, ...]], ...]:
        """Return a home's cases, open and closed, each with all its clocks.

        Events the viewer is not shown are counted all the same, so that a date is the same for everybody.
        """
        if not viewer.sees(home_id):
            return ()
        whole = Viewer(role=ADMINISTRATOR, landlord_id=viewer.landlord_id)
        with self._asking(viewer) as connection:
            events = standing(ask.events_of(connection, whole, home_id))
            state = ask.state_of(connection, whole, home_id) or {}
        nation, tenure = str(state.get("nation", "")), str(state.get("tenure", ""))
        shown = set(viewer.kinds)
        found = []
        for case in cases_of(events):
            clocks = clocks_of_case(case, nation=nation, tenure=tenure, periods=self.periods)
            own = Case(
                case_id=case.case_id,
                events=tuple(one for one in case.events if one.kind in shown),
                closed=case.closed,
                hazard=case.hazard,
                found=case.found,
            )
            found.append((own, clocks))
        return tuple(found)

    def due(self, viewer: Viewer, *, before: dt.datetime, now: dt.datetime | None = None) -> pd.DataFrame:
        """Return the clocks that run out before a moment, see :func:`geo.portfolio.ask.due`."""
        with self._asking(viewer) as connection:
            return ask.due(
                connection, viewer, before=before, nation=self._nation, now=now or dt.datetime.now(dt.UTC)
            )

    def repeats(self, viewer: Viewer, *, limit: int | None = None) -> pd.DataFrame:
        """Return places wet after their repair, with the verdict in words (``verdict``), the latest first."""
        with self._asking(viewer) as connection:
            found = ask.flags(connection, viewer, tuple(VERDICT_WORDS), limit=limit)
        found["verdict"] = [VERDICT_WORDS[flag] for flag in found["flag"]]
        return found

    def unproven(self, viewer: Viewer, *, now: dt.datetime | None = None) -> pd.DataFrame:
        """Return diagnoses that nothing bears out, see :func:`geo.portfolio.ask.flags`.

        After ``portfolio.unproven_days``; condensation without logged air at once.
        """
        moment = now or dt.datetime.now(dt.UTC)
        old = moment - dt.timedelta(days=self.ref.value("portfolio.unproven_days"))
        with self._asking(viewer) as connection:
            found = [
                ask.flags(connection, viewer, [NO_AIR_LOG]),
                ask.flags(connection, viewer, [UNPROVEN], before=old),
            ]
        some = [table for table in found if len(table)] or found[:1]
        whole = pd.concat(some, ignore_index=True)
        whole["said"] = [self._in_words(said) for said in whole["said"]]
        return whole

    def no_access(self, viewer: Viewer, *, now: dt.datetime | None = None) -> pd.DataFrame:
        """Return cases going stale for want of access, see :func:`geo.portfolio.ask.no_access`."""
        with self._asking(viewer) as connection:
            return ask.no_access(connection, viewer, now=now or dt.datetime.now(dt.UTC), ref=self.ref)

    def past_keeping(self, viewer: Viewer, *, now: dt.datetime | None = None) -> pd.DataFrame:
        """Return homes nothing happened in for long, see :func:`geo.portfolio.ask.past_keeping`."""
        with self._asking(viewer) as connection:
            return ask.past_keeping(connection, viewer, now=now or dt.datetime.now(dt.UTC), ref=self.ref)

    def shared(self, viewer: Viewer) -> pd.DataFrame:
        """Return assets that serve several homes, and who pays, see :func:`geo.portfolio.patterns.shared`."""
        with self._asking(viewer) as connection:
            return shared(ask.assets(connection, viewer))

    def patterns(self, viewer: Viewer, asset_kind: str, by: Sequence[str] = ("estate",)) -> Patterns:
        """Return the rates of failed assets of a kind by group, among inspected."""
        with self._asking(viewer) as connection:
            assets, homes = ask.assets(connection, viewer), ask.home_facts(connection, viewer)
        return patterns_of(assets, homes, asset_kind=asset_kind, by=by, ref=self.ref)

    def sample(
        self,
        viewer: Viewer,
        asset_kind: str,
        group: Mapping[str, str],
        *,
        seed: int,
        count: int | None = None,
    ) -> tuple[str, ...]:
        """Draw homes of a group at random that nobody complained of and where no such asset was inspected.

        Parameters
        ----------
        group
            Values of the columns of a row of :attr:`~geo.portfolio.patterns.Patterns.groups`.
        seed
            The same homes and seed give the same sample.
        count
            How many; ``portfolio.sample_homes`` when left out.
        """
        with self._asking(viewer) as connection:
            assets, homes = ask.assets(connection, viewer), ask.home_facts(connection, viewer)
        quiet = quiet_homes(assets, homes, asset_kind=asset_kind, by=tuple(group))
        for name, value in group.items():
            quiet = quiet[quiet[name] == value]
        wanted = int(self.ref.value("portfolio.sample_homes")) if count is None else count
        return draw_sample(list(quiet["home_id"]), wanted, seed=seed)

    def assets(self, viewer: Viewer) -> pd.DataFrame:
        """Return each asset of each home as it was last looked at, and who pays."""
        with self._asking(viewer) as connection:
            return ask.assets(connection, viewer)

    def homes(self, viewer: Viewer) -> pd.DataFrame:
        """Return the facts of every home, and how many reports each had."""
        with self._asking(viewer) as connection:
            return ask.home_facts(connection, viewer)

    def costs(self, viewer: Viewer, by: Sequence[str] = ("cause",)) -> pd.DataFrame:
        """Return money spent by whatever is named, see :func:`geo.portfolio.ask.costs`."""
        for name in by:
            if name not in ("home_id", "cause", "cost_for"):
                allowed = "home_id, cause, cost_for"
                raise InputError(
                    [
                        Problem(
                            file="costs",
                            column=name,
                            found="no such column",
                            allowed=allowed,
                            mend="Name one.",
                        )
                    ]
                )
        with self._asking(viewer) as connection:
            return ask.costs(connection, viewer, by)

    def file(self, viewer: Viewer, sha256: str) -> bytes | None:
        """Return the bytes of a document of the landlord's, ``None`` where they were never sent.

        Raises
        ------
        StoreError
            When they are not what their hash says.
        """
        table = REGISTER_FILE.c
        with self._asking(viewer) as connection:
            parts = connection.scalars(
                sa.select(table.content)
                .where(table.landlord_id == viewer.landlord_id, table.sha256 == sha256)
                .order_by(table.line)
            ).all()
        if not parts:
            return None
        whole = b"".join(bytes(part) for part in parts)
        if hashlib.sha256(whole).hexdigest() != sha256:
            raise StoreError(
                f"A document kept in the register is damaged ({sha256[:12]}…). Open the last back-up."
            )
        return whole

    def let_in(self, role_name: str, landlord_id: str) -> None:
        """Let a role of the database server read one landlord's rows and no others."""
        with told(), writing(self._engine) as connection:
            database_roles.let_in(connection, role_name, landlord_id)

    def _in_words(self, said: str) -> str:
        """Return a sentence with the cause it begins with in words; what is kept has its code only."""
        code, _, rest = said.partition(" ")
        return f"{code} ({self.ref.word('cause', code)}) {rest}"

    @property
    def _nation(self) -> Nation:
        return self.periods.nations["england"]


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
