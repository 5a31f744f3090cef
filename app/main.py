"""Navigation, and nothing else."""

from __future__ import annotations

import streamlit as st

from app import session
from app.views import gaps, ground, outlets, plan, strip
from app.widgets import chrome

st.set_page_config(page_title="wallfoot", layout="wide", initial_sidebar_state="collapsed")
chrome.style()
page = st.navigation(
    [
        st.Page(plan.show, title="Map", default=True),
        st.Page(strip.show, title="Strip", url_path="strip"),
        st.Page(ground.show, title="Ground", url_path="ground"),
        st.Page(outlets.show, title="Outlets", url_path="outlets"),
        st.Page(gaps.show, title="Not known", url_path="not-known"),
    ],
    position="top",
)
session.choose_site()
page.run()
