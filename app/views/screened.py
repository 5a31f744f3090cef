"""Of many homes screened from a ground model: to which walls does the ground surely fall?"""

from __future__ import annotations

from pathlib import Path

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import cache_homes
from app.views import homes_parts as parts
from app.widgets import chrome
from app.widgets.many_map import packed, show_many
from app.widgets.table import show_table
from geo.screen.places import LEGEND, homes_count, reasons_of
from geo.screen.said import CAUTION, home_said

CHOSEN = "screened-home"


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    file = cache_homes.screened()
    if file is None:
        chrome.heading(head, "Screened homes", "No file of screened homes is named.")
        return
    changed = file.stat().st_mtime
    st.html(parts.STYLE)
    chrome.heading(
        head, "Homes screened from a ground model", f"{file.name} · {homes_count(file):,} homes", CAUTION
    )
    places = cache_homes.screened_places(file, changed)
    counts = places["verdict"].value_counts()
    parts.figures(
        [
            (f"{counts.get('toward', 0):,}", "the ground surely falls to a wall"),
            (f"{counts.get('not known', 0):,}", "not known"),
            (
                f"{counts.get('away', 0) + counts.get('level', 0):,}",
                "away or level at every wall that is known",
            ),
        ]
    )
    left, right = st.columns([1.35, 1])
    chosen = str(st.session_state.get(CHOSEN, "") or st.query_params.get("home", ""))
    with left:
        if places.empty:
            chrome.note("No home of it has a place.")
        else:
            show_many(
                "screened",
                packed(places["home_id"], places["x_m"], places["y_m"], places["step"], [""] * len(places)),
                version=f"{file}|{changed}",
                title="Ground at the walls",
                legend=LEGEND,
                on_open=_choose,
                marked=chosen,
                told=f"{len(places):,} homes.",
            )
    with right:
        st.text_input("Open a home by its number", key="screened-find", on_change=_find)
        _home(file, changed, chosen)


def _choose(home_id: str) -> None:
    st.session_state[CHOSEN] = home_id
    st.query_params["home"] = home_id


def _find() -> None:
    _choose(str(st.session_state.get("screened-find", "")).strip()[:200])


def _home(file: Path, changed: float, home_id: str) -> None:
    """Show one home's faces with their falls, and why what is not known is not."""
    if not home_id:
        chrome.note("Touch a home on the map: its faces stand here, each with its fall and range.")
        return
    homes, walls = cache_homes.screened_home(file, changed, home_id)
    if homes.empty:
        st.text(f"There is no home {home_id[:80]} in this file.")
        return
    home = homes.to_dict("records")[0]
    parts.sub(f"Home {home_id}")
    for line in home_said(home):
        st.text(line)
    table = reasons_of(walls).drop(columns=["to_m", "from_m"])
    show_table(
        table.rename(columns={"bearing_deg": "faces, ° from grid north", "said": "in a sentence"}), digits=0,
        empty="No wall of it was looked at.",
    )  # fmt: skip
    parts.take_away("screened-home", walls, key="take-screened")
