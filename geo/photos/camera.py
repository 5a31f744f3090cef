"""What a camera wrote beside the picture: when, which way up, in which direction, and whether where."""

from __future__ import annotations

import math
import re
import struct
import warnings
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from numbers import Real
from typing import Any

from PIL import Image
from PIL.ExifTags import GPS, IFD, Base

HEAD = b"Exif\x00\x00"
NORTHS = {"T": "true north", "M": "magnetic north"}
KEPT = (
    Base.Make, Base.Model, Base.Orientation, Base.XResolution, Base.YResolution, Base.ResolutionUnit,
    Base.DateTime,
)  # fmt: skip
KEPT_INSIDE = (
    Base.ExposureTime, Base.FNumber, Base.ISOSpeedRatings, Base.DateTimeOriginal, Base.DateTimeDigitized,
    Base.OffsetTime, Base.OffsetTimeOriginal, Base.OffsetTimeDigitized, Base.SubsecTimeOriginal,
    Base.Flash, Base.FocalLength, Base.FocalLengthIn35mmFilm, Base.ColorSpace, Base.ExifImageWidth,
    Base.ExifImageHeight,
)  # fmt: skip
BROKEN = (
    ValueError, SyntaxError, OSError, KeyError, TypeError, AttributeError, IndexError, struct.error,
    ArithmeticError, EOFError, RuntimeError,
)  # fmt: skip
"""What a decoder may raise on bytes that somebody, or a bad card, has spoiled."""

_NONE = re.compile(r"(?!)")
_TIME = re.compile(r"(\d{4}):(\d{2}):(\d{2})[ T](\d{2}):(\d{2}):(\d{2})")
_OFFSET = re.compile(r"[+-](0\d|1[0-4]):[0-5]\d")

FORMS = {
    **dict.fromkeys((Base.Make, Base.Model), re.compile(r"[ -~]{1,40}")),
    **dict.fromkeys((Base.DateTime, Base.DateTimeOriginal, Base.DateTimeDigitized), _TIME),
    **dict.fromkeys((Base.OffsetTime, Base.OffsetTimeOriginal, Base.OffsetTimeDigitized), _OFFSET),
    Base.SubsecTimeOriginal: re.compile(r"\d{1,9}"),
}
"""What the notes that are text may say (CIPA DC-008, Exif, from memory); the others are one number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraFacts:
    """What was read out of a photograph's own notes.

    Parameters
    ----------
    taken_at
        When, as the camera's clock had it; with an offset from UTC only where the camera wrote one.
    direction_deg, direction_from
        Where it looked, clockwise from ``true north``, ``magnetic north`` or ``a north not said``.
    orientation
        1 to 8 as EXIF numbers them, 1 for upright.
    has_place
        Whether it says where it was taken.
    """

    taken_at: str = ""
    direction_deg: float | None = None
    direction_from: str = ""
    orientation: int = 1
    has_place: bool = False


def read_exif(raw: bytes) -> Image.Exif:
    """Read EXIF notes, empty where they are spoiled.

    Parameters
    ----------
    raw
        With or without the six bytes that open them in a JPEG.
    """
    exif = Image.Exif()
    if not raw:
        return exif
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            exif.load(raw if raw.startswith(HEAD) else HEAD + raw)
            for inner in (IFD.Exif, IFD.GPSInfo):
                exif.get_ifd(inner)
        except BROKEN:
            return Image.Exif()
    return exif


def camera_facts(raw: bytes) -> CameraFacts:
    """Read what a photograph's EXIF notes say; what is spoiled or impossible counts as not said."""
    exif = read_exif(raw)
    inside, gps = exif.get_ifd(IFD.Exif), exif.get_ifd(IFD.GPSInfo)
    turned = exif.get(Base.Orientation, 1)
    taken_at = ""
    for when, offset, where in (
        (Base.DateTimeOriginal, Base.OffsetTimeOriginal, inside),
        (Base.DateTimeDigitized, Base.OffsetTimeDigitized, inside),
        (Base.DateTime, Base.OffsetTime, exif),
    ):
        taken_at = taken_at or _moment(where.get(when), inside.get(offset))
    degrees = _degrees(gps.get(GPS.GPSImgDirection))
    north = NORTHS.get(str(gps.get(GPS.GPSImgDirectionRef, "")).strip("\x00 ").upper(), "a north not said")
    return CameraFacts(
        taken_at=taken_at,
        direction_deg=degrees,
        direction_from=north if degrees is not None else "",
        orientation=turned if turned in range(1, 9) else 1,
        has_place=GPS.GPSLatitude in gps or GPS.GPSLongitude in gps,
    )


def notes_without_place(raw: bytes) -> bytes:
    """Write EXIF notes anew with what tells how and when a picture was taken, and nothing else.

    Place, direction, names, comments, serial numbers, the small picture inside and the maker's own block
    are left out: any of them may tell where it was taken, or by whom.
    """
    before = read_exif(raw)
    after = Image.Exif()
    after.update(_as_meant(before, KEPT))
    kept = _as_meant(before.get_ifd(IFD.Exif), KEPT_INSIDE)
    if kept:
        after.get_ifd(IFD.Exif).update(kept)
    try:
        return after.tobytes() if len(after) or kept else b""
    except BROKEN:
        upright = Image.Exif()
        upright[Base.Orientation] = camera_facts(raw).orientation
        return upright.tobytes()


def _as_meant(notes: Mapping[int, Any], tags: Iterable[Base]) -> dict[int, Any]:
    """Return those notes that are of the form their tag is meant to have.

    Where a length or a pointer is spoiled, a note holds bytes of its neighbours, the place among them.
    """
    found: dict[int, Any] = {}
    for tag in tags:
        said = notes.get(tag)
        if isinstance(said, str):
            text = said.split("\x00")[0].strip()
            if FORMS.get(tag, _NONE).fullmatch(text):
                found[int(tag)] = text
        elif tag not in FORMS and isinstance(said, Real):
            found[int(tag)] = said
    return found


def _moment(said: object, offset: object) -> str:
    """Return a time as records write it; an offset only where one is said."""
    found = _TIME.match(str(said or ""))
    if found is None:
        return ""
    year, month, day, hour, minute, second = found.groups()
    fine = 1 <= int(month) <= 12 and 1 <= int(day) <= 31 and int(hour) < 24
    if not (fine and int(year) >= 1826 and int(minute) < 60 and int(second) < 61):
        return ""
    zone = str(offset or "").strip("\x00 ")
    zone = zone if _OFFSET.fullmatch(zone) else ""
    return f"{year}-{month}-{day}T{hour}:{minute}:{second}{zone}"


def _degrees(said: object) -> float | None:
    try:
        value = float(said)  # type: ignore[arg-type]
    except (TypeError, ValueError, ArithmeticError):
        return None
    return round(value, 2) if math.isfinite(value) and 0.0 <= value <= 360.0 else None
