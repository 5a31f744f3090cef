"""Every test made: was it big enough, and what did it move?"""

from __future__ import annotations

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import cache_causes
from app.widgets import chrome
from app.widgets import ledger as shown
from app.widgets.table import show_table
from geo.evidence.ledger_tables import trials_of


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = chrome.open_site(head)
    if opened is None:
        return
    found, _ = opened
    ledger = cache_causes.ledger(found)
    st.html(shown.STYLE)
    st.html(shown.next_card(ledger.next, title="Next for the whole site", others=5))
    st.markdown("##### Tests made")
    chrome.note(
        "A test that showed nothing counts only if it was big enough: until then it moves nothing. Colour"
        " that shows proves only with its time, a picture from before, and nothing else wet."
    )
    show_table(trials_of(ledger, ref=found.site.reference), empty="No test was made yet.")
    told = [f"{row.trial_id}: {said}" for row in ledger.trials for said in row.told]
    if told:
        with st.expander(f"Beside the tests: {len(told)} notes"):
            for said in told:
                st.text(said)
