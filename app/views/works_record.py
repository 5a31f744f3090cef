"""Recording of the works: repairs, results of hold points, work done, leave."""

from __future__ import annotations

from datetime import datetime

import streamlit as st

from app import access, desk, workspace
from app.parts import part
from app.views.type_in import grid
from app.widgets import chrome
from geo.entry.columns import Column, columns_of
from geo.entry.sheets import SHEETS
from geo.entry.works import HOLD_FIELDS, hold_cells, proposal_cells, repair_cells, written
from geo.findings.examine import Findings
from geo.reference import Reference
from geo.store.changes import Put
from geo.works.whole import Works

ASKED = {
    "stage": 150, "of_ids": 150, "to_id": 110, "side": 150, "chainage_from_m": 130, "chainage_to_m": 130,
    "items_count": 110, "length_m": 110, "width_mm": 110, "depth_mm": 110, "height_m": 110,
    "thickness_mm": 120, "area_m2": 110, "bore_mm": 110, "surface": 150, "basis": 150, "after_ids": 150,
    "variation_of_id": 160, "why": 330, "agreed_on": 140, "agreed_by": 150,
}  # fmt: skip
"""Fields of a repair that are asked for, and how wide."""
LABELS = {
    "of_ids": "of what (ids)", "to_id": "drains to (id)", "after_ids": "only after (ids)",
    "variation_of_id": "in place of (id)", "photo_ids": "photographs (ids)", "trial_id": "test (id)",
    "items_count": "how many", "given_by": "given by", "given_on": "given on",
}  # fmt: skip
"""What people call a field whose own name is for the files."""
NEW = "a new repair"
STATES = ("asked", "given", "refused")


def repairs(site_id: str, works: Works, found: Findings) -> None:
    """Take a proposal over, change a repair, add one, or drop one."""
    if not access.visitor().allows("record"):
        return
    st.markdown("##### Add, change or drop a repair")
    _repair_form(site_id, works, found)
    with st.expander("All repairs and your own prices, to type in", key="works-grids", on_change="rerun"):
        if st.session_state.get("works-grids"):
            sheet = st.segmented_control(
                "Sheet", ["repairs", "rates"], format_func=lambda name: SHEETS[name].title, key="works-sheet",
                default="repairs", required=True, label_visibility="collapsed",
            )  # fmt: skip
            grid(site_id, SHEETS[str(sheet)], (), every=True)


@part
def _repair_form(site_id: str, works: Works, found: Findings) -> None:
    ref = found.site.reference
    own = [work for work in works.works if work.kind != "r25"]
    names = {work.repair_id: f"{work.repair_id} · {work.label}" for work in own}
    turn = st.session_state.setdefault(f"repair-turn-{site_id}", 0)
    with st.container(horizontal=True, vertical_alignment="bottom"):
        picked = st.selectbox(
            "Repair", [NEW, *names], format_func=lambda name: names.get(name, name),
            key=f"repair-pick-{turn}", width=430,
        )  # fmt: skip
        kind = ""
        if picked == NEW:
            kinds = [key for key in ref.vocabulary["repair_kind"] if key != "r25"]
            kind = st.selectbox(
                "Which repair", kinds, key=f"repair-kind-{turn}", width=430,
                format_func=lambda key: f"{key.upper()} {ref.word('repair_kind', key)}",
            )  # fmt: skip
    site = desk.current(site_id).site
    cells = _cells(picked, works, site_id)
    columns = {column.name: column for column in columns_of("repair", ref=ref)}
    with st.form(f"repair-form-{turn}-{picked}", border=True):
        if picked == NEW:
            cells |= {"repair_kind": kind}
        elif works[picked].asked.proposed:
            chrome.note("Proposed by wallfoot: what you keep takes its place, and may be changed or dropped.")
        with st.container(horizontal=True, vertical_alignment="bottom"):
            for name, width in ASKED.items():
                cells[name] = _cell(
                    columns[name], cells.get(name, ""), f"repair-{turn}-{picked}-{name}", width
                )
        pressed = st.form_submit_button("Keep the repair", type="primary")
    if pressed:
        told = written("repair", {key: text for key, text in cells.items() if text}, site, stem="R")
        _keep(site_id, "repair", told.record, told.said)
    _say(site_id, "repair")


def _cells(picked: str, works: Works, site_id: str) -> dict[str, str]:
    site = desk.current(site_id).site
    if picked == NEW:
        return {"stage": "proposed", "basis": "inferred"}
    asked = works[picked].asked
    return proposal_cells(asked, site) if asked.proposed else repair_cells(picked, site)


def _cell(column: Column, value: str, key: str, width: int) -> str:
    """Ask for one field."""
    label = LABELS.get(column.name, column.label) + (f", {column.unit}" if column.unit else "")
    if column.words:
        words = ["", *column.words]
        at = words.index(value) if value in words else 0
        return str(
            st.selectbox(
                label, words, index=at, format_func=lambda word: column.words.get(word, "–"), key=key,
                width=max(width, 150),
            )
            or ""
        )  # fmt: skip
    return str(st.text_input(label, value=value, key=key, width=width, help=column.hint or None) or "")


def hold_points(site_id: str, works: Works, found: Findings) -> None:
    """Write the result of a hold point down."""
    if not (access.visitor().allows("record") or access.visitor().allows("works")):
        return
    st.markdown("##### Record a result")
    _hold_form(site_id, works, found.site.reference)


@part
def _hold_form(site_id: str, works: Works, ref: Reference) -> None:
    turn = st.session_state.setdefault(f"hold-turn-{site_id}", 0)
    names = {
        key: f"{hold.hold_point.upper()} {hold.repair_id} · {hold.label} · {hold.verdict.word}"
        for key, hold in works.holds.items()
    }
    key = st.selectbox(
        "Hold point", list(names), format_func=names.__getitem__, key=f"hold-pick-{turn}",
        width=620,
    )  # fmt: skip
    hold = works.holds[str(key)]
    asked = works[hold.repair_id].asked if hold.repair_id else None
    cells = hold_cells(hold.hold_point, hold.repair_id, asked)
    columns = {column.name: column for column in columns_of("hold_point", ref=ref)}
    with st.form(f"hold-form-{turn}-{key}", border=True):
        with st.container(horizontal=True, vertical_alignment="bottom"):
            for name in ("result", *HOLD_FIELDS[hold.hold_point]):
                place = f"hold-{turn}-{key}-{name}"
                cells[name] = _cell(columns[name], cells.get(name, ""), place, 150)
            now = datetime.now().astimezone().strftime("%Y-%m-%dT%H:%M")
            cells["checked_at"] = _cell(columns["checked_at"], now, f"hold-{turn}-{key}-at", 190)
            cells["photo_ids"] = _cell(columns["photo_ids"], "", f"hold-{turn}-{key}-photos", 190)
            cells["note"] = _cell(columns["note"], "", f"hold-{turn}-{key}-note", 300)
        pressed = st.form_submit_button("Keep the result", type="primary")
    if pressed:
        cells["checked_by"] = workspace.role()
        site = desk.current(site_id).site
        told = written("hold_point", {name: text for name, text in cells.items() if text}, site, stem="HP-")
        _keep(site_id, "hold", told.record, told.said)
    _say(site_id, "hold")


def work_done(site_id: str, works: Works, found: Findings) -> None:
    """Write down what was done."""
    if not (access.visitor().allows("record") or access.visitor().allows("works")):
        return
    st.markdown("##### Record what was done")
    _done_form(site_id, works, found.site.reference)


@part
def _done_form(site_id: str, works: Works, ref: Reference) -> None:
    turn = st.session_state.setdefault(f"done-turn-{site_id}", 0)
    own = {work.repair_id: work for work in works.works if not work.asked.proposed and work.lines}
    if not own:
        chrome.note("Work is recorded against a repair that is recorded: take a proposal over first.")
        return
    with st.container(horizontal=True, vertical_alignment="bottom", key="done-form"):
        repair = st.selectbox(
            "Repair", list(own), format_func=lambda name: f"{name} · {own[name].label}",
            key=f"done-repair-{turn}", width=400,
        )  # fmt: skip
        lines = {line.line: line for line in own[str(repair)].lines}
        line = st.selectbox("Quantity", list(lines), key=f"done-line-{turn}-{repair}", width=220)
        unit = lines[str(line)].unit
        amount = st.text_input(
            f"Done, {ref.word('quantity_unit', unit)}", key=f"done-amount-{turn}", width=130, max_chars=20
        )
        day = datetime.now().astimezone().date().isoformat()
        when = st.text_input("On", value=day, key=f"done-on-{turn}", width=140, max_chars=10)
        pressed = st.button("Keep it", type="primary", key="done-keep")
    if pressed:
        cells = {
            "repair_id": str(repair),
            "line": str(line),
            "quantity": amount,
            "unit": unit,
            "done_on": when,
        }
        site = desk.current(site_id).site
        told = written("work_done", {name: text for name, text in cells.items() if text}, site, stem="WD")
        _keep(site_id, "done", told.record, told.said)
    _say(site_id, "done")


def leave(site_id: str, works: Works, found: Findings) -> None:
    """Write down that leave was asked, given or refused."""
    if works.leave and access.visitor().allows("record"):
        st.markdown("##### Record leave")
        _leave_form(site_id, works, found.site.reference)


@part
def _leave_form(site_id: str, works: Works, ref: Reference) -> None:
    turn = st.session_state.setdefault(f"leave-turn-{site_id}", 0)
    names = {one.consent_for: one.label for one in works.leave}
    columns = {column.name: column for column in columns_of("consent", ref=ref)}
    with st.container(horizontal=True, vertical_alignment="bottom", key="leave-form"):
        what = st.selectbox(
            "Leave", list(names), format_func=names.__getitem__, key=f"leave-{turn}", width=360
        )
        cells = {"consent_for": str(what)}
        for name, start, width in (
            ("state", "asked", 150), ("given_by", "owner", 150), ("given_on", "", 140), ("limits", "", 260),
        ):  # fmt: skip
            cells[name] = _cell(columns[name], start, f"leave-{turn}-{name}", width)
        pressed = st.button("Keep it", type="primary", key="leave-keep")
    if pressed:
        site = desk.current(site_id).site
        told = written("consent", {name: text for name, text in cells.items() if text}, site)
        _keep(site_id, "leave", told.record, told.said)
    _say(site_id, "leave")


def _keep(site_id: str, form: str, record: object, said: tuple[str, ...]) -> None:
    """Keep a record; what is refused stays typed."""
    key = f"{form}-told-{site_id}"
    if record is None:
        st.session_state[key] = said or ("Something is missing.",)
        return
    outcome = desk.save(site_id, [Put(record)], why=f"works: {form}")  # type: ignore[arg-type]
    if not outcome.saved:
        st.session_state[key] = (outcome.told, "What you typed is still here.")
        return
    st.session_state[f"{form}-turn-{site_id}"] += 1
    st.session_state[key] = (f"{getattr(record, 'id', '')} is kept.",)
    st.rerun()


def _say(site_id: str, form: str) -> None:
    for sentence in st.session_state.pop(f"{form}-told-{site_id}", ()):
        st.text(sentence)
