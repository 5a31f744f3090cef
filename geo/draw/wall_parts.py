"""The parts of a wall in cross-section: ground, leaves, cavity, floor, finish, courses, openings, water."""

from __future__ import annotations

import math

from geo.drains.tanks import Tank
from geo.draw.theme import (
    ACCENT,
    BRICK,
    BRICK_LIGHT,
    COURSE,
    EARTH,
    FAINT,
    HATCH,
    INK,
    NEIGHBOUR,
    PANEL,
    PAPER,
    POND,
    RULE,
    SOFT_INK,
)
from geo.draw.wall_sheet import (
    ASSUMED_DASH,
    FINISH_M,
    LEFT,
    PANEL_PX,
    PANEL_WIDE,
    SOLID_DASH,
    TOP,
    WallSheet,
)


def draw_backdrop(sheet: WallSheet) -> None:
    """Draw the panel, its levels, and which side is which."""
    drawing = sheet.drawing
    drawing.rect(LEFT, TOP, PANEL_WIDE, PANEL_PX, fill=PANEL, stroke=RULE)
    low, high = sheet.middle - sheet.shown / 2, sheet.middle + sheet.shown / 2
    for k in range(math.ceil(low * 10 - 1e-9), math.floor(high * 10 + 1e-9) + 1):
        y = sheet.y(k / 10)
        drawing.line(LEFT, y, LEFT + PANEL_WIDE, y, stroke=FAINT)
        drawing.words(LEFT - 8, y + 3.5, f"{k / 10:.1f}", font_size=11, text_anchor="end", fill=SOFT_INK)
    drawing.words(LEFT + 6, TOP + 16, "outside", font_size=12, font_weight=700, fill=SOFT_INK)
    drawing.words(
        LEFT + PANEL_WIDE - 6, TOP + 16, "inside", font_size=12, font_weight=700, fill=SOFT_INK,
        text_anchor="end",
    )  # fmt: skip


def _band(sheet: WallSheet, a: float, b: float, level: float, sigma: float, colour: str) -> None:
    """Draw two sigma either side of a level."""
    if math.isfinite(sigma):
        top, foot = sheet.y(level + 2 * sigma), sheet.y(level - 2 * sigma)
        sheet.drawing.rect(a, top, b - a, foot - top, fill=colour, fill_opacity=0.25)


def draw_ground(sheet: WallSheet) -> None:
    """Draw the ground outside with its band, or that it has no level here."""
    level, sigma = sheet.level("ground")
    drawing, foot = sheet.drawing, TOP + PANEL_PX
    wide = sheet.outer - LEFT
    if not math.isfinite(level):
        if not bool(sheet.cut.row["outside"]):
            drawing.rect(LEFT, TOP + 24, wide, PANEL_PX - 24, fill=NEIGHBOUR)
            drawing.words(
                LEFT + wide / 2, TOP + PANEL_PX / 2, "no outside here", font_size=12, text_anchor="middle"
            )
            return
        drawing.rect(LEFT, foot - 60, wide, 60, fill=drawing.hatch("unknown", HATCH), opacity=0.5)
        drawing.rect(LEFT + 8, foot - 40, 190, 20, fill=PANEL)
        drawing.words(LEFT + 14, foot - 26, "ground: no level here", font_size=11, fill=SOFT_INK)
        return
    y = sheet.y(level)
    tip = f"ground at the wall {level:.3f} m ± {2000 * sigma:.0f} mm"
    drawing.rect(LEFT, y, wide, foot - y, fill=EARTH, fill_opacity=0.30, tip=tip)
    _band(sheet, LEFT, sheet.outer, level, sigma, EARTH)
    drawing.line(LEFT, y, sheet.outer, y, stroke=EARTH, stroke_width=2.6, tip=tip)


def draw_walls(sheet: WallSheet) -> None:
    """Draw the leaves; their own thicknesses are the usual ones, so the lines between are dashed."""
    drawing, foot = sheet.drawing, TOP + PANEL_PX
    tip = f"wall {1000 * sheet.cut.thick:.0f} mm in all"
    if sheet.cut.solid:
        drawing.rect(
            sheet.outer, TOP, sheet.inner - sheet.outer, PANEL_PX, fill=BRICK_LIGHT, tip=f"solid {tip}"
        )
    else:
        drawing.rect(
            sheet.outer, TOP, sheet.leaf - sheet.outer, PANEL_PX, fill=BRICK_LIGHT, tip=f"outer leaf; {tip}"
        )
        drawing.rect(
            sheet.back, TOP, sheet.inner - sheet.back, PANEL_PX, fill=BRICK_LIGHT, tip=f"inner leaf; {tip}"
        )
        drawing.rect(sheet.leaf, TOP, sheet.back - sheet.leaf, PANEL_PX, fill=PAPER)
        for x in (sheet.leaf, sheet.back):
            drawing.line(x, TOP, x, foot, stroke=BRICK, stroke_width=1.4, stroke_dasharray=ASSUMED_DASH)
    for x in (sheet.outer, sheet.inner):
        drawing.line(x, TOP, x, foot, stroke=BRICK, stroke_width=2.0)


def draw_cavity(sheet: WallSheet) -> None:
    """Draw the base of the cavity and the debris in it, or say that nobody looked."""
    if sheet.cut.solid:
        return
    drawing, (base, _), (debris, sigma) = sheet.drawing, sheet.level("base"), sheet.level("debris")
    left, wide, foot = sheet.leaf, sheet.back - sheet.leaf, TOP + PANEL_PX
    if not math.isfinite(base):
        drawing.rect(left, TOP, wide, PANEL_PX, fill=drawing.hatch("cavity", HATCH), opacity=0.45,
                     tip="the cavity was not looked into here")  # fmt: skip
        return
    y = sheet.y(base)
    drawing.rect(
        left, y, wide, foot - y, fill=BRICK, fill_opacity=0.55, tip=f"base of the cavity {base:.3f} m"
    )
    drawing.line(left, y, left + wide, y, stroke=BRICK, stroke_width=2)
    if math.isfinite(debris):
        top = sheet.y(debris)
        tip = f"debris up to {debris:.3f} m ± {2000 * sigma:.0f} mm"
        drawing.rect(left, top, wide, y - top, fill=drawing.hatch("debris", INK, gap=5), stroke=INK, tip=tip)
        _band(sheet, left, left + wide, debris, sigma, INK)


def draw_floor(sheet: WallSheet) -> None:
    """Draw the floor: its slab where the soffit is known, else only its top."""
    cut, drawing = sheet.cut, sheet.drawing
    if not sheet.shows(cut.floor):
        return
    right, y = LEFT + PANEL_WIDE, sheet.y(cut.floor)
    soffit, _ = sheet.level("soffit")
    seen = SOLID_DASH if cut.known["floor"] else ASSUMED_DASH
    gap = 0.0 if cut.row["edge"] == "contact" else 9.0
    left = sheet.inner + gap
    edge = {"contact": "touches the wall", "isolated": "cut free of the wall"}.get(
        str(cut.row["edge"]), "whether it touches the wall was not seen"
    )
    tip = f"{cut.floor_kind or 'floor'}, top {cut.floor:.3f} m; {edge}"
    if math.isfinite(soffit):
        depth = sheet.y(soffit) - y
        drawing.rect(
            left, y, right - left, depth, fill=NEIGHBOUR, stroke=INK, stroke_width=1.2, stroke_dasharray=seen,
            tip=f"{tip}; soffit {soffit:.3f} m",
        )  # fmt: skip
    drawing.line(left, y, right, y, stroke_width=2.4, stroke_dasharray=seen, tip=tip)
    if gap and cut.row["edge"] == "not_known":
        drawing.words(left - 5, y + 16, "?", font_size=12, text_anchor="middle", font_weight=700, tip=edge)


def draw_finish(sheet: WallSheet) -> None:
    """Draw the inside finish from its bottom up, of the usual thickness."""
    bottom, _ = sheet.level("finish")
    if not math.isfinite(bottom):
        return
    y = sheet.y(bottom)
    sheet.drawing.rect(
        sheet.inner, TOP + 24, FINISH_M * sheet.scale, y - TOP - 24, fill=PAPER, stroke=SOFT_INK,
        stroke_dasharray=SOLID_DASH if sheet.cut.known["finish"] else ASSUMED_DASH,
        tip=f"inside finish, bottom at {bottom:.3f} m",
    )  # fmt: skip


def draw_water(sheet: WallSheet) -> None:
    """Draw the water outside up to its head, and in the cavity up to the highest it can come to."""
    drawing = sheet.drawing
    ground, _ = sheet.level("ground")
    for each in sheet.cut.water:
        head, sigma = each.head.value, each.head.sigma
        y = sheet.y(head)
        where = "in the drain, below ground" if each.below_ground else "against the wall"
        tip = f"water from {each.node} {where}: {head:.3f} m ± {2000 * sigma:.0f} mm"
        if not each.below_ground:
            foot = sheet.y(ground) if math.isfinite(ground) else y + 14
            if foot > y:
                drawing.rect(LEFT, y, sheet.outer - LEFT, foot - y, fill=POND, fill_opacity=0.75, tip=tip)
        _band(sheet, LEFT, sheet.outer, head, sigma, ACCENT)
        dash = ASSUMED_DASH if each.below_ground or not each.pool_known else None
        drawing.line(LEFT, y, sheet.outer, y, stroke=ACCENT, stroke_width=2.2, stroke_dasharray=dash, tip=tip)
        for tank in each.tanks:
            if not tank.wet_from_m <= sheet.cut.chainage <= tank.wet_to_m or sheet.cut.solid:
                continue
            top = sheet.y(tank.bound.value)
            base, _ = sheet.level("base")
            foot = sheet.y(base) if math.isfinite(base) else top + 14
            said = f"highest the water can come to in the cavity: {tank.bound.value:.3f} m ({tank.held_by})"
            said += f"; {tank.because}" if tank.because else ""
            sure = tank.takes == "yes"
            drawing.rect(
                sheet.leaf, top, sheet.back - sheet.leaf, foot - top, fill=POND,
                fill_opacity=0.35 if sure else 0.2, tip=said,
            )  # fmt: skip
            _after(sheet, tank, foot)
            drawing.line(sheet.leaf, top, sheet.back, top, stroke=ACCENT, stroke_width=2.2,
                         stroke_dasharray=ASSUMED_DASH, tip=said)  # fmt: skip


def _after(sheet: WallSheet, tank: Tank, foot: float) -> None:
    """Draw what the litres of this event come to in the cavity: sure below, possible between."""
    low, high = tank.after_between_m
    if not (math.isfinite(low) and math.isfinite(high)):
        return
    drawing, wide = sheet.drawing, sheet.back - sheet.leaf
    a, b = min(sheet.y(low), foot), min(sheet.y(high), foot)
    said = f"after the water of this event: {low:.3f} to {high:.3f} m"
    if tank.takes == "yes":
        drawing.rect(sheet.leaf, a, wide, foot - a, fill=POND, fill_opacity=0.75, tip=said)
    drawing.rect(sheet.leaf, b, wide, a - b, fill=POND, fill_opacity=0.45, tip=said)
    for y in (a, b):
        drawing.line(sheet.leaf, y, sheet.back, y, stroke=ACCENT, stroke_width=1.2, tip=said)


def draw_courses(sheet: WallSheet) -> None:
    """Draw the damp proof course of each leaf with its band; dashed where it was not seen."""
    cut = sheet.cut
    spans = {"outer_dpc": (sheet.outer, sheet.leaf), "inner_dpc": (sheet.back, sheet.inner)}
    if cut.solid:
        spans = {"outer_dpc": (sheet.outer, sheet.inner)}
    for name, (a, b) in spans.items():
        level, sigma = sheet.level(name)
        if not sheet.shows(level):
            continue
        tip = f"damp proof course {level:.3f} m ± {2000 * sigma:.0f} mm"
        _band(sheet, a, b, level, sigma, COURSE)
        dash = SOLID_DASH if cut.known[name] else ASSUMED_DASH
        y = sheet.y(level)
        sheet.drawing.line(a, y, b, y, stroke=COURSE, stroke_width=4, stroke_dasharray=dash, tip=tip)


def draw_openings(sheet: WallSheet) -> None:
    """Mark the bottom of openings here on the outer face."""
    for name, row in sheet.cut.openings.iterrows():
        sill = float(row["sill_level_m"])
        if sheet.shows(sill):
            y = sheet.y(sill)
            tip = f"{name}: {str(row['opening_kind']).replace('_', ' ')}, bottom at {sill:.3f} m"
            mark = [(sheet.outer - 9, y), (sheet.outer + 9, y), (sheet.outer, y - 9)]
            sheet.drawing.path(mark, closed=True, fill=PAPER, stroke=ACCENT, stroke_width=1.6, tip=tip)
