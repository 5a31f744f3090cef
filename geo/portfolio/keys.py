"""What homes may be put in order by: each key openly, none of them mixed with another."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from geo.errors import InputError, Problem
from geo.portfolio.counting import local_day
from geo.portfolio.periods import Nation


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One thing homes are put in order by.

    Parameters
    ----------
    name, column
        Its name, and the column of ``home_state`` it reads.
    label
        In words.
    first
        ``"most"`` or ``"earliest"``: what comes first unless turned round.
    said
        How a value is told, with ``{}`` for it; ``""`` for a flag, told by its label where it is set.
    due
        Whether it is a moment something runs out, not one something happened.
    """

    name: str
    column: str
    label: str
    first: str
    said: str = ""
    due: bool = False

    @property
    def descending(self) -> bool:
        """Whether larger values come first."""
        return self.first == "most"

    @property
    def ends(self) -> tuple[str, str]:
        """What comes first, and what does once it is turned round, in words."""
        if self.first == "earliest":
            return ("earliest", "latest") if self.due else ("oldest", "newest")
        if self.first == "most" and not self.said and self.name != "let_in":
            return "those with it", "those without"
        return {"let_in": ("let in", "not let in")}.get(self.name, ("most", "least"))

    def tell(self, value: Any, nation: Nation, now: dt.datetime) -> str:
        """Say a home's value, ``""`` where there is nothing to say."""
        if value is None or (not isinstance(value, dt.datetime) and not value and self.name != "let_in"):
            return ""
        if isinstance(value, dt.datetime):
            return self.said.format(
                _due(value, nation, now) if self.due else f"{local_day(value, nation):%a %d %b %Y}"
            )
        if self.name == "let_in":
            return {1: "let in last time", 0: "", -1: "not let in last time"}[int(value)]
        if not self.said:
            return self.label
        shown = value / 100 if self.column == "cost_hundredths" else value
        return self.said.format(f"{shown:,.2f}" if self.column == "cost_hundredths" else f"{shown:g}")


KEYS = {
    key.name: key
    for key in (
        Key(
            name="law", column="law_due_at", label="date by law", first="earliest", said="by law {}", due=True
        ),
        Key(
            name="promise",
            column="promise_due_at",
            label="date promised",
            first="earliest",
            said="promised {}",
            due=True,
        ),
        Key(name="emergency", column="emergency", label="emergency, not made safe", first="most"),
        Key(name="electrics", column="electrics", label="electrics wet", first="most"),
        Key(name="sewage", column="sewage", label="sewage in the home", first="most"),
        Key(name="vulnerable", column="vulnerable", label="somebody at higher risk", first="most"),
        Key(
            name="bedrooms",
            column="bedrooms_affected_count",
            label="bedrooms affected",
            first="most",
            said="{} bedrooms affected",
        ),
        Key(name="wet", column="wet_m", label="wet length", first="most", said="{} m wet"),
        Key(name="free_water", column="free_water", label="free water shown", first="most"),
        Key(
            name="growing",
            column="growing_m",
            label="growth since the last reading",
            first="most",
            said="{} m more than before",
        ),
        Key(
            name="unexplained",
            column="unexplained_m",
            label="wet length unexplained",
            first="most",
            said="{} m unexplained",
        ),
        Key(name="proven", column="proven", label="source proven", first="most"),
        Key(name="let_in", column="let_in", label="access", first="most"),
        Key(
            name="spread",
            column="spread_count",
            label="other homes its failed assets serve",
            first="most",
            said="failed asset serves {} more",
        ),
        Key(name="party", column="party", label="through a party wall", first="most"),
        Key(name="age", column="opened_at", label="age of the case", first="earliest", said="open since {}"),
        Key(
            name="repeats",
            column="repeats_count",
            label="wet again after a repair",
            first="most",
            said="{} wet again after repair",
        ),
        Key(name="reports", column="reports_count", label="reports", first="most", said="{} reports"),
        Key(
            name="no_access",
            column="no_access_count",
            label="tries to get in that failed",
            first="most",
            said="{} tries to get in failed",
        ),
        Key(
            name="quiet",
            column="last_event_at",
            label="longest without an event",
            first="earliest",
            said="nothing since {}",
        ),
        Key(name="cost", column="cost_hundredths", label="spent to date", first="most", said="{} spent"),
    )
}
USUAL = (
    "law",
    "emergency",
    "electrics",
    "sewage",
    "vulnerable",
    "wet",
    "free_water",
    "proven",
    "spread",
    "age",
)
"""The order before anybody chose one: what the law dates, persons, extent, what can be done, spread, age."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sort:
    """One key as a user chose it."""

    key: Key
    turned: bool = False

    @property
    def descending(self) -> bool:
        """Whether larger values come first."""
        return self.key.descending != self.turned


def sorts_of(names: Sequence[str], *, hidden: frozenset[str] = frozenset()) -> tuple[Sort, ...]:
    """Return keys by name, in order; a name with ``-`` before it is turned round.

    Parameters
    ----------
    hidden
        Columns the viewer is not shown, and may not sort by.

    Raises
    ------
    InputError
        When there is no such key, or it stands twice.
    """
    sorts: list[Sort] = []
    problems = []
    for name in names:
        key = KEYS.get(name.removeprefix("-"))
        if key is None or key.column in hidden:
            known = ", ".join(one.name for one in KEYS.values() if one.column not in hidden)
            problems.append(_problem(name, "no such key", known))
        elif any(one.key is key for one in sorts):
            problems.append(_problem(name, "stands twice", "each key once"))
        else:
            sorts.append(Sort(key=key, turned=name.startswith("-")))
    if problems:
        raise InputError(problems)
    return tuple(sorts)


def _problem(name: str, found: str, allowed: str) -> Problem:
    return Problem(file="order", column=name[:40], found=found, allowed=allowed, mend="Take it out.")


def _due(value: dt.datetime, nation: Nation, now: dt.datetime) -> str:
    """Return the last day of what is due, its hour where it has one, and whether it has passed."""
    day = local_day(value - dt.timedelta(microseconds=1), nation)
    hour = f" {value.astimezone(ZoneInfo(nation.zone)):%H:%M}".replace(" 00:00", "")
    return f"{day:%a %d %b %Y}{hour}{' (passed)' if value <= now else ''}"
