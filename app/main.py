"""Navigation, and nothing else."""

from __future__ import annotations

from functools import partial

import streamlit as st

from app import session

st.set_page_config(page_title="wallfoot", layout="wide", initial_sidebar_state="collapsed")
head = session.choose_site()
with session.starting():
    from app.views import desk_sites, drains, draw, gaps, ground, outlets, plan, strip, type_in
    from app.widgets import chrome

chrome.style()
page = st.navigation(
    {
        "": [
            st.Page(partial(plan.show, head), title="Map", url_path="map", default=True),
            st.Page(partial(strip.show, head), title="Strip", url_path="strip"),
            st.Page(partial(ground.show, head), title="Ground", url_path="ground"),
            st.Page(partial(outlets.show, head), title="Outlets", url_path="outlets"),
            st.Page(partial(drains.show, head), title="Drains", url_path="drains"),
            st.Page(partial(gaps.show, head), title="Not known", url_path="not-known"),
        ],
        "Record": [
            st.Page(partial(desk_sites.show, head), title="Site", url_path="site"),
            st.Page(partial(draw.show, head), title="Draw", url_path="draw"),
            st.Page(partial(type_in.show, head), title="Type in", url_path="type-in"),
        ],
    },
    position="top",
)
page.run()
