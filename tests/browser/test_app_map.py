"""The map page of the app in a browser: what is on it, what a click says, what a filter changes."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser
DEMO = Path(__file__).parents[2] / "demo_sites"
SITE = "semi_on_a_slope"
MAP_FRAME = 'iframe[title="streamlit_folium.st_folium"]'
HEADS = """() => {
  const heads = [];
  map_div.eachLayer(layer => {
    const card = layer.feature && layer.feature.properties.card;
    if (card && card.length && (layer.getLatLng || layer.getLatLngs)) { heads.push(card[0].join(' ').trim()); }
  });
  return heads;
}"""
IN_THE_OPEN = """() => {
  const found = [];
  map_div.eachLayer(layer => {
    const card = layer.feature && layer.feature.properties.card;
    if (!card || !card.length || !layer._path || !/^ ?Reading /.test(card[0].join(' '))) { return; }
    const box = layer._path.getBoundingClientRect();
    const x = box.x + box.width / 2, y = box.y + box.height / 2;
    if (document.elementFromPoint(x, y) === layer._path) { found.push({head: card[0][1], x: x, y: y}); }
  });
  return found;
}"""
VIEW = "() => [map_div.getZoom(), map_div.getCenter().lat, map_div.getCenter().lng]"


def rows(name: str, site: str = SITE) -> list[dict[str, str]]:
    """Return the rows of a demo site's own file."""
    with (DEMO / site / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def read_first(site: str = SITE) -> list[dict[str, str]]:
    """Return the survey's readings; those taken again later are not on the map."""
    return [row for row in rows("readings", site) if not row.get("point_id") and not row.get("repeats_id")]


def drawn(frame: Any) -> list[str]:
    """Return the ids of the readings on the map."""
    heads = [head for head in frame.evaluate(HEADS) if head.startswith("Reading ")]
    return sorted(head.removeprefix("Reading ").split(":")[0] for head in heads)


def wait_for_count(frame: Any, count: int) -> list[str]:
    """Wait until so many readings are on the map, and return their ids."""
    frame.wait_for_function(
        f"n => ({HEADS})().filter(head => head.startsWith('Reading ')).length === n",
        arg=count,
        timeout=60_000,
    )
    return drawn(frame)


def choose_group(page: Any, words: str) -> None:
    """Choose the readings of one instrument."""
    page.locator('[data-testid="stSelectbox"]').nth(1).locator("input").click()
    page.get_by_role("option").filter(has_text=words).click()


@pytest.mark.parametrize("site", ["semi_on_a_slope", "three_cottages", "old_school"])
def test_map_has_every_reading_arrow_and_asset(app: Any, visit: Callable[..., Any], site: str) -> None:
    """Every reading with a place is a point, every gully and downpipe a mark, and there are fall arrows."""
    frame = visit().open_map(app.address(site=site))
    readings = {row["id"] for row in read_first(site)}
    on_map = drawn(frame)
    assert len(on_map) == len(set(on_map))
    assert set(on_map) <= readings
    assert len(readings) - len(on_map) <= 1, "only a reading nobody could place may be missing"
    heads = frame.evaluate(HEADS)
    for kind, name in (("gully", "gullies"), ("downpipe", "downpipes"), ("chamber", "chambers")):
        ids = {row["id"] for row in rows(name, site)}
        assert frame.locator(f".wf-mark.wf-{kind}").count() == len(ids)
        assert ids <= {head.split(":")[0] for head in heads}
    assert any("falls to the wall" in head.lower() or "toward" in head.lower() for head in heads)
    assert frame.locator(".wf-mark.wf-corner").count() >= 4
    assert frame.locator("img.leaflet-image-layer").evaluate("image => image.naturalWidth") > 100


def test_click_on_a_reading_shows_its_record(app: Any, visit: Callable[..., Any]) -> None:
    """A click with the mouse opens the card of that reading, with the value its row has."""
    watched = visit()
    frame = watched.open_map(app.address(site=SITE))
    frame.wait_for_function(f"() => ({IN_THE_OPEN})().length > 0")
    target = frame.evaluate(IN_THE_OPEN)[0]
    own = watched.page.locator(MAP_FRAME).bounding_box()
    watched.page.mouse.click(own["x"] + target["x"], own["y"] + target["y"])
    card = frame.locator(".leaflet-popup .wf-card")
    card.wait_for()
    said = card.inner_text()
    name = target["head"].removeprefix("Reading ").split(":")[0]
    row = next(row for row in rows("readings") if row["id"] == name)
    assert said.startswith(target["head"])
    assert float(target["head"].split(": ")[1].lstrip("<>").split()[0]) == float(row["value"].lstrip("<>"))
    assert row["instrument"] in said
    assert "verdict" in said


def test_filters_redraw_inside_the_same_frame(app: Any, visit: Callable[..., Any]) -> None:
    """A layer, a group or 'wet only' changes what is drawn; the frame, the view and its map are not remade."""
    watched = visit()
    frame = watched.open_map(app.address(site=SITE))
    every = drawn(frame)
    frame.evaluate("() => { window.sameFrame = true; map_div.sameMap = true; map_div.setZoom(21.5); }")
    frame.wait_for_function("() => map_div.getZoom() === 21.5")
    view = frame.evaluate(VIEW)

    own = {row["id"] for row in read_first() if row["instrument"] == "PIN-3"}
    assert 0 < len(own) < len(every)
    choose_group(watched.page, "PIN-3")
    assert set(wait_for_count(frame, len(own))) == own
    watched.page.get_by_text(f"{len(own)} of {len(every)} readings pass the filter").wait_for()

    watched.page.locator('[data-testid="stCheckbox"] label').click()
    frame.wait_for_function(
        f"n => {{ const c = ({HEADS})().filter(head => head.startsWith('Reading ')).length;"
        " return c > 0 && c < n; }",
        arg=len(own),
    )
    assert set(drawn(frame)) < own
    watched.page.locator('[data-testid="stCheckbox"] label').click()
    choose_group(watched.page, "every group")
    assert wait_for_count(frame, len(every)) == every

    pills = watched.page.locator('[data-testid="stButtonGroup"] button')
    pills.get_by_text("Readings", exact=True).click()
    wait_for_count(frame, 0)
    pills.get_by_text("Readings", exact=True).click()
    wait_for_count(frame, len(every))
    assert frame.locator(".wf-value").count() == 0
    pills.get_by_text("Values", exact=True).click()
    frame.wait_for_function("n => document.querySelectorAll('.wf-value').length === n", arg=len(every))

    assert frame.evaluate("() => window.sameFrame && map_div.sameMap")
    pixel = 3e-7  # degrees of a pixel at this zoom; the middle of the view is kept in whole pixels
    assert frame.evaluate(VIEW) == pytest.approx(view, abs=pixel)


def test_every_layer_can_be_switched_off(app: Any, visit: Callable[..., Any]) -> None:
    """With no layer switched on nothing that changes is left on the map, and what does not change stays."""
    watched = visit()
    frame = watched.open_map(app.address(site=SITE))
    gullies = frame.locator(".wf-mark.wf-gully").count()
    pills = watched.page.locator('[data-testid="stButtonGroup"] button')
    for name in ("Readings", "Wet stretches", "Fall by levels", "Pools"):
        pills.get_by_text(name, exact=True).click()
    frame.wait_for_function(
        f"() => !({HEADS})().some(head => /^(Reading|Wet stretch|Pool|Falls|Level|Not known)/.test(head))"
    )
    assert frame.locator(".wf-mark.wf-sign, .wf-mark.wf-stretch").count() == 0
    assert frame.locator(".wf-mark.wf-gully").count() == gullies > 0


def test_the_downloaded_map_switches_its_layers_by_itself(
    app: Any, visit: Callable[..., Any], tmp_path: Path
) -> None:
    """The file the button gives opens from disk, and its own switch takes readings off and puts them back."""
    watched = visit()
    watched.open_map(app.address(site=SITE))
    with watched.page.expect_download() as waited:
        watched.page.get_by_role("button", name="Map as one file").click()
    path = tmp_path / "map.html"
    waited.value.save_as(path)
    alone = visit()
    alone.page.goto(path.as_uri())
    count = "() => document.querySelectorAll('path.leaflet-interactive, .wf-off').length"
    alone.page.wait_for_function("() => document.querySelectorAll('.wf-gully').length > 0")
    before = alone.page.evaluate(count)
    alone.page.evaluate("() => { window.samePage = true; }")
    alone.page.locator(".leaflet-control-layers").hover()
    box = (
        alone.page.locator(".leaflet-control-layers label").filter(has_text="Readings").first.locator("input")
    )
    box.click()
    assert alone.page.evaluate(count) < before - 50
    box.click()
    assert alone.page.evaluate(count) == before
    assert alone.page.evaluate("() => window.samePage")
