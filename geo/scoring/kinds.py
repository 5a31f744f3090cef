"""What is kept of each house that was scored: plain rows, small enough to pass between processes."""

from __future__ import annotations

from dataclasses import dataclass

LIQUID, ROUTE_CAUSES = "liquid", ("S08", "S10", "S11", "S12")
NAMED = ("S01", "S02", "S03", "S04", "S05", "S06", "S07")
"""Causes that are a thing one can point at: the right one must be named, not only the right kind."""
MIMICS = ("S15", "S16", "S17", "S21")


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What a ledger says of one cause of one stretch.

    Parameters
    ----------
    stretch_id, side
        The stretch.
    cause, of_id, word, points
        As the ledger has them.
    true
        Whether that very cause is at work on that wall.
    """

    stretch_id: str
    side: str
    cause: str
    of_id: str
    word: str
    points: float
    true: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """One true cause of a house, and what became of it.

    Parameters
    ----------
    cause, of_id
        The cause, and the record that stands for it.
    inside
        Whether it can be read inside.
    read
        Whether any wet stretch lies on what it wets: what was not read cannot be found.
    word
        The best word any such stretch gives it; ``""`` where it is not even listed.
    nearest, highest
        Whether either way of guessing names it.
    """

    cause: str
    of_id: str
    inside: bool
    read: bool
    word: str
    nearest: bool
    highest: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """One claim of a way of guessing, and whether it is true."""

    way: str
    cause: str
    of_id: str
    true: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StretchRow:
    """One wet stretch: what is true there, and what was made of it.

    Parameters
    ----------
    liquid, mimic
        Whether water is at work there, and whether something only reads wet.
    says_liquid, says_mimic
        Whether a source or route, or a mimic, is supported or better.
    wet_m, unexplained_m, rightly_m
        Its length, what no accepted cause explains, and what a true accepted cause explains.
    """

    stretch_id: str
    liquid: bool
    mimic: bool
    says_liquid: bool
    says_mimic: bool
    wet_m: float
    unexplained_m: float
    rightly_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Scored:
    """One house, scored.

    Parameters
    ----------
    seconds
        Processor time of drawing, examining, drains, ledger.
    """

    seed: int
    number: int
    readings: int
    claims: tuple[Claim, ...]
    truths: tuple[Truth, ...]
    guesses: tuple[Guess, ...]
    stretches: tuple[StretchRow, ...]
    seconds: tuple[float, ...]
    trouble: str = ""
