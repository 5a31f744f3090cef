"""One wall as a straight line, with what was just typed on it."""

from __future__ import annotations

import math

import pandas as pd

from geo.draw.svg import Drawing
from geo.draw.theme import ACCENT, INK, RULE, SOFT_INK

WIDTH, HEIGHT, EDGE = 1180.0, 96.0, 16.0


def draw_typed_strip(faces: pd.DataFrame, marks: pd.DataFrame, *, title: str) -> str:
    """Return a strip of one ring as SVG.

    Parameters
    ----------
    faces
        Rows in order of chainage: face, chainage_from_m, chainage_to_m, outside (bool).
    marks
        chainage_m, chainage_sigma_m, label (text), fresh (bool): what was typed last is drawn larger, with
        its label and its error as a bar.
    """
    drawn = Drawing(WIDTH, HEIGHT, title=title)
    length = float(faces["chainage_to_m"].max()) if len(faces) else 1.0
    scale = (WIDTH - 2 * EDGE) / length
    base = 52.0
    for face in faces.to_dict("records"):
        start, end = EDGE + scale * face["chainage_from_m"], EDGE + scale * face["chainage_to_m"]
        dash = None if face["outside"] else "4 4"
        drawn.line(start, base, end, base, stroke=INK, stroke_width=3, stroke_dasharray=dash)
        drawn.line(start, base - 9, start, base + 9, stroke=INK, stroke_width=1.5)
        if end - start > 26:
            drawn.words((start + end) / 2, base + 24, face["face"], text_anchor="middle", fill=SOFT_INK)
    drawn.line(WIDTH - EDGE, base - 9, WIDTH - EDGE, base + 9, stroke=INK, stroke_width=1.5)
    for metre in range(0, int(length) + 1, _step(length)):
        x = EDGE + scale * metre
        drawn.line(x, base + 4, x, base + 9, stroke=RULE)
        drawn.words(x, base + 38, str(metre), text_anchor="middle", font_size=10, fill=SOFT_INK)
    for mark in marks[~marks["fresh"]].to_dict("records"):
        drawn.circle(EDGE + scale * mark["chainage_m"], base - 13, 2.4, fill=SOFT_INK, tip=mark["label"])
    for mark in marks[marks["fresh"]].to_dict("records"):
        x, spread = EDGE + scale * mark["chainage_m"], scale * mark["chainage_sigma_m"]
        if math.isfinite(spread) and spread > 1.0:
            drawn.line(x - spread, base - 18, x + spread, base - 18, stroke=ACCENT, stroke_width=2)
        drawn.circle(x, base - 18, 5.0, fill=ACCENT, tip=mark["label"])
        side = "end" if x > WIDTH - 90 else "start" if x < 90 else "middle"
        drawn.words(x, base - 30, mark["label"], text_anchor=side, font_weight=700)
    return drawn.text()


def _step(length: float) -> int:
    """Return how many metres stand between two figures."""
    return next((step for step in (1, 2, 5, 10, 20, 50) if length / step <= 30), 100)
