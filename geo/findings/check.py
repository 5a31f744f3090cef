"""What is wrong with a site, beyond each cell: records held against each other and against the walls."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geo.errors import GeometryError, InputError, Problem
from geo.findings.heights import site_levels
from geo.findings.places import PLACED, fill_building, perimeter_of, place_records, positions_table
from geo.ground.raster import read_raster
from geo.moisture.censor import parse_value
from geo.perimeter.build import Perimeter
from geo.site.folder import in_order, try_site
from geo.site.model import Site
from geo.site.records import ASSETS, KINDS, Between, OnBuilding, Record

NEEDED = {
    "chainage_offset": ("chainage_m",),
    "face_distance": ("face", "corner", "distance_m"),
    "two_tapes": ("tape_1_from", "tape_1_m", "tape_2_from", "tape_2_m", "tape_side"),
    "tapes": ("tape_1_from", "tape_1_m", "tape_2_from", "tape_2_m", "tape_3_from", "tape_3_m"),
    "distance_bearing": ("corner", "distance_m", "bearing_deg"),
    "coordinates": ("easting_m", "northing_m"),
}
REFERENCES = {
    "of_id": None,
    "into_id": None,
    "from_id": None,
    "to_id": None,
    "control_set_id": "control_set",
    "patch_id": "ground_patch",
}
OUTLINES, BOOK = f"{KINDS['building'].stem}.", f"{KINDS['level'].stem}."


def check_folder(folder: Path) -> list[Problem]:
    """Return every problem of a site folder, errors first."""
    return _read_and_check(folder)[1]


def _read_and_check(folder: Path) -> tuple[Site | None, list[Problem]]:
    """Read a folder, and hold its records against each other where there are outlines to hold them to."""
    site, problems = try_site(folder)
    unread = {said.file for said in problems if said.severity == "error"}
    if site is None or any(name.startswith(OUTLINES) for name in unread):
        return site, in_order(problems)
    return site, in_order([*problems, *check_site(site, unread=unread)])


def read_checked(folder: Path) -> Site:
    """Read a site that has no error.

    Raises
    ------
    InputError
        With every problem, when there is an error in any file or between them.
    """
    site, problems = _read_and_check(folder)
    if site is None or any(problem.severity == "error" for problem in problems):
        raise InputError(problems)
    return replace(site, warnings=tuple(problems))


def check_site(site: Site, *, unread: AbstractSet[str] = frozenset()) -> list[Problem]:
    """Hold the records of a site against each other and against its walls.

    Parameters
    ----------
    unread
        Files not all of whose records could be read: what seems missing may stand in them.
    """
    problems = list(_buildings(site))
    if any(problem.severity == "error" for problem in problems):
        return problems
    problems += _references(site, {name: site.files[name] for name in unread if name in site.files})
    problems += _units(site)
    problems += _levels_in_order(site)
    if not any(name.startswith(BOOK) for name in unread):
        problems += _book(site)
    problems += _readings(site)
    problems += _samples(site)
    problems += _photos(site)
    try:
        perimeter = perimeter_of(site)
    except InputError as error:
        return problems + list(error.problems)
    except GeometryError as error:
        mend = "Correct the outline or the taped lengths."
        return [
            *problems,
            Problem(file="buildings.geojson", found=str(error), allowed="walls that close", mend=mend),
        ]
    problems += _closure(perimeter)
    problems += _on_the_wall(site, perimeter)
    problems += _positions(site, perimeter)
    problems += _far_assets(site, perimeter)
    problems += _run_ends(site, perimeter)
    problems += _raster(site, perimeter)
    return problems


def _at(site: Site, record_id: str, column: str, kind: str, **said: Any) -> Problem:
    """Return a problem placed at a record's own file and row."""
    file, row = site.rows.get(record_id, (KINDS[kind].stem, None))
    return Problem(file=file, row=row, column=column, **said)


def _buildings(site: Site) -> Iterator[Problem]:
    subjects = [record for record in site.of("building") if getattr(record, "role", "") == "subject"]
    if not subjects:
        yield Problem(
            file="buildings.geojson",
            found="no building to survey",
            allowed="at least one outline with role subject",
            mend="Draw the outline of the house.",
        )
    drawn = [record for record in site.of("building") if record.geometry is not None]
    shapes = np.array([record.geometry for record in drawn], dtype=object)
    clockwise = [record.id for record, turns in zip(drawn, _clockwise(shapes), strict=True) if turns]
    if clockwise:
        more = f" and {len(clockwise) - 1} more" if len(clockwise) > 1 else ""
        yield _at(
            site,
            clockwise[0],
            "geometry",
            "building",
            found=f"the outline of {clockwise[0]}{more} is drawn clockwise",
            allowed="either way round; GeoJSON asks for anticlockwise",
            mend="Nothing to do: chainage runs clockwise however it is drawn.",
            severity="warning",
        )
    most = site.reference.value("input.overlap_m2")
    shapes = np.array([record.geometry for record in subjects if record.geometry is not None], dtype=object)
    pairs = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    pairs = pairs[:, pairs[0] != pairs[1]]
    pairs = pairs[:, shapely.area(shapely.intersection(*shapes[pairs])) > most]
    names = [record.id for record in subjects if record.geometry is not None]
    crowded: dict[str, list[str]] = {}
    for one, other in pairs.T:
        crowded.setdefault(names[one], []).append(names[other])
    for record_id, others in crowded.items():
        yield _at(
            site,
            record_id,
            "geometry",
            "building",
            found=f"overlaps {', '.join(others)}",
            allowed="outlines that touch, but do not overlap",
            mend="Draw the party wall once, on its centre line or on one face.",
        )


def _clockwise(shapes: Any) -> Any:
    """Return which outlines run clockwise."""
    return ~shapely.is_ccw(shapely.get_exterior_ring(shapes))


def _references(site: Site, unread: Mapping[str, bytes]) -> Iterator[Problem]:
    """Ask of every id that is named that it is somebody's."""
    buildings = {record.id for record in site.of("building")}
    photos = {record.id for record in site.of("photo")}
    for kind, records in site.records.items():
        for record in records:
            for column, wanted in REFERENCES.items():
                named = getattr(record, column, "")
                if named and site.ids.get(named) is None:
                    if any(named.encode() in raw for raw in unread.values()):
                        continue  # it may be a row that could not be read: said there
                    yield _at(
                        site,
                        record.id,
                        column,
                        kind,
                        found=f"{named!r} is no record of this site",
                        allowed="the id of a record, or blank",
                        mend="Correct the id; leave it blank where a run ends nowhere known.",
                    )
                elif named and wanted and site.ids[named] != wanted:
                    yield _at(
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
                yield _at(
                    site,
                    record.id,
                    "building_id",
                    kind,
                    found=f"{building!r} is no building of this site",
                    allowed="one of " + ", ".join(sorted(buildings)),
                    mend="Correct the id.",
                )
            missing = [name for name in getattr(record, "photo_ids", "").split() if name not in photos]
            if missing:
                yield _at(
                    site,
                    record.id,
                    "photo_ids",
                    kind,
                    found=f"{', '.join(missing)} not among the photographs",
                    allowed="ids of photos.csv",
                    mend="Add the photograph, or take the id out.",
                    severity="warning",
                )


def _units(site: Site) -> Iterator[Problem]:
    """Find levels so far from the others that they are most likely millimetres, or of another datum."""
    spread = site.reference.value("input.level_spread_m")
    found: list[tuple[float, str, str, str]] = []
    for kind, records in site.records.items():
        names = [name for name in KINDS[kind].columns() if name.endswith("_level_m") or name == "level_m"]
        found += [
            (value, record.id, name, kind)
            for record in records
            for name in names
            if (value := getattr(record, name)) is not None
        ]
    if not found:
        return
    middle = float(np.median([value for value, *_ in found]))
    for value, record_id, name, kind in found:
        if abs(value - middle) > spread:
            yield _at(
                site,
                record_id,
                name,
                kind,
                found=f"{value:g} lies {abs(value - middle):.0f} m from the middle of the site's levels",
                allowed=f"metres above the site datum, within {spread:g} m of it",
                mend=f"If that is in millimetres, write {value / 1000:.3f}; or raise input.level_spread_m.",
            )


PAIRS = {
    "gully": (("rim_level_m", "outlet_invert_level_m"), ("rim_level_m", "lip_level_m")),
    "chamber": (("cover_level_m", "invert_level_m"),),
    "soakaway": (("cover_level_m", "inlet_invert_level_m"),),
    "opening": (("head_level_m", "sill_level_m"),),
    "floor_zone": (("top_level_m", "soffit_level_m"),),
    "cavity": (("debris_top_level_m", "base_level_m"),),
}


def _levels_in_order(site: Site) -> Iterator[Problem]:
    """Hold levels against each other: a cover lies above its invert, a rim above its outlet."""
    for kind, pairs in PAIRS.items():
        for record in site.of(kind):
            for upper, lower in pairs:
                high, low = getattr(record, upper), getattr(record, lower)
                if high is not None and low is not None and low > high + 0.05 * (lower == "lip_level_m"):
                    yield _at(
                        site,
                        record.id,
                        lower,
                        kind,
                        found=f"{low:g} is above {upper} {high:g}",
                        allowed=f"a level at or below {upper}",
                        mend="Look at the level book: one of the two is wrong.",
                    )


def _book(site: Site) -> Iterator[Problem]:
    """Ask of the level book that it can be followed from a known level on."""
    try:
        site_levels(site)
    except InputError as error:
        yield from error.problems


def _readings(site: Site) -> Iterator[Problem]:
    for record in site.of("reading"):
        value = getattr(record, "value", "")
        method = site.reference.methods[getattr(record, "method", "")]
        try:
            number, censored = parse_value(value)
        except ValueError:
            yield _at(
                site,
                record.id,
                "value",
                "reading",
                found=f"{value!r} is not a reading",
                allowed="a number, or >100 or <6 when off the scale",
                mend="Write a number with a point; write off-scale with > or <.",
            )
            continue
        if censored == "none" and number >= method.scale_max:
            yield _at(
                site,
                record.id,
                "value",
                "reading",
                found=f"{number:g} is at or beyond the end of the scale of {method.name}",
                allowed=f"below {method.scale_max:g}, or >{method.scale_max:g}",
                mend=f"If the instrument read full scale, write >{number:g}; it is not a value.",
                severity="warning",
            )


def _samples(site: Site) -> Iterator[Problem]:
    for record in site.of("sample"):
        dish = getattr(record, "dish_g", None) or 0.0
        dry, wet = getattr(record, "dry_g", None), getattr(record, "wet_g", None)
        if dry is not None and dry <= dish:
            yield _at(
                site,
                record.id,
                "dry_g",
                "sample",
                found=f"{dry:g} g is not above the empty dish, {dish:g} g",
                allowed="masses with the dish",
                mend="Weigh with the dish, or leave dish_g blank.",
            )
        if dry is not None and wet is not None and dry > wet:
            yield _at(
                site,
                record.id,
                "dry_g",
                "sample",
                found=f"dry {dry:g} g is above wet {wet:g} g",
                allowed="a dry mass at or below the wet one",
                mend="The two may be the wrong way round.",
            )


def _photos(site: Site) -> Iterator[Problem]:
    for record in site.of("photo"):
        name = getattr(record, "file", "")
        outside = Path(name).name != name
        if outside or not (site.folder / "photos" / name).is_file():
            yield _at(
                site,
                record.id,
                "file",
                "photo",
                found=f"{name!r} is not in the folder photos",
                allowed="the name of a file in photos",
                mend="Copy the original there, or correct the name.",
                severity="error" if outside else "warning",
            )


def _closure(perimeter: Perimeter) -> Iterator[Problem]:
    """Refuse a ring whose taped faces do not close, and name the face to tape again."""
    for ring_key, fit in perimeter.fits.items():
        if not fit.accepted:
            yield Problem(
                file="faces.csv",
                column="taped_length_m",
                found=f"the faces of {ring_key} do not close: {fit.because}",
                allowed=f"a misclosure of at most {fit.tolerance_m * 1000:.0f} mm",
                mend=fit.settle,
            )


def _on_the_wall(site: Site, perimeter: Perimeter) -> Iterator[Problem]:
    """Hold every chainage and face against its ring."""
    rings = perimeter.rings
    faces, owners = set(perimeter.faces.index), set(rings["building_id"])
    for kind, model in KINDS.items():
        if not site.of(kind) or (not issubclass(model, OnBuilding) and kind != "face"):
            continue
        table = site.table(kind)
        building = fill_building(table["building_id"], site)
        for record, owner in zip(site.of(kind), building, strict=True):
            ring = getattr(record, "ring", "")
            key = f"{owner}/{ring}" if ring else owner
            placed_by_wall = kind == "face" or issubclass(model, Between) or kind == "dpc_point"
            uses_wall = placed_by_wall or getattr(record, "chainage_m", None) is not None
            uses_wall = uses_wall or bool(getattr(record, "face", "") or getattr(record, "corner", ""))
            if not uses_wall:
                continue
            if not owner:
                yield _at(
                    site,
                    record.id,
                    "building_id",
                    kind,
                    found="is blank, and the site has several surveyed buildings",
                    allowed="the building the place was taken from",
                    mend="Fill it in.",
                )
            elif owner not in owners:
                continue
            elif key not in rings.index:
                yield _at(
                    site,
                    record.id,
                    "ring",
                    kind,
                    found=f"{owner} has no ring {ring!r}",
                    allowed="one of "
                    + ", ".join(repr(name) for name in rings["ring"][rings["building_id"] == owner]),
                    mend="Y1 is the first hole of the outline, and so on.",
                )
            else:
                yield from _chainages(site, kind, record, key, float(rings.loc[key, "length_m"]))
                face = getattr(record, "face", "")
                if face and f"{key}:{face}" not in faces:
                    count = int((perimeter.faces["ring_key"] == key).sum())
                    yield _at(
                        site,
                        record.id,
                        "face",
                        kind,
                        found=f"{key} has no face {face!r}",
                        allowed=f"F1 to F{count}, clockwise from the origin corner",
                        mend="See the plan: a party wall that begins along a wall makes a face of its own.",
                    )


def _chainages(site: Site, kind: str, record: Record, key: str, length: float) -> Iterator[Problem]:
    for column in ("chainage_m", "chainage_from_m", "chainage_to_m"):
        value = getattr(record, column, None)
        if value is None or value <= length + 0.05:
            continue
        inches = f"If that is in millimetres, write {value / 1000:.3f}. " if value > 10 * length else ""
        yield _at(
            site,
            record.id,
            column,
            kind,
            found=f"{value:g} is past the end of the wall ({length:.2f} m)",
            allowed=f"0 to {length:.2f} on {key}",
            mend=inches + "Check the origin corner and the direction: clockwise, seen from above.",
        )


def _positions(site: Site, perimeter: Perimeter) -> Iterator[Problem]:
    """Ask of each position the numbers its method needs."""
    corners = perimeter.faces.groupby("ring_key")["corner_from"].agg(set).to_dict()
    for kind in PLACED:
        if not site.of(kind):
            continue
        table = positions_table(site, kind)
        for place, record in zip(table.itertuples(), site.of(kind), strict=True):
            method = place.position_by
            if not method:
                if kind in ASSETS or kind in ("reading", "sample"):
                    yield _at(
                        site,
                        record.id,
                        "position_by",
                        kind,
                        found="no position",
                        allowed="chainage_m, or one of the other ways in the field guide",
                        mend="Fill in the numbers taken on site.",
                        severity="warning",
                    )
                continue
            blank = [name for name in NEEDED[str(method)] if _blank(getattr(place, name))]
            if blank:
                yield _at(
                    site,
                    record.id,
                    blank[0],
                    kind,
                    found=f"{method} without {', '.join(blank)}",
                    allowed=f"{', '.join(NEEDED[str(method)])} filled in",
                    mend="Fill it in, or say another position_by.",
                )
            key = f"{place.building_id}/{place.ring}" if place.ring else place.building_id
            named = [place.corner, place.tape_1_from, place.tape_2_from, place.tape_3_from, place.tape_4_from]
            strange = [name for name in named if name and name not in corners.get(key, set())]
            if strange and key in corners:
                yield _at(
                    site,
                    record.id,
                    "corner" if place.corner in strange else "tape_1_from",
                    kind,
                    found=f"{key} has no corner {strange[0]!r}",
                    allowed="one of " + ", ".join(sorted(corners[key], key=lambda c: (len(c), c))),
                    mend="Corners are lettered clockwise from the origin corner, A.",
                )


def _blank(value: Any) -> bool:
    return value == "" or (isinstance(value, float) and math.isnan(value))


def _far_assets(site: Site, perimeter: Perimeter) -> Iterator[Problem]:
    far = site.reference.value("input.far_asset_m")
    walls = perimeter.footprints.union_all()
    for kind in PLACED:
        if not site.of(kind):
            continue
        table = site.table(kind)
        given = table[table["easting_m"].notna() & table["northing_m"].notna()]
        points = shapely.points(given["easting_m"].to_numpy(), given["northing_m"].to_numpy())
        for record_id, away in zip(given.index, shapely.distance(points, walls), strict=True):
            if away > far:
                yield _at(
                    site,
                    str(record_id),
                    "easting_m",
                    kind,
                    found=f"lies {away:.0f} m from the nearest building",
                    allowed=f"within {far:g} m",
                    mend="Check the coordinates and the grid; or raise input.far_asset_m in limits.toml.",
                )


def _run_ends(site: Site, perimeter: Perimeter) -> Iterator[Problem]:
    """Ask of each run where it ends, and that its drawn ends lie at the assets it names."""
    placed, reach = place_records(site, perimeter), site.reference.value("input.run_end_m")
    spots = {
        str(name): (row.x, row.y)
        for kind in ASSETS
        if kind in placed
        for name, row in placed[kind].iterrows()
        if math.isfinite(row.x)
    }
    for record in site.of("run"):
        ends = {"from_id": 0, "to_id": -1}
        for column, i in ends.items():
            named = getattr(record, column)
            drawn = record.geometry.coords[i] if record.geometry is not None else None
            if not named:
                if column == "to_id" and getattr(record, "state", "") != "absent":
                    yield _at(
                        site,
                        record.id,
                        column,
                        "run",
                        found="the run ends nowhere known",
                        allowed="the id of the asset it joins, or blank where that is what was found",
                        mend="Trace it, or leave it blank and it is reported as not traced.",
                        severity="warning",
                    )
            elif drawn is not None and named in spots:
                gap = math.dist(drawn[:2], spots[named])
                if gap > reach:
                    yield _at(
                        site,
                        record.id,
                        column,
                        "run",
                        found=f"the drawn end lies {gap:.1f} m from {named}",
                        allowed=f"within {reach:g} m of the asset it names",
                        mend="Draw runs from upstream to downstream, and end them at the asset.",
                    )


def _raster(site: Site, perimeter: Perimeter) -> Iterator[Problem]:
    if site.raster_path is None or site.ground is None:
        return
    bounds = tuple(perimeter.footprints.total_bounds)
    for path in (site.raster_path, site.folder / "surface.tif"):
        try:
            if path.exists():
                read_raster(path, meta=site.ground, crs=site.crs, bounds=bounds, ref=site.reference)
        except InputError as error:
            yield from error.problems
