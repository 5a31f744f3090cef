"""Kill the program in the middle of saving, again and again: is every acknowledged save there, and none half?

    python tests/faults/kill_store.py [TIMES] [file|server]

A child saves pairs of records (both in one save) and tells each acknowledgement through a pipe; the parent
kills it (signal 9) at a random moment. Then the workspace is opened anew: every pair told must be there, no
half pair may be, and the file must pass its integrity check; every 50 kills, and at the end, the whole
store is held against its events.
"""

from __future__ import annotations

import os
import random
import signal
import sys
import tempfile
import time
from pathlib import Path

from cluster import Cluster

from geo.site.model import SiteInfo
from geo.site.records import Gully
from geo.store.changes import Put
from geo.store.store import open_store

INFO = SiteInfo(name="Kill", crs="EPSG:27700", datum="step, 10.000")
NOTE = "x" * 1500


def save_until_killed(where: str, site_id: str, turn: int, tell: int) -> None:
    """Save pairs of records without end, telling each acknowledgement."""
    with open_store(where, cache=Path(tempfile.gettempdir()) / "unused") as store:
        for number in range(100_000):
            pair = [Put(Gully(id=f"{turn}-{number}-{half}", note=NOTE)) for half in "ab"]
            store.save(site_id, pair, by="surveyor")
            os.write(tell, f"{turn}-{number}\n".encode())


def kill_once(where: str, site_id: str, turn: int, moments: random.Random) -> list[str]:
    """Let a child save and kill it; return the pairs it was told were saved."""
    hear, tell = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(hear)
        try:
            save_until_killed(where, site_id, turn, tell)
        finally:
            os._exit(1)
    os.close(tell)
    first = os.read(hear, 1 << 16)
    time.sleep(moments.uniform(0, 0.06))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    heard = [first]
    while more := os.read(hear, 1 << 16):
        heard.append(more)
    os.close(hear)
    return b"".join(heard).decode().split()


def run(where: str, times: int, name: str) -> bool:
    """Kill so many times, print what was found, and return whether nothing was lost."""
    moments = random.Random(4)
    with open_store(where) as store:
        site_id = store.create_site(INFO, by="surveyor")
    told: list[str] = []
    lost = halves = damaged = unacknowledged = 0
    began = time.monotonic()
    for turn in range(times):
        new = kill_once(where, site_id, turn, moments)
        told += new
        with open_store(where, create=False) as store:
            there = set(store.versions(site_id))
            mine = {record.rsplit("-", 1)[0] for record in there if record.startswith(f"{turn}-")}
            lost += sum(f"{pair}-{half}" not in there for pair in new for half in "ab")
            halves += sum(not {f"{pair}-a", f"{pair}-b"} <= there for pair in mine)
            unacknowledged += len(mine - set(new))
            if store._engine.dialect.name == "sqlite":
                with store._engine.connect() as connection:
                    damaged += connection.exec_driver_sql("pragma integrity_check").scalar() != "ok"
            if turn % 50 == 49 or turn == times - 1:
                damaged += len(store.verify())
    with open_store(where, create=False) as store:
        there = set(store.versions(site_id))
    lost += sum(f"{pair}-{half}" not in there for pair in told for half in "ab")
    print(
        f"{name}: killed {times} times in {time.monotonic() - began:.0f} s; {len(told)} saves acknowledged,"
        f" {lost} records of them lost; {unacknowledged} whole saves there that were not yet acknowledged;"
        f" {halves} half saves; {damaged} problems of the store",
        flush=True,
    )
    return not (lost or halves or damaged) and len(told) >= times


def main() -> None:
    """Run on the engines named; both by default."""
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    which = sys.argv[2:] or ["file", "server"]
    well = True
    if "file" in which:
        with tempfile.TemporaryDirectory() as folder:
            well &= run(str(Path(folder) / "w.sqlite"), times, "file")
    if "server" in which:
        with Cluster(durable=True) as server:
            well &= run(server.database("kill"), times, "server")
    sys.exit(0 if well else 1)


if __name__ == "__main__":
    main()
