"""What new finds changed: causes that gained or lost, and wet length they explain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from geo.evidence.coverage import Range, Span, both, laid, rolled, total, union
from geo.evidence.ledger_kinds import Ledger, StretchLedger


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """One cause whose word changed: what it was, what it is, and the records that are new to it."""

    key: str
    name: str
    before: str
    after: str
    new_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StretchChange:
    """What changed at one wet stretch.

    Parameters
    ----------
    stretch_id
        As it is named now; ``before_id`` as it was named, ``""`` where nothing was wet there.
    unexplained_before_m, unexplained_m
        Wet length no accepted cause explained, and explains now.
    newly_explained
        Parts that were unexplained and are explained now; ``newly_explained_m`` their length.
    moved
        Causes whose word changed.
    accepted, dropped
        Keys of causes that are accepted now and were not, and the other way about.
    said
        The same in a sentence.
    """

    stretch_id: str
    before_id: str
    ring_key: str
    side: str
    unexplained_before_m: float
    unexplained_m: float
    newly_explained: tuple[Range, ...]
    moved: tuple[Moved, ...]
    accepted: tuple[str, ...]
    dropped: tuple[str, ...]
    said: str

    @property
    def newly_explained_m(self) -> float:
        """Wet length that is explained now and was not, m."""
        return sum(part.length_m for part in self.newly_explained)


def what_changed(before: Ledger, after: Ledger, rings_m: Mapping[str, float]) -> tuple[StretchChange, ...]:
    """Hold two ledgers of one site against one another, before and after something was found.

    Stretches are matched by wall, side and method, and by the wet length they share: their numbers may have
    changed. Only stretches at which something changed are returned, the most newly explained length first.

    Parameters
    ----------
    rings_m
        Length of each ring, m.
    """
    found = []
    for now in after.stretches:
        was = _was(now, before.stretches, rings_m)
        change = _change(was, now, rings_m[now.ring_key])
        if change is not None:
            found.append(change)
    return tuple(sorted(found, key=lambda each: -each.newly_explained_m))


def newly_explained(unexplained_before: Sequence[Span], explained_after: Sequence[Span]) -> list[Span]:
    """Return what was unexplained and is explained now, laid straight."""
    return both(union(unexplained_before), union(explained_after))


def _was(
    now: StretchLedger, stretches: Sequence[StretchLedger], rings_m: Mapping[str, float]
) -> StretchLedger | None:
    """Return the stretch this one was before: of one wall, side and method, sharing most length."""
    alike = [
        each
        for each in stretches
        if (each.ring_key, each.side, each.group) == (now.ring_key, now.side, now.group)
    ]
    ring = rings_m[now.ring_key]
    shared = [total(both(_laid(now, ring), _laid(each, ring))) for each in alike]
    best = max(range(len(alike)), key=lambda i: shared[i], default=-1)
    return alike[best] if best >= 0 and shared[best] > 0 else None


def _laid(stretch: StretchLedger, ring_m: float) -> list[Span]:
    return laid(stretch.from_m, stretch.to_m, ring_m)


def _spans(parts: Sequence[Range], ring_m: float) -> list[Span]:
    return union(span for part in parts for span in laid(part.from_m, part.to_m, ring_m))


def _change(was: StretchLedger | None, now: StretchLedger, ring_m: float) -> StretchChange | None:
    open_before = _laid(now, ring_m) if was is None else _spans(was.coverage.unexplained, ring_m)
    gained = newly_explained(open_before, _spans(now.coverage.explained, ring_m))
    words = {} if was is None else {each.key: each.word for each in was.supports}
    known = {} if was is None else {each.key: set(each.rests_on) for each in was.supports}
    moved = tuple(
        Moved(
            key=each.key, name=each.short, before=words.get(each.key, "not a candidate"), after=each.word,
            new_ids=tuple(name for name in each.rests_on if name not in known.get(each.key, set())),
        )
        for each in now.supports
        if each.word != words.get(each.key, "not a candidate" if each.holds else each.word)
    )  # fmt: skip
    held = () if was is None else was.accepted
    accepted = tuple(key for key in now.accepted if key not in held)
    dropped = tuple(key for key in held if key not in now.accepted)
    before_m = total(open_before)
    if not moved and not accepted and not dropped and abs(before_m - now.coverage.unexplained_m) < 0.005:
        return None
    parts = rolled(gained, ring_m)
    return StretchChange(
        stretch_id=now.stretch_id,
        before_id="" if was is None else was.stretch_id,
        ring_key=now.ring_key,
        side=now.side,
        unexplained_before_m=before_m,
        unexplained_m=now.coverage.unexplained_m,
        newly_explained=parts,
        moved=moved,
        accepted=accepted,
        dropped=dropped,
        said=_said(now, accepted, dropped, before_m, total(gained)),
    )


def _said(
    now: StretchLedger, accepted: Sequence[str], dropped: Sequence[str], before_m: float, gained_m: float
) -> str:
    names = {each.key: each.short for each in now.supports}
    told = []
    if accepted:
        what = " and ".join(names.get(key, key) for key in accepted)
        told.append(f"now accepted: {what}")
    if dropped:
        told.append(f"no longer: {' and '.join(names.get(key, key) for key in dropped)}")
    if gained_m > 0 and before_m > 0:
        told.append(f"this find explains {gained_m:.1f} m of the unexplained {before_m:.1f} m")
    elif now.coverage.unexplained_m > before_m:
        told.append(f"{now.coverage.unexplained_m - before_m:.1f} m more are unexplained")
    elif not accepted and not dropped:
        told.append("this find explains no more of it")
    if now.coverage.unexplained_m > 0:
        told.append(f"{now.coverage.unexplained_m:.1f} m stay unexplained, and the case open")
    return f"{now.stretch_id}: {'; '.join(told)}."
