"""Run by Alembic: take the connection the store hands over, and its transaction."""

from __future__ import annotations

from alembic import context

from geo.store.migrate import OPTIONS

context.configure(connection=context.config.attributes["connection"], **OPTIONS)
context.run_migrations()
