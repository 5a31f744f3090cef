"""Ids that are named, and whose they are."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from geo.errors import Problem
from geo.findings.check_said import at
from geo.site.model import Site
from geo.site.records import KINDS

REFERENCES = {
    "of_id": None,
    "into_id": None,
    "from_id": None,
    "to_id": None,
    "control_set_id": "control_set",
    "patch_id": "ground_patch",
    "run_id": "run",
    "sample_id": "sample",
    "consent_id": "consent",
    "service_id": "service",
    "source_id": None,
    "shown_id": None,
    "point_id": "drying_point",
    "control_point_id": "drying_point",
    "repeats_id": "reading",
    "cause_of_id": None,
    "repair_id": "repair",
    "variation_of_id": "repair",
    "trial_id": "trial",
}
"""Which columns name one record, and of which kind (``None`` for any)."""
LISTS = {
    "outlet_ids": "downpipe",
    "photo_ids": "photo",
    "of_ids": None,
    "because_ids": None,
    "rests_on_ids": None,
    "reading_ids": "reading",
    "repair_ids": "repair",
    "after_ids": "repair",
}
"""Which columns name several records, separated by spaces, and of which kind (``None`` for any)."""
ON_THE_WALL = ("spray", "sheet")
"""Tests made on the wall itself: what they name need not be a record."""


def references(site: Site, unread: Mapping[str, bytes]) -> Iterator[Problem]:
    """Ask of every id that is named that it is somebody's."""
    buildings = {record.id for record in site.of("building")}
    for kind, records in site.records.items():
        for record in records:
            for column, wanted in REFERENCES.items():
                named = getattr(record, column, "")
                if getattr(record, "trial_kind", "") in ON_THE_WALL:
                    continue
                if named and site.ids.get(named) is None:
                    if any(named.encode() in raw for raw in unread.values()):
                        continue  # it may be a row that could not be read: said there
                    yield at(
                        site,
                        record.id,
                        column,
                        kind,
                        found=f"{named!r} is no record of this site",
                        allowed="the id of a record, or blank",
                        mend="Correct the id; leave it blank where a run ends nowhere known.",
                    )
                elif named and wanted and site.ids[named] != wanted:
                    yield at(
                        site,
                        record.id,
                        column,
                        kind,
                        found=f"{named!r} is a {site.ids[named]}",
                        allowed=f"the id of a {wanted.replace('_', ' ')}",
                        mend="Correct the id.",
                    )
            building = getattr(record, "building_id", "")
            if building and building not in buildings:
                yield at(
                    site,
                    record.id,
                    "building_id",
                    kind,
                    found=f"{building!r} is no building of this site",
                    allowed="one of " + ", ".join(sorted(buildings)),
                    mend="Correct the id.",
                )


def lists(site: Site, unread: Mapping[str, bytes]) -> Iterator[Problem]:
    """Ask of every id in a list of ids that it is of its kind."""
    for kind, records in site.records.items():
        for record in records:
            for column, wanted in LISTS.items():
                named = getattr(record, column, "").split()
                missing = [
                    name
                    for name in named
                    if (site.ids.get(name) is None or (wanted and site.ids[name] != wanted))
                    and not (name not in site.ids and any(name.encode() in raw for raw in unread.values()))
                ]
                if missing:
                    word = "photograph" if wanted == "photo" else (wanted or "record").replace("_", " ")
                    stem = f"{KINDS[wanted].stem}.csv" if wanted else "records of this site"
                    yield at(
                        site,
                        record.id,
                        column,
                        kind,
                        found=f"{', '.join(missing)} not among the {word}s",
                        allowed=f"ids of {stem}, separated by spaces",
                        mend=f"Add the {word}, or take the id out.",
                        severity="warning",
                    )
