"""The ring of falls and clearances: chainage round the clock, every value with its range."""

from __future__ import annotations

import math

import numpy as np

from geo.draw.scene import Scene
from geo.draw.svg import Drawing, Point
from geo.draw.theme import (
    ACCENT,
    BRICK_LIGHT,
    COURSE,
    FAINT,
    HATCH,
    INK,
    NEIGHBOUR,
    PANEL,
    POND,
    RULE,
    SOFT_INK,
    WET_STEPS,
)

WIDTH, HEIGHT = 1240.0, 1010.0
CX, CY = 500.0, 520.0
FACES = (118.0, 150.0)
CLEARANCE = (168.0, 268.0)
CLEARANCE_TOP_MM = 400.0
FALLS = {"levels": 322.0, "raster": 404.0}
FALL_PX_PER_PERCENT = 6.0
FALL_MOST = 6.0
OUTER = 452.0
WORDS = {"toward": "falls to the wall", "away": "falls away", "level": "level", "not known": "not known"}


def draw_ring(scene: Scene, ring_key: str) -> str:
    """Return the ring chart of one ring as SVG.

    From the middle outward: the faces; the clearance of the damp proof course with its 95 % range and the
    rule; the fall of the ground by levels; the fall by raster. A fall to the wall points inward. What is
    not known is left blank with a question mark, and its reason is in the tooltip.
    """
    length = float(scene.perimeter.rings.loc[ring_key, "length_m"])
    drawing = Drawing(WIDTH, HEIGHT, title=f"Falls and clearances of {scene.place(ring_key)}")
    drawing.words(16, 28, f"{scene.site_name}: {scene.place(ring_key)}", font_size=18, font_weight=700)
    drawing.words(16, 48, scene.caption(), font_size=11, fill=SOFT_INK)
    hatch = drawing.hatch("blank", HATCH)
    _guides(drawing, scene)
    _faces(drawing, scene, ring_key, length)
    _clearances(drawing, scene, ring_key, length, hatch)
    for evidence, radius in FALLS.items():
        _falls(drawing, scene, ring_key, length, evidence, radius)
    _ponds(drawing, scene, ring_key, length)
    _chainages(drawing, length)
    _legend(drawing, scene, ring_key, hatch)
    return drawing.text()


def at(radius: float, turn: float) -> Point:
    """Return the point at a radius and a share of the way round, clockwise from the top."""
    angle = 2 * math.pi * turn
    return CX + radius * math.sin(angle), CY - radius * math.cos(angle)


def sector(inner: float, outer: float, start: float, end: float) -> list[Point]:
    """Return the outline of a part of a ring between two shares of the way round."""
    turns = np.linspace(start, end, max(2, int((end - start) * 240)))
    return [at(outer, turn) for turn in turns] + [at(inner, turn) for turn in turns[::-1]]


def _guides(drawing: Drawing, scene: Scene) -> None:
    drawing.group()
    rule = _clear_radius(scene.rule_mm)
    for mm in (0, 100, 200, 300, 400):
        drawing.circle(CX, CY, _clear_radius(mm), fill="none", stroke=FAINT)
    drawing.circle(CX, CY, rule, fill="none", stroke=COURSE, stroke_width=1.6, stroke_dasharray="5 3")
    for radius in FALLS.values():
        drawing.circle(CX, CY, radius, fill="none", stroke=RULE, stroke_width=1.2)
        for percent in (-5, 5):
            drawing.circle(CX, CY, radius + percent * FALL_PX_PER_PERCENT, fill="none", stroke=FAINT)


def _faces(drawing: Drawing, scene: Scene, ring_key: str, length: float) -> None:
    drawing.group()
    faces = scene.perimeter.faces
    for face in faces[faces["ring_key"] == ring_key].itertuples():
        start, end = face.chainage_from_m / length, face.chainage_to_m / length
        fill = BRICK_LIGHT if face.outside else NEIGHBOUR
        tip = f"{face.face}: {face.length_m:.2f} m, {face.exposure.replace('_', ' ')}"
        drawing.path(sector(*FACES, start, end), closed=True, fill=fill, stroke=RULE, tip=tip)
        if not face.outside:
            party = sector(CLEARANCE[0], OUTER, start, end)
            drawing.path(party, closed=True, fill=NEIGHBOUR, fill_opacity=0.5, stroke="none", tip=tip)
        x, y = at(sum(FACES) / 2, (start + end) / 2)
        if end - start > 0.035:
            drawing.words(x, y + 4, face.face, font_size=12, text_anchor="middle")
        x, y = at(FACES[0] - 12, start)
        drawing.circle(x, y, 9, fill=INK)
        drawing.words(
            x, y + 4, face.corner_from, font_size=10, text_anchor="middle", fill=PANEL, font_weight=700
        )


def _clearances(drawing: Drawing, scene: Scene, ring_key: str, length: float, hatch: str) -> None:
    """Draw a bar from the ground to the course, its range as a whisker."""
    drawing.group()
    place = scene.stations.set_index("station_id")
    for row in scene.clearance.itertuples():
        station = place.loc[row.station_id]
        if station["ring_key"] != ring_key or row.verdict == "party":
            continue
        start, end = station["chainage_from_m"] / length, station["chainage_to_m"] / length
        trim = 0.08 * (end - start)
        tip = f"chainage {station['chainage_from_m']:.1f}-{station['chainage_to_m']:.1f}: {row.verdict}; {row.because}"
        if not math.isfinite(row.clearance_mm):
            blank = sector(CLEARANCE[0], CLEARANCE[0] + 12, start + trim, end - trim)
            drawing.path(blank, closed=True, fill=hatch, stroke="none", tip=f"{tip}. {row.settle}")
            continue
        top = _clear_radius(row.clearance_mm)
        fill = WET_STEPS[4] if row.verdict == "short" else WET_STEPS[2] if row.verdict == "clear" else PANEL
        bar = sector(CLEARANCE[0], top, start + trim, end - trim)
        dash = None if row.verdict != "not known" else "3 2"
        drawing.path(
            bar, closed=True, fill=fill, stroke=SOFT_INK, stroke_width=0.8, stroke_dasharray=dash, tip=tip
        )
        turn = (start + end) / 2
        (x1, y1), (x2, y2) = at(_clear_radius(row.low_mm), turn), at(_clear_radius(row.high_mm), turn)
        drawing.line(x1, y1, x2, y2, stroke=INK, stroke_width=1.6, tip=tip)
        x, y = at(CLEARANCE[1] + 14, turn)
        sign = {"short": "!", "not known": "?"}.get(row.verdict, "")
        drawing.words(x, y + 3, f"{row.clearance_mm:.0f}{sign}", font_size=9, text_anchor="middle", tip=tip)


def _falls(
    drawing: Drawing, scene: Scene, ring_key: str, length: float, evidence: str, radius: float
) -> None:
    """Draw an arrow for each fall: inward where the ground falls to the wall."""
    drawing.group()
    place = scene.stations.set_index("station_id")
    for row in scene.falls[scene.falls["evidence"] == evidence].itertuples():
        station = place.loc[row.station_id]
        if station["ring_key"] != ring_key or row.verdict == "party":
            continue
        turn = station["chainage_m"] / length
        where = f"chainage {station['chainage_from_m']:.1f}-{station['chainage_to_m']:.1f}"
        tip = f"{where}, {evidence}: {WORDS[row.verdict]}; {row.because}"
        if row.verdict == "not known":
            x, y = at(radius, turn)
            drawing.words(
                x, y + 4, "?", font_size=11, text_anchor="middle", fill=SOFT_INK, tip=f"{tip}. {row.settle}"
            )
            continue
        value = float(np.clip(row.fall_percent, -FALL_MOST, FALL_MOST))
        low = float(np.clip(row.low_percent, -FALL_MOST, FALL_MOST))
        high = float(np.clip(row.high_percent, -FALL_MOST, FALL_MOST))
        tip_at = radius - value * FALL_PX_PER_PERCENT
        (x1, y1), (x2, y2) = at(radius, turn), at(tip_at, turn)
        colour = (
            WET_STEPS[5] if row.verdict == "toward" else WET_STEPS[3] if row.verdict == "away" else SOFT_INK
        )
        drawing.line(x1, y1, x2, y2, stroke=colour, stroke_width=4.5, tip=tip)
        (x3, y3), (x4, y4) = (
            at(radius - low * FALL_PX_PER_PERCENT, turn),
            at(radius - high * FALL_PX_PER_PERCENT, turn),
        )
        drawing.line(x3, y3, x4, y4, stroke=INK, stroke_width=1.1, tip=tip)
        if row.verdict in ("toward", "away"):
            step = 7.0 if row.verdict == "toward" else -7.0
            spread = 5.0 / max(radius, 1.0) / (2 * math.pi)
            head = [at(tip_at, turn - spread), at(tip_at - step, turn), at(tip_at, turn + spread)]
            drawing.path(head, closed=True, fill=colour, stroke="none", tip=tip)
        x, y = at(radius + (30 if value > 0 else -30), turn)
        drawing.words(x, y + 3, f"{abs(row.fall_percent):.1f}", font_size=9, text_anchor="middle", tip=tip)


def _ponds(drawing: Drawing, scene: Scene, ring_key: str, length: float) -> None:
    drawing.group()
    own = scene.ponds[scene.ponds["at_wall"].astype(bool) & (scene.ponds["ring_key"] == ring_key)]
    for row in own.itertuples():
        start, end = row.chainage_from_m / length, row.chainage_to_m / length
        end = end if end > start else end + 1
        dash = None if row.verdict == "ponds" else "4 3"
        tip = f"pool {row.pond_id}, gullies {row.gullies}: {row.because}"
        band = sector(OUTER - 8, OUTER, start, end)
        drawing.path(band, closed=True, fill=POND, stroke=ACCENT, stroke_dasharray=dash, tip=tip)


def _chainages(drawing: Drawing, length: float) -> None:
    drawing.group()
    step = 1 if length <= 24 else 2 if length <= 60 else 5
    for k in range(0, math.ceil(length), step):
        (x1, y1), (x2, y2) = at(OUTER, k / length), at(OUTER + 6, k / length)
        drawing.line(x1, y1, x2, y2, stroke=SOFT_INK)
        x, y = at(OUTER + 17, k / length)
        drawing.words(x, y + 4, str(k), font_size=10, text_anchor="middle", fill=SOFT_INK)
    drawing.circle(CX, CY, OUTER, fill="none", stroke=RULE)


def _legend(drawing: Drawing, scene: Scene, ring_key: str, hatch: str) -> None:
    drawing.group()
    x, y = 985.0, 96.0
    lines = [
        ("From the middle outward", True),
        ("faces and corners", False),
        (f"clearance of the damp proof course, mm (dashed ring: {scene.rule_mm:.0f} mm)", False),
        ("fall of the ground by levels, %", False),
        ("fall of the ground by raster, %", False),
        ("pools against the wall; chainage, m", False),
    ]
    for words, bold in lines:
        for part in _wrapped(words, 36):
            drawing.words(x, y, part, font_size=11, font_weight=700 if bold else 400)
            y += 16
        y += 3
    y += 8
    for fill, said in (
        (WET_STEPS[2], "clear of the rule"),
        (WET_STEPS[4], "short of it"),
        (PANEL, "too near to tell"),
    ):
        drawing.rect(x, y - 11, 26, 14, fill=fill, stroke=SOFT_INK)
        drawing.words(x + 34, y, said, font_size=11)
        y += 21
    drawing.rect(x, y - 11, 26, 14, fill=hatch, stroke=HATCH)
    drawing.words(x + 34, y, "no levels", font_size=11)
    y += 30
    for colour, said in (
        (WET_STEPS[5], "arrow inward: falls to the wall"),
        (WET_STEPS[3], "arrow outward: falls away"),
    ):
        drawing.line(x, y - 4, x + 26, y - 4, stroke=colour, stroke_width=4.5)
        drawing.words(x + 34, y, said, font_size=11)
        y += 21
    drawing.line(x + 13, y - 12, x + 13, y + 2, stroke=INK, stroke_width=1.4)
    drawing.words(x + 34, y, "95 % range", font_size=11)
    y += 21
    drawing.words(x + 9, y, "?", font_size=12)
    drawing.words(x + 34, y, "not known; the reason is in the tip", font_size=11)
    y += 34
    ids = set(scene.stations.loc[scene.stations["ring_key"] == ring_key, "station_id"])
    for evidence in FALLS:
        own = scene.falls[(scene.falls["evidence"] == evidence) & scene.falls["station_id"].isin(ids)]
        counts = own.loc[own["verdict"] != "party", "verdict"].value_counts()
        said = ", ".join(f"{WORDS[word]} {counts[word]}" for word in WORDS if counts.get(word))
        for part in _wrapped(f"By {evidence}: {said or 'none'} (pieces of wall)", 38):
            drawing.words(x, y, part, font_size=11)
            y += 16
        y += 6


def _clear_radius(mm: float) -> float:
    share = min(max(mm, 0.0), CLEARANCE_TOP_MM) / CLEARANCE_TOP_MM
    return CLEARANCE[0] + share * (CLEARANCE[1] - CLEARANCE[0])


def _wrapped(words: str, most: int) -> list[str]:
    lines: list[str] = [""]
    for word in words.split():
        if len(lines[-1]) + len(word) + 1 > most:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines
