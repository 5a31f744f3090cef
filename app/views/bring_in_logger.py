"""A data logger's series on its way in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import streamlit as st

from app import workspace
from app.desk import Desk
from app.views.bring_in_said import Given, ask, bring_in, facts_table, show_problems
from app.widgets import chrome
from app.widgets.text import plain
from geo.entry.columns import label_of
from geo.entry.importing import choices_of, kept_name, side_of_air
from geo.errors import WallfootError
from geo.intake.clock import TWICE
from geo.intake.logger import FIELDS, LoggerMap, answer_logger, logger_questions, propose_logger, take_series
from geo.intake.mapping import Question
from geo.intake.series import Series, environment_records
from geo.intake.sheet import Sheet
from geo.store.changes import Change, Put, PutFile

ZONES = ("Europe/London", "Europe/Dublin", "UTC+00:00", "UTC+01:00")
ZONE_WORDS = {
    "Europe/London": "Europe/London: changes in summer",
    "Europe/Dublin": "Europe/Dublin: changes in summer",
    "UTC+00:00": "UTC+00:00: winter time all year",
    "UTC+01:00": "UTC+01:00: summer time all year",
}
OTHER = "another"


def logger(at: Desk, given: Given, sheet: Sheet, *, key: str) -> None:
    """Take a logger's table through to records of the air; its own file is kept beside them."""
    mapping = _columns(sheet, propose_logger(sheet), key=key)
    mapping = _asked(sheet, mapping, key=key)
    taken = take_series(sheet, given.raw, mapping, ref=at.site.reference)
    show_problems(taken.problems, key=f"{key}-logger", file=sheet.file)
    if taken.series is None:
        st.text("The series cannot be read yet; nothing comes in until it can.")
        return
    series = taken.series
    facts_table(
        {
            "readings": f"{len(series):,}",
            "from": f"{series.times[0]} UTC",
            "to": f"{series.times[-1]} UTC",
            "usual step": f"{series.interval_s:g} s",
            "gaps": f"{len(series.gaps)}",
            "clock": series.zone,
        }
    )
    _bring(at, given, series, key=key)


def _columns(sheet: Sheet, mapping: LoggerMap, *, key: str) -> LoggerMap:
    """Show which column is taken for what."""
    titles = ["", *sheet.header]
    now = {"time": mapping.time, "clock": mapping.clock, **mapping.columns}
    words = {"time": "Time, or date", "clock": "Time of day, where apart"}
    chosen: dict[str, str] = {}
    with st.container(horizontal=True, vertical_alignment="bottom"):
        for name in ("time", "clock", *FIELDS):
            chosen[name] = st.selectbox(
                words.get(name, label_of(name).capitalize()),
                titles,
                index=titles.index(now.get(name, "")) if now.get(name, "") in titles else 0,
                format_func=lambda title: title or "none",
                key=f"{key}-logger-{name}",
                width=230,
            )
    columns = {name: chosen[name] for name in FIELDS if chosen[name]}
    units = {
        name: mapping.units[name] if mapping.columns.get(name) == title and name in mapping.units else "?"
        for name, title in columns.items()
    }
    return replace(mapping, time=chosen["time"], clock=chosen["clock"], columns=columns, units=units)


def _asked(sheet: Sheet, mapping: LoggerMap, *, key: str) -> LoggerMap:
    """Put every question; the zone of its clock is never answered beforehand."""
    for question in logger_questions(sheet, mapping):
        if question.key in ("time", "columns"):
            continue
        said = _zone(question, key=key) if question.key == "zone" else ask(question, key=key)
        if said:
            mapping = answer_logger(mapping, question.key, said)
    twice = st.selectbox(
        "Times that were twice, when a clock went back",
        list(TWICE),
        format_func=TWICE.__getitem__,
        key=f"{key}-twice",
        width=620,
    )
    return answer_logger(mapping, "twice", twice)


def _zone(question: Question, *, key: str) -> str:
    with st.container(horizontal=True, vertical_alignment="bottom"):
        said = st.selectbox(
            plain(question.ask),
            [*ZONES, OTHER],
            index=None,
            format_func=lambda zone: ZONE_WORDS.get(zone, "another zone"),
            key=f"{key}-zone",
            placeholder="choose",
            width=620,
        )
        if said == OTHER:
            said = st.text_input("Zone, as Europe/Paris or UTC+02:00", key=f"{key}-zone-other", width=300)
    return said or ""


def _bring(at: Desk, given: Given, series: Series, *, key: str) -> None:
    """Ask where it hung and what it is, and bring it in."""
    places = choices_of("environment", "place", at.site.reference)
    with st.container(horizontal=True, vertical_alignment="bottom"):
        place = st.selectbox(
            "Where it hung",
            list(places),
            index=None,
            format_func=places.__getitem__,
            key=f"{key}-place",
            placeholder="choose",
            width=300,
        )
        own = st.text_input("The logger's own id", key=f"{key}-instrument", width=220)
        every = st.number_input("A record every, hours", 0.1, None, 1.0, 0.5, key=f"{key}-every", width=200)
    with st.container(horizontal=True, vertical_alignment="bottom"):
        spot: Mapping[str, str] = {
            name: st.text_input(label, key=f"{key}-spot-{name}", width=200)
            for name, label in {
                "face": "Face it hung at, as F1",
                "corner": "Corner, as A",
                "distance_m": "From that corner, m",
            }.items()
        }
    chrome.note(
        "One reading is picked for each step and none is averaged; the logger's whole file is kept too."
    )
    if not place or not own.strip():
        st.text("Say where it hung and which logger it was.")
        return
    try:
        records = environment_records(
            series,
            place=place,
            instrument=own.strip(),
            every_h=every,
            existing_ids=at.site.ids,
            fixed={"side": side_of_air(place), **{name: said for name, said in spot.items() if said.strip()}},
        )
        names = workspace.store().file_versions(at.site_id)
    except WallfootError as error:
        st.text(str(error))
        return
    wanted = kept_name("loggers", given.name, names, end="" if "." in given.name else ".csv")

    def changes() -> list[Change]:
        return [*(Put(record) for record in records), PutFile(wanted, given.raw, series.sha256)]

    bring_in(
        at,
        f"Bring in {len(records):,} records",
        changes,
        file=series.file,
        told=f"{len(records):,} records of the air brought in; the whole series is kept as {wanted}.",
    )
