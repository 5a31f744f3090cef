"""What follows from the events of some homes, put in place of what followed before."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from geo.portfolio.derive import derive
from geo.portfolio.entry import Entry
from geo.portfolio.periods import Periods
from geo.reference import Reference
from geo.store.blobs import batches
from geo.store.register_tables import DERIVED, HOME_ASSET, HOME_CLOCK, HOME_COST, HOME_FLAG, HOME_STATE

ROWS = 20_000
"""Rows handed to the database at a time."""


def bring_along(
    connection: sa.Connection,
    landlord_id: str,
    homes: Mapping[str, Sequence[Entry]],
    *,
    periods: Periods,
    ref: Reference,
) -> None:
    """Put what follows from the events of some homes in place of what followed before."""
    touched = _assets_of(connection, landlord_id, list(homes))
    for some in batches(list(homes)):
        for table in DERIVED:
            connection.execute(
                table.delete().where(table.c.landlord_id == landlord_id, table.c.home_id.in_(some))
            )
    rows: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for home_id, entries in homes.items():
        made = derive(landlord_id, home_id, entries, periods=periods, ref=ref)
        rows[HOME_STATE.name].append({**made.state, "spread_count": 0})
        rows[HOME_CLOCK.name] += made.clocks
        rows[HOME_ASSET.name] += made.assets
        rows[HOME_FLAG.name] += made.flags
        rows[HOME_COST.name] += made.costs
    for table in DERIVED:
        insert_rows(connection, table, rows[table.name])
    touched |= {row["asset_id"] for row in rows[HOME_ASSET.name]}
    _spread(connection, landlord_id, touched, list(homes))


def _assets_of(connection: sa.Connection, landlord_id: str, home_ids: list[str]) -> set[str]:
    found: set[str] = set()
    for some in batches(home_ids):
        found |= set(
            connection.scalars(
                sa.select(HOME_ASSET.c.asset_id)
                .where(HOME_ASSET.c.landlord_id == landlord_id, HOME_ASSET.c.home_id.in_(some))
                .distinct()
            )
        )
    return found


def _spread(connection: sa.Connection, landlord_id: str, assets: set[str], home_ids: list[str]) -> None:
    """Count the other homes that the failed assets of each home serve, wherever one of these was touched.

    An asset is failed where its last look in any of its homes found it so.
    """
    homes = set(home_ids)
    for some in batches(sorted(assets)):
        homes |= set(
            connection.scalars(
                sa.select(HOME_ASSET.c.home_id)
                .where(HOME_ASSET.c.landlord_id == landlord_id, HOME_ASSET.c.asset_id.in_(some))
                .distinct()
            )
        )
    one, other = HOME_ASSET.alias("one"), HOME_ASSET.alias("other")
    failed = HOME_ASSET.alias("failed")
    for some in batches(sorted(homes)):
        served = (
            sa.select(one.c.home_id, sa.func.count(sa.distinct(other.c.home_id)).label("others"))
            .join(
                other,
                sa.and_(
                    other.c.landlord_id == one.c.landlord_id,
                    other.c.asset_id == one.c.asset_id,
                    other.c.home_id != one.c.home_id,
                ),
            )
            .where(one.c.landlord_id == landlord_id, one.c.home_id.in_(some))
            .where(
                sa.exists().where(
                    failed.c.landlord_id == one.c.landlord_id,
                    failed.c.asset_id == one.c.asset_id,
                    failed.c.state == "failed",
                )
            )
            .group_by(one.c.home_id)
        )
        counted = {row.home_id: int(row.others) for row in connection.execute(served)}
        now = {
            row.home_id: int(row.spread_count)
            for row in connection.execute(
                sa.select(HOME_STATE.c.home_id, HOME_STATE.c.spread_count).where(
                    HOME_STATE.c.landlord_id == landlord_id, HOME_STATE.c.home_id.in_(some)
                )
            )
        }
        changed = [
            {"own": home_id, "others": counted.get(home_id, 0)}
            for home_id in now
            if counted.get(home_id, 0) != now[home_id]
        ]
        if changed:
            connection.execute(
                HOME_STATE.update()
                .where(HOME_STATE.c.landlord_id == landlord_id, HOME_STATE.c.home_id == sa.bindparam("own"))
                .values(spread_count=sa.bindparam("others")),
                changed,
            )


def insert_rows(connection: sa.Connection, table: sa.Table, rows: Iterable[dict[str, Any]]) -> None:
    """Insert rows, some thousands at a time."""
    some: list[dict[str, Any]] = []
    for row in rows:
        some.append(row)
        if len(some) == ROWS:
            connection.execute(table.insert(), some)
            some = []
    if some:
        connection.execute(table.insert(), some)
