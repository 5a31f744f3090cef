"""Stops as rows to touch: each place, each word and each number as text."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from geo.reference import Reference
from geo.walk.stops import PART_WORDS, Stop, WalkPlan, Wanted

FOLDS = ("Look for", "Levels", "Read", "Photographs", "If you see", "Without it")
SHORT = ("Look for", "Levels")


@dataclass(frozen=True, slots=True, kw_only=True)
class StopRow:
    """A stop as it is shown.

    Parameters
    ----------
    number
        Its place in the walk, from 1.
    part
        Part of the walk, in words.
    where
        Ring, face and chainage; blank where it has no place.
    minutes
        Minutes there, as text; blank where it takes none of its own.
    note
        Leave that is missing.
    settled
        Why nothing is left to do.
    folds
        What it unfolds to: (heading, lines).
    short
        Which of the folds are lists of short words.
    """

    id: str
    number: int
    part: str
    where: str
    title: str
    expected: str
    minutes: str
    note: str
    settled: str
    folds: tuple[tuple[str, tuple[str, ...]], ...]
    short: tuple[int, ...]


def stop_rows(plan: WalkPlan, *, ref: Reference) -> tuple[StopRow, ...]:
    """Return the stops of a plan in order, every one of them."""
    return tuple(_row(stop, number, ref) for number, stop in enumerate(plan.stops, start=1))


def where_words(stop: Stop) -> str:
    """Return a stop's ring, face and chainage, as far as it has them."""
    at = f"{stop.chainage_m:.2f} m" if math.isfinite(stop.chainage_m) else ""
    return " · ".join(part for part in (stop.ring_key, stop.face, at) if part)


def _row(stop: Stop, number: int, ref: Reference) -> StopRow:
    folds = tuple(_folds(stop, ref))
    return StopRow(
        id=stop.id,
        number=number,
        part=PART_WORDS[stop.part],
        where=where_words(stop),
        title=stop.title,
        expected=stop.expected,
        minutes=f"{stop.minutes:.1f}" if stop.minutes else "",
        note=f"needs {stop.needs}" if stop.needs else "",
        settled=stop.settled,
        folds=folds,
        short=tuple(place for place, (head, _) in enumerate(folds) if head in SHORT),
    )


def _folds(stop: Stop, ref: Reference) -> Sequence[tuple[str, tuple[str, ...]]]:
    lines = (
        tuple(label for _, label in stop.states),
        tuple(ref.word("level_role", role) for role in stop.levels),
        tuple(_reading(wanted) for wanted in stop.readings),
        stop.photos,
        stop.if_seen,
        (f"not known then: {stop.left_out}",) if stop.left_out else (),
    )
    return [(head, own) for head, own in zip(FOLDS, lines, strict=True) if own]


def _reading(wanted: Wanted) -> str:
    heights = ", ".join(f"{height:g}" for height in wanted.heights_m)
    places = "one place" if wanted.places == 1 else f"{wanted.places} places"
    return f"{wanted.name}: {places}, at {heights} m"


def state_words(ref: Reference) -> Mapping[str, str]:
    """Return the words a stop is marked with, by key."""
    return {key: ref.word("stop_state", key) for key in ref.vocabulary["stop_state"]}
