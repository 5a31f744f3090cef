"""Where is it wet, and what could wet it?"""

from __future__ import annotations

import streamlit as st
from streamlit.delta_generator import DeltaGenerator
from streamlit_folium import st_folium

from app import access, cache
from app.parts import part
from app.widgets import chrome
from app.widgets.text import group_words
from geo.draw.map import START_HIDDEN, standalone_html
from geo.draw.scene import Scene

LAYERS = {
    "Readings": "Readings",
    "Values of readings": "Values",
    "Wet stretches": "Wet stretches",
    "Fall by levels": "Fall by levels",
    "Fall by raster": "Fall by raster",
    "Pools": "Pools",
    "Ground draining to the wall": "Ground uphill",
}
EVERY = "every group"
HEIGHT = 720


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = chrome.open_site(head)
    if opened is None:
        return
    scene = opened[1]
    _map(scene)
    access.download(
        "Map as one file that opens anywhere",
        lambda: cache.made(scene.version, "map.html", lambda: standalone_html(scene)),
        file_name="map.html",
        mime="text/html",
        on_click="ignore",
    )


@part
def _map(scene: Scene) -> None:
    """Draw the map; filters change only its changing layers, never the frame."""
    with st.container(horizontal=True, vertical_alignment="center"):
        layers = st.pills(
            "Layers",
            list(LAYERS),
            selection_mode="multi",
            default=[name for name in LAYERS if name not in START_HIDDEN],
            format_func=LAYERS.get,
            key="layers",
            label_visibility="collapsed",
            width="content",
        )
        group = st.selectbox(
            "Readings of",
            [EVERY, *sorted(scene.readings["group"].unique())],
            key=f"group-{scene.version}",
            format_func=lambda key: "Readings of every group" if key == EVERY else group_words(key),
            label_visibility="collapsed",
            width=400,
        )
        only_wet = st.toggle("Wet only", key="only_wet", width="content")
    own = scene.readings
    own = own if group == EVERY else own[own["group"] == group]
    own = own[own["wet"] == "wet"] if only_wet else own
    drawn = own["x"].notna()
    chrome.note(_count(int(drawn.sum()), int((~drawn).sum()), len(scene.readings)))
    st_folium(
        cache.base(scene),
        key=f"map-{scene.version}",
        height=HEIGHT,
        use_container_width=True,
        returned_objects=[],
        feature_group_to_add=cache.changing(scene, own, tuple(name for name in LAYERS if name in layers)),
    )


def _count(drawn: int, nowhere: int, taken: int) -> str:
    """Say how many readings pass the filter, and how many of those have no place on the map."""
    said = f"{drawn} of {taken} readings pass the filter and have a place"
    return f"{said}; {nowhere} pass it and have none." if nowhere else f"{said}."
