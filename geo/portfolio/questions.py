"""What one may ask of a register: every question names its viewer, and is one moment of the database."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

import pandas as pd
import sqlalchemy as sa

from geo.errors import InputError, Problem
from geo.portfolio import ask, ask_groups, database_roles
from geo.portfolio.cases import Case, cases_of, clocks_of_case
from geo.portfolio.clocks import Clock
from geo.portfolio.entry import Entry, standing
from geo.portfolio.keys import KEYS, USUAL, sorts_of
from geo.portfolio.patterns import Patterns, draw_sample, patterns_of, quiet_homes, shared
from geo.portfolio.periods import Nation, Periods
from geo.portfolio.viewer import ADMINISTRATOR, Viewer
from geo.portfolio.walls import VERDICT_WORDS
from geo.reference import Reference
from geo.store.engine import reading
from geo.store.register_tables import REGISTER_FILE, REGISTER_LANDLORD
from geo.store.said import StoreError, told

COST_COLUMNS = ("home_id", "cause", "cost_for")


class Questions:
    """The asking half of a register. Each call reads; none of them writes."""

    def __init__(self, engine: sa.Engine, *, periods: Periods, ref: Reference) -> None:
        self._engine, self.periods, self.ref = engine, periods, ref

    @contextmanager
    def _asking(self, viewer: Viewer) -> Iterator[sa.Connection]:
        """Give a connection for a viewer: under the landlord's own database role, where it has one."""
        with told(), reading(self._engine) as connection:
            database_roles.take(connection, viewer.landlord_id)
            yield connection

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

    def next_homes(
        self,
        viewer: Viewer,
        order: Sequence[str] = USUAL,
        *,
        limit: int | None = None,
        offset: int = 0,
        estate: str = "",
        only: str = "open",
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
        only
            A key of :data:`geo.portfolio.ask.ONLY`.
        now
            The moment it is asked at.

        Raises
        ------
        InputError
            When a key does not exist, or the viewer is not shown it; or homes cannot be cut down to that.
        """
        if only not in ask.ONLY:
            raise _no_such("next_homes", only, ask.ONLY)
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
                ref=self.ref,
                limit=int(self.ref.value("portfolio.page_homes")) if limit is None else max(1, limit),
                offset=max(0, offset),
                estate=estate,
                only=only,
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
            found = ask.repeats(connection, viewer, limit=limit)
        found["verdict"] = [VERDICT_WORDS[flag] for flag in found["flag"]]
        return found

    def unproven(
        self, viewer: Viewer, *, now: dt.datetime | None = None, limit: int | None = None
    ) -> pd.DataFrame:
        """Return diagnoses that nothing bears out, see :func:`geo.portfolio.ask.unproven`.

        After ``portfolio.unproven_days``; condensation without logged air at once.
        """
        with self._asking(viewer) as connection:
            found = ask.unproven(
                connection, viewer, now=now or dt.datetime.now(dt.UTC), ref=self.ref, limit=limit
            )
        found["said"] = [self._in_words(said) for said in found["said"]]
        return found

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
            return shared(ask_groups.shared_assets(connection, viewer))

    def patterns(self, viewer: Viewer, asset_kind: str, by: Sequence[str] = ("estate",)) -> Patterns:
        """Return the rates of failed assets of a kind by group, among inspected."""
        with self._asking(viewer) as connection:
            assets, homes = self._of_groups(connection, viewer, asset_kind, by)
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
            assets, homes = self._of_groups(connection, viewer, asset_kind, tuple(group))
        quiet = quiet_homes(assets, homes, asset_kind=asset_kind, by=tuple(group))
        for name, value in group.items():
            quiet = quiet[quiet[name] == value]
        wanted = int(self.ref.value("portfolio.sample_homes")) if count is None else count
        return draw_sample(list(quiet["home_id"]), wanted, seed=seed)

    def assets(self, viewer: Viewer) -> pd.DataFrame:
        """Return each asset of each home as it was last looked at, and who pays."""
        with self._asking(viewer) as connection:
            return ask_groups.assets(connection, viewer)

    def homes(self, viewer: Viewer) -> pd.DataFrame:
        """Return the facts of every home, and how many reports each had."""
        with self._asking(viewer) as connection:
            return ask_groups.home_facts(connection, viewer)

    def costs(self, viewer: Viewer, by: Sequence[str] = ("cause",)) -> pd.DataFrame:
        """Return money spent by whatever is named, see :func:`geo.portfolio.ask_groups.costs`."""
        for name in by:
            if name not in COST_COLUMNS:
                raise _no_such("costs", name, COST_COLUMNS)
        with self._asking(viewer) as connection:
            return ask_groups.costs(connection, viewer, by)

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

    def _of_groups(
        self, connection: sa.Connection, viewer: Viewer, asset_kind: str, by: Sequence[str]
    ) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Return the assets of a kind, and of every home what groups are made of; no more of either."""
        names = ask_groups.FACTS if set(by) - set(ask_groups.FACTS) else ("home_id", *by, "reports")
        return ask_groups.assets(connection, viewer, asset_kind), ask_groups.home_facts(
            connection, viewer, names
        )

    def _in_words(self, said: str) -> str:
        """Return a sentence with the cause it begins with in words; what is kept has its code only."""
        code, _, rest = said.partition(" ")
        return f"{code} ({self.ref.word('cause', code)}) {rest}"

    @property
    def _nation(self) -> Nation:
        return self.periods.nations["england"]


def _no_such(where: str, name: str, known: Collection[str]) -> InputError:
    found = Problem(
        file=where, column=name[:40], found="no such column", allowed=", ".join(known), mend="Name one."
    )
    return InputError([found])
