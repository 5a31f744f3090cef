"""What a cross-section of a wall is drawn on: one scale both ways."""

from __future__ import annotations

import math
from dataclasses import dataclass

from geo.draw.svg import Drawing
from geo.draw.wall_cut import Cut

WIDTH = 1020.0
LEFT, TOP, PANEL_WIDE, PANEL_PX = 84.0, 84.0, 470.0, 480.0
TABLE_X = LEFT + PANEL_WIDE + 128.0
OUTER_LEAF_M, FINISH_M = 0.1025, 0.015
"""Usual thicknesses, drawn dashed where nobody measured them."""
SOLID_DASH, ASSUMED_DASH = None, "5 4"
SIGNS = {"yes": "●", "no": "○", "not known": "?"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WallSheet:
    """The drawing with its one scale."""

    drawing: Drawing
    cut: Cut
    middle: float
    shown: float

    @property
    def scale(self) -> float:
        """Pixels a metre, both ways."""
        return PANEL_PX / self.shown

    @property
    def outer(self) -> float:
        """The page's place of the outer face."""
        return LEFT + 0.40 * PANEL_WIDE

    @property
    def inner(self) -> float:
        """The page's place of the inner face of the wall."""
        return self.outer + self.cut.thick * self.scale

    @property
    def leaf(self) -> float:
        """The page's place of the outer leaf's inner face."""
        body = self.cut.thick - self.cut.cavity
        return self.outer + min(OUTER_LEAF_M, 0.6 * body) * self.scale

    @property
    def back(self) -> float:
        """The page's place of the inner leaf's outer face."""
        return self.leaf + self.cut.cavity * self.scale

    def y(self, level: float) -> float:
        """Return the height on the page of a level, kept inside the panel."""
        return min(max(self.raw(level), TOP), TOP + PANEL_PX)

    def raw(self, level: float) -> float:
        """Return the height on the page of a level, wherever that is."""
        return TOP + PANEL_PX / 2.0 + (self.middle - level) * self.scale

    def shows(self, level: float) -> bool:
        """Say whether a level is known and lies within the panel."""
        return math.isfinite(level) and TOP <= self.raw(level) <= TOP + PANEL_PX

    def level(self, name: str) -> tuple[float, float]:
        """Return a level of the station and its sigma."""
        return float(self.cut.row[name]), float(self.cut.row[f"{name}_sigma"])
