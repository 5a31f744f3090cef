"""Column types that are the same value on both databases: a shape and a moment."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import shapely
import sqlalchemy as sa
from shapely.geometry.base import BaseGeometry
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator, TypeEngine, UserDefinedType


class _Geometry(UserDefinedType[Any]):
    """PostGIS's own column; any grid, told by the shape's SRID."""

    cache_ok = True

    def get_col_spec(self, **_options: Any) -> str:
        return "geometry(Geometry)"


class Shape(TypeDecorator[BaseGeometry]):
    """A shapely geometry as EWKB: a BLOB in SQLite, a true geometry in PostGIS.

    PostGIS takes the bytes as they are and gives its hexadecimal form back, which shapely reads, so no
    SQL function is called. The SRID is that of the site's grid, 0 for a local one; what comes back has none.
    """

    impl = sa.LargeBinary
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """Return the column type of a database."""
        plain: TypeEngine[Any] = _Geometry() if dialect.name == "postgresql" else sa.LargeBinary()
        return dialect.type_descriptor(plain)

    def process_bind_param(self, value: BaseGeometry | None, _dialect: Dialect) -> bytes | None:
        """Return a shape as EWKB."""
        return None if value is None else shapely.to_wkb(value, include_srid=True)

    def process_result_value(self, value: bytes | str | None, _dialect: Dialect) -> BaseGeometry | None:
        """Return the shape of an EWKB, without its SRID."""
        return None if value is None else shapely.set_srid(shapely.from_wkb(value), 0)


class Moment(TypeDecorator[datetime]):
    """A moment in UTC; SQLite keeps no zone, so it is put back on reading."""

    impl = sa.DateTime
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """Return the column type of a database."""
        return dialect.type_descriptor(sa.DateTime(timezone=dialect.name == "postgresql"))

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return a moment as the database keeps it."""
        if value is None:
            return None
        moment = value.astimezone(UTC)
        return moment if dialect.name == "postgresql" else moment.replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, _dialect: Dialect) -> datetime | None:
        """Return a moment with its zone."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
