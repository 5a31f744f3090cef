"""Time the first view of the pages of many homes, as a person waits for it, with 50,000 homes.

Run: ``python tests/benchmarks/bench_homes_page.py [HOMES] [EVENTS_A_HOME] [TIMES]``. HOMES go in by the same door
as anybody's, then the database copies their rows under other numbers TIMES times and places are dealt out. What
the server asks the register is timed by itself; then a browser opens each page, and the time is taken from the
address being asked for until the list, or the canvas of the map, is drawn; the app is warm, the visitor new.
"""

from __future__ import annotations

import datetime as dt
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "browser"))
from bench_register import LOT, NOW, VIEWER, made, multiply
from conftest import serving
from playwright.sync_api import Page, sync_playwright

from app.widgets.many_map import packed
from geo.portfolio.keys import USUAL
from geo.portfolio.placed import listed, placed, placed_near
from geo.portfolio.register import Register, open_register

ROOT = Path(__file__).parents[2]
REPEATS = 5
PATIENCE_MS = 120_000
LIST = ".wf-list .row[data-home]"
MAP = ".wf-many canvas[data-drawn]"


def ms(work: Callable[[], object]) -> str:
    """Return the median and the longest time of a piece of work, in words."""
    took = []
    for _ in range(REPEATS):
        began = time.perf_counter()
        work()
        took.append(1000 * (time.perf_counter() - began))
    return f"{statistics.median(took):.0f} ms, longest {max(took):.0f}"


def filled(register: Register, homes: int, each: int, times: int) -> None:
    """Fill a register and give every home a place in a town of its estate."""
    register.begin("L1")
    for lot in made(homes, each):
        register.append(VIEWER, lot, by="manager")
    multiply(register, times)
    with register._engine.begin() as connection:
        connection.exec_driver_sql(
            "update home_state set easting_m = 400000 + 9000 * (abs(random()) % 17) + abs(random()) % 1600,"
            " northing_m = 300000 + 9000 * (abs(random()) % 13) + abs(random()) % 1600"
        )


def ask(register: Register) -> None:
    """Print what the server waits for."""
    far = listed(register, VIEWER, USUAL, now=NOW, limit=50).homes
    say(f"{far:,} homes with an open case; lots of {LOT}")
    say("first page of the list: " + ms(lambda: listed(register, VIEWER, USUAL, now=NOW, limit=50)))
    say(
        "a page in the middle: "
        + ms(lambda: listed(register, VIEWER, USUAL, now=NOW, limit=50, offset=far // 2))
    )
    found = placed(register, VIEWER, "wet", now=NOW, only="all")
    say(
        f"{len(found.table):,} homes placed: "
        + ms(lambda: placed(register, VIEWER, "wet", now=NOW, only="all"))
    )
    state = register.state(VIEWER, "H000007") or {}
    say("those round one home: " + ms(lambda: placed_near(register, VIEWER, "wet", state, now=NOW)))
    table = found.table
    points = (table["home_id"], table["easting_m"], table["northing_m"], table["step"], table["estate"])
    say("packed for the browser: " + ms(lambda: packed(*points)))
    say("one home's dates: " + ms(lambda: register.cases(VIEWER, "H000007")))
    say("rates by estate: " + ms(lambda: register.patterns(VIEWER, "soakaway")))


def look(where: Path) -> None:
    """Print what a person waits for."""
    with serving(ROOT / "demo_sites", workspace=where) as served, sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        )
        for name, path, seen in (
            ("plain page of one house", "not-known", ".wf-title"),
            ("list", "homes", LIST),
            ("map", "homes?homes-view=Map&homes-only=Every+home", MAP),
            ("home", "home?home=H000007", ".wf-clock, .wf-sub"),
            ("estates", "estate", "[class*=st-key-fitted] iframe"),
        ):
            took = []
            for _ in range(REPEATS):
                page = browser.new_page(viewport={"width": 1440, "height": 900})
                took.append(until(page, f"{served.url}/{path}", seen))
                if name == "map":
                    moving(page)
                page.close()
            told = f"first {took[0]:.2f} s, then {statistics.median(took[1:]):.2f} s, longest {max(took[1:]):.2f}"
            say(f"{name} in the browser: {told}")
        browser.close()


def until(page: Page, address: str, seen: str) -> float:
    """Return the seconds from asking for a page until something of it is there."""
    began = time.perf_counter()
    page.goto(address)
    page.locator(seen).first.wait_for(timeout=PATIENCE_MS)
    return time.perf_counter() - began


def moving(page: Page) -> None:
    """Print how long one picture of the map takes to paint."""
    canvas = page.locator(MAP)
    count, kind = canvas.get_attribute("data-count"), canvas.get_attribute("data-drawn")
    took = []
    for _ in range(12):
        canvas.press("ArrowLeft")
        page.wait_for_timeout(40)
        took.append(float(canvas.get_attribute("data-took") or "nan"))
    say(f"   {count} homes as {kind}: {statistics.median(took):.1f} ms a picture, longest {max(took):.1f}")


def say(told: str) -> None:
    """Print a line as soon as it is known."""
    print(f"{dt.datetime.now(dt.UTC):%H:%M:%S}  {told}", flush=True)


def main(homes: int = 1000, each: int = 12, times: int = 50) -> None:
    """Fill, ask and look."""
    with tempfile.TemporaryDirectory() as name:
        where = Path(name) / "w.sqlite"
        with open_register(where) as register:
            filled(register, homes, each, times)
            say(f"{homes * times:,} homes, {homes * times * each:,} events")
            ask(register)
        look(where)


if __name__ == "__main__":
    main(*(int(one) for one in sys.argv[1:4]))
