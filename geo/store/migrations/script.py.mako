"""${message}."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from geo.store import columns

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring a database up to this step."""
    ${upgrades if upgrades else "pass"}


def downgrade() -> None:
    """Refuse: a step back would lose what was recorded since."""
    raise NotImplementedError("a store is never brought to an older layout; open a back-up instead")
