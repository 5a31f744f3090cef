"""What has to be done, how much of it, in what order, and what holds what up?"""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import access, cache_works, desk, session
from app.views import works_record
from app.widgets import chrome, drawing
from app.widgets import works as shown
from app.widgets.table import show_table
from geo.draw.svg import to_png
from geo.errors import InputError
from geo.exchange.works_files import (
    BOOK,
    DOCUMENT,
    EFFORT,
    SHEET,
    consents_table,
    constraints_table,
    costs_table,
    done_table,
    variations_table,
)
from geo.findings.examine import Findings
from geo.works.as_built import AsBuilt
from geo.works.consents import CAUTION
from geo.works.order import MAY_START
from geo.works.whole import Works

VIEWS = {
    "quantities": "Quantities", "order": "Order", "holds": "Hold points", "done": "Done so far",
    "leave": "Leave to ask",
}  # fmt: skip
CLEARANCE = {
    "ring_key": "wall", "chainage_from_m": "from, m", "chainage_to_m": "to, m",
    "before_mm": "clearance found, mm", "before": "was", "after_mm": "as left, mm", "sigma_mm": "± σ, mm",
    "after": "is", "because": "because",
}  # fmt: skip
WAYS = {
    "ring_key": "wall", "way": "way past the barrier", "word_before": "was open", "word_after": "is open",
    "chainage_from_m": "from, m", "chainage_to_m": "to, m", "because": "because",
}  # fmt: skip
SPILLS = {
    "blocked": "with this blocked", "before": "it left first at", "after": "it leaves first at",
    "before_level_m": "level found, m", "level_m": "level as left, m",
}  # fmt: skip
LEAST_PX = 1180
COPY = "This is a folder, to look at. Repairs, results and work done are recorded on a copy in the workspace."
PRICED = {"line": "quantity of", "priced_on": "priced by the"}
RAIN_FORM = "minutes, mm"
PRICES_FILE = "Prices, CSV, with the first line: id,repair_kind,line,unit,price,currency,source,from_date"
GIVEN_OPEN = "works-given-open"


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = chrome.open_site(head)
    if opened is None:
        return
    found, scene = opened
    given = _given()
    works = cache_works.works(found, given)
    if isinstance(works, str):
        st.text(works)
        return
    st.html(shown.STYLE)
    dated = f"surveyed {found.site.info.surveyed_on or 'not dated'} · data {scene.version[:10]}"
    _figures(works)
    view = st.segmented_control(
        "Look at",
        list(VIEWS),
        format_func=VIEWS.__getitem__,
        key="works-view",
        default="quantities",
        required=True,
        label_visibility="collapsed",
        bind="query-params",
    )
    {"order": _order, "holds": _holds, "done": _done, "leave": _leave}.get(str(view), _quantities)(
        works, found, dated
    )
    _take_away(works, found, dated, given)


def _given() -> cache_works.Given:
    """Return what this visitor gave beside the records of the site, for this visit."""
    kept = st.session_state.get(f"works-given-{session.chosen().name}")
    return kept if isinstance(kept, cache_works.Given) else cache_works.NOTHING_GIVEN


def _figures(works: Works) -> None:
    """Say in a line how much there is, and what may start."""
    recorded = sum(not work.asked.proposed for work in works.works)
    lines = sum(len(work.lines) for work in works.works)
    passed = sum(hold.passed for hold in works.holds.values())
    st.html(
        shown.figures(
            [
                (str(len(works.works)), f"repairs, {recorded} of them recorded"),
                (str(lines - works.open_lines), f"quantities, {works.open_lines} more not known"),
                (str(len(works.order.may_start)), "steps may start now"),
                (f"{passed} of {len(works.holds)}", "hold points passed"),
                *((str(amount), _priced(name, works)) for name, amount in sorted(works.costs.totals.items())),
            ]
        )
    )


def _priced(currency: str, works: Works) -> str:
    """Say of a total how much of the works it is the price of."""
    whole = len(works.costs.lines) + len(works.costs.without) + len(works.costs.not_known)
    own = sum(cost.currency == currency for cost in works.costs.lines)
    return currency if own == whole else f"{currency} for {own} of {whole} quantities, no total of all"


def _beside(found: Findings) -> None:
    """Take own prices from a file, and depths of rain, for this visit."""
    key = f"works-given-{session.chosen().name}"
    given = _given()
    with st.expander("Your own prices from a file, and depths of rain at the place", key=GIVEN_OPEN):
        chrome.note(
            "For this visit, on this page and in its files; nothing of it is kept with the site. Prices to be"
            " kept are typed on the sheet Own prices, or come in on the page Import.",
        )
        with st.form(f"{key}-form", border=False):
            file = st.file_uploader(PRICES_FILE, type="csv")
            rain = st.text_area(
                "Depths of rain for a soakaway, one duration a line: minutes, depth in mm",
                placeholder=RAIN_FORM, height=110, max_chars=4000,
            )  # fmt: skip
            pressed = st.form_submit_button("Reckon with these", type="primary")
        if given.told:
            chrome.note(f"Reckoned with {given.told}.")
            if st.button("Reckon without them", key=f"{key}-without"):
                del st.session_state[key]
                st.rerun()
    if pressed:
        try:
            st.session_state[key] = cache_works.given(
                found.site.reference, rates=b"" if file is None else file.getvalue(), rain=rain
            )
        except InputError as error:
            for problem in error.problems:
                st.text(str(problem))
            return
        st.rerun()


def _quantities(works: Works, found: Findings, dated: str) -> None:  # noqa: ARG001 - as its fellows
    """Show every repair with its quantities."""
    if not works.works:
        chrome.note(
            *(works.notes or ["No repair is recorded, and none is proposed: no cause is accepted yet."])
        )
        _recording(works_record.repairs, works, found)
        return
    only = st.toggle("Only what is missing or unsure", key="works-unknown")
    prices = {(cost.repair_id, cost.line): cost for cost in works.costs.lines}
    st.html(shown.quantities(works.works, ref=found.site.reference, costs=prices, only_unknown=only))
    chrome.note(*works.notes)
    if prices:
        with st.expander("By your own prices"):
            show_table(costs_table(works).rename(columns=PRICED))
            chrome.note(
                f"{len(works.costs.without)} quantities have no price, {len(works.costs.not_known)} are not"
                " known: the total is of the rest. No price is built in.",
                *works.costs.told,
            )
    else:
        chrome.note("No price is built in. Type your own on the sheet Own prices, and totals stand here.")
    _beside(found)
    _recording(works_record.repairs, works, found)


def _order(works: Works, found: Findings, dated: str) -> None:
    """Draw the order, and say what may start now."""
    free = works.order.may_start
    st.markdown("##### May start now")
    if free:
        st.html(shown.starts(free, takes=[EFFORT[step.effort] for step in free]))
    else:
        chrome.note("Nothing: see what holds what up.")
    for said in works.order.conflicts:
        st.text(said)
    svg = cache_works.order_svg(found.site.digest, dated, works)
    drawing.show_svg(svg, alt="Order of the works", key="fitted-order", least_px=LEAST_PX)
    chrome.swipe("The order goes on to the right: swipe it into view.")
    with st.expander("What waits for what, in words"):
        steps = [step for step in works.order.steps.values() if step.state != MAY_START]
        rows = [
            {
                "step": step.said,
                "what": step.label,
                "state": step.state,
                "waits for": "; ".join(works.order.steps[key].said for key in step.held_by),
                "because": step.because,
            }
            for step in steps
        ]
        show_table(pd.DataFrame(rows))
    st.markdown("##### Heed besides")
    show_table(constraints_table(works), empty="Nothing.")
    chain = " → ".join(works.order.steps[key].said for key in works.order.critical)
    chrome.note(f"What takes longest, one after another: {chain}.")


def _holds(works: Works, found: Findings, dated: str) -> None:  # noqa: ARG001 - as its fellows
    """Show the hold points, and record a result."""
    if not works.holds:
        chrome.note("No repair asks for a hold point yet.")
        return
    chrome.note("Nobody passes a hold point without a recorded result; a result without its numbers is none.")
    st.html(shown.holds(list(works.holds.values()), dict(works.order.steps)))
    _recording(works_record.hold_points, works, found)


def _done(works: Works, found: Findings, dated: str) -> None:  # noqa: ARG001 - as its fellows
    """Show what was done against what was estimated."""
    show_table(done_table(works, ref=found.site.reference), empty="Nothing is recorded as done yet.")
    st.markdown("##### Changed while at it")
    show_table(variations_table(works, ref=found.site.reference), empty="No variation is recorded.")
    _recording(works_record.work_done, works, found)
    _left(found)


def _left(found: Findings) -> None:
    """Show what the levels after the works say."""
    st.markdown("##### As it was left")
    left = cache_works.left(found)
    if isinstance(left, str):
        st.text(left)
    elif left is None:
        chrome.note(
            "No level after the works is recorded: book them on the page Levels, as left by the works."
        )
    else:
        _as_built(left)


def _as_built(left: AsBuilt) -> None:
    show_table(
        left.clearance.rename(columns=CLEARANCE), digits=1, empty="No ground at the wall was levelled again."
    )
    if len(left.ways):
        st.text("Ways past the barrier that the fabric leaves open:")
        show_table(left.ways.rename(columns=WAYS), digits=1)
    if len(left.spills):
        st.text("Where water first leaves has moved:")
        show_table(left.spills.rename(columns=SPILLS), digits=3)
    chrome.note(*left.notes)


def _leave(works: Works, found: Findings, dated: str) -> None:  # noqa: ARG001 - as its fellows
    """Show what leave the works need."""
    show_table(consents_table(works), empty="Nothing that is proposed asks for leave.")
    chrome.note(CAUTION)
    _recording(works_record.leave, works, found)


def _recording(form: Any, works: Works, found: Findings) -> None:
    """Show a form where the site is recorded in, or say how to get one."""
    chosen = session.chosen()
    if not chosen.site_id:
        desk.offer_copy(COPY)
        return
    form(chosen.site_id, works, found)


def _take_away(works: Works, found: Findings, dated: str, given: cache_works.Given) -> None:
    """Offer the files."""
    if not works.works:
        return
    made = cache_works.files(found.site.digest, dated, works, found, given)
    st.markdown("##### Take away")
    labels = {
        BOOK: "All tables, XLSX", "quantities.csv": "Quantities, CSV", SHEET: "Order and hold points, text",
        cache_works.DRAWING: "Drawing, SVG", DOCUMENT: "Everything, JSON",
    }  # fmt: skip
    with st.container(horizontal=True):
        for name, label in labels.items():
            if name in made:
                access.download(label, made[name], file_name=name, key=f"take-{name}")
        access.download(
            "Drawing, PNG", lambda: to_png(made[cache_works.DRAWING].decode()), file_name="order.png",
            key="take-order.png",
        )  # fmt: skip
