"""What would the report have to call not known if one left now?"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from streamlit.delta_generator import DeltaGenerator

from app import desk, session, walk_desk, ways
from app.parts import part
from app.views.walk import BUTTONS, planned
from app.widgets import chrome
from app.widgets.rows import Shown, Standing, show_rows
from geo.entry.sheets import SHEETS as TYPED
from geo.walk.close import OpenEnd, close_down, stop_of
from geo.walk.timing import span_words

SHEETS = {
    "unread": "readings",
    "control": "controls",
    "chamber": "chambers",
    "leave": "consents",
    "meter": "meters",
}
PAGES = {"ground": ("levels",), "course": ("levels",), "test": ("tests",), "unexplained": ("map",)}


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    chosen = session.chosen()
    opened = desk.open_desk(head, "Before you leave")
    if chosen.folder is None and opened is None:
        return
    if opened is not None and opened.perimeter is None:
        chrome.note(opened.because)
        return
    _page(chosen.site_id, chosen.folder)


@part
def _page(site_id: str, folder: Path | None) -> None:
    walk = planned(folder or site_id)
    if walk is None:
        return
    name = site_id or str(folder)
    stands = (walk.found.site, {}) if folder is not None else walk_desk.stands(site_id)
    if stands is None:
        return
    site, versions = stands
    walking = walk_desk.walking_of(name, "close-down")
    ends = close_down(site, walk.found)
    own = {_key(end): end for end in ends}
    if walking.asked in own:
        asked, walking.asked = own[walking.asked], ""
        pages, query = _mended_at(asked)
        ways.go(*pages, query=query)
    _say(ends)
    walk_desk.show_open_conflicts(walking, site_id, "close-down")

    def asked_for(row: str) -> None:
        walking.asked = row

    marks = walk_desk.marks_of(site.of("stop_mark"), ref=site.reference)
    show_rows(
        f"close-down-{name}",
        [_row(end) for end in ends],
        Standing(marks=marks, acked=walking.acked, bar=f"{len(ends)} still open", told=walking.told),
        version="|".join(own),
        states={"done": BUTTONS["done"]},
        on_taps=None
        if folder is not None
        else lambda taps: walk_desk.take_taps(walking, site_id, taps, versions),
        on_asked=asked_for,
        filtered=False,
    )


def _say(ends: list[OpenEnd]) -> None:
    if not ends:
        chrome.note(
            "Nothing is open that the records ask for. Something may have been overlooked all the same."
        )
        return
    minutes = sum(end.gap.minutes for end in ends)
    chrome.note(
        f"{len(ends)} things would stay not known; about {span_words(minutes)} would end them all. What"
        " endangers people comes first, then what costs the most metres of wall."
    )


def _key(end: OpenEnd) -> str:
    return stop_of(end) or f"{end.kind}:{end.gap.what}:{end.gap.where}"


def _row(end: OpenEnd) -> Shown:
    pages, _ = _mended_at(end)
    wall = f"{end.wall_m:.1f} m of wall" if end.wall_m > 0 else ""
    return Shown(
        id=_key(end),
        title=_upper(end.gap.what),
        where=" · ".join(part for part in (end.gap.where.replace("|", ", "), wall) if part),
        text=_upper(f"{end.gap.why}. {_upper(end.gap.settle)}."),
        minutes=f"{end.gap.minutes:.0f}",
        marked=bool(stop_of(end)),
        go=ways.title(*pages),
    )


def _mended_at(end: OpenEnd) -> tuple[tuple[str, ...], dict[str, Any]]:
    """Return the pages where something is mended, the best first, and what to open there."""
    kind, what = end.kind, end.gap.what
    if kind in PAGES:
        return PAGES[kind], {}
    sheet = SHEETS.get(kind, "")
    if kind == "other":
        sheet = {"reading": "readings", "where run": "runs"}.get(
            next((word for word in ("reading", "where run") if what.startswith(word)), ""), ""
        )
    elif kind == "safety":
        sheet = "holes" if what.startswith("holes") else "chambers"
    return (("type-in",), {"sheet": TYPED[sheet].title}) if sheet else (("not-known",), {})


def _upper(said: str) -> str:
    return said[:1].upper() + said[1:]
