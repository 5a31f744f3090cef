"""What the ledger takes from the findings: the wall at each stretch, wall read dry, wall nobody read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from geo.evidence.candidates_laid import lay_out_evidence
from geo.evidence.candidates_sources import key_of, records_of
from geo.evidence.coverage import Span, both, laid, minus, read_dry, rolled, total, union
from geo.evidence.kinds import Raised
from geo.evidence.ledger_kinds import Place, StretchLedger
from geo.evidence.pairing import Wall
from geo.findings.drain_answer import Drains
from geo.findings.examine import Findings
from geo.weights import Weights

OPEN_OPENINGS = ("weep", "open_perpend", "pipe_hole")
OPEN_FEATURES = ("cracked", "open", "missing")
OUTER_FEATURES = ("wall_face", "sill", "parapet", "abutment")
Sides = dict[tuple[str, str], list[Span]]


PLAIN = ["ring_key", "side", "group", "chainage_from_m", "chainage_to_m", "length_m", "peak_chainage_m"]


def plain_stretches(found: Findings) -> dict[str, dict[str, Any]]:
    """Return what the ledger needs of the stretches as plain values, by stretch, in their order."""
    columns = {name: found.stretches[name].tolist() for name in PLAIN}
    names = [str(name) for name in found.stretches.index]
    return {
        name: dict(zip(columns, row, strict=True))
        for name, row in zip(names, zip(*columns.values(), strict=True), strict=True)
    }


def walls_of(
    found: Findings, drains: Drains | None, raised: Sequence[Raised], *, weights: Weights
) -> dict[str, tuple[Wall, str]]:
    """Return the wall at every stretch, and its kind: cavity, solid, frame or not known."""
    if found.stretches.empty:
        return {}
    kinds = lay_out_evidence(found, drains).fabric.walls
    outer_wet = {
        each.stretch_id: each.rests_on for each in raised if each.code == "OUT" and not each.candidate
    }
    ways = list(_open_places(found))
    beyond = weights.number("pairing.open_leaf_m")
    perimeter, made = found.perimeter, {}
    lengths = perimeter.rings["length_m"].to_dict()
    table = plain_stretches(found)
    at = perimeter.face_at(
        [row["ring_key"] for row in table.values()], [row["peak_chainage_m"] for row in table.values()]
    )
    faces = perimeter.faces["face"].to_numpy()[at]
    for (name, row), face in zip(table.items(), faces, strict=True):
        key, ring_m = str(row["ring_key"]), float(lengths[row["ring_key"]])
        spans = tuple(laid(float(row["chainage_from_m"]), float(row["chainage_to_m"]), ring_m))
        kind = kinds.get((key, str(face)), "not_known")
        near = [(a - beyond, b + beyond) for a, b in spans]
        ids = [of_id for ring, there, of_id in ways if ring == key and total(both(near, there))]
        wall = Wall(
            stretch_id=name, ring_key=key, side=str(row["side"]), ring_m=ring_m, wet=spans,
            solid=kind == "solid", peak_m=float(row["peak_chainage_m"]),
            open_ids=tuple(dict.fromkeys((*ids, *outer_wet.get(name, ())))),
        )  # fmt: skip
        made[name] = wall, kind
    return made


def _open_places(found: Findings) -> Iterator[tuple[str, list[Span], str]]:
    """Yield ring, length and id of every opening and feature by which an outer face is open."""
    lengths, key = found.perimeter.rings["length_m"].to_dict(), key_of(found.site)
    open_ = [each for each in records_of(found.site, "opening") if each.opening_kind in OPEN_OPENINGS]
    open_ += [
        each
        for each in records_of(found.site, "wall_feature")
        if each.feature_kind in OUTER_FEATURES and each.state in OPEN_FEATURES and each.evidence == "seen"
    ]
    for record in open_:
        ring_m, least = lengths.get(key(record)), 0.01
        if ring_m is not None:
            a, b = float(record.chainage_from_m), float(record.chainage_to_m)
            yield key(record), laid(a, b if b != a else a + least, float(ring_m)), str(record.id)


def dry_and_unread(found: Findings, *, weights: Weights) -> tuple[Sides, Sides]:
    """Return wall that was read dry, and wall nobody read, by ring and side."""
    lengths = found.perimeter.rings["length_m"].to_dict()
    wet: Sides = {}
    for row in plain_stretches(found).values():
        ring_m = float(lengths[row["ring_key"]])
        spans = laid(float(row["chainage_from_m"]), float(row["chainage_to_m"]), ring_m)
        wet.setdefault((str(row["ring_key"]), str(row["side"])), []).extend(spans)
    unread: Sides = {}
    names = ("ring_key", "side", "chainage_from_m", "chainage_to_m")
    for key, side, a, b in zip(*(found.unread[name].tolist() for name in names), strict=True):
        unread.setdefault((str(key), str(side)), []).append((float(a), float(b)))
    dry = read_dry(
        found.readings, found.perimeter.faces, wet,
        reach_m=found.site.reference.value("moisture.read_reach_m"),
        highest_m=weights.number("coverage.dry_height_m"),
    )  # fmt: skip
    return {key: minus(spans, union(unread.get(key, ()))) for key, spans in dry.items()}, unread


def places_of(stretches: Sequence[StretchLedger], ring_m: Mapping[Any, float]) -> tuple[Place, ...]:
    """Draw stretches that overlap on one side of one wall together into places, in their order."""
    lengths = {key: float(length) for key, length in ring_m.items()}
    return tuple(
        Place(
            place_id=f"P{number}", ring_key=own[0].ring_key, side=own[0].side,
            parts=rolled(spans, lengths[own[0].ring_key]),
            stretch_ids=tuple(each.stretch_id for each in own),
            groups=tuple(dict.fromkeys(each.group for each in own)),
        )
        for number, (own, spans) in enumerate(_drawn_together(stretches, lengths, by_side=True), start=1)
    )  # fmt: skip


def spots_of(stretches: Sequence[StretchLedger], ring_m: Mapping[Any, float]) -> dict[str, str]:
    """Return the length of wall each stretch belongs to, both sides of a wall together."""
    lengths = {key: float(length) for key, length in ring_m.items()}
    together = _drawn_together(stretches, lengths, by_side=False)
    return {each.stretch_id: own[0].stretch_id for own, _ in together for each in own}


def _drawn_together(
    stretches: Sequence[StretchLedger], ring_m: Mapping[Any, float], *, by_side: bool
) -> list[tuple[list[StretchLedger], list[Span]]]:
    """Return stretches of one wall that overlap, with the wall they cover, in the order of the first."""
    order = {each.stretch_id: place for place, each in enumerate(stretches)}
    made: list[tuple[list[StretchLedger], list[Span]]] = []
    for each in stretches:
        own, joined = [each], union(laid(each.from_m, each.to_m, ring_m[each.ring_key]))
        rest = []
        for others, theirs in made:
            same = others[0].ring_key == each.ring_key and (not by_side or others[0].side == each.side)
            if same and total(both(joined, theirs)):
                own, joined = [*others, *own], union([*theirs, *joined])
            else:
                rest.append((others, theirs))
        own.sort(key=lambda one: order[one.stretch_id])
        made = [*rest, (own, joined)]
    return sorted(made, key=lambda entry: order[entry[0][0].stretch_id])
