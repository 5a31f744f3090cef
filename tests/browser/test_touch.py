"""The pages one records on, by finger on a tablet of 820 px: reachable, tappable, and nothing runs off the side."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser
MAP = 'iframe[title="streamlit_folium.st_folium"]'
LEAST_PX = 40
SLOW_MS = 90_000
SMALL = """(least) => {
  const found = [];
  const look = (root) => {
    for (const e of root.querySelectorAll('*')) {
      if (e.shadowRoot) { look(e.shadowRoot); }
      if (!e.matches('button, input:not([type=hidden]), select, summary, a[href], [role=tab], [role=combobox]')) {
        continue;
      }
      let box = e.getBoundingClientRect();
      const label = e.closest('label') || e.closest('[data-baseweb=select]') || e.closest('[data-baseweb=input]');
      if (label) { box = label.getBoundingClientRect(); }
      const hidden = !e.checkVisibility({ opacityProperty: true, visibilityProperty: true }) || !box.width;
      if (hidden || e.closest('[data-testid=stHeadingWithActionElements], [data-testid=stElementToolbar], [data-testid=stSkipToContent]')) { continue; }
      if (box.height + 0.5 < least) {
        found.push([e.tagName, e.dataset.testid || '', (e.innerText || e.ariaLabel || '').slice(0, 30),
          Math.round(box.width), Math.round(box.height)]);
      }
    }
  };
  look(document.body);
  return found;
}"""


@pytest.fixture
def tablet(chromium: Browser) -> Iterator[Page]:
    """Return a tablet's page."""
    context = chromium.new_context(viewport={"width": 820, "height": 1180}, has_touch=True)
    page = context.new_page()
    page.set_default_timeout(SLOW_MS)
    yield page
    context.close()


def stand_still(page: Page) -> None:
    """Wait until the server has nothing left to say, and the page has drawn it."""
    page.wait_for_function(
        "() => !document.querySelector('[data-testid=stStatusWidget], [data-testid=stProgress], [data-stale=true]')"
    )
    page.wait_for_timeout(700)


def tap_map(page: Page, x: float, y: float) -> None:
    """Tap at a share of the map's width and height."""
    page.locator(MAP).scroll_into_view_if_needed()
    box = page.locator(MAP).bounding_box()
    assert box is not None
    page.touchscreen.tap(box["x"] + x * box["width"], box["y"] + y * box["height"])
    page.wait_for_timeout(400)


def come_about(page: Page, true: Callable[[], bool]) -> None:
    """Wait until something is so in the workspace."""
    for _ in range(200):
        if true():
            return
        page.wait_for_timeout(100)
    raise AssertionError("it did not come about")


def test_the_recording_pages_are_for_fingers(tablet: Page, workspace: Any) -> None:
    """On Site, Draw and Type in everything to tap is 40 px high and the page does not scroll sideways."""
    small: dict[str, Any] = {}
    for name in ("site", "draw", "type-in"):
        tablet.goto(workspace.address(name))
        tablet.locator(".wf-title").first.wait_for()
        stand_still(tablet)
        wide = tablet.evaluate("() => document.scrollingElement.scrollWidth - innerWidth")
        assert wide <= 0, name
        small[name] = tablet.evaluate(SMALL, LEAST_PX)
    assert not any(small.values()), small


def test_an_outline_and_a_gully_are_drawn_by_taps(tablet: Page, workspace: Any) -> None:
    """Four taps and Finish make a building; one tap places a gully."""
    before = len(workspace.store.site(workspace.site_id).of("building"))
    gullies = len(workspace.store.site(workspace.site_id).of("gully"))
    tablet.goto(workspace.address("draw"))
    tablet.locator(".wf-title").first.wait_for()
    stand_still(tablet)
    frame = tablet.frame_locator(MAP)
    frame.locator(".leaflet-draw-draw-polygon").tap()
    for x, y in [(0.08, 0.75), (0.2, 0.75), (0.2, 0.9), (0.08, 0.9)]:
        tap_map(tablet, x, y)
    frame.get_by_text("Finish", exact=True).tap()
    come_about(tablet, lambda: len(workspace.store.site(workspace.site_id).of("building")) == before + 1)
    tablet.get_by_text("Gullies", exact=True).first.tap()
    tablet.wait_for_function(  # the map of the kind before stays until the new one is there
        """(map) => { const all = document.querySelectorAll(map);
          return all.length === 1 && all[0].contentDocument
            && all[0].contentDocument.querySelector('.leaflet-draw-draw-marker'); }""",
        arg=MAP,
    )
    stand_still(tablet)
    frame.locator(".leaflet-draw-draw-marker").tap()
    tap_map(tablet, 0.3, 0.8)
    come_about(tablet, lambda: len(workspace.store.site(workspace.site_id).of("gully")) == gullies + 1)
