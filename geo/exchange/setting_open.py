"""The setting-out as GeoJSON and GPX, for maps and telephones."""

from __future__ import annotations

import json
import math
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import shapely

from geo.drains.setting_out import CAUTIONS, SettingOut
from geo.draw.svg import plain
from geo.exchange.setting_words import (
    SHORT_CAUTION,
    depth_words,
    tie_of,
    tie_words,
    what,
)
from geo.site.crs import absolute_note, to_lonlat
from geo.site.model import Site

CREATOR = "wallfoot"


def geojson_bytes(site: Site, found: SettingOut) -> bytes:
    """Return targets, dig boxes, runs and corners as GeoJSON (RFC 7946: longitude and latitude, WGS 84)."""
    corners = found.corners.set_index(found.corners["ring_key"] + " " + found.corners["corner"])
    layers = {
        "target": found.targets.drop(columns=["set_xx", "set_xy", "set_yy"]).assign(
            geometry=shapely.points(found.targets[["x", "y"]].to_numpy())
        ),
        "dig box": found.boxes.assign(geometry=shapely.orient_polygons(found.boxes.geometry.to_numpy())),
        "run": found.runs,
        "corner": corners.assign(geometry=shapely.points(corners[["x", "y"]].to_numpy())),
    }
    features = []
    for layer, table in layers.items():
        shapes = shapely.transform(
            np.asarray(table["geometry"], dtype=object), lambda xy: to_lonlat(xy, site.crs, tie=tie_of(site))
        )
        rows = pd.DataFrame(table.drop(columns="geometry")).to_dict("records")
        for name, row, shape in zip(table.index, rows, shapes, strict=True):
            told = {"layer": layer, "id": str(name)} | {
                str(key): _json_value(value) for key, value in row.items()
            }
            geometry = json.loads(shapely.to_geojson(shapely.set_precision(shape, 0.0)))
            features.append(
                {"type": "Feature", "id": f"{layer} {name}", "geometry": geometry, "properties": told}
            )
    whole = {
        "type": "FeatureCollection", "name": f"Setting-out, {site.info.name}", "cautions": list(CAUTIONS),
        "position": absolute_note(site.crs), "levels": f"m above {site.info.datum}", "features": features,
    }  # fmt: skip
    return json.dumps(whole, ensure_ascii=True, allow_nan=False, indent=1).encode()


def _json_value(value: Any) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return round(value, 4) if math.isfinite(value) else None
    return value if isinstance(value, bool | int | str) or value is None else str(value)


def gpx_bytes(site: Site, found: SettingOut) -> bytes:
    """Return the targets as GPX 1.1 waypoints; elevations only where the national datum is known."""
    offset = site.info.ordnance_offset_m
    root = ET.Element(
        "gpx", {"version": "1.1", "creator": CREATOR, "xmlns": "http://www.topografix.com/GPX/1/1"}
    )
    meta = ET.SubElement(root, "metadata")
    ET.SubElement(meta, "name").text = plain(f"Setting-out, {site.info.name}")
    ET.SubElement(meta, "desc").text = plain(f"{CAUTIONS[-1]} {SHORT_CAUTION}")
    lonlat = to_lonlat(found.targets[["x", "y"]].to_numpy(), site.crs, tie=tie_of(site))
    for (name, row), (lon, lat) in zip(found.targets.iterrows(), lonlat, strict=True):
        point = ET.SubElement(root, "wpt", {"lat": f"{lat:.8f}", "lon": f"{lon:.8f}"})
        if offset is not None and math.isfinite(row["ground_m"]):
            ET.SubElement(point, "ele").text = f"{row['ground_m'] + offset:.3f}"
        ET.SubElement(point, "name").text = plain(str(name))
        ET.SubElement(point, "desc").text = plain(f"{what(row)}; {tie_words(row)}; {depth_words(row)}")
    body: bytes = ET.tostring(root, encoding="utf-8")
    return b'<?xml version="1.0" encoding="UTF-8"?>\n' + body + b"\n"
