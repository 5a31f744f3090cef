"""A landlord's own role in a PostgreSQL server: it reads that landlord's rows and no others.

The rows are kept apart by policies of the database itself (made with the tables), which hold for whatever the
role asks, by this program or by any other. A file has no roles; there this program alone keeps them apart.
"""

from __future__ import annotations

import sqlalchemy as sa

from geo.store.register_tables import GUARDED, REGISTER_LANDLORD, REGISTER_READER
from geo.store.said import StoreError


def let_in(connection: sa.Connection, role_name: str, landlord_id: str) -> None:
    """Let a role that exists read one landlord's rows.

    Raises
    ------
    StoreError
        When the workspace is a file, the role or the landlord does not exist, the role is one the policies
        do not bind, or it already reads another landlord's rows.
    """
    if connection.dialect.name != "postgresql":
        raise StoreError(
            "A workspace in a file has no roles: only a PostgreSQL server keeps landlords apart itself."
        )
    row = connection.execute(
        sa.text("select rolsuper, rolbypassrls from pg_roles where rolname = :name"), {"name": role_name}
    ).one_or_none()
    if row is None:
        raise StoreError(
            f"There is no database role {role_name[:80]!r}. Make it first: create role NAME login."
        )
    if row.rolsuper or row.rolbypassrls:
        raise StoreError(f"The role {role_name[:80]!r} is bound by no policy. Make one without such rights.")
    owner = connection.scalar(
        sa.text(
            "select pg_has_role(:name, tableowner, 'member') from pg_tables"
            " where tablename = 'register_event'"
        ),
        {"name": role_name},
    )
    if owner:
        raise StoreError(
            f"The role {role_name[:80]!r} owns the tables, or may act as their owner. Make another."
        )
    if (
        connection.scalar(
            sa.select(REGISTER_LANDLORD.c.batches).where(REGISTER_LANDLORD.c.landlord_id == landlord_id)
        )
        is None
    ):
        raise StoreError(f"There is no register of the landlord {landlord_id[:80]!r} in this workspace.")
    held = list(
        connection.scalars(
            sa.select(REGISTER_READER.c.landlord_id).where(REGISTER_READER.c.role_name == role_name)
        )
    )
    if held and held != [landlord_id]:
        raise StoreError(
            f"The role {role_name[:80]!r} reads another landlord's rows already. Make one for each."
        )
    if not held:
        connection.execute(REGISTER_READER.insert().values(role_name=role_name, landlord_id=landlord_id))
    quoted = connection.dialect.identifier_preparer.quote_identifier(role_name)
    for table in (*GUARDED, REGISTER_READER):
        connection.exec_driver_sql(f"grant select on {table.name} to {quoted}")


def take(connection: sa.Connection, landlord_id: str) -> None:
    """Go on under the landlord's own role until the end of the transaction, where it has one."""
    if connection.dialect.name != "postgresql":
        return
    name = connection.scalar(
        sa.select(REGISTER_READER.c.role_name)
        .where(REGISTER_READER.c.landlord_id == landlord_id)
        .order_by(REGISTER_READER.c.role_name)
        .limit(1)
    )
    if name is not None:
        quoted = connection.dialect.identifier_preparer.quote_identifier(name)
        connection.exec_driver_sql(f"set local role {quoted}")
