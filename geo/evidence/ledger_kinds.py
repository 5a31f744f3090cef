"""What the ledger of causes is made of: stretches with their causes, wet places, and the whole."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from geo.evidence.coverage import Cover, Range
from geo.evidence.decisions import Decision
from geo.evidence.next_trial_kinds import Next
from geo.evidence.next_trial_words import listed
from geo.evidence.pairing import Pair, Question
from geo.evidence.robust import Leader
from geo.evidence.support import Support
from geo.evidence.trial_log import TrialRow
from geo.weights import MIMIC, ROUTE, SOURCE, Changed, Weights


@dataclass(frozen=True, slots=True, kw_only=True)
class StretchLedger:
    """Everything about the causes of one wet stretch.

    Parameters
    ----------
    stretch_id, ring_key, side, group
        The stretch, and the method, material, basis and instrument it was read with.
    from_m, to_m, length_m, peak_m
        Chainage; ``to_m`` is below ``from_m`` where it runs through the origin corner.
    wall_type
        ``cavity``, ``solid``, ``frame`` or ``not_known``.
    supports
        Every cause, the best supported first.
    accepted, decided
        Keys of those that count as causes, and of those among them that a person accepted.
    pairs, questions
        Sources with their ways in, and what is still asked of halves.
    coverage
        What the accepted ones explain, and what is left.
    leader, route_leader
        The best supported of sources and mimics, and of ways in, and whether they hold; ``None`` without any.
    decisions
        What people decided, the earliest first.
    next
        What to test next.
    reaches
        By candidate, what it would wet on this side.
    """

    stretch_id: str
    ring_key: str
    side: str
    group: str
    from_m: float
    to_m: float
    length_m: float
    peak_m: float
    wall_type: str
    supports: tuple[Support, ...]
    accepted: tuple[str, ...]
    decided: tuple[str, ...]
    pairs: tuple[Pair, ...]
    questions: tuple[Question, ...]
    coverage: Cover
    leader: Leader | None
    route_leader: Leader | None
    decisions: tuple[Decision, ...]
    next: Next
    reaches: Mapping[str, tuple[Range, ...]] = field(repr=False)

    @property
    def sources(self) -> tuple[Support, ...]:
        """What could give water."""
        return tuple(each for each in self.supports if each.kind == SOURCE)

    @property
    def routes(self) -> tuple[Support, ...]:
        """What could let it past the barrier."""
        return tuple(each for each in self.supports if each.kind == ROUTE)

    @property
    def mimics(self) -> tuple[Support, ...]:
        """What could only read wet."""
        return tuple(each for each in self.supports if each.kind == MIMIC)

    @property
    def is_open(self) -> bool:
        """Whether the case stays open: wet length not explained, or half a finding."""
        return self.coverage.unexplained_m > 0 or bool(self.questions)

    def support(self, key: str) -> Support:
        """Return one cause by its key, as ``S01:G1``."""
        return next(each for each in self.supports if each.key == key)

    @property
    def said(self) -> str:
        """What is found, in a sentence: sources with their ways in, and how far each is proven."""
        ways: dict[str, list[str]] = {}
        for one in self.pairs:
            lead = self.support(one.source or one.route)
            way = f"in by {self.support(one.route).short}" if one.source and one.route else one.way
            ways.setdefault(way, []).append(f"{lead.short} ({lead.word})")
        told = [f"{listed(leads)}: {way}" for way, leads in ways.items()]
        mimics = [each for each in self.mimics if each.key in self.accepted]
        told += [f"{each.short} ({each.word}), which explains readings and is no source" for each in mimics]
        if told:
            return f"{'; '.join(told)}."
        halves = [self.support(one.key) for one in self.questions]
        if halves:
            return f"Half a finding only: {listed([f'{each.short} ({each.word})' for each in halves])}."
        return "No cause is supported yet."


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One wet place as a person sees it: stretches of any method that overlap on one side of one wall.

    Parameters
    ----------
    place_id
        ``P1``, ``P2`` … in the order of the stretches.
    parts
        Its length, stretches that overlap counted once.
    groups
        Method, material, basis and instrument of each stretch; their values are never pooled.
    """

    place_id: str
    ring_key: str
    side: str
    parts: tuple[Range, ...]
    stretch_ids: tuple[str, ...]
    groups: tuple[str, ...]

    @property
    def length_m(self) -> float:
        """Its length, m."""
        return sum(part.length_m for part in self.parts)

    @property
    def seen_by(self) -> str:
        """How many methods saw it."""
        methods = len({group.split("|", 1)[0] for group in self.groups})
        return f"seen by {methods} method{'s' if methods > 1 else ''}"


@dataclass(frozen=True, kw_only=True, eq=False)
class Ledger:
    """The causes of every wet stretch of a site.

    Parameters
    ----------
    stretches
        In order along the walls.
    places
        Stretches that are one wet place to a person.
    next
        What to test next for the whole site.
    trials
        Every test, what it is worth, and what it moved.
    changed, weights
        Weights a practice or the site has changed, and all that are in force.
    site_name, data_version
        What it is of.
    told
        What stands in the way of more: drains that cannot be laid out.
    """

    stretches: tuple[StretchLedger, ...]
    places: tuple[Place, ...]
    next: Next
    trials: tuple[TrialRow, ...]
    changed: tuple[Changed, ...]
    weights: Weights = field(repr=False)
    site_name: str
    data_version: str
    told: tuple[str, ...] = ()

    def __getitem__(self, stretch_id: str) -> StretchLedger:
        """Return one stretch by its id."""
        for each in self.stretches:
            if each.stretch_id == stretch_id:
                return each
        raise KeyError(stretch_id)

    def place_of(self, stretch_id: str) -> Place:
        """Return the wet place a stretch belongs to."""
        return next(place for place in self.places if stretch_id in place.stretch_ids)

    @property
    def unexplained_m(self) -> float:
        """Wet length no accepted cause explains, m; of stretches at one place the longest counts."""
        return sum(
            max(self[name].coverage.unexplained_m for name in place.stretch_ids) for place in self.places
        )

    @property
    def by_unexplained(self) -> tuple[StretchLedger, ...]:
        """The stretches, that with most unexplained length first."""
        return tuple(
            sorted(self.stretches, key=lambda each: (-round(each.coverage.unexplained_m, 2), -each.length_m))
        )

    def document(self) -> dict[str, Any]:
        """Return everything as plain values for JSON."""
        from geo.evidence.ledger_document import ledger_document  # noqa: PLC0415 - it reads this module

        return ledger_document(self)
