"""Time the store on a file and on a server of its own that waits for its disk, like the file does.

Run: ``python tests/benchmarks/bench_store.py``. Beside each time of the store stands that of the plain work
on the same machine: writing and reading the same site as a folder, and committing one row to a bare table.
"""

from __future__ import annotations

import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "faults"))
from cluster import Cluster

from geo.site.folder import read_site, write_site
from geo.site.model import Site
from geo.site.records import Reading
from geo.store.changes import Put
from geo.store.store import Store, open_store

DEMO = Path(__file__).parents[2] / "demo_sites" / "semi_on_a_slope"
SIZES = (500, 10_000)
REPEATS = 20


def site_of(count: int, folder: Path) -> Site:
    """Return the demo house with so many readings, read from a folder."""
    read = read_site(DEMO)
    first = read.of("reading")[0]
    readings = tuple(
        first.model_copy(update={"id": f"r{n}", "chainage_m": n % 30 + 0.5}) for n in range(count)
    )
    records = {**read.records, "reading": readings}
    write_site(replace(read, records=records), folder)
    return read_site(folder)


def ms(work: Callable[[], object], repeats: int = REPEATS) -> float:
    """Return the median time of a piece of work, in milliseconds."""
    took = []
    for _ in range(repeats):
        began = time.perf_counter()
        work()
        took.append(time.perf_counter() - began)
    return 1000 * statistics.median(took)


def bare_commit(folder: Path) -> float:
    """Return the median time of one row committed with nothing round it, ms."""
    bare = sqlite3.connect(folder / "bare.sqlite", isolation_level=None)
    bare.execute("pragma journal_mode=WAL")
    bare.execute("pragma synchronous=FULL")
    bare.execute("create table t (a)")
    took = ms(lambda: bare.execute("insert into t values ('x')"))
    bare.close()
    return took


def measure(name: str, store: Store, sites: dict[int, Site]) -> None:
    """Print the times of one store."""
    for count, site in sites.items():
        began = time.perf_counter()
        site_id = store.take_in(site, by="surveyor")
        taken = 1000 * (time.perf_counter() - began)

        def anew(own: str = site_id) -> None:
            store._kept.clear()
            store.site(own)

        whole, again = ms(anew, 5), ms(lambda own=site_id: store.site(own))
        number = 0

        def save(own: str = site_id) -> None:
            nonlocal number
            number += 1
            record = Reading(
                id=f"new{number}", method="resistance_masonry", instrument="I1", material="brick", value="12"
            )
            store.save(own, [Put(record)], by="surveyor")

        one = ms(save)

        def save_and_read(own: str = site_id) -> None:
            save(own)
            store.site(own)

        both = ms(save_and_read)
        many = [Put(record.model_copy(update={"note": "all at once"}), 1) for record in site.of("reading")]
        began = time.perf_counter()
        store.save(site_id, many, by="surveyor")
        bulk = 1000 * (time.perf_counter() - began)
        print(
            f"{name:>6}  {count:>6} readings: take in {taken:7.0f}   site {whole:6.0f}   unchanged {again:5.1f}"
            f"   save one {one:5.1f}   save one and site {both:6.1f}   change all at once {bulk:7.0f}   (ms)"
        )


def main() -> None:
    """Measure folders, a file and a server."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sites = {count: site_of(count, folder / str(count)) for count in SIZES}
        print(f"one row committed to a bare table: {bare_commit(folder):.1f} ms")
        for count in SIZES:
            read = ms(lambda own=str(count): read_site(folder / own), 3)
            print(f"folder  {count:>6} readings: read {read:.0f} ms")
        with open_store(folder / "w.sqlite", cache=folder / "cache") as store:
            measure("file", store, sites)
        with (
            Cluster(durable=True) as server,
            open_store(server.database("bench"), cache=folder / "c") as store,
        ):
            measure("server", store, sites)


if __name__ == "__main__":
    main()
