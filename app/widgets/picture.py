"""A picture to tap places on."""

from __future__ import annotations

import base64
import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import streamlit as st
import streamlit.components.v2 as components

from geo.draw.theme import ACCENT, INK, PANEL, PAPER, RULE, SOFT_INK

FILES = Path(__file__).parent / "picture_files"
HTML = (
    f'<div class="wf-picture" style="--wf-ink:{INK};--wf-soft:{SOFT_INK};--wf-rule:{RULE};'
    f'--wf-panel:{PANEL};--wf-paper:{PAPER};--wf-accent:{ACCENT}"></div>'
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A place on the picture, in its pixels; ``fresh`` while it is not settled."""

    name: str
    column: float
    row: float
    fresh: bool = False


@st.cache_resource(show_spinner=False)
def _component() -> Any:
    return components.component(
        "wallfoot_picture",
        html=HTML,
        css=(FILES / "picture.css").read_text(encoding="utf-8"),
        js=(FILES / "picture.js").read_text(encoding="utf-8"),
    )


def show_picture(
    name: str,
    jpeg: bytes,
    size: tuple[int, int],
    marks: Sequence[Mark],
    *,
    alt: str,
    told: str,
    on_tap: Callable[[float, float], None],
) -> None:
    """Show a picture with marks on it.

    Parameters
    ----------
    name
        Name of the picture; another name is another picture.
    jpeg
        The picture, perhaps smaller than it is.
    size
        Width and height of the whole picture, in whose pixels marks and taps are.
    on_tap
        Called with column and row of a tap, before the page is run again.
    """
    key = f"picture-{name}"

    def tapped() -> None:
        place = _read(st.session_state[key].get("tap"), size)
        if place is not None:
            on_tap(*place)

    _component()(
        key=key,
        data={
            "name": name,
            "picture": "data:image/jpeg;base64," + base64.b64encode(jpeg).decode(),
            "width": size[0],
            "height": size[1],
            "marks": [asdict(mark) for mark in marks],
            "alt": alt,
            "told": told,
        },
        on_tap_change=tapped,
        height="content",
    )


def _read(given: Any, size: tuple[int, int]) -> tuple[float, float] | None:
    """Take what the browser sent for what it is: two numbers on the picture, and nothing else."""
    if not isinstance(given, dict):
        return None
    column, row = given.get("column"), given.get("row")
    if not isinstance(column, int | float) or not isinstance(row, int | float):
        return None
    if not (math.isfinite(column) and math.isfinite(row)):
        return None
    inside = 0 <= column <= size[0] and 0 <= row <= size[1]
    return (float(column), float(row)) if inside else None
