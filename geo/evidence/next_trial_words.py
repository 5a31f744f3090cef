"""The next test in sentences a surveyor acts on: where, how much, what to watch, what each outcome means."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from geo.evidence.coverage import Range
from geo.evidence.next_trial_kinds import Option
from geo.evidence.pairing import Wall
from geo.weights import FieldTest

MOST_NAMED = 4


def say(
    option: Option, test: FieldTest, wall: Wall, open_parts: Sequence[Range], causes: Sequence[str], name: str
) -> Option:
    """Return an option with its label, its place and its sentences.

    Parameters
    ----------
    open_parts
        What of the stretch is not explained: it is looked at there.
    causes
        Those the test tells of, as they are named in a sentence.
    """
    where = place(wall, open_parts, whole=test.at != "stretch")
    along = " and ".join(part.said for part in open_parts)
    held = {
        "at": option.at_id or name,
        "where": where,
        "along": f"chainage {along}",
        "stretch": name,
        "litres": f"{option.litres:.0f} l" if math.isfinite(option.litres) else "water",
        "rate": f"{option.rate_l_s:.2g} l/s" if math.isfinite(option.rate_l_s) else "a steady rate",
        "time": minutes_said(option.minutes - test.extra_min),
        "colour": option.colour or "uncoloured",
        "causes": listed(causes),
    }
    return replace(
        option,
        label=test.label.format_map(held),
        where=where,
        sentences=tuple(text.format_map(held) for text in (test.do, test.watch, test.yes, test.no)),
    )


def place(wall: Wall, open_parts: Sequence[Range], *, whole: bool) -> str:
    """Return where to look: the lengths not explained, or one place among them.

    Parameters
    ----------
    whole
        Name the lengths; without it the one place where a hole, a sample or a logger tells most: the peak
        where it is not explained, else the middle of the longest part.
    """
    if whole:
        return f"chainage {' and '.join(part.said for part in open_parts)} {wall.side}"
    longest = max(open_parts, key=lambda part: part.length_m)
    inside = any(_within(wall.peak_m, part) for part in open_parts)
    at = wall.peak_m if inside else (longest.from_m + longest.length_m / 2) % wall.ring_m
    return f"chainage {at:.1f} m"


def _within(at_m: float, part: Range) -> bool:
    if part.to_m >= part.from_m:
        return part.from_m - 1e-9 <= at_m <= part.to_m + 1e-9
    return at_m >= part.from_m - 1e-9 or at_m <= part.to_m + 1e-9


def minutes_said(minutes: float) -> str:
    """Return minutes as they are read."""
    if minutes >= 90:
        return f"{minutes / 60:.1f} h"
    return f"{max(1, math.ceil(minutes - 1e-9)):d} min"


def listed(names: Sequence[str]) -> str:
    """Return names as a sentence holds them."""
    some = list(dict.fromkeys(names))
    if len(some) > MOST_NAMED:
        some = [*some[:MOST_NAMED], f"{len(some) - MOST_NAMED} more"]
    return some[0] if len(some) == 1 else f"{', '.join(some[:-1])} and {some[-1]}"
