"""Points fixed from corners by tapes through the air, or by distance and bearing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.perimeter.answer import Columns, put, put_points, turned
from geo.perimeter.build import Perimeter
from geo.perimeter.rings import Numbers, Points, cross
from geo.reference import Reference

ROUNDS = 25
SAME_CORNER_M = 0.001
SAME_POINT_M = 0.05
NOT_BY_LINE = "both solutions lie on that side of the line: say outside or inside"


def two_tape_solutions(
    first: Points, second: Points, tape_1: Numbers, tape_2: Numbers
) -> tuple[Points, Points, Numbers]:
    """Return both points at two taped distances from two corners.

    With base b: ``x = (d1² - d2² + b²) / 2b`` along it from the first corner and
    ``y = √(d1² - x²)`` off it (plane trigonometry).

    Returns
    -------
    The point on the left, going from the first corner to the second; the one on the right; and the
    angle at the point, radians, NaN where the tapes do not meet.
    """
    base = second - first
    b = np.hypot(base[:, 0], base[:, 1])
    b = np.where(b > SAME_CORNER_M, b, np.nan)
    along = base / b[:, None]
    x = (tape_1**2 - tape_2**2 + b**2) / (2 * b)
    square = tape_1**2 - x**2
    y = np.sqrt(np.where(square >= 0, square, np.nan))
    left = np.column_stack([-along[:, 1], along[:, 0]])
    foot = first + along * x[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        angle = np.arccos(np.clip((tape_1**2 + tape_2**2 - b**2) / (2 * tape_1 * tape_2), -1.0, 1.0))
    return foot + left * y[:, None], foot - left * y[:, None], np.where(square >= 0, angle, np.nan)


def tape_covariance(point: Points, corners: Points, sigmas: Numbers) -> Numbers:
    """Return (n, 2, 2) covariance of points fixed by tapes from known corners.

    Parameters
    ----------
    point
        (n, 2).
    corners
        (n, k, 2) corners of the k tapes; NaN where a tape was not taken.
    sigmas
        (n, k) sigma of each tape.
    """
    towards = point[:, None, :] - corners
    towards = towards / np.maximum(np.linalg.norm(towards, axis=2, keepdims=True), 1e-9)
    weight = np.where(np.isfinite(sigmas) & np.isfinite(towards[..., 0]), sigmas**-2.0, 0.0)
    normal = np.einsum("nk,nki,nkj->nij", weight, np.nan_to_num(towards), np.nan_to_num(towards))
    flat = np.abs(np.linalg.det(normal)) < 1e-6
    normal[flat] = np.nan
    inverse = np.full_like(normal, np.nan)
    inverse[~flat] = np.linalg.inv(normal[~flat])
    return np.asarray(inverse, dtype=np.float64)


def from_two_tapes(
    table: pd.DataFrame,
    key: pd.Series[str],
    perimeter: Perimeter,
    found: Columns,
    rows: Any,
    ref: Reference,
) -> None:
    """Fix points by two tapes; the recorded side picks between the two solutions."""
    corners = _corners(table, key, perimeter, count=2)
    tapes = table[["tape_1_m", "tape_2_m"]].to_numpy(dtype=np.float64)
    left, right, angle = two_tape_solutions(corners[:, 0], corners[:, 1], tapes[:, 0], tapes[:, 1])
    takes_left, undecided = _picked(left, right, table["tape_side"].to_numpy(dtype=object), perimeter)
    point = np.where(takes_left[:, None], left, right)
    mirror = np.where(takes_left[:, None], right, left)
    line = corners[:, 1] - corners[:, 0]
    base = np.hypot(line[:, 0], line[:, 1])
    height = np.hypot(*(left - right).T) / 2
    least = np.radians(ref.value("tape.base_angle_min_deg"))
    near = (angle < least) | (angle > np.pi - least) | (height < ref.value("tape.base_ratio_min") * base)
    missing = ~np.isfinite(corners).all(axis=(1, 2)) | ~np.isfinite(tapes).all(axis=1)
    covariance = tape_covariance(point, corners, _tape_sigma(tapes, ref))
    said = np.select(
        [missing, base < SAME_CORNER_M, ~np.isfinite(angle), near, undecided != ""],
        [
            "a corner or a tape is missing",
            "both tapes are from one corner",
            "the two tapes do not meet",
            "the point is too close to the base line: use chainage and offset",
            undecided,
        ],
        default="",
    )
    put_points(found, rows, point, covariance, line)
    put(found, rows, mirror_x=mirror[:, 0], mirror_y=mirror[:, 1], refused=said)


def from_many_tapes(
    table: pd.DataFrame,
    key: pd.Series[str],
    perimeter: Perimeter,
    found: Columns,
    rows: Any,
    ref: Reference,
) -> None:
    """Fix points by three or four tapes, by least squares; tapes that disagree are refused.

    The residuals are judged together: their weighted sum of squares over the tapes to spare, against the
    limit, in sigmas, of one residual. Corners that lie on one line leave two solutions, as two tapes do,
    and the recorded side picks.
    """
    corners = _corners(table, key, perimeter, count=4)
    tapes = table[[f"tape_{i}_m" for i in (1, 2, 3, 4)]].to_numpy(dtype=np.float64)
    sigma = _tape_sigma(tapes, ref)
    taken = np.isfinite(tapes) & np.isfinite(corners).all(axis=2)
    spare = np.maximum(1, taken.sum(axis=1) - 2)
    line, base, head = _bases(corners, taken)
    solved = [
        _least_squares(start, corners, tapes, sigma, taken) for start in _starts(corners, tapes, taken, line)
    ]
    misfits = np.stack([_misfit(end, corners, tapes, sigma, taken) for end in solved])
    each = np.arange(len(tapes))
    best = np.stack(solved)[misfits.argmin(axis=0), each]
    away = np.stack([np.hypot(*(end - best).T) for end in solved])
    other = np.stack(solved)[away.argmax(axis=0), each]
    left, right = _two_sided(best, other, base, head)
    limit = ref.value("perimeter.residual_sigmas")
    fits_too = np.sqrt(misfits[away.argmax(axis=0), each] / spare) <= limit
    twofold = (away.max(axis=0) > SAME_POINT_M) & fits_too
    one_side = (cross(base, left - head) > 0) == (cross(base, right - head) > 0)
    side = table["tape_side"].to_numpy(dtype=object)
    takes_left, undecided = _picked(left, right, side, perimeter)
    undecided = np.where(one_side & np.isin(side, ("left", "right")), NOT_BY_LINE, undecided)
    point = np.where(twofold[:, None], np.where(takes_left[:, None], left, right), best)
    mirror = np.where(twofold[:, None], np.where(takes_left[:, None], right, left), np.nan)
    worst = np.sqrt(_misfit(point, corners, tapes, sigma, taken) / spare)
    covariance = tape_covariance(point, corners, np.where(taken, sigma, np.nan))
    reached = np.linalg.norm(point[:, None, :] - np.where(taken[..., None], corners, 0.0), axis=2)
    residual = np.where(taken, tapes - reached, np.nan)
    strained = np.char.mod("the tapes do not agree (residuals of %.1f sigma,", worst)
    strained = np.char.add(strained, f" {limit:g} allowed): tape again")
    # No better than two tapes that meet at the flattest angle allowed: σ·√2 / sin θ.
    flattest = np.sqrt(2.0) / np.sin(np.radians(ref.value("tape.base_angle_min_deg")))
    spread = np.sqrt(np.trace(covariance, axis1=1, axis2=2))
    flat = ~(spread <= flattest * np.where(taken, sigma, 0.0).max(axis=1))
    said = np.select(
        [taken.sum(axis=1) < 3, worst > limit, flat, twofold & (undecided != "")],
        [
            "fewer than three tapes",
            strained,
            "the point is too close to the line of the corners: use chainage and offset",
            undecided,
        ],
        default="",
    )
    put_points(found, rows, point, covariance, line)
    put(found, rows, mirror_x=mirror[:, 0], mirror_y=mirror[:, 1], refused=said)
    put(found, rows, **{f"residual_{i + 1}_m": residual[:, i] for i in range(4)})


def from_bearing(
    table: pd.DataFrame,
    key: pd.Series[str],
    perimeter: Perimeter,
    found: Columns,
    rows: Any,
    ref: Reference,
) -> None:
    """Fix points by distance and bearing from a corner."""
    corner = _corner_points(table["corner"], key, perimeter)
    distance = table["distance_m"].to_numpy(dtype=np.float64)
    bearing = np.radians(table["bearing_deg"].to_numpy(dtype=np.float64))
    towards = np.column_stack([np.sin(bearing), np.cos(bearing)])
    radial = ref.value("tape.free_m") + ref.value("tape.free_share") * distance
    turn = distance * np.radians(ref.value("tape.bearing_deg"))
    point = corner + towards * distance[:, None]
    said = np.where(np.isfinite(point).all(axis=1), "", "the corner, distance or bearing is missing")
    put_points(found, rows, point, turned(radial, turn, towards), towards)
    put(found, rows, refused=said)


def _picked(
    left: Points, right: Points, side: NDArray[np.object_], perimeter: Perimeter
) -> tuple[NDArray[np.bool_], NDArray[np.object_]]:
    """Return whether the recorded side takes the left solution, and why it takes neither."""
    walls = perimeter.footprints.union_all()
    left_free = ~shapely.covers(walls, shapely.points(np.nan_to_num(left)))
    right_free = ~shapely.covers(walls, shapely.points(np.nan_to_num(right)))
    by_line = np.isin(side, ("left", "right"))
    by_wall = np.isin(side, ("outside", "inside"))
    takes_left = np.where(by_line, side == "left", np.where(side == "outside", left_free, ~left_free))
    undecided = np.select(
        [~by_line & ~by_wall, by_wall & (left_free == right_free)],
        [
            "both sides of the base line fit: say which side",
            "both solutions lie on that side of the wall: say left or right",
        ],
        default="",
    )
    return np.asarray(takes_left, dtype=np.bool_), undecided.astype(object)


def _bases(corners: Points, taken: NDArray[np.bool_]) -> tuple[Points, Points, Points]:
    """Return the longest line from the first corner taped from, the line to the second, and the first."""
    known = np.where(taken[..., None], corners, np.nan)
    each = np.arange(len(known))
    order = np.argsort(~taken, axis=1, kind="stable")
    head = np.nan_to_num(known[each, order[:, 0]])
    away = np.nan_to_num(known - head[:, None, :])
    longest = away[each, np.argmax(np.hypot(away[..., 0], away[..., 1]), axis=1)]
    return longest, away[each, order[:, 1]], head


def _starts(corners: Points, tapes: Numbers, taken: NDArray[np.bool_], line: Points) -> list[Points]:
    """Return where to start solving: either side of the corners, and where the circles' chords cross."""
    known = np.where(taken[..., None], corners, 0.0)
    count = np.maximum(1, taken.sum(axis=1))[:, None]
    middle = known.sum(axis=1) / count
    length = np.maximum(np.hypot(line[:, 0], line[:, 1]), SAME_CORNER_M)
    square = np.column_stack([-line[:, 1], line[:, 0]]) / length[:, None]
    reach = np.where(taken, tapes, 0.0).max(axis=1)[:, None]
    # Differences of (p - c)² = d² are linear in p: the chords of each pair of circles.
    off = np.where(taken[..., None], corners - middle[:, None, :], 0.0)
    power = np.where(taken, (off**2).sum(axis=2) - tapes**2, 0.0)
    power = np.where(taken, power - power.sum(axis=1, keepdims=True) / count, 0.0)
    chords = (np.linalg.pinv(2.0 * off) @ power[..., None])[..., 0]
    return [middle + reach * square, middle - reach * square, middle + chords]


def _two_sided(one: Points, other: Points, base: Points, head: Points) -> tuple[Points, Points]:
    """Return two solutions with the one further to the left of the first two corners' line first."""
    swap = (cross(base, one - head) < cross(base, other - head))[:, None]
    return np.where(swap, other, one), np.where(swap, one, other)


def _least_squares(
    start: Points, corners: Points, tapes: Numbers, sigma: Numbers, taken: NDArray[np.bool_]
) -> Points:
    """Refine points by Gauss-Newton, all at once."""
    point = start.copy()
    known = np.where(taken[..., None], corners, 0.0)
    weight = np.where(taken, sigma**-2.0, 0.0)
    for _ in range(ROUNDS):
        away = point[:, None, :] - known
        distance = np.linalg.norm(away, axis=2)
        towards = away / np.maximum(distance, 1e-9)[..., None]
        residual = np.where(taken, tapes - distance, 0.0)
        normal = np.einsum("nk,nki,nkj->nij", weight, towards, towards) + np.eye(2) * 1e-9
        right = np.einsum("nk,nki,nk->ni", weight, towards, residual)
        point = point + np.linalg.solve(normal, right[..., None])[..., 0]
    return point


def _misfit(
    point: Points, corners: Points, tapes: Numbers, sigma: Numbers, taken: NDArray[np.bool_]
) -> Numbers:
    distance = np.linalg.norm(point[:, None, :] - np.where(taken[..., None], corners, 0.0), axis=2)
    return np.asarray((np.where(taken, (tapes - distance) / sigma, 0.0) ** 2).sum(axis=1), dtype=np.float64)


def _tape_sigma(tapes: Numbers, ref: Reference) -> Numbers:
    return np.asarray(ref.value("tape.free_m") + ref.value("tape.free_share") * tapes, dtype=np.float64)


def _corner_points(names: pd.Series[str], key: pd.Series[str], perimeter: Perimeter) -> Points:
    """Return the named corners, NaN where there is none of that name."""
    faces = perimeter.faces
    places = pd.Series(
        np.arange(len(faces)), index=faces["ring_key"].to_numpy() + "\x1f" + faces["corner_from"].to_numpy()
    )
    row = places.reindex(key.to_numpy() + "\x1f" + names.to_numpy()).to_numpy(dtype=np.float64)
    start = perimeter.frames[0]
    return np.where(np.isfinite(row)[:, None], start[np.nan_to_num(row).astype(int)], np.nan)


def _corners(table: pd.DataFrame, key: pd.Series[str], perimeter: Perimeter, *, count: int) -> Points:
    parts = [_corner_points(table[f"tape_{i}_from"], key, perimeter) for i in range(1, count + 1)]
    return np.stack(parts, axis=1)
