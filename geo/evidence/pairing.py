"""A source needs a way in, and a way in needs a source: which belong together, and what is missing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from geo.evidence.coverage import Range, Span, both, laid, rolled, total, union
from geo.evidence.support import Support
from geo.evidence.support_board import LEVEL_NO, LEVEL_YES
from geo.weights import MIMIC, ROUTE, SOURCE, Weights

BY_ROUTE, BY_ITSELF, BY_OPEN_LEAF = "by the route", "it brings its own way in", "open outer face, solid wall"
AT_THE_FACE = "it wets the face itself"
MOST_NAMED = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """What pairing has to know of the wall at a stretch.

    Parameters
    ----------
    stretch_id, ring_key, side
        The stretch.
    ring_m
        Length of its ring.
    wet
        Laid straight.
    solid
        Whether it is a solid wall there, as far as recorded.
    open_ids
        Openings and features by which the outer face is open there, or evidence that it is wet.
    peak_m
        Chainage of the highest reading.
    """

    stretch_id: str
    ring_key: str
    side: str
    ring_m: float
    wet: tuple[Span, ...]
    solid: bool
    open_ids: tuple[str, ...]
    peak_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """A source with its way in.

    Parameters
    ----------
    source, route
        Keys of candidates; ``route`` is ``""`` where none is needed, ``source`` where the route feeds itself.
    way
        How it gets in: by the route, by itself, through an open outer face of a solid wall, or not at all
        because it is the outside that is wet.
    by_level
        Whether the route is taken because levels say so rather than by its support.
    reach
        What the two wet together; empty when that is not known.
    rests_on
        Openings or features it gets in by.
    """

    source: str
    route: str
    way: str
    by_level: bool = False
    reach: tuple[Range, ...] = ()
    rests_on: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What half a finding lacks: ``key`` is the candidate, ``said`` what to find out and where."""

    key: str
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Paired:
    """Everything paired at one stretch, what is still asked, and what each accepted cause would wet."""

    pairs: tuple[Pair, ...]
    questions: tuple[Question, ...]
    predicted: Mapping[str, tuple[Span, ...]]


def pair(
    supports: Sequence[Support],
    wall: Wall,
    *,
    accepted: Sequence[str],
    decided: Sequence[str],
    weights: Weights,
) -> Paired:
    """Pair the accepted sources of a stretch with ways in.

    A way in is a route that is accepted, or that levels show open, and whose reach touches the source's; a
    solid wall whose outer face is open there; or the source itself. On an outer face none is needed.

    Parameters
    ----------
    accepted
        Keys of causes that are accepted.
    decided
        Those among them that a person accepted: what they would wet counts even without a way in shown.
    """
    touch = weights.number("pairing.touch_m")
    reach = {each.key: reach_of(each, wall) for each in supports}
    routes = [each for each in supports if each.kind == ROUTE and _open(each, accepted)]
    pairs: list[Pair] = []
    questions: list[Question] = []
    used: set[str] = set()
    for each in supports:
        if each.kind != SOURCE or each.key not in accepted:
            continue
        found = _ways_in(each, routes, reach, wall, accepted, touch, weights)
        pairs += found
        used |= {one.route for one in found}
        if not found:
            questions.append(Question(key=each.key, said=_does_it_get_in(each, reach[each.key], wall)))
    for each in routes:
        if each.key in used or each.key not in accepted:
            continue
        if weights.cause_of[each.candidate.cause].feeds_itself:
            own = rolled(reach[each.key], wall.ring_m)
            pairs.append(Pair(source="", route=each.key, way=BY_ITSELF, reach=own))
        else:
            questions.append(Question(key=each.key, said=_what_feeds(each, supports)))
    # Ground over a course is wet by itself along all of it, whatever else comes in that way.
    whole = [
        each.key
        for each in routes
        if each.key in accepted and weights.cause_of[each.candidate.cause].feeds_itself
    ]
    predicted = _predicted(pairs, reach, wall, [*decided, *whole])
    predicted |= {
        each.key: tuple(reach[each.key])
        for each in supports
        if each.kind == MIMIC and each.key in accepted and reach[each.key]
    }
    return Paired(pairs=tuple(pairs), questions=tuple(questions), predicted=predicted)


def reach_of(each: Support, wall: Wall) -> list[Span]:
    """Return what a cause would wet on the stretch's side of its ring, laid straight."""
    return union(
        span
        for reach in each.candidate.reach
        if reach.ring_key == wall.ring_key and reach.side == wall.side
        for span in laid(reach.from_m, reach.to_m, wall.ring_m)
    )


def meeting_m(source: Sequence[Range], route: Sequence[Range], *, ring_m: float) -> float | None:
    """Return how many metres a source and a route share; none where what one of them wets is not known."""
    if not source or not route:
        return None
    one, other = (
        union(span for part in parts for span in laid(part.from_m, part.to_m, ring_m))
        for parts in (source, route)
    )
    return total(both(one, other))


def _open(route: Support, accepted: Sequence[str]) -> bool:
    """Whether a route is a way in: accepted, or open by levels and not spoken against."""
    return route.key in accepted or (
        LEVEL_YES in route.codes and LEVEL_NO not in route.codes and route.points > 0
    )


def _ways_in(
    source: Support,
    routes: Sequence[Support],
    reach: Mapping[str, Sequence[Span]],
    wall: Wall,
    accepted: Sequence[str],
    touch: float,
    weights: Weights,
) -> list[Pair]:
    own = reach[source.key]
    if wall.side == "outside":
        return [Pair(source=source.key, route="", way=AT_THE_FACE, reach=rolled(own, wall.ring_m))]
    found = []
    for route in routes:
        there = reach[route.key]
        wide = [(a - touch, b + touch) for a, b in own]
        shared = both(own, there)
        if own and there and not total(both(wide, there)):
            continue
        together = (shared or there) if own and there else own or there
        found.append(
            Pair(
                source=source.key, route=route.key, way=BY_ROUTE, by_level=route.key not in accepted,
                reach=rolled(together, wall.ring_m), rests_on=route.rests_on,
            )
        )  # fmt: skip
    if found:
        return found
    if weights.cause_of[source.candidate.cause].way_in == "own":
        return [Pair(source=source.key, route="", way=BY_ITSELF, reach=rolled(own, wall.ring_m))]
    if wall.solid and wall.open_ids:
        return [
            Pair(
                source=source.key, route="", way=BY_OPEN_LEAF, reach=rolled(own, wall.ring_m),
                rests_on=wall.open_ids,
            )
        ]  # fmt: skip
    return []


def _predicted(
    pairs: Sequence[Pair], reach: Mapping[str, Sequence[Span]], wall: Wall, whole: Sequence[str]
) -> dict[str, tuple[Span, ...]]:
    """Return what each paired cause would wet; those of ``whole`` count with all of their own reach."""
    found: dict[str, list[Span]] = {}
    for one in pairs:
        spans = [span for part in one.reach for span in laid(part.from_m, part.to_m, wall.ring_m)]
        name = one.source or one.route
        found[name] = union([*found.get(name, ()), *spans])
    for key in whole:
        if key in reach:
            found[key] = union([*found.get(key, ()), *reach[key]])
    return {key: tuple(spans) for key, spans in found.items() if spans}


def _what_feeds(route: Support, supports: Sequence[Support]) -> str:
    """Ask what feeds a way in, and name the sources that come nearest to it."""
    nearest = [each for each in supports if each.kind == SOURCE and each.points > 0][:MOST_NAMED]
    named = ", ".join(f"{each.short} ({each.word})" for each in nearest)
    return f"What feeds {route.short}? No source is supported" + (f"; nearest: {named}." if named else ".")


def _does_it_get_in(source: Support, own: Sequence[Span], wall: Wall) -> str:
    """Ask whether water of a source gets in, and say where to open up to see."""
    here = both(wall.wet, own) if own else list(wall.wet)
    at = _middle(here or list(wall.wet), wall)
    how = (
        "cut the plaster back and look at the joint of floor and wall"
        if wall.solid
        else "borescope the cavity, then open the joint of floor and wall"
    )
    return f"Does water of {source.short} get in? No way in is shown: at chainage {at:.1f} m {how}."


def _middle(spans: Sequence[Span], wall: Wall) -> float:
    """Return the peak where it lies in the spans, else the middle of the longest."""
    if any(a - 1e-9 <= wall.peak_m <= b + 1e-9 for a, b in spans):
        return wall.peak_m
    a, b = max(spans, key=lambda span: span[1] - span[0])
    return (a + b) / 2
