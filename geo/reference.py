"""Typed access to the reference data in ``shared``: nothing with a source lives anywhere else."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

from geo.errors import InputError, Problem

MOST = 1000
"""A user's value may be this many times the shipped one, or this part of it: more is a slip."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One number that decides something, with where it comes from.

    ``status`` says how far the source was checked: CONFIRMED (read in the source), CONFIRMED-2
    (read in a second document that quotes it), CORROBORATED (remembered and reproduced by a
    published figure), FROM MEMORY, COMMON PRACTICE (no source), JUDGEMENT (this project's own),
    or SETTING (a choice of the tool, not a claim about the world).
    """

    key: str
    value: float
    unit: str
    source: str
    status: str
    note: str = ""
    changed_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """A way of reading moisture, by its physical principle."""

    key: str
    name: str
    principle: str
    unit: str
    basis: str
    depth_mm: str
    scale_min: float
    scale_max: float
    spread: float
    spread_kind: str
    sees: str
    spoiled_by: tuple[str, ...]
    source: str
    status: str


@dataclass(frozen=True, slots=True)
class Reference:
    """Every limit, method and word in force, the user's own changes included."""

    limits: Mapping[str, Limit]
    methods: Mapping[str, Method]
    vocabulary: Mapping[str, Mapping[str, Any]]

    def value(self, key: str) -> float:
        """Return a limit's number, in the unit its key ends with."""
        return self.limit(key).value

    def limit(self, key: str) -> Limit:
        """Return a limit with its source."""
        try:
            return self.limits[key]
        except KeyError:
            raise KeyError(f"no limit {key!r} in shared/limits.toml") from None

    def word(self, group: str, key: str, field: str = "label") -> str:
        """Return the plain word for a key, or the key itself where none is given."""
        entry = self.vocabulary.get(group, {}).get(key, {})
        return str(entry.get(field, key)) if isinstance(entry, Mapping) else str(entry)

    def with_changes(self, path: Path) -> Reference:
        """Return a copy in which a user's ``limits.toml`` replaces values it names.

        Raises
        ------
        InputError
            When the file is not TOML, names a limit that does not exist, or gives no number that it could be.
        """
        try:
            raw = tomllib.loads(path.read_text(encoding="utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise InputError([_bad_toml(path, error)]) from None
        problems = [
            Problem(
                file=path.name,
                column=room,
                found=f"{room} is not a table",
                allowed="tables and keys as in shared/limits.toml",
                mend=f"Write [{room}] on a line of its own, and the keys below it.",
            )
            for room, names in raw.items()
            if not isinstance(names, Mapping)
        ]
        changed = dict(self.limits)
        for key, entry in _entries(raw):
            value = entry.get("value") if isinstance(entry, Mapping) else entry
            if key not in self.limits:
                problems.append(
                    Problem(
                        file=path.name,
                        column=key,
                        found=f"no limit is called {key!r}",
                        allowed="a key of shared/limits.toml or shared/repairs.toml",
                        mend="Correct the key or take the entry out.",
                    )
                )
            elif isinstance(value, bool) or not isinstance(value, int | float):
                problems.append(
                    Problem(
                        file=path.name,
                        column=key,
                        found=f"{value!r} is not a number",
                        allowed=f"a number in {self.limits[key].unit or 'no unit'}",
                        mend="Write value = NUMBER.",
                    )
                )
            elif said := _out_of_range(self.limits[key], float(value)):
                problems.append(
                    Problem(
                        file=path.name,
                        column=key,
                        found=f"{value:g}",
                        allowed=said,
                        mend="Write a number in that range, or take the entry out.",
                    )
                )
            else:
                changed[key] = replace(self.limits[key], value=float(value), changed_by=path.name)
        if problems:
            raise InputError(problems)
        return replace(self, limits=changed)


@lru_cache(1)
def default() -> Reference:
    """Return the reference data that ships with the tool."""
    limits = {
        key: Limit(key=key, **{**entry, "value": float(entry["value"])})
        for name in ("limits", "repairs")
        for key, entry in _entries(_shipped(name))
    }
    methods = {
        key: Method(key=key, **{**entry, "spoiled_by": tuple(entry.get("spoiled_by", ()))})
        for key, entry in _shipped("methods").items()
    }
    return Reference(limits, methods, _shipped("vocabulary"))


def _shipped(name: str) -> dict[str, Any]:
    text = resources.files("shared").joinpath(f"{name}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _entries(raw: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """Yield ``room.name`` keys of a two-level table."""
    for room, names in raw.items():
        for name, entry in names.items() if isinstance(names, Mapping) else ():
            yield f"{room}.{name}", entry


def _out_of_range(limit: Limit, value: float) -> str:
    """Say what a limit may be, or ``""`` when the value is: of its sign, and no more than MOST times it."""
    low = 0.0 if limit.value <= 0 else limit.value / MOST
    high = MOST * limit.value if limit.value > 0 else float(MOST)
    if math.isfinite(value) and low <= value <= high:
        return ""
    return f"a number from {low:g} to {high:g} {limit.unit} (shipped: {limit.value:g})"


def _bad_toml(path: Path, error: Exception) -> Problem:
    return Problem(
        file=path.name,
        found=f"not readable as TOML ({error})",
        allowed="a TOML file in UTF-8",
        mend="Correct the line named, or start again from a blank template.",
    )
