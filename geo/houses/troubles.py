"""What goes wrong with an invented house: one to five causes and mimics, and faults that wet nothing."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from geo.houses import faults_drains as drains
from geo.houses import faults_fabric as fabric
from geo.houses.home import House, steps_of
from geo.houses.truth import Trouble

COMMON = {
    "S01": 0.14, "S02": 0.15, "S03": 0.08, "S04": 0.07, "S05": 0.06, "S06": 0.07, "S07": 0.03, "S08": 0.09,
    "S09": 0.08, "S10": 0.08, "S11": 0.08, "S12": 0.06, "S13": 0.09, "S14": 0.07, "S18": 0.03, "S19": 0.03,
    "S20": 0.04,
}  # fmt: skip
MIMICS = {"S15": 0.34, "S16": 0.24, "S17": 0.18, "S21": 0.24}


def draw_troubles(rng: np.random.Generator, house: House) -> list[Trouble]:
    """Draw what is wrong: one to five causes or mimics, then routes and faults nobody asked about."""
    count = int(rng.choice([1, 2, 3, 4, 5], p=[0.25, 0.3, 0.25, 0.13, 0.07]))
    mimics = int((rng.random(count) < 0.25).sum())
    found: list[Trouble] = []
    for common, number in ((COMMON, count - mimics), (MIMICS, mimics)):
        names = list(common)
        share = np.array([common[name] for name in names])
        for _ in range(25):
            if sum(one.cause in common for one in found) >= number:
                break
            cause = str(rng.choice(names, p=share / share.sum()))
            drawn = DRAW[cause](rng, house)
            if drawn is not None:
                found.append(drawn)
    _usual_routes(rng, house, found)
    # Ground retained above the floor is ground over the damp proof course as well.
    found += [
        Trouble(cause="S08", start=one.start, end=one.end, level=one.level, rhythm="steady")
        for one in found
        if one.cause == "S18"
    ]
    return found


DRAW: dict[str, Callable[[np.random.Generator, House], Trouble | None]] = {
    "S01": drains.draw_gully,
    "S02": drains.draw_foot,
    "S03": drains.draw_gutter,
    "S04": drains.draw_soakaway,
    "S05": drains.draw_buried,
    "S06": drains.draw_blocked,
    "S07": drains.draw_chamber,
    "S08": fabric.draw_raised,
    "S09": fabric.draw_falls,
    "S10": fabric.draw_no_course,
    "S11": fabric.draw_floor_bridge,
    "S12": fabric.draw_debris,
    "S13": fabric.draw_face,
    "S14": fabric.draw_plumbing,
    "S15": fabric.draw_condensation,
    "S16": fabric.draw_salts,
    "S17": fabric.draw_drying,
    "S18": fabric.draw_retained,
    "S19": fabric.draw_neighbour,
    "S20": fabric.draw_chimney,
    "S21": fabric.draw_artefact,
}


def _usual_routes(rng: np.random.Generator, house: House, found: list[Trouble]) -> None:
    """Give water at the foot of a wall, in most houses, a way in: without one nobody calls a surveyor."""
    causes = {one.cause for one in found}
    feet = [one for one in found if one.cause in ("S01", "S02", "S04", "S05", "S06", "S07", "S09")]
    if not feet or causes & {"S08", "S10", "S11", "S12"}:
        return
    own, wall = house.fabric, house.plot.wall
    if rng.random() > 0.75:
        return
    one = feet[int(rng.integers(len(feet)))]
    at = one.at_m if np.isfinite(one.at_m) else (one.start + one.end) / 2
    near = np.abs(wall.along(at)) < rng.uniform(1.0, 3.0)
    if own.solid and rng.random() < 0.5:
        own.outer_fails |= near
        own.inner_fails |= near
        place = wall.ranges(near)[0]
        found.append(Trouble(cause="S10", start=place[0], end=place[1], rhythm="steady"))
    elif own.solid or (own.slab[int(wall.at(at))] and rng.random() < 0.6):
        drawn = fabric.draw_floor_bridge(rng, house)
        if drawn is not None:
            own.slab_bridges |= near & own.slab & wall.outside
            own.inner_course[near & own.slab] = float(own.inner_course[own.slab_bridges].min())
            found.append(drawn)
    else:
        half = float(rng.uniform(0.2, 0.5))
        start = float(np.mod(at + rng.uniform(-0.5, 0.5) - half, wall.length))
        span = (start, start + 2 * half)
        there = steps_of(house, span) & wall.outside
        if there.any():
            top = float(own.inner_course[there].max()) + float(rng.uniform(0.03, 0.1))
            own.debris_top[there] = top
            number = f"CV{len(house.cavities) + 1}"
            house.cavities.append((number, *span))
            found.append(Trouble(cause="S12", of_ids=(number,), start=span[0], end=span[1], level=top))
