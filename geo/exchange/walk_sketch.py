"""The sketch on a walk's sheet: outline, chainage, and the numbers of the stops, in black on white."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from geo.draw.svg import Drawing, spread
from geo.perimeter.build import Perimeter
from geo.walk.stops import Stop, WalkPlan

WIDTH = 720.0
TALLEST = 700.0
EDGE = 62.0
LABEL_OUT = 30.0
CHAINAGE_IN = 13.0
APART = 17.0
SMALL_RING = 240.0
"""Round a ring shorter than this, pixels, its chainage and corners cannot be read and are left out."""
ROOM = 34.0
"""Wall a stop of a courtyard needs, pixels, since all its numbers stand inward."""
CHAINAGE_STEP_M = 2.0
BLACK = "#000000"
WHITE = "#ffffff"
GREY = "#777777"
PALE = "#e6e6e6"
NEAR_M = 6.0
"""What lies further off stands at the edge of the sketch, with its direction and distance."""
SYMBOL = {"gully": "square", "downpipe": "ring", "soakaway": "diamond", "chamber": "box"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Page:
    """From the site's grid to the page: west and north edges, pixels in a metre, and the room to the left."""

    west: float
    north: float
    scale: float
    left: float
    height: float

    def at(self, x: float, y: float) -> tuple[float, float]:
        return self.left + (x - self.west) * self.scale, EDGE + (self.north - y) * self.scale


def sketch_svg(plan: WalkPlan, perimeter: Perimeter) -> str:
    """Return the sketch as SVG, north up: rings with chainage, and stops outside and at the drains by number.

    Numbers stand outside the wall, each with a line to its place; chainage stands inside it.
    """
    placed = [
        stop
        for stop in plan.stops
        if stop.part in ("outside", "drains") and math.isfinite(stop.x) and math.isfinite(stop.y)
    ]
    footprints = perimeter.footprints
    own = footprints.geometry[footprints["role"] == "subject"].to_list() or footprints.geometry.to_list()
    near = [
        shapely.Point(stop.x, stop.y)
        for stop in placed
        if shapely.MultiPolygon(own).distance(shapely.Point(stop.x, stop.y)) <= NEAR_M
    ]
    west, south, east, north = (
        float(end) for end in shapely.total_bounds(np.array([*own, *near], dtype=object))
    )
    wide, tall = max(east - west, 1.0), max(north - south, 1.0)
    scale = min((WIDTH - 2 * EDGE) / wide, (TALLEST - 2 * EDGE) / tall)
    height = (north - south) * scale + 2 * EDGE
    left = (WIDTH - (east - west) * scale) / 2
    page = _Page(west=west, north=north, scale=scale, left=left, height=height)
    drawing = Drawing(WIDTH, height, title="Sketch of the walk")
    drawing.paper.set("fill", WHITE)
    _outlines(drawing, perimeter, page)
    for ring in perimeter.rings.index[perimeter.rings["examined"]]:
        _chainage(drawing, perimeter, str(ring), page)
    _numbers(drawing, perimeter, placed, plan.number(), page)
    _north_and_scale(drawing, scale, height)
    return drawing.text()


def _outlines(drawing: Drawing, perimeter: Perimeter, page: _Page) -> None:
    for row in perimeter.footprints.itertuples():
        subject = row.role == "subject"
        for ring in (row.geometry.exterior, *row.geometry.interiors):
            points = [page.at(x, y) for x, y in ring.coords]
            fill = WHITE if subject else PALE
            drawing.path(points, closed=True, fill=fill, stroke=BLACK, stroke_width=2.2 if subject else 0.8)
    faces = perimeter.faces
    for line, outside in zip(faces.geometry, faces["outside"], strict=True):
        if not outside:
            points = [page.at(x, y) for x, y in line.coords]
            drawing.path(points, stroke=WHITE, stroke_width=2.6)
            drawing.path(points, stroke=BLACK, stroke_width=2.2, stroke_dasharray="2 4")


def _chainage(drawing: Drawing, perimeter: Perimeter, ring: str, page: _Page) -> None:
    """Mark chainage inside the wall every two metres, and the letter of each corner."""
    length = float(perimeter.rings.loc[ring, "length_m"])
    if length * page.scale < SMALL_RING:
        return
    marks = np.arange(0.0, length, CHAINAGE_STEP_M)
    wall = perimeter.point_at(ring, marks)
    _, _, normals = perimeter.frames
    normal = normals[perimeter.face_at(ring, marks)]
    for mark, (x, y), (east, north) in zip(marks, wall, normal, strict=True):
        px, py = page.at(float(x), float(y))
        drawing.line(px, py, px - 5 * east, py + 5 * north, stroke=BLACK, stroke_width=0.8)
        drawing.words(
            px - CHAINAGE_IN * east, py + CHAINAGE_IN * north + 3, f"{mark:.0f}",
            text_anchor="middle", font_size=9, fill=GREY,
        )  # fmt: skip
    faces = perimeter.faces[perimeter.faces["ring_key"] == ring]
    for row, letter in zip(
        perimeter.face_at(ring, faces["chainage_from_m"]), faces["corner_from"], strict=True
    ):
        start, unit, outward = (part[row] for part in perimeter.frames)
        px, py = page.at(*start)
        inward = np.array([unit[0] - outward[0], -(unit[1] - outward[1])])
        drawing.words(
            px + 17 * inward[0], py + 17 * inward[1] + 4, str(letter),
            text_anchor="middle", font_size=13, font_weight="bold", fill=BLACK,
        )  # fmt: skip


def _numbers(
    drawing: Drawing, perimeter: Perimeter, placed: Sequence[Stop], number: dict[str, int], page: _Page
) -> None:
    """Write each stop's number beside it: along a wall in a row outside it, elsewhere at its place."""
    faces = perimeter.faces
    along_face: dict[str, list[Stop]] = {}
    for stop in placed:
        key = f"{stop.ring_key}:{stop.face}"
        if stop.part == "outside" and key in faces.index:
            along_face.setdefault(key, []).append(stop)
        else:
            _loose(drawing, stop, number[stop.id], page)
    crowded = _crowded(perimeter, along_face, page.scale)
    for ring, stops in crowded.items():
        for stop in stops:
            drawing.circle(*page.at(stop.x, stop.y), 1.8, fill=BLACK)
        middle = np.array([page.at(stop.x, stop.y) for stop in stops]).mean(axis=0)
        ends = [number[stop.id] for stop in stops]
        drawing.words(
            float(middle[0]), float(middle[1]) + 4, f"{ring}: {min(ends)}-{max(ends)}",
            text_anchor="middle", font_size=9.5, fill=BLACK,
            stroke=WHITE, stroke_width=3, paint_order="stroke",
        )  # fmt: skip
    for key, stops in along_face.items():
        if key.partition(":")[0] in crowded:
            continue
        row = int(faces.index.get_loc(key))
        start, unit, normal = (part[row] for part in perimeter.frames)
        length = float(faces["length_m"].iloc[row])
        begin = float(faces["chainage_from_m"].iloc[row])
        ahead = [min(max(stop.chainage_m - begin, 0.0), length) * page.scale for stop in stops]
        places = spread(ahead, least=APART, low=4.0, high=max(4.0, length * page.scale - 4.0))
        for stop, place in zip(stops, places, strict=True):
            foot = start + unit * (place / page.scale)
            wall = page.at(stop.x, stop.y)
            fx, fy = page.at(float(foot[0]), float(foot[1]))
            lx, ly = fx + LABEL_OUT * normal[0], fy - LABEL_OUT * normal[1]
            drawing.line(*wall, lx, ly, stroke=GREY, stroke_width=0.6)
            if stop.kind in SYMBOL:
                drawing.symbol(SYMBOL[stop.kind], *wall, 9, stroke=BLACK, fill=WHITE)
            else:
                drawing.circle(*wall, 1.8, fill=BLACK)
            _number(drawing, lx, ly, number[stop.id])


def _crowded(perimeter: Perimeter, along_face: dict[str, list[Stop]], scale: float) -> dict[str, list[Stop]]:
    """Return the courtyards and lightwells too small for a number at every stop, with their stops."""
    found: dict[str, list[Stop]] = {}
    for ring, row in perimeter.rings.iterrows():
        own = [stop for key, stops in along_face.items() if key.partition(":")[0] == ring for stop in stops]
        if row["ring"] and len(own) * ROOM > row["length_m"] * scale:
            found[str(ring)] = own
    return found


def _loose(drawing: Drawing, stop: Stop, number: int, page: _Page) -> None:
    """Draw a stop away from the walls, at the edge with its distance where it lies beyond it."""
    px, py = page.at(stop.x, stop.y)
    ex, ey = min(max(px, 14.0), WIDTH - 40.0), min(max(py, 34.0), page.height - 52.0)
    beyond = math.hypot(px - ex, py - ey) / page.scale
    drawing.symbol(SYMBOL.get(stop.kind, "ring"), ex, ey, 11, stroke=BLACK, fill=WHITE)
    _number(drawing, ex, ey - 15, number)
    if beyond > 0.5:
        angle = math.atan2(py - ey, px - ex)
        tip = (ex + 20 * math.cos(angle), ey + 20 * math.sin(angle))
        drawing.line(ex + 7 * math.cos(angle), ey + 7 * math.sin(angle), *tip, stroke=BLACK, stroke_width=1)
        drawing.words(ex + 12, ey + 4, f"{beyond:.0f} m on", font_size=9, fill=BLACK)


def _number(drawing: Drawing, x: float, y: float, number: int) -> None:
    drawing.circle(x, y, 8, fill=WHITE, stroke=BLACK, stroke_width=0.8)
    drawing.words(x, y + 3.4, str(number), text_anchor="middle", font_size=9.5, fill=BLACK)


def _north_and_scale(drawing: Drawing, scale: float, height: float) -> None:
    x, y = WIDTH - 20, 20.0
    drawing.path([(x, y), (x - 6, y + 18), (x, y + 13), (x + 6, y + 18)], closed=True, fill=BLACK)
    drawing.words(x, y + 32, "N", text_anchor="middle", font_size=12, fill=BLACK)
    metres = next(step for step in (1, 2, 5, 10, 20, 50, 100) if step * scale >= 40 or step == 100)
    low = height - 12
    drawing.path([(14, low - 5), (14, low), (14 + metres * scale, low), (14 + metres * scale, low - 5)])
    drawing.words(20 + metres * scale, low, f"{metres} m (grid north up)", font_size=10, fill=BLACK)
