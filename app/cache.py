"""The only cache: findings and drawings, keyed by the hash of the data they were made from."""

# ruff: noqa: ARG001 - an argument that is only hashed is the key

from __future__ import annotations

import copy
import hashlib
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import folium
import pandas as pd
import streamlit as st
import streamlit.components.v1 as components

from app import audit, workspace
from app.widgets.text import plain
from geo.draw.drains_map import drains_base
from geo.draw.drains_sketches import Lines
from geo.draw.drains_sketches import run_lines as run_lines_of
from geo.draw.edit_map import drawing_map, looking_map
from geo.draw.map import base_map, changing_layers
from geo.draw.offline import served_from, write_sources
from geo.draw.overlay import Overlay, shade_overlay
from geo.draw.ring import draw_ring
from geo.draw.scene import Scene
from geo.draw.strip import draw_strip
from geo.entry.plans import overlay_of
from geo.errors import InputError, Problem
from geo.exchange.scene import scene_of
from geo.exchange.setting_out import pack_files, pack_zip
from geo.findings.check import checked, read_checked
from geo.findings.drains import Drains, lay_out_drains
from geo.findings.examine import Findings, examine
from geo.site.folder import folder_digest
from geo.site.model import Site
from geo.walk.plan import plan_from
from geo.walk.rows import StopRow, stop_rows
from geo.walk.stops import WalkPlan

MOST_KEPT = 16
PACK_TABLES, PACK_WHOLE = "setting-out-tables.zip", "setting-out.zip"
READING_LAYERS = ("Readings", "Values of readings")


def findings_of(source: Path | str) -> Findings | list[Problem]:
    """Return what was found at a site, or what is wrong with it; show progress the first time.

    Parameters
    ----------
    source
        A site folder, or the id of a site of the workspace.
    """
    version = folder_digest(source) if isinstance(source, Path) else workspace.store().version(source)
    key = f"{source}|{version}"
    kept = _kept()
    if key in kept:
        return _folder_noted(source, kept[key])
    bar = st.progress(0.0, text="reading the site")
    try:
        site = read_checked(source) if isinstance(source, Path) else checked(workspace.store().site(source))
        found: Findings | list[Problem] = examine(
            site, tell=lambda share, doing: bar.progress(min(share, 1.0), text=plain(doing))
        )
    except InputError as error:
        found = list(error.problems)
    finally:
        bar.empty()
    while len(kept) >= MOST_KEPT:
        kept.pop(next(iter(kept)), None)
    kept[key] = found
    return _folder_noted(source, found)


def _folder_noted(source: Path | str, found: Findings | list[Problem]) -> Findings | list[Problem]:
    """Return what was found once its reading is noted; the workspace's own sites are noted by the gate."""
    if isinstance(source, Path) and not isinstance(found, list):
        audit.opened_folder(found.site, source.name)
    return found


@st.cache_resource(show_spinner=False)
def _kept() -> dict[str, Findings | list[Problem]]:
    return {}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Walk:
    """A walk planned, with what it was planned from; ``version`` changes when the plan may."""

    version: str
    found: Findings
    plan: WalkPlan
    rows: tuple[StopRow, ...]


def walk_of(source: Path | str) -> Walk | list[Problem]:
    """Return the walk of a site, or what is wrong with the site.

    A mark on a stop changes nothing it is planned from, so it is not planned anew for one.

    Raises
    ------
    WallfootError
        When the outline or a position cannot be used, or the workspace cannot be read.
    """
    version = folder_digest(source) if isinstance(source, Path) else _version_but_marks(source)
    kept = _kept_walks()
    key = f"{source}|{version}"
    if key not in kept:
        found = findings_of(source)
        if isinstance(found, list):
            return found
        with st.spinner("planning the walk"):
            plan = plan_from(found)
        while len(kept) >= MOST_KEPT:
            kept.pop(next(iter(kept)), None)
        rows = stop_rows(plan, ref=found.site.reference)
        kept[key] = Walk(version=version, found=found, plan=plan, rows=rows)
    return kept[key]


@st.cache_resource(show_spinner=False)
def _kept_walks() -> dict[str, Walk]:
    return {}


def _version_but_marks(site_id: str) -> str:
    store = workspace.store()
    marks = {mark.id for mark in store.site(site_id).of("stop_mark")}
    records = sorted(item for item in store.versions(site_id).items() if item[0] not in marks)
    files = sorted(store.file_versions(site_id).items())
    return hashlib.sha256(repr((records, files)).encode()).hexdigest()


@st.cache_resource(show_spinner=False, max_entries=MOST_KEPT)
def scene(digest: str, _found: Findings) -> Scene:
    """Return what the drawings show; ``digest`` is the key."""
    return scene_of(_found)


@st.cache_resource(show_spinner="laying out the drains", max_entries=MOST_KEPT)
def drains(digest: str, _found: Findings) -> Drains:
    """Return the drains laid out once; every question is asked of this."""
    return lay_out_drains(_found)


@st.cache_data(show_spinner="drawing the strip", max_entries=64)
def strip_svg(digest: str, ring_key: str, _scene: Scene) -> str:
    """Return the developed strip of one ring."""
    return draw_strip(_scene, ring_key)


@st.cache_data(show_spinner="drawing the ring", max_entries=64)
def ring_svg(digest: str, ring_key: str, _scene: Scene) -> str:
    """Return the ring of falls and clearances of one ring."""
    return draw_ring(_scene, ring_key)


def run_lines(scene: Scene, laid_out: Drains) -> Lines:
    """Return the lines of the runs, which no answer changes."""
    return _run_lines(scene.version, scene, laid_out)


@st.cache_resource(show_spinner=False, max_entries=MOST_KEPT)
def _run_lines(digest: str, _scene: Scene, _drains: Drains) -> Lines:
    return run_lines_of(_scene, _drains)


@st.cache_resource(show_spinner=False, max_entries=MOST_KEPT)
def pack(digest: str, _site: Site) -> dict[str, bytes]:
    """Return the contractor's pack, file by file, with the tables as one zip and the whole as another."""
    files = pack_files(_site)
    tables = [name for name in files if name.endswith(".csv")]
    return {**files, PACK_TABLES: pack_zip(files, names=tables), PACK_WHOLE: pack_zip(files)}


@st.cache_data(show_spinner=False, max_entries=64)
def made(digest: str, name: str, _make: Callable[[], Any]) -> Any:
    """Return something made once for a site, such as a file to download."""
    return _make()


def base(scene: Scene) -> folium.Map:
    """Return the part of the map no filter changes, each time a new copy, since drawing it changes it."""
    return copy.deepcopy(_base(scene.version, scene))


def drains_base_map(scene: Scene, laid_out: Drains) -> folium.Map:
    """Return the part of the drains map no answer changes, each time a new copy."""
    return copy.deepcopy(_drains_base(scene.version, scene, laid_out))


def drawing_base(
    bounds: tuple[tuple[float, float], ...], shape: str, under: tuple[Overlay, str] | None = None
) -> folium.Map:
    """Return the part of the map that stays while something is drawn on it, each time a new copy.

    Parameters
    ----------
    under
        A picture that lies under it, and the address it is served from.
    """
    return copy.deepcopy(_drawing_base(bounds, shape, "" if under is None else under[1], under))


@st.cache_resource(show_spinner=False, max_entries=MOST_KEPT)
def _drawing_base(
    bounds: tuple[tuple[float, float], ...], shape: str, address: str, _under: tuple[Overlay, str] | None
) -> folium.Map:
    overlay = None if _under is None else _under[0]
    return served_from(drawing_map(bounds, shape=shape, overlay=overlay, overlay_url=address), map_address)


def looking_base(bounds: tuple[tuple[float, float], ...]) -> folium.Map:
    """Return a small map to look at, each time a new copy."""
    return copy.deepcopy(_looking_base(bounds))


@st.cache_resource(show_spinner=False, max_entries=MOST_KEPT)
def _looking_base(bounds: tuple[tuple[float, float], ...]) -> folium.Map:
    return served_from(looking_map(bounds), map_address)


@st.cache_resource(show_spinner="laying the plan under the map", max_entries=4)
def plan_under(path: Path, crs: str, _site: Site) -> tuple[Overlay, str]:
    """Return a kept plan as a picture under the map, and the address it is served from.

    Raises
    ------
    InputError
        When the plan cannot be read, or lies in another grid.
    """
    laid = overlay_of(path, _site, ref=_site.reference)
    return laid, _serve(laid)


def changing(scene: Scene, own: pd.DataFrame, layers: tuple[str, ...]) -> list[folium.FeatureGroup]:
    """Return the layers switched on, with the readings that pass the filter.

    Layers the filter does not touch are made once for a site; those of readings once for each filter.
    """
    passing = hashlib.sha256("\n".join(map(repr, own.index)).encode()).hexdigest()
    still = _still(scene.version, scene)
    moving = _moving(scene.version, passing, scene, list(own.index))
    groups = {**still, **moving}
    return [copy.deepcopy(groups[name]) for name in groups if name in layers]


@st.cache_resource(show_spinner="drawing the map", max_entries=MOST_KEPT)
def _base(digest: str, _scene: Scene) -> folium.Map:
    shaded, address = _shade(digest, _scene)
    return served_from(base_map(_scene, overlay=shaded, overlay_url=address), map_address)


@st.cache_resource(show_spinner="drawing the drains", max_entries=MOST_KEPT)
def _drains_base(digest: str, _scene: Scene, _drains: Drains) -> folium.Map:
    shaded, address = _shade(digest, _scene)
    made = served_from(drains_base(_scene, _drains, overlay=shaded, overlay_url=address), map_address)
    made.get_root().render()  # the map component is told not to do it again
    return made


@st.cache_resource(show_spinner=False, max_entries=MOST_KEPT)
def _shade(digest: str, _scene: Scene) -> tuple[Overlay | None, str | None]:
    shaded = shade_overlay(_scene)
    return shaded, None if shaded is None else _serve(shaded)


@st.cache_resource(show_spinner=False, max_entries=MOST_KEPT)
def _still(digest: str, _scene: Scene) -> dict[str, folium.FeatureGroup]:
    groups = changing_layers(_scene, show={"hidden": ()})
    return {group.layer_name: group for group in groups if group.layer_name not in READING_LAYERS}


@st.cache_resource(show_spinner=False, max_entries=4 * MOST_KEPT)
def _moving(digest: str, passing: str, _scene: Scene, _ids: list[Any]) -> dict[str, folium.FeatureGroup]:
    groups = changing_layers(_scene, show={"readings": _ids, "layers": READING_LAYERS, "hidden": ()})
    return {group.layer_name: group for group in groups}


def _serve(shaded: Overlay) -> str:
    """Put a picture among the files the map asks for, and return its address."""
    name = hashlib.sha256(shaded.png).hexdigest()[:24] + ".png"
    path = map_files() / name
    if not path.exists():
        path.write_bytes(shaded.png)
    return map_address(name)


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
