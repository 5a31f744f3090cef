"""The tables of the store, made from the record declarations.

``event`` is the truth and only ever grows; every other table says what follows from it and can be
made again by replaying it. A declared field is a column of its kind's table, so that a field added to a
declaration is a column after the next migration (:mod:`geo.store.migrate`).
"""

from __future__ import annotations

import sqlalchemy as sa

from geo.site.fields import type_of
from geo.site.records import KINDS, Record
from geo.store.columns import Moment, Shape

METADATA = sa.MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(referred_table_name)s",
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    }
)
OWN_COLUMNS = ("site_id", "row_version", "row_place", "row_digest", "shape", "x0", "y0", "x1", "y1")
"""Columns of a record's table that no declaration may name."""

SITE = sa.Table(
    "site",
    METADATA,
    sa.Column("site_id", sa.Text, primary_key=True),
    sa.Column("owner", sa.Text, nullable=False, server_default="", index=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("records_count", sa.Integer, nullable=False),
    sa.Column("created_at", Moment, nullable=False),
    sa.Column("changed_at", Moment, nullable=False),
    sa.Column("removed_at", Moment),
    sa.Column("info", sa.Text, nullable=False),
    sa.Column("info_version", sa.Integer, nullable=False),
    sa.Column("ground", sa.Text),
    sa.Column("ground_version", sa.Integer),
)
SAVE = sa.Table(
    "save",
    METADATA,
    sa.Column("site_id", sa.Text, sa.ForeignKey("site.site_id"), primary_key=True),
    sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("saved_at", Moment, nullable=False),
    sa.Column("by", sa.Text, nullable=False),
    sa.Column("why", sa.Text, nullable=False),
    sa.Column("undoes", sa.Integer),
    sa.Column("token", sa.Text),
    sa.UniqueConstraint("site_id", "token"),
)
EVENT = sa.Table(
    "event",
    METADATA,
    sa.Column("site_id", sa.Text, primary_key=True),
    sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("line", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("record_id", sa.Text, nullable=False),
    sa.Column("action", sa.Text, nullable=False),
    sa.Column("was_version", sa.Integer),
    sa.Column("was", sa.Text),
    sa.Column("was_shape", sa.LargeBinary),
    sa.Column("was_place", sa.Text),
    sa.Column("now", sa.Text),
    sa.Column("now_shape", sa.LargeBinary),
    sa.Column("now_place", sa.Text),
    sa.ForeignKeyConstraint(["site_id", "version"], ["save.site_id", "save.version"]),
    sa.Index(None, "site_id", "record_id", "version"),
)
LATEST = sa.Table(
    "latest",
    METADATA,
    sa.Column("site_id", sa.Text, sa.ForeignKey("site.site_id"), primary_key=True),
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("there", sa.Boolean, nullable=False),
)
"""Every record id a site ever had, with its last version: an id is used once in a whole site."""

BLOB = sa.Table(
    "blob",
    METADATA,
    sa.Column("sha256", sa.Text, primary_key=True),
    sa.Column("bytes_count", sa.BigInteger, nullable=False),
)
CHUNK = sa.Table(
    "chunk",
    METADATA,
    sa.Column("sha256", sa.Text, sa.ForeignKey("blob.sha256"), primary_key=True),
    sa.Column("line", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("content", sa.LargeBinary, nullable=False),
)
FILE = sa.Table(
    "file",
    METADATA,
    sa.Column("site_id", sa.Text, sa.ForeignKey("site.site_id"), primary_key=True),
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("sha256", sa.Text, sa.ForeignKey("blob.sha256"), nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
)
AS_READ = sa.Table(
    "as_read",
    METADATA,
    sa.Column("site_id", sa.Text, sa.ForeignKey("site.site_id"), primary_key=True),
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("digest", sa.LargeBinary, nullable=False),
    sa.Column("sha256", sa.Text, sa.ForeignKey("blob.sha256"), nullable=False),
)
"""Bytes of the text files a site was taken in from, with the digest of what stood in them."""


def _record_table(model: type[Record]) -> sa.Table:
    declared = []
    for name in model.columns():
        field = model.model_fields[name]
        if name == "id":
            declared.append(sa.Column("id", sa.Text, primary_key=True))
        elif type_of(field) == "number":
            declared.append(sa.Column(name, sa.Double))
        else:
            start = "" if field.is_required() else str(field.default)
            declared.append(sa.Column(name, sa.Text, nullable=False, server_default=start))
    name = f"record_{model.kind}"
    return sa.Table(
        name,
        METADATA,
        sa.Column("site_id", sa.Text, sa.ForeignKey("site.site_id"), primary_key=True),
        *declared,
        sa.Column("row_version", sa.Integer, nullable=False),
        sa.Column("row_place", sa.Text, nullable=False),
        sa.Column("row_digest", sa.LargeBinary, nullable=False),
        sa.Column("shape", Shape),
        *(sa.Column(edge, sa.Double) for edge in ("x0", "y0", "x1", "y1")),
        sa.Index(f"ix_{name}_x0_y0", "x0", "y0"),
    )


RECORD_TABLES = {kind: _record_table(model) for kind, model in KINDS.items()}
"""The table of each record kind: current state, one row a record."""
