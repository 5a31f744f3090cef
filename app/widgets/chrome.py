"""What frames every page: the site's head, and the problems of a folder that cannot be used."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from app import cache, session
from geo.draw.scene import Scene
from geo.draw.theme import PAPER, RULE, SOFT_INK
from geo.errors import Problem
from geo.findings.examine import Findings

STYLE = f"""<style>
.block-container {{ padding-top: 4rem; padding-bottom: 2rem; max-width: 1680px; }}
.wf-note {{ color: {SOFT_INK}; font-size: .86rem; }}
.wf-scroll {{ overflow-x: auto; border: 1px solid {RULE}; border-radius: 4px; background: {PAPER};
  -webkit-overflow-scrolling: touch; }}
[data-testid="stMainBlockContainer"] h3 {{ margin-top: -3.4rem; max-width: 66%; }}
button, [role="tab"], label {{ min-height: 2.4rem; }}
</style>"""


def style() -> None:
    """Set the spacing the theme does not reach."""
    st.html(STYLE)


def open_site() -> tuple[Findings, Scene] | None:
    """Return the chosen site's findings and scene with its head shown, or show why there are none."""
    found = cache.findings_of(session.site_folder())
    if isinstance(found, list):
        _cannot_use(found)
        return None
    scene = cache.scene(found.site.digest, found)
    _head(found)
    return found, scene


def choose_ring(scene: Scene) -> str:
    """Offer the rings of the surveyed buildings, where there are several."""
    rings = scene.drawn_rings
    if len(rings) == 1:
        return rings[0]
    return st.segmented_control(
        "Wall", rings, default=rings[0], format_func=scene.place, key="ring-" + scene.version, required=True
    )


def _head(found: Findings) -> None:
    """Show what the page rests on: name, datum, date, data version and where the readings went."""
    info = found.site.info
    tally = found.counts
    st.subheader(info.name, anchor=False)
    when = info.surveyed_on or "not dated"
    st.caption(
        f"levels: {info.datum} · surveyed {when} · data {found.site.digest[:10]} · readings taken "
        f"{tally['taken']} = joined {tally['joined']} + ambiguous {tally['ambiguous']} + unjoined {tally['unjoined']}"
    )
    notes = [str(problem) for problem in found.site.warnings]
    if notes:
        with st.expander(f"{len(notes)} notes on the data"):
            for note in notes:
                st.text(note)


def _cannot_use(problems: list[Problem]) -> None:
    """List everything wrong with a folder, as text."""
    errors = [problem for problem in problems if problem.severity == "error"]
    st.subheader("This folder cannot be used yet", anchor=False)
    st.caption(f"{len(errors)} to mend; nothing was half-read. The same list: wallfoot check FOLDER")
    rows = [
        {
            "where": problem.where,
            "found": problem.found,
            "allowed": problem.allowed,
            "to mend it": problem.mend,
        }
        for problem in problems
    ]
    st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch")
