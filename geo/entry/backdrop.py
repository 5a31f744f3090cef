"""What lies under the pen: everything already recorded, plainly, whether or not it holds together yet."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from shapely.geometry import Point

from geo.draw.layers import RUN_SHARES, Feature, Sketch, chevrons, face_spots, feature, sketch, spots_along
from geo.draw.theme import BRICK, DRAIN, INK, NEIGHBOUR, RULE, RUN_DASH, SOFT_INK
from geo.entry.drawing import DRAWN_KINDS, shapes_of, tie_of
from geo.perimeter.build import Perimeter
from geo.site.crs import from_lonlat, to_lonlat
from geo.site.model import Site
from geo.site.records import KINDS

LEAST_M, ALONE_M = 4.0, 12.0
"""Room left round what is drawn, and half the side of an empty map."""
FACE_NAME_M = 1.0


def backdrop(site: Site, perimeter: Perimeter | None, *, without: str) -> list[Feature]:
    """Return features of all kinds but the one being drawn, in longitude and latitude."""
    sketches: list[Sketch] = []
    for kind in DRAWN_KINDS:
        if kind == "photo" or (kind == without and kind != "building"):
            continue
        records = {record.id: record for record in site.of(kind)}
        for name, shape in shapes_of(site, kind, perimeter).items():
            sketches += _drawn(kind, name, shape, records[name], outline=kind == without)
    if perimeter is not None:
        sketches += _corners(perimeter)
    return on_screen(sketches, site)


def window(site: Site, perimeter: Perimeter | None) -> list[list[float]]:
    """Return the south-west and north-east corner of what there is to see, latitude before longitude."""
    shapes = [shape for kind in DRAWN_KINDS for shape in shapes_of(site, kind, perimeter).values()]
    room = LEAST_M if shapes else ALONE_M
    west, south, east, north = shapely.total_bounds(shapes) if shapes else (*_start(site), *_start(site))
    corners = np.array([[west - room, south - room], [east + room, north + room]])
    ends = to_lonlat(corners, site.crs, tie=tie_of(site))
    return [[float(end[1]), float(end[0])] for end in ends]


def _start(site: Site) -> tuple[float, float]:
    """Return where an empty map opens."""
    if site.info.start_easting_m is not None and site.info.start_northing_m is not None:
        return site.info.start_easting_m, site.info.start_northing_m
    area = site.crs.area_of_use
    if area is None:
        return 0.0, 0.0
    middle = [[(area.west + area.east) / 2, (area.south + area.north) / 2]]
    east, north = from_lonlat(middle, site.crs)[0]
    return float(east), float(north)


def _drawn(kind: str, name: str, shape: Any, record: Any, *, outline: bool) -> list[Sketch]:
    card = [["", f"{kind.replace('_', ' ')} {name}"]]
    if kind == "building":
        subject = getattr(record, "role", "") == "subject"
        style = {"color": INK, "weight": 2.4, "fillColor": BRICK if subject else NEIGHBOUR}
        style |= {"fillOpacity": 0.2 if outline else 0.5}
        label = sketch(shape.representative_point(), [], {"text": name, "look": "face"})
        return [label] if outline else [sketch(shape, card, style), label]
    if KINDS[kind].shape == "Polygon":
        middle = shape.representative_point()
        style = {"color": RULE, "weight": 1, "dashArray": "4 4", "fillOpacity": 0.05}
        return [sketch(shape, card, style), sketch(middle, [], {"text": name, "look": "face"})]
    if KINDS[kind].shape == "LineString":
        use = str(getattr(record, "use", ""))
        line = {
            "color": DRAIN if kind == "run" else SOFT_INK,
            "weight": 2.6,
            "dashArray": RUN_DASH.get(use, "2 5"),
        }
        found = [sketch(shape, card, line)]
        if kind == "run":
            found.append(sketch(chevrons(shape), card, {"color": DRAIN, "weight": 2.2}))
        return [*found, sketch(spots_along(shape, RUN_SHARES), card, {"text": name, "look": "run"})]
    known = str(getattr(record, "evidence", "seen"))
    look = kind if kind in ("gully", "downpipe", "chamber", "soakaway") else "sign"
    return [sketch(shape, card, {"text": name, "look": look, "known": known})]


def _corners(perimeter: Perimeter) -> list[Sketch]:
    found = []
    examined = perimeter.rings.index[perimeter.rings["examined"]]
    for face in perimeter.faces[perimeter.faces["ring_key"].isin(examined)].itertuples():
        start = shapely.get_point(face.geometry, 0)
        found.append(sketch(Point(start.x, start.y), [], {"text": face.corner_from, "look": "corner"}))
        if face.length_m > 1.2:
            words = f"{face.face} {face.length_m:.2f} m"
            found.append(sketch(face_spots(face, FACE_NAME_M), [], {"text": words, "look": "face"}))
    return found


def on_screen(sketches: list[Sketch], site: Site) -> list[Feature]:
    """Return what is drawn in the site's grid as features in longitude and latitude."""
    if not sketches:
        return []
    tie = tie_of(site)
    shapes: Any = np.array([shape for shape, _ in sketches], dtype=object)
    drawn = shapely.transform(shapes, lambda xy: np.round(to_lonlat(xy, site.crs, tie=tie), 10))
    return [feature(shape, properties) for shape, (_, properties) in zip(drawn, sketches, strict=True)]
