"""Beginning a site, and sites as one zip file in and out."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import Any

from pydantic import ValidationError

from geo import reference
from geo.errors import InputError, Problem
from geo.site.fields import allowed
from geo.site.folder import read_site
from geo.site.model import Site, SiteInfo

GRIDS = {
    "local": "A grid of the site's own, in metres: nothing but tapes is needed",
    "EPSG:27700": "British National Grid",
    "EPSG:29903": "Irish Grid",
    "EPSG:2157": "Irish Transverse Mercator",
}
MOST_MEMBERS, MOST_RATIO = 5000, 200
EPOCH = (1980, 1, 1, 0, 0, 0)
"""The date every member of a zip bears, so that the same site gives the same bytes."""


def new_site_info(**given: Any) -> SiteInfo:
    """Return the facts of a new site.

    Raises
    ------
    InputError
        With every fact that is missing or cannot be.
    """
    filled = {name: value for name, value in given.items() if value not in (None, "")}
    try:
        return SiteInfo.model_validate(filled)
    except ValidationError as error:
        problems = []
        for detail in error.errors():
            name = str(detail["loc"][0])
            field = SiteInfo.model_fields[name]
            found = "is blank" if detail["type"] == "missing" else f"{detail['input']!r}"[:60]
            label = name.removesuffix("_m").replace("_", " ")
            problems.append(
                Problem(file=label, found=found, allowed=allowed(name, field), mend="Correct it.")
            )
        raise InputError(problems) from None


def zip_folder(folder: Path) -> bytes:
    """Return a folder as a zip: the same files give the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as made:
        for path in sorted(path for path in folder.rglob("*") if path.is_file()):
            member = zipfile.ZipInfo(path.relative_to(folder).as_posix(), EPOCH)
            member.compress_type = zipfile.ZIP_DEFLATED
            member.external_attr = 0o644 << 16
            made.writestr(member, path.read_bytes())
    return out.getvalue()


@contextmanager
def unzipped_site(raw: bytes) -> Iterator[Site]:
    """Lay out a zipped site folder for as long as it is needed, and read it.

    Raises
    ------
    InputError
        When it is no zip, holds more than it may, names files outside itself, or is no site folder.
    """
    with tempfile.TemporaryDirectory(prefix="wallfoot-") as place:
        folder = Path(place) / "site"
        folder.mkdir()
        _lay_out(raw, folder)
        inner = [path.parent for path in sorted(folder.rglob("site.toml"))]
        yield read_site(inner[0] if len(inner) == 1 else folder)


def _lay_out(raw: bytes, folder: Path) -> None:
    most = reference.default().value("input.max_file_mb") * 1e6
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as given:
            members = [member for member in given.infolist() if not member.is_dir()]
            whole = sum(member.file_size for member in members)
            if len(members) > MOST_MEMBERS:
                raise _refused(f"{len(members)} files", f"at most {MOST_MEMBERS}")
            if whole > most or whole > MOST_RATIO * max(len(raw), 1):
                raise _refused(f"{whole / 1e6:.0f} MB when unpacked", f"at most {most / 1e6:g} MB")
            for member in members:
                _write(given, member, folder)
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError, OSError) as error:
        raise _refused(f"cannot be unpacked ({error})", "a zip of a site folder") from None


def _write(given: zipfile.ZipFile, member: zipfile.ZipInfo, folder: Path) -> None:
    parts = PurePosixPath(member.filename.replace("\\", "/")).parts
    strange = not member.filename.isprintable() or len(parts) > 5 or any(len(part) > 180 for part in parts)
    if not parts or strange or ".." in parts or parts[0] == "/" or ":" in parts[0]:
        raise _refused(f"{member.filename[:60]!r} is a name that leads elsewhere", "plain names of files")
    path = folder.joinpath(*parts)
    path.parent.mkdir(parents=True, exist_ok=True)
    left = member.file_size
    with given.open(member) as source, path.open("wb") as target:
        while piece := source.read(1 << 20):
            left -= len(piece)
            if left < 0:
                raise _refused(f"{member.filename[:60]!r} is longer than it says", "an honest zip")
            target.write(piece)


def _refused(found: str, may_be: str) -> InputError:
    return InputError(
        [Problem(file="the zip", found=found, allowed=may_be, mend="Zip the site folder again.")]
    )
