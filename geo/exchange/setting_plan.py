"""The plan of the setting-out sheet: to a scale, north up, with its key."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from geo.drains.setting_out import SettingOut
from geo.draw.svg import Drawing
from geo.draw.theme import ACCENT, BRICK_LIGHT, DRAIN, INK, NEIGHBOUR, RUN_DASH, SOFT_INK
from geo.exchange.setting_words import (
    TRACED,
    Xy,
    extent_of,
    services_of,
    xy_of,
)
from geo.perimeter.build import Perimeter
from geo.site.model import Site

FONT = "Libertinus Serif"
PAGE_MM = 178.0
"""Width of the plan on the sheet: with it a scale rule can be laid on a page printed at full size."""
PLAN_WIDTH, PLAN_HEIGHT, EDGE = 1000.0, 790.0, 26.0
UNTRACED = "2 5"
SCALES = (20, 50, 100, 125, 150, 200, 250, 300, 400, 500, 750, 1000, 2000, 5000)
WHITE = "#ffffff"
HALO: dict[str, Any] = {
    "stroke": WHITE, "stroke_width": 3.0, "paint_order": "stroke", "stroke_linejoin": "round",
}  # fmt: skip


def blank_sheet(width: float, height: float, *, title: str, size: float = 15) -> Drawing:
    """Return an empty drawing for print, in the sheet's own letters."""
    drawing = Drawing(width, height, title=title)
    drawing.root.set("font-family", FONT)
    drawing.root.set("font-size", f"{size:g}")
    drawing.paper.set("fill", WHITE)
    return drawing


def plan_svg(site: Site, found: SettingOut, perimeter: Perimeter) -> str:
    """Return the plan as SVG, north up, with scale bar: walls, runs, dig boxes and services."""
    drawing = blank_sheet(PLAN_WIDTH, PLAN_HEIGHT, title=f"Plan, {site.info.name}")
    west, south, east, north = extent_of(found, perimeter)
    ratio = scale_of(east - west, north - south)
    scale = PLAN_WIDTH * 1000.0 / (PAGE_MM * ratio)
    left = (PLAN_WIDTH - scale * (east - west)) / 2
    top = (PLAN_HEIGHT - 2.0 * EDGE - scale * (north - south)) / 2

    def at(xy: Iterable[Xy]) -> list[Xy]:
        return [(left + (x - west) * scale, top + (north - y) * scale) for x, y in xy]

    drawing.group(clip_path=drawing.clip("sheet", 0, 0, PLAN_WIDTH, PLAN_HEIGHT))
    draw_walls(drawing, perimeter, at)
    hatch = drawing.hatch("dig", INK, gap=5.0)
    for box in found.boxes.geometry:
        drawing.path(
            at(xy_of(box.exterior)), closed=True, fill=hatch, stroke=INK, stroke_width=1.0, fill_opacity=0.7
        )
    for service in services_of(site).geometry:
        draw_service(drawing, at(xy_of(service)))
    taken: list[tuple[float, float, float, float]] = []
    labels: list[tuple[Xy, str, float, str]] = []
    for name, target in found.targets.iterrows():
        spot = at([(target["x"], target["y"])])[0]
        labels.insert(0, (spot, str(name), 15.0, INK))
    for run in found.runs.itertuples():
        drawing.path(at(xy_of(run.geometry)), stroke=DRAIN, stroke_width=2.2, stroke_dasharray=run_dash(run))
        middle = run.geometry.interpolate(0.5, normalized=True)
        labels.insert(0, (at([(middle.x, middle.y)])[0], str(run.Index), 13.0, DRAIN))
    for corner in found.corners.to_dict("records"):
        spot = at([(corner["x"], corner["y"])])[0]
        drawing.circle(*spot, 2.6, fill=INK)
        labels.insert(0, (spot, str(corner["corner"]), 13.0, INK))
    for kind, x, y in found.targets[["kind", "x", "y"]].itertuples(index=False):
        spot = at([(x, y)])[0]
        draw_asset(drawing, kind, *spot)
    for spot, said, size, colour in labels:
        x, y, box = free_place(spot, said, size, taken)
        taken.append(box)
        drawing.words(x, y, said, font_size=size, fill=colour, **HALO)
    _scale_and_north(drawing, scale, ratio, site)
    return drawing.text()


def scale_of(wide_m: float, high_m: float) -> int:
    """Return the largest usual scale, as n of 1:n, at which an extent fits on the plan."""
    room = (PLAN_WIDTH - 4 * EDGE) / PLAN_WIDTH * PAGE_MM, (PLAN_HEIGHT - 4.5 * EDGE) / PLAN_WIDTH * PAGE_MM
    needed = max(1000 * wide_m / room[0], 1000 * high_m / room[1])
    return next((n for n in SCALES if n >= needed), math.ceil(needed))


def svg_ring(points: Sequence[Xy]) -> str:
    """Return a closed ring as steps of an SVG path."""
    return "M" + " L".join(f"{x:.2f} {y:.2f}" for x, y in points) + " Z"


def middle_of(a: Xy, b: Xy) -> Xy:
    """Return the place half-way between two."""
    return (a[0] + b[0]) / 2, (a[1] + b[1]) / 2


def free_place(
    spot: Xy,
    said: str,
    size: float,
    taken: Sequence[tuple[float, float, float, float]],
    *,
    room: Xy = (PLAN_WIDTH, PLAN_HEIGHT - EDGE),
) -> tuple[float, float, tuple[float, float, float, float]]:
    """Return where a label covers least of the labels before it, beside its spot, and the box it takes.

    Parameters
    ----------
    room
        Width and height it must stay within.
    """
    width, height = 0.52 * size * len(said), size
    tried = []
    for reach in (9.0, 20.0, 34.0):
        for dx, dy in ((1, -1), (1, 1), (-1, -1), (-1, 1), (0, -1.4), (0, 1.4), (1.3, 0), (-1.3, 0)):
            x = spot[0] + dx * reach - (width if dx < 0 else width / 2 if dx == 0 else 0.0)
            y = spot[1] + dy * reach + height / 2.6
            box = (x - 2, y - 0.8 * height, x + width + 2, y + 0.25 * height)
            cover = sum(
                (min(box[2], other[2]) - max(box[0], other[0]))
                * (min(box[3], other[3]) - max(box[1], other[1]))
                for other in taken
                if box[0] < other[2] and other[0] < box[2] and box[1] < other[3] and other[1] < box[3]
            )
            outside = box[0] < 0 or box[2] > room[0] or box[1] < 0 or box[3] > room[1]
            tried.append((cover + 1e6 * outside + reach, x, y, box))
            if not cover and not outside:  # what is further off costs more
                return min(tried, key=lambda one: one[0])[1:]
    _, x, y, box = min(tried, key=lambda one: one[0])
    return x, y, box


def _scale_and_north(drawing: Drawing, scale: float, ratio: int, site: Site) -> None:
    """Draw a scale bar of a round length, the scale, and north."""
    wanted = 180.0 / scale
    step = 10.0 ** math.floor(math.log10(wanted))
    length = max(step * k for k in (1, 2, 5) if step * k <= wanted)
    y = PLAN_HEIGHT - 0.9 * EDGE
    drawing.rect(EDGE, y, length * scale / 2, 5.0, fill=INK)
    drawing.rect(EDGE, y, length * scale, 5.0, fill="none", stroke=INK, stroke_width=1.0)
    drawing.words(
        EDGE + length * scale + 8, y + 7, f"{length:g} m; 1:{ratio} printed at full size", font_size=14.0
    )
    x = PLAN_WIDTH - 2 * EDGE
    drawing.path([(x, y + 4), (x, y - 34)], stroke_width=1.6)
    drawing.path([(x - 6, y - 22), (x, y - 36), (x + 6, y - 22)], closed=True, fill=INK)
    drawing.words(x + 9, y - 16, "grid N" if site.info.crs != "local" else "site N", font_size=14.0)
    drawing.words(
        x - 2 * EDGE, y + 7, f"Levels above {site.info.datum}", font_size=13.0, fill=SOFT_INK,
        text_anchor="end",
    )  # fmt: skip


KEY_ROW, KEY_WIDTH = 21.0, 490.0


def key_svg() -> str:
    """Return the key: each sign of the plan beside what it stands for."""
    rows: list[tuple[str, Any]] = [
        ("gully", "square"), ("downpipe, or joint of runs", "ring"), ("chamber", "box"),
        ("soakaway", "diamond"), ("fault found by camera", "cross"),
        ("foul drain, traced", RUN_DASH["foul"]), ("surface water drain, traced", RUN_DASH["surface"]),
        ("combined drain, traced", RUN_DASH["combined"]), ("drain whose line was not traced", UNTRACED),
        ("dig box", "dig"), ("tape, in the sketches", "tape"), ("service as recorded", "service"),
        ("surveyed building", "wall"), ("building not surveyed", "neighbour"),
    ]  # fmt: skip
    columns = 2
    deep = math.ceil(len(rows) / columns)
    drawing = blank_sheet(KEY_WIDTH, KEY_ROW * deep + 4, title="Key", size=14)
    for i, (said, sign) in enumerate(rows):
        x, y = KEY_WIDTH / columns * (i // deep), KEY_ROW * (i % deep + 0.6)
        _sign(drawing, str(sign), x + 4, y)
        drawing.words(x + 44, y + 4.5, said)
    return drawing.text()


def _sign(drawing: Drawing, sign: str, x: float, y: float) -> None:
    """Draw one sign of the key, 32 wide."""
    middle = x + 16
    if sign in ("square", "ring", "box", "diamond"):
        drawing.symbol(sign, middle, y, 11.0)
    elif sign == "cross":
        draw_fault(drawing, middle, y)
    elif sign == "dig":
        drawing.rect(x + 6, y - 7, 20, 14, fill=drawing.hatch("dig", INK, gap=5.0), stroke=INK)
    elif sign == "tape":
        drawing.line(x, y, x + 32, y, stroke=ACCENT, stroke_width=0.7)
    elif sign == "service":
        draw_service(drawing, [(x, y), (x + 32, y)])
    elif sign in ("wall", "neighbour"):
        subject = sign == "wall"
        fill, width = (BRICK_LIGHT, 2.4) if subject else (NEIGHBOUR, 0.8)
        drawing.rect(x + 4, y - 6, 24, 12, fill=fill, stroke=INK, stroke_width=width)
    else:
        drawing.line(x, y, x + 32, y, stroke=DRAIN, stroke_width=2.2, stroke_dasharray=sign or None)


def draw_service(drawing: Drawing, points: Sequence[Xy]) -> None:
    """Draw a service as a hollow dashed line."""
    for width, colour in ((4.0, INK), (2.0, WHITE)):
        drawing.path(points, stroke=colour, stroke_width=width, stroke_dasharray="12 5")


def draw_fault(drawing: Drawing, x: float, y: float) -> None:
    """Draw the cross of a fault."""
    drawing.line(x - 6, y - 6, x + 6, y + 6, stroke_width=2.5)
    drawing.line(x - 6, y + 6, x + 6, y - 6, stroke_width=2.5)


def run_dash(run: Any) -> str | None:
    """Return the dashes of a run: by its use where it was traced, dots where it was not."""
    traced = {run.from_evidence, run.to_evidence} <= set(TRACED)
    return (RUN_DASH.get(run.use) or None) if traced else UNTRACED


def draw_asset(drawing: Drawing, kind: str, x: float, y: float) -> None:
    """Draw the sign of a target."""
    symbol = {"gully": "square", "soakaway": "diamond", "chamber": "box"}.get(kind, "ring")
    if kind == "fault":
        draw_fault(drawing, x, y)
    else:
        drawing.symbol(symbol, x, y, 11.0)


def draw_walls(drawing: Drawing, perimeter: Perimeter, at: Callable[[Iterable[Xy]], list[Xy]]) -> None:
    """Draw every building, courtyards left open."""
    for wall, role in zip(perimeter.footprints.geometry, perimeter.footprints["role"], strict=True):
        subject = role == "subject"
        rings = " ".join(svg_ring(at(xy_of(ring))) for ring in (wall.exterior, *wall.interiors))
        outline = {"stroke": INK, "stroke_width": 2.4 if subject else 0.8, "fill_rule": "evenodd"}
        drawing.add("path", {"d": rings, "fill": BRICK_LIGHT if subject else NEIGHBOUR, **outline})
