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
from geo.portfolio.entry import Entry
from geo.portfolio.keys import KEYS, Sort
from geo.portfolio.patterns import ASSETS
from geo.portfolio.periods import Nation
from geo.portfolio.saving import entry_of
from geo.portfolio.viewer import Viewer
from geo.reference import Reference
from geo.store.register_tables import (
    HOME_ASSET,
    HOME_CLOCK,
    HOME_COST,
    HOME_FLAG,
    HOME_STATE,
    REGISTER_EVENT,
)


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


def next_homes(
    connection: sa.Connection,
    viewer: Viewer,
    sorts: Sequence[Sort],
    *,
    nation: Nation,
    now: dt.datetime,
    limit: int,
    offset: int = 0,
    estate: str = "",
    every: bool = False,
) -> NextHomes:
    """Return one page of homes: those with an open case, or every one."""
    where = own(viewer, HOME_STATE, connection)
    if not every:
        where = sa.and_(where, HOME_STATE.c.open_cases_count > 0)
    if estate:
        where = sa.and_(where, HOME_STATE.c.estate == estate)
    by: list[Any] = []
    for sort in sorts:
        column = HOME_STATE.c[sort.key.column]
        by.append((column.desc() if sort.descending else column.asc()).nulls_last())
    by += [HOME_STATE.c.opened_at.asc().nulls_last(), HOME_STATE.c.home_id.asc()]
    names = [column.name for column in HOME_STATE.columns]
    shown = [name for name in names if name not in viewer.hidden_keys and name not in _OWN]
    asked = sa.select(*(HOME_STATE.c[name] for name in shown)).where(where).order_by(*by)
    rows = connection.execute(asked.limit(limit + 1).offset(offset)).mappings().all()
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
        .order_by(HOME_CLOCK.c.due_at, HOME_CLOCK.c.home_id, HOME_CLOCK.c.line)
    ).all()
    table = pd.DataFrame(rows, columns=list(columns))
    days = pd.to_datetime(table["due_on"]).to_numpy(dtype="datetime64[D]")
    today = pd.Timestamp(now).tz_convert(nation.zone).date()
    table["working_days"] = working_days_between([today] * len(days), days, nation=nation)
    table["assumed"] = table["assumed"].astype(bool)
    table["hour"] = [_hour(moment, nation) for moment in table["due_at"]]
    return table


def _hour(moment: dt.datetime, nation: Nation) -> str:
    told = f"{moment.astimezone(ZoneInfo(nation.zone)):%H:%M}"
    return "" if told == "00:00" else f" {told}"


def flags(
    connection: sa.Connection,
    viewer: Viewer,
    kinds: Sequence[str],
    *,
    before: dt.datetime | None = None,
    limit: int | None = None,
) -> pd.DataFrame:
    """Return what should be looked at again, the latest first; so many of them, or all.

    Returns
    -------
    ``home_id``, ``estate``, ``flag``, ``since`` (UTC), ``said``, ``rests_on`` (ids of events).
    """
    where = sa.and_(own(viewer, HOME_FLAG, connection), HOME_FLAG.c.flag.in_(list(kinds)))
    if before is not None:
        where = sa.and_(where, HOME_FLAG.c.since < before)
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
        .where(where)
        .order_by(HOME_FLAG.c.since.desc(), HOME_FLAG.c.home_id, HOME_FLAG.c.line)
        .limit(limit)
    ).all()
    return pd.DataFrame(rows, columns=[column.name for column in columns])


def no_access(connection: sa.Connection, viewer: Viewer, *, now: dt.datetime, ref: Reference) -> pd.DataFrame:
    """Return open homes nobody got into last time, and where nothing happened for long, the longest first.

    Returns
    -------
    ``home_id``, ``estate``, ``tries``, ``last_event_at``, ``days``, ``law_due_at``, ``said``.
    """
    since = now - dt.timedelta(days=ref.value("portfolio.no_access_days"))
    table = HOME_STATE.c
    rows = connection.execute(
        sa.select(
            table.home_id,
            table.estate,
            table.no_access_count.label("tries"),
            table.last_event_at,
            table.law_due_at,
        )
        .where(own(viewer, HOME_STATE, connection), table.open_cases_count > 0)
        .where(table.no_access_count > 0, table.last_event_at < since)
        .order_by(table.last_event_at, table.home_id)
    ).all()
    found = pd.DataFrame(rows, columns=["home_id", "estate", "tries", "last_event_at", "law_due_at"])
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
        .order_by(HOME_STATE.c.last_event_at, HOME_STATE.c.home_id)
    ).all()
    return pd.DataFrame(rows, columns=list(names))


def assets(connection: sa.Connection, viewer: Viewer) -> pd.DataFrame:
    """Return each asset of each home as it was last looked at, and who pays."""
    columns = [*ASSETS, "pays"]
    rows = connection.execute(
        sa.select(*(HOME_ASSET.c[name] for name in columns)).where(own(viewer, HOME_ASSET, connection))
    ).all()
    return pd.DataFrame(rows, columns=columns)


def home_facts(connection: sa.Connection, viewer: Viewer) -> pd.DataFrame:
    """Return what groups are made of: facts of every home, with how many reports each had."""
    names = ["home_id", "estate", "built_year", "drawing_type", "installer", "soil", "nation", "tenure"]
    names += ["easting_m", "northing_m", "open_cases_count", "wet_m"]
    rows = connection.execute(
        sa.select(*(HOME_STATE.c[name] for name in names), HOME_STATE.c.reports_count.label("reports")).where(
            own(viewer, HOME_STATE, connection)
        )
    ).all()
    found = pd.DataFrame(rows, columns=[*names, "reports"])
    found["built_year"] = found["built_year"].astype("Int64").astype("string").fillna("")
    return found


def costs(connection: sa.Connection, viewer: Viewer, by: Sequence[str]) -> pd.DataFrame:
    """Return money spent, and of it on repairs that failed, by currency and whatever else is named.

    Parameters
    ----------
    by
        Of ``home_id``, ``cause``, ``cost_for``.

    Returns
    -------
    ``currency``, the columns of ``by``, ``amount``, ``failed_amount``, ``length_m``, ``per_m`` (NaN where no
    length was recorded). Nothing for a viewer who is not shown money.
    """
    columns = ["currency", *by, "amount", "failed_amount", "length_m", "per_m"]
    if "cost_hundredths" in viewer.hidden_keys:
        return pd.DataFrame(columns=columns)
    group = [HOME_COST.c.currency, *(HOME_COST.c[name] for name in by)]
    rows = connection.execute(
        sa.select(
            *group,
            sa.cast(sa.func.sum(HOME_COST.c.hundredths), sa.BigInteger).label("amount"),
            sa.cast(sa.func.sum(HOME_COST.c.failed_hundredths), sa.BigInteger).label("failed_amount"),
            sa.func.sum(HOME_COST.c.length_m).label("length_m"),
        )
        .where(own(viewer, HOME_COST, connection))
        .group_by(*group)
        .order_by(*group)
    ).all()
    found = pd.DataFrame(rows, columns=columns[:-1])
    found[["amount", "failed_amount"]] = found[["amount", "failed_amount"]].astype(float) / 100
    found["length_m"] = found["length_m"].astype(float)
    found["per_m"] = (found["amount"] / found["length_m"]).where(found["length_m"] > 0)
    return found
