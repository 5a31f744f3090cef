"""Ways from one page to another."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st

PAGES_KEY = "pages"


def known(groups: Mapping[str, Sequence[Any]]) -> dict[str, list[Any]]:
    """Remember the pages there are, by the last part of their address, and return them as they came."""
    pages = [page for group in groups.values() for page in group]
    st.session_state[PAGES_KEY] = {page.url_path: page for page in pages}
    return {name: list(group) for name, group in groups.items()}


def title(*names: str) -> str:
    """Return the title of the first of some pages that there is; blank when there is none."""
    page = _first(names)
    return "" if page is None else str(page.title)


def go(*names: str, query: Mapping[str, str] | None = None) -> None:
    """Turn to the first of some pages that there is; not to be called from a callback."""
    page = _first(names)
    if page is not None:
        st.switch_page(page, query_params=dict(query or {}))


def _first(names: Sequence[str]) -> Any:
    pages = st.session_state.get(PAGES_KEY, {})
    return next((pages[name] for name in names if name in pages), None)
