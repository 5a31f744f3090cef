"""What lies on the map, as GeoJSON with plain-text properties; no markup is ever made here."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
import shapely
import shapely.affinity
from shapely.geometry import mapping

from geo.draw.scene import Scene
from geo.draw.theme import (
    ACCENT,
    BRICK,
    DRAIN,
    EARTH,
    INK,
    LETTERS,
    NEIGHBOUR,
    POND,
    RUN_DASH,
    SOFT_INK,
    WET_STEPS,
    wet_colour,
)
from geo.site.crs import to_lonlat

Feature = dict[str, Any]
Sketch = tuple[Any, dict[str, Any]]
Pick = Mapping[str, Any]
Picks = Mapping[str, Pick]
USE_WORDS = {"foul": "foul", "surface": "surface", "combined": "combined", "not_known": "use not known"}
LABEL_LEAST_M = 2.0
RUN_SHARES, FACE_SHARES = (0.36, 0.5, 0.22, 0.64, 0.78), (0.5, 0.35, 0.65, 0.2, 0.8)
"""Where along a line its name may stand, best first; on a run clear of the arrow heads."""
UPHILL_OFFSET_M, LABEL_OFFSET_M, SAME_LABEL_M = 0.45, 0.9, 1.5
FACE_NAME_M = 1.25
STRETCH_SHARES = (0.0, -0.25, 0.25, -0.5, 0.5)
"""Of a stretch's length, from its middle: where its name may stand, best first."""
FINGER_PX = 26
SOUND_RUN = ("", "clear", "not_traced", "not_looked")
FAN_M = 0.22
ARROW_M = {"levels": (0.25, 1.15), "raster": (1.55, 2.75)}
WORDS = {"toward": "falls to the wall", "away": "falls away", "level": "level", "not known": "not known"}


def footprints(scene: Scene) -> list[Feature]:
    """Return every building's outline."""
    found = []
    for row in scene.perimeter.footprints.itertuples():
        subject = row.role == "subject"
        style = {"color": INK, "weight": 2.4 if subject else 1, "fillColor": BRICK if subject else NEIGHBOUR}
        card = [["building", row.building_id], ["role", "surveyed" if subject else row.role]]
        found.append(sketch(row.geometry, card, {**style, "fillOpacity": 0.55 if subject else 0.8}))
    return placed(scene, found)


def corners(scene: Scene) -> list[Feature]:
    """Return the corner letters and face names of surveyed buildings."""
    found = []
    for key in scene.drawn_rings:
        faces = scene.perimeter.faces[scene.perimeter.faces["ring_key"] == key]
        for face in faces.itertuples():
            start = shapely.get_point(face.geometry, 0)
            found.append(sketch(start, [], {"text": face.corner_from, "look": "corner"}))
            if face.length_m > 1.2:
                inner = face_spots(face, FACE_NAME_M)
                said = face.face if face.outside else f"{face.face} party"
                found.append(sketch(inner, [], {"text": said, "look": "face"}))
    return placed(scene, found)


def assets(scene: Scene, picks: Picks | None = None) -> list[Feature]:
    """Return assets with their record as a card.

    Parameters
    ----------
    picks
        By id, what a card offers to do.
    """
    picks, found = picks or {}, []
    for row in scene.assets.itertuples():
        if not math.isfinite(row.x):
            continue
        card = [["", f"{row.asset_id}: {row.label}"], *[[name, value] for name, value in row.facts.items()]]
        mark = {
            "text": str(row.asset_id),
            "look": row.kind,
            "letter": LETTERS.get(row.kind, ""),
            "known": row.evidence,
        }
        pick = picks.get(str(row.asset_id))
        found.append(sketch(shapely.Point(row.x, row.y), card, mark, pick))
    return placed(scene, found)


def runs(scene: Scene, picks: Picks | None = None) -> list[Feature]:
    """Return drain runs with an arrow downstream; assumed ones are drawn thin.

    Parameters
    ----------
    picks
        By id, what a card offers to do; such a run carries its id and state, and can be hit with a finger.
    """
    picks, found = picks or {}, []
    for row in scene.runs.itertuples():
        line, pick = row.geometry, picks.get(str(row.run_id))
        card = [["", f"Run {row.run_id}"], *[[name, value] for name, value in row.facts.items()]]
        seen = row.evidence != "assumed"
        style = {"color": DRAIN, "weight": 3.2 if seen else 1.6, "dashArray": RUN_DASH.get(row.use, "2 5")}
        found.append(sketch(line, card, style))
        head = {"color": DRAIN, "weight": 2.4}
        found.append(sketch(chevrons(line), card, head))
        if pick:
            found.append(sketch(line, card, {"weight": FINGER_PX, "opacity": 0}, pick))
        said = USE_WORDS.get(row.use, "") + ("" if seen else " (assumed)")
        if pick:
            state = "" if row.state in SOUND_RUN else f" · {row.state.replace('_', ' ')}"
            said = f"{row.run_id}{state}"  # its use shows by its line, and assumed ones are thin
        if said and (pick or line.length > LABEL_LEAST_M):
            found.append(sketch(spots_along(line, RUN_SHARES), card, {"text": said, "look": "run"}, pick))
    return placed(scene, found)


def readings(scene: Scene, chosen: list[str] | None = None) -> list[Feature]:
    """Return joined and ambiguous readings; those of one place are fanned out from the wall by height.

    Parameters
    ----------
    chosen
        Ids of the readings to draw; all by default.
    """
    own, spots = _fanned(scene, chosen)
    found = []
    for (longitude, latitude), row in zip(spots, own.itertuples(), strict=True):
        card = [
            ["", f"Reading {row.Index}: {row.value} {row.unit}"],
            ["method", row.method_name],
            ["on", row.material.replace("_", " ")],
            ["instrument", row.instrument],
            ["where", _where(row)],
            ["height", f"{row.height_m:.2f} m" if math.isfinite(row.height_m) else "not recorded"],
            ["verdict", f"{row.wet}: {row.because}"],
        ]
        if row.status != "joined":
            card.append([row.status, row.reason])
        fill = wet_colour(float(row.shade), float(row.rank))
        wet = row.wet == "wet"
        point = {"type": "Point", "coordinates": [round(longitude, 10), round(latitude, 10)]}
        if row.censored != "none":
            sign = "▲" if row.censored == "above" else "▼"
            mark = {"card": card, "text": sign, "look": "off", "colour": fill}
            found.append({"type": "Feature", "properties": mark, "geometry": point})
            continue
        style = {
            "radius": 6.5 if wet else 5,
            "color": INK if wet else SOFT_INK,
            "weight": 2.2 if wet else 0.9,
            "fillColor": fill,
            "fillOpacity": 0.95,
            "dashArray": "2 2" if row.status != "joined" or row.wet == "control" else "",
        }
        found.append({"type": "Feature", "properties": {"card": card, "style": style}, "geometry": point})
    return found


def values(scene: Scene, chosen: list[str] | None = None) -> list[Feature]:
    """Return the numbers of the readings, to be laid over them when the map is drawn large."""
    own, spots = _fanned(scene, chosen)
    return [
        {
            "type": "Feature",
            "properties": {"text": str(value), "look": "value"},
            "geometry": {"type": "Point", "coordinates": [round(longitude, 10), round(latitude, 10)]},
        }
        for (longitude, latitude), value in zip(spots, own["value"], strict=True)
    ]


def _fanned(scene: Scene, chosen: list[str] | None) -> tuple[pd.DataFrame, np.ndarray[Any, Any]]:
    """Return readings with a place, and where each is drawn: one place's fan out by height, lowest first."""
    own = scene.readings[np.isfinite(scene.readings["x"])]
    if chosen is not None:
        own = own[own.index.isin(chosen)]
    own = own.sort_values("height_m")
    place = (
        own["ring_key"].astype(str)
        + own["side"].astype(str)
        + own["chainage_m"].fillna(-1.0).round(1).astype(str)
    )
    order = own.groupby(place, sort=False).cumcount().to_numpy()
    normal = _normals(scene, own)
    sign = np.where(own["side"].to_numpy() == "outside", 1.0, -1.0)
    shift = normal * (sign * order * FAN_M)[:, None]
    spots = to_lonlat(own[["x", "y"]].to_numpy() + shift, scene.crs, tie=scene.tie)
    return own, spots


def stretches(scene: Scene, sides: tuple[str, ...] = ("outside", "inside")) -> list[Feature]:
    """Return wet stretches as bands beside the wall, outside or inside it."""
    found = []
    for row in scene.stretches[scene.stretches["side"].isin(sides)].itertuples():
        offset = 0.16 if row.side == "outside" else -0.16
        band = scene.perimeter.line(row.ring_key, row.chainage_from_m, row.chainage_to_m, offset)
        card = [
            ["", f"Wet stretch {row.Index}"],
            ["side", row.side],
            ["chainage", f"{row.chainage_from_m:.2f}-{row.chainage_to_m:.2f} m, {row.length_m:.2f} m long"],
            ["readings", f"{row.n_wet} wet of {row.n}, highest {row.highest}"],
            ["group", row.group.replace("|", ", ")],
            ["by height", f"{row.profile}: {row.profile_because}" if row.profile_because else row.profile],
        ]
        found.append(sketch(band, card, {"color": WET_STEPS[4], "weight": 6, "opacity": 0.8}))
    return placed(scene, found) + _stretch_names(scene, sides)


def _stretch_names(scene: Scene, sides: tuple[str, ...]) -> list[Feature]:
    """Return the names of wet stretches beside them; those at one place share a label."""
    own = scene.stretches[scene.stretches["side"].isin(sides)]
    labels: list[tuple[str, str, float, float, list[str]]] = []
    for row in own.itertuples():
        length = float(scene.perimeter.rings.loc[row.ring_key, "length_m"])
        middle = (row.chainage_from_m + row.length_m / 2) % length
        near = (
            names
            for ring_key, side, at, _, names in labels
            if (ring_key, side) == (row.ring_key, row.side) and abs(at - middle) < SAME_LABEL_M
        )
        names = next(near, None)
        if names is None:
            labels.append((row.ring_key, row.side, middle, row.length_m, [str(row.Index)]))
        else:
            names.append(str(row.Index))
    found = []
    for ring_key, side, middle, reach, names in labels:
        offset = LABEL_OFFSET_M if side == "outside" else -LABEL_OFFSET_M
        whole = float(scene.perimeter.rings.loc[ring_key, "length_m"])
        ats = [(middle + share * reach) % whole for share in STRETCH_SHARES]
        spots = shapely.MultiPoint(scene.perimeter.point_at(ring_key, np.array(ats), offset))
        found.append(sketch(spots, [], {"text": " ".join(names), "look": "stretch"}))
    return placed(scene, found)


def falls(scene: Scene, evidence: str) -> list[Feature]:
    """Return arrows where the ground falls to the wall or away from it; a question mark where not known."""
    near, far = ARROW_M[evidence]
    place = scene.stations.set_index("station_id")
    found = []
    for row in scene.falls[scene.falls["evidence"] == evidence].itertuples():
        if row.verdict == "party":
            continue
        station = place.loc[row.station_id]
        normal = np.array([station["normal_e"], station["normal_n"]])
        foot = np.array([station["x"], station["y"]])
        where = f"{station['chainage_from_m']:.1f}-{station['chainage_to_m']:.1f} m"
        card = [
            ["", f"{WORDS[row.verdict].capitalize()}, by {evidence}"],
            ["chainage", where],
            ["because", row.because],
        ]
        if row.settle:
            card.append(["to settle it", row.settle])
        if row.verdict in ("toward", "away"):
            reach = near + (far - near) * min(1.0, 0.45 + abs(row.fall_percent) / 8)
            ends = (foot + normal * reach, foot + normal * near)
            start, end = ends if row.verdict == "toward" else ends[::-1]
            arrow = _arrow(start, end)
            colour = WET_STEPS[5] if row.verdict == "toward" else WET_STEPS[2]
            found.append(sketch(arrow, card, {"color": colour, "weight": 3.4}))
        else:
            middle = shapely.Point(*(foot + normal * (near + far) / 2))
            sign = "=" if row.verdict == "level" else "?"
            found.append(sketch(middle, card, {"text": sign, "look": "sign"}))
    return placed(scene, found)


def uphill(scene: Scene) -> list[Feature]:
    """Return the ground that drains to each piece of wall, as a band as wide as the area is large."""
    place = scene.stations.set_index("station_id")
    own = scene.uphill[scene.uphill["area_m2"] > 0]
    most = float(own["area_m2"].max()) if len(own) else 1.0
    found = []
    for row in own.itertuples():
        station = place.loc[row.station_id]
        shift = UPHILL_OFFSET_M * np.array([station["normal_e"], station["normal_n"]])
        band = shapely.affinity.translate(station["geometry"], *shift)
        least = "at least " if row.reaches_raster_edge else ""
        card = [
            ["", f"{least}{row.area_m2:.1f} m² of ground drains to this piece of wall".capitalize()],
            ["chainage", f"{station['chainage_from_m']:.1f}-{station['chainage_to_m']:.1f} m"],
            ["rests on", "the raster"],
        ]
        weight = round(2 + 14 * math.sqrt(row.area_m2 / most), 1)
        style = {"color": EARTH, "weight": weight, "opacity": 0.75, "lineCap": "butt"}
        found.append(sketch(band, card, style))
    return placed(scene, found)


def ponds(scene: Scene) -> list[Feature]:
    """Return pools; those that only stand when no gully works are dashed."""
    found = []
    for row in scene.ponds.itertuples():
        card = [
            ["", f"Pool {row.pond_id}, gullies {row.gullies}"],
            ["depth", row.because],
            ["level", f"{row.level_m:.3f} m" if math.isfinite(row.level_m) else "not known"],
            ["holds", f"{row.volume_l:.0f} l" if math.isfinite(row.volume_l) else "not known"],
            ["area", f"{row.area_m2:.1f} m²"],
            ["verdict", row.verdict],
        ]
        if row.at_wall:
            card.append(["at the wall", f"chainage {row.chainage_from_m:.1f}-{row.chainage_to_m:.1f} m"])
        dash = "" if row.gullies != "none working" else "6 4"
        style = {"color": ACCENT, "weight": 1.2, "fillColor": POND, "dashArray": dash}
        found.append(
            sketch(row.geometry, card, {**style, "fillOpacity": 0.5 if row.verdict == "ponds" else 0.18})
        )
    return placed(scene, found)


def sketch(shape: Any, card: list[list[str]], style: dict[str, Any], pick: Pick | None = None) -> Sketch:
    """Return what is to be drawn, in the site's grid; ``pick`` is what its card offers to do.

    A name may be given several points: the first is its place, at the others it may stand as well.
    """
    told: dict[str, Any] = {"card": [[str(name), str(value)] for name, value in card]}
    if pick:
        told["pick"] = dict(pick)
    return shape, {**told, **style} if "text" in style else {**told, "style": style}


def placed(scene: Scene, sketches: list[Sketch]) -> list[Feature]:
    """Return features in longitude and latitude, to ten decimals, all brought there at once."""
    if not sketches:
        return []
    shapes: Any = np.array([shape for shape, _ in sketches], dtype=object)
    drawn = shapely.transform(shapes, lambda xy: np.round(to_lonlat(xy, scene.crs, tie=scene.tie), 10))
    return [feature(shape, properties) for shape, (_, properties) in zip(drawn, sketches, strict=True)]


def feature(shape: Any, properties: dict[str, Any]) -> Feature:
    """Return one feature of a shape in longitude and latitude; further points of a name go with it."""
    if "text" in properties and shape.geom_type == "MultiPoint":
        first, *also = shape.geoms
        shape, properties = first, {**properties, "also": [list(point.coords[0]) for point in also]}
    return {"type": "Feature", "properties": properties, "geometry": mapping(shape)}


def spots_along(line: Any, shares: Sequence[float]) -> shapely.MultiPoint:
    """Return the points at shares of a line's length."""
    return shapely.MultiPoint(shapely.line_interpolate_point(line, shares, normalized=True).tolist())


def face_spots(face: Any, inward_m: float) -> shapely.MultiPoint:
    """Return where the name of a face may stand, so far inside it."""
    spots = spots_along(face.geometry, FACE_SHARES)
    return shapely.affinity.translate(spots, -inward_m * face.normal_e, -inward_m * face.normal_n)


def _arrow(start: np.ndarray[Any, Any], end: np.ndarray[Any, Any]) -> shapely.MultiLineString:
    along = (end - start) / max(float(np.hypot(*(end - start))), 1e-9)
    across = np.array([-along[1], along[0]])
    barbs = [end - along * 0.26 + across * 0.15, end, end - along * 0.26 - across * 0.15]
    return shapely.MultiLineString([[start, end], barbs])


def chevrons(line: Any) -> Any:
    """Return arrow heads along a line, one every 4 m and at least one."""
    count = max(1, int(line.length // 4))
    heads = []
    for k in range(count):
        at = line.length * (k + 0.5) / count
        here = np.array(line.interpolate(at).coords[0])
        back = np.array(line.interpolate(max(0.0, at - 0.1)).coords[0])
        along = (here - back) / max(float(np.hypot(*(here - back))), 1e-9)
        across = np.array([-along[1], along[0]])
        heads.append([here - along * 0.34 + across * 0.22, here, here - along * 0.34 - across * 0.22])
    return shapely.MultiLineString(heads)


def _normals(scene: Scene, own: Any) -> np.ndarray[Any, Any]:
    faces = scene.perimeter.faces
    row = faces.index.get_indexer((own["ring_key"].astype(str) + ":" + own["face"].astype(str)).to_numpy())
    normal = faces[["normal_e", "normal_n"]].to_numpy()
    return np.where((row >= 0)[:, None], normal[np.maximum(row, 0)], 0.0)


def _where(row: Any) -> str:
    if not math.isfinite(row.chainage_m):
        return f"{row.side}, not joined to a wall"
    where = f"chainage {row.chainage_m:.2f} ± {2 * row.chainage_sigma_m:.2f} m"
    return f"{row.side}, {row.ring_key} {row.face}, {where}"
