"""How long the drains page takes in Chromium from a step of the slider to the answer drawn again.

Run ``python tests/benchmarks/bench_drains_page.py [site]``. The app is started by its own command; a step is
timed in the browser from the key pressed on the slider to the first frame painted in which the sentence
and the section have both changed, so the server, the socket and the drawing are in it; the map's own
repaint is not.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import statistics
import sys
import time
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, sync_playwright

ROOT = Path(__file__).resolve().parents[2]
STEPS, ROUNDS = 20, 3
REDRAW_MS = 400
MAP_FRAME = 'iframe[title="streamlit_folium.st_folium"]'
ARM = """() => { window.redrawn = new Promise(done => {
  const asked = document.querySelector('.wf-answer + .wf-note');
  const before = {
    said: asked.textContent, section: document.querySelector('iframe[title="Section along the drain"]').srcdoc
  };
  let pressed = 0;
  addEventListener('keydown', () => { pressed = performance.now(); }, {capture: true, once: true});
  const ends = setTimeout(() => done(NaN), 15000);
  const look = () => {
    const said = document.querySelector('.wf-answer + .wf-note');
    const frame = document.querySelector('iframe[title="Section along the drain"]');
    const shown = frame && frame.srcdoc !== before.section && frame.dataset.shown === frame.srcdoc.length + '';
    if (pressed && said && said.textContent !== before.said && shown) {
      clearTimeout(ends);
      requestAnimationFrame(() => done(performance.now() - pressed));
      return;
    }
    requestAnimationFrame(look);
  };
  const frame = document.querySelector('iframe[title="Section along the drain"]');
  frame.onload = () => { frame.dataset.shown = frame.srcdoc.length + ''; };
  requestAnimationFrame(look);
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


def time_step(page: Page, key: str) -> float:
    """Return the milliseconds from one key on the slider to the answer drawn again."""
    page.evaluate(ARM)
    page.keyboard.press(key)
    took: float = page.evaluate("() => window.redrawn")
    if took is None or took != took:  # noqa: PLR0124 - NaN
        raise RuntimeError("a step of the slider changed nothing in fifteen seconds")
    page.wait_for_timeout(150)
    return took


def main() -> None:
    """Print the median and the worst of twenty steps, three times over, and the machine's load."""
    site = sys.argv[1] if len(sys.argv) > 1 else "old_school"
    tools = browser_tools()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        with tools.serving(ROOT / "demo_sites") as served:
            watched = tools.watch(browser.new_context(viewport={"width": 1440, "height": 900}))
            start = time.perf_counter()
            page = watched.open(served.address("drains", site))
            page.locator('iframe[title="Section along the drain"]').wait_for()
            watched.map_frame()
            print(f"{site}: first view, nothing computed yet: {time.perf_counter() - start:.1f} s")
            watched.settle()
            page.get_by_role("slider").first.focus()
            for _ in range(3):
                time_step(page, "ArrowRight")
            for turn in range(ROUNDS):
                keys = ["ArrowRight"] * (STEPS // 2) + ["ArrowLeft"] * (STEPS // 2)
                took = [time_step(page, key) for key in keys]
                middle, load = statistics.median(took), os.getloadavg()[0]
                print(
                    f"slider to answer, round {turn + 1}: median {middle:.0f} ms of {STEPS}, worst {max(took):.0f}"
                    f" ms; {REDRAW_MS / middle:.2f} times as fast as asked; load {load:.1f} on {os.cpu_count()}"
                )
            watched.assert_quiet()
        browser.close()


if __name__ == "__main__":
    main()
