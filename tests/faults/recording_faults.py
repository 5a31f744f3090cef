"""Typing on while the database is gone, the disk is full, or the folder may not be written to.

    python tests/faults/recording_faults.py

Each trouble is made while the page Type in is open in a browser: a line is typed, the sentence the page
says is printed, the trouble is ended, and the line must be saved without being typed again. Needs Chromium,
PostgreSQL's programs and the right to mount a small disk; what cannot be made here is said to be skipped.
"""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from cluster import Cluster
from playwright.sync_api import Browser, Page, sync_playwright

from geo.site.folder import read_site
from geo.store.said import StoreError
from geo.store.store import open_store

ROOT = Path(__file__).parents[2]
FIRST = [
    "F1",
    "A",
    "inside",
    "Resistance, two pins, on masonry or plaster",
    "PIN-9",
    "brick",
    "0.47",
    "0.1",
    "38",
]
PATIENCE_S = 60


@contextmanager
def running(where: str, cache: Path) -> Iterator[str]:
    """Run the app over a workspace and give its address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = Path(sys.executable).with_name("wallfoot")
    process = subprocess.Popen(
        [command, "app", "demo_sites", "--no-browser", "--port", str(port)],
        cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
        env={**os.environ, "WALLFOOT_WORKSPACE": where, "WALLFOOT_CACHE": str(cache)},
    )  # fmt: skip
    try:
        for _ in range(240):
            with (
                suppress(OSError),
                urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=2),
            ):
                break
            time.sleep(0.25)
        yield f"http://127.0.0.1:{port}"
    finally:
        os.killpg(process.pid, signal.SIGTERM)
        process.wait(15)


def type_line(page: Page, address: str, spoil: Callable[[], object], *, until: str = "kept") -> str:
    """Open the page, make the trouble, type a whole line, and return what the page says of it."""
    page.goto(address)
    page.locator("td.sign[data-state='saved']").first.wait_for()
    page.wait_for_function(
        "() => { const host = [...document.querySelectorAll('*')].find(e => e.shadowRoot &&"
        " e.shadowRoot.querySelector('.wf-grid')); const at = host && host.shadowRoot.activeElement;"
        " return at && at.dataset.column === 'face' && at.value === ''; }"
    )
    spoil()
    for i, cell in enumerate(FIRST):
        page.keyboard.type(cell)
        page.keyboard.press("Enter" if i == len(FIRST) - 1 else "Tab")
    if until == "saved":
        page.locator("td.sign[data-state='saved']").nth(12).wait_for()
        return ""
    page.locator("td.sign[data-state='kept']").first.wait_for()
    page.wait_for_function(
        "() => { const host = [...document.querySelectorAll('*')].find(e => e.shadowRoot &&"
        " e.shadowRoot.querySelector('.wf-grid')); return host.shadowRoot.querySelector('.said').textContent; }"
    )
    return page.locator("p.said").first.inner_text()


def tried(
    chromium: Browser,
    title: str,
    where: str,
    folder: Path,
    spoil: Callable[[], object],
    mend: Callable[[], object],
) -> bool:
    """Go through one trouble; print what was said and how long after its end the line was saved."""
    with open_store(where, cache=folder / "cache") as store:
        site_id = store.take_in(read_site(ROOT / "demo_sites" / "semi_on_a_slope"), by="surveyor")
        before = len(store.site(site_id).of("reading"))
    with running(where, folder / "cache-of-app") as url:
        page = chromium.new_page(viewport={"width": 1440, "height": 1000})
        page.set_default_timeout(45_000)
        said = type_line(page, f"{url}/type-in?site={site_id}", spoil)
        typed = page.locator("td.sign[data-state='kept']").count()
        failed = page.get_by_test_id("stException").count()
        mend()
        begun, added = time.monotonic(), 0
        while time.monotonic() - begun < PATIENCE_S and added != 1:
            page.wait_for_timeout(250)  # the page goes on meanwhile
            with suppress(StoreError), open_store(where, create=False, cache=folder / "cache") as store:
                added = len(store.site(site_id).of("reading")) - before
        took = time.monotonic() - begun
        page.wait_for_timeout(8000)
        with open_store(where, create=False, cache=folder / "cache") as store:
            kept = store.site(site_id).of("reading")[before:]
            sound = not store.verify()
        page.close()
    once = [(record.distance_m, record.height_m, record.value) for record in kept] == [(0.47, 0.1, "38")]
    print(f"{title}: {said}")
    print(
        f"  lines kept on the page: {typed}; errors on the page: {failed}; saved {took:.1f} s after its end,"
    )
    print(f"  exactly once: {once}; workspace sound: {sound}")
    return bool(said) and once and sound and not failed


def server_gone(chromium: Browser, folder: Path) -> bool:
    """Stop the server while the page is open, and start it again."""
    with Cluster() as server:
        address = server.database("typing")
        return tried(chromium, "server gone", address, folder, lambda: server.stop("immediate"), server.start)


@contextmanager
def small_disk(folder: Path) -> Iterator[Path | None]:
    """Mount a disk of 40 MB; give nothing where that is not allowed."""
    place = folder / "disk"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=40m", "tmpfs", str(place)]
    if subprocess.run(command, capture_output=True, check=False).returncode:
        yield None
        return
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def disk_full(chromium: Browser, folder: Path) -> bool:
    """Fill the disk to the last byte while the page is open, and make room again."""
    with small_disk(folder) as disk:
        if disk is None:
            print("disk full: skipped, no right to mount a small disk")
            return True

        def fill() -> None:
            with suppress(OSError), (disk / "filler").open("wb", buffering=0) as filler:
                while filler.write(bytes(4096)):
                    pass

        return tried(chromium, "disk full", str(disk / "w.sqlite"), folder, fill, (disk / "filler").unlink)


def read_only(chromium: Browser, folder: Path) -> bool:
    """Start the app over a disk that may not be written to; allow it, load the page again, and type."""
    with small_disk(folder) as disk:
        if disk is None:
            print("read-only: skipped, no right to mount a small disk")
            return True
        where = str(disk / "w.sqlite")
        with open_store(where, cache=folder / "cache") as store:
            site_id = store.take_in(read_site(ROOT / "demo_sites" / "semi_on_a_slope"), by="surveyor")
            before = len(store.site(site_id).of("reading"))
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        with running(where, folder / "cache-of-app") as url:
            page = chromium.new_page(viewport={"width": 1440, "height": 1000})
            page.set_default_timeout(45_000)
            page.goto(f"{url}/type-in?site={site_id}")
            page.locator(".wf-title").first.wait_for()
            page.wait_for_timeout(3000)
            lines = page.locator("[data-testid=stMain]").inner_text().splitlines()
            said = next((line for line in lines if "writ" in line or "saved" in line), "")
            failed = page.get_by_test_id("stException").count()
            reads = page.locator("td.sign[data-state='saved']").count()
            subprocess.run(["mount", "-o", "remount,rw,size=40m", str(disk)], check=True)
            type_line(page, f"{url}/type-in?site={site_id}", lambda: None, until="saved")
            with open_store(where, create=False, cache=folder / "cache") as store:
                after = len(store.site(site_id).of("reading")) - before
                sound = not store.verify()
            page.close()
    print(f"read-only at the start: {said or 'nothing was said'}")
    print(f"  lines read from it: {reads}; errors on the page: {failed}; written to afterwards: {after == 1}")
    return bool(said or reads) and after == 1 and sound and not failed


def main() -> None:
    """Go through every trouble; exit 1 when one went wrong."""
    found = shutil.which("chromium")
    if found is None:
        sys.exit("no Chromium on the path")
    outcomes = []
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=found, args=["--no-sandbox", "--disable-gpu"])
        for trouble in (server_gone, disk_full, read_only):
            folder = Path(tempfile.mkdtemp(prefix="wallfoot-faults-"))
            try:
                outcomes.append(trouble(chromium, folder))
            except Exception as error:  # noqa: BLE001 - one trouble that fails must not hide the others
                print(f"{trouble.__name__}: {type(error).__name__}: {str(error)[:300]}")
                outcomes.append(False)
            shutil.rmtree(folder, ignore_errors=True)
        chromium.close()
    sys.exit(0 if all(outcomes) else 1)


if __name__ == "__main__":
    main()
