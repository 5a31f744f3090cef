"""Questions to the register: each names its viewer, and gets that viewer's homes only."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
import sqlalchemy as sa

from geo.portfolio.counting import working_days_between
from geo.portfolio.derive import NO_AIR_LOG, UNPROVEN
from geo.portfolio.entry import Entry
from geo.portfolio.keys import KEYS, Sort
from geo.portfolio.periods import Nation
from geo.portfolio.saving import entry_of
from geo.portfolio.viewer import Viewer
from geo.portfolio.walls import VERDICT_WORDS
from geo.reference import Reference
from geo.store.blobs import batches
from geo.store.register_tables import (
    HOME_CLOCK,
    HOME_FLAG,
    HOME_STATE,
    REGISTER_EVENT,
)

ONLY = {
    "open": "An open case",
    "again": "Wet after a repair",
    "no_access": "Going stale, no way in",
    "unproven": "Diagnosis not borne out",
    "all": "Every home",
}
"""What a list of homes can be cut down to."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NextHomes:
    """One page of homes in the order a viewer chose.

    Parameters
    ----------
    table
        ``place`` (from 1), ``home_id``, ``estate``, ``said`` (what the keys are here), ``before_next``
        (the first key that puts it before the next), then the columns of the keys, and the home's facts.
    homes
        How many homes there are in all.
    keys
        The order, in words.
    """

    table: pd.DataFrame
    homes: int
    keys: tuple[str, ...]


def own(viewer: Viewer, table: sa.Table, connection: sa.Connection) -> sa.ColumnElement[bool]:
    """Return the condition that leaves a viewer's own rows."""
    whose = table.c.landlord_id == viewer.landlord_id
    if viewer.home_ids is None:
        return whose
    ids = sorted(viewer.home_ids)
    if connection.dialect.name == "postgresql":
        given: Any = sa.func.any(sa.cast(ids, sa.ARRAY(sa.Text)))
        return sa.and_(whose, table.c.home_id == given)
    listed = sa.func.json_each(json.dumps(ids)).table_valued("value")
    return sa.and_(whose, table.c.home_id.in_(sa.select(listed.c.value)))


def among(
    viewer: Viewer, only: str, connection: sa.Connection, *, now: dt.datetime, ref: Reference
) -> sa.ColumnElement[bool]:
    """Return the condition that leaves a viewer's own homes of one of :data:`ONLY`.

    The database looks for them: their numbers go nowhere.
    """
    whose = own(viewer, HOME_STATE, connection)
    if only == "open":
        return sa.and_(whose, HOME_STATE.c.open_cases_count > 0)
    if only == "no_access":
        return sa.and_(whose, _stale(now, ref))
    if only not in ("again", "unproven"):
        return whose
    kinds = _again() if only == "again" else _unproven(now, ref)
    flagged = sa.select(HOME_FLAG.c.home_id).where(HOME_FLAG.c.landlord_id == viewer.landlord_id, kinds)
    return sa.and_(whose, HOME_STATE.c.home_id.in_(flagged))


def _again() -> sa.ColumnElement[bool]:
    """Return the condition of a flag of a place wet after its repair."""
    return HOME_FLAG.c.flag.in_(tuple(VERDICT_WORDS))


def _unproven(now: dt.datetime, ref: Reference) -> sa.ColumnElement[bool]:
    """Return the condition of a flag of a diagnosis that should have been borne out by now."""
    old = now - dt.timedelta(days=ref.value("portfolio.unproven_days"))
    flag = HOME_FLAG.c.flag
    return sa.or_(flag == NO_AIR_LOG, sa.and_(flag == UNPROVEN, HOME_FLAG.c.since < old))


def _stale(now: dt.datetime, ref: Reference) -> sa.ColumnElement[bool]:
    """Return the condition of an open home nobody got into last time, and where nothing happened for long."""
    since = now - dt.timedelta(days=ref.value("portfolio.no_access_days"))
    table = HOME_STATE.c
    return sa.and_(table.open_cases_count > 0, table.no_access_count > 0, table.last_event_at < since)


def in_order(connection: sa.Connection, column: Any) -> Any:
    """Return a column of names to put rows in order by: the same order whatever a server's language is."""
    return column.collate("C") if connection.dialect.name == "postgresql" else column


def framed(rows: Sequence[Any], names: Sequence[str]) -> pd.DataFrame:
    """Return rows of a database as a table, column by column.

    Row by row it takes many times as long: each is asked whether it is something else first.
    """
    if not rows:
        return pd.DataFrame(columns=list(names))
    columns = zip(*rows, strict=True)
    return pd.DataFrame({name: list(column) for name, column in zip(names, columns, strict=True)})


def next_homes(
    connection: sa.Connection,
    viewer: Viewer,
    sorts: Sequence[Sort],
    *,
    nation: Nation,
    now: dt.datetime,
    ref: Reference,
    limit: int,
    offset: int = 0,
    estate: str = "",
    only: str = "open",
) -> NextHomes:
    """Return one page of homes of one of :data:`ONLY`.

    They are put in order by their keys and numbers alone; what else is told is then read of the page's only.
    """
    where = among(viewer, only, connection, now=now, ref=ref)
    if estate:
        where = sa.and_(where, HOME_STATE.c.estate == estate)
    by: list[Any] = []
    for sort in sorts:
        column = HOME_STATE.c[sort.key.column]
        by.append((column.desc() if sort.descending else column.asc()).nulls_last())
    by += [HOME_STATE.c.opened_at.asc().nulls_last(), in_order(connection, HOME_STATE.c.home_id)]
    names = [column.name for column in HOME_STATE.columns]
    shown = [name for name in names if name not in viewer.hidden_keys and name not in _OWN]
    asked = sa.select(HOME_STATE.c.home_id).where(where).order_by(*by).limit(limit + 1).offset(offset)
    on_page = list(connection.scalars(asked))
    whole = {
        row["home_id"]: row
        for some in batches(on_page)
        for row in connection.execute(
            sa.select(*(HOME_STATE.c[name] for name in shown)).where(
                HOME_STATE.c.landlord_id == viewer.landlord_id, HOME_STATE.c.home_id.in_(some)
            )
        ).mappings()
    }
    rows = [whole[home_id] for home_id in on_page]
    homes = connection.scalar(sa.select(sa.func.count()).select_from(HOME_STATE).where(where)) or 0
    told = [
        {
            "place": offset + n + 1,
            "home_id": row["home_id"],
            "estate": row["estate"],
            "said": _said(row, sorts, nation=nation, now=now),
            "before_next": _before(row, rows[n + 1], sorts) if n + 1 < len(rows) else "",
            **{name: row[name] for name in shown if name not in ("home_id", "estate")},
        }
        for n, row in enumerate(rows[:limit])
    ]
    first = ["place", "home_id", "estate", "said", "before_next"]
    table = pd.DataFrame(told, columns=first + [name for name in shown if name not in first])
    return NextHomes(table=table, homes=int(homes), keys=tuple(sort.key.label for sort in sorts))


_OWN = ("landlord_id", "head")


def _said(row: Any, sorts: Sequence[Sort], *, nation: Nation, now: dt.datetime) -> str:
    """Say a home's own values of the keys, in their order; other notable ones after them."""
    told = [sort.key.tell(row[sort.key.column], nation, now) for sort in sorts]
    return ", ".join(one for one in told if one) or "nothing of what was asked for"


def _before(row: Any, after: Any, sorts: Sequence[Sort]) -> str:
    """Name the first key in which a home differs from the one after it."""
    for sort in sorts:
        if row[sort.key.column] != after[sort.key.column]:
            return sort.key.label
    return KEYS["age"].label if row["opened_at"] != after["opened_at"] else "number of the home"


def events_of(connection: sa.Connection, viewer: Viewer, home_id: str) -> list[Entry]:
    """Return the events of one home a viewer is shown, in the order they were added."""
    if not viewer.sees(home_id):
        return []
    rows = connection.execute(
        sa.select(REGISTER_EVENT)
        .where(
            REGISTER_EVENT.c.landlord_id == viewer.landlord_id,
            REGISTER_EVENT.c.home_id == home_id,
            REGISTER_EVENT.c.kind.in_(viewer.kinds),
        )
        .order_by(REGISTER_EVENT.c.line)
    )
    return [entry_of(row) for row in rows]


def state_of(connection: sa.Connection, viewer: Viewer, home_id: str) -> dict[str, Any] | None:
    """Return what stands of one home, ``None`` when a viewer has no such home."""
    if not viewer.sees(home_id):
        return None
    row = (
        connection.execute(
            sa.select(HOME_STATE).where(
                HOME_STATE.c.landlord_id == viewer.landlord_id, HOME_STATE.c.home_id == home_id
            )
        )
        .mappings()
        .one_or_none()
    )
    return None if row is None else {name: row[name] for name in row if name not in viewer.hidden_keys}


def due(
    connection: sa.Connection, viewer: Viewer, *, before: dt.datetime, nation: Nation, now: dt.datetime
) -> pd.DataFrame:
    """Return the clocks that run out before a moment, the earliest first.

    Returns
    -------
    ``home_id``, ``case_id``, ``label``, ``by``, ``due_at`` (UTC), ``due_on``, ``assumed``, ``started_by``,
    ``working_days`` left (negative once passed), ``hour`` (`` 20:15``; ``""`` for the end of the day).
    """
    columns = ("home_id", "case_id", "label", "by", "due_at", "due_on", "assumed", "started_by")
    rows = connection.execute(
        sa.select(*(HOME_CLOCK.c[name] for name in columns))
        .where(own(viewer, HOME_CLOCK, connection), HOME_CLOCK.c.due_at < before)
        .order_by(HOME_CLOCK.c.due_at, in_order(connection, HOME_CLOCK.c.home_id), HOME_CLOCK.c.line)
    ).all()
    table = framed(rows, columns)
    days = pd.to_datetime(table["due_on"]).to_numpy(dtype="datetime64[D]")
    today = pd.Timestamp(now).tz_convert(nation.zone).date()
    table["working_days"] = working_days_between([today] * len(days), days, nation=nation)
    table["assumed"] = table["assumed"].astype(bool)
    table["hour"] = [_hour(moment, nation) for moment in table["due_at"]]
    return table


def _hour(moment: dt.datetime, nation: Nation) -> str:
    told = f"{moment.astimezone(ZoneInfo(nation.zone)):%H:%M}"
    return "" if told == "00:00" else f" {told}"


def repeats(connection: sa.Connection, viewer: Viewer, *, limit: int | None = None) -> pd.DataFrame:
    """Return places wet after their repair, the latest first; so many of them, or all."""
    return _flags(connection, viewer, [_again()], limit=limit)


def unproven(
    connection: sa.Connection, viewer: Viewer, *, now: dt.datetime, ref: Reference, limit: int | None = None
) -> pd.DataFrame:
    """Return diagnoses that nothing bears out: those without logged air first, each kind the latest first."""
    no_air = HOME_FLAG.c.flag == NO_AIR_LOG
    first = sa.case((no_air, 0), else_=1)
    return _flags(connection, viewer, [_unproven(now, ref)], limit=limit, before=[first])


def _flags(
    connection: sa.Connection,
    viewer: Viewer,
    which: Sequence[sa.ColumnElement[bool]],
    *,
    limit: int | None,
    before: Sequence[Any] = (),
) -> pd.DataFrame:
    """Return what should be looked at again.

    Returns
    -------
    ``home_id``, ``estate``, ``flag``, ``since`` (UTC), ``said``, ``rests_on`` (ids of events).
    """
    columns = (
        HOME_FLAG.c.home_id, HOME_STATE.c.estate, HOME_FLAG.c.flag, HOME_FLAG.c.since, HOME_FLAG.c.said,
        HOME_FLAG.c.rests_on,
    )  # fmt: skip
    rows = connection.execute(
        sa.select(*columns)
        .join(
            HOME_STATE,
            sa.and_(
                HOME_STATE.c.landlord_id == HOME_FLAG.c.landlord_id,
                HOME_STATE.c.home_id == HOME_FLAG.c.home_id,
            ),
        )
        .where(own(viewer, HOME_FLAG, connection), *which)
        .order_by(
            *before, HOME_FLAG.c.since.desc(), in_order(connection, HOME_FLAG.c.home_id), HOME_FLAG.c.line
        )
        .limit(limit)
    ).all()
    return framed(rows, [column.name for column in columns])


def no_access(connection: sa.Connection, viewer: Viewer, *, now: dt.datetime, ref: Reference) -> pd.DataFrame:
    """Return open homes nobody got into last time, and where nothing happened for long, the longest first.

    Returns
    -------
    ``home_id``, ``estate``, ``tries``, ``last_event_at``, ``days``, ``law_due_at``, ``said``.
    """
    table = HOME_STATE.c
    rows = connection.execute(
        sa.select(
            table.home_id,
            table.estate,
            table.no_access_count.label("tries"),
            table.last_event_at,
            table.law_due_at,
        )
        .where(own(viewer, HOME_STATE, connection), _stale(now, ref))
        .order_by(table.last_event_at, in_order(connection, table.home_id))
    ).all()
    found = framed(rows, ["home_id", "estate", "tries", "last_event_at", "law_due_at"])
    found["days"] = [(now - one).days for one in found["last_event_at"]]
    found["said"] = [
        f"{row.tries} {'try' if row.tries == 1 else 'tries'} to get in failed; nothing for {row.days} days"
        for row in found.itertuples()
    ]
    return found


def past_keeping(
    connection: sa.Connection, viewer: Viewer, *, now: dt.datetime, ref: Reference
) -> pd.DataFrame:
    """Return homes without an open case where nothing happened for ``portfolio.keep_years``.

    Returns
    -------
    ``home_id``, ``estate``, ``last_event_at``, ``events_count``, the longest ago first. Nothing is taken out
    of a register: whether such a file is to be kept is for its keeper.
    """
    since = now - dt.timedelta(days=365.25 * ref.value("portfolio.keep_years"))
    names = ("home_id", "estate", "last_event_at", "events_count")
    rows = connection.execute(
        sa.select(*(HOME_STATE.c[name] for name in names))
        .where(own(viewer, HOME_STATE, connection), HOME_STATE.c.open_cases_count == 0)
        .where(HOME_STATE.c.last_event_at < since)
        .order_by(HOME_STATE.c.last_event_at, in_order(connection, HOME_STATE.c.home_id))
    ).all()
    return framed(rows, names)
