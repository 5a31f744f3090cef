"""The register of homes: events that only grow, what follows from them, and who may read whose."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from geo.store import columns

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

REFUSAL = "what was recorded is never altered"
GROWING = ("register_batch", "register_event", "register_file")
GUARDED = (
    "register_landlord",
    *GROWING,
    "home_state",
    "home_clock",
    "home_asset",
    "home_flag",
    "home_cost",
)


def upgrade() -> None:
    """Bring a database up to this step."""
    op.create_table(
        "home_asset",
        sa.Column("landlord_id", sa.Text(), nullable=False),
        sa.Column("home_id", sa.Text(), nullable=False),
        sa.Column("asset_id", sa.Text(), nullable=False),
        sa.Column("asset_kind", sa.Text(), server_default="", nullable=False),
        sa.Column("state", sa.Text(), server_default="", nullable=False),
        sa.Column("inspected_on", sa.Text(), server_default="", nullable=False),
        sa.Column("chosen_by", sa.Text(), server_default="", nullable=False),
        sa.Column("pays", sa.Text(), server_default="", nullable=False),
        sa.Column("event_id", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("landlord_id", "home_id", "asset_id", name=op.f("pk_home_asset")),
    )
    with op.batch_alter_table("home_asset", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_home_asset_landlord_id_asset_id"), ["landlord_id", "asset_id"], unique=False
        )

    op.create_table(
        "home_clock",
        sa.Column("landlord_id", sa.Text(), nullable=False),
        sa.Column("home_id", sa.Text(), nullable=False),
        sa.Column("line", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("case_id", sa.Text(), server_default="", nullable=False),
        sa.Column("period", sa.Text(), server_default="", nullable=False),
        sa.Column("label", sa.Text(), server_default="", nullable=False),
        sa.Column("by", sa.Text(), server_default="", nullable=False),
        sa.Column("due_at", columns.Moment(), nullable=False),
        sa.Column("due_on", sa.Text(), server_default="", nullable=False),
        sa.Column("started_by", sa.Text(), server_default="", nullable=False),
        sa.Column("assumed", sa.Integer(), server_default="0", nullable=False),
        sa.PrimaryKeyConstraint("landlord_id", "home_id", "line", name=op.f("pk_home_clock")),
    )
    with op.batch_alter_table("home_clock", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_home_clock_landlord_id_due_at"), ["landlord_id", "due_at"], unique=False
        )

    op.create_table(
        "home_cost",
        sa.Column("landlord_id", sa.Text(), nullable=False),
        sa.Column("home_id", sa.Text(), nullable=False),
        sa.Column("line", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("currency", sa.Text(), server_default="", nullable=False),
        sa.Column("cost_for", sa.Text(), server_default="", nullable=False),
        sa.Column("cause", sa.Text(), server_default="", nullable=False),
        sa.Column("hundredths", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("failed_hundredths", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("length_m", sa.Double(), server_default="0", nullable=False),
        sa.PrimaryKeyConstraint("landlord_id", "home_id", "line", name=op.f("pk_home_cost")),
    )
    op.create_table(
        "home_flag",
        sa.Column("landlord_id", sa.Text(), nullable=False),
        sa.Column("home_id", sa.Text(), nullable=False),
        sa.Column("line", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("flag", sa.Text(), server_default="", nullable=False),
        sa.Column("since", columns.Moment(), nullable=False),
        sa.Column("said", sa.Text(), server_default="", nullable=False),
        sa.Column("rests_on", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("landlord_id", "home_id", "line", name=op.f("pk_home_flag")),
    )
    with op.batch_alter_table("home_flag", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_home_flag_landlord_id_flag_since"), ["landlord_id", "flag", "since"], unique=False
        )

    op.create_table(
        "home_state",
        sa.Column("landlord_id", sa.Text(), nullable=False),
        sa.Column("home_id", sa.Text(), nullable=False),
        sa.Column("estate", sa.Text(), server_default="", nullable=False),
        sa.Column("nation", sa.Text(), server_default="", nullable=False),
        sa.Column("tenure", sa.Text(), server_default="", nullable=False),
        sa.Column("easting_m", sa.Double(), nullable=True),
        sa.Column("northing_m", sa.Double(), nullable=True),
        sa.Column("built_year", sa.Double(), nullable=True),
        sa.Column("drawing_type", sa.Text(), server_default="", nullable=False),
        sa.Column("installer", sa.Text(), server_default="", nullable=False),
        sa.Column("soil", sa.Text(), server_default="", nullable=False),
        sa.Column("bedrooms_count", sa.Double(), nullable=True),
        sa.Column("site_id", sa.Text(), server_default="", nullable=False),
        sa.Column("open_cases_count", sa.Integer(), server_default="0", nullable=False),
        sa.Column("law_due_at", columns.Moment(), nullable=True),
        sa.Column("promise_due_at", columns.Moment(), nullable=True),
        sa.Column("emergency", sa.Integer(), server_default="0", nullable=False),
        sa.Column("electrics", sa.Integer(), server_default="0", nullable=False),
        sa.Column("sewage", sa.Integer(), server_default="0", nullable=False),
        sa.Column("vulnerable", sa.Integer(), server_default="0", nullable=False),
        sa.Column("bedrooms_affected_count", sa.Integer(), server_default="0", nullable=False),
        sa.Column("wet_m", sa.Double(), server_default="0", nullable=False),
        sa.Column("free_water", sa.Integer(), server_default="0", nullable=False),
        sa.Column("growing_m", sa.Double(), server_default="0", nullable=False),
        sa.Column("unexplained_m", sa.Double(), server_default="0", nullable=False),
        sa.Column("proven", sa.Integer(), server_default="0", nullable=False),
        sa.Column("let_in", sa.Integer(), server_default="0", nullable=False),
        sa.Column("party", sa.Integer(), server_default="0", nullable=False),
        sa.Column("spread_count", sa.Integer(), server_default="0", nullable=False),
        sa.Column("opened_at", columns.Moment(), nullable=True),
        sa.Column("repeats_count", sa.Integer(), server_default="0", nullable=False),
        sa.Column("reports_count", sa.Integer(), server_default="0", nullable=False),
        sa.Column("no_access_count", sa.Integer(), server_default="0", nullable=False),
        sa.Column("last_event_at", columns.Moment(), nullable=True),
        sa.Column("cost_hundredths", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("currency", sa.Text(), server_default="", nullable=False),
        sa.Column("events_count", sa.Integer(), server_default="0", nullable=False),
        sa.Column("head", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("landlord_id", "home_id", name=op.f("pk_home_state")),
    )
    op.create_table(
        "register_file",
        sa.Column("landlord_id", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("line", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("landlord_id", "sha256", "line", name=op.f("pk_register_file")),
    )
    op.create_table(
        "register_landlord",
        sa.Column("landlord_id", sa.Text(), nullable=False),
        sa.Column("batches", sa.Integer(), nullable=False),
        sa.Column("head", sa.LargeBinary(), nullable=False),
        sa.Column("counted_by", sa.Text(), nullable=False),
        sa.Column("created_at", columns.Moment(), nullable=False),
        sa.PrimaryKeyConstraint("landlord_id", name=op.f("pk_register_landlord")),
    )
    op.create_table(
        "register_reader",
        sa.Column("role_name", sa.Text(), nullable=False),
        sa.Column("landlord_id", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("role_name", "landlord_id", name=op.f("pk_register_reader")),
    )
    op.create_table(
        "register_batch",
        sa.Column("landlord_id", sa.Text(), nullable=False),
        sa.Column("batch", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("saved_at", columns.Moment(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("events_count", sa.Integer(), nullable=False),
        sa.Column("head", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["landlord_id"],
            ["register_landlord.landlord_id"],
            name=op.f("fk_register_batch_register_landlord"),
        ),
        sa.PrimaryKeyConstraint("landlord_id", "batch", name=op.f("pk_register_batch")),
    )
    op.create_table(
        "register_event",
        sa.Column("landlord_id", sa.Text(), nullable=False),
        sa.Column("home_id", sa.Text(), nullable=False),
        sa.Column("line", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("event_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("case_id", sa.Text(), nullable=False),
        sa.Column("at", columns.Moment(), nullable=False),
        sa.Column("with_time", sa.Boolean(), nullable=False),
        sa.Column("by_role", sa.Text(), nullable=False),
        sa.Column("corrects", sa.Text(), nullable=False),
        sa.Column("payload", sa.Text(), nullable=False),
        sa.Column("batch", sa.Integer(), nullable=False),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["landlord_id", "batch"],
            ["register_batch.landlord_id", "register_batch.batch"],
            name=op.f("fk_register_event_register_batch"),
        ),
        sa.PrimaryKeyConstraint("landlord_id", "home_id", "line", name=op.f("pk_register_event")),
        sa.UniqueConstraint("landlord_id", "event_id", name=op.f("uq_register_event_landlord_id_event_id")),
        sqlite_with_rowid=False,
    )
    on_server = op.get_bind().dialect.name == "postgresql"
    for table in GROWING:
        _never_altered(table, on_server=on_server)
    if on_server:
        _own_rows_only()


def _never_altered(table: str, *, on_server: bool) -> None:
    """Let the database itself refuse to alter or delete what was recorded."""
    if on_server:
        op.execute(
            f"create or replace function {table}_grows_only() returns trigger language plpgsql as"
            f" $$ begin raise exception '{REFUSAL}'; end $$"
        )
        op.execute(
            f"create trigger {table}_grows_only before update or delete or truncate on {table}"
            f" for each statement execute function {table}_grows_only()"
        )
        return
    for change in ("update", "delete"):
        op.execute(
            f"create trigger {table}_no_{change} before {change} on {table}"
            f" begin select raise(abort, '{REFUSAL}'); end"
        )


def _own_rows_only() -> None:
    """Let a database role see the rows of its own landlord only, whatever it asks.

    Which landlord is its own stands in ``register_reader``, of which a role sees its own rows and which it
    cannot change. The tables' owner is not bound by this.
    """
    op.execute("alter table register_reader enable row level security")
    op.execute("create policy own_name on register_reader for select using (role_name = current_user)")
    for table in GUARDED:
        op.execute(f"alter table {table} enable row level security")
        op.execute(
            f"create policy own_landlord on {table} for select using (landlord_id in"  # noqa: S608 - named above
            " (select landlord_id from register_reader where role_name = current_user))"
        )


def downgrade() -> None:
    """Refuse: a step back would lose what was recorded since."""
    raise NotImplementedError("a store is never brought to an older layout; open a back-up instead")
