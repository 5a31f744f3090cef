"""What people decided of causes: events with reasons, beside the computed word and never in it."""

from __future__ import annotations

import itertools
from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from geo.evidence.coverage import both, laid, total
from geo.evidence.kinds import Candidate
from geo.evidence.support import Support
from geo.site.reasoning_records import Hypothesis

PUT_FORWARD, ACCEPTED, SET_ASIDE, REOPENED = "put_forward", "accepted", "set_aside", "reopened"


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One decision about one cause of one stretch.

    Parameters
    ----------
    id
        Of its record.
    key
        The candidate, as ``S01:G1``.
    state, reason
        What was decided, and why.
    decided_at, decided_by
        When, and by whom, as a role.
    because_ids
        Records it rests on.
    """

    id: str
    key: str
    state: str
    reason: str
    decided_at: str
    decided_by: str
    because_ids: tuple[str, ...]


def decisions_at(
    records: Iterable[Hypothesis], *, ring_key_of: Mapping[str, str], ring_key: str, side: str,
    from_m: float, to_m: float, ring_m: float,
) -> tuple[Decision, ...]:  # fmt: skip
    """Return the decisions that speak of one stretch, the earliest first.

    A decision speaks of a stretch on the same side of the same wall where the two overlap.

    Parameters
    ----------
    records
        In the order they are filed; what has no time stands where it was filed.
    ring_key_of
        Ring of each record, by its id.
    """
    here = laid(from_m, to_m, ring_m)
    found = []
    for place, record in enumerate(records):
        if record.side != side or ring_key_of.get(record.id, "") != ring_key:
            continue
        if not total(both(here, laid(record.chainage_from_m, record.chainage_to_m, ring_m))):
            continue
        key = f"{record.cause}:{record.of_id}" if record.of_id else record.cause
        made = Decision(
            id=record.id, key=key, state=record.state, reason=record.reason, decided_at=record.decided_at,
            decided_by=record.decided_by, because_ids=tuple(record.because_ids.split()),
        )  # fmt: skip
        found.append((_clock(record.decided_at), place, made))
    timed = [entry for entry in found if entry[0]]
    timed.sort(key=lambda entry: (entry[0], entry[1]))
    untimed = [entry for entry in found if not entry[0]]
    return tuple(entry[2] for entry in _woven(timed, untimed))


def _clock(moment: str) -> str:
    """Return a time so that it sorts, that of another offset brought to UTC; ``""`` where there is none."""
    try:
        when = datetime.fromisoformat(moment)
    except ValueError:
        return ""
    return (when.astimezone(UTC) if when.tzinfo else when).replace(tzinfo=None).isoformat()


def _woven(
    timed: list[tuple[str, int, Decision]], untimed: list[tuple[str, int, Decision]]
) -> list[tuple[str, int, Decision]]:
    """Put those without a time where they were filed among those with one."""
    found = list(timed)
    for entry in untimed:
        after = [place for place, other in enumerate(found) if other[1] < entry[1]]
        found.insert(max(after) + 1 if after else 0, entry)
    return found


def decision_record(
    *, key: str, state: str, reason: str, side: str, building_id: str, ring: str, from_m: float,
    to_m: float, at: datetime, by: str, taken: Container[str],
) -> Hypothesis:  # fmt: skip
    """Return the record of a new decision; those before it stay as they are.

    Parameters
    ----------
    key
        The candidate, as ``S01:G1``.
    taken
        Ids there are already; the new one is ``H1``, ``H2`` … by the first that is free.
    """
    cause, _, of_id = key.partition(":")
    free = next(name for count in itertools.count(1) if (name := f"H{count}") not in taken)
    return Hypothesis(
        id=free, side=side, building_id=building_id, ring=ring, cause=cause, of_id=of_id, state=state,
        reason=reason, decided_by=by, decided_at=at.isoformat(timespec="seconds"),
        chainage_from_m=round(from_m, 2), chainage_to_m=round(to_m, 2),
    )  # fmt: skip


def standing(decisions: Sequence[Decision]) -> dict[str, Decision]:
    """Return the decision that holds for each cause: the latest."""
    return {each.key: each for each in decisions}


def put_forward(
    decisions: Sequence[Decision], candidates: Sequence[Candidate], stretch_id: str
) -> list[Candidate]:
    """Return candidates that people put forward without a path, so that they are weighed as well."""
    known = {each.key for each in candidates if each.stretch_id == stretch_id}
    made = []
    for key, each in standing(decisions).items():
        if key in known:
            continue
        cause, _, of_id = key.partition(":")
        who = each.decided_by or "somebody"
        made.append(
            Candidate(
                cause=cause, of_id=of_id, stretch_id=stretch_id, path_ids=(each.id,),
                path=f"put forward by {who}: {each.reason}; no path to it is on record",
            )
        )  # fmt: skip
    return made


def accepted_causes(
    supports: Sequence[Support], decisions: Sequence[Decision]
) -> tuple[list[str], list[str]]:
    """Return the causes that are accepted, and those among them that a person accepted.

    Accepted are those supported or better that nobody set aside, and those a person accepted.
    """
    held = standing(decisions)
    accepted, decided = [], []
    for each in supports:
        said = held.get(each.key)
        if said is not None and said.state == SET_ASIDE:
            continue
        by_hand = said is not None and said.state == ACCEPTED
        if by_hand:
            decided.append(each.key)
        if by_hand or each.holds:
            accepted.append(each.key)
    return accepted, decided
