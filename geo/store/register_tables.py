"""Tables of the register of homes: events that only ever grow, and what follows from them.

``register_event`` is the truth. The tables ``home_*`` say what follows from it, are brought along with each
saving, and can be made again from it, the same (:mod:`geo.portfolio.rebuild`).
"""

from __future__ import annotations

import sqlalchemy as sa

from geo.store.columns import Moment
from geo.store.tables import METADATA

_Whole = sa.Integer


def _landlord() -> sa.Column[str]:
    return sa.Column("landlord_id", sa.Text, primary_key=True)


def _home() -> sa.Column[str]:
    return sa.Column("home_id", sa.Text, primary_key=True)


def _line() -> sa.Column[int]:
    return sa.Column("line", sa.Integer, primary_key=True, autoincrement=False)


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False, server_default="")


def _count(name: str) -> sa.Column[int]:
    return sa.Column(name, _Whole, nullable=False, server_default="0")


def _measure(name: str) -> sa.Column[float]:
    return sa.Column(name, sa.Double, nullable=False, server_default="0")


REGISTER_LANDLORD = sa.Table(
    "register_landlord",
    METADATA,
    _landlord(),
    sa.Column("batches", sa.Integer, nullable=False),
    sa.Column("head", sa.LargeBinary, nullable=False),
    sa.Column("counted_by", sa.Text, nullable=False),
    sa.Column("created_at", Moment, nullable=False),
)
"""One row a landlord: its last saving, the hash over all of them, and what its dates are counted by."""

REGISTER_BATCH = sa.Table(
    "register_batch",
    METADATA,
    _landlord(),
    sa.Column("batch", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("saved_at", Moment, nullable=False),
    sa.Column("by", sa.Text, nullable=False),
    sa.Column("why", sa.Text, nullable=False),
    sa.Column("events_count", sa.Integer, nullable=False),
    sa.Column("head", sa.LargeBinary, nullable=False),
    sa.ForeignKeyConstraint(["landlord_id"], ["register_landlord.landlord_id"]),
)

REGISTER_EVENT = sa.Table(
    "register_event",
    METADATA,
    _landlord(),
    _home(),
    _line(),
    sa.Column("event_id", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("case_id", sa.Text, nullable=False),
    sa.Column("at", Moment, nullable=False),
    sa.Column("with_time", sa.Boolean, nullable=False),
    sa.Column("by_role", sa.Text, nullable=False),
    sa.Column("corrects", sa.Text, nullable=False),
    sa.Column("payload", sa.Text, nullable=False),
    sa.Column("batch", sa.Integer, nullable=False),
    sa.Column("digest", sa.LargeBinary, nullable=False),
    sa.ForeignKeyConstraint(["landlord_id", "batch"], ["register_batch.landlord_id", "register_batch.batch"]),
    sa.UniqueConstraint("landlord_id", "event_id"),
    sqlite_with_rowid=False,
)

REGISTER_FILE = sa.Table(
    "register_file",
    METADATA,
    _landlord(),
    sa.Column("sha256", sa.Text, primary_key=True),
    _line(),
    sa.Column("content", sa.LargeBinary, nullable=False),
)
"""Bytes of documents, in pieces; kept apart from the files of sites, so that a landlord sees its own only."""

REGISTER_READER = sa.Table(
    "register_reader",
    METADATA,
    sa.Column("role_name", sa.Text, primary_key=True),
    sa.Column("landlord_id", sa.Text, primary_key=True),
)
"""Database roles that may read a landlord's rows, on a server."""

HOME_STATE = sa.Table(
    "home_state",
    METADATA,
    _landlord(),
    _home(),
    _text("estate"),
    _text("nation"),
    _text("tenure"),
    sa.Column("easting_m", sa.Double),
    sa.Column("northing_m", sa.Double),
    sa.Column("built_year", sa.Double),
    _text("drawing_type"),
    _text("installer"),
    _text("soil"),
    sa.Column("bedrooms_count", sa.Double),
    _text("site_id"),
    _count("open_cases_count"),
    sa.Column("law_due_at", Moment),
    sa.Column("promise_due_at", Moment),
    _count("emergency"),
    _count("electrics"),
    _count("sewage"),
    _count("vulnerable"),
    _count("bedrooms_affected_count"),
    _measure("wet_m"),
    _count("free_water"),
    _measure("growing_m"),
    _measure("unexplained_m"),
    _count("proven"),
    _count("let_in"),
    _count("party"),
    _count("spread_count"),
    sa.Column("opened_at", Moment),
    _count("repeats_count"),
    _count("reports_count"),
    _count("no_access_count"),
    sa.Column("last_event_at", Moment),
    sa.Column("cost_hundredths", sa.BigInteger, nullable=False, server_default="0"),
    _text("currency"),
    _count("events_count"),
    sa.Column("head", sa.LargeBinary, nullable=False),
    sa.Index(None, "landlord_id", "easting_m", "northing_m"),
)
"""One row a home. Its place is two plain numbers with an index over them.

A landlord's own database role can use it: before a policy of rows a server lets comparisons of numbers near
an index, and none of geometries.
"""

HOME_CLOCK = sa.Table(
    "home_clock",
    METADATA,
    _landlord(),
    _home(),
    _line(),
    _text("case_id"),
    _text("period"),
    _text("label"),
    _text("by"),
    sa.Column("due_at", Moment, nullable=False),
    _text("due_on"),
    _text("started_by"),
    _count("assumed"),
    sa.Index(None, "landlord_id", "due_at"),
)
"""Clocks that run."""

HOME_ASSET = sa.Table(
    "home_asset",
    METADATA,
    _landlord(),
    _home(),
    sa.Column("asset_id", sa.Text, primary_key=True),
    _text("asset_kind"),
    _text("state"),
    _text("inspected_on"),
    _text("chosen_by"),
    _text("pays"),
    _text("event_id"),
    sa.Index(None, "landlord_id", "asset_id"),
)

HOME_FLAG = sa.Table(
    "home_flag",
    METADATA,
    _landlord(),
    _home(),
    _line(),
    _text("flag"),
    sa.Column("since", Moment, nullable=False),
    _text("said"),
    _text("rests_on"),
    sa.Index(None, "landlord_id", "flag", "since"),
)

HOME_COST = sa.Table(
    "home_cost",
    METADATA,
    _landlord(),
    _home(),
    _line(),
    _text("currency"),
    _text("cost_for"),
    _text("cause"),
    sa.Column("hundredths", sa.BigInteger, nullable=False, server_default="0"),
    sa.Column("failed_hundredths", sa.BigInteger, nullable=False, server_default="0"),
    _measure("length_m"),
)

GROWING = (REGISTER_BATCH, REGISTER_EVENT, REGISTER_FILE)
"""Tables the database itself lets only grow."""
DERIVED = (HOME_STATE, HOME_CLOCK, HOME_ASSET, HOME_FLAG, HOME_COST)
"""Tables that follow from the events."""
GUARDED = (REGISTER_LANDLORD, *GROWING, *DERIVED)
"""Tables a landlord's own database role may read, its own rows only."""
