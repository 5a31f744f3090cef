"""What did somebody else write, draw or scan?"""

from __future__ import annotations

import hashlib

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import desk
from app.desk import Desk
from app.parts import part
from app.views.bring_in_ground import ground
from app.views.bring_in_layers import layers
from app.views.bring_in_plan import plan
from app.views.bring_in_said import Given, refused, show_done
from app.views.bring_in_table import tables
from app.widgets import chrome
from geo.intake.arrival import LAYERS, PICTURE, RASTER, TABLE, WORKBOOK, Arrival, arrive

SAID = {
    "csv": "a table written as text",
    "xlsx": "a workbook",
    "gpkg": "a GeoPackage of map layers",
    "geojson": "a GeoJSON layer",
    "shapefile": "a shapefile in a zip",
    "dxf": "a DXF drawing",
    "gpx": "places and tracks of a satellite receiver (GPX)",
    "tiff": "a TIFF: heights, or a scanned plan",
    "png": "a picture (PNG)",
    "jpeg": "a picture (JPEG)",
}
PASTED = "pasted cells"


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = desk.open_desk(head, "Import")
    if opened is None:
        return
    show_done(opened)
    _page(opened.site_id)


@part
def _page(site_id: str) -> None:
    at = desk.current(site_id)
    given = _given()
    if given is None:
        chrome.note(
            "Tables (CSV, XLSX), map layers (GeoPackage, GeoJSON, zipped shapefile, GPX), drawings (DXF),"
            " ground heights (GeoTIFF), scanned plans (PNG, JPEG, TIFF), a logger's file. It is shown first,"
            " with everything wrong in it, and then comes in whole or not at all.",
            "A whole site folder as a zip comes in on the page Site; photographs of the house are no plans.",
        )
        return
    arrival = arrive(given.name, given.raw, ref=at.site.reference)
    if refused(arrival.problems, key=given.key, file=arrival.file):
        return
    st.text(f"{arrival.file} is {SAID[arrival.form]}, {_size(len(given.raw))}.")
    _take(at, given, arrival)


def _take(at: Desk, given: Given, arrival: Arrival) -> None:
    if arrival.what in (TABLE, WORKBOOK):
        tables(at, given)
    elif arrival.what == LAYERS:
        layers(at, given)
    elif arrival.what == PICTURE:
        plan(at, given)
    elif arrival.what == RASTER:
        ground(at, given)


def _given() -> Given | None:
    """Take a file, or pasted cells, as they come."""
    turn = st.session_state.setdefault("bring-turn", 0)
    file = st.file_uploader(
        "A file", key=f"bring-file-{turn}", label_visibility="collapsed", max_upload_size=None
    )
    if file is not None:
        return Given(name=file.name, raw=file.getvalue(), key=f"bring-{turn}-{file.file_id}")
    with st.expander("Or paste cells from a spreadsheet", key=f"bring-paste-{turn}", on_change="rerun"):
        text = st.text_area(
            "Cells, their titles first", key=f"bring-text-{turn}", height=140, placeholder="paste here"
        )
    if not text.strip():
        return None
    raw = text.encode("utf-8", errors="replace")
    return Given(name=PASTED, raw=raw, key=f"bring-{turn}-{hashlib.sha256(raw).hexdigest()[:16]}")


def _size(count: int) -> str:
    return f"{count / 1e6:,.1f} MB" if count >= 1e6 else f"{count / 1e3:,.1f} kB"
