"""What every way in has in common: questions, problems, saving all or nothing, and the way back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
import streamlit as st

from app import access, desk, workspace
from app.desk import Desk
from app.widgets import chrome
from app.widgets.table import show_table
from app.widgets.text import plain
from geo.entry.importing import problem_csv, problem_table
from geo.errors import Problem, WallfootError
from geo.intake.mapping import Question
from geo.store.changes import Change

FEW, MOST_SHOWN = 5, 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """A file as it was given.

    Parameters
    ----------
    name, raw
        Its name and bytes.
    key
        What tells it from every other file given, as part of the names of what is asked about it.
    """

    name: str
    raw: bytes
    key: str


def ask(question: Question, *, key: str) -> str:
    """Put one question, with nothing answered beforehand, and return the answer; ``""`` for none yet."""
    name = f"{key}-ask-{question.key}"
    label = plain(question.ask)
    if not question.choices:
        return st.text_input(label, key=name)
    words = list(question.choices)
    if len(words) <= FEW:
        said = st.radio(
            label,
            words,
            index=None,
            format_func=lambda word: plain(question.choices[word]),
            key=name,
            horizontal=True,
        )
    else:
        said = st.selectbox(
            label,
            words,
            index=None,
            format_func=question.choices.__getitem__,
            key=name,
            placeholder="choose",
            width=420,
        )
    return said or ""


def show_problems(problems: Sequence[Problem], *, key: str, file: str = "") -> None:
    """Show every problem in a table, and offer all of them as a file."""
    if not problems:
        return
    shown = problem_table(problems)
    if len(shown) > MOST_SHOWN:
        chrome.note(f"The first {MOST_SHOWN:,} of {len(shown):,} are shown; the file holds all of them.")
    show_table(shown.head(MOST_SHOWN), tall=len(shown) > FEW)
    access.download(
        "All of these as CSV",
        lambda: problem_csv(problems),
        file_name=f"{file.rpartition('.')[0] or 'import'}-problems.csv",
        mime="text/csv",
        on_click="ignore",
        key=f"{key}-problems",
    )


def refused(problems: Sequence[Problem], *, key: str, file: str) -> bool:
    """Show what is wrong with a file that cannot be used, and tell whether there is anything."""
    errors = [one for one in problems if one.severity == "error"]
    if not errors:
        return False
    st.text(f"{file} cannot be brought in; nothing was taken from it.")
    for one in errors[:FEW]:
        st.text(str(one))
    if len(errors) > FEW:
        show_problems(problems, key=key, file=file)
    return True


def bring_in(at: Desk, label: str, make: Callable[[], Sequence[Change]], *, file: str, told: str) -> None:
    """Offer to save everything in one transaction, and go back to an empty page once it is."""
    if not st.button(label, type="primary", key=f"bring-save-{file}"):
        return
    try:
        changes = make()
    except WallfootError as error:
        st.text(str(error))
        return
    with st.spinner("saving"):
        outcome = desk.save(at.site_id, changes, why=f"brought in from {file}")
    if outcome.saved:
        done(at, save_id=outcome.save_id, told=told)
        return
    st.text(outcome.told)
    for sentence in outcome.wrong[1:]:
        st.text(sentence)
    for conflict in outcome.conflicts[:FEW]:
        st.text(str(conflict))


def done(at: Desk, *, save_id: int, told: str) -> None:
    """Remember what was brought in, and empty the page for the next file."""
    st.session_state[f"bring-done-{at.site_id}"] = (save_id, told)
    st.session_state["bring-turn"] = st.session_state.get("bring-turn", 0) + 1
    st.rerun()


def show_done(at: Desk) -> None:
    """Say what was brought in last, and offer to take it out again."""
    key = f"bring-done-{at.site_id}"
    save_id, told = st.session_state.get(key, (0, ""))
    if not told:
        return
    with st.container(horizontal=True, vertical_alignment="center", border=True):
        st.text(told)
        if save_id and st.button("Undo that", key="bring-undo"):
            try:
                workspace.store().undo(at.site_id, save_id, by=workspace.role())
                st.session_state[key] = (0, "Undone: what was brought in is out again, and its history kept.")
            except WallfootError as error:
                st.session_state[key] = (0, str(error))
            st.rerun()


def facts_table(facts: dict[str, Any]) -> None:
    """Show facts of a file, one a line."""
    show_table(pd.DataFrame({"": list(facts), "what it holds": [str(value) for value in facts.values()]}))
