"""What is not known, and the cheapest measurement that would end it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geo.verdict import NOT_KNOWN

TOUCHING_M = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """One thing the report would have to call not known.

    Parameters
    ----------
    what
        In a few words, what is missing.
    where
        Ring and chainage, or the record's id.
    why
        What it keeps from being said.
    settle
        The cheapest measurement that would end it.
    minutes
        How long that usually takes on site.
    ring_key, chainage_from_m, chainage_to_m
        Its place along the wall, where it has one (``""`` and NaN otherwise).
    """

    what: str
    where: str
    why: str
    settle: str
    minutes: float
    ring_key: str = ""
    chainage_from_m: float = float("nan")
    chainage_to_m: float = float("nan")


def unread_gaps(unread: pd.DataFrame, *, minutes_per_reading: float, spacing_m: float) -> Iterator[Gap]:
    """Say which lengths of wall nobody read."""
    for row in unread.itertuples():
        where = _where(str(row.ring_key), float(row.chainage_from_m), float(row.chainage_to_m))
        barred = str(row.reason) != "not looked"
        count = max(1, round(float(row.length_m) / spacing_m))
        readings = "one place" if count == 1 else f"{count} places"
        yield Gap(
            what=f"{row.side} wall not read ({row.reason})",
            where=where,
            why="whether this length is wet is not known: unread is not dry",
            settle=f"get access, then read {readings}" if barred else f"read {readings}",
            minutes=count * minutes_per_reading + (15 if barred else 0),
            ring_key=str(row.ring_key),
            chainage_from_m=float(row.chainage_from_m),
            chainage_to_m=float(row.chainage_to_m),
        )


def verdict_gaps(
    table: pd.DataFrame, stations: pd.DataFrame, *, what: str, why: str, minutes: float
) -> Iterator[Gap]:
    """Say where along the wall an answer is not known, neighbours with one reason drawn together."""
    unknown = table.loc[table["verdict"] == NOT_KNOWN, ["station_id", "because", "settle"]]
    place = stations.set_index("station_id")[["ring_key", "chainage_from_m", "chainage_to_m"]]
    rows = unknown.join(place, on="station_id").sort_values(["ring_key", "chainage_from_m"])
    if rows.empty:
        return
    kind, key = _kind(rows["because"]).to_numpy(), rows["ring_key"].to_numpy()
    start, end = (rows[name].to_numpy(dtype=np.float64) for name in ("chainage_from_m", "chainage_to_m"))
    follows = (key[1:] == key[:-1]) & (np.abs(start[1:] - end[:-1]) <= TOUCHING_M) & (kind[1:] == kind[:-1])
    cuts = (np.flatnonzero(~follows) + 1).tolist()
    because, settle = rows["because"].to_numpy(), rows["settle"].to_numpy()
    for first, after in zip([0, *cuts], [*cuts, len(rows)], strict=True):
        begin, stop = float(start[first]), float(end[after - 1])
        yield Gap(
            what=what,
            where=_where(str(key[first]), begin, stop),
            why=f"{why}: {because[first]}",
            settle=str(settle[first + (after - first) // 2]),
            minutes=minutes * (after - first),
            ring_key=str(key[first]),
            chainage_from_m=begin,
            chainage_to_m=stop,
        )


def _kind(reasons: pd.Series[str]) -> pd.Series[str]:
    """Return a reason without its numbers, so that neighbours with one reason are one gap."""
    return reasons.str.replace(r"[-+]?\d+(\.\d+)?", "#", regex=True)


def _where(ring_key: str, start: float, end: float) -> str:
    return f"{ring_key}, chainage {abs(round(start, 1)):.1f}-{end:.1f}"
