"""What was read, and where?"""

from __future__ import annotations

import math

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import desk, typing_desk
from app.desk import Desk
from app.parts import part
from app.widgets import chrome
from app.widgets.conflict import show_conflicts
from app.widgets.drawing import show_svg
from app.widgets.grid import show_grid
from geo.draw.typed_strip import draw_typed_strip
from geo.entry.columns import label_of
from geo.entry.lines import Filled
from geo.entry.sheets import SHEETS, Sheet
from geo.entry.whereabouts import Whereabouts

FRESH = 5


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = desk.open_desk(head, "Type it in")
    if opened is None:
        return
    with st.container(horizontal=True, vertical_alignment="bottom"):
        sheet = SHEETS[
            st.selectbox(
                "What",
                list(SHEETS),
                format_func=lambda name: SHEETS[name].title,
                key="sheet",
                bind="query-params",
                width=320,
            )
        ]
        more = st.multiselect(
            "More columns",
            sheet.others,
            format_func=label_of,
            key=f"more-{sheet.name}",
            width=420,
            placeholder="none",
        )
        every = st.toggle("Show every line", key=f"every-{sheet.name}", width="content")
    _page(opened.site_id, sheet, tuple(more), every=every)


@part
def _page(site_id: str, sheet: Sheet, more: tuple[str, ...], *, every: bool) -> None:
    grid(site_id, sheet, more, every=every, focus=True)
    if sheet.kind == "reading":
        _not_read(site_id)


def _not_read(site_id: str) -> None:
    """Note a length nobody could read, by one tap: unread is not dry."""
    with st.container(horizontal=True, vertical_alignment="bottom", key="not-read"):
        start = st.text_input("Not read from chainage, m", key="unread-from", width=190)
        end = st.text_input("to chainage, m", key="unread-to", width=150)
        side = st.segmented_control(
            "Side", ["inside", "outside"], key="unread-side", default="inside", required=True
        )
        said = ""
        for state, label in (("not_looked", "Not looked"), ("no_access", "Could not get to it")):
            if st.button(label, key=f"unread-{state}"):
                cells = {"chainage_from_m": start, "chainage_to_m": end, "side": side, "state": state}
                said = typing_desk.save_one(desk.current(site_id), "unread", cells)
    if said:
        st.text(said)


def grid(site_id: str, sheet: Sheet, more: tuple[str, ...], *, every: bool, focus: bool = False) -> None:
    """Show one sheet to type in, and where on the wall its lines lie."""
    at = desk.current(site_id)
    columns = sheet.columns(more, ref=at.site.reference)
    name = f"{site_id}-{sheet.name}"
    typed = typing_desk.typed_of(name, at, sheet, columns, all_lines=every)
    filled = typing_desk.fill(typed, at, sheet, columns)
    rows, places = typing_desk.rows_of(filled, typed, at, sheet.kind)
    chrome.note(_count(at, sheet, len(rows)))
    show_grid(
        name,
        columns,
        rows,
        acked=typed.acked,
        run=typed.run,
        on_edits=lambda edits: typing_desk.take_edits(typed, edits, site_id, sheet, columns),
        told=typed.told,
        spare=0 if sheet.drawn else 3,
        focus=focus,
    )
    show_conflicts(
        typed.conflicts,
        name=name,
        keep_mine=lambda conflict: typing_desk.keep_mine(typed, conflict, site_id, sheet, columns),
        take_theirs=lambda conflict: typing_desk.take_theirs(typed, conflict),
    )
    _strip(at, sheet, filled, places)


def _count(at: Desk, sheet: Sheet, shown: int) -> str:
    taken = len(at.site.of(sheet.kind))
    return (
        f"{taken} saved, {shown} lines shown. Enter goes to the next line; a cell in italics takes what"
        " stands above it. A line is saved as soon as it is whole."
    )


def _strip(at: Desk, sheet: Sheet, filled: list[Filled], places: dict[str, Whereabouts]) -> None:
    """Show on the wall what was typed last."""
    if at.perimeter is None or not places:
        return
    last = [line.record.id for line in filled if line.record is not None and line.record.id in places]
    at_wall = {
        name: place for name, place in places.items() if place.ring_key and math.isfinite(place.chainage_m)
    }
    fresh = [name for name in last[-FRESH:] if name in at_wall]
    ring = at_wall[fresh[-1]].ring_key if fresh else at.perimeter.rings.index[0]
    records = {line.record.id: line.record for line in filled if line.record is not None}
    marks = pd.DataFrame(
        [
            {
                "chainage_m": place.chainage_m,
                "chainage_sigma_m": place.chainage_sigma_m,
                "label": str(getattr(records[name], "value", "") or name),
                "fresh": name in fresh,
            }
            for name, place in at_wall.items()
            if place.ring_key == ring
        ],
        columns=["chainage_m", "chainage_sigma_m", "label", "fresh"],
    ).astype({"fresh": bool})
    faces = at.perimeter.faces
    title = f"{sheet.title} on {ring}"
    svg = draw_typed_strip(faces[faces["ring_key"] == ring], marks, title=title)
    show_svg(svg, alt=title, key="fitted-typed", least_px=700)
