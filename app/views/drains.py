"""If this is blocked, where does it come up first, and what gets past the barrier?"""

from __future__ import annotations

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import cache
from app.widgets import chrome, drawing
from app.widgets.table import show_table
from geo.drains.storage import Inflow
from geo.draw.scene import Scene
from geo.draw.section import draw_long_section
from geo.draw.wall_section import draw_wall_section, wet_place
from geo.errors import InputError
from geo.exchange.setting_out import dxf_bytes, pdf_bytes, setting_out_of
from geo.findings.drains import DrainAnswer, Drains, answer_facts, ask_drains, just_above, rain_on
from geo.findings.examine import Findings

HOSE, RAIN, WASH = "a hose", "rain", "a washing machine"


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = chrome.open_site(head)
    if opened is None:
        return
    found, scene = opened
    drains = cache.drains(found.site.digest, found)
    if not drains.can_be_blocked:
        st.caption("No run, gully, chamber or soakaway is recorded.")
        return
    _ask(drains, scene)
    _faults(drains)
    _pack(found)


@st.fragment
def _ask(drains: Drains, scene: Scene) -> None:
    """Ask what a blockage does; only this part of the page is drawn again."""
    version = scene.version
    first, second, third, fourth = st.columns([1.2, 1.2, 1.2, 1.6])
    blocked = first.selectbox("Blocked", drains.can_be_blocked, key=f"blocked-{version}")
    usual = just_above(drains, blocked)
    sources = list(drains.sources)
    start = sources.index(usual) if usual in sources else 0
    source = second.selectbox("Water put in at", sources, index=start, key=f"source-{version}-{blocked}")
    kind = third.selectbox("Water from", (HOSE, RAIN, WASH), key=f"water-{version}")
    with fourth:
        flow = _flow(kind, version)
    try:
        answer = ask_drains(drains, blocked=blocked, source=source, inflow=flow)
        if isinstance(flow, float):
            answer = ask_drains(drains, blocked=blocked, source=source, inflow=rain_on(answer, flow))
    except InputError as error:
        for problem in error.problems:
            st.text(str(problem))
        return
    _answer(drains, answer)


def _flow(kind: str, version: str) -> Inflow | float | None:
    """Return the water put in; for rain its intensity, since the roofs it falls on are part of the answer."""
    if kind == HOSE:
        return Inflow.steady(st.slider("litres a second", 0.05, 1.5, 0.25, 0.05, key=f"rate-{version}"))
    if kind == RAIN:
        return st.slider("millimetres an hour", 2.0, 100.0, 25.0, 1.0, key=f"rain-{version}")
    times = st.slider("pump-outs of 20 litres, 10 minutes apart", 1, 6, 3, key=f"pours-{version}")
    return Inflow.pours(20.0, over_s=80.0, times=times, wait_s=520.0)


def _answer(drains: Drains, answer: DrainAnswer) -> None:
    """Show the answer in words, then the drain and the wall in section."""
    facts = pd.DataFrame(answer_facts(answer), columns=["", "answer", "why"])
    show_table(facts)
    drawing.show_svg(
        draw_long_section(drains, answer=answer),
        alt="Section along the drain",
        key="fitted-long",
        least_px=760,
    )
    place = wet_place(answer)
    if place is not None:
        ring, chainage = place
        drawing.show_svg(
            draw_wall_section(drains, ring, chainage, answer=answer),
            alt=f"Section of the wall at chainage {chainage:.1f}",
            key="fitted-wall",
            least_px=700,
        )


def _faults(drains: Drains) -> None:
    """List what is wrong with the drains, whatever is blocked."""
    st.markdown("##### What is wrong with the drains as recorded")
    rows = [
        {
            "rule": fault.rule.replace("_", " "),
            "answer": fault.verdict.word,
            "finding": fault.said,
            "to settle it": fault.verdict.settle,
            "records": " ".join(fault.ids),
        }
        for fault in drains.faults
    ]
    show_table(pd.DataFrame(rows), empty="Nothing.", tall=True)


def _pack(found: Findings) -> None:
    """Offer the contractor's pack."""
    st.markdown("##### For the drainage contractor")
    digest = found.site.digest
    with st.container(horizontal=True):
        st.download_button(
            "Setting-out sheet, PDF",
            lambda: cache.made(
                digest, "setting-out.pdf", lambda: pdf_bytes(found.site, *setting_out_of(found.site))
            ),
            file_name="setting_out.pdf",
            mime="application/pdf",
            on_click="ignore",
        )
        st.download_button(
            "Drawing, DXF",
            lambda: cache.made(
                digest, "setting-out.dxf", lambda: dxf_bytes(found.site, *setting_out_of(found.site))
            ),
            file_name="setting_out.dxf",
            mime="image/vnd.dxf",
            on_click="ignore",
        )
    chrome.note(
        "Locate services and dig by hand near them; never enter a chamber; treat foul water as infectious;"
        " follow local codes. The pack certifies nothing."
    )
