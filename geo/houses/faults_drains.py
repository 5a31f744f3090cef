"""What goes wrong with gullies, downpipes, gutters and drains."""

from __future__ import annotations

import math

import numpy as np

from geo.houses.home import WET_SPELL, House, leak_at, open_joint
from geo.houses.pipes import RAIN_MM_DAY, back_up
from geo.houses.truth import Trouble


def draw_gully(rng: np.random.Generator, house: House) -> Trouble | None:
    """Break a gully's lip or surround, loosen it, or let its waste miss it."""
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
    open_joint(rng, house, node.chainage, 0.5)
    leak = leak_at(node, node.loss, rain_l=RAIN_MM_DAY * house.drains.roof_into(node.id), use_l=node.use_l)
    return Trouble(cause="S01", of_ids=(node.id,), strength=0.9, level=node.spill, **leak)


def draw_foot(rng: np.random.Generator, house: House) -> Trouble | None:
    """Open, crack or disconnect the foot of a downpipe."""
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
    open_joint(rng, house, node.chainage, 0.35)
    leak = leak_at(node, node.loss, rain_l=RAIN_MM_DAY * node.roof_m2, use_l=0.0)
    return Trouble(cause="S02", of_ids=(node.id,), strength=0.9, **leak)


def draw_gutter(rng: np.random.Generator, house: House) -> Trouble | None:
    """Let a gutter leak, sag or overshoot."""
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
    leak = leak_at(node, part, rain_l=rain, use_l=use)
    if leak["rate_l_day"] < 5.0:
        return None
    open_joint(rng, house, node.chainage, 0.6)
    house.stops.add(stopped)
    return Trouble(
        cause=cause, of_ids=of_ids, strength=0.95, level=found.level, stopped=stopped, fed_at=fed_at, **leak
    )


def draw_soakaway(rng: np.random.Generator, house: House) -> Trouble | None:
    """Let the soakaway fail, where its water comes up beside the wall."""
    node = house.drains.nodes.get("SA1")
    feeding = [pipe for pipe in house.drains.pipes.values() if pipe.end == "SA1"]
    if node is None or not feeding or node.state != "works":
        return None
    top = max(feeding, key=lambda pipe: house.drains.roof_into(pipe.start))
    trouble = _spilled(rng, house, "S04", "SA1", top.start, ("SA1",))
    if trouble is not None:
        node.state = str(rng.choice(["standing_water", "silted", "collapsed"]))
    return trouble


def draw_blocked(rng: np.random.Generator, house: House) -> Trouble | None:
    """Stop a run, where its water comes up beside the wall."""
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


def draw_buried(rng: np.random.Generator, house: House) -> Trouble | None:
    """Crack a run that passes near the wall."""
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


def draw_chamber(rng: np.random.Generator, house: House) -> Trouble | None:
    """Let the chamber near the wall leak."""
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
