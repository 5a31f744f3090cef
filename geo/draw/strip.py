"""The developed strip: the perimeter unrolled, outside above and inside below, on one scale of levels."""

from __future__ import annotations

import math

from geo.draw.scene import Scene
from geo.draw.strip_lanes import Lane, draw_lane, lanes_of
from geo.draw.strip_panel import TIER_PX, draw_panel, tiers
from geo.draw.strip_sheet import LEFT, PANEL_PX, RIGHT, Sheet, levels_of
from geo.draw.svg import Drawing
from geo.draw.theme import (
    ACCENT,
    BRICK_LIGHT,
    COURSE,
    EARTH,
    HATCH,
    INK,
    LETTERS,
    NEIGHBOUR,
    PANEL,
    RULE,
    SOFT_INK,
    SYMBOLS,
    WET_STEPS,
    ink_on,
)

LEAST_WIDTH = 1400.0
PIXELS_PER_M = 52.0
TOP = 66.0
GAP = 8.0
AXIS_PX = 48.0
LEGEND_PX = 128.0
EXPOSURES = {"abutment": "built against", "below_ground": "below ground"}


def draw_strip(scene: Scene, ring_key: str) -> str:
    """Return the developed strip of one ring as SVG.

    Chainage runs to scale from the origin corner; levels are exaggerated, and by how much is said.
    Readings of each method, material and instrument have a lane of their own. Wall nobody read is
    hatched. What was not seen is dotted or left out, and what is missing is crossed.
    """
    length = float(scene.perimeter.rings.loc[ring_key, "length_m"])
    scale = max(PIXELS_PER_M, (LEAST_WIDTH - LEFT - RIGHT) / length)
    lanes = lanes_of(scene, ring_key, scale)
    above = [lane for lane in lanes if lane.side == "outside"]
    below = [lane for lane in lanes if lane.side != "outside"]
    title = f"Developed strip of {scene.site_name}: {scene.place(ring_key)}"
    drawing = Drawing(LEFT + length * scale + RIGHT, 100, title=title)
    sheet = Sheet(
        drawing=drawing,
        scene=scene,
        ring_key=ring_key,
        length=length,
        scale=scale,
        levels=levels_of(scene, ring_key),
        hatch=drawing.hatch("unread", HATCH),
    )
    _heading(sheet)
    y = _lanes(sheet, above, TOP) + _brackets_px(sheet, "outside")
    draw_panel(sheet, "outside", y)
    _axis(sheet, y + PANEL_PX + 6)
    y += PANEL_PX + 6 + AXIS_PX
    draw_panel(sheet, "inside", y)
    y += PANEL_PX + _brackets_px(sheet, "inside") + GAP
    y = _lanes(sheet, below, y)
    _legend(sheet, y + 8)
    drawing.resize(y + LEGEND_PX)
    return drawing.text()


def _lanes(sheet: Sheet, lanes: list[Lane], y: float) -> float:
    """Draw lanes one under another and return where the last one ends."""
    for lane in lanes:
        draw_lane(sheet, lane, y)
        y += lane.height + GAP
    return y


def _brackets_px(sheet: Sheet, side: str) -> float:
    """Return the room the brackets of wet stretches need beside a panel."""
    found = tiers(sheet, side)
    return TIER_PX * (1 + max(tier for tier, _ in found)) + 6 if found else 4.0


def _heading(sheet: Sheet) -> None:
    scene, drawing = sheet.scene, sheet.drawing
    drawing.group()
    title = f"{scene.site_name}: {scene.place(sheet.ring_key)}"
    drawing.words(16, 28, title, font_size=19, font_weight=700)
    ratio = sheet.levels.per_metre / sheet.scale
    said = f"levels drawn {ratio:.1f} times taller than chainage" if sheet.levels.known else "no levels taken"
    said = f"{scene.caption()} · {said}"
    drawing.words(16, 48, said, font_size=11, fill=SOFT_INK)


def _axis(sheet: Sheet, y: float) -> None:
    """Draw the chainage, the faces and the corners between the two sides."""
    drawing, x = sheet.drawing, sheet.x
    drawing.group()
    faces = sheet.scene.perimeter.faces
    own = faces[faces["ring_key"] == sheet.ring_key]
    drawing.words(16, y + 12, "chainage in metres, clockwise", font_size=10.5, fill=SOFT_INK)
    drawing.words(16, y + 34, "faces and corners", font_size=10.5, fill=SOFT_INK)
    drawing.line(x(0), y + 18, x(sheet.length), y + 18)
    for k in range(math.floor(sheet.length) + 1):
        drawing.line(x(k), y + 18, x(k), y + (13 if k % 5 else 10))
        drawing.words(x(k), y + 8, f"{k}", font_size=10 if k % 5 else 9, text_anchor="middle")
    for face in own.itertuples():
        a, b = x(face.chainage_from_m), x(face.chainage_to_m)
        exposure = face.exposure.replace("_", " ")
        tip = f"{face.face}: {face.length_m:.2f} m, {exposure}, bearing {face.bearing_deg:.0f}°"
        fill = BRICK_LIGHT if face.outside else NEIGHBOUR
        drawing.rect(a, y + 20, b - a, 20, fill=fill, stroke=RULE, tip=tip)
        if not face.outside:
            drawing.rect(a, y + 20, b - a, 20, fill=sheet.hatch, opacity=0.35, tip=tip)
        word = EXPOSURES.get(face.exposure, "party" if not face.outside else "")
        said = f"{face.face} {word}".strip() if b - a > 130 else face.face
        if b - a > 36:
            drawing.words((a + b) / 2, y + 34.5, said, font_size=11.5, text_anchor="middle", tip=tip)
    ends = [*zip(own["chainage_from_m"], own["corner_from"], strict=True)]
    for chainage, corner in [*ends, (sheet.length, own.iloc[-1]["corner_to"])]:
        drawing.circle(x(chainage), y + 30, 8.5, fill=INK)
        drawing.words(
            x(chainage), y + 34, corner, font_size=10.5, fill=PANEL, text_anchor="middle", font_weight=700
        )


def _legend(sheet: Sheet, y: float) -> None:
    """Say what everything means, in rows no wider than the narrowest sheet."""
    drawing = sheet.drawing
    drawing.group()
    drawing.words(16, y + 12, "How to read it", font_size=12, font_weight=700)
    x = LEFT
    for colour, word in zip(
        WET_STEPS, ("no excess", "to 2 σ", "to 3 σ", "to 6 σ", "to 12 σ", "over 12 σ"), strict=True
    ):
        drawing.rect(x, y, 60, 17, fill=colour, stroke=SOFT_INK, stroke_width=0.6)
        drawing.words(x + 30, y + 12, word, font_size=9.5, text_anchor="middle", fill=ink_on(colour))
        x += 61
    said = (
        "excess over this house's own dry control, or, with rounded cells, rank within the lane (no control)"
    )
    drawing.words(x + 10, y + 12, said, font_size=10.5)
    x, y = LEFT, y + 30
    for stroke, weight, dash, said in (
        (INK, 1.9, None, "called wet"),
        (SOFT_INK, 0.8, None, "dry or not known"),
        (SOFT_INK, 0.8, "2 2", "dry control"),
    ):
        drawing.rect(
            x, y, 26, 13, fill=PANEL, stroke=stroke, stroke_width=weight, stroke_dasharray=dash, rx=2
        )
        drawing.words(x + 32, y + 11, said, font_size=10.5)
        x += 46 + 6.6 * len(said)
    drawing.path([(x, y + 11), (x + 5, y + 2), (x + 10, y + 11)], closed=True, fill=INK, stroke="none")
    drawing.words(x + 16, y + 11, "off the scale: at least this", font_size=10.5)
    x += 206
    drawing.path(
        [(x, y + 2), (x, y + 8), (x + 34, y + 8), (x + 34, y + 2)], stroke=WET_STEPS[4], stroke_width=4
    )
    drawing.words(x + 42, y + 11, "wet stretch", font_size=10.5)
    x += 134
    drawing.rect(x, y, 40, 13, fill=sheet.hatch, stroke=HATCH)
    drawing.words(x + 46, y + 11, "wall nobody read", font_size=10.5)
    x += 162
    drawing.rect(x, y, 26, 13, fill="none", stroke=ACCENT, stroke_width=1.2)
    drawing.words(x + 32, y + 11, "opening (dashed: no level)", font_size=10.5)
    x, y = LEFT, y + 24
    for dash, said in ((None, "damp proof course, seen"), ("8 3", "inferred"), ("2 4", "not seen")):
        drawing.line(x, y + 7, x + 34, y + 7, stroke=COURSE, stroke_width=2.8, stroke_dasharray=dash)
        drawing.words(x + 40, y + 11, said, font_size=10.5)
        x += 58 + 6.6 * len(said)
    for k in (0, 14):
        drawing.path([(x + k, y + 4), (x + k + 6, y + 10)], stroke=COURSE)
        drawing.path([(x + k, y + 10), (x + k + 6, y + 4)], stroke=COURSE)
    drawing.words(x + 26, y + 11, "none there", font_size=10.5)
    x += 110
    drawing.rect(x, y + 3, 34, 8, fill=EARTH, fill_opacity=0.28)
    drawing.line(x, y + 7, x + 34, y + 7, stroke=EARTH, stroke_width=2.6)
    drawing.words(x + 40, y + 11, "ground at the wall ± 2 σ", font_size=10.5)
    x += 200
    for kind in LETTERS:
        drawing.symbol(SYMBOLS[kind], x + 8, y + 7, 13)
        drawing.words(x + 20, y + 11, kind, font_size=10.5)
        x += 38 + 7 * len(kind)
    y += 24
    bar = 2.0
    drawing.line(LEFT, y + 8, LEFT + bar * sheet.scale, y + 8, stroke_width=3)
    drawing.words(LEFT + bar * sheet.scale + 8, y + 12, f"{bar:g} m along the wall", font_size=10.5)
    said = (
        "Top row of symbols: level not taken; dashed symbol: not seen. Names cut short are whole in the "
        "tips. Nothing is filled in between readings."
    )
    drawing.words(LEFT + bar * sheet.scale + 170, y + 12, said, font_size=10.5, fill=SOFT_INK)
