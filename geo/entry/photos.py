"""Photographs on their way in, tied to what they show, and on their way out without their place."""

from __future__ import annotations

import io
import math
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from geo.entry.sites import EPOCH
from geo.errors import InputError, Problem, WallfootError
from geo.photos.plain import without_place
from geo.photos.take import take_photo
from geo.site.model import Site
from geo.site.records import ASSETS, Record
from geo.site.tables import build
from geo.site.visit_records import Photo

FOLDER = "photos"
TIED_KINDS = (*ASSETS, "fixture", "trial", "opening", "opening_up", "cavity", "sample", "run")
"""Kinds a photograph is tied to by one tap; any other record by its id."""
LEFT_OUT = "photographs.txt"


@dataclass(frozen=True, slots=True, kw_only=True)
class Brought:
    """Photographs that came in together.

    Parameters
    ----------
    records
        One for each that is kept.
    originals
        Bytes of each as they came, by the name of the file in the site folder.
    told
        One sentence for each that is refused, there already, or says nothing of its time.
    """

    records: tuple[Photo, ...]
    originals: Mapping[str, bytes]
    told: tuple[str, ...]


def bring_photos(
    files: Sequence[tuple[str, bytes]], site: Site, *, fields: Mapping[str, Any] | None = None
) -> Brought:
    """Take several photographs in; one that is refused does not stop the others.

    Parameters
    ----------
    files
        What each was called, and its bytes.
    fields
        What all of them show: ``of_id``, ``face``, ``chainage_m``, ``scale_in_frame`` …
    """
    held = {getattr(record, "sha256", ""): record.id for record in site.of("photo")}
    taken = set(site.ids)
    records: list[Photo] = []
    originals: dict[str, bytes] = {}
    told: list[str] = []
    for name, raw in files:
        came = take_photo(name, raw, ref=site.reference)
        told += [_sentence(problem) for problem in came.problems]
        if came.record is None:
            continue
        if came.record.sha256 in held:
            told.append(f"{_short(name)} is there already, as {held[came.record.sha256]}.")
            continue
        own = came.record
        if own.id in taken:  # ids are made of a part of the hash: this one is another record's
            longer = f"photo-{own.sha256[:24]}"
            own = take_photo(name, raw, ref=site.reference, photo_id=longer).record or own
        record, wrong = (own, list[str]()) if not fields else tie_photo(own, fields)
        told += wrong
        if record is None:
            continue
        held[record.sha256] = record.id
        taken.add(record.id)
        records.append(record)
        originals[f"{FOLDER}/{record.file}"] = raw
    return Brought(records=tuple(records), originals=originals, told=tuple(told))


def tie_photo(photo: Photo, fields: Mapping[str, Any]) -> tuple[Photo | None, list[str]]:
    """Return a photograph with fields changed, or what is wrong with them; blanks take a field away.

    A direction or a time the camera wrote is kept unless it is among the fields.
    """
    given = {**photo.model_dump(), **fields}
    given = {name: value for name, value in given.items() if value not in ("", None)}
    record, problems = build(Photo, given, file="photo", row=0)
    if isinstance(record, Photo):
        return record.model_copy(update={"geometry": photo.geometry}), []
    return None, [f"{problem.column}: {problem.found}; {problem.allowed}" for problem in problems]


def offered_ties(
    site: Site,
    places: Mapping[str, float],
    *,
    chainage_m: float = math.nan,
    ring_length_m: float = math.nan,
    most: int = 12,
) -> tuple[str, ...]:
    """Return the ids a photograph is most likely of, the likeliest first.

    Those used last for photographs come first, then whatever stands nearest along the wall where the
    photograph has a chainage, else what was recorded last.

    Parameters
    ----------
    places
        Chainage of records by id, on the photograph's wall.
    chainage_m
        Of the photograph; NaN where it has none.
    ring_length_m
        Length round that wall, so that its two ends are neighbours; NaN for an open length.
    """
    ids = [record.id for kind in TIED_KINDS for record in site.of(kind)]
    used = [str(getattr(photo, "of_id", "")) for photo in site.of("photo")][::-1]
    last = [name for name in dict.fromkeys(used) if name in site.ids][: most // 3]
    if math.isfinite(chainage_m):
        near = sorted(
            (name for name in ids if math.isfinite(places.get(name, math.nan))),
            key=lambda name: _apart(places[name], chainage_m, ring_length_m),
        )
    else:
        near = [record.id for record in site.of("trial")[::-1]]
    return tuple(dict.fromkeys([*last, *near, *ids]))[:most]


def photos_zip(
    photos: Sequence[Record], read: Callable[[str], bytes], *, keep_place: bool = False
) -> tuple[bytes, tuple[str, ...]]:
    """Return photographs as a zip, and a sentence for each that is not in it.

    Without ``keep_place`` every picture is a copy that does not tell where it was taken: one whose place
    cannot be taken out is left out. With it the originals go byte for byte.

    Parameters
    ----------
    read
        Returns the bytes of a file of the site by its name.
    """
    left: list[str] = []
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as made:
        for photo in photos:
            name = str(getattr(photo, "file", ""))
            try:
                raw = read(f"{FOLDER}/{name}")
                content = raw if keep_place else without_place(raw)
            except InputError as error:
                left.append(f"{photo.id} is left out: it {error.problems[0].found}.")
                continue
            except WallfootError as error:
                left.append(f"{photo.id} is left out: {error}")
                continue
            _add(made, f"{FOLDER}/{name}", content)
        if left:
            _add(made, LEFT_OUT, "\n".join([*left, ""]).encode())
    return out.getvalue(), tuple(left)


def _add(made: zipfile.ZipFile, name: str, content: bytes) -> None:
    member = zipfile.ZipInfo(name, EPOCH)
    member.external_attr = 0o644 << 16
    made.writestr(member, content)


def _apart(one: float, other: float, length: float) -> float:
    gap = abs(one - other)
    return min(gap, length - gap) if math.isfinite(length) else gap


def _sentence(problem: Problem) -> str:
    mend = f" {problem.mend}" if problem.mend else ""
    if problem.severity == "warning":
        return f"{problem.file} {problem.found}; it is kept.{mend}"
    return f"{problem.file} {_be(problem.found)}; allowed: {problem.allowed}. Not kept.{mend}"


def _be(found: str) -> str:
    """Return what was found as the rest of a sentence."""
    return f"is {found}" if found[:1].isdigit() else found


def _short(name: str) -> str:
    return "".join(sign for sign in name if sign.isprintable())[-60:]
