"""A site as it stood at an earlier save: what stands now, and every later change taken back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from geo.site.model import Site
from geo.site.records import KINDS, Record
from geo.store.entries import Event
from geo.store.said import StoreError
from geo.weights import EVIDENCE_FILE

FACTS = "site.toml"
HEEDED = frozenset({"ground.tif", "ground.toml", "limits.toml", EVIDENCE_FILE})
"""Files that findings and causes rest on; their earlier content is not kept at hand."""


def stood(now: Site, later: Sequence[Event], *, mark: str) -> Site:
    """Return a site with later changes taken back.

    Parameters
    ----------
    later
        Every event since, oldest first; a change that ``now`` does not show yet is taken back all the same.
    mark
        Told apart by this from the site as it stands now.

    Raises
    ------
    StoreError
        When a file that findings or causes rest on, or the order of the level book, was changed since.
    """
    was: dict[tuple[str, str], Any] = {}
    for event in later:
        was.setdefault((event.kind, event.record_id), event.was)
    changed = sorted(name for _, name in was if name in HEEDED)
    if changed:
        raise StoreError(
            f"{', '.join(changed)} changed since: give the site's folder of that time as a zip instead."
        )
    records = {kind: _records(kind, now.of(kind), was) for kind in KINDS}
    info = was.get(("site", FACTS)) or now.info
    return replace(now, info=info, records=records, digest=f"{now.digest} {mark}")


def _records(kind: str, now: Sequence[Record], was: Mapping[tuple[str, str], Any]) -> tuple[Record, ...]:
    there = {record.id for record in now}
    gone = [record for (each, name), record in was.items() if each == kind and name not in there and record]
    if gone and kind == "level":
        raise StoreError(
            "Lines of the level book were taken out since, and their order is not known: give the site's"
            " folder of that time as a zip instead."
        )
    kept = [was.get((kind, record.id), record) for record in now]
    return (*(record for record in kept if record is not None), *gone)
