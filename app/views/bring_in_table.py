"""A table on its way in: what its columns mean, what it would become, everything wrong with it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import partial
from typing import Any

import streamlit as st

from app import access
from app.desk import Desk
from app.views.bring_in_logger import logger
from app.views.bring_in_said import Given, ask, bring_in, refused, show_problems
from app.widgets import chrome
from app.widgets.table import show_table
from app.widgets.text import plain
from geo.entry.columns import label_of
from geo.entry.importing import (
    PREVIEWED,
    UNIT_LABELS,
    answered,
    check_kept,
    choices_of,
    examples,
    field_labels,
    guess_kind,
    kind_titles,
    looks_like_logger,
    preview_table,
    same_for_all,
    spare_fields,
    table_kinds,
    told_counts,
    told_open,
    with_columns,
    with_unit,
)
from geo.errors import InputError
from geo.intake.apply import Intake, apply
from geo.intake.columns import units_for
from geo.intake.kept import from_toml, to_toml
from geo.intake.mapping import ColumnMap, propose_mapping, questions
from geo.intake.sheet import ASK, Looked, Sheet, look_at
from geo.reference import Reference
from geo.site.records import Record
from geo.store.changes import Change, Put

LOGGER = "logger"
NOT_USED = ""
MOST_TRIED = 6


def tables(at: Desk, given: Given) -> None:
    """Take a table or a workbook through to records."""
    found = _looked(given.key, at.site_id, -1, _given=given, _ref=at.site.reference)
    if refused(found.problems, key=given.key, file=found.file):
        return
    with st.container(horizontal=True, vertical_alignment="bottom"):
        at_sheet = 0
        if len(found.sheets) > 1:
            at_sheet = st.selectbox(
                "Sheet",
                range(len(found.sheets)),
                format_func=lambda number: found.sheets[number].name or "1",
                key=f"{given.key}-sheet",
                width=260,
            )
        sheet = found.sheets[at_sheet]
        said = st.number_input(
            "Row of the column names (0: none)",
            0,
            None,
            sheet.header_row,
            key=f"{given.key}-header-{at_sheet}",
            width=260,
        )
    if said != sheet.header_row:
        again = _looked(given.key, at.site_id, said, _given=given, _ref=at.site.reference)
        if refused(again.problems, key=f"{given.key}-again", file=again.file):
            return
        sheet = again.sheets[at_sheet]
    if found.problems:
        show_problems(found.problems, key=f"{given.key}-looked", file=found.file)
    chrome.note(f"{len(sheet.rows):,} rows of {len(sheet.header)} columns.", *sheet.remarks)
    key = f"{given.key}-{at_sheet}-{said}"
    kept = kept_mapping(key)
    kind = choose_kind(sheet, key, kept)
    if kind == LOGGER:
        logger(at, given, sheet, key=key)
        return
    _records(at, given, sheet, kind, key=f"{key}-{kind}", kept=kept)


@st.cache_resource(show_spinner="reading the file", max_entries=MOST_TRIED)
def _looked(key: str, site_id: str, header: int, *, _given: Given, _ref: Reference) -> Looked:  # noqa: ARG001
    return look_at(_given.name, _given.raw, ref=_ref, header_row=None if header < 0 else header)


def choose_kind(sheet: Sheet, key: str, kept: ColumnMap | None) -> str:
    """Ask what the rows are; the titles only guess it."""
    titles = {**kind_titles(), LOGGER: "A data logger's series of air temperature and humidity"}
    kinds = [*table_kinds(), LOGGER]
    guess = kept.kind if kept else LOGGER if looks_like_logger(sheet) else guess_kind(sheet, table_kinds())
    return st.selectbox(
        "Its rows are",
        kinds,
        index=kinds.index(guess) if guess in kinds else None,
        format_func=titles.__getitem__,
        key=f"{key}-kind-{kept.kind if kept else ''}",
        width=420,
    )


def kept_mapping(key: str) -> ColumnMap | None:
    """Take a mapping kept from an earlier file of the same make."""
    with st.expander("Use a mapping kept from an earlier file", key=f"{key}-kept", on_change="rerun"):
        file = st.file_uploader("A mapping (TOML)", type="toml", key=f"{key}-toml")
    if file is None:
        return None
    try:
        return from_toml(file.name, file.getvalue())
    except InputError as error:
        for one in error.problems:
            st.text(str(one))
        return None


def _records(at: Desk, given: Given, sheet: Sheet, kind: str, *, key: str, kept: ColumnMap | None) -> None:
    ref = at.site.reference
    mapping, opened = map_columns(sheet, kind, key=key, ref=ref, kept=kept)
    told = to_toml(mapping)
    taken = _applied(key, told, at.site_id, at.version, _sheet=sheet, _mapping=mapping, _at=at)
    outcome(at, taken, mapping, opened, key=key, name=given.name, told=sheet.remarks)


@st.cache_resource(show_spinner="holding every row against what may be", max_entries=MOST_TRIED)
def _applied(
    key: str,  # noqa: ARG001
    told: str,  # noqa: ARG001
    site_id: str,  # noqa: ARG001
    version: int,  # noqa: ARG001
    *,
    _sheet: Sheet,
    _mapping: ColumnMap,
    _at: Desk,
) -> Intake:
    return apply(_sheet, _mapping, ref=_at.site.reference, existing_ids=_at.site.ids)


def map_columns(
    sheet: Sheet,
    kind: str,
    *,
    key: str,
    ref: Reference,
    kept: ColumnMap | None = None,
    without: Collection[str] = (),
) -> tuple[ColumnMap, int]:
    """Show the mapping and put every question, and return what was chosen and how many are open.

    Parameters
    ----------
    without
        Fields that come from elsewhere than the columns.
    """
    use_kept = kept is not None and kept.kind == kind
    start = kept if use_kept and kept is not None else propose_mapping(sheet, kind)
    if use_kept and (gone := check_kept(start, sheet)):
        st.text(f"The kept mapping names columns this file has not: {', '.join(gone)}.")
    key = f"{key}-{'kept' if use_kept else 'own'}"
    labels = field_labels(kind, without=without)
    mapping = _columns(sheet, start, labels, key=key)
    mapping = _same_for_all(mapping, labels, key=key, ref=ref, without=without)
    asked = answered(mapping, partial(ask, key=key), lambda one: questions(sheet, one, ref=ref))
    return asked.mapping, asked.open


def _columns(sheet: Sheet, start: ColumnMap, labels: dict[str, str], *, key: str) -> ColumnMap:
    """Show each column with some of its cells, and what it is taken for."""
    uses = {use.column: use for use in start.columns}
    chosen: dict[str, str] = {}
    units: dict[str, str] = {}
    left = [title for title in sheet.header if title not in uses]
    with st.expander(
        f"Columns: {len(uses)} of {len(sheet.header)} are used", expanded=True, key=f"{key}-columns"
    ):
        if not sheet.header:
            chrome.note("It has no columns.")
        for at, title in enumerate([*[one for one in sheet.header if one in uses], *left]):
            about, field, unit = st.columns([2.2, 2, 1], vertical_alignment="center")
            with about:
                chrome.note(f"{title}: {examples(sheet, title)}")
            name = field.selectbox(
                plain(f"{title} is"),
                [NOT_USED, *labels],
                index=_index([NOT_USED, *labels], uses[title].field if title in uses else NOT_USED),
                format_func=lambda one: labels.get(one, "not used"),
                key=f"{key}-field-{at}-{title}",
                label_visibility="collapsed",
            )
            if not name:
                continue
            chosen[title] = name
            fits = units_for(name)
            if len(fits) > 1:
                stated = uses[title].unit if title in uses and uses[title].field == name else ASK
                said = unit.selectbox(
                    plain(f"unit of {title}"),
                    fits,
                    index=_index(fits, stated),
                    key=f"{key}-unit-{at}-{name}",
                    format_func=lambda unit: UNIT_LABELS.get(unit, unit),
                    label_visibility="collapsed",
                    placeholder="unit?",
                )
                if said:
                    units[title] = said
    mapping = with_columns(start, chosen, sheet)
    for title, said in units.items():
        mapping = with_unit(mapping, title, said)
    return mapping


def _index(choices: Sequence[Any], wanted: Any) -> int | None:
    return list(choices).index(wanted) if wanted in choices else None


def _same_for_all(
    mapping: ColumnMap, labels: dict[str, str], *, key: str, ref: Reference, without: Collection[str]
) -> ColumnMap:
    """Offer the fields no column fills, to give every row the same."""
    spare = [name for name in spare_fields(mapping, without=without) if name in labels]
    named = st.multiselect(
        "The same for every row",
        spare,
        format_func=lambda name: labels[name],
        key=f"{key}-spare",
        placeholder="nothing",
        width=620,
    )
    given: dict[str, str] = {}
    if named:
        with st.container(horizontal=True, vertical_alignment="bottom"):
            for name in named:
                words = choices_of(mapping.kind, name, ref)
                if words:
                    said = st.selectbox(
                        label_of(name),
                        list(words),
                        index=None,
                        format_func=words.__getitem__,
                        key=f"{key}-all-{name}",
                        width=260,
                    )
                else:
                    said = st.text_input(labels[name], key=f"{key}-all-{name}", width=260)
                given[name] = said or ""
    return same_for_all(mapping, given)


def outcome(
    at: Desk,
    taken: Intake,
    mapping: ColumnMap,
    opened: int,
    *,
    key: str,
    name: str,
    told: Sequence[str] = (),
) -> None:
    """Show what would come in and everything wrong, and bring it in when nothing is.

    Parameters
    ----------
    told
        Remarks that stand on the page already.
    """
    title = kind_titles()[taken.kind].lower()
    st.text(told_counts(taken))
    if fresh := [one for one in taken.remarks if one not in told]:
        chrome.note(*fresh)
    if opened:
        st.text(told_open(opened))
    show_problems(taken.problems, key=key, file=taken.file)
    chrome.note(f"The first {min(PREVIEWED, taken.read)} of {taken.read:,}, as they would be kept:")
    show_table(preview_table(taken, at.site.reference), tall=True, empty="No rows.")
    with st.container(horizontal=True, vertical_alignment="center"):
        if taken.usable and taken.records:
            bring_in(
                at,
                f"Bring in {len(taken.records):,} records",
                lambda: puts(taken.records),
                file=taken.file,
                told=f"{len(taken.records):,} {title} brought in from {taken.file}.",
            )
        access.download(
            "Keep this mapping (TOML)",
            lambda: to_toml(mapping),
            file_name=f"{name.rpartition('.')[0] or 'columns'}-{taken.kind}.toml",
            mime="application/toml",
            on_click="ignore",
            key=f"{key}-keep",
        )


def puts(records: Sequence[Record]) -> list[Change]:
    """Return the changes that add records."""
    return [Put(record) for record in records]
