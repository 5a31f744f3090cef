"""People log in with a real provider on this machine, and see what is theirs: page by page, file by file."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from app.access import PAGES
from geo.access import shipped_roles

pytestmark = pytest.mark.browser
ROOT = Path(__file__).parents[2]
SLOW_MS = 90_000
PEOPLE = {
    "surveyor": {"sites": "*", "owners": "*"},
    "contractor": {"sites": "old_school"},
    "landlord": {"sites": "three_cottages"},
    "resident": {"sites": "three_cottages"},
    "nobody": {},
}
"""Roles, and what the provider's claims give each; the last is known to the provider and to nobody else."""
THEIRS = {"contractor": "old_school", "landlord": "three_cottages", "resident": "three_cottages"}
TITLE = "[data-testid=stTopNavLink], [data-testid=stTopNavDropdownLink], [data-testid=stSidebarNavLink]"


@dataclass
class Shared:
    """The app, and the provider people log in with."""

    url: str
    log: Path

    def status(self, path: str, method: str = "GET") -> int:
        """Return how the app answers a request that carries no login."""
        asked = urllib.request.Request(
            f"{self.url}{path}", method=method, data=b"x" if method != "GET" else None
        )
        try:
            with urllib.request.urlopen(asked, timeout=10) as answer:
                return int(answer.status)
        except urllib.error.HTTPError as error:
            return error.code


def free_port() -> int:
    """Return a port nobody listens at."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shared]:
    """Start the provider and the app, and stop both."""
    folder = tmp_path_factory.mktemp("login")
    provider, port = free_port(), free_port()
    claims = [json.dumps({"sub": f"{role}-1", "role": role, **more}) for role, more in PEOPLE.items()]
    login = folder / "login.toml"
    login.write_text(
        f"""[auth]
redirect_uri = "http://127.0.0.1:{port}/oauth2callback"
cookie_secret = "made for one test and thrown away after it"
client_id = "wallfoot"
client_secret = "kept"
server_metadata_url = "http://127.0.0.1:{provider}/.well-known/openid-configuration"
[claims]
role = "role"
sites = "sites"
owners = "owners"
""",
        encoding="utf-8",
    )
    log = folder / "said.txt"
    users = [part for claim in claims for part in ("--user-claims", claim)]
    commands = (
        [sys.executable, "-m", "oidc_provider_mock", "-p", str(provider), *users],
        [str(Path(sys.executable).with_name("wallfoot")), "app", "demo_sites", "--no-browser", "--port",
            str(port), "--login", str(login)],
    )  # fmt: skip
    env = {
        **os.environ,
        "WALLFOOT_WORKSPACE": str(folder / "w.sqlite"),
        "WALLFOOT_CACHE": str(folder / "cache"),
    }
    with log.open("wb") as said:
        started = [
            subprocess.Popen(
                each, cwd=ROOT, env=env, stdout=said, stderr=subprocess.STDOUT, start_new_session=True
            )
            for each in commands
        ]
    made = Shared(f"http://127.0.0.1:{port}", log)
    try:
        for _ in range(240):
            assert all(process.poll() is None for process in started), log.read_text(encoding="utf-8")
            try:
                if made.status("/_stcore/health") == 200:
                    break
            except urllib.error.URLError:
                time.sleep(0.25)
        yield made
    finally:
        for process in started:
            os.killpg(process.pid, signal.SIGTERM)
            process.wait(15)


def offline(context: BrowserContext) -> Page:
    """Return a page that asks nobody but this machine; the provider's own page wants a style sheet."""
    page = context.new_page()
    page.route(
        "**/*",
        lambda route: route.continue_() if "//127.0.0.1" in route.request.url else route.abort(),
    )
    return page


def log_in(page: Page, shared: Shared, role: str) -> None:
    """Log in as somebody of a role."""
    page.goto(shared.url)
    page.get_by_role("button", name="Log in").click()
    page.get_by_role("button", name=f"{role}-1").click(timeout=SLOW_MS)
    page.get_by_text("Log out").first.wait_for(timeout=SLOW_MS)


def test_nobody_sees_anything(shared: Shared, chromium: Browser) -> None:
    """Whatever address is asked, with whatever site, there is a button to log in and no more."""
    page = offline(chromium.new_context())
    for address in ("", *PAGES):
        page.goto(f"{shared.url}/{address}?site=old_school")
        expect(page.get_by_role("button", name="Log in")).to_be_visible(timeout=SLOW_MS)
        assert page.locator(".wf-title").count() == 0
        assert "Old school" not in page.inner_text("body")
        assert page.locator(TITLE).count() == 0


def test_no_file_goes_to_nobody(shared: Shared) -> None:
    """Files made for a page, and uploads, are refused before the app sees the request."""
    assert shared.status("/media/0123456789abcdef.pdf") == 401
    assert shared.status("/_stcore/upload_file/a/b", "PUT") == 401
    assert shared.status("/_stcore/upload_file/a/b", "DELETE") == 401


def test_a_forged_login_opens_nothing(shared: Shared) -> None:
    """A cookie signed with another secret is no login."""
    from itsdangerous import URLSafeTimedSerializer

    told = json.dumps({"is_logged_in": True, "sub": "surveyor-1", "role": "surveyor", "iat": time.time()})
    forged = URLSafeTimedSerializer("another secret, as long as the first", salt="_streamlit_user").dumps(
        told
    )
    asked = urllib.request.Request(
        f"{shared.url}/media/0123456789abcdef.pdf", headers={"Cookie": f"_streamlit_user={forged}"}
    )
    with pytest.raises(urllib.error.HTTPError, match="401"):
        urllib.request.urlopen(asked, timeout=10)


@pytest.mark.parametrize("role", THEIRS)
def test_a_role_opens_its_pages_and_no_other(shared: Shared, chromium: Browser, role: str) -> None:
    """Every address: a page it may see has a head, any other is not there; no site but its own is."""
    page = offline(chromium.new_context())
    log_in(page, shared, role)
    may = shipped_roles()[role]
    for address, action in PAGES.items():
        if action in may:
            continue
        page.goto(f"{shared.url}/{address}?site={THEIRS[role]}")
        page.get_by_text("or it is not yours to see").first.wait_for(timeout=SLOW_MS)
    other = "semi_on_a_slope"
    page.goto(f"{shared.url}/?site={other}")
    page.get_by_text(f"There is no site {other} here").first.wait_for(timeout=SLOW_MS)
    assert "Semi on a slope" not in page.inner_text("body")


def test_a_surveyor_sees_everything(shared: Shared, chromium: Browser) -> None:
    """A page one records on opens, and what is written bears the role and a sign, no name."""
    page = offline(chromium.new_context())
    log_in(page, shared, "surveyor")
    page.goto(f"{shared.url}/type-in?site=semi_on_a_slope")
    page.get_by_text("Take a copy into the workspace").first.wait_for(timeout=SLOW_MS)
    head = page.get_by_text("Log out (surveyor").first
    expect(head).to_be_visible()
    assert "surveyor-1" not in page.inner_text("body")


def test_who_is_known_to_the_provider_only_sees_nothing(shared: Shared, chromium: Browser) -> None:
    """Logged in, and nothing is theirs: told so, with the sign to ask for it by."""
    page = offline(chromium.new_context())
    page.goto(shared.url)
    page.get_by_role("button", name="Log in").click()
    page.get_by_role("button", name="nobody-1").click(timeout=SLOW_MS)
    expect(page.get_by_text("nothing here is yours to see yet")).to_be_visible(timeout=SLOW_MS)
    assert page.locator(".wf-title").count() == 0


def test_logging_out_ends_it(shared: Shared, chromium: Browser) -> None:
    """After logging out the same browser sees the button to log in, and no site."""
    page = offline(chromium.new_context())
    log_in(page, shared, "contractor")
    page.get_by_text("Log out").first.click()
    page.wait_for_timeout(1500)
    page.goto(f"{shared.url}/drains?site=old_school")
    expect(page.get_by_role("button", name="Log in")).to_be_visible(timeout=SLOW_MS)
