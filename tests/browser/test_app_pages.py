"""Every page of the app in a browser: its main thing, nothing cut off, nothing lost between pages."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser
DEMO = Path(__file__).parents[2] / "demo_sites"
TITLES = {
    "semi_on_a_slope": "Semi on a slope",
    "three_cottages": "Three cottages",
    "old_school": "Old school",
}
PAGES = {
    "": "Map",
    "strip": "Strip",
    "ground": "Ground",
    "outlets": "Outlets",
    "drains": "Drains",
    "not-known": "Not known",
}
WIDTHS = (820, 1440)
FINGER_PX = 38
CUT_OFF = """() => {
  const page = document.querySelector('[data-testid="stMain"]'), cut = [];
  if (page.scrollWidth > page.clientWidth + 1) { cut.push('the page is wider than the screen'); }
  document.querySelectorAll('.wf-table').forEach(box => {
    if (box.scrollWidth > box.clientWidth + 1) { cut.push('table: ' + box.innerText.slice(0, 60)); }
  });
  document.querySelectorAll('[data-testid="stButtonGroup"] button').forEach(pill => {
    const box = pill.getBoundingClientRect(), frame = pill.parentElement.getBoundingClientRect();
    if (box.right > Math.min(innerWidth, frame.right + 1) || box.left < 0) { cut.push('pill: ' + pill.innerText); }
  });
  return cut;
}"""
SMALL = """least => [...document.querySelectorAll(
  '[data-testid="stTopNavLink"], [data-testid="stButtonGroup"] button, [role="tab"],' +
  '[data-testid="stDownloadButton"] button, [data-testid="stCheckbox"] label, [data-testid="stSelectbox"] input')]
  .filter(part => part.getBoundingClientRect().height < least).map(part => part.outerHTML.slice(0, 120))"""


def see_main_thing(watched: Any, page: str) -> None:
    """Wait for what the page is for."""
    seen = watched.page
    if page == "":
        assert watched.map_frame().locator("path.leaflet-interactive").count() > 50
    elif page == "strip":
        drawing = seen.frame_locator('iframe[title^="Developed strip"]')
        drawing.locator("svg text").filter(has_text="Outside").first.wait_for()
        assert drawing.locator("svg title").count() > 10, "the tips are there"
        seen.get_by_text("Wet stretches").wait_for()
    elif page == "ground":
        drawing = seen.frame_locator('iframe[title^="Falls and clearances"]')
        drawing.locator("svg text").filter(has_text="Face by face").first.wait_for()
        seen.locator(".wf-table tbody tr").nth(5).wait_for()
    elif page == "outlets":
        seen.locator(".wf-card").first.wait_for()
        seen.get_by_text("Outlet by outlet").wait_for()
        seen.locator(".wf-tall tbody tr").nth(3).wait_for()
    elif page == "drains":
        seen.frame_locator('iframe[title="Section along the drain"]').locator("svg text").first.wait_for()
        seen.locator(".wf-table").first.locator("tbody tr").nth(1).wait_for()
    else:
        rows = seen.locator(".wf-table").nth(1).locator("tbody tr")  # what is left over is folded
        rows.nth(3).wait_for()
        seen.get_by_text("minutes on site would end them").wait_for()


@pytest.mark.parametrize("site", TITLES)
@pytest.mark.parametrize("page", PAGES)
def test_page_shows_its_main_thing_whole(app: Any, visit: Callable[..., Any], page: str, site: str) -> None:
    """At a tablet's and a desk's width the page shows what it is for, and nothing on it is cut off."""
    watched = visit(WIDTHS[0], 1180)
    watched.open(app.address(page, site))
    assert watched.page.locator(".wf-title").inner_text() == TITLES[site]
    for width in WIDTHS:
        watched.page.set_viewport_size({"width": width, "height": 1180})
        see_main_thing(watched, page)
        watched.settle()
        watched.page.wait_for_timeout(300)
        assert watched.page.evaluate(CUT_OFF) == []
        assert watched.page.evaluate(SMALL, FINGER_PX) == []
    assert not watched.page.locator('[data-testid="stException"]').count()


def test_site_and_wall_hold_from_page_to_page(app: Any, visit: Callable[..., Any]) -> None:
    """A site chosen on one page, and a wall, are still chosen on the next, and the address says which site."""
    watched = visit()
    page = watched.open(app.address())
    page.locator('[data-testid="stSelectbox"] input').first.click()
    page.get_by_role("option").filter(has_text="three cottages").click()
    page.locator(".wf-title").filter(has_text="Three cottages").wait_for()
    for name in ("Strip", "Ground", "Outlets", "Not known", "Map"):
        page.locator('[data-testid="stTopNavLink"]').filter(has_text=name).click()
        page.wait_for_url("**/*?site=three_cottages")
        watched.settle()
        assert page.locator(".wf-title").inner_text() == "Three cottages"
        if name == "Strip":
            page.locator('[data-testid="stButtonGroup"] button').filter(has_text="CB").click()
            page.locator('iframe[title="Developed strip of CB"]').wait_for()
        if name == "Ground":
            page.locator('iframe[title="Falls and clearances of CB"]').wait_for()


def test_a_wrong_site_in_the_address_is_said(app: Any, visit: Callable[..., Any]) -> None:
    """An address that names no site opens the first one and says that it did."""
    page = visit().open(app.address(site="no_such_house"))
    assert page.locator(".wf-title").inner_text() in TITLES.values()
    page.get_by_text("There is no site no_such_house here.").wait_for()


def test_the_strip_can_be_seen_whole(app: Any, visit: Callable[..., Any]) -> None:
    """The strip at the page's width has no sideways scroll; at reading size it keeps its own width."""
    watched = visit(820, 1180)
    page = watched.open(app.address("strip", "semi_on_a_slope"))
    frame = page.frame_locator('iframe[title^="Developed strip"]')
    wide = frame.locator("svg").first.bounding_box()["width"]
    assert wide > 1500
    page.locator('[data-testid="stButtonGroup"] button').filter(has_text="Whole").click()
    whole = page.frame_locator(".st-key-fitted-strip iframe").locator("svg").first
    whole.wait_for()
    assert 500 < whole.bounding_box()["width"] <= 820


def test_first_load_shows_progress_and_a_bad_folder_its_problems(
    serve: Callable[..., Any], visit: Callable[..., Any], tmp_path: Path
) -> None:
    """The first visit shows how far the work is; a folder that cannot be read lists all that is wrong."""
    shutil.copytree(DEMO / "semi_on_a_slope", tmp_path / "fresh")
    shutil.copytree(DEMO / "semi_on_a_slope", tmp_path / "broken")
    (tmp_path / "empty").mkdir()
    gullies = tmp_path / "broken" / "gullies.csv"
    gullies.write_text(gullies.read_text(encoding="utf-8").replace("9.747", "high"), encoding="utf-8")
    (tmp_path / "broken" / "buildings.geojson").unlink()
    served = serve(tmp_path / "fresh", tmp_path / "broken", tmp_path / "empty")

    watched = visit()
    watched.page.goto(served.address(site="fresh"))
    watched.page.locator('[data-testid="stProgress"]').first.wait_for()
    watched.map_frame()
    watched.settle()
    assert not watched.page.locator('[data-testid="stProgress"]').count()

    for site, named in (
        ("broken", ("gullies.csv", "buildings.geojson")),
        ("empty", ("the folder is empty",)),
    ):
        for page in ("", "ground"):
            shown = visit().open(served.address(page, site))
            assert shown.locator(".wf-title").inner_text() == "This folder cannot be used yet"
            said = shown.locator(".wf-table").inner_text()
            assert all(name in said for name in named), said
            assert not shown.locator('[data-testid="stException"]').count()
