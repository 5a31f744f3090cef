"""Many people at once on one server: is anything lost, and how long does anybody wait?

Run: python tests/benchmarks/bench_users.py [--users 50] [--minutes 10] [--pause 2]

Starts a PostgreSQL server of its own on this machine only, takes the demo sites and the demo register in, and
lets so many users work for so long, each with connections of their own: open a site, read its history, save
readings of their own, correct readings others correct too, ask which homes are next, look at a home, add an
event. Between two things a user pauses, on average so many seconds (0: never). All of it runs in one process,
as the app does. At the end what was acknowledged is held against what the database holds. It stops by itself,
and with 1 when anything failed, is missing or is not sound.
"""

from __future__ import annotations

import argparse
import itertools
import random
import sys
import tempfile
import threading
import time
from collections import Counter, defaultdict
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "faults"))
from cluster import Cluster

from geo.portfolio.events import EVENTS
from geo.portfolio.files import read_events
from geo.portfolio.register import Register, open_register
from geo.portfolio.viewer import Viewer
from geo.site.folder import read_site
from geo.site.reading_records import Reading
from geo.store.changes import Put
from geo.store.said import StaleError
from geo.store.store import Store, open_store

DEMO = Path(__file__).parents[2] / "demo_sites"
VIEWER = Viewer(role="manager", landlord_id="L1")
CONTESTED = 5
"""Readings of each site that everybody corrects."""
MIX = {
    "open a site": 25, "read its history": 10, "save a reading": 20, "correct a shared reading": 10,
    "next homes": 15, "look at a home": 10, "add an event": 10,
}  # fmt: skip
"""How often each is done, of 100."""
FIRST = "open the first site"
"""Done once by each user, at the start, before anything of the site is laid out for them."""
LONGEST_MINUTES = 60.0
CONNECTIONS = 20
"""Connections of the server beside two for each user."""


class Told:
    """What the users were told: times by kind (s), conflicts, failures, and what was acknowledged."""

    def __init__(self) -> None:
        self.took: dict[str, list[float]] = defaultdict(list)
        self.conflicts = 0
        self.failed: list[str] = []
        self.saved: dict[tuple[str, str, int], str] = {}
        self.added: dict[str, str] = {}
        self._lock = threading.Lock()

    def done(self, kind: str, took_s: float) -> None:
        """Keep how long something took."""
        with self._lock:
            self.took[kind].append(took_s)

    def stale(self) -> None:
        """Count a conflict."""
        with self._lock:
            self.conflicts += 1

    def wrong(self, kind: str, error: BaseException) -> None:
        """Keep what failed."""
        with self._lock:
            self.failed.append(f"{kind}: {type(error).__name__}: {error}")


class User:
    """One user, with a store and a register of their own."""

    def __init__(self, number: int, store: Store, register: Register, homes: list[str], told: Told) -> None:
        self._name, self._store, self._register = f"U{number}", store, register
        self._homes, self._told = homes, told
        self._draw = random.Random(number)
        self._numbers = itertools.count(1)
        self._sites = [entry.site_id for entry in store.sites()]
        self._seen: dict[str, tuple[list[Reading], dict[str, int]]] = {}
        self._acts: dict[str, Callable[[], object]] = {
            "open a site": self._open, "read its history": self._history, "save a reading": self._save,
            "correct a shared reading": self._correct, "next homes": self._next, "look at a home": self._home,
            "add an event": self._add, FIRST: self._open,
        }  # fmt: skip

    def work(self, until: float, pause_s: float, at_least: int = 0) -> None:
        """Do one thing after another until it is time, and so many things whatever the time."""
        time.sleep(self._draw.random() * min(pause_s, 1.0))
        kind, done = FIRST, 0
        while time.monotonic() < until or done < at_least:
            done += 1
            began = time.perf_counter()
            try:
                self._acts[kind]()
            except StaleError:
                self._told.stale()
                self._seen.clear()
            except Exception as error:  # noqa: BLE001 - whatever fails is counted, and the others go on
                self._told.wrong(kind, error)
            self._told.done(kind, time.perf_counter() - began)
            if pause_s:
                rest = max(0.0, until - time.monotonic())
                time.sleep(min(self._draw.expovariate(1.0 / pause_s), rest))
            (kind,) = self._draw.choices(list(MIX), list(MIX.values()))

    def _open(self) -> None:
        site_id = self._draw.choice(self._sites)
        versions = dict(self._store.versions(site_id))
        readings = [one for one in self._store.site(site_id).of("reading") if isinstance(one, Reading)]
        self._seen[site_id] = readings, versions

    def _looked(self) -> tuple[str, list[Reading], dict[str, int]]:
        """Return a site this user has open, as they saw it."""
        if not self._seen:
            self._open()
        site_id = self._draw.choice(sorted(self._seen))
        return site_id, *self._seen[site_id]

    def _history(self) -> None:
        site_id = self._draw.choice(self._sites)
        self._store.saves(site_id)
        self._store.history(site_id, since=max(0, self._store.version(site_id) - 20))

    def _save(self) -> None:
        site_id, readings, _ = self._looked()
        new = f"{self._name}-{next(self._numbers)}"
        self._put(site_id, readings[0].model_copy(update={"id": new, "value": self._value()}), None)

    def _correct(self) -> None:
        site_id, readings, versions = self._looked()
        own = self._draw.choice(sorted(readings, key=lambda one: one.id)[-CONTESTED:])
        self._put(site_id, own.model_copy(update={"value": self._value()}), versions[own.id])

    def _put(self, site_id: str, record: Reading, base: int | None) -> None:
        saved = self._store.save(site_id, [Put(record, base)], by="surveyor")
        for record_id, version in saved.versions.items():
            self._told.saved[site_id, record_id, version] = record.value
            if site_id in self._seen:
                self._seen[site_id][1][record_id] = version

    def _value(self) -> str:
        return str(self._draw.randrange(20, 400))

    def _next(self) -> None:
        self._register.next_homes(VIEWER, ["wet", "law"], offset=self._draw.choice([0, 0, 50]))

    def _home(self) -> None:
        home_id = self._draw.choice(self._homes)
        self._register.state(VIEWER, home_id)
        self._register.cases(VIEWER, home_id)

    def _add(self) -> None:
        home_id, event_id = self._draw.choice(self._homes), f"{self._name}-E{next(self._numbers)}"
        told = EVENTS["told"](
            id=event_id,
            home_id=home_id,
            at="2026-11-02T10:00",
            by_role="manager",
            channel="phone",
            said="soon",
        )
        self._register.append(VIEWER, [told], by="manager")
        self._told.added[event_id] = home_id


def take_in(address: str, cache: Path, folders: list[Path]) -> list[str]:
    """Take sites and the demo register in, and return the homes there are."""
    with open_store(address, cache=cache) as store:
        for folder in folders:
            store.take_in(read_site(folder), by="surveyor")
    with open_register(address) as register:
        register.begin(VIEWER.landlord_id)
        events = read_events(sorted((DEMO / "estate").glob("*.csv")), ref=register.ref)
        register.append(VIEWER, events, by="manager")
    return sorted({event.home_id for event in events})


def run(
    address: str,
    cache: Path,
    homes: list[str],
    *,
    users: int,
    seconds: float,
    pause_s: float,
    at_least: int = 0,
) -> Told:
    """Let users work at once, so long and so many acts each, and return what they were told."""
    told = Told()
    stores = [open_store(address, cache=cache) for _ in range(users)]
    registers = [open_register(address) for _ in range(users)]
    try:
        people = [
            User(number, store, register, homes, told)
            for number, (store, register) in enumerate(zip(stores, registers, strict=True))
        ]
        until = time.monotonic() + seconds
        threads = [
            threading.Thread(target=one.work, args=(until, pause_s, at_least), daemon=True) for one in people
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(seconds + 120.0)
            if thread.is_alive():
                told.wrong("the end", TimeoutError("a user did not come back"))
    finally:
        for opened in (*stores, *registers):
            opened.close()
    return told


def missing(
    address: str, cache: Path, homes: list[str], told: Told
) -> tuple[list[str], list[str], list[str]]:
    """Return acknowledged saves and events the database does not hold, and everything that is not sound.

    A save nobody was told of is not sound either.
    """
    with open_store(address, cache=cache) as store:
        held = {
            (event.site_id, event.record_id, event.save_id): getattr(event.now, "value", "")
            for entry in store.sites()
            for event in store.history(entry.site_id, since=1)
        }
        unsound = [str(problem) for problem in store.verify()]
    saves = [str(key) for key, value in told.saved.items() if held.get(key) != value]
    unsound += [f"{key} was saved and nobody told" for key in held if key not in told.saved]
    with open_register(address) as register:
        there = {(entry.event_id, home) for home in homes for entry in register.events(VIEWER, home)}
        unsound += [str(problem) for problem in register.verify(VIEWER)]
    return saves, [event for event, home in told.added.items() if (event, home) not in there], unsound


def main() -> int:
    """Print what was done, how long it took, and whether anything is missing."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--users", type=int, default=50, choices=range(1, 201), metavar="1-200")
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--pause", type=float, default=2.0, help="seconds between two things, on average")
    asked = parser.parse_args()
    minutes = min(max(asked.minutes, 0.05), LONGEST_MINUTES)
    server = Cluster(durable=True)
    with (server._at / "postgresql.conf").open("a", encoding="utf-8") as settings:
        settings.write(f"max_connections = {2 * asked.users + CONNECTIONS}\n")
    with server, tempfile.TemporaryDirectory() as name:
        cache, address = Path(name), server.database("users")
        folders = sorted(path.parent for path in DEMO.glob("*/site.toml"))
        homes = take_in(address, cache, folders)
        print(
            f"{len(folders)} sites, {len(homes)} homes; {asked.users} users for {minutes:g} min", flush=True
        )
        told = run(
            address, cache, homes, users=asked.users, seconds=60.0 * minutes, pause_s=max(0.0, asked.pause)
        )
        saves, events, unsound = missing(address, cache, homes, told)
    print(f"{'':<26}{'times':>7}{'p50 ms':>9}{'p95 ms':>9}{'p99 ms':>9}")
    for kind in (FIRST, *MIX):
        took = 1000.0 * np.array(told.took.get(kind) or [np.nan])
        p50, p95, p99 = np.percentile(took, [50, 95, 99])
        print(f"{kind:<26}{len(told.took.get(kind, ())):>7}{p50:>9.0f}{p95:>9.0f}{p99:>9.0f}")
    whole = 1000.0 * np.concatenate([np.array(took) for took in told.took.values()])
    p50, p95, p99 = np.percentile(whole, [50, 95, 99])
    print(f"{'all':<26}{len(whole):>7}{p50:>9.0f}{p95:>9.0f}{p99:>9.0f}")
    print(f"failed: {len(told.failed)}; conflicts told: {told.conflicts}")
    for said, times in Counter(told.failed).most_common(5):
        print(f"  {times} x {said}")
    print(f"saves acknowledged: {len(told.saved)}, lost: {len(saves)}")
    print(f"events acknowledged: {len(told.added)}, lost: {len(events)}")
    print("verified: sound" if not unsound else f"verified: {len(unsound)} problems, first: {unsound[0]}")
    return 1 if told.failed or saves or events or unsound else 0


if __name__ == "__main__":
    sys.exit(main())
