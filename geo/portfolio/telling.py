"""What an event says, as a person reads it."""

from __future__ import annotations

from geo.portfolio.bundle import _in_words
from geo.portfolio.entry import Entry
from geo.reference import Reference


def told_of(entry: Entry, ref: Reference) -> str:
    """Return everything an event says in one line: labels for its words, units for its numbers."""
    return "; ".join(f"{name}: {said}" for name, said in _in_words(entry, ref).items() if said)
