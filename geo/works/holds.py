"""Hold points: what was recorded of each, and whether that lets anything pass."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import pandas as pd

from geo.findings.places import ring_keys
from geo.verdict import Verdict
from geo.works.asked import shared_m
from geo.works.hold_rules import FAILED, JUDGES, NOT_TESTED, PASSED, SETTLE, Checks, Hold
from geo.works.kinds import Asked
from geo.works.measure import House

__all__ = ["FAILED", "NOT_TESTED", "PASSED", "Checks", "Hold", "hold_of", "holds_of"]


def hold_of(hold_point: str, asked: Asked | None, checks: Checks) -> Hold:
    """Judge one hold point of one repair by the records of it.

    The latest record decides, except where a length must be seen whole: then every record since the last
    that failed counts for its own length. A result written down as passed whose numbers are missing or do
    not reach is not known, and says which.
    """
    repair_id = asked.repair_id if asked is not None else ""
    own = _records(hold_point, asked, checks.house)
    verdict, told = _judged(hold_point, own, asked, checks)
    return Hold(
        key=f"{hold_point}:{repair_id}" if repair_id else hold_point,
        hold_point=hold_point,
        repair_id=repair_id,
        label=checks.ref.word("hold_point", hold_point),
        verdict=verdict,
        record_ids=tuple(str(name) for name in own.index),
        told=told,
    )


def _records(hold_point: str, asked: Asked | None, house: House) -> pd.DataFrame:
    """Return the records of a hold point that speak of a repair, oldest first."""
    table = house.site.table("hold_point")
    own = table[table["hold_point"] == hold_point]
    if own.empty or asked is None:
        return own.sort_values("checked_at", kind="stable")
    keys = ring_keys(own, house.site)
    speaks = []
    for name, row in own.iterrows():
        named = row["repair_ids"].split()
        if named:
            speaks.append(asked.repair_id in named)
            continue
        placed = math.isfinite(row["chainage_from_m"]) and math.isfinite(row["chainage_to_m"])
        there = asked.on_wall and placed and keys[name] == asked.ring_key
        speaks.append(bool(there and _shared(asked, row, house) > 0))
    return own[pd.Series(speaks, index=own.index, dtype=bool)].sort_values("checked_at", kind="stable")


def _shared(asked: Asked, row: pd.Series[Any], house: House) -> float:
    length = Asked(
        repair_id="", kind="", ring_key=asked.ring_key, from_m=float(row["chainage_from_m"]),
        to_m=float(row["chainage_to_m"]),
    )  # fmt: skip
    return shared_m(asked, length, house.ring_length(asked.ring_key))


def _judged(
    hold_point: str, own: pd.DataFrame, asked: Asked | None, checks: Checks
) -> tuple[Verdict, tuple[str, ...]]:
    tried = own[own["result"] != "not_tested"]
    if tried.empty:
        said = "nobody recorded it" if own.empty else "recorded as not tested"
        rests = tuple(str(name) for name in own.index)
        return Verdict(word=NOT_TESTED, because=said, settle=SETTLE[hold_point], rests_on=rests), ()
    last = tried.iloc[-1]
    if last["result"] == "failed":
        said = "it failed" + (f" on {last['checked_at'][:10]}" if last["checked_at"] else "")
        verdict = Verdict(
            word=FAILED, because=said, settle="Mend it, and check it again.", rests_on=(str(last.name),)
        )
        return verdict, ()
    failed = [place for place, result in enumerate(tried["result"]) if result == "failed"]
    since = tried.iloc[failed[-1] + 1 :] if failed else tried
    return JUDGES[hold_point](since, asked, checks)


def holds_of(wanted: Sequence[tuple[str, Asked | None]], checks: Checks) -> dict[str, Hold]:
    """Judge every hold point asked for, by its key."""
    found = [hold_of(hold_point, asked, checks) for hold_point, asked in wanted]
    return {hold.key: hold for hold in found}
