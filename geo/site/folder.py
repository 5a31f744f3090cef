"""A site folder: read whole or not at all, written back without loss."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pyproj import CRS
from pyproj.exceptions import CRSError

from geo import reference, weights
from geo.errors import CrsError, InputError, Problem
from geo.reference import Reference
from geo.site.crs import require_metric
from geo.site.fields import allowed
from geo.site.model import LOCAL_GRID, GroundInfo, Site, SiteInfo
from geo.site.records import KINDS, Record
from geo.site.tables import Layer, decode, read_csv, read_geojson, write_csv, write_geojson

FILE_FOLDERS = ("photos", "plans", "loggers")
"""Folders of a site whose files are kept byte for byte: photographs, placed plans, loggers' own files."""
SITE_FILES = ("site.toml", "ground.toml", "limits.toml", weights.EVIDENCE_FILE)
OTHER_FILES = {"ground.tif", "surface.tif", *FILE_FOLDERS, "truth.toml", "README.md", "FIELD_GUIDE.html"}


def read_site(folder: Path | str) -> Site:
    """Read a site folder.

    Returns
    -------
    The site, with problems that do not stop it as ``warnings``.

    Raises
    ------
    InputError
        With every problem in every file, when there is an error in any.
    """
    site, problems = try_site(Path(folder))
    if site is None or any(problem.severity == "error" for problem in problems):
        raise InputError(problems)
    return site


def try_site(folder: Path) -> tuple[Site | None, tuple[Problem, ...]]:
    """Read a site folder as far as it goes, and say everything wrong with it.

    Returns
    -------
    The site made of what could be read (``None`` when ``site.toml`` cannot be used), and the problems.
    """
    if said := _folder_problem(folder):
        return None, (said,)
    known = reference.default()
    problems: list[Problem] = []
    if (folder / "limits.toml").is_file():
        try:
            known = known.with_changes(folder / "limits.toml")
        except InputError as error:
            problems += error.problems
    files, wrong = _read_files(folder, known)
    problems += wrong
    if weights.EVIDENCE_FILE in files:
        try:
            weights.changed_by(files[weights.EVIDENCE_FILE])
        except InputError as error:
            problems += error.problems
    info, wrong = _read_toml(files, "site.toml", SiteInfo)
    problems += wrong
    if not isinstance(info, SiteInfo):
        return None, tuple(problems)
    crs, wrong = _site_crs(info)
    problems += wrong
    if crs is None:
        return None, tuple(problems)
    ground, wrong = _ground_info(folder, files)
    problems += wrong
    records: dict[str, tuple[Record, ...]] = {}
    rows: dict[str, tuple[str, int]] = {}
    for kind, model in KINDS.items():
        layer, name = _read_layer(files, model, crs=crs, local=info.crs == "local", known=known)
        problems += layer.problems
        records[kind] = layer.records
        for record, row in zip(layer.records, layer.rows, strict=True):
            if record.id in rows:
                problems.append(_twice(record.id, name, row, rows[record.id]))
            else:
                rows[record.id] = (name, row)
    warnings = tuple(problem for problem in problems if problem.severity == "warning")
    site = Site(
        folder=folder,
        info=info,
        ground=ground,
        records=records,
        read=records,
        rows=rows,
        files=files,
        reference=known,
        warnings=warnings,
        digest=_digest(folder, files),
    )
    return site, tuple(problems)


def write_site(site: Site, folder: Path | str) -> None:
    """Write a site as a folder, whole or not at all.

    Files whose records are as they were read keep their bytes; the others are written in the
    declared order. The folder must not exist yet, or be empty.

    Raises
    ------
    InputError
        When the folder holds something already.
    """
    target = Path(folder)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        mend = "Name a new folder."
        raise InputError(
            [Problem(file=str(target), found="is not empty", allowed="a new or empty folder", mend=mend)]
        )
    target.parent.mkdir(parents=True, exist_ok=True)
    work = Path(tempfile.mkdtemp(prefix=".wallfoot-", dir=target.parent))
    try:
        for name, raw in site.files.items():
            if _kind_of(name) is None:
                (work / name).write_bytes(raw)
        for kind, model in KINDS.items():
            _write_layer(site, kind, model, work)
        for name in ("ground.tif", "surface.tif"):
            if (site.folder / name).is_file():
                shutil.copyfile(site.folder / name, work / name)
        for name in FILE_FOLDERS:
            if (site.folder / name).is_dir():
                shutil.copytree(site.folder / name, work / name)
        if target.exists():
            target.rmdir()
        os.chmod(work, 0o755)  # noqa: PTH101, S103 - mkdtemp makes a private folder
        work.replace(target)
    finally:
        shutil.rmtree(work, ignore_errors=True)


def _write_layer(site: Site, kind: str, model: type[Record], work: Path) -> None:
    records = site.of(kind)
    names = [name for name in site.files if _kind_of(name) == kind]
    if names and site.read.get(kind) == records:
        (work / names[0]).write_bytes(site.files[names[0]])
    elif records or names:
        drawn = bool(model.shape) and any(record.geometry is not None for record in records)
        if drawn or (names and names[0].endswith(".geojson") and model.shape):
            (work / f"{model.stem}.geojson").write_bytes(write_geojson(records, model, crs=site.crs))
        else:
            (work / f"{model.stem}.csv").write_bytes(write_csv(records, model))


def _kind_of(name: str) -> str | None:
    stem, _, end = name.rpartition(".")
    return next(
        (kind for kind, model in KINDS.items() if stem == model.stem and end in ("csv", "geojson")), None
    )


def _folder_problem(folder: Path) -> Problem | None:
    mend = "Start one with: wallfoot template FOLDER"
    if not folder.exists():
        return Problem(file=str(folder), found="there is no such folder", allowed="a site folder", mend=mend)
    if not folder.is_dir():
        return Problem(file=str(folder), found="is a file", allowed="a site folder", mend=mend)
    if not any(folder.iterdir()):
        return Problem(file=str(folder), found="the folder is empty", allowed="a site folder", mend=mend)
    return None


def _read_files(folder: Path, known: Reference) -> tuple[dict[str, bytes], list[Problem]]:
    """Read every text file this tool knows; say which files it does not."""
    files: dict[str, bytes] = {}
    problems: list[Problem] = []
    most = known.value("input.max_file_mb")
    for path in sorted(folder.iterdir()):
        name = path.name
        if name in OTHER_FILES or name.startswith((".", "~")):
            continue
        if name not in SITE_FILES and _kind_of(name) is None:
            problems.append(
                Problem(
                    file=name,
                    found="no record kind has this name, so it was not read",
                    allowed="the file names of the template",
                    mend="Rename it, or leave it: nothing in it is used.",
                    severity="warning",
                )
            )
        elif not path.is_file():
            problems.append(
                Problem(file=name, found="is not a file", allowed="a file", mend="Move it elsewhere.")
            )
        elif path.stat().st_size > most * 1e6:
            found = f"{path.stat().st_size / 1e6:.0f} MB"
            mend = "Split it, or raise input.max_file_mb in the site's limits.toml."
            problems.append(Problem(file=name, found=found, allowed=f"at most {most:g} MB", mend=mend))
        else:
            files[name] = path.read_bytes()
    return files, problems


def _read_toml(
    files: Mapping[str, bytes], name: str, model: type[BaseModel]
) -> tuple[BaseModel | None, list[Problem]]:
    if name not in files:
        mend = "Copy the one from: wallfoot template FOLDER"
        return None, [Problem(file=name, found="is missing", allowed="one in every site folder", mend=mend)]
    content, problems = decode(name, files[name])
    if problems:
        return None, problems
    try:
        raw: dict[str, Any] = tomllib.loads(content)
    except tomllib.TOMLDecodeError as error:
        mend = "Correct the line named."
        return None, [Problem(file=name, found=f"not readable as TOML ({error})", allowed="TOML", mend=mend)]
    given = {key: str(value) if hasattr(value, "isoformat") else value for key, value in raw.items()}
    given = {key: value for key, value in given.items() if value != ""}
    try:
        return model.model_validate(given), []
    except ValidationError as error:
        return None, [_toml_problem(name, model, detail) for detail in error.errors()]


def _toml_problem(name: str, model: type[BaseModel], detail: Any) -> Problem:
    key = str(detail["loc"][0]) if detail["loc"] else ""
    field = model.model_fields.get(key)
    if field is None:
        may_be, found = "the keys of the template", "no such key"
    else:
        may_be = allowed(key, field)
        may_be = (field.description or may_be) if may_be == "text" else may_be
        found = "is missing" if detail["type"] == "missing" else f"{detail['input']!r}"
    return Problem(file=name, column=key, found=found, allowed=may_be, mend="Correct it as in the template.")


def _site_crs(info: SiteInfo) -> tuple[CRS | None, list[Problem]]:
    if info.crs == "local":
        return CRS.from_wkt(LOCAL_GRID), []
    may_be = "a projected grid in metres, such as EPSG:27700, or local"
    mend = "Name the grid the survey was drawn in."
    try:
        crs = CRS.from_user_input(info.crs)
        require_metric(crs)
    except CRSError:
        found = f"{info.crs!r} is no known grid"
    except CrsError as error:
        found = f"{info.crs}: {error}"
    else:
        return crs, []
    return None, [Problem(file="site.toml", column="crs", found=found, allowed=may_be, mend=mend)]


def _ground_info(folder: Path, files: Mapping[str, bytes]) -> tuple[GroundInfo | None, list[Problem]]:
    has_raster = (folder / "ground.tif").exists()
    if not has_raster and "ground.toml" not in files:
        return None, []
    if not has_raster:
        mend = "Add ground.tif, or take ground.toml out."
        return None, [
            Problem(file="ground.tif", found="is missing", allowed="the raster of ground.toml", mend=mend)
        ]
    info, problems = _read_toml(files, "ground.toml", GroundInfo)
    return info if isinstance(info, GroundInfo) else None, problems


def _read_layer(
    files: Mapping[str, bytes], model: type[Record], *, crs: CRS, local: bool, known: Reference
) -> tuple[Layer, str]:
    names = [name for name in (f"{model.stem}.csv", f"{model.stem}.geojson") if name in files]
    most = int(known.value("input.max_rows"))
    if not names:
        return Layer((), ()), ""
    if len(names) == 2:
        found = f"{names[0]} and {names[1]} both hold records of this kind"
        said = Problem(file=names[0], found=found, allowed="one of them", mend="Take one away.")
        return Layer((), (said,)), names[0]
    name = names[0]
    if name.endswith(".csv") and model.shape == "Polygon":
        found = "an outline cannot be read from CSV"
        said = Problem(file=name, found=found, allowed=f"{model.stem}.geojson", mend="Export it as GeoJSON.")
        return Layer((), (said,)), name
    if name.endswith(".csv"):
        return read_csv(name, files[name], model, max_rows=most), name
    return read_geojson(name, files[name], model, crs=crs, local=local, max_rows=most), name


def _twice(record_id: str, name: str, row: int, first: tuple[str, int]) -> Problem:
    return Problem(
        file=name,
        row=row,
        column="id",
        found=f"{record_id!r} is also in {first[0]}, row {first[1]}",
        allowed="an id only once in the whole site",
        mend="Give one of them another id.",
    )


def folder_digest(folder: Path) -> str:
    """Return a hash of every file of a folder: the same folder gives the same, any change another."""
    if not folder.is_dir():
        return ""
    files = {
        path.name: path.read_bytes() for path in folder.iterdir() if path.is_file() and path.suffix != ".tif"
    }
    return _digest(folder, files)


def _digest(folder: Path, files: Mapping[str, bytes]) -> str:
    whole = hashlib.sha256()
    for name in sorted(files):
        whole.update(name.encode() + b"\0" + hashlib.sha256(files[name]).digest())
    for name in ("ground.tif", "surface.tif"):
        if (folder / name).is_file():
            with (folder / name).open("rb") as raster:
                whole.update(name.encode() + b"\0" + hashlib.file_digest(raster, "sha256").digest())
    return whole.hexdigest()


def in_order(problems: Sequence[Problem]) -> list[Problem]:
    """Order problems as a person mends them: errors first, then by file and row."""
    return sorted(problems, key=lambda said: (said.severity != "error", said.file, said.row or 0))
