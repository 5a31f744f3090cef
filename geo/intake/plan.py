"""A scanned plan laid on the site's grid by control points, so that outlines can be drawn over it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from affine import Affine
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS

from geo.errors import InputError, Problem
from geo.intake.arrival import PICTURE, RASTER, arrive
from geo.intake.guarded import read_guarded
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Verdict

Numbers = NDArray[np.float64]
SIMILARITY, AFFINE = "similarity", "affine"
SHOWN_LONGEST = 4000
"""Longest side of the picture that is shown, in pixels; the file itself keeps all of them."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanPicture:
    """A picture that can be shown.

    Parameters
    ----------
    file
        File as it is shown.
    width, height
        Pixels of the whole picture, upright; control points are counted in these from the top left corner.
    png
        The picture made again from its pixels alone, perhaps smaller; empty when there is an error.
    shown
        Width and height of that.
    remarks
        What should be known of it, in sentences.
    problems
        Why it cannot be used.
    """

    file: str
    width: int = 0
    height: int = 0
    png: bytes = b""
    shown: tuple[int, int] = (0, 0)
    remarks: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanFit:
    """How a plan lies on the grid.

    Parameters
    ----------
    kind
        ``"similarity"`` (moved, turned, scaled) or ``"affine"`` (stretched and sheared as paper is).
    names
        Control points' names.
    transform
        From (column, row) of the picture to the grid, metres.
    residuals_m
        (n, 2) grid position by the fit less the one given.
    left_out_m
        (n,) how far each point lies from where the others put it; NaN where they cannot.
    rms_m
        Root of the mean square residual, over the numbers left over; NaN when none is.
    over
        Numbers left over: 2 n less the numbers fitted.
    scale_m
        Metres a pixel along the plan's rows and down its columns.
    turn_deg
        Bearing of the plan's upward direction, clockwise from grid north.
    skew_deg
        How far the plan's axes are from square.
    worst
        The point the others agree with least, ``""`` where nothing tells.
    check
        ``"checked"``, ``"slip"`` or ``"not known"``, with the reason and what would settle it.
    """

    kind: str
    names: tuple[str, ...]
    transform: Affine
    residuals_m: Numbers
    left_out_m: Numbers
    rms_m: float
    over: int
    scale_m: tuple[float, float]
    turn_deg: float
    skew_deg: float
    worst: str
    check: Verdict

    @property
    def world_file(self) -> str:
        """Text of a world file: the transform to the centre of the top left pixel, a number a line."""
        t = self.transform
        x, y = t * (0.5, 0.5)
        return "".join(f"{value:.12g}\n" for value in (t.a, t.d, t.b, t.e, x, y))


def look_at_plan(name: str, raw: bytes, *, ref: Reference) -> PlanPicture:
    """Open a scanned plan (PNG, JPEG, TIFF) in a guarded process and return a picture that can be shown."""
    arrival = arrive(name, raw, ref=ref)
    if arrival.problems:
        return PlanPicture(file=arrival.file, problems=arrival.problems)
    if arrival.what not in (PICTURE, RASTER):
        mend = "Save the plan as PNG."
        said = Problem(file=arrival.file, found="is no picture", allowed="PNG, JPEG or TIFF", mend=mend)
        return PlanPicture(file=arrival.file, problems=(said,))
    options = {"pixels": ref.value("intake.pixels"), "longest": SHOWN_LONGEST}
    try:
        facts, blocks = read_guarded("picture", raw, file=arrival.file, ref=ref, options=options)
    except InputError as error:
        return PlanPicture(file=arrival.file, problems=error.problems)
    remarks = []
    if facts["turned"]:
        remarks.append("The camera says it was held on its side: it was turned upright.")
    if facts["pages"] > 1:
        remarks.append(f"It has {facts['pages']} pages: the first is used.")
    if facts["format"] == "JPEG":
        remarks.append("A photograph is not flat as a scan is: use control points all round the house.")
    return PlanPicture(
        file=arrival.file,
        width=facts["width"],
        height=facts["height"],
        png=blocks[0],
        shown=(facts["shown"][0], facts["shown"][1]),
        remarks=tuple(remarks),
    )


def fit_plan(
    pixels: ArrayLike, grid: ArrayLike, *, ref: Reference, kind: str = SIMILARITY, names: Sequence[str] = ()
) -> PlanFit:
    """Fit a plan to the grid by least squares over its control points.

    A similarity has four numbers and needs two points, an affine fit six and three; more points leave
    something over that shows a slip. The residual of a point when it is left out follows from the fit of
    all: (I - H)⁻¹ times its residual, H the point's part of the hat matrix (Cook and Weisberg 1982,
    Residuals and Influence in Regression, section 2.2).

    Parameters
    ----------
    pixels
        (n, 2) column and row in the whole picture, from its top left corner, rows downward.
    grid
        (n, 2) easting and northing, metres.
    ref
        Limits in force: ``intake.plan_residual_m``, ``plan_flat``, ``plan_skew``.
    kind
        ``"similarity"`` or ``"affine"``.
    names
        Names of the points; numbers are given otherwise.

    Raises
    ------
    InputError
        When there are too few points, they stand in a line or on one spot, are no numbers, or make the
        plan a mirror picture of the ground.
    """
    image = np.asarray(pixels, dtype=np.float64).reshape(-1, 2)
    ground = np.asarray(grid, dtype=np.float64).reshape(-1, 2)
    count = len(image)
    called = tuple(names) or tuple(str(at) for at in range(1, count + 1))
    _stand(image, ground, called, kind, ref)
    middle_image, middle_ground = image.mean(axis=0), ground.mean(axis=0)
    u, v = (image - middle_image).T
    spread = math.sqrt(float(np.mean(u * u + v * v)))
    u, v = u / spread, -v / spread  # rows run downward, northings upward
    zero, one = np.zeros(count), np.ones(count)
    if kind == SIMILARITY:  # E = c + a u - b v, N = d + b u + a v
        design = np.stack([np.column_stack([u, -v, one, zero]), np.column_stack([v, u, zero, one])], axis=1)
    else:
        plain = np.column_stack([u, v, one])
        blank = np.zeros_like(plain)
        design = np.stack([np.hstack([plain, blank]), np.hstack([blank, plain])], axis=1)
    numbers = design.shape[2]
    tall = design.reshape(2 * count, numbers)
    wanted = (ground - middle_ground).reshape(2 * count)
    found = np.linalg.lstsq(tall, wanted, rcond=None)[0]
    residuals = (tall @ found - wanted).reshape(count, 2)
    over = 2 * count - numbers
    left_out = _left_out(design, residuals)
    rms = math.sqrt(float((residuals**2).sum()) / over) if over else math.nan
    if kind == SIMILARITY:
        a, b = found[:2]
        turn = np.array([[a, -b], [b, a]])
        shift = found[2:]
    else:
        turn = np.array([found[:2], found[3:5]])
        shift = found[[2, 5]]
    linear = turn @ np.diag([1.0, -1.0]) / spread
    start = middle_ground + shift - linear @ middle_image
    transform = Affine(linear[0, 0], linear[0, 1], start[0], linear[1, 0], linear[1, 1], start[1])
    if float(np.linalg.det(linear)) >= 0:
        mend = "Look whether two control points are mixed up."
        raise InputError([_said("the plan comes out as in a mirror", "a plan seen from above", mend)])
    along, down = np.hypot(linear[0, 0], linear[1, 0]), np.hypot(linear[0, 1], linear[1, 1])
    skew = math.degrees(math.asin(float(np.clip(-(linear[:, 0] @ linear[:, 1]) / (along * down), -1, 1))))
    worst = int(np.nanargmax(left_out)) if np.isfinite(left_out).any() else -1
    return PlanFit(
        kind=kind,
        names=called,
        transform=transform,
        residuals_m=residuals,
        left_out_m=left_out,
        rms_m=rms,
        over=over,
        scale_m=(float(along), float(down)),
        turn_deg=math.degrees(math.atan2(-linear[0, 1], -linear[1, 1])) % 360,
        skew_deg=skew,
        worst=called[worst] if worst >= 0 else "",
        check=_check(kind, called, residuals, left_out, (float(along), float(down), skew), ref),
    )


def place_plan(name: str, raw: bytes, fit: PlanFit, *, crs: CRS, ref: Reference) -> bytes:
    """Return the plan as a GeoTIFF in the site's grid, not resampled: its pixels with the fitted transform.

    Raises
    ------
    InputError
        When a control point is out by more than ``intake.plan_residual_m``, or the picture cannot be read.
    """
    if fit.check.word == "slip":
        raise InputError([_said(fit.check.because, "control points that agree", fit.check.settle)])
    arrival = arrive(name, raw, ref=ref)
    if arrival.problems:
        raise InputError(arrival.problems)
    local = crs.to_wkt().startswith("ENGCRS")
    options = {
        "pixels": ref.value("intake.pixels"),
        "transform": [float(value) for value in tuple(fit.transform)[:6]],
        "crs": None if local else crs.to_wkt("WKT1_GDAL"),
    }
    _, blocks = read_guarded("placed", raw, file=arrival.file, ref=ref, options=options)
    return blocks[0]


def _stand(image: Numbers, ground: Numbers, names: tuple[str, ...], kind: str, ref: Reference) -> None:
    """Refuse control points that cannot carry the fit."""
    count = len(image)
    if kind not in (SIMILARITY, AFFINE):
        raise ValueError(f"{kind!r} is neither {SIMILARITY} nor {AFFINE}")
    if len(ground) != count or len(names) != count:
        raise InputError(
            [
                _said(
                    f"{count} places on the plan, {len(ground)} on the ground",
                    "a pair for each",
                    "Complete them.",
                )
            ]
        )
    least = 2 if kind == SIMILARITY else 3
    if count < least:
        mend = "Mark corners of the house that are on both, as far apart as they are."
        raise InputError([_said(f"{count} control points", f"at least {least}, better four", mend)])
    if not (np.isfinite(image).all() and np.isfinite(ground).all()):
        raise InputError([_said("a control point without numbers", "numbers", "Complete it or take it out.")])
    for what, points in (("the plan", image), ("the ground", ground)):
        spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
        mend = "Add a point well to the side of the others."
        if spread[0] <= 1e-9:
            raise InputError(
                [_said(f"all control points are on one spot of {what}", "points far apart", mend)]
            )
        flat = float(spread[1] / spread[0]) if len(spread) > 1 else 0.0
        least_flat = ref.value("intake.plan_flat")
        if count >= 3 and flat < least_flat:
            found = (
                f"the control points are nearly in a line on {what} (spread across {flat:.3f} of that along)"
            )
            raise InputError([_said(found, f"at least {least_flat:g}", mend)])


def _left_out(design: Numbers, residuals: Numbers) -> Numbers:
    """Return how far each point lies from where the fit of the others puts it."""
    count, _, numbers = design.shape
    if 2 * (count - 1) < numbers:
        return np.full(count, np.nan)
    normal = np.linalg.inv(np.einsum("nij,nik->jk", design, design))
    own = np.eye(2) - np.einsum("nij,jk,nlk->nil", design, normal, design)
    firm = np.linalg.det(own) > 1e-9
    out = np.full(count, np.nan)
    if firm.any():
        moved = np.linalg.solve(own[firm], residuals[firm][:, :, None])[:, :, 0]
        out[firm] = np.hypot(moved[:, 0], moved[:, 1])
    return out


def _check(
    kind: str,
    names: tuple[str, ...],
    residuals: Numbers,
    left_out: Numbers,
    shape: tuple[float, float, float],
    ref: Reference,
) -> Verdict:
    """Say whether the control points agree, or that nothing checks them."""
    count = len(names)
    if 2 * count == (4 if kind == SIMILARITY else 6):
        what = "a similarity" if kind == SIMILARITY else "an affine fit"
        because = f"{count} points fix {what} exactly: nothing checks them"
        return Verdict(word=NOT_KNOWN, because=because, settle="mark one more point")
    most = ref.value("intake.plan_residual_m")
    size = np.hypot(residuals[:, 0], residuals[:, 1])
    largest = int(np.argmax(size))
    if size[largest] > most:
        at = int(np.nanargmax(left_out)) if np.isfinite(left_out).any() else largest
        far = float(left_out[at]) if np.isfinite(left_out[at]) else float(size[at])
        because = (
            f"point {names[at]} lies {far:.2f} m from where the others put it; at most {most:g} m is allowed"
        )
        return Verdict(
            word="slip",
            because=because,
            settle=f"mark point {names[at]} again, or take it out",
            margin=most - far,
            unit="m",
        )
    along, down, skew = shape
    askew = max(abs(along - down) / max(along, down), abs(math.sin(math.radians(skew))))
    if askew > ref.value("intake.plan_skew"):
        because = f"the plan is stretched or askew by {100 * askew:.1f} %: perhaps a photograph, not a scan"
        return Verdict(
            word="slip", because=because, settle="scan the plan flat", margin=-askew, unit="of the scale"
        )
    because = f"largest residual {size[largest]:.3f} m, at point {names[largest]}"
    return Verdict(word="checked", because=because, margin=most - float(size[largest]), unit="m")


def _said(found: str, allowed: str, mend: str) -> Problem:
    return Problem(file="control points", found=found, allowed=allowed, mend=mend)
