"""The map of a screening: counts by squares when far, homes and walls with what is said of them when near."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import folium
import numpy as np
from pyproj import CRS

from geo.draw.layers import Sketch, placed, sketch
from geo.draw.map import Captions, map_layer
from geo.draw.offline import new_map
from geo.draw.theme import FAINT, INK, PAPER, SOFT_INK, VERDICT_SIGN, WET_STEPS
from geo.screen.results import cells_of, count_in, crs_of, homes_in, walls_of
from geo.screen.said import CAUTION, home_said, wall_said
from geo.site.crs import to_lonlat

NEAR_HOMES = 1500  # more are drawn as squares: a page holds no more cards
SQUARES = 24  # along the longer side of a far view
FILL = {"toward": WET_STEPS[4], "away": FAINT, "level": FAINT, "party": FAINT, "not known": PAPER}
WEIGHT = {"toward": 5, "away": 2, "level": 2}
Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What the caption and the projection need to know, as a scene of one site tells them."""

    site_name: str
    said: str
    crs: CRS
    tie: None = None

    def when_and_what(self) -> str:
        """Return the line under the title."""
        return self.said


def draw_many(results: Path, bbox: Box | None = None) -> folium.Map:
    """Draw the homes of a screening, or squares of them where the view holds too many.

    Parameters
    ----------
    results
        The file of homes that a screening wrote, its walls beside it.
    bbox
        West, south, east and north in the file's grid; all of it by default.
    """
    crs = crs_of(results)
    view = bbox or _bounds(results)
    count = count_in(results, view)
    near = count <= NEAR_HOMES
    told = f"{count:,} homes" + ("" if near else ", by squares") + "; from a ground model only"
    frame: Any = Frame(site_name="Ground at the walls of many homes", said=told, crs=crs)
    drawn = _near(results, view) if near else {"Squares": _far(results, view)}
    west, south, east, north = view
    ends = to_lonlat([[west, south], [east, north]], crs)
    made = new_map(location=ends.mean(axis=0)[::-1].tolist(), zoom_start=14, zoom_snap=0.25)
    for name, sketches in drawn.items():
        map_layer(placed(frame, sketches), name=name).add_to(made)
    made.fit_bounds([ends[0][::-1].tolist(), ends[1][::-1].tolist()])
    Captions(cast("Any", frame), _legend(near=near)).add_to(made)
    return made


def _near(results: Path, view: Box) -> dict[str, list[Sketch]]:
    """Return homes with what is said of each, and their walls."""
    homes, walls = homes_in(results, view), homes_in(walls_of(results), view)
    outlines = []
    for home in homes.to_dict("records"):
        word, shape = str(home["verdict"]), home["geometry"]
        if shape is None or shape.is_empty:
            continue
        remark = [["note", str(home["remark"])]] if str(home["remark"]) else []
        card = [["", f"{home['home_id']}  {VERDICT_SIGN[word]} {word}"], *remark]
        card += [["", line] for line in home_said(home)]
        style = {"color": INK, "weight": 1, "fillColor": FILL[word], "fillOpacity": 0.8}
        outlines.append(sketch(shape, card, style if word != "not known" else {**style, "dashArray": "3 3"}))
    lines = [
        sketch(
            wall["geometry"],
            [["", str(wall["home_id"])], ["", wall_said(wall)]],
            {"color": WET_STEPS[5] if wall["verdict"] == "toward" else SOFT_INK,
             "weight": WEIGHT[str(wall["verdict"])]},
        )
        for wall in walls.to_dict("records")
        if wall["verdict"] in ("toward", "away", "level")
    ]  # fmt: skip
    return {"Homes": outlines, "Walls": lines}


def _far(results: Path, view: Box) -> list[Sketch]:
    """Return squares, darker where more of the homes examined have ground that surely falls to a wall."""
    side = max(view[2] - view[0], view[3] - view[1]) / SQUARES
    rounded = float(10 ** np.floor(np.log10(side)))
    size = rounded * next(step for step in (1, 2, 5, 10) if rounded * step >= side * 0.999)
    squares = cells_of(results, size)
    west, south, east, north = view
    squares = squares.cx[west:east, south:north]
    found = []
    for one in squares.to_dict("records"):
        share = one["toward"] / one["examined"] if one["examined"] else 0.0
        step = int(np.digitize(share, (1e-9, 0.02, 0.05, 0.1, 0.2)))
        card = [
            ["", f"{one['homes']:,} homes, {one['examined']:,} examined"],
            ["ground falls to a wall of", f"{one['toward']:,}"],
            ["not known", f"{one['not_known']:,}"],
            ["low spot at a wall", f"{one['low_spots']:,}"],
        ]
        style = {"color": SOFT_INK, "weight": 1, "fillColor": WET_STEPS[step], "fillOpacity": 0.75}
        found.append(sketch(one["geometry"], card, style))
    return found


def _legend(*, near: bool) -> list[dict[str, str]]:
    swatch = "border:1px solid #777;background:"
    lines = (
        [
            {
                "css": f"{swatch}{WET_STEPS[4]}",
                "text": "ground surely falls to a wall; thick line: that wall",
            },
            {"css": f"{swatch}{FAINT}", "text": "away or level at every wall that is known"},
            {"css": f"{swatch}{PAPER}", "text": "not known, broken outline: see why in the card"},
        ]
        if near
        else [
            {"css": f"{swatch}{WET_STEPS[5]}", "text": "one home in five examined, or more, falls to a wall"},
            {"css": f"{swatch}{WET_STEPS[1]}", "text": "fewer than one in fifty"},
            {"css": f"{swatch}{WET_STEPS[0]}", "text": "none surely; the card counts those not known"},
        ]
    )
    return [*lines, {"text": CAUTION}]


def _bounds(results: Path) -> Box:
    """Return the bounds of everything in a file, from its squares."""
    west, south, east, north = cells_of(results, 1000.0).total_bounds
    return float(west), float(south), float(east), float(north)
