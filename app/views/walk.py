"""What is next, and is one away in time?"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, time
from functools import partial
from html import escape
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import access, cache, desk, session, walk_desk
from app.cache import Walk
from app.parts import part
from app.walk_desk import Walking
from app.widgets import chrome
from app.widgets.rows import Shown, Standing, show_rows
from app.widgets.table import show_table
from geo.draw.theme import SOFT_INK
from geo.errors import WallfootError
from geo.exchange.walk_sheet import walk_pdf
from geo.reference import Reference
from geo.walk.live import NOT_YET, Remaining, Shorter, leave_out, remaining
from geo.walk.marks import marked_on, of_each_visit
from geo.walk.rows import StopRow
from geo.walk.timing import Timing, day_words, span_words, timing, usual_away
from geo.walk.words import CAUTIONS

START = time(9, 0)
ALL, HALF, IN_TIME = "all of it", "half a day", "to be away in time"
BUTTONS = {"done": "done", "left_out": "left out", "no_access": "no access"}
STYLE = f"""<style>
.wf-facts {{ display: grid; grid-template-columns: repeat(auto-fit, minmax(300px, 1fr)); gap: .3rem 1.4rem;
  font-size: .92rem; line-height: 1.4; }}
.wf-facts p {{ margin: 0 0 .25rem; overflow-wrap: anywhere; }}
.wf-facts b {{ color: {SOFT_INK}; font-weight: 600; }}
.wf-time {{ margin: 0; font-size: 1.15rem; line-height: 1.4; font-weight: 600; overflow-wrap: anywhere; }}
.st-key-walk-times input {{ min-height: 42px; }}
</style>"""


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    chosen = session.chosen()
    opened = desk.open_desk(head, "The walk")
    if chosen.folder is None and opened is None:
        return
    if opened is not None and opened.perimeter is None:
        chrome.note(opened.because)
        return
    st.html(STYLE)
    _page(chosen.site_id, chosen.folder)


@partial(part, run_every="60s")
def _page(site_id: str, folder: Path | None) -> None:
    walk = planned(folder or site_id)
    if walk is None:
        return
    stands = (walk.found.site, {}) if folder is not None else walk_desk.stands(site_id)
    if stands is None:
        return
    site, versions = stands
    ref, marks = site.reference, site.of("stop_mark")
    now = datetime.now().astimezone()
    walking = walk_desk.walking_of(site_id or str(folder), "walk")
    _facts(walk, site_id, walking, marks, now)
    left = remaining(walk.plan, marks, now=now, ref=ref)
    held = _times(site_id or str(folder), left, marks, now)
    _say(walk, left, held, ref)
    beside = st.container(horizontal=True, vertical_alignment="bottom")
    shorter = _shorten(beside, walk, site_id, walking, held, marks, ref)
    access.download(
        "The sheets, PDF",
        lambda: walk_pdf(walk.plan, walk.found.perimeter, ref=ref, shorter=shorter),
        place=beside,
        file_name="walk.pdf",
        mime="application/pdf",
        on_click="ignore",
    )
    walk_desk.show_open_conflicts(walking, site_id, "walk")
    gone = sum(state != NOT_YET for state in left.state.values())
    show_rows(
        f"walk-{site_id or folder}",
        [shown(row) for row in walk.rows],
        Standing(
            marks=walk_desk.marks_of(marks, ref=ref),
            acked=walking.acked,
            bar=f"{gone} of {len(left.state)} marked or settled · {span_words(left.left_min)} left"
            f" · ends {held.ends_words}",
            told=walking.told,
            dropped=tuple(drop.stop.id for drop in shorter.drops) if shorter is not None else (),
        ),
        version=walk.version,
        states=BUTTONS,
        on_taps=None
        if folder is not None
        else lambda taps: walk_desk.take_taps(walking, site_id, taps, versions),
    )
    _open_still(left)


def planned(source: Path | str) -> Walk | None:
    """Return a site's walk, or say why there is none."""
    try:
        walk = cache.walk_of(source)
    except WallfootError as error:
        st.text(str(error))
        return None
    if isinstance(walk, list):
        chrome.note("The walk cannot be planned yet:", *[str(problem) for problem in walk])
        return None
    return walk


def shown(row: StopRow) -> Shown:
    """Return a stop as the list shows it."""
    return Shown(
        id=row.id,
        number=row.number,
        part=row.part,
        where=row.where,
        title=row.title,
        text=row.expected if row.expected != row.settled else "",
        minutes=row.minutes.removesuffix(".0"),
        note=row.note,
        settled=row.settled,
        folds=row.folds,
        short=row.short,
        marked=True,
    )


def _facts(walk: Walk, site_id: str, walking: Walking, marks: Any, now: datetime) -> None:
    head = walk.plan.header
    left = [("To settle", said) for said in head.to_settle]
    right = [("Access", head.access), ("Hazards", head.hazards), ("Rain", head.rain)]
    right += [("Leave", said) for said in head.consents]
    right += [("Origin", head.origin), ("Bench mark", head.bench_mark)]
    columns = ("".join(_line(*row) for row in rows) for rows in (left, right))
    begun = bool(marked_on(marks, now.date()))
    # as it was when the page was opened: a list that moves under the finger takes the wrong tap
    closed = st.session_state.setdefault(f"walk-begun-{site_id or walk.version}", begun)
    with st.expander("What this visit must settle, leave, rain, dangers", expanded=not closed):
        st.html(f'<div class="wf-facts">{"".join(f"<div>{column}</div>" for column in columns)}</div>')
        chrome.note("Bring: " + ", ".join(walk.plan.kit), CAUTIONS)
    if walk.plan.notes:
        chrome.note(*walk.plan.notes)
    again = of_each_visit(walk.plan, marks, today=now.date())
    if again and site_id:
        chrome.note(f"{len(again)} marks of set-up and close-down are of an earlier day.")
        st.button(
            "Another visit: take those marks off",
            on_click=walk_desk.mark_all,
            args=(walking, site_id, again, ""),
        )


def _line(name: str, said: str) -> str:
    return f"<p><b>{escape(name)}:</b> {escape(said)}</p>"


def _times(name: str, left: Remaining, marks: Any, now: datetime) -> Timing:
    """Ask when it begins and when one must be away; once something is marked today it has begun."""
    begun = bool(marked_on(marks, now.date()))
    begins_at = now
    with st.container(horizontal=True, vertical_alignment="bottom", key="walk-times"):
        if not begun:
            start = _time("Begins", f"walk-start-{name}", START)
            begins_at = now.replace(hour=start.hour, minute=start.minute, second=0, microsecond=0)
        usual = usual_away(left.left_min, begins_at=begins_at)
        away = _time("To be away by", f"walk-away-{name}", usual, anew=begun)
    return timing(left.left_min, begins_at=begins_at, away=away)


def _time(label: str, name: str, usual: time, *, anew: bool = False) -> time:
    """Ask for a time of day; what was answered holds on every page.

    An answer nobody changed is asked ``anew`` once the walk has begun, at whatever hour it did.
    """
    key, kept = f"{name}-{anew}", f"{name}-kept"
    if key not in st.session_state:
        offered, answered = st.session_state.get(kept, (usual, usual))
        untouched = offered == answered and st.session_state.get(f"{name}-anew") != anew
        st.session_state[key] = usual if untouched else answered
        st.session_state[kept] = (usual if untouched else offered, st.session_state[key])
        st.session_state[f"{name}-anew"] = anew
    given = st.time_input(label, key=key, width=170, required=True)
    st.session_state[kept] = (st.session_state[kept][0], given)
    return given


def _say(walk: Walk, left: Remaining, held: Timing, ref: Reference) -> None:
    whole = f"The whole walk takes {span_words(walk.plan.total.whole_min)}"
    said = f"{whole}: {day_words(walk.plan.total.whole_min, ref=ref)}. "
    if left.left_min < walk.plan.total.whole_min - 1:
        said += f"{span_words(left.left_min)} are left. "
    st.html(f'<p class="wf-time">{escape(said + held.sentence)}</p>')
    guessed = sum(stop.pouring is not None and not stop.pouring.known for stop in left.left)
    chrome.note(
        "Minutes are the usual ones, a share for what goes wrong included; none is measured here."
        + (
            f" The litres of {'one water test' if guessed == 1 else f'{guessed} water tests'} are not known:"
            " the usual ones are taken."
            if guessed
            else ""
        )
    )


def _shorten(
    beside: DeltaGenerator,
    walk: Walk,
    site_id: str,
    walking: Walking,
    held: Timing,
    marks: Any,
    ref: Reference,
) -> Shorter | None:
    """Offer to make it shorter, and say what is then not known."""
    wish = beside.segmented_control(
        "Time for", (ALL, HALF, IN_TIME), key="walk-wish", default=ALL, required=True
    )
    if wish == ALL:
        return None
    within = ref.value("walk.half_day_min") if wish == HALF else held.within_min
    shorter = leave_out(walk.plan, within_min=within, ref=ref, marks=marks)
    ends = f"What is kept takes {span_words(shorter.kept_min)} of {span_words(within)}"
    short = (
        "" if shorter.fits else f"; still {span_words(shorter.over_min)} too long: the rest is never left out"
    )
    chrome.note(f"{len(shorter.drops)} stops left out. {ends}{short}.")
    number = walk.plan.number()
    rows = [
        {
            "stop": f"{number[drop.stop.id]} {drop.stop.title}",
            "saves, min": drop.saved_min,
            "not known then": drop.not_known.removeprefix("Not known then: "),
        }
        for drop in shorter.drops
    ]
    show_table(pd.DataFrame(rows), digits=0, empty="Nothing need be left out.", tall=True)
    if site_id and shorter.drops:
        st.button(
            f"Mark these {len(shorter.drops)} as left out",
            on_click=_marker(walking, site_id, tuple(drop.stop.id for drop in shorter.drops)),
        )
    return shorter


def _marker(walking: Walking, site_id: str, stops: tuple[str, ...]) -> Callable[[], None]:
    return lambda: walk_desk.mark_all(walking, site_id, stops, "left_out")


def _open_still(left: Remaining) -> None:
    """Say what is not known because of marks, and which marks have no stop any more."""
    if left.not_known:
        with st.expander(f"Left out or not reached: {len(left.not_known)} things then not known"):
            chrome.note(*left.not_known)
    if left.unmatched:
        with st.expander(f"{len(left.unmatched)} marks of stops the plan no longer has"):
            chrome.note(*[f"{name}: {state.replace('_', ' ')}" for name, state in left.unmatched])
