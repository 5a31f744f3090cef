"""Is it drying, which reading settles it, and when may the plasterer come?"""

from __future__ import annotations

from html import escape

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import access, cache, cache_drying, desk, session
from app.views import drying_type
from app.widgets import chrome, drawing
from app.widgets.table import show_table
from app.widgets.text import plain
from geo.draw.svg import to_png
from geo.drying.document import (
    air_table,
    pairs_table,
    points_table,
    releases_table,
    state_of,
    summary,
    water_lines,
    water_table,
)
from geo.drying.release import Release
from geo.drying.report import Drying

ALL = "all points"
LANE_PX, LARGE_PX, LEAST_PX = 140.0, 330.0, 760
EMPTY = (
    "Nothing of drying is on record.",
    "Mark fixed points (sheet Drying points), each with its method, depth, dry reference and goal.",
    "Read them in the same way every time (Readings at drying points); log the machines (Drying machines).",
    "The clock starts at hold point HP2: the source tested again with enough water, and nothing shown.",
    "Until then falling readings are seepage with the source open, not drying.",
)


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = chrome.open_site(head)
    if opened is None:
        return
    found, _ = opened
    told = cache_drying.drying(found)
    if not told.recorded:
        chrome.note(*EMPTY)
        return
    if told.points:
        _picked(told, _choose(told))
        _type(told)
    _handed_on(told)
    _points(told)
    _water(told)
    _again(told)
    _take_away(told)


def _type(told: Drying) -> None:
    """Offer to type what the points read now, where the site is recorded in."""
    chosen = session.chosen()
    if not chosen.site_id:
        desk.offer_copy("This is a folder, to look at. Readings are typed on a copy in the workspace.")
    elif access.visitor().allows("record"):
        with st.expander("Read the points now", key="drying-type"):
            drying_type.show(chosen.site_id, told)
        if kept := st.session_state.pop(f"dry-kept-{chosen.site_id}", ""):
            st.text(kept)


def _choose(told: Drying) -> str:
    """Offer the points, the slowest first, and the places several of them stand on."""
    names = {ALL: "All points", **{one.point_id: f"{one.point_id} · {state_of(one)}" for one in told.points}}
    names |= {key: f"{each.place.name}, {each.place.trade}" for key, each in _places(told).items()}
    key = f"drying-{told.site.digest}"
    if st.session_state.get(key) not in names:
        asked, slow = st.query_params.get("point", ""), told.slowest
        st.session_state[key] = asked if asked in names else slow.point_id if slow else ALL
    picked = st.pills(
        "Fixed point, the slowest first, or place",
        list(names),
        key=key,
        format_func=lambda name: plain(names[name]),
        required=True,
    )
    st.query_params["point"] = str(picked)
    return str(picked)


def _places(told: Drying) -> dict[str, Release]:
    """Return the places with more than one point, by a name no point has."""
    several = [each for each in told.releases if len(each.place.point_ids) > 1]
    return {f"place {number}": each for number, each in enumerate(several, start=1)}


def _picked(told: Drying, picked: str) -> None:
    """Say what is to be said of a point, a place or all, and draw it."""
    place = _places(told).get(picked)
    only: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    if place is not None:
        only = place.place.point_ids
        _say(
            f"{place.place.name}: {place.verdict.word} to the {place.place.trade}, {place.verdict.because}.",
            "",
        )
        notes = place.lacks
    elif picked == ALL:
        _say(summary(told), "")
    else:
        one, only = told.point(picked), (picked,)
        _say(one.sentence, one.settle)
        notes = (
            *one.cautions,
            *one.series.told,
            *(f"{rise.word}: {rise.because}. {rise.settle}" for rise in one.rises),
        )
    chrome.note(*notes)
    lane = LARGE_PX if len(only) == 1 else LANE_PX
    svg = cache_drying.drawing(told.site.digest, only, lane, told)
    drawing.show_svg(svg, alt=f"Drying of {', '.join(only) or ALL}", key="fitted-drying", least_px=LEAST_PX)
    with st.container(horizontal=True):
        access.download(
            "Drawing as SVG", svg, file_name="drying.svg", mime="image/svg+xml", on_click="ignore"
        )
        access.download(
            "Drawing as PNG",
            lambda: cache.made(told.site.digest, f"drying-{picked}.png", lambda: to_png(svg)),
            file_name="drying.png",
            mime="image/png",
            on_click="ignore",
        )


def _say(sentence: str, settle: str) -> None:
    """Say the sentence, and what settles it; every word of it is text."""
    more = f"<p><b>What settles it</b> {escape(settle)}</p>" if settle else ""
    with st.container(border=True, key="drying-said"):
        st.html(f'<div class="wf-card"><b>{escape(sentence)}</b>{more}</div>')


def _handed_on(told: Drying) -> None:
    st.markdown("##### May it be handed on?")
    show_table(releases_table(told), empty="No wet stretch inside, and no fixed point.")
    chrome.note(
        "Readings speak here. A person lets the next trade in, and records it as hold point HP5 or HP6."
    )


def _points(told: Drying) -> None:
    if told.points:
        st.markdown("##### Points, the slowest first")
        show_table(points_table(told).rename(columns={"a week": "change a week"}))


def _water(told: Drying) -> None:
    st.markdown("##### Litres")
    for line in water_lines(told):
        st.text(line)
    show_table(water_table(told), digits=1, empty="No point has its area, thickness and contents on record.")
    st.markdown("##### Air")
    show_table(air_table(told), empty="No air was logged in two places at one time.")
    chrome.note(*(f"{one.day:%d.%m.%Y}: {one.because}" for one in told.tent))


def _again(told: Drying) -> None:
    if len(told.pairs) or told.back:
        st.markdown("##### The survey's places read again")
        show_table(pairs_table(told), digits=0, empty="No reading repeats an earlier one.")
        chrome.note(*told.back)


def _take_away(told: Drying) -> None:
    made = cache_drying.files(told.site.digest, told)
    labels = {
        "drying-points.csv": "Points", "drying-readings.csv": "Readings", "drying-water.csv": "Litres",
        "drying-release.csv": "Releases", "drying.json": "All as JSON",
    }  # fmt: skip
    with st.container(horizontal=True):
        for name, label in labels.items():
            access.download(label, made[name], file_name=name, on_click="ignore", key=f"take-{name}")
