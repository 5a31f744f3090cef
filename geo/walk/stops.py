"""What a stop of the walk is, and the plan they make."""

from __future__ import annotations

import math
from dataclasses import dataclass

from geo.walk.minutes import WORKS, Task, Total

NAN = math.nan
PARTS = ("set_up", "outside", "drains", "inside", "tests", "close_down")
PART_WORDS = {
    "set_up": "Set-up",
    "outside": "Outside, clockwise",
    "drains": "Chambers and soakaways, downstream first",
    "inside": "Inside, in the same order",
    "tests": "Water tests, lowest first",
    "close_down": "Close-down",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Readings to take: a method's key and name, heights in m, and at how many places along the wall."""

    method: str
    name: str
    heights_m: tuple[float, ...]
    places: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Pouring:
    """A water test at one source.

    Parameters
    ----------
    source_id, level_m
        Where water is put in, and the level it can stand at there; NaN when not known.
    litres, rate_l_s
        Water to pour, and the hose's flow.
    known, because
        Whether the litres were worked out from the drains, and if not, what is missing.
    dye
        Its colour; empty when none is left for this visit.
    wet_ids
        Wet lengths it may feed.
    wait_min
        Minutes to wait before it, so that a wet length has drained from the test before.
    starts_min, ends_min
        From the first test's beginning, when pouring and watching begin and end.
    """

    source_id: str
    level_m: float
    litres: float
    rate_l_s: float
    known: bool
    because: str
    dye: str
    wet_ids: tuple[str, ...]
    wait_min: float
    starts_min: float
    ends_min: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """One place to stop at.

    Parameters
    ----------
    id
        Stays the same when the plan is made again; marks name it.
    part, kind
        Part of the walk, and what the stop is.
    title, expected
        What it is, and what is expected there.
    ring_key, face, chainage_m, x, y
        Its place; empty and NaN where it has none yet.
    state_group, states
        Words to tick: their group of the vocabulary, and (key, label) pairs.
    levels
        Roles of the levels to shoot.
    readings, photos, if_seen, tasks
        What to read, to photograph, to add when something is seen, and the work with its minutes.
    needs
        Leave that is missing.
    settled
        Why nothing is left to do, where the records already answer it.
    left_out
        What will not be known when it is left out.
    drop_rank
        Which is left out first when time is short, from 1; 0 is never left out.
    rests_on
        Record ids behind it.
    """

    id: str
    part: str
    kind: str
    title: str
    expected: str = ""
    ring_key: str = ""
    face: str = ""
    chainage_m: float = NAN
    x: float = NAN
    y: float = NAN
    state_group: str = ""
    states: tuple[tuple[str, str], ...] = ()
    levels: tuple[str, ...] = ()
    readings: tuple[Wanted, ...] = ()
    photos: tuple[str, ...] = ()
    if_seen: tuple[str, ...] = ()
    tasks: tuple[Task, ...] = ()
    needs: str = ""
    settled: str = ""
    left_out: str = ""
    drop_rank: int = 0
    rests_on: tuple[str, ...] = ()
    pouring: Pouring | None = None

    @property
    def minutes(self) -> float:
        """Minutes at this stop."""
        return sum(task.minutes for task in self.tasks)

    @property
    def kit(self) -> tuple[str, ...]:
        """What to bring for it."""
        return tuple(dict.fromkeys(thing for task in self.tasks for thing in WORKS[task.work].bring))


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """What stands at the head of the walk.

    Parameters
    ----------
    address, access, hazards, rain
        The site's name, and what is on record of getting in, of dangers and of rain.
    consents
        One sentence for each leave: given, asked, refused, or not asked.
    to_settle
        What this visit must settle, dearest first.
    origin
        Where chainage begins.
    bench_mark
        The temporary bench mark and its level.
    answers
        Who answers for the survey, by role.
    """

    address: str
    access: str
    hazards: str
    consents: tuple[str, ...]
    rain: str
    to_settle: tuple[str, ...]
    origin: str
    bench_mark: str
    answers: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkPlan:
    """A walk: header, ordered stops, and the time they take.

    ``total`` counts every stop that is not settled by the records; ``notes`` are sentences on how the plan
    was made; ``digest`` is the data version it was made from.
    """

    header: Header
    stops: tuple[Stop, ...]
    total: Total
    notes: tuple[str, ...]
    digest: str

    @property
    def kit(self) -> tuple[str, ...]:
        """Everything to bring, in the order it is first needed."""
        return tuple(dict.fromkeys(thing for stop in self.stops for thing in stop.kit))

    def of_part(self, part: str) -> tuple[Stop, ...]:
        """Return the stops of one part of the walk, in order."""
        return tuple(stop for stop in self.stops if stop.part == part)

    def number(self) -> dict[str, int]:
        """Return each stop's number in the walk, from 1, by its id."""
        return {stop.id: count for count, stop in enumerate(self.stops, start=1)}
