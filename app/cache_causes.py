"""The ledger of causes and its drawings, kept by the data they were made from."""

# ruff: noqa: ARG001 - an argument that is only hashed is the key

from __future__ import annotations

import streamlit as st

from app import cache
from geo.draw.ledger import draw_ledger
from geo.draw.scene import Scene
from geo.errors import WallfootError
from geo.evidence.ledger import Ledger, ledger_of
from geo.findings.drains import Drains
from geo.findings.examine import Findings


def ledger(found: Findings) -> Ledger:
    """Return the ledger of causes of a site, worked out once for its data."""
    return _ledger(found.site.digest, found)


@st.cache_resource(show_spinner="weighing the causes", max_entries=cache.MOST_KEPT)
def _ledger(digest: str, _found: Findings) -> Ledger:
    return ledger_of(_found, _drains(digest, _found))


def _drains(digest: str, found: Findings) -> Drains | None:
    """Return the drains already laid out for the other pages; none where they cannot be."""
    try:
        return cache.drains(digest, found)
    except WallfootError:
        return None


@st.cache_data(show_spinner="drawing the band", max_entries=64)
def band_svg(digest: str, stretch_id: str, _scene: Scene, _ledger: Ledger) -> str:
    """Return the band of the wall a stretch lies on."""
    return draw_ledger(_scene, _ledger, stretch_id)
