"""The contractor's setting-out pack: sheet, drawing, map files and tables, each whole or not at all."""

from __future__ import annotations

import io
import json
import math
import os
import re
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import ezdxf.filemanagement
import numpy as np
import pandas as pd
import shapely
import typst
from ezdxf import units
from ezdxf.enums import TextEntityAlignment

from geo.drains.network import build_network
from geo.drains.setting_out import CAUTIONS, SettingOut, set_out
from geo.draw.svg import Drawing, plain
from geo.draw.theme import ACCENT, BRICK_LIGHT, DRAIN, INK, NEIGHBOUR, RUN_DASH, SOFT_INK
from geo.exchange.bundle import csv_bytes
from geo.findings.heights import site_levels
from geo.findings.places import perimeter_of, positions_table
from geo.findings.telling import Tell, quietly
from geo.perimeter.build import Perimeter
from geo.perimeter.fix import fix_positions
from geo.site.crs import absolute_note, to_lonlat
from geo.site.model import Site
from geo.site.records import ASSETS
from geo.verdict import NOT_KNOWN, Measured

SHORT_CAUTION = (
    "Certifies nothing. Support the sides of every dig; never undermine a wall. Services may be there that"
    " are not drawn: plans, locator, hand digging. Never enter a chamber. Sewage carries disease: gloves,"
    " wash."
)
FONT = "Libertinus Serif"
GROUND_ROLES = ("ground", "rim", "cover", "kerb")
TOP = {"chamber": "cover_level_m", "gully": "rim_level_m", "soakaway": "cover_level_m"}
MAP_FILES = ("setting-out.geojson", "setting-out.gpx")
CREATOR = "wallfoot"
Xy = tuple[float, float]


def setting_out_of(site: Site, *, foundation: Measured | None = None) -> tuple[SettingOut, Perimeter]:
    """Work out the setting-out of a site's drains from its records.

    Parameters
    ----------
    foundation
        Level of the underside of the surveyed buildings' foundation, where it was exposed.
    """
    ref, perimeter = site.reference, perimeter_of(site)
    tables = {kind: site.table(kind) for kind in (*ASSETS, "run")}
    fixed = {
        kind: fix_positions(positions_table(site, kind), perimeter, ref=ref) for kind in (*ASSETS, "level")
    }
    places = pd.concat(
        [
            fixed[kind].assign(kind=kind, state=tables[kind]["state"], evidence=tables[kind]["evidence"])
            for kind in ASSETS
        ]
    )
    usual = ref.value("levels.rim_sigma_m")
    tops = [
        fixed[kind][["x", "y"]].assign(
            level_m=tables[kind][column],
            sigma_m=tables[kind]["level_sigma_m"].fillna(usual),
            name=f"{'rim' if kind == 'gully' else 'cover'} of " + tables[kind].index.astype(str),
        )
        for kind, column in TOP.items()
    ]
    levels, _ = site_levels(site)
    staffed = levels[levels["role"].isin(GROUND_ROLES)]
    tops.append(
        fixed["level"].loc[staffed.index, ["x", "y"]].assign(
            level_m=staffed["level_m"], sigma_m=staffed["sigma_m"], name=staffed.index.astype(str)
        )
    )  # fmt: skip
    ground = pd.concat([table for table in tops if len(table)] or tops[:1], ignore_index=True)
    network = build_network(tables, ref=ref, positions=places)
    found = set_out(
        network,
        runs=tables["run"],
        places=places,
        perimeter=perimeter,
        ref=ref,
        ground=ground,
        services=site.table("service"),
        patches=site.table("ground_patch"),
        soakaways=tables["soakaway"],
        foundation=foundation,
    )
    return found, perimeter


def write_setting_out(
    site: Site, folder: Path, *, foundation: Measured | None = None, tell: Tell = quietly
) -> list[Path]:
    """Write the pack into a folder.

    Returns
    -------
    The paths written, in order. A local grid that is tied to nothing has no longitude and latitude: then
    the GeoJSON and GPX are left out, and the sheet says so.
    """
    tell(0.1, "setting out")
    found, perimeter = setting_out_of(site, foundation=foundation)
    folder.mkdir(parents=True, exist_ok=True)
    made: dict[str, bytes] = {}
    notes = list(found.notes)
    if _placed_on_earth(site):
        made["setting-out.geojson"] = geojson_bytes(site, found)
        made["setting-out.gpx"] = gpx_bytes(site, found)
    else:
        notes.append("The site's grid is tied to nothing, so nothing is written in longitude and latitude.")
        for name in MAP_FILES:
            (folder / name).unlink(missing_ok=True)
    tell(0.4, "drawing")
    made["setting-out.dxf"] = dxf_bytes(site, found, perimeter)
    made |= {f"{name}.csv": csv_bytes(table) for name, table in tables_of(found).items()}
    tell(0.6, "printing the sheet")
    made["setting-out.pdf"] = pdf_bytes(site, found, perimeter, notes=notes)
    order = ("setting-out.pdf", "setting-out.dxf", *MAP_FILES)
    names = [name for name in order if name in made] + sorted(name for name in made if name not in order)
    written = [_put(folder / name, made[name]) for name in names]
    tell(1.0, "done")
    return written


def tables_of(found: SettingOut) -> dict[str, pd.DataFrame]:
    """Return the tables that are written as CSV, by name."""
    internal = ["var_xx", "var_xy", "var_yy", "set_xx", "set_xy", "set_yy"]
    return {
        "targets": _named(found.targets.drop(columns=internal), "target_id"),
        "dig-boxes": _named(found.boxes.drop(columns="geometry"), "target_id"),
        "runs": _named(pd.DataFrame(found.runs.drop(columns="geometry")), "run_id"),
        "camera": found.reel,
        "camera-marks": found.marks,
        "materials": found.materials,
        "warnings": found.warnings,
        "corners": found.corners,
    }


def _named(table: Any, name: str) -> pd.DataFrame:
    return pd.DataFrame(table).rename_axis(name).reset_index()


def _tie(site: Site) -> tuple[float, float, float] | None:
    info = site.info
    if info.tie_longitude_deg is None or info.tie_latitude_deg is None:
        return None
    return info.tie_longitude_deg, info.tie_latitude_deg, info.grid_bearing_deg or 0.0


def _placed_on_earth(site: Site) -> bool:
    return site.info.crs != "local" or _tie(site) is not None


def _put(path: Path, content: bytes) -> Path:
    """Write a file under a temporary name, then put it in place at once."""
    with tempfile.NamedTemporaryFile(dir=path.parent, prefix=".wallfoot-", delete=False) as work:
        work.write(content)
    os.chmod(work.name, 0o644)  # noqa: PTH101 - temporary files are private; this one is not
    os.replace(work.name, path)  # noqa: PTH105
    return path


# --- files for maps ----------------------------------------------------------------------------


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
            np.asarray(table["geometry"], dtype=object), lambda xy: to_lonlat(xy, site.crs, tie=_tie(site))
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
    lonlat = to_lonlat(found.targets[["x", "y"]].to_numpy(), site.crs, tie=_tie(site))
    for (name, row), (lon, lat) in zip(found.targets.iterrows(), lonlat, strict=True):
        point = ET.SubElement(root, "wpt", {"lat": f"{lat:.8f}", "lon": f"{lon:.8f}"})
        if offset is not None and math.isfinite(row["ground_m"]):
            ET.SubElement(point, "ele").text = f"{row['ground_m'] + offset:.3f}"
        ET.SubElement(point, "name").text = plain(str(name))
        ET.SubElement(point, "desc").text = plain(f"{_what(row)}; {_tie_words(row)}; {_depth_words(row)}")
    body: bytes = ET.tostring(root, encoding="utf-8")
    return b'<?xml version="1.0" encoding="UTF-8"?>\n' + body + b"\n"


# --- the drawing -------------------------------------------------------------------------------

LAYERS = {
    "WALL": (7, "CONTINUOUS"), "WALL NOT SURVEYED": (8, "CONTINUOUS"), "CORNER": (7, "CONTINUOUS"),
    "DRAIN FOUL": (34, "CONTINUOUS"), "DRAIN SURFACE WATER": (5, "CONTINUOUS"),
    "DRAIN COMBINED": (6, "CONTINUOUS"), "DRAIN USE NOT KNOWN": (8, "CONTINUOUS"),
    "GULLY": (4, "CONTINUOUS"), "DOWNPIPE": (4, "CONTINUOUS"), "CHAMBER": (3, "CONTINUOUS"),
    "SOAKAWAY": (3, "CONTINUOUS"), "JOINT": (8, "CONTINUOUS"), "FAULT": (1, "CONTINUOUS"),
    "DIG BOX": (1, "DASHED"), "TIE": (9, "DOT"), "SERVICE": (2, "DASHDOT"), "WARNING": (1, "CONTINUOUS"),
    "CAUTION": (7, "CONTINUOUS"),
}  # fmt: skip
DRAIN_LAYER = {
    "foul": "DRAIN FOUL",
    "surface": "DRAIN SURFACE WATER",
    "combined": "DRAIN COMBINED",
}
TRACED = ("seen", "sonde", "camera")
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
            space.add_lwpolyline(_xy(ring)[:-1], close=True, dxfattribs={"layer": layer})
    for corner in found.corners.to_dict("records"):
        write(f"{corner['ring_key']} {corner['corner']}", (corner["x"], corner["y"]), "CORNER")
    for name, run in found.runs.iterrows():
        layer = DRAIN_LAYER.get(run["use"], "DRAIN USE NOT KNOWN")
        traced = {run["from_evidence"], run["to_evidence"]} <= set(TRACED)
        style = "BYLAYER" if traced else "DASHED"
        space.add_lwpolyline(_xy(run.geometry), dxfattribs={"layer": layer, "linetype": style})
        middle = run.geometry.interpolate(0.5, normalized=True)
        write(f"{name} {_run_words(run)}", (middle.x, middle.y), layer, height=LETTER_M * 0.8)
    for box in found.boxes.geometry:
        space.add_lwpolyline(_xy(box.exterior)[:-1], close=True, dxfattribs={"layer": "DIG BOX"})
    for row in services_of(site).itertuples():
        space.add_lwpolyline(_xy(row.geometry), dxfattribs={"layer": "SERVICE"})
        middle = row.geometry.interpolate(0.5, normalized=True)
        write(f"{row.Index} {_word(site, 'service_kind', row.service_kind)}", (middle.x, middle.y), "SERVICE")
    corners = found.corners.set_index(["ring_key", "corner"])[["x", "y"]]
    for name, target in found.targets.iterrows():
        at = (float(target["x"]), float(target["y"]))
        layer = str(target["kind"]).upper()
        block = _dxf_block(doc, layer)
        told = {
            "ID": str(name),
            "GROUND": _level(target["ground_m"]),
            "CROWN": _between(target, "crown"),
            "INVERT": _between(target, "invert"),
            "DEPTH": _depth_words(target),
            "TIES": _tie_words(target),
        }
        reference = space.add_blockref(block, at, dxfattribs={"layer": layer})
        reference.add_auto_attribs({tag: _dxf_text(value) for tag, value in told.items()})
        for k in (1, 2) if target["tied"] == "yes" else ():
            stand = corners.loc[(target["tie_ring_key"], target[f"tape_{k}_from"])]
            line = shapely.LineString([stand.to_numpy(dtype=float), at])
            begin, end = _xy(line)
            space.add_line(begin, end, dxfattribs={"layer": "TIE"})
            middle = line.interpolate(0.5, normalized=True)
            write(f"{target[f'tape_{k}_m']:.2f}", (middle.x, middle.y), "TIE", height=LETTER_M * 0.7)
    for warning in found.warnings.dropna(subset=["x", "y"]).to_dict("records"):
        said = f"{warning['about']} {warning['near_id']}: {warning['word']}"
        write(said, (warning["x"], warning["y"]), "WARNING", height=LETTER_M * 0.6)
    west, south, *_ = _extent(found, perimeter)
    head = f"Setting-out, {site.info.name}. Metres, grid {site.info.crs}; levels above {site.info.datum}."
    for i, said in enumerate([f"{head} Drawn flat.", *CAUTIONS]):
        write(said, (west, south - 1.0 - 0.35 * i), "CAUTION")
    stream = io.StringIO()
    doc.write(stream)
    return doc.encode(stream.getvalue())


def services_of(site: Site) -> Any:
    """Return the services that were drawn."""
    table = site.table("service")
    return table[np.array([_is_line(shape) for shape in table.geometry], dtype=bool)]


def _is_line(shape: Any) -> bool:
    return shape is not None and shape.geom_type == "LineString" and not shape.is_empty


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
        for i, tag in enumerate(("ID", "GROUND", "CROWN", "INVERT", "DEPTH", "TIES")):
            height = LETTER_M if tag == "ID" else LETTER_M / 2
            written = block.add_attdef(tag, (0.25, 0.15 - 0.12 * i), dxfattribs={**own, "height": height})
            written.is_invisible = tag != "ID"
    return name


def _dxf_text(said: str) -> str:
    """Return text as one line in which no drawing program finds a control code."""
    return plain(" ".join(str(said).split())).replace("%%", "% %").replace("^", "^ ").replace("\\U+", "\\ U+")


def _xy(shape: Any) -> list[Xy]:
    return [(float(x), float(y)) for x, y in shapely.get_coordinates(shape)]


def _extent(found: SettingOut, perimeter: Perimeter) -> tuple[float, float, float, float]:
    surveyed = perimeter.footprints[perimeter.footprints["role"] == "subject"].geometry.to_numpy()
    shapes = [*surveyed, *found.runs.geometry, *found.boxes.geometry]
    shapes += list(shapely.points(found.targets[["x", "y"]].to_numpy()))
    west, south, east, north = shapely.total_bounds(np.array(shapes, dtype=object))
    return float(west), float(south), float(east), float(north)


# --- words -------------------------------------------------------------------------------------


def _word(site: Site, group: str, key: str) -> str:
    return site.reference.word(group, key) if key else ""


def _what(row: Any) -> str:
    state = f", {str(row['state']).replace('_', ' ')}" if row["state"] else ""
    return f"{row['kind']}{state}"


def _level(value: float) -> str:
    return f"{value:.3f}" if math.isfinite(value) else NOT_KNOWN


def _between(row: Any, part: str) -> str:
    low, high = row[f"{part}_low_m"], row[f"{part}_high_m"]
    if not math.isfinite(low) or not math.isfinite(high):
        return NOT_KNOWN
    return _level(low) if high - low < 1e-9 else f"{low:.3f} to {high:.3f}"


def _tie_words(row: Any) -> str:
    if row["tied"] != "yes":
        return f"no tie: {row['why_no_tie']}"
    tapes = " and ".join(f"{row[f'tape_{k}_from']} {row[f'tape_{k}_m']:.2f} m" for k in (1, 2))
    check = f", check {row['check_from']} {row['check_m']:.2f} m" if row["check_from"] else ""
    line = f"{row['tape_1_from']} to {row['tape_2_from']}"
    return f"{row['tie_ring_key']}: {tapes}, {row['tape_side']} of the line {line}{check}"


def _wall_words(row: Any) -> str:
    if not math.isfinite(row["offset_m"]):
        return "–"
    return f"{row['wall_ring_key']} {row['wall_face']} at {row['chainage_m']:.2f}, {row['offset_m']:.2f} out"


def _depth_words(row: Any) -> str:
    if row["depth"] == NOT_KNOWN:
        return f"depth not known: {row['depth_because']}. {row['depth_settle']}"
    crown, invert = (_range(row, part) for part in ("crown", "invert"))
    return f"crown {crown} m down, invert {invert} m down"


def _range(row: Any, part: str) -> str:
    """Return a depth and its 95 % range; a dash where there is no depth."""
    low, high, middle = (row[f"depth_{part}_{end}m"] for end in ("low_", "high_", ""))
    if not math.isfinite(low):
        return "–"
    ends = f"{low:.2f} to {high:.2f}"
    return f"{middle:.2f} ({ends})" if math.isfinite(middle) else ends


def _run_words(run: Any) -> str:
    bore = f"{1000 * run['bore_m']:.0f} mm" if math.isfinite(run["bore_m"]) else "bore not known"
    use = "use not known" if run["use"] == "not_known" else str(run["use"])
    return f"{use} {bore}, {_evidence(run)}"


def _evidence(run: Any) -> str:
    ends = [str(run[end]).replace("_", " ") for end in ("from_evidence", "to_evidence")]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} above, {ends[1]} below"


def _fall_words(run: Any, z: float) -> str:
    fall, n = run["fall_m"], run["gradient"]
    if not math.isfinite(fall):
        return NOT_KNOWN
    sigma = 1000 * math.sqrt(2.0) * run["level_sigma_m"]
    if fall == 0:
        return f"level ± {z * sigma:.0f} mm"
    way = "" if fall > 0 else " BACKWARDS"
    return f"1:{abs(n):.0f}{way} ({1000 * fall:.0f} ± {z * sigma:.0f} mm)"


def _amount(value: float, places: int = 2) -> str:
    return f"{value:.{places}f}" if math.isfinite(value) else NOT_KNOWN


# --- the sheet ---------------------------------------------------------------------------------

TEMPLATE = """
#let d = json(bytes(sys.inputs.data))
#set document(title: d.title, author: (), date: none)
#set page(paper: "a4", flipped: true, margin: (x: 13mm, top: 12mm, bottom: 21mm), footer: context [
  #set text(7.5pt)
  #line(length: 100%, stroke: .4pt)
  #v(-2mm)
  *#d.caution*
  #v(-1.5mm)
  #d.foot #h(1fr) #counter(page).display("1 of 1", both: true)
])
#set text(9pt, font: ("Libertinus Serif", "DejaVu Sans Mono"), number-width: "tabular")
#set text(lang: "en", region: "gb")
#show heading.where(level: 1): set text(17pt)
#show heading.where(level: 2): it => block(above: 5mm, below: 2.5mm, sticky: true, text(12pt, it.body))
= #d.title
#d.summary
#grid(columns: (178mm, 1fr), gutter: 5mm,
  image(bytes(d.plan), format: "svg", width: 178mm),
  [#set text(8.5pt)
   #set par(spacing: 2.2mm)
   *Before you dig*
   #for line in d.cautions [#par(line)]
   #v(1mm)
   *Key* #linebreak()
   #for line in d.key [#line #linebreak()]])
#for s in d.sections [
  == #s.head
  #if s.note != "" [#s.note]
  #if s.rows.len() > 0 {
    set text(8pt)
    set par(leading: .45em)
    table(columns: s.widths.map(w => w * 1fr), stroke: none, inset: (x: 1.2mm, y: 1.1mm), align: left + top,
      fill: (_, y) => if y > 0 and calc.even(y) { luma(244) },
      table.hline(stroke: .6pt), table.header(..s.header.map(h => strong(h)), table.hline(stroke: .4pt)),
      ..s.rows.flatten(), table.hline(stroke: .4pt))
  } else if s.note == "" [None.]
]
"""


def pdf_bytes(site: Site, found: SettingOut, perimeter: Perimeter, *, notes: Sequence[str] = ()) -> bytes:
    """Return the sheet as PDF, its fonts embedded; whatever a person wrote reaches it as data."""
    info = site.info
    facts = [
        f"Grid {info.crs}: {absolute_note(site.crs)}",
        f"Levels in m above {info.datum}.",
        f"Surveyed {info.surveyed_on}." if info.surveyed_on else "",
        "Sigmas are one standard deviation; ranges are 95 %.",
    ]
    content = {
        "title": f"Setting-out: {info.name}",
        "summary": " ".join(fact for fact in facts if fact),
        "foot": f"{info.name} · data {site.digest[:12]}",
        "caution": SHORT_CAUTION,
        "cautions": CAUTIONS,
        "key": KEY,
        "plan": plan_svg(site, found, perimeter),
        "sections": _sections(site, found, notes),
    }
    made: bytes = typst.compile(
        TEMPLATE.encode(), ignore_system_fonts=True, sys_inputs={"data": json.dumps(_printable(content))}
    )
    return made


def _printable(content: Any) -> Any:
    """Return content with nothing a page cannot hold; very long words may break."""
    if isinstance(content, str):
        if content.startswith("<svg"):
            return content
        return re.sub(r"(\S{24})(?=\S)", "\\1\u200b", plain(content))
    if isinstance(content, dict):
        return {key: _printable(value) for key, value in content.items()}
    if isinstance(content, list | tuple):
        return [_printable(value) for value in content]
    return content


SECTIONS = {
    "Where to dig": (
        "Each box holds the 95 % ellipse of the peg and room to work; m below the ground, from just over the"
        " crown to under the bed."
    ),
    "Positions and ties": "Site x runs along the first face from the origin corner, y out from it.",
    "Depths": "",
    "Runs": "The line between two ends is only as good as what proved it.",
    "Camera": "Reel read from nought at the start; along the pipe, slopes and bends included.",
    "To lay again": (
        "Order quantities, waste and bulking included; formulae and net amounts stand in materials.csv. No"
        " run need be laid again because it stands here."
    ),
    "Take care": "",
}
COLUMNS = {
    "Where to dig": "Target 1.2|What 1.5|Depth, m 1.3|Box, m 1.1|Long side .8|Dig, m³ .8|Set out by 4.6",
    "Positions and ties": (
        "Target 1.1|Easting 1.2|Northing 1.2|σ, m .6|Site x, y 1.2|Tapes 4.4|Angle .6|Chainage and offset 2.1"
    ),
    "Depths": (
        "Target 1.1|What 1.5|Ground .8|Taken from 1.5|Crown level 1.1|Invert level 1.1|Crown, m down 1.5"
        "|Invert, m down 1.5|Not known 2.6"
    ),
    "Runs": (
        "Run .7|From → to 1.6|Use, bore 1.6|Pipe, m .7|Fall 1.9|Invert, m down 1.3|Proved by 1.8|Line σ, m .8"
        "|State 1.2"
    ),
    "Camera": "Run 1|Camera in at 1.5|Target 1.5|Reel, m 1|σ, m 1|Off the line, m 1",
    "To lay again": (
        "Of 1|Pipes of 3 m 1|Trench, m 1|Dig, m³ 1.6|Spoil, loose m³ 1.2|Bed, t 1|Backfill, m³ 1"
        "|Cart away, m³ 1|Surface, m² 1|Rests on 3"
    ),
    "Take care": "Where 2.2|About .8|Near .6|Answer .8|Why 4.6|To settle it 2.6",
}


def _sections(site: Site, found: SettingOut, notes: Sequence[str]) -> list[dict[str, Any]]:
    rows = {
        "Where to dig": [
            _dig_row(name, box, found.targets.loc[name]) for name, box in found.boxes.iterrows()
        ],
        "Positions and ties": [_tie_row(name, row) for name, row in found.targets.iterrows()],
        "Depths": [_depth_row(name, row) for name, row in found.targets.iterrows()],
        "Runs": [_run_row(site, name, run) for name, run in found.runs.iterrows()],
        "Camera": [
            [row["run_id"], row["from_id"], row["target_id"]]
            + [f"{row[part]:.2f}" for part in ("reel_m", "sigma_m", "off_m")]
            for row in found.reel.to_dict("records")
        ],
        "To lay again": _material_rows(found, site.reference.value("confidence.z_95")),
        "Take care": _warning_rows(found),
    }
    made = []
    for head, note in SECTIONS.items():
        columns = [column.rsplit(" ", 1) for column in COLUMNS[head].split("|")]
        names, widths = zip(*columns, strict=True)
        table = {"header": names, "widths": [float(width) for width in widths]}
        made.append({"head": head, "note": note, **table, "rows": [[str(c) for c in r] for r in rows[head]]})
    return [*made, {"head": "Not given", "note": " ".join(notes), "header": [], "widths": [], "rows": []}]


def _dig_row(name: Any, box: Any, target: Any) -> list[str]:
    return [
        name,
        _what(target),
        f"{_amount(box['depth_from_m'])} to {_amount(box['depth_to_m'])}",
        f"{box['length_m']:.2f} × {box['width_m']:.2f}",
        f"{box['bearing_deg']:.0f}°",
        _amount(box["volume_m3"]),
        f"{_tie_words(target) if target['tied'] == 'yes' else _wall_words(target)}. {box['first']}".strip(
            ". "
        ),
    ]


def _tie_row(name: Any, row: Any) -> list[str]:
    angle = f"{row['angle_deg']:.0f}°" if row["tied"] == "yes" else "–"
    where = [f"{row['x']:.3f}", f"{row['y']:.3f}", f"{row['sigma_m']:.3f}"]
    site_xy = f"{row['site_x_m']:.2f}, {row['site_y_m']:.2f}"
    return [name, *where, site_xy, _tie_words(row), angle, _wall_words(row)]


def _depth_row(name: Any, row: Any) -> list[str]:
    source = f"{row['ground_from']}, {row['ground_away_m']:.1f} m off" if row["ground_from"] else "–"
    levels = [_between(row, "crown"), _between(row, "invert")]
    open_ = f"{row['depth_because']}. {row['depth_settle']}" if row["depth_because"] else ""
    depths = [_range(row, "crown"), _range(row, "invert")]
    return [name, _what(row), _level(row["ground_m"]), source, *levels, *depths, open_]


def _run_row(site: Site, name: Any, run: Any) -> list[str]:
    return [
        name,
        f"{run['from_id']} → {run['to_id']}",
        _run_use(site, run),
        f"{run['pipe_m']:.2f}",
        _fall_words(run, site.reference.value("confidence.z_95")),
        f"{_amount(run['up_depth_m'])} → {_amount(run['down_depth_m'])}",
        _evidence(run),
        f"{run['route_sigma_m']:.2f}",
        _word(site, "run_state", run["state"]),
    ]


def _run_use(site: Site, run: Any) -> str:
    bore = f"{1000 * run['bore_m']:.0f} mm" if math.isfinite(run["bore_m"]) else "bore not known"
    material = f" {run['pipe_material']}" if run["pipe_material"] else ""
    return f"{_word(site, 'run_use', run['use'])}, {bore}{material}"


ORDERED = {
    "pipe": 0,
    "trench width": 2,
    "spoil": 2,
    "bed and surround": 2,
    "backfill": 2,
    "cart away": 2,
    "break out and make good": 1,
}


def _material_rows(found: SettingOut, z: float) -> list[list[str]]:
    rows = []
    for of_id, lines in found.materials.groupby("of_id", sort=False):
        own = lines.set_index("item")
        if "pipe" not in own.index:
            dig = own.loc["dig, whole soakaway"]
            amounts = ["–", "–", _amount(dig["net"]), _amount(dig["order"]), "–", "–", "–", "–"]
            rows.append([str(of_id), *amounts, f"{dig['rests_on']}; whole soakaway"])
            continue
        dig = own.loc["dig"]
        spread = f" ± {z * dig['sigma']:.2f}" if math.isfinite(dig["sigma"]) else ""
        amounts = [_amount(own.loc[item, "order"], places) for item, places in ORDERED.items()]
        amounts.insert(2, f"{_amount(dig['net'])}{spread}")
        surface = own.loc["break out and make good", "rests_on"]
        rows.append([str(of_id), *amounts, f"{dig['rests_on']}; {surface}"])
    return rows


def _warning_rows(found: SettingOut) -> list[list[str]]:
    rows: dict[tuple[str, ...], list[str]] = {}
    for warning in found.warnings.sort_values(["about", "of_id"], kind="stable").to_dict("records"):
        first, last = warning["from_m"], warning["to_m"]
        along = f" at {first:.1f} m" if first == last else f" from {first:.1f} to {last:.1f} m"
        where = f"{warning['of_id']}{along if math.isfinite(first) else ''}"
        told = (
            warning["about"],
            str(warning["near_id"]),
            warning["word"],
            warning["said"],
            warning["settle"],
        )
        rows.setdefault(told, []).append(where)
    return [[", ".join(where), *told] for told, where in rows.items()]


# --- the plan ----------------------------------------------------------------------------------

KEY = (
    "Square: gully. Ring: downpipe or joint. Double square: chamber. Diamond: soakaway. Cross: fault",
    "Thick outline: surveyed building; corners lettered as on site",
    "Line: run, whole foul, dashed surface water, dash and dot combined; dots: line not traced",
    "Hatched box: dig; fine line with a number: tape, m",
    "Double dash: service as recorded",
)
PLAN_WIDTH, PLAN_HEIGHT, EDGE = 1000.0, 700.0, 26.0


def plan_svg(site: Site, found: SettingOut, perimeter: Perimeter) -> str:
    """Return the plan as SVG, north up, with scale bar: walls, runs, ties, dig boxes and services."""
    drawing = Drawing(PLAN_WIDTH, PLAN_HEIGHT, title=f"Plan, {site.info.name}")
    drawing.root.set("font-family", FONT)
    drawing.root.set("font-size", "15")
    drawing.paper.set("fill", "#ffffff")
    west, south, east, north = _extent(found, perimeter)
    scale = min(
        (PLAN_WIDTH - 4 * EDGE) / max(east - west, 1.0), (PLAN_HEIGHT - 5 * EDGE) / max(north - south, 1.0)
    )
    left = (PLAN_WIDTH - scale * (east - west)) / 2
    top = 1.6 * EDGE

    def at(xy: Iterable[Xy]) -> list[Xy]:
        return [(left + (x - west) * scale, top + (north - y) * scale) for x, y in xy]

    drawing.group(clip_path=drawing.clip("sheet", 0, 0, PLAN_WIDTH, PLAN_HEIGHT))
    for wall, role in zip(perimeter.footprints.geometry, perimeter.footprints["role"], strict=True):
        subject = role == "subject"
        fill = BRICK_LIGHT if subject else NEIGHBOUR
        rings = " ".join(_svg_ring(at(_xy(ring))) for ring in (wall.exterior, *wall.interiors))
        outline = {"stroke": INK, "stroke_width": 2.4 if subject else 0.8, "fill_rule": "evenodd"}
        drawing.add("path", {"d": rings, "fill": fill, **outline})
    hatch = drawing.hatch("dig", INK, gap=5.0)
    for box in found.boxes.geometry:
        drawing.path(
            at(_xy(box.exterior)), closed=True, fill=hatch, stroke=INK, stroke_width=1.0, fill_opacity=0.7
        )
    for service in services_of(site).geometry:
        for width, colour in ((4.0, INK), (2.0, "#ffffff")):
            drawing.path(at(_xy(service)), stroke=colour, stroke_width=width, stroke_dasharray="12 5")
    taken: list[tuple[float, float, float, float]] = []
    labels: list[tuple[Xy, str, float, str]] = []
    corners = found.corners.set_index(["ring_key", "corner"])[["x", "y"]]
    for name, target in found.targets.iterrows():
        spot = at([(target["x"], target["y"])])[0]
        for k in (1, 2) if target["tied"] == "yes" and name in found.boxes.index else ():
            stand = corners.loc[(target["tie_ring_key"], target[f"tape_{k}_from"])].to_numpy(dtype=float)
            start = at([(stand[0], stand[1])])[0]
            drawing.line(*start, *spot, stroke=ACCENT, stroke_width=0.7)
            labels.append((_mean(start, spot), f"{target[f'tape_{k}_m']:.2f}", 11.0, ACCENT))
        labels.insert(0, (spot, str(name), 15.0, INK))
    for run in found.runs.itertuples():
        traced = {run.from_evidence, run.to_evidence} <= set(TRACED)
        dash = (RUN_DASH.get(run.use) or None) if traced else "2 5"
        drawing.path(at(_xy(run.geometry)), stroke=DRAIN, stroke_width=2.2, stroke_dasharray=dash)
        middle = run.geometry.interpolate(0.5, normalized=True)
        labels.insert(0, (at([(middle.x, middle.y)])[0], str(run.Index), 13.0, DRAIN))
    for corner in found.corners.to_dict("records"):
        spot = at([(corner["x"], corner["y"])])[0]
        drawing.circle(*spot, 2.6, fill=INK)
        labels.insert(0, (spot, str(corner["corner"]), 13.0, INK))
    for kind, x, y in found.targets[["kind", "x", "y"]].itertuples(index=False):
        spot = at([(x, y)])[0]
        symbol = {"gully": "square", "soakaway": "diamond", "chamber": "box"}.get(kind, "ring")
        if kind == "fault":
            drawing.line(spot[0] - 6, spot[1] - 6, spot[0] + 6, spot[1] + 6, stroke_width=2.5)
            drawing.line(spot[0] - 6, spot[1] + 6, spot[0] + 6, spot[1] - 6, stroke_width=2.5)
        else:
            drawing.symbol(symbol, *spot, 11.0)
    for spot, said, size, colour in labels:
        x, y, box = _free_place(spot, said, size, taken)
        taken.append(box)
        halo: dict[str, Any] = {
            "stroke": "#ffffff",
            "stroke_width": 3.0,
            "paint_order": "stroke",
            "stroke_linejoin": "round",
        }
        drawing.words(x, y, said, font_size=size, fill=colour, **halo)
    _scale_and_north(drawing, scale, site)
    return drawing.text()


def _svg_ring(points: Sequence[Xy]) -> str:
    return "M" + " L".join(f"{x:.2f} {y:.2f}" for x, y in points) + " Z"


def _mean(a: Xy, b: Xy) -> Xy:
    return (a[0] + b[0]) / 2, (a[1] + b[1]) / 2


def _free_place(
    spot: Xy, said: str, size: float, taken: Sequence[tuple[float, float, float, float]]
) -> tuple[float, float, tuple[float, float, float, float]]:
    """Return where a label covers least of the labels before it, beside its spot."""
    width, height = 0.52 * size * len(said), size
    tried = []
    for reach in (9.0, 20.0, 34.0):
        for dx, dy in ((1, -1), (1, 1), (-1, -1), (-1, 1), (0, -1.4), (0, 1.4), (1.3, 0), (-1.3, 0)):
            x = spot[0] + dx * reach - (width if dx < 0 else width / 2 if dx == 0 else 0.0)
            y = spot[1] + dy * reach + height / 2.6
            box = (x - 2, y - 0.8 * height, x + width + 2, y + 0.25 * height)
            cover = sum(
                max(0.0, min(box[2], other[2]) - max(box[0], other[0]))
                * max(0.0, min(box[3], other[3]) - max(box[1], other[1]))
                for other in taken
            )
            outside = box[0] < 0 or box[2] > PLAN_WIDTH or box[1] < 0 or box[3] > PLAN_HEIGHT - EDGE
            tried.append((cover + 1e6 * outside + reach, x, y, box))
    _, x, y, box = min(tried, key=lambda one: one[0])
    return x, y, box


def _scale_and_north(drawing: Drawing, scale: float, site: Site) -> None:
    """Draw a scale bar of a round length, and north."""
    wanted = 180.0 / scale
    step = 10.0 ** math.floor(math.log10(wanted))
    length = max(step * k for k in (1, 2, 5) if step * k <= wanted)
    y = PLAN_HEIGHT - 0.9 * EDGE
    drawing.rect(EDGE, y, length * scale / 2, 5.0, fill=INK)
    drawing.rect(EDGE, y, length * scale, 5.0, fill="none", stroke=INK, stroke_width=1.0)
    drawing.words(EDGE + length * scale + 8, y + 7, f"{length:g} m", font_size=14.0)
    x = PLAN_WIDTH - 2 * EDGE
    drawing.path([(x, y + 4), (x, y - 34)], stroke_width=1.6)
    drawing.path([(x - 6, y - 22), (x, y - 36), (x + 6, y - 22)], closed=True, fill=INK)
    drawing.words(x + 9, y - 16, "grid N" if site.info.crs != "local" else "site N", font_size=14.0)
    drawing.words(
        EDGE + length * scale + 80, y + 7, f"Levels above {site.info.datum}", font_size=13.0, fill=SOFT_INK
    )
