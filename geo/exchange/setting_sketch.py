"""Tie sketches: each place to dig drawn large, with the corners it is taped from and the hole to scale."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pandas as pd
import shapely

from geo.drains.setting_out import SettingOut
from geo.draw.svg import Drawing
from geo.draw.theme import ACCENT, DRAIN, INK, SOFT_INK
from geo.exchange.setting_plan import (
    HALO,
    blank_sheet,
    draw_asset,
    draw_service,
    draw_walls,
    free_place,
    middle_of,
    run_dash,
)
from geo.exchange.setting_words import Xy, services_of, xy_of
from geo.perimeter.build import Perimeter
from geo.site.model import Site

WIDTH, HEIGHT, EDGE = 420.0, 236.0, 34.0
LEAST_M = 2.4
Line = tuple[Xy, Xy, str]


def sketch_svg(site: Site, found: SettingOut, perimeter: Perimeter, name: str) -> str:
    """Return the sketch of one dig box as SVG: north up, to scale, what it is measured from in full.

    A place that two tapes fix shows both, from their corners; any other shows how far along the wall from a
    corner, and how far square off it.

    Parameters
    ----------
    name
        A target that has a dig box.
    """
    target, box = found.targets.loc[name], found.boxes.loc[name]
    lines, marks = _measured_by(target, found, perimeter)
    drawing = blank_sheet(WIDTH, HEIGHT, title=f"Sketch of {name}", size=14)
    shapes = [box.geometry, *(shapely.Point(xy) for line in lines for xy in line[:2])]
    west, south, east, north = (float(v) for v in shapely.total_bounds(np.array(shapes, dtype=object)))
    wide, high = max(east - west, LEAST_M), max(north - south, LEAST_M)
    scale = min((WIDTH - 2 * EDGE) / wide, (HEIGHT - 2 * EDGE) / high)
    middle_x, middle_y = (west + east) / 2, (south + north) / 2

    def at(xy: Iterable[Xy]) -> list[Xy]:
        return [(WIDTH / 2 + (x - middle_x) * scale, HEIGHT / 2 - 4 + (middle_y - y) * scale) for x, y in xy]

    drawing.group(clip_path=drawing.clip("sketch", 0, 0, WIDTH, HEIGHT))
    draw_walls(drawing, perimeter, at)
    for service in services_of(site).geometry:
        draw_service(drawing, at(xy_of(service)))
    for run in found.runs.itertuples():
        drawing.path(at(xy_of(run.geometry)), stroke=DRAIN, stroke_width=2.0, stroke_dasharray=run_dash(run))
    ring = at(xy_of(box.geometry.exterior))
    drawing.path(
        ring,
        closed=True,
        fill=drawing.hatch("dig", INK, gap=5.0),
        stroke=INK,
        stroke_width=1.2,
        fill_opacity=0.7,
    )
    labels: list[tuple[Xy, str, float, str]] = []
    for begin, end, said in lines:
        a, b = at([begin, end])
        drawing.line(*a, *b, stroke=ACCENT, stroke_width=1.6)
        labels.append((middle_of(a, b), said, 15.0, ACCENT))
    for xy, said in marks:
        spot = at([xy])[0]
        drawing.circle(*spot, 3.4, fill=INK)
        labels.append((spot, said, 16.0, INK))
    half_x, half_y = WIDTH / 2 / scale, HEIGHT / 2 / scale
    seen = shapely.box(middle_x - half_x, middle_y - half_y, middle_x + half_x, middle_y + half_y)
    for other, row in found.targets.iterrows():
        if other != name and shapely.contains_xy(seen, row["x"], row["y"]):
            spot = at([(row["x"], row["y"])])[0]
            draw_asset(drawing, str(row["kind"]), *spot)
            labels.append((spot, str(other), 11.0, SOFT_INK))
    spot = at([(target["x"], target["y"])])[0]
    draw_asset(drawing, str(target["kind"]), *spot)
    labels.insert(0, (spot, str(name), 16.0, INK))
    taken: list[tuple[float, float, float, float]] = [(0.0, HEIGHT - 20, 120.0, HEIGHT)]
    for place, said, size, colour in labels:
        x, y, covered = free_place(place, said, size, taken, room=(WIDTH, HEIGHT))
        taken.append(covered)
        drawing.words(x, y, said, font_size=size, fill=colour, **HALO)
    _bar(drawing, scale)
    return drawing.text()


def _measured_by(
    target: pd.Series, found: SettingOut, perimeter: Perimeter
) -> tuple[list[Line], list[tuple[Xy, str]]]:
    """Return the lines a place is measured along, with their lengths, and the corners they begin at."""
    xy = (float(target["x"]), float(target["y"]))
    corners = found.corners.set_index(["ring_key", "corner"])[["x", "y"]]
    if target["tied"] == "yes":
        lines, marks = [], []
        for k in (1, 2):
            corner = str(target[f"tape_{k}_from"])
            stand = corners.loc[(target["tie_ring_key"], corner)].to_numpy(dtype=float)
            begin = (float(stand[0]), float(stand[1]))
            lines.append((begin, xy, f"{target[f'tape_{k}_m']:.2f}"))
            marks.append((begin, corner))
        return lines, marks
    if not math.isfinite(target["offset_m"]):
        return [], []
    foot = perimeter.point_at(target["wall_ring_key"], [target["chainage_m"]])[0]
    own = perimeter.faces[
        (perimeter.faces["ring_key"] == target["wall_ring_key"])
        & (perimeter.faces["face"] == target["wall_face"])
    ].iloc[0]
    ends = xy_of(own.geometry)
    begin = ends[0] if own["corner_from"] == target["wall_corner"] else ends[-1]
    on_wall = (float(foot[0]), float(foot[1]))
    lines = [(begin, on_wall, f"{target['wall_corner_m']:.2f}"), (on_wall, xy, f"{target['offset_m']:.2f}")]
    return lines, [(begin, str(target["wall_corner"]))]


def _bar(drawing: Drawing, scale: float) -> None:
    """Draw a metre or two as a bar, and north."""
    length = 1.0 if scale > 30 else 2.0 if scale > 15 else 5.0
    y = HEIGHT - 10.0
    drawing.rect(6, y, length * scale, 4, fill=INK)
    drawing.words(10 + length * scale, y + 5, f"{length:g} m", font_size=11.0, **HALO)
    x = WIDTH - 14.0
    drawing.rect(x - 9, 6, 18, 44, fill="#ffffff", fill_opacity=0.8)
    drawing.path([(x, 34), (x, 12)], stroke_width=1.2)
    drawing.path([(x - 4, 20), (x, 10), (x + 4, 20)], closed=True, fill=INK)
    drawing.words(x - 4, 46, "N", font_size=11.0, **HALO)
