"""Map layers and drawings on their way in."""

from __future__ import annotations

import streamlit as st
from pyproj import CRS
from streamlit_folium import st_folium

from app import cache
from app.desk import Desk
from app.views.bring_in_said import Given, ask, facts_table, refused, show_problems
from app.views.bring_in_table import kept_mapping, map_columns, outcome
from app.widgets import chrome
from app.widgets.text import plain
from geo.draw.edit_map import looking_layer
from geo.entry.backdrop import backdrop
from geo.entry.drawing import tie_of
from geo.entry.importing import (
    FROM_DRAWING,
    grid_named,
    kind_titles,
    layer_kinds,
    preview_features,
    preview_window,
    same_for_all,
    satellite_question,
)
from geo.errors import InputError
from geo.intake.apply import Intake
from geo.intake.kept import to_toml
from geo.intake.mapping import ColumnMap
from geo.intake.vector import DRAWN_UNITS, VectorFile, VectorLayer, look_at_vector, take_vector
from geo.reference import Reference

OWN, DEGREES, OTHER = "own", "EPSG:4326", "other"
MOST_TRIED = 6
HEIGHT = 420


def layers(at: Desk, given: Given) -> None:
    """Take a file of layers through to records."""
    found = _looked(given.key, at.site_id, _given=given, _ref=at.site.reference)
    if refused(found.problems, key=given.key, file=found.file):
        return
    show_problems(found.problems, key=f"{given.key}-looked", file=found.file)
    number = 0
    if len(found.layers) > 1:
        number = st.selectbox(
            "Layer",
            range(len(found.layers)),
            format_func=lambda at: _layer_words(found.layers[at]),
            key=f"{given.key}-layer",
            width=420,
        )
    layer = found.layers[number]
    facts_table(
        {
            "shapes": ", ".join(f"{count:,} {name}" for name, count in layer.types.items()),
            "grid": layer.crs.name if layer.crs else "none stated",
            "unit": layer.unit or "none stated",
            "from, to": "{:,.3f}, {:,.3f} to {:,.3f}, {:,.3f}".format(*layer.bounds),
        }
    )
    if layer.remarks:
        chrome.note(*layer.remarks)
    key = f"{given.key}-{number}"
    kept = kept_mapping(key)
    kinds = layer_kinds(layer)
    titles = kind_titles()
    kind = st.selectbox(
        "Its shapes are",
        kinds,
        index=kinds.index(kept.kind) if kept and kept.kind in kinds else None,
        format_func=titles.__getitem__,
        key=f"{key}-kind-{kept.kind if kept else ''}",
        placeholder="choose",
        width=420,
    )
    if kind is None:
        return
    _take(at, given, layer, kind, key=f"{key}-{kind}", kept=kept)


@st.cache_resource(show_spinner="reading the file", max_entries=MOST_TRIED)
def _looked(key: str, site_id: str, *, _given: Given, _ref: Reference) -> VectorFile:  # noqa: ARG001
    return look_at_vector(_given.name, _given.raw, ref=_ref)


def _layer_words(layer: VectorLayer) -> str:
    shapes = ", ".join(f"{count:,} {name}" for name, count in layer.types.items()) or "nothing"
    return f"{layer.name or 'the layer'}: {shapes}"


def _take(at: Desk, given: Given, layer: VectorLayer, kind: str, *, key: str, kept: ColumnMap | None) -> None:
    unit = _unit(layer, key=key)
    grid = _grid(at, layer, key=key)
    if unit is None or grid is None:
        st.text("Nothing comes in before that is answered.")
        return
    mapping, opened = map_columns(
        layer.sheet, kind, key=key, ref=at.site.reference, kept=kept, without=FROM_DRAWING
    )
    question = satellite_question(layer, mapping)
    if question is not None:
        said = ask(question, key=key)
        opened += not said
        mapping = same_for_all(mapping, {"position_sigma_m": said})
    told = f"{to_toml(mapping)} {unit} {grid.to_wkt()}"
    taken = _taken(
        key, told, at.site_id, at.version, _layer=layer, _mapping=mapping, _at=at, _unit=unit, _grid=grid
    )
    if taken.records:
        _map(at, taken)
    outcome(at, taken, mapping, opened, key=key, name=given.name, told=layer.remarks)


@st.cache_resource(show_spinner="holding every shape against what may be", max_entries=MOST_TRIED)
def _taken(
    key: str,  # noqa: ARG001
    told: str,  # noqa: ARG001
    site_id: str,  # noqa: ARG001
    version: int,  # noqa: ARG001
    *,
    _layer: VectorLayer,
    _mapping: ColumnMap,
    _at: Desk,
    _unit: str,
    _grid: CRS,
) -> Intake:
    site = _at.site
    return take_vector(
        _layer,
        _mapping,
        site_crs=site.crs,
        ref=site.reference,
        layer_crs=_grid,
        unit=_unit,
        tie=tie_of(site),
        existing_ids=site.ids,
    )


def _unit(layer: VectorLayer, *, key: str) -> str | None:
    """Ask in what unit a drawing was made; map layers say it by their grid."""
    if not layer.drawing:
        return layer.unit
    return st.radio(
        "In what unit was it drawn?",
        DRAWN_UNITS,
        index=DRAWN_UNITS.index(layer.unit) if layer.unit in DRAWN_UNITS else None,
        key=f"{key}-unit",
        horizontal=True,
    )


def _grid(at: Desk, layer: VectorLayer, *, key: str) -> CRS | None:
    """Return the grid a layer states, or ask."""
    if layer.crs is not None:
        return layer.crs
    words = {
        OWN: f"the site's own: {at.site.crs.name}",
        DEGREES: "longitude and latitude (WGS 84)",
        OTHER: "another",
    }
    with st.container(horizontal=True, vertical_alignment="bottom"):
        said = st.radio(
            "In what grid was it drawn?",
            list(words),
            index=None,
            format_func=lambda name: plain(words[name]),
            key=f"{key}-grid",
        )
        code = st.text_input("Its code, as EPSG:27700", key=f"{key}-grid-other") if said == OTHER else ""
    if said is None or (said == OTHER and not code.strip()):
        return None
    if said == OWN:
        return at.site.crs
    try:
        return grid_named(code if said == OTHER else said)
    except InputError as error:
        st.text(str(error))
        return None


def _map(at: Desk, taken: Intake) -> None:
    """Show what would come in over what is there."""
    coming = preview_features(taken.records, at.site)
    if not coming:
        return
    bounds = tuple((south, west) for south, west in preview_window(taken.records, at.site))
    st_folium(
        cache.looking_base(bounds),
        key=f"bring-map-{at.site_id}",
        height=HEIGHT,
        use_container_width=True,
        returned_objects=[],
        feature_group_to_add=looking_layer(backdrop(at.site, at.perimeter, without=""), coming),
    )
