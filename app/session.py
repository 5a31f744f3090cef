"""What one visitor has chosen."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import access, workspace
from app.widgets.standing import show_standing

SITE_KEY = "site"


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """A site to choose: a folder that is only looked at, or a site of the workspace, which is recorded in.

    Parameters
    ----------
    name
        As it stands in the address.
    label
        As people read it.
    folder
        Where it is read from, of a folder.
    site_id
        Its id, in the workspace.
    """

    name: str
    label: str
    folder: Path | None = None
    site_id: str = ""


def site_folders() -> dict[str, Path]:
    """Return the folders to choose from, by name; two of one name are told apart by their parents."""
    found: dict[str, Path] = {}
    for given in os.environ.get("WALLFOOT_SITES", "demo_sites").split(os.pathsep):
        folder = Path(given)
        inside = sorted(path.parent for path in folder.glob("*/site.toml")) if folder.is_dir() else []
        for path in [folder] if (folder / "site.toml").exists() or not inside else inside:
            names = (path.name, f"{path.parent.name}/{path.name}", str(path))
            found[next((name for name in names if found.get(name, path) == path), names[-1])] = path
    return found


def all_sites() -> dict[str, Chosen]:
    """Return everything to choose from: folders, then the workspace's sites, the last changed first."""
    found = {
        name: Chosen(name=name, label=name.replace("_", " "), folder=folder)
        for name, folder in site_folders().items()
        if access.visitor().sees(name)
    }
    for entry in workspace.sites():
        found[entry.site_id] = Chosen(name=entry.site_id, label=f"✎ {entry.name}", site_id=entry.site_id)
    return found


def site_open() -> tuple[DeltaGenerator, DeltaGenerator]:
    """See which site is open, and return the place for the head of a page and the one beside it.

    A site named in the address is opened; an unknown one is said to be unknown.
    """
    names = list(all_sites())
    asked = st.query_params.get(SITE_KEY, "")
    if names:
        turned_to = st.session_state.pop("turn_to_site", None)
        if turned_to in names:
            st.session_state[SITE_KEY] = turned_to
        elif st.session_state.get(SITE_KEY) not in names:
            st.session_state[SITE_KEY] = asked if asked in names else names[0]
            st.session_state["asked_in_vain"] = "" if asked in names else asked
    head, aside = st.columns([3, 1.2], vertical_alignment="top")
    return head, aside


def offer_sites(aside: DeltaGenerator, *, about_sites: bool = True) -> None:
    """Offer the sites, and say where records are kept; a page that is about no site offers none."""
    sites = all_sites()
    if not sites:
        _standing(aside)
        return
    if not about_sites:
        st.session_state[SITE_KEY] = st.session_state[SITE_KEY]  # or it is forgotten with its box
        st.query_params.pop(SITE_KEY, None)
        _standing(aside)
        return
    with aside:
        st.selectbox(
            "Site",
            list(sites),
            key=SITE_KEY,
            format_func=lambda name: sites[name].label,
            label_visibility="collapsed",
            on_change=lambda: st.session_state.update(asked_in_vain=""),
        )
    if st.session_state.get("asked_in_vain"):
        aside.text(f"There is no site {st.session_state['asked_in_vain'][:80]} here.")
    _standing(aside)
    st.query_params[SITE_KEY] = st.session_state[SITE_KEY]


def _standing(aside: DeltaGenerator) -> None:
    """Say where records are kept, and as whom one is here."""
    if st.session_state.get("workspace_said"):
        aside.text(st.session_state["workspace_said"])
    with aside:
        show_standing(workspace.name())
        if access.login_asked():
            st.button(f"Log out ({workspace.role()})", on_click=st.logout, type="tertiary")


def any_site() -> bool:
    """Say whether there is a site this visitor may see."""
    return SITE_KEY in st.session_state and st.session_state[SITE_KEY] in all_sites()


def first_site(groups: Mapping[str, Sequence[Any]]) -> dict[str, list[Any]]:
    """Return, of the pages of a site, the one on which a first site is begun."""
    return {name: [page for page in pages if page.url_path == "site"] for name, pages in groups.items()}


def chosen() -> Chosen:
    """Return the chosen site."""
    return all_sites()[st.session_state[SITE_KEY]]


def turn_to(site_id: str) -> None:
    """Choose another site from the next run on."""
    st.session_state["turn_to_site"] = site_id


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
