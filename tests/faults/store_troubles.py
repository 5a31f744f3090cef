"""Disk full, folder read-only, workspace locked, server gone: a sentence each, nothing lost, and on it goes.

    python tests/faults/store_troubles.py

Prints what was said in each trouble. Without the right to mount a small disk, the disk-full case is made
by a limit on the size of files; without root, the read-only case by the folder's own rights.
"""

from __future__ import annotations

import os
import resource
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from cluster import Cluster

from geo.site.model import SiteInfo
from geo.site.records import Gully
from geo.store import engine
from geo.store.changes import Put, PutFile
from geo.store.said import StaleError, StoreError
from geo.store.store import open_store

INFO = SiteInfo(name="Trouble", crs="EPSG:27700", datum="step, 10.000")
NOBODY = 65534


def told(work: Callable[[], object]) -> str:
    """Return the sentence a piece of work ended in, or nothing when it was done."""
    try:
        work()
    except StoreError as error:
        return str(error)
    return ""


@contextmanager
def small_disk(folder: Path) -> Iterator[str]:
    """Mount a disk of 6 MB, or else limit the size of files to that."""
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=6m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if done.returncode == 0:
        try:
            yield "a disk of 6 MB"
        finally:
            subprocess.run(["umount", str(folder)], check=True)
        return
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (6_000_000, before[1]))
    try:
        yield "files of 6 MB at most"
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def disk_full() -> bool:
    """Fill the disk by saving; then make room, and save what could not be saved."""
    folder = Path(tempfile.mkdtemp())
    kept, said = 0, ""
    with small_disk(folder) as how:
        with open_store(folder / "w.sqlite", cache=folder / "cache") as store:
            site_id = store.create_site(INFO, by="surveyor")
            while not said and kept < 1000:
                content = os.urandom(200_000)
                last = [Put(Gully(id=f"G{kept}")), PutFile(f"photos/{kept}.jpg", content)]
                said = told(lambda changes=last: store.save(site_id, changes, by="surveyor"))
                kept += not said
            whole = len(store.versions(site_id)) == kept and not store.verify()
            back = told(lambda: store.back_up(folder / "up.sqlite"))
            left = [path.name for path in folder.iterdir() if path.name.startswith((".wallfoot", "up"))]
        if how.startswith("a disk"):
            subprocess.run(["mount", "-o", "remount,size=20m", str(folder)], check=True)
        else:
            resource.setrlimit(resource.RLIMIT_FSIZE, (20_000_000, resource.RLIM_INFINITY))
        with open_store(folder / "w.sqlite", create=False, cache=folder / "cache") as store:
            again = told(lambda: store.save(site_id, last, by="surveyor"))
            sound = not store.verify() and len(store.versions(site_id)) == kept + 1
    shutil.rmtree(folder, ignore_errors=True)
    print(f"disk full ({how}), after {kept} saves: {said}\n  back-up there: {back}; left behind: {left}")
    print(f"  everything acknowledged is there: {whole}; with room made, saved: {not again and sound}")
    return bool(said and back) and whole and not left and not again and sound


def as_nobody(work: Callable[[], str]) -> str:
    """Return what a piece of work said, done by a user without rights where we are root."""
    if os.geteuid():
        return work()
    hear, tell = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.setgid(NOBODY)
            os.setuid(NOBODY)
            os.write(tell, work().encode())
        except Exception as error:  # noqa: BLE001 - whatever else comes is not a sentence, and is shown
            os.write(tell, f"not a sentence: {error!r}".encode())
        finally:
            os._exit(0)
    os.close(tell)
    said = b"".join(iter(lambda: os.read(hear, 1 << 16), b"")).decode()
    os.waitpid(child, 0)
    return said


def read_only() -> bool:
    """Save to a workspace in a folder one may not write to; make one there; then with the right again."""
    folder = Path(tempfile.mkdtemp())
    with open_store(folder / "w.sqlite") as store:
        site_id = store.create_site(INFO, by="surveyor")
    folder.chmod(0o555)
    (folder / "w.sqlite").chmod(0o444)

    def save() -> str:
        def work() -> None:
            with open_store(folder / "w.sqlite") as own:
                own.save(site_id, [Put(Gully(id="G1"))], by="surveyor")

        return told(work)

    said = as_nobody(save)
    new = as_nobody(lambda: told(lambda: open_store(folder / "new" / "w.sqlite").close()))
    folder.chmod(0o777)
    (folder / "w.sqlite").chmod(0o666)
    after = as_nobody(save)
    with open_store(folder / "w.sqlite") as store:
        sound = not store.verify() and set(store.versions(site_id)) == {"G1"}
    shutil.rmtree(folder)
    print(
        f"read-only: {said}\n  a new one there: {new}\n  with the right to write, saved: {not after and sound}"
    )
    sentences = all(one and not one.startswith("not a sentence") for one in (said, new))
    return sentences and not after and sound


def locked() -> bool:
    """Another program holds the workspace for longer than one waits."""
    folder = Path(tempfile.mkdtemp())
    engine.WAIT_S = 1
    with open_store(folder / "w.sqlite") as store:
        site_id = store.create_site(INFO, by="surveyor")
        holder = sqlite3.connect(folder / "w.sqlite", isolation_level=None)
        holder.execute("begin immediate")
        said = told(lambda: store.save(site_id, [Put(Gully(id="G1"))], by="surveyor"))
        reads = store.version(site_id) == 1
        holder.execute("rollback")
        holder.close()
        after = told(lambda: store.save(site_id, [Put(Gully(id="G1"))], by="surveyor"))
    engine.WAIT_S = 20
    shutil.rmtree(folder)
    print(f"locked: {said}\n  reading goes on: {reads}; when it is free, saved: {not after}")
    return bool(said) and reads and not after


def gone_and_back() -> bool:
    """A server that is killed four times while somebody saves, each save sent until it is acknowledged."""
    sentences: dict[str, int] = {}
    with Cluster() as server:
        address = server.database("gone")
        stop = threading.Event()

        def kill() -> None:
            for _ in range(4):
                time.sleep(1.0)
                server.stop("immediate")
                time.sleep(0.5)
                server.start()
            stop.set()

        with open_store(address) as store:
            site_id = store.create_site(INFO, by="surveyor")
            killer = threading.Thread(target=kill)
            killer.start()
            number = wrong = 0
            while not stop.is_set():
                changes = [Put(Gully(id=f"G{number}"))]
                try:
                    store.save(site_id, changes, by="surveyor", token=f"t{number}")
                    number += 1
                except StoreError as error:
                    sentences[str(error)] = sentences.get(str(error), 0) + 1
                    time.sleep(0.05)
                except StaleError:
                    wrong += 1
                    number += 1
            killer.join()
            once = len(store.history(site_id, since=1)) == number == len(store.versions(site_id))
            sound = not store.verify()
    print(f"server gone and back four times while {number} saves were made; said:")
    for sentence, times in sentences.items():
        print(f"  {times} × {sentence}")
    print(f"  every save there exactly once: {once}; conflicts with oneself: {wrong}; sound: {sound}")
    return once and sound and not wrong and bool(sentences)


def main() -> None:
    """Go through every trouble; exit 1 when one went wrong."""
    outcomes = [trouble() for trouble in (disk_full, read_only, locked, gone_and_back)]
    sys.exit(0 if all(outcomes) else 1)


if __name__ == "__main__":
    main()
