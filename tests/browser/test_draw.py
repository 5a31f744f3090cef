"""Beginning a site, drawing its outline, placing what stands round it, and undoing it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Frame, Page, expect

pytestmark = pytest.mark.browser
MAP = 'iframe[title="streamlit_folium.st_folium"]'
SLOW_MS = 60_000


def stand_still(page: Page) -> None:
    """Wait until the server has nothing left to say, and the page has drawn it."""
    page.wait_for_function(
        "() => !document.querySelector('[data-testid=stStatusWidget], [data-testid=stProgress], [data-stale=true]')"
    )
    page.wait_for_timeout(500)


def opened(visit: Callable[..., Any], address: str) -> Page:
    """Open a page and wait until it stands still."""
    watched = visit(1440, 1100)
    page = watched.open(address)
    watched.settle()
    return page


@pytest.fixture
def map_of(living_frame: Callable[[Page, str], Frame]) -> Callable[[Page], Frame]:
    """Return how to find the map's frame once the drawing tool is in it."""

    def found(page: Page) -> Frame:
        stand_still(page)
        return living_frame(page, "() => window.drawnItems && document.querySelector('.leaflet-draw')")

    return found


def click_map(page: Page, x: float, y: float) -> None:
    """Click at a share of the map's width and height."""
    page.locator(MAP).last.scroll_into_view_if_needed()
    box = page.locator(MAP).last.bounding_box()
    assert box is not None
    across, down = box["x"] + x * box["width"], box["y"] + y * box["height"]
    page.mouse.move(across - 9, down - 5)
    page.mouse.move(across, down, steps=4)
    page.wait_for_timeout(150)
    page.mouse.click(across, down)
    page.wait_for_timeout(250)


def begin_site(page: Page, name: str) -> None:
    """Fill in the form for a new site in a grid of its own."""
    page.get_by_text("Begin a new site").click()
    stand_still(page)
    page.get_by_label("Name on drawings").fill(name)
    page.get_by_role("button", name="Begin", exact=True).click()
    expect(page.get_by_text(f"{name} · version 1")).to_be_visible(timeout=SLOW_MS)


def to_page(page: Page, name: str) -> None:
    """Go to a page of the group Record."""
    page.get_by_text("Record", exact=True).first.click()
    page.get_by_role("menuitem", name=name, exact=True).click()


def site_called(workspace: Any, name: str) -> str:
    """Return the id of a site of the workspace."""
    return next(entry.site_id for entry in workspace.store.sites() if entry.name == name)


def wait_for(page: Page, true: Callable[[], bool]) -> None:
    """Wait until something is so in the workspace."""
    for _ in range(150):
        if true():
            return
        page.wait_for_timeout(100)
    raise AssertionError("it did not come about")


def test_an_outline_is_drawn_and_a_gully_placed_on_a_new_site(
    visit: Callable[..., Any], workspace: Any, map_of: Callable[[Page], Frame]
) -> None:
    """Four clicks make the outline, one places a gully, whose chainage is told at once; undo takes it back."""
    page = opened(visit, workspace.served.address("site"))
    begin_site(page, "The end house")
    site_id = site_called(workspace, "The end house")
    to_page(page, "Draw")
    frame = map_of(page)
    frame.locator(".leaflet-draw-draw-polygon").click()
    stand_still(page)
    for x, y in [(0.4, 0.3), (0.6, 0.3), (0.6, 0.6), (0.4, 0.6)]:
        click_map(page, x, y)
    frame.get_by_text("Finish", exact=True).click()
    wait_for(page, lambda: len(workspace.store.site(site_id).of("building")) == 1)
    (house,) = workspace.store.site(site_id).of("building")
    assert house.role == "subject"
    west, south, east, north = house.geometry.bounds
    assert (east - west) / (north - south) == pytest.approx(0.2 * 1400 / (0.3 * 620), rel=0.05)
    expect(page.get_by_text("B1 drawn:")).to_be_visible()
    page.get_by_text("Gullies", exact=True).first.click()
    frame = map_of(page)
    frame.locator(".leaflet-draw-draw-marker").click()
    stand_still(page)
    click_map(page, 0.5, 0.29)
    wait_for(page, lambda: len(workspace.store.site(site_id).of("gully")) == 1)
    (gully,) = workspace.store.site(site_id).of("gully")
    assert gully.position_by == "coordinates"
    assert north < gully.northing_m < north + 1
    expect(page.get_by_text("G1 drawn, ± 100 mm; F2, ch")).to_be_visible()
    page.get_by_role("button", name="Undo that").click()
    wait_for(page, lambda: len(workspace.store.site(site_id).of("gully")) == 0)


def test_an_outline_is_typed_by_lengths_and_turns(
    visit: Callable[..., Any], workspace: Any, map_of: Callable[[Page], Frame]
) -> None:
    """An L-shaped house by tape: its lengths come back to the millimetre the tape was read to."""
    page = opened(visit, workspace.served.address("site"))
    begin_site(page, "By tape")
    site_id = site_called(workspace, "By tape")
    to_page(page, "Draw")
    map_of(page)
    page.get_by_label("Lengths and turns").fill("9 r 3 r 4 l 3 r 5 r 6")
    page.get_by_label("Lengths and turns").press("Tab")
    page.get_by_role("button", name="Draw it").click()
    wait_for(page, lambda: len(workspace.store.site(site_id).of("building")) == 1)
    (house,) = workspace.store.site(site_id).of("building")
    assert house.geometry.area == pytest.approx(9 * 3 + 5 * 3, abs=1e-3)
    assert house.geometry.length == pytest.approx(30.0, abs=1e-3)


def test_a_chamber_is_placed_by_two_tapes_with_both_solutions_shown(
    visit: Callable[..., Any], workspace: Any
) -> None:
    """The sketch shows the place and its mirror; the tapes are kept as they were read."""
    page = opened(visit, workspace.address("draw"))
    page.get_by_text("Chambers", exact=True).first.click()
    page.get_by_text("Place one by tape").click()
    stand_still(page)
    for name, text in {
        "id": "C9", "tape_1_from": "A", "tape_1_m": "4.10", "tape_2_from": "B", "tape_2_m": "9.30",
    }.items():  # fmt: skip
        box = page.locator(f".st-key-tape-chamber-two_tapes-{name} input")
        box.fill(text)
        box.press("Tab")
        page.wait_for_timeout(300)
    page.get_by_role("button", name="Keep C9").click()
    wait_for(page, lambda: any(r.id == "C9" for r in workspace.store.site(workspace.site_id).of("chamber")))
    kept = next(r for r in workspace.store.site(workspace.site_id).of("chamber") if r.id == "C9")
    assert (kept.tape_1_m, kept.tape_2_m, kept.position_by, kept.tape_side) == (
        4.1,
        9.3,
        "two_tapes",
        "outside",
    )
    assert kept.easting_m is None


def test_a_site_goes_out_as_a_zip_and_comes_back_equal(
    visit: Callable[..., Any], workspace: Any, tmp_path: Any
) -> None:
    """What is handed out and brought in again is the same site."""
    page = opened(visit, workspace.address("site"))
    with page.expect_download() as waiting:
        page.get_by_role("button", name="The site as a folder (zip)").click()
    path = tmp_path / "site.zip"
    waiting.value.save_as(path)
    page.get_by_text("Bring in a site folder as a zip").click()
    stand_still(page)
    page.locator('input[type="file"]').set_input_files(path)
    expect(page.get_by_text("site.zip")).to_be_visible(timeout=SLOW_MS)
    page.get_by_role("button", name="Bring it in").click()
    wait_for(page, lambda: len(workspace.store.sites()) == 2)
    other = next(e.site_id for e in workspace.store.sites() if e.site_id != workspace.site_id)
    first, second = (workspace.store.site(name) for name in (workspace.site_id, other))
    assert first.records == second.records
    assert first.info == second.info
    assert first.digest == second.digest
