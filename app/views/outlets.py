"""Do the wet readings gather at outlets, or were they merely taken there?"""

from __future__ import annotations

import pandas as pd
import streamlit as st

from app.widgets import chrome

RADII = {
    "radius_m": "within, m",
    "near": "places near",
    "away": "places away",
    "wet_near": "wet near",
    "wet_away": "wet away",
    "p_exact": "p, labels shuffled",
    "share_near": "share wet near",
    "share_away": "share wet away",
}


def show() -> None:
    """Draw the page."""
    opened = chrome.open_site()
    if opened is None:
        return
    found, _ = opened
    st.caption(
        "The places read stay where they are; only their labels are shuffled, or turned round the ring, and the"
        " larger probability counts. Each method, material and instrument is asked by itself."
    )
    for row in found.cluster_rows:
        with st.container(border=True):
            st.markdown(f"**{row['verdict'].capitalize()}**")
            st.text(f"{row['group'].replace('|', ', ')}: {row['n']} places, {row['n_wet']} wet")
            if row["p"] == row["p"]:
                st.text(f"p {row['p']:.3f}: labels shuffled {row['p_permutation']:.3f}, turned {row['p_rotation']:.3f}")
            st.text(row["sentence"])
            if row["settle"]:
                st.caption(f"To settle it: {row['settle']}")
            radii = pd.DataFrame(row["radii"])
            if len(radii):
                shown = [name for name in RADII if name in radii]
                st.table(radii[shown].rename(columns=RADII).round(3).astype(str).set_index(RADII["radius_m"]))
    st.markdown("##### Outlet by outlet")
    shown = {
        "outlet_id": "outlet",
        "kind": "kind",
        "group": "method | material | basis | instrument",
        "near": "places near",
        "wet_near": "wet near",
        "p_exact": "p",
        "q": "p, adjusted for all outlets",
        "verdict": "verdict",
        "settle": "to settle it",
    }
    st.dataframe(
        found.outlets.outlets[list(shown)].rename(columns=shown).round(3), hide_index=True, width="stretch"
    )
