"""Blank files and a field guide, made from the declarations."""

from __future__ import annotations

import json
from collections.abc import Iterable
from html import escape
from pathlib import Path

from pydantic import BaseModel

from geo.errors import InputError, Problem
from geo.site.fields import allowed, group_of, type_of, unit_of, words_of
from geo.site.model import GroundInfo, SiteInfo
from geo.site.records import KINDS, Record

STYLE = """
body{font:15px/1.45 'DejaVu Sans',Verdana,sans-serif;color:#1d2a33}
body{max-width:72rem;margin:2rem auto;padding:0 1rem}
h1{font-size:1.7rem}h2{font-size:1.15rem;margin:2.2rem 0 .2rem;border-top:1px solid #c8d2d8;padding-top:1rem}
p{margin:.2rem 0 .6rem}table{border-collapse:collapse;width:100%;font-size:.86rem}
td,th{border-bottom:1px solid #dde4e8;padding:.28rem .5rem;text-align:left;vertical-align:top}
th{background:#eef2f4}code{font-family:'DejaVu Sans Mono',monospace;font-size:.92em}
.need{font-weight:700}@media print{body{margin:0;max-width:none}h2{break-after:avoid}tr{break-inside:avoid}}
"""

PLACED = """Positions: give the numbers really taken, in one of these ways, and leave the rest blank.
Chainage and offset: chainage_m, offset_m. Along a face: face, corner, distance_m (inside: from the
internal corner), offset_m. Two tapes: tape_1_from, tape_1_m, tape_2_from, tape_2_m, tape_side. Three or
four tapes: the same with tape_3 and tape_4. Distance and bearing: corner, distance_m, bearing_deg.
Coordinates: easting_m, northing_m, position_sigma_m."""


def write_template(folder: Path) -> list[str]:
    """Write a blank site folder with its field guide.

    Returns
    -------
    The names of the files written.

    Raises
    ------
    InputError
        When the folder holds something already: nothing is overwritten.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        said = Problem(
            file=str(folder), found="is not empty", allowed="a new or empty folder", mend="Name a new folder."
        )
        raise InputError([said])
    folder.mkdir(parents=True, exist_ok=True)
    files = {"site.toml": _toml(SiteInfo, SiteInfo.about), "FIELD_GUIDE.html": field_guide()}
    for model in KINDS.values():
        if model.shape:
            files[f"{model.stem}.geojson"] = json.dumps({"type": "FeatureCollection", "features": []}) + "\n"
        else:
            files[f"{model.stem}.csv"] = ",".join(model.columns()) + "\n"
    for name, content in files.items():
        (folder / name).write_text(content, encoding="utf-8")
    (folder / "photos").mkdir()
    return sorted(files)


def field_guide() -> str:
    """Return the field guide as one HTML page: every file, column, unit and allowed word."""
    parts = [
        "<!doctype html><html lang='en-GB'><meta charset='utf-8'><title>Field guide</title>",
        f"<style>{STYLE}</style><h1>Field guide to a site folder</h1>",
        "<p>One file for each kind of record. A column's unit is the end of its name. Columns in bold must",
        " be filled in. Leave a cell blank when it was not looked at; write down when somebody could not get",
        " to it. Ids are unique in the whole site. CSV: UTF-8, commas, decimals with a point. GeoJSON:",
        " coordinates in metres in the grid that <code>site.toml</code> names.</p>",
        f"<p>{escape(PLACED)}</p>",
        _section("site.toml", SiteInfo.about, SiteInfo),
        _section("ground.toml (beside ground.tif)", GroundInfo.about, GroundInfo),
    ]
    for model in KINDS.values():
        name = f"{model.stem}.geojson" if model.shape else f"{model.stem}.csv"
        parts.append(_section(name, model.about, model))
    parts.append(
        "<p>A site folder may also hold <code>limits.toml</code>, with any table and key of the tool's own"
        " limits, to change a limit for that site; drawings then say so. <code>evidence.toml</code> does the"
        " same for the points, caps and tests by which causes are weighed.</p></html>"
    )
    return "\n".join(parts) + "\n"


def guide_of(title: str, head: str, models: Iterable[type[Record]]) -> str:
    """Return a field guide to CSV files of other records, as one HTML page."""
    parts = [
        f"<!doctype html><html lang='en-GB'><meta charset='utf-8'><title>{escape(title)}</title>",
        f"<style>{STYLE}</style><h1>{escape(title)}</h1><p>{escape(head)}</p>",
        *(_section(f"{model.stem}.csv", model.about, model) for model in models),
        "</html>",
    ]
    return "\n".join(parts) + "\n"


def _section(name: str, about: str, model: type[BaseModel]) -> str:
    columns = model.columns() if issubclass(model, Record) else tuple(model.model_fields)
    rows = []
    for column in columns:
        field = model.model_fields[column]
        mark = " class='need'" if field.is_required() else ""
        rows.append(
            f"<tr><td{mark}><code>{escape(column)}</code></td><td>{escape(unit_of(column) or '')}</td>"
            f"<td>{escape(field.description or '')}</td><td>{escape(allowed(column, field))}</td></tr>"
        )
    head = "<tr><th>column</th><th>unit</th><th>what it is</th><th>allowed</th></tr>"
    shape = f" Each is one {model.shape}." if issubclass(model, Record) and model.shape else ""
    title = f"<h2><code>{escape(name)}</code></h2><p>{escape(about + shape)}</p>"
    return f"{title}<table>{head}{''.join(rows)}</table>"


def _toml(model: type[BaseModel], about: str) -> str:
    """Write a commented TOML file: needed keys first, the others commented out."""
    lines = [f"# {about}", ""]
    for name, field in model.model_fields.items():
        lines.append(f"# {field.description}: {allowed(name, field)}")
        blank = "0.0" if type_of(field) == "number" else '""'
        first = words_of(group_of(field))[0] if group_of(field) else ""
        value = f'"{first}"' if first else blank
        lines += [f"{name} = {value}" if field.is_required() else f"# {name} = {value}", ""]
    return "\n".join(lines)
