"""The reports of a site and their files, kept by the data they were made from."""

# ruff: noqa: ARG001 - an argument that is only hashed is the key

from __future__ import annotations

import streamlit as st

from app import cache, cache_causes, cache_drying, cache_works
from geo.draw.scene import Scene
from geo.errors import WallfootError
from geo.exchange.setting_out import pack_zip
from geo.findings.drains import Drains
from geo.findings.examine import Findings
from geo.report.full import full_report
from geo.report.letter import letter_of
from geo.report.pack import quantity_files, report_files
from geo.report.parts import Document
from geo.report.render_html import report_html
from geo.report.render_pdf import report_pdf
from geo.report.source import Source, gather
from geo.works.whole import Works


def source(found: Findings, scene: Scene) -> Source:
    """Return what the reports of a site are written from, gathered once for its data."""
    return _source(found.site.digest, found, scene)


@st.cache_resource(show_spinner="gathering what the report rests on", max_entries=cache.MOST_KEPT)
def _source(digest: str, _found: Findings, _scene: Scene) -> Source:
    works = cache_works.works(_found)
    return gather(
        _found,
        drains=_drains(digest, _found),
        scene=_scene,
        ledger=cache_causes.ledger(_found),
        drying=cache_drying.drying(_found),
        works=works if isinstance(works, Works) else None,
    )


def _drains(digest: str, found: Findings) -> Drains | None:
    """Return the drains already laid out for the other pages; none where they cannot be."""
    try:
        return cache.drains(digest, found)
    except WallfootError:
        return None


@st.cache_resource(show_spinner="writing the letter", max_entries=cache.MOST_KEPT)
def letter(digest: str, _source: Source) -> tuple[Document, bytes, bytes]:
    """Return the letter, as PDF and as HTML."""
    document, pdf = letter_of(_source)
    return document, pdf, report_html(document)


@st.cache_resource(show_spinner="writing the report", max_entries=cache.MOST_KEPT)
def report(digest: str, _source: Source) -> tuple[Document, bytes]:
    """Return the full report, and as HTML."""
    document = full_report(_source)
    return document, report_html(document)


@st.cache_resource(show_spinner="setting the pages", max_entries=cache.MOST_KEPT)
def pdf(digest: str, _document: Document) -> bytes:
    """Return the full report as PDF."""
    return report_pdf(_document)


@st.cache_resource(show_spinner=False, max_entries=cache.MOST_KEPT)
def quantities(digest: str, _source: Source) -> dict[str, bytes]:
    """Return the quantities as files; none where there is nothing to measure."""
    return quantity_files(_source)


@st.cache_resource(show_spinner="packing everything", max_entries=cache.MOST_KEPT)
def whole(digest: str, _source: Source) -> bytes:
    """Return every file of the reports as one zip, with their hashes."""
    return pack_zip(report_files(_source))
