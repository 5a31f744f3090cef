"""A raster of heights: what it is, whether it can serve as the site's ground, and what must be said of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from affine import Affine
from pydantic import ValidationError
from pyproj import CRS
from pyproj.exceptions import CRSError

from geo.errors import CrsError, InputError, Problem
from geo.ground.raster import HIGHEST_M, LOWEST_M, MARGIN_M, METRES, moved_bounds
from geo.intake.arrival import RASTER, arrive
from geo.intake.guarded import read_guarded
from geo.intake.mapping import Question
from geo.reference import Reference
from geo.site.crs import require_metric
from geo.site.fields import allowed, words_of
from geo.site.model import GroundInfo

ASKED = {
    "model": "Is it bare earth, or does it hold trees and roofs too?",
    "error_m": "What standard error does its maker state for a level, in metres?",
    "flown_on": "When was it flown or surveyed?",
    "source": "Where does it come from, and under what licence?",
}
NEEDED = ("model", "source")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RasterLook:
    """What a GeoTIFF holds.

    Parameters
    ----------
    file
        File as it is shown.
    crs
        Its grid, ``None`` where there is an error in it.
    transform
        From (column, row) to that grid.
    width, height, bands
        Cells across and down, and bands.
    cell_m
        Side of a cell, metres.
    nodata
        Value of cells without a height as it is written, ``""`` where none is stated.
    filled
        Share of cells that hold a height.
    lowest_m, highest_m
        Least and greatest height, NaN without any.
    problems
        Why it cannot be the site's ground, and what should be looked at.
    """

    file: str
    crs: CRS | None = None
    transform: Affine | None = None
    width: int = 0
    height: int = 0
    bands: int = 0
    cell_m: float = math.nan
    nodata: str = ""
    filled: float = math.nan
    lowest_m: float = math.nan
    highest_m: float = math.nan
    problems: tuple[Problem, ...] = ()

    @property
    def usable(self) -> bool:
        """Whether it may become the site's ground."""
        return not any(problem.severity == "error" for problem in self.problems)


def look_at_raster(
    name: str,
    raw: bytes,
    *,
    site_crs: CRS,
    footprint: tuple[float, float, float, float] | None,
    ref: Reference,
) -> RasterLook:
    """Read a GeoTIFF through in a guarded process, and hold it against what the ground room can use.

    Parameters
    ----------
    name, raw
        Name as it was given, and its bytes, which are kept as they are.
    site_crs
        The site's grid; the raster may be in another grid of metres, it is never resampled.
    footprint
        Bounds of the buildings in the site's grid, ``None`` before there are any.
    ref
        Limits in force (``input.max_cells``, ``ground.widest_cell_m``).
    """
    arrival = arrive(name, raw, ref=ref)
    if arrival.problems:
        return RasterLook(file=arrival.file, problems=arrival.problems)
    if arrival.what != RASTER:
        said = _said(arrival.file, "is no raster", "a GeoTIFF of heights", "Export it as GeoTIFF.")
        return RasterLook(file=arrival.file, problems=(said,))
    try:
        facts, _ = read_guarded(
            "raster", raw, file=arrival.file, ref=ref, options={"cells": ref.value("input.max_cells")}
        )
    except InputError as error:
        return RasterLook(file=arrival.file, problems=error.problems)
    crs, problems = _grid(arrival.file, facts)
    transform = Affine(*facts["transform"])
    problems += _content(arrival.file, facts)
    problems += _lie(arrival.file, transform, ref)
    if crs is not None and footprint is not None and not any(one.severity == "error" for one in problems):
        problems += _reach(arrival.file, facts, transform, crs, site_crs, footprint)
    scale, offset = facts["scale"]
    heights = [
        math.nan if facts[key] is None else facts[key] * scale + offset for key in ("lowest", "highest")
    ]
    return RasterLook(
        file=arrival.file,
        crs=crs,
        transform=transform,
        width=facts["width"],
        height=facts["height"],
        bands=facts["bands"],
        cell_m=math.sqrt(abs(transform.a * transform.e)),
        nodata=facts["nodata"] or "",
        filled=facts["filled"] / (facts["width"] * facts["height"]),
        lowest_m=heights[0],
        highest_m=heights[1],
        problems=tuple(problems),
    )


def raster_questions() -> tuple[Question, ...]:
    """Return what no GeoTIFF says of itself and must be asked: kind, error, date, source."""
    kinds = {key: key for key in words_of("ground_kind")}
    return tuple(
        Question(key=key, ask=ask, choices=kinds if key == "model" else {}) for key, ask in ASKED.items()
    )


def ground_info(look: RasterLook, answers: Mapping[str, Any]) -> GroundInfo:
    """Return what ``ground.toml`` says beside the raster.

    Parameters
    ----------
    look
        The raster.
    answers
        Fields of :class:`geo.site.model.GroundInfo` by name. The kind and the source must be given; an
        error or a date that nobody knows stays blank and the ground room then takes the usual one and
        says so.

    Raises
    ------
    InputError
        When the raster cannot be used, or an answer is missing or cannot be.
    """
    errors = [problem for problem in look.problems if problem.severity == "error"]
    given = {key: said for key, said in answers.items() if said not in (None, "")}
    errors += [
        _said(look.file, f"{key} is not said", ASKED[key], "Answer the question.", key)
        for key in NEEDED
        if key not in given
    ]
    if not errors:
        try:
            return GroundInfo.model_validate(given)
        except ValidationError as error:
            for detail in error.errors():
                key = str(detail["loc"][0]) if detail["loc"] else ""
                field = GroundInfo.model_fields.get(key)
                may_be = allowed(key, field) if field is not None else "a fact of the ground raster"
                errors.append(
                    _said(look.file, repr(detail["input"])[:60], may_be, "Correct the answer.", key)
                )
    raise InputError(errors)


def _grid(file: str, facts: Mapping[str, Any]) -> tuple[CRS | None, list[Problem]]:
    allowed_grid = "a projected grid in metres"
    if not facts["crs"] or not facts["placed"]:
        return None, [_said(file, "has no grid", allowed_grid, "Export it with its grid, as GeoTIFF.")]
    try:
        crs = CRS.from_wkt(facts["crs"])
        require_metric(crs)
    except CRSError:
        return None, [_said(file, "is in a grid nobody knows", allowed_grid, "Export it in a known grid.")]
    except CrsError as error:
        return None, [_said(file, str(error), allowed_grid, "Export it in such a grid.")]
    unit = facts["unit"].strip().lower() or next(
        (str(axis.unit_name).lower() for axis in crs.axis_info if axis.direction in ("up", "down")), ""
    )
    if unit not in METRES:
        return crs, [_said(file, f"heights in {unit}", "heights in metres", "Convert them and export again.")]
    return crs, []


def _content(file: str, facts: Mapping[str, Any]) -> list[Problem]:
    if facts["picture"]:
        return [
            _said(
                file,
                "is a picture, not heights",
                "one band of heights",
                "Export the heights, not their shading.",
            )
        ]
    if "complex" in facts["dtype"]:
        return [_said(file, "holds complex numbers", "one band of heights", "Export the heights.")]
    if not facts["filled"]:
        return [_said(file, "holds no height at all", "heights", "Get the tile that covers the site.")]
    problems = []
    scale, offset = facts["scale"]
    low, high = facts["lowest"] * scale + offset, facts["highest"] * scale + offset
    if not facts["nodata"] and (low < LOWEST_M or high > HIGHEST_M):
        found = f"states no value for cells without a height, and holds {low if low < LOWEST_M else high:g}"
        mend = "Nothing need be done: heights no ground has are not read."
        problems.append(_warned(file, found, f"heights from {LOWEST_M:g} to {HIGHEST_M:g} m", mend))
    if facts["bands"] > 1:
        problems.append(
            _warned(
                file,
                f"has {facts['bands']} bands",
                "one",
                "The first is read as heights: look whether it is.",
            )
        )
    return problems


def _lie(file: str, transform: Affine, ref: Reference) -> list[Problem]:
    if abs(transform.b) > 1e-9 or abs(transform.d) > 1e-9 or transform.a <= 0 or transform.e >= 0:
        return [_said(file, "is turned or mirrored", "rows from north to south", "Export it north up.")]
    cell, widest = math.sqrt(abs(transform.a * transform.e)), ref.value("ground.widest_cell_m")
    if cell > widest:
        mend = "Get a finer raster, or do without: levels from a staff decide more."
        return [_said(file, f"cells of {cell:g} m", f"at most {widest:g} m", mend)]
    return []


def _reach(
    file: str,
    facts: Mapping[str, Any],
    transform: Affine,
    crs: CRS,
    site_crs: CRS,
    footprint: tuple[float, float, float, float],
) -> list[Problem]:
    """Hold the raster's edges against the buildings, and the ground round them."""
    if site_crs.to_wkt().startswith("ENGCRS") and not crs.equals(site_crs, ignore_axis_order=True):
        found = f"is in {crs.name}, and the site in a grid of its own"
        return [
            _said(file, found, "a raster in the site's own grid", "Survey the site in the raster's grid.")
        ]
    west, south, east, north = moved_bounds(footprint, site_crs, crs)
    left, top = transform.c, transform.f
    right, bottom = left + transform.a * facts["width"], top + transform.e * facts["height"]
    mend = "Get the tile that covers the site, or correct the grid."
    if not (west < right and east > left and south < top and north > bottom):
        lies = f"{left:,.0f} to {right:,.0f}, {bottom:,.0f} to {top:,.0f}"
        found = f"covers {lies}, and the buildings are not in it"
        return [_said(file, found, "a raster that covers the buildings", mend)]
    if west < left or east > right or south < bottom or north > top:
        return [_said(file, "covers only a part of the buildings", "a raster that covers them", mend)]
    around = min(west - left, right - east, south - bottom, top - north)
    if around < MARGIN_M:
        found = f"ends {around:.0f} m from the buildings"
        return [
            _warned(file, found, f"{MARGIN_M:g} m round them", "Water from further off is then not seen.")
        ]
    return []


def _said(file: str, found: str, may_be: str, mend: str, column: str | None = None) -> Problem:
    return Problem(file=file, column=column, found=found, allowed=may_be, mend=mend)


def _warned(file: str, found: str, may_be: str, mend: str) -> Problem:
    return Problem(file=file, found=found, allowed=may_be, mend=mend, severity="warning")
