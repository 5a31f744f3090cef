"""The developed strip: the perimeter unrolled, outside above and inside below, on one scale of levels."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geo import reference
from geo.draw.scene import Scene
from geo.draw.svg import Drawing, spread
from geo.draw.theme import (
    ACCENT,
    BRICK_LIGHT,
    COURSE,
    EARTH,
    FAINT,
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
    wet_colour,
)

LEFT, RIGHT = 196.0, 28.0
LEAST_WIDTH = 1380.0
PIXELS_PER_M = 52.0
PANEL_PX = 150.0
ROW_PX = 17.0
SIDES = ("outside", "inside")


@dataclass(frozen=True, slots=True)
class Levels:
    """The scale of levels both panels share."""

    low: float
    high: float

    def px(self, level: float, top: float) -> float:
        """Return the height on the page of a level, in a panel whose top is given."""
        return top + PANEL_PX * (self.high - level) / (self.high - self.low)

    @property
    def per_metre(self) -> float:
        """Pixels a metre of level."""
        return PANEL_PX / (self.high - self.low)


@dataclass(frozen=True, slots=True)
class Lane:
    """Readings of one group on one side: never drawn with another's."""

    side: str
    group: str
    rows: tuple[float, ...]
    readings: pd.DataFrame

    @property
    def height(self) -> float:
        """Height of the lane in pixels."""
        return ROW_PX * len(self.rows) + 22


def draw_strip(scene: Scene, ring_key: str) -> str:
    """Return the developed strip of one ring as SVG.

    Chainage runs to scale from the origin corner; levels are exaggerated, and by how much is said.
    Readings of each method, material and instrument have a lane of their own. Wall nobody read is
    hatched. What was not seen is dashed or left out.
    """
    length = float(scene.perimeter.rings.loc[ring_key, "length_m"])
    scale = max(PIXELS_PER_M, (LEAST_WIDTH - LEFT - RIGHT) / length)
    lanes = _lanes(scene, ring_key)
    levels = _levels(scene, ring_key)
    above = [lane for lane in lanes if lane.side == "outside"]
    below = [lane for lane in lanes if lane.side != "outside"]
    top = 66.0
    outside_top = top + sum(lane.height + 8 for lane in above) + (18 if above else 0)
    axis = outside_top + PANEL_PX + 6
    inside_top = axis + 52
    lower = inside_top + PANEL_PX + 22
    height = lower + sum(lane.height + 8 for lane in below) + 132
    width = LEFT + length * scale + RIGHT
    drawing = Drawing(width, height, title=f"Developed strip of {scene.place(ring_key)}")

    def x(chainage: float) -> float:
        return LEFT + chainage * scale

    _heading(drawing, scene, ring_key, levels, scale)
    hatch = drawing.hatch("unread", HATCH)
    y = top
    for lane in above:
        _lane(drawing, lane, x, y, length)
        y += lane.height + 8
    _panel(drawing, scene, ring_key, "outside", outside_top, levels, x, length, hatch)
    _axis(drawing, scene, ring_key, axis, x, length)
    _panel(drawing, scene, ring_key, "inside", inside_top, levels, x, length, hatch)
    y = lower
    for lane in below:
        _lane(drawing, lane, x, y, length)
        y += lane.height + 8
    _legend(drawing, y + 14, hatch, scale)
    return drawing.text()


def _lanes(scene: Scene, ring_key: str) -> list[Lane]:
    own = scene.readings
    own = own[(own["ring_key"] == ring_key) & (own["status"] == "joined") & own["chainage_m"].notna()]
    lanes = []
    for side in (*SIDES, "cavity", "floor"):
        for group, readings in own[own["side"] == side].groupby("group", sort=True):
            rows = sorted({_row_of(height) for height in readings["height_m"]}, reverse=True)
            lanes.append(Lane(side, str(group), tuple(rows), readings))
    return lanes


def _row_of(height: float) -> float:
    """Return the row a height is drawn in: to the nearest 0.1 m, NaN as -1."""
    return -1.0 if math.isnan(height) else round(height, 1)


def _levels(scene: Scene, ring_key: str) -> Levels:
    """Return a scale that holds the ground, the courses, the floor and the rims of this ring."""
    found: list[float] = []
    for table, column in (
        (scene.ground_levels, "level_m"),
        (scene.dpc, "level_m"),
        (scene.assets[scene.assets["kind"].isin(("gully", "chamber"))], "level_m"),
        (scene.openings, "sill_level_m"),
    ):
        values = table.loc[table["ring_key"] == ring_key, column]
        found += [float(value) for value in values if math.isfinite(value)]
    floor = scene.floors.get(str(scene.perimeter.rings.loc[ring_key, "building_id"]), math.nan)
    found += [floor] if math.isfinite(floor) else []
    if not found:
        return Levels(-0.5, 0.5)
    low, high = np.percentile(found, [2, 98])
    reach = max(0.30, float(high - low))
    return Levels(float(low) - 0.25 * reach, float(high) + 0.30 * reach)


def _heading(drawing: Drawing, scene: Scene, ring_key: str, levels: Levels, scale: float) -> None:
    drawing.group()
    drawing.words(16, 26, f"{scene.site_name}: {scene.place(ring_key)}", font_size=18, font_weight=700)
    ratio = levels.per_metre / scale
    said = f"{scene.caption()} · levels drawn {ratio:.0f} times taller than chainage"
    drawing.words(16, 46, said, font_size=11, fill=SOFT_INK)


def _panel(
    drawing: Drawing,
    scene: Scene,
    ring_key: str,
    side: str,
    top: float,
    levels: Levels,
    x: Callable[[float], float],
    length: float,
    hatch: str,
) -> None:
    """Draw one side of the wall to level."""
    drawing.group(clip_path=None)
    drawing.rect(x(0), top, x(length) - x(0), PANEL_PX, fill=PANEL, stroke=RULE)
    drawing.words(16, top + 16, side.capitalize(), font_size=14, font_weight=700)
    drawing.words(16, top + 32, "levels, m", font_size=10, fill=SOFT_INK)
    step = 0.1 if levels.high - levels.low < 1.2 else 0.25 if levels.high - levels.low < 3 else 1.0
    first = math.ceil(levels.low / step) * step
    for k in range(60):
        level = first + k * step
        if level > levels.high:
            break
        y = levels.px(level, top)
        drawing.line(x(0), y, x(length), y, stroke=FAINT, stroke_width=1)
        drawing.words(LEFT - 8, y + 3, f"{level:.2f}", font_size=9, text_anchor="end", fill=SOFT_INK)
    faces = scene.perimeter.faces
    for face in faces[faces["ring_key"] == ring_key].itertuples():
        a, b = x(face.chainage_from_m), x(face.chainage_to_m)
        if side == "outside" and not face.outside:
            drawing.rect(a, top, b - a, PANEL_PX, fill=NEIGHBOUR, tip="party wall: it has no outside")
            drawing.words(
                (a + b) / 2, top + PANEL_PX / 2, "party: no outside", text_anchor="middle", fill=SOFT_INK
            )
        drawing.line(a, top, a, top + PANEL_PX, stroke=RULE, stroke_dasharray="2 3")
    _unread(drawing, scene, ring_key, side, top, x, length, hatch)
    if side == "outside":
        _ground(drawing, scene, ring_key, top, levels, x, length)
    else:
        _floor(drawing, scene, ring_key, top, levels, x, length)
    _openings(drawing, scene, ring_key, top, levels, x)
    _courses(drawing, scene, ring_key, side, top, levels, x, length)
    if side == "outside":
        _assets(drawing, scene, ring_key, top, levels, x, length)
    _stretches(drawing, scene, ring_key, side, top, x, length)


def _unread(
    drawing: Drawing,
    scene: Scene,
    ring_key: str,
    side: str,
    top: float,
    x: Callable[[float], float],
    length: float,
    hatch: str,
) -> None:
    own = scene.unread[(scene.unread["ring_key"] == ring_key) & (scene.unread["side"] == side)]
    band = top + PANEL_PX - 13 if side == "outside" else top
    for row in own.itertuples():
        for a, b in _parts(row.chainage_from_m, row.chainage_to_m, length):
            tip = f"not read: {row.reason}, chainage {row.chainage_from_m:.2f}-{row.chainage_to_m:.2f}"
            drawing.rect(x(a), band, x(b) - x(a), 13, fill=hatch, stroke=HATCH, stroke_width=0.6, tip=tip)
            if x(b) - x(a) > 56:
                word = "unread" if row.reason == "not looked" else str(row.reason)
                middle = (x(a) + x(b)) / 2
                wide = 6.2 * len(word) + 6
                drawing.rect(middle - wide / 2, band + 1, wide, 11, fill=PANEL)
                drawing.words(middle, band + 10, word, font_size=10, text_anchor="middle")


def _ground(
    drawing: Drawing,
    scene: Scene,
    ring_key: str,
    top: float,
    levels: Levels,
    x: Callable[[float], float],
    length: float,
) -> None:
    """Draw the ground at the wall with its range, only between levels near enough to each other."""
    known = reference.default()
    near, reach = known.value("ground.wall_level_reach_m"), known.value("ground.level_reach_m")
    own = scene.ground_levels
    own = own[(own["ring_key"] == ring_key) & (own["offset_m"].abs() <= near) & own["level_m"].notna()]
    own = own.sort_values("chainage_m")
    points = list(zip(own["chainage_m"], own["level_m"], own["sigma_m"], strict=True))
    for (s0, z0, e0), (s1, z1, e1) in zip(points, points[1:], strict=False):
        if s1 - s0 > 2 * reach:
            continue
        band = [(x(s0), levels.px(z0 + 2 * e0, top)), (x(s1), levels.px(z1 + 2 * e1, top))]
        band += [(x(s1), levels.px(z1 - 2 * e1, top)), (x(s0), levels.px(z0 - 2 * e0, top))]
        drawing.path(band, closed=True, fill=EARTH, fill_opacity=0.25, stroke="none")
        line = [(x(s0), levels.px(z0, top)), (x(s1), levels.px(z1, top))]
        drawing.path(line, stroke=EARTH, stroke_width=2.4)
    for s, z, e in points:
        tip = f"ground at the wall {z:.3f} m ± {2 * e * 1000:.0f} mm, chainage {s:.2f}"
        drawing.circle(x(s), levels.px(z, top), 2.6, fill=EARTH, tip=tip)


def _floor(
    drawing: Drawing,
    scene: Scene,
    ring_key: str,
    top: float,
    levels: Levels,
    x: Callable[[float], float],
    length: float,
) -> None:
    floor = scene.floors.get(str(scene.perimeter.rings.loc[ring_key, "building_id"]), math.nan)
    if math.isfinite(floor) and levels.low < floor < levels.high:
        y = levels.px(floor, top)
        drawing.line(x(0), y, x(length), y, stroke=INK, stroke_width=1.6, tip=f"finished floor {floor:.3f} m")
        drawing.words(x(length) - 4, y - 4, f"floor {floor:.2f}", font_size=10, text_anchor="end")


def _courses(
    drawing: Drawing,
    scene: Scene,
    ring_key: str,
    side: str,
    top: float,
    levels: Levels,
    x: Callable[[float], float],
    length: float,
) -> None:
    """Draw the damp proof course of this side, its steps, and where it was not seen."""
    leaves = ("outer", "solid") if side == "outside" else ("inner", "solid")
    own = scene.dpc[(scene.dpc["ring_key"] == ring_key) & scene.dpc["leaf"].isin(leaves)]
    for leaf, points in own.groupby("leaf", sort=False):
        rows = list(points.sort_values("chainage_m", kind="stable").itertuples())
        for here, there in zip(rows, rows[1:], strict=False):
            if not (math.isfinite(here.level_m) and math.isfinite(there.level_m)):
                continue
            step = there.chainage_m - here.chainage_m < 0.02
            unseen = here.state in ("not_seen", "absent")
            dash = "2 4" if unseen else "7 3" if getattr(here, "evidence", "seen") != "seen" else None
            line = [
                (x(here.chainage_m), levels.px(here.level_m, top)),
                (x(there.chainage_m), levels.px(there.level_m, top)),
            ]
            tip = f"{leaf} damp proof course {here.level_m:.3f} to {there.level_m:.3f} m, {here.state.replace('_', ' ')}"
            drawing.path(line, stroke=COURSE, stroke_width=2.6, stroke_dasharray=dash, tip=tip)
            if step:
                lap = {"seen": "lap seen", "absent": "no lap"}.get(there.lap or here.lap, "lap not seen")
                middle = (line[0][1] + line[1][1]) / 2
                drawing.words(x(here.chainage_m) + 5, middle + 3, f"step, {lap}", font_size=10, fill=COURSE)
        if rows and math.isfinite(rows[0].level_m):
            said = "DPC" if leaf == "solid" else f"{leaf} DPC"
            at = levels.px(rows[0].level_m, top) - 5
            drawing.words(x(rows[0].chainage_m) + 4, at, said, font_size=10, font_weight=700, fill=COURSE)


def _openings(
    drawing: Drawing, scene: Scene, ring_key: str, top: float, levels: Levels, x: Callable[[float], float]
) -> None:
    own = scene.openings[scene.openings["ring_key"] == ring_key]
    for row in own.itertuples():
        sill = row.sill_level_m
        if not math.isfinite(sill) or sill > levels.high:
            continue
        head = row.head_level_m if math.isfinite(row.head_level_m) else levels.high
        y = levels.px(min(head, levels.high), top)
        bottom = levels.px(max(sill, levels.low), top)
        a, b = x(row.chainage_from_m), x(row.chainage_to_m)
        tip = f"{row.opening_id}: {row.kind.replace('_', ' ')}, sill {sill:.3f} m"
        drawing.rect(a, y, max(3.0, b - a), bottom - y, fill="none", stroke=ACCENT, stroke_width=1.1, tip=tip)
        if b - a > 26:
            word = row.kind.replace("_", " ")
            drawing.words((a + b) / 2, y + 11, word, font_size=9, text_anchor="middle", fill=ACCENT)


def _assets(
    drawing: Drawing,
    scene: Scene,
    ring_key: str,
    top: float,
    levels: Levels,
    x: Callable[[float], float],
    length: float,
) -> None:
    """Draw assets at their chainage and level; one without a level stands at the top, said so."""
    own = scene.assets[(scene.assets["ring_key"] == ring_key) & scene.assets["chainage_m"].notna()]
    if own.empty:
        return
    own = own.sort_values("chainage_m")
    labels = spread([x(s) for s in own["chainage_m"]], least=30, low=x(0) + 10, high=x(length) - 10)
    for row, label in zip(own.itertuples(), labels, strict=True):
        known = math.isfinite(row.level_m) and levels.low < row.level_m < levels.high
        y = levels.px(row.level_m, top) if known else top + 26
        at = x(row.chainage_m)
        level = f"{row.level_m:.3f} m" if math.isfinite(row.level_m) else "level not taken"
        tip = (
            f"{row.asset_id}: {row.kind}, {row.state}, {row.evidence}; {level}; chainage {row.chainage_m:.2f}"
        )
        drawing.line(label, top + 14, at, y, stroke=SOFT_INK, stroke_width=0.7)
        dash = None if row.evidence == "seen" else "3 2"
        drawing.symbol(SYMBOLS.get(row.kind, "ring"), at, y, 12, tip=tip, stroke_dasharray=dash)
        name = str(row.asset_id)
        drawing.words(label, top + 11, name[:9], font_size=10, font_weight=700, text_anchor="middle", tip=tip)


def _stretches(
    drawing: Drawing,
    scene: Scene,
    ring_key: str,
    side: str,
    top: float,
    x: Callable[[float], float],
    length: float,
) -> None:
    """Draw wet stretches as brackets against the wall line."""
    own = scene.stretches
    own = own[(own["ring_key"] == ring_key) & (own["side"] == side)]
    sign = -1 if side == "outside" else 1
    base = top - 3 if side == "outside" else top + PANEL_PX + 3
    ends: list[float] = []
    for row in own.sort_values("chainage_from_m").itertuples():
        tier = next((i for i, end in enumerate(ends) if row.chainage_from_m >= end), len(ends))
        ends[tier : tier + 1] = [row.chainage_to_m if row.chainage_to_m > row.chainage_from_m else length]
        y = base + sign * 5.5 * tier
        tip = f"{row.Index}: wet {row.length_m:.2f} m, {row.n_wet} of {row.n} readings, highest {row.highest}, {row.group}"
        for a, b in _parts(row.chainage_from_m, row.chainage_to_m, length):
            drawing.line(x(a), y, max(x(b), x(a) + 4), y, stroke=WET_STEPS[4], stroke_width=4.5, tip=tip)
        drawing.words(
            x(row.chainage_from_m) + 1,
            y + (-4 if sign < 0 else 12),
            str(row.Index),
            font_size=9,
            fill=WET_STEPS[5],
        )


def _axis(
    drawing: Drawing, scene: Scene, ring_key: str, y: float, x: Callable[[float], float], length: float
) -> None:
    """Draw the chainage, the faces and the corners between the two sides."""
    drawing.group()
    faces = scene.perimeter.faces
    own = faces[faces["ring_key"] == ring_key]
    drawing.words(16, y + 14, "chainage, m", font_size=10, fill=SOFT_INK)
    drawing.words(16, y + 38, "faces and corners", font_size=10, fill=SOFT_INK)
    drawing.line(x(0), y + 18, x(length), y + 18)
    for k in range(math.floor(length) + 1):
        drawing.line(x(k), y + 18, x(k), y + (12 if k % 5 else 8))
        if k % 5 == 0 or x(1) - x(0) > 40:
            drawing.words(x(k), y + 7, f"{k}", font_size=10, text_anchor="middle")
    for face in own.itertuples():
        a, b = x(face.chainage_from_m), x(face.chainage_to_m)
        fill = BRICK_LIGHT if face.outside else NEIGHBOUR
        tip = f"{face.face}: {face.length_m:.2f} m, {face.exposure.replace('_', ' ')}, bearing {face.bearing_deg:.0f}°"
        drawing.rect(a, y + 22, b - a, 20, fill=fill, stroke=RULE, tip=tip)
        drawing.circle(a, y + 32, 8, fill=INK)
        drawing.words(
            a, y + 36, face.corner_from, font_size=10, fill=PANEL, text_anchor="middle", font_weight=700
        )
        if b - a > 34:
            said = face.face if b - a < 130 or face.outside else f"{face.face} party"
            drawing.words((a + b) / 2, y + 36, said, font_size=11, text_anchor="middle")
    last = own.iloc[-1]
    drawing.circle(x(length), y + 32, 8, fill=INK)
    drawing.words(
        x(length), y + 36, last["corner_to"], font_size=10, fill=PANEL, text_anchor="middle", font_weight=700
    )


def _lane(drawing: Drawing, lane: Lane, x: Callable[[float], float], top: float, length: float) -> None:
    """Draw the readings of one group: a row for each height, a cell for each reading."""
    drawing.group()
    drawing.rect(x(0), top, x(length) - x(0), lane.height - 4, fill="none", stroke=FAINT)
    first = lane.readings.iloc[0]
    drawing.words(16, top + 11, f"{lane.side}: {first['method_name']}", font_size=10, font_weight=700)
    detail = f"{first['material'].replace('_', ' ')}, {first['instrument']}, {first['unit']}"
    drawing.words(16, top + 23, detail[:34], font_size=9, fill=SOFT_INK, tip=str(lane.group))
    scale = x(1) - x(0)
    for i, row in enumerate(lane.rows):
        y = top + 6 + ROW_PX * i
        label = "h –" if row < 0 else f"h {row:.1f}"
        drawing.words(LEFT - 8, y + 11, label, font_size=9, text_anchor="end", fill=SOFT_INK)
        here = lane.readings[lane.readings["height_m"].map(_row_of) == row].sort_values("chainage_m")
        places = here["chainage_m"].to_numpy()
        gaps = np.diff(places) if len(places) > 1 else np.array([1.0])
        tight = float(np.min(gaps[gaps > 1e-6], initial=1.0)) * scale
        wide = float(np.clip(tight - 1.5, 12.0, 30.0))
        for reading in here.itertuples():
            colour = wet_colour(reading.shade, reading.rank)
            edge, weight = (INK, 1.6) if reading.wet == "wet" else (SOFT_INK, 0.6)
            dash = "2 2" if reading.wet == "control" else None
            at = x(reading.chainage_m)
            tip = (
                f"{reading.Index}: {reading.value} {reading.unit}, chainage {reading.chainage_m:.2f} "
                f"± {2 * reading.chainage_sigma_m:.2f} m; {reading.wet}: {reading.because}"
            )
            drawing.rect(
                at - wide / 2, y, wide, ROW_PX - 3, fill=colour, stroke=edge, stroke_width=weight,
                stroke_dasharray=dash, rx=2, tip=tip,
            )  # fmt: skip
            said = str(reading.value)
            size = min(9.5, (wide - 2) / (0.62 * max(1, len(said))))
            if size >= 6:
                drawing.words(
                    at, y + 10.5, said, font_size=size, text_anchor="middle", fill=ink_on(colour), tip=tip
                )


def _legend(drawing: Drawing, y: float, hatch: str, scale: float) -> None:
    drawing.group()
    x = LEFT
    drawing.words(16, y + 12, "How to read it", font_size=11, font_weight=700)
    words = ("no excess", "to 2 σ", "to 3 σ", "to 6 σ", "to 12 σ", "over 12 σ")
    for colour, word in zip(WET_STEPS, words, strict=True):
        drawing.rect(x, y, 56, 16, fill=colour, stroke=SOFT_INK, stroke_width=0.6)
        drawing.words(x + 28, y + 11.5, word, font_size=9, text_anchor="middle", fill=ink_on(colour))
        x += 57
    said = "excess over this house's own dry control; heavy edge: wet; dashed edge: control; > off the scale, at least"
    drawing.words(x + 10, y + 12, said, font_size=10)
    x, y = LEFT, y + 30
    drawing.rect(x, y, 40, 13, fill=hatch, stroke=HATCH)
    drawing.words(x + 46, y + 11, "wall nobody read", font_size=10)
    x += 150
    drawing.line(x, y + 7, x + 34, y + 7, stroke=COURSE, stroke_width=2.6)
    drawing.words(x + 40, y + 11, "damp proof course (dotted: not seen)", font_size=10)
    x += 250
    drawing.line(x, y + 7, x + 34, y + 7, stroke=EARTH, stroke_width=2.4)
    drawing.words(x + 40, y + 11, "ground at the wall ± 2 σ", font_size=10)
    x += 190
    drawing.line(x, y + 7, x + 34, y + 7, stroke=WET_STEPS[4], stroke_width=5)
    drawing.words(x + 40, y + 11, "wet stretch", font_size=10)
    x += 120
    for kind in LETTERS:
        drawing.symbol(SYMBOLS[kind], x + 8, y + 7, 12)
        drawing.words(x + 19, y + 11, kind, font_size=10)
        x += 34 + 7 * len(kind)
    bar = 2.0
    drawing.line(LEFT, y + 34, LEFT + bar * scale, y + 34, stroke_width=3)
    drawing.words(LEFT + bar * scale + 8, y + 38, f"{bar:g} m along the wall", font_size=10)
    said = "Material: a name shortened here is whole in the tooltip. Nothing is filled in between readings."
    drawing.words(LEFT + bar * scale + 180, y + 38, said, font_size=10, fill=SOFT_INK)


def _parts(start: float, end: float, length: float) -> list[tuple[float, float]]:
    """Return a chainage range as one part, or two where it runs past the origin corner."""
    if end > length + 1e-6:
        return [(start, length), (0.0, end - length)]
    return [(start, end)] if end >= start else [(start, length), (0.0, end)]
