"""What evidence is made of: a candidate for a wet stretch, and a code raised for or against it."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """A length of wall that a candidate would wet if it were at work.

    Parameters
    ----------
    ring_key, side
        The wall, and the side of it.
    from_m, to_m
        Chainage, m; ``to_m`` may pass the ring's length where it runs through the origin corner.
    basis
        ``"levels"`` when it was worked out from levels, ``"recorded"`` when it is the length of a recorded
        feature, ``"usual"`` when it is a usual half-width.
    """

    ring_key: str
    side: str
    from_m: float
    to_m: float
    basis: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """Something that could feed, pass or imitate the water of one wet stretch.

    Parameters
    ----------
    cause
        Its cause, ``S01`` to ``S21``.
    of_id
        Record it stands for: a gully, run, patch, feature; ``""`` where the cause needs none.
    stretch_id
        The wet stretch.
    path
        How the water would come from it to the stretch, in one sentence.
    path_ids
        Records that path rests on.
    reach
        What it would wet; empty when that is not known.
    stops
        Why the path ends short or is not seen whole: a party line, a neighbour not seen; ``""`` when it is.
    distance_m
        From the peak of the stretch by path to it, to where its water would leave, or to the nearest length
        of wall it holds over; NaN where there is no such place.
    supposed
        Where it lies was only supposed: being near is then no look at it.
    """

    cause: str
    of_id: str
    stretch_id: str
    path: str
    path_ids: tuple[str, ...] = ()
    reach: tuple[Reach, ...] = ()
    stops: str = ""
    distance_m: float = math.nan
    supposed: bool = False

    @property
    def key(self) -> str:
        """A name for it that is unique at its stretch."""
        return f"{self.cause}:{self.of_id}" if self.of_id else self.cause


@dataclass(frozen=True, slots=True, kw_only=True)
class Raised:
    """One evidence code raised for or against one candidate, or for every candidate of a stretch.

    Parameters
    ----------
    code
        As in ``shared/evidence.toml``: NEAR, BASE, SEEN, TEST+ …
    stretch_id
        The wet stretch.
    candidate
        Key of the candidate; ``""`` when it holds for every candidate of the stretch.
    rests_on
        Ids of the records that raised it.
    because
        The rule that raised it and the numbers it saw, in one sentence.
    goes_with
        Records whose water it was noticed to go with: it speaks for no other record, though it may speak
        against one; empty where none was named.
    beside
        A test showed it near the stretch, and not on it: that supports, and proves nothing there.
    """

    code: str
    stretch_id: str
    candidate: str = ""
    rests_on: tuple[str, ...] = ()
    because: str = ""
    goes_with: frozenset[str] = frozenset()
    beside: bool = False
