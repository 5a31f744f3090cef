"""Where is it wet, and what could wet it?"""

from __future__ import annotations

import streamlit as st
from streamlit_folium import st_folium

from app import cache
from app.widgets import chrome
from geo.draw.map import base_map, changing_layers, standalone_html
from geo.draw.offline import served_from
from geo.draw.scene import Scene

LAYERS = ("Readings", "Wet stretches", "Fall by levels", "Fall by raster", "Pools")
HEIGHT = 720


def show() -> None:
    """Draw the page."""
    opened = chrome.open_site()
    if opened is None:
        return
    _map(opened[1])
    scene = opened[1]
    st.download_button(
        "Map as one file that opens anywhere",
        cache.made(scene.version, "map.html", lambda: standalone_html(scene)),
        file_name="map.html",
        mime="text/html",
    )


@st.fragment
def _map(scene: Scene) -> None:
    """Draw the map; filters change only its changing layers, never the frame."""
    groups = sorted(scene.readings["group"].unique())
    left, middle, right = st.columns([3, 2, 1.2])
    with left:
        layers = st.pills(
            "Layers", LAYERS, selection_mode="multi", default=[*LAYERS[:3], LAYERS[4]], key="layers"
        )
    with middle:
        group = st.selectbox(
            "Readings of",
            ["every group", *groups],
            key="group",
            format_func=lambda key: key.replace("|", ", "),
        )
    with right:
        only_wet = st.toggle("Wet only", key="only_wet")
    own = scene.readings
    own = own if group == "every group" else own[own["group"] == group]
    own = own[own["wet"] == "wet"] if only_wet else own
    shaded = cache.overlay(scene.version, scene)
    picture, address = shaded if shaded else (None, None)
    made = served_from(base_map(scene, overlay=picture, overlay_url=address), cache.map_address)
    changing = changing_layers(
        scene, show={"readings": list(own.index), "hidden": [name for name in LAYERS if name not in layers]}
    )
    st_folium(
        made,
        key=f"map-{scene.version}",
        height=HEIGHT,
        use_container_width=True,
        returned_objects=[],
        feature_group_to_add=[group for group in changing if group.layer_name in layers],
    )
