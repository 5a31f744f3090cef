"""Navigation, and nothing else."""

from __future__ import annotations

from functools import partial

import streamlit as st

from app import access, gate, parts, session, ways

st.set_page_config(page_title="wallfoot", layout="wide", initial_sidebar_state="collapsed")
gate.stop_strangers()
access.stop_nobody()
head, aside = session.site_open()
with session.starting():
    from app.views import (
        bring_in,
        causes,
        close_down,
        desk_sites,
        devices,
        drains,
        draw,
        drying,
        gaps,
        ground,
        levels,
        many,
        outlets,
        photos,
        plan,
        read_log,
        report,
        strip,
        test_log,
        trials,
        type_in,
        walk,
        works,
    )
    from app.widgets import chrome

chrome.style()
typing = st.Page(partial(type_in.show, head), title="Type in", url_path="type-in")
of_a_site = {
    "": [
        st.Page(partial(plan.show, head), title="Map", url_path=ways.START, default=True),
        st.Page(partial(strip.show, head), title="Strip", url_path="strip"),
        st.Page(partial(ground.show, head), title="Ground", url_path="ground"),
        st.Page(partial(outlets.show, head), title="Outlets", url_path="outlets"),
        st.Page(partial(drains.show, head), title="Drains", url_path="drains"),
        st.Page(partial(gaps.show, head), title="Not known", url_path="not-known"),
    ],
    "Answer": [
        st.Page(partial(causes.show, head), title="Causes", url_path="causes"),
        st.Page(partial(test_log.show, head), title="Test log", url_path="test-log"),
        st.Page(partial(works.show, head), title="Works", url_path="works"),
        st.Page(partial(drying.show, head), title="Drying", url_path="drying"),
        st.Page(partial(report.show, head), title="Report", url_path="report"),
    ],
    "Record": [
        st.Page(partial(desk_sites.show, head), title="Site", url_path="site"),
        st.Page(partial(draw.show, head), title="Draw", url_path="draw"),
        typing,
        st.Page(partial(levels.show, head), title="Levels", url_path="levels"),
        st.Page(partial(trials.show, head, typing), title="Tests", url_path="tests"),
        st.Page(partial(photos.show, head), title="Photos", url_path="photos"),
        st.Page(partial(bring_in.show, head), title="Import", url_path="import"),
    ],
    "Walk": [
        st.Page(partial(walk.show, head), title="Walk", url_path="walk"),
        st.Page(partial(close_down.show, head), title="Before you leave", url_path="before-you-leave"),
    ],
}
more = {**read_log.with_own_page(many.own_pages(head), head), **devices.own_page(head)}
pages = access.allowed({**(of_a_site if session.any_site() else session.first_site(of_a_site)), **more})
if not pages:
    session.offer_sites(aside)
    st.text("No site and no home here is yours to see yet.")
    st.stop()
named = st.Page(partial(plan.show, head), title="Map", url_path="map", visibility="hidden")
page = st.navigation(ways.with_stray(ways.known(pages), head, first=named), position="top")
ways.now_at(page)
chrome.mark_group(ways.item_of(page, pages))
session.offer_sites(aside, about_sites=page.url_path not in many.PATHS)
parts.run(page.run, page.url_path)
