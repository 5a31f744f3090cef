"""What one visitor has chosen."""

from __future__ import annotations

import os
from pathlib import Path

import streamlit as st

SITE_KEY = "site"


def site_folders() -> dict[str, Path]:
    """Return the sites to choose from, by folder name."""
    found: dict[str, Path] = {}
    for given in os.environ.get("WALLFOOT_SITES", "demo_sites").split(os.pathsep):
        folder = Path(given)
        inside = sorted(path.parent for path in folder.glob("*/site.toml")) if folder.is_dir() else []
        for path in [folder] if (folder / "site.toml").exists() or not inside else inside:
            found[path.name] = path
    return found


def choose_site() -> None:
    """Offer the sites at the head of the page; a site named in the address is opened."""
    names = list(site_folders())
    asked = st.query_params.get(SITE_KEY, "")
    if SITE_KEY not in st.session_state:
        st.session_state[SITE_KEY] = asked if asked in names else names[0]
    _, right = st.columns([3, 1.2])
    with right:
        st.selectbox(
            "Site",
            names,
            key=SITE_KEY,
            format_func=lambda name: name.replace("_", " "),
            label_visibility="collapsed",
        )
    st.query_params[SITE_KEY] = st.session_state[SITE_KEY]


def site_folder() -> Path:
    """Return the folder of the chosen site."""
    return site_folders()[st.session_state[SITE_KEY]]
