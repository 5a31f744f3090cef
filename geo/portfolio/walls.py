"""Lengths of wall read again and again: what stands of them, and whether a repair held."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from geo.portfolio.entry import Entry
from geo.reference import Reference

WET = ("wet", "drying")
REPAIR_FAILED, SECOND_SOURCE, STILL_DRYING, NEW, NOT_KNOWN = (
    "repair_failed",
    "second_source_missed",
    "still_drying",
    "new",
    "not_known",
)
AGAIN = (REPAIR_FAILED, SECOND_SOURCE, NOT_KNOWN)
"""Verdicts that count as a place wet again after a repair."""
VERDICT_WORDS = {
    REPAIR_FAILED: "the repair failed",
    SECOND_SOURCE: "a second source was missed",
    STILL_DRYING: "still drying",
    NEW: "something new",
    NOT_KNOWN: "not known whether the repair failed or something else wets it",
}
MONTH_DAYS = 365.25 / 12
Place = tuple[str, str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A length of wall as it was last read."""

    from_m: float
    to_m: float
    entry: Entry

    @property
    def share(self) -> float:
        """How much of the length read at once this still is."""
        whole = float(self.entry.get("chainage_to_m", 0.0)) - float(self.entry.get("chainage_from_m", 0.0))
        return (self.to_m - self.from_m) / whole if whole > 0 else 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Walls:
    """How a home's walls stand.

    Parameters
    ----------
    wet_m, unexplained_m
        Lengths not dry when last read, and of them explained by no cause.
    free_water
        Whether free water was shown in any of them.
    growing_m
        Wet length at the last day of readings less that before it; 0 where there was one day only.
    """

    wet_m: float
    unexplained_m: float
    free_water: bool
    growing_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeat:
    """A place that was wet after its repair was finished.

    Parameters
    ----------
    verdict
        ``"repair_failed"``, ``"second_source_missed"``, ``"still_drying"``, ``"new"`` or ``"not_known"``.
    repair_id
        The repair.
    since
        When it was read wet, the first time after it was dry, or the last time while it never was.
    why
        In a sentence, with what would settle it where it is not known.
    rests_on
        Ids of the events.
    """

    verdict: str
    repair_id: str
    since: dt.datetime
    why: str
    rests_on: tuple[str, ...]


def place_of(entry: Entry) -> Place:
    """Return the building, ring and side of an entry."""
    return str(entry.get("building_id")), str(entry.get("ring")), str(entry.get("side", "inside"))


def walls_of(events: Iterable[Entry]) -> Walls:
    """Return how the walls stand after all readings, each holding where it was the last.

    Parameters
    ----------
    events
        Events that stand, in the order they happened; other kinds are left out.
    """
    held: dict[Place, list[Piece]] = {}
    totals: list[float] = []
    day: dt.date | None = None
    for entry in events:
        if entry.kind != "stretch":
            continue
        if day is not None and entry.at.date() != day:
            totals.append(_wet_m(held))
        day = entry.at.date()
        place = place_of(entry)
        held[place] = _over(held.get(place, []), entry)
    if day is None:
        return Walls(wet_m=0.0, unexplained_m=0.0, free_water=False, growing_m=0.0)
    now = _wet_m(held)
    wet = [piece for pieces in held.values() for piece in pieces if piece.entry.get("wetness") in WET]
    unexplained = sum(float(piece.entry.get("unexplained_m", 0.0)) * piece.share for piece in wet)
    return Walls(
        wet_m=round(now, 3),
        unexplained_m=round(unexplained, 3),
        free_water=any(piece.entry.get("free_water") == "yes" for piece in wet),
        growing_m=round(now - totals[-1], 3) if totals else 0.0,
    )


def _over(pieces: list[Piece], entry: Entry) -> list[Piece]:
    """Lay a reading over what was read before."""
    begin, end = float(entry.get("chainage_from_m", 0.0)), float(entry.get("chainage_to_m", 0.0))
    kept: list[Piece] = []
    for piece in pieces:
        if piece.to_m <= begin or piece.from_m >= end:
            kept.append(piece)
            continue
        if piece.from_m < begin:
            kept.append(Piece(from_m=piece.from_m, to_m=begin, entry=piece.entry))
        if piece.to_m > end:
            kept.append(Piece(from_m=end, to_m=piece.to_m, entry=piece.entry))
    kept.append(Piece(from_m=begin, to_m=end, entry=entry))
    return kept


def _wet_m(held: dict[Place, list[Piece]]) -> float:
    return sum(
        piece.to_m - piece.from_m
        for pieces in held.values()
        for piece in pieces
        if piece.entry.get("wetness") in WET
    )


def repeats_of(events: Sequence[Entry], *, ref: Reference) -> tuple[Repeat, ...]:
    """Return what became wet again where a repair was finished.

    Parameters
    ----------
    events
        Events of a home that stand, in the order they happened.
    ref
        ``portfolio.repeat_m``, ``repeat_months``, ``drying_months``, ``explained_m``.

    Notes
    -----
    A place is the same where side and ring are, and the lengths lie within ``repeat_m`` of each other.
    """
    readings = [one for one in events if one.kind == "stretch"]
    if not readings:
        return ()
    found = []
    for at, entry in enumerate(events):
        if (
            entry.kind != "works"
            or entry.get("stage") != "finished"
            or "chainage_from_m" not in entry.payload
        ):
            continue
        if (said := _repeat(entry, events[at + 1 :], readings, ref)) is not None:
            found.append(said)
    return tuple(found)


def _repeat(done: Entry, after: Sequence[Entry], readings: Sequence[Entry], ref: Reference) -> Repeat | None:
    reach = ref.value("portfolio.repeat_m")
    here = [one for one in readings if one.at > done.at and _near(one, done, reach)]
    wet = [one for one in here if one.get("wetness") in WET]
    if not wet:
        return None
    dry = [one for one in here if one.get("wetness") == "dry"]
    again = [one for one in wet if dry and one.at > dry[0].at]
    seen = again[0] if again else wet[-1]
    if not again and dry:
        return None  # wet while it dried, and dry since
    months = (seen.at - done.at).days / MONTH_DAYS
    same, other = _blamed(done, [one for one in after if one.at >= seen.at], reach)
    tested = [
        one for one in after if one.kind == "retest" and one.get("asset_id") == done.get("asset_id") != ""
    ]
    shown = next((one for one in tested if one.get("result") == "positive"), None)
    held_out = next((one for one in reversed(tested) if one.get("result") == "negative"), None)
    left = done.payload.get("unexplained_m")
    missed = left is not None and float(left) >= ref.value("portfolio.explained_m")
    begin, end = float(seen.get("chainage_from_m", 0)), float(seen.get("chainage_to_m", 0))
    where = f"{begin:g}-{end:g} m {seen.get('side', 'inside')}"
    since = f"{months:.0f} months after {_name(done)} was finished"
    wet_again = f"Wet again at {where}, {since}"
    basis = [done.event_id, seen.event_id]

    def told(verdict: str, why: str, *more: Entry | None) -> Repeat:
        rests = (*basis, *(one.event_id for one in more if one is not None))
        return Repeat(
            verdict=verdict, repair_id=str(done.get("repair_id")), since=seen.at, why=why, rests_on=rests
        )

    if months > ref.value("portfolio.repeat_months"):
        most = ref.value("portfolio.repeat_months")
        return told(NEW, f"{wet_again}: more than {most:g} months, taken as a new case.")
    if shown is not None and shown.at >= done.at:
        return told(REPAIR_FAILED, f"{wet_again}, and a test showed water from the same source.", shown)
    if same is not None:
        return told(REPAIR_FAILED, f"{wet_again}, and put down to the same source again.", same)
    if not again and months <= ref.value("portfolio.drying_months"):
        return told(STILL_DRYING, f"Still wet at {where}, {since}, and not read dry since.")
    if missed:
        why = f"{wet_again}: {float(left or 0):g} m was explained by no cause when it was finished."
        return told(SECOND_SOURCE, why, other)
    if other is not None:
        return told(NEW, f"{wet_again}, and put down to another source.", other)
    if held_out is not None and held_out.at >= seen.at:
        return told(NEW, f"{wet_again}; the repaired source was tested since and showed nothing.", held_out)
    unknown = "" if left is not None else " What was left unexplained at the finish was not recorded."
    return told(NOT_KNOWN, f"{wet_again}.{unknown} Test the repaired source again, with enough water.")


def _near(one: Entry, done: Entry, reach: float) -> bool:
    if place_of(one) != place_of(done) or "chainage_from_m" not in one.payload:
        return False
    begin, end = float(done.payload["chainage_from_m"]), float(done.get("chainage_to_m", 0.0))
    return (
        float(one.payload["chainage_from_m"]) <= end + reach
        and float(one.get("chainage_to_m", 0.0)) >= begin - reach
    )


def _blamed(done: Entry, after: Sequence[Entry], reach: float) -> tuple[Entry | None, Entry | None]:
    """Return the last diagnoses of the place: one that names the same source, one that names another."""
    same = other = None
    for one in after:
        if (
            one.kind != "diagnosis"
            or one.get("state") in ("set_aside", "suspected")
            or not _near(one, done, reach)
        ):
            continue
        if one.get("cause") == done.get("cause") and one.get("asset_id") == done.get("asset_id"):
            same = one
        else:
            other = one
    return same, other


def _name(done: Entry) -> str:
    return f"repair {done.get('repair_id')}"
