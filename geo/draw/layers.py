"""What lies on the map, as GeoJSON with plain-text properties; no markup is ever made here."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely
from shapely.geometry import mapping

from geo.draw.scene import Scene
from geo.draw.theme import (
    ACCENT,
    BRICK,
    DRAIN,
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
        found.append(_feature(scene, row.geometry, card, {**style, "fillOpacity": 0.35 if subject else 0.7}))
    return found


def corners(scene: Scene) -> list[Feature]:
    """Return the corner letters and face names of surveyed buildings."""
    found = []
    for key in scene.drawn_rings:
        faces = scene.perimeter.faces[scene.perimeter.faces["ring_key"] == key]
        for face in faces.itertuples():
            start = shapely.get_point(face.geometry, 0)
            found.append(_feature(scene, start, [], {"text": face.corner_from, "look": "corner"}))
            if face.length_m > 1.2:
                inner = shapely.Point(
                    face.geometry.interpolate(0.5, normalized=True).x - 0.9 * face.normal_e,
                    face.geometry.interpolate(0.5, normalized=True).y - 0.9 * face.normal_n,
                )
                said = face.face if face.outside else f"{face.face} party"
                found.append(_feature(scene, inner, [], {"text": said, "look": "face"}))
    return found


def assets(scene: Scene) -> list[Feature]:
    """Return assets with their record as a card."""
    found = []
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
        found.append(_feature(scene, shapely.Point(row.x, row.y), card, mark))
    return found


def runs(scene: Scene) -> list[Feature]:
    """Return drain runs with an arrow downstream; assumed ones are drawn thin."""
    found = []
    for row in scene.runs.itertuples():
        line = row.geometry
        card = [["", f"Run {row.run_id}"], *[[name, value] for name, value in row.facts.items()]]
        seen = row.evidence != "assumed"
        style = {"color": DRAIN, "weight": 3.2 if seen else 1.6, "dashArray": RUN_DASH.get(row.use, "2 5")}
        found.append(_feature(scene, line, card, style))
        head = {"color": DRAIN, "weight": 2.4}
        found.append(_feature(scene, _chevrons(line), card, head))
    return found


def readings(scene: Scene, chosen: list[str] | None = None) -> list[Feature]:
    """Return joined and ambiguous readings; those of one place are fanned out from the wall by height.

    Parameters
    ----------
    chosen
        Ids of the readings to draw; all by default.
    """
    own = scene.readings[np.isfinite(scene.readings["x"])]
    if chosen is not None:
        own = own[own.index.isin(chosen)]
    own = own.sort_values("height_m")
    place = own["ring_key"].astype(str) + own["side"].astype(str) + own["chainage_m"].round(1).astype(str)
    order = own.groupby(place, sort=False).cumcount().to_numpy()
    normal = _normals(scene, own)
    sign = np.where(own["side"].to_numpy() == "outside", 1.0, -1.0)
    shift = normal * (sign * order * FAN_M)[:, None]
    spots = to_lonlat(own[["x", "y"]].to_numpy() + shift, scene.crs, tie=scene.tie)
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
        fill = wet_colour(row.shade, row.rank)
        wet = row.wet == "wet"
        style = {
            "radius": 6.5 if wet else 5,
            "color": INK if wet else SOFT_INK,
            "weight": 2.2 if wet else 0.9,
            "fillColor": fill,
            "fillOpacity": 0.95,
            "dashArray": "2 2" if row.status != "joined" or row.wet == "control" else "",
        }
        point = {"type": "Point", "coordinates": [round(longitude, 10), round(latitude, 10)]}
        found.append({"type": "Feature", "properties": {"card": card, "style": style}, "geometry": point})
    return found


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
        found.append(_feature(scene, band, card, {"color": WET_STEPS[4], "weight": 6, "opacity": 0.8}))
    return found


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
            found.append(_feature(scene, arrow, card, {"color": colour, "weight": 3.4}))
        else:
            middle = shapely.Point(*(foot + normal * (near + far) / 2))
            sign = "=" if row.verdict == "level" else "?"
            found.append(_feature(scene, middle, card, {"text": sign, "look": "sign"}))
    return found


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
            _feature(
                scene, row.geometry, card, {**style, "fillOpacity": 0.5 if row.verdict == "ponds" else 0.18}
            )
        )
    return found


def _feature(scene: Scene, shape: Any, card: list[list[str]], style: dict[str, Any]) -> Feature:
    """Return one feature in longitude and latitude, to ten decimals."""
    drawn = shapely.transform(shape, lambda xy: np.round(to_lonlat(xy, scene.crs, tie=scene.tie), 10))
    named = [[str(name), str(value)] for name, value in card]
    properties = {"card": named, **style} if "text" in style else {"card": named, "style": style}
    return {"type": "Feature", "properties": properties, "geometry": mapping(drawn)}


def _arrow(start: np.ndarray[Any, Any], end: np.ndarray[Any, Any]) -> shapely.MultiLineString:
    along = (end - start) / max(float(np.hypot(*(end - start))), 1e-9)
    across = np.array([-along[1], along[0]])
    barbs = [end - along * 0.26 + across * 0.15, end, end - along * 0.26 - across * 0.15]
    return shapely.MultiLineString([[start, end], barbs])


def _chevrons(line: Any) -> Any:
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
    return f"{row.side}, {row.ring_key} {row.face}, chainage {row.chainage_m:.2f} ± {2 * row.chainage_sigma_m:.2f} m"
