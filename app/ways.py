"""Ways from one page to another."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any
from urllib.parse import urlsplit

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

START, FIRST = "start", "map"
PAGES_KEY, HERE_KEY = "pages", "page-here"
STRAY = re.compile(r"[A-Za-z0-9-]{1,60}")


def known(groups: Mapping[str, Sequence[Any]]) -> dict[str, list[Any]]:
    """Remember the pages there are, by the last part of their address, and return them as they came."""
    pages = [page for group in groups.values() for page in group]
    st.session_state[PAGES_KEY] = {page.url_path or FIRST: page for page in pages}
    return {name: list(group) for name, group in groups.items()}


def with_stray(
    groups: Mapping[str, Sequence[Any]], head: DeltaGenerator, *, first: Any
) -> dict[str, list[Any]]:
    """Return the pages, and where the address names one there is not, one out of sight that says so.

    Parameters
    ----------
    first
        The first page, which has no name in its address, for whoever names it all the same.
    """
    found = {name: list(pages) for name, pages in groups.items()}
    there = {page.url_path for pages in found.values() for page in pages}
    asked = urlsplit(st.context.url or "").path.rstrip("/").rpartition("/")[2]
    if not asked or asked in there or not STRAY.fullmatch(asked) or not found:
        return found

    if asked == FIRST and "" in there:
        next(iter(found.values())).append(first)
        return found

    def stray() -> None:
        head.html(
            f'<h1 class="wf-title">There is no page {escape(asked)} here, or it is not yours to see</h1>'
        )
        st.text("Choose one of the pages above.")

    next(iter(found.values())).append(
        st.Page(stray, title=asked, url_path=asked, visibility="hidden"),
    )
    return found


def now_at(page: Any) -> None:
    """Remember the page that is open."""
    st.session_state[HERE_KEY] = str(page.title)


def item_of(page: Any, groups: Mapping[str, Sequence[Any]]) -> int:
    """Return which item of the navigation, from 1, holds a page among others; 0 for an item itself."""
    bare = len(groups.get("", ()))
    named = [name for name in groups if name]
    return next((bare + at for at, name in enumerate(named, start=1) if page in groups[name]), 0)


def here() -> str:
    """Return the name of the page that is open; blank where a page is run by itself."""
    return str(st.session_state.get(HERE_KEY, ""))


def title(*names: str) -> str:
    """Return the title of the first of some pages that there is; blank when there is none."""
    page = _first(names)
    return "" if page is None else str(page.title)


def link(name: str, label: str) -> None:
    """Offer the way to a page, where there is that page."""
    page = _first((name,))
    if page is not None:
        st.page_link(page, label=label)


def go(*names: str, query: Mapping[str, str] | None = None) -> None:
    """Turn to the first of some pages that there is; not to be called from a callback."""
    page = _first(names)
    if page is not None:
        st.switch_page(page, query_params=dict(query or {}))


def _first(names: Sequence[str]) -> Any:
    pages = st.session_state.get(PAGES_KEY, {})
    return next((pages[name] for name in names if name in pages), None)
