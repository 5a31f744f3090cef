"""Points fixed from corners by tapes through the air, or by distance and bearing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.perimeter.build import Perimeter
from geo.perimeter.rings import Numbers, Points
from geo.reference import Reference

ROUNDS = 25


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
    towards = towards / np.linalg.norm(towards, axis=2, keepdims=True)
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
    found: pd.DataFrame,
    rows: Any,
    ref: Reference,
) -> None:
    """Fix points by two tapes; the recorded side picks between the two solutions."""
    corners = _corners(table, key, perimeter, count=2)
    tapes = table[["tape_1_m", "tape_2_m"]].to_numpy(dtype=np.float64)
    left, right, angle = two_tape_solutions(corners[:, 0], corners[:, 1], tapes[:, 0], tapes[:, 1])
    side = table["tape_side"].to_numpy()
    outer = side == "outside"
    walls = perimeter.footprints.union_all()
    left_free = ~shapely.covers(walls, shapely.points(np.nan_to_num(left)))
    right_free = ~shapely.covers(walls, shapely.points(np.nan_to_num(right)))
    by_wall = np.where(outer, left_free, ~left_free)
    unsure = np.isin(side, ("outside", "inside")) & (left_free == right_free)
    takes_left = np.where(np.isin(side, ("left", "right")), side == "left", by_wall)
    point = np.where(takes_left[:, None], left, right)
    mirror = np.where(takes_left[:, None], right, left)
    base = np.linalg.norm(corners[:, 1] - corners[:, 0], axis=1)
    height = np.linalg.norm(left - right, axis=1) / 2
    least = np.radians(ref.value("tape.base_angle_min_deg"))
    near = (angle < least) | (angle > np.pi - least) | (height < ref.value("tape.base_ratio_min") * base)
    covariance = tape_covariance(point, corners, _tape_sigma(tapes, ref))
    said = np.select(
        [
            ~np.isfinite(corners).all(axis=(1, 2)) | ~np.isfinite(tapes).all(axis=1),
            ~np.isfinite(angle),
            near,
            side == "",
            unsure,
        ],
        [
            "a corner or a tape is missing",
            "the two tapes do not meet",
            "the point is too close to the base line: use chainage and offset",
            "both sides of the base line fit: say which side",
            "both solutions lie on that side of the wall: say left or right",
        ],
        default="",
    )
    _write(found, rows, point, covariance, said, mirror)


def from_many_tapes(
    table: pd.DataFrame,
    key: pd.Series[str],
    perimeter: Perimeter,
    found: pd.DataFrame,
    rows: Any,
    ref: Reference,
) -> None:
    """Fix points by three or four tapes, by least squares; tapes that disagree are refused.

    The residuals are judged together: their weighted sum of squares against the limit, in sigmas, of
    one residual.
    """
    corners = _corners(table, key, perimeter, count=4)
    tapes = table[[f"tape_{i}_m" for i in (1, 2, 3, 4)]].to_numpy(dtype=np.float64)
    sigma = _tape_sigma(tapes, ref)
    taken = np.isfinite(tapes) & np.isfinite(corners).all(axis=2)
    enough = taken.sum(axis=1) >= 3
    left, right, _ = two_tape_solutions(corners[:, 0], corners[:, 1], tapes[:, 0], tapes[:, 1])
    base_middle = corners[:, :2].mean(axis=1)
    left = np.where(np.isfinite(left), left, base_middle)
    right = np.where(np.isfinite(right), right, base_middle)
    ends = [_least_squares(start, corners, tapes, sigma, taken) for start in (left, right)]
    misfits = [_misfit(end, corners, tapes, sigma, taken) for end in ends]
    point = np.where((misfits[0] <= misfits[1])[:, None], ends[0], ends[1])
    worst = np.sqrt(np.minimum(*misfits) / np.maximum(1, taken.sum(axis=1) - 2))
    covariance = tape_covariance(point, corners, np.where(taken, sigma, np.nan))
    limit = ref.value("perimeter.residual_sigmas")
    strained = [
        f"the tapes do not agree (residuals of {ratio:.1f} sigma, {limit:g} allowed): tape again"
        for ratio in worst
    ]
    said = np.where(
        ~enough, "fewer than three tapes", np.where(worst > limit, np.array(strained, dtype=object), "")
    )
    _write(found, rows, point, covariance, said, None)


def from_bearing(
    table: pd.DataFrame,
    key: pd.Series[str],
    perimeter: Perimeter,
    found: pd.DataFrame,
    rows: Any,
    ref: Reference,
) -> None:
    """Fix points by distance and bearing from a corner."""
    corner = _corner_points(table["corner"], key, perimeter)
    distance = table["distance_m"].to_numpy(dtype=np.float64)
    bearing = np.radians(table["bearing_deg"].to_numpy(dtype=np.float64))
    towards = np.column_stack([np.sin(bearing), np.cos(bearing)])
    across = np.column_stack([towards[:, 1], -towards[:, 0]])
    radial = ref.value("tape.free_m") + ref.value("tape.free_share") * distance
    turn = distance * np.radians(ref.value("tape.bearing_deg"))
    covariance = np.einsum("n,ni,nj->nij", radial**2, towards, towards)
    covariance = covariance + np.einsum("n,ni,nj->nij", turn**2, across, across)
    point = corner + towards * distance[:, None]
    said = np.where(np.isfinite(point).all(axis=1), "", "the corner, distance or bearing is missing")
    _write(found, rows, point, covariance, said, None)


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


def _write(
    found: pd.DataFrame, rows: Any, point: Points, covariance: Numbers, said: Any, mirror: Points | None
) -> None:
    columns = {
        "x": point[:, 0],
        "y": point[:, 1],
        "var_xx": covariance[:, 0, 0],
        "var_xy": covariance[:, 0, 1],
        "var_yy": covariance[:, 1, 1],
        "refused": said,
    }
    if mirror is not None:
        columns |= {"mirror_x": mirror[:, 0], "mirror_y": mirror[:, 1]}
    for name, values in columns.items():
        found.iloc[rows, found.columns.get_loc(name)] = values
