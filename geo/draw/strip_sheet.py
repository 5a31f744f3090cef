"""The sheet a strip is drawn on: chainage to pixels, levels to pixels, and what is drawn on every part."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

from geo.draw.scene import Scene
from geo.draw.svg import Drawing, shortened
from geo.draw.theme import HATCH, PANEL

LEFT, RIGHT = 252.0, 56.0
LABELS_MOST = 29
PANEL_PX = 190.0
MARGIN_SHARE = 0.30
NEAR_M = 1.0


@dataclass(frozen=True, slots=True)
class Levels:
    """The scale of levels both panels share."""

    low: float
    high: float
    known: bool = True

    def px(self, level: float, top: float) -> float:
        """Return the height on the page of a level, in a panel whose top is given."""
        return top + PANEL_PX * (self.high - level) / (self.high - self.low)

    @property
    def per_metre(self) -> float:
        """Pixels a metre of level."""
        return PANEL_PX / (self.high - self.low)


@dataclass(frozen=True, kw_only=True, eq=False)
class Sheet:
    """One strip being drawn."""

    drawing: Drawing
    scene: Scene
    ring_key: str
    length: float
    scale: float
    levels: Levels
    hatch: str

    def x(self, chainage: float) -> float:
        """Return the place on the page of a chainage."""
        return LEFT + chainage * self.scale

    @cached_property
    def outside(self) -> tuple[tuple[float, float], ...]:
        """Chainages of the faces that have an outside."""
        faces = self.scene.perimeter.faces
        own = faces[(faces["ring_key"] == self.ring_key) & faces["outside"]]
        return tuple(zip(own["chainage_from_m"].tolist(), own["chainage_to_m"].tolist(), strict=True))

    def parts(self, start: float, end: float) -> list[tuple[float, float]]:
        """Return a chainage range as one part, or two where it runs past the origin corner."""
        if end > self.length + 1e-6:
            return [(start, self.length), (0.0, end - self.length)]
        return [(start, end)] if end >= start else [(start, self.length), (0.0, end)]

    def unread(self, side: str, top: float, tall: float, *, words: bool) -> None:
        """Hatch the wall nobody read on one side; ``words`` says why where there is room."""
        own = self.scene.unread
        own = own[(own["ring_key"] == self.ring_key) & (own["side"] == side)]
        for row in own.itertuples():
            for a, b in self.parts(row.chainage_from_m, row.chainage_to_m):
                left, wide = self.x(a), (b - a) * self.scale
                tip = f"not read: {row.reason}, chainage {row.chainage_from_m:.2f}-{row.chainage_to_m:.2f}"
                self.drawing.rect(
                    left, top, wide, tall, fill=self.hatch, stroke=HATCH, stroke_width=0.5,
                    opacity=None if words else 0.4, tip=tip,
                )  # fmt: skip
                if words and wide > 60:
                    said = "unread" if row.reason == "not looked" else str(row.reason)
                    said = shortened(said, int((wide - 10) / 6.3))
                    room = 6.4 * len(said) + 8
                    self.drawing.rect(left + (wide - room) / 2, top + 1, room, tall - 2, fill=PANEL)
                    middle = left + wide / 2
                    self.drawing.words(
                        middle, top + tall - 4, said, font_size=10, text_anchor="middle", tip=tip
                    )


def levels_of(scene: Scene, ring_key: str) -> Levels:
    """Return a scale that holds the ground, the courses and the floor of a ring, and what is near them."""
    found: list[float] = []
    for table in (scene.ground_levels, scene.dpc):
        found += [float(z) for z in table.loc[table["ring_key"] == ring_key, "level_m"] if math.isfinite(z)]
    floor = scene.floors.get(str(scene.perimeter.rings.loc[ring_key, "building_id"]), math.nan)
    found += [floor] if math.isfinite(floor) else []
    others = [
        float(z)
        for table, column in ((scene.assets, "level_m"), (scene.openings, "sill_level_m"))
        for z in table.loc[table["ring_key"] == ring_key, column]
        if math.isfinite(z) and (not found or min(found) - NEAR_M <= z <= max(found) + NEAR_M / 2)
    ]
    found += others
    if not found:
        return Levels(-0.5, 0.5, known=False)
    low, high = min(found), max(found)
    margin = MARGIN_SHARE * max(0.30, high - low)
    return Levels(low - margin, high + margin)
