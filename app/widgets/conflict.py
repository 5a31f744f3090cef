"""Two people changed one thing: both versions side by side, and a choice."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pandas as pd
import streamlit as st

from app.parts import heard
from app.widgets.table import show_table
from geo.site.tables import cell_text
from geo.store.said import Conflict


def show_conflicts(
    conflicts: Sequence[Conflict],
    *,
    name: str,
    keep_mine: Callable[[Conflict], None],
    take_theirs: Callable[[Conflict], None],
) -> None:
    """Show every conflict with both versions; nothing is overwritten before somebody chooses."""
    for conflict in conflicts:
        with st.container(border=True):
            st.text(f"{conflict}. Yours is not saved; nothing was overwritten.")
            show_table(_differences(conflict), empty="Both say the same.")
            with st.container(horizontal=True):
                key = f"{name}-{conflict.kind}-{conflict.record_id}-{conflict.version}"
                st.button("Keep mine", key=f"mine-{key}", on_click=heard(keep_mine), args=(conflict,))
                st.button("Take theirs", key=f"theirs-{key}", on_click=heard(take_theirs), args=(conflict,))


def _differences(conflict: Conflict) -> pd.DataFrame:
    mine, theirs = _fields(conflict.mine), _fields(conflict.theirs)
    names = [name for name in {**mine, **theirs} if mine.get(name) != theirs.get(name)]
    return pd.DataFrame(
        [{"field": name, "yours": mine.get(name, "–"), "theirs": theirs.get(name, "–")} for name in names]
    )


def _fields(content: Any) -> dict[str, str]:
    if content is None:
        return {"": "taken out"}
    if not hasattr(content, "model_dump"):
        return {"": str(content)}
    fields = {name: cell_text(value) for name, value in content.model_dump().items()}
    shape = getattr(content, "geometry", None)
    return fields | ({} if shape is None else {"drawn": shape.wkt[:200]})
