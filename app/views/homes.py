"""Which homes next, and why?"""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import cache_homes
from app.views import homes_parts as parts
from app.widgets import chrome
from app.widgets.many_list import Row, show_list
from app.widgets.many_map import packed, show_many
from app.widgets.table import show_table
from geo.errors import InputError
from geo.portfolio.counting import local_day
from geo.portfolio.keys import KEYS, USUAL
from geo.portfolio.placed import ONLY

ORDER = "homes-order"
START = "homes-start"
VIEWS = {"list": "List", "map": "Map", "dates": "Dates coming"}
EVERY = "Every estate"
DAYS = (7, 14, 28, 90)
SHOWN = 200
MOST_UNSAFE = 8
MAP_PX = 480


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    parts.go_if_chosen()
    at = parts.open_desk(head, "Homes")
    if at is None:
        return
    hidden = at.viewer.hidden_keys
    order = [name for name in _order() if KEYS[name.removeprefix("-")].column not in hidden]
    chrome.heading(
        head,
        "Which homes next, and why",
        parts.told_as_at(at),
        "The order is yours: the first key decides, the next only where it ties. Nothing is added up.",
    )
    _unsafe(at)
    view, only, estate = _chosen(at)
    if view == "dates":
        _dates(at)
    elif view == "map":
        _map(at, order, only, estate)
    else:
        _list(at, order, only, estate)


def _unsafe(at: cache_homes.Desk) -> None:
    """Name the homes with an emergency not made safe, wherever the chosen order puts them."""
    key = KEYS["emergency"]
    if key.column in at.viewer.hidden_keys:
        return
    table = cache_homes.page(at, [key.name], limit=MOST_UNSAFE, offset=0, estate="", only="open").table
    unsafe = [str(home) for home, is_so in zip(table["home_id"], table[key.column], strict=True) if is_so]
    if not unsafe:
        return
    with st.container(horizontal=True, vertical_alignment="center", key="homes-unsafe"):
        st.html(f'<p class="wf-unsafe">{key.label.capitalize()}</p>', width="content")
        for home in unsafe:
            st.button(home, key=f"unsafe-{home}", on_click=parts.choose_home, args=(home,), type="primary")
        if len(unsafe) == MOST_UNSAFE:
            chrome.note("and perhaps more: put that key first")


def _order() -> list[str]:
    """Return the keys in the order that was chosen, or that the address names."""
    if ORDER not in st.session_state:
        named = [name for name in st.query_params.get("order", "").split(",") if name]
        known = [name for name in named if name.removeprefix("-") in KEYS]
        st.session_state[ORDER] = tuple(dict.fromkeys(known)) or USUAL
    return list(st.session_state[ORDER])


def _chosen(at: cache_homes.Desk) -> tuple[str, str, str]:
    """Offer what to look at: how, which homes, of which estate."""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        view = st.segmented_control(
            "Look at", list(VIEWS), format_func=VIEWS.__getitem__, default="list", required=True,
            key="homes-view", label_visibility="collapsed", bind="query-params",
        )  # fmt: skip
        only, estate = "open", EVERY
        if view != "dates":
            only = st.selectbox(
                "Which homes", list(ONLY), format_func=ONLY.__getitem__, key="homes-only",
                on_change=_first_page, bind="query-params", width=260,
            )  # fmt: skip
            estate = st.selectbox(
                "Estate", [EVERY, *cache_homes.estates(at)], key="homes-estate", on_change=_first_page,
                width=260,
            )  # fmt: skip
        st.text_input(
            "Open a home by its number", key="homes-find", on_change=_find, width=220, placeholder="number"
        )
    return str(view), str(only), "" if estate == EVERY else str(estate)


def _first_page() -> None:
    st.session_state[START] = 0


def _find() -> None:
    wanted = str(st.session_state.get("homes-find", "")).strip()
    st.session_state["homes-find"] = ""
    if wanted:
        parts.choose_home(wanted[:200])


def _set_order(order: tuple[str, ...]) -> None:
    st.session_state[ORDER] = order
    st.query_params["order"] = ",".join(order)
    _first_page()


def _list(at: cache_homes.Desk, order: list[str], only: str, estate: str) -> None:
    """Show one page of homes."""
    start = int(st.session_state.get(START, 0))
    limit = int(at.register.ref.value("portfolio.page_homes"))
    try:
        page = cache_homes.page(at, order, limit=limit, offset=start, estate=estate, only=only)
    except InputError as error:
        st.text(str(error))
        return
    hidden = at.viewer.hidden_keys
    rows = [_row(at, one) for one in page.table.to_dict("records")]
    last = start + len(rows)
    show_list(
        rows,
        order,
        {name: (key.label, key.ends) for name, key in KEYS.items() if key.column not in hidden},
        told=f"{start + 1 if rows else 0} to {last:,} of {_counted(page.homes, only, estate)}; ties go by the"
        " age of the case, then by the number of the home.",
        on_order=_set_order,
        on_open=parts.choose_home,
    )
    with st.container(horizontal=True):
        st.button("Previous page", disabled=start == 0, on_click=_turn, args=(-limit,), key="homes-back")
        st.button("Next page", disabled=last >= page.homes, on_click=_turn, args=(limit,), key="homes-on")
    parts.take_away("next-homes", page.table, key="take-homes")


def _counted(homes: int, only: str, estate: str) -> str:
    """Say how many homes, and of which kind."""
    which = [ONLY[only].lower(), *([estate] if estate else [])]
    return f"{homes:,} {'home' if homes == 1 else 'homes'} ({', '.join(which)})"


def _turn(by: int) -> None:
    st.session_state[START] = max(0, int(st.session_state.get(START, 0)) + by)


def _row(at: cache_homes.Desk, one: dict[str, Any]) -> Row:
    """Return a home as the list shows it."""
    told = [
        KEYS[name].tell(_known(one.get(KEYS[name].column)), _nation(at), at.now)
        for name in ("law", "promise")
    ]
    dates = [said for said in told if said and said not in str(one["said"])]
    opened = _known(one.get("opened_at"))
    if opened is not None and "open since" not in str(one["said"]):
        dates.append(f"open since {local_day(opened, _nation(at)):%d %b %Y}")
    return Row(
        place=int(one["place"]), id=str(one["home_id"]), estate=str(one["estate"]), said=str(one["said"]),
        dates=tuple(dates), before=str(one["before_next"]),
    )  # fmt: skip


def _known(value: Any) -> Any:
    """Return a value, ``None`` where a table has a gap."""
    return None if pd.isna(value) else value


def _nation(at: cache_homes.Desk) -> Any:
    return at.register.periods.nations["england"]


def _map(at: cache_homes.Desk, order: list[str], only: str, estate: str) -> None:
    """Show the homes on a map in the steps of one key, the first of the order unless another is chosen."""
    names = [name for name, key in KEYS.items() if key.column not in at.viewer.hidden_keys]
    first = order[0].removeprefix("-") if order else names[0]
    key = st.selectbox(
        "Shade by", names, index=names.index(first), format_func=lambda name: KEYS[name].label, width=320
    )
    found = cache_homes.placed(at, str(key), estate=estate, only=only)
    if found.table.empty:
        chrome.note("No home of this kind has a place.")
        return
    table = found.table
    show_many(
        "homes",
        packed(table["home_id"], table["easting_m"], table["northing_m"], table["step"], table["estate"]),
        version=f"{at.head}|{key}|{estate}|{only}|{at.now:%Y%m%d}",
        title=KEYS[str(key)].label,
        legend=found.legend,
        height_px=MAP_PX,
        on_open=parts.choose_home,
        told=_counted(len(table), only, estate)
        + (f"; {found.without:,} more have no place" if found.without else "")
        + ".",
    )


def _left(days: int, *, passed: bool) -> str:
    """Say how many working days are left of a date, or how many ago it passed."""
    if passed:
        return f"passed {-days} ago" if days else "passed today"
    return f"{days} left" if days else "today"


def _dates(at: cache_homes.Desk) -> None:
    """Show what is due soon, and what has passed with nothing recorded that ends it."""
    days = st.segmented_control(
        "Within", DAYS, format_func=lambda one: f"{one} days", default=14, required=True, key="homes-days"
    )
    table = cache_homes.due(at, int(days or DAYS[0]))
    chrome.note(
        f"{len(table):,} {'date' if len(table) == 1 else 'dates'}, passed ones too, the earliest first.",
        "A date stands here while nothing is recorded that ends it; it says what is due, not whether a duty"
        " was met.",
    )
    show_table(
        pd.DataFrame(
            {
                "due": pd.to_datetime(table["due_on"]).dt.strftime("%a %d %b %Y") + table["hour"],
                "working days": [
                    _left(int(days), passed=moment <= at.now)
                    for days, moment in zip(table["working_days"], table["due_at"], strict=True)
                ],
                "home": table["home_id"],
                "what": table["label"],
                "by": table["by"],
                "counted from event": table["started_by"],
                "holds only for": ["a significant hazard" if one else "" for one in table["assumed"]],
            }
        ).head(SHOWN),
        empty="None.",
    )
    if len(table) > SHOWN:
        chrome.note(f"The first {SHOWN} of {len(table):,}; all of them are in the files.")
    if len(table):
        parts.take_away("dates", table, key="take-dates")
