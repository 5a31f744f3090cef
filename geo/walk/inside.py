"""Stops inside, in the order of the walk outside: readings along the wall, profiles, samples and holes."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from geo.walk.ground_plan import Lie, Part, WetLength
from geo.walk.minutes import task
from geo.walk.outside import on_record, wanted, words
from geo.walk.stops import NAN, Stop
from geo.walk.words import CONTEXT, DROP_RANK, IF_SEEN, LEFT_OUT, LEVELS, SQUARE_ON

SWEEP_HEIGHTS_M = (0.1, 1.0)
PROFILE_HEIGHTS_M = (0.1, 0.3, 0.6, 0.9, 1.2, 1.5)
ORDER = ("grid", "profile", "sample", "borescope", "junction", "service")
SLIVER_M = 0.10


def inside_stops(lie: Lie) -> list[Stop]:
    """Return the stops inside, ring by ring in order of chainage."""
    stops = [*_grid(lie), *_profiles(lie), *_holes(lie), *_pipes(lie)]
    rank = {ring: place for place, ring in enumerate(lie.rings)}

    def order(stop: Stop) -> tuple[int, float, int, str]:
        at = stop.chainage_m if math.isfinite(stop.chainage_m) else math.inf
        return rank.get(stop.ring_key, len(rank)), round(at, 3), ORDER.index(stop.kind), stop.id

    return sorted(stops, key=order)


def _grid(lie: Lie) -> Iterator[Stop]:
    """Yield a stop for each part of each face; where the records have read it, it is settled."""
    ref = lie.ref
    sweep, detail = ref.value("walk.sweep_m"), ref.value("walk.detail_m")
    barred = (
        {
            ring: [
                (float(row.chainage_from_m), float(row.chainage_to_m), str(row.reason))
                for row in lie.found.unread.itertuples()
                if row.ring_key == ring and row.side == "inside"
            ]
            for ring in lie.rings
        }
        if lie.found is not None
        else {}
    )
    for part in lie.parts:
        length = part.to_m - part.from_m
        open_m, why = length, ""
        if lie.read:
            spans = [
                (min(part.to_m, end) - max(part.from_m, begin), said)
                for begin, end, said in barred.get(part.ring_key, [])
            ]
            over = [(metres, said) for metres, said in spans if metres > 0]
            open_m = sum(metres for metres, _ in over)
            why = next((said for _, said in over if said != "not looked"), "")
        settled = "read already" if lie.read and open_m < SLIVER_M else ""
        spacing = detail if lie.read and _wet_there(lie, part) else sweep
        places = 0 if settled else max(1, math.ceil(open_m / spacing - 1e-9))
        where = f"{part.ring_key} {part.from_m:.1f}-{part.to_m:.1f}"
        said = f"{open_m:.1f} m not read" if lie.read else "not read yet"
        yield Stop(
            id=f"inside:{part.id}",
            part="inside",
            kind="grid",
            title=f"Inside {part.face}, {where}",
            expected=settled or (f"{said} ({why})" if why else said),
            state_group="reading_state",
            states=() if settled else words(ref, "reading_state"),
            readings=() if settled else (wanted(lie, "inside", SWEEP_HEIGHTS_M, places),),
            if_seen=() if settled else IF_SEEN["grid"],
            tasks=() if settled else (task("grid_point", places * len(SWEEP_HEIGHTS_M), ref=ref),),
            settled=settled,
            left_out=LEFT_OUT["grid"].format(where=where),
            drop_rank=DROP_RANK["grid"],
            **(lie.spot(part.ring_key, part.middle_m) | {"face": part.face}),
        )


def _wet_there(lie: Lie, part: Part) -> bool:
    length = lie.length(part.ring_key)
    own = [wet for wet in lie.wet if wet.ring_key == part.ring_key]
    return any(
        wet.from_m < part.to_m + turn and wet.to_m > part.from_m + turn
        for wet in own
        for turn in (0.0, length)
    )


def _profiles(lie: Lie) -> Iterator[Stop]:
    """Yield a profile and samples at each wet length, and one profile of dry wall to hold against it."""
    ref = lie.ref
    for wet in lie.wet:
        spot = lie.spot(wet.ring_key, wet.middle_m)
        yield Stop(
            id=f"profile:{wet.id}",
            part="inside",
            kind="profile",
            title=f"Profile, {wet.where}",
            expected=f"{wet.length_m:.1f} m wet {' and '.join(wet.sides)}",
            readings=(wanted(lie, "inside", PROFILE_HEIGHTS_M, 1),),
            photos=(SQUARE_ON, CONTEXT),
            if_seen=IF_SEEN["profile"],
            tasks=(task("profile", ref=ref),),
            rests_on=wet.stretch_ids,
            **spot,
        )
        count = round(ref.value("walk.samples_count"))
        yield Stop(
            id=f"sample:{wet.id}",
            part="inside",
            kind="sample",
            title=f"Drilled samples, {wet.where}",
            expected=f"{count} samples: at the foot, and above what shows",
            photos=(SQUARE_ON,),
            readings=(
                replace(
                    wanted(lie, "inside", (0.1, 1.0), 1),
                    method="gravimetric",
                    name=ref.methods["gravimetric"].name,
                ),
            ),
            tasks=(task("sample", count, ref=ref),),
            needs=missing_leave(lie, "drilling"),
            drop_rank=DROP_RANK["sample"],
            left_out=LEFT_OUT["sample"].format(where=wet.where),
            rests_on=wet.stretch_ids,
            **spot,
        )
    if lie.wet or not lie.read:
        place = _dry_place(lie)
        if place is not None:
            yield Stop(
                id="profile:dry",
                part="inside",
                kind="profile",
                title="Profile of dry wall",
                expected="where nothing is wet within 1 m: what this house's dry wall reads by height",
                readings=(wanted(lie, "inside", PROFILE_HEIGHTS_M, 1),),
                photos=(SQUARE_ON,),
                tasks=(task("profile", ref=ref),),
                left_out=LEFT_OUT["profile_dry"],
                drop_rank=DROP_RANK["profile_dry"],
                **lie.spot(place.ring_key, place.middle_m),
            )


def _dry_place(lie: Lie) -> Part | None:
    """Return the part of free wall furthest along the ring from anything wet."""
    free = [part for part in lie.parts if part.outside]

    def away(part: Part) -> float:
        length = lie.length(part.ring_key)
        gaps = [
            min(
                abs(part.middle_m - end + turn)
                for end in (wet.from_m, wet.to_m)
                for turn in (-length, 0, length)
            )
            for wet in lie.wet
            if wet.ring_key == part.ring_key
        ]
        return min(gaps, default=length)

    dry = [part for part in free if not _wet_there(lie, part)]
    return max(dry, key=lambda part: (round(away(part), 3), -part.from_m), default=None)


def _holes(lie: Lie) -> Iterator[Stop]:
    """Yield the holes that would part the causes of each wet length: into the cavity, and at the floor."""
    ref = lie.ref
    reach = 2 * ref.value("walk.borescope_reach_m")
    for wet in lie.wet:
        spot = lie.spot(wet.ring_key, wet.middle_m)
        if _wall(lie, wet) not in ("solid", "frame"):
            count = max(1, math.ceil(wet.length_m / reach - 1e-9))
            yield Stop(
                id=f"borescope:{wet.id}",
                part="inside",
                kind="borescope",
                title=f"Cavity, {wet.where}",
                expected=f"{count} hole{'s' if count > 1 else ''}: a hole speaks for its reach only",
                state_group="cavity_state",
                states=words(ref, "cavity_state"),
                levels=LEVELS["borescope"],
                drop_rank=DROP_RANK["borescope"],
                photos=("left and right, with the reach",),
                if_seen=IF_SEEN["borescope"],
                tasks=(task("borescope", count, ref=ref),),
                needs=missing_leave(lie, "opening_up"),
                left_out=LEFT_OUT["borescope"].format(where=wet.where),
                rests_on=wet.stretch_ids,
                **spot,
            )
        if _solid_floor(lie):
            yield Stop(
                id=f"junction:{wet.id}",
                part="inside",
                kind="junction",
                title=f"Floor and wall junction, {wet.where}",
                expected="where slab, finish and course meet",
                state_group="edge_contact",
                states=words(ref, "edge_contact"),
                levels=LEVELS["junction"],
                photos=(SQUARE_ON, CONTEXT),
                if_seen=IF_SEEN["junction"],
                tasks=(task("junction", ref=ref),),
                needs=missing_leave(lie, "opening_up"),
                drop_rank=DROP_RANK["junction"],
                left_out=LEFT_OUT["junction"].format(where=wet.where),
                rests_on=wet.stretch_ids,
                **spot,
            )


def _wall(lie: Lie, wet: WetLength) -> str:
    """Return the kind of wall of a wet length: the face's own, else the building's."""
    building = wet.ring_key.split("/", maxsplit=1)[0]
    table = lie.site.table("face")
    own = table[(table["face"] == wet.face) & table["building_id"].isin(["", building])]["wall_type"]
    said = [word for word in own if word]
    whole: list[Any] = [record for record in lie.site.of("building") if record.id == building]
    return str(said[-1] if said else whole[0].wall_type)


def _solid_floor(lie: Lie) -> bool:
    floors: list[Any] = list(lie.site.of("floor_zone"))
    return not floors or any(floor.floor_kind in ("solid", "not_known") for floor in floors)


def missing_leave(lie: Lie, what: str) -> str:
    """Say which leave is missing for a stop, or nothing."""
    ref = lie.ref
    states = [str(record.state) for record in lie.site.of("consent") if record.consent_for == what]  # type: ignore[attr-defined]
    if states and states[-1] == "given":
        return ""
    said = ref.word("consent_state", states[-1]) if states else "not asked"
    return f"leave for {ref.word('consent_for', what)}: {said}"


def _pipes(lie: Lie) -> Iterator[Stop]:
    """Yield a stop for each pipe under pressure on record."""
    ref = lie.ref
    for record in lie.site.of("service"):
        pipe: Any = record
        if pipe.service_kind in ("meter", "stop_tap", "external_tap"):
            continue
        what = ref.word("service_kind", pipe.service_kind)
        yield Stop(
            id=f"service:{record.id}",
            part="inside",
            kind="service",
            title=f"{what[:1].upper()}{what[1:]} {record.id}",
            expected=on_record(pipe, "service_state", ref),
            state_group="service_state",
            states=words(ref, "service_state"),
            if_seen=IF_SEEN["service"],
            photos=(CONTEXT,),
            tasks=(task("check", ref=ref),),
            rests_on=(record.id,),
            chainage_m=NAN,
        )
