"""The cross-section of a wall at a chainage, true to level: ground, leaves, cavity, floor and water."""

from __future__ import annotations

import math

from geo.draw.drains_tables import taken_as
from geo.draw.svg import Drawing
from geo.draw.theme import (
    SOFT_INK,
)
from geo.draw.wall_cut import Cut, cut_wall, wet_place
from geo.draw.wall_notes import draw_labels, draw_legend, draw_ways_table
from geo.draw.wall_parts import (
    draw_backdrop,
    draw_cavity,
    draw_courses,
    draw_finish,
    draw_floor,
    draw_ground,
    draw_openings,
    draw_walls,
    draw_water,
)
from geo.draw.wall_sheet import (
    PANEL_PX,
    PANEL_WIDE,
    TOP,
    WIDTH,
    WallSheet,
)
from geo.findings.drains import DrainAnswer, Drains

__all__ = ["cut_wall", "draw_wall_section", "wet_place"]

LEAST_SHOWN_M, MOST_SHOWN_M = 0.9, 3.0
AROUND_M = 0.45
WALL_SHARE = 0.45


def draw_wall_section(
    drains: Drains, ring_key: str, chainage_m: float, *, answer: DrainAnswer | None = None
) -> str:
    """Return the cross-section of a wall as SVG, one scale both ways, outside on the left.

    What was seen is drawn in full; what is usual but was not seen is dashed; what has no level is left
    out and said beside the drawing. With an answer, the water it brings here is drawn too.

    Raises
    ------
    GeometryError
        When the ring is not a surveyed one.
    """
    cut = cut_wall(drains, ring_key, chainage_m, answer=answer)
    info = drains.site.info
    title = f"{info.name}: wall {cut.ring_key} at chainage {cut.chainage:.2f} m, face {cut.face}"
    drawing = Drawing(WIDTH, 100, title=title)
    drawing.words(16, 28, title, font_size=19, font_weight=700)
    when = info.surveyed_on or "not dated"
    said = f"levels: {info.datum} · surveyed {when} · data {drains.site.digest[:10]}"
    drawing.words(16, 47, said, font_size=11, fill=SOFT_INK)
    told = f" · {taken_as(answer)}, water from {answer.source}" if answer is not None else ""
    said = f"one scale both ways; outside on the left; bands are ± 2 σ{told}"
    drawing.words(16, 64, said, font_size=11, fill=SOFT_INK)
    low, high = _reach(cut)
    shown = min(max(high - low + AROUND_M, LEAST_SHOWN_M), MOST_SHOWN_M)
    # A thick wall must leave room for what lies inside of it.
    shown = max(shown, PANEL_PX * cut.thick / (WALL_SHARE * PANEL_WIDE))
    sheet = WallSheet(drawing=drawing, cut=cut, middle=(low + high) / 2.0, shown=shown)
    draw_backdrop(sheet)
    draw_ground(sheet)
    draw_walls(sheet)
    draw_cavity(sheet)
    draw_floor(sheet)
    draw_finish(sheet)
    draw_water(sheet)
    draw_courses(sheet)
    draw_openings(sheet)
    draw_labels(sheet)
    foot = max(draw_ways_table(sheet), TOP + PANEL_PX + 20)
    draw_legend(sheet, foot + 6)
    drawing.resize(foot + 62)
    return drawing.text()


def _reach(cut: Cut) -> tuple[float, float]:
    """Return the lowest and highest thing of interest."""
    names = ("outer_dpc", "inner_dpc", "ground", "slab", "soffit", "debris", "base")
    found = [float(cut.row[name]) for name in names] + [cut.floor]
    found += [each.head.value for each in cut.water]
    known = [z for z in found if math.isfinite(z)] or [0.0]
    return min(known), max(known)
