"""Rises at a fixed point: wetted again, drawn out again when the machines stopped, or not to be told."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geo.drying.machines import Machines
from geo.drying.series import Series, day_said, exact, moments
from geo.moisture.censor import ABOVE, BELOW, NONE
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict

REWET, REBOUND = "wetted again", "rebound"
HELD, ROSE = "held", "rose"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rise:
    """One rise at a fixed point that is no scatter.

    Parameters
    ----------
    point_id, reading_id, from_id
        The point, the reading that rose, and the lowest one before it.
    at, since
        When each was taken.
    rise
        The rise; a bound where a reading is off the scale.
    word
        ``"wetted again"``, ``"rebound"`` (the machines stopped or were moved) or not known.
    because, settle
        What it is held against, and what tells.
    beside
        Ids of rain, use and machines in the same time.
    """

    point_id: str
    reading_id: str
    from_id: str
    at: np.datetime64
    since: np.datetime64
    rise: Measured
    word: str
    because: str
    settle: str
    beside: tuple[str, ...]


def find_rises(
    series: Series, events: pd.DataFrame, machines: Machines, *, ref: Reference
) -> tuple[Rise, ...]:
    """Return the rises of one series of more than ``drying.rewet_sigmas`` of their own sigma.

    Each reading is held against the lowest since the last rise, so a slow climb is found as well. A rise
    after the machines stopped or moved is a rebound; when water came in the same time too, the two cannot
    be told apart.

    Parameters
    ----------
    events
        Records of kind event, indexed by id.
    """
    found: list[Rise] = []
    if len(series) < 2:
        return ()
    least, sigma = ref.value("drying.rewet_sigmas"), math.sqrt(2.0) * series.sigma
    # A value below the scale's end is at most that, one above its top at least that.
    low = np.where(series.censored == ABOVE, np.inf, series.numbers)
    high = np.where(series.censored == BELOW, -np.inf, series.numbers)
    base = 0
    for row in range(1, len(series)):
        if high[row] - low[base] > least * sigma:
            found.append(_rise(series, base, row, sigma, events, machines, ref))
            base = row
        elif low[row] < low[base]:
            base = row
    return tuple(found)


def rebound_check(series: Series, machines: Machines, *, ref: Reference) -> Verdict:
    """Say whether readings held after the machines stopped, ``drying.machines_off_h`` later or more.

    Returns
    -------
    ``"held"``, ``"rose"`` or not known.
    """
    hours = ref.value("drying.machines_off_h")
    settle = f"Switch the machines off and read after {hours:g} h."
    if not len(series) or not machines.known:
        return Verdict(word=NOT_KNOWN, because="no machine is on record", settle=settle)
    stop = machines.last_stop(series.when[-1])
    if np.isnat(stop):
        return Verdict(word=NOT_KNOWN, because="the machines still run", settle=settle)
    good = exact(series)
    before = np.flatnonzero((series.when <= stop) & good)
    waited = np.timedelta64(int(hours * 60), "m")
    after = np.flatnonzero((series.when >= stop + waited) & good)
    if not before.size or not after.size:
        said = "not read " + ("before they stopped" if not before.size else f"{hours:g} h after they stopped")
        return Verdict(word=NOT_KNOWN, because=said, settle="Read it now." if before.size else settle)
    first, last = int(before[-1]), int(after[-1])
    rise, sigma = float(series.numbers[last] - series.numbers[first]), math.sqrt(2.0) * series.sigma
    z = ref.value("confidence.z_95")
    word = ROSE if rise > z * sigma else HELD
    said = f"{rise:+.1f} ± {z * sigma:.1f} {series.unit} since the machines stopped on {day_said(stop)}"
    return Verdict(
        word=word, because=said, margin=rise, sigma=sigma, unit=series.unit,
        rests_on=(series.ids[first], series.ids[last]),
    )  # fmt: skip


def _rise(
    series: Series,
    base: int,
    row: int,
    sigma: float,
    events: pd.DataFrame,
    machines: Machines,
    ref: Reference,
) -> Rise:
    since, at = series.when[base], series.when[row]
    rise = float(series.numbers[row] - series.numbers[base])
    changed = machines.changes(since, at)
    water = events_between(events, since, at, ref=ref)
    rained = ", ".join(_event(name, events.loc[name], ref) for name in water)
    bound = "" if series.censored[base] == series.censored[row] == NONE else "at least "
    said = f"{bound}{rise:+.1f} {series.unit} from {day_said(since)} to {day_said(at)}"
    if changed and water:
        word, because = NOT_KNOWN, f"{said}; the machines were changed ({', '.join(changed)}), and {rained}"
        settle = (
            "Leave the machines as they are, read again in two to four days: a rebound stops, a leak goes on."
        )
    elif changed:
        word, because = REBOUND, f"{said}, after the machines were changed ({', '.join(changed)})"
        settle = "Read again with the machines as they are."
    else:
        word = REWET
        because = f"{said}; {rained}" if water else f"{said}; no rain and no use of water on record then"
        settle = "Stop the clock: find what wetted it, and test the source again."
    return Rise(
        point_id=series.point_id, reading_id=series.ids[row], from_id=series.ids[base], at=at, since=since,
        rise=Measured(rise, sigma), word=word, because=because, settle=settle, beside=(*water, *changed),
    )  # fmt: skip


def events_between(
    events: pd.DataFrame, since: np.datetime64, until: np.datetime64, *, ref: Reference
) -> tuple[str, ...]:
    """Return ids of rain and uses of water that could have wetted something between two moments.

    Rain counts as long as it goes on reaching through a wall, ``drying.rain_days``.
    """
    began, ended = moments(events["began_at"]), moments(events["ended_at"])
    ended = ended.fillna(began)
    after = pd.to_timedelta(
        np.where(events["event_kind"] == "rain", ref.value("drying.rain_days"), 0.0), unit="D"
    )
    hit = began.notna() & (began <= until) & (ended + after > since)
    return tuple(str(name) for name in events.index[hit])


def _event(name: str, event: pd.Series[object], ref: Reference) -> str:
    word = ref.word("event_kind", str(event["event_kind"]))
    rain, used = float(str(event["rain_mm"])), float(str(event["used_l"]))
    amount = f" {rain:g} mm" if math.isfinite(rain) else f" {used:g} l" if math.isfinite(used) else ""
    return f"{word}{amount} ({name})"
