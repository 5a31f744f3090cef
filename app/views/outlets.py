"""Do the wet readings gather at outlets, or were they merely taken there?"""

from __future__ import annotations

from html import escape
from typing import Any

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app.widgets import chrome
from app.widgets.table import show_table
from app.widgets.text import group_words
from geo.verdict import NOT_KNOWN

RADII = {
    "radius_m": "within, m",
    "near": "places near",
    "away": "places away",
    "wet_near": "wet near",
    "wet_away": "wet away",
    "share_near": "share wet near",
    "share_away": "share wet away",
    "p_exact": "p, labels shuffled",
}
OUTLETS = {
    "outlet_id": "outlet",
    "kind": "kind",
    "group": "method, material, basis, instrument",
    "near": "places near",
    "wet_near": "wet near",
    "p_exact": "p",
    "q": "p, adjusted for all outlets",
    "verdict": "verdict",
    "settle": "to settle it",
}


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = chrome.open_site(head)
    if opened is None:
        return
    found, _ = opened
    chrome.note(
        "The places read stay where they are; only their labels are shuffled, or turned round the ring, and"
        " the larger probability counts. Each method, material and instrument is asked by itself."
    )
    if not found.cluster_rows:
        chrome.note("No reading is wet or dry against a control near any outlet: there is nothing to ask.")
    for row in found.cluster_rows:
        _show_answer(row)
    st.markdown("##### Outlet by outlet")
    table = found.outlets.outlets[list(OUTLETS)]
    table = table.assign(group=table["group"].map(group_words)).rename(columns=OUTLETS)
    show_table(table, digits=3, tall=True, empty="No gully, downpipe or waste was recorded.")


def _show_answer(row: dict[str, Any]) -> None:
    """Show what one group of readings says."""
    lines = [f"{group_words(row['group'])}: {row['n']} places, {row['n_wet']} wet", row["sentence"]]
    if row["verdict"] != NOT_KNOWN and row["p"] == row["p"]:
        lines.append(
            f"p {row['p']:.3f}, the larger of labels shuffled {row['p_permutation']:.3f} and turned"
            f" {row['p_rotation']:.3f}"
        )
    if row["settle"] and row["settle"] not in row["sentence"]:
        lines.append(f"To settle it: {row['settle']}")
    radii = pd.DataFrame(row["radii"])
    with st.container(border=True):
        told = "".join(f"<p>{escape(line)}</p>" for line in lines)
        st.html(f'<div class="wf-card"><b>{escape(row["verdict"].capitalize())}</b>{told}</div>')
        if len(radii) and (radii["near"] + radii["away"]).any():
            shown = radii[[name for name in RADII if name in radii]].rename(columns=RADII)
            show_table(shown, digits={"within, m": 1, "p, labels shuffled": 3})
