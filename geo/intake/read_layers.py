"""Read map layers as attributes in text and shapes as WKB; runs in the guarded child."""

from __future__ import annotations

import io
import json
import math
import re
import zipfile
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pyogrio
import pyogrio.raw
import shapely
from defusedxml.ElementTree import fromstring  # type: ignore[import-untyped]

from geo.intake.read_workbook import check_archive, text_of
from geo.intake.refused import Refused

SHAPE_PARTS = ("shp", "shx", "dbf", "prj", "cpg")
_BRACKETS = re.compile(rb'"(?:[^"\\]|\\.)*"|[\[\]{}]')
GPX_KINDS = {"wpt": "waypoints", "rte": "routes", "trk": "tracks"}
GPX_TEXTS = ("name", "desc", "cmt", "time", "ele", "hdop", "sym", "type")


def layer_answer(
    name: str,
    crs: str | None,
    fields: Sequence[str],
    columns: Sequence[Sequence[Any]],
    shapes: npt.NDArray[Any],
    **more: Any,
) -> tuple[dict[str, Any], bytes]:
    """Lay a layer out for the way back: JSON, and the shapes' WKB behind each other."""
    blocks = [b"" if one is None else one for one in shapely.to_wkb(shapes, output_dimension=3).tolist()]
    head = {
        "name": name,
        "crs": crs,
        "fields": list(fields),
        "columns": [[text_of(_plain(value)) for value in column] for column in columns],
        "lengths": [len(block) for block in blocks],
        **more,
    }
    return head, b"".join(blocks)


def packed_layers(layers: Sequence[tuple[dict[str, Any], bytes]]) -> tuple[Any, list[bytes]]:
    """Return several layers as an answer."""
    return {"layers": [head for head, _ in layers]}, [block for _, block in layers]


def read_geojson(raw: bytes, options: Mapping[str, Any]) -> tuple[Any, list[bytes]]:
    """Read GeoJSON (RFC 7946), with the older member that names a grid.

    Raises
    ------
    Refused
        When it is no FeatureCollection or Feature, or is nested deeper than GeoJSON is.
    """
    depth, deepest = 0, 0
    for match in _BRACKETS.finditer(raw):
        sign = match.group()
        if sign in (b"[", b"{"):
            depth += 1
            deepest = max(deepest, depth)
            if deepest > options["nesting"]:
                raise Refused(
                    "is nested too deep", f"at most {options['nesting']:g} brackets", "Export it again."
                )
        elif sign in (b"]", b"}"):
            depth -= 1
    whole = json.loads(raw.decode("utf-8-sig"), parse_constant=_no_constant)
    if isinstance(whole, dict) and whole.get("type") == "Feature":
        whole = {"type": "FeatureCollection", "features": [whole]}
    if (
        not isinstance(whole, dict)
        or whole.get("type") != "FeatureCollection"
        or not isinstance(whole.get("features"), list)
    ):
        raise Refused("is JSON, but no GeoJSON", "a FeatureCollection", "Export it again as GeoJSON.")
    features = whole["features"]
    _few_enough(len(features), options)
    fields: list[str] = []
    for one in features:
        if not isinstance(one, dict):
            raise Refused("holds something that is no feature", "features", "Export it again as GeoJSON.")
        for key in one.get("properties") or {}:
            if key not in fields:
                fields.append(str(key))
        if len(fields) > options["columns"]:
            raise Refused(
                f"has more than {options['columns']:g} properties", "fewer", "Export only those that matter."
            )
    columns = [[(one.get("properties") or {}).get(key) for one in features] for key in fields]
    drawn = [json.dumps(one["geometry"]) if one.get("geometry") else None for one in features]
    shapes = shapely.from_geojson(np.array(drawn, dtype=object), on_invalid="ignore")
    broken = [
        at + 1 for at, (text, shape) in enumerate(zip(drawn, shapes, strict=True)) if text and shape is None
    ]
    stated = whole.get("crs")
    named = stated.get("properties", {}).get("name") if isinstance(stated, dict) else None
    _few_corners(shapes, options)
    return packed_layers(
        [
            layer_answer(
                "", str(named) if named else None, fields, columns, shapes, broken=broken, assumed=not named
            )
        ]
    )


def read_geopackage(raw: bytes, options: Mapping[str, Any]) -> tuple[Any, list[bytes]]:
    """Read every layer of a GeoPackage."""
    return _read_ogr(raw, "gpkg", options)


def read_shapefile(raw: bytes, options: Mapping[str, Any]) -> tuple[Any, list[bytes]]:
    """Read the shapefiles of a ZIP file; its members are taken out one by one, never by their names.

    Raises
    ------
    Refused
        When the archive unpacks to too much, or a shapefile has no table beside it.
    """
    check_archive(raw, options)
    with zipfile.ZipFile(io.BytesIO(raw)) as packed:
        members = {name: name.rsplit(".", 1) for name in packed.namelist() if "." in name}
        stems = sorted({stem for stem, end in members.values() if end.lower() == "shp"})
        found = []
        for stem in stems:
            parts = {end.lower(): name for name, (one, end) in members.items() if one == stem}
            for needed in ("dbf", "shx"):
                if needed not in parts:
                    mend = "Pack the whole shapefile: .shp, .shx, .dbf and .prj."
                    raise Refused(f"holds a shapefile without its .{needed}", "all parts of it", mend)
            files = {end: packed.read(name) for end, name in parts.items() if end in SHAPE_PARTS}
            name = re.split(r"[/\\]", stem)[-1]
            found += _read_shape_parts(name, files, options)
    return packed_layers(found)


def read_gpx(raw: bytes, options: Mapping[str, Any]) -> tuple[Any, list[bytes]]:
    """Read the waypoints, routes and tracks of a GPX file; longitude and latitude on WGS 84."""
    root = fromstring(raw, forbid_dtd=True)
    if not root.tag.endswith("gpx"):
        raise Refused("is XML, but no GPX", "GPX", "Export it again as GPX.")
    layers = []
    for tag, name in GPX_KINDS.items():
        found = [one for one in root if _tag(one) == tag]
        _few_enough(len(found), options)
        if not found:
            continue
        texts = [{_tag(part): (part.text or "").strip() for part in one} for one in found]
        columns = [[text.get(key, "") for text in texts] for key in GPX_TEXTS]
        kept = [at for at, column in enumerate(columns) if any(column)]
        if tag == "wpt":
            shapes = [shapely.Point(_lonlat(one)) for one in found]
        else:
            shapes = [_track(one) for one in found]
        drawn = np.array(shapes, dtype=object)
        _few_corners(drawn, options)
        answer = layer_answer(
            name,
            "EPSG:4326",
            [GPX_TEXTS[at] for at in kept],
            [columns[at] for at in kept],
            drawn,
            satellite=True,
        )
        layers.append(answer)
    return packed_layers(layers)


def _tag(one: Any) -> str:
    return str(one.tag).rpartition("}")[2]


def _lonlat(one: Any) -> tuple[float, float]:
    longitude, latitude = float(one.get("lon")), float(one.get("lat"))
    if not (math.isfinite(longitude) and abs(longitude) <= 180 and abs(latitude) <= 90):
        found = f"longitude {longitude:g}, latitude {latitude:g}"
        raise Refused(found, "a place on the earth", "Export it again as GPX.")
    return longitude, latitude


def _track(one: Any) -> Any:
    """Return a track as one line, or as several where it was interrupted."""
    parts = [part for part in one if _tag(part) == "trkseg"] or [one]
    lines = [[_lonlat(point) for point in part if _tag(point) in ("trkpt", "rtept")] for part in parts]
    lines = [line for line in lines if len(line) > 1]
    if not lines:
        return None
    return shapely.LineString(lines[0]) if len(lines) == 1 else shapely.MultiLineString(lines)


def _read_shape_parts(
    name: str, files: Mapping[str, bytes], options: Mapping[str, Any]
) -> list[tuple[dict[str, Any], bytes]]:
    """Read one shapefile out of memory: packed again under names of this tool's own."""
    again = io.BytesIO()
    with zipfile.ZipFile(again, "w") as packed:
        for end, content in files.items():
            packed.writestr(f"layer.{end}", content)
    return [({**head, "name": name}, block) for head, block in _ogr_layers(again.getvalue(), options)]


def _read_ogr(raw: bytes, end: str, options: Mapping[str, Any]) -> tuple[Any, list[bytes]]:
    del end
    return packed_layers(_ogr_layers(raw, options))


def _ogr_layers(raw: bytes, options: Mapping[str, Any]) -> list[tuple[dict[str, Any], bytes]]:
    out = []
    for name, kind in pyogrio.list_layers(io.BytesIO(raw)):
        if kind is None:
            continue
        facts = pyogrio.read_info(io.BytesIO(raw), layer=name, force_feature_count=True)
        _few_enough(int(facts["features"]), options)
        if len(facts["fields"]) > options["columns"]:
            raise Refused(
                f"layer {name!r} has {len(facts['fields'])} fields",
                f"at most {options['columns']:g}",
                "Export fewer.",
            )
        meta, _, blocks, columns = pyogrio.raw.read(io.BytesIO(raw), layer=name, datetime_as_string=True)
        shapes = shapely.from_wkb(blocks, on_invalid="ignore")
        broken = [
            at + 1
            for at, (block, shape) in enumerate(zip(blocks, shapes, strict=True))
            if block and shape is None
        ]
        _few_corners(shapes, options)
        fields = [str(one) for one in meta["fields"]]
        out.append(
            layer_answer(
                str(name), meta["crs"], fields, [column.tolist() for column in columns], shapes, broken=broken
            )
        )
    return out


def _few_enough(count: int, options: Mapping[str, Any]) -> None:
    if count > options["rows"]:
        raise Refused(f"{count:,} features", f"at most {options['rows']:,.0f}", "Cut it to the site.")


def _few_corners(shapes: npt.NDArray[Any], options: Mapping[str, Any]) -> None:
    count = int(shapely.get_num_coordinates(shapes).sum())
    if count > options["vertices"]:
        raise Refused(f"{count:,} corners", f"at most {options['vertices']:,.0f}", "Cut it to the site.")


def _no_constant(name: str) -> float:
    raise Refused(f"holds {name}, which is no number", "numbers", "Export it again.")


def _plain(value: Any) -> Any:
    """Return a cell's value without numpy's or JSON's dress."""
    if isinstance(value, float) and math.isnan(value):
        return None
    return json.dumps(value, ensure_ascii=False) if isinstance(value, dict | list) else value
