"""What happened in one home, what is due, what came back, and what can be shown?"""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import access, audit, cache_homes, session, ways
from app.views import home_page_add
from app.views import homes_parts as parts
from app.widgets import chrome
from app.widgets.many_map import packed, show_many
from app.widgets.table import show_table
from geo.exchange.atomic import plain_name
from geo.portfolio.bundle import STATUS_WORDS, events_table
from geo.portfolio.clocks import RUNNING, Clock
from geo.portfolio.counting import local_day
from geo.portfolio.entry import Entry
from geo.portfolio.events import event_words
from geo.portfolio.keys import KEYS
from geo.portfolio.placed import narrowed
from geo.portfolio.telling import told_of
from geo.portfolio.walls import VERDICT_WORDS

VIEWS = {
    "dates": "Dates", "events": "What happened", "walls": "Walls and repairs", "assets": "Assets",
    "money": "Money", "map": "Map", "add": "Add",
}  # fmt: skip
WEIGHTY = frozenset({"report", "investigated", "made_safe", "works", "closed", "notice"})
MEASURED = "stretch"
SET_FLAGS = frozenset({"emergency", "electrics", "sewage", "vulnerable", "free_water", "party"})


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    parts.go_if_chosen()
    at = parts.open_desk(head, "Home")
    if at is None:
        return
    asked = st.query_params.get(parts.HOME_KEY, "")
    home_id = asked or str(st.session_state.get(parts.HOME_KEY, ""))
    state = at.register.state(at.viewer, home_id) if home_id else None
    if state is None:
        said = f"There is no home {home_id[:80]} among yours." if home_id else "Which home?"
        chrome.heading(head, "Home", said)
        st.text_input("Number of the home", key="home-find", on_change=_find, width=320)
        return
    of = {"landlord_id": at.viewer.landlord_id, "home_id": home_id}
    audit.note_read("home", **of)
    st.session_state[parts.HOME_KEY] = home_id
    st.query_params[parts.HOME_KEY] = home_id
    chrome.heading(head, f"Home {home_id}", _facts(at, state), parts.told_as_at(at))
    _figures(at, home_id, state)
    with st.container(horizontal=True):
        if st.button("Back to the list", key="home-back"):
            ways.go("homes")
        if state.get("site_id") and ways.title("map") and st.button("Open its survey", key="home-survey"):
            session.turn_to(str(state["site_id"]))
            ways.go("map", query={"site": str(state["site_id"])})
        access.download(
            "Evidence of this home, ZIP",
            lambda: cache_homes.evidence(at, home_id),
            file_name=f"home-{plain_name(home_id)}.zip",
            mime="application/zip",
            key="home-evidence",
            of=of,
        )
    view = st.segmented_control(
        "Look at", _views(at), format_func=VIEWS.__getitem__, default="dates", required=True, key="home-view",
        label_visibility="collapsed", bind="query-params",
    )  # fmt: skip
    shown = {"events": _events, "walls": _walls, "assets": _assets, "money": _money, "map": _map}
    if view == "add":
        home_page_add.show(at, home_id, state)
    else:
        shown.get(str(view), _dates)(at, home_id, state)


def _views(at: cache_homes.Desk) -> list[str]:
    """Return what this visitor may look at and do."""
    left_out = set()
    if not at.viewer.writes:
        left_out.add("add")
    if "cost_hundredths" in at.viewer.hidden_keys:
        left_out.add("money")
    return [name for name in VIEWS if name not in left_out]


def _find() -> None:
    parts.choose_home(str(st.session_state.get("home-find", "")).strip()[:200])


def _facts(at: cache_homes.Desk, state: Mapping[str, Any]) -> str:
    """Say what is known of a home; no name and no address is."""
    word = at.register.ref.word
    told = [
        str(state["estate"]),
        f"built {state['built_year']:g}" if state.get("built_year") else "",
        str(state["drawing_type"]),
        f"drains by {state['installer']}" if state["installer"] else "",
        f"on {state['soil']}" if state["soil"] else "",
        word("tenure", state["tenure"]) if state["tenure"] else "",
        word("nation", state["nation"]) if state["nation"] else "",
        f"{state['bedrooms_count']:g} bedrooms" if state.get("bedrooms_count") else "",
    ]
    return " · ".join(one for one in told if one)


def _figures(at: cache_homes.Desk, home_id: str, state: Mapping[str, Any]) -> None:
    """Write what stands of the home in a line; a wall nobody measured is not told as dry."""
    measured = state["wet_m"] > 0 or any(
        one.kind == MEASURED for one in at.register.events(at.viewer, home_id)
    )
    wet = [(f"{state['wet_m']:g} m", "wet"), (f"{state['unexplained_m']:g} m", "of it unexplained")]
    pairs = [
        (str(state["open_cases_count"]), "open case" if state["open_cases_count"] == 1 else "open cases"),
        *(wet if measured else [("not known", "how much wall is wet: none was measured")]),
        (str(state["repeats_count"]), "wet again after a repair"),
        (str(state["no_access_count"]), "tries to get in failed"),
        (str(state["events_count"]), "events"),
    ]
    flags = [KEYS[name].label for name in KEYS if name in SET_FLAGS and state.get(KEYS[name].column)]
    parts.figures(pairs)
    if flags:
        chrome.note(f"Recorded: {'; '.join(flags)}.")


def _dates(at: cache_homes.Desk, home_id: str, state: Mapping[str, Any]) -> None:  # noqa: ARG001 - as its fellows
    """Show every clock of every case, those that run first, each with what it rests on."""
    cases = at.register.cases(at.viewer, home_id)
    if not cases:
        chrome.note("Nothing opened a case here.")
    for case, clocks in reversed(cases):
        since = f"{case.opened_at:%a %d %b %Y}"
        ended = "open" if case.closed is None else f"closed {case.closed.at:%a %d %b %Y}"
        name = f"Case {case.case_id}" if case.case_id else "Case"
        parts.sub(f"{name}: since {since}, {ended}")
        if not clocks:
            chrome.note("No period applies to it.")
        running = [clock for clock in clocks if clock.state == RUNNING]
        rest = [clock for clock in clocks if clock.state != RUNNING]
        if clocks:
            st.html("".join(_clock(at, clock) for clock in [*running, *rest]))
    chrome.note("Dates are shown with what they rest on. Nothing here says that a duty was met or was not.")


def _clock(at: cache_homes.Desk, clock: Clock) -> str:
    period = clock.period
    checked = "" if period.checked is None else f", {period.checked:%d %b %Y}"
    status = STATUS_WORDS.get(period.status, period.status.lower())
    small = [
        *clock.remarks,
        f"Rests on {', '.join(clock.rests_on) or 'nothing yet'}.",
        f"{period.source} ({status}{checked}).",
    ]
    return (
        f'<div class="wf-clock {escape(clock.state, quote=True)}">'
        f"<b>{escape(clock.state.replace('_', ' '))}</b> "
        f"{escape(clock.said(at.now))}<small>{escape(' '.join(small))}</small></div>"
    )


def _events(at: cache_homes.Desk, home_id: str, state: Mapping[str, Any]) -> None:  # noqa: ARG001 - as its fellows
    """Show every event, the latest first; corrected ones stay to be seen."""
    entries = at.register.events(at.viewer, home_id)
    gone = {one.corrects: one.event_id for one in entries if one.corrects}
    in_order = sorted(entries, key=lambda one: (one.at, one.line), reverse=True)
    if not entries:
        chrome.note("Nothing is recorded.")
        return
    st.html("".join(_event(at, one, gone) for one in in_order))
    parts.take_away(
        f"events-{plain_name(home_id)}", events_table(entries), key="take-events", home_id=home_id
    )


def _event(at: cache_homes.Desk, one: Entry, gone: Mapping[str, str]) -> str:
    day = local_day(one.at, at.register.periods.nations["england"])
    local = one.at.astimezone(ZoneInfo(at.register.periods.nations["england"].zone))
    hour = f" {local:%H:%M}" if one.with_time else ""
    kind = "gone" if one.event_id in gone else "key" if one.kind in WEIGHTY else ""
    small = [at.register.ref.word("register_role", one.by_role), one.event_id]
    if one.event_id in gone:
        small.append(f"replaced by {gone[one.event_id]}")
    if one.corrects:
        small.append(f"in place of {one.corrects}")
    says = told_of(one, at.register.ref)
    said = f"<br>{escape(says)}" if says else ""
    name = event_words(one.kind)
    return (
        f'<div class="wf-event {kind}"><div class="when">{day:%a %d %b %Y}{escape(hour)}</div>'
        f'<div class="line"></div><div><b>{escape(name[:1].upper() + name[1:])}</b>{said}'
        f"<br><small>{escape(' · '.join(small))}</small></div></div>"
    )


def _walls(at: cache_homes.Desk, home_id: str, state: Mapping[str, Any]) -> None:
    """Show places wet after their repair, told apart; diagnoses that nothing bears out."""
    own = narrowed(at.viewer, frozenset({home_id}))
    again = at.register.repeats(own)
    parts.sub("Wet where it was repaired")
    for row in again.to_dict("records"):
        _flag(str(row["verdict"]), str(row["said"]), str(row["rests_on"]))
    if again.empty:
        chrome.note("None recorded.")
    else:
        told = "; ".join(VERDICT_WORDS.values())
        chrome.note(f"Told apart as: {told}. From what was recorded, not seen.")
    parts.sub("Diagnoses nothing bears out")
    unproven = at.register.unproven(own, now=at.now)
    for row in unproven.to_dict("records"):
        _flag(str(row["said"]), "", str(row["rests_on"]))
    if unproven.empty:
        chrome.note("None.")
    stale = at.register.no_access(own, now=at.now)
    parts.sub("No way in")
    for row in stale.to_dict("records"):
        _flag(str(row["said"]), "", "")
    if stale.empty:
        tries = int(state["no_access_count"])
        chrome.note("None going stale." if not tries else f"{tries} tries failed; not stale yet.")


def _flag(title: str, said: str, rests_on: str) -> None:
    small = f"<small>Rests on {escape(rests_on)}</small>" if rests_on else ""
    st.html(f'<div class="wf-flag"><b>{escape(title)}</b> {escape(said)}{small}</div>')


def _assets(at: cache_homes.Desk, home_id: str, state: Mapping[str, Any]) -> None:  # noqa: ARG001 - as its fellows
    """Show what serves the home, and what of it serves others too."""
    word = at.register.ref.word
    table = at.register.assets(narrowed(at.viewer, frozenset({home_id})))
    show_table(
        pd.DataFrame(
            {
                "asset": table["asset_id"],
                "what": [word("asset_kind", one) for one in table["asset_kind"]],
                "found": [word("inspected_state", one) for one in table["state"]],
                "looked at": table["inspected_on"],
                "chosen by": [word("chosen_by", one) for one in table["chosen_by"]],
                "who pays": table["pays"],
            }
        ),
        empty="No asset that serves this home is recorded.",
    )
    whole = cache_homes.shared(at)
    own = whole[whole["asset_id"].isin(table["asset_id"])]
    if len(own):
        parts.sub("Shared with other homes")
        for row in own.to_dict("records"):
            pays = row["pays"] or "not settled"
            said = f"serves {row['homes']} homes: {row['home_ids']}. Who pays: {pays}."
            _flag(str(row["asset_id"]), said, "")


def _money(at: cache_homes.Desk, home_id: str, state: Mapping[str, Any]) -> None:  # noqa: ARG001 - as its fellows
    """Show what was spent, and what of it went on repairs that failed."""
    table = at.register.costs(narrowed(at.viewer, frozenset({home_id})), ["cost_for", "cause"])
    word = at.register.ref.word
    show_table(
        pd.DataFrame(
            {
                "for": [word("cost_for", one) for one in table["cost_for"]],
                "cause": [word("cause", one) if one else "no cause named" for one in table["cause"]],
                "currency": table["currency"],
                "spent": table["amount"],
                "of it on repairs that failed": table["failed_amount"],
                "length, m": table["length_m"].where(table["length_m"] > 0),
                "for each metre": table["per_m"],
            }
        ),
        empty="No cost is recorded.",
    )


def _map(at: cache_homes.Desk, home_id: str, state: Mapping[str, Any]) -> None:
    """Show where the home is among those round it, of whatever estate."""
    found = cache_homes.placed_near(at, "wet", state)
    if found is None:
        chrome.note("This home has no place on the map: its easting and northing are not recorded.")
        return
    table, near_m = found.table, at.register.ref.value("portfolio.near_m")
    show_many(
        "home",
        packed(table["home_id"], table["easting_m"], table["northing_m"], table["step"], table["estate"]),
        version=f"{at.head}|{home_id}",
        title=KEYS["wet"].label,
        legend=found.legend,
        on_open=parts.choose_home,
        marked=home_id,
        told=f"{len(table):,} of your homes, this one among them, within {near_m:g} m east, north, west and"
        " south. The ringed home is this one; touch another to open it.",
    )
