"""What does the perimeter look like, unrolled?"""

from __future__ import annotations

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import access, cache
from app.widgets import chrome, drawing
from app.widgets.table import show_table
from app.widgets.text import group_words
from geo.draw.svg import to_png

SIZES = ("To read, scrolls sideways", "Whole, at the page's width")
SHOWN = {
    "side": "side",
    "chainage_from_m": "from, m",
    "chainage_to_m": "to, m",
    "length_m": "length, m",
    "highest": "highest",
    "n_wet": "wet",
    "n": "readings",
    "group": "method, material, basis, instrument",
    "profile": "by height",
    "profile_settle": "to settle it",
}


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = chrome.open_site(head)
    if opened is None:
        return
    found, scene = opened
    with st.container(horizontal=True):
        ring = chrome.choose_ring(scene)
        size = st.segmented_control(
            "Size",
            SIZES,
            default=SIZES[0],
            key="strip-size",
            required=True,
            label_visibility="collapsed",
            width="content",
        )
    svg = cache.strip_svg(scene.version, ring, scene)
    drawing.show_svg(
        svg,
        alt=f"Developed strip of {scene.place(ring)}",
        key="fitted-strip" if size == SIZES[1] else "strip",
        least_px=0 if size == SIZES[1] else None,
    )
    with st.container(horizontal=True):
        access.download("Strip as SVG", svg, file_name="strip.svg", mime="image/svg+xml", on_click="ignore")
        access.download(
            "Strip as PNG",
            lambda: cache.made(scene.version, f"strip-{ring}.png", lambda: to_png(svg)),
            file_name="strip.png",
            mime="image/png",
            on_click="ignore",
        )
    st.markdown("##### Wet stretches")
    own = found.stretches[found.stretches["ring_key"] == ring]
    shown = own[list(SHOWN)].assign(group=own["group"].map(group_words)).rename(columns=SHOWN)
    shown.insert(0, "stretch", own.index.astype(str))
    show_table(shown, empty="No reading on this wall is wet against its own control.")
