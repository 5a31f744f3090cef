"""Copies that tell no place, with every pixel as it was: JPEG segments and PNG chunks, never re-encoded.

JPEG: ITU-T T.81 annex B (markers and segments). PNG: W3C Recommendation, third edition, section 5.
"""

from __future__ import annotations

import re
import struct
import zlib

from geo.errors import InputError, Problem
from geo.photos.camera import HEAD, notes_without_place

SOI, EOI, PNG = b"\xff\xd8", b"\xff\xd9", b"\x89PNG\r\n\x1a\n"
_SOS, _ALONE = 0xDA, frozenset((0x01, *range(0xD0, 0xD9)))
_APP = range(0xE0, 0xF0)
_COLOUR = (b"JFIF\x00", b"ICC_PROFILE\x00", b"Adobe")
_PICTURE = frozenset((*range(0xC0, 0xC8), *range(0xC9, 0xD0), *range(0xD0, 0xE0)))
_NEXT = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]", re.DOTALL)
_PNG_KEPT = frozenset(
    (
        b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"cHRM", b"gAMA", b"iCCP", b"sBIT", b"sRGB", b"cICP",
        b"bKGD", b"hIST", b"pHYs", b"sPLT", b"acTL", b"fcTL", b"fdAT",
    )
)  # fmt: skip


def without_place(raw: bytes) -> bytes:
    """Return a copy of a photograph that does not tell where it was taken.

    The picture is not touched: JPEG scans, tables and colour profiles, and PNG picture chunks, keep their
    bytes. The EXIF notes are written anew with how and when only; other notes (XMP, captions, comments,
    the maker's block, a film or second picture after the first) are left out, since each can hold a place.

    Parameters
    ----------
    raw
        Bytes of a JPEG or PNG.

    Raises
    ------
    InputError
        When it is neither, or ends in the middle.
    """
    try:
        if raw.startswith(SOI):
            return _plain_jpeg(raw)
        if raw.startswith(PNG):
            return _plain_png(raw)
    except (IndexError, struct.error):
        raise _refused("ends in the middle") from None
    raise _refused("is neither JPEG nor PNG, so its place cannot be taken out without touching the picture")


def exif_of(raw: bytes) -> bytes:
    """Return the EXIF notes of a JPEG or PNG, empty where there are none or they cannot be reached."""
    try:
        if raw.startswith(SOI):
            notes = (body for marker, body, _ in _segments(raw) if marker == 0xE1 and body.startswith(HEAD))
            return next(notes, b"")
        if raw.startswith(PNG):
            return next((body for name, body, _ in _chunks(raw) if name == b"eXIf"), b"")
    except (IndexError, struct.error, InputError):
        pass
    return b""


def _plain_jpeg(raw: bytes) -> bytes:
    out, noted = [SOI], False
    for marker, body, whole in _segments(raw):
        if marker == 0xE1 and body.startswith(HEAD):
            notes = b"" if noted else notes_without_place(body)
            noted = True
            if notes:
                out.append(b"\xff\xe1" + struct.pack(">H", len(notes) + 2) + notes)
        elif marker in _PICTURE or (marker in _APP and body.startswith(_COLOUR)):
            out.append(whole)
    return b"".join(out)


def _segments(raw: bytes) -> list[tuple[int, bytes, bytes]]:
    """Cut a JPEG into segments up to its end: marker, body, and the bytes as they stand, scans included."""
    found: list[tuple[int, bytes, bytes]] = []
    at = 2
    while True:
        start = at
        if raw[at] != 0xFF:
            raise _refused("is spoiled between two of its parts")
        while raw[at] == 0xFF:
            at += 1
        marker = raw[at]
        at += 1
        if marker == 0xD9:
            return [*found, (marker, b"", EOI)]
        if marker in _ALONE:
            found.append((marker, b"", raw[start:at]))
            continue
        (length,) = struct.unpack_from(">H", raw, at)
        body_end = at + length
        if length < 2 or body_end > len(raw):
            raise _refused("ends in the middle")
        body = raw[at + 2 : body_end]
        at = body_end
        if marker == _SOS:
            onward = _NEXT.search(raw, at)
            if onward is None:
                raise _refused("ends in the middle")
            at = onward.start()
        found.append((marker, body, raw[start:at]))


def _plain_png(raw: bytes) -> bytes:
    out = [PNG]
    for name, body, whole in _chunks(raw):
        if name == b"eXIf":
            notes = notes_without_place(body).removeprefix(HEAD)
            if notes:
                out.append(_chunk(name, notes))
        elif name in _PNG_KEPT:
            out.append(whole)
    return b"".join(out)


def _chunks(raw: bytes) -> list[tuple[bytes, bytes, bytes]]:
    """Cut a PNG into chunks up to its end: name, body, and the bytes as they stand."""
    found: list[tuple[bytes, bytes, bytes]] = []
    at = len(PNG)
    while True:
        (length,) = struct.unpack_from(">I", raw, at)
        name, end = raw[at + 4 : at + 8], at + 12 + length
        if end > len(raw):
            raise _refused("ends in the middle")
        found.append((name, raw[at + 8 : at + 8 + length], raw[at:end]))
        at = end
        if name == b"IEND":
            return found


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def _refused(found: str) -> InputError:
    mend = "Copy the original from the camera again, or save it as JPEG or PNG."
    return InputError([Problem(file="photograph", found=found, allowed="a whole JPEG or PNG", mend=mend)])
