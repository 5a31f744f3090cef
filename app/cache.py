"""The only cache: findings and drawings, keyed by the hash of the data they were made from."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import streamlit as st
import streamlit.components.v1 as components

from geo.draw.offline import write_sources
from geo.draw.overlay import Overlay, shade_overlay
from geo.draw.ring import draw_ring
from geo.draw.scene import Scene
from geo.draw.strip import draw_strip
from geo.errors import InputError, Problem
from geo.exchange.scene import scene_of
from geo.findings.check import read_checked
from geo.findings.examine import Findings, examine
from geo.site.folder import folder_digest

MOST_KEPT = 16


def findings_of(folder: Path) -> Findings | list[Problem]:
    """Return what was found at a site, or what is wrong with its folder; show progress the first time."""
    key = f"{folder}|{folder_digest(folder)}"
    kept = _kept()
    if key not in kept:
        bar = st.progress(0.0, text="reading the site")
        try:
            site = read_checked(folder)
            found: Findings | list[Problem] = examine(
                site, tell=lambda share, doing: bar.progress(min(share, 1.0), text=doing)
            )
        except InputError as error:
            found = list(error.problems)
        finally:
            bar.empty()
        while len(kept) >= MOST_KEPT:
            kept.pop(next(iter(kept)))
        kept[key] = found
    return kept[key]


@st.cache_resource(show_spinner=False)
def _kept() -> dict[str, Findings | list[Problem]]:
    return {}


@st.cache_resource(show_spinner=False, max_entries=MOST_KEPT)
def scene(digest: str, _found: Findings) -> Scene:
    """Return what the drawings show; ``digest`` is the key."""
    return scene_of(_found)


@st.cache_data(show_spinner="drawing the strip", max_entries=64)
def strip_svg(digest: str, ring_key: str, _scene: Scene) -> str:
    """Return the developed strip of one ring."""
    return draw_strip(_scene, ring_key)


@st.cache_data(show_spinner="drawing the ring", max_entries=64)
def ring_svg(digest: str, ring_key: str, _scene: Scene) -> str:
    """Return the ring of falls and clearances of one ring."""
    return draw_ring(_scene, ring_key)


@st.cache_data(show_spinner=False, max_entries=64)
def made(digest: str, name: str, _make: Callable[[], Any]) -> Any:
    """Return something made once for a site: a file to download, a layer of the map."""
    return _make()


@st.cache_resource(show_spinner="shading the ground", max_entries=MOST_KEPT)
def overlay(digest: str, _scene: Scene) -> tuple[Overlay, str] | None:
    """Return the shaded ground and the address it is served at."""
    shaded = shade_overlay(_scene)
    if shaded is None:
        return None
    name = hashlib.sha256(shaded.png).hexdigest()[:24] + ".png"
    path = map_files() / name
    if not path.exists():
        path.write_bytes(shaded.png)
    return shaded, map_address(name)


@st.cache_resource(show_spinner=False)
def map_files() -> Path:
    """Return the folder of scripts, styles and pictures the map asks for; nothing comes from outside."""
    folder = Path(tempfile.mkdtemp(prefix="wallfoot-map-"))
    write_sources(folder)
    return folder


def map_address(name: str) -> str:
    """Return where the app itself serves one of those files, as the map's frame asks for it."""
    return f"../{_component().name}/{name}"


@st.cache_resource(show_spinner=False)
def _component() -> Any:
    return components.declare_component("wallfoot_files", path=str(map_files()))
