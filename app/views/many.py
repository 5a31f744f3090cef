"""The pages of many homes, where there are many homes."""

from __future__ import annotations

from functools import partial
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import cache_homes

GROUP = "Homes"
PATHS = frozenset({"homes", "home", "estate", "screened", "read-log", "devices"})
"""Pages that are about no single site, by the last part of their address."""


def own_pages(head: DeltaGenerator) -> dict[str, list[Any]]:
    """Return the pages for the navigation: only where there is a register, or screened homes are named."""
    pages = []
    if cache_homes.landlords():
        from app.views import estate, home_page, homes  # noqa: PLC0415 - a surveyor of one house needs none of it

        pages = [
            st.Page(partial(homes.show, head), title="Which next", url_path="homes"),
            st.Page(partial(home_page.show, head), title="One home", url_path="home"),
            st.Page(partial(estate.show, head), title="Estates", url_path="estate"),
        ]
    if cache_homes.screened() is not None:
        from app.views import screened  # noqa: PLC0415 - as above

        pages.append(st.Page(partial(screened.show, head), title="Screened", url_path="screened"))
    return {GROUP: pages} if pages else {}
