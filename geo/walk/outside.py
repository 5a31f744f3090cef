"""Stops outside, clockwise round every ring: corners, party lines, assets, ways in, and the wall between."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from geo.reference import Reference
from geo.site.records import Record
from geo.walk.ground_plan import Lie, between_places, nearest_wall
from geo.walk.minutes import Task, task
from geo.walk.stops import NAN, Stop, Wanted
from geo.walk.words import CONTEXT, DROP_RANK, IF_SEEN, LEFT_OUT, LEVELS, LOOK_FOR, SQUARE_ON

ORDER = (
    "corner", "party_line", "abutment", "below_ground", "wall", "dpc_step", "gutter", "downpipe", "gully",
    "fixture", "service", "threshold", "vent", "wet", "search",
)  # fmt: skip
"""At one chainage the stops come in this order."""
VENTS = ("air_brick", "vent", "weep", "open_perpend", "pipe_hole")
BEHIND_M = 0.02


def outside_stops(lie: Lie) -> list[Stop]:
    """Return the stops outside, ring by ring, clockwise from the origin corner; the unplaced last."""
    stops = [
        *_faces(lie), *_steps(lie), *_fitted(lie), *_gutters(lie), *_ways_in(lie), *_services(lie),
        *_wet(lie), *_searches(lie),
    ]  # fmt: skip
    rank = {ring: place for place, ring in enumerate(lie.rings)}

    def order(stop: Stop) -> tuple[float, float, int, str]:
        at = stop.chainage_m if math.isfinite(stop.chainage_m) else math.inf
        return rank.get(stop.ring_key, len(rank)), round(at, 3), ORDER.index(stop.kind), stop.id

    return sorted(stops, key=order)


def words(ref: Reference, group: str) -> tuple[tuple[str, str], ...]:
    """Return the words of a group of the vocabulary, as (key, label)."""
    return tuple((key, ref.word(group, key)) for key in ref.vocabulary.get(group, {}))


def on_record(record: Any, group: str, ref: Reference) -> str:
    """Say what is on record of an asset's state, and how it is known."""
    if not (record.state and hasattr(record, "evidence")):
        return "nothing on record of its state"
    when = f", {record.seen_on}" if getattr(record, "seen_on", "") else ""
    if record.evidence in ("not_looked", "no_access"):
        return f"{ref.word('evidence', record.evidence)} so far{when}"
    return f"on record: {ref.word(group, record.state)} ({ref.word('evidence', record.evidence)}{when})"


def _faces(lie: Lie) -> Iterator[Stop]:
    """Yield corners, party lines, and the ends of the parts between, so that no gap is too wide."""
    ref, table = lie.ref, lie.perimeter.faces
    before, _ = lie.perimeter.neighbours
    outside = table["outside"].to_numpy(dtype=bool)
    for row, face in enumerate(table.itertuples()):
        ring, name, at = str(face.ring_key), str(face.face), float(face.chainage_from_m)
        if ring not in lie.rings or not (outside[row] or outside[before[row]]):
            continue
        spot = lie.spot(ring, at) | {"face": name}
        letter = str(face.corner_from)
        if outside[row] and outside[before[row]]:
            where = f"{ring} {at:.1f}"
            yield Stop(
                id=f"corner:{ring}:{name}", part="outside", kind="corner", title=f"Corner {letter}",
                expected=LOOK_FOR["corner"], levels=LEVELS["corner"], if_seen=IF_SEEN["corner"],
                photos=("each face, from this corner",), tasks=_pair(ref, task("corner", ref=ref)), **spot,
            )  # fmt: skip
        else:
            yield Stop(
                id=f"party_line:{ring}:{name}", part="outside", kind="party_line",
                title=f"Party line at corner {letter}", expected=LOOK_FOR["party_line"],
                state_group="dpc_state", states=words(ref, "dpc_state"), levels=LEVELS["party_line"],
                if_seen=IF_SEEN["party_line"], photos=(SQUARE_ON, CONTEXT),
                tasks=(task("check", ref=ref),), **spot,
            )  # fmt: skip
    for part in lie.parts:
        if part.outside and part.index > 0:
            where = f"{part.ring_key} {part.from_m:.1f}"
            kind = part.exposure if part.exposure in ("abutment", "below_ground") else "wall"
            yield Stop(
                id=f"wall:{part.id}", part="outside", kind=kind, title=f"Wall {part.face}",
                expected=LOOK_FOR[kind], levels=LEVELS["wall"] if kind == "wall" else (),
                if_seen=IF_SEEN.get(kind, ()), photos=() if kind == "wall" else (CONTEXT,),
                tasks=_pair(ref) if kind == "wall" else (task("check", ref=ref),),
                left_out=LEFT_OUT["wall"].format(where=where), drop_rank=DROP_RANK["wall"],
                **(lie.spot(part.ring_key, part.from_m) | {"face": part.face}),
            )  # fmt: skip


def _pair(ref: Reference, *more: Task) -> tuple[Task, ...]:
    return (*more, task("ground_pair", ref=ref))


def _steps(lie: Lie) -> Iterator[Stop]:
    """Yield a stop for each step of the outer damp proof course: two rows at one chainage."""
    ref = lie.ref
    placed: dict[tuple[str, str], Any] = {}
    for record in lie.site.of("dpc_point"):
        point: Any = record
        if point.leaf == "inner":
            continue
        ring = _ring_of(lie, point)
        key = (ring, point.leaf)
        last = placed.get(key)
        placed[key] = point
        if ring not in lie.rings or last is None or abs(last.chainage_m - point.chainage_m) > BEHIND_M:
            continue
        yield Stop(
            id=f"dpc_step:{point.id}", part="outside", kind="dpc_step",
            title="Step of the damp proof course",
            expected=f"on record: {ref.word('lap', point.lap) if point.lap else 'lap not looked at'}",
            state_group="lap", states=words(ref, "lap"), levels=("dpc", "dpc"),
            if_seen=IF_SEEN["dpc_step"], photos=(SQUARE_ON,), tasks=(task("check", ref=ref),),
            rests_on=(last.id, point.id), **lie.spot(ring, point.chainage_m),
        )  # fmt: skip


def _ring_of(lie: Lie, record: Any) -> str:
    building = record.building_id
    if not building:
        own = [other.id for other in lie.site.of("building") if getattr(other, "role", "") == "subject"]
        building = own[0] if len(own) == 1 else ""
    return f"{building}/{record.ring}" if record.ring else str(building)


def _fitted(lie: Lie) -> Iterator[Stop]:
    """Yield a stop for each gully, downpipe and fixture on record."""
    for kind in ("gully", "downpipe", "fixture"):
        for record in lie.site.of(kind):
            yield asset_stop(lie, record, part="outside")


def asset_stop(lie: Lie, record: Record, *, part: str) -> Stop:
    """Return the stop of one asset on record, in whatever part of the walk it belongs to."""
    asset: Any = record
    ref, kind, row = lie.ref, record.kind, lie.assets.loc[record.id]
    group = f"{kind}_state"
    what = ref.word("fixture_kind", asset.fixture_kind) if kind == "fixture" else kind
    buried = kind == "chamber" and asset.state == "buried"
    work = {"fixture": "check", "chamber": "chamber_buried" if buried else "chamber"}.get(kind, kind)
    placed = math.isfinite(row["x"])
    said = on_record(asset, group, ref)
    if kind == "gully" and asset.takes != "not_known":
        said = f"takes {ref.word('gully_kind', asset.takes)}; {said}"
    if kind == "downpipe" and asset.foot != "not_known":
        said = f"{ref.word('downpipe_foot', asset.foot)}; {said}"
    return Stop(
        id=f"{kind}:{record.id}", part=part, kind=kind, title=f"{what[:1].upper()}{what[1:]} {record.id}",
        expected=said if placed else f"{LOOK_FOR['unplaced']} {said}",
        ring_key=str(row["ring_key"]), face=str(row["face"]), chainage_m=float(row["chainage_m"]),
        x=float(row["x"]), y=float(row["y"]), state_group=group, states=words(ref, group),
        levels=LEVELS.get(kind, ()), photos=(SQUARE_ON, CONTEXT), if_seen=IF_SEEN[kind],
        tasks=(task(work, ref=ref),), rests_on=(record.id,),
        left_out=LEFT_OUT[kind].format(name=record.id) if kind in LEFT_OUT else "",
        drop_rank=DROP_RANK.get(kind, 0),
    )  # fmt: skip


def _gutters(lie: Lie) -> Iterator[Stop]:
    ref = lie.ref
    places = between_places(lie.site, lie.perimeter, "gutter")
    for record in lie.site.of("gutter"):
        gutter: Any = record
        row = places.loc[record.id]
        where = f"{row['ring_key']} {gutter.chainage_from_m:.1f}-{gutter.chainage_to_m:.1f}"
        yield Stop(
            id=f"gutter:{record.id}", part="outside", kind="gutter", title=f"Gutter {record.id}",
            expected=f"{where}; {on_record(gutter, 'gutter_state', ref)}", state_group="gutter_state",
            states=words(ref, "gutter_state"), if_seen=IF_SEEN["gutter"], photos=(CONTEXT,),
            tasks=(task("check", ref=ref),), rests_on=(record.id,), drop_rank=DROP_RANK["gutter"],
            left_out=LEFT_OUT["gutter"].format(where=where), **_along(lie, row),
        )  # fmt: skip


def _along(lie: Lie, row: Any) -> dict[str, Any]:
    """Return the place of a record by its ring and chainage, on the walked wall nearest to it."""
    ring, at = str(row["ring_key"]), float(row["chainage_m"])
    if ring in lie.rings and math.isfinite(at):
        return lie.spot(ring, at)
    return {"ring_key": "", "face": "", "chainage_m": NAN, "x": NAN, "y": NAN}


def _ways_in(lie: Lie) -> Iterator[Stop]:
    ref = lie.ref
    places = between_places(lie.site, lie.perimeter, "opening")
    for record in lie.site.of("opening"):
        opening: Any = record
        kind = "threshold" if opening.opening_kind == "door" else "vent"
        if kind == "vent" and opening.opening_kind not in VENTS:
            continue
        what = ref.word("opening_kind", opening.opening_kind)
        level = opening.sill_level_m
        yield Stop(
            id=f"opening:{record.id}", part="outside", kind=kind,
            title=f"{what[:1].upper()}{what[1:]} {record.id}",
            expected="level not taken" if level is None else f"on record at {level:.3f} m",
            state_group="yes_no", states=tuple((f"blocked_{key}", f"blocked: {said}") for key, said in
                                               words(ref, "yes_no")) if kind == "vent" else (),
            levels=LEVELS[kind], if_seen=IF_SEEN[kind], photos=(SQUARE_ON,),
            tasks=(task("check", ref=ref),), rests_on=(record.id,), **_along(lie, places.loc[record.id]),
        )  # fmt: skip


def _services(lie: Lie) -> Iterator[Stop]:
    """Yield a stop for each meter, stop tap and outside tap on record; pipes are looked at inside."""
    ref = lie.ref
    for record in lie.site.of("service"):
        service: Any = record
        if service.service_kind not in ("meter", "stop_tap", "external_tap"):
            continue
        xy = (NAN, NAN) if service.geometry is None else service.geometry.centroid.coords[0]
        what = ref.word("service_kind", service.service_kind)
        yield Stop(
            id=f"service:{record.id}", part="outside", kind="service",
            title=f"{what[:1].upper()}{what[1:]} {record.id}",
            expected=on_record(service, "service_state", ref), state_group="service_state",
            states=words(ref, "service_state"), if_seen=IF_SEEN["service"], photos=(SQUARE_ON,),
            tasks=(task("check", ref=ref),), rests_on=(record.id,), x=float(xy[0]), y=float(xy[1]),
            **_nearest(lie, xy),
        )  # fmt: skip


def _nearest(lie: Lie, xy: Any) -> dict[str, Any]:
    row = nearest_wall(lie.perimeter, np.array([xy], dtype=np.float64)).iloc[0]
    return {
        "ring_key": str(row["ring_key"]),
        "face": str(row["face"]),
        "chainage_m": float(row["chainage_m"]),
    }


def _wet(lie: Lie) -> Iterator[Stop]:
    """Yield a stop outside each wet length, where its wall has an outside."""
    ref = lie.ref
    for wet in lie.wet:
        if not lie.part_at(wet.ring_key, wet.middle_m).outside:
            continue
        sides = " and ".join(wet.sides)
        yield Stop(
            id=f"wet:{wet.id}", part="outside", kind="wet", title=f"Wet {sides}, {wet.where}",
            expected=f"{wet.length_m:.1f} m wet {sides}: what outside could feed it?",
            levels=LEVELS["wet"], if_seen=IF_SEEN["wet"], photos=(SQUARE_ON, CONTEXT),
            readings=(wanted(lie, "outside", (0.1, 0.4, 0.8), 1),), tasks=_pair(ref),
            rests_on=wet.stretch_ids, **lie.spot(wet.ring_key, wet.middle_m),
        )  # fmt: skip


def wanted(lie: Lie, side: str, heights_m: tuple[float, ...], places: int) -> Wanted:
    """Return readings by the method most used on that side so far, or pins on masonry."""
    method = "resistance_masonry"
    if lie.found is not None and len(lie.found.readings):
        own = lie.found.readings[lie.found.readings["side"] == side]["method"]
        method = str(own.mode().iloc[0]) if len(own) else method
    return Wanted(method=method, name=lie.ref.methods[method].name, heights_m=heights_m, places=places)


def _searches(lie: Lie) -> Iterator[Stop]:
    """Yield what must be there and nobody has recorded."""
    site, ref = lie.site, lie.ref
    for record in site.of("downpipe"):
        pipe: Any = record
        if pipe.foot == "shoe_over_gully" and not pipe.into_id:
            row = lie.assets.loc[record.id]
            yield _search(ref, f"gully:{record.id}", "a gully", f"under {record.id}", "gully", row)
    for record in site.of("fixture"):
        fixture: Any = record
        if fixture.fixture_kind in ("waste_pipe", "overflow", "condensate") and not fixture.into_id:
            if fixture.state in ("capped", "joined_to_nothing"):
                continue
            row = lie.assets.loc[record.id]
            yield _search(ref, f"gully:{record.id}", "a gully", f"below {record.id}", "gully", row)
    for ring in lie.rings:
        own = lie.assets[lie.assets["ring_key"] == ring] if len(lie.assets) else lie.assets
        for kind, name in (("downpipe", "a downpipe"), ("gully", "a gully")):
            if not (own["kind"] == kind).any():
                yield _search(ref, f"{kind}:{ring}", name, f"round {ring}", kind, None, ring)


def _search(ref: Reference, key: str, name: str, where: str, kind: str, row: Any, ring: str = "") -> Stop:
    """Return the stop of something expected; without a row it may be anywhere along the ring."""
    place: dict[str, Any] = {"ring_key": ring, "face": "", "chainage_m": NAN, "x": NAN, "y": NAN}
    if row is not None:
        place = {"ring_key": str(row["ring_key"]), "face": str(row["face"])}
        place |= {each: float(row[each]) for each in ("chainage_m", "x", "y")}
    return Stop(
        id=f"search:{key}", part="outside", kind="search", title=f"Look for {name} {where}",
        expected=f"{name} must be {where}, and none is on record",
        state_group=f"{kind}_state", states=words(ref, f"{kind}_state"), levels=LEVELS[kind],
        photos=(SQUARE_ON, CONTEXT), if_seen=IF_SEEN[kind], tasks=(task(kind, ref=ref),),
        left_out=LEFT_OUT["search"].format(name=f"{name} {where}"), **place,
    )  # fmt: skip
