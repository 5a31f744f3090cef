"""What is not known, and what would end it most cheaply?"""

from __future__ import annotations

import pandas as pd
import streamlit as st

from app.widgets import chrome


def show() -> None:
    """Draw the page."""
    opened = chrome.open_site()
    if opened is None:
        return
    found, _ = opened
    minutes = sum(gap.minutes for gap in found.gaps)
    st.caption(f"{len(found.gaps)} things not known; about {minutes:.0f} minutes on site would end them.")
    rows = [
        {
            "not known": gap.what,
            "where": gap.where,
            "why it matters": gap.why,
            "to settle it": gap.settle,
            "minutes": gap.minutes,
        }
        for gap in found.gaps
    ]
    st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch", height=620)
    st.markdown("##### How much wall was read")
    st.dataframe(found.coverage.round(2), hide_index=True, width="stretch")
