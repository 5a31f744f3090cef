"""A line for each fixed point, to type what it reads now."""

from __future__ import annotations

from datetime import datetime

import streamlit as st

from app import desk, workspace
from app.parts import part
from app.widgets import chrome
from app.widgets.text import plain
from geo.drying.report import Drying
from geo.entry.drying import Asked, lines_to_type, readings_typed
from geo.store.changes import Put


@part
def show(site_id: str, told: Drying) -> None:
    """Ask for today's readings and keep those that are whole; what is refused stays typed."""
    turn = st.session_state.setdefault(f"dry-turn-{site_id}", 0)
    chrome.note(
        "Same instrument, place and depth; off the scale as >100 or <6. Another instrument begins a series.",
        "A line without a value is left out.",
    )
    with st.form(f"dry-form-{turn}", border=True):
        at_key = f"dry-at-{turn}"
        if at_key not in st.session_state:
            st.session_state[at_key] = datetime.now().astimezone().strftime("%Y-%m-%dT%H:%M")
        st.text_input("When", key=at_key, width=220, max_chars=25)
        typed = {asked.point_id: _line(asked, turn) for asked in lines_to_type(told)}
        pressed = st.form_submit_button("Keep the readings", type="primary")
    if pressed:
        _keep(site_id, typed, str(st.session_state[at_key]), turn)
    for sentence in st.session_state.get(f"dry-told-{site_id}", ()):
        st.text(sentence)


def _line(asked: Asked, turn: int) -> dict[str, str]:
    """Ask for one point."""
    about, value, instrument, sealed = st.columns([3.2, 1.2, 1.3, 1.1], vertical_alignment="bottom")
    last = f" · last {asked.last}" if asked.last else " · not read yet"
    about.markdown(f"**{plain(asked.point_id)}** {plain(asked.how)}")
    about.caption(plain(f"{asked.where}{last}"))
    cells = {
        "value": value.text_input(
            f"{asked.point_id}, {plain(asked.unit)}", key=f"dry-{turn}-{asked.point_id}", max_chars=20
        ),
        "instrument": instrument.text_input(
            f"{asked.point_id}, instrument", value=asked.instrument, key=f"dry-by-{turn}-{asked.point_id}",
            max_chars=80,
        ),
    }  # fmt: skip
    if asked.sealed:
        cells["sealed_h"] = sealed.text_input(
            f"{asked.point_id}, sealed h", key=f"dry-sealed-{turn}-{asked.point_id}", max_chars=10
        )
    return cells


def _keep(site_id: str, typed: dict[str, dict[str, str]], taken_at: str, turn: int) -> None:
    """Keep all whole lines together, or say what is wrong and keep nothing."""
    told = f"dry-told-{site_id}"
    found = readings_typed(desk.current(site_id).site, typed, taken_at=taken_at, taken_by=workspace.role())
    if found.said:
        wrong = tuple(f"{name}: {said}" for name, said in found.said.items())
        st.session_state[told] = (*wrong, "Nothing is kept yet; what you typed is still here.")
        return
    if not found.records:
        st.session_state[told] = ("No value was typed.",)
        return
    outcome = desk.save(site_id, [Put(record) for record in found.records], why="readings at fixed points")
    if not outcome.saved:
        st.session_state[told] = (outcome.told, "What you typed is still here.")
        return
    st.session_state[f"dry-turn-{site_id}"] = turn + 1
    st.session_state[told] = ()
    st.session_state[f"dry-kept-{site_id}"] = f"{len(found.records)} readings are kept."
    st.rerun()
