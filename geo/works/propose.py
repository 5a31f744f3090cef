"""Which repairs the accepted causes ask for: over which things and which lengths of wall."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from geo import weights
from geo.evidence.support import PROVEN, WELL
from geo.findings.assets import WORKING
from geo.perimeter.path import outside_distance
from geo.works.kinds import MEASURED, NAN, Answers, Asked
from geo.works.measure import House
from geo.works.rules import default as shipped_rules

SALTS = "S16"
RUN_REPAIR = {
    "crack": "r06", "open_joint": "r06", "fracture": "r06", "displaced": "r05", "belly": "r05",
    "collapsed": "r05", "roots": "r06", "absent": "r05",
}  # fmt: skip
STRONG = (PROVEN, WELL)
CLEARED = ("slow", "blocked", "grease", "roots")


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """A cause of one wet stretch that is accepted, and the wall it is accepted for.

    Parameters
    ----------
    from_m, to_m
        The wet length it answers for, m of chainage.
    word
        How far it is supported.
    """

    cause: str
    of_id: str
    stretch_id: str
    ring_key: str
    side: str
    from_m: float
    to_m: float
    word: str = ""

    @property
    def answers(self) -> Answers:
        """The same, as a repair names it."""
        return Answers(cause=self.cause, of_id=self.of_id, stretch_id=self.stretch_id)


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """Repairs put forward, and what an accepted cause asks for that is no repair of this list."""

    repairs: tuple[Asked, ...]
    notes: tuple[str, ...]


Rule = Callable[[Accepted, House], Iterable[Asked | str]]


def propose_repairs(accepted: Sequence[Accepted], house: House) -> Proposal:
    """Put repairs forward for the causes that are accepted.

    Repairs of one kind for one thing are one repair that answers several causes; along a wall, lengths that
    meet are one length. Their ids are ``P-`` and what they are of: the same causes give the same ids.
    """
    found: list[Asked] = []
    notes: list[str] = []
    for cause in accepted:
        for each in RULES[cause.cause](cause, house):
            if isinstance(each, str):
                notes.append(each)
            else:
                found.append(replace(each, answers=(cause.answers,)))
    found += _follows(accepted, house)
    return Proposal(repairs=_named(_joined(found, house)), notes=tuple(dict.fromkeys(notes)))


def _ask(kind: str, of_ids: Sequence[str] = (), **sizes: Any) -> Asked:
    return Asked(repair_id="", kind=kind, of_ids=tuple(of_ids), basis=MEASURED, **sizes)


def _along(kind: str, cause: Accepted, side: str, **sizes: Any) -> Asked:
    return _ask(
        kind, ring_key=cause.ring_key, side=side, from_m=cause.from_m, to_m=cause.to_m, **sizes
    )  # fmt: skip


def _state(house: House, kind: str, of_id: str) -> str:
    table = house.site.table(kind)
    return str(table.loc[of_id, "state"]) if of_id in table.index else ""


def _unseen(cause: Accepted, house: House, kind: str, sound: Sequence[str]) -> bool:
    """Whether nothing wrong was seen of a thing, and the case for it is not strong enough to dig."""
    return _state(house, kind, cause.of_id) in sound and cause.word not in STRONG


def _look_first(cause: Accepted, how: str) -> str:
    return (
        f"{cause.of_id} is supported as a cause, and nothing wrong was seen of it: {how} before it is dug up."
    )


def _gully(cause: Accepted, house: House) -> Iterable[Asked | str]:
    state = _state(house, "gully", cause.of_id)
    if _unseen(cause, house, "gully", ("sound",)):
        yield _look_first(cause, "test it on its own")
        return
    if state in ("grating_blocked", "pot_blocked", "outlet_slow"):
        yield _ask("r04", [cause.of_id], why="cleared before anything is dug")
    yield _ask("r01", [cause.of_id])


def _foot(cause: Accepted, house: House) -> Iterable[Asked | str]:
    table = house.site.table("downpipe")
    into = str(table.loc[cause.of_id, "into_id"]) if cause.of_id in table.index else ""
    to_id = into or _working_gully(cause.of_id, house)
    why = ""
    if to_id and not into:
        takes = house.drains is not None and to_id in house.drains.takes
        doubt = "" if takes else ", and its drain was not found to run on: mend that first"
        why = f"{to_id} is the nearest gully that works{doubt}; say where it shall go"
    yield _ask("r02", [cause.of_id], to_id=to_id, why=why)


def _working_gully(of_id: str, house: House) -> str:
    """Return the nearest gully along the outside in which nothing wrong was seen."""
    assets = house.found.assets
    if of_id not in assets.index or not assets.loc[of_id, "ring_key"]:
        return ""
    near = assets[(assets["kind"] == "gully") & (assets["ring_key"] != "")]
    near = near[near["state_key"].isin(WORKING) & near["evidence"].isin(("seen", "inferred"))]
    if near.empty:
        return ""
    here = assets.loc[[of_id]]
    far = outside_distance(
        house.found.perimeter, here["ring_key"], here["chainage_m"], near["ring_key"], near["chainage_m"]
    )[0]
    return str(near.index[int(np.argmin(far))]) if np.isfinite(far).any() else ""


def _gutter(cause: Accepted, house: House) -> Iterable[Asked | str]:
    table = house.tables["gutter"]
    if cause.of_id in table.index:
        full = table.loc[cause.of_id, "state"] == "debris"
        why = "cleared of debris first; renewed only if it then still runs over" if full else ""
        yield _ask("r03", [cause.of_id], why=why)
        return
    outlets = table["outlet_ids"].map(lambda cell: cause.of_id in str(cell).split())
    own = [str(name) for name in table.index[outlets]]
    yield _ask("r03", own) if own else _along("r03", cause, "outside")


def _soakaway(cause: Accepted, house: House) -> Iterable[Asked | str]:  # noqa: ARG001 - as its fellows
    yield _ask("r08", [cause.of_id] if cause.of_id else [])


def _leaking_run(cause: Accepted, house: House) -> Iterable[Asked | str]:
    state = _state(house, "run", cause.of_id)
    if state not in RUN_REPAIR and cause.word not in STRONG:
        yield _look_first(cause, "pass a camera")
        return
    yield _ask(RUN_REPAIR.get(state, "r06"), [cause.of_id])


def _blocked_run(cause: Accepted, house: House) -> Iterable[Asked | str]:
    state = _state(house, "run", cause.of_id)
    if state in CLEARED or state not in RUN_REPAIR:
        yield _ask("r04", [cause.of_id])
    if state in RUN_REPAIR and state != "roots":
        yield _ask(RUN_REPAIR[state], [cause.of_id])


def _chamber(cause: Accepted, house: House) -> Iterable[Asked | str]:
    if _unseen(cause, house, "chamber", ("sound", "surcharged", "standing_water")):
        yield _look_first(cause, "fill it and watch its level")
        return
    yield _ask("r07", [cause.of_id])


def _high_ground(cause: Accepted, house: House) -> Iterable[Asked | str]:
    reached = _along("r11", cause, "outside")
    table = house.tables["finish_zone"]
    render = table[
        (table["ring_key"] == cause.ring_key)
        & (table["side"] == "outside")
        & (table["finish"] == "cement_render")
        & ~(table["height_from_m"] > 0)
    ]
    render = render[house.overlap(render, reached) > 0] if len(render) else render
    if len(render):
        yield reached
    if not len(render) or _short(cause, house):
        yield _along("r09", cause, "outside", to_id=_outlet(cause, house))


def _short(cause: Accepted, house: House) -> bool:
    """Whether the damp proof course surely or possibly stands too low over the ground here."""
    own = house.clearances[(house.clearances["ring_key"] == cause.ring_key).to_numpy()]
    on = house.overlap(own, _along("r09", cause, "outside")) > 0
    return bool((on & own["low"].to_numpy()).any())


def _fall(cause: Accepted, house: House) -> Iterable[Asked | str]:
    kind = "r09" if _short(cause, house) else "r10"
    why = (
        "laid to fall away from the wall"
        if kind == "r09"
        else "ground falls to the wall, clear of the course"
    )
    yield _along(kind, cause, "outside", to_id=_outlet(cause, house), why=why)


def _outlet(cause: Accepted, house: House) -> str:
    return house.nearest_outlet(cause.ring_key, cause.from_m, cause.to_m)


def _course(cause: Accepted, house: House) -> Iterable[Asked | str]:  # noqa: ARG001 - as its fellows
    yield _along("r14", cause, "inside")


def _floor_bridge(cause: Accepted, house: House) -> Iterable[Asked | str]:
    edge = _along("r15", cause, "floor")
    floors = house.floors_along(edge)
    if len(floors) and (floors["floor_kind"] == "suspended_timber").all():
        yield f"{cause.stretch_id}: the floor is of timber, so no floor edge is cut; the plaster is."
    else:
        yield edge


def _cavity(cause: Accepted, house: House) -> Iterable[Asked | str]:  # noqa: ARG001 - as its fellows
    yield _along("r12", cause, "outside")


def _face(cause: Accepted, house: House) -> Iterable[Asked | str]:  # noqa: ARG001 - as its fellows
    yield _along("r13", cause, "outside")


def _condensation(cause: Accepted, house: House) -> Iterable[Asked | str]:  # noqa: ARG001 - as its fellows
    yield _along("r23", cause, "inside")


def _groundwater(cause: Accepted, house: House) -> Iterable[Asked | str]:
    yield _along("r10", cause, "outside", to_id=_outlet(cause, house))


def _chimney(cause: Accepted, house: House) -> Iterable[Asked | str]:  # noqa: ARG001 - as its fellows
    yield _ask("r22", [cause.of_id] if cause.of_id else [])


def _apart(cause: Accepted, house: House) -> Iterable[Asked | str]:
    what = cause.of_id or f"{house.ref.word('cause', cause.cause)} at {cause.stretch_id}"
    told = shipped_rules().apart[cause.cause]
    yield f"{what}: {told.said} {told.call}"


RULES: dict[str, Rule] = {
    "S01": _gully,
    "S02": _foot,
    "S03": _gutter,
    "S04": _soakaway,
    "S05": _leaking_run,
    "S06": _blocked_run,
    "S07": _chamber,
    "S08": _high_ground,
    "S09": _fall,
    "S10": _course,
    "S11": _floor_bridge,
    "S12": _cavity,
    "S13": _face,
    "S14": _apart,
    "S15": _condensation,
    "S16": _apart,
    "S17": _apart,
    "S18": _groundwater,
    "S19": _apart,
    "S20": _chimney,
    "S21": _apart,
}


def _follows(accepted: Sequence[Accepted], house: House) -> list[Asked]:
    """Put forward what follows inside: plaster where it was damp or salts lie, joinery, drying, finishes."""
    liquid = {cause.key for cause in weights.default().causes if cause.liquid}
    inside = [cause for cause in accepted if cause.side == "inside" and cause.cause in {*liquid, SALTS}]
    found = []
    for cause in inside:
        reach = _along("r18", cause, "inside")
        damp = house.damp(reach)
        tall = max(damp.low_m, 0.0) if math.isfinite(damp.low_m) else NAN
        answers = (cause.answers,)
        found += [replace(_along(kind, cause, "inside"), answers=answers) for kind in ("r18", "r19", "r20")]
        room = house.room_height(reach)
        found.append(replace(_along("r24", cause, "inside", height_m=room), answers=answers))
        if cause.cause in liquid:
            tent = tall + house.ref.value("works.plaster_over_m") if math.isfinite(tall) else NAN
            height = max(tent, house.ref.value("works.plaster_least_m")) if math.isfinite(tent) else NAN
            found.append(replace(_along("r21", cause, "inside", height_m=height), answers=answers))
    return found


def _joined(found: Sequence[Asked], house: House) -> list[Asked]:
    """Make one repair of those of one kind for one thing, or along walls that meet."""
    kept: list[Asked] = []
    for asked in sorted(found, key=_place_order):
        place = next((i for i, one in enumerate(kept) if _meets(one, asked, house)), None)
        if place is None:
            kept.append(asked)
            continue
        one = kept[place]
        answers = tuple(dict.fromkeys((*one.answers, *asked.answers)))
        start, end = one.from_m, one.to_m
        if one.on_wall:
            start, end = _together(one, asked, house.ring_length(one.ring_key))
        height = max((h for h in (one.height_m, asked.height_m) if math.isfinite(h)), default=NAN)
        kept[place] = replace(one, answers=answers, from_m=start, to_m=end, height_m=height)
    return kept


def _place_order(asked: Asked) -> tuple[str, str, str, float, tuple[str, ...]]:
    start = asked.from_m if asked.on_wall else -1.0
    return asked.kind, asked.ring_key, asked.side, start, asked.of_ids


def _meets(one: Asked, other: Asked, house: House) -> bool:
    if (one.kind, one.side, one.ring_key) != (other.kind, other.side, other.ring_key):
        return False
    if one.of_ids or other.of_ids:
        return one.of_ids == other.of_ids
    if not one.on_wall:
        return True
    length, reach = house.ring_length(one.ring_key), house.ref.value("works.reach_m")
    ahead = (other.from_m - one.from_m) % length
    span = (one.to_m - one.from_m) % length or length
    behind = (one.from_m - other.from_m) % length
    other_span = (other.to_m - other.from_m) % length or length
    return ahead <= span + reach or behind <= other_span + reach


def _together(one: Asked, other: Asked, length: float) -> tuple[float, float]:
    """Return the length that covers two lengths which meet."""
    span = (one.to_m - one.from_m) % length or length
    other_span = (other.to_m - other.from_m) % length or length
    ahead = (other.from_m - one.from_m) % length
    behind = (one.from_m - other.from_m) % length
    if ahead <= behind:
        start, whole = one.from_m, max(span, ahead + other_span)
    else:
        start, whole = other.from_m, max(other_span, behind + span)
    return (start % length, (start + whole) % length) if whole < length else (0.0, length)


def _named(found: Sequence[Asked]) -> tuple[Asked, ...]:
    named: list[Asked] = []
    taken: set[str] = set()
    for asked in found:
        tail = "-".join(asked.of_ids) if asked.of_ids else f"{asked.ring_key}-{asked.from_m:.0f}"
        stem = f"P-{asked.kind.upper()}-{tail}".replace("/", ".")[:70]
        name, count = stem, 2
        while name in taken:
            name, count = f"{stem}-{count}", count + 1
        taken.add(name)
        named.append(replace(asked, repair_id=name))
    return tuple(named)
