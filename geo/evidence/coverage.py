"""How much of a wet length the accepted causes explain, what is left, and what should be wet and is dry."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

Span = tuple[float, float]
"""From and to along a ring laid straight, m, 0 ≤ from < to ≤ its length."""


MOST_NAMED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """A length of wall, m of chainage; ``to_m`` is below ``from_m`` where it runs through the origin."""

    from_m: float
    to_m: float
    length_m: float

    @property
    def said(self) -> str:
        """As it is read: ``4.5–6.0 m``."""
        return f"{self.from_m:.1f}–{self.to_m:.1f} m"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cover:
    """What accepted causes explain of one wet stretch.

    Parameters
    ----------
    wet_m
        Its length.
    explained, unexplained
        Parts of it inside and outside what they predict.
    predicted_dry
        Parts they predict and that were read dry, which speaks against them. Unread wall is neither.
    predicted_unread_m
        How much of what they predict nobody read.
    by
        Of what each candidate explains of the stretch, m; parts explained twice count for each.
    mimic_m
        How much of it is explained only as a reading, by a mimic.
    """

    wet_m: float
    explained: tuple[Range, ...] = ()
    unexplained: tuple[Range, ...] = ()
    predicted_dry: tuple[Range, ...] = ()
    predicted_unread_m: float = 0.0
    by: Mapping[str, float]
    mimic_m: float = 0.0

    @property
    def explained_m(self) -> float:
        """Total explained."""
        return sum(part.length_m for part in self.explained)

    @property
    def unexplained_m(self) -> float:
        """Total not explained: while there is any, the case is open."""
        return sum(part.length_m for part in self.unexplained)

    @property
    def predicted_dry_m(self) -> float:
        """Total predicted wet but read dry."""
        return sum(part.length_m for part in self.predicted_dry)

    @property
    def said(self) -> str:
        """What to say of it, in a sentence."""
        if self.unexplained_m <= 0:
            said = f"All {self.wet_m:.1f} m are explained"
        elif self.explained_m <= 0:
            said = f"None of {self.wet_m:.1f} m is explained"
        else:
            left = _named(self.unexplained)
            said = f"{self.explained_m:.1f} of {self.wet_m:.1f} m explained;"
            said += f" {self.unexplained_m:.1f} m not: {left}"
        if self.mimic_m > 0:
            said += f"; {self.mimic_m:.1f} m only as readings"
        if self.predicted_dry_m > 0:
            said += f"; {self.predicted_dry_m:.1f} m more should be wet and was read dry:"
            said += f" {_named(self.predicted_dry)}"
        return f"{said}."


def _named(parts: Sequence[Range]) -> str:
    """Return lengths as a sentence holds them: the first few, and how many more."""
    told = ", ".join(part.said for part in parts[:MOST_NAMED])
    more = len(parts) - MOST_NAMED
    return told if more <= 0 else f"{told} and {more} more"


def cover(
    wet: Sequence[Span],
    predicted: Mapping[str, Sequence[Span]],
    *,
    ring_m: float,
    dry: Sequence[Span] = (),
    unread: Sequence[Span] = (),
    mimics: Sequence[str] = (),
    least_m: float = 0.0,
) -> Cover:
    """Measure what is explained of a wet length.

    Parameters
    ----------
    wet
        The stretch, laid straight (:func:`laid`).
    predicted
        By accepted candidate, what it would wet, laid straight.
    ring_m
        Length of the ring.
    dry, unread
        Wall of that side that was read and found dry, and wall nobody read.
    mimics
        Which of the candidates only explain readings.
    least_m
        A shorter remainder is within the taping, and is left out.
    """
    wet = union(wet)
    every = union(span for spans in predicted.values() for span in spans)
    water = union(span for name, spans in predicted.items() if name not in mimics for span in spans)
    explained = both(wet, every)
    return Cover(
        wet_m=total(wet),
        explained=rolled(_long(explained, least_m, ring_m), ring_m),
        unexplained=rolled(_long(minus(wet, every), least_m, ring_m), ring_m),
        predicted_dry=rolled(_long(both(minus(water, wet), union(dry)), least_m, ring_m), ring_m),
        predicted_unread_m=total(both(minus(water, wet), union(unread))),
        by={name: total(both(wet, union(spans))) for name, spans in predicted.items()},
        mimic_m=total(minus(explained, water)),
    )


def laid(from_m: float, to_m: float, ring_m: float) -> list[Span]:
    """Lay a length of a ring straight: two parts where it runs through the origin corner.

    Parameters
    ----------
    from_m, to_m
        Clockwise; ``to_m`` below ``from_m``, or beyond the ring's length, runs through the origin.
    """
    length = to_m - from_m if to_m > from_m else to_m - from_m + ring_m
    if length >= ring_m - 1e-9:
        return [(0.0, ring_m)]
    if length <= 0:
        return []
    start = from_m % ring_m
    end = start + length
    return [(start, end)] if end <= ring_m else [(0.0, end - ring_m), (start, ring_m)]


def union(spans: Iterable[Span]) -> list[Span]:
    """Return the union of lengths, in order."""
    found: list[Span] = []
    for a, b in sorted(span for span in spans if span[1] > span[0]):
        if found and a <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], b)
        else:
            found.append((a, b))
    return found


def both(one: Sequence[Span], other: Sequence[Span]) -> list[Span]:
    """Return what two unions share."""
    found = [(max(a, c), min(b, d)) for a, b in one for c, d in other]
    return union(span for span in found if span[1] - span[0] > 1e-9)


def minus(one: Sequence[Span], other: Sequence[Span]) -> list[Span]:
    """Return what one union has and the other has not."""
    left = list(one)
    for c, d in other:
        left = [
            part for a, b in left for part in ((a, min(b, c)), (max(a, d), b)) if part[1] - part[0] > 1e-9
        ]
    return left


def total(spans: Iterable[Span]) -> float:
    """Return the length of a union, m."""
    return sum(b - a for a, b in spans)


def rolled(spans: Sequence[Span], ring_m: float) -> tuple[Range, ...]:
    """Return lengths as they lie on the ring: what ends at the origin and goes on there is one."""
    ordered = union(spans)
    if len(ordered) > 1 and ordered[0][0] <= 1e-9 and ordered[-1][1] >= ring_m - 1e-9:
        (_, end), (start, _) = ordered[0], ordered[-1]
        joined = Range(from_m=start, to_m=end, length_m=ring_m - start + end)
        return (*(_range(span) for span in ordered[1:-1]), joined)
    return tuple(_range(span) for span in ordered)


def _range(span: Span) -> Range:
    return Range(from_m=span[0], to_m=span[1], length_m=span[1] - span[0])


def _long(spans: Sequence[Span], least_m: float, ring_m: float) -> list[Span]:
    """Leave out what is shorter than counts, unless it goes on through the origin."""
    whole = {round(part.from_m, 9): part.length_m for part in rolled(spans, ring_m)}
    start = max((span[0] for span in spans), default=0.0)
    through = whole.get(round(start, 9), 0.0)
    return [
        span
        for span in spans
        if max(span[1] - span[0], through if span[0] <= 1e-9 or span[1] >= ring_m - 1e-9 else 0.0) >= least_m
    ]


def read_dry(
    readings: pd.DataFrame,
    faces: pd.DataFrame,
    wet: Mapping[tuple[str, str], Sequence[Span]],
    *,
    reach_m: float,
    highest_m: float,
) -> dict[tuple[str, str], list[Span]]:
    """Find wall that was read and found dry, by ring and side.

    A dry reading speaks for ``reach_m`` along its own face either way. Wall that any method found wet is
    not dry; nor is wall where a reading says neither; nor where only heights above ``highest_m`` were read.

    Parameters
    ----------
    readings
        ``status``, ``ring_key``, ``face``, ``side``, ``chainage_m``, ``height_m``, ``wet``, ``control``.
    faces
        Index ``ring_key:face``; ``chainage_from_m``, ``chainage_to_m``.
    wet
        Wet stretches of every method, by ring and side, laid straight.
    """
    own = readings[(readings["status"] == "joined") & ~readings["control"].to_numpy(dtype=bool)]
    row = faces.index.get_indexer(pd.Index(own["ring_key"].astype(object) + ":" + own["face"].astype(object)))
    at = own["chainage_m"].to_numpy(dtype=float)
    known = (row >= 0) & np.isfinite(at)
    start = faces["chainage_from_m"].to_numpy(dtype=float)[row]
    end = faces["chainage_to_m"].to_numpy(dtype=float)[row]
    low, high = np.maximum(at - reach_m, start), np.minimum(at + reach_m, end)
    word = own["wet"].to_numpy(dtype=object)
    height = own["height_m"].to_numpy(dtype=float)
    dry = known & (word == "dry") & ~(height > highest_m)
    unsure = known & (word != "dry") & (word != "wet")
    found: dict[tuple[str, str], list[Span]] = {}
    keys = list(zip(own["ring_key"].astype(str), own["side"].astype(str), strict=True))
    for key in dict.fromkeys(keys):
        mine = np.fromiter((each == key for each in keys), dtype=bool, count=len(keys))
        spans = union(zip(low[dry & mine].tolist(), high[dry & mine].tolist(), strict=True))
        # Half way to the next place only: a dry place does not speak for the place beside it.
        doubt = union(zip(at[unsure & mine] - 0.5 * reach_m, at[unsure & mine] + 0.5 * reach_m, strict=True))
        found[key] = minus(minus(spans, union(wet.get(key, ()))), doubt)
    return found
