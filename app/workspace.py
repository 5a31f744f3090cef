"""The workspace: one store for everything recorded on this machine, or the one its address names."""

from __future__ import annotations

import os

import streamlit as st

from app import access
from geo.store.engine import default_workspace
from geo.store.entries import SiteEntry
from geo.store.said import StoreError
from geo.store.store import Store, open_store

ROLES = ("surveyor", "contractor", "landlord", "assistant")
ROLE_KEY = "role"


@st.cache_resource(show_spinner=False)
def _opened(where: str) -> Store:
    return open_store(where)


def store() -> Store:
    """Return the workspace, as this visitor may use it.

    Raises
    ------
    StoreError
        When it cannot be opened; its sentence says why.
    """
    found: Store = access.guarded(whole())
    return found


def whole() -> Store:
    """Return the workspace as it is, for what the app itself notes in it; pages use :func:`store`."""
    return _opened(os.environ.get("WALLFOOT_WORKSPACE") or str(default_workspace()))


def sites() -> tuple[SiteEntry, ...]:
    """Return the sites of the workspace, the last changed first; while it cannot be read, those last seen."""
    try:
        found = store().sites()
    except StoreError as error:
        st.session_state["workspace_said"] = str(error)
        return st.session_state.get("workspace_sites", ())
    st.session_state.pop("workspace_said", None)
    known = tuple(sorted(found, key=lambda entry: entry.changed_at, reverse=True))
    st.session_state["workspace_sites"] = known
    return known


def name() -> str:
    """Return where records are kept, without any password; nothing when it cannot be opened."""
    try:
        return store().name
    except StoreError:
        return ""


def role() -> str:
    """Return who is writing, by role; who logged in cannot choose it."""
    if access.login_asked():
        who = access.visitor()
        return f"{who.role} {who.who}"
    return str(st.session_state.get(ROLE_KEY, ROLES[0]))
