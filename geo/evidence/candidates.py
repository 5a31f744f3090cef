"""What could feed, pass or imitate each wet stretch: everything with a physical path to it, and no more."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from geo.evidence.candidates_fabric import NO, Length
from geo.evidence.candidates_laid import Apart, Laid, lay_out_evidence
from geo.evidence.candidates_sources import Source, records_of
from geo.evidence.candidates_spills import Spill, nodes_above
from geo.evidence.candidates_wet import Wet
from geo.evidence.kinds import Candidate, Reach
from geo.evidence.reaches import apart_m, clipped, on_ring, touches
from geo.findings.drain_answer import Drains
from geo.findings.examine import Findings
from geo.verdict import NOT_KNOWN

MOST_NAMED = 3
OWN_LENGTH = ("S17", "S18", "S20", "S21")
"""Causes that, recorded over a length of wall, act on that length: no path leads further along the wall."""
BY_CONDUCTION = ("resistance_wood", "resistance_masonry", "capacitance", "microwave")
"""Ways of reading that foil, metal, bitumen or salts can mislead."""


def candidates_of(found: Findings, drains: Drains | None) -> tuple[Candidate, ...]:
    """List for every wet stretch what could feed it, pass the barrier there, or imitate it.

    A source outdoors is listed where it lies within ``evidence.path_m`` of the peak along the outer face,
    never past a party wall; a stopped run or soakaway where the water it would let out comes that near, or
    fills a cavity that reaches there. Routes are listed where that part of the wall exists, sources that need
    no record wherever they could be, and what only reads wet wherever it could mislead.

    Parameters
    ----------
    drains
        The site's drains laid out; ``None`` where they cannot be: nothing is then said of what backs up.

    Returns
    -------
    In order of stretch, cause and record. ``of_id`` is the gully, downpipe, gutter, fixture, chamber, run,
    soakaway, service or feature; for S11 the floor or finish, for S12 the length of cavity; ``""`` for the
    ground (S08, S09), rise (S10), a wall face, pipe, mimic, groundwater or party wall nobody recorded. What a
    candidate would wet is given on the side of its stretch.
    """
    if not len(found.stretches):
        return ()
    laid = lay_out_evidence(found, drains)
    made: list[Candidate] = []
    for i, one in enumerate(laid.wet):
        own: dict[str, Candidate] = {}
        for candidate in (*_sources(laid, i, one), *_stopped(laid, i, one), *_undecided(laid, one),
                          *_ground(laid, one), *_routes(laid, one), *_unrecorded(laid, one),
                          *_mimics(one)):  # fmt: skip
            kept = own.get(candidate.key)
            if kept is None or (candidate.reach and not kept.reach):
                own[candidate.key] = candidate
        made += sorted(own.values(), key=lambda each: (each.cause, each.of_id))
    return tuple(made)


def along_said(distance_m: float, at_m: float, ring_m: float, *, indoors: bool = False) -> str:
    """Say how far something is from a peak, and along what."""
    way = "along the wall inside" if indoors else "along the outside"
    return f"at chainage {at_m % ring_m:.2f} m, {distance_m:.1f} m {way}"


def _sources(laid: Laid, i: int, one: Wet) -> Iterator[Candidate]:
    """Yield what is recorded near enough by path."""
    most = laid.limit("path_m")
    for source, gap in zip(laid.sources, laid.apart[i], strict=True):
        if source.ring_key != one.ring_key or not gap.distance_m <= most:
            continue
        if source.indoors and not one.inside and not source.length:
            continue  # what leaks indoors is not led through the wall
        if source.cause in ("S05", "S07", "S13", "S14", "S20") and gap.distance_m > laid.limit("off_wall_m"):
            continue  # these reach no further along a wall
        if source.kind == "opening" and gap.distance_m > laid.limit("near_m"):
            continue  # a window further along the wall is another part of the face
        if source.cause in OWN_LENGTH and not _over_own(laid, one, source):
            continue  # a length of lining, retained ground or chimney acts where it is
        ended = ""
        span = _span_of(source, gap)
        if not source.indoors:
            span, cut = clipped(span, gap.at_m, laid.arcs.get(one.ring_key, ()), one.ring_m)
            ended = "its wet length ends at a party line" if cut else ""
        yield Candidate(
            cause=source.cause, of_id=source.of_id, stretch_id=one.stretch_id,
            path=f"{source.said} {along_said(gap.distance_m, gap.at_m, one.ring_m, indoors=source.indoors)}",
            path_ids=(source.of_id,), reach=_reaches(laid, one, source, span), stops=ended,
            supposed=source.supposed,
            distance_m=_to_water(laid, one, source.of_id, gap.distance_m)
            if source.cause in ("S01", "S07")
            else gap.distance_m,
        )  # fmt: skip
    yield from _neighbours(laid, one)


def _over_own(laid: Laid, one: Wet, source: Source) -> bool:
    """Whether a source that acts on its own length alone lies on a stretch, and on its side of the wall."""
    if source.indoors and not one.inside and source.cause != "S18":
        return False
    return any(touches(one.span, tuple(part), one.ring_m, laid.limit("beside_m")) for part in source.at)


def _span_of(source: Source, gap: Apart) -> tuple[float, float]:
    """Return what a source would wet: its own length where it has one, else so far either side of it."""
    if source.length:
        a, b = float(source.at[0, 0]), float(source.at[0, 1])
        shift = gap.at_m - min(max(gap.at_m, a), b)
        return a - source.half_m + shift, b + source.half_m + shift
    return gap.at_m - source.half_m, gap.at_m + source.half_m


def _reaches(laid: Laid, one: Wet, source: Source, span: tuple[float, float]) -> tuple[Reach, ...]:
    """Return what a source would wet on the side of a stretch: by levels where its water was followed."""
    if source.cause in ("S01", "S07") and source.of_id in laid.spills:
        by_levels = _spill_reach(laid.spills[source.of_id], one)
        if by_levels:
            usual = on_ring(one.ring_key, one.side, span, one.ring_m, "usual")
            return (*by_levels, usual)
    basis = "recorded" if source.length else "usual"
    return (on_ring(one.ring_key, one.side, span, one.ring_m, basis),)


def _spill_reach(spill: Spill, one: Wet) -> tuple[Reach, ...]:
    """Return what spilled water would wet by levels: the wall its pool stands at, and the cavity it fills."""
    if spill.ring_key != one.ring_key:
        return ()
    spans: list[tuple[float, float]] = []
    if spill.wets is not None and spill.pool_known and (not one.inside or spill.enters != NO):
        spans.append(spill.wets)
    if one.inside:
        spans += [(a, b) for a, b, _ in spill.tanks if math.isfinite(a + b)]
    return tuple(on_ring(one.ring_key, one.side, span, one.ring_m, "levels") for span in spans)


def _to_water(laid: Laid, one: Wet, stop: str, distance_m: float) -> float:
    """Return the distance to where water leaves, nothing where its pool on the ground stands at the peak."""
    spill = laid.spills.get(stop)
    if spill is None or spill.wets is None or not spill.pool_known or spill.ring_key != one.ring_key:
        return distance_m
    return min(distance_m, apart_m(one.peak, spill.wets, one.ring_m))


def _neighbours(laid: Laid, one: Wet) -> Iterator[Candidate]:
    """Yield the neighbour's outlets that lie near across a party line, nobody having walked between."""
    assets, far = laid.found.assets, laid.limit("far_m")
    arcs = laid.arcs.get(one.ring_key, ())
    if not assets.size or all(whole for *_, whole in arcs):
        return
    line = laid.found.perimeter.point_at(one.ring_key, [*one.peak])
    own = assets["ring_key"].to_numpy(dtype=object)
    x, y = (assets[name].to_numpy(dtype=float) for name in ("x", "y"))
    for k, (name, kind) in enumerate(zip(assets.index, assets["kind"], strict=True)):
        key = str(own[k])
        if kind not in ("gully", "downpipe") or not key or key.split("/", maxsplit=1)[0] == one.building_id:
            continue
        distance = min(math.hypot(x[k] - p[0], y[k] - p[1]) for p in line)
        if distance <= far:
            yield Candidate(
                cause="S19", of_id=str(name), stretch_id=one.stretch_id,
                path=f"{kind} {name} of the building next door, {distance:.1f} m off across the party line",
                path_ids=(str(name),), stops="the ground across the party line was not followed",
                distance_m=distance,
            )  # fmt: skip


def _stopped(laid: Laid, i: int, one: Wet) -> Iterator[Candidate]:
    """Yield the runs and soakaways that, were they stopped, would let water out near or into the cavity."""
    most = laid.limit("path_m")
    soakaways = {str(each.id) for each in records_of(laid.found.site, "soakaway")}
    for name, (node, _) in laid.first.items():
        cause = "S04" if name in soakaways else "S06"
        if name not in laid.spills:
            continue
        spill = laid.spills[name]
        if spill.ring_key != one.ring_key:
            continue
        gap = laid.spilled[name][i] if name in laid.spilled else Apart(distance_m=math.inf, at_m=math.nan)
        reach = _spill_reach(spill, one)
        here = any(_touches(one, each) for each in reach)
        if not here and not gap.distance_m <= most:
            continue
        if math.isfinite(gap.at_m) and not (reach and spill.pool_known):
            half = laid.limit("reach_point_m")
            span, _ = clipped(
                (gap.at_m - half, gap.at_m + half), gap.at_m, laid.arcs.get(one.ring_key, ()), one.ring_m
            )
            reach = (*reach, on_ring(one.ring_key, one.side, span, one.ring_m, "usual"))
        how = "soakaway" if cause == "S04" else "run"
        where = along_said(gap.distance_m, gap.at_m, one.ring_m) if math.isfinite(gap.distance_m) else ""
        cavity = ", along the cavity" if here and one.inside and spill.tanks else ""
        yield Candidate(
            cause=cause, of_id=name, stretch_id=one.stretch_id, path_ids=spill.rests_on, reach=reach,
            path=f"with {how} {name} stopped water first leaves at {node} {where}{cavity}".rstrip(),
            distance_m=_to_water(laid, one, name, gap.distance_m),
        )  # fmt: skip


def _undecided(laid: Laid, one: Wet) -> Iterator[Candidate]:
    """Yield stopped runs and soakaways of which no level says where the water would leave first.

    Each is listed where something above it, that it could leave by, lies near enough along the wall.
    """
    if laid.drains is None or not len(laid.drains.every):
        return
    every, nodes = laid.drains.every, laid.drains.network.nodes
    soakaways = {str(each.id) for each in records_of(laid.found.site, "soakaway")}
    keys, at = nodes["ring_key"].to_dict(), nodes["chainage_m"].to_dict()
    most = laid.limit("path_m")
    for name in every.index[(every["word"] == NOT_KNOWN).to_numpy(dtype=bool)]:
        near = sorted(
            (apart_m(one.peak, (float(at[node]),) * 2, one.ring_m), node)
            for node in nodes_above(laid.drains, str(name))
            if keys.get(node) == one.ring_key and math.isfinite(at[node])
        )
        near = [each for each in near if each[0] <= most]
        if near:
            cause, how = ("S04", "soakaway") if name in soakaways else ("S06", "run")
            named = ", ".join(node for _, node in near[:MOST_NAMED])
            yield Candidate(
                cause=cause, of_id=str(name), stretch_id=one.stretch_id,
                path=f"with {how} {name} stopped water may leave at {named}: no level says where first",
                path_ids=(str(name), *(node for _, node in near[:MOST_NAMED])),
                stops="where its water would leave first is not levelled",
            )  # fmt: skip


def _touches(one: Wet, reach: Reach) -> bool:
    return touches(one.span, (reach.from_m, reach.to_m), one.ring_m)


def _ground(laid: Laid, one: Wet) -> Iterator[Candidate]:
    """Yield ground over the course (a route), and ground falling to the wall or ponding (a source)."""
    if not one.outdoors:
        return
    fabric, near = laid.fabric, laid.limit("beside_m")
    beside = _at(fabric.ground.get(one.ring_key, ()), one, near)
    over = [each for each in beside if each.word in ("yes", "short")]
    yield Candidate(
        cause="S08", of_id="", stretch_id=one.stretch_id, path_ids=_ids(over or beside),
        path="; ".join(dict.fromkeys(each.said for each in over or beside))
        or "ground against the wall, its level and the course's not known",
        reach=tuple(on_ring(one.ring_key, one.side, each.span, one.ring_m, "levels") for each in over),
        distance_m=_nearest(one, fabric.ground.get(one.ring_key, ()), ("yes", "short")),
    )  # fmt: skip
    falls = [each for each in _at(fabric.falls.get(one.ring_key, ()), one, near) if each.word == "yes"]
    pools = _at(fabric.ponds.get(one.ring_key, ()), one, near)
    wets = [*falls, *(each for each in pools if each.word == "yes")]
    said = dict.fromkeys(each.said for each in (*falls, *pools))
    yield Candidate(
        cause="S09", of_id="", stretch_id=one.stretch_id, path_ids=_ids(wets),
        path="; ".join(said) or "ground beside the wall, its fall not known",
        reach=tuple(on_ring(one.ring_key, one.side, each.span, one.ring_m, "levels") for each in wets),
        distance_m=min(
            _nearest(one, fabric.falls.get(one.ring_key, ()), ("yes",)),
            _nearest(one, fabric.ponds.get(one.ring_key, ()), ("yes",)),
        ),
    )  # fmt: skip


def _nearest(one: Wet, lengths: Sequence[Length], words: tuple[str, ...]) -> float:
    """Return how far the nearest length in some words lies from the peak; infinite where there is none."""
    return min(
        (apart_m(one.peak, each.span, one.ring_m) for each in lengths if each.word in words), default=math.inf
    )


def _at(lengths: Sequence[Length], one: Wet, near_m: float) -> list[Length]:
    return [each for each in lengths if touches(one.span, each.span, one.ring_m, near_m)]


def _ids(lengths: Sequence[Length]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(name for each in lengths for name in each.rests_on))


def _routes(laid: Laid, one: Wet) -> Iterator[Candidate]:
    """Yield the ways past the inner course that exist here: floor, finish and debris."""
    fabric = laid.fabric
    kinds = {fabric.walls.get((one.ring_key, face), "not_known") for face in one.faces}
    if one.inside:
        floors = _at(fabric.floors.get(one.ring_key, ()), one, 0.0)
        for of_id in dict.fromkeys(each.of_id for each in floors):
            own = [each for each in floors if each.of_id == of_id]
            yield _route(
                one, "S11", of_id, own, "floor up to the wall, its edge and the inner course not levelled"
            )
        finishes = _at(fabric.finishes.get(one.ring_key, ()), one, 0.0)
        for each in finishes:
            yield _route(one, "S11", each.of_id, [each], each.said)
        timber = _timber(laid, one)
        if not floors and not finishes and not timber:
            yield _route(one, "S11", "", [], "a floor nobody recorded here")
    if kinds & {"cavity", "not_known"} and one.side != "floor":
        debris = _at(fabric.debris.get(one.ring_key, ()), one, 0.0)
        for each in debris:
            yield _route(one, "S12", each.of_id, [each], each.said)
        if not debris and one.outdoors:
            kind = (
                "cavity nobody looked into"
                if kinds == {"cavity"}
                else "whether the wall has a cavity is not known"
            )
            yield _route(one, "S12", "", [], kind)


def _route(one: Wet, cause: str, of_id: str, lengths: Sequence[Length], path: str) -> Candidate:
    """Return a route with the exact length it is recorded over."""
    said = "; ".join(dict.fromkeys(each.said for each in lengths)) or path
    spans = _merged([each.span for each in lengths if each.word != NO])
    return Candidate(
        cause=cause, of_id=of_id, stretch_id=one.stretch_id, path=said, path_ids=_ids(lengths),
        reach=tuple(on_ring(one.ring_key, one.side, span, one.ring_m, "recorded") for span in spans),
    )  # fmt: skip


def _merged(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    made: list[tuple[float, float]] = []
    for a, b in sorted(spans):
        if made and a <= made[-1][1] + 1e-6:
            made[-1] = made[-1][0], max(made[-1][1], b)
        else:
            made.append((a, b))
    return made


def _timber(laid: Laid, one: Wet) -> bool:
    """Whether all of the floors recorded along a stretch are of suspended timber."""
    if laid.drains is None or not len(laid.drains.floors):
        return False
    columns = ("ring_key", "floor_kind", "chainage_from_m", "chainage_to_m")
    here = [
        str(kind)
        for key, kind, a, b in zip(*(laid.drains.floors[name].tolist() for name in columns), strict=True)
        if key == one.ring_key and touches(one.span, (float(a), float(b)), one.ring_m)
    ]
    return bool(here) and set(here) == {"suspended_timber"}


def _unrecorded(laid: Laid, one: Wet) -> Iterator[Candidate]:
    """Yield sources that need no record: rise, rain through the face, pipes, groundwater, the neighbour."""
    yield Candidate(cause="S10", of_id="", stretch_id=one.stretch_id, path="rise from the ground in the wall")
    if one.outdoors:
        yield Candidate(
            cause="S13", of_id="", stretch_id=one.stretch_id, path="rain on the face of the wall here"
        )
    if one.inside:
        yield Candidate(
            cause="S14", of_id="", stretch_id=one.stretch_id, path="pipes in wall or floor nobody recorded"
        )
    yield Candidate(
        cause="S18",
        of_id="",
        stretch_id=one.stretch_id,
        path="water in the ground under the wall and the floor",
    )
    arcs = laid.arcs.get(one.ring_key, ())
    parties = [end for a, b, whole in arcs if not whole for end in (a, b)]
    if parties or not one.outdoors:
        gap, at = min(
            ((apart_m(one.peak, (end, end), one.ring_m), end) for end in parties), default=(0.0, one.peak[0])
        )
        if not one.outdoors:
            gap = 0.0
        if gap <= laid.limit("path_m"):
            half = laid.limit("reach_party_m")
            span = one.span if not one.outdoors else (at - half, at + half)
            where = "the party wall itself" if not one.outdoors else f"party line {gap:.1f} m along the wall"
            yield Candidate(
                cause="S19", of_id="", stretch_id=one.stretch_id, path=f"{where}; the neighbour's side",
                reach=(on_ring(one.ring_key, one.side, span, one.ring_m, "usual"),),
                stops="the neighbour's side was not seen", distance_m=gap,
            )  # fmt: skip


def _mimics(one: Wet) -> Iterator[Candidate]:
    """Yield what only reads wet."""
    if one.inside:
        yield Candidate(cause="S15", of_id="", stretch_id=one.stretch_id, path="moist air on a cold surface")
    yield Candidate(
        cause="S16", of_id="", stretch_id=one.stretch_id, path="salts that draw water from the air"
    )
    yield Candidate(
        cause="S17", of_id="", stretch_id=one.stretch_id, path="water of something past, still drying"
    )
    if one.group.split("|", 1)[0] in BY_CONDUCTION:
        yield Candidate(
            cause="S21",
            of_id="",
            stretch_id=one.stretch_id,
            path=f"{one.method} misled by what it was held against",
        )
