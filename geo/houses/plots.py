"""Shapes of invented houses and the ground they stand on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geo.houses.wall import Numbers, Wall

KINDS_OF_HOUSE = ("detached", "semi", "terrace", "end of terrace")
SHARE_OF_HOUSES = (0.25, 0.35, 0.25, 0.15)


@dataclass(slots=True, kw_only=True, eq=False)
class Plot:
    """A house's outline, its neighbours and its ground.

    Parameters
    ----------
    wall
        The outline.
    neighbours
        Outlines of the houses it shares a wall with, in the house's axes.
    depth
        From front to back without the offshoot, m.
    offshoot
        Corners of the offshoot at the back, or ``None``.
    ground
        Level of the ground at the wall at every step, m.
    rise
        Rise of the ground away from the wall at every step, share (positive: water runs to the wall).
    hard
        Whether the ground beside each face is paved.
    """

    wall: Wall
    neighbours: tuple[Numbers, ...]
    depth: float
    offshoot: Numbers | None
    ground: Numbers
    rise: Numbers
    hard: npt.NDArray[np.bool_]


def draw_plot(rng: np.random.Generator, *, clearance: float, course: float) -> Plot:
    """Draw a house and its ground.

    Parameters
    ----------
    clearance
        Usual height of the damp proof course over the ground, m.
    course
        Level of the damp proof course, m.
    """
    kind = str(rng.choice(KINDS_OF_HOUSE, p=SHARE_OF_HOUSES))
    width, depth = (round(float(rng.uniform(a, b)), 2) for a, b in ((4.8, 8.5), (6.0, 9.0)))
    left = kind == "terrace" or (kind != "detached" and bool(rng.random() < 0.5))
    right = kind == "terrace" or (kind != "detached" and not left)
    corners = [[0.0, 0.0], [0.0, depth]]
    offshoot = None
    free = [not left]
    if rng.random() < 0.5:
        out, wide = round(float(rng.uniform(2.0, 4.2)), 2), round(float(rng.uniform(0.4, 0.6)) * width, 2)
        inset = round(float(rng.uniform(0.6, 1.1)), 2) if right else 0.0
        a, b = width - inset - wide, width - inset
        corners += [[a, depth], [a, depth + out], [b, depth + out]]
        free += [True, True, True]
        offshoot = np.array([[a, depth], [a, depth + out], [b, depth + out], [b, depth]])
        if inset:
            corners += [[b, depth], [width, depth]]
            free += [True, True]
        free.append(not right)
    else:
        corners.append([width, depth])
        free += [True, not right]
    corners.append([width, 0.0])
    free.append(True)
    bearing = float(rng.uniform(0, 2 * np.pi))
    turn = np.array([[np.cos(bearing), -np.sin(bearing)], [np.sin(bearing), np.cos(bearing)]])
    shift = np.round(np.array([417600.0, 368400.0]) + rng.uniform(-20, 20, 2), 3)
    wall = Wall(corners=np.array(corners), free=np.array(free), turn=turn, shift=shift)
    beside = []
    if left:
        beside.append(np.array([[-width, 0.0], [-width, depth], [0.0, depth], [0.0, 0.0]]))
    if right:
        beside.append(np.array([[width, 0.0], [width, depth], [2 * width, depth], [2 * width, 0.0]]))
    ground = _ground(rng, wall, course - clearance)
    rise = -rng.uniform(0.005, 0.03, len(free))[wall.face]
    hard = rng.random(len(free)) < 0.6
    return Plot(
        wall=wall, neighbours=tuple(beside), depth=depth, offshoot=offshoot, ground=ground, rise=rise,
        hard=hard,
    )  # fmt: skip


def _ground(rng: np.random.Generator, wall: Wall, least: float) -> Numbers:
    """Lay a plane of ground under the house, everywhere at or below a level at the wall."""
    slope = rng.normal(0.0, 0.012, 2)
    points = wall.points()
    plane = points @ slope
    waves = 0.006 * np.sin(2 * np.pi * wall.s / rng.uniform(3, 8) + rng.uniform(0, 6))
    return np.asarray(plane - plane.max() + least + waves)
