"""A grid to type records into; what is typed stays in the browser until it is saved."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import streamlit as st
import streamlit.components.v2 as components

from app.parts import heard
from geo.draw.theme import ACCENT, FAINT, INK, PANEL, PAPER, RULE, SOFT_INK
from geo.entry.columns import Column

FILES = Path(__file__).parent / "grid_files"
HTML = (
    f'<div class="wf-grid" style="--wf-ink:{INK};--wf-soft:{SOFT_INK};--wf-rule:{RULE};--wf-faint:{FAINT};'
    f'--wf-panel:{PANEL};--wf-paper:{PAPER};--wf-accent:{ACCENT}"></div>'
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line as the grid shows it.

    Parameters
    ----------
    state
        ``saved``, ``part`` (not whole), ``wrong``, ``kept`` (whole, but it could not be saved; it is tried
        again), or ``stuck`` (somebody else changed it meanwhile).
    fresh
        No record yet: its blank cells take what stands above.
    record_id, base
        Record it is and the version it was last made equal to; ``""`` and 0 for none.
    """

    key: str
    cells: dict[str, str]
    state: str
    said: dict[str, str] = field(default_factory=dict)
    notes: dict[str, str] = field(default_factory=dict)
    told: str = ""
    fresh: bool = False
    record_id: str = ""
    base: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Edits:
    """What was typed since the last answer.

    Parameters
    ----------
    seq
        Number of the last keystroke among them.
    order
        Keys of all lines with something in them, from top to bottom.
    rows
        Changed lines: key and cells.
    gone
        Keys of lines taken out.
    again
        Lines the browser had kept when the connection or the program was lost: by key, the record each was
        and its version.
    """

    seq: int
    order: tuple[str, ...]
    rows: tuple[tuple[str, dict[str, str]], ...]
    gone: tuple[str, ...]
    again: Mapping[str, tuple[str, int]] = field(default_factory=dict)


@st.cache_resource(show_spinner=False)
def _component() -> Any:
    return components.component(
        "wallfoot_grid",
        html=HTML,
        css=(FILES / "grid.css").read_text(encoding="utf-8"),
        js=(FILES / "grid.js").read_text(encoding="utf-8"),
    )


def show_grid(
    name: str,
    columns: Sequence[Column],
    rows: Sequence[Row],
    *,
    acked: int,
    on_edits: Callable[[Edits], None],
    run: str = "",
    told: str = "",
    spare: int = 3,
    focus: bool = False,
) -> None:
    """Show a grid.

    Parameters
    ----------
    name
        Name of what is typed here: of the page, the site and the kind; unsaved lines are kept under it.
    acked
        Number of the last keystroke that was dealt with.
    on_edits
        Called with what was typed, before the page is run again.
    run
        Another one whenever what was dealt with has been forgotten: the grid then sends again what it kept.
    told
        One sentence for the person.
    spare
        Blank lines at the end.
    focus
        The first blank cell takes the keyboard when the page opens.
    """
    key = f"grid-{name}"

    def changed() -> None:
        edits = _read(st.session_state[key].get("edits"), columns)
        if edits is not None and st.session_state[key]["edits"].get("run", "") == run:
            on_edits(edits)

    _component()(
        key=key,
        data={
            "name": name,
            "columns": [asdict(column) for column in columns],
            "rows": [asdict(row) for row in rows],
            "acked": acked,
            "run": run,
            "spare": spare,
            "told": told,
            "focus": focus,
        },
        on_edits_change=heard(changed),
        height="content",
    )


def _read(given: Any, columns: Sequence[Column]) -> Edits | None:
    """Take what the browser sent for what it is: text under known columns, and nothing else."""
    if not isinstance(given, dict) or not isinstance(given.get("seq"), int):
        return None
    names = {column.name for column in columns}

    def keys(part: str) -> tuple[str, ...]:
        return tuple(str(key)[:80] for key in given.get(part) or ())

    rows, again = [], {}
    for row in given.get("rows") or ():
        cells = {
            name: str(text)[:2000] for name, text in dict(row.get("cells") or {}).items() if name in names
        }
        key = str(row.get("key"))[:80]
        rows.append((key, cells))
        if row.get("again") is True:
            base = row.get("base")
            again[key] = (str(row.get("id") or "")[:200], base if isinstance(base, int) else 0)
    return Edits(seq=given["seq"], order=keys("order"), rows=tuple(rows), gone=keys("gone"), again=again)
