"""One lane of the drying: a point's readings in its own unit, its goal, and the fan of curves left open."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Protocol

import numpy as np

from geo.draw.svg import Drawing, shortened, wrapped
from geo.draw.theme import ACCENT, COURSE, FAINT, INK, PAPER, RULE, SOFT_INK, WET_STEPS
from geo.drying.document import state_of
from geo.drying.fits import TREND
from geo.drying.follow import Followed
from geo.drying.goals import MET
from geo.drying.rises import REBOUND
from geo.drying.series import Series, day_said
from geo.moisture.censor import ABOVE, NONE

LANE_PX = 148.0
PAD = 12.0
FINE = 60
HALO: dict[str, Any] = {
    "stroke": PAPER,
    "stroke_width": 3,
    "stroke_linejoin": "round",
    "paint_order": "stroke",
}
DAY = np.timedelta64(1, "D")


class Across(Protocol):
    """A line of days."""

    @property
    def start(self) -> np.datetime64:
        """First moment shown."""
        ...

    @property
    def end(self) -> np.datetime64:
        """Last moment shown."""
        ...

    def x(self, at: np.datetime64) -> float:
        """Return a moment's place, px."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lane:
    """Where one point is drawn, and in what scale."""

    drawing: Drawing
    days: Across
    point: Followed
    top: float
    height: float
    hatch: str
    right: float

    @property
    def left(self) -> float:
        """Left edge of the panel, px."""
        return self.days.x(self.days.start)

    @property
    def foot(self) -> float:
        """Lower edge of the panel, px."""
        return self.top + self.height

    @property
    def highest(self) -> float:
        """Value at the top of the panel."""
        values = [part.numbers.max() for part in self.point.series.parts]
        goal = [self.point.goal.value] if self.point.goal.known else []
        return float(max([*values, *goal])) * 1.12

    @property
    def lowest(self) -> float:
        """Value at the foot of the panel: nothing, or well under what is read where all is high."""
        values = [part.numbers.min() for part in self.point.series.parts]
        goal = [self.point.goal.value] if self.point.goal.known else []
        least = float(min([*values, *goal]))
        return 0.0 if least < 0.55 * self.highest else max(0.0, least - 0.25 * (self.highest - least))

    def y(self, value: float) -> float:
        """Return a value's place, px, kept in the panel."""
        share = (value - self.lowest) / (self.highest - self.lowest)
        return self.foot - min(max(share, 0.0), 1.0) * (self.height - PAD)


def draw_lane(lane: Lane) -> None:
    """Draw one point."""
    drawing, point = lane.drawing, lane.point
    drawing.rect(lane.left, lane.top, lane.right - lane.left, lane.height, fill=PAPER, stroke=RULE)
    _label(lane)
    _goal(lane)
    _scale(lane)
    clip = drawing.clip(f"lane{lane.top:.0f}", lane.left, lane.top, lane.right - lane.left, lane.height)
    drawing.group(clip_path=clip)
    _open(lane)
    _fan(lane)
    if point.reference is not None:
        _control(lane, point.reference)
    drawing.group()
    for part in point.series.parts:
        _readings(lane, part)
    _cuts(lane)
    _rises(lane)
    _goal_said(lane)
    _dates(lane)


def _goal_said(lane: Lane) -> None:
    """Write the goal at its line."""
    goal = lane.point.goal
    if goal.known:
        y = lane.y(goal.value)
        y += 13 if lane.foot - y > 17 else -5
        lane.drawing.words(
            lane.right - 6, y, f"goal {goal.value:.1f}", font_size=10.5, text_anchor="end", **HALO
        )


def _label(lane: Lane) -> None:
    """Say which point it is, where, how read and what for."""
    drawing, point, y = lane.drawing, lane.point, lane.top
    drawing.words(16, y + 15, point.point_id, font_size=14, font_weight=700)
    drawing.words(16, y + 30, state_of(point), font_size=11, font_weight=700, fill=ACCENT)
    current = point.series.parts[-1]
    how = f"{current.instrument or 'instrument not said'}, {current.method.replace('_', ' ')}"
    lines = [*wrapped(point.place, 27), *wrapped(how, 27)]
    if point.goal.known:
        lines += wrapped(f"to {point.goal.value:.1f} {point.goal.unit} or less", 27)
    elif point.goal.lacks:
        lines += wrapped(f"goal: {point.goal.lacks}", 27)
    room = max(1, int((lane.height - 40) / 13.5))
    for row, line in enumerate(lines[:room]):
        drawing.words(16, y + 45 + 13.5 * row, line, font_size=10.5, fill=SOFT_INK)


def _scale(lane: Lane) -> None:
    """Draw the value axis."""
    drawing = lane.drawing
    for value in _ticks(lane.lowest, lane.highest, 4 if lane.height < 220 else 8):
        y = lane.y(value)
        if y < lane.top + 20:
            continue
        drawing.line(lane.left, y, lane.right, y, stroke=FAINT, stroke_width=0.7)
        drawing.words(lane.left - 6, y + 3.5, f"{value:g}", font_size=10, text_anchor="end")
    unit = lane.point.series.parts[-1].unit
    drawing.words(lane.left - 6, lane.top + 10, unit, font_size=10, text_anchor="end", fill=SOFT_INK)


def _goal(lane: Lane) -> None:
    """Draw what it has to come down to."""
    goal = lane.point.goal
    if not goal.known:
        return
    y = lane.y(goal.value)
    lane.drawing.rect(
        lane.left, y, lane.right - lane.left, lane.foot - y, fill=WET_STEPS[0], tip=f"goal: {goal.said}"
    )
    lane.drawing.line(lane.left, y, lane.right, y, stroke=INK, stroke_width=1.2, tip=f"goal: {goal.said}")


def _open(lane: Lane) -> None:
    """Hatch the time in which the source was open, or not proven stopped."""
    point = lane.point
    if point.is_control:
        return
    early = any(part.when[0] < point.clock.starts for part in point.series.parts)
    if point.clock.running and not early:
        return
    until = lane.days.end if not point.clock.running else point.clock.starts
    if until <= lane.days.start:
        return
    end = min(lane.days.x(until), lane.right)
    tip = "seepage with the source open"
    lane.drawing.rect(
        lane.left, lane.top, end - lane.left, lane.height, fill=lane.hatch, opacity=0.3, tip=tip
    )
    if end - lane.left > 190:
        x, y = lane.left + (end - lane.left) / 2, lane.top + 18
        lane.drawing.rect(x - 92, y - 12, 184, 17, fill=PAPER, opacity=0.9)
        lane.drawing.words(x, y, "seepage: the source is open", font_size=11, text_anchor="middle")


def fanned(point: Followed) -> bool:
    """Return whether a point has curves worth drawing: enough readings, and not dry yet."""
    dated = point.outlook is not None and point.outlook.word != TREND
    return point.profile is not None and point.used is not None and dated and point.verdict.word != MET


def _fan(lane: Lane) -> None:
    """Draw every curve the readings cannot reject as one band, lighter past the last reading."""
    point, profile = lane.point, lane.point.profile
    if profile is None or point.used is None or not fanned(point):
        return
    last = point.used.when[-1]
    end = max(lane.days.end, last + DAY)
    for start, stop, opacity in ((point.used.when[0], last, 0.75), (last, end, 0.38)):
        days = np.linspace(float((start - point.day_0) / DAY), float((stop - point.day_0) / DAY), FINE)
        low, high = profile.band(days)
        x = [lane.days.x(point.day_0 + np.timedelta64(round(day * 86400), "s")) for day in days]
        upper = [(px, lane.y(value)) for px, value in zip(x, high, strict=True)]
        lower = [(px, lane.y(value)) for px, value in zip(x, low, strict=True)]
        tip = "curves the readings cannot reject"
        lane.drawing.path([*upper, *reversed(lower)], closed=True, fill=WET_STEPS[2], stroke="none",
                          opacity=opacity, tip=tip)  # fmt: skip
        for edge in (upper, lower):
            dash = None if opacity > 0.5 else "5 4"
            lane.drawing.path(edge, stroke=ACCENT, stroke_width=1.1, stroke_dasharray=dash)


def _control(lane: Lane, series: Series) -> None:
    """Draw the readings of the dry reference."""
    places = [
        (lane.days.x(at), lane.y(float(value))) for at, value in zip(series.when, series.numbers, strict=True)
    ]
    lane.drawing.path(places, stroke=SOFT_INK, stroke_width=1.0, stroke_dasharray="2 3")
    for (x, y), name, value in zip(places, series.ids, series.numbers, strict=True):
        corners = [(x - 4, y + 3), (x, y - 4), (x + 4, y + 3)]
        tip = f"dry reference {series.point_id}, {name}: {value:g} {series.unit}"
        lane.drawing.path(corners, closed=True, fill=PAPER, stroke=SOFT_INK, tip=tip)


def _readings(lane: Lane, series: Series) -> None:
    """Draw the readings of one series; bounds as rings with an arrow."""
    drawing, clock = lane.drawing, lane.point.clock
    places = [
        (lane.days.x(at), lane.y(float(value))) for at, value in zip(series.when, series.numbers, strict=True)
    ]
    drawing.path(places, stroke=INK, stroke_width=0.8, opacity=0.55)
    for row, (x, y) in enumerate(places):
        at, value, word = series.when[row], float(series.numbers[row]), str(series.censored[row])
        counts = lane.point.is_control or (clock.running and at >= clock.starts)
        sign = {ABOVE: ">", NONE: ""}.get(word, "<")
        tip = f"{series.ids[row]}, {day_said(at)}: {sign}{value:g} {series.unit} ± {series.sigma:.2g}"
        if word == NONE:
            s = abs(lane.y(value - series.sigma) - y)
            drawing.line(x, y - s, x, y + s, stroke=INK, stroke_width=1)
            drawing.circle(x, y, 4, fill=INK if counts else PAPER, stroke=INK, stroke_width=1.4, tip=tip)
        else:
            up = -1 if word == ABOVE else 1
            drawing.circle(x, y, 4.5, fill=PAPER, stroke=INK, stroke_width=1.4, tip=tip)
            drawing.path([(x, y + up * 5), (x, y + up * 13)], stroke=INK, stroke_width=1.4)
            drawing.path([(x - 3.5, y + up * 9), (x, y + up * 13), (x + 3.5, y + up * 9)], stroke=INK)
        inside = x + 8 + 5.8 * len(f"{sign}{value:g}") < lane.right
        drawing.words(x + 7 if inside else x - 7, y - 5, f"{sign}{value:g}", font_size=10.5,
                      text_anchor="start" if inside else "end", **HALO)  # fmt: skip


def _cuts(lane: Lane) -> None:
    """Mark where a change of instrument, depth or material cut the series."""
    parts = lane.point.series.parts
    for before, after in pairwise(parts):
        x = (lane.days.x(before.when[-1]) + lane.days.x(after.when[0])) / 2
        lane.drawing.line(x, lane.top, x, lane.foot, stroke=COURSE, stroke_width=1.4, stroke_dasharray="1 3")
        said = f"{before.instrument} | {after.instrument}"
        if before.instrument == after.instrument:
            said = "read in another way from here"
        lane.drawing.words(x, lane.foot - 5, said, font_size=10.5, text_anchor="middle", fill=COURSE)


def _rises(lane: Lane) -> None:
    """Mark rises beyond the error."""
    parts = {name: (part, row) for part in lane.point.series.parts for row, name in enumerate(part.ids)}
    for rise in lane.point.rises:
        part, row = parts[rise.reading_id]
        x, y = lane.days.x(rise.at), lane.y(float(part.numbers[row])) - 20
        filled = INK if rise.word != REBOUND else PAPER
        lane.drawing.path([(x - 6, y + 5), (x, y - 6), (x + 6, y + 5)], closed=True, fill=filled, stroke=INK,
                          tip=f"{rise.word}: {rise.because}")  # fmt: skip
        lane.drawing.words(x + 10, y + 4, rise.word, font_size=11, font_weight=700)


def _dates(lane: Lane) -> None:
    """Draw the day it is not before, the latest where it is known, and the reading that settles it."""
    point, outlook = lane.point, lane.point.outlook
    if outlook is None or not fanned(point):
        return

    def place(day: float) -> float:
        return lane.days.x(point.day_0 + np.timedelta64(round(day * 24), "h"))

    rows = [("not before", outlook.earliest_d), ("not after", outlook.latest_d)]
    for row, (word, day) in enumerate(rows):
        if not math.isfinite(day):
            continue
        x = place(day)
        if not lane.left < x < lane.right:
            continue
        lane.drawing.line(x, lane.top, x, lane.foot, stroke=INK, stroke_width=1.6, stroke_dasharray="6 3")
        said = f"{word} {_short(point, day)}"
        _say(lane, x, lane.top + 14 + 15 * row, said)
    if math.isfinite(outlook.settle_d) and point.profile is not None:
        x = place(outlook.settle_d)
        low, high = (float(edge[0]) for edge in point.profile.band([outlook.settle_d]))
        y = (lane.y(low) + lane.y(high)) / 2
        if lane.left < x < lane.right:
            lane.drawing.line(x, lane.y(high), x, lane.y(low), stroke=INK, stroke_width=1)
            corners = [(x, y - 6), (x + 6, y), (x, y + 6), (x - 6, y)]
            tip = f"a reading near {_short(point, outlook.settle_d)} settles it"
            lane.drawing.path(corners, closed=True, fill=PAPER, stroke=INK, stroke_width=1.6, tip=tip)
            _say(lane, x, lane.y(high) - 8, f"{_short(point, outlook.settle_d)} settles it")


def _say(lane: Lane, x: float, y: float, said: str) -> None:
    """Write words beside a mark, on the side where there is room."""
    wide = 6.3 * len(said) + 12
    left = x + wide > lane.right
    lane.drawing.words(x - 6 if left else x + 6, y, shortened(said, 60), font_size=11, font_weight=700,
                       text_anchor="end" if left else "start", **HALO)  # fmt: skip


def _short(point: Followed, day: float) -> str:
    return point.date_of(day).rsplit(" ", 1)[0]


def _ticks(low: float, high: float, most: int) -> list[float]:
    """Return round values between two ends."""
    span = high - low
    size = 10.0 ** math.floor(math.log10(span / most))
    step = next(size * each for each in (1, 2, 5, 10) if span / (size * each) <= most)
    first = math.ceil(low / step - 1e-9)
    return [round(step * k, 10) for k in range(first, int(high / step + 1e-9) + 1)]
