"""What did the finds since an earlier state of the site change?"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence

import pandas as pd
import streamlit as st

from app import cache_causes, session, workspace
from app.parts import part
from app.widgets import chrome
from app.widgets.table import show_table
from geo.entry.sites import unzipped_site
from geo.errors import WallfootError
from geo.findings.examine import Findings
from geo.site.model import Site
from geo.works.changed import StretchChange

MOST_SAVES = 200
OPEN = "causes-since"


def show(found: Findings) -> None:
    """Offer to hold the causes against those of an earlier save, or of an earlier folder."""
    with st.expander("What changed since an earlier state of the site", key=OPEN, on_change="rerun"):
        if st.session_state.get(OPEN):
            _hold(found)


@part
def _hold(found: Findings) -> None:
    chosen = session.chosen()
    name, read = _picked(chosen.site_id)
    label = "Or its folder of an earlier time, as a zip" if chosen.site_id else "Its earlier folder, as a zip"
    given = st.file_uploader(label, type="zip", key=f"since-zip-{chosen.name}")
    if given is not None:
        raw = given.getvalue()
        name, read = f"zip {hashlib.sha256(raw).hexdigest()}", lambda: _unzipped(raw)
    if read is None:
        return
    try:
        moved = cache_causes.changed_since(found, f"{chosen.name} {name}", read)
    except WallfootError as error:
        st.text(str(error))
        return
    _say(moved)


def _picked(site_id: str) -> tuple[str, Callable[[], Site] | None]:
    """Offer the saves before the last."""
    if not site_id:
        return "", None
    saves = workspace.store().saves(site_id)[1 : 1 + MOST_SAVES]
    if not saves:
        chrome.note("Nothing was changed here since the site was begun.")
        return "", None
    names = {
        save.save_id: f"save {save.save_id} · {save.at:%Y-%m-%d %H:%M} UTC · {save.by}"
        + (f" · {save.why}" if save.why else "")
        for save in saves
    }
    save_id = st.selectbox(
        "As it stood after", list(names), format_func=names.__getitem__, key=f"since-{site_id}", index=None,
        placeholder="choose a save", width=620,
    )  # fmt: skip
    return f"save {save_id}", None if save_id is None else lambda: workspace.store().site_at(site_id, save_id)


def _unzipped(raw: bytes) -> Site:
    with unzipped_site(raw) as site:
        return site


def _say(moved: Sequence[StretchChange]) -> None:
    """Say of each stretch what moved, and which records moved it."""
    if not moved:
        st.text("Nothing moved: the same causes stand as they stood.")
        return
    for change in moved:
        st.text(change.said)
    rows = [
        {
            "stretch": change.stretch_id,
            "before": change.before_id or "not wet",
            "cause": each.name,
            "was": each.before,
            "is": each.after,
            "by records new to it": " ".join(each.new_ids),
        }
        for change in moved
        for each in change.moved
    ]
    if rows:
        show_table(pd.DataFrame(rows))
