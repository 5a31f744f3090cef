"""Bring a database to the layout in use, and write the next step when a declaration has changed.

``python -m geo.store.migrate NAME`` compares the record declarations with the last step and writes the
step between them into ``migrations/versions``; a test fails until that is done.
"""

from __future__ import annotations

import re
import sys
import tempfile
import warnings
from functools import cache
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory

from geo.store import read_log as _read_log  # noqa: F401 - its table belongs to the layout
from geo.store import register_tables as _register_tables  # noqa: F401 - its tables belong to the layout
from geo.store.engine import connect, name_of, reading, writing
from geo.store.said import StoreError
from geo.store.tables import METADATA, RECORD_TABLES

STEPS = Path(__file__).parent / "migrations"
LOCK = 0x77616C6C
"""Key of the lock that lets one program at a time bring a server's database up."""


@cache
def head() -> str:
    """Return the name of the last step."""
    return str(ScriptDirectory.from_config(_config()).get_current_head())


@cache
def known_steps() -> frozenset[str]:
    """Return the names of all steps."""
    return frozenset(str(step.revision) for step in ScriptDirectory.from_config(_config()).walk_revisions())


def bring_up(engine: sa.Engine) -> None:
    """Bring a database to the last step, whole or not at all.

    Raises
    ------
    StoreError
        When a newer wallfoot made it, or it holds something that is not wallfoot's.
    """
    with reading(engine) as connection:
        standing = _standing(connection, engine)
    if standing == head():
        return
    with writing(engine) as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(sa.text("select pg_advisory_xact_lock(:key)"), {"key": LOCK})
        if _standing(connection, engine) == head():
            return
        command.upgrade(_config(connection), "head")
        if engine.dialect.name == "postgresql":
            for table in RECORD_TABLES.values():
                connection.exec_driver_sql(
                    f'create index if not exists "ix_{table.name}_shape" on "{table.name}" using gist (shape)'
                )
    engine.dispose()  # a file is written ahead from its next connection on


def differences(connection: sa.Connection) -> list[Any]:
    """Return how the tables of a database differ from the declarations."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Did not recognize type 'geometry'")  # see _same_type
        return list(compare_metadata(MigrationContext.configure(connection, opts=OPTIONS), METADATA))


def _standing(connection: sa.Connection, engine: sa.Engine) -> str | None:
    """Return the step a database stands at, ``None`` for an empty one."""
    names = set(sa.inspect(connection).get_table_names())
    if "alembic_version" not in names:
        if names & set(METADATA.tables) or (engine.dialect.name == "sqlite" and names):
            raise StoreError(f"{name_of(engine)} holds tables that are not wallfoot's. Name another.")
        return None
    found = connection.execute(sa.text("select version_num from alembic_version")).scalar_one_or_none()
    if found is not None and found not in known_steps():
        raise StoreError(
            f"{name_of(engine)} was made by a newer wallfoot (layout {found}, this one knows {head()})."
            " Bring wallfoot up to date to open it; nothing was changed."
        )
    return found


def _only_ours(_thing: Any, name: str | None, type_: str, _reflected: bool, _against: Any) -> bool:
    """Leave PostGIS's own tables and the indexes of shapes out of the comparison."""
    if type_ == "table":
        return name in METADATA.tables
    return not (type_ == "index" and str(name).endswith("_shape"))


def _same_type(_context: Any, _inspected: Any, column: Any, _found: Any, _declared: Any) -> bool | None:
    """Take a shape's column as right by its name: no inspection knows PostGIS's type."""
    return False if column.name == "shape" else None


OPTIONS: dict[str, Any] = {
    "include_object": _only_ours,
    "compare_type": _same_type,
    "target_metadata": METADATA,
    "transactional_ddl": True,
    "render_as_batch": True,
    "user_module_prefix": "columns.",
}


def _config(connection: sa.Connection | None = None) -> Config:
    made = Config()
    made.set_main_option("script_location", str(STEPS).replace("%", "%%"))
    made.attributes["connection"] = connection
    return made


def write_step(name: str) -> Path | None:
    """Write the step from the last one to the declarations as they are.

    Returns
    -------
    The file written, or ``None`` when nothing has changed.
    """
    with tempfile.TemporaryDirectory() as folder:
        engine = connect(Path(folder) / "blank.sqlite")
        if known_steps():
            bring_up(engine)
        with writing(engine) as connection:
            if not differences(connection):
                return None
            number = f"{len(known_steps()) + 1:04d}"
            slug = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
            made = command.revision(_config(connection), message=name, autogenerate=True, rev_id=number)
            path = Path(str(getattr(made, "path", "")))
        engine.dispose()
    return path.rename(path.with_name(f"v{number}_{slug}.py"))


if __name__ == "__main__":
    written = write_step(" ".join(sys.argv[1:]) or "follow the declarations")
    sys.stdout.write(f"{written or 'The declarations have not changed since the last step.'}\n")
