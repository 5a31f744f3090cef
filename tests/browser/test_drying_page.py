"""Following the drying as one does on site: pick a point, read it, see what changes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.browser


def test_a_point_is_read_and_its_date_moves(visit: Callable[..., Any], workspace: Any) -> None:
    """DR1 is "not before 29 May"; a wrong value is refused and stays typed; two more readings are kept."""
    watched = visit(820, 1180)
    page = watched.open(workspace.address("drying"))
    watched.settle()
    page.get_by_role("radio", name="DR1 · not met").click()
    watched.settle()
    said = page.locator(".st-key-drying-said")
    expect(said).to_contain_text("not before day 43 (29 May 2026); latest date not known")
    expect(said).to_contain_text("near day 70 (25 June 2026)")
    expect(page.locator(".st-key-fitted-drying iframe")).to_be_visible()
    page.get_by_text("Read the points now").click()
    watched.settle()
    when = page.get_by_role("textbox", name="When")
    when.fill("2026-05-21T11:30")
    first = page.get_by_role("textbox", name="DR1, % mass")
    first.fill("4,4")
    page.get_by_role("button", name="Keep the readings").click()
    watched.settle()
    expect(page.get_by_text("Nothing is kept yet; what you typed is still here.")).to_be_visible(
        timeout=30_000
    )
    expect(first).to_have_value("4,4")
    first.fill("4.4")
    page.get_by_role("textbox", name="DR9, % mass").fill("2.4")
    page.get_by_role("button", name="Keep the readings").click()
    expect(page.get_by_text("2 readings are kept.")).to_be_visible(timeout=90_000)
    kept = [
        record
        for record in workspace.store.site(workspace.site_id).of("reading")
        if record.id.startswith("DR")
    ]
    assert {(record.point_id, record.value) for record in kept} == {("DR1", "4.4"), ("DR9", "2.4")}
    watched.settle()
    page.get_by_role("radio", name="DR1 · not met").click()
    watched.settle()
    expect(page.locator(".st-key-drying-said")).to_contain_text("Now 4.4 against 3.4")


def test_the_tables_and_drawings_can_be_taken_away(visit: Callable[..., Any], app: Any) -> None:
    """All points in one drawing, as SVG and PNG; the points as a table."""
    watched = visit()
    page = watched.open(app.address("drying", "semi_on_a_slope"))
    watched.settle()
    page.get_by_role("radio", name="All points").click()
    watched.settle()
    for name, begins in (("Drawing as SVG", b"<svg"), ("Drawing as PNG", b"\x89PNG"), ("Points", b"point")):
        with page.expect_download() as waiting:
            page.get_by_role("button", name=name, exact=True).click()
        path = waiting.value.path()
        assert path.read_bytes().removeprefix(b"\xef\xbb\xbf").startswith(begins)
