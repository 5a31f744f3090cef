"""An answer about the drains: the sentence, the sections and the tables."""

from __future__ import annotations

from html import escape

import streamlit as st

from app.widgets import chrome, drawing
from app.widgets.table import show_table
from geo.draw.drains_tables import (
    asked,
    change_rows,
    crossing_rows,
    fact_rows,
    fault_rows,
    headline,
    order_rows,
)
from geo.draw.section import draw_long_section
from geo.draw.wall_section import draw_wall_section, wet_place
from geo.findings.drains import DrainAnswer, Drains

SECTION_LEAST_PX, WALL_LEAST_PX = 760, 700


def show_headline(answer: DrainAnswer) -> None:
    """Say the answer first, then what was asked; every word is text."""
    with st.container(key="drain-answer"):
        st.html(
            f'<p class="wf-answer" role="status">{escape(headline(answer))}</p>'
            f'<p class="wf-note">{escape(asked(answer))}</p>'
        )


def show_sections(drains: Drains, answer: DrainAnswer) -> None:
    """Show the drain and the wall in section, with the level the water comes to."""
    drawing.show_svg(
        draw_long_section(drains, answer=answer),
        alt="Section along the drain",
        key="fitted-long",
        least_px=SECTION_LEAST_PX,
    )
    place = wet_place(answer)
    if place is None:
        chrome.note("No wall is reached, as far as is known.")
        return
    ring, chainage = place
    drawing.show_svg(
        draw_wall_section(drains, ring, chainage, answer=answer),
        alt=f"Section of the wall at chainage {chainage:.1f}",
        key="fitted-wall",
        least_px=WALL_LEAST_PX,
    )


def show_tables(drains: Drains, answer: DrainAnswer) -> None:
    """Show the numbers behind the answer, a tab a question."""
    faults = fault_rows(drains)
    tabs = st.tabs(
        [
            "In numbers",
            "Where it comes up",
            "Smallest changes",
            "Past the barrier",
            f"As recorded ({len(faults)})",
        ]
    )
    with tabs[0]:
        show_table(fact_rows(drains, answer).rename(columns={"what": ""}), empty="Nothing more to say.")
    with tabs[1]:
        show_table(order_rows(drains, answer), empty="Nothing backs up, so nothing comes up.")
    with tabs[2]:
        show_table(change_rows(answer), empty="There is nothing to change: nothing comes up.")
    with tabs[3]:
        show_table(crossing_rows(drains, answer), empty="No water comes to a wall whose levels are known.")
    with tabs[4]:
        show_table(faults, empty="Nothing is wrong with the drains as recorded.", tall=True)
