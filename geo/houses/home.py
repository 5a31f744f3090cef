"""A house while things go wrong with it, and what every fault of it needs."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from geo.houses.fabric import Fabric
from geo.houses.pipes import RAIN_MM_DAY, Drainage, Node
from geo.houses.plots import Plot
from geo.houses.wall import Flags

WET_SPELL = 4.0
"""Rain of a wet spell over the mean of the season."""
DOWNPOUR_MM = 12.0


@dataclass(slots=True, kw_only=True, eq=False)
class House:
    """A house while things are going wrong with it; what stands against its walls by name."""

    plot: Plot
    fabric: Fabric
    drains: Drainage
    features: list[dict[str, Any]] = field(default_factory=list)
    services: list[dict[str, Any]] = field(default_factory=list)
    cavities: list[tuple[str, float, float]] = field(default_factory=list)
    gutters: list[dict[str, Any]] = field(default_factory=list)
    sills: list[tuple[float, float, float]] = field(default_factory=list)
    cold: dict[str, float] = field(default_factory=dict)
    stops: set[str] = field(default_factory=set)


def stretch_on(
    rng: np.random.Generator, house: House, low: float, high: float, *, faces: str = "free"
) -> tuple[float, float] | None:
    """Return a length of one face, m of chainage; ``None`` when no face is long enough."""
    wall = house.plot.wall
    lengths = np.diff(wall.starts)
    fits = (wall.free if faces == "free" else ~wall.free) & (lengths > low + 0.4)
    if not fits.any():
        return None
    face = int(rng.choice(np.flatnonzero(fits), p=lengths[fits] / lengths[fits].sum()))
    length = float(min(rng.uniform(low, high), lengths[face] - 0.3))
    start = float(rng.uniform(wall.starts[face] + 0.1, wall.starts[face + 1] - 0.1 - length))
    return start, start + length


def steps_of(house: House, span: tuple[float, float]) -> Flags:
    """Return which steps of the wall a length of it has."""
    return house.plot.wall.between(*span)


def leak_at(node: Node, share: float, *, rain_l: float, use_l: float) -> dict[str, Any]:
    """Return rate and event of a leak that loses a share of what passes a node."""
    rhythm = "use" if use_l > rain_l * WET_SPELL else "rain"
    rate = share * (rain_l * WET_SPELL + use_l)
    event = share * max(rain_l / RAIN_MM_DAY * DOWNPOUR_MM, 60.0 if use_l else 0.0)
    return {
        "rate_l_day": rate, "event_l": event, "at_m": node.chainage, "away_m": node.offset - 0.1,
        "rhythm": rhythm,
    }  # fmt: skip


def open_joint(rng: np.random.Generator, house: House, chainage: float, share: float) -> None:
    """Leave, in some houses, an open joint into the cavity near a place, at about the ground."""
    if house.fabric.solid or rng.random() > share:
        return
    wall = house.plot.wall
    near = np.abs(wall.along(chainage)) < 0.25
    house.fabric.entry[near] = house.plot.ground[near] - float(rng.uniform(-0.01, 0.05))
