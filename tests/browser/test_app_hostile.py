"""Ids and words that attack, in the whole app and in the file it gives: they are shown and never run."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser
MARKS = """() => [...document.querySelectorAll('img[src=x], img[onerror], script')].filter(
  part => part.tagName === 'IMG' || (!window.map_div && !window.L && /alert\\(/.test(part.textContent))).length"""
CARDS = """() => {
  const said = [];
  (window.map_div || Object.values(window).find(thing => thing instanceof L.Map)).eachLayer(layer => {
    if (layer.feature && layer.getPopup && layer.getPopup()) {
      layer.openPopup();
      const card = layer.getPopup().getElement().querySelector('.wf-card');
      if (card) { said.push(card.innerText); }
      layer.closePopup();
    }
  });
  return said;
}"""


@pytest.fixture(scope="module")
def site(
    serve: Callable[..., Any],
    attacked: Callable[[Path], dict[str, str]],
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Any, dict[str, str]]:
    """Return the app on an attacking site, and what each id became."""
    folder = tmp_path_factory.mktemp("sites") / "attack"
    became = attacked(folder)
    return serve(folder), became


@pytest.mark.parametrize("page", ["strip", "ground", "outlets", "drains", "not-known"])
def test_pages_run_nothing_typed(site: Any, visit: Callable[..., Any], page: str) -> None:
    """A page shows a site of attacks as text: no dialog, no error, no picture fetched, no element made of it."""
    served, became = site
    watched = visit(820, 1180)
    seen = watched.open(served.address(page))
    watched.settle()
    assert "<script>alert(1)</script>" in seen.locator(".wf-title").inner_text()
    assert seen.evaluate(MARKS) == 0
    for number in range(seen.locator("[role=tab]").count()):
        seen.locator("[role=tab]").nth(number).click()
    assert all(frame.evaluate(MARKS) == 0 for frame in seen.frames)
    if page == "outlets":
        assert became["G1"] in seen.locator(".wf-table").last.inner_text()
    seen.wait_for_timeout(500)


def test_map_runs_nothing_typed(site: Any, visit: Callable[..., Any]) -> None:
    """Every card of the map opens with the attack as text in it; a filter by an attacking name works."""
    served, became = site
    watched = visit()
    frame = watched.open_map(served.address())
    said = frame.evaluate(CARDS)
    for name in ("r001", "r002", "r003", "r004", "G1", "G2", "DP2", "C1", "R1", "B1"):
        assert any(became[name] in card for card in said), f"{became[name]} is on no card"
    watched.page.locator('[data-testid="stSelectbox"]').nth(1).locator("input").click()
    watched.page.get_by_role("option").filter(has_text=became["PIN-1"]).click()
    watched.settle()
    assert frame.evaluate(MARKS) == 0
    watched.page.wait_for_timeout(500)


def test_the_downloaded_map_runs_nothing_typed(site: Any, visit: Callable[..., Any], tmp_path: Path) -> None:
    """The map as one file shows the same attacks as text."""
    served, became = site
    watched = visit()
    watched.open_map(served.address())
    with watched.page.expect_download() as waited:
        watched.page.get_by_role("button", name="Map as one file").click()
    path = tmp_path / "map.html"
    waited.value.save_as(path)
    alone = visit()
    alone.page.goto(path.as_uri())
    alone.page.wait_for_function("() => document.querySelectorAll('.wf-gully').length > 0")
    said = alone.page.evaluate(CARDS)
    for name in ("r001", "r002", "r003", "r004", "G1", "G2", "DP2", "C1", "R1"):
        assert any(became[name] in card for card in said), f"{became[name]} is on no card"
    assert alone.page.evaluate(MARKS) == 0
    alone.page.wait_for_timeout(500)
