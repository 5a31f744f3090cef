"""The surveyor's notebook: records as they are made, each with an id of its own."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import shapely

from geo.reference import Reference
from geo.site.model import Site, SiteInfo
from geo.site.records import KINDS, Record

SURVEYED_ON = "2026-02-17"


class Notebook:
    """Records of one survey, by kind, in the order they were made."""

    def __init__(self) -> None:
        self.records: dict[str, list[Record]] = {}
        self._count: dict[str, int] = {}

    def next_id(self, stem: str) -> str:
        """Return the next free id of a stem."""
        self._count[stem] = self._count.get(stem, 0) + 1
        return f"{stem}{self._count[stem]}"

    def note(self, kind: str, stem: str = "", **fields: Any) -> str:
        """Write a record down, and return its id."""
        own = fields.pop("id", "") or self.next_id(stem)
        record = KINDS[kind](id=own, **fields)
        self.records.setdefault(kind, []).append(record)
        return own

    def site(self, *, name: str, info: dict[str, Any], reference: Reference) -> Site:
        """Return the site they make."""
        return Site(
            folder=Path("invented"), info=SiteInfo(name=name, **info), ground=None,
            records={kind: tuple(self.records.get(kind, ())) for kind in KINDS}, reference=reference,
        )  # fmt: skip


def polygon(points: Any) -> shapely.Polygon:
    """Return a polygon of points to the millimetre."""
    drawn = shapely.Polygon([(round(float(x), 3), round(float(y), 3)) for x, y in points])
    return shapely.geometry.polygon.orient(drawn)


def line(points: Any) -> shapely.LineString:
    """Return a line of points to the millimetre."""
    return shapely.LineString([(round(float(x), 3), round(float(y), 3)) for x, y in points])


def rounded(value: float, digits: int = 3) -> float | None:
    """Return a number as it is written down; ``None`` when there is none."""
    return round(float(value), digits) if math.isfinite(value) else None
