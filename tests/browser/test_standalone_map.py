"""The map as one file, in a browser without a network; run with ``-m browser``."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
import shapely
from PIL import Image
from playwright.sync_api import Browser, Page

from geo.draw.map import standalone_html
from geo.draw.ring import draw_ring
from geo.draw.scene import Scene
from geo.draw.strip import draw_strip

pytestmark = pytest.mark.browser
SCREENS = {"desk": (1440, 900), "tablet": (820, 1180)}


@dataclass
class Opened:
    """A page, and everything it did that it should not have."""

    page: Page
    asked: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    dialogs: list[str] = field(default_factory=list)

    def quiet(self) -> bool:
        """Say whether nothing was asked of the network, no error was said and no dialog came up."""
        return not (self.asked or self.said or self.dialogs)


@pytest.fixture
def opened(chromium: Browser, tmp_path: Path) -> Iterator[Callable[..., Opened]]:
    """Return an opener of pages; every request outside the file is aborted and noted."""
    pages: list[Page] = []

    def open_page(content: str, screen: str = "desk", ending: str = "html") -> Opened:
        path = tmp_path / f"page.{ending}"
        path.write_text(content, encoding="utf-8")
        width, height = SCREENS[screen]
        page = chromium.new_page(viewport={"width": width, "height": height}, has_touch=screen == "tablet")
        pages.append(page)
        watched = Opened(page)

        def watch(route: object, request: object) -> None:
            address = request.url  # type: ignore[attr-defined]
            if address.startswith(("file:", "data:", "blob:")):
                route.continue_()  # type: ignore[attr-defined]
            else:
                watched.asked.append(address)
                route.abort()  # type: ignore[attr-defined]

        page.route("**/*", watch)
        page.on(
            "console", lambda message: watched.said.append(message.text) if message.type == "error" else None
        )
        page.on("pageerror", lambda error: watched.said.append(str(error)))

        def dismiss(dialog: object) -> None:
            watched.dialogs.append(dialog.message)  # type: ignore[attr-defined]
            dialog.dismiss()  # type: ignore[attr-defined]

        page.on("dialog", dismiss)
        page.goto(path.as_uri())
        if ending == "html":
            page.wait_for_selector(".wf-box")
        page.wait_for_timeout(400)
        return watched

    yield open_page
    for page in pages:
        page.close()


@pytest.mark.parametrize("screen", SCREENS)
@pytest.mark.parametrize("names", ["plain", "hostile"])
def test_opens_without_a_network(
    names: str, screen: str, scene: Scene, hostile_scene: Scene, opened: Callable[..., Opened]
) -> None:
    """The map asks nothing of the network, says no error, brings up no dialog, and draws."""
    chosen = scene if names == "plain" else hostile_scene
    found = opened(standalone_html(chosen), screen)
    assert found.quiet(), found
    drawn = found.page.locator("path.leaflet-interactive").count()
    assert drawn > len(chosen.readings) / 2
    picture = np.array(Image.open(io.BytesIO(found.page.screenshot())).convert("RGB")).reshape(-1, 3)
    assert len(np.unique(picture // 16, axis=0)) > 40
    width, height = SCREENS[screen]
    box = found.page.locator(".wf-box").bounding_box()
    assert box is not None
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= width
    assert box["y"] + box["height"] <= height
    for part in (".wf-north", ".leaflet-control-scale-line", ".leaflet-control-layers"):
        assert found.page.locator(part).first.is_visible()


def test_a_card_shows_what_was_typed(hostile_scene: Scene, opened: Callable[..., Opened]) -> None:
    """A click on a gully shows its record letter for letter, as text, with no element of its own."""
    found = opened(standalone_html(hostile_scene))
    asset = hostile_scene.assets.iloc[0]
    found.page.locator(".wf-gully").first.click()
    card = found.page.locator(".leaflet-popup .wf-card")
    card.wait_for()
    assert card.locator("script, img, b").count() == 0
    shown = card.evaluate("card => Array.from(card.childNodes).map(row => row.textContent)")
    assert shown[0] == f"{asset['asset_id']}: {asset['label']}"
    assert shown[1:] == [f"{name}{value}" for name, value in asset["facts"].items()]
    assert found.quiet(), found


def test_layers_switch_without_a_new_map(scene: Scene, opened: Callable[..., Opened]) -> None:
    """Switching readings off and their values on changes what is drawn and leaves the view alone."""
    found = opened(standalone_html(scene))
    page = found.page
    before = page.locator("path.leaflet-interactive").count()
    look = "() => document.querySelector('.leaflet-map-pane').style.transform"
    view = page.evaluate(look)
    page.locator(".leaflet-control-layers").hover()
    for name in ("Readings", "Values of readings"):
        page.locator(".leaflet-control-layers label", has=page.get_by_text(name, exact=True)).click()
    assert (
        before - page.locator("path.leaflet-interactive").count()
        == (scene.readings["censored"] == "none").sum()
    )
    assert page.locator(".wf-value").count() == len(scene.readings)
    assert page.evaluate(look) == view
    assert found.quiet(), found


def test_drawn_places_keep_ten_decimals(scene: Scene, opened: Callable[..., Opened]) -> None:
    """What the map gives back of a drawn point is not rounded to six decimals (66 mm)."""
    found = opened(standalone_html(scene))
    given = found.page.evaluate("L.marker([52.1234567891, -1.1234567891]).toGeoJSON().geometry.coordinates")
    assert given == [-1.1234567891, 52.1234567891]


def crowd(seed: int) -> tuple[list[dict[str, object]], list[dict[str, float]], list[list[float]]]:
    """Return names, symbols and lines of a busy corner: far more than there is room for where they stand."""
    dice = np.random.default_rng(seed)
    symbols = [
        {"x": float(x), "y": float(y), "r": float(r), "soft": float(soft)}
        for x, y, r, soft in zip(
            *dice.uniform(0, 260, (2, 40)), dice.integers(5, 13, 40), dice.choice([0, 0, 1], 40), strict=True
        )
    ]
    names: list[dict[str, object]] = []
    for k in range(60):
        own = symbols[k] if k < len(symbols) else None
        x, y = (own["x"], own["y"]) if own else dice.uniform(0, 260, 2).tolist()
        names.append(
            {
                "w": int(dice.integers(14, 110)), "h": int(dice.integers(12, 20)), "rank": int(dice.integers(0, 16)),
                "clear": own["r"] if own else 3, "reach": int(dice.choice([0, 18, 60, 100])), "turn": 0.0,
                "home": own is None, "from": own is None, "strict": bool(dice.integers(0, 2)),
                "spots": [[x, y]] + ([[x + 40, y + 9]] if own is None and k % 2 else []),
            }
        )  # fmt: skip
    return names, symbols, dice.uniform(-50, 310, (80, 4)).tolist()


PLACE = "([names, symbols, lines]) => L.wallfoot.place(names, symbols, lines)"


@pytest.mark.parametrize("turn", range(4))
def test_names_never_meet_however_crowded(turn: int, scene: Scene, opened: Callable[..., Opened]) -> None:
    """In any crowd the placed boxes are apart and off every symbol, and no line back runs through a name.

    The boxes are checked with the geometry library, so nothing of the placing is used to judge it.
    """
    page = opened(standalone_html(scene)).page
    for seed in range(10 * turn, 10 * turn + 10):
        names, symbols, lines = crowd(seed)
        given = page.evaluate(PLACE, [names, symbols, lines])
        assert given == page.evaluate(PLACE, [names, symbols, lines])
        placed = [(name, one) for name, one in zip(names, given, strict=True) if one]
        assert len(placed) >= len(names) / 4
        boxes = [shapely.box(g["x"], g["y"], g["x"] + g["w"], g["y"] + g["h"]) for _, g in placed]
        tree = shapely.STRtree(boxes)
        meeting = tree.query(boxes, predicate="dwithin", distance=2.0)
        assert (meeting[0] == meeting[1]).all()
        for symbol in symbols:
            x, y, r = symbol["x"], symbol["y"], symbol["r"]
            over = tree.query(shapely.box(x - r, y - r, x + r, y + r), predicate="intersects")
            assert not symbol["soft"] < 0.5 or not len(over)
        leads = {
            k: shapely.LineString(np.reshape(g["lead"], (2, 2)))
            for k, (_, g) in enumerate(placed)
            if g["lead"]
        }
        assert leads
        for k, lead in leads.items():
            assert set(tree.query(lead, predicate="intersects")) <= {k}
        crossing = [(k, m) for k in leads for m in leads if k < m and leads[k].crosses(leads[m])]
        assert not crossing


def test_a_name_alone_stands_at_its_place(scene: Scene, opened: Callable[..., Opened]) -> None:
    """With nothing near, a name of its own place is centred on it, and one of a symbol is beside it, no line back."""
    page = opened(standalone_html(scene)).page
    free = {
        "w": 40,
        "h": 15,
        "rank": 5,
        "clear": 3,
        "reach": 60,
        "turn": 0.0,
        "home": True,
        "spots": [[100, 50]],
    }
    (given,) = page.evaluate(PLACE, [[free], [], []])
    assert (given["x"], given["y"], given["lead"]) == (80, 42.5, None)
    (beside,) = page.evaluate(
        PLACE, [[{**free, "home": False, "clear": 8}], [{"x": 100, "y": 50, "r": 8, "soft": 0}], []]
    )
    assert 108 < beside["x"] < 115
    assert beside["lead"] is None
    none = page.evaluate(PLACE, [[{**free, "reach": 0}], [{"x": 100, "y": 50, "r": 8, "soft": 0}], []])
    assert none == [None]


@pytest.mark.parametrize("kind", ["strip", "ring"])
def test_a_drawing_runs_nothing(kind: str, hostile_scene: Scene, opened: Callable[..., Opened]) -> None:
    """A drawing opened by itself, or put into a page as it is, runs nothing and asks for nothing."""
    svg = (draw_strip if kind == "strip" else draw_ring)(hostile_scene, "H1")
    for content, ending in ((svg, "svg"), (f"<!doctype html><div class='wf-box'>{svg}</div>", "html")):
        found = opened(content, ending=ending)
        assert found.quiet(), found
        assert found.page.evaluate("document.querySelectorAll('script, img, foreignObject').length") == 0
