"""The plan of a site for print: walls, wet lengths, outlets and drains, to a scale and north up."""

from __future__ import annotations

import math
from collections.abc import Callable, Container, Iterable, Sequence

import numpy as np
import shapely

from geo.draw.scene import Scene
from geo.draw.svg import Drawing
from geo.draw.theme import BRICK_LIGHT, DRAIN, HATCH, INK, NEIGHBOUR, POND, RUN_DASH, SOFT_INK, WET_STEPS
from geo.exchange.setting_plan import (
    EDGE,
    HALO,
    PAGE_MM,
    PLAN_HEIGHT,
    PLAN_WIDTH,
    blank_sheet,
    draw_asset,
    draw_walls,
    free_place,
    scale_of,
)
from geo.exchange.setting_words import Xy, xy_of
from geo.report.places import Places, WetPlace

WET = WET_STEPS[4]
WET_OFFSET_M = 0.22
"""How far off the face a wet length is drawn, so that both sides of a wall can be told apart."""
NEAR_M, FAR_M = 1.5, 0.8
"""Ground shown round the surveyed buildings, and round the whole site."""
Label = tuple[Xy, str, float, str]
Box = tuple[float, float, float, float]
SIGN, LEAD_FROM = 6.0, 15.0
"""Half the width of a sign, and from how far off a label is led to what it names, both on the page."""
ToPage = Callable[[Iterable[Xy]], list[Xy]]


def closer(scene: Scene) -> bool:
    """Return whether the surveyed buildings alone can be drawn larger than the whole site."""
    near, far = (_extent(scene, margin=margin) for margin in (NEAR_M, None))
    return scale_of(near[2] - near[0], near[3] - near[1]) < scale_of(far[2] - far[0], far[3] - far[1])


def draw_site_plan(scene: Scene, wet: Sequence[WetPlace], names: Sequence[str], *, near: bool = False) -> str:
    """Return the plan of a site as SVG, 178 mm wide at full size.

    Parameters
    ----------
    wet, names
        Wet lengths, and what each is called on the plan.
    near
        Draw the surveyed buildings and what lies beside them, at a larger scale.
    """
    title = f"{'Plan of the buildings of' if near else 'Plan of'} {scene.site_name}"
    drawing = blank_sheet(PLAN_WIDTH, PLAN_HEIGHT, title=title)
    west, south, east, north = _extent(scene, margin=NEAR_M if near else None)
    ratio = scale_of(east - west, north - south)
    scale = PLAN_WIDTH * 1000.0 / (PAGE_MM * ratio)
    left = (PLAN_WIDTH - scale * (east - west)) / 2
    top = (PLAN_HEIGHT - 2.0 * EDGE - scale * (north - south)) / 2

    def at(xy: Iterable[Xy]) -> list[Xy]:
        return [(left + (x - west) * scale, top + (north - y) * scale) for x, y in xy]

    drawing.group(clip_path=drawing.clip("plan", 0, 0, PLAN_WIDTH, PLAN_HEIGHT - EDGE))
    for pond in scene.ponds.geometry[(scene.ponds["gullies"] == "as found").to_numpy(dtype=bool)]:
        for part in shapely.get_parts(pond):
            drawing.path(at(xy_of(part.exterior)), closed=True, fill=POND, fill_opacity=0.45, stroke="none")
    draw_walls(drawing, scene.perimeter, at)
    _unread(drawing, scene, at)
    labels: list[Label] = []
    for run in scene.runs.itertuples():
        drawing.path(
            at(xy_of(run.geometry)),
            stroke=DRAIN,
            stroke_width=1.8,
            stroke_dasharray=(RUN_DASH.get(run.use) or None) if run.evidence != "assumed" else "2 5",
        )
        middle = run.geometry.interpolate(0.5, normalized=True)
        labels.append((at([(middle.x, middle.y)])[0], str(run.run_id), 12.0, DRAIN))
    labels = _wet(drawing, scene, wet, names, at, width=5.0) + labels
    labels += _corners(drawing, scene, at)
    placed = scene.assets[np.isfinite(scene.assets["x"].astype(float))]
    taken = _bars(scene, wet, at, width=5.0)
    for asset in placed.itertuples():
        spot = at([(float(asset.x), float(asset.y))])[0]
        draw_asset(drawing, str(asset.kind), *spot)
        taken.append((spot[0] - SIGN, spot[1] - SIGN, spot[0] + SIGN, spot[1] + SIGN))
        labels.insert(0, (spot, str(asset.asset_id), 13.0, INK))
    room = (PLAN_WIDTH, PLAN_HEIGHT - EDGE)
    seen = [label for label in labels if 0 <= label[0][0] <= room[0] and 0 <= label[0][1] <= room[1]]
    _write(drawing, seen, room=room, taken=taken)
    drawing.group()
    _bar(drawing, scale, f"1:{ratio} printed at full size", scene, high=PLAN_HEIGHT, wide=PLAN_WIDTH)
    return drawing.text()


LETTER_WIDTH, LETTER_HEIGHT = 440.0, 430.0
FOOT = 26.0


def draw_letter_plan(scene: Scene, places: Places, wet: Sequence[WetPlace], names: Sequence[str]) -> str:
    """Return a small plan for a householder: walls with their names, and where it is wet."""
    drawing = blank_sheet(LETTER_WIDTH, LETTER_HEIGHT, title=f"Where {scene.site_name} is wet", size=17)
    west, south, east, north = _extent(scene, margin=0.2)
    room = 34.0
    scale = min(
        (LETTER_WIDTH - 2 * room) / (east - west), (LETTER_HEIGHT - 2 * room - FOOT) / (north - south)
    )
    left = (LETTER_WIDTH - scale * (east - west)) / 2
    top = (LETTER_HEIGHT - FOOT - scale * (north - south)) / 2

    def at(xy: Iterable[Xy]) -> list[Xy]:
        return [(left + (x - west) * scale, top + (north - y) * scale) for x, y in xy]

    drawing.group(clip_path=drawing.clip("letter", 0, 0, LETTER_WIDTH, LETTER_HEIGHT))
    draw_walls(drawing, scene.perimeter, at)
    _unread(drawing, scene, at)
    _wet(drawing, scene, wet, names, at, width=8.0)
    taken = _numbers(drawing, scene, wet, names, at, scale)
    drawn = [*taken, *_bars(scene, wet, at, width=8.0)]
    told = {
        (place.ring_key, face)
        for place in wet
        for face, _, _ in places.pieces(place.ring_key, place.from_m, place.to_m)
    }
    _face_names(drawing, scene, places, at, scale, before=drawn, told=told)
    _bar(drawing, scale, "", scene, high=LETTER_HEIGHT, wide=LETTER_WIDTH)
    return drawing.text()


def _numbers(
    drawing: Drawing, scene: Scene, wet: Sequence[WetPlace], names: Sequence[str], at: ToPage, scale: float
) -> list[Box]:
    """Write the numbers of wet lengths off the wall: outside an outer wall, in the building for a yard's."""
    taken: list[Box] = []
    outer = {str(face.ring_key): not face.ring for face in scene.perimeter.faces.itertuples()}
    around = {str(key): float(length) for key, length in scene.perimeter.rings["length_m"].items()}
    size = 28.0
    for place, name in zip(wet, names, strict=True):
        if not name:
            continue
        middle = (place.from_m + place.to_m) / 2 % around[place.ring_key]
        off = WET_OFFSET_M + (8.0 + size / 2) / scale
        spot = scene.perimeter.point_at([place.ring_key], [middle], [off if outer[place.ring_key] else -off])
        x, y = at([(float(spot[0][0]), float(spot[0][1]))])[0]
        drawing.words(
            x, y + 0.35 * size, name, font_size=size, fill=WET_STEPS[5], text_anchor="middle", **HALO
        )
        half = 0.3 * size * len(name)
        taken.append((x - half, y - size / 2, x + half, y + size / 2))
    return taken


def _bars(scene: Scene, wet: Sequence[WetPlace], at: ToPage, *, width: float) -> list[Box]:
    """Return boxes that together cover the wet lengths as drawn, so that no name is written on them."""
    lines = _lines(scene, [(place.ring_key, place.from_m, place.to_m, place.side) for place in wet])
    half = width / 2
    return [(x - half, y - half, x + half, y + half) for line in lines for x, y in at(xy_of(line))]


def _face_names(
    drawing: Drawing,
    scene: Scene,
    places: Places,
    at: ToPage,
    scale: float,
    *,
    before: Sequence[Box],
    told: Container[tuple[str, str]],
) -> None:
    """Write the name of each wall beside it: in the building for an outer wall, in the yard for a yard's.

    It stands at the middle of its wall, or as near it as it meets nothing written or drawn before and keeps
    within its building or yard. A name with no such place is left out, but of a wall the letter speaks of it
    may reach out of the building.

    Parameters
    ----------
    before
        What names may not meet.
    told
        Ring and face of every wall the letter speaks of.
    """
    taken = [shapely.box(*box) for box in before]
    faces = scene.perimeter.faces
    own = faces[faces["ring_key"].isin(scene.drawn_rings) & faces["outside"]]
    within = {
        str(key): shapely.Polygon(at([xy_of(shape)[0] for shape in every.geometry]))
        for key, every in faces[faces["ring_key"].isin(scene.drawn_rings)].groupby("ring_key", sort=False)
    }
    for face in own.sort_values("ring", kind="stable").itertuples():
        said, size = places.marked(face.ring_key, face.face), 19.0
        wide = 0.5 * size * len(said)
        if face.length_m * scale < 0.6 * wide:
            continue
        off = 12.0 + 0.5 * (size * abs(face.normal_n) + wide * abs(face.normal_e))
        off = off if face.ring else -off
        free = []
        for share in ALONG:
            point = face.geometry.interpolate(share, normalized=True)
            spot = at([(point.x, point.y)])[0]
            x, y = spot[0] + face.normal_e * off, spot[1] - face.normal_n * off
            box = shapely.box(x - wide / 2, y - size / 2, x + wide / 2, y + size / 2)
            keeps = within[face.ring_key].contains(box)
            if (keeps or (face.ring_key, face.face) in told) and not any(map(box.intersects, taken)):
                free.append((not keeps, x, y, box))
        if not free:
            continue
        _, x, y, box = min(free, key=lambda one: one[0])
        taken.append(box)
        drawing.words(x, y + 0.35 * size, said, font_size=size, fill=SOFT_INK, text_anchor="middle", **HALO)


ALONG = (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8)
"""Where along its wall a name may stand, the best first."""


def _extent(scene: Scene, *, margin: float | None) -> tuple[float, float, float, float]:
    """Return west, south, east and north of the surveyed buildings with a margin, or of their drains too."""
    footprints = scene.perimeter.footprints
    shapes = list(footprints.geometry[(footprints["role"] == "subject").to_numpy(dtype=bool)])
    if margin is None:
        shapes += list(scene.runs.geometry)
        placed = scene.assets[np.isfinite(scene.assets["x"].astype(float))]
        shapes += list(shapely.points(placed[["x", "y"]].to_numpy(dtype=float)))
    west, south, east, north = shapely.total_bounds(np.array(shapes, dtype=object))
    room = FAR_M if margin is None else margin
    return float(west) - room, float(south) - room, float(east) + room, float(north) + room


def _wet(
    drawing: Drawing,
    scene: Scene,
    wet: Sequence[WetPlace],
    names: Sequence[str],
    at: ToPage,
    *,
    width: float,
    size: float = 16.0,
) -> list[Label]:
    """Draw wet lengths beside the face, outside or inside of it, and return their labels."""
    labels: list[Label] = []
    lines = _lines(scene, [(place.ring_key, place.from_m, place.to_m, place.side) for place in wet])
    for line, name in zip(lines, names, strict=True):
        points = at(xy_of(line))
        drawing.path(points, stroke=WET, stroke_width=width, stroke_linecap="butt", stroke_linejoin="round")
        middle = line.interpolate(0.5, normalized=True)
        labels.append((at([(middle.x, middle.y)])[0], name, size, WET_STEPS[5]))
    return labels


def _lines(scene: Scene, lengths: Sequence[tuple[str, float, float, str]]) -> list[shapely.LineString]:
    """Return lines beside lengths of wall: ring, from, to and side of each, all at once.

    An end past the origin corner begins again at nought.
    """
    around = {str(key): float(length) for key, length in scene.perimeter.rings["length_m"].items()}
    keys: list[str] = []
    places: list[np.ndarray] = []
    for ring_key, start, end, _ in lengths:
        steps = np.linspace(start, end, max(2, math.ceil((end - start) / 0.1) + 1)) % around[ring_key]
        places.append(steps)
        keys += [ring_key] * len(steps)
    if not places:
        return []
    count = [len(steps) for steps in places]
    off = np.repeat([-WET_OFFSET_M if side == "inside" else WET_OFFSET_M for *_, side in lengths], count)
    points = scene.perimeter.point_at(keys, np.concatenate(places), off)
    return [shapely.LineString(own) for own in np.split(points, np.cumsum(count)[:-1])]


def _unread(drawing: Drawing, scene: Scene, at: ToPage) -> None:
    """Dot along every length nobody read, on its side of the face."""
    lengths = [
        (str(row.ring_key), row.chainage_from_m, row.chainage_from_m + row.length_m, str(row.side))
        for row in scene.unread.itertuples()
        if row.ring_key in scene.drawn_rings and row.length_m >= 0.05
    ]
    for line in _lines(scene, lengths):
        drawing.path(at(xy_of(line)), stroke=HATCH, stroke_width=2.4, stroke_dasharray="1.5 4.5")


def _corners(drawing: Drawing, scene: Scene, at: ToPage) -> list[Label]:
    labels: list[Label] = []
    faces = scene.perimeter.faces
    for face in faces[faces["ring_key"].isin(scene.drawn_rings)].itertuples():
        first = xy_of(face.geometry)[0]
        spot = at([first])[0]
        drawing.circle(spot[0], spot[1], 2.6, fill=INK)
        labels.append((spot, str(face.corner_from), 12.0, INK))
        middle = face.geometry.interpolate(0.5, normalized=True)
        inward = (middle.x - face.normal_e * 0.55, middle.y - face.normal_n * 0.55)
        labels.append((at([inward])[0], str(face.face), 11.0, SOFT_INK))
    return labels


def _write(drawing: Drawing, labels: Sequence[Label], *, room: Xy, taken: Sequence[Box]) -> None:
    """Write labels where they cover least of what is drawn; a thin line leads to one that stands far off."""
    covered = list(taken)
    for spot, said, size, colour in labels:
        x, y, box = free_place(spot, said, size, covered, room=room)
        covered.append(box)
        end = (min(max(spot[0], box[0]), box[2]), min(max(spot[1], box[1]), box[3]))
        if math.dist(spot, end) > LEAD_FROM:
            drawing.line(*spot, *end, stroke=SOFT_INK, stroke_width=0.6)
        drawing.words(x, y, said, font_size=size, fill=colour, **HALO)


def _bar(drawing: Drawing, scale: float, said: str, scene: Scene, *, high: float, wide: float) -> None:
    """Draw a scale bar of a round length, north, and what the drawing rests on."""
    wanted = 0.18 * wide / scale
    step = 10.0 ** math.floor(math.log10(wanted))
    length = max(step * k for k in (1, 2, 5) if step * k <= wanted)
    y = high - 16
    drawing.rect(12, y, length * scale / 2, 5.0, fill=INK)
    drawing.rect(12, y, length * scale, 5.0, fill="none", stroke=INK, stroke_width=1.0)
    told = "; ".join(part for part in (f"{length:g} m", said) if part)
    drawing.words(20 + length * scale, y + 7, told, font_size=13.0)
    x = wide - 30
    drawing.path([(x, y + 6), (x, y - 28)], stroke_width=1.6)
    drawing.path([(x - 6, y - 16), (x, y - 30), (x + 6, y - 16)], closed=True, fill=INK)
    drawing.words(x + 8, y + 6, "N", font_size=13.0)
    drawing.words(
        x - 14, y + 7, f"data {scene.version[:10]}", font_size=11.0, fill=SOFT_INK, text_anchor="end"
    )


KEY_WIDE, KEY_ROW = 800.0, 24.0
KEY = (
    ("gully", "gully"),
    ("downpipe", "downpipe, waste or other outlet"),
    ("chamber", "chamber"),
    ("soakaway", "soakaway"),
    ("foul", "foul drain"),
    ("surface", "surface water drain"),
    ("combined", "combined drain"),
    ("assumed", "drain not traced"),
    ("wet", "wall found wet on that side"),
    ("unread", "wall not read on that side"),
    ("pool", "ground that could hold water"),
    ("subject", "surveyed building"),
    ("other", "building not surveyed"),
)


def plan_key() -> str:
    """Return the key of the plan as a drawing of its own."""
    drawing = blank_sheet(KEY_WIDE, 10, title="Key of the plan", size=15)
    columns = 3
    deep = math.ceil(len(KEY) / columns)
    for i, (sign, said) in enumerate(KEY):
        x, y = 6 + KEY_WIDE / columns * (i // deep), KEY_ROW * (i % deep + 0.6)
        _key_sign(drawing, sign, x, y)
        drawing.words(x + 44, y + 5, said)
    drawing.resize(KEY_ROW * deep + 6)
    return drawing.text()


def _key_sign(drawing: Drawing, sign: str, x: float, y: float) -> None:
    """Draw one sign of the key, 34 wide."""
    if sign in ("gully", "downpipe", "chamber", "soakaway"):
        draw_asset(drawing, sign, x + 17, y)
    elif sign in RUN_DASH or sign == "assumed":
        dash = "2 5" if sign == "assumed" else RUN_DASH[sign] or None
        drawing.line(x, y, x + 34, y, stroke=DRAIN, stroke_width=1.8, stroke_dasharray=dash)
    elif sign == "wet":
        drawing.line(x, y, x + 34, y, stroke=WET, stroke_width=5.0)
    elif sign == "unread":
        drawing.line(x, y, x + 34, y, stroke=HATCH, stroke_width=2.4, stroke_dasharray="1.5 4.5")
    elif sign == "pool":
        drawing.rect(x + 4, y - 7, 26, 14, fill=POND, fill_opacity=0.45)
    else:
        fill, width = (BRICK_LIGHT, 2.4) if sign == "subject" else (NEIGHBOUR, 0.8)
        drawing.rect(x + 4, y - 7, 26, 14, fill=fill, stroke=INK, stroke_width=width)
