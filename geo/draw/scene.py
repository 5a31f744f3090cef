"""Everything a drawing may show of one site: plain tables, nothing worked out here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from geo.ground.raster import Raster
from geo.perimeter.build import Perimeter


@dataclass(frozen=True, kw_only=True, eq=False)
class Scene:
    """What is drawn.

    Tables have the columns the rooms that made them give them; a missing part is an empty table.

    Parameters
    ----------
    readings
        Joined readings with their wetness, indexed by id: status, reason, ring_key, face, chainage_m,
        chainage_sigma_m, side, x, y, group, method_name, material, instrument, value (text, ``>90`` off the
        scale), unit, height_m, censored, shade (excess over control, off the scale its lower bound, NaN
        without control), rank, wet, because.
    assets
        asset_id, kind, label, state, evidence, ring_key, chainage_m, level_m, x, y, facts (a mapping of
        plain words to values for the popup).
    runs
        run_id, use, state, evidence, facts and a line drawn downstream.
    openings
        opening_id, ring_key, kind, chainage_from_m, chainage_to_m, sill_level_m, head_level_m.
    dpc
        ring_key, leaf, chainage_m, level_m, sigma_m, state, lap.
    ground_levels
        level_id, ring_key, chainage_m, offset_m, level_m, sigma_m.
    floors
        By building id: finished floor level, or NaN.
    tie
        Local grid: longitude, latitude of its zero and bearing of its north; else ``None``.
    drawn_rings
        Rings of surveyed buildings, in order.
    """

    site_name: str
    datum: str
    surveyed_on: str
    version: str
    grid_note: str
    crs: CRS
    tie: tuple[float, float, float] | None
    perimeter: Perimeter
    stations: gpd.GeoDataFrame
    readings: pd.DataFrame
    counts: dict[str, int]
    stretches: gpd.GeoDataFrame
    coverage: pd.DataFrame
    unread: pd.DataFrame
    falls: pd.DataFrame
    clearance: pd.DataFrame
    ponds: gpd.GeoDataFrame
    uphill: pd.DataFrame
    assets: pd.DataFrame
    runs: gpd.GeoDataFrame
    openings: pd.DataFrame
    dpc: pd.DataFrame
    ground_levels: pd.DataFrame
    floors: dict[str, float]
    clusters: tuple[dict[str, Any], ...]
    rule_mm: float
    raster: Raster | None

    @property
    def drawn_rings(self) -> tuple[str, ...]:
        """Rings of surveyed buildings, in order."""
        return tuple(str(key) for key in self.perimeter.rings.index[self.perimeter.rings["examined"]])

    def when_and_what(self) -> str:
        """Return datum, date and data version, which every drawing carries."""
        when = self.surveyed_on or "not dated"
        return f"levels: {self.datum} · surveyed {when} · data {self.version[:10]}"

    def caption(self) -> str:
        """Return the line under a drawing's title: site, datum, date, data version."""
        return f"{self.site_name} · {self.when_and_what()}"

    def place(self, ring_key: str) -> str:
        """Return a ring's name as people say it."""
        ring = self.perimeter.rings.loc[ring_key]
        hole = "" if ring["kind"] == "outer" else f", {ring['kind']} {ring['ring']}"
        return f"{ring['building_id']}{hole}"
