"""What an editor asks the store to change."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

import numpy as np
import shapely
from pydantic import ValidationError
from pyproj import CRS
from pyproj.exceptions import CRSError

from geo import reference, weights
from geo.errors import CrsError, InputError, Problem
from geo.reference import Reference
from geo.site.crs import require_metric
from geo.site.folder import FILE_FOLDERS
from geo.site.model import GroundInfo, SiteInfo
from geo.site.records import KINDS, Record
from geo.store.content import CHANGES, FILE_KIND, GROUND_FILE, LIMITS_FILE, SITE_FILE
from geo.store.said import refused

LONGEST_NAME = 180
LONGEST_WORDS = 500
RASTERS = ("ground.tif", "surface.tif")
KEPT_APART = {SITE_FILE, GROUND_FILE} | {
    f"{model.stem}.{end}" for model in KINDS.values() for end in ("csv", "geojson")
}
"""Names whose content is kept as records and facts, never as a file."""


@dataclass(frozen=True, slots=True, eq=False)
class Put:
    """Add a record, or change it.

    Parameters
    ----------
    record
        The whole record as it shall be.
    base
        The version the editor saw; ``None`` for a new record.
    after
        Id of the record of its kind it shall stand after, ``""`` for the first place; ``None`` leaves it
        where it is, or puts a new one last. The order is that of the file: the level book's, for one.
    """

    record: Record
    base: int | None = None
    after: str | None = None

    @property
    def key(self) -> tuple[str, str]:
        """Kind and id of what is changed."""
        return self.record.kind, self.record.id


@dataclass(frozen=True, slots=True, eq=False)
class Remove:
    """Take a record, or a file (kind ``file``), away; its history stays and it can be restored."""

    kind: str
    record_id: str
    base: int | None

    @property
    def key(self) -> tuple[str, str]:
        """Kind and id of what is changed."""
        return self.kind, self.record_id


@dataclass(frozen=True, slots=True, eq=False)
class PutInfo:
    """Change the site's own facts."""

    info: SiteInfo
    base: int | None

    @property
    def key(self) -> tuple[str, str]:
        """Kind and id of what is changed."""
        return "site", SITE_FILE


@dataclass(frozen=True, slots=True, eq=False)
class PutGround:
    """Change the facts of the ground raster; ``None`` takes them away, together with the raster."""

    ground: GroundInfo | None
    base: int | None = None

    @property
    def key(self) -> tuple[str, str]:
        """Kind and id of what is changed."""
        return "ground", GROUND_FILE


@dataclass(frozen=True, slots=True, eq=False)
class PutFile:
    """Add or replace a file, kept byte for byte: a raster, ``limits.toml``, ``photos/NAME``, ``plans/NAME``.

    Parameters
    ----------
    name
        Name in the site folder, with ``/`` between folders.
    content
        Its bytes.
    sha256
        Their hash as the sender knows it, where it does: a file that was garbled on the way is refused.
    base
        The version the editor saw; ``None`` for a new file.
    """

    name: str
    content: bytes
    sha256: str = ""
    base: int | None = None

    @property
    def key(self) -> tuple[str, str]:
        """Kind and id of what is changed."""
        return FILE_KIND, self.name


Change = Put | Remove | PutInfo | PutGround | PutFile


def checked(changes: Iterable[Change], *, by: str, why: str = "") -> tuple[Change, ...]:
    """Refuse what cannot be saved, every problem at once, before the store is touched.

    Returns
    -------
    The changes, with their records as the declarations read them.

    Raises
    ------
    InputError
        With every problem found.
    """
    problems = check_words(by=by, why=why)
    seen: set[str] = set()
    kept: list[Change] = []
    for given in changes:
        change, said = _as_declared(given)
        problems += said
        kept.append(change)
        kind, name = change.key
        if name in seen:
            found = f"{name!r} is changed twice in one save"
            problems.append(refused(kind, found, "once", "Save one change after the other."))
        seen.add(name)
        if isinstance(change, Put) and not said:
            problems += _shape_problems(change.record)
        elif isinstance(change, PutInfo) and not said:
            problems += _crs_problems(change.info)
        elif isinstance(change, PutFile):
            problems += _file_problems(change)
        elif isinstance(change, Remove) and kind != FILE_KIND and kind not in KINDS:
            problems.append(refused(kind, "is no kind of record", "a record kind, or file", "Correct it."))
    if problems:
        raise InputError(problems)
    return tuple(kept)


def check_words(*, by: str, why: str = "") -> list[Problem]:
    """Say what is wrong with who made a change, by role, and their reason."""
    problems = []
    for name, words in (("by", by), ("why", why)):
        if len(words) > LONGEST_WORDS or any(not sign.isprintable() and sign != "\n" for sign in words):
            may_be = f"plain text of at most {LONGEST_WORDS} letters"
            problems.append(refused(name, f"{words[:40]!r}", may_be, "Shorten it."))
    if not by.strip():
        problems.append(refused("by", "nobody is named", "a role, as surveyor", "Say by role who saves."))
    return problems


def safe_name(name: str) -> bool:
    """Tell whether a file may have this name in a site folder of any machine."""
    path = PurePosixPath(name)
    parts = name.split("/")
    return (
        0 < len(name) <= LONGEST_NAME
        and name.isprintable()
        and not path.is_absolute()
        and (len(parts) == 1 or (parts[0] in FILE_FOLDERS and len(parts) <= 4))
        and all(part not in ("", ".", "..") and part == part.strip(" .") for part in parts)
        and not parts[0].startswith(("~", "."))
        and not set(name) & set('\\:*?"<>|')
    )


def reference_with(content: bytes | None) -> Reference:
    """Return the limits in force with a site's ``limits.toml``.

    Raises
    ------
    InputError
        When it is not TOML, or names no limit.
    """
    known = reference.default()
    if content is None:
        return known
    with tempfile.TemporaryDirectory(prefix="wallfoot-") as folder:
        path = Path(folder) / LIMITS_FILE
        path.write_bytes(content)
        return known.with_changes(path)


def _as_declared(change: Change) -> tuple[Change, list[Problem]]:
    """Return a change with its record or facts as their declaration reads them, or what is wrong."""
    where = " ".join(change.key)
    try:
        if isinstance(change, Put):
            model = KINDS.get(change.record.kind)
            if model is not type(change.record):
                mend = "Make it of its declaration."
                return change, [refused(where, "is no declared record", "a record kind", mend)]
            return replace(change, record=model.model_validate(change.record.__dict__)), []
        if isinstance(change, PutInfo):
            return replace(change, info=SiteInfo.model_validate(change.info.__dict__)), []
        if isinstance(change, PutGround) and change.ground is not None:
            return replace(change, ground=GroundInfo.model_validate(change.ground.__dict__)), []
    except ValidationError as error:
        return change, [
            refused(
                ", ".join([where, *map(str, detail["loc"])]),
                detail["msg"],
                "what the field guide allows",
                "Correct it.",
            )
            for detail in error.errors()
        ]
    return change, []


def _shape_problems(record: Record) -> list[Problem]:
    model = type(record)
    where = f"{record.kind} {record.id!r}"
    shape = record.geometry
    if shape is None:
        if model.shape == "Polygon":
            return [refused(where, "has no outline", "one Polygon", "Draw it.")]
        return []
    wanted = model.shape or "Point"
    if shape.geom_type != wanted or shape.is_empty:
        return [refused(where, f"is drawn as a {shape.geom_type}", f"one {wanted}", "Draw it again.")]
    if shape.has_z or not bool(np.isfinite(shapely.get_coordinates(shape)).all()):
        found = "has a coordinate that is no number, or a height in its outline"
        return [refused(where, found, "metres, east and north", "Draw it again.")]
    if not shape.is_valid:
        found = f"crosses or touches itself: {shapely.is_valid_reason(shape)}"
        return [refused(where, found, "a shape that does not cross itself", "Move the corner named.")]
    return []


def _crs_problems(info: SiteInfo) -> list[Problem]:
    may_be = "a projected grid in metres, such as EPSG:27700, or local"
    mend = "Name the grid the survey was drawn in."
    if info.crs == "local":
        return []
    try:
        require_metric(CRS.from_user_input(info.crs))
    except CRSError:
        return [refused(f"{SITE_FILE}, crs", f"{info.crs!r} is no known grid", may_be, mend)]
    except CrsError as error:
        return [refused(f"{SITE_FILE}, crs", f"{info.crs}: {error}", may_be, mend)]
    return []


def _file_problems(change: PutFile) -> list[Problem]:
    shown = change.name[:LONGEST_NAME]
    if not safe_name(change.name):
        mend = "Give the file a plain name."
        return [refused(shown, "is no name for a file", "letters, digits, spaces, . - _", mend)]
    if change.name in KEPT_APART or change.name.split("/")[0] in KEPT_APART:
        return [refused(shown, "is kept as records", "records and facts of their own", "Save its records.")]
    most = reference.default().value("input.max_file_mb")
    if len(change.content) > most * 1e6:
        found = f"{len(change.content) / 1e6:.0f} MB"
        return [refused(shown, found, f"at most {most:g} MB", "Make the file smaller.")]
    if change.sha256 and hashlib.sha256(change.content).hexdigest() != change.sha256.lower():
        return [refused(shown, "is not the file that was sent", "its own hash", "Send it again.")]
    if change.name in CHANGES:
        try:
            if change.name == LIMITS_FILE:
                reference_with(change.content)
            else:
                weights.changed_by(change.content)
        except InputError as error:
            return list(error.problems)
    return []
