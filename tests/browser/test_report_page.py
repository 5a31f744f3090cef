"""The reports are looked at and taken away as their readers get them."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.browser
FRAME = ".st-key-report-preview iframe"


def taken(page: Any, name: str) -> bytes:
    """Press a button and return the file it gives."""
    with page.expect_download(timeout=120_000) as waiting:
        page.get_by_role("button", name=name, exact=True).click()
    return bytes(waiting.value.path().read_bytes())


def test_the_letter_is_shown_and_taken_away(visit: Callable[..., Any], app: Any) -> None:
    """On a tablet the letter stands in its frame, and comes as PDF and as one HTML file without script."""
    watched = visit(820, 1180)
    page = watched.open(app.address("report", "semi_on_a_slope"))
    watched.settle()
    frame = page.frame_locator(FRAME)
    expect(frame.get_by_role("heading", name="Damp in your home: what we found")).to_be_visible(
        timeout=90_000
    )
    expect(frame.get_by_role("heading", name="Who to call")).to_be_attached()
    assert taken(page, "Letter, PDF").startswith(b"%PDF")
    html = taken(page, "Letter, HTML")
    assert html.startswith(b"<!DOCTYPE html>")
    assert b"<script" not in html


def test_the_full_report_leads_to_its_records(visit: Callable[..., Any], app: Any) -> None:
    """A link of the shown report goes to its record's row; the pack has every file with the hash of each."""
    watched = visit()
    page = watched.open(app.address("report", "semi_on_a_slope"))
    watched.settle()
    page.get_by_role("radio", name="Full report").click()
    watched.settle()
    frame = page.frame_locator(FRAME)
    expect(frame.get_by_role("heading", name="Every record, in words")).to_be_attached(timeout=120_000)
    link = frame.locator('a[href^="#record-"]').first
    target = link.get_attribute("href")
    link.click()
    expect(frame.locator(f"tr{target}")).to_be_in_viewport()
    pack = zipfile.ZipFile(io.BytesIO(taken(page, "All files, ZIP")))
    names = set(pack.namelist())
    assert {
        "report.pdf",
        "report.html",
        "letter.pdf",
        "letter.html",
        "quantities.xlsx",
        "manifest.json",
    } <= names
    told = json.loads(pack.read("manifest.json"))
    assert {entry["name"] for entry in told["files"]} == names - {"manifest.json"}
