"""A sketch of tapes from named corners: the arcs they sweep, and both places where two of them meet."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from geo.draw.svg import Drawing
from geo.draw.theme import ACCENT, BRICK_LIGHT, INK, RULE, SOFT_INK

WIDTH, HEIGHT, EDGE = 640.0, 360.0, 34.0
SWEEP_DEG = 26.0
ToPixels = Callable[[Sequence[float]], tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Corner:
    """A named corner, in the site's grid."""

    name: str
    x: float
    y: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Tape:
    """A tape from a named corner."""

    corner: str
    length_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sketch:
    """What the sketch shows.

    Parameters
    ----------
    outlines
        Corners of every building, site's grid.
    place, mirror
        Where the tapes lead, and the other place they allow; ``None`` where there is none.
    label, told
        Name of what is placed, and one sentence.
    """

    outlines: Sequence[Sequence[Sequence[float]]]
    corners: Sequence[Corner]
    tapes: Sequence[Tape]
    place: tuple[float, float] | None
    mirror: tuple[float, float] | None
    label: str
    told: str


def draw_tapes(sketch: Sketch) -> str:
    """Return the sketch as SVG, grid north up, scale bar in metres."""
    drawn = Drawing(WIDTH, HEIGHT, title=f"Tapes to {sketch.label}")
    at = {corner.name: (corner.x, corner.y) for corner in sketch.corners}
    seen = [*at.values()] if not sketch.tapes else [at[tape.corner] for tape in sketch.tapes]
    seen += [point for point in (sketch.place, sketch.mirror) if point is not None]
    if not seen:
        return drawn.text()
    west, east = min(x for x, _ in seen) - 2, max(x for x, _ in seen) + 2
    south, north = min(y for _, y in seen) - 1.5, max(y for _, y in seen) + 1.5
    scale = min((WIDTH - 2 * EDGE) / (east - west), (HEIGHT - 2 * EDGE) / (north - south))
    left = (WIDTH - scale * (east - west)) / 2
    top = (HEIGHT - scale * (north - south)) / 2

    def px(point: Sequence[float]) -> tuple[float, float]:
        return left + scale * (point[0] - west), top + scale * (north - point[1])

    for outline in sketch.outlines:
        drawn.path(
            [px(point) for point in outline], closed=True, fill=BRICK_LIGHT, stroke=INK, stroke_width=1.6
        )
    for tape in sketch.tapes:
        _sweep(drawn, at[tape.corner], tape.length_m, sketch, px)
    for corner in sketch.corners:
        x, y = px((corner.x, corner.y))
        if 0 <= x <= WIDTH and 0 <= y <= HEIGHT:
            drawn.circle(x, y, 9, fill=INK)
            drawn.words(
                x, y + 4, corner.name, text_anchor="middle", fill="#ffffff", font_weight=700, font_size=11
            )
    if sketch.mirror is not None:
        x, y = px(sketch.mirror)
        drawn.circle(x, y, 8, fill="none", stroke=SOFT_INK, stroke_width=1.6, stroke_dasharray="3 3")
        drawn.words(x, y - 13, "the other place", text_anchor="middle", fill=SOFT_INK)
    if sketch.place is not None:
        x, y = px(sketch.place)
        drawn.circle(x, y, 8, fill=ACCENT, stroke=INK, tip=sketch.told)
        drawn.words(x, y - 13, sketch.label, text_anchor="middle", font_weight=700)
    _scale_bar(drawn, scale)
    drawn.words(WIDTH - EDGE, EDGE, "↑ grid N", text_anchor="end", fill=SOFT_INK)
    return drawn.text()


def _sweep(drawn: Drawing, start: tuple[float, float], length: float, sketch: Sketch, px: ToPixels) -> None:
    """Draw a tape to each place it may lead to, and the arc its end sweeps there."""
    for target, dash in ((sketch.place, None), (sketch.mirror, "4 4")):
        if target is None:
            continue
        middle = math.atan2(target[1] - start[1], target[0] - start[0])
        ends = [
            (start[0] + length * math.cos(middle + turn), start[1] + length * math.sin(middle + turn))
            for turn in (math.radians(SWEEP_DEG) * step / 12 for step in range(-12, 13))
        ]
        drawn.path([px(point) for point in ends], stroke=RULE, stroke_width=1.4)
        x1, y1 = px(start)
        x2, y2 = px(target)
        drawn.line(x1, y1, x2, y2, stroke=ACCENT, stroke_width=1.6, stroke_dasharray=dash)
        if dash is None:
            drawn.words((x1 + x2) / 2 + 6, (y1 + y2) / 2 - 5, f"{length:.2f} m", fill=INK, font_size=11)


def _scale_bar(drawn: Drawing, scale: float) -> None:
    metres = next((step for step in (0.5, 1, 2, 5, 10, 20) if step * scale >= 60), 50)
    y = HEIGHT - 14
    drawn.line(EDGE, y, EDGE + metres * scale, y, stroke=INK, stroke_width=2)
    drawn.words(EDGE, y - 6, f"{metres:g} m", font_size=11)
