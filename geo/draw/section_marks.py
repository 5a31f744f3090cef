"""What is written on a long section: levels, spills, the table under it, the key."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.drains.network import BURIED
from geo.draw.section_pipes import cut_at
from geo.draw.section_sheet import (
    LEFT,
    PAD_PX,
    PANEL_PX,
    RIGHT,
    ROW_PX,
    TOP,
    WIDTH,
    Sheet,
)
from geo.draw.svg import Drawing, shortened, spread
from geo.draw.theme import ACCENT, DRAIN, EARTH, FAINT, PAPER, POND, RULE, SOFT_INK

Numbers = NDArray[np.float64]


def draw_level(sheet: Sheet) -> None:
    """Draw the level water comes to, where it spills, and what could equally be first."""
    answer, drawing = sheet.answer, sheet.drawing
    if answer is None or not answer.result.first or answer.result.drains:
        return
    result, at = answer.result, dict(sheet.stops)
    level, y = result.level.value, sheet.y(result.level.value)
    ends = [at[name] for name in result.pool if name in at]
    right = sheet.x(sheet.length) + PAD_PX
    if ends:
        reach_m = [leg.from_m + cut[0] * leg.length for leg in sheet.legs if (cut := cut_at(sheet, leg))]
        last = min([m for m in reach_m if m >= max(ends) - 1e-9], default=max(ends))
        a, b = sheet.x(min(ends)), sheet.x(last)
        drawing.line(a, y, b, y, stroke=ACCENT, stroke_width=1.8, stroke_dasharray="9 4")
        drawing.line(b, y, right + 6, y, stroke=ACCENT, stroke_width=0.8, stroke_dasharray="1 4")
    drawing.words(right + 10, y - 3, f"{level:.3f} m", font_size=12, font_weight=700, fill=ACCENT)
    band = f"± {2000 * result.level.sigma:.0f} mm, {result.first}"
    drawing.words(right + 10, y + 11, shortened(band, 18), font_size=11, fill=ACCENT, tip=band)
    marks = [(result.first, "spills first"), *((r.node, "or here") for r in result.rivals)]
    marks += [(spill.node, "then here") for spill in result.spills[1:]]
    shown = [(name, said) for name, said in marks if name in at]
    for order, (name, said) in enumerate(shown[:4]):
        over = str(result.order.loc[name, "leaves"])
        level_m = float(result.order.loc[name, "reach_m"])
        way = "at" if over in BURIED else "over"
        _spill(sheet, name, (at[name], level_m), f"{said}, {way} its {over}", order=order)
    if result.first not in at:
        said = f"{result.first}, off this path, spills first at {level:.3f} m"
        drawing.words(LEFT + 8, TOP + 16, said, font_size=11, font_weight=700, fill=ACCENT)


def _spill(sheet: Sheet, name: str, place: tuple[float, float], said: str, *, order: int) -> None:
    """Mark where water leaves: an arrow over the edge, and words that nothing shows through."""
    drawing, (at, level) = sheet.drawing, place
    side = 1 if sheet.x(at) < WIDTH - RIGHT - 280 else -1
    x, y = sheet.x(at) + side * sheet.half_px(name), sheet.y(level)
    tip = x + side * 18
    drawing.path(
        [(x, y - 3), (x + side * 4, y - 9), (tip, y - 9), (tip, y - 2)], stroke=ACCENT, stroke_width=2.4
    )
    head = [(tip - 5, y - 3), (tip + 5, y - 3), (tip, y + 5)]
    drawing.path(head, closed=True, fill=ACCENT, stroke="none")
    # The words stand clear of covers and ground, at the top of the panel, under one another.
    room, top = 6.9 * len(said) + 8, TOP + 6 + 22 * order
    left = tip - 12 if side > 0 else tip + 12 - room
    drawing.line(tip, top + 18, tip, y - 9, stroke=ACCENT, stroke_width=0.8)
    drawing.rect(left, top, room, 18, fill=PAPER, stroke=ACCENT, stroke_width=0.8, rx=2)
    drawing.words(
        left + room / 2, top + 13, said, font_size=11, font_weight=700, fill=ACCENT, text_anchor="middle"
    )


def draw_table(sheet: Sheet, y: float) -> float:
    """Write names, distances, cover levels, inverts and falls under the section."""
    drawing, nodes = sheet.drawing, sheet.network.nodes
    rows = ["", "distance, m", "cover or rim, m", "invert in, m", "invert out, m"]
    stood = sheet.seen.sort_values("level_m").groupby("of_id")["level_m"].agg(_several)
    rows += ["water seen, m"] if len(stood) else []
    for i, said in enumerate(rows):
        drawing.words(16, y + 15 + i * ROW_PX, said, font_size=11, fill=SOFT_INK)
        drawing.line(16, y + i * ROW_PX, WIDTH - 16, y + i * ROW_PX, stroke=FAINT)
    foot = y + len(rows) * ROW_PX
    drawing.line(16, foot, WIDTH - 16, foot, stroke=FAINT)
    stops = list(dict(sheet.stops).items())
    places = spread([sheet.x(at) for _, at in stops], least=62, low=LEFT + 20, high=WIDTH - 40)
    into = {leg.end: leg.down for leg in sheet.legs if not leg.taken}
    out = {leg.start: leg.up for leg in sheet.legs if not leg.taken}
    for (name, at), x in zip(stops, places, strict=True):
        drawing.path([(sheet.x(at), y - 2), (x, y + 4)], stroke=RULE)
        rim = float(nodes.loc[name, "rim_m"])
        cells = [
            shortened(name, 9), f"{at:.2f}", f"{rim:.3f}" if math.isfinite(rim) else "-",
            f"{into[name]:.3f}" if name in into else "-", f"{out[name]:.3f}" if name in out else "-",
        ]  # fmt: skip
        cells += [stood.get(name, "-")] if len(stood) else []
        for i, cell in enumerate(cells):
            weight = 700 if i == 0 else None
            drawing.words(
                x, y + 15 + i * ROW_PX, cell, font_size=11, text_anchor="middle", font_weight=weight, tip=name
            )
    for leg in sheet.legs:
        a, b = sheet.x(leg.from_m), sheet.x(leg.from_m + leg.length)
        if b - a > 60:
            said = f"{leg.run_id} · {1000 * leg.bore:.0f} mm" + (" · an end assumed" if leg.evidence else "")
            room = int((b - a - 6) / 6.8)
            drawing.words(
                (a + b) / 2, TOP + PANEL_PX - 6, shortened(said, room), font_size=11, text_anchor="middle",
                fill=SOFT_INK, tip=said,
            )  # fmt: skip
    return foot


def _several(levels: pd.Series[float]) -> str:
    """Return levels seen at one place: one of them, or the lowest and the highest."""
    low, high = float(levels.min()), float(levels.max())
    return f"{low:.3f}" if low == high else f"{low:.2f}-{high:.2f}"


def draw_legend(sheet: Sheet, y: float) -> float:
    """Draw the key and the scale bar; return where they end."""
    drawing = sheet.drawing
    bar = next(s for s in (10.0, 5.0, 2.0, 1.0, 0.5) if s * sheet.across <= 180 or s == 0.5)
    drawing.line(16, y + 8, 16 + bar * sheet.across, y + 8, stroke_width=3)
    drawing.words(22 + bar * sheet.across, y + 12, f"{bar:g} m", font_size=11)
    entries: list[tuple[str, dict[str, Any]]] = [
        (said, {"fill": POND, "fill_opacity": shade})
        for shade, said in ((0.85, "water behind the stop"), (0.35, "water at rest, seen or not"))
        if sheet.answer is not None or shade < 0.5
    ]
    entries += [("water seen at that level", {"mark": True})] if len(sheet.seen) else []
    entries += [
        ("ground by levels", {"stroke": EARTH, "stroke_width": 2.4}),
        ("ground by raster", {"stroke": EARTH, "stroke_width": 2.4, "stroke_dasharray": "7 4"}),
        ("invert taken, not measured", {"stroke": DRAIN, "stroke_width": 2, "stroke_dasharray": "6 4"}),
    ]
    x, row = 80 + bar * sheet.across, 0
    for said, sign in entries:
        wide = 54 + 6.4 * len(said)
        if x + wide > WIDTH - 16:
            x, row = 16.0, row + 1
        _key_sign(drawing, sign, x, y + 20 * row)
        drawing.words(x + 34, y + 12 + 20 * row, said, font_size=11)
        x += wide
    said = "Blank where the ground is not known. A hump whose place is not known is drawn half-way."
    drawing.words(16, y + 34 + 20 * row, said, font_size=11, fill=SOFT_INK)
    return y + 50 + 20 * row


def _key_sign(drawing: Drawing, sign: dict[str, Any], x: float, y: float) -> None:
    """Draw one sign of the key, 28 wide."""
    if "mark" in sign:
        mark = [(x + 8, y), (x + 20, y), (x + 14, y + 9)]
        drawing.path(mark, closed=True, fill=PAPER, stroke=ACCENT, stroke_width=1.4)
        drawing.line(x + 5, y + 9, x + 23, y + 9, stroke=ACCENT, stroke_width=1.4)
    elif "fill" in sign:
        drawing.rect(x, y + 1, 26, 13, **sign)
    else:
        drawing.line(x, y + 8, x + 28, y + 8, **sign)
