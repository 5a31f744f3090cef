"""Who read what of the sensitive things: a table that only ever grows."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from geo.store import columns

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

REFUSAL = "what was recorded is never altered"
TABLE = "read_log"


def upgrade() -> None:
    """Bring a database up to this step."""
    op.create_table(
        "read_log",
        sa.Column("read_id", sa.Text(), nullable=False),
        sa.Column("at", columns.Moment(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("site_id", sa.Text(), server_default="", nullable=False),
        sa.Column("landlord_id", sa.Text(), server_default="", nullable=False),
        sa.Column("home_id", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("read_id", name=op.f("pk_read_log")),
    )
    with op.batch_alter_table("read_log", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_read_log_at"), ["at"], unique=False)
        batch_op.create_index(batch_op.f("ix_read_log_landlord_id_at"), ["landlord_id", "at"], unique=False)
        batch_op.create_index(batch_op.f("ix_read_log_site_id_at"), ["site_id", "at"], unique=False)

    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            f"create or replace function {TABLE}_grows_only() returns trigger language plpgsql as"
            f" $$ begin raise exception '{REFUSAL}'; end $$"
        )
        op.execute(
            f"create trigger {TABLE}_grows_only before update or delete or truncate on {TABLE}"
            f" for each statement execute function {TABLE}_grows_only()"
        )
        return
    for change in ("update", "delete"):
        op.execute(
            f"create trigger {TABLE}_no_{change} before {change} on {TABLE}"
            f" begin select raise(abort, '{REFUSAL}'); end"
        )


def downgrade() -> None:
    """Refuse: a step back would lose what was recorded since."""
    raise NotImplementedError("a store is never brought to an older layout; open a back-up instead")
