"""What frames every page: the site's head, and the problems of a folder that cannot be used."""

from __future__ import annotations

from html import escape

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import cache, session, ways, workspace
from app.widgets.table import show_table
from app.widgets.text import plain
from geo.draw.scene import Scene
from geo.draw.theme import FAINT, INK, PANEL, PAPER, RULE, SOFT_INK
from geo.errors import Problem
from geo.findings.examine import Findings

STYLE = f"""<style>
[data-testid="stMainBlockContainer"] {{ padding: 4.2rem 1.25rem 2rem; max-width: 1720px; }}
[data-testid="stMainBlockContainer"] > div > [data-testid="stVerticalBlock"] {{ gap: .75rem; }}
.wf-title {{ margin: 0; padding: 0; font-size: 1.6rem; line-height: 1.25; font-weight: 600; color: {INK};
  overflow-wrap: anywhere; }}
.wf-page {{ margin: 0; color: {SOFT_INK}; font-size: .86rem; line-height: 1.3; font-weight: 600; }}
.wf-note {{ margin: .2rem 0 0; color: {SOFT_INK}; font-size: .86rem; line-height: 1.45;
  overflow-wrap: anywhere; }}
.wf-card b {{ font-size: 1.05rem; }}
.wf-card p {{ margin: .35rem 0 0; max-width: 62rem; overflow-wrap: anywhere; }}
.wf-table {{ overflow: auto; border: 1px solid {RULE}; border-radius: 4px;
  -webkit-overflow-scrolling: touch; }}
.wf-tall {{ max-height: 38rem; }}
.wf-table table {{ width: 100%; border-collapse: collapse; font-size: .88rem; line-height: 1.35; margin: 0; }}
.wf-table th {{ position: sticky; top: 0; background: {PANEL}; color: {SOFT_INK}; text-align: left;
  font-weight: 600; vertical-align: bottom; }}
.wf-table th, .wf-table td {{ padding: .45rem .6rem; border: 0; border-bottom: 1px solid {FAINT}; }}
.wf-table td {{ vertical-align: top; overflow-wrap: break-word; color: {INK}; background: {PAPER}; }}
.wf-table .wf-number {{ text-align: right; font-variant-numeric: tabular-nums; }}
.wf-table td.wf-number {{ white-space: nowrap; }}
[data-testid="stTopNavLink"], [data-testid="stTopNavLinkContainer"] a {{ min-height: 2.6rem;
  padding-left: .8rem; padding-right: .8rem; display: inline-flex; align-items: center; }}
[data-testid="stButtonGroup"] button, [data-testid="stDownloadButton"] button,
[data-testid="stButton"] button, [data-testid="stFormSubmitButton"] button, [role="tab"],
[data-testid="stCheckbox"] label {{ min-height: 2.65rem; }}
[data-testid="stFileUploader"] button {{ min-height: 2.65rem; min-width: 2.65rem; }}
[data-testid="stTopNavSection"], [data-testid="stExpander"] summary, [data-testid="stButton"] button,
[data-testid="stFormSubmitButton"] button, [data-testid="stFileUploader"] button,
[data-testid="stSelectbox"] input, [data-testid="stSelectbox"] button, [data-testid="stMultiSelect"] input,
[data-testid="stMultiSelect"] button, [data-testid="stTextInput"] input, [data-testid="stNumberInput"] input,
[data-testid="stNumberInput"] button {{ min-height: 2.6rem; }}
[data-testid="stButtonGroup"] > div {{ flex-wrap: wrap; overflow: visible; }}
[data-testid="stCheckbox"] label {{ align-items: center; }}
.wf-swipe {{ display: none; }}
@media (max-width: 1050px) {{ .wf-swipe {{ display: block; }} }}
[role="tab"] {{ padding-left: .7rem; padding-right: .7rem; }}
[class*="st-key-fitted"] :has(> iframe), [class*="st-key-fitted"] iframe {{ height: auto !important;
  flex: 0 0 auto !important; }}
[class*="st-key-fitted"] iframe {{ width: 100%; aspect-ratio: var(--wide) / var(--tall);
  min-height: var(--least); }}
[data-testid="stIFrame"] {{ border: 1px solid {RULE}; border-radius: 4px; background: {PAPER}; }}
</style>"""


def style() -> None:
    """Set the spacing the theme does not reach."""
    st.html(STYLE)


def mark_group(item: int) -> None:
    """Mark the item of the navigation that holds the page that is open; 0 for none."""
    if item:
        st.html(
            f'<style>[data-testid="stTopNav"] > :nth-child({item}) [data-testid="stTopNavSection"]'
            f" {{ background: {FAINT}; font-weight: 600; }}</style>"
        )


def open_site(head: DeltaGenerator) -> tuple[Findings, Scene] | None:
    """Return the chosen site's findings and scene with its head shown, or show why there are none."""
    site = session.chosen()
    found = cache.findings_of(site.folder or site.site_id)
    if isinstance(found, list):
        _cannot_use(head, found, folder=site.folder is not None)
        return None
    scene = cache.scene(found.site.digest, found)
    _show_head(head, found)
    return found, scene


def choose_ring(scene: Scene) -> str:
    """Offer the rings of the surveyed buildings, where there are several; the choice holds on every page."""
    rings = scene.drawn_rings
    if len(rings) == 1:
        return rings[0]
    key, kept = f"wall-{scene.version}", f"wall-kept-{scene.version}"
    if st.session_state.get(key) not in rings:
        st.session_state[key] = st.session_state.get(kept, rings[0])
    chosen = st.segmented_control(
        "Wall",
        rings,
        format_func=lambda ring: plain(scene.place(ring)),
        key=key,
        required=True,
        label_visibility="collapsed",
        width="content",
    )
    st.session_state[kept] = chosen
    return chosen


def note(*lines: str) -> None:
    """Write lines of small print; every word of them is text."""
    if not lines:
        return
    st.html("".join(f'<p class="wf-note">{escape(line)}</p>' for line in lines))


def swipe(line: str) -> None:
    """Say on a narrow screen that there is more beside; every word of it is text."""
    st.html(f'<p class="wf-note wf-swipe">{escape(line)}</p>')


def heading(place: DeltaGenerator, title: str, *notes: str, page: str = "") -> None:
    """Write the head of a page; every word of it is text.

    Parameters
    ----------
    page
        Name of the page, where the title is not its own.
    """
    lines = "".join(f'<p class="wf-note">{escape(note)}</p>' for note in notes)
    name = f'<p class="wf-page">{escape(page)}</p>' if page else ""
    place.html(f'{name}<h1 class="wf-title">{escape(title)}</h1>{lines}')


def _show_head(head: DeltaGenerator, found: Findings) -> None:
    """Show what the page rests on: name, datum, date, data version and where the readings went."""
    info = found.site.info
    tally = found.counts
    when = info.surveyed_on or "not dated"
    heading(
        head,
        info.name,
        f"levels: {info.datum} · surveyed {when} · data {found.site.digest[:10]} · readings taken "
        f"{tally['taken']} = joined {tally['joined']} + ambiguous {tally['ambiguous']} + unjoined "
        f"{tally['unjoined']}" + (f" · {found.read_again} read again later" if found.read_again else ""),
        page=ways.here(),
    )
    notes = [str(problem) for problem in found.site.warnings]
    if notes:
        with st.expander("1 note on the data" if len(notes) == 1 else f"{len(notes)} notes on the data"):
            for note in notes:
                st.text(note)


def _cannot_use(head: DeltaGenerator, problems: list[Problem], *, folder: bool) -> None:
    """List everything wrong with a site, as text, and where it is mended."""
    begun = None if folder else workspace.store().site(session.chosen().site_id)
    if begun is not None and not begun.of("building"):
        heading(head, begun.info.name, "There is nothing to show yet.", page=ways.here())
        st.text("The outline of the house comes first: draw it, type it as it was taped, or bring one in.")
        with st.container(horizontal=True):
            ways.link("draw", "Draw the outline")
            ways.link("import", "Bring one in")
        return
    errors = sum(problem.severity == "error" for problem in problems)
    mend = (
        "nothing was half-read. The same list: wallfoot check FOLDER"
        if folder
        else "nothing saved is lost. Mend it on the pages of Record, or undo a save on the page Site."
    )
    heading(
        head,
        "This folder cannot be used yet" if folder else "This site cannot be shown yet",
        f"{errors} to mend; {mend}",
        page=ways.here(),
    )
    rows = [
        {
            "where": problem.where,
            "found": problem.found,
            "allowed": problem.allowed,
            "to mend it": problem.mend,
            "kind": "to mend" if problem.severity == "error" else "note",
        }
        for problem in problems
    ]
    show_table(pd.DataFrame(rows))
