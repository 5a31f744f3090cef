"""A scanned plan: where its control points lie on the ground, how it is shown, where it is kept."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import shapely
from affine import Affine
from PIL import Image
from pyproj import CRS
from pyproj.exceptions import CRSError

from geo.draw.overlay import Overlay
from geo.draw.plan_overlay import MOST_PX, plan_overlay
from geo.entry.drawing import tie_of
from geo.errors import InputError, Problem
from geo.intake.guarded import read_guarded
from geo.intake.plan import SIMILARITY, PlanFit, fit_plan
from geo.perimeter.build import Perimeter
from geo.reference import Reference
from geo.site.model import Site
from geo.verdict import NOT_KNOWN

FOLDER = "plans"
LEAST_POINTS = 3
TOUCHED_LONGEST, JPEG_QUALITY = 2000, 82
"""Longest side, and quality, of the picture one taps on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlPoint:
    """One point seen on the plan and known on the ground.

    Parameters
    ----------
    name
        As it is called in what is said of it.
    column, row
        In the whole picture, pixels from its top left corner, rows downward.
    easting_m, northing_m
        In the site's grid.
    """

    name: str
    column: float
    row: float
    easting_m: float
    northing_m: float


def outline_corners(perimeter: Perimeter | None) -> dict[str, tuple[float, float]]:
    """Return easting and northing of every named corner of the surveyed outlines."""
    if perimeter is None:
        return {}
    examined = perimeter.rings.index[perimeter.rings["examined"]]
    faces = perimeter.faces[perimeter.faces["ring_key"].isin(examined)]
    several = len(set(faces["ring_key"])) > 1
    found = {}
    for ring, corner, shape in zip(faces["ring_key"], faces["corner_from"], faces["geometry"], strict=True):
        start = shapely.get_point(shape, 0)
        found[f"{corner} of {ring}" if several else str(corner)] = (float(start.x), float(start.y))
    return found


def touched_picture(png: bytes) -> bytes:
    """Return the picture one taps on: no larger than a screen can use, as a JPEG.

    Parameters
    ----------
    png
        The picture as :func:`geo.intake.plan.look_at_plan` made it again.
    """
    with Image.open(io.BytesIO(png), formats=("PNG",)) as image:
        image.thumbnail((TOUCHED_LONGEST, TOUCHED_LONGEST))
        out = io.BytesIO()
        image.convert("RGB").save(out, "JPEG", quality=JPEG_QUALITY)
    return out.getvalue()


def fit_points(points: Sequence[ControlPoint], *, kind: str, ref: Reference) -> tuple[PlanFit | None, str]:
    """Fit a plan to its control points, or say why they cannot carry it; too few yet is not said.

    Parameters
    ----------
    kind
        ``"similarity"`` or ``"affine"``.
    ref
        Limits in force.
    """
    if len(points) < (2 if kind == SIMILARITY else LEAST_POINTS):
        return None, ""
    pixels = [[one.column, one.row] for one in points]
    grid = [[one.easting_m, one.northing_m] for one in points]
    try:
        return fit_plan(pixels, grid, ref=ref, kind=kind, names=[one.name for one in points]), ""
    except InputError as error:
        return None, "\n".join(str(one) for one in error.problems)


def residual_table(points: Sequence[ControlPoint], fit: PlanFit | None) -> pd.DataFrame:
    """Return the control points with what is left over at each, m; NaN where nothing can tell."""
    table = pd.DataFrame(
        {
            "point": [one.name for one in points],
            "column, px": [one.column for one in points],
            "row, px": [one.row for one in points],
            "easting, m": [one.easting_m for one in points],
            "northing, m": [one.northing_m for one in points],
        }
    )
    if fit is None or len(fit.names) != len(points):
        return table
    return table.assign(
        **{
            "residual east, m": fit.residuals_m[:, 0],
            "residual north, m": fit.residuals_m[:, 1],
            "from the others, m": fit.left_out_m,
        }
    )


def told_fit(fit: PlanFit) -> str:
    """Say in a sentence how the plan lies and how well."""
    along, down = fit.scale_m
    how = "moved, turned and scaled" if fit.kind == "similarity" else "moved, turned, stretched and sheared"
    rms = "nothing is left over" if not np.isfinite(fit.rms_m) else f"RMS residual {fit.rms_m:.3f} m"
    worst = f"; the others agree least with {fit.worst}" if fit.worst else ""
    return (
        f"The plan is {how}: {1000 * along:.2f} mm a pixel along, {1000 * down:.2f} mm down, its top toward "
        f"{fit.turn_deg:.1f}°; {rms} from {len(fit.names)} points{worst}."
    )


def why_not(points: Sequence[ControlPoint], fit: PlanFit | None) -> str:
    """Say why a plan cannot be kept yet, ``""`` when it can."""
    if len(points) < LEAST_POINTS:
        return f"{len(points)} of at least {LEAST_POINTS} control points: with fewer nothing shows a slip."
    if fit is None:
        return "The control points cannot carry the plan."
    if fit.check.word == "slip":
        return f"{fit.check.because}. To mend it: {fit.check.settle}."
    if fit.check.word == NOT_KNOWN:
        return f"{fit.check.because}: {fit.check.settle}."
    return ""


def kept_plans(site: Site) -> dict[str, Path]:
    """Return the placed plans of a site by their file's name, the names in order."""
    folder = site.folder / FOLDER
    if not folder.is_dir():
        return {}
    return {path.name: path for path in sorted(folder.iterdir()) if path.suffix == ".tif" and path.is_file()}


def overlay_of(path: Path, site: Site, *, ref: Reference) -> Overlay:
    """Return a kept plan as a picture under the map; the file is read in a guarded process.

    Parameters
    ----------
    path
        The placed plan.
    site
        The site: its grid, and where a local grid lies.
    ref
        Limits in force.

    Raises
    ------
    InputError
        When it is not placed, is in another grid than the site's, or cannot be read.
    """
    raw = path.read_bytes()
    cells = {"cells": ref.value("intake.pixels")}
    facts, _ = read_guarded("raster", raw, file=path.name, ref=ref, options=cells)
    if not facts["placed"]:
        raise _refused(path.name, "lies nowhere", "a placed plan")
    if not _same_grid(facts["crs"], site.crs):
        raise _refused(path.name, "was placed in another grid than the site's", f"one in {site.crs.name}")
    longest = {"pixels": ref.value("intake.pixels"), "longest": MOST_PX}
    shown, blocks = read_guarded("picture", raw, file=path.name, ref=ref, options=longest)
    with Image.open(io.BytesIO(blocks[0]), formats=("PNG",)) as image:
        picture = np.asarray(image.convert("RGB"))
    across, down = facts["width"] / picture.shape[1], facts["height"] / picture.shape[0]
    if (shown["width"], shown["height"]) != (facts["width"], facts["height"]):
        raise _refused(path.name, "is turned inside its file", "a plan placed on the page Import")
    transform = Affine(*facts["transform"]) * Affine.scale(across, down)
    return plan_overlay(picture, transform, crs=site.crs, tie=tie_of(site))


def _same_grid(wkt: str | None, crs: CRS) -> bool:
    """Tell whether a file's grid is the site's; none is stated for a local one, whose plans have none."""
    local = crs.to_wkt().startswith("ENGCRS")
    if not wkt:
        return local
    if local:
        return False
    try:
        stated = CRS.from_wkt(wkt)
    except CRSError:
        return False
    mine, theirs = crs.to_epsg(min_confidence=20), stated.to_epsg(min_confidence=20)
    return stated.equals(crs, ignore_axis_order=True) or (mine is not None and mine == theirs)


def _refused(file: str, found: str, allowed: str) -> InputError:
    mend = "Place it again on the page Import."
    return InputError([Problem(file=file, found=found, allowed=allowed, mend=mend)])
