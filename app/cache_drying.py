"""The drying of a site and its drawings, kept by the data they were made from."""

# ruff: noqa: ARG001 - an argument that is only hashed is the key

from __future__ import annotations

import json

import streamlit as st

from app import cache
from geo.draw.drying import draw_drying
from geo.drying.document import drying_document, drying_tables
from geo.drying.report import Drying, drying_of
from geo.errors import WallfootError
from geo.exchange.bundle import csv_bytes
from geo.findings.drains import Drains
from geo.findings.examine import Findings
from geo.findings.trials import judge_trials


def drying(found: Findings) -> Drying:
    """Return the drying of a site, worked out once for its data."""
    return _drying(found.site.digest, found)


@st.cache_resource(show_spinner="following the drying", max_entries=cache.MOST_KEPT)
def _drying(digest: str, _found: Findings) -> Drying:
    return drying_of(_found, judge_trials(_found.site, _drains(digest, _found)))


def _drains(digest: str, found: Findings) -> Drains | None:
    """Return the drains already laid out for the other pages; none where they cannot be."""
    try:
        return cache.drains(digest, found)
    except WallfootError:
        return None


@st.cache_data(show_spinner="drawing", max_entries=64)
def drawing(digest: str, point_ids: tuple[str, ...], lane_px: float, _found: Drying) -> str:
    """Return the drawing of some points, of all that have to dry for none."""
    return draw_drying(_found, only=point_ids, lane_px=lane_px)


@st.cache_data(show_spinner=False, max_entries=16)
def files(digest: str, _found: Drying) -> dict[str, bytes]:
    """Return the tables and the document to take away."""
    document = json.dumps(drying_document(_found), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    made = {f"{name}.csv": csv_bytes(table) for name, table in drying_tables(_found).items()}
    return made | {"drying.json": document.encode()}
