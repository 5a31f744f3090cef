"""Add an event to a home: a form made from what the event is declared to hold."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Mapping
from typing import Any

import streamlit as st
from pydantic import ValidationError

from app import cache_homes, workspace
from app.widgets import chrome
from geo.errors import WallfootError
from geo.portfolio.events import EVENTS, OWN_COLUMNS, Happened, event_words
from geo.portfolio.saving import GrownError
from geo.site.fields import allowed, group_of, type_of, unit_of, words_of

SAID, SEEN, TURN = "home-add-said", "home-add-seen", "home-add-turn"
LEFT = frozenset(OWN_COLUMNS) | {"at", "note"}
NONE = ""


def show(at: cache_homes.Desk, home_id: str, state: Mapping[str, Any]) -> None:
    """Draw the form."""
    said = st.session_state.pop(SAID, "")
    if said:
        st.text(said)
    kind = st.selectbox(
        "What happened", list(at.viewer.kinds), format_func=_title, index=1, key="home-add-kind"
    )
    model = EVENTS[str(kind)]
    chrome.note(
        model.about, "No name and no address of anybody. An event is never changed; another corrects it."
    )
    count = int(state["events_count"])
    seen = st.session_state.setdefault(f"{SEEN}-{home_id}", count)
    with st.form(f"home-add-{home_id}-{kind}", clear_on_submit=False, border=True):
        given = _fields(at, model)
        sent = st.form_submit_button("Add to the home's file", type="primary")
    if not sent:
        return
    _add(at, home_id, model, given, seen=seen)


def _key(name: str) -> str:
    """Return the key of a field, another one after each event that was added."""
    turn = st.session_state.get(TURN, 0)
    return f"add-{name}-{turn}" if turn else f"add-{name}"


def _title(kind: str) -> str:
    words = event_words(kind)
    return words[:1].upper() + words[1:]


def _fields(at: cache_homes.Desk, model: type[Happened]) -> dict[str, Any]:
    """Ask for every field of a kind of event, and return what was given."""
    given: dict[str, Any] = {}
    fields = model.model_fields
    left, right = st.columns(2)
    with left:
        day = st.date_input("Day it happened", value=at.now.date(), format="YYYY-MM-DD", key=_key("day"))
    with right:
        hour = st.text_input(
            "Time, where it matters",
            placeholder="14:05",
            key=_key("hour"),
            help="Hours and minutes, local time",
        )
    given["at"] = f"{day.isoformat()}T{hour.strip()}" if hour.strip() else day.isoformat()
    names = [name for name in model.columns() if name not in LEFT]
    for number, name in enumerate(names):
        with left if number % 2 == 0 else right:
            given[name] = _ask(at, model, name, fields[name])
    with left:
        given["case_id"] = st.text_input("Case, where the home has several", key=_key("case_id"))
    with right:
        given["corrects"] = st.text_input("Event it stands in the place of", key=_key("corrects"))
    given["note"] = st.text_area("Anything else worth knowing", key=_key("note"), height=80)
    return given


def _ask(at: cache_homes.Desk, model: type[Happened], name: str, field: Any) -> Any:
    """Ask for one field as what it is."""
    key = _key(f"{model.kind}-{name}")
    unit = unit_of(name)
    label = str(field.description) + (f", {unit}" if unit and unit != "number" else "")
    label += " *" if field.is_required() else ""
    kind = type_of(field)
    if kind == "word":
        group = group_of(field)
        words = list(words_of(group))
        start = field.default if isinstance(field.default, str) else NONE
        options = words if field.is_required() or start in words else [NONE, *words]

        def named(word: str) -> str:
            if not word:
                return "–"
            ref = at.register.ref
            return ref.methods[word].name if group == "method" else ref.word(group, word)

        return st.selectbox(
            label, options, format_func=named, index=options.index(start) if start in options else 0, key=key
        )
    if kind == "number":
        return st.text_input(label, key=key, help=allowed(name, field))
    if kind == "date":
        chosen = st.date_input(label, value=None, format="YYYY-MM-DD", key=key)
        return chosen.isoformat() if isinstance(chosen, dt.date) else ""
    return st.text_input(label, key=key)


def _add(
    at: cache_homes.Desk, home_id: str, model: type[Happened], given: Mapping[str, Any], *, seen: int
) -> None:
    """Add the event, or say in a sentence why it cannot be."""
    filled = {name: value for name, value in given.items() if value not in (None, "")}
    try:
        event = model(
            id=f"{home_id}-{uuid.uuid4().hex[:10]}", home_id=home_id, by_role=at.viewer.role, **filled
        )
        at.register.append(at.viewer, [event], by=workspace.role(), seen={home_id: seen})
    except ValidationError as error:
        for wrong in error.errors():
            name = str(wrong["loc"][0]) if wrong["loc"] else ""
            field = model.model_fields.get(name)
            label = str(field.description) if field is not None else name
            found = wrong.get("input")
            told = (
                f"{found!r} is not it"
                if isinstance(found, str | int | float) and found != ""
                else "is needed"
            )
            st.text(
                f"Not added. {label}: {told}; {allowed(name, field) if field is not None else wrong['msg']}."
            )
        return
    except GrownError as error:
        _, count = error.grown[home_id]
        st.session_state[f"{SEEN}-{home_id}"] = count
        st.text(
            f"Not added: the file of this home had {seen} events when you opened it and has {count} now. Look"
            " at what is new under What happened, then send this again."
        )
        return
    except WallfootError as error:
        st.text(f"Not added. {str(error).splitlines()[0]}")
        return
    st.session_state.pop(f"{SEEN}-{home_id}", None)
    st.session_state[SAID] = f"Added: {event_words(model.kind)}."
    st.session_state[TURN] = st.session_state.get(TURN, 0) + 1  # a blank form: nothing is sent twice
    st.rerun()
