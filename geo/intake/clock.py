"""A clock's own times on UTC, with those that never were and those that were twice."""

from __future__ import annotations

import re
from datetime import UTC, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd
from numpy.typing import NDArray

FIRST, SECOND, BY_ORDER, REFUSE = "first", "second", "by_order", "refuse"
TWICE = {
    REFUSE: "refuse them",
    BY_ORDER: "by their order: the clock went back and the hour was written twice",
    FIRST: "the first time, before the clock went back",
    SECOND: "the second time, after the clock went back",
}
_FIXED = re.compile(r"(?:UTC|GMT)?([+-])(\d{2}):?(\d{2})")


def zone_of(name: str) -> tzinfo | None:
    """Return a zone by its name, or a fixed one as ``UTC+01:00``; ``None`` where there is none."""
    if name.upper() in ("UTC", "GMT", "Z"):
        return UTC
    match = _FIXED.fullmatch(name.strip().upper())
    if match:
        away = timedelta(hours=int(match[2]), minutes=int(match[3]))
        if away >= timedelta(hours=15) or int(match[3]) > 59:
            return None
        return timezone(-away if match[1] == "-" else away)
    try:
        return ZoneInfo(name.strip())
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


def on_utc(
    local: pd.DatetimeIndex, zone: tzinfo, twice: str
) -> tuple[NDArray[np.datetime64], dict[str, list[int]]]:
    """Turn a clock's times into UTC; name those that never were and those that were twice."""
    plain = local.to_numpy().astype("datetime64[s]")
    early = local.tz_localize(zone, ambiguous=np.ones(len(local), dtype=bool), nonexistent="NaT")
    late = local.tz_localize(zone, ambiguous=np.zeros(len(local), dtype=bool), nonexistent="NaT")
    first = early.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[s]")
    second = late.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[s]")
    never = np.isnat(first)
    both = ~never & (first != second)
    out = first.copy()
    unclear: NDArray[np.bool_] = both.copy()
    if twice == SECOND:
        out[both] = second[both]
        unclear[:] = False
    elif twice == FIRST:
        unclear[:] = False
    elif twice == BY_ORDER and both.any():
        # inside a doubled hour it goes back once: before that it is the first pass, after it the second
        unclear[:] = False
        at = np.flatnonzero(both)
        for block in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1):
            back = np.flatnonzero(np.diff(plain[block]) < np.timedelta64(0, "s"))
            if len(back) != 1:
                unclear[block] = True
            else:
                out[block[back[0] + 1 :]] = second[block[back[0] + 1 :]]
    out[never | unclear] = np.datetime64("NaT")
    return out, {"never": np.flatnonzero(never).tolist(), "twice": np.flatnonzero(unclear).tolist()}
