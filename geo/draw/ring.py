"""The ring of falls and clearances: chainage round the clock, every value with its range."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from geo.draw.scene import Scene
from geo.draw.svg import Drawing, Point, wrapped
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

WIDTH, HEIGHT = 1400.0, 1150.0
CX, CY = 560.0, 605.0
FACES = (104.0, 134.0)
CLEARANCE = (150.0, 246.0)
CLEARANCE_LABEL = 260.0
CLEARANCE_TOP_MM = 400.0
FALLS = {"levels": 316.0, "raster": 415.0}
FALL_LABEL = 49.0
FALL_PX_PER_PERCENT = 7.0
FALL_MOST = 6.0
POOLS = {"none working": (492.0, 502.0)}
POOLS_FOUND = (481.0, 491.0)
OUTER = 506.0
LEGEND_X = 1110.0
LABEL_PX = 25.0
CLEAR_WORDS = {"short": "short of the rule", "clear": "clear of the rule", "not known": "not known"}
WORDS = {"toward": "falls to the wall", "away": "falls away", "level": "level", "not known": "not known"}


def draw_ring(scene: Scene, ring_key: str) -> str:
    """Return the ring chart of one ring as SVG.

    From the middle outward: the faces; the clearance of the damp proof course with its 95 % range and the
    rule; the fall of the ground by levels; the fall by raster. A fall to the wall points inward. What is
    not known is left blank with a question mark, and its reason is in the tooltip.
    """
    length = float(scene.perimeter.rings.loc[ring_key, "length_m"])
    drawing = Drawing(
        WIDTH, HEIGHT, title=f"Falls and clearances of {scene.site_name}: {scene.place(ring_key)}"
    )
    drawing.words(16, 28, f"{scene.site_name}: {scene.place(ring_key)}", font_size=18, font_weight=700)
    drawing.words(16, 48, scene.caption(), font_size=11, fill=SOFT_INK)
    hatch = drawing.hatch("blank", HATCH)
    _guides(drawing)
    _faces(drawing, scene, ring_key, length)
    _clearances(drawing, scene, ring_key, length, hatch)
    _rule(drawing, scene)
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


def shown(chainage_m: float, piece_m: float, length: float, radius: float) -> bool:
    """Say whether a piece of wall has its number printed: all do where there is room, else every so many."""
    room = 2 * math.pi * radius * piece_m / length
    every = max(1, math.ceil(LABEL_PX / room))
    return int(chainage_m / piece_m) % every == 0


def sector(inner: float, outer: float, start: float, end: float) -> list[Point]:
    """Return the outline of a part of a ring between two shares of the way round."""
    turns = np.linspace(start, end, max(2, int((end - start) * 240)))
    return [at(outer, turn) for turn in turns] + [at(inner, turn) for turn in turns[::-1]]


def _guides(drawing: Drawing) -> None:
    drawing.group()
    for mm in (0, 100, 200, 300, 400):
        drawing.circle(CX, CY, _clear_radius(mm), fill="none", stroke=FAINT)
    for radius in FALLS.values():
        drawing.circle(CX, CY, radius, fill="none", stroke=RULE, stroke_width=1.2)
        for percent in (-5, 5):
            drawing.circle(CX, CY, radius + percent * FALL_PX_PER_PERCENT, fill="none", stroke=FAINT)


def _rule(drawing: Drawing, scene: Scene) -> None:
    """Draw the rule over the bars it is held against."""
    drawing.circle(
        CX, CY, _clear_radius(scene.rule_mm), fill="none", stroke=COURSE, stroke_width=1.8,
        stroke_dasharray="6 4", tip=f"{scene.rule_mm:.0f} mm",
    )  # fmt: skip


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


def _stations(scene: Scene, ring_key: str) -> dict[str, Any]:
    """Return the pieces of wall of a ring by their ids."""
    columns = ["station_id", "chainage_from_m", "chainage_to_m", "chainage_m", "length_m"]
    own = scene.stations.loc[(scene.stations["ring_key"] == ring_key).to_numpy(), columns]
    return {row.station_id: row for row in own.itertuples(index=False)}


def _clearances(drawing: Drawing, scene: Scene, ring_key: str, length: float, hatch: str) -> None:
    """Draw a bar from the ground to the course, its range as a whisker."""
    drawing.group()
    place = _stations(scene, ring_key)
    for row in scene.clearance.itertuples():
        station = place.get(row.station_id)
        if station is None or row.verdict == "party":
            continue
        start, end = station.chainage_from_m / length, station.chainage_to_m / length
        trim = 0.08 * (end - start)
        where = f"chainage {station.chainage_from_m:.1f}-{station.chainage_to_m:.1f}"
        tip = f"{where}: {row.verdict}; {row.because}"
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
        cap = 4.0 / _clear_radius(row.low_mm) / (2 * math.pi)
        for mm in (row.low_mm, row.high_mm):
            ends = (at(_clear_radius(mm), turn - cap), at(_clear_radius(mm), turn + cap))
            drawing.path(ends, stroke=INK, stroke_width=1.3, tip=tip)
        if shown(station.chainage_m, station.length_m, length, CLEARANCE_LABEL):
            x, y = at(CLEARANCE_LABEL, turn)
            sign = {"short": "!", "not known": "?"}.get(row.verdict, "")
            drawing.words(
                x, y + 3, f"{row.clearance_mm:.0f}{sign}", font_size=10, text_anchor="middle", tip=tip
            )


def _falls(
    drawing: Drawing, scene: Scene, ring_key: str, length: float, evidence: str, radius: float
) -> None:
    """Draw an arrow for each fall: inward where the ground falls to the wall."""
    drawing.group()
    place = _stations(scene, ring_key)
    for row in scene.falls[scene.falls["evidence"] == evidence].itertuples():
        station = place.get(row.station_id)
        if station is None or row.verdict == "party":
            continue
        turn = station.chainage_m / length
        where = f"chainage {station.chainage_from_m:.1f}-{station.chainage_to_m:.1f}"
        tip = f"{where}, {evidence}: {WORDS[row.verdict]}; {row.because}"
        aside = 7.0 / radius / (2 * math.pi)
        value, low, high = (
            radius - float(np.clip(percent, -FALL_MOST, FALL_MOST)) * FALL_PX_PER_PERCENT
            for percent in (row.fall_percent, row.low_percent, row.high_percent)
        )
        if math.isfinite(low) and math.isfinite(high):
            drawing.path(
                [at(low, turn + aside), at(high, turn + aside)], stroke=INK, stroke_width=1.1, tip=tip
            )
            for end in (low, high):
                cap = [at(end, turn + 0.5 * aside), at(end, turn + 1.5 * aside)]
                drawing.path(cap, stroke=INK, stroke_width=1.1, tip=tip)
        if row.verdict == "not known":
            x, y = at(radius, turn - 0.6 * aside)
            tip = f"{tip}. {row.settle}"
            drawing.words(x, y + 4, "?", font_size=12, text_anchor="middle", fill=SOFT_INK, tip=tip)
            continue
        colour = {"toward": WET_STEPS[5], "away": WET_STEPS[3]}.get(row.verdict, SOFT_INK)
        if row.verdict in ("toward", "away"):
            step = 8.0 if row.verdict == "toward" else -8.0
            wing = 5.5 / radius / (2 * math.pi)
            drawing.path([at(radius, turn), at(value + step, turn)], stroke=colour, stroke_width=4.2, tip=tip)
            head = [at(value + step, turn - wing), at(value, turn), at(value + step, turn + wing)]
            drawing.path(head, closed=True, fill=colour, stroke="none", tip=tip)
        else:
            x, y = at(radius, turn - 0.6 * aside)
            drawing.words(x, y + 4, "=", font_size=12, text_anchor="middle", fill=INK, tip=tip)
        if shown(station.chainage_m, station.length_m, length, radius + FALL_LABEL):
            x, y = at(radius + FALL_LABEL, turn)
            said = f"{abs(row.fall_percent):.1f}"
            drawing.words(x, y + 3.5, said, font_size=10, text_anchor="middle", tip=tip)


def _ponds(drawing: Drawing, scene: Scene, ring_key: str, length: float) -> None:
    drawing.group()
    own = scene.ponds[scene.ponds["at_wall"].astype(bool) & (scene.ponds["ring_key"] == ring_key)]
    for row in own.itertuples():
        start, end = row.chainage_from_m / length, row.chainage_to_m / length
        end = end if end > start else end + 1
        dash = None if row.verdict == "ponds" else "4 3"
        sure = 1.0 if row.verdict == "ponds" else 0.35
        tip = f"pool {row.pond_id}, gullies {row.gullies}: {row.because}"
        band = sector(*POOLS.get(row.gullies, POOLS_FOUND), start, end)
        drawing.path(
            band, closed=True, fill=POND, fill_opacity=sure, stroke=ACCENT, stroke_dasharray=dash, tip=tip
        )


def _chainages(drawing: Drawing, length: float) -> None:
    drawing.group()
    step = 1 if length <= 24 else 2 if length <= 60 else 5
    for k in range(0, math.ceil(length), step):
        (x1, y1), (x2, y2) = at(OUTER, k / length), at(OUTER + 6, k / length)
        drawing.line(x1, y1, x2, y2, stroke=SOFT_INK)
        x, y = at(OUTER + 18, k / length)
        drawing.words(x, y + 4, str(k), font_size=11, text_anchor="middle", fill=SOFT_INK)
    drawing.circle(CX, CY, OUTER, fill="none", stroke=RULE)


def _legend(drawing: Drawing, scene: Scene, ring_key: str, hatch: str) -> None:
    drawing.group()
    x, y = LEGEND_X, 96.0
    y = _text(drawing, "From the middle outward", y, bold=True)
    for words in (
        "1 faces and corners",
        f"2 clearance of the damp proof course above the ground, mm; dashed ring: {scene.rule_mm:.0f} mm",
        "3 fall of the ground by levels, %",
        "4 fall of the ground by raster, %",
        "5 pools against the wall: as found, and when no gully works",
        "6 chainage, m, clockwise seen from above",
    ):
        y = _text(drawing, words, y)
    y += 12
    for fill, dash, said in (
        (WET_STEPS[2], None, "clear of the rule"),
        (WET_STEPS[4], None, "short of it (!)"),
        (PANEL, "3 2", "too near to tell (?)"),
        (hatch, None, "no levels"),
    ):
        drawing.rect(x, y - 11, 26, 14, fill=fill, stroke=SOFT_INK, stroke_dasharray=dash)
        drawing.words(x + 36, y, said, font_size=11.5)
        y += 21
    y += 8
    for colour, turned, said in (
        (WET_STEPS[5], 1, "arrow inward: falls to the wall"),
        (WET_STEPS[3], -1, "arrow outward: falls away"),
    ):
        tail, tip = x + (26 if turned > 0 else 0), x + (0 if turned > 0 else 26)
        drawing.line(tail, y - 4, tip + 8 * turned, y - 4, stroke=colour, stroke_width=4.2)
        head = [(tip + 8 * turned, y - 9.5), (tip, y - 4), (tip + 8 * turned, y + 1.5)]
        drawing.path(head, closed=True, fill=colour, stroke="none")
        drawing.words(x + 36, y, said, font_size=11.5)
        y += 21
    drawing.path(
        [(x, y - 8), (x, y), (x, y - 4), (x + 26, y - 4), (x + 26, y - 8), (x + 26, y)], stroke_width=1.1
    )
    drawing.words(x + 36, y, f"95 % range; drawn up to {FALL_MOST:.0f} %", font_size=11.5)
    y += 21
    drawing.words(x + 9, y, "?", font_size=12)
    drawing.words(x + 36, y, "not known; the reason is in the tip", font_size=11.5)
    y += 34
    y = _text(drawing, "Face by face", y, bold=True)
    for line in by_face(scene, ring_key):
        y = _text(drawing, line, y)
    drawing.resize(max(HEIGHT, y + 16))


def by_face(scene: Scene, ring_key: str) -> list[str]:
    """Return what is known of each face, in a line of words."""
    place = scene.stations.loc[(scene.stations["ring_key"] == ring_key).to_numpy(), ["station_id", "face"]]
    told: dict[str, list[str]] = {}
    sorts = [
        (f"by {evidence} ", scene.falls[scene.falls["evidence"] == evidence], WORDS) for evidence in FALLS
    ]
    for said, table, words in [*sorts, ("clearance ", scene.clearance, CLEAR_WORDS)]:
        own = table.loc[(table["verdict"] != "party").to_numpy(), ["station_id", "verdict"]]
        for name, verdicts in own.merge(place, on="station_id").groupby("face")["verdict"]:
            told.setdefault(str(name), []).append(said + _tally(verdicts, words))
    faces = scene.perimeter.faces
    return [
        f"{face.face}: {'; '.join(told.get(face.face, ())) or 'nothing known'}"
        if face.outside
        else f"{face.face}: party wall, no outside"
        for face in faces[faces["ring_key"] == ring_key].itertuples()
    ]


def _tally(verdicts: pd.Series[Any], words: dict[str, str]) -> str:
    """Return the words of verdicts, with counts of pieces where they differ."""
    counts = verdicts.value_counts()
    found = [(word, int(counts[word])) for word in words if counts.get(word)]
    if len(found) == 1:
        return words[found[0][0]]
    return ", ".join(f"{words[word]} ({count} of {len(verdicts)})" for word, count in found)


def _text(drawing: Drawing, content: str, y: float, *, bold: bool = False) -> float:
    """Write a text in the legend and return where the next one begins."""
    for i, line in enumerate(wrapped(content, 40)):
        weight = 700 if bold else 400
        drawing.words(LEGEND_X + (0 if i == 0 else 10), y, line, font_size=11.5, font_weight=weight)
        y += 15.5
    return y + 3


def _clear_radius(mm: float) -> float:
    share = min(max(mm, 0.0), CLEARANCE_TOP_MM) / CLEARANCE_TOP_MM
    return CLEARANCE[0] + share * (CLEARANCE[1] - CLEARANCE[0])
