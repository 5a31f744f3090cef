"""A table whose long sentences wrap instead of being cut, and whose every cell is text."""

from __future__ import annotations

import math
from collections.abc import Mapping
from html import escape
from typing import Any

import pandas as pd
import streamlit as st

NOTHING = "–"


def show_table(
    table: pd.DataFrame, *, digits: int | Mapping[str, int] = 2, empty: str = "None.", tall: bool = False
) -> None:
    """Show a table at the width of the page.

    Parameters
    ----------
    digits
        Decimals of numbers, for all columns or by column (others: 2).
    tall
        Rolls in a frame of its own instead of making the page long.
    empty
        What is said when there is no row.
    """
    if table.empty:
        st.caption(empty)
        return
    places = digits if isinstance(digits, Mapping) else dict.fromkeys(table.columns, digits)
    number = {name: pd.api.types.is_numeric_dtype(table[name].dtype) for name in table}
    number = {name: is_it and table[name].dtype != bool for name, is_it in number.items()}
    sides = {name: ' class="wf-number"' if is_it else "" for name, is_it in number.items()}
    head = "".join(f'<th scope="col"{sides[name]}>{escape(str(name))}</th>' for name in table)
    rows = (
        "<tr>"
        + "".join(
            f"<td{sides[name]}>{escape(_said(value, places.get(name, 2)))}</td>"
            for name, value in zip(table.columns, row, strict=True)
        )
        + "</tr>"
        for row in table.itertuples(index=False, name=None)
    )
    kind = "wf-table wf-tall" if tall else "wf-table"
    st.html(
        f'<div class="{kind}" tabindex="0"><table><thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table></div>"
    )


def _said(value: Any, digits: int) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return NOTHING
    if isinstance(value, float):
        return f"{round(value, digits) + 0.0:.{digits}f}"
    return str(value)
