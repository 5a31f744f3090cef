"""What feeds each wet stretch, by which way in, and what is not explained?"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import access, cache_causes, desk, session, ways, workspace
from app.parts import part
from app.views import causes_since
from app.widgets import chrome, drawing
from app.widgets import ledger as shown
from app.widgets.table import show_table
from app.widgets.text import group_words, plain
from geo.draw.scene import Scene
from geo.errors import InputError, WallfootError
from geo.evidence.decisions import ACCEPTED, PUT_FORWARD, REOPENED, SET_ASIDE, decision_record
from geo.evidence.ledger import Ledger, StretchLedger
from geo.evidence.ledger_matrix import matrix_of
from geo.evidence.ledger_tables import decisions_table
from geo.findings.examine import Findings
from geo.reference import Reference
from geo.store.changes import Put

BAND_PX = 760
BUTTONS = {ACCEPTED: "Accept", SET_ASIDE: "Set aside", REOPENED: "Reopen"}
POINTS_ARE = (
    "Figures beside a cause are points of judgement, not chances: see what speaks for and against it, and"
    " disagree line by line."
)


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = chrome.open_site(head)
    if opened is None:
        return
    found, scene = opened
    ledger = cache_causes.ledger(found)
    if not ledger.stretches:
        chrome.note("No reading is wet against its own control, so there is nothing to find a cause for.")
        ways.link("not-known", "What is not known, and what would settle it")
        return
    st.html(shown.STYLE)
    chrome.note(*ledger.told)
    with st.container(key="causes-beside"):
        left, right = st.columns([1, 3.3], gap="medium")
    with left:
        stretch = _choose(ledger, scene, found.site.reference)
    with right:
        _stretch(ledger, stretch, found, scene)


def _choose(ledger: Ledger, scene: Scene, ref: Reference) -> StretchLedger:
    """Offer the stretches, that with most unexplained length first."""
    ordered = ledger.by_unexplained
    by_id = {each.stretch_id: each for each in ordered}
    key = f"stretch-{scene.version}"
    if st.session_state.get(key) not in by_id:
        asked = st.query_params.get("stretch", "")
        st.session_state[key] = asked if asked in by_id else ordered[0].stretch_id
    left = ledger.unexplained_m
    total = f"{left:.1f} m of wet wall not explained" if left > 0 else "All wall read as wet is explained"
    st.html(f'<p class="wf-said"><b>{total}</b></p>')
    several = len({each.ring_key for each in ordered}) > 1
    chosen = st.radio(
        "Wet stretch",
        list(by_id),
        key=key,
        captions=[_caption(each, scene, ref, several=several) for each in ordered],
        label_visibility="collapsed",
    )
    st.query_params["stretch"] = chosen
    return by_id[chosen]


def _caption(each: StretchLedger, scene: Scene, ref: Reference, *, several: bool) -> str:
    where = f"{ref.word('side', each.side)}, {each.from_m:.1f}–{each.to_m:.1f} m"
    wall = f"{scene.place(each.ring_key)}, " if several else ""
    left = each.coverage.unexplained_m
    open_m = f"{left:.1f} of {each.length_m:.1f} m not explained" if left > 0 else "explained"
    return plain(f"{wall}{where} · {open_m}")


def _stretch(ledger: Ledger, stretch: StretchLedger, found: Findings, scene: Scene) -> None:
    ref, place = found.site.reference, ledger.place_of(stretch.stretch_id)
    beside = [name for name in place.stretch_ids if name != stretch.stretch_id]
    same = f"One wet place with {', '.join(beside)}: {place.seen_by}, never pooled." if beside else ""
    leaders = [each.said for each in (stretch.leader, stretch.route_leader) if each is not None]
    st.html(shown.lead(stretch, f"Read with {group_words(stretch.group)}. {same}", *leaders))
    drawing.show_svg(
        cache_causes.band_svg(scene.version, stretch.stretch_id, scene, ledger),
        alt=f"Band of the wall with {stretch.stretch_id} and what each cause would wet",
        key="fitted-causes",
        least_px=BAND_PX,
    )
    st.html(shown.next_card(stretch.next, title=f"Next at {stretch.stretch_id}"))
    st.html(shown.kinds(stretch, ref))
    ring_m = float(found.perimeter.rings.loc[stretch.ring_key, "length_m"])
    table = shown.matrix(matrix_of(stretch, ring_m=ring_m))
    if table:
        st.markdown("##### Where sources and ways in meet")
        st.html(table)
    _decisions(stretch, found, ref)
    with st.expander("Next for the whole site"):
        st.html(shown.next_card(ledger.next, title="Next", others=8))
    causes_since.show(found)
    chrome.note(
        POINTS_ARE,
        *(
            f"Changed here: {each.key} from {each.was} to {each.now} ({each.changed_by})."
            for each in ledger.changed
        ),
    )


def _decisions(stretch: StretchLedger, found: Findings, ref: Reference) -> None:
    """Show what was decided, and take a decision where the site is recorded in."""
    st.markdown("##### Decisions")
    show_table(
        decisions_table(stretch, ref=ref),
        empty="None yet: what is supported or better counts as accepted.",
    )
    chosen = session.chosen()
    if not chosen.site_id:
        desk.offer_copy("This is a folder, to look at. Decisions are taken on a copy in the workspace.")
        return
    if access.visitor().allows("record"):
        _decide(chosen.site_id, stretch, found, ref)


@part
def _decide(site_id: str, stretch: StretchLedger, found: Findings, ref: Reference) -> None:
    turn = st.session_state.setdefault(f"decide-turn-{site_id}", 0)
    names = {each.key: f"{each.short}: {each.word}" for each in stretch.supports}
    with st.container(horizontal=True, vertical_alignment="bottom", key="decide"):
        key = st.selectbox(
            "Cause", list(names), format_func=names.__getitem__, key=f"decide-{turn}", width=330
        )
        reason = st.text_input("Why", key=f"decide-why-{turn}", width=420, max_chars=600)
        for state, label in BUTTONS.items():
            if st.button(label, key=f"decide-{state}", type="primary" if state == ACCEPTED else "secondary"):
                _keep(site_id, stretch, found, key, state, reason)
    with st.expander("Put forward a cause that is not listed", key="decide-other", on_change="rerun"):
        _put_forward(site_id, stretch, found, ref, turn)
    if told := st.session_state.pop(f"decide-told-{site_id}", ""):
        st.text(told)


def _put_forward(site_id: str, stretch: StretchLedger, found: Findings, ref: Reference, turn: int) -> None:
    words: Mapping[str, object] = ref.vocabulary["cause"]
    with st.container(horizontal=True, vertical_alignment="bottom"):
        cause = st.selectbox(
            "What",
            list(words),
            format_func=lambda key: ref.word("cause", key),
            key=f"other-{turn}",
            width=420,
        )
        of_id = st.text_input("Of which record, if any", key=f"other-id-{turn}", width=170, max_chars=80)
        reason = st.text_input("Why", key=f"other-why-{turn}", width=330, max_chars=600)
        if st.button("Put forward", key="decide-put"):
            key = f"{cause}:{of_id.strip()}" if of_id.strip() else cause
            _keep(site_id, stretch, found, key, PUT_FORWARD, reason)


def _keep(site_id: str, stretch: StretchLedger, found: Findings, key: str, state: str, reason: str) -> None:
    """Add the decision; what was decided before stays, and what is refused stays typed."""
    told = f"decide-told-{site_id}"
    if not reason.strip():
        st.session_state[told] = "Say why: a decision without a reason is not kept."
        return
    row = found.stretches.loc[stretch.stretch_id]
    try:
        record = decision_record(
            key=key, state=state, reason=reason.strip(), side=stretch.side, from_m=stretch.from_m,
            to_m=stretch.to_m, building_id=str(row["building_id"]), ring=str(row["ring"]),
            at=datetime.now().astimezone(), by=workspace.role(), taken=desk.current(site_id).site.ids,
        )  # fmt: skip
    except (InputError, WallfootError, ValueError) as error:
        st.session_state[told] = str(error).splitlines()[0]
        return
    outcome = desk.save(site_id, [Put(record)], why=f"{state} {key}"[:400])
    if not outcome.saved:
        st.session_state[told] = f"{outcome.told} What you typed is still here."
        return
    st.session_state[f"decide-turn-{site_id}"] += 1
    st.rerun()
