"""What the pages of many homes have in common: their head, the way to a home, tables to take away."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import access, audit, cache_homes, ways
from app.widgets import chrome
from geo.draw.theme import ACCENT, FAINT, INK, PANEL, PAPER, RULE, SOFT_INK
from geo.store.said import StoreError

if TYPE_CHECKING:
    import pandas as pd

GO = "homes-go"
HOME_KEY = "home"
# ruff: noqa: E501 - rules of style stand a line each
STYLE = f"""<style>
.wf-clock {{ border: 1px solid {RULE}; border-left: 4px solid {ACCENT}; border-radius: 4px; background: {PAPER};
  padding: .55rem .8rem; margin: 0 0 .5rem; overflow-wrap: anywhere; line-height: 1.4; }}
.wf-clock.recorded {{ border-left-color: {RULE}; }}
.wf-clock.not_started {{ border-left-style: dotted; border-left-color: {SOFT_INK}; background: {PANEL}; }}
.wf-clock b {{ color: {INK}; }}
.wf-clock small {{ display: block; color: {SOFT_INK}; font-size: .8rem; margin-top: .15rem; }}
.wf-event {{ display: grid; grid-template-columns: 9.5rem 1.1rem minmax(0, 1fr); gap: 0 .7rem; }}
.wf-event > div {{ padding: 0 0 .75rem; overflow-wrap: anywhere; line-height: 1.38; }}
.wf-event .when {{ text-align: right; color: {SOFT_INK}; font-size: .86rem; font-variant-numeric: tabular-nums; }}
.wf-event .line {{ position: relative; padding: 0; }}
.wf-event .line::before {{ content: ""; position: absolute; left: .5rem; top: .4rem; bottom: -.4rem; width: 1px;
  background: {RULE}; }}
.wf-event:last-child .line::before {{ display: none; }}
.wf-event .line::after {{ content: ""; position: absolute; left: .18rem; top: .35rem; width: .6rem; height: .6rem;
  border-radius: 50%; border: 2px solid {ACCENT}; background: {PAPER}; box-sizing: border-box; }}
.wf-event.key .line::after {{ background: {ACCENT}; }}
.wf-event.gone b {{ text-decoration: line-through; color: {SOFT_INK}; }}
.wf-event.gone .line::after {{ border-style: dotted; border-color: {SOFT_INK}; }}
.wf-event small {{ color: {SOFT_INK}; font-size: .82rem; }}
.wf-flag {{ border: 1px solid {RULE}; border-radius: 4px; background: {PAPER}; padding: .55rem .8rem;
  margin: 0 0 .5rem; line-height: 1.4; overflow-wrap: anywhere; }}
.wf-flag small {{ display: block; color: {SOFT_INK}; font-size: .82rem; }}
.wf-figures {{ display: flex; flex-wrap: wrap; gap: .4rem 1.8rem; margin: .2rem 0 .1rem; }}
.wf-figures span {{ color: {SOFT_INK}; font-size: .86rem; }}
.wf-figures b {{ color: {INK}; font-size: 1.25rem; font-variant-numeric: tabular-nums; margin-right: .3rem; }}
.wf-unsafe {{ margin: 0; padding: .3rem .7rem; border-left: 5px solid {ACCENT}; background: {PANEL}; color: {INK};
  font-weight: 600; }}
.wf-sub {{ font-size: 1.05rem; font-weight: 600; color: {INK}; margin: .5rem 0 0;
  border-bottom: 1px solid {FAINT}; padding-bottom: .2rem; }}
</style>"""


def open_desk(head: DeltaGenerator, title: str) -> cache_homes.Desk | None:
    """Return the register with the head of the page shown, or say why there is none."""
    try:
        at = cache_homes.desk()
    except StoreError as error:
        chrome.heading(head, title)
        st.text(str(error))
        return None
    names = cache_homes.landlords()
    if len(names) > 1:
        st.selectbox("Landlord", names, key=cache_homes.LANDLORD_KEY)
    st.html(STYLE)
    return at


def told_as_at(at: cache_homes.Desk) -> str:
    """Say whose homes, as at when, and on which state of the register that rests."""
    when = f"{at.now:%a %d %b %Y %H:%M} UTC"
    return (
        f"landlord {at.viewer.landlord_id} · told as at {when}"
        f"{' (a fixed date, for demonstration)' if at.fixed else ''} · state of the register {at.head[:10]}"
    )


def sub(title: str) -> None:
    """Write a heading within a page; every word of it is text."""
    st.html(f'<h2 class="wf-sub">{escape(title)}</h2>')


def figures(pairs: list[tuple[str, str]]) -> None:
    """Write a line of figures; every word of it is text."""
    cells = "".join(f"<span><b>{escape(value)}</b>{escape(label)}</span>" for value, label in pairs)
    st.html(f'<div class="wf-figures">{cells}</div>')


def choose_home(home_id: str) -> None:
    """Turn to a home's page once the callback is over."""
    st.session_state[GO] = home_id


def go_if_chosen() -> None:
    """Turn to the home that was chosen, if any was."""
    home_id = st.session_state.pop(GO, "")
    if home_id:
        st.session_state[HOME_KEY] = home_id
        ways.go("home", query={"home": home_id})


def take_away(name: str, table: pd.DataFrame, *, key: str, place: Any = st, home_id: str = "") -> None:
    """Offer a table as CSV and as a workbook; no cell of either starts a formula."""
    from geo.exchange.bundle import csv_bytes  # noqa: PLC0415 - only where something is taken away
    from geo.exchange.workbook import xlsx_bytes  # noqa: PLC0415

    of = {"landlord_id": str(st.session_state.get(audit.LANDLORD_READ, "")), "home_id": home_id}
    with place.container(horizontal=True):
        access.download(
            "Table, CSV", lambda: csv_bytes(table), file_name=f"{name}.csv", mime="text/csv",
            key=f"{key}-csv", of=of,
        )  # fmt: skip
        access.download(
            "Table, XLSX", lambda: xlsx_bytes({name: table}), file_name=f"{name}.xlsx",
            key=f"{key}-xlsx", of=of,
        )  # fmt: skip
