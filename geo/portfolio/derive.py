"""What follows from a home's events: its keys to sort by, its running clocks, assets, flags, costs.

Everything here is worked out from the events alone, and from no clock on a wall: worked out again it is the
same. What depends on today is asked for when it is shown.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from geo.portfolio.cases import ENGLAND, SOCIAL, Case, cases_of, clocks_of_case, running
from geo.portfolio.clocks import Clock
from geo.portfolio.entry import NOTHING, Entry, standing
from geo.portfolio.periods import Periods
from geo.portfolio.walls import AGAIN, Repeat, repeats_of, walls_of
from geo.reference import Reference

FACTS = (
    "estate",
    "nation",
    "tenure",
    "easting_m",
    "northing_m",
    "built_year",
    "drawing_type",
    "installer",
    "soil",
    "bedrooms_count",
    "site_id",
)
NUMBERS = ("easting_m", "northing_m", "built_year", "bedrooms_count")
UNPROVEN, NO_AIR_LOG = "unproven", "no_air_log"
CONDENSATION, PARTY = "S15", "S19"
Row = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Derived:
    """The rows of one home.

    Parameters
    ----------
    state
        One row of ``home_state``, without what other homes decide (``spread_count``).
    clocks, assets, flags, costs
        Rows of the tables of these names.
    """

    state: Row
    clocks: tuple[Row, ...]
    assets: tuple[Row, ...]
    flags: tuple[Row, ...]
    costs: tuple[Row, ...]


def derive(
    landlord_id: str, home_id: str, entries: Sequence[Entry], *, periods: Periods, ref: Reference
) -> Derived:
    """Work out everything that follows from a home's events.

    Parameters
    ----------
    entries
        All events of the home, corrected ones too, in any order.
    periods, ref
        What dates and places are counted by.
    """
    own: Row = {"landlord_id": landlord_id, "home_id": home_id}
    events = standing(entries)
    facts = _facts(events)
    cases = cases_of(events)
    waiting = [case for case in cases if case.open]
    nation, tenure = facts["nation"] or ENGLAND, facts["tenure"] or SOCIAL
    clocks = [
        (case, clock)
        for case in waiting
        for clock in running(clocks_of_case(case, nation=nation, tenure=tenure, periods=periods))
    ]
    walls = walls_of(events)
    repeats = repeats_of(events, ref=ref)
    costs = tuple(_costs(events, repeats))
    last = max(entries, key=lambda one: one.line) if entries else None
    tries, let_in = _access(events)
    state: Row = {
        **own,
        **facts,
        "open_cases_count": len(waiting),
        "law_due_at": _first_due(clocks, law=True),
        "promise_due_at": _first_due(clocks, law=False),
        "emergency": int(any(_emergency(case) for case in waiting)),
        "electrics": int(any(case.any_yes("electrics") for case in waiting)),
        "sewage": int(any(case.any_yes("sewage") for case in waiting)),
        "vulnerable": int(_flagged(events) or any(case.any_yes("vulnerable") for case in waiting)),
        "bedrooms_affected_count": max((_bedrooms(case) for case in waiting), default=0),
        "wet_m": walls.wet_m,
        "free_water": int(walls.free_water),
        "growing_m": walls.growing_m,
        "unexplained_m": walls.unexplained_m,
        "proven": int(any(_proven(case) for case in waiting)),
        "let_in": let_in,
        "party": int(any(_party(case) for case in waiting)),
        "opened_at": min((case.opened_at for case in waiting), default=None),
        "repeats_count": sum(one.verdict in AGAIN for one in repeats),
        "reports_count": sum(one.kind == "report" for one in events),
        "no_access_count": tries,
        "last_event_at": events[-1].at if events else None,
        "cost_hundredths": sum(row["hundredths"] for row in costs),
        "currency": " ".join(sorted({row["currency"] for row in costs})),
        "events_count": len(entries),
        "head": last.digest if last else NOTHING,
    }
    return Derived(
        state=state,
        clocks=tuple(
            {
                **own,
                "case_id": case.case_id,
                "line": line,
                "period": clock.period.key,
                "label": clock.period.label,
                "by": clock.period.by,
                "due_at": clock.due_at,
                "due_on": "" if clock.due_on is None else clock.due_on.isoformat(),
                "started_by": "" if clock.start is None else clock.start.event_id,
                "assumed": int(clock.assumed),
            }
            for line, (case, clock) in enumerate(clocks)
        ),
        assets=tuple({**own, **row} for row in _assets(events)),
        flags=tuple({**own, "line": line, **row} for line, row in enumerate(_flags(events, repeats, ref))),
        costs=tuple({**own, "line": line, **row} for line, row in enumerate(costs)),
    )


def _facts(events: Sequence[Entry]) -> Row:
    """Return the facts of a home, each as it was last filled in."""
    facts: Row = {name: None if name in NUMBERS else "" for name in FACTS}
    for entry in events:
        if entry.kind == "home":
            facts |= {name: entry.payload[name] for name in FACTS if name in entry.payload}
    return facts


def _first_due(clocks: Sequence[tuple[Case, Clock]], *, law: bool) -> dt.datetime | None:
    dates = [one.due_at for _, one in clocks if one.due_at is not None and (one.period.by == "law") == law]
    return min(dates, default=None)


def _flagged(events: Sequence[Entry]) -> bool:
    said = [
        entry.payload["vulnerable"]
        for entry in events
        if entry.kind == "home" and "vulnerable" in entry.payload
    ]
    return bool(said) and said[-1] == "yes"


def _emergency(case: Case) -> bool:
    """Tell whether a case is of an emergency nobody has recorded as made safe since."""
    if "emergency" not in (case.hazard, case.found):
        return False
    named = [
        one
        for one in case.events
        if one.kind in ("triage", "investigated") and one.get("hazard") == "emergency"
    ]
    safe = case.last("made_safe")
    return safe is None or safe.at < named[-1].at


def _bedrooms(case: Case) -> int:
    last = case.last("triage")
    return 0 if last is None else int(last.get("bedrooms_count", 0) or 0)


def _last_diagnoses(events: Sequence[Entry]) -> list[Entry]:
    """Return the last word on each cause of each asset and place."""
    last: dict[tuple[Any, ...], Entry] = {}
    for one in events:
        if one.kind == "diagnosis":
            key = (
                one.case_id,
                one.get("cause"),
                one.get("asset_id"),
                one.get("ring"),
                one.get("side", "inside"),
            )
            last[key] = one
    return list(last.values())


def _proven(case: Case) -> bool:
    return any(one.get("state") == "proven" for one in _last_diagnoses(case.events))


def _party(case: Case) -> bool:
    return any(
        one.get("cause") == PARTY and one.get("state") in ("supported", "proven")
        for one in _last_diagnoses(case.events)
    )


def _access(events: Sequence[Entry]) -> tuple[int, int]:
    """Return how many tries to get in failed since one did not; and 1, 0, -1: let in, not tried, not."""
    tries = let_in = 0
    for one in events:
        if one.kind == "visit" or (one.kind == "access_attempt" and one.get("result") == "given"):
            tries, let_in = 0, 1
        elif one.kind == "access_attempt":
            tries, let_in = tries + 1, -1
    return tries, let_in


def _assets(events: Sequence[Entry]) -> Iterator[Row]:
    """Return each asset of a home as it was last looked at; not getting to it takes nothing back."""
    last: dict[str, Entry] = {}
    for one in events:
        if one.kind != "asset_look":
            continue
        name = str(one.get("asset_id"))
        seen = one.get("state") in ("failed", "sound")
        if seen or name not in last or last[name].get("state") not in ("failed", "sound"):
            last[name] = one
    for name in sorted(last):
        one = last[name]
        yield {
            "asset_id": name,
            "asset_kind": one.get("asset_kind"),
            "state": one.get("state"),
            "inspected_on": str(one.get("at"))[:10],
            "chosen_by": one.get("chosen_by", "complaint"),
            "pays": one.get("pays"),
            "event_id": one.event_id,
        }


def _flags(events: Sequence[Entry], repeats: Sequence[Repeat], ref: Reference) -> Iterator[Row]:
    """Return what somebody should look at again: repeats, and diagnoses nothing bears out."""
    for again in repeats:
        yield _flag(again.verdict, again.since, again.why, again.rests_on)
    for one in _last_diagnoses(events):
        if one.get("state") not in ("suspected", "supported"):
            continue
        name = one.get("cause") + (f" at {one.get('asset_id')}" if one.get("asset_id") else "")
        most, logged = ref.value("portfolio.air_log_days"), float(one.get("air_log_days", 0) or 0)
        if one.get("cause") == CONDENSATION and logged < most:
            why = f"{name} is {one.get('state')} on {logged:g} days of logged air: log {most:g}."
            yield _flag(NO_AIR_LOG, one.at, why, (one.event_id,))
        elif not _borne_out(one, events):
            why = f"{name} is {one.get('state')}, with no test and no reading since that bears it out."
            yield _flag(UNPROVEN, one.at, why, (one.event_id,))


def _borne_out(said: Entry, events: Sequence[Entry]) -> bool:
    """Tell whether a test of the asset showed water, or the place was read dry after its repair."""
    asset = said.get("asset_id")
    if asset and any(
        one.kind == "retest" and one.get("asset_id") == asset and one.get("result") == "positive"
        for one in events
    ):
        return True
    finished = [
        one
        for one in events
        if one.kind == "works"
        and one.get("stage") == "finished"
        and one.get("cause") == said.get("cause")
        and one.get("asset_id") == asset
    ]
    return any(
        one.kind == "stretch"
        and one.get("wetness") == "dry"
        and one.at > done.at
        and one.case_id == said.case_id
        for done in finished
        for one in events
    )


def _flag(flag: str, since: dt.datetime, why: str, rests_on: Sequence[str]) -> Row:
    return {"flag": flag, "since": since, "said": why, "rests_on": " ".join(rests_on)}


def _costs(events: Sequence[Entry], repeats: Sequence[Repeat]) -> Iterator[Row]:
    """Return money by currency, purpose and cause, in whole hundredths; and of it, on repairs that failed."""
    failed = {one.repair_id for one in repeats if one.verdict == "repair_failed"}
    causes = {
        str(one.get("repair_id")): str(one.get("cause"))
        for one in events
        if one.kind == "works" and one.get("cause")
    }
    sums: dict[tuple[str, str, str], Row] = {}
    for one in events:
        if one.kind != "cost":
            continue
        repair = str(one.get("repair_id"))
        cause = str(one.get("cause")) or causes.get(repair, "")
        key = (str(one.get("currency")), str(one.get("cost_for")), cause)
        row = sums.setdefault(
            key,
            {
                "currency": key[0],
                "cost_for": key[1],
                "cause": cause,
                "hundredths": 0,
                "failed_hundredths": 0,
                "length_m": 0.0,
            },
        )
        amount = int((Decimal(repr(one.get("amount"))) * 100).to_integral_value())
        row["hundredths"] += amount
        row["failed_hundredths"] += amount if repair and repair in failed else 0
        row["length_m"] = round(row["length_m"] + float(one.get("length_m", 0.0) or 0.0), 3)
    yield from (sums[key] for key in sorted(sums))
