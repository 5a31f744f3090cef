"""Was the test big enough to mean anything?"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import cache, desk
from app.desk import Desk
from app.parts import part
from app.views.type_in import grid
from app.widgets import chrome
from app.widgets.table import show_table
from geo.entry.columns import Column, columns_of
from geo.entry.lines import Line, fill_lines
from geo.entry.sheets import SHEETS
from geo.entry.trials import Before, before_test, log_of, readings_of_meters, sources_of, start_fields
from geo.errors import WallfootError
from geo.findings.drains import Drains
from geo.site.records import Record
from geo.store.changes import Put

KIND = "trial"
SAID = ("because", "to settle it", "still lacks", "beside it")
PLAIN = {"V*, l": "can show from, l", "t*, min": "and after, min"}
RATE = ("bucket_l", "bucket_s", "rate_l_s")
TIMES = ("started_at", "stopped_at")
SHOWED = ("shown_id", "shown_after_s", "side", "face", "chainage_m", "height_m", "rise_level_m")
LINKED = ("holes", "samples", "accounts", "visits", "consents", "instruments", "events")


def show(head: DeltaGenerator, typing: Any) -> None:
    """Draw the page.

    Parameters
    ----------
    typing
        The page on which everything else that is done on site is typed.
    """
    opened = desk.open_desk(head, "Test it")
    if opened is None:
        return
    what = st.segmented_control(
        "What",
        ["Test", "Water meter"],
        key="tests-what",
        default="Test",
        required=True,
        label_visibility="collapsed",
    )
    if what == "Test":
        _tests(opened.site_id)
    else:
        _meters(opened.site_id)
    st.text("Other things done on site are typed on the page Type in:")
    with st.container(horizontal=True):
        for name in LINKED:
            st.page_link(typing, label=SHEETS[name].title, query_params={"sheet": SHEETS[name].title})


@part
def _tests(site_id: str) -> None:
    at = desk.current(site_id)
    drains, why = _drains(at)
    draft = _draft(at)
    columns = {column.name: column for column in columns_of(KIND, ref=at.site.reference)}
    _what(at, draft, columns, drains)
    _needed(at, draft, drains, why)
    _form(at, draft, columns)
    st.subheader("Tests made, newest first", anchor=False)
    _log(at, drains)
    if at.site.of(KIND):
        with st.expander("Correct what was written", key="tests-correct", on_change="rerun"):
            grid(site_id, SHEETS["tests"], (), every=True)


def _drains(at: Desk) -> tuple[Drains | None, str]:
    """Return the drains as they stand, or why they cannot be laid out."""
    if at.perimeter is None:
        return None, at.because
    found = cache.findings_of(at.site_id)
    if isinstance(found, list):
        errors = [problem for problem in found if problem.severity == "error"] or found
        return None, f"The site has {len(errors)} things to mend, the first: {errors[0]}"
    try:
        return cache.drains(found.site.digest, found), ""
    except WallfootError as error:
        return None, str(error)


def _draft(at: Desk) -> dict[str, str]:
    """Return the test that is being written down; it outlives a look at another page."""
    found: dict[str, str] = st.session_state.setdefault(f"test-draft-{at.site_id}", {})
    return found


def _cell(draft: dict[str, str], column: Column, *, label: str = "", width: int = 150) -> None:
    """Ask for one field of the draft."""
    turn = st.session_state.get("test-turn", 0)
    key = f"test-{turn}-{column.name}"
    said = label or (column.label + (f", {column.unit}" if column.unit else ""))
    if key not in st.session_state:
        st.session_state[key] = draft.get(column.name, "")
    if column.words:
        words = ["", *column.words]
        st.selectbox(
            said, words, format_func=lambda word: column.words.get(word, "–"), key=key, width=max(width, 190)
        )
    else:
        st.text_input(said, key=key, width=width, help=column.hint or None)
    draft[column.name] = str(st.session_state[key] or "")


def _what(at: Desk, draft: dict[str, str], columns: Mapping[str, Column], drains: Drains | None) -> None:
    """Ask which test, where the water goes in, and how fast it comes."""
    turn = st.session_state.get("test-turn", 0)
    with st.container(horizontal=True, vertical_alignment="bottom"):
        _cell(draft, columns["trial_kind"], label="Which test", width=260)
        offers = sources_of(at.site, drains)
        key = f"test-{turn}-source_id"
        if key not in st.session_state:
            st.session_state[key] = draft.get("source_id") or None
        st.selectbox(
            "Water is put in at",
            offers if draft.get("source_id", "") in ("", *offers) else [draft["source_id"], *offers],
            key=key,
            accept_new_options=True,
            placeholder="an id",
            width=190,
        )
        draft["source_id"] = str(st.session_state[key] or "")
        _cell(draft, columns["bucket_l"], label="Bucket, l", width=110)
        _cell(draft, columns["bucket_s"], label="filled in, s", width=110)
        _cell(draft, columns["rate_l_s"], label="or rate, l/s", width=110)


def _needed(at: Desk, draft: dict[str, str], drains: Drains | None, why: str) -> None:
    """Show before the test what it must pour."""
    before = before_test(at.site, drains, start_fields(draft), why=why)
    with st.container(border=True, key="test-before"):
        for sentence in before.told:
            st.text(sentence)
        if before.rate:
            chrome.note(before.rate)
        if before.known:
            _figures(before)
        if len(before.stops):
            with st.expander("Stop by stop", key="tests-stops", on_change="rerun"):
                show_table(before.stops, digits=1)


def _figures(before: Before) -> None:
    with st.container(horizontal=True):
        for label, value in before.figures.items():
            st.metric(label, value, width="content")


def _form(at: Desk, draft: dict[str, str], columns: Mapping[str, Column]) -> None:
    """Ask for everything else, and keep it."""
    turn = st.session_state.get("test-turn", 0)
    with st.container(horizontal=True, vertical_alignment="bottom"):
        for name, label in zip(TIMES, ("Start now", "Stop now"), strict=True):
            st.button(label, key=f"now-{name}", on_click=_now, args=(draft, name, turn), type="primary")
            _cell(draft, columns[name], width=230)
        _cell(draft, columns["volume_l"], label="Water put in, l", width=130)
        _cell(draft, columns["volume_sigma_l"], label="± l", width=90)
    with st.container(horizontal=True, vertical_alignment="bottom"):
        _cell(draft, columns["dye"], label="Dye")
        _cell(draft, columns["watched"], label="Watched (ids)", width=220)
        _cell(draft, columns["shown"], label="What came of it", width=250)
        if draft.get("shown") == "shown":
            for name in SHOWED:
                _cell(draft, columns[name], width=130)
        if draft.get("shown") == "stopped":
            _cell(draft, columns["stopped_because"], width=300)
        if draft.get("trial_kind") == "plugged":
            _cell(draft, columns["fall_mm"], width=130)
        _cell(draft, columns["note"], width=300)
    with st.expander("More fields", key="tests-more", on_change="rerun"):
        asked = {"id", "trial_kind", "source_id", *RATE, *TIMES, "volume_l", "volume_sigma_l", "dye"}
        asked |= {"watched", "shown", "note", *SHOWED, "stopped_because", "fall_mm"}
        with st.container(horizontal=True, vertical_alignment="bottom"):
            for name, column in columns.items():
                if name not in asked:
                    _cell(draft, column, width=140)
    if st.button("Keep the test", type="primary", key="keep-test"):
        _keep(at, draft, list(columns.values()))
    for sentence in st.session_state.get(f"test-told-{at.site_id}", ()):
        st.text(sentence)


def _now(draft: dict[str, str], name: str, turn: int) -> None:
    """Write the time there is now, with its offset from UTC."""
    draft[name] = datetime.now().astimezone().isoformat(timespec="seconds")
    st.session_state[f"test-{turn}-{name}"] = draft[name]


def _keep(at: Desk, draft: dict[str, str], columns: list[Column]) -> None:
    """Keep the test; what is wrong or refused leaves everything as it was typed."""
    told = f"test-told-{at.site_id}"
    cells = {name: text for name, text in draft.items() if text}
    if not {"trial_kind", "source_id"} <= set(cells):
        st.session_state[told] = ("Choose which test, and where the water is put in.",)
        return
    filled = fill_lines(
        [Line(key="test", cells=cells)], KIND, columns, ref=at.site.reference, taken=at.site.ids
    )
    record: Record | None = filled[0].record
    if record is None:
        labels = {column.name: column.label for column in columns}
        st.session_state[told] = tuple(
            f"{labels.get(name, name)}: {said}" for name, said in filled[0].said.items()
        )
        return
    outcome = desk.save(at.site_id, [Put(record)])
    if not outcome.saved:
        st.session_state[told] = (outcome.told, "What you typed is still here.")
        return
    kept = {name: draft[name] for name in ("trial_kind", *RATE) if draft.get(name)}
    draft.clear()
    draft.update(kept)
    st.session_state["test-turn"] = st.session_state.get("test-turn", 0) + 1
    st.session_state[told] = (f"{record.id} is kept.",)
    st.rerun(scope="fragment")


def _log(at: Desk, drains: Drains | None) -> None:
    """Show what every test is worth; one that could not have shown is said to tell nothing."""
    log = log_of(at.site, drains)
    for sentence in log.told:
        st.text(sentence)
    show_table(_readable(log.table), digits=1, empty="No test yet.")


def _readable(table: pd.DataFrame) -> pd.DataFrame:
    """Return the log with everything said of a test in one column, so that it fits a tablet."""
    told = [
        " ".join(_sentence(said) for said in (*row[:2], f"lacks {row[2]}" if row[2] else "", row[3]) if said)
        for row in table[list(SAID)].itertuples(index=False, name=None)
    ]
    return (
        table.drop(columns=list(SAID)).rename(columns=PLAIN).assign(**{"why, and what would settle it": told})
    )


def _sentence(said: str) -> str:
    return f"{said[:1].upper()}{said[1:].rstrip('.')}."


@part
def _meters(site_id: str) -> None:
    at = desk.current(site_id)
    chrome.note(
        "Two readings with everything off between them are a test for a leak. The last digit that can be"
        " read decides how small a loss can show, and half an hour is little for it."
    )
    grid(site_id, SHEETS["meters"], (), every=True)
    found = readings_of_meters(desk.current(at.site_id).site)
    for sentence in found.told:
        st.text(sentence)
    show_table(found.table, digits=2, empty="No two readings to compare yet.")
