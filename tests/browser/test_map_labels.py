"""Names on every map: none over another or over a symbol, at the first view and after zooming in and out."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from geo.draw.map import standalone_html
from geo.exchange.scene import scene_of
from geo.findings.check import read_checked
from geo.findings.examine import examine
from geo.site.folder import read_site
from geo.store.store import open_store

pytestmark = pytest.mark.browser
DEMO = Path(__file__).parents[2] / "demo_sites"
SITES = ("semi_on_a_slope", "three_cottages", "old_school")
PAGES = ("map", "drains", "draw", "alone")
VIEWS = [*((page, site, (1440, 900)) for page in PAGES for site in SITES)] + [
    (page, "old_school", (820, 1180)) for page in PAGES
]
LEAST_PX = 11.0
ASSETS_NAMED = 0.85
STAND = """() => {
  const boxes = (those) => those.map(e => [e, e.getBoundingClientRect()]).map(
    ([e, box]) => [e.textContent, box.left, box.top, box.right, box.bottom]
  );
  const all = [...document.querySelectorAll('.wf-label')];
  const shown = all.filter(e => e.checkVisibility({visibilityProperty: true}));
  return {
    names: boxes(shown),
    symbols: boxes([...document.querySelectorAll('.wf-mark:not(.wf-label):not(.wf-off), .wf-grip')]),
    assets: [shown.filter(e => e.matches('.wf-name')).length, all.filter(e => e.matches('.wf-name')).length],
    least: Math.min(...shown.map(e => parseFloat(getComputedStyle(e).fontSize))),
    placed: shown.map(e => [e.textContent, e.style.transform])
  };
}"""
FIND_MAP = "Object.values(window).find(one => one && one instanceof L.Map)"


@dataclass
class Places:
    """The app over a workspace that holds every demo site, and each site's id there."""

    served: Any
    ids: dict[str, str]


@pytest.fixture(scope="module")
def places(serve: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Places]:
    """Return the app with the demo sites to look at and to draw on."""
    folder = tmp_path_factory.mktemp("labels")
    with open_store(folder / "workspace.sqlite", cache=folder / "cache") as store:
        ids = {site: store.take_in(read_site(DEMO / site), by="surveyor") for site in SITES}
        yield Places(serve(DEMO, workspace=folder / "workspace.sqlite"), ids)


def map_of(watched: Any, places: Places, page: str, site: str, folder: Path) -> Any:
    """Open a map and return the frame it stands in, its names placed."""
    if page == "alone":
        path = folder / "map.html"
        path.write_text(standalone_html(scene_of(examine(read_checked(DEMO / site)))), encoding="utf-8")
        watched.page.goto(path.as_uri())
        frame = watched.page.main_frame
    else:
        address = {
            "map": places.served.address(site=site),
            "drains": places.served.address("drains", site),
            "draw": places.served.address("draw", places.ids[site]),
        }[page]
        watched.open(address)
        if page == "drains":
            watched.page.locator('iframe[title="Section along the drain"]').wait_for()
        watched.settle()
        frame = watched.map_frame()
    frame.wait_for_selector(".wf-name.wf-placed", state="attached")
    watched.settle()
    watched.page.wait_for_timeout(600)  # the map has come to its first view
    return frame


def overlaps(one: list[Any], other: list[Any]) -> list[tuple[str, str]]:
    """Return the pairs of boxes (text, left, top, right, bottom; px) that share any ground."""
    a, b = (np.array([row[1:] for row in rows], dtype=np.float64).reshape(-1, 4) for rows in (one, other))
    low: NDArray[np.float64] = np.maximum(a[:, None, :2], b[None, :, :2])
    high: NDArray[np.float64] = np.minimum(a[:, None, 2:], b[None, :, 2:])
    shared = ((high - low) > 0.0).all(axis=2)
    if one is other:
        shared &= np.triu(np.ones_like(shared), k=1).astype(bool)
    return [(one[i][0], other[j][0]) for i, j in np.argwhere(shared)]


def assert_clear(frame: Any) -> dict[str, Any]:
    """No name on the map lies over another or over a symbol, and all can be read."""
    stand: dict[str, Any] = frame.evaluate(STAND)
    assert overlaps(stand["names"], stand["names"]) == []
    assert overlaps(stand["names"], stand["symbols"]) == []
    assert stand["least"] >= LEAST_PX
    return stand


@pytest.mark.parametrize(("page", "site", "size"), VIEWS, ids=lambda part: str(part).replace(" ", ""))
def test_no_name_lies_over_another(
    visit: Callable[..., Any], places: Places, tmp_path: Path, page: str, site: str, size: tuple[int, int]
) -> None:
    """At the first view, a step nearer and a step farther; back where it was every name stands as before."""
    watched = visit(*size)
    frame = map_of(watched, places, page, site, tmp_path)
    first = assert_clear(frame)
    shown, there = first["assets"]
    assert shown >= ASSETS_NAMED * there > 0, "names are placed, not put away"
    seen = [first]
    for step in ("in", "out", "out", "in"):
        frame.evaluate(
            f"() => {{ window.zoomed = new Promise(done => ({FIND_MAP}).once('zoomend', () =>"
            " requestAnimationFrame(() => requestAnimationFrame(done)))); }"
        )
        frame.locator(f".leaflet-control-zoom-{step}").click()
        frame.evaluate("() => window.zoomed")
        frame.wait_for_function("() => !document.getAnimations().length")
        seen.append(assert_clear(frame))
    assert seen[0]["placed"] == seen[2]["placed"] == seen[4]["placed"]
    assert seen[1]["assets"][0] >= shown, "nearer there is more room"


def test_values_of_readings_are_shown_where_there_is_room(
    visit: Callable[..., Any], places: Places, tmp_path: Path
) -> None:
    """Switched on, the numbers keep clear of each other; three steps nearer more of them are seen."""
    watched = visit(1440, 900)
    frame = map_of(watched, places, "alone", "semi_on_a_slope", tmp_path)
    frame.locator(".leaflet-control-layers").hover()
    frame.locator(".leaflet-control-layers label").filter(has_text="Values of readings").click()
    frame.wait_for_selector(".wf-value.wf-placed", state="attached")
    counts = []
    for _ in range(4):
        frame.wait_for_timeout(300)
        assert_clear(frame)
        counts.append(frame.locator(".wf-value.wf-placed").count())
        frame.evaluate(
            f"() => {{ const map = {FIND_MAP}; map.setZoom(map.getZoom() + 1, {{animate: false}}); }}"
        )
    assert 0 < counts[0] < counts[-1]
    assert counts == sorted(counts)


def test_a_name_without_room_is_shown_at_a_touch(
    visit: Callable[..., Any], places: Places, tmp_path: Path
) -> None:
    """Far away a face's name is not drawn; a pointer at its place shows it, and away from it hides it again."""
    watched = visit(1440, 900)
    frame = map_of(watched, places, "alone", "old_school", tmp_path)
    frame.evaluate(f"() => {{ const map = {FIND_MAP}; map.setZoom(map.getZoom() - 2, {{animate: false}}); }}")
    frame.wait_for_timeout(300)
    at = frame.evaluate(
        """() => { const gone = document.querySelector('.wf-face:not(.wf-placed)');
          gone.id = 'asked';
          const box = gone.closest('.leaflet-marker-icon').getBoundingClientRect();
          return [box.left, box.top]; }"""
    )
    name = frame.locator("#asked")
    assert not name.is_visible()
    watched.page.mouse.move(*at)
    assert name.is_visible()
    assert name.inner_text().startswith("F")
    watched.page.mouse.move(at[0] + 300, at[1] + 300)
    assert not name.is_visible()
