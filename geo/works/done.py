"""What was done against what was estimated, and what the works were changed by."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from geo.site.model import Site
from geo.works.kinds import NAN, Work

AGREED, NOT_AGREED = "agreed", "not agreed in writing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """One line of one repair: estimated, done, remaining.

    Parameters
    ----------
    estimated, done, remaining
        In ``unit``; ``remaining`` is never below nothing, ``over`` is what was done beyond the estimate. NaN
        where the estimate is not known, or the units differ.
    because
        Why they cannot be compared; ``""`` when they can.
    record_ids
        Records of work done it rests on.
    """

    repair_id: str
    line: str
    unit: str
    estimated: float
    done: float
    remaining: float
    over: float
    because: str
    record_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Variation:
    """A repair that changes or adds to another: why, and whether it was agreed."""

    repair_id: str
    of_id: str
    label: str
    why: str
    agreed: str
    agreed_on: str
    agreed_by: str
    adds: tuple[tuple[str, float, str], ...]


def done_of(works: Sequence[Work], site: Site) -> tuple[Done, ...]:
    """Hold what was done against what was estimated, line by line.

    Every estimated line stands here once something of its repair was done; what was done of a line nobody
    estimated stands here too.
    """
    table = site.table("work_done")
    by_id = {work.repair_id: work for work in works}
    found: list[Done] = []
    for repair_id, rows in table.groupby("repair_id", sort=False):
        work = by_id.get(str(repair_id))
        lines = {line.line.casefold(): line for line in work.lines} if work else {}
        told = {str(cell).casefold() for cell in rows["line"]}
        for name in [*lines, *sorted(told - set(lines))]:
            own = rows[rows["line"].str.casefold() == name]
            line = lines.get(name)
            unit = line.unit if line else str(own["unit"].iloc[0])
            same = own[own["unit"] == unit]
            done = float(same["quantity"].sum())
            estimated = line.net if line else NAN
            because = _because(work is None, line is None, estimated, sorted(set(own["unit"]) - {unit}), unit)
            clear = not because
            found.append(
                Done(
                    repair_id=str(repair_id),
                    line=line.line if line else str(own["line"].iloc[0]),
                    unit=unit,
                    estimated=estimated,
                    done=done,
                    remaining=max(estimated - done, 0.0) if clear else NAN,
                    over=max(done - estimated, 0.0) if clear else NAN,
                    because=because,
                    record_ids=tuple(str(cell) for cell in own["id"]),
                )
            )
    return tuple(found)


def _because(no_work: bool, no_line: bool, estimated: float, other: list[str], unit: str) -> str:
    if no_work:
        return "there is no such repair"
    if no_line:
        return "no such line was estimated: is it a variation?"
    if math.isnan(estimated):
        return "the estimate is not known"
    if other:
        return f"some of it is recorded in {', '.join(other)}, and it was estimated in {unit}"
    return ""


def variations_of(works: Sequence[Work]) -> tuple[Variation, ...]:
    """Return the repairs that change others, with what each adds line by line."""
    found = []
    for work in works:
        asked = work.asked
        if not asked.variation_of_id:
            continue
        agreed = AGREED if asked.agreed_on and asked.agreed_by else NOT_AGREED
        found.append(
            Variation(
                repair_id=asked.repair_id, of_id=asked.variation_of_id, label=work.label, why=asked.why,
                agreed=agreed, agreed_on=asked.agreed_on, agreed_by=asked.agreed_by,
                adds=tuple((line.line, line.net, line.unit) for line in work.lines if line.known),
            )
        )  # fmt: skip
    return tuple(found)
