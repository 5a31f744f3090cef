"""How high is it?"""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import desk, typing_desk, workspace
from app.desk import Desk
from app.parts import part
from app.widgets import chrome
from app.widgets.conflict import show_conflicts
from app.widgets.grid import Edits, show_grid
from app.widgets.table import show_table
from geo.entry.book import BookNow, book_now, cells_in_unit, cells_to_metres, staff_columns
from geo.entry.columns import label_of
from geo.entry.sheets import SHEETS
from geo.errors import WallfootError
from geo.levels.page import FORMS, BookPage
from geo.levels.staff import METRES, STAFF_UNITS
from geo.store.changes import PutInfo

BOOK = SHEETS["level-book"]
MILLIMETRE = 3
DIGITS = {"m": 3, "mm": 0}


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = desk.open_desk(head, "Book levels")
    if opened is None:
        return
    with st.container(horizontal=True, vertical_alignment="bottom"):
        unit = st.segmented_control(
            "Staff is read in", STAFF_UNITS, key="staff-unit", default=METRES, required=True
        )
        form = st.segmented_control("Reduced by", FORMS, key="book-form", default=FORMS[0], required=True)
        more = st.multiselect(
            "More columns", BOOK.others, format_func=label_of, key="more-book", placeholder="none", width=380
        )
    _page(opened.site_id, unit, form, tuple(more))


@part
def _page(site_id: str, unit: str, form: str, more: tuple[str, ...]) -> None:
    at = desk.current(site_id)
    unsaved = _grid(at, unit, more)
    now = book_now(at.site, form=form, staff_unit=unit)
    _said(now, unsaved)
    if now.no_datum:
        _bench_mark(at)
    if now.page is not None:
        _book(now.page)
    if len(now.levels):
        with st.expander("Levels, and what each is used for", expanded=True, key="levels-used"):
            _levels(now)


def _grid(at: Desk, unit: str, more: tuple[str, ...]) -> int:
    """Show the lines to type, and return how many of them are not saved."""
    columns = BOOK.columns(more, ref=at.site.reference)
    name = f"{at.site_id}-{BOOK.name}"
    typed = typing_desk.typed_of(name, at, BOOK, columns, all_lines=True)
    filled = typing_desk.fill(typed, at, BOOK, columns)
    rows, _ = typing_desk.rows_of(filled, typed, at, BOOK.kind)

    def take(edits: Edits) -> None:
        metres = tuple((key, cells_to_metres(cells, unit)) for key, cells in edits.rows)
        typing_desk.take_edits(typed, replace(edits, rows=metres), at.site_id, BOOK, columns)

    chrome.note(
        "One line a sight, in the order they are taken; a change point is one line with foresight and"
        " backsight, or two lines. Each set-up begins with its backsight. A line is saved when it is whole."
    )
    show_grid(
        name,
        staff_columns(columns, unit),
        [replace(row, cells=cells_in_unit(row.cells, unit)) for row in rows],
        acked=typed.acked,
        on_edits=take,
        run=typed.run,
        told=typed.told,
        spare=2,
        focus=True,
    )
    show_conflicts(
        typed.conflicts,
        name=name,
        keep_mine=lambda conflict: typing_desk.keep_mine(typed, conflict, at.site_id, BOOK, columns),
        take_theirs=lambda conflict: typing_desk.take_theirs(typed, conflict),
    )
    return sum(row.state != "saved" for row in rows)


def _said(now: BookNow, unsaved: int) -> None:
    """Say whether it closes, and what cannot be followed."""
    with st.container(key="book-said"):
        for sentence in (*now.told, *now.wrong):
            st.text(sentence)
        if now.page is None and not now.wrong:
            st.text("No staff reading is booked yet.")
    if unsaved:
        chrome.note(
            f"{unsaved} of the lines above {'is' if unsaved == 1 else 'are'} not saved yet and not reduced."
        )


def _bench_mark(at: Desk) -> None:
    """Ask for the level everything hangs on."""
    info = at.site.info
    with st.container(horizontal=True, vertical_alignment="bottom", border=True):
        level = st.number_input(
            "Level of the bench mark above the site's datum, m",
            value=info.bench_mark_level_m,
            format="%.3f",
            step=None,
            key="bench-level",
            width=330,
        )
        if st.button("Keep it", type="primary", key="keep-bench-level") and level is not None:
            try:
                base = workspace.store().file_versions(at.site_id)["site.toml"]
            except WallfootError as error:
                st.text(str(error))
                return
            changed = info.model_copy(update={"bench_mark_level_m": float(level)})
            outcome = desk.save(at.site_id, [PutInfo(changed, base)])
            if outcome.saved:
                st.rerun(scope="fragment")
            st.text(outcome.told)
    chrome.note(
        "Any round figure makes a datum of the site's own. A line booked as a bench mark without a known"
        " level then stands on it, unless its note names another."
    )


def _book(page: BookPage) -> None:
    """Show the page as it would stand in a book, its sums under it, and its checks."""
    lines = page.lines.rename_axis("line").reset_index()
    staff = {name: DIGITS[page.staff_unit] for name in lines if name.endswith(f"_{page.staff_unit}")}
    digits = {name: MILLIMETRE for name in lines if name.endswith("_m")} | staff
    digits |= {"correction_mm": 1, "sigma_mm": 1}
    shown = lines.drop(columns=["point"] if (lines["point"] == lines["line"]).all() else [])
    show_table(_plain_heads(shown), digits={_head(name): count for name, count in digits.items()}, tall=True)
    chrome.note("Sums, run by run, and whether the ways of counting agree:")
    sums = page.sums.drop(columns=["setup_id", "correction_mm", "adjusted_level_m", "sigma_mm"])
    sums = sums.dropna(axis="columns", how="all")
    show_table(_plain_heads(sums), digits={_head(name): count for name, count in digits.items()})
    checks = page.checks[["run", "check", "word", "said", "settle"]]
    show_table(
        checks.rename(columns={"word": "agrees", "said": "counted", "settle": "to settle it"}), digits=0
    )


def _levels(now: BookNow) -> None:
    table = now.levels.rename_axis("line").reset_index()
    table = table.rename(
        columns={"of_id": "of", "level_m": "level, m", "sigma_mm": "± mm", "feeds": "used for"}
    )
    show_table(table, digits={"level, m": MILLIMETRE, "± mm": 1}, tall=True)


def _plain_heads(table: pd.DataFrame) -> pd.DataFrame:
    return table.rename(columns=_head)


def _head(name: str) -> str:
    for unit in ("mm", "m"):
        if name.endswith(f"_{unit}"):
            return f"{name.removesuffix(f'_{unit}').replace('_', ' ')}, {unit}"
    return name.removesuffix("_id").replace("_", " ")
