"""How long a walk takes: a count of each kind of work, its minutes, walking and what goes wrong."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from geo.reference import Reference


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """One kind of work at a stop: its words, and what to bring for it."""

    label: str
    bring: tuple[str, ...] = ()


WORKS: dict[str, Work] = {
    "set_up": Work(
        label="set-up: safety, level, meter, controls",
        bring=("level and staff", "tapes", "spare batteries", "check block"),
    ),
    "corner": Work(label="corner tied with two tapes", bring=("two 30 m tapes", "pins")),
    "ground_pair": Work(label="ground and damp proof course", bring=("staff", "1 m straightedge")),
    "check": Work(label="course, air-brick, threshold or fitting looked at", bring=("torch", "2 m rule")),
    "gully": Work(label="gully", bring=("torch", "mirror", "scoop", "gloves")),
    "downpipe": Work(label="downpipe and foot", bring=("hand mirror", "binoculars")),
    "chamber": Work(
        label="chamber lifted and dipped", bring=("keys and bar", "lifting aid", "gas alarm", "barrier")
    ),
    "chamber_buried": Work(
        label="chamber found and dug out", bring=("spade", "probe rod", "keys and bar", "lifting aid")
    ),
    "soakaway": Work(label="soakaway found, probed and dipped", bring=("probe rod", "spade")),
    "tracing": Work(label="tap or flush traced", bring=("a second person or a telephone line",)),
    "grid_point": Work(label="reading inside", bring=("moisture meters", "check block")),
    "profile": Work(label="height profile", bring=("moisture meters", "2 m rule")),
    "sample": Work(
        label="drilled sample", bring=("vials", "scale", "slow drill, 9 mm bit", "cable detector")
    ),
    "borescope": Work(label="borescope hole", bring=("12 mm bit", "cable detector", "borescope", "filler")),
    "junction": Work(
        label="floor and wall junction opened",
        bring=("breaker", "dust extraction", "mask", "making-good kit"),
    ),
    "dyed": Work(
        label="dyed test",
        bring=("hose with a double check valve", "bucket and stopwatch", "dyes, one colour a source"),
    ),
    "soakaway_fill": Work(
        label="soakaway filled and timed", bring=("hose with a double check valve", "dip tape")
    ),
    "wait": Work(label="wait while a wall drains"),
    "close_down": Work(label="close-down check"),
}
"""Kinds of work, in the order a walk has them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """Work of one kind at one stop.

    Parameters
    ----------
    work
        Key of :data:`WORKS`.
    count
        How many.
    each_min
        Minutes for one.
    """

    work: str
    count: float
    each_min: float

    @property
    def minutes(self) -> float:
        """Minutes for all of them."""
        return self.count * self.each_min


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of the count: a kind of work, how many, and the minutes together."""

    work: str
    label: str
    count: float
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """A walk's time.

    Parameters
    ----------
    lines
        The count.
    stops_min
        Minutes of all lines together.
    walked_m, walking_min
        Perimeter walked, and its minutes.
    spare_min
        What is added for what goes wrong.
    """

    lines: tuple[Line, ...]
    stops_min: float
    walked_m: float
    walking_min: float
    spare_min: float

    @property
    def whole_min(self) -> float:
        """Minutes from arrival to departure."""
        return self.stops_min + self.walking_min + self.spare_min


def task(work: str, count: float = 1, *, ref: Reference) -> Task:
    """Return work at its usual minutes (``walk.{work}_min``)."""
    return Task(work=work, count=count, each_min=ref.value(f"walk.{work}_min"))


def pour_task(litres: float, rate_l_s: float, *, ref: Reference) -> Task:
    """Return a dyed test: the time it takes to pour, and ``walk.dyed_extra_min`` besides.

    Parameters
    ----------
    litres
        Water to pour, l.
    rate_l_s
        Flow of the hose, l/s, above 0.
    """
    return Task(work="dyed", count=1, each_min=litres / rate_l_s / 60 + ref.value("walk.dyed_extra_min"))


def count_lines(tasks: Iterable[Task]) -> tuple[Line, ...]:
    """Count work by kind, in the order of :data:`WORKS`; what takes no time is left out."""
    given = list(tasks)
    lines = []
    for work, what in WORKS.items():
        own = [one for one in given if one.work == work and one.minutes > 0]
        if own:
            count, minutes = sum(one.count for one in own), sum(one.minutes for one in own)
            lines.append(Line(work=work, label=what.label, count=count, minutes=minutes))
    return tuple(lines)


def add_up(lines: Iterable[Line], *, walked_m: float, ref: Reference) -> Total:
    """Add up a count: its minutes, walking along the perimeter, and a share for what goes wrong.

    Parameters
    ----------
    walked_m
        Length of the rings walked, m.
    """
    given = tuple(lines)
    stops = sum(line.minutes for line in given)
    walking = walked_m / ref.value("walk.walking_m_min")
    return Total(
        lines=given,
        stops_min=stops,
        walked_m=walked_m,
        walking_min=walking,
        spare_min=ref.value("walk.spare_share") * (stops + walking),
    )
