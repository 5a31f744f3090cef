"""The setting-out as DXF: layers named in the trade's words, levels and ties as attributes."""

from __future__ import annotations

import io
from typing import Any

import ezdxf.filemanagement
import shapely
from ezdxf import bbox, units
from ezdxf.enums import TextEntityAlignment

from geo.drains.setting_out import CAUTIONS, SettingOut
from geo.draw.svg import plain
from geo.exchange.setting_words import (
    TRACED,
    Xy,
    amount,
    between,
    depth_words,
    extent_of,
    fall_words,
    level_words,
    proved_by,
    run_words,
    services_of,
    tie_words,
    word_of,
    xy_of,
)
from geo.perimeter.build import Perimeter
from geo.site.model import Site
from geo.verdict import NOT_KNOWN

LAYERS = {
    "WALL": (7, "CONTINUOUS"), "WALL NOT SURVEYED": (8, "CONTINUOUS"), "CORNER": (7, "CONTINUOUS"),
    "DRAIN FOUL": (34, "CONTINUOUS"), "DRAIN SURFACE WATER": (5, "CONTINUOUS"),
    "DRAIN COMBINED": (6, "CONTINUOUS"), "DRAIN USE NOT KNOWN": (8, "CONTINUOUS"),
    "GULLY": (4, "CONTINUOUS"), "DOWNPIPE": (4, "CONTINUOUS"), "CHAMBER": (3, "CONTINUOUS"),
    "SOAKAWAY": (3, "CONTINUOUS"), "JOINT": (8, "CONTINUOUS"), "FAULT": (1, "CONTINUOUS"),
    "DIG BOX": (1, "DASHED"), "DIG DEPTH": (1, "CONTINUOUS"), "TIE": (9, "DOT"),
    "SERVICE": (2, "DASHDOT"), "WARNING": (1, "CONTINUOUS"), "CAUTION": (7, "CONTINUOUS"),
}  # fmt: skip
DRAIN_LAYER = {
    "foul": "DRAIN FOUL",
    "surface": "DRAIN SURFACE WATER",
    "combined": "DRAIN COMBINED",
}
TARGET_TAGS = ("ID", "GROUND", "CROWN", "INVERT", "DEPTH", "TIES")
RUN_TAGS = ("ID", "USE", "OWNER", "BORE", "PROVED", "FALL", "INVERTS", "STATE")
LETTER_M = 0.18


def dxf_bytes(site: Site, found: SettingOut, perimeter: Perimeter) -> bytes:
    """Return the drawing as DXF (R2010), in metres on the site's grid, flat; levels stand as attributes."""
    doc = ezdxf.filemanagement.new("R2010", setup=["linetypes"])
    doc.units = units.M
    doc.header["$MEASUREMENT"] = 1
    for layer, (colour, linetype) in LAYERS.items():
        doc.layers.add(layer, color=colour, linetype=linetype)
    space = doc.modelspace()

    def write(said: str, at: Xy, layer: str, *, height: float = LETTER_M) -> None:
        letters = space.add_text(_dxf_text(said), height=height, dxfattribs={"layer": layer})
        letters.set_placement(at, align=TextEntityAlignment.LEFT)

    for wall, role in zip(perimeter.footprints.geometry, perimeter.footprints["role"], strict=True):
        layer = "WALL" if role == "subject" else "WALL NOT SURVEYED"
        for ring in (wall.exterior, *wall.interiors):
            space.add_lwpolyline(xy_of(ring)[:-1], close=True, dxfattribs={"layer": layer})
    for corner in found.corners.to_dict("records"):
        write(f"{corner['ring_key']} {corner['corner']}", (corner["x"], corner["y"]), "CORNER")
    for name, run in found.runs.iterrows():
        layer = DRAIN_LAYER.get(run["use"], "DRAIN USE NOT KNOWN")
        traced = {run["from_evidence"], run["to_evidence"]} <= set(TRACED)
        style = "BYLAYER" if traced else "DASHED"
        space.add_lwpolyline(xy_of(run.geometry), dxfattribs={"layer": layer, "linetype": style})
        middle = run.geometry.interpolate(0.5, normalized=True)
        write(f"{name} {run_words(run)}", (middle.x, middle.y), layer, height=LETTER_M * 0.8)
        told = _run_facts(site, str(name), run)
        reference = space.add_blockref(
            _run_block(doc, layer), (middle.x, middle.y), dxfattribs={"layer": layer}
        )
        reference.add_auto_attribs({tag: _dxf_text(value) for tag, value in told.items()})
    for name, box in found.boxes.iterrows():
        space.add_lwpolyline(xy_of(box.geometry.exterior)[:-1], close=True, dxfattribs={"layer": "DIG BOX"})
        said = f"dig {name}, {amount(box['depth_from_m'])} to {amount(box['depth_to_m'])} m down"
        begin = min(xy_of(box.geometry.exterior), key=lambda xy: xy[1])
        write(said, (begin[0], begin[1] - LETTER_M), "DIG DEPTH", height=LETTER_M * 0.6)
    for row in services_of(site).itertuples():
        space.add_lwpolyline(xy_of(row.geometry), dxfattribs={"layer": "SERVICE"})
        middle = row.geometry.interpolate(0.5, normalized=True)
        write(
            f"{row.Index} {word_of(site, 'service_kind', row.service_kind)}", (middle.x, middle.y), "SERVICE"
        )
    corners = found.corners.set_index(["ring_key", "corner"])[["x", "y"]]
    for name, target in found.targets.iterrows():
        at = (float(target["x"]), float(target["y"]))
        layer = str(target["kind"]).upper()
        block = _dxf_block(doc, layer)
        told = {
            "ID": str(name),
            "GROUND": level_words(target["ground_m"]),
            "CROWN": between(target, "crown"),
            "INVERT": between(target, "invert"),
            "DEPTH": depth_words(target),
            "TIES": tie_words(target),
        }
        reference = space.add_blockref(block, at, dxfattribs={"layer": layer})
        reference.add_auto_attribs({tag: _dxf_text(value) for tag, value in told.items()})
        for k in (1, 2) if target["tied"] == "yes" else ():
            stand = corners.loc[(target["tie_ring_key"], target[f"tape_{k}_from"])]
            line = shapely.LineString([stand.to_numpy(dtype=float), at])
            begin, end = xy_of(line)
            space.add_line(begin, end, dxfattribs={"layer": "TIE"})
            middle = line.interpolate(0.5, normalized=True)
            write(f"{target[f'tape_{k}_m']:.2f}", (middle.x, middle.y), "TIE", height=LETTER_M * 0.7)
    for warning in found.warnings.dropna(subset=["x", "y"]).to_dict("records"):
        said = f"{warning['about']} {warning['near_id']}: {warning['word']}"
        write(said, (warning["x"], warning["y"]), "WARNING", height=LETTER_M * 0.6)
    west, south, *_ = extent_of(found, perimeter)
    head = f"Setting-out, {site.info.name}. Metres, grid {site.info.crs}; levels above {site.info.datum}."
    for i, said in enumerate([f"{head} Drawn flat.", *CAUTIONS]):
        write(said, (west, south - 1.0 - 0.35 * i), "CAUTION")
    _frame(doc)
    stream = io.StringIO()
    doc.write(stream)
    return doc.encode(stream.getvalue())


def _frame(doc: Any) -> None:
    """Say how far the drawing reaches, and let it open on the whole of it."""
    space = doc.modelspace()
    reach = bbox.extents(space, fast=True)
    space.reset_extents(reach.extmin, reach.extmax)
    space.reset_limits(reach.extmin.vec2, reach.extmax.vec2)
    doc.set_modelspace_vport(height=1.1 * reach.size.y, center=reach.center.vec2)


def _dxf_block(doc: Any, layer: str) -> str:
    """Return the block of one kind, with its attributes."""
    name = layer.replace(" ", "_")
    if name not in doc.blocks:
        block, own = doc.blocks.new(name), {"layer": layer}
        if layer in ("GULLY", "CHAMBER"):
            half = 0.12 if layer == "GULLY" else 0.3
            ring = [(-half, -half), (half, -half), (half, half), (-half, half)]
            block.add_lwpolyline(ring, close=True, dxfattribs=own)
            block.add_line((-half, -half), (half, half), dxfattribs=own)
        elif layer == "FAULT":
            block.add_line((-0.2, -0.2), (0.2, 0.2), dxfattribs=own)
            block.add_line((-0.2, 0.2), (0.2, -0.2), dxfattribs=own)
        else:
            block.add_circle((0, 0), 0.4 if layer == "SOAKAWAY" else 0.08, dxfattribs=own)
        for i, tag in enumerate(TARGET_TAGS):
            height = LETTER_M if tag == "ID" else LETTER_M / 2
            written = block.add_attdef(tag, (0.25, 0.15 - 0.12 * i), dxfattribs={**own, "height": height})
            written.is_invisible = tag != "ID"
    return name


def _run_block(doc: Any, layer: str) -> str:
    """Return the block that carries what is known of a run, at its middle; its line is drawn apart."""
    name = f"RUN_{layer.replace(' ', '_')}"
    if name not in doc.blocks:
        block, own = doc.blocks.new(name), {"layer": layer}
        block.add_point((0, 0), dxfattribs=own)
        for i, tag in enumerate(RUN_TAGS):
            place = (0.1, -0.12 * (i + 1))
            written = block.add_attdef(tag, place, dxfattribs={**own, "height": LETTER_M / 2})
            written.is_invisible = True
    return name


def _run_facts(site: Site, name: str, run: Any) -> dict[str, str]:
    ends = [
        amount(run[f"{end}_low_m"], 3) if run[f"{end}_low_m"] == run[f"{end}_high_m"] else NOT_KNOWN
        for end in ("up", "down")
    ]
    return {
        "ID": name,
        "USE": word_of(site, "run_use", run["use"]),
        "OWNER": word_of(site, "run_owner", run["owner"]),
        "BORE": f"{1000 * run['bore_m']:.0f} mm" if run["bore_m"] > 0 else NOT_KNOWN,
        "PROVED": proved_by(run),
        "FALL": fall_words(run, site.reference.value("confidence.z_95")),
        "INVERTS": " to ".join(ends),
        "STATE": word_of(site, "run_state", run["state"]),
    }


def _dxf_text(said: str) -> str:
    """Return text as one line in which no drawing program finds a control code."""
    return plain(" ".join(str(said).split())).replace("%%", "% %").replace("^", "^ ").replace("\\U+", "\\ U+")
