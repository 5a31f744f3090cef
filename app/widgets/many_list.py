"""Homes in an order of one's own: the keys to drag into order, and a row a home with its reason."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import streamlit as st
import streamlit.components.v2 as components

from geo.draw.theme import ACCENT, FAINT, INK, PANEL, PAPER, RULE, SOFT_INK

FILES = Path(__file__).parent / "many_list_files"
HTML = (
    f'<div class="wf-list" style="--wf-ink:{INK};--wf-soft:{SOFT_INK};--wf-rule:{RULE};--wf-faint:{FAINT};'
    f'--wf-paper:{PAPER};--wf-panel:{PANEL};--wf-accent:{ACCENT}"></div>'
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One home.

    Parameters
    ----------
    place
        Its number in the whole list, from 1.
    said
        What the keys are here, the strongest first.
    dates
        What else is due when, or since when, in words.
    before
        The key that puts it before the next.
    """

    place: int
    id: str
    estate: str
    said: str
    dates: tuple[str, ...]
    before: str


@st.cache_resource(show_spinner=False)
def _component() -> Any:
    return components.component(
        "wallfoot_many_list",
        html=HTML,
        css=(FILES / "many_list.css").read_text(encoding="utf-8"),
        js=(FILES / "many_list.js").read_text(encoding="utf-8"),
    )


def show_list(
    rows: Sequence[Row],
    order: Sequence[str],
    keys: Mapping[str, tuple[str, tuple[str, str]]],
    *,
    told: str,
    on_order: Callable[[tuple[str, ...]], None],
    on_open: Callable[[str], None],
) -> None:
    """Show the keys in their order, and the homes in it.

    Parameters
    ----------
    order
        Names of keys, the strongest first; ``-`` before one that is turned round.
    keys
        Every key there is: its label, and what comes first, as it is and turned round.
    on_order, on_open
        Called with the new order, or with the home that was chosen, before the page is run again.
    """
    key = "many-list"

    def ordered() -> None:
        chosen = _order(st.session_state[key].get("order"), keys)
        if chosen:
            on_order(chosen)

    def opened() -> None:
        given = st.session_state[key].get("opened")
        if isinstance(given, str) and given:
            on_open(given[:200])

    _component()(
        key=key,
        data={
            "rows": [asdict(row) for row in rows],
            "order": list(order),
            "keys": [
                {"name": name, "label": label, "ends": list(ends)} for name, (label, ends) in keys.items()
            ],
            "told": told,
        },
        on_order_change=ordered,
        on_opened_change=opened,
        height="content",
    )


def _order(given: Any, keys: Mapping[str, Any]) -> tuple[str, ...]:
    """Take what the browser sent for what it is: known keys, each once, and nothing else."""
    if not isinstance(given, list):
        return ()
    some = [name for name in given if isinstance(name, str) and name.removeprefix("-") in keys]
    return tuple({name.removeprefix("-"): name for name in some}.values())
