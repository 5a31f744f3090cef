"""A map of many homes on one canvas: counts by squares when far, each home when near."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import streamlit as st
import streamlit.components.v2 as components
from numpy.typing import ArrayLike

from geo.draw.theme import ACCENT, FAINT, INK, PAPER, RULE, SOFT_INK, WET_STEPS

FILES = Path(__file__).parent / "many_map_files"
HTML = (
    f'<div class="wf-many" style="--wf-ink:{INK};--wf-soft:{SOFT_INK};--wf-rule:{RULE};--wf-faint:{FAINT};'
    f'--wf-paper:{PAPER};--wf-accent:{ACCENT}"></div>'
)


@st.cache_resource(show_spinner=False)
def _component() -> Any:
    return components.component(
        "wallfoot_many_map",
        html=HTML,
        css=(FILES / "many_map.css").read_text(encoding="utf-8"),
        js=(FILES / "many_map.js").read_text(encoding="utf-8"),
    )


def packed(
    ids: Sequence[str], x_m: ArrayLike, y_m: ArrayLike, step: ArrayLike, places: Sequence[str]
) -> dict[str, Any]:
    """Return points as a browser takes them: numbers as bytes, texts once each.

    Parameters
    ----------
    ids
        What each is called.
    x_m, y_m
        Where each is, metres of one grid.
    step
        0 to 5, the darkest last.
    places
        Name of the place each belongs to; ``""`` for none.
    """
    x, y = np.asarray(x_m, dtype=np.float64), np.asarray(y_m, dtype=np.float64)
    middle = (float(x.min() + x.max()) / 2, float(y.min() + y.max()) / 2) if len(x) else (0.0, 0.0)
    names, of = np.unique(np.asarray(places, dtype=object).astype(str), return_inverse=True)
    return {
        "ids": "\n".join(str(one).replace("\n", " ") for one in ids),
        "middle": middle,
        "x": _bytes(x - middle[0], "<f4"),
        "y": _bytes(y - middle[1], "<f4"),
        "step": _bytes(step, "u1"),
        "place": _bytes(of, "<u2"),
        "places": [str(name) for name in names],
    }


def show_many(
    name: str,
    points: Mapping[str, Any],
    *,
    version: str,
    title: str,
    legend: Sequence[str],
    on_open: Callable[[str], None],
    marked: str = "",
    height_px: int = 560,
    told: str = "",
) -> None:
    """Show a map of points.

    Parameters
    ----------
    points
        From :func:`packed`.
    version
        Changes whenever the points do.
    title, legend
        What the steps show, and what each is in words, from the lightest.
    on_open
        Called with the name of the point that was chosen, before the page is run again.
    marked
        The point to ring and to begin at.
    """
    key = f"many-{name}"

    def opened() -> None:
        given = st.session_state[key].get("opened")
        if isinstance(given, str) and given:
            on_open(given[:200])

    _component()(
        key=key,
        data={
            "name": name,
            "version": version,
            "points": dict(points),
            "title": title,
            "legend": list(legend),
            "hues": list(WET_STEPS),
            "marked": marked,
            "height": height_px,
            "told": told,
        },
        on_opened_change=opened,
        height="content",
    )


def _bytes(values: ArrayLike, kind: str) -> str:
    return base64.b64encode(np.ascontiguousarray(values, dtype=kind).tobytes()).decode()
