"""A problem placed at the row of the record it is about."""

from __future__ import annotations

from typing import Any

from geo.errors import Problem
from geo.site.model import Site
from geo.site.records import KINDS


def at(site: Site, record_id: str, column: str, kind: str, **said: Any) -> Problem:
    """Return a problem placed at a record's own file and row."""
    file, row = site.rows.get(record_id, (KINDS[kind].stem, None))
    return Problem(file=file, row=row, column=column, **said)
