"""The works of a site and their files, kept by the data they were made from."""

# ruff: noqa: ARG001 - an argument that is only hashed is the key

from __future__ import annotations

import streamlit as st

from app import cache, cache_causes, cache_drying
from geo.draw.order import draw_order
from geo.errors import InputError, WallfootError
from geo.exchange.works_files import works_files
from geo.exchange.works_inputs import works_for
from geo.findings.drains import Drains
from geo.findings.examine import Findings
from geo.works.as_built import AsBuilt, as_built
from geo.works.whole import Works

DRAWING = "order.svg"


def works(found: Findings) -> Works | str:
    """Return the works of a site, worked out once for its data, or why they cannot be."""
    return _works(found.site.digest, found)


@st.cache_resource(show_spinner="measuring the works", max_entries=cache.MOST_KEPT)
def _works(digest: str, _found: Findings) -> Works | str:
    try:
        return works_for(
            _found,
            _drains(digest, _found),
            ledger=cache_causes.ledger(_found),
            drying=cache_drying.drying(_found),
        )
    except InputError as error:
        return str(error).splitlines()[0]


def left(found: Findings) -> AsBuilt | str | None:
    """Return what the levels after the works say, ``None`` where there are none, or what is wrong."""
    return _left(found.site.digest, found)


@st.cache_resource(show_spinner="working the levels after the works out", max_entries=cache.MOST_KEPT)
def _left(digest: str, _found: Findings) -> AsBuilt | str | None:
    try:
        return as_built(_found, _drains(digest, _found))
    except WallfootError as error:
        return str(error).splitlines()[0]


@st.cache_data(show_spinner="drawing the order", max_entries=cache.MOST_KEPT)
def order_svg(digest: str, dated: str, _works: Works) -> str:
    """Return the order drawn."""
    title = f"Order of the works, {_works.site_name}"
    return draw_order(_works.order, _works.holds, title=title, dated=dated, lanes=_works.lanes)


@st.cache_data(show_spinner="writing the files", max_entries=cache.MOST_KEPT)
def files(digest: str, dated: str, _works: Works, _found: Findings) -> dict[str, bytes]:
    """Return every file of the works, with the drawing."""
    made = works_files(_works, ref=_found.site.reference)
    return made | {DRAWING: order_svg(digest, dated, _works).encode()}


def _drains(digest: str, found: Findings) -> Drains | None:
    """Return the drains already laid out for the other pages; none where they cannot be."""
    try:
        return cache.drains(digest, found)
    except WallfootError:
        return None
