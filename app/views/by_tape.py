"""Placing one thing by the numbers taken with a tape."""

from __future__ import annotations

from typing import Any

import streamlit as st

from app import desk
from app.desk import Desk
from app.widgets.drawing import show_svg
from geo.draw.tape_sketch import draw_tapes
from geo.entry.columns import columns_of
from geo.entry.lines import Line, fill_lines
from geo.entry.tapes import sketch_of
from geo.entry.whereabouts import whereabouts
from geo.site.records import Record
from geo.store.changes import Put

WAYS = {
    "chainage_offset": ("chainage_m", "offset_m"),
    "face_distance": ("face", "corner", "distance_m", "offset_m"),
    "two_tapes": ("tape_1_from", "tape_1_m", "tape_2_from", "tape_2_m", "tape_side"),
    "tapes": ("tape_1_from", "tape_1_m", "tape_2_from", "tape_2_m", "tape_3_from", "tape_3_m", "tape_4_from",
              "tape_4_m"),
    "distance_bearing": ("corner", "distance_m", "bearing_deg"),
    "coordinates": ("easting_m", "northing_m", "position_sigma_m"),
}  # fmt: skip


def by_tape(at: Desk, kind: str) -> None:
    """Ask for the numbers of one way, show where they lead, and keep them as they were taken."""
    if at.perimeter is None:
        st.text(at.because)
        return
    ref = at.site.reference
    way = st.segmented_control(
        "How it was taken",
        list(WAYS),
        default="two_tapes",
        required=True,
        format_func=lambda name: ref.word("position_by", name),
        key=f"way-{kind}",
    )
    base = (*(("id", "side") if kind != "photo" else ("id",)), *WAYS[way])
    columns = columns_of(kind, base, ref=ref)
    cells = {"position_by": way}
    with st.container(horizontal=True, vertical_alignment="bottom"):
        for column in columns:
            label = column.label + (f", {column.unit}" if column.unit else "")
            key = f"tape-{kind}-{way}-{column.name}"
            if column.words:
                cells[column.name] = st.selectbox(
                    label,
                    list(column.words),
                    format_func=column.words.__getitem__,
                    key=key,
                    width=190,
                    index=list(column.words).index("outside") if "outside" in column.words else 0,
                )
            else:
                cells[column.name] = st.text_input(label, key=key, width=130)
    _show(at, kind, way, cells)


def _show(at: Desk, kind: str, way: str, cells: dict[str, Any]) -> None:
    columns = columns_of(kind, dict.fromkeys(["position_by", *cells]), ref=at.site.reference)
    old = {record.id: record for record in at.site.of(kind)}.get(cells.get("id", ""))
    line = Line(key="one", cells=cells, record_id=old.id if old is not None else "")
    known = {} if old is None else {old.id: old}
    found = fill_lines([line], kind, columns, ref=at.site.reference, taken=at.site.ids, existing=known)
    if not found or not any(cells.get(name) for name in WAYS[way]):
        return
    (filled,) = found
    labels = {column.name: column.label for column in columns}
    for name, said in filled.said.items():
        st.text(f"{labels.get(name, name)}: {said}")
    if filled.record is None:
        return
    place = whereabouts([filled.record], at.site, perimeter=at.perimeter)[filled.record.id]
    beside, drawn = st.columns(2)
    with beside:
        st.text(place.told)
        _keep(at, kind, filled.record, old)
    if at.perimeter is not None:
        sketch = sketch_of(filled.record, place, at.perimeter)
        with drawn:
            show_svg(
                draw_tapes(sketch),
                alt="the tapes and where they lead",
                key=f"fitted-tapes-{kind}",
                least_px=320,
            )


def _keep(at: Desk, kind: str, record: Record, old: Record | None) -> None:
    """Offer to keep it, and say what keeping it would change."""
    if old == record:
        st.text(f"{record.id} is kept so.")
        return
    if old is not None:
        st.text(f"{record.id} is there already: its place becomes this one.")
    if st.button(f"Keep {record.id}", type="primary", key=f"keep-{kind}"):
        outcome = desk.save(at.site_id, [Put(record, at.versions.get(record.id))])
        if outcome.saved:
            st.rerun(scope="fragment")
        st.text(outcome.told)
