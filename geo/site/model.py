"""The site: its own facts, its records, and the files they came from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property
from pathlib import Path
from typing import Any, ClassVar

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import ConfigDict
from pyproj import CRS

from geo.errors import Problem
from geo.reference import Reference
from geo.site.fields import Number, Text, date, number, text, type_of, word
from geo.site.records import KINDS, Record, Worded

LOCAL_GRID = (
    'ENGCRS["site grid",EDATUM["site bench mark"],CS[Cartesian,2],'
    'AXIS["easting (E)",east],AXIS["northing (N)",north],LENGTHUNIT["metre",1]]'
)


class SiteInfo(Worded):
    """What ``site.toml`` says of the whole site."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)

    kind: ClassVar[str] = "site"
    about: ClassVar[str] = "The site: name, grid, datum, dates."

    name: Text = text("Name of the site on drawings; no person's name", required=True, longest=200)
    crs: Text = text("EPSG code of a projected grid in metres, as EPSG:27700, or local", required=True)
    grid_note: Text = text("Local grid: what its axes are tied to")
    tie_longitude_deg: Number = number(
        "Local grid: longitude of its zero point, where known", ge=-180, le=180
    )
    tie_latitude_deg: Number = number("Local grid: latitude of its zero point, where known", ge=-90, le=90)
    grid_bearing_deg: Number = number("Local grid: bearing of its north, clockwise from true north")
    start_easting_m: Number = number("Where the map opens while nothing is drawn")
    start_northing_m: Number = number("Where the map opens while nothing is drawn")
    datum: Text = text("What levels are measured from", required=True)
    bench_mark: Text = text("Where the temporary bench mark is")
    bench_mark_level_m: Number = number("Its level above the datum")
    ordnance_offset_m: Number = number("Add to a site level to get a level above the national datum")
    ordnance_offset_sigma_m: Number = number("Standard deviation of that", gt=0)
    surveyed_on: Text = date("Date of the survey")
    surveyed_by: Text = text("Role, not a name")
    rain_48h_mm: Number = number("Rain in the 48 hours before", ge=0)
    scenario: Text = text("What the site is about, in a sentence or two")


class GroundInfo(Worded):
    """What ``ground.toml`` says of the raster beside it."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)

    kind: ClassVar[str] = "ground"
    about: ClassVar[str] = "The ground raster: what it is, how far it may be out, when it was flown."

    model: Text = word("ground_kind", "DTM (bare earth) or DSM (with what stands on it)", required=True)
    error_m: Number = number("Stated standard error of a level, as published", gt=0)
    relative_error_m: Number = number("Stated error of one cell against its neighbours", gt=0)
    flown_on: Text = date("Date of the survey behind it")
    source: Text = text("Where it comes from, with its licence")
    datum_offset_m: Number = number("Add to the raster to get levels above the site datum")
    datum_offset_sigma_m: Number = number("Standard deviation of that", gt=0)


@dataclass(frozen=True, eq=False, kw_only=True)
class Site:
    """A site as it was recorded.

    Parameters
    ----------
    folder
        Where it was read from.
    info, ground
        The site's own facts, and those of its ground raster (``None`` without one).
    records
        Records by kind, in file order.
    read
        Records by kind as they were read, to tell which file has changed since.
    rows
        File and row (as a spreadsheet counts; features from 1) of every record, by its id.
    files
        Bytes of every text file as read, by name: unchanged records are written back byte for byte.
    reference
        Limits, methods and words in force, the site's own changes included.
    warnings
        Problems that do not stop the site being used.
    digest
        SHA-256 over every file, the data version printed on drawings.
    """

    folder: Path
    info: SiteInfo
    ground: GroundInfo | None
    records: Mapping[str, tuple[Record, ...]]
    read: Mapping[str, tuple[Record, ...]] = field(default_factory=dict, repr=False)
    rows: Mapping[str, tuple[str, int]] = field(default_factory=dict, repr=False)
    files: Mapping[str, bytes] = field(default_factory=dict, repr=False)
    reference: Reference = field(repr=False)
    warnings: tuple[Problem, ...] = ()
    digest: str = ""

    @cached_property
    def crs(self) -> CRS:
        """Projected CRS in metres, or the local site grid."""
        return CRS.from_wkt(LOCAL_GRID) if self.info.crs == "local" else CRS.from_user_input(self.info.crs)

    def of(self, kind: str) -> tuple[Record, ...]:
        """Return the records of one kind."""
        return self.records.get(kind, ())

    def table(self, kind: str) -> pd.DataFrame:
        """Return the records of one kind as a table with the declared columns.

        Returns
        -------
        DataFrame indexed by id; missing numbers are NaN, missing text is ``""``; kinds with a shape
        come as a GeoDataFrame in the site's CRS.
        """
        if kind not in self._tables:
            self._tables[kind] = table_of(self.of(kind), KINDS[kind], crs=self.crs)
        return self._tables[kind].copy(deep=False)  # written to, it is copied then

    @cached_property
    def _tables(self) -> dict[str, pd.DataFrame]:
        """Tables laid out so far; each caller gets a copy of its own."""
        return {}

    @cached_property
    def ids(self) -> dict[str, str]:
        """Kind of every record, by its id."""
        return {record.id: kind for kind, records in self.records.items() for record in records}

    @property
    def raster_path(self) -> Path | None:
        """The ground raster, where there is one."""
        path = self.folder / "ground.tif"
        return path if path.exists() else None


def table_of(records: tuple[Record, ...], model: type[Record], *, crs: CRS) -> pd.DataFrame:
    """Lay records out as a table (see :meth:`Site.table`)."""
    table = _laid_out(records, model) if records else _blank(model).copy(deep=False)
    if model.shape:
        drawn = _objects([record.geometry for record in records])
        return gpd.GeoDataFrame(table, geometry=drawn, crs=crs)
    return table


def _laid_out(records: tuple[Record, ...], model: type[Record]) -> pd.DataFrame:
    ids = pd.Index([record.id for record in records], dtype=object)
    numbers = _numbers_of(model)
    columns: dict[str, Any] = {}
    for name in model.columns():
        values = [getattr(record, name) for record in records]
        if name in numbers:
            columns[name] = np.array(values, dtype=np.float64)
        else:
            columns[name] = pd.Series(_objects(values), index=ids, dtype=object, copy=False)
    return pd.DataFrame(columns, index=ids)


@cache
def _blank(model: type[Record]) -> pd.DataFrame:
    return _laid_out((), model)


@cache
def _numbers_of(model: type[Record]) -> frozenset[str]:
    return frozenset(name for name in model.columns() if type_of(model.model_fields[name]) == "number")


def _objects(values: list[Any]) -> NDArray[np.object_]:
    """Return a plain column of whatever the values are; text is not turned into a type of its own."""
    column = np.empty(len(values), dtype=object)
    column[:] = values
    return column
