"""If this is blocked, where does it come up first, and what gets past the barrier?"""

from __future__ import annotations

import math
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator
from streamlit_folium import st_folium

from app import cache
from app.parts import part
from app.views.drains_answer import show_headline, show_sections, show_tables
from app.views.drains_files import show_files
from app.widgets import chrome
from geo.drains.storage import Inflow
from geo.draw.drains_map import answer_layers
from geo.draw.scene import Scene
from geo.errors import InputError
from geo.findings.drains import DrainAnswer, Drains, ask_drains, rain_on

HOSE, RAIN, POURS = "Hose", "Rain", "Pump-outs"
USUAL = ""
LASTS = (5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0, 90.0, 120.0, math.inf)
POUR_L, POUR_S = 20.0, 80.0
MAP_HEIGHT = 700
BESIDE = (1.0, 1.25)
STYLE = """<style>
.wf-answer { margin: 0; font-size: 1.18rem; line-height: 1.35; font-weight: 600; overflow-wrap: anywhere; }
.st-key-drain-asked [data-testid="stSlider"] { min-width: 150px; }
.st-key-drain-asked [data-testid="stSlider"] [role="slider"] { width: 1.35rem; height: 1.35rem; }
@media (max-width: 1050px) {
  .st-key-drain-beside > div > [data-testid="stHorizontalBlock"],
  .st-key-drain-beside [data-testid="stHorizontalBlock"] { flex-wrap: wrap; }
  .st-key-drain-beside [data-testid="stColumn"] { min-width: 100% !important; }
}
</style>"""


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = chrome.open_site(head)
    if opened is None:
        return
    found, scene = opened
    drains = cache.drains(found.site.digest, found)
    if not drains.can_be_blocked:
        st.caption("No run, gully, chamber or soakaway is recorded.")
        return
    st.html(STYLE)
    _ask(drains, scene)
    show_files(found.site, scene)


@part
def _ask(drains: Drains, scene: Scene) -> None:
    """Ask what a blockage does; only this part of the page is drawn again."""
    version = scene.version
    with st.container(horizontal=True, vertical_alignment="bottom", key="drain-asked"):
        blocked = st.selectbox(
            "Blocked",
            drains.can_be_blocked,
            key=f"blocked-{version}",
            on_change=_put_in,
            args=(version, USUAL),
            width=170,
        )
        source = st.selectbox(
            "Water put in at",
            (USUAL, *drains.sources),
            key=f"source-{version}",
            format_func=lambda name: name or "just above it",
            width=170,
        )
        kind = st.segmented_control(
            "Water from", (HOSE, RAIN, POURS), default=HOSE, key=f"water-{version}", required=True
        )
        flow = _flow(kind, version)
    answer = _answer(drains, blocked, source, flow)
    if isinstance(answer, DrainAnswer):
        show_headline(answer)
    with st.container(key="drain-beside"):
        left, right = st.columns(BESIDE)
    with left:
        _map(drains, scene, answer)
    if isinstance(answer, DrainAnswer):
        with right:
            show_sections(drains, answer)
        show_tables(drains, answer)


def _flow(kind: str | None, version: str) -> tuple[Inflow | None, float, float]:
    """Return the water put in; for rain, its mm/h and minutes, since its roofs are part of the answer."""
    if kind == POURS:
        times = st.slider(f"Pump-outs of {POUR_L:g} l", 1, 8, 3, key=f"pours-{version}", width=230)
        every = st.slider("Minutes between", 2, 30, 10, key=f"every-{version}", width=230)
        return (
            Inflow.pours(POUR_L, over_s=POUR_S, times=times, wait_s=every * 60 - POUR_S),
            math.nan,
            math.nan,
        )
    name, least, most, usual, step = (
        ("Rain, mm an hour", 2.0, 100.0, 25.0, 1.0)
        if kind == RAIN
        else ("Litres a second", 0.05, 1.5, 0.25, 0.05)
    )
    rate = st.slider(name, least, most, usual, step, key=f"rate-{kind}-{version}", width=230)
    lasts = st.select_slider(
        "Minutes", LASTS, LASTS[-1], key=f"lasts-{version}", width=230, format_func=_minutes
    )
    if kind == RAIN:
        return None, rate, lasts
    return Inflow.steady(rate, minutes=lasts), math.nan, math.nan


def _minutes(lasts: float) -> str:
    return f"{lasts:g}" if math.isfinite(lasts) else "no end"


def _answer(
    drains: Drains, blocked: str, source: str, flow: tuple[Inflow | None, float, float]
) -> DrainAnswer | None:
    """Ask, or say what cannot be asked."""
    inflow, mm_h, minutes = flow
    try:
        answer = ask_drains(drains, blocked=blocked, source=source or None, inflow=inflow)
        if inflow is None:
            rain = rain_on(answer, mm_h, minutes=minutes)
            answer = ask_drains(drains, blocked=blocked, source=source or None, inflow=rain)
    except InputError as error:
        for problem in error.problems:
            st.text(str(problem))
        return None
    return answer


def _map(drains: Drains, scene: Scene, answer: DrainAnswer | None) -> None:
    """Draw the map; an answer changes only its changing layers, never the frame."""
    key = f"drain-map-{scene.version}"
    st_folium(
        cache.drains_base_map(scene, drains),
        key=key,
        height=MAP_HEIGHT,
        use_container_width=True,
        returned_objects=["last_active_drawing"],
        feature_group_to_add=answer_layers(scene, drains, answer, lines=cache.run_lines(scene, drains)),
        render=False,
        on_change=lambda: _choose(drains, scene.version, st.session_state.get(key)),
    )


def _choose(drains: Drains, version: str, told: Any) -> None:
    """Take over what was chosen on the map: an id, looked up among the records."""
    drawn = told.get("last_active_drawing") if isinstance(told, dict) else None
    chosen = drawn.get("properties") if isinstance(drawn, dict) else None
    if not isinstance(chosen, dict):
        return
    name, way = chosen.get("id"), chosen.get("chosen")
    if way == "blocked" and name in drains.can_be_blocked:
        st.session_state[f"blocked-{version}"] = name
        _put_in(version, USUAL)
    elif way == "source" and name in drains.sources:
        _put_in(version, str(name))


def _put_in(version: str, source: str) -> None:
    """Put water in somewhere else from the next run on."""
    st.session_state[f"source-{version}"] = source
