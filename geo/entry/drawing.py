"""What was drawn on the map, turned into records in the site's own grid."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import shapely
from shapely.geometry import Point, Polygon, mapping, shape
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from geo.entry.lines import unseen
from geo.entry.snapping import ends_at, snap_vertices
from geo.entry.whereabouts import whereabouts
from geo.perimeter.build import Perimeter
from geo.site.crs import from_lonlat, to_lonlat
from geo.site.model import Site
from geo.site.record import Placed
from geo.site.records import ASSETS, KINDS, Record
from geo.site.tables import build

STEMS = {
    "building": "B",
    "gully": "G",
    "downpipe": "D",
    "chamber": "C",
    "soakaway": "S",
    "fixture": "W",
    "run": "R",
    "service": "P",
    "kerb": "K",
    "ground_patch": "GP",
    "floor_zone": "FZ",
    "photo": "photo-",
}
"""How ids of drawn records begin."""
DECIMALS = 4
"""Of drawn coordinates: a tenth of a millimetre, as files have them."""
DRAWN_KINDS = tuple(STEMS)
WAYS = tuple(
    name
    for name in Placed.model_fields
    if name.startswith(("tape_", "position_")) or name in (
        "face", "chainage_m", "offset_m", "corner", "distance_m", "bearing_deg", "easting_m", "northing_m",
    )
)  # fmt: skip
"""Fields that say where a record is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """What came back from the map.

    Parameters
    ----------
    new, moved
        Records as they shall be.
    missing
        Ids of records that are no longer drawn; nothing is taken out by that alone.
    said
        One sentence for each of them, and for what could not be used.
    """

    new: tuple[Record, ...] = ()
    moved: tuple[Record, ...] = ()
    missing: tuple[str, ...] = ()
    said: tuple[str, ...] = ()


def tie_of(site: Site) -> tuple[float, float, float] | None:
    """Return where a local grid lies in the world, where that is known."""
    info = site.info
    if info.tie_longitude_deg is None or info.tie_latitude_deg is None:
        return None
    return info.tie_longitude_deg, info.tie_latitude_deg, info.grid_bearing_deg or 0.0


def shapes_of(site: Site, kind: str, perimeter: Perimeter | None) -> dict[str, BaseGeometry]:
    """Return what of one kind is drawn, by id, in the site's grid."""
    if KINDS[kind].shape:
        return {record.id: record.geometry for record in site.of(kind) if record.geometry is not None}
    places = whereabouts(site.of(kind), site, perimeter=perimeter)
    return {name: Point(at.x, at.y) for name, at in places.items() if math.isfinite(at.x)}


def asset_places(site: Site, perimeter: Perimeter | None) -> dict[str, tuple[float, float]]:
    """Return easting and northing of everything a run may join, by id."""
    found: dict[str, tuple[float, float]] = {}
    for kind in (*ASSETS, "fixture"):
        for name, at in shapes_of(site, kind, perimeter).items():
            east, north = shapely.get_coordinates(at)[0].tolist()
            found[name] = (east, north)
    return found


def to_features(shapes: Mapping[str, BaseGeometry], site: Site) -> list[dict[str, Any]]:
    """Return shapes as GeoJSON features in longitude and latitude, each under its id."""
    tie = tie_of(site)

    def screen(xy: Any) -> Any:
        return to_lonlat(xy, site.crs, tie=tie)

    return [
        {"type": "Feature", "properties": {"id": name}, "geometry": mapping(shapely.transform(one, screen))}
        for name, one in shapes.items()
    ]


def take_drawings(
    drawings: Sequence[Mapping[str, Any]],
    shown: Mapping[str, BaseGeometry],
    site: Site,
    kind: str,
    *,
    perimeter: Perimeter | None,
    fields: Mapping[str, Any] | None = None,
) -> Drawn:
    """Turn what is drawn now into new and moved records.

    Parameters
    ----------
    drawings
        GeoJSON features as the map gives them back: those with an id of ``shown`` are edits of it, those
        without are new.
    shown
        What was put on the map, in the site's grid.
    fields
        Fields new records begin with.
    """
    tie = tie_of(site)
    ref = site.reference
    corners = _corners(site, kind)
    places = asset_places(site, perimeter) if kind in ("run", "service") else {}
    taken, seen = set(site.ids), set[str]()
    new: list[Record] = []
    moved: list[Record] = []
    said: list[str] = []
    for one in drawings:
        name = (one.get("properties") or {}).get("id")
        try:
            drawn = shapely.transform(shape(one["geometry"]), lambda xy: from_lonlat(xy, site.crs, tie=tie))
        except (ValueError, KeyError, TypeError, AttributeError, shapely.errors.ShapelyError):
            said.append("A shape came back that could not be read; nothing was changed by it.")
            continue
        before = shown.get(str(name)) if name is not None else None
        if before is not None:
            seen.add(str(name))
            if drawn.geom_type == before.geom_type and _apart(drawn, before) <= ref.value("entry.moved_m"):
                continue
        wanted = KINDS[kind].shape or "Point"
        if drawn.geom_type != wanted:
            said.append(f"A {drawn.geom_type} cannot be a {kind.replace('_', ' ')}: draw a {wanted}.")
            continue
        if wanted == "Polygon":
            snapped = snap_vertices(drawn, corners, reach_m=ref.value("entry.snap_m"))
            turned = orient(cast("Polygon", snapped), -1.0)
            drawn = shapely.transform(turned, lambda xy: np.round(xy, DECIMALS))
            if not drawn.is_valid or drawn.area < 0.05:
                said.append("The outline crosses itself or holds no ground: it was not kept. Draw it again.")
                continue
        joined: dict[str, Any] = {}
        if wanted == "LineString":
            drawn, start, end = ends_at(drawn, places, reach_m=ref.value("entry.run_join_m"))
            drawn = shapely.transform(drawn, lambda xy: np.round(xy, DECIMALS))
            if kind == "run":
                joined = {"from_id": start, "to_id": end}
        old = next((record for record in site.of(kind) if record.id == name), None)
        record_id = str(name) if old is not None else _new_id(kind, taken)
        taken.add(record_id)
        given = _given(site, kind, record_id, drawn, old, fields=fields or {}, joined=joined)
        record, problems = build(KINDS[kind], given, file=kind, row=0)
        if record is None:
            said += [
                f"{record_id}: {problem.column}: {problem.found}; {problem.allowed}" for problem in problems
            ]
            continue
        (moved if old is not None else new).append(record)
        said.append(_told(record, drawn, old, site, perimeter))
    missing = tuple(name for name in shown if name not in seen)
    return Drawn(new=tuple(new), moved=tuple(moved), missing=missing, said=tuple(said))


def _apart(one: BaseGeometry, other: BaseGeometry) -> float:
    """Return how far two shapes are apart at their worst vertex."""
    if one.geom_type == "Polygon" and other.geom_type == "Polygon":
        same_count = shapely.get_num_coordinates(one) == shapely.get_num_coordinates(other)
        if not same_count:
            return math.inf
    return float(shapely.hausdorff_distance(one, other))


def _corners(site: Site, kind: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return corners a drawn outline may be meant to share."""
    if kind not in ("building", "ground_patch", "floor_zone"):
        return np.empty((0, 2))
    shapes = [record.geometry for record in site.of("building") if record.geometry is not None]
    if kind != "building":
        shapes += [record.geometry for record in site.of(kind) if record.geometry is not None]
    return shapely.get_coordinates(shapes)


def _new_id(kind: str, taken: Iterable[str]) -> str:
    stem = STEMS[kind]
    ends = [name.removeprefix(stem) for name in taken if name.startswith(stem)]
    numbers = [int(end) for end in ends if end.isdecimal()]
    return f"{stem}{1 + max(numbers, default=0)}"


def _given(
    site: Site,
    kind: str,
    record_id: str,
    drawn: BaseGeometry,
    old: Record | None,
    *,
    fields: Mapping[str, Any],
    joined: Mapping[str, Any],
) -> dict[str, Any]:
    """Return the fields of a record that was drawn or moved."""
    model = KINDS[kind]
    kept = {} if old is None else {k: v for k, v in old.model_dump().items() if v not in (None, "")}
    given: dict[str, Any] = {**fields, **kept, "id": record_id}
    if model.shape:
        given["geometry"] = drawn
        if kind == "building" and old is None:
            given.setdefault("role", "neighbour" if site.of("building") else "subject")
        given |= {name: value for name, value in joined.items() if value or old is None}
        return {name: value for name, value in given.items() if value != ""}
    if old is None:
        given |= unseen(kind, given)
    for name in WAYS:
        given.pop(name, None)
    point = shapely.get_coordinates(drawn)[0]
    sigma = site.reference.value("entry.drawn_sigma_m")
    given |= {
        "position_by": "coordinates",
        "easting_m": round(float(point[0]), 4),
        "northing_m": round(float(point[1]), 4),
        "position_sigma_m": sigma,
    }
    return given


def _told(
    record: Record, drawn: BaseGeometry, old: Record | None, site: Site, perimeter: Perimeter | None
) -> str:
    """Say in a sentence what was drawn."""
    did = "moved" if old is not None else "drawn"
    if drawn.geom_type == "Polygon":
        return f"{record.id} {did}: {drawn.area:.2f} m², {drawn.length:.2f} m round."
    if drawn.geom_type == "LineString":
        start, end = getattr(record, "from_id", ""), getattr(record, "to_id", "")
        ends = f" from {start or 'nothing named'} to {end or 'nothing named'}" if record.kind == "run" else ""
        return f"{record.id} {did}{ends}: {drawn.length:.2f} m."
    place = whereabouts([record], site, perimeter=perimeter)
    where = place[record.id].told if record.id in place else ""
    lost = ""
    if old is not None and getattr(old, "position_by", "") not in ("", "coordinates"):
        lost = " It had been placed by tape; those numbers stand in its history."
    sigma = 1000 * (getattr(record, "position_sigma_m", 0.0) or 0.0)
    return f"{record.id} {did}, ± {sigma:.0f} mm{'; ' + where if where else ''}.{lost}"
