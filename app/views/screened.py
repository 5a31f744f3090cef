"""Of many homes screened from a ground model: to which walls does the ground surely fall?"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import cache_homes
from app.views import homes_parts as parts
from app.widgets import chrome
from app.widgets.many_map import packed, show_many
from app.widgets.table import show_table
from geo.screen.places import homes_count, reasons_of
from geo.screen.said import CAUTION, home_said

CHOSEN, SQUARE, PAGE = "screened-home", "screened-square", "screened-page"
ON_PAGE = 50


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
    counts = cache_homes.screened_counts(file, changed)
    parts.figures(
        [
            (f"{counts['toward']:,}", "the ground surely falls to a wall"),
            (f"{counts['not known']:,}", "not known"),
            (f"{counts['away'] + counts['level']:,}", "away or level at every wall that is known"),
            (f"{counts['party']:,}", "no free wall"),
        ]
    )
    left, right = st.columns([1.35, 1])
    chosen = str(st.session_state.get(CHOSEN, "") or st.query_params.get("home", ""))
    with left:
        _map(file, changed, chosen)
    with right:
        st.text_input("Open a home by its number", key="screened-find", on_change=_find, placeholder="number")
        walls = _home(file, changed, chosen)
    if walls is not None:
        _faces(walls, chosen)
    _surest(file, changed)


def _map(file: Path, changed: float, chosen: str) -> None:
    """Show the homes, or squares of them to open where they are too many."""
    square = str(st.session_state.get(SQUARE, ""))
    view = cache_homes.screened_view(file, changed, square)
    if square:
        st.button("Back to all of them", on_click=_into, args=("",), key="screened-back")
    if view.table.empty:
        chrome.note("No home of it has a place.")
        return
    table = view.table
    told = f"{view.homes:,} homes."
    without = 0 if square else homes_count(file) - view.homes
    if without:
        told += f" {without:,} more {'has' if without == 1 else 'have'} no outline, so no place."
    if not view.near:
        told += f" Each square is {table['side_m'].iloc[0]:,.0f} m; open one to see its homes."
    show_many(
        "screened",
        packed(table["home_id"], table["x_m"], table["y_m"], table["step"], [""] * len(table)),
        version=f"{file}|{changed}|{square}",
        title="Ground at the walls",
        legend=view.legend,
        on_open=_choose if view.near else _into,
        marked=chosen,
        told=told,
    )


def _surest(file: Path, changed: float) -> None:
    """List the homes the ground surely falls to, those it falls to most surely first."""
    parts.sub("Where the ground surely falls to a wall, the surest first")
    start = int(st.session_state.get(PAGE, 0))
    table, count = cache_homes.screened_page(file, changed, start, ON_PAGE)
    if not count:
        chrome.note("The ground surely falls to no wall that was looked at.")
        return
    with st.container(horizontal=True, vertical_alignment="center"):
        st.button(
            "Previous page", disabled=start == 0, on_click=_turn, args=(start - ON_PAGE,), key="screened-up"
        )
        st.button(
            "Next page", disabled=start + ON_PAGE >= count, on_click=_turn, args=(start + ON_PAGE,),
            key="screened-down",
        )  # fmt: skip
        st.text(f"{start + 1:,} to {min(start + ON_PAGE, count):,} of {count:,}")
    chrome.note("Surest: the more fall to the wall is left at the low end of its 95 % range.")
    low, high = "steepest_low_percent", "steepest_high_percent"
    shown = pd.DataFrame(
        {
            "home": table["home_id"],
            "steepest face": [f"F{face}" for face in table["steepest_face"]],
            "fall to the wall, %": table["steepest_fall_percent"],
            "95 % range, %": [f"{a:+.1f} to {b:+.1f}" for a, b in zip(table[low], table[high], strict=True)],
            "ground draining to it, m²": table["uphill_m2"],
            "low spot at the wall": table["low_spot"],
        }
    )
    show_table(shown, digits={"fall to the wall, %": 1, "ground draining to it, m²": 0}, tall=True)
    parts.take_away("screened-surest", table, key="take-surest")


def _into(square: str) -> None:
    st.session_state[SQUARE] = square


def _turn(start: int) -> None:
    st.session_state[PAGE] = max(0, start)


def _choose(home_id: str) -> None:
    st.session_state[CHOSEN] = home_id
    st.query_params["home"] = home_id


def _find() -> None:
    _choose(str(st.session_state.get("screened-find", "")).strip()[:200])


def _home(file: Path, changed: float, home_id: str) -> pd.DataFrame | None:
    """Say what is known of one home, and return its walls; nothing where there is no such home."""
    if not home_id:
        chrome.note("Touch a home on the map: what is known of it stands here, its faces below.")
        return None
    homes, walls = cache_homes.screened_home(file, changed, home_id)
    if homes.empty:
        st.text(f"There is no home {home_id[:80]} in this file.")
        return None
    home = homes.to_dict("records")[0]
    parts.sub(f"Home {home_id}")
    for line in home_said(home):
        if line != CAUTION:
            st.text(line)
    return walls


def _faces(walls: pd.DataFrame, home_id: str) -> None:
    """Show one home's faces with their falls, and why what is not known is not."""
    parts.sub(f"Faces of home {home_id}")
    table = reasons_of(walls).drop(columns=["to_m", "from_m", "fall"])
    show_table(
        table.rename(columns={"bearing_deg": "faces, ° from grid north", "said": "in a sentence"}), digits=0,
        empty="No wall of it was looked at.",
    )  # fmt: skip
    parts.take_away("screened-home", walls, key="take-screened")
