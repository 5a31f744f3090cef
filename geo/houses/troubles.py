"""What goes wrong with an invented house: one to five causes and mimics, and faults that wet nothing."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from geo.houses.fabric import Fabric
from geo.houses.pipes import RAIN_MM_DAY, Drainage, Node, back_up
from geo.houses.plots import Plot
from geo.houses.truth import Trouble

WET_SPELL = 4.0
"""Rain of a wet spell over the mean of the season."""
DOWNPOUR_MM = 12.0
COMMON = {
    "S01": 0.14, "S02": 0.15, "S03": 0.08, "S04": 0.07, "S05": 0.06, "S06": 0.07, "S07": 0.03, "S08": 0.09,
    "S09": 0.08, "S10": 0.08, "S11": 0.08, "S12": 0.06, "S13": 0.09, "S14": 0.07, "S18": 0.03, "S19": 0.03,
    "S20": 0.04,
}  # fmt: skip
MIMICS = {"S15": 0.34, "S16": 0.24, "S17": 0.18, "S21": 0.24}


@dataclass(slots=True, kw_only=True, eq=False)
class House:
    """A house while things are going wrong with it; what stands against its walls by name."""

    plot: Plot
    fabric: Fabric
    drains: Drainage
    features: list[dict[str, Any]] = field(default_factory=list)
    services: list[dict[str, Any]] = field(default_factory=list)
    cavities: list[tuple[str, float, float]] = field(default_factory=list)
    gutters: list[dict[str, Any]] = field(default_factory=list)
    sills: list[tuple[float, float, float]] = field(default_factory=list)
    cold: dict[str, float] = field(default_factory=dict)
    stops: set[str] = field(default_factory=set)


def draw_troubles(rng: np.random.Generator, house: House) -> list[Trouble]:
    """Draw what is wrong: one to five causes or mimics, then routes and faults nobody asked about."""
    count = int(rng.choice([1, 2, 3, 4, 5], p=[0.25, 0.3, 0.25, 0.13, 0.07]))
    mimics = int((rng.random(count) < 0.25).sum())
    found: list[Trouble] = []
    for common, number in ((COMMON, count - mimics), (MIMICS, mimics)):
        names = list(common)
        share = np.array([common[name] for name in names])
        for _ in range(25):
            if sum(one.cause in common for one in found) >= number:
                break
            cause = str(rng.choice(names, p=share / share.sum()))
            drawn = DRAW[cause](rng, house)
            if drawn is not None:
                found.append(drawn)
    _usual_routes(rng, house, found)
    # Ground retained above the floor is ground over the damp proof course as well.
    found += [
        Trouble(cause="S08", start=one.start, end=one.end, level=one.level, rhythm="steady")
        for one in found
        if one.cause == "S18"
    ]
    return found


def stretch_on(
    rng: np.random.Generator, house: House, low: float, high: float, *, faces: str = "free"
) -> tuple[float, float] | None:
    """Return a length of one face, m of chainage; ``None`` when no face is long enough."""
    wall = house.plot.wall
    lengths = np.diff(wall.starts)
    fits = (wall.free if faces == "free" else ~wall.free) & (lengths > low + 0.4)
    if not fits.any():
        return None
    face = int(rng.choice(np.flatnonzero(fits), p=lengths[fits] / lengths[fits].sum()))
    length = float(min(rng.uniform(low, high), lengths[face] - 0.3))
    start = float(rng.uniform(wall.starts[face] + 0.1, wall.starts[face + 1] - 0.1 - length))
    return start, start + length


def _flag(house: House, span: tuple[float, float]) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    return house.plot.wall.between(*span)


def _leak_at(node: Node, share: float, *, rain_l: float, use_l: float) -> dict[str, Any]:
    """Return rate and event of a leak that loses a share of what passes a node."""
    rhythm = "use" if use_l > rain_l * WET_SPELL else "rain"
    rate = share * (rain_l * WET_SPELL + use_l)
    event = share * max(rain_l / RAIN_MM_DAY * DOWNPOUR_MM, 60.0 if use_l else 0.0)
    return {
        "rate_l_day": rate, "event_l": event, "at_m": node.chainage, "away_m": node.offset - 0.1,
        "rhythm": rhythm,
    }  # fmt: skip


def _open_joint(rng: np.random.Generator, house: House, chainage: float, share: float) -> None:
    """Leave, in some houses, an open joint into the cavity near a place, at about the ground."""
    if house.fabric.solid or rng.random() > share:
        return
    wall = house.plot.wall
    near = np.abs(wall.along(chainage)) < 0.25
    house.fabric.entry[near] = house.plot.ground[near] - float(rng.uniform(-0.01, 0.05))


def _gully(rng: np.random.Generator, house: House) -> Trouble | None:
    sound = [node for node in house.drains.of("gully") if node.state == "sound"]
    if not sound:
        return None
    node = sound[int(rng.integers(len(sound)))]
    node.state = str(
        rng.choice(["lip_broken", "lip_broken", "surround_cracked", "loose", "discharge_misses"])
    )
    node.loss = float(rng.uniform(0.1, 0.6))
    if node.state == "lip_broken":
        node.spill = node.rim - float(rng.uniform(0.02, 0.06))
    _open_joint(rng, house, node.chainage, 0.5)
    leak = _leak_at(node, node.loss, rain_l=RAIN_MM_DAY * house.drains.roof_into(node.id), use_l=node.use_l)
    return Trouble(cause="S01", of_ids=(node.id,), strength=0.9, level=node.spill, **leak)


def _foot(rng: np.random.Generator, house: House) -> Trouble | None:
    sound = [node for node in house.drains.of("downpipe") if node.state == "sound" and node.foot != "butt"]
    if not sound:
        return None
    node = sound[int(rng.integers(len(sound)))]
    node.state = str(rng.choice(["foot_open", "foot_joined_to_nothing", "cracked", "joint_leaks"]))
    if node.state in ("foot_open", "foot_joined_to_nothing"):
        node.loss = float(rng.uniform(0.6, 1.0))
        for name in [pipe.id for pipe in house.drains.pipes.values() if pipe.start == node.id]:
            del house.drains.pipes[name]
        node.foot, node.into, node.spill = "shoe_to_ground", "", math.inf
    else:
        node.loss = float(rng.uniform(0.1, 0.5))
    _open_joint(rng, house, node.chainage, 0.35)
    leak = _leak_at(node, node.loss, rain_l=RAIN_MM_DAY * node.roof_m2, use_l=0.0)
    return Trouble(cause="S02", of_ids=(node.id,), strength=0.9, **leak)


def _gutter(rng: np.random.Generator, house: House) -> Trouble | None:
    free = [one for one in house.gutters if one["state"] == "sound"]
    if not free:
        return None
    one = free[int(rng.integers(len(free)))]
    one["state"] = str(rng.choice(["joint_leaks", "sags", "debris", "overshoots", "stop_end_lost"]))
    start, end = float(one["start"]), float(one["end"])
    at = float(rng.uniform(start + 0.2, end - 0.2))
    return Trouble(
        cause="S03", of_ids=(str(one["id"]),), at_m=at, level=house.fabric.floor_level + 4.5,
        strength=float(rng.uniform(0.5, 0.9)), rhythm="rain",
    )  # fmt: skip


def _spilled(
    rng: np.random.Generator, house: House, cause: str, stopped: str, fed_at: str, of_ids: tuple[str, ...]
) -> Trouble | None:
    """Return the trouble of a stop: water comes up where it first can, which may be far from the stop."""
    found = back_up(house.drains, stopped=stopped, start=fed_at)
    if found is None:
        return None
    node = house.drains.nodes[found.node]
    if not math.isfinite(node.chainage) or node.offset > 0.8:
        return None
    rain = RAIN_MM_DAY * house.drains.roof_into(fed_at)
    use = house.drains.use_into(fed_at)
    part = float(rng.uniform(0.4, 0.9))
    leak = _leak_at(node, part, rain_l=rain, use_l=use)
    if leak["rate_l_day"] < 5.0:
        return None
    _open_joint(rng, house, node.chainage, 0.6)
    house.stops.add(stopped)
    return Trouble(
        cause=cause, of_ids=of_ids, strength=0.95, level=found.level, stopped=stopped, fed_at=fed_at, **leak
    )


def _soakaway(rng: np.random.Generator, house: House) -> Trouble | None:
    node = house.drains.nodes.get("SA1")
    feeding = [pipe for pipe in house.drains.pipes.values() if pipe.end == "SA1"]
    if node is None or not feeding or node.state != "works":
        return None
    top = max(feeding, key=lambda pipe: house.drains.roof_into(pipe.start))
    trouble = _spilled(rng, house, "S04", "SA1", top.start, ("SA1",))
    if trouble is not None:
        node.state = str(rng.choice(["standing_water", "silted", "collapsed"]))
    return trouble


def _blocked(rng: np.random.Generator, house: House) -> Trouble | None:
    clear = [
        pipe for pipe in house.drains.pipes.values()
        if pipe.state == "clear" and pipe.id != "R1" and pipe.end != "SA1"
    ]  # fmt: skip
    if rng.random() < 0.3 and house.drains.pipes["R1"].state == "clear":
        clear = [house.drains.pipes["R1"]]
    if not clear:
        return None
    pipe = clear[int(rng.integers(len(clear)))]
    trouble = _spilled(rng, house, "S06", pipe.id, pipe.start, (pipe.id,))
    if trouble is not None:
        pipe.state = str(rng.choice(["blocked", "slow", "grease", "roots"]))
    return trouble


def _buried(rng: np.random.Generator, house: House) -> Trouble | None:
    wall = house.plot.wall
    points = wall.points()
    found = []
    for pipe in house.drains.pipes.values():
        if pipe.state != "clear":
            continue
        for share in (0.05, 0.15, 0.3, 0.5, 0.7):
            own = pipe.own[0] + share * (pipe.own[-1] - pipe.own[0])
            apart = np.hypot(*(points - own).T)
            near = int(np.argmin(np.where(wall.outside, apart, np.inf)))
            if apart[near] < 1.2:
                found.append((pipe, share, float(wall.s[near]), float(apart[near])))
    if not found:
        return None
    pipe, share, at, away = found[int(rng.integers(len(found)))]
    pipe.state, pipe.loss = str(rng.choice(["crack", "open_joint", "displaced", "fracture"])), 0.3
    pipe.fault_at_m = share * pipe.length
    rain = RAIN_MM_DAY * house.drains.roof_into(pipe.start)
    use = house.drains.use_into(pipe.start)
    part = float(rng.uniform(0.15, 0.5))
    rate = part * (rain * WET_SPELL + use)
    if rate < 3:
        return None
    return Trouble(
        cause="S05", of_ids=(pipe.id,), at_m=at, away_m=max(away - 0.1, 0.0), rate_l_day=rate,
        event_l=0.0, strength=0.9, rhythm="use" if use > rain * WET_SPELL else "rain",
    )  # fmt: skip


def _chamber(rng: np.random.Generator, house: House) -> Trouble | None:
    node = house.drains.nodes["C1"]
    if node.state != "sound" or node.offset > 1.3:
        return None
    node.state = "wall_leaks"
    use, rain = house.drains.use_into("C1"), RAIN_MM_DAY * house.drains.roof_into("C1")
    rate = float(rng.uniform(0.1, 0.4)) * (use + rain * WET_SPELL)
    return Trouble(
        cause="S07", of_ids=("C1",), at_m=node.chainage, away_m=max(node.offset - 0.35, 0.0),
        rate_l_day=rate, strength=0.9, rhythm="use" if use > rain * WET_SPELL else "rain",
    )  # fmt: skip


def _raised(rng: np.random.Generator, house: House) -> Trouble | None:
    span = stretch_on(rng, house, 1.0, 5.0)
    if span is None:
        return None
    there = _flag(house, span)
    fabric = house.fabric
    if np.isfinite(fabric.raised[there]).any():
        return None
    top = float(fabric.outer_course[there].max()) + float(rng.uniform(0.02, 0.14))
    fabric.raised[there] = top
    house.plot.ground[there] = top
    return Trouble(cause="S08", start=span[0], end=span[1], level=top, rhythm="steady")


def _falls(rng: np.random.Generator, house: House) -> Trouble | None:
    span = stretch_on(rng, house, 2.0, 6.0)
    if span is None:
        return None
    there = _flag(house, span)
    house.plot.rise[there] = float(rng.uniform(0.015, 0.045))
    clear = house.fabric.outer_course[there] - house.plot.ground[there]
    house.plot.ground[there] += np.clip(clear - float(rng.uniform(0.06, 0.14)), 0, None)
    house.plot.hard[house.plot.wall.face[there][0]] = True
    middle = (span[0] + span[1]) / 2
    _open_joint(rng, house, middle, 0.4)
    return Trouble(
        cause="S09", start=span[0], end=span[1], strength=float(rng.uniform(0.6, 0.95)), rhythm="rain",
        event_l=float(rng.uniform(20, 120)), level=float(house.plot.ground[there].max() + 0.015),
    )  # fmt: skip


def _no_course(rng: np.random.Generator, house: House) -> Trouble | None:
    fabric = house.fabric
    if not fabric.solid and rng.random() < 0.8:
        return None
    span = stretch_on(rng, house, 1.5, 8.0)
    if span is None:
        return None
    there = _flag(house, span)
    fabric.outer_fails[there] = fabric.inner_fails[there] = True
    fabric.soil_wet = max(fabric.soil_wet, 0.5)
    return Trouble(cause="S10", start=span[0], end=span[1], rhythm="steady")


def _floor_bridge(rng: np.random.Generator, house: House) -> Trouble | None:
    fabric, wall = house.fabric, house.plot.wall
    if not (fabric.slab & wall.outside).any() or fabric.slab_bridges.any():
        return None
    zone = fabric.slab & wall.outside
    faces = [int(i) for i in np.unique(wall.face[zone])]
    chosen = [face for face in faces if rng.random() < 0.6] or faces[:1]
    bridged = zone & np.isin(wall.face, chosen)
    fabric.inner_course[bridged] = fabric.floor_level - float(rng.uniform(0.04, 0.1))
    fabric.soffit = min(fabric.soffit, float(fabric.inner_course[bridged].min()) - 0.03)
    if fabric.solid:
        fabric.outer_course[bridged] = fabric.inner_course[bridged]
    fabric.slab_bridges |= bridged
    fabric.membrane = str(rng.choice(["none", "none", "not_lapped"]))
    return Trouble(cause="S11", of_ids=("FZ2", "FZ1"), rhythm="steady")


def _debris(rng: np.random.Generator, house: House) -> Trouble | None:
    fabric = house.fabric
    if fabric.solid:
        return None
    span = stretch_on(rng, house, 0.3, 1.2)
    if span is None:
        return None
    there = _flag(house, span)
    top = float(fabric.inner_course[there].max()) + float(rng.uniform(0.03, 0.15))
    fabric.debris_top[there] = top
    number = f"CV{len(house.cavities) + 1}"
    house.cavities.append((number, *span))
    # What makes it matter is a wet outer leaf beside it: most often ground too near, or a face that leaks.
    return Trouble(cause="S12", of_ids=(number,), start=span[0], end=span[1], level=top, rhythm="rain")


def _face(rng: np.random.Generator, house: House) -> Trouble | None:
    span = stretch_on(rng, house, 0.6, 2.4)
    if span is None:
        return None
    solid = house.fabric.solid
    kinds = ["sill", "wall_face", "abutment"] if solid else ["sill", "cavity_tray", "abutment"]
    kind = str(rng.choice(kinds))
    height = {"sill": 0.9, "wall_face": 1.6, "abutment": 2.2, "cavity_tray": 2.1}[kind]
    level = house.fabric.floor_level + height + float(rng.uniform(-0.1, 0.2))
    number = f"WF{len(house.features) + 1}"
    state = "missing" if kind == "cavity_tray" else str(rng.choice(["cracked", "open"]))
    house.features.append(
        {"id": number, "kind": kind, "start": span[0], "end": span[1], "state": state, "level": level}
    )
    return Trouble(
        cause="S13", of_ids=(number,), start=span[0], end=span[1], level=level,
        strength=float(rng.uniform(0.5, 0.9)), rhythm="rain",
    )  # fmt: skip


def _plumbing(rng: np.random.Generator, house: House) -> Trouble | None:
    span = stretch_on(rng, house, 0.5, 0.9)
    if span is None:
        return None
    at = (span[0] + span[1]) / 2
    kind = str(rng.choice(["water_pipe", "waste", "heating", "water_main"]))
    number = f"SV{len(house.services) + 1}"
    radius = float(rng.uniform(0.4, 1.1))
    house.services.append({"id": number, "kind": kind, "at": at, "loses": True})
    return Trouble(
        cause="S14", of_ids=(number,), at_m=at, away_m=radius, strength=0.9,
        level=house.fabric.floor_level + float(rng.uniform(0.05, 0.9)),
        rhythm="use" if kind == "waste" else "steady", rate_l_day=float(rng.uniform(2, 40)),
    )  # fmt: skip


def _retained(rng: np.random.Generator, house: House) -> Trouble | None:
    span = stretch_on(rng, house, 2.5, 7.0)
    if span is None:
        return None
    there = _flag(house, span)
    fabric = house.fabric
    if np.isfinite(fabric.raised[there]).any():
        return None
    top = fabric.floor_level + float(rng.uniform(0.1, 0.5))
    fabric.raised[there] = top
    house.plot.ground[there] = top
    number = f"WF{len(house.features) + 1}"
    house.features.append(
        {
            "id": number, "kind": "retained_ground", "start": span[0], "end": span[1], "state": "wet",
            "level": top,
        }
    )  # fmt: skip
    return Trouble(
        cause="S18", of_ids=(number,), start=span[0], end=span[1], level=top - 0.1, strength=0.95,
        rhythm="steady",
    )  # fmt: skip


def _neighbour(rng: np.random.Generator, house: House) -> Trouble | None:
    span = stretch_on(rng, house, 1.0, 3.5, faces="party")
    if span is None:
        return None
    number = f"WF{len(house.features) + 1}"
    house.features.append(
        {
            "id": number,
            "kind": "neighbours_side",
            "start": span[0],
            "end": span[1],
            "state": "wet",
            "level": None,
        }
    )
    return Trouble(
        cause="S19", of_ids=(number,), start=span[0], end=span[1], strength=float(rng.uniform(0.4, 0.8)),
        rhythm=str(rng.choice(["rain", "use", "steady"])),
    )  # fmt: skip


def _chimney(rng: np.random.Generator, house: House) -> Trouble | None:
    faces = "party" if not house.plot.wall.free.all() and rng.random() < 0.6 else "free"
    span = stretch_on(rng, house, 1.2, 1.7, faces=faces)
    if span is None:
        return None
    number = f"WF{len(house.features) + 1}"
    house.features.append(
        {
            "id": number, "kind": "chimney_breast", "start": span[0], "end": span[1],
            "state": str(rng.choice(["open", "blocked"])), "level": house.fabric.floor_level + 7.0,
        }
    )  # fmt: skip
    return Trouble(
        cause="S20", of_ids=(number,), start=span[0], end=span[1], strength=float(rng.uniform(0.4, 0.7)),
        rhythm="rain",
    )  # fmt: skip


def _condensation(rng: np.random.Generator, house: House) -> Trouble | None:
    wall = house.plot.wall
    if "room_c" not in house.cold:
        house.cold = {
            "room_c": float(rng.uniform(16.5, 20)), "room_rh": float(rng.uniform(62, 78)),
            "out_c": float(rng.uniform(2, 7)),
        }  # fmt: skip
    corners = [i for i in range(len(wall.corners)) if wall.free[i] and wall.free[i - 1]]
    if rng.random() < 0.6 and corners:
        corner = float(wall.starts[int(rng.choice(corners))])
        reach = float(rng.uniform(0.5, 1.0))
        span = (float(np.mod(corner - reach, wall.length)), float(np.mod(corner + reach, wall.length)))
    else:
        found = stretch_on(rng, house, 1.0, 2.5)
        if found is None:
            return None
        span = found
    return Trouble(
        cause="S15", start=span[0], end=span[1], level=float(rng.uniform(0.25, 0.7)),
        strength=float(rng.uniform(0.25, 0.6)), rhythm="cold",
    )  # fmt: skip


def _salts(rng: np.random.Generator, house: House) -> Trouble | None:
    span = stretch_on(rng, house, 1.5, 5.0)
    if span is None:
        return None
    low = float(rng.uniform(0.25, 0.6))
    return Trouble(
        cause="S16", start=span[0], end=span[1], level=low, away_m=float(rng.uniform(0.4, 0.7)),
        strength=float(rng.uniform(0.5, 1.0)), rhythm="steady",
    )  # fmt: skip


def _drying(rng: np.random.Generator, house: House) -> Trouble | None:
    span = stretch_on(rng, house, 1.5, 4.5)
    if span is None:
        return None
    new = rng.random() < 0.5
    number: tuple[str, ...] = ()
    if new:
        name = f"WF{len(house.features) + 1}"
        house.features.append(
            {
                "id": name,
                "kind": "new_wet_work",
                "start": span[0],
                "end": span[1],
                "state": "present",
                "level": None,
            }
        )
        number = (name,)
    return Trouble(
        cause="S17", of_ids=number, start=span[0], end=span[1], level=float(rng.uniform(0.7, 1.6)),
        strength=float(rng.uniform(0.25, 0.45)), rhythm="falling",
    )  # fmt: skip


def _artefact(rng: np.random.Generator, house: House) -> Trouble | None:
    span = stretch_on(rng, house, 0.8, 3.0)
    if span is None:
        return None
    name = f"WF{len(house.features) + 1}"
    house.features.append(
        {
            "id": name,
            "kind": "metal_or_foil",
            "start": span[0],
            "end": span[1],
            "state": "present",
            "level": None,
        }
    )
    return Trouble(
        cause="S21", of_ids=(name,), start=span[0], end=span[1], strength=float(rng.uniform(0.5, 1.0)),
        rhythm="steady",
    )  # fmt: skip


DRAW: dict[str, Callable[[np.random.Generator, House], Trouble | None]] = {
    "S01": _gully, "S02": _foot, "S03": _gutter, "S04": _soakaway, "S05": _buried, "S06": _blocked,
    "S07": _chamber, "S08": _raised, "S09": _falls, "S10": _no_course, "S11": _floor_bridge, "S12": _debris,
    "S13": _face, "S14": _plumbing, "S15": _condensation, "S16": _salts, "S17": _drying, "S18": _retained,
    "S19": _neighbour, "S20": _chimney, "S21": _artefact,
}  # fmt: skip


def _usual_routes(rng: np.random.Generator, house: House, found: list[Trouble]) -> None:
    """Give water at the foot of a wall, in most houses, a way in: without one nobody calls a surveyor."""
    causes = {one.cause for one in found}
    feet = [one for one in found if one.cause in ("S01", "S02", "S04", "S05", "S06", "S07", "S09")]
    if not feet or causes & {"S08", "S10", "S11", "S12"}:
        return
    fabric, wall = house.fabric, house.plot.wall
    if rng.random() > 0.75:
        return
    one = feet[int(rng.integers(len(feet)))]
    at = one.at_m if np.isfinite(one.at_m) else (one.start + one.end) / 2
    near = np.abs(wall.along(at)) < rng.uniform(1.0, 3.0)
    if fabric.solid and rng.random() < 0.5:
        fabric.outer_fails |= near
        fabric.inner_fails |= near
        place = wall.ranges(near)[0]
        found.append(Trouble(cause="S10", start=place[0], end=place[1], rhythm="steady"))
    elif fabric.solid or (fabric.slab[int(wall.at(at))] and rng.random() < 0.6):
        drawn = _floor_bridge(rng, house)
        if drawn is not None:
            fabric.slab_bridges |= near & fabric.slab & wall.outside
            fabric.inner_course[near & fabric.slab] = float(fabric.inner_course[fabric.slab_bridges].min())
            found.append(drawn)
    else:
        half = float(rng.uniform(0.2, 0.5))
        start = float(np.mod(at + rng.uniform(-0.5, 0.5) - half, wall.length))
        span = (start, start + 2 * half)
        there = _flag(house, span) & wall.outside
        if there.any():
            top = float(fabric.inner_course[there].max()) + float(rng.uniform(0.03, 0.1))
            fabric.debris_top[there] = top
            number = f"CV{len(house.cavities) + 1}"
            house.cavities.append((number, *span))
            found.append(Trouble(cause="S12", of_ids=(number,), start=span[0], end=span[1], level=top))
