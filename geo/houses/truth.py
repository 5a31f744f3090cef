"""What is true of an invented house: its causes, and the wall each of them wets or makes read wet."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from geo.houses.wall import Numbers

ROUTES = ("S08", "S10", "S11", "S12")
MIMICS = ("S15", "S16", "S17", "S21")


@dataclass(slots=True, kw_only=True, eq=False)
class Trouble:
    """One thing wrong with a house, as drawn; whether it wets a wall is for the physics to say.

    Parameters
    ----------
    cause
        S01 to S21.
    of_ids
        Records that stand for it, the likeliest first; empty where none does.
    start, end
        Length of wall it has, m of chainage, clockwise.
    level
        Level it works at, m; NaN where that means nothing.
    rate_l_day
        Water in a wet spell that reaches the ground or wall.
    event_l
        Water of one downpour or one wash.
    strength
        Saturation it can bring, 0 to 1.
    rhythm
        ``rain``, ``use``, ``steady``, ``cold`` or ``falling``.
    at_m
        Where along the wall a point source is nearest, m.
    away_m
        Its distance from the wall, m.
    """

    cause: str
    of_ids: tuple[str, ...] = ()
    start: float = np.nan
    end: float = np.nan
    level: float = np.nan
    rate_l_day: float = 0.0
    event_l: float = 0.0
    strength: float = 0.8
    rhythm: str = "rain"
    at_m: float = np.nan
    away_m: float = 0.0
    stopped: str = ""
    fed_at: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """A length of wall on one side, m of chainage, clockwise."""

    side: str
    from_m: float
    to_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueCause:
    """One true cause and the wall it wets (or, for a mimic, makes read wet).

    Parameters
    ----------
    cause, of_ids
        The cause and the records that stand for it.
    routes
        Causes that let its water past the barrier, for a source; what feeds it is not kept for a route.
    ranges
        Lengths of wall by side.
    wets_inside
        Whether it can be read inside.
    """

    cause: str
    of_ids: tuple[str, ...]
    routes: tuple[str, ...]
    ranges: tuple[Range, ...]

    @property
    def wets_inside(self) -> bool:
        """Whether it can be read inside."""
        return any(one.side == "inside" for one in self.ranges)

    @property
    def mimic(self) -> bool:
        """Whether it only makes the wall read wet."""
        return self.cause in MIMICS


@dataclass(slots=True, kw_only=True, eq=False)
class Fields:
    """Moisture as it truly is, by step of wall and height over the floor.

    Parameters
    ----------
    z
        Levels, m.
    outer
        Saturation of the outer face, 0 to 1.
    room
        Saturation of the first 10 mm of the room's side.
    core
        Saturation at 40 to 80 mm.
    salts
        Salts that hold water, 0 to 1.
    film
        Water on a cold surface only, 0 to 1.
    artefact
        Foil, metal or bitumen behind the surface, 0 to 1.
    floor
        Saturation of the floor's edge, by step.
    """

    z: Numbers
    outer: Numbers
    room: Numbers
    core: Numbers
    salts: Numbers
    film: Numbers
    artefact: Numbers
    floor: Numbers
    shares: dict[str, Numbers] = field(default_factory=dict)
