"""What groups of homes are made of: their assets, their facts, their money."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import pandas as pd
import sqlalchemy as sa

from geo.portfolio.ask import framed, own
from geo.portfolio.patterns import ASSETS
from geo.portfolio.viewer import Viewer
from geo.store.register_tables import HOME_ASSET, HOME_COST, HOME_STATE

FACTS = ("home_id", "estate", "built_year", "drawing_type", "installer", "soil", "nation", "tenure",
         "easting_m", "northing_m", "open_cases_count", "wet_m", "reports")  # fmt: skip
"""What groups of homes can be made of."""


def assets(connection: sa.Connection, viewer: Viewer, asset_kind: str = "") -> pd.DataFrame:
    """Return each asset of each home as it was last looked at, and who pays; of one kind, or of all."""
    columns = [*ASSETS, "pays"]
    asked = sa.select(*(HOME_ASSET.c[name] for name in columns)).where(own(viewer, HOME_ASSET, connection))
    if asset_kind:
        asked = asked.where(HOME_ASSET.c.asset_kind == asset_kind)
    return framed(connection.execute(asked).all(), columns)


def shared_assets(connection: sa.Connection, viewer: Viewer) -> pd.DataFrame:
    """Return, as :func:`assets`, those that serve several homes of the viewer's."""
    columns = [*ASSETS, "pays"]
    whose = own(viewer, HOME_ASSET, connection)
    several = (
        sa.select(HOME_ASSET.c.asset_id)
        .where(whose)
        .group_by(HOME_ASSET.c.asset_id)
        .having(sa.func.count(sa.distinct(HOME_ASSET.c.home_id)) > 1)
    )
    asked = sa.select(*(HOME_ASSET.c[name] for name in columns)).where(whose)
    rows = connection.execute(asked.where(HOME_ASSET.c.asset_id.in_(several))).all()
    return framed(rows, columns)


def home_facts(connection: sa.Connection, viewer: Viewer, names: Collection[str] = FACTS) -> pd.DataFrame:
    """Return facts of every home: those of :data:`FACTS` that are named, in their order."""
    chosen = [name for name in FACTS if name in names]
    columns = [
        HOME_STATE.c.reports_count.label(name) if name == "reports" else HOME_STATE.c[name] for name in chosen
    ]
    rows = connection.execute(sa.select(*columns).where(own(viewer, HOME_STATE, connection))).all()
    found = framed(rows, chosen)
    if "built_year" in found:
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
    found = framed(rows, columns[:-1])
    found[["amount", "failed_amount"]] = found[["amount", "failed_amount"]].astype(float) / 100
    found["length_m"] = found["length_m"].astype(float)
    found["per_m"] = (found["amount"] / found["length_m"]).where(found["length_m"] > 0)
    return found
