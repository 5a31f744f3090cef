"""Many homes as a landlord's manager reads them: order, map, one home, its evidence, rates of an estate."""

from __future__ import annotations

import io
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from geo.cli_demo import fill

pytestmark = pytest.mark.browser
DEMO = Path(__file__).parents[2] / "demo_sites"


@pytest.fixture(scope="module")
def homes(serve: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Return the app over a workspace with the invented estate, told as at its own date."""
    where = tmp_path_factory.mktemp("many")
    shutil.copytree(DEMO / "estate", where / "demo" / "estate")
    fill(where / "w.sqlite", where / "demo")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("WALLFOOT_AT", "2026-12-10T12:00")
        yield serve(Path("demo_sites"), workspace=where / "w.sqlite")


def test_order_home_and_evidence(visit: Callable[..., Any], homes: Any, tmp_path: Path) -> None:
    """A key taken first changes the first home; a touch opens it; its evidence is a sound ZIP."""
    watched = visit()
    page = watched.open(homes.address("homes"))
    rows = page.locator(".wf-list button.row")
    expect(rows.first).to_contain_text("by law", timeout=60_000)
    expect(page.get_by_role("combobox", name="Site")).to_have_count(0)
    assert "site=" not in page.url
    page.get_by_role("button", name="date by law: take out").click()
    watched.settle()
    expect(page.locator(".wf-list .key").first).to_contain_text("emergency, not made safe")
    expect(rows.first).to_contain_text("A03")  # the one emergency of the truth
    expect(page.locator(".wf-list .before").nth(1)).to_contain_text("emergency, not made safe")
    assert page.evaluate("document.documentElement.scrollWidth") <= 1440
    rows.first.click()
    expect(page.locator(".wf-title")).to_have_text("Home A03", timeout=60_000)
    expect(page.locator(".wf-clock").first).to_contain_text("Thu 10 Dec 2026 20:15")
    with page.expect_download() as taken:
        page.get_by_role("button", name="Evidence of this home, ZIP").click()
    taken.value.save_as(tmp_path / "home.zip")
    with zipfile.ZipFile(io.BytesIO((tmp_path / "home.zip").read_bytes())) as packed:
        assert packed.testzip() is None
        assert {"events.csv", "clocks.csv", "SHA256SUMS"} <= set(packed.namelist())
    assert "compliant" not in page.content().lower()
    page.get_by_test_id("stTopNavLink").filter(has_text="Strip").click()
    expect(page.get_by_role("combobox", name="Site")).to_be_visible(timeout=60_000)
    page.wait_for_url("**/strip?site=*")


def test_the_map_counts_when_far_and_opens_a_home_when_near(visit: Callable[..., Any], homes: Any) -> None:
    """240 homes packed close are squares; nearer they stand each by itself, and a touch opens one."""
    watched = visit(820, 1180)
    page = watched.open(homes.address("homes?homes-view=Map&homes-only=Every+home"))
    canvas = page.locator(".wf-many canvas[data-drawn]").first
    expect(canvas).to_have_attribute("data-count", "240", timeout=60_000)
    expect(canvas).to_have_attribute("data-drawn", "squares")
    assert page.evaluate("document.documentElement.scrollWidth") <= 820
    page.goto(homes.address("home?home=D21&home-view=Map"))
    canvas = page.locator(".wf-many canvas[data-drawn=homes]").first
    canvas.wait_for(timeout=60_000)
    box = canvas.bounding_box()
    assert box is not None
    watched.settle()
    tip = page.locator(".wf-many .tip")
    other = ""
    for across in range(4, int(box["width"] / 2), 4):
        page.mouse.move(box["x"] + box["width"] / 2 + across, box["y"] + box["height"] / 2)
        other = (tip.locator("b").text_content() or "") if tip.is_visible() else ""
        if other not in ("", "D21"):
            page.mouse.click(box["x"] + box["width"] / 2 + across, box["y"] + box["height"] / 2)
            break
    assert other not in ("", "D21"), "no neighbour was found to the east"
    expect(page.locator(".wf-title")).to_have_text(f"Home {other}", timeout=60_000)


def test_rates_of_an_estate(visit: Callable[..., Any], homes: Any) -> None:
    """Denominators stand beside the rates, a shared soakaway once, and a sample is drawn."""
    watched = visit()
    page = watched.open(homes.address("estate"))
    expect(page.get_by_text("14 of 96", exact=True)).to_be_visible(timeout=60_000)
    expect(page.frame_locator("iframe").first.locator("svg")).to_contain_text("7 of 18 (38.9 %)")
    expect(page.get_by_role("cell", name="SK-D-shared", exact=True)).to_have_count(1)
    expect(page.get_by_text("Look before a programme")).to_be_visible()
