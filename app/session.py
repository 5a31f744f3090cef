"""What one visitor has chosen."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

SITE_KEY = "site"


def site_folders() -> dict[str, Path]:
    """Return the sites to choose from, by folder name; two of one name are told apart by their parents."""
    found: dict[str, Path] = {}
    for given in os.environ.get("WALLFOOT_SITES", "demo_sites").split(os.pathsep):
        folder = Path(given)
        inside = sorted(path.parent for path in folder.glob("*/site.toml")) if folder.is_dir() else []
        for path in [folder] if (folder / "site.toml").exists() or not inside else inside:
            names = (path.name, f"{path.parent.name}/{path.name}", str(path))
            found[next((name for name in names if found.get(name, path) == path), names[-1])] = path
    return found


def choose_site() -> DeltaGenerator:
    """Offer the sites at the head of the page and return the place beside them.

    A site named in the address is opened; an unknown one is said to be unknown.
    """
    names = list(site_folders())
    asked = st.query_params.get(SITE_KEY, "")
    if st.session_state.get(SITE_KEY) not in names:
        st.session_state[SITE_KEY] = asked if asked in names else names[0]
        st.session_state["asked_in_vain"] = "" if asked in names else asked
    head, right = st.columns([3, 1.2], vertical_alignment="top")
    with right:
        st.selectbox(
            "Site",
            names,
            key=SITE_KEY,
            format_func=lambda name: name.replace("_", " "),
            label_visibility="collapsed",
            on_change=lambda: st.session_state.update(asked_in_vain=""),
        )
    if st.session_state.get("asked_in_vain"):
        right.text(f"There is no site {st.session_state['asked_in_vain'][:80]} here.")
    st.query_params[SITE_KEY] = st.session_state[SITE_KEY]
    return head


def site_folder() -> Path:
    """Return the folder of the chosen site."""
    return site_folders()[st.session_state[SITE_KEY]]


@contextmanager
def starting() -> Iterator[None]:
    """Say that the program is starting while its parts are loaded, the first time."""
    if "app.views.plan" in sys.modules:
        yield
        return
    bar = st.progress(0.0, text="starting")
    try:
        yield
    finally:
        bar.empty()
