"""From a tape held inside a room to chainage along the outer face."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.perimeter.build import Perimeter
from geo.perimeter.rings import Numbers, cross

STRAIGHT = 0.02


def inside_starts(perimeter: Perimeter) -> tuple[Numbers, Numbers]:
    """Return how far the internal corners lie along each face from its outer corners.

    The internal corner is where the inner faces of the two walls meet. With this wall of thickness
    ``t``, the adjoining one of thickness ``u``, and the wall turning by an angle ``a`` (positive at a
    salient corner), it lies ``(u - t cos a) / sin a`` along the face: the neighbour's thickness at a
    square salient corner, minus it at a re-entrant one. Derived from the two offset lines.

    Returns
    -------
    From the corner where the face begins, and from the corner where it ends, each (faces,), metres.
    Where a face goes on straight (a party wall begins) the corner is not a corner inside: zero.
    """
    faces = perimeter.faces
    keys = faces["ring_key"].to_numpy()
    _, unit, _ = perimeter.frames
    count = len(faces)
    first = np.flatnonzero(np.r_[True, keys[1:] != keys[:-1]])
    last = np.r_[first[1:], count] - 1
    before = np.arange(count) - 1
    before[first] = last
    after = np.arange(count) + 1
    after[last] = first
    inward = np.where(faces["ring"].to_numpy() != "", -1.0, 1.0)
    wall = faces["thickness_m"].to_numpy(dtype=np.float64)
    begin = _along(wall, wall[before], _turn(unit[before], unit) * inward)
    end = _along(wall, wall[after], _turn(unit, unit[after]) * inward)
    return begin, end


def _turn(arriving: Numbers, leaving: Numbers) -> Numbers:
    """Return the angle turned at a corner, positive to the right, radians."""
    return np.asarray(
        -np.arctan2(cross(arriving, leaving), (arriving * leaving).sum(axis=1)), dtype=np.float64
    )


def _along(wall: Numbers, adjoining: Numbers, turn: Numbers) -> Numbers:
    sine = np.sin(turn)
    bent: NDArray[np.bool_] = np.abs(sine) > STRAIGHT
    return np.where(bent, (adjoining - wall * np.cos(turn)) / np.where(bent, sine, 1.0), 0.0)
