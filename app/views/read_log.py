"""Who read what of the sensitive things?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import access, audit, cache_homes, session, workspace
from app.views.many import GROUP
from app.widgets import chrome
from app.widgets.table import show_table
from app.widgets.text import plain
from geo.errors import WallfootError
from geo.store.read_log import KINDS_READ, MOST_ROWS, Read

EVERY, HOMES = "every site and home", "homes of the register"


def with_own_page(groups: Mapping[str, Sequence[Any]], head: DeltaGenerator) -> dict[str, list[Any]]:
    """Return groups of pages with this one among those of many homes; only where people log in."""
    found = {name: list(pages) for name, pages in groups.items()}
    if access.login_asked():
        found.setdefault(GROUP, []).append(
            st.Page(partial(show, head), title="Who read what", url_path="read-log")
        )
    return found


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    chrome.heading(
        head,
        "Who read what",
        "Noted before it was shown: what people said, photographs, hazards of visits, homes of the register,"
        " letters, reports, files taken away, back-ups. People stand here by a sign that tells no name.",
    )
    try:
        access.visitor().require("audit")
        names, homes = _own_sites(), _own_homes()
        only = st.selectbox(
            "Read of", [EVERY, *([HOMES] if homes else []), *names], key="read-log-of",
            format_func=lambda name: plain(names.get(name, name)),
        )  # fmt: skip
        sites = [] if only == HOMES else list(names) if only == EVERY else [only]
        found = audit.own_log().rows(site_ids=sites, homes=homes if only in (EVERY, HOMES) else {})
    except WallfootError as error:
        st.text(str(error))
        return
    show_table(_table(found, names), empty="Nothing was read yet.", tall=True)
    if len(found) == MOST_ROWS:
        chrome.note(f"The latest {MOST_ROWS} are shown; choose a site to see older ones of it.")
    chrome.note(
        "Opening a site hands its page everything in it: the row says what was within reach, noted once for"
        " a login and hour. A file taken away is noted each time. No row can be altered or taken out here.",
        "The latest stands first. As command: by whoever keeps the workspace, at the machine itself.",
    )


def _own_sites() -> dict[str, str]:
    """Return the sites of this visitor, removed ones too, by id with their names."""
    kept = {
        entry.site_id: f"{entry.name} ({entry.site_id})" for entry in workspace.store().sites(removed=True)
    }
    folders = {name: name for name in session.site_folders() if access.visitor().sees(name)}
    return kept | folders


def _own_homes() -> dict[str, frozenset[str] | None]:
    """Return by landlord the homes this visitor sees, ``None`` for every one."""
    return {landlord: cache_homes.viewer_for(landlord).home_ids for landlord in cache_homes.landlords()}


def _table(found: Sequence[Read], names: Mapping[str, str]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "when (UTC)": [f"{read.at:%Y-%m-%d %H:%M:%S}" for read in found],
            "who": [read.who for read in found],
            "as": [read.role for read in found],
            "read": [KINDS_READ.get(read.kind, read.kind) for read in found],
            "of": [_of(read, names) for read in found],
        }
    )


def _of(read: Read, names: Mapping[str, str]) -> str:
    if read.site_id:
        return names.get(read.site_id, read.site_id)
    home = f", home {read.home_id}" if read.home_id else ""
    return f"register of {read.landlord_id}{home}"
