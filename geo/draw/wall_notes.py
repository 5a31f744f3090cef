"""What is written beside a cross-section of a wall: levels, ways past the barrier, the key."""

from __future__ import annotations

import math
from typing import Any

from geo.crossings import WAYS
from geo.drains.cavity import WallWater
from geo.draw.svg import shortened, spread, wrapped
from geo.draw.theme import (
    ACCENT,
    BRICK,
    COURSE,
    EARTH,
    HATCH,
    INK,
    POND,
    SOFT_INK,
)
from geo.draw.wall_sheet import (
    ASSUMED_DASH,
    LEFT,
    PANEL_PX,
    PANEL_WIDE,
    SIGNS,
    TABLE_X,
    TOP,
    WIDTH,
    WallSheet,
)


def draw_labels(sheet: WallSheet) -> None:
    """Name every level on the right of the drawing, spread so that none hides another."""
    cut = sheet.cut
    named = [
        ("outer DPC" if not cut.solid else "DPC", *sheet.level("outer_dpc"), COURSE),
        ("ground", *sheet.level("ground"), EARTH),
        ("floor", cut.floor, float(cut.row["slab_sigma"]), INK),
        ("soffit", *sheet.level("soffit"), INK),
    ]
    if not cut.solid:
        named += [("inner DPC", *sheet.level("inner_dpc"), COURSE), ("debris", *sheet.level("debris"), INK)]
        named += [("cavity base", *sheet.level("base"), BRICK)]
    named += [(f"water, {each.node}", each.head.value, each.head.sigma, ACCENT) for each in cut.water]
    named += [each for water in cut.water for each in _cavity_levels(sheet, water)]
    for name, row in cut.openings.iterrows():
        named.append((f"{name} sill", float(row["sill_level_m"]), float(row["level_sigma_m"]), ACCENT))
    shown = [each for each in named if sheet.shows(each[1])]
    right = LEFT + PANEL_WIDE
    wanted = [sheet.y(level) for _, level, _, _ in shown]
    places = spread(wanted, least=16, low=TOP + 8, high=TOP + PANEL_PX - 4)
    for (said, level, sigma, colour), place, y in zip(shown, places, wanted, strict=True):
        band = f" ± {2000 * sigma:.0f}" if math.isfinite(sigma) else ""
        sheet.drawing.path([(right, y), (right + 8, place)], stroke=colour, stroke_width=0.8)
        text = f"{level:.3f}{band} {said}"
        sheet.drawing.words(right + 11, place + 3.5, shortened(text, 25), font_size=11, fill=colour, tip=text)


def _cavity_levels(sheet: WallSheet, water: WallWater) -> list[tuple[str, float, float, str]]:
    """Return the levels of the cavity's water here: the most it may come to, and those after this event."""
    found = []
    for tank in water.tanks:
        if sheet.cut.solid or not tank.wet_from_m <= sheet.cut.chainage <= tank.wet_to_m:
            continue
        mark = "" if tank.takes == "yes" else " ?"
        low, high = tank.after_between_m
        found.append((f"cavity most{mark}", tank.bound.value, tank.bound.sigma, ACCENT))
        if math.isfinite(low) and math.isfinite(high):
            found.append((f"cavity to{mark}", high, math.nan, ACCENT))
            if high - low > 5e-4:
                found.append((f"cavity from{mark}", low, math.nan, ACCENT))
    return found


def draw_ways_table(sheet: WallSheet) -> float:
    """Write the seven ways past the barrier, each with its margin; return where the table ends."""
    drawing, y = sheet.drawing, TOP + 12
    drawing.words(TABLE_X + 46, y, "Past the barrier here", font_size=13, font_weight=700)
    y += 20
    for row in sheet.cut.ways.to_dict("records"):
        word = str(row["word"])
        x = TABLE_X + 46
        drawing.words(x, y, f"{row['way']}  {SIGNS.get(word, '?')} {word}", font_size=12, font_weight=700)
        # A way that is shut for want of water or contact has no margin worth showing.
        shut = word == "no" and not float(row["margin_mm"]) < 0
        margin = "" if shut else _margin(row)
        drawing.words(WIDTH - 16, y, margin, font_size=11, text_anchor="end")
        y += 15
        for line in wrapped(WAYS[str(row["way"])], 44):
            drawing.words(x, y, line, font_size=11, fill=SOFT_INK)
            y += 13
        why = str(row["because"]) if not margin or word == "not known" else ""
        for line in wrapped(why, 44)[:3]:
            drawing.words(x, y, line, font_size=11, fill=SOFT_INK, tip=why)
            y += 13 if line else 0
        y += 9
    return y


def _margin(row: dict[str, Any]) -> str:
    margin, sigma = float(row["margin_mm"]), float(row["sigma_mm"])
    if not math.isfinite(margin):
        return ""
    return f"{margin:+.0f} mm ± {2 * sigma:.0f}" if math.isfinite(sigma) else f"{margin:+.0f} mm"


def draw_legend(sheet: WallSheet, y: float) -> None:
    """Draw the key and the scale bar."""
    drawing = sheet.drawing
    bar = 0.1 * sheet.scale
    drawing.line(16, y + 8, 16 + bar, y + 8, stroke_width=3)
    drawing.words(24 + bar, y + 12, "100 mm", font_size=11)
    x = 90 + bar
    drawing.line(x, y + 8, x + 28, y + 8, stroke=COURSE, stroke_width=4)
    drawing.words(x + 34, y + 12, "damp proof course", font_size=11)
    x += 166
    drawing.line(x, y + 8, x + 28, y + 8, stroke=INK, stroke_width=2, stroke_dasharray=ASSUMED_DASH)
    drawing.words(x + 34, y + 12, "assumed, inferred or at most", font_size=11)
    x += 226
    drawing.rect(x, y + 1, 26, 13, fill=POND, fill_opacity=0.75)
    drawing.words(x + 32, y + 12, "water", font_size=11)
    x += 90
    drawing.rect(x, y + 1, 26, 13, fill=drawing.hatch("legend", HATCH), opacity=0.6)
    drawing.words(x + 32, y + 12, "not looked, or no level", font_size=11)
    said = "Margins: positive is past the barrier. Thicknesses of leaves and finish are the usual ones."
    drawing.words(16, y + 34, said, font_size=11, fill=SOFT_INK)
