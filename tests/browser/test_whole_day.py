"""A whole day on a new site: begun, drawn, walked, typed, levelled, photographed, tested, closed down, handed on."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser
SLOW_MS = 90_000


class Day:
    """One visitor's day on one site."""

    def __init__(self, watched: Any, workspace: Any) -> None:
        self.watched, self.page, self.store = watched, watched.page, workspace.store
        self.served = workspace.served
        self.site_id = ""

    def to(self, page: str) -> Page:
        """Open a page of the site and wait until it stands still."""
        self.watched.open(self.served.address(page, self.site_id))
        self.still()
        return self.page

    def still(self) -> None:
        """Wait until the server has nothing left to say, and the page has drawn it."""
        self.watched.settle()
        self.page.wait_for_timeout(400)
        self.watched.settle()

    def of(self, kind: str) -> tuple[Any, ...]:
        """Return the records of a kind as the workspace has them."""
        return self.store.site(self.site_id).of(kind)

    def wait(self, true: Callable[[], bool]) -> None:
        """Wait until something is so in the workspace."""
        for _ in range(300):
            if true():
                return
            self.page.wait_for_timeout(100)
        raise AssertionError("it did not come about")

    def type_lines(self, first: str, lines: list[list[str]]) -> None:
        """Type lines into the grid from its first blank cell of a column."""
        grid = self.page.locator(f'tr:has(td.sign:not([data-state="saved"])) input[data-column="{first}"]')
        grid.first.click()
        for cells in lines:
            for i, cell in enumerate(cells):
                if cell:
                    self.page.keyboard.type(cell)
                self.page.keyboard.press("Enter" if i == len(cells) - 1 else "Tab")


def picture() -> bytes:
    """Return a small JPEG."""
    out = io.BytesIO()
    Image.new("RGB", (80, 60), (90, 120, 90)).save(out, format="JPEG")
    return out.getvalue()


def test_the_whole_day_goes_out_as_a_folder_and_comes_back_equal(
    visit: Callable[..., Any], workspace: Any, tmp_path: Path
) -> None:
    """Every step is in the workspace as it was entered; the folder brought in again is the same site."""
    day = Day(visit(1440, 1100), workspace)
    _begin(day)
    _draw(day)
    _walk(day)
    _type(day)
    _level(day)
    _photograph(day)
    _test(day)
    page = day.to("before-you-leave")
    expect(page.get_by_text("not known").first).to_be_visible(timeout=SLOW_MS)
    page = day.to("")
    expect(page.locator('iframe[title="streamlit_folium.st_folium"]')).to_be_visible(timeout=SLOW_MS)
    page = day.to("site")
    with page.expect_download() as waiting:
        page.get_by_role("button", name="The site as a folder (zip)").click()
    path = tmp_path / "day.zip"
    waiting.value.save_as(path)
    page.get_by_text("Bring in a site folder as a zip").click()
    day.still()
    page.locator('input[type="file"]').set_input_files(path)
    page.get_by_role("button", name="Bring it in").click()
    day.wait(lambda: len(day.store.sites()) == 3)
    other = next(e.site_id for e in day.store.sites() if e.site_id not in (day.site_id, workspace.site_id))
    first, second = (day.store.site(name) for name in (day.site_id, other))
    assert first.records == second.records
    assert first.info == second.info
    photo = first.of("photo")[0]
    assert day.store.file(other, f"photos/{photo.file}") == picture()
    assert day.store.verify() == ()


def _begin(day: Day) -> None:
    page = day.to("site")
    page.get_by_text("Begin a new site").click()
    day.still()
    page.get_by_label("Name on drawings").fill("The corner house")
    page.get_by_role("button", name="Begin", exact=True).click()
    day.wait(lambda: any(entry.name == "The corner house" for entry in day.store.sites()))
    day.site_id = next(entry.site_id for entry in day.store.sites() if entry.name == "The corner house")


def _draw(day: Day) -> None:
    page = day.to("draw")
    page.get_by_label("Lengths and turns").fill("8 r 6.5 r 8 r 6.5")
    page.get_by_label("Lengths and turns").press("Tab")
    day.still()
    page.get_by_role("button", name="Draw it").click()
    day.wait(lambda: len(day.of("building")) == 1)
    page = day.to("type-in")
    _sheet(day, "Gullies")
    day.type_lines("id", [["G1", "3.20", "0.20", "sound", "seen", "", "", "", "", ""]])
    _sheet(day, "Downpipes")
    day.type_lines("id", [["D1", "3.60", "0.05", "sound", "seen", "68", "24", "", "G1"]])
    day.wait(lambda: len(day.of("gully")) == 1 and len(day.of("downpipe")) == 1)
    assert day.of("gully")[0].chainage_m == 3.2


def _sheet(day: Day, title: str) -> None:
    page = day.page
    page.get_by_role("combobox", name="What", exact=True).click()
    page.keyboard.type(title)
    page.get_by_role("option", name=title, exact=True).click()
    day.still()


def _walk(day: Day) -> None:
    page = day.to("walk")
    page.locator("button", has_text="done").first.click(timeout=SLOW_MS)
    day.wait(lambda: len(day.of("stop_mark")) == 1)
    assert day.of("stop_mark")[0].state == "done"
    page.locator("button", has_text="no access").nth(2).click()
    day.wait(lambda: len(day.of("stop_mark")) == 2)


def _type(day: Day) -> None:
    day.to("type-in")
    _sheet(day, "Readings along a face")
    first = ["F1", "A", "inside", "Resistance, two pins, on masonry or plaster", "PIN-9", "brick"]
    lines = [[*first, "0.5", "0.1", "61"], ["1.0", "", ">100"], ["1.5", "", "44"]]
    day.type_lines("face", lines)
    day.wait(lambda: len(day.of("reading")) == 3)
    assert [reading.value for reading in day.of("reading")] == ["61", ">100", "44"]
    day.still()
    page = day.page
    for name, text in (("unread-from", "4"), ("unread-to", "5.5")):
        box = page.locator(f".st-key-{name} input").last
        box.fill(text)
        box.press("Enter")
        day.still()
    page.get_by_role("button", name="Could not get to it").click()
    day.wait(lambda: len(day.of("unread_length")) == 1)
    assert day.of("unread_length")[0].state == "no_access"


def _level(day: Day) -> None:
    page = day.to("levels")
    page.locator('input[data-column="setup_id"]').first.click()
    keys = page.keyboard
    for cells in (["S1", "temp", "", "1.482", "", "", "10"], ["gully rim", "G1", "", "1.697"]):
        for i, cell in enumerate(cells):
            if cell:
                keys.type(cell)
            keys.press("Enter" if i == len(cells) - 1 else "Tab")
    day.wait(lambda: len(day.of("level")) == 2)
    assert [(level.backsight_m, level.intermediate_sight_m) for level in day.of("level")] == [
        (1.482, None),
        (None, 1.697),
    ]


def _photograph(day: Day) -> None:
    page = day.to("photos")
    page.locator('input[type="file"]').set_input_files(
        [{"name": "gully.jpg", "mimeType": "image/jpeg", "buffer": picture()}]
    )
    day.wait(lambda: len(day.of("photo")) == 1)
    assert day.store.file(day.site_id, f"photos/{day.of('photo')[0].file}") == picture()


def _test(day: Day) -> None:
    page = day.to("tests")
    for box, option in (("Which test", "hose or poured water"), ("Water is put in at", "G1"),
                        ("What came of it", "it did not show")):  # fmt: skip
        day.watched.choose(box, option)
    for label, text in (("Bucket, l", "10"), ("filled in, s", "40"), ("Water put in, l", "20")):
        cell = page.get_by_role("textbox", name=label, exact=True)
        cell.fill(text)
        cell.press("Enter")
        day.still()
    page.get_by_role("button", name="Keep the test").click()
    day.wait(lambda: len(day.of("trial")) == 1)
    assert day.of("trial")[0].source_id == "G1"
