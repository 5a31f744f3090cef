"""The works measured, put in order and recorded, as a contractor and a surveyor read them."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser


def text_box(page: Page, name: str) -> Any:
    """Return a text box by its label."""
    return page.get_by_role("textbox", name=name, exact=True)


def pick(watched: Any, box: str, typed: str, option: str) -> None:
    """Choose from a box by what is typed into it, once the page stands still."""
    watched.settle()
    found = watched.page.get_by_role("combobox", name=box, exact=True)
    expect(found).to_have_count(1, timeout=120_000)
    found.click()
    found.fill(typed)
    watched.page.get_by_role("option").filter(has_text=option).first.click()
    watched.settle()


def test_quantities_order_and_files_of_a_folder(visit: Callable[..., Any], app: Any, tmp_path: Path) -> None:
    """Each repair with its formula; the drawing; the workbook as downloaded; nothing to record in a folder."""
    watched = visit()
    page = watched.open(app.address("works", "semi_on_a_slope"))
    watched.settle()
    table = page.locator(".wf-works").first
    expect(table).to_contain_text("RP1", timeout=60_000)
    expect(table).to_contain_text("⌈5.2 m / 1.8 m⌉ + 1")
    expect(page.get_by_text("work done are recorded on a copy in the workspace")).to_be_visible()
    expect(page.get_by_role("button", name="Take a copy into the workspace")).to_be_visible()
    page.get_by_text("Only what is missing or unsure").click()
    watched.settle()
    expect(page.locator(".wf-works tr.unknown").first).to_contain_text("not known")
    with page.expect_download() as taken:
        page.get_by_role("button", name="All tables, XLSX").click()
    taken.value.save_as(tmp_path / "works.xlsx")
    book = openpyxl.load_workbook(io.BytesIO((tmp_path / "works.xlsx").read_bytes()))
    assert "quantities" in book.sheetnames
    page.get_by_role("radio", name="Order").click()
    watched.settle()
    frame = page.frame_locator("iframe").first
    expect(frame.locator("svg")).to_contain_text("Order of the works, Semi on a slope")
    expect(page.get_by_text("May start now", exact=True)).to_be_visible()
    wide = page.evaluate("document.documentElement.scrollWidth")
    assert wide <= 1440


def test_a_narrow_screen_rolls_nothing_but_its_tables(visit: Callable[..., Any], app: Any) -> None:
    """At 820 px the page itself is no wider than the screen."""
    watched = visit(820, 1180)
    page = watched.open(app.address("works", "semi_on_a_slope"))
    watched.settle()
    expect(page.locator(".wf-works").first).to_be_visible(timeout=60_000)
    assert page.evaluate("document.documentElement.scrollWidth") <= 820


def test_a_repair_a_result_and_work_done_are_recorded(visit: Callable[..., Any], workspace: Any) -> None:
    """A proposal kept as dropped is proposed no more; a result without its numbers passes nothing.

    Work done is added to what was done before.
    """
    watched = visit()
    page = watched.open(workspace.address("works"))
    pick(watched, "Repair", "P-R03", "P-R03-GT3")
    expect(page.get_by_text("Proposed by wallfoot: what you keep takes its place")).to_be_visible()
    pick(watched, "stage", "dropped", "dropped")
    page.get_by_role("button", name="Keep the repair").click()
    expect(page.get_by_text("R03-GT3 is kept.")).to_be_visible(timeout=60_000)
    watched.settle()
    expect(page.locator(".wf-works").first).not_to_contain_text("R03-GT3")
    kept = {each.id: each.stage for each in workspace.store.site(workspace.site_id).of("repair")}
    assert kept["R03-GT3"] == "dropped"
    page.get_by_role("radio", name="Hold points").click()
    pick(watched, "Hold point", "HP3", "HP3 RP3")
    pick(watched, "result", "passed", "passed")
    text_box(page, "clear below, mm").fill("165")
    page.get_by_role("button", name="Keep the result").click()
    expect(page.get_by_text("is kept.")).to_be_visible(timeout=60_000)
    watched.settle()
    row = page.locator(".wf-works tr").filter(has_text="HP3")
    expect(row).to_contain_text("not photographed both ways")
    hold = [
        each for each in workspace.store.site(workspace.site_id).of("hold_point") if each.result == "passed"
    ]
    assert {each.clear_below_mm for each in hold} >= {165.0}
    page.get_by_role("radio", name="Done so far").click()
    pick(watched, "Repair", "RP3", "RP3")
    pick(watched, "Quantity", "openings", "openings")
    text_box(page, "Done, number").fill("1")
    text_box(page, "Done, number").press("Enter")
    watched.settle()
    page.get_by_role("button", name="Keep it").click()
    expect(page.get_by_text("is kept.")).to_be_visible(timeout=60_000)
    done = [
        each for each in workspace.store.site(workspace.site_id).of("work_done") if each.repair_id == "RP3"
    ]
    assert sum(each.quantity for each in done) == 2.0
