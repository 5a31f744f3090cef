"""Does the ground send water to the house, and how sure is that?"""

from __future__ import annotations

import pandas as pd
import streamlit as st

from app import cache
from app.widgets import chrome, drawing

SHOWN = {
    "chainage": "chainage, m",
    "face": "face",
    "evidence": "by",
    "verdict": "verdict",
    "because": "because",
    "settle": "to settle it",
}


def show() -> None:
    """Draw the page."""
    opened = chrome.open_site()
    if opened is None:
        return
    found, scene = opened
    ring = chrome.choose_ring(scene)
    drawing.show_svg(
        cache.ring_svg(scene.version, ring, scene), alt=f"Falls and clearances of {ring}", natural=False
    )
    for note in found.notes:
        st.caption(note)
    falls, clearance, ponds, uphill = st.tabs(["Falls", "Clearance", "Pools", "Ground uphill"])
    with falls:
        _table(found.ground.falls, scene.stations, ring, list(SHOWN))
    with clearance:
        _table(found.ground.clearance, scene.stations, ring, [name for name in SHOWN if name != "evidence"])
    with ponds:
        own = found.ground.ponds[found.ground.ponds["ring_key"] == ring]
        columns = [
            "gullies",
            "level_m",
            "depth_max_m",
            "volume_l",
            "chainage_from_m",
            "chainage_to_m",
            "verdict",
            "because",
        ]
        st.dataframe(pd.DataFrame(own)[columns].round(3), hide_index=True, width="stretch")
    with uphill:
        own = _placed(found.ground.uphill, scene.stations, ring)
        own = own[own["area_m2"] > 0][["chainage", "face", "area_m2", "reaches_raster_edge"]]
        names = {"area_m2": "drains to it, m²", "reaches_raster_edge": "at least: runs off the raster"}
        st.dataframe(own.rename(columns=names).round(1), hide_index=True, width="stretch")


def _placed(table: pd.DataFrame, stations: pd.DataFrame, ring: str) -> pd.DataFrame:
    """Put each result beside its place on one ring."""
    place = stations[stations["ring_key"] == ring]
    place = pd.DataFrame(place)[["station_id", "face", "chainage_from_m", "chainage_to_m"]]
    joined = place.merge(table, on="station_id")
    spans = (
        joined["chainage_from_m"].map("{:.1f}".format) + "-" + joined["chainage_to_m"].map("{:.1f}".format)
    )
    return joined.assign(chainage=spans)


def _table(table: pd.DataFrame, stations: pd.DataFrame, ring: str, columns: list[str]) -> None:
    own = _placed(table, stations, ring)
    own = own[own["verdict"] != "party"]
    st.dataframe(own[columns].rename(columns=SHOWN), hide_index=True, width="stretch")
