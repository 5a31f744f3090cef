"""What does the perimeter look like, unrolled?"""

from __future__ import annotations

import streamlit as st

from app import cache
from app.widgets import chrome, drawing
from geo.draw.svg import to_png


def show() -> None:
    """Draw the page."""
    opened = chrome.open_site()
    if opened is None:
        return
    found, scene = opened
    ring = chrome.choose_ring(scene)
    svg = cache.strip_svg(scene.version, ring, scene)
    drawing.show_svg(svg, alt=f"Developed strip of {ring}")
    first, second, _ = st.columns([1, 1, 3])
    first.download_button("Strip as SVG", svg, file_name="strip.svg", mime="image/svg+xml")
    second.download_button(
        "Strip as PNG",
        cache.made(scene.version, f"strip-{ring}.png", lambda: to_png(svg)),
        file_name="strip.png",
        mime="image/png",
    )
    st.markdown("##### Wet stretches")
    own = found.stretches[found.stretches["ring_key"] == ring]
    if own.empty:
        st.caption("No reading on this wall is wet against its own control.")
        return
    shown = {
        "side": "side",
        "chainage_from_m": "from, m",
        "chainage_to_m": "to, m",
        "length_m": "length, m",
        "highest": "highest",
        "n_wet": "wet",
        "n": "readings",
        "group": "method | material | basis | instrument",
        "profile": "by height",
        "profile_settle": "to settle it",
    }
    st.dataframe(own[list(shown)].rename(columns=shown).round(2), width="stretch")
