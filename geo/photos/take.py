"""Taking a photograph in: kept byte for byte, named by its id, or refused with a reason."""

from __future__ import annotations

import hashlib
import io
import re
import warnings
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from PIL import Image, ImageOps

from geo.errors import Problem
from geo.photos.camera import BROKEN, CameraFacts, camera_facts
from geo.photos.plain import PNG, SOI, exif_of
from geo.reference import Reference
from geo.site.visit_records import Photo

JPEG, PORTABLE, APPLE_LIKE = "JPEG", "PNG", "HEIF"
ENDINGS = {JPEG: ".jpg", PORTABLE: ".png", APPLE_LIKE: ".heic"}
FORMATS = {JPEG: ("JPEG", "MPO"), PORTABLE: ("PNG",), APPLE_LIKE: ("HEIF",)}
_HEIF_BRANDS = (b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1")
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.IGNORECASE)
_AS_JPEG = "Set the phone or camera to save JPEG, or save a copy as JPEG and keep the original beside it."


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A photograph as it came in.

    Parameters
    ----------
    record
        The record to save, ``None`` where the file was refused. ``record.file`` is made of the id alone:
        what a phone or a person called the file may hold a name.
    original
        The bytes as they came.
    thumbnail
        A small upright JPEG without any notes; empty where refused.
    facts
        What the camera wrote.
    problems
        Why it was refused (errors), or what one should know of it (warnings).
    """

    record: Photo | None
    original: bytes
    thumbnail: bytes
    facts: CameraFacts
    problems: tuple[Problem, ...]


def take_photo(name: str, raw: bytes, *, ref: Reference, photo_id: str = "") -> Taken:
    """Take a photograph in, by what it holds and not by what its name ends with.

    Parameters
    ----------
    name
        What the file was called; said in problems, and nowhere else.
    raw
        Its bytes.
    photo_id
        Id of the record; by default one made of the hash, so that the same picture has the same id.

    Returns
    -------
    Taken. ``record.taken_at`` is the camera's clock, without a zone where the camera wrote none;
    ``record.direction_deg`` is the camera's compass as it stands, its north said in ``record.note``.
    """
    digest = hashlib.sha256(raw).hexdigest()
    own = photo_id or f"photo-{digest[:10]}"
    said = _shown(name)
    content = _content(raw)
    problem = _too_large(said, raw, ref) or _not_a_picture(said, raw, content)
    facts = CameraFacts()
    if problem is None:
        facts = camera_facts(exif_of(raw))
        thumbnail, problem = _opened(said, raw, content, ref)
    if problem is not None:
        return Taken(record=None, original=raw, thumbnail=b"", facts=facts, problems=(problem,))
    note = ""
    if facts.direction_deg is not None:
        note = f"direction by the camera's compass, from {facts.direction_from}"
    record = Photo(
        id=own,
        file=safe_name(own) + ENDINGS[content],
        taken_at=facts.taken_at,
        direction_deg=facts.direction_deg,
        sha256=digest,
        note=note,
    )
    return Taken(
        record=record, original=raw, thumbnail=thumbnail, facts=facts, problems=_notes(said, raw, facts)
    )


def safe_name(photo_id: str) -> str:
    """Return a file name, without its ending, that every disk takes and that climbs nowhere."""
    plain = re.sub(r"[^A-Za-z0-9_-]+", "-", photo_id).strip("-_")[:60]
    if plain and plain == photo_id and not _RESERVED.fullmatch(plain):
        return plain
    tail = hashlib.sha256(photo_id.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"photo-{plain}-{tail}" if plain else f"photo-{tail}"


def thumbnail(raw: bytes, *, ref: Reference) -> bytes:
    """Return a small upright JPEG of a picture, without any notes.

    Raises
    ------
    OSError, ValueError
        When the picture cannot be read to its end.
    """
    side = int(ref.value("photos.thumbnail_px"))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with Image.open(io.BytesIO(raw), formats=_readable()) as picture:
            picture.draft("RGB", (2 * side, 2 * side))
            upright = ImageOps.exif_transpose(picture)
            upright.thumbnail((side, side))
            seen = upright.convert("RGBA") if _see_through(upright) else upright.convert("RGB")
            if seen.mode == "RGBA":
                white = Image.new("RGBA", seen.size, "white")
                seen = Image.alpha_composite(white, seen).convert("RGB")
            plain = Image.new("RGB", seen.size)
            plain.paste(seen)
    out = io.BytesIO()
    plain.save(out, format="JPEG", quality=82)
    return out.getvalue()


def verify_photo(path: Path, sha256: str) -> str:
    """Return ``same``, ``changed`` or ``missing``: the file against the hash taken when it came in.

    Without a hash a file that is there counts as the same. A name no disk can hold is missing.
    """
    try:
        if not path.is_file():
            return "missing"
        state = path.stat()
        found = hash_of(path, state.st_size, state.st_mtime_ns) if sha256 else ""
    except (OSError, ValueError):
        return "missing"
    return "same" if found == sha256.lower() else "changed"


@lru_cache(4096)
def hash_of(path: Path, _size: int, _changed_ns: int) -> str:
    """Return the SHA-256 of a file, read once for each state the disk reports of it."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _readable() -> tuple[str, ...]:
    Image.init()
    return tuple(name for group in FORMATS.values() for name in group if name in Image.OPEN)


def _content(raw: bytes) -> str:
    """Return what the first bytes say a file is, or ``""``."""
    if raw.startswith(SOI + b"\xff"):
        return JPEG
    if raw.startswith(PNG):
        return PORTABLE
    return APPLE_LIKE if raw[4:8] == b"ftyp" and raw[8:12] in _HEIF_BRANDS else ""


def _too_large(said: str, raw: bytes, ref: Reference) -> Problem | None:
    most = ref.value("photos.file_max_mb")
    if len(raw) <= most * 1e6:
        return None
    mend = "Save a smaller copy, or raise photos.file_max_mb in the site's limits.toml."
    return _refused(said, f"{len(raw) / 1e6:.0f} MB", f"at most {most:g} MB", mend)


def _not_a_picture(said: str, raw: bytes, content: str) -> Problem | None:
    kinds = "a JPEG or PNG picture"
    if not raw:
        return _refused(said, "is empty", kinds, "Copy it from the camera again.")
    if not content:
        return _refused(said, "is no picture this tool reads, whatever its name ends with", kinds, _AS_JPEG)
    if content == APPLE_LIKE and "HEIF" not in _readable():
        return _refused(said, "is an HEIC picture, which is not read here", kinds, _AS_JPEG)
    return None


def _opened(said: str, raw: bytes, content: str, ref: Reference) -> tuple[bytes, Problem | None]:
    """Return the thumbnail, or why there is none: too many pixels, or a picture that breaks off."""
    again = "Copy it from the camera again."
    most = ref.value("photos.pixels_max")
    many = f"at most {most / 1e6:g} million pixels"
    fewer = "Save a smaller copy, or raise photos.pixels_max in the site's limits.toml."
    allowed = [name for name in FORMATS[content] if name in _readable()]
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(raw), formats=allowed) as picture:
                pixels = picture.width * picture.height
        if pixels > most:
            return b"", _refused(said, f"{pixels / 1e6:.0f} million pixels", many, fewer)
        return thumbnail(raw, ref=ref), None
    except Image.DecompressionBombError:
        return b"", _refused(said, "far more pixels than any camera has", many, fewer)
    except MemoryError:
        return b"", _refused(said, "needs more memory than there is", many, fewer)
    except BROKEN:
        return b"", _refused(said, "cannot be read to its end", "a whole picture", again)


def _notes(said: str, raw: bytes, facts: CameraFacts) -> tuple[Problem, ...]:
    if facts.taken_at:
        return ()
    spoiled = "holds notes that cannot be read" if exif_of(raw) else "does not say when it was taken"
    return (
        Problem(
            file=said, column="taken_at", found=spoiled, allowed="a time", severity="warning",
            mend="Write the time it was taken beside it, if it is known.",
        ),
    )  # fmt: skip


def _see_through(picture: Image.Image) -> bool:
    return picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info


def _shown(name: str) -> str:
    """Return what to call a file in a sentence: its last part, printable, not endless."""
    last = re.split(r"[/\\]", name)[-1]
    return "".join(sign for sign in last if sign.isprintable())[:80] or "photograph"


def _refused(said: str, found: str, allowed: str, mend: str) -> Problem:
    return Problem(file=said, found=found, allowed=allowed, mend=mend)
