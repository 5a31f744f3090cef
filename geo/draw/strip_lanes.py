"""The strip's lanes: readings of one method, material and instrument on one side, never mixed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from geo.draw.scene import Scene
from geo.draw.strip_sheet import LABELS_MOST, LEFT, Sheet
from geo.draw.svg import shortened, wrapped
from geo.draw.theme import FAINT, INK, PAPER, SOFT_INK, ink_on, wet_colour

ROW_PX = 18.0
CELL_MOST, CELL_LEAST = 32.0, 21.0
LINE_PX = 14.0
UNDER_PX = 16.0
REPEAT_PX = 1150.0
NO_HEIGHT = -1.0
SIDES = ("outside", "inside", "cavity", "floor")


@dataclass(frozen=True, slots=True)
class Row:
    """Readings at one height, near enough apart to stand beside each other."""

    height: float
    first: bool
    readings: tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Lane:
    """Readings of one group on one side."""

    side: str
    method: str
    detail: str
    unit: str
    group: str
    ranked: bool
    rows: tuple[Row, ...]
    cell_px: float

    @property
    def height(self) -> float:
        """Height of the lane in pixels."""
        return max(LINE_PX * (len(self.title) + 2) + 6, ROW_PX * len(self.rows) + 6) + UNDER_PX

    @property
    def title(self) -> list[str]:
        """Side and method, in at most three lines."""
        lines = wrapped(f"{self.side}: {self.method}", LABELS_MOST - 4)
        return lines if len(lines) < 4 else [*lines[:2], shortened(" ".join(lines[2:]), LABELS_MOST - 4)]


def lanes_of(scene: Scene, ring_key: str, scale: float) -> list[Lane]:
    """Return the lanes of one ring, outside first.

    Readings too near each other to stand in one row are drawn in a further row of the same height, so
    that none hides another.
    """
    own = scene.readings
    own = own[(own["ring_key"] == ring_key) & (own["status"] == "joined") & own["chainage_m"].notna()]
    lanes = []
    for side in SIDES:
        for group, readings in own[own["side"] == side].groupby("group", sort=True):
            first = readings.iloc[0]
            cell = _cell(readings, scale)
            detail = f"{str(first['material']).replace('_', ' ')} · {first['instrument']}"
            ranked = not bool(np.isfinite(readings["shade"].astype(float)).any())
            rows = _rows(readings, scale, cell)
            unit = str(first["unit"])
            lanes.append(Lane(side, str(first["method_name"]), detail, unit, str(group), ranked, rows, cell))
    return lanes


def draw_lane(sheet: Sheet, lane: Lane, top: float) -> None:
    """Draw the readings of one group: a row for each height, a cell for each reading."""
    drawing, x, length = sheet.drawing, sheet.x, sheet.length
    drawing.group()
    foot = top + lane.height - UNDER_PX
    drawing.rect(x(0), top, x(length) - x(0), foot - top, fill=PAPER, stroke=FAINT)
    sheet.unread(lane.side, top + 1, foot - top - 2, words=False)
    shade = "rank: no control" if lane.ranked else "excess over control"
    whole = f"{lane.side}: {lane.method}; {lane.detail}; {lane.unit}; shaded by {shade}"
    lines = [(line, 10.5, 700, INK) for line in lane.title]
    lines += [(shortened(lane.detail, LABELS_MOST), 10.0, 400, SOFT_INK)]
    lines += [(shortened(f"{lane.unit}, {shade}", LABELS_MOST), 9.5, 400, SOFT_INK)]
    for i, (line, size, weight, fill) in enumerate(lines):
        y = top + 12 + LINE_PX * i
        drawing.words(16, y, line, font_size=size, font_weight=weight, fill=fill, tip=whole)
    at = LEFT + REPEAT_PX
    while at < x(length) - 300:  # a strip wider than the screen scrolls: the lane is named again
        drawing.words(at, foot + 10, shortened(whole, 90), font_size=9, fill=SOFT_INK)
        at += REPEAT_PX
    for i, row in enumerate(lane.rows):
        y = top + 4 + ROW_PX * i
        if row.first:
            label = "no height" if row.height == NO_HEIGHT else f"{row.height:.1f} m"
            drawing.words(LEFT - 14, y + 12, label, font_size=10, text_anchor="end", fill=SOFT_INK)
        for reading in row.readings:
            _draw_reading(sheet, lane, reading, y)


def _draw_reading(sheet: Sheet, lane: Lane, reading: Any, y: float) -> None:
    drawing, wide, tall = sheet.drawing, lane.cell_px, ROW_PX - 3
    colour = wet_colour(float(reading.shade), float(reading.rank))
    edge, weight = (INK, 1.9) if reading.wet == "wet" else (SOFT_INK, 0.6)
    dash = "2 2" if reading.wet == "control" else None
    at = sheet.x(reading.chainage_m)
    off = {"above": "; off the scale, at least this", "below": "; off the scale, at most this"}
    tip = (
        f"{reading.Index}: {reading.value} {reading.unit}{off.get(reading.censored, '')}; "
        f"chainage {reading.chainage_m:.2f} ± {2 * reading.chainage_sigma_m:.2f} m; "
        f"{reading.wet}: {reading.because}"
    )
    left = at - wide / 2
    drawing.rect(
        left, y, wide, tall, fill=colour, stroke=edge, stroke_width=weight, stroke_dasharray=dash,
        rx=7 if lane.ranked else 2, tip=tip,
    )  # fmt: skip
    said = str(reading.value)
    size = min(10.0, (wide - 3) / (0.64 * max(1, len(said))))
    if size >= 6.5:
        drawing.words(at, y + 11, said, font_size=size, text_anchor="middle", fill=ink_on(colour), tip=tip)
    if reading.censored in ("above", "below"):
        tip_y = y - 2.5 if reading.censored == "above" else y + tall + 2.5
        base = y + 2.5 if reading.censored == "above" else y + tall - 2.5
        right = left + wide
        drawing.path(
            [(right - 7, base), (right - 3.5, tip_y), (right, base)],
            closed=True, fill=INK, stroke=PAPER, stroke_width=0.6, tip=tip,
        )  # fmt: skip


def _cell(readings: pd.DataFrame, scale: float) -> float:
    """Return the width of a cell: as wide as the usual spacing of this lane allows."""
    gaps = []
    for _, row in readings.groupby(readings["height_m"].map(_row_of)):
        apart = np.diff(np.sort(row["chainage_m"].to_numpy(dtype=np.float64))) * scale
        gaps.append(apart[apart >= CELL_LEAST])
    known = np.concatenate(gaps)
    return float(np.clip(known.min(initial=CELL_MOST + 1.5) - 1.5, CELL_LEAST, CELL_MOST))


def _rows(readings: pd.DataFrame, scale: float, cell: float) -> tuple[Row, ...]:
    rows = []
    level = readings["height_m"].map(_row_of)
    for height in sorted(level.unique(), reverse=True):
        stacks: list[list[Any]] = []
        for reading in readings[level == height].sort_values("chainage_m").itertuples():
            free = (
                stack for stack in stacks if (reading.chainage_m - stack[-1].chainage_m) * scale >= cell + 0.5
            )
            stack = next(free, None)
            if stack is None:
                stacks.append([reading])
            else:
                stack.append(reading)
        rows += [Row(float(height), i == 0, tuple(stack)) for i, stack in enumerate(stacks)]
    return tuple(rows)


def _row_of(height: float) -> float:
    """Return the row a height is drawn in: to the nearest 0.1 m."""
    return NO_HEIGHT if math.isnan(height) else round(height, 1)
