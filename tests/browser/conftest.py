"""The real command in the background, and a browser that notes everything it should not have to do."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, BrowserContext, Frame, Page, expect, sync_playwright
from playwright.sync_api import Error as PlaywrightError

from app.parts import CANNOT
from geo.site.folder import read_site
from geo.store.store import Store, open_store

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_sites"
MAP_FRAME = 'iframe[title="streamlit_folium.st_folium"]'
PROBE = re.compile(r"^http://127\.0\.0\.1:\d+/[a-z-]+/_stcore/(health|host-config)$")
"""Under a page's own address the server is looked for there first; those two answers are 404 and mean nothing."""
SLOW_MS, LOOK_AGAIN_MS = 90_000, 10_000

HOSTILE = {
    "script": "<script>alert(1)</script>",
    "quote": "\"'><img src=x onerror=alert(2)>",
    "template": "`${alert(3)}` {{ 7*7 }} {% raw %}",
    "markdown": "![x](http://outside.invalid/x.png) <b>$y$</b> :red[z]",
}


def frame_with(page: Page, ready: str) -> Frame:
    """Return the map's frame once something holds in it, whatever frames the page puts in its place till then."""
    until = time.monotonic() + SLOW_MS / 1000
    while True:
        frame = page.locator(MAP_FRAME).last.element_handle(timeout=SLOW_MS).content_frame()
        try:
            assert frame is not None
            frame.wait_for_function(ready, timeout=LOOK_AGAIN_MS)
        except (AssertionError, PlaywrightError):
            if time.monotonic() > until:
                raise
        else:
            return frame


@dataclass
class Served:
    """A running app."""

    url: str
    process: subprocess.Popen[bytes]

    def address(self, page: str = "", site: str = "") -> str:
        """Return a page's address, of a named site or of the first."""
        return f"{self.url}/{page}" + (f"?site={site}" if site else "")


@dataclass
class Workspace:
    """A running app over a workspace, the same workspace opened here, and the site in it."""

    served: Served
    store: Store
    site_id: str
    where: Path

    def address(self, page: str) -> str:
        """Return a page's address for the site."""
        return self.served.address(page, self.site_id)


@dataclass
class Watched:
    """A page of the browser, and everything it did that it should not have."""

    page: Page
    outside: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    dialogs: list[str] = field(default_factory=list)

    def open(self, address: str) -> Page:
        """Open an address and wait for the head of a site, or of what is wrong with it."""
        self.page.goto(address)
        self.page.locator(".wf-title").first.wait_for(timeout=SLOW_MS)
        return self.page

    def open_map(self, address: str) -> Frame:
        """Open the map page and return the map's frame, its readings drawn."""
        self.open(address)
        return self.map_frame()

    def map_frame(self) -> Frame:
        """Return the map's frame once features are drawn in it."""
        return frame_with(self.page, "() => window.feature_group && window.feature_group.length")

    def settle(self) -> None:
        """Wait until the server has nothing left to say, and a moment later still has nothing."""
        for pause_ms in (350, 0):
            self.page.wait_for_function(
                "() => !document.querySelector('[data-testid=stStatusWidget], [data-testid=stProgress]"
                ", [data-testid=stSpinner], [data-stale=true]')",
                timeout=SLOW_MS,
            )
            self.page.wait_for_timeout(pause_ms)

    def choose(self, box: str, option: str) -> None:
        """Choose from a box by its name, once the page has only one of that name."""
        found = self.page.get_by_role("combobox", name=box)
        expect(found).to_have_count(1, timeout=SLOW_MS)
        found.scroll_into_view_if_needed()
        self.page.wait_for_timeout(300)  # a list that is open closes when the page rolls
        found.click()
        self.page.get_by_role("option", name=option, exact=True).click()
        self.settle()

    def assert_quiet(self) -> None:
        """Nothing was asked of the network or said in the console, no dialog came up, no part failed."""
        assert self.page.is_closed() or not self.page.get_by_text(CANNOT).count()
        assert self.outside == []
        assert self.said == []
        assert self.dialogs == []


def in_rows(path: Path) -> list[dict[str, str]]:
    """Return the rows of a CSV as they are written."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def write_rows(path: Path, rows: list[dict[str, str]]) -> None:
    """Write rows back under the same headers."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def rename(folder: Path, changes: dict[str, str]) -> None:
    """Give records other ids, wherever in a site they are named."""
    for path in folder.glob("*.csv"):
        rows = in_rows(path)
        write_rows(path, [{name: changes.get(cell, cell) for name, cell in row.items()} for row in rows])
    for path in folder.glob("*.geojson"):
        layer = json.loads(path.read_text(encoding="utf-8"))
        for feature in layer["features"]:
            told = feature["properties"]
            told.update(
                {name: changes.get(cell, cell) for name, cell in told.items() if isinstance(cell, str)}
            )
        path.write_text(json.dumps(layer, ensure_ascii=False), encoding="utf-8")


def hostile_copy(folder: Path) -> dict[str, str]:
    """Copy a demo site with ids and words that attack, and return what each id became."""
    shutil.copytree(DEMO / "semi_on_a_slope", folder)
    became = {
        "r001": "r1 " + HOSTILE["script"],
        "r002": "r2 " + HOSTILE["quote"],
        "r003": "r3 " + HOSTILE["template"],
        "r004": "r4 " + HOSTILE["markdown"],
        "PAD-2": HOSTILE["markdown"],
        "PIN-1": HOSTILE["script"],
        "G1": "G1 " + HOSTILE["quote"],
        "G2": "G2 " + HOSTILE["script"],
        "DP2": "DP2 " + HOSTILE["template"],
        "C1": "C1 " + HOSTILE["script"],
        "R1": "R1 " + HOSTILE["quote"],
        "B1": "B1 <img src=x onerror=alert(9)> *b*",
    }
    rename(folder, became)
    told = (folder / "site.toml").read_text(encoding="utf-8")
    name = json.dumps(" ".join(HOSTILE.values()))
    datum = json.dumps(HOSTILE["markdown"] + HOSTILE["script"])
    told = re.sub(r"(?m)^name = .*$", lambda _: f"name = {name}", told)
    told = re.sub(r"(?m)^datum = .*$", lambda _: f"datum = {datum}", told)
    (folder / "site.toml").write_text(told, encoding="utf-8")
    return became


@contextmanager
def serving(*folders: Path, workspace: str | Path | None = None) -> Iterator[Served]:
    """Run ``wallfoot app`` on a free port until the test is over, with a workspace of its own."""
    with tempfile.TemporaryDirectory(prefix="wallfoot-test-") as own:
        yield from _serving(folders, str(workspace or Path(own) / "workspace.sqlite"), Path(own) / "cache")


def _serving(folders: tuple[Path, ...], workspace: str, cache: Path) -> Iterator[Served]:
    command = Path(sys.executable).with_name("wallfoot")
    assert command.exists(), "the command is not installed beside this Python"
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    url = f"http://127.0.0.1:{port}"
    process = subprocess.Popen(
        [command, "app", *map(str, folders), "--no-browser", "--port", str(port)],
        cwd=ROOT,
        env={**os.environ, "WALLFOOT_WORKSPACE": workspace, "WALLFOOT_CACHE": str(cache)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        _await_health(url, process)
        yield Served(url, process)
    finally:
        os.killpg(process.pid, signal.SIGTERM)
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait(10)


def _await_health(url: str, process: subprocess.Popen[bytes]) -> None:
    for _ in range(240):
        assert process.poll() is None, "the command ended by itself"
        try:
            with urllib.request.urlopen(f"{url}/_stcore/health", timeout=2) as answer:
                if answer.status == 200:
                    return
        except (urllib.error.URLError, OSError):
            pass
        time.sleep(0.25)
    raise AssertionError("the app did not come up in a minute")


def watch(context: BrowserContext) -> Watched:
    """Open a page whose requests to the outside are refused and noted."""
    watched = Watched(context.new_page())

    def guard(route: Any) -> None:
        parts = urlsplit(route.request.url)
        if parts.scheme in ("data", "blob", "about", "file") or parts.hostname == "127.0.0.1":
            route.continue_()
        else:
            watched.outside.append(route.request.url)
            route.abort()

    def hear(message: Any) -> None:
        if message.type == "error" and not PROBE.match(message.location.get("url", "")):
            watched.said.append(f"{message.text} ({message.location.get('url')})")

    def refuse(dialog: Any) -> None:
        watched.dialogs.append(dialog.message)
        dialog.dismiss()

    context.route("**/*", guard)
    watched.page.on("console", hear)
    watched.page.on("pageerror", lambda error: watched.said.append(str(error)))
    watched.page.on("dialog", refuse)
    watched.page.on(
        "websocket",
        lambda opened: (
            None if urlsplit(opened.url).hostname == "127.0.0.1" else watched.outside.append(opened.url)
        ),
    )
    watched.page.set_default_timeout(SLOW_MS)
    return watched


@pytest.fixture(scope="session")
def living_frame() -> Callable[[Page, str], Frame]:
    """Return how to find the map's frame in which something holds: :func:`frame_with`."""
    return frame_with


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """Return Chromium; whoever asks for these tests must have it."""
    found = shutil.which("chromium")
    if found is None:
        pytest.fail("no Chromium on the path")
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=found, args=["--no-sandbox", "--disable-gpu"])
        yield launched
        launched.close()


@pytest.fixture(scope="session")
def app() -> Iterator[Served]:
    """Return the app on the demo sites."""
    with serving(Path("demo_sites")) as served:
        yield served


@pytest.fixture(scope="module")
def serve() -> Iterator[Callable[..., Served]]:
    """Return a starter of the app on other folders, or another workspace."""
    with ExitStack() as stack:
        yield lambda *folders, **where: stack.enter_context(serving(*folders, **where))


@pytest.fixture
def workspace(tmp_path: Path) -> Iterator[Workspace]:
    """Return the app over a workspace with one site in it, and that workspace."""
    where = tmp_path / "workspace.sqlite"
    with open_store(where, cache=tmp_path / "cache") as store:
        site_id = store.take_in(read_site(DEMO / "semi_on_a_slope"), by="surveyor")
        with serving(Path("demo_sites"), workspace=where) as served:
            yield Workspace(served, store, site_id, where)


@pytest.fixture(scope="session")
def attacked() -> Callable[[Path], dict[str, str]]:
    """Return the maker of a demo site whose ids and words attack."""
    return hostile_copy


@pytest.fixture
def visit(chromium: Browser) -> Iterator[Callable[..., Watched]]:
    """Return an opener of watched pages, each as if by a new visitor; at the end all of them were quiet."""
    with ExitStack() as stack:
        seen: list[Watched] = []

        def new(width: int = 1440, height: int = 1000) -> Watched:
            context = chromium.new_context(
                viewport={"width": width, "height": height}, service_workers="block", accept_downloads=True
            )
            stack.callback(context.close)
            seen.append(watch(context))
            return seen[-1]

        yield new
        for watched in seen:
            watched.assert_quiet()
