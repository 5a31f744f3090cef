"""Other people's files brought in: tables, layers, a logger, the ground, a scanned plan."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from PIL import Image, ImageDraw
from playwright.sync_api import Frame, Page, expect

pytestmark = pytest.mark.browser
SLOW_MS = 60_000
DEMO = Path(__file__).parents[2] / "demo_sites" / "semi_on_a_slope"
PICTURE = ".wf-picture"
MAP = 'iframe[title="streamlit_folium.st_folium"]'
TABLE = """Survey of the house;;;;;
Ref;Wall;Height (cm);Moisture;Meter;Wall material
X1;F1;40;12,5;PIN-9;brickwork
X2;F2;80;<7,0;PIN-9;brickwork
X3;F2;120;18,0;PIN-9;brickwork
"""


def settle(page: Page) -> None:
    """Wait until the server has nothing left to say, and the page has drawn it."""
    page.wait_for_timeout(400)
    page.wait_for_function(
        "() => !document.querySelector('[data-testid=stStatusWidget], [data-testid=stProgress],"
        " [data-testid=stSpinner], [data-stale=true]')"
    )
    page.wait_for_timeout(300)


def opened(visit: Callable[..., Any], workspace: Any) -> Page:
    """Open the page Import of the site."""
    page = visit(1440, 1400).open(workspace.address("import"))
    settle(page)
    page.set_default_timeout(SLOW_MS / 2)
    return page


def give(page: Page, name: str, content: bytes | str) -> None:
    """Give the page a file."""
    raw = content.encode() if isinstance(content, str) else content
    page.locator('input[type="file"]').first.set_input_files(
        {"name": name, "mimeType": "application/octet-stream", "buffer": raw}
    )
    expect(page.get_by_text(name).first).to_be_visible(timeout=SLOW_MS)
    settle(page)


def choose(page: Page, label: str, word: str) -> None:
    """Choose a word in the list with a label."""
    page.locator('[data-testid="stSelectbox"]').filter(has_text=label).locator("input").first.click()
    page.keyboard.type(word)
    page.get_by_role("option", name=word, exact=True).click()
    settle(page)


def wait_for(page: Page, true: Callable[[], bool]) -> None:
    """Wait until something is so in the workspace."""
    for _ in range(200):
        if true():
            return
        page.wait_for_timeout(100)
    raise AssertionError("it did not come about")


def test_a_strangers_table_comes_in_whole_once_every_question_is_answered(
    visit: Callable[..., Any], workspace: Any, tmp_path: Path
) -> None:
    """Nothing may be brought in before the method, the word and the basis are answered; then all, and undone."""

    def readings() -> dict[str, Any]:
        return {one.id: one for one in workspace.store.site(workspace.site_id).of("reading")}

    before = readings()
    page = opened(visit, workspace)
    give(page, "book.xlsx", b"PK\x03\x04 cut short")
    expect(page.get_by_text("book.xlsx cannot be brought in")).to_be_visible()
    give(page, "strange.csv", TABLE)
    bring = page.get_by_role("button", name="Bring in 3 records")
    expect(page.get_by_text("2 questions above are not answered.")).to_be_visible()
    assert bring.count() == 0
    with page.expect_download() as waiting:
        page.get_by_role("button", name="All of these as CSV").click()
    waiting.value.save_as(tmp_path / "problems.csv")
    told = (tmp_path / "problems.csv").read_text(encoding="utf-8-sig").splitlines()
    assert told[0] == "row,column,found,allowed,to mend it,kind"
    assert sum("'brickwork' is not one of its words" in line for line in told) == 3
    choose(page, "What does 'brickwork' in the column 'Wall material' mean?", "brick")
    choose(page, "No column gives method: How it was read. Which is it?", "Carbide pressure vessel")
    assert bring.count() == 0  # the method opens one more question, which nobody may guess
    page.get_by_text("share of dry mass", exact=False).first.click()
    settle(page)
    expect(page.get_by_text("3 of 3 rows are right")).to_be_visible()
    bring.click()
    wait_for(page, lambda: len(readings()) == len(before) + 3)
    came = {name: one for name, one in readings().items() if name not in before}
    assert {name: (one.face, one.height_m, one.value, one.basis) for name, one in came.items()} == {
        "X1": ("F1", 0.4, "12.5", "dry"),
        "X2": ("F2", 0.8, "<7.0", "dry"),
        "X3": ("F2", 1.2, "18.0", "dry"),
    }
    saves = workspace.store.saves(workspace.site_id)
    assert {event.save_id for name in came for event in workspace.store.history(workspace.site_id, name)} == {
        max(save.save_id for save in saves)
    }
    page.get_by_role("button", name="Undo that").click()
    wait_for(page, lambda: readings() == before)


def test_layers_a_logger_and_the_ground_come_in(visit: Callable[..., Any], workspace: Any) -> None:
    """A drawing in no stated grid is asked for it; a logger's zone is asked; the ground's kind and source too."""

    def site() -> Any:
        return workspace.store.site(workspace.site_id)

    house = next(one.geometry for one in site().of("building") if one.role == "subject")
    west, south, _, _ = house.bounds
    page = opened(visit, workspace)
    points = [
        {
            "type": "Feature",
            "properties": {"ref": name},
            "geometry": {"type": "Point", "coordinates": [west + 2 * at, south - 0.5]},
        }
        for at, name in enumerate(("NG1", "NG2<script>alert(1)</script>"))
    ]
    give(page, "gullies.geojson", json.dumps({"type": "FeatureCollection", "features": points}))
    choose(page, "Its shapes are", "Gullies")
    page.get_by_text("the site's own", exact=False).first.click()
    settle(page)
    page.locator(MAP).wait_for(timeout=SLOW_MS)
    page.get_by_role("button", name="Bring in 2 records").click()
    wait_for(page, lambda: {"NG1", "NG2<script>alert(1)</script>"} <= {one.id for one in site().of("gully")})
    kept = next(one for one in site().of("gully") if one.id == "NG1")
    assert (kept.easting_m, kept.northing_m) == pytest.approx((west, south - 0.5), abs=1e-3)

    settle(page)
    hours = [f"2026-10-25 0{at // 2}:{30 * (at % 2):02d},{14 + at},60" for at in range(8) if at != 5]
    give(page, "logger.csv", "\n".join(["Date/Time,Temperature (°C),Humidity (%RH)", *hours]))
    expect(page.get_by_text("The series cannot be read yet")).to_be_visible()
    choose(page, "To which zone was the logger's clock set", "UTC+00:00: winter time all year")
    expect(page.get_by_text("nothing from 2026-10-25T02:00:00Z to 2026-10-25T03:00:00Z")).to_be_visible()
    choose(page, "Where it hung", "room")
    page.get_by_label("The logger's own id").fill("LOG-1")
    page.get_by_label("The logger's own id").press("Tab")
    settle(page)
    page.get_by_role("button", name="Bring in 4 records").click()
    wait_for(page, lambda: sum(one.instrument == "LOG-1" for one in site().of("environment")) == 4)
    air = [one for one in site().of("environment") if one.instrument == "LOG-1"]
    assert [(one.taken_at, one.air_c) for one in air] == [
        (f"2026-10-25T0{hour}:00:00Z", value) for hour, value in enumerate((14.0, 16.0, 18.0, 20.0))
    ]
    assert workspace.store.file(workspace.site_id, "loggers/logger.csv").startswith(b"Date/Time")

    settle(page)
    raw = (DEMO / "ground.tif").read_bytes()
    give(page, "heights.tif", raw)
    page.get_by_text("heights of the ground", exact=True).click()
    settle(page)
    page.get_by_role("button", name="Bring in the ground").click()
    settle(page)
    expect(page.get_by_text("model is not said").first).to_be_visible()
    page.get_by_text("ground model (bare earth)").first.click()
    page.get_by_label("Where does it come from").fill("flown for the test, open licence")
    page.get_by_label("Where does it come from").press("Tab")
    settle(page)
    page.get_by_role("button", name="Bring in the ground").click()
    wait_for(page, lambda: site().ground.source == "flown for the test, open licence")
    assert workspace.store.file(workspace.site_id, "ground.tif") == raw


def test_a_scanned_plan_is_placed_by_corners_and_lies_under_the_drawing(
    visit: Callable[..., Any], workspace: Any, living_frame: Callable[[Page, str], Frame]
) -> None:
    """Three taps within a pixel or two place the plan as it was drawn; in a line they are refused."""
    site = workspace.store.site(workspace.site_id)
    house = next(one.geometry for one in site.of("building") if one.role == "subject")
    west, _, _, north = house.bounds
    corners = [((x - west + 4) * 40, (north + 4 - y) * 40) for x, y in house.exterior.coords]
    image = Image.new("L", (1200, 900), 255)
    ImageDraw.Draw(image).line(corners, fill=0, width=4)
    raw = io.BytesIO()
    image.save(raw, "PNG")
    page = opened(visit, workspace)
    give(page, "plan of 1974.png", raw.getvalue())

    def mark(column: float, row: float, place: tuple[float, float]) -> None:
        box = page.locator(PICTURE).locator("img").bounding_box()
        assert box is not None
        page.mouse.click(box["x"] + box["width"] * column / 1200, box["y"] + box["height"] * row / 900)
        settle(page)
        choose(page, "On the ground it is", "at easting and northing")
        for label, value in zip(("Easting, m", "Northing, m"), place, strict=True):
            page.get_by_label(label).last.fill(f"{value:.3f}")
            page.get_by_label(label).last.press("Tab")
            settle(page)
        page.get_by_role("button", name="Add the point").click()
        settle(page)

    points = list(house.exterior.coords)
    keep = page.get_by_role("button", name="Keep the plan under the map")
    mark(*corners[0], points[0])
    middle = [(a + b) / 2 for a, b in zip(points[0], points[1], strict=True)]
    mark((corners[0][0] + corners[1][0]) / 2, (corners[0][1] + corners[1][1]) / 2, (middle[0], middle[1]))
    mark(*corners[1], points[1])
    expect(page.get_by_text("nearly in a line", exact=False).first).to_be_visible()
    assert keep.count() == 0
    page.get_by_role("button", name="Take out P2").click()
    settle(page)
    mark(*corners[2], points[2])
    expect(page.get_by_text("RMS residual", exact=False)).to_be_visible()
    keep.click()
    name = "plans/plan of 1974.tif"
    wait_for(page, lambda: name in workspace.store.file_versions(workspace.site_id))
    with rasterio.MemoryFile(workspace.store.file(workspace.site_id, name)) as held, held.open() as placed:
        assert placed.crs.to_epsg() == 27700
        found = np.array([placed.transform * corner for corner in corners])
    assert np.abs(found - np.array(points)).max() < 0.06  # two pixels of 25 mm
    page.get_by_text("Record", exact=True).first.click()
    page.get_by_role("menuitem", name="Draw", exact=True).click()
    settle(page)
    living_frame(
        page,
        "() => { const under = document.querySelector('.leaflet-image-layer');"
        " return under && under.complete && under.naturalWidth > 100; }",
    )
