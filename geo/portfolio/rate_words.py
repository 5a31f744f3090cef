"""A tail probability in plain words."""

from __future__ import annotations

import math

RARE = 1000
ROUNDED = 2


def chance_said(chance: float) -> str:
    """Say how rarely a group would show so many failures if it were like all homes.

    Parameters
    ----------
    chance
        Exact probability of so many or more, from 0 to 1.
    """
    if not math.isfinite(chance):
        return "not known"
    if chance >= 1 / ROUNDED:
        return "nothing out of the ordinary"
    if chance < 1 / RARE:
        return f"so many in fewer than 1 of {RARE:,} groups like it"
    return f"so many in about 1 of {_rounded(1 / chance):,} groups like it"


def _rounded(value: float) -> int:
    """Return a number to two figures."""
    digits = max(0, math.floor(math.log10(value)) + 1 - ROUNDED)
    return int(round(value / 10**digits) * 10**digits)
