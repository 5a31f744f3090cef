"""The ledger of causes and its drawings, kept by the data they were made from."""

# ruff: noqa: ARG001 - an argument that is only hashed is the key

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from app import cache
from geo.draw.ledger import draw_ledger
from geo.draw.scene import Scene
from geo.errors import WallfootError
from geo.evidence.ledger import Ledger, ledger_of
from geo.findings.check import checked
from geo.findings.drains import Drains
from geo.findings.examine import Findings, examine
from geo.site.model import Site
from geo.works.changed import StretchChange, what_changed


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


def changed_since(found: Findings, earlier: str, read: Callable[[], Site]) -> tuple[StretchChange, ...]:
    """Return what moved at each wet stretch since an earlier state of the site.

    Parameters
    ----------
    earlier
        Name no other earlier state of the site has.
    read
        Reads that state.

    Raises
    ------
    WallfootError
        When that state cannot be examined.
    """
    return _changed(found.site.digest, earlier, found, read)


@st.cache_resource(show_spinner="working out how it stood then", max_entries=cache.MOST_KEPT)
def _changed(
    digest: str, earlier: str, _found: Findings, _read: Callable[[], Site]
) -> tuple[StretchChange, ...]:
    was = ledger_of(examine(checked(_read())))
    rings = {str(key): float(value) for key, value in _found.perimeter.rings["length_m"].items()}
    return what_changed(was, ledger(_found), rings)


@st.cache_data(show_spinner="drawing the band", max_entries=64)
def band_svg(digest: str, stretch_id: str, _scene: Scene, _ledger: Ledger) -> str:
    """Return the band of the wall a stretch lies on."""
    return draw_ledger(_scene, _ledger, stretch_id)
