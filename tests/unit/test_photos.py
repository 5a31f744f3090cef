"""Photographs come in whole, tell when and which way, and go out without telling where."""

from __future__ import annotations

import hashlib
import io
import struct
import warnings
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from geo import reference
from geo.errors import InputError
from geo.photos.camera import camera_facts
from geo.photos.plain import exif_of, without_place
from geo.photos.take import safe_name, take_photo, verify_photo

REF = reference.default()
HERE = b"52 deg 11.5 min N"


def tiff(
    *, turned: int = 1, taken: bytes = b"2026:11:03 14:05:09", offset: bytes = b"", north: bytes = b"T"
) -> bytes:
    """Write EXIF notes by hand, from the TIFF 6.0 and EXIF 2.32 layouts: big-endian, entries of 12 bytes."""
    body = bytearray(b"MM\x00\x2a\x00\x00\x00\x08")

    def place(raw: bytes) -> int:
        body.extend(raw + b"\x00" * (len(raw) % 2))
        return len(body) - len(raw) - len(raw) % 2

    def entry(tag: int, kind: int, count: int, value: int | bytes) -> bytes:
        last = value if isinstance(value, bytes) else struct.pack(">I", value)
        return struct.pack(">HHI", tag, kind, count) + last.ljust(4, b"\x00")

    body.extend(b"\x00" * (2 + 4 * 12 + 4))
    words = place(HERE + b"\x00")
    when = place(taken + b"\x00")
    inside = [entry(0x9003, 2, len(taken) + 1, when)]
    if offset:
        inside.append(entry(0x9011, 2, len(offset) + 1, place(offset + b"\x00")))
    inside.append(entry(0x927C, 7, len(HERE), place(HERE)))
    inner = place(struct.pack(">H", len(inside)) + b"".join(inside) + b"\x00" * 4)
    north_at = place(struct.pack(">6I", 52, 1, 11, 1, 30, 1))
    looked = place(struct.pack(">2I", 27350, 100))
    gps = [
        entry(1, 2, 2, b"N\x00"),
        entry(2, 5, 3, north_at),
        entry(16, 2, 2, north + b"\x00"),
        entry(17, 5, 1, looked),
    ]
    outer = place(struct.pack(">H", len(gps)) + b"".join(gps) + b"\x00" * 4)
    first = [
        entry(0x010E, 2, len(HERE) + 1, words),
        entry(0x0112, 3, 1, struct.pack(">H", turned)),
        entry(0x8769, 4, 1, inner),
        entry(0x8825, 4, 1, outer),
    ]
    body[8 : 8 + 2 + 48 + 4] = struct.pack(">H", 4) + b"".join(first) + b"\x00" * 4
    return bytes(body)


def pixels(width: int = 64, height: int = 40) -> Image.Image:
    """Return a picture whose left half is red and whose top right is blue."""
    grid = np.zeros((height, width, 3), dtype=np.uint8)
    grid[:, : width // 2, 0] = 250
    grid[: height // 2, width // 2 :, 2] = 250
    return Image.fromarray(grid)


def segment(marker: int, body: bytes) -> bytes:
    """Return a JPEG segment."""
    return bytes((0xFF, marker)) + struct.pack(">H", len(body) + 2) + body


def jpeg(notes: bytes = b"", *, more: bytes = b"", **options: Any) -> bytes:
    """Return a JPEG with EXIF notes put in by hand, and other segments after them."""
    out = io.BytesIO()
    pixels().save(out, format="JPEG", quality=90, **options)
    whole = out.getvalue()
    exif = segment(0xE1, b"Exif\x00\x00" + notes) if notes else b""
    return whole[:2] + exif + more + whole[2:]


def png(notes: bytes = b"", *, text: bytes = b"") -> bytes:
    """Return a PNG with an eXIf chunk and a text chunk before its end."""
    out = io.BytesIO()
    pixels().save(out, format="PNG")
    whole = out.getvalue()
    more = b""
    for name, body in ((b"eXIf", notes), (b"tEXt", text)):
        if body:
            more += struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
    return whole[:-12] + more + whole[-12:]


def shown(raw: bytes) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """Return the pixels of a picture."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a made-up second picture is not one
        return opened(raw)


def opened(raw: bytes) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """Return the pixels of a picture as Pillow reads it."""
    with Image.open(io.BytesIO(raw)) as picture:
        return np.asarray(picture.convert("RGB"))


def test_a_photograph_is_kept_byte_for_byte_and_named_by_its_hash() -> None:
    """The original is what came in, its hash is that of the standard library, its name holds no name."""
    raw = jpeg(tiff())
    taken = take_photo("Mrs Example kitchen.JPG", raw, ref=REF)
    assert taken.original == raw
    assert taken.record is not None
    assert taken.record.sha256 == hashlib.sha256(raw).hexdigest()
    assert taken.record.file == f"photo-{taken.record.sha256[:10]}.jpg"
    assert "Example" not in taken.record.model_dump_json()
    assert taken.problems == ()


@pytest.mark.parametrize(("offset", "expected"), [(b"", ""), (b"+01:00", "+01:00"), (b"rubbish", "")])
def test_time_is_the_cameras_and_no_zone_is_made_up(offset: bytes, expected: str) -> None:
    """14:05:09 stays 14:05:09; an offset stands only where the camera wrote one that can be one."""
    taken = take_photo("a.jpg", jpeg(tiff(offset=offset)), ref=REF)
    assert taken.record is not None
    assert taken.record.taken_at == "2026-11-03T14:05:09" + expected


@pytest.mark.parametrize("spoiled", [b"0000:00:00 00:00:00", b"2026:13:03 14:05:09", b"yesterday"])
def test_a_time_that_cannot_be_is_not_said(spoiled: bytes) -> None:
    """A clock never set, or a thirteenth month, gives no time and says so."""
    taken = take_photo("a.jpg", jpeg(tiff(taken=spoiled)), ref=REF)
    assert taken.record is not None
    assert taken.record.taken_at == ""
    assert [problem.severity for problem in taken.problems] == ["warning"]


@pytest.mark.parametrize(
    ("north", "said"),
    [(b"T", "from true north"), (b"M", "from magnetic north"), (b"?", "from a north not said")],
)
def test_direction_says_from_which_north(north: bytes, said: str) -> None:
    """27350/100 is 273.5 degrees, and whose north it is counted from stands beside it."""
    taken = take_photo("a.jpg", jpeg(tiff(north=north)), ref=REF)
    assert taken.record is not None
    assert taken.record.direction_deg == pytest.approx(273.5)
    assert said in taken.record.note


def test_the_content_decides_not_the_name() -> None:
    """A PNG called .jpg is taken as PNG; a text, a PDF and an HEIC are refused whatever they are called."""
    taken = take_photo("a.jpg", png(), ref=REF)
    assert taken.record is not None
    assert taken.record.file.endswith(".png")
    for raw, word in (
        (b"%PDF-1.7", "no picture"),
        (b"", "is empty"),
        (b"<svg onload='x'/>", "no picture"),
        (b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic", "HEIC"),
        (b"GIF89a\x01\x00\x01\x00", "no picture"),
    ):
        refused = take_photo("a.jpg", raw, ref=REF)
        assert refused.record is None
        assert word in refused.problems[0].found
        assert refused.problems[0].mend


@pytest.mark.parametrize("turned", range(1, 9))
def test_the_thumbnail_is_upright_small_and_bare(turned: int) -> None:
    """Whatever way the camera lay, red is where EXIF says it is shown, within 480 px and without notes.

    The left half is red. EXIF 2.32 table 6: turned 1 shows it left, 3 right, 6 at the top, 8 at the
    bottom; 2, 4, 5 and 7 are those mirrored: right, left, top, bottom.
    """
    out = io.BytesIO()
    pixels(1600, 1000).save(out, format="JPEG", quality=90)
    raw = out.getvalue()
    raw = raw[:2] + segment(0xE1, b"Exif\x00\x00" + tiff(turned=turned)) + raw[2:]
    small = take_photo("a.jpg", raw, ref=REF).thumbnail
    grid = shown(small)
    assert max(grid.shape) == 480
    red = {
        "left": grid[:, :10], "right": grid[:, -10:], "top": grid[:10], "bottom": grid[-10:],
    }  # fmt: skip
    edge = ["left", "right", "right", "left", "top", "top", "bottom", "bottom"][turned - 1]
    assert max(red, key=lambda name: red[name][..., 0].mean()) == edge
    assert exif_of(small) == b""
    assert HERE not in small


def test_too_many_bytes_and_too_many_pixels_are_refused() -> None:
    """40 MB and 85 million pixels are the ends; a picture that claims more is refused unread."""
    heavy = take_photo("a.jpg", jpeg() + b"\x00" * 40_000_000, ref=REF)
    assert "40 MB" in heavy.problems[0].found
    whole = png()
    header = struct.pack(">II", 30_000, 30_000) + whole[24:29]
    bomb = whole[:16] + header + struct.pack(">I", zlib.crc32(b"IHDR" + header)) + whole[33:]
    assert "pixels" in take_photo("a.png", bomb, ref=REF).problems[0].found
    header = struct.pack(">II", 10_000, 9_000) + whole[24:29]
    wide = whole[:16] + header + struct.pack(">I", zlib.crc32(b"IHDR" + header)) + whole[33:]
    assert "90 million pixels" in take_photo("a.png", wide, ref=REF).problems[0].found


def test_a_picture_that_breaks_off_is_refused() -> None:
    """Half a file is no photograph."""
    raw = jpeg(tiff())
    for part in (raw[: len(raw) // 2], raw[:4], png()[:60]):
        refused = take_photo("a.jpg", part, ref=REF)
        assert refused.record is None
        assert refused.problems[0].mend


HIDING = {
    "notes of place": segment(0xE1, b"http://ns.adobe.com/xap/1.0/\x00<x exif:GPSLatitude='" + HERE + b"'/>"),
    "caption": segment(0xED, b"Photoshop 3.0\x008BIM" + HERE),
    "comment": segment(0xFE, HERE),
    "second picture": segment(0xE2, b"MPF\x00" + HERE),
}


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"subsampling": 0, "restart_marker_rows": 1}])
@pytest.mark.parametrize("tail", [b"", HERE, b"\xff\xd8\xff\xe1" + HERE])
def test_a_copy_tells_no_place_and_has_every_pixel(options: dict[str, Any], tail: bytes) -> None:
    """Every note that could hold a place goes; scans keep their bytes; turn and time stay."""
    raw = jpeg(tiff(turned=6), more=b"".join(HIDING.values()), **options) + tail
    assert camera_facts(exif_of(raw)).has_place
    plain = without_place(raw)
    assert HERE not in plain
    assert b"GPS" not in plain
    facts = camera_facts(exif_of(plain))
    assert not facts.has_place
    assert facts.direction_deg is None
    assert (facts.orientation, facts.taken_at) == (6, "2026-11-03T14:05:09")
    bare = jpeg(**options)
    scan = bare[bare.index(b"\xff\xdb") :]
    assert scan in plain
    assert np.array_equal(shown(plain), shown(raw))
    assert without_place(plain) == plain


def test_a_colour_profile_stays() -> None:
    """An embedded profile says what the colours are, not where they were: it is kept whole."""
    profile = bytes(range(256)) * 3
    raw = jpeg(tiff(), icc_profile=profile)
    with Image.open(io.BytesIO(without_place(raw))) as picture:
        assert picture.info["icc_profile"] == profile


def test_a_png_copy_tells_no_place_and_has_every_pixel() -> None:
    """The eXIf chunk is written anew, text chunks go, picture chunks keep their bytes."""
    raw = png(tiff(turned=3), text=b"Comment\x00" + HERE)
    plain = without_place(raw)
    assert HERE not in plain
    assert camera_facts(exif_of(plain)).orientation == 3
    assert not camera_facts(exif_of(plain)).has_place
    assert np.array_equal(shown(plain), shown(raw))
    assert png()[:-12] == plain[: len(png()) - 12]


def test_what_cannot_be_cleaned_is_not_passed_on() -> None:
    """A copy is refused, never handed on as it is, when it is no JPEG or PNG or breaks off."""
    raw = jpeg(tiff())
    for part in (b"\x00\x00\x00\x18ftypheic", raw[:-2], raw[:30], png(tiff())[:-5], b""):
        with pytest.raises(InputError):
            without_place(part)


@pytest.mark.parametrize(
    ("photo_id", "plain"),
    [
        ("PH-014", "PH-014"),
        ("../../etc/passwd", None),
        ("con", None),
        ("a b", None),
        ("", None),
        ("é\x00", None),
    ],
)
def test_a_file_name_climbs_nowhere(photo_id: str, plain: str | None) -> None:
    """A plain id is its own name; any other is spelled out with a mark of its own, and never twice the same."""
    name = safe_name(photo_id)
    assert name == plain if plain else name.startswith("photo-")
    assert Path(name).name == name
    assert name.isascii()
    assert safe_name(photo_id + "x") != name


def test_the_hash_tells_a_changed_file(tmp_path: Path) -> None:
    """One byte of another colour, and the file is not the one that was recorded."""
    raw = jpeg(tiff())
    path = tmp_path / "p.jpg"
    path.write_bytes(raw)
    digest = hashlib.sha256(raw).hexdigest()
    assert verify_photo(path, digest) == "same"
    path.write_bytes(raw[:-40] + bytes((raw[-40] ^ 1,)) + raw[-39:] + b"\x00")
    assert verify_photo(path, digest) == "changed"
    assert verify_photo(tmp_path / "none.jpg", digest) == "missing"


LATITUDE = struct.pack(">4I", 52, 1, 11, 1)


def test_no_length_or_pointer_of_a_note_that_is_spoiled_lets_the_place_through() -> None:
    """Each byte of the notes in turn, by several values: a note that holds its neighbours' bytes is left out."""
    raw = jpeg(tiff())
    assert LATITUDE in raw
    plain = 0
    for at in range(4, raw.index(LATITUDE)):
        for value in (0, 1, 18, 84, 120, 255):
            spoiled = raw[:at] + bytes((value,)) + raw[at + 1 :]
            try:
                copy = without_place(spoiled)
            except InputError:
                continue
            plain += 1
            assert LATITUDE not in copy
    assert plain > 500


@settings(max_examples=150)
@given(st.data())
def test_spoiled_bytes_are_refused_or_read_and_never_raise(data: st.DataObject) -> None:
    """Any bytes changed or cut away give a record or a reason, and no copy that still tells the place.

    The place looked for is the latitude's own twelve bytes in the notes, 52 degrees 11 minutes.
    """
    raw = bytearray(data.draw(st.sampled_from([jpeg(tiff()), png(tiff())])))
    for _ in range(data.draw(st.integers(1, 6))):
        raw[data.draw(st.integers(0, min(len(raw), 700) - 1))] = data.draw(st.integers(0, 255))
    spoiled = bytes(raw[: data.draw(st.integers(0, len(raw)))] if data.draw(st.booleans()) else raw)
    taken = take_photo("a.jpg", spoiled, ref=REF)
    assert (taken.record is None) == any(said.severity == "error" for said in taken.problems)
    assert taken.record is not None or taken.problems[0].mend
    try:
        plain = without_place(spoiled)
    except InputError:
        return
    assert taken.record is None or LATITUDE not in plain
