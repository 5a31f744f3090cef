"""What feeds a wet stretch, disagreed with and decided upon; and the log of tests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from geo.evidence.ledger import Ledger, ledger_of
from geo.findings.check import read_checked
from geo.findings.examine import examine

pytestmark = pytest.mark.browser


def page_option(workspace: Any, save_id: int) -> str:
    """Return a save as the page offers it."""
    save = next(one for one in workspace.store.saves(workspace.site_id) if one.save_id == save_id)
    why = f" · {save.why}" if save.why else ""
    return f"save {save.save_id} · {save.at:%Y-%m-%d %H:%M} UTC · {save.by}{why}"


@pytest.fixture(scope="module")
def ledger() -> Ledger:
    """The ledger of the demo site, worked out here as well."""
    return ledger_of(examine(read_checked(Path("demo_sites/semi_on_a_slope"))))


def test_a_stretch_is_read_line_by_line(visit: Callable[..., Any], app: Any, ledger: Ledger) -> None:
    """The most unexplained comes first; the next test, causes with their evidence and the band are there."""
    watched = visit()
    page = watched.open(app.address("causes", "semi_on_a_slope"))
    watched.settle()
    first = ledger.by_unexplained[0]
    chosen = page.get_by_role("radio", checked=True)
    expect(page.locator(".wf-lead")).to_have_text(first.said[:1].upper() + first.said[1:])
    expect(page.locator(".wf-said").filter(has_text=first.coverage.said)).to_be_visible()
    expect(page.locator(".wf-next h3").first).to_contain_text(f"Next at {first.stretch_id}")
    expect(chosen).to_have_count(1)
    frame = page.frame_locator(".st-key-fitted-causes iframe")
    expect(frame.locator("svg title").first).to_contain_text(f"Causes of {first.stretch_id}")
    # Another stretch, and what speaks for its best supported cause.
    other = next(each for each in ledger.stretches if each.pairs and each.stretch_id != first.stretch_id)
    page.get_by_role("radiogroup").get_by_text(other.stretch_id, exact=True).click()
    watched.settle()
    expect(page.locator(".wf-lead")).to_have_text(other.said[:1].upper() + other.said[1:])
    assert f"stretch={other.stretch_id}" in page.url
    best = next(each for each in other.sources if each.key in other.accepted)
    cause = page.locator("details.wf-cause").filter(has_text=best.short).first
    expect(cause.locator(".wf-word")).to_contain_text(best.word)
    cause.locator("summary").click()
    expect(cause.locator(".wf-more li").first).to_contain_text(best.speaks_for[0].label)
    expect(page.get_by_text("not chances", exact=False)).to_be_visible()
    assert "%" not in page.locator(".wf-kinds").inner_text().replace("% RH", "").replace(" % ", "")


def test_a_decision_is_kept_with_its_reason_and_moves_no_points(
    visit: Callable[..., Any], workspace: Any, ledger: Ledger
) -> None:
    """Set aside without a reason is refused; with one it is kept as a record, and the word stays."""
    watched = visit()
    stretch = next(each for each in ledger.stretches if each.accepted)
    page = watched.open(f"{workspace.address('causes')}&stretch={stretch.stretch_id}")
    watched.settle()
    best = stretch.supports[0]
    cause = page.locator("details.wf-cause").filter(has_text=best.short).first
    expect(cause).to_have_class("wf-cause wf-yes")
    before = cause.locator(".wf-points").inner_text()
    page.get_by_role("button", name="Set aside").click()
    watched.settle()
    expect(page.get_by_text("a decision without a reason is not kept")).to_be_visible()
    why = page.get_by_role("textbox", name="Why").first
    why.fill("seen dry <b>twice</b>")
    why.press("Tab")
    watched.settle()
    page.get_by_role("button", name="Set aside").click()
    expect(page.locator(".wf-table").filter(has_text="seen dry <b>twice</b>")).to_be_visible(timeout=90_000)
    watched.settle()
    kept = workspace.store.site(workspace.site_id).of("hypothesis")[-1]
    assert (kept.cause, kept.of_id, kept.state) == (
        best.candidate.cause, best.candidate.of_id, "set_aside"
    )  # fmt: skip
    assert kept.reason == "seen dry <b>twice</b>"
    cause = page.locator("details.wf-cause").filter(has_text=best.short).first
    expect(cause).to_have_class("wf-cause")
    assert cause.locator(".wf-points").inner_text() == before
    # Held against the save before it, the decision is all that moved.
    page.get_by_text("What changed since an earlier state of the site").click()
    watched.settle()
    watched.choose("As it stood after", page_option(workspace, 1))
    told = page.locator('[data-testid="stText"]').filter(has_text=f"{stretch.stretch_id}: ")
    expect(told.first).to_contain_text(f"no longer: {best.short}", timeout=90_000)


def test_every_test_says_what_it_moved(visit: Callable[..., Any], app: Any, ledger: Ledger) -> None:
    """A test that could not have shown moved nothing, and says what to pour next time; it fits a tablet."""
    watched = visit(820, 1180)
    page = watched.open(app.address("test-log", "semi_on_a_slope"))
    watched.settle()
    rows = page.locator(".wf-table tbody tr")
    expect(rows).to_have_count(len(ledger.trials))
    short = rows.filter(has_text="TR4")
    expect(short).to_contain_text("no information")
    expect(short).to_contain_text("nothing")
    expect(short).to_contain_text("Pour")
    wide = page.evaluate("() => document.documentElement.scrollWidth - window.innerWidth")
    assert wide <= 0
