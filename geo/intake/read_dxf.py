"""Read a DXF drawing layer by layer; runs in the guarded child."""

from __future__ import annotations

import io
from collections import Counter, defaultdict
from collections.abc import Mapping
from typing import Any

import ezdxf.path
import numpy as np
import shapely
from ezdxf import recover
from ezdxf.entities.dxfgfx import DXFGraphic

from geo.intake.read_layers import layer_answer, packed_layers
from geo.intake.refused import Refused

UNITS = {1: "in", 2: "ft", 4: "mm", 5: "cm", 6: "m"}
"""Codes of the header variable ``$INSUNITS`` that this tool can turn into metres (DXF reference)."""

LINES = {"LINE", "LWPOLYLINE", "POLYLINE", "ARC", "SPLINE", "ELLIPSE", "CIRCLE"}
TEXTS = {"TEXT", "MTEXT", "ATTRIB"}
FINEST = {"in": 0.0254, "ft": 0.3048, "mm": 0.001, "cm": 0.01, "m": 1.0}


def read_dxf(raw: bytes, options: Mapping[str, Any]) -> tuple[Any, list[bytes]]:
    """Return each layer's lines and points: blocks by where they are inserted, curves as straight pieces.

    Arcs go through cubic Bézier curves: besides the chords' sagitta their corners may lie 0.03 % of the
    radius off.

    Raises
    ------
    Refused
        When the drawing breaks off, or holds nothing that can be drawn.
    """
    end = raw[-2048:].rstrip(b"\x00\r\n\t \x1a")
    if not end.endswith(b"EOF"):
        raise Refused("breaks off before its end", "a whole DXF drawing", "Export it again.")
    drawing, _ = recover.read(io.BytesIO(raw))
    unit = UNITS.get(int(drawing.header.get("$INSUNITS", 0)), "")
    sagitta = options["curve_m"] / FINEST.get(unit, 1.0)
    rows: dict[str, list[tuple[dict[str, str], Any]]] = defaultdict(list)
    left: Counter[str] = Counter()
    for count, entity in enumerate(drawing.modelspace(), start=1):
        if count > options["rows"]:
            raise Refused(
                f"more than {count - 1:,} things drawn",
                f"at most {options['rows']:,.0f}",
                "Draw out one layer.",
            )
        kind = entity.dxftype()
        texts = {"what": kind.lower(), "handle": str(entity.dxf.get("handle", ""))}
        shape = _shape(entity, kind, texts, sagitta)
        if shape is None:
            left[kind] += 1
        else:
            rows[str(entity.dxf.get("layer", "0"))].append((texts, shape))
    if not rows:
        raise Refused(
            "holds no line, block or point in its model space", "a drawing", "Export the model, not a sheet."
        )
    layers = []
    for name, found in sorted(rows.items()):
        fields: list[str] = list(dict.fromkeys(key for texts, _ in found for key in texts))
        if len(fields) > options["columns"]:
            raise Refused(
                f"blocks of layer {name!r} have {len(fields)} attributes",
                f"at most {options['columns']:g}",
                "Export fewer.",
            )
        columns = [[texts.get(key, "") for texts, _ in found] for key in fields]
        shapes = np.array([shape for _, shape in found], dtype=object)
        if int(shapely.get_num_coordinates(shapes).sum()) > options["vertices"]:
            raise Refused(
                f"layer {name!r} has too many corners",
                f"at most {options['vertices']:,.0f}",
                "Cut it to the site.",
            )
        layers.append(
            layer_answer(name, None, fields, columns, shapes, unit=unit, drawing=True, left=dict(left))
        )
    return packed_layers(layers)


def _shape(entity: DXFGraphic, kind: str, texts: dict[str, str], sagitta: float) -> Any:
    """Return an entity as a line or a point in the world's axes, or ``None`` for one that is neither."""
    if kind in LINES:
        path = ezdxf.path.make_path(entity)
        corners = [(corner.x, corner.y, corner.z) for corner in path.flattening(sagitta)]
        if len(corners) < 2:
            return None
        return shapely.LineString(corners)
    if kind == "POINT":
        return shapely.Point(tuple(entity.dxf.location))
    if kind == "INSERT":
        texts["block"] = str(entity.dxf.name)
        for attribute in entity.attribs:  # type: ignore[attr-defined]
            texts[str(attribute.dxf.tag).lower()] = str(attribute.dxf.text)
        return shapely.Point(tuple(entity.ocs().to_wcs(entity.dxf.insert)))
    if kind in TEXTS:
        texts["text"] = entity.plain_text() if kind == "MTEXT" else str(entity.dxf.text)  # type: ignore[attr-defined]
        where = entity.dxf.insert
        return shapely.Point(tuple(where if kind == "MTEXT" else entity.ocs().to_wcs(where)))
    return None
