"""How long the map takes in Chromium: its first view, and a change of filter or layer with 500 readings.

Run ``python tests/benchmarks/bench_browser.py``. The site is a demo site whose readings are copied to 500;
the app is started by its own command. A change is timed in the browser from the click to the first frame
painted with the new readings in the map, so the server, the socket and the drawing are all in it.
"""

from __future__ import annotations

import importlib.util
import math
import re
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from playwright.sync_api import Frame, Page, sync_playwright

ROOT = Path(__file__).resolve().parents[2]
READINGS = 500
CHANGES = 20
VIEWS = 3
REDRAW_MS = 400
FIRST_VIEW_S = 3.0
COUNT = "document.querySelectorAll('path.leaflet-interactive, .wf-off').length"
ARM = """() => { window.redrawn = new Promise(done => {
  let last = 0, timer = 0;
  setTimeout(() => { if (!last) { done(NaN); } }, 10000);
  const seen = new MutationObserver(() => {
    requestAnimationFrame(() => { last = performance.timeOrigin + performance.now(); });
    clearTimeout(timer);
    timer = setTimeout(() => { seen.disconnect(); done(last); }, 350);
  });
  seen.observe(document.querySelector('.leaflet-map-pane'), {childList: true, subtree: true});
}); }"""


def browser_tools() -> Any:
    """Return what the browser tests share."""
    path = ROOT / "tests" / "browser" / "conftest.py"
    spec = importlib.util.spec_from_file_location("browser_tools", path)
    assert spec is not None
    assert spec.loader is not None
    tools = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = tools
    spec.loader.exec_module(tools)
    return tools


def write_site(folder: Path, tools: Any) -> None:
    """Copy a demo site and repeat its readings, a little along the wall, until there are enough."""
    shutil.copytree(ROOT / "demo_sites" / "semi_on_a_slope", folder)
    rows = tools.in_rows(folder / "readings.csv")
    own = [row for row in rows if row["control"] == "no" and row["position_by"] == "chainage_offset"]
    for number in range(READINGS - len(rows)):
        row = own[number % len(own)]
        moved = float(row["chainage_m"]) + 0.03 * (1 + number // len(own))
        rows.append({**row, "id": f"n{number:03d}", "chainage_m": f"{moved:.3f}"})
    tools.write_rows(folder / "readings.csv", rows)


def time_change(page: Page, frame: Frame, click: Any) -> float:
    """Return the milliseconds from a click to the last frame painted because of it."""
    frame.evaluate(ARM)
    page.evaluate(
        "() => addEventListener('click', () => { window.clicked = performance.timeOrigin + performance.now(); },"
        " {capture: true, once: true})"
    )
    click()
    painted: float = frame.evaluate("() => window.redrawn")
    clicked: float = page.evaluate("() => window.clicked")
    if painted is None or math.isnan(painted):
        raise RuntimeError("a change drew nothing in ten seconds")
    page.wait_for_timeout(250)
    return painted - clicked


def changes(page: Page, frame: Frame) -> dict[str, list[float]]:
    """Time layers switched, wet readings alone and groups chosen, turn about, twenty in all."""
    pills = page.locator('[data-testid="stButtonGroup"] button')
    took: dict[str, list[float]] = {"layer": [], "wet only": [], "group": []}

    def press(name: str) -> None:
        took["layer"].append(time_change(page, frame, pills.get_by_text(name, exact=True).click))

    def wet_only() -> None:
        took["wet only"].append(
            time_change(page, frame, page.locator('[data-testid="stCheckbox"] label').click)
        )

    def choose(words: str) -> None:
        page.locator('[data-testid="stSelectbox"]').nth(1).locator("input").click()
        option = page.get_by_role("option").filter(has_text=words)
        took["group"].append(time_change(page, frame, option.click))

    for group, name in (("PAD-2", "Fall by raster"), ("PIN-1", "Values")):
        press(name)
        press("Wet stretches")
        wet_only()
        press("Readings")
        press("Readings")  # and all of it back again
        wet_only()
        press("Wet stretches")
        press(name)
        choose(group)
        choose("every group")
    return took


def first_view(browser: Any, tools: Any, address: str) -> tuple[float, Any, Frame]:
    """Return the seconds from the address to the readings drawn, for a visitor with an empty cache."""
    watched = tools.watch(browser.new_context(viewport={"width": 1440, "height": 1000}))
    start = time.perf_counter()
    watched.page.goto(address)
    frame = watched.map_frame()
    frame.wait_for_function(f"() => {COUNT} >= {READINGS}")
    took = time.perf_counter() - start
    return took, watched, frame


def main() -> None:
    """Print medians, and how many times faster than asked."""
    tools = browser_tools()
    chromium = shutil.which("chromium")
    with tempfile.TemporaryDirectory() as made, sync_playwright() as playwright:
        folder = Path(made) / "five_hundred"
        write_site(folder, tools)
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        with tools.serving(folder) as served:
            cold, watched, frame = first_view(browser, tools, served.address())
            watched.page.context.close()
            warm = []
            for _ in range(VIEWS):
                took, watched, frame = first_view(browser, tools, served.address())
                warm.append(took)
                if len(warm) < VIEWS:
                    watched.page.context.close()
            said = watched.page.get_by_text(re.compile("readings pass the filter")).inner_text()
            took = changes(watched.page, frame)
            watched.assert_quiet()
        browser.close()
    every = [ms for of_kind in took.values() for ms in of_kind]
    assert len(every) == CHANGES
    middle = statistics.median(every)
    print(said)
    print(f"first view, nothing computed yet: {cold:.2f} s")
    view = statistics.median(warm)
    print(
        f"first view, findings kept: {view:.2f} s (median of {VIEWS}); {FIRST_VIEW_S / view:.2f} times as fast as asked"
    )
    for kind, times in took.items():
        print(
            f"  {kind}: median {statistics.median(times):.0f} ms of {len(times)}, worst {max(times):.0f} ms"
        )
    print(f"redraw: median {middle:.0f} ms of {CHANGES}; {REDRAW_MS / middle:.2f} times as fast as asked")


if __name__ == "__main__":
    main()
