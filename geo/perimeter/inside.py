"""From a tape held inside a room to chainage along the outer face."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geo.perimeter.build import Perimeter
from geo.perimeter.rings import Numbers, cross
from geo.reference import Reference


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InsideCorners:
    """How far the internal corners lie along each face from its outer corners.

    Parameters
    ----------
    begin_m, end_m
        (faces,) from the corner where the face begins, and from the one where it ends; NaN where the
        wall goes on straight (a party wall begins), which is no corner inside.
    begin_sigma_m, end_sigma_m
        Their sigmas, from the thicknesses of both walls.
    first, last
        (faces,) the first and last face of the straight wall a face belongs to; inside it is one wall.
    """

    begin_m: Numbers
    end_m: Numbers
    begin_sigma_m: Numbers
    end_sigma_m: Numbers
    first: NDArray[np.int64]
    last: NDArray[np.int64]


def inside_corners(perimeter: Perimeter, *, ref: Reference) -> InsideCorners:
    """Find where the inner faces of walls meet, measured along the outer faces.

    Notes
    -----
    With this wall of thickness ``t``, the adjoining one of thickness ``u``, and the wall turning by an
    angle ``a`` (positive at a salient corner), the inner corner lies ``(u - t cos a) / sin a`` along the
    face: the neighbour's thickness at a square salient corner, minus it at a re-entrant one. Derived
    from the crossing of the two lines offset by the thicknesses.
    """
    faces = perimeter.faces
    keys = faces["ring_key"].to_numpy()
    _, unit, _ = perimeter.frames
    count = np.arange(len(faces))
    begins = np.r_[True, keys[1:] != keys[:-1]]
    before, after = perimeter.neighbours
    inward = np.where(faces["ring"].to_numpy() != "", -1.0, 1.0)
    wall = faces["thickness_m"].to_numpy(dtype=np.float64)
    sigma = faces["thickness_sigma_m"].to_numpy(dtype=np.float64)
    least = np.sin(np.radians(ref.value("perimeter.inside_corner_deg")))
    arriving, leaving = _turn(unit[before], unit) * inward, _turn(unit, unit[after]) * inward
    begin, begin_sigma = _along(wall, wall[before], sigma, sigma[before], arriving, least)
    end, end_sigma = _along(wall, wall[after], sigma, sigma[after], leaving, least)
    starts = begins | np.isfinite(begin)
    first = np.maximum.accumulate(np.where(starts, count, 0))
    last = np.r_[np.flatnonzero(starts)[1:], len(faces)][np.cumsum(starts) - 1] - 1
    return InsideCorners(
        begin_m=begin, end_m=end, begin_sigma_m=begin_sigma, end_sigma_m=end_sigma, first=first, last=last
    )


def outer_chainage(
    perimeter: Perimeter,
    corners: InsideCorners,
    face: NDArray[np.int64],
    inside_m: Numbers,
    *,
    from_end: NDArray[np.bool_],
) -> tuple[Numbers, Numbers]:
    """Return the outside chainage of tapes held inside, and what the walls add to its sigma.

    Parameters
    ----------
    face
        (n,) rows of the perimeter's faces.
    inside_m
        (n,) distance along the inner face from the internal corner.
    from_end
        (n,) whether that is the corner where the straight wall ends, not where it begins.

    Returns
    -------
    Chainage, metres, not yet held against the ends of the wall; and the walls' sigma.
    """
    table = perimeter.faces
    first, last = corners.first[face], corners.last[face]
    forward = table["chainage_from_m"].to_numpy()[first] + corners.begin_m[first] + inside_m
    backward = table["chainage_to_m"].to_numpy()[last] - corners.end_m[last] - inside_m
    sigma = np.where(from_end, corners.end_sigma_m[last], corners.begin_sigma_m[first])
    return np.where(from_end, backward, forward), sigma


def _turn(arriving: Numbers, leaving: Numbers) -> Numbers:
    """Return the angle turned at a corner, positive to the right, radians."""
    return np.asarray(
        -np.arctan2(cross(arriving, leaving), (arriving * leaving).sum(axis=1)), dtype=np.float64
    )


def _along(
    wall: Numbers,
    adjoining: Numbers,
    wall_sigma: Numbers,
    adjoining_sigma: Numbers,
    turn: Numbers,
    least: float,
) -> tuple[Numbers, Numbers]:
    sine = np.where(np.abs(np.sin(turn)) > least, np.sin(turn), np.nan)
    distance = (adjoining - wall * np.cos(turn)) / sine
    return distance, np.hypot(adjoining_sigma, wall_sigma * np.cos(turn)) / np.abs(sine)
