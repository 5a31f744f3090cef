"""From when on falling readings are drying: not before the source is proven stopped."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from geo.drying.series import day_said, moment
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Verdict

STOPPED, OPEN = "stopped", "open"
SEEPAGE = "seepage with the source open"
NEVER = np.datetime64("NaT")
RETEST = "Test the source again with enough water, see nothing, and record it as hold point HP2."


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopping:
    """One thing on record that opened a source or proved it stopped.

    Parameters
    ----------
    at
        When.
    source
        What it speaks of; ``""`` for every source of its length.
    stops
        True where it proves it stopped, False where it shows it open.
    said
        In words.
    rests_on
        Record ids.
    ring_key, from_m, to_m
        Wall it speaks for; ``""`` for the whole site.
    """

    at: np.datetime64
    source: str
    stops: bool
    said: str
    rests_on: tuple[str, ...]
    ring_key: str = ""
    from_m: float = math.nan
    to_m: float = math.nan

    def reaches(self, ring_key: str, chainage_m: float, length_m: float, near_m: float) -> bool:
        """Whether it speaks of a place; a place or a length that is not known is reached."""
        if not self.ring_key or not ring_key or math.isnan(chainage_m) or math.isnan(self.from_m):
            return True
        if self.ring_key != ring_key:
            return False
        run = (self.to_m - self.from_m) % length_m if length_m > 0 else self.to_m - self.from_m
        ahead = (chainage_m - self.from_m) % length_m if length_m > 0 else chainage_m - self.from_m
        return ahead <= run + near_m or length_m - ahead <= near_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """When the drying of one place began to count.

    Parameters
    ----------
    starts
        When its sources were proven stopped; not-a-time while they are not.
    verdict
        ``"stopped"``, ``"open"`` or not known, with what would settle it.
    """

    starts: np.datetime64
    verdict: Verdict

    @property
    def running(self) -> bool:
        """Whether it runs."""
        return not bool(np.isnat(self.starts))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sources:
    """Everything on record about sources open and stopped, in order of time, and rings' lengths."""

    events: tuple[Stopping, ...]
    unproven: tuple[str, ...]
    lengths: Mapping[str, float] = field(default_factory=dict)


def sources_of(
    trials: pd.DataFrame,
    words: Mapping[str, str],
    holds: pd.DataFrame,
    hold_rings: pd.Series[str],
    *,
    questioned: frozenset[str],
    places: pd.DataFrame | None,
    lengths: Mapping[str, float],
) -> Sources:
    """Gather what proves sources open or stopped.

    A test opens its source where its water came to the wall: what is seen in a chamber only proves a
    run. A silent test stops only a source that was in question, and only where it was big enough.

    Parameters
    ----------
    trials
        Records of kind trial, indexed by id.
    words
        Judged word of each test: ``positive``, ``negative, and big enough`` …
    holds, hold_rings
        Records of kind hold_point, and the ring each belongs to.
    questioned
        Sources that repairs are for or that were accepted as causes.
    places
        Where tests showed, with ``ring_key`` and ``chainage_m``; ``None`` when none is placed.
    lengths
        Length of each ring, m.
    """
    found, unproven = _of_trials(trials, words, questioned, places)
    for name, hold in holds[holds["hold_point"] == "hp2"].iterrows():
        stopping, why = _of_hold(str(name), hold, str(hold_rings[name]), words)
        if stopping is not None:
            found.append(stopping)
        if why:
            unproven.append(why)
    return Sources(
        events=tuple(sorted(found, key=lambda one: (one.at, one.stops))),
        unproven=tuple(unproven),
        lengths=lengths,
    )


def clock_of(sources: Sources, ring_key: str, chainage_m: float, *, ref: Reference) -> Clock:
    """Say whether and when the sources of one place were proven stopped.

    Parameters
    ----------
    ring_key, chainage_m
        The place; ``""`` and NaN where it belongs to no wall.
    """
    far, close = ref.value("drying.source_near_m"), ref.value("moisture.read_reach_m")
    length = float(sources.lengths.get(ring_key, math.nan))
    own = [
        one
        for one in sources.events
        if one.reaches(ring_key, chainage_m, length, close if one.stops else far)
    ]
    open_: dict[str, Stopping] = {}
    last: Stopping | None = None
    for one in own:
        if not one.stops:
            open_[one.source] = one
        elif not one.source:
            open_.clear()
            last = one
        else:
            open_.pop(one.source, None)
            last = one
    rests = tuple(dict.fromkeys(name for one in own for name in one.rests_on))
    if open_:
        said = "; ".join(one.said for one in open_.values())
        verdict = Verdict(word=OPEN, because=said, settle=RETEST, rests_on=rests)
        return Clock(starts=NEVER, verdict=verdict)
    if last is None:
        said = "; ".join(("no source was tested again and proven stopped", *sources.unproven))
        return Clock(
            starts=NEVER, verdict=Verdict(word=NOT_KNOWN, because=said, settle=RETEST, rests_on=rests)
        )
    return Clock(starts=last.at, verdict=Verdict(word=STOPPED, because=last.said, rests_on=last.rests_on))


def _of_trials(
    trials: pd.DataFrame, words: Mapping[str, str], questioned: frozenset[str], places: pd.DataFrame | None
) -> tuple[list[Stopping], list[str]]:
    found, unproven = [], []
    order = trials.assign(at=[moment(text) for text in trials["started_at"]]).sort_values("at", kind="stable")
    asked = set(questioned)
    for name, trial in order.iterrows():
        source, word, at = str(trial["source_id"]), words.get(str(name), ""), trial["at"]
        to_the_wall = not trial["shown_id"] and trial["trial_kind"] != "tracing"
        if pd.isna(at):
            continue
        day = day_said(at)
        if word == "positive" and to_the_wall:
            asked.add(source)
            ring, chainage = _shown_at(str(name), places)
            found.append(
                Stopping(
                    at=at.to_datetime64(), source=source, stops=False, ring_key=ring, from_m=chainage,
                    to_m=chainage, said=f"{source} still fed it in test {name} on {day}",
                    rests_on=(str(name), source),
                )
            )  # fmt: skip
        elif source in asked and (word.startswith("negative") or word == "holds"):
            said = f"{source} tested on {day} with enough water, nothing shown ({name})"
            found.append(
                Stopping(
                    at=at.to_datetime64(), source=source, stops=True, said=said, rests_on=(str(name), source)
                )
            )
        elif source in asked and word:
            unproven.append(f"test {name} of {source} proves nothing: {word}")
    return found, unproven


def _of_hold(
    name: str, hold: pd.Series[object], ring_key: str, words: Mapping[str, str]
) -> tuple[Stopping | None, str]:
    at, trial = moment(str(hold["checked_at"])), str(hold["trial_id"])
    if pd.isna(at):
        return None, f"hold point {name} has no date"
    start, end = float(str(hold["chainage_from_m"])), float(str(hold["chainage_to_m"]))
    whole = math.isnan(start) or math.isnan(end)
    given: dict[str, Any] = {"at": at.to_datetime64(), "source": "", "from_m": start, "to_m": end}
    given["ring_key"] = "" if whole else ring_key
    day = day_said(at)
    if hold["result"] == "failed":
        said = f"hold point {name} failed on {day}: the source still runs"
        return Stopping(**given, stops=False, said=said, rests_on=(name,)), ""
    if hold["result"] != "passed":
        return None, f"hold point {name} was not tested"
    if not trial:
        return None, f"hold point {name} names no test with its litres"
    word = words.get(trial, "")
    if not (word.startswith("negative") or word == "holds"):
        return None, f"hold point {name} rests on test {trial}, which says: {word or 'nothing'}"
    said = f"source tested again on {day}, nothing shown with enough water ({name}, {trial})"
    return Stopping(**given, stops=True, said=said, rests_on=(name, trial)), ""


def _shown_at(name: str, places: pd.DataFrame | None) -> tuple[str, float]:
    if places is None or name not in places.index:
        return "", math.nan
    place = places.loc[name]
    return str(place["ring_key"]), float(place["chainage_m"])
