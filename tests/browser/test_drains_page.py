"""The drains page in a browser: a tap on the map, a step of the slider, a tablet, and what is downloaded."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ezdxf
import pytest

pytestmark = pytest.mark.browser
MAP_FRAME = 'iframe[title="streamlit_folium.st_folium"]'
SECTION = 'iframe[title="Section along the drain"]'
SITE = "semi_on_a_slope"
VIEW = "() => [map_div.getZoom(), map_div.getCenter().lat, map_div.getCenter().lng]"
IN_THE_OPEN = """id => {
  let found = null;
  map_div.eachLayer(layer => {
    const told = layer.feature && layer.feature.properties;
    if (found || !told || !told.pick || told.pick.id !== id) { return; }
    const path = layer._path;
    if (path && path.getTotalLength) {
      const long = path.getTotalLength(), frame = path.getScreenCTM();
      for (let share = 0.05; share < 1 && !found; share += 0.05) {
        const at = path.getPointAtLength(share * long).matrixTransform(frame);
        if (document.elementFromPoint(at.x, at.y) === path) { found = {x: at.x, y: at.y}; }
      }
    } else if (layer._icon) {
      const box = layer._icon.querySelector('.wf-mark').getBoundingClientRect();
      for (const [dx, dy] of [[0, 0], [-12, 0], [12, 0], [0, 12], [0, -12], [-12, -12], [12, 12]]) {
        const x = box.x + box.width / 2 + dx, y = box.y + box.height / 2 + dy;
        if (!found && layer._icon.contains(document.elementFromPoint(x, y))) { found = {x: x, y: y}; }
      }
    }
  });
  return found;
}"""
WIDER = """() => {
  const page = document.querySelector('[data-testid="stMain"]'), wide = [];
  if (page.scrollWidth > page.clientWidth + 1) { wide.push('the page'); }
  document.querySelectorAll('.wf-table').forEach(box => {
    if (box.offsetParent && box.scrollWidth > box.clientWidth + 1) { wide.push(box.innerText.slice(0, 60)); }
  });
  return wide;
}"""


def open_page(watched: Any, app: Any, site: str = SITE) -> Any:
    """Open the page and return the map's frame with its answer drawn."""
    watched.open(app.address("drains", site))
    watched.page.locator(SECTION).wait_for()
    frame = watched.map_frame()
    watched.settle()
    watched.page.wait_for_timeout(600)  # the map has come to its first view
    return frame


def said(page: Any) -> str:
    """Return the answer in words, with what was asked."""
    return f"{page.locator('.wf-answer').inner_text()} {page.locator('.wf-answer + .wf-note').inner_text()}"


def wait_said(page: Any, words: str) -> None:
    """Wait until the answer or what was asked says something."""
    page.locator(".st-key-drain-answer").filter(has_text=words).wait_for()


def choose(watched: Any, frame: Any, name: str, button: str, *, finger: bool = False) -> None:
    """Tap something on the map, then what its card offers."""
    frame.wait_for_function(IN_THE_OPEN, arg=name)
    at = frame.evaluate(IN_THE_OPEN, name)
    shown = watched.page.locator(MAP_FRAME)
    shown.evaluate("map => map.scrollIntoView({block: 'center'})")  # what is tapped has to be on the screen
    own = shown.bounding_box()
    press = watched.page.touchscreen.tap if finger else watched.page.mouse.click
    press(own["x"] + at["x"], own["y"] + at["y"])
    offered = frame.locator(".leaflet-popup button").filter(has_text=button)
    offered.wait_for()
    assert offered.bounding_box()["height"] >= 40
    offered.tap() if finger else offered.click()


def selected(page: Any, label: str) -> str:
    """Return what a select box shows."""
    box = page.locator('[data-testid="stSelectbox"]').filter(has_text=label)
    shown: str = box.locator("input").input_value() or box.inner_text()
    return shown


def test_a_tap_on_a_run_stops_it(app: Any, visit: Callable[..., Any]) -> None:
    """A run and a gully tapped on the map are asked about; the select boxes follow, the map is not remade."""
    watched = visit()
    frame = open_page(watched, app)
    page = watched.page
    frame.evaluate(
        "() => { window.sameFrame = true; map_div.sameMap = true; map_div.setZoom(21.25, {animate: false}); }"
    )
    frame.wait_for_function("() => map_div.getZoom() === 21.25")
    view = frame.evaluate(VIEW)
    choose(watched, frame, "R4", "Blocked here")
    wait_said(page, "R4 taken as blocked")
    assert "R4" in selected(page, "Blocked")
    watched.settle()
    assert "first at G1" in said(page), "its gully is the lowest way out above that run"
    assert page.frame_locator(SECTION).locator("svg title").first.text_content().endswith("G1 to C0")
    frame.wait_for_function("() => document.querySelector('.wf-spill')?.textContent === '1'")
    choose(watched, frame, "G4", "Water put in here")
    wait_said(page, "put in at G4")
    assert "G4" in selected(page, "Water put in at")
    assert frame.evaluate("() => window.sameFrame && map_div.sameMap")
    assert frame.evaluate(VIEW) == pytest.approx(view, abs=3e-7)


def test_a_step_of_the_slider_changes_the_answer(app: Any, visit: Callable[..., Any]) -> None:
    """More water comes up sooner, in the words, the section and the numbers; the map keeps its place."""
    watched = visit()
    frame = open_page(watched, app)
    page = watched.page
    frame.evaluate("() => { window.sameFrame = true; map_div.setZoom(21.25, {animate: false}); }")
    frame.wait_for_function("() => map_div.getZoom() === 21.25")
    view = frame.evaluate(VIEW)
    drawn = page.locator(SECTION).get_attribute("srcdoc")
    minutes = float(said(page).split(" minutes")[0].rsplit(" ", 1)[1])
    assert "0.25 l/s" in said(page)
    page.get_by_role("slider").first.focus()
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    wait_said(page, "0.5 l/s")
    watched.settle()
    sooner = float(said(page).split(" minutes")[0].rsplit(" ", 1)[1])
    assert sooner == pytest.approx(minutes / 2.0, abs=0.11), "twice the flow, half the time"
    assert page.locator(SECTION).get_attribute("srcdoc") != drawn
    assert frame.evaluate("() => window.sameFrame")
    assert frame.evaluate(VIEW) == pytest.approx(view, abs=3e-7)


@pytest.mark.parametrize("kind", ["Rain", "Pump-outs"])
def test_other_waters_are_asked_of_the_same_map(app: Any, visit: Callable[..., Any], kind: str) -> None:
    """Rain and pump-outs have sliders of their own and give an answer."""
    watched = visit()
    open_page(watched, app)
    page = watched.page
    page.get_by_text(kind, exact=True).click()
    wait_said(page, {"Rain": "rain of 25 mm/h", "Pump-outs": "3 × 20 l"}[kind])
    watched.settle()
    assert page.get_by_role("slider").count() == 2
    assert not page.locator('[data-testid="stException"]').count()


@pytest.mark.parametrize("site", ["semi_on_a_slope", "three_cottages", "old_school"])
def test_a_tablet_stacks_map_and_section(app: Any, visit: Callable[..., Any], site: str) -> None:
    """At 820 px map and section stand one above the other, at 1440 px beside; no table is wider than its page."""
    watched = visit(820, 1180)
    open_page(watched, app, site)
    page = watched.page
    for width in (820, 1440):
        page.set_viewport_size({"width": width, "height": 1180})
        page.wait_for_timeout(400)
        drawn, section = page.locator(MAP_FRAME).bounding_box(), page.locator(SECTION).bounding_box()
        if width == 820:
            assert section["y"] >= drawn["y"] + drawn["height"]
            assert drawn["width"] > 700
        else:
            assert section["x"] >= drawn["x"] + drawn["width"]
            assert abs(section["y"] - drawn["y"]) < 40
        for tab in page.get_by_role("tab").all():
            tab.click()
            page.wait_for_timeout(120)
            assert page.evaluate(WIDER) == []


def test_a_finger_on_a_tablet_stops_a_soakaway(app: Any, finger: Callable[..., Any]) -> None:
    """A tap with a finger opens the card, and a second one on its button asks."""
    watched = finger()
    frame = open_page(watched, app)
    watched.page.locator(MAP_FRAME).scroll_into_view_if_needed()
    choose(watched, frame, "SA1", "Blocked here", finger=True)
    wait_said(watched.page, "SA1 taken as blocked")
    watched.assert_quiet()


@pytest.fixture
def finger(chromium: Any, visit: Callable[..., Any]) -> Any:
    """Return an opener of a page on a tablet with a touch screen."""
    import sys

    tools = sys.modules[type(visit()).__module__]
    contexts = []

    def new() -> Any:
        context = chromium.new_context(
            viewport={"width": 820, "height": 1180}, has_touch=True, service_workers="block"
        )
        contexts.append(context)
        return tools.watch(context)

    yield new
    for context in contexts:
        context.close()


def test_the_contractor_gets_files_that_open(app: Any, visit: Callable[..., Any], tmp_path: Path) -> None:
    """Each file of the pack arrives and is what its name says; the zip holds all of them."""
    watched = visit()
    open_page(watched, app)
    page = watched.page
    got: dict[str, bytes] = {}
    for label in ("PDF", "DXF", "GeoJSON", "GPX", "CSV", "ZIP"):
        with page.expect_download() as waited:
            page.locator('[data-testid="stDownloadButton"] button').filter(has_text=label).click()
        path = tmp_path / waited.value.suggested_filename
        waited.value.save_as(path)
        got[label] = path.read_bytes()
    assert got["PDF"].startswith(b"%PDF-")
    drawing = ezdxf.read(io.StringIO(got["DXF"].decode("utf-8")))
    assert len(drawing.modelspace()) > 10
    assert json.loads(got["GeoJSON"])["features"]
    assert b"<gpx" in got["GPX"]
    with zipfile.ZipFile(io.BytesIO(got["ZIP"])) as whole, zipfile.ZipFile(io.BytesIO(got["CSV"])) as tables:
        assert whole.testzip() is None
        assert set(tables.namelist()) < set(whole.namelist())
        assert whole.read("setting-out.pdf") == got["PDF"]
        assert all(name.endswith(".csv") for name in tables.namelist())
