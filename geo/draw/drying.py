"""The drying drawn: every fixed point in a lane of its own, over machines and rain, on one line of days."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geo.draw.drying_lane import LANE_PX, Lane, draw_lane, fanned
from geo.draw.svg import Drawing, shortened, wrapped
from geo.draw.theme import ACCENT, FAINT, HATCH, INK, PANEL, POND, RULE, SOFT_INK, WET_STEPS
from geo.drying.follow import Followed
from geo.drying.report import Drying
from geo.drying.series import moments

WIDTH, LEFT, RIGHT, TOP = 1180.0, 232.0, 22.0, 62.0
GAP, STRIP_PX, AXIS_PX = 12.0, 34.0, 40.0
DAY = np.timedelta64(1, "D")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Days:
    """The line of days: a moment's place across the sheet."""

    start: np.datetime64
    end: np.datetime64

    def x(self, at: np.datetime64) -> float:
        """Return a moment's place, px."""
        share = float((at - self.start) / (self.end - self.start))
        return LEFT + share * (WIDTH - LEFT - RIGHT)


def draw_drying(found: Drying, *, only: Sequence[str] = (), lane_px: float = LANE_PX) -> str:
    """Return the fixed points, their goals and what their readings leave open, as SVG.

    Parameters
    ----------
    only
        Points to draw; every point that has to dry by default.
    lane_px
        Height of one lane.
    """
    points = [one for one in found.points if (one.point_id in only if only else not one.is_control)]
    name = found.site.info.name
    title = f"{name}: drying" + (f" of {', '.join(one.point_id for one in points)}" if only else "")
    drawing = Drawing(WIDTH, 100, title=title)
    drawing.words(16, 28, title, font_size=19, font_weight=700)
    said = f"each point in its own unit and never on another's scale · data {found.site.digest[:10]}"
    drawing.words(16, 47, said, font_size=11, fill=SOFT_INK)
    drawn = [one for one in points if one.series.parts]
    if not drawn:
        drawing.words(16, 84, "No fixed point has been read yet.", font_size=13)
        drawing.resize(110)
        return drawing.text()
    days = _days(drawn)
    hatch = drawing.hatch("open", HATCH)
    y = TOP
    for one in drawn:
        drawing.group()
        lane = Lane(
            drawing=drawing, days=days, point=one, top=y, height=lane_px, hatch=hatch, right=WIDTH - RIGHT
        )
        draw_lane(lane)
        y += lane_px + GAP
    lanes = y
    y = _machines(drawing, found, days, y)
    y = _rain(drawing, found, days, y)
    _axis(drawing, days, y, (TOP, lanes - GAP))
    drawing.resize(_legend(drawing, drawn, y + AXIS_PX, hatch))
    return drawing.text()


def _days(points: Sequence[Followed]) -> Days:
    """Return the days shown: from the first reading to what settles the slowest, within reason."""
    first = min(part.when[0] for one in points for part in one.series.parts)
    last = max(part.when[-1] for one in points for part in one.series.parts)
    span = max(last - first, 7 * DAY)
    ends = [last + span // 4]
    for one in points:
        if one.outlook is None or np.isnat(one.day_0):
            continue
        dates = (one.outlook.earliest_d, one.outlook.settle_d, one.outlook.latest_d)
        ends += [
            one.day_0 + np.timedelta64(round((day + 4) * 24), "h") for day in dates if math.isfinite(day)
        ]
    return Days(start=first - 2 * DAY, end=min(max(ends), last + 3 * span))


def _strip(drawing: Drawing, y: float, name: str, note: str) -> None:
    drawing.group()
    drawing.words(16, y + 14, name, font_size=11.5, font_weight=700)
    drawing.words(16, y + 28, note, font_size=10, fill=SOFT_INK)
    drawing.rect(LEFT, y, WIDTH - LEFT - RIGHT, STRIP_PX - 8, fill=PANEL, stroke=RULE, stroke_width=0.6)


def _machines(drawing: Drawing, found: Drying, days: Days, y: float) -> float:
    """Draw when machines ran, and when they are on record as off."""
    if found.logs.empty:
        return y
    _strip(drawing, y, "Machines", "dark: running; open: off")
    began, ended = moments(found.logs["began_at"]), moments(found.logs["ended_at"])
    for name, log in found.logs.iterrows():
        if pd.isna(began[name]):
            continue
        end = days.end if pd.isna(ended[name]) else ended[name].to_datetime64()
        a, b = (min(max(days.x(at), LEFT), WIDTH - RIGHT) for at in (began[name].to_datetime64(), end))
        off = log["machine_kind"] == "none"
        word = found.ref.word("machine_kind", str(log["machine_kind"]))
        count = f"{log['machine_count']:g} × " if math.isfinite(log["machine_count"]) and not off else ""
        litres = f", {log['collected_l']:g} l" if math.isfinite(log["collected_l"]) else ""
        drawing.rect(
            a, y + 4, b - a, STRIP_PX - 16, fill="none" if off else WET_STEPS[4],
            stroke=SOFT_INK if off else "none", stroke_dasharray="3 3" if off else None,
            tip=f"{name}: {count}{word}{litres}",
        )  # fmt: skip
        said = shortened("off" if off else f"{count}{word}{litres}", max(1, int((b - a) / 6.4)))
        if b - a > 26:
            drawing.words(
                (a + b) / 2,
                y + 17,
                said,
                font_size=10.5,
                text_anchor="middle",
                fill=INK if off else "#ffffff",
            )
    return y + STRIP_PX


def _rain(drawing: Drawing, found: Drying, days: Days, y: float) -> float:
    """Draw rain and use of water on record."""
    events = found.site.table("event")
    began = moments(events["began_at"])
    shown = events[began.notna() & (began >= days.start) & (began <= days.end)]
    if shown.empty:
        return y
    _strip(drawing, y, "Rain and use", "as logged")
    right = LEFT
    for name, event in shown.iterrows():
        at = days.x(began[name].to_datetime64())
        rain, used = event["rain_mm"], event["used_l"]
        amount = f" {rain:g} mm" if math.isfinite(rain) else f" {used:g} l" if math.isfinite(used) else ""
        word = found.ref.word("event_kind", str(event["event_kind"])) + amount
        drawing.path([(at, y + 5), (at - 4, y + 15), (at, y + 19), (at + 4, y + 15)], closed=True, fill=POND,
                     stroke=ACCENT, tip=f"{name}: {word}")  # fmt: skip
        if at + 8 > right:
            drawing.words(at + 9, y + 17, word, font_size=10.5)
            right = at + 16 + 6.2 * len(word)
    return y + STRIP_PX


def _axis(drawing: Drawing, days: Days, y: float, lanes: tuple[float, float]) -> None:
    """Draw the line of days with its dates."""
    drawing.group()
    drawing.line(LEFT, y + 2, WIDTH - RIGHT, y + 2)
    span = float((days.end - days.start) / DAY)
    step = next(each for each in (1, 2, 7, 14, 28, 56, 112, 365, 1460) if span / each <= 16)
    at = days.start.astype("datetime64[D]") + 1
    while at <= days.end:
        x = days.x(at.astype("datetime64[ns]"))
        drawing.line(x, lanes[0], x, lanes[1], stroke=FAINT, stroke_width=0.7, opacity=0.7)
        drawing.line(x, y + 2, x, y + 7)
        stamp = pd.Timestamp(at)
        said = f"{stamp.day} {MONTHS[stamp.month - 1]}"
        drawing.words(x, y + 19, said, font_size=10.5, text_anchor="middle")
        at += np.timedelta64(step, "D")
    years = sorted({pd.Timestamp(days.start).year, pd.Timestamp(days.end).year})
    drawing.words(16, y + 19, " to ".join(map(str, years)), font_size=10.5, fill=SOFT_INK)


def _legend(drawing: Drawing, points: Sequence[Followed], y: float, hatch: str) -> float:
    """Say what everything means, and return where it ends."""
    drawing.group()
    drawing.line(16, y, WIDTH - RIGHT, y, stroke=RULE)
    fans = [one for one in points if fanned(one)]
    shown = {
        "reading": True,
        "seepage": any(
            not one.is_control and (one.seepage or part.when[0] < one.clock.starts)
            for one in points
            for part in one.series.parts
        ),
        "control": any(one.reference is not None for one in points),
        "goal": any(one.goal.known for one in points),
        "fan": bool(fans),
        "before": any(one.outlook is not None and math.isfinite(one.outlook.earliest_d) for one in fans),
        "settle": any(one.outlook is not None and math.isfinite(one.outlook.settle_d) for one in fans),
        "rise": any(one.rises for one in points),
    }
    rows: tuple[tuple[str, str], ...] = (
        ("reading", "reading; ring: off the scale, at least or at most"),
        ("seepage", "read with the source open: seepage, not drying"),
        ("control", "its dry reference, read in the same way"),
        ("goal", "what it has to come down to"),
        ("fan", "every curve its readings cannot reject; lighter past the last reading"),
        ("before", "not before this day"),
        ("settle", "reading that settles it"),
        ("rise", "rise beyond its error: wetted again, or not to be told"),
    )
    x, row = 16.0, y + 22
    for kind, word in rows:
        if not shown[kind]:
            continue
        wide = 44 + 5.9 * len(word)
        if x + wide > WIDTH - RIGHT:
            x, row = 16.0, row + 22
        _sign(drawing, kind, x + 14, row - 4, hatch)
        drawing.words(x + 32, row, word, font_size=10.5)
        x += wide
    lines = wrapped(
        "A date is the range over every end the readings leave open. Past the time watched once more nothing"
        " but \u201cnot before\u201d is said.", 160,
    )  # fmt: skip
    for line in lines if fans else ():
        row += 18
        drawing.words(16, row, line, font_size=10.5, fill=SOFT_INK)
    return row + 14


def _sign(drawing: Drawing, kind: str, x: float, y: float, hatch: str) -> None:
    if kind == "reading":
        drawing.circle(x, y, 4, fill=INK)
    elif kind == "seepage":
        drawing.rect(x - 12, y - 7, 24, 14, fill=hatch, opacity=0.5)
        drawing.circle(x, y, 4, fill="#ffffff", stroke=INK, stroke_width=1.4)
    elif kind == "control":
        drawing.path([(x - 12, y), (x + 12, y)], stroke=SOFT_INK, stroke_dasharray="2 3")
        drawing.path(
            [(x - 4, y + 3), (x, y - 4), (x + 4, y + 3)], closed=True, fill="#ffffff", stroke=SOFT_INK
        )
    elif kind == "goal":
        drawing.rect(x - 12, y - 6, 24, 13, fill=WET_STEPS[0], stroke=RULE)
        drawing.line(x - 12, y - 6, x + 12, y - 6, stroke=INK, stroke_width=1.4)
    elif kind == "fan":
        drawing.path(
            [(x - 12, y - 5), (x + 12, y - 2), (x + 12, y + 7)], closed=True, fill=WET_STEPS[2], stroke=ACCENT
        )
    elif kind == "before":
        drawing.line(x, y - 8, x, y + 7, stroke=INK, stroke_width=1.6, stroke_dasharray="6 3")
    elif kind == "settle":
        corners = [(x, y - 6), (x + 6, y), (x, y + 6), (x - 6, y)]
        drawing.path(corners, closed=True, fill="#ffffff", stroke=INK, stroke_width=1.6)
    else:
        drawing.path([(x - 6, y + 5), (x, y - 6), (x + 6, y + 5)], closed=True, fill=INK)
