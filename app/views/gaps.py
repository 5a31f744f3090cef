"""What is not known, and what would end it most cheaply?"""

from __future__ import annotations

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app.widgets import chrome
from app.widgets.table import show_table

FIRST = 25
"""As many stand on the page at once; the rest is folded."""
COVERAGE = {
    "ring_key": "wall",
    "side": "side",
    "readable_m": "can be read, m",
    "read_m": "read, m",
    "unread_m": "not read, m",
}


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = chrome.open_site(head)
    if opened is None:
        return
    found, scene = opened
    st.markdown("##### How much wall was read")
    coverage = found.coverage.assign(ring_key=found.coverage["ring_key"].map(scene.place))
    show_table(coverage[list(COVERAGE)].rename(columns=COVERAGE), empty="There is no wall to read.")
    st.markdown("##### What to settle, and how")
    minutes = sum(gap.minutes for gap in found.gaps)
    chrome.note(f"{len(found.gaps)} things not known; about {minutes:.0f} minutes on site would end them.")
    rows = [
        {
            "not known": gap.what,
            "where": gap.where,
            "to settle it": gap.settle,
            "minutes": gap.minutes,
            "why it matters": gap.why,
        }
        for gap in found.gaps
    ]
    show_table(pd.DataFrame(rows[:FIRST]), digits=0, empty="Nothing that was asked is left open.")
    if rest := rows[FIRST:]:
        with st.expander(f"{len(rest)} more"):
            show_table(pd.DataFrame(rest), digits=0)
