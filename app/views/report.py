"""What do we hand over, to whom, and what keeps a part of it empty?"""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import access, audit, cache_report, session
from app.widgets import chrome
from app.widgets.table import show_table
from geo.report.letter import pages_of
from geo.report.parts import Document
from geo.report.render_html import framed
from geo.report.source import Source

LETTER, FULL = "Plain letter, two pages", "Full report"
PREVIEW_PX = 860
PDF, HTML, ZIP = "application/pdf", "text/html", "application/zip"
SHEETS = {
    "quantities.xlsx": (
        "Quantities, XLSX",
        "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ),
    "quantities.csv": ("Quantities, CSV", "text/csv"),
}


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = chrome.open_site(head)
    if opened is None:
        return
    source = cache_report.source(*opened)
    offered = (LETTER, FULL) if access.visitor().allows("report") else (LETTER,)
    chosen = st.segmented_control(
        "Which",
        offered,
        default=LETTER,
        key="report-which",
        required=True,
        label_visibility="collapsed",
        width="content",
    )
    audit.note_read("report" if chosen == FULL else "letter", site_id=session.chosen().name)
    if chosen == FULL:
        _full(source)
    else:
        _letter(source)


def _letter(source: Source) -> None:
    """Offer the letter and show it."""
    digest = source.site.digest
    document, pdf, html = cache_report.letter(digest, source)
    with st.container(horizontal=True):
        _take("Letter, PDF", lambda: pdf, "letter.pdf", PDF, action="letter")
        _take("Letter, HTML", lambda: html, "letter.html", HTML, action="letter")
    pages = pages_of(pdf)
    chrome.note(
        f"For whoever lives in or owns the home: {pages} page{'s' if pages > 1 else ''}, in plain words. What"
        " there is no room for is counted in it, and stands in the full report.",
        _made_of(document),
    )
    _preview(html, alt="The letter")


def _full(source: Source) -> None:
    """Offer the full report with its quantities, say what is empty in it, and show it."""
    digest = source.site.digest
    document, html = cache_report.report(digest, source)
    with st.container(horizontal=True):
        _take("Report, PDF", lambda: cache_report.pdf(digest, document), "report.pdf", PDF)
        _take("Report, HTML", lambda: html, "report.html", HTML)
        for name, content in cache_report.quantities(digest, source).items():
            label, kind = SHEETS[name]
            _take(label, lambda content=content: content, name, kind)  # type: ignore[misc]
        _take("All files, ZIP", lambda: cache_report.whole(digest, source), "report.zip", ZIP)
    chrome.note(
        "For whoever must check it: every statement says whether it is fact, inference, opinion or advice,"
        " and leads to the records it rests on. The PDF is tagged for screen readers.",
        _made_of(document),
    )
    _empties(document)
    _preview(html, alt="The full report")


def _made_of(document: Document) -> str:
    when = f"as of {document.dated.isoformat()}" if document.dated is not None else "not dated"
    return f"{when} · data {document.version[:12]} · the same data give the same file, byte for byte"


def _take(label: str, make: Callable[[], bytes], name: str, kind: str, *, action: str = "report") -> None:
    """Offer one file, made when it is asked for."""
    access.download(
        label, make, file_name=name, mime=kind, on_click="ignore", key=f"report-{name}", action=action
    )


def _empties(document: Document) -> None:
    """List the sections nothing can be said in, why, and what would fill each."""
    rows = [
        {"section": part.title, "is left out because": part.why, "would be filled by": part.fills}
        for part in document.missing
    ]
    if not rows:
        chrome.note("Every section has something in it.")
        return
    said = "1 section is left out" if len(rows) == 1 else f"{len(rows)} sections are left out"
    with st.expander(f"{said}: what would fill them", key="report-empty"):
        show_table(pd.DataFrame(rows))


def _preview(html: bytes, *, alt: str) -> None:
    """Show a report as its reader sees it, in a frame in which no script runs."""
    with st.container(key="report-preview"):
        st.iframe(framed(html), alt=alt, height=PREVIEW_PX)
