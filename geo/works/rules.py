"""Which repair is done in two goes, what must be there first, and which waits for which, as data."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """A repair done in two goes, with the hold point between them; ``""`` where there is none."""

    repair: str
    first: str
    hold: str
    last: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Enabling:
    """What must be there before some repairs begin, and the consent record that says it is."""

    key: str
    label: str
    consent: str
    before: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """Parts of repairs of which each waits for each; ``where`` is ``site``, ``near`` or ``cause``."""

    first: tuple[str, ...]
    then: tuple[str, ...]
    where: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Apart:
    """Why no kind of repair answers a cause, and who is asked instead."""

    cause: str
    said: str
    call: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """The order of trades as data, and by cause what no kind of repair answers."""

    splits: Mapping[str, Split]
    enabling: tuple[Enabling, ...]
    edges: tuple[Edge, ...]
    groups: Mapping[str, tuple[str, ...]]
    apart: Mapping[str, Apart]


@lru_cache(1)
def default() -> Rules:
    """Return the rules that ship with the tool."""
    raw = tomllib.loads(resources.files("shared").joinpath("repairs.toml").read_text(encoding="utf-8"))
    return Rules(
        splits={entry["repair"]: Split(**entry) for entry in raw["split"]},
        enabling=tuple(Enabling(**{**entry, "before": tuple(entry["before"])}) for entry in raw["enabling"]),
        edges=tuple(
            Edge(
                first=tuple(entry["first"]), then=tuple(entry["then"]), where=entry["where"], why=entry["why"]
            )
            for entry in raw["edge"]
        ),
        groups={entry["name"]: tuple(entry["repairs"]) for entry in raw["group"]},
        apart={entry["cause"]: Apart(**entry) for entry in raw["apart"]},
    )  # fmt: skip
