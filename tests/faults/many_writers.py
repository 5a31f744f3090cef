"""Four programs edit one site at once: is every edit either kept, or its writer told?

    python tests/faults/many_writers.py [EDITS] [file|server]

Each of four processes makes so many edits of twenty records. An edit changes a record from the version its
writer last saw, and is tried once: it is acknowledged, or refused as a conflict that shows both versions. At
the end every acknowledged edit must be an event of the history that changed just the version its writer
saw; every refusal must show somebody else's version; and both numbers must add up to the edits tried.
"""

from __future__ import annotations

import json
import os
import random
import sys
import tempfile
import time
from pathlib import Path

from cluster import Cluster

from geo.site.model import SiteInfo
from geo.site.records import Gully
from geo.store.changes import Put
from geo.store.said import StaleError, StoreError
from geo.store.store import open_store

WRITERS, RECORDS = 4, 20
INFO = SiteInfo(name="Writers", crs="EPSG:27700", datum="step, 10.000")


def edit(where: str, site_id: str, writer: int, edits: int) -> dict[str, list[list[object]]]:
    """Make the edits of one writer, and return what was acknowledged and what was refused."""
    choice = random.Random(writer)
    kept: list[list[object]] = []
    told: list[list[object]] = []
    failed: list[list[object]] = []
    with open_store(where, create=False) as store:
        seen = dict(store.versions(site_id))
        for number in range(edits):
            name, note = f"G{choice.randrange(RECORDS)}", f"{writer}:{number}"
            try:
                saved = store.save(site_id, [Put(Gully(id=name, note=note), seen[name])], by=f"w{writer}")
                kept.append([name, note, seen[name]])
                seen[name] = saved.version
            except StaleError as error:
                conflict = error.conflicts[0]
                told.append([name, conflict.mine.note, conflict.theirs.note, conflict.by])
                seen[name] = conflict.version
            except StoreError as error:
                failed.append([name, str(error)])
    return {"kept": kept, "told": told, "failed": failed}


def run(where: str, edits: int, name: str) -> bool:
    """Let the writers loose, print what came of it, and return whether nothing was lost in silence."""
    with open_store(where) as store:
        site_id = store.create_site(INFO, by="surveyor")
        store.save(site_id, [Put(Gully(id=f"G{n}")) for n in range(RECORDS)], by="surveyor")
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        children = []
        for writer in range(WRITERS):
            child = os.fork()
            if child == 0:
                try:
                    answer = edit(where, site_id, writer, edits)
                    (Path(folder) / f"{writer}.json").write_text(json.dumps(answer), encoding="utf-8")
                finally:
                    os._exit(0)
            children.append(child)
        for child in children:
            os.waitpid(child, 0)
        answers = [
            json.loads((Path(folder) / f"{writer}.json").read_text(encoding="utf-8"))
            for writer in range(WRITERS)
        ]
    took = time.monotonic() - began
    kept = [tuple(one) for answer in answers for one in answer["kept"]]
    told = [one for answer in answers for one in answer["told"]]
    failed = [one for answer in answers for one in answer["failed"]]
    with open_store(where, create=False) as store:
        events = [event for event in store.history(site_id, since=2) if event.kind == "gully"]
        problems = store.verify()
    written = {(event.record_id, event.now.note, event.was_version) for event in events}
    lost = len(set(kept) - written)
    unasked = len(written - set(kept))
    own = sum(theirs.split(":")[0] == mine.split(":")[0] for _, mine, theirs, _ in told)
    tried = WRITERS * edits
    print(
        f"{name}: {tried} edits by {WRITERS} writers in {took:.1f} s: {len(kept)} kept, {len(told)} refused and"
        f" told with both versions, {len(failed)} refused with a sentence; {lost} lost, {unasked} nobody"
        f" acknowledged, {own} told of their own, {len(problems)} problems of the store",
        flush=True,
    )
    return not (lost or unasked or own or problems) and len(kept) + len(told) + len(failed) == tried


def main() -> None:
    """Run on the engines named; both by default."""
    edits = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    which = sys.argv[2:] or ["file", "server"]
    well = True
    if "file" in which:
        with tempfile.TemporaryDirectory() as folder:
            well &= run(str(Path(folder) / "w.sqlite"), edits, "file")
    if "server" in which:
        with Cluster(durable=True) as server:
            well &= run(server.database("writers"), edits, "server")
    sys.exit(0 if well else 1)


if __name__ == "__main__":
    main()
