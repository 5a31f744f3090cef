"""What is wrong with a site, beyond each cell: records held against each other and against the walls."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import replace
from pathlib import Path

from geo.errors import GeometryError, InputError, Problem
from geo.findings import (
    check_dates,
    check_levels,
    check_photos,
    check_readings,
    check_references,
    check_visits,
)
from geo.findings import check_walls as walls
from geo.findings.places import perimeter_of
from geo.ground.raster import read_raster
from geo.perimeter.build import Perimeter
from geo.site.folder import in_order, try_site
from geo.site.model import Site
from geo.site.records import KINDS

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
    return _without_error(site, problems)


def checked(site: Site) -> Site:
    """Return a site with the notes on its records.

    Raises
    ------
    InputError
        With every problem, when there is an error in a record or between two.
    """
    return _without_error(site, in_order(check_site(site)))


def _without_error(site: Site | None, problems: Sequence[Problem]) -> Site:
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
    problems = list(walls.buildings(site))
    if any(problem.severity == "error" for problem in problems):
        return problems
    half_read = {name: site.files[name] for name in unread if name in site.files}
    problems += check_references.references(site, half_read)
    problems += check_references.lists(site, half_read)
    problems += check_dates.real_dates(site)
    problems += check_dates.in_order_of_time(site)
    problems += check_levels.units(site)
    problems += check_levels.levels_in_order(site)
    problems += check_levels.standing_water(site)
    if not any(name.startswith(BOOK) for name in unread):
        problems += check_levels.book(site)
    problems += check_readings.readings(site)
    problems += check_readings.samples(site)
    problems += check_readings.instruments(site)
    problems += check_readings.meters(site)
    problems += check_visits.trial_litres(site)
    problems += check_visits.fittings(site)
    problems += check_visits.leave(site)
    problems += check_photos.photos(site)
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
    problems += walls.closure(perimeter)
    problems += walls.on_the_wall(site, perimeter)
    problems += walls.positions(site, perimeter)
    problems += walls.far_assets(site, perimeter)
    problems += walls.run_ends(site, perimeter)
    problems += _raster(site, perimeter)
    return problems


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
