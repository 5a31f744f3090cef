"""Typing readings by keyboard, and nothing typed is lost."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

FIRST = ["F1", "A", "inside", "Resistance, two pins, on masonry or plaster", "PIN-9", "brick"]


def lines_saved(page: Page, count: int) -> None:
    """Wait until so many lines say they are saved."""
    expect(page.locator('td.sign[data-state="saved"]')).to_have_count(count, timeout=60_000)


def to_first_blank(page: Page) -> None:
    """Wait until the grid is there with the first blank cell under the cursor."""
    page.wait_for_function(
        "() => { const host = [...document.querySelectorAll('*')].find(e => e.shadowRoot &&"
        " e.shadowRoot.querySelector('.wf-grid'));"
        " const at = host && host.shadowRoot.activeElement;"
        " return at && at.dataset.column === 'face' && at.value === ''; }"
    )


def type_cells(page: Page, cells: list[str], end: str) -> None:
    """Type cells with the tabulator between them."""
    for i, cell in enumerate(cells):
        page.keyboard.type(cell)
        page.keyboard.press(end if i == len(cells) - 1 else "Tab")


def test_ninety_readings_are_typed_without_the_mouse(visit: Callable[..., Any], workspace: Any) -> None:
    """Face, meter and material once, then distance, height, value, line after line; off-scale as >100."""
    before = workspace.store.site(workspace.site_id).of("reading")
    watched = visit()
    page = watched.open(workspace.address("type-in"))
    to_first_blank(page)
    wanted = []
    for i in range(90):
        distance, height, value = (
            f"{0.1 * i + 0.2:.2f}",
            ("0.1", "0.6", "1.2")[i % 3],
            ">100" if i % 9 == 0 else f"{i}",
        )
        wanted.append((float(distance), float(height), value))
        type_cells(page, ([*FIRST] if i == 0 else []) + [distance, height, value], "Enter")
    lines_saved(page, 12 + 90)
    after = workspace.store.site(workspace.site_id).of("reading")
    typed = [record for record in after if record not in before]
    assert after[: len(before)] == before
    assert [(r.distance_m, r.height_m, r.value) for r in typed] == wanted
    assert {(r.face, r.corner, r.side, r.instrument, r.material) for r in typed} == {
        ("F1", "A", "inside", "PIN-9", "brick")
    }


def test_what_is_wrong_stands_beside_its_cell_and_is_saved_once_mended(
    visit: Callable[..., Any], workspace: Any
) -> None:
    """A wrong height is not saved, says why, stays as typed, and is saved when it is put right."""
    before = len(workspace.store.site(workspace.site_id).of("reading"))
    watched = visit()
    page = watched.open(workspace.address("type-in"))
    to_first_blank(page)
    type_cells(page, [*FIRST, "0.5", "150", "33"], "Enter")
    message = page.locator("td.wrong .message")
    expect(message).to_contain_text("0 to 30")
    assert "0.150" in message.inner_text()
    assert len(workspace.store.site(workspace.site_id).of("reading")) == before
    cell = page.locator("td.wrong input")
    expect(cell).to_have_value("150")
    cell.fill("0.15")
    cell.press("Enter")
    lines_saved(page, 13)
    assert workspace.store.site(workspace.site_id).of("reading")[-1].height_m == 0.15


def test_a_line_not_yet_whole_survives_the_browser_being_closed(
    visit: Callable[..., Any], workspace: Any
) -> None:
    """What is typed is kept in the browser until the workspace has it: a reload brings it back."""
    watched = visit()
    page = watched.open(workspace.address("type-in"))
    to_first_blank(page)
    type_cells(page, [*FIRST, "0.75", "0.3"], "Tab")
    page.reload()
    page.locator(".wf-title").first.wait_for()
    cell = page.locator('input[data-column="distance_m"]')
    page.wait_for_function(
        "() => [...document.querySelectorAll('*')].some(e => e.shadowRoot && [...e.shadowRoot"
        ".querySelectorAll('input[data-column=\"distance_m\"]')].some(i => i.value === '0.75'))"
    )
    row = page.locator("tr", has=page.locator('input[data-column="distance_m"]')).filter(
        has=page.locator('td.sign[data-state="part"], td.sign[data-state="typed"]')
    )
    value = row.first.locator('input[data-column="value"]')
    value.fill("41")
    value.press("Enter")
    lines_saved(page, 13)
    last = workspace.store.site(workspace.site_id).of("reading")[-1]
    assert (last.distance_m, last.height_m, last.value, last.face) == (0.75, 0.3, "41", "F1")
    assert cell.count() >= 13


def test_lines_pasted_from_a_spreadsheet_are_saved_in_order(
    visit: Callable[..., Any], workspace: Any
) -> None:
    """Cells copied from a spreadsheet come as tabs and lines."""
    watched = visit()
    page = watched.open(workspace.address("type-in"))
    to_first_blank(page)
    rows = ["\t".join([*FIRST, f"{0.3 * i:.1f}", "0.1", str(10 + i)]) for i in range(40)]
    page.evaluate(
        """(text) => {
          const host = [...document.querySelectorAll('*')].find(e => e.shadowRoot
            && e.shadowRoot.querySelector('.wf-grid'));
          const at = host.shadowRoot.activeElement, data = new DataTransfer();
          data.setData('text', text);
          at.dispatchEvent(new ClipboardEvent('paste',
            {clipboardData: data, bubbles: true, cancelable: true, composed: true}));
        }""",
        "\n".join(rows),
    )
    lines_saved(page, 12 + 40)
    values = [record.value for record in workspace.store.site(workspace.site_id).of("reading")[-40:]]
    assert values == [str(10 + i) for i in range(40)]


def test_two_people_on_one_reading_see_both_versions(visit: Callable[..., Any], workspace: Any) -> None:
    """What somebody else saved meanwhile is never overwritten: both are shown, one is chosen."""
    from geo.store.changes import Put

    watched = visit()
    page = watched.open(workspace.address("type-in"))
    to_first_blank(page)
    last = workspace.store.site(workspace.site_id).of("reading")[-1]
    base = workspace.store.versions(workspace.site_id)[last.id]
    other = last.model_copy(update={"value": "77"})
    workspace.store.save(workspace.site_id, [Put(other, base)], by="assistant")
    cell = page.locator("tr", has=page.locator('td.sign[data-state="saved"]')).last.locator(
        'input[data-column="value"]'
    )
    cell.fill("55")
    cell.press("Enter")
    expect(page.get_by_text("Yours is not saved")).to_be_visible()
    assert workspace.store.site(workspace.site_id).of("reading")[-1].value == "77"
    page.get_by_role("button", name="Keep mine").click()
    expect(page.get_by_text("Yours is not saved")).to_have_count(0)
    assert workspace.store.site(workspace.site_id).of("reading")[-1].value == "55"
    told = [event.by for event in workspace.store.history(workspace.site_id, last.id)]
    assert told == ["surveyor", "assistant", "surveyor"]


def test_a_line_taken_out_can_be_put_back(visit: Callable[..., Any], workspace: Any) -> None:
    """A wrong click loses nothing: the record goes, its history stays."""
    watched = visit()
    page = watched.open(workspace.address("type-in"))
    to_first_blank(page)
    last = workspace.store.site(workspace.site_id).of("reading")[-1]
    page.keyboard.press("ArrowUp")
    page.keyboard.press("Control+Backspace")
    lines_saved(page, 11)
    for _ in range(100):
        if last not in workspace.store.site(workspace.site_id).of("reading"):
            break
        page.wait_for_timeout(100)
    assert last not in workspace.store.site(workspace.site_id).of("reading")
    version = workspace.store.history(workspace.site_id, last.id)[0].save_id
    workspace.store.restore(workspace.site_id, last.id, version, by="surveyor")
    assert last in workspace.store.site(workspace.site_id).of("reading")
