"""What the drainage contractor takes along."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from app import access, cache
from app.widgets import chrome
from geo.draw.map import on_earth
from geo.draw.scene import Scene
from geo.exchange.setting_out import MAP_FILES
from geo.site.model import Site

FILES = {
    "setting-out.pdf": ("Setting-out sheet, PDF", "application/pdf"),
    "setting-out.dxf": ("Drawing, DXF", "image/vnd.dxf"),
    "setting-out.geojson": ("Map, GeoJSON", "application/geo+json"),
    "setting-out.gpx": ("Waypoints, GPX", "application/gpx+xml"),
    cache.PACK_TABLES: ("Tables, CSV", "application/zip"),
    cache.PACK_WHOLE: ("All in one, ZIP", "application/zip"),
}


def show_files(site: Site, scene: Scene) -> None:
    """Offer the contractor's pack, each file by itself and all of them in one; made when asked for."""
    st.markdown("##### For the drainage contractor")
    with st.container(horizontal=True):
        for name, (label, mime) in FILES.items():
            if name in MAP_FILES and not on_earth(scene):
                continue
            access.download(
                label, _maker(site, name), file_name=name, mime=mime, on_click="ignore", key=f"pack-{name}"
            )
    chrome.note(
        "Locate services and dig by hand near them; never enter a chamber; treat foul water as infectious;"
        " follow local codes. The pack certifies nothing."
    )


def _maker(site: Site, name: str) -> Callable[[], bytes]:
    return lambda: cache.pack(site.digest, site)[name]
