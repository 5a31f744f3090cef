"""The program dies while somebody types: the page says so, keeps the typing, and it is saved afterwards."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from geo.site.folder import read_site
from geo.store.store import Store, open_store

pytestmark = pytest.mark.browser
ROOT = Path(__file__).parents[2]
FIRST = ["F1", "A", "inside", "Resistance, two pins, on masonry or plaster", "PIN-9", "brick"]
SLOW_MS = 90_000


class Program:
    """The app on one port, to be killed and started again."""

    def __init__(self, where: Path, cache: Path) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self.env = {**os.environ, "WALLFOOT_WORKSPACE": str(where), "WALLFOOT_CACHE": str(cache)}
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it answers."""
        command = Path(sys.executable).with_name("wallfoot")
        self.process = subprocess.Popen(
            [command, "app", "demo_sites", "--no-browser", "--port", str(self.port)],
            cwd=ROOT, env=self.env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            start_new_session=True,
        )  # fmt: skip
        for _ in range(240):
            with suppress(OSError), urllib.request.urlopen(f"{self.url}/_stcore/health", timeout=2):
                return
            time.sleep(0.25)
        raise AssertionError("the app did not come up in a minute")

    def kill(self) -> None:
        """Kill it as a flat battery would."""
        if self.process is not None and self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait(10)


@pytest.fixture
def program(tmp_path: Path) -> Iterator[tuple[Program, Store, str]]:
    """Return the running program, its workspace opened here, and the site in it."""
    where = tmp_path / "w.sqlite"
    with open_store(where, cache=tmp_path / "cache") as store:
        site_id = store.take_in(read_site(ROOT / "demo_sites" / "semi_on_a_slope"), by="surveyor")
        made = Program(where, tmp_path / "cache")
        made.start()
        try:
            yield made, store, site_id
        finally:
            made.kill()


@pytest.fixture
def page(chromium: Browser) -> Iterator[Page]:
    """Return a page of one browser, which keeps what it is given until the test is over."""
    context = chromium.new_context(viewport={"width": 1440, "height": 1000})
    opened = context.new_page()
    opened.set_default_timeout(SLOW_MS)
    yield opened
    context.close()


def open_grid(page: Page, address: str) -> None:
    """Open the page and wait for its first blank cell."""
    page.goto(address)
    page.locator("td.sign[data-state='saved']").first.wait_for()
    page.wait_for_function(
        "() => { const host = [...document.querySelectorAll('*')].find(e => e.shadowRoot &&"
        " e.shadowRoot.querySelector('.wf-grid')); const at = host && host.shadowRoot.activeElement;"
        " return at && at.dataset.column === 'face' && at.value === ''; }"
    )


def type_line(page: Page, cells: list[str]) -> None:
    """Type cells with the tabulator between them and Enter at the end."""
    for i, cell in enumerate(cells):
        page.keyboard.type(cell)
        page.keyboard.press("Enter" if i == len(cells) - 1 else "Tab")


def come_about(page: Page, true: Callable[[], bool]) -> None:
    """Wait until something is so."""
    for _ in range(300):
        if true():
            return
        page.wait_for_timeout(100)
    raise AssertionError("it did not come about")


@pytest.mark.parametrize("reload", [True, False])
def test_what_is_typed_while_the_program_is_gone_is_saved_once_it_is_back(
    program: tuple[Program, Store, str], page: Page, reload: Any
) -> None:
    """One line before, one while it is dead, and a change to the first: each is there once afterwards."""
    served, store, site_id = program
    before = store.site(site_id).of("reading")

    def added() -> list[tuple[Any, ...]]:
        own = [r for r in store.site(site_id).of("reading") if r not in before]
        return sorted((r.distance_m, r.height_m, r.value) for r in own)

    open_grid(page, f"{served.url}/type-in?site={site_id}")
    expect(page.get_by_text("Records are kept in")).to_contain_text("w.sqlite")
    type_line(page, [*FIRST, "0.41", "0.1", "31"])
    come_about(page, lambda: added() == [(0.41, 0.1, "31")])
    expect(page.locator("td.sign[data-state='saved']")).to_have_count(13)

    served.kill()
    expect(page.get_by_text("Not connected: typed work is kept in this browser")).to_be_visible()
    type_line(page, ["0.82", "0.1", "32"])
    first = page.locator("tr", has=page.locator('td.sign[data-state="saved"]')).last
    first.locator('input[data-column="value"]').fill("35")
    page.wait_for_timeout(1500)

    served.start()
    if reload:
        page.reload()
    come_about(page, lambda: added() == [(0.41, 0.1, "35"), (0.82, 0.1, "32")])
    expect(page.get_by_text("Not connected")).to_have_count(0)
    expect(page.locator("td.sign[data-state='typed']")).to_have_count(0)
    page.wait_for_timeout(9000)
    assert added() == [(0.41, 0.1, "35"), (0.82, 0.1, "32")]
    assert store.verify() == ()
