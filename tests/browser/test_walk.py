"""The walk on a tablet: every stop is there, one tap marks it, and nothing tapped is lost."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from geo.store.changes import Put
from geo.walk.live import latest_marks
from geo.walk.marks import mark_id

pytestmark = pytest.mark.browser

STOP = "set_up:air"
TABLET = (820, 1180)
LEAST_PX = 42


def row(page: Page, stop: str) -> Any:
    """Return the row of a stop."""
    return page.locator(f'.row[data-id="{stop}"]')


def button(page: Page, stop: str, state: str) -> Any:
    """Return the button that marks a stop."""
    return row(page, stop).locator(f'button[data-state="{state}"]')


def marks_in(workspace: Any) -> dict[str, str]:
    """Return the marks that count in the workspace."""
    return latest_marks(workspace.store.site(workspace.site_id).of("stop_mark"))


def saved(page: Page, stop: str) -> None:
    """Wait until the time stands beside a mark."""
    expect(row(page, stop).locator(".when")).to_have_text(re.compile(r"^\d\d:\d\d$"))


def test_a_stop_is_marked_and_unmarked_by_one_tap_and_the_history_is_kept(
    visit: Callable[..., Any], workspace: Any
) -> None:
    """A tap is saved with its time, another state replaces it, the same again takes it off: three events."""
    watched = visit(*TABLET)
    page = watched.open(workspace.address("walk"))
    row(page, STOP).wait_for()
    watched.settle()
    before = marks_in(workspace)
    assert STOP not in before
    stops = page.locator(".row").count()
    expect(page.get_by_role("button", name=f"All {stops}")).to_be_visible()
    for act in page.locator(".acts button").all()[:9]:
        assert act.bounding_box()["height"] >= LEAST_PX

    button(page, STOP, "done").click()
    expect(button(page, STOP, "done")).to_have_attribute("aria-pressed", "true")
    saved(page, STOP)
    mark = next(mark for mark in workspace.store.site(workspace.site_id).of("stop_mark") if mark.stop == STOP)
    assert (mark.state, mark.marked_at[:10]) == ("done", datetime.now().astimezone().date().isoformat())

    page.get_by_role("button", name="Still to do").click()
    expect(row(page, STOP)).to_be_hidden()
    hidden = page.locator(".row[hidden]").count()
    expect(page.get_by_role("button", name=f"Still to do {stops - hidden} (hides {hidden})")).to_be_visible()
    page.get_by_role("button", name=f"All {stops}").click()
    expect(page.locator(".row[hidden]")).to_have_count(0)

    button(page, STOP, "no_access").click()
    expect(button(page, STOP, "done")).to_have_attribute("aria-pressed", "false")
    page.wait_for_timeout(300)
    saved(page, STOP)
    watched.settle()
    assert marks_in(workspace) == {**before, STOP: "no_access"}
    button(page, STOP, "no_access").click()
    expect(row(page, STOP).locator(".when")).to_have_text("")
    assert marks_in(workspace) == before
    said = [event.now and event.now.state for event in workspace.store.history(workspace.site_id, mark.id)]
    assert said == ["done", "no_access", None]


def test_taps_made_while_another_writes_are_kept_and_a_rival_mark_is_shown(
    visit: Callable[..., Any], workspace: Any
) -> None:
    """Five quick taps are all saved; a stop somebody else marked meanwhile is shown both ways, not overwritten."""
    watched = visit(*TABLET)
    page = watched.open(workspace.address("walk"))
    row(page, STOP).wait_for()
    watched.settle()
    others = page.locator('.row[data-state=""] button[data-state="done"]')
    quick = [
        page.locator('.row:not([data-state="settled"])').nth(place).get_attribute("data-id")
        for place in range(6, 11)
    ]
    assert others.count() > len(quick)
    for stop in quick:
        button(page, stop, "done").click()
    for stop in quick:
        saved(page, stop)
    assert {marks_in(workspace)[stop] for stop in quick} == {"done"}

    theirs = (
        workspace.store.site(workspace.site_id)
        .of("stop_mark")[-1]
        .model_copy(update={"id": mark_id(STOP), "stop": STOP, "state": "no_access"})
    )
    workspace.store.save(workspace.site_id, [Put(theirs)], by="assistant")
    button(page, STOP, "done").click()
    mine = page.get_by_role("button", name="Keep mine")
    mine.wait_for()
    assert marks_in(workspace)[STOP] == "no_access"
    mine.click()
    expect(button(page, STOP, "done")).to_have_attribute("aria-pressed", "true")
    expect(mine).to_have_count(0)
    watched.settle()
    assert marks_in(workspace)[STOP] == "done"


def test_half_a_day_says_what_is_then_not_known_and_the_sheet_is_a_pdf(
    visit: Callable[..., Any], workspace: Any
) -> None:
    """Half a day names what to leave out; marking it leaves it in the list; the sheets are made when asked for."""
    watched = visit(*TABLET)
    page = watched.open(workspace.address("walk"))
    row(page, STOP).wait_for()
    watched.settle()
    stops = page.locator(".row").count()
    page.get_by_text("half a day", exact=True).click()
    leave = page.get_by_role("button", name=re.compile(r"Mark these \d+ as left out"))
    leave.wait_for()
    count = int(re.search(r"\d+", leave.inner_text()).group())
    expect(page.locator(".row .note", has_text="left out to be in time")).to_have_count(count)
    before = marks_in(workspace)
    leave.click()
    expect(page.get_by_text("Nothing need be left out.")).to_be_visible()
    after = marks_in(workspace)
    assert sum(state == "left_out" for state in after.values()) == count
    assert {stop: after[stop] for stop in before} == before
    expect(page.locator(".row")).to_have_count(stops)
    with page.expect_download() as given:
        page.get_by_role("button", name="The sheets, PDF").click()
    assert given.value.path().read_bytes().startswith(b"%PDF")


def test_before_leaving_each_gap_leads_to_where_it_is_mended(
    visit: Callable[..., Any], workspace: Any
) -> None:
    """What endangers people comes first and is marked done in place; readings that cannot be judged lead to the dry references."""
    watched = visit(*TABLET)
    page = watched.open(workspace.address("before-you-leave"))
    first = page.locator(".row").first
    first.wait_for()
    watched.settle()
    covers = row(page, "close_down:covers")
    count = page.locator(".row").count()
    assert first.get_attribute("data-id").startswith("close_down:")
    covers.locator('button[data-state="done"]').click()
    expect(covers).to_have_count(0)
    expect(page.locator(".row")).to_have_count(count - 1)
    page.locator(".row", has_text="neither wet nor dry").first.get_by_role("button", name="Type in").click()
    expect(page).to_have_url(re.compile("/type-in"))
    expect(page.locator(".wf-title")).to_have_text("Type it in")
    expect(page.get_by_role("combobox", name="What")).to_have_value("Dry references")
    assert f"site={workspace.site_id}" in page.url


def test_a_folder_is_shown_and_nothing_in_it_can_be_marked(visit: Callable[..., Any], app: Any) -> None:
    """A site that is only looked at has every stop of its walk, and not one button that marks."""
    watched = visit(*TABLET)
    page = watched.open(app.address("walk", "semi_on_a_slope"))
    page.locator(".row").first.wait_for()
    assert page.locator(".row").count() > 50
    assert page.locator(".acts button").count() == 0
    expect(page.get_by_role("button", name="Take a copy into the workspace")).to_be_visible()


def test_a_tap_the_browser_still_holds_is_saved_when_the_page_is_opened_again(
    visit: Callable[..., Any], workspace: Any
) -> None:
    """A tablet that died before its tap was saved has kept it: it is saved with the time it was made."""
    watched = visit(*TABLET)
    page = watched.open(workspace.address("walk"))
    row(page, STOP).wait_for()
    watched.settle()
    page.evaluate(
        "([name, stop]) => localStorage.setItem(name, JSON.stringify("
        "[{seq: 1, stop, state: 'left_out', made: Date.now() - 2 * 24 * 3600 * 1000}]))",
        [f"wallfoot-taps:walk-{workspace.site_id}", STOP],
    )
    page.reload()
    row(page, STOP).wait_for()
    expect(button(page, STOP, "left_out")).to_have_attribute("aria-pressed", "true")
    when = row(page, STOP).locator(".when")
    expect(when).to_have_text(re.compile(r"^\d{4}-\d\d-\d\d \d\d:\d\d$"))
    watched.settle()
    assert marks_in(workspace)[STOP] == "left_out"
    mark = workspace.store.site(workspace.site_id).of("stop_mark")[-1]
    age = datetime.now().astimezone() - datetime.fromisoformat(mark.marked_at)
    assert 2.0 <= age.total_seconds() / 86_400 < 2.01
    assert (
        page.evaluate("(name) => localStorage.getItem(name)", f"wallfoot-taps:walk-{workspace.site_id}")
        is None
    )
