"""Homes are looked for by their place: an index over it, for the maps that show a part of them."""

from __future__ import annotations

from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring a database up to this step."""
    with op.batch_alter_table("home_state", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_home_state_landlord_id_easting_m_northing_m"),
            ["landlord_id", "easting_m", "northing_m"],
            unique=False,
        )


def downgrade() -> None:
    """Refuse: a step back would lose what was recorded since."""
    raise NotImplementedError("a store is never brought to an older layout; open a back-up instead")
