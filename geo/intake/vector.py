"""Map layers and drawings: what they hold, and their shapes as records in the site's grid."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from geo.errors import CrsError, InputError, Problem
from geo.intake.apply import Intake, apply
from geo.intake.arrival import LAYERS, arrive
from geo.intake.columns import UNIT_WORDS
from geo.intake.guarded import read_guarded
from geo.intake.mapping import ColumnMap
from geo.intake.shapes import as_points, as_polygons, as_single_lines, joined
from geo.intake.sheet import Sheet, table_limits
from geo.reference import Reference
from geo.site.crs import from_lonlat, require_metric, to_lonlat
from geo.site.records import KINDS, Placed

DRAWN_UNITS = ("m", "mm", "cm", "ft", "in")
WGS84 = CRS.from_epsg(4326)
_ALIKE = {"EPSG:4326", "EPSG:4979", "EPSG:4258", "EPSG:4937", "OGC:CRS84"}
"""Degrees on WGS 84 or ETRS89, which OSTN15 and GNSS receivers use alike (to about 0.8 m today)."""

Shapes = npt.NDArray[Any]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VectorLayer:
    """One layer of shapes.

    Parameters
    ----------
    sheet
        Attributes as a table of text, row for row with the shapes; its rows count from 1.
    shapes
        Shapes as drawn, in the layer's own grid and unit.
    crs
        Grid the layer states, ``None`` where it states none.
    unit
        Unit a drawing states, ``""`` where a person has to say; ``"m"`` for map layers, whose grid says it.
    types
        How many shapes there are of each kind.
    bounds
        Least and greatest coordinates as drawn, NaN without any.
    satellite
        Whether the places come from a satellite receiver, whose error must be asked for.
    drawing
        Whether it is a drawing, which has a unit and no grid of its own.
    remarks
        What should be looked at, in sentences.
    """

    sheet: Sheet
    shapes: Shapes
    crs: CRS | None
    unit: str
    types: Mapping[str, int]
    bounds: tuple[float, float, float, float]
    satellite: bool = False
    drawing: bool = False
    remarks: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """The layer's name, ``""`` where the file has one only."""
        return self.sheet.name

    @property
    def count(self) -> int:
        """Number of shapes."""
        return len(self.shapes)


@dataclass(frozen=True, slots=True, kw_only=True)
class VectorFile:
    """What a file of layers holds; ``layers`` is empty when there is an error."""

    file: str
    form: str
    layers: tuple[VectorLayer, ...]
    problems: tuple[Problem, ...] = ()


def look_at_vector(name: str, raw: bytes, *, ref: Reference) -> VectorFile:
    """Read a GeoPackage, GeoJSON, zipped shapefile, DXF drawing or GPX file, and say what it holds.

    Parameters
    ----------
    name
        Name as it was given.
    raw
        Its bytes; they are read in a guarded process.
    ref
        Limits in force (``intake``, ``input.max_rows``).
    """
    arrival = arrive(name, raw, ref=ref)
    if arrival.problems:
        return VectorFile(file=arrival.file, form=arrival.form, layers=(), problems=arrival.problems)
    if arrival.what != LAYERS:
        allowed = "GeoPackage, GeoJSON, shapefile in a ZIP, DXF, GPX"
        said = Problem(
            file=arrival.file,
            found="holds no map layers",
            allowed=allowed,
            mend="Bring it in as a table or a picture.",
        )
        return VectorFile(file=arrival.file, form=arrival.form, layers=(), problems=(said,))
    try:
        found, blocks = read_guarded(arrival.form, raw, file=arrival.file, ref=ref, options=table_limits(ref))
    except InputError as error:
        return VectorFile(file=arrival.file, form=arrival.form, layers=(), problems=error.problems)
    several = len(found["layers"]) > 1 or arrival.form == "dxf"
    layers, problems = [], []
    for head, block in zip(found["layers"], blocks, strict=True):
        layer, said_of = _layer(arrival.file, head, block, named=several)
        problems += said_of
        layers.append(layer)
    if not any(layer.count for layer in layers) and not problems:
        mend = "Look whether the right layer was exported."
        problems.append(Problem(file=arrival.file, found="holds no shape", allowed="shapes", mend=mend))
    wrong = any(problem.severity == "error" for problem in problems)
    return VectorFile(
        file=arrival.file, form=arrival.form, layers=() if wrong else tuple(layers), problems=tuple(problems)
    )


def take_vector(
    layer: VectorLayer,
    mapping: ColumnMap,
    *,
    site_crs: CRS,
    ref: Reference,
    layer_crs: CRS | None = None,
    unit: str = "",
    tie: tuple[float, float, float] | None = None,
    existing_ids: Collection[str] = (),
) -> Intake:
    """Make records of a layer's shapes: outlines, lines, or places, in the site's grid.

    Lines that close within ``intake.close_m`` become outlines where outlines are wanted, and lines that
    meet at their ends are joined first; an outline that crosses itself is refused with the place of it.

    Parameters
    ----------
    layer
        The layer.
    mapping
        What its attributes mean; ids are made where none is mapped.
    site_crs
        The site's grid.
    layer_crs
        Grid of the layer, where it states none or a person knows better; the site's own for a drawing
        made in it.
    unit
        Unit of a drawing, where it states none or a person knows better.
    tie
        Local site grid only: longitude, latitude and bearing of its zero point.
    existing_ids
        Ids the site has already.
    """
    model = KINDS[mapping.kind]
    sheet, shapes = layer.sheet, layer.shapes
    problems: list[Problem] = []
    if not model.shape and not issubclass(model, Placed):
        mend = "Bring it in as a table, with the chainage of each row."
        found = f"a {mapping.kind.replace('_', ' ')} has no place of its own on a plan"
        problems.append(
            Problem(file=sheet.place, found=found, allowed="a kind that is drawn or placed", mend=mend)
        )
        return apply(sheet, mapping, ref=ref, existing_ids=existing_ids, faults=tuple(problems))
    drawn_in = unit or layer.unit
    if drawn_in not in DRAWN_UNITS:
        mend = "Say in which unit it was drawn."
        problems.append(
            Problem(
                file=sheet.place,
                found="the drawing states no unit",
                allowed=", ".join(DRAWN_UNITS),
                mend=mend,
            )
        )
        drawn_in = "m"
    shapes = scaled(shapes, UNIT_WORDS[drawn_in].factor)
    shapes, said = _moved(shapes, layer, layer_crs or layer.crs, site_crs, tie)
    problems += said
    if (
        layer.satellite
        and not (mapping.fixed.get("position_sigma_m") or mapping.use_of("position_sigma_m"))
        and issubclass(model, Placed)
    ):
        found = "places from a satellite receiver, whose error is not stated"
        mend = "Give it: 3 to 10 m for a telephone or hand receiver, 0.02 to 0.05 m for a survey receiver."
        problems.append(
            Problem(
                file=sheet.place,
                column="position_sigma_m",
                found=found,
                allowed="its standard deviation",
                mend=mend,
            )
        )
    shapes = shapely.force_2d(shapes)
    close = ref.value("intake.close_m")
    remarks: list[str] = list(layer.remarks)
    if model.shape == "Polygon":
        sheet, shapes, told = joined(sheet, shapes, close_m=close, want_closed=True)
        remarks += told
        shapes, said = as_polygons(sheet, shapes, close_m=close)
        if mapping.kind == "building" and not said:
            said = _sizes(sheet, shapes, ref)
    elif model.shape == "LineString":
        sheet, shapes, told = joined(sheet, shapes, close_m=close, want_closed=False)
        remarks += told
        shapes, said = as_single_lines(sheet, shapes)
    else:
        shapes, said = as_points(sheet, shapes)
    problems += said
    extra = _extra(shapes, placed=not model.shape)
    taken = apply(sheet, mapping, ref=ref, existing_ids=existing_ids, extra=extra, faults=tuple(problems))
    return replace(taken, remarks=(*taken.remarks, *remarks))


def _extra(shapes: Shapes, *, placed: bool) -> dict[str, npt.NDArray[Any]]:
    if not placed:
        return {"geometry": shapes}
    there = np.array([one is not None and not one.is_empty for one in shapes], dtype=bool)
    x, y = np.full(len(shapes), None, dtype=object), np.full(len(shapes), None, dtype=object)
    x[there] = np.round(shapely.get_x(shapes[there]), 4).tolist()
    y[there] = np.round(shapely.get_y(shapes[there]), 4).tolist()
    by = np.where(there, "coordinates", "").astype(object)
    return {"position_by": by, "easting_m": x, "northing_m": y}


def scaled(shapes: Shapes, factor: float) -> Shapes:
    """Return shapes with every coordinate multiplied."""
    return shapes if factor == 1.0 else shapely.transform(shapes, lambda xy: xy * factor)


def _layer(
    file: str, head: Mapping[str, Any], block: bytes, *, named: bool
) -> tuple[VectorLayer, list[Problem]]:
    """Put a layer together from the child's answer."""
    ends = np.cumsum(head["lengths"], dtype=np.int64).tolist()
    parts = [block[end - length : end] or None for end, length in zip(ends, head["lengths"], strict=True)]
    shapes = np.atleast_1d(np.asarray(shapely.from_wkb(np.array(parts, dtype=object)), dtype=object))
    name = " ".join("".join(sign if sign.isprintable() else " " for sign in head["name"]).split())[:80]
    header = tuple(dict.fromkeys(" ".join(one.split())[:80] or "column" for one in head["fields"]))
    rows = tuple(zip(*head["columns"], strict=True)) if head["columns"] else tuple(() for _ in parts)
    if len(header) != len(head["fields"]):
        header = tuple(f"{one[:80]} ({at})" for at, one in enumerate(head["fields"], 1))
    sheet = Sheet(
        file=file,
        name=name if named else "",
        header=header,
        rows=rows,
        numbers=tuple(range(1, len(parts) + 1)),
        header_row=0,
    )
    problems = [
        Problem(
            file=sheet.place,
            row=row,
            found="has a shape that cannot be read",
            allowed="a whole shape",
            mend="Draw it again.",
        )
        for row in head.get("broken", ())
    ]
    crs, said = _stated(head, shapes)
    remarks = [said] if said else []
    types = Counter(one.geom_type if one is not None else "no shape" for one in shapes)
    bounds = shapely.total_bounds(shapes) if len(shapes) else np.full(4, math.nan)
    if head.get("left"):
        told = ", ".join(f"{count} {kind.lower()}" for kind, count in sorted(head["left"].items()))
        remarks.append(f"Not read from the drawing: {told}.")
    if head.get("drawing"):
        width, height = bounds[2] - bounds[0], bounds[3] - bounds[1]
        stated = f"and states {head['unit']}" if head["unit"] else "and states no unit"
        remarks.append(f"The layer is {width:,.3f} by {height:,.3f} as drawn, {stated}.")
    layer = VectorLayer(
        sheet=sheet,
        shapes=shapes,
        crs=crs,
        unit=str(head["unit"]) if head.get("drawing") else "m",
        types=dict(types),
        bounds=(float(bounds[0]), float(bounds[1]), float(bounds[2]), float(bounds[3])),
        satellite=bool(head.get("satellite")),
        drawing=bool(head.get("drawing")),
        remarks=tuple(remarks),
    )
    return layer, problems


def _stated(head: Mapping[str, Any], shapes: Shapes) -> tuple[CRS | None, str]:
    """Return the grid a layer states; GeoJSON that states none is in degrees, if it can be."""
    if head.get("assumed"):
        if _looks_like_degrees(shapes):
            return WGS84, "It states no grid, which for GeoJSON means longitude and latitude."
        return None, "It states no grid, and its numbers are no longitude and latitude."
    if not head["crs"]:
        return None, "" if head.get("drawing") else "It states no grid."
    try:
        return CRS.from_user_input(head["crs"]), ""
    except CRSError:
        return None, "It states a grid nobody knows."


def _looks_like_degrees(shapes: Shapes) -> bool:
    ends = shapely.get_coordinates(shapes)
    return len(ends) > 0 and bool((np.abs(ends[:, 0]) <= 180).all() and (np.abs(ends[:, 1]) <= 90).all())


def _moved(
    shapes: Shapes, layer: VectorLayer, crs: CRS | None, site_crs: CRS, tie: tuple[float, float, float] | None
) -> tuple[Shapes, list[Problem]]:
    """Bring shapes into the site's grid, or say why that cannot be done."""

    def refuse(found: str, allowed: str, mend: str) -> tuple[Shapes, list[Problem]]:
        return shapes, [
            Problem(file=layer.sheet.place, column="crs", found=found, allowed=allowed, mend=mend)
        ]

    ends = shapely.get_coordinates(shapes)
    if not bool(np.isfinite(ends).all()) or bool((np.abs(ends) >= 1e8).any()):
        return refuse("has a coordinate that is no place", "coordinates in a grid", "Export it again.")
    local = site_crs.to_wkt().startswith("ENGCRS")
    if crs is None:
        return refuse("states no grid", "a known grid", "Say in which grid it was drawn.")
    if crs.equals(site_crs, ignore_axis_order=True):
        if not local and layer.drawing and _looks_like_degrees(shapes):
            found = f"is drawn near the zero of its own axes ({ends[0][0]:.3f}, {ends[0][1]:.3f})"
            mend = "Move it to its place in the drawing program, or survey the house in a local grid."
            return refuse(found, f"metres in {site_crs.name}", mend)
        if not local and _looks_like_degrees(shapes):
            found = f"looks like longitude and latitude ({ends[0][0]:.6f}, {ends[0][1]:.6f})"
            return refuse(found, f"metres in {site_crs.name}", "Say that it is in degrees (EPSG:4326).")
        return shapes, []
    if local and tie is None:
        found = f"is in {crs.name}, and nobody has said where the site's own grid lies"
        mend = "Give the site's tie (longitude, latitude, bearing), or draw it in the site's grid."
        return refuse(found, "a layer in the site's grid", mend)
    if crs.is_geographic:
        if not _looks_like_degrees(shapes):
            found = f"is said to be in degrees, but holds {ends[0][0]:,.2f}, {ends[0][1]:,.2f}"
            return refuse(found, "longitude and latitude", "Say in which grid it was drawn.")
        if not _on_wgs84(crs):
            mend = "Export it in a grid of metres, or on WGS 84."
            return refuse(f"is in degrees on {crs.name}", "degrees on WGS 84 or ETRS89", mend)
        return shapely.transform(shapes, lambda xy: from_lonlat(xy, site_crs, tie=tie)), []
    try:
        require_metric(crs)
    except CrsError as error:
        return refuse(str(error), "a grid in metres, or longitude and latitude", "Export it in such a grid.")
    if _looks_like_degrees(shapes):
        found = f"looks like longitude and latitude ({ends[0][0]:.6f}, {ends[0][1]:.6f})"
        return refuse(found, f"metres in {crs.name}", "Say that it is in degrees (EPSG:4326).")
    return shapely.transform(shapes, lambda xy: from_lonlat(to_lonlat(xy, crs), site_crs, tie=tie)), []


def _on_wgs84(crs: CRS) -> bool:
    authority = crs.to_authority(min_confidence=60)
    if authority is not None and ":".join(authority) in _ALIKE:
        return True
    return crs.equals(WGS84, ignore_axis_order=True)


def _sizes(sheet: Sheet, shapes: Shapes, ref: Reference) -> list[Problem]:
    """Refuse outlines no house has: most likely in another unit."""
    low, high = ref.value("intake.house_shortest_m"), ref.value("intake.house_longest_m")
    box = shapely.bounds(shapes)
    across = np.maximum(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1])
    return [
        Problem(
            file=sheet.place,
            row=sheet.numbers[at],
            column="geometry",
            found=f"is {across[at]:,.3f} m across",
            allowed=f"a building of {low:g} to {high:g} m",
            mend="Say in which unit it was drawn.",
        )
        for at in np.flatnonzero(~((across >= low) & (across <= high)))
    ]
