"""Which sites are there, and what happened to them?"""

from __future__ import annotations

import tempfile
from pathlib import Path

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import access, desk, session, ways, workspace
from app.desk import Desk
from app.widgets import chrome
from app.widgets.table import show_table
from geo.entry.sites import GRIDS, new_site_info, unzipped_site, zip_folder
from geo.errors import WallfootError
from geo.site.model import SiteInfo
from geo.store.changes import PutInfo

FACTS = ("name", "datum", "bench_mark", "bench_mark_level_m", "surveyed_on", "rain_48h_mm", "scenario")
MOST_EVENTS = 200


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    if not session.any_site():
        chrome.heading(head, "Site", "No site is yours yet: begin one, or bring one in.")
    elif session.chosen().site_id:
        opened = desk.open_desk(head, "Site")
        if opened is not None:
            _this_site(opened)
    else:
        desk.open_desk(head, "Site")
    with st.expander("Begin a new site", expanded=not workspace.sites(), key="begin", on_change="rerun"):
        _new_site()
    with st.expander("Bring in a site folder as a zip", key="bring-in", on_change="rerun"):
        _bring_in()
    with st.expander("Who is writing", key="who", on_change="rerun"):
        st.segmented_control(
            "Role", workspace.ROLES, key=workspace.ROLE_KEY, default=workspace.ROLES[0], required=True
        )
        chrome.note("Roles, never names: what is saved bears the role.")


def _new_site() -> None:
    with st.form("new-site", border=False):
        name = st.text_input("Name on drawings, without anybody's name")
        grid = st.selectbox("Grid", list(GRIDS), format_func=lambda code: f"{code}: {GRIDS[code]}")
        other = st.text_input("Another projected grid in metres, as EPSG:25832")
        datum = st.text_input("Levels are measured from", value="site datum, finished floor = 10.000")
        with st.container(horizontal=True):
            east = st.number_input("Where it lies: easting", value=None, format="%.1f", width=200)
            north = st.number_input("northing", value=None, format="%.1f", width=200)
        chrome.note(
            "Leave easting and northing blank for a grid of the site's own; its first corner is then 0, 0."
        )
        if not st.form_submit_button("Begin", type="primary"):
            return
    try:
        info = new_site_info(
            name=name, crs=other.strip() or grid, datum=datum, start_easting_m=east, start_northing_m=north
        )
        site_id = workspace.store().create_site(info, by=workspace.role())
    except WallfootError as error:
        st.text(str(error))
        return
    session.turn_to(site_id)
    ways.go("draw", query={session.SITE_KEY: site_id})  # the outline comes first
    st.rerun()


def _bring_in() -> None:
    given = st.file_uploader("A zip of a site folder", type="zip", key="site-zip")
    if given is None or not st.button("Bring it in", type="primary"):
        return
    try:
        with unzipped_site(given.getvalue()) as site:
            site_id = workspace.store().take_in(site, by=workspace.role())
    except WallfootError as error:
        st.text(str(error))
        return
    session.turn_to(site_id)
    st.rerun()


def _this_site(at: Desk) -> None:
    """Show what is there, its facts to change, the way out as a folder, and its history."""
    counts = [f"{kind.replace('_', ' ')} {len(own)}" for kind, own in at.site.records.items() if own]
    told = f"Recorded: {' · '.join(counts)}"
    chrome.note(told if counts else "Nothing is recorded yet: begin on the page Draw.")
    with st.container(horizontal=True):
        access.download(
            "The site as a folder (zip)",
            lambda: _zipped(at.site_id),
            file_name=f"{at.site_id}.zip",
            mime="application/zip",
            on_click="ignore",
        )
    with st.expander("Facts of the site", key="facts-open", on_change="rerun"):
        _facts(at)
    with st.expander("What happened, last first", key="history-open", on_change="rerun"):
        _history(at)
    if at.site.warnings:
        chrome.note(*[str(problem) for problem in at.site.warnings])


def _zipped(site_id: str) -> bytes:
    with tempfile.TemporaryDirectory(prefix="wallfoot-") as place:
        folder = Path(place) / site_id
        workspace.store().hand_out(site_id, folder)
        return zip_folder(folder)


def _facts(at: Desk) -> None:
    info = at.site.info
    given = {}
    with st.form("facts", border=False):
        for name in FACTS:
            label = (SiteInfo.model_fields[name].description or name).split(";")[0]
            given[name] = st.text_input(
                label, value="" if getattr(info, name) is None else str(getattr(info, name))
            )
        if not st.form_submit_button("Save"):
            return
    try:
        changed = new_site_info(**{**info.model_dump(), **given})
        base = workspace.store().file_versions(at.site_id)["site.toml"]
    except WallfootError as error:
        st.text(str(error))
        return
    outcome = desk.save(at.site_id, [PutInfo(changed, base)])
    if outcome.saved:
        st.rerun()
    st.text(outcome.told)


def _history(at: Desk) -> None:
    store = workspace.store()
    saves = sorted(store.saves(at.site_id), key=lambda save: save.save_id, reverse=True)[:MOST_EVENTS]
    rows = [
        {
            "save": save.save_id,
            "when (UTC)": f"{save.at:%Y-%m-%d %H:%M:%S}",
            "by": save.by,
            "changes": save.changes_count,
            "why": save.why or (f"undoes {save.undoes}" if save.undoes else ""),
        }
        for save in saves
    ]
    show_table(pd.DataFrame(rows), digits=0, tall=True)
    with st.container(horizontal=True, vertical_alignment="bottom"):
        which = st.selectbox("Save", [save.save_id for save in saves], key="undo-which", width=160)
        if st.button("Undo it"):
            try:
                store.undo(at.site_id, which, by=workspace.role())
                st.rerun()
            except WallfootError as error:
                st.text(str(error))
    record_id = st.text_input("History of one record: its id", key="history-of")
    if record_id:
        _record_history(at, record_id.strip())


def _record_history(at: Desk, record_id: str) -> None:
    events = workspace.store().history(at.site_id, record_id)
    rows = [
        {
            "version": event.save_id,
            "when (UTC)": f"{event.at:%Y-%m-%d %H:%M:%S}",
            "by": event.by,
            "what changed": desk.told_change(event),
        }
        for event in reversed(events)
    ]
    show_table(pd.DataFrame(rows), digits=0, empty=f"Nothing of that id: {record_id[:80]}.")
    there = [event.save_id for event in events if event.now is not None]
    if not there:
        return
    with st.container(horizontal=True, vertical_alignment="bottom"):
        version = st.selectbox("Version", there[::-1], key="restore-which", width=160)
        if st.button("Bring that version back"):
            try:
                workspace.store().restore(at.site_id, record_id, version, by=workspace.role())
                st.rerun()
            except WallfootError as error:
                st.text(str(error))
