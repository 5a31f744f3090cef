"""A tablet on the same network: nothing without the code, everything with it, nothing once unpaired."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from app.serve import own_addresses

pytestmark = pytest.mark.browser
ROOT = Path(__file__).parents[2]
PAGES = ("map", "strip", "ground", "outlets", "drains", "not-known", "site", "draw", "type-in")
SLOW_MS = 90_000
CODE = re.compile(r"\b([A-Z0-9]{4}-[A-Z0-9]{4})\b")


class Shared:
    """The app open to the network, and what its terminal said."""

    def __init__(self, folder: Path, address: str) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.inner = f"http://127.0.0.1:{self.port}"
        self.outer = f"http://{address}:{self.port}"
        self.terminal = folder / "terminal.txt"
        command = Path(sys.executable).with_name("wallfoot")
        with self.terminal.open("wb") as said:
            self.process = subprocess.Popen(
                [command, "app", "demo_sites", "--no-browser", "--lan", "--port", str(self.port)],
                cwd=ROOT,
                env={
                    **os.environ,
                    "WALLFOOT_WORKSPACE": str(folder / "w.sqlite"),
                    "WALLFOOT_CACHE": str(folder / "cache"),
                },
                stdout=said,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    def codes(self) -> list[str]:
        """Return the codes the terminal has shown, the last last."""
        return CODE.findall(self.terminal.read_text(encoding="utf-8"))

    def stop(self) -> None:
        """Stop it."""
        os.killpg(self.process.pid, signal.SIGTERM)
        self.process.wait(15)


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shared]:
    """Return the app open to the network."""
    addresses = [address for address in own_addresses() if ":" not in address]
    if not addresses:
        pytest.skip("this machine is in no network")
    served = Shared(tmp_path_factory.mktemp("lan"), addresses[0])
    try:
        for _ in range(240):
            assert served.process.poll() is None, served.terminal.read_text(encoding="utf-8")
            if served.codes() and status(f"{served.inner}/_stcore/health") == 200:
                break
            time.sleep(0.25)
        yield served
    finally:
        served.stop()


def status(address: str, **headers: str) -> int:
    """Return the status a plain request is answered with; 0 when nothing answers."""
    try:
        with urllib.request.urlopen(urllib.request.Request(address, headers=headers), timeout=5) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        return error.code
    except OSError:
        return 0


def device(chromium: Browser, stack: list[BrowserContext]) -> tuple[Page, list[str]]:
    """Return a tablet's page, and every address of another machine it asked for."""
    context = chromium.new_context(viewport={"width": 820, "height": 1180}, has_touch=True)
    stack.append(context)
    page, asked = context.new_page(), []
    page.set_default_timeout(SLOW_MS)
    page.on("request", lambda request: asked.append(request.url))
    return page, asked


@pytest.fixture
def contexts() -> Iterator[list[BrowserContext]]:
    """Return where devices are put to be closed afterwards."""
    made: list[BrowserContext] = []
    yield made
    for context in made:
        context.close()


def type_code(page: Page, code: str) -> None:
    """Type a code and send it."""
    page.get_by_label("Code").fill(code)
    page.get_by_role("button", name="Pair").tap()


def test_a_tablet_is_let_in_by_the_code_and_put_out_by_the_laptop(
    chromium: Browser, shared: Shared, contexts: list[Any]
) -> None:
    """One code, one device; every page works on it; the laptop needs none; unpaired, it sees nothing more."""
    (code,) = shared.codes()
    page, asked = device(chromium, contexts)
    for path in ("", "/map", "/draw"):
        page.goto(shared.outer + path)
        expect(page.get_by_role("heading", name="Pair this device")).to_be_visible()
    assert "semi" not in page.content().lower()
    assert status(f"{shared.outer}/_stcore/health") == 401
    assert status(f"{shared.outer}/", Host="elsewhere.example") == 403
    assert status(f"{shared.inner}/", Host=f"elsewhere.example:{shared.port}") == 403

    type_code(page, "ACDE-FHJK" if code != "ACDE-FHJK" else "KJHF-EDCA")
    expect(page.get_by_text("Not the code")).to_be_visible()
    page.wait_for_timeout(2200)
    type_code(page, code.lower().replace("-", " "))
    page.locator(".wf-title").first.wait_for(timeout=SLOW_MS)
    for path in PAGES:
        page.goto(f"{shared.outer}/{path}?site=semi_on_a_slope")
        page.locator(".wf-title").first.wait_for(timeout=SLOW_MS)
        expect(page.get_by_test_id("stException")).to_have_count(0)
    expect(page.get_by_text("Devices", exact=True)).to_have_count(0)
    elsewhere = [url for url in asked if not url.startswith((f"{shared.outer}/", "data:", "blob:", "about:"))]
    assert elsewhere == []

    other, _ = device(chromium, contexts)
    other.goto(shared.outer)
    other.wait_for_timeout(1100)
    type_code(other, code)
    expect(other.get_by_text("Not the code")).to_be_visible()

    laptop, _ = device(chromium, contexts)
    laptop.goto(f"{shared.inner}/devices")
    laptop.get_by_text("Devices on this network").wait_for()
    assert len(shared.codes()) == 2
    expect(laptop.get_by_text(shared.codes()[-1])).to_be_visible()
    expect(laptop.get_by_text(shared.outer, exact=True)).to_be_visible()
    laptop.get_by_role("button", name="Unpair").click()
    expect(laptop.get_by_text("No device is paired.")).to_be_visible()
    assert page.context.request.get(f"{shared.outer}/_stcore/health").status == 401
    page.reload()
    expect(page.get_by_role("heading", name="Pair this device")).to_be_visible()


def test_without_lan_only_this_machine_is_answered(app: Any) -> None:
    """By default the app listens on the inner address and nowhere else."""
    port = int(app.url.rsplit(":", 1)[1])
    for address in own_addresses():
        assert status(f"http://{f'[{address}]' if ':' in address else address}:{port}/") == 0
    assert status(f"{app.url}/") == 200
