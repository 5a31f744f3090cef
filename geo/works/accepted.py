"""The causes a ledger accepts, and the wall each answers for."""

from __future__ import annotations

from geo.evidence.coverage import both, laid, total
from geo.evidence.ledger_kinds import Ledger, StretchLedger
from geo.evidence.support import Support
from geo.weights import ROUTE
from geo.works.measure import House
from geo.works.propose import Accepted


def accepted_of(ledger: Ledger, house: House) -> tuple[Accepted, ...]:
    """Return every accepted cause of every stretch.

    A cause answers for its whole wet stretch; a way in that was recorded over a length answers for that
    length as well, where the two meet.
    """
    found = []
    for stretch in ledger.stretches:
        for key in stretch.accepted:
            support = stretch.support(key)
            start, end = _length(stretch, support, house.ring_length(stretch.ring_key))
            found.append(
                Accepted(
                    cause=support.candidate.cause, of_id=support.candidate.of_id,
                    stretch_id=stretch.stretch_id, ring_key=stretch.ring_key, side=stretch.side,
                    from_m=start, to_m=end, word=support.word,
                )
            )  # fmt: skip
    return tuple(found)


def _length(stretch: StretchLedger, support: Support, ring_m: float) -> tuple[float, float]:
    """Return the wall a cause answers for."""
    start, end = stretch.from_m, stretch.to_m
    if support.kind != ROUTE:
        return start, end
    wet = laid(start, end, ring_m)
    for reach in support.candidate.reach:
        if reach.ring_key != stretch.ring_key or reach.basis != "recorded":
            continue
        if total(both(wet, laid(reach.from_m, reach.to_m, ring_m))) <= 0:
            continue
        before = (start - reach.from_m) % ring_m
        after = (reach.to_m - end) % ring_m
        start = reach.from_m if before < ring_m / 2 else start
        end = reach.to_m % ring_m if after < ring_m / 2 else end
    return start, end
