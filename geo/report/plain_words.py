"""The letter's own words, from ``shared/letter.toml``."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """What is said of a thing, how it is called after that, the cheap first thing to do, and who mends it."""

    said: str
    again: str = ""
    do: str = ""
    trade: str = ""


@lru_cache(1)
def _words() -> dict[str, Any]:
    text = resources.files("shared").joinpath("letter.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def cause_line(cause: str, of_id: str) -> Line | None:
    """Return a cause in plain words; ``None`` for one that has none."""
    entry = _words()["cause"].get(cause)
    if entry is None:
        return None
    named = {key: _named(entry[key], of_id, "") for key in ("said", "again")}
    return Line(**named, trade=entry["trade"])


def seen_line(kind: str, state: str, of_id: str, at: str) -> Line | None:
    """Return what was seen of a thing in plain words; ``None`` where there is nothing to say of it.

    Parameters
    ----------
    at
        Where it is, in plain words, or ``""``.
    """
    entry = _words()["seen"].get(kind, {}).get(state)
    if entry is None:
        return None
    return Line(
        said=_named(entry["said"], of_id, at), do=_named(entry["do"], of_id, at), trade=entry["trade"]
    )


def test_words(test: str, at_id: str) -> str:
    """Return what a test on site is in plain words, or nothing for one that has none."""
    entry = _words()["test"].get(test)
    return _named(entry["said"], at_id, "") if entry is not None else ""


def trade_words(trade: str) -> tuple[str, str]:
    """Return a trade's name and what it is called for."""
    entry = _words()["trade"][trade]
    return str(entry["name"]), str(entry["what"])


def trades() -> tuple[str, ...]:
    """Return every trade, in the order of the file."""
    return tuple(_words()["trade"])


def _named(pattern: str, of_id: str, at: str) -> str:
    """Fill in a name and a place; a name that is not known leaves no gap behind."""
    if not of_id:
        for gap in (" ({id})", ", {id}", " {id}"):
            pattern = pattern.replace(gap, "")
    return pattern.replace("{at}", f" at the {at}" if at else "").replace("{id}", of_id)
