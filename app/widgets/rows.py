"""A list of places to go to, each marked with one tap; a tap stays in the browser until it is saved."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import streamlit as st
import streamlit.components.v2 as components

from app.parts import heard
from geo.draw.theme import ACCENT, FAINT, INK, PAPER, RULE, SOFT_INK

FILES = Path(__file__).parent / "rows_files"
HTML = (
    f'<div class="wf-rows" style="--wf-ink:{INK};--wf-soft:{SOFT_INK};--wf-rule:{RULE};--wf-faint:{FAINT};'
    f'--wf-paper:{PAPER};--wf-accent:{ACCENT}"></div>'
)
LONGEST_ID = 400
LONGEST_WAIT_MS = 7 * 24 * 3600 * 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One row.

    Parameters
    ----------
    marked
        It can be marked.
    go
        Words of a button that leads elsewhere; blank for none.
    folds
        What it unfolds to: (heading, lines).
    short
        Which of the folds are lists of short words.
    settled
        Why nothing is left to do there.
    """

    id: str
    title: str
    number: int = 0
    part: str = ""
    where: str = ""
    text: str = ""
    minutes: str = ""
    note: str = ""
    settled: str = ""
    folds: tuple[tuple[str, tuple[str, ...]], ...] = ()
    short: tuple[int, ...] = ()
    marked: bool = False
    go: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """How a row is marked: the state's key and word, and when."""

    state: str
    label: str
    when: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Touched:
    """One tap: its number, the row, the state it was given (blank: taken off), and how long ago."""

    seq: int
    id: str
    state: str
    ago_ms: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What changes in the list while its rows stay.

    Parameters
    ----------
    acked
        Number of the last tap that was dealt with.
    bar, told
        The line that stays in view, and what went wrong.
    dropped
        Rows that are left out to be in time.
    """

    marks: Mapping[str, Mark] = field(default_factory=dict)
    acked: int = 0
    bar: str = ""
    told: str = ""
    dropped: tuple[str, ...] = ()


@st.cache_resource(show_spinner=False)
def _component() -> Any:
    return components.component(
        "wallfoot_rows",
        html=HTML,
        css=(FILES / "rows.css").read_text(encoding="utf-8"),
        js=(FILES / "rows.js").read_text(encoding="utf-8"),
    )


def show_rows(
    name: str,
    rows: Sequence[Shown],
    standing: Standing,
    *,
    version: str,
    states: Mapping[str, str],
    on_taps: Callable[[tuple[Touched, ...]], None] | None = None,
    on_asked: Callable[[str], None] | None = None,
    filtered: bool = True,
) -> None:
    """Show a list.

    Parameters
    ----------
    name
        Name of the page and the site; taps not yet saved are kept under it.
    version
        Changes whenever the rows do.
    states
        What a row can be marked as: key and the word on its button.
    on_taps
        Called with the taps not dealt with before, before the page is run again; without it nothing can
        be marked.
    on_asked
        Called with the id of the row whose button was touched.
    filtered
        Whether the list can be cut down to what is still to do.
    """
    key = f"rows-{name}"
    known = {row.id for row in rows}

    def tapped() -> None:
        taps = _read(st.session_state[key].get("taps"), states)
        fresh = tuple(tap for tap in taps if tap.seq > standing.acked)
        if fresh and on_taps is not None:
            on_taps(fresh)

    def asked() -> None:
        given = st.session_state[key].get("asked")
        row = str(given.get("id"))[:LONGEST_ID] if isinstance(given, dict) else ""
        if row in known and on_asked is not None:
            on_asked(row)

    _component()(
        key=key,
        data={
            "name": name,
            "version": version,
            "rows": [asdict(row) for row in rows],
            "marks": {row: asdict(mark) for row, mark in standing.marks.items()},
            "states": list(states.items()),
            "acked": standing.acked,
            "bar": standing.bar,
            "told": standing.told,
            "dropped": list(standing.dropped),
            "filtered": filtered,
            "readonly": on_taps is None,
        },
        on_taps_change=heard(tapped),
        on_asked_change=heard(asked),
        height="content",
    )


def _read(given: Any, states: Mapping[str, str]) -> tuple[Touched, ...]:
    """Take what the browser sent for what it is: known words for rows that may be gone, and nothing else."""
    if not isinstance(given, dict) or not isinstance(given.get("taps"), list):
        return ()
    taps = []
    for tap in given["taps"]:
        if not isinstance(tap, dict) or not isinstance(tap.get("seq"), int):
            continue
        row, state, ago = str(tap.get("stop"))[:LONGEST_ID], tap.get("state"), tap.get("ago_ms")
        if state not in ("", *states):
            continue
        waited = float(ago) if isinstance(ago, int | float) and math.isfinite(ago) else 0.0
        taps.append(
            Touched(seq=tap["seq"], id=row, state=state, ago_ms=min(max(0.0, waited), LONGEST_WAIT_MS))
        )
    return tuple(sorted(taps, key=lambda tap: tap.seq))
