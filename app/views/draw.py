"""Where does everything stand?"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator
from streamlit_folium import st_folium

from app import cache, desk, workspace
from app.desk import Desk
from app.parts import part
from app.views.by_tape import by_tape
from app.views.type_in import grid
from app.widgets import chrome
from app.widgets.conflict import show_conflicts
from geo.draw.edit_map import drawing_layer
from geo.draw.overlay import Overlay
from geo.entry.backdrop import backdrop, window
from geo.entry.drawing import Drawn, shapes_of, take_drawings, tie_of, to_features
from geo.entry.outline import outline_from_tapes
from geo.entry.plans import kept_plans
from geo.entry.sheets import SHEETS
from geo.errors import GeometryError, InputError, WallfootError
from geo.site.records import KINDS, Record
from geo.store.changes import Change, Put, Remove
from geo.store.said import Conflict

SHEET_OF = {
    "building": "buildings",
    "gully": "gullies",
    "downpipe": "downpipes",
    "chamber": "chambers",
    "soakaway": "soakaways",
    "fixture": "fixtures",
    "run": "runs",
    "kerb": "kerbs",
    "ground_patch": "patches",
    "floor_zone": "floors",
    "service": "services",
}
NEEDED = {"ground_patch": "surface", "service": "service_kind", "fixture": "fixture_kind"}
"""Kinds one field of which must be chosen before anything is drawn."""
HEIGHT = 620
NO_PLAN = "none"


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = desk.open_desk(head, "Draw it")
    if opened is None:
        return
    kind = st.segmented_control(
        "What",
        list(SHEET_OF),
        format_func=lambda name: SHEETS[SHEET_OF[name]].title,
        key="draw-kind",
        default="building",
        required=True,
        label_visibility="collapsed",
    )
    _page(opened.site_id, kind)


@part
def _page(site_id: str, kind: str) -> None:
    at = desk.current(site_id)
    fields = _fields(at, kind)
    fresh = kind == "building" and not at.site.of("building")
    if fresh:
        chrome.note("The outline comes first: type it as it was taped, or draw it on the map below.")
        _typed_outline(at)
    if not KINDS[kind].shape:
        with st.expander("Place one by tape", key=f"by-tape-{kind}", on_change="rerun"):
            by_tape(at, kind)
    if fields is not None:
        _map(at, kind, fields)
    _said(at, kind)
    if kind == "building" and not fresh:
        _typed_outline(at)
    with st.expander(
        f"{SHEETS[SHEET_OF[kind]].title}: what is known of them",
        expanded=True,
        key=f"known-{kind}",
        on_change="rerun",
    ):
        grid(site_id, SHEETS[SHEET_OF[kind]], (), every=True)


def _fields(at: Desk, kind: str) -> dict[str, str] | None:
    """Ask for what a new one cannot be without."""
    if kind not in NEEDED:
        return {}
    column = SHEETS[SHEET_OF[kind]].columns(ref=at.site.reference)
    words = next(one for one in column if one.name == NEEDED[kind]).words
    chosen = st.pills(
        NEEDED[kind].replace("_", " "),
        list(words),
        format_func=words.__getitem__,
        key=f"new-{kind}",
        default=next(iter(words)),
        required=True,
    )
    return {NEEDED[kind]: chosen}


def _map(at: Desk, kind: str, fields: Mapping[str, str]) -> None:
    state = f"draw-{at.site_id}-{kind}"
    shapes = shapes_of(at.site, kind, at.perimeter)
    held = st.session_state.setdefault(f"draw-{at.site_id}-window", window(at.site, at.perimeter))
    gone = set(st.session_state.get(f"{state}-gone", ()))
    shown = {name: shape for name, shape in shapes.items() if name not in gone}
    under = _plan_under(at)
    if under is not None and not at.site.of("building"):
        held = under[0].bounds
    bounds = tuple((south_or_north, west_or_east) for south_or_north, west_or_east in held)
    made = cache.drawing_base(bounds, KINDS[kind].shape or "Point", under)
    layers = drawing_layer(
        backdrop(at.site, at.perimeter, without=kind),
        to_features(shown, at.site),
        version=at.version * 1000 + len(gone) + st.session_state.get(f"{state}-again", 0),
    )
    back = st_folium(
        made,
        key=f"{state}-map",
        height=HEIGHT,
        use_container_width=True,
        returned_objects=["all_drawings"],
        feature_group_to_add=layers,
    )
    _take(at, kind, back.get("all_drawings"), shown, state, fields)


def _plan_under(at: Desk) -> tuple[Overlay, str] | None:
    """Offer the placed plans of the site, and return the one that lies under the map."""
    plans = kept_plans(at.site)
    if not plans:
        return None
    names = [NO_PLAN, *plans]
    chosen = st.selectbox(
        "Plan under the map", names, index=len(names) - 1, key=f"draw-{at.site_id}-plan", width=420
    )
    if chosen == NO_PLAN:
        return None
    try:
        return cache.plan_under(plans[chosen], f"{at.site.info.crs} {tie_of(at.site)}", at.site)
    except InputError as error:
        st.text(str(error))
        return None


def _take(
    at: Desk, kind: str, drawings: Any, shown: Mapping[str, Any], state: str, fields: Mapping[str, str]
) -> None:
    """Deal with what was drawn, once."""
    if drawings is None:
        return
    told = json.dumps(drawings, sort_keys=True)
    if told == st.session_state.get(f"{state}-last"):
        return
    st.session_state[f"{state}-last"] = told
    drawn = take_drawings(drawings, shown, at.site, kind, perimeter=at.perimeter, fields=fields)
    if not drawn.new and not drawn.moved and not drawn.missing and not drawn.said:
        return
    _keep(at, drawn, state)
    st.session_state[f"{state}-gone"] = tuple({*st.session_state.get(f"{state}-gone", ()), *drawn.missing})
    st.session_state[f"{state}-again"] = st.session_state.get(f"{state}-again", 0) + 1
    st.rerun(scope="fragment")


def _keep(at: Desk, drawn: Drawn, state: str) -> None:
    changes: list[Change] = [Put(record) for record in drawn.new]
    changes += [Put(record, at.versions.get(record.id)) for record in drawn.moved]
    outcome = desk.save(at.site_id, changes)
    st.session_state[f"{state}-said"] = drawn.said if outcome.saved else (outcome.told,)
    st.session_state[f"{state}-conflicts"] = outcome.conflicts
    st.session_state[f"{state}-save"] = outcome.save_id


def _said(at: Desk, kind: str) -> None:
    """Say what the last stroke did, and offer the way back."""
    state = f"draw-{at.site_id}-{kind}"
    for sentence in st.session_state.get(f"{state}-said", ()):
        st.text(sentence)
    save_id = st.session_state.get(f"{state}-save", 0)
    if save_id and st.button("Undo that", key=f"{state}-undo"):
        try:
            workspace.store().undo(at.site_id, save_id, by=workspace.role())
            st.session_state[f"{state}-said"] = ("Undone.",)
        except WallfootError as error:
            st.session_state[f"{state}-said"] = (str(error),)
        st.session_state[f"{state}-save"] = 0
        st.session_state[f"{state}-again"] = st.session_state.get(f"{state}-again", 0) + 1
        st.rerun(scope="fragment")
    show_conflicts(
        st.session_state.get(f"{state}-conflicts", ()),
        name=state,
        keep_mine=lambda conflict: _settle(at, state, conflict, mine=True),
        take_theirs=lambda conflict: _settle(at, state, conflict, mine=False),
    )
    gone = [name for name in st.session_state.get(f"{state}-gone", ()) if name in at.versions]
    if gone:
        st.text(f"No longer drawn: {', '.join(gone)}. Take it out of the site, or put it back on the map?")
        with st.container(horizontal=True):
            if st.button("Take out", key=f"{state}-out"):
                outcome = desk.save(at.site_id, [Remove(kind, name, at.versions[name]) for name in gone])
                st.session_state[f"{state}-said"] = (outcome.told or f"{', '.join(gone)} taken out.",)
                st.session_state[f"{state}-save"] = outcome.save_id
                st.session_state[f"{state}-gone"] = ()
                st.rerun(scope="fragment")
            if st.button("Put back", key=f"{state}-back"):
                st.session_state[f"{state}-gone"] = ()
                st.session_state[f"{state}-again"] = st.session_state.get(f"{state}-again", 0) + 1
                st.rerun(scope="fragment")


def _settle(at: Desk, state: str, conflict: Conflict, *, mine: bool) -> None:
    if mine and isinstance(conflict.mine, Record):
        base = conflict.version if conflict.theirs is not None else None
        outcome = desk.save(at.site_id, [Put(conflict.mine, base)])
        st.session_state[f"{state}-said"] = (outcome.told,) if outcome.told else ()
    left = [other for other in st.session_state[f"{state}-conflicts"] if other is not conflict]
    st.session_state[f"{state}-conflicts"] = tuple(left)
    st.session_state[f"{state}-again"] = st.session_state.get(f"{state}-again", 0) + 1


def _typed_outline(at: Desk) -> None:
    """Make an outline of taped lengths and turns, clockwise."""
    with st.expander(
        "Type the outline: lengths and turns",
        expanded=not at.site.of("building"),
        key="type-outline",
        on_change="rerun",
    ):
        chrome.note(
            "Walk clockwise with the wall on the right: a length in metres, then r or l for a right angle,"
            " r45 for another. 9.40 r 6.20 r 9.40 r 6.20"
        )
        with st.container(horizontal=True, vertical_alignment="bottom"):
            typed = st.text_input("Lengths and turns", key="outline-typed", width=420)
            bearing = st.number_input("First wall runs toward, ° from north", 0.0, 360.0, 0.0, 1.0, width=220)
            east = st.number_input(
                "First corner, easting", value=at.site.info.start_easting_m or 0.0, width=180
            )
            north = st.number_input(
                "First corner, northing", value=at.site.info.start_northing_m or 0.0, width=180
            )
            if st.button("Draw it", type="primary", key="outline-make") and typed.strip():
                _make_outline(at, typed, bearing, (east, north))


def _make_outline(at: Desk, typed: str, bearing: float, start: tuple[float, float]) -> None:
    state = f"draw-{at.site_id}-building"
    try:
        made = outline_from_tapes(typed, ref=at.site.reference, first_bearing_deg=bearing, start=start)
    except GeometryError as error:
        st.session_state[f"{state}-said"] = (f"{error}.",)
        st.rerun(scope="fragment")
    feature = to_features({"": made.polygon}, at.site)[0] | {"properties": {}}
    drawn = take_drawings([feature], {}, at.site, "building", perimeter=at.perimeter)
    _keep(at, drawn, state)
    if st.session_state[f"{state}-save"]:
        told = f"It closed within {made.misclosure_m:.3f} m; {made.allowed_m:.3f} m may be shared out."
        st.session_state[f"{state}-said"] = (*drawn.said, told)
    st.session_state.pop(f"draw-{at.site_id}-window", None)
    st.rerun(scope="fragment")
