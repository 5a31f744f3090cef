"""How water at the foot of a wall, or on its face, spreads in it and past its barriers."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from geo.houses.fabric import Fabric
from geo.houses.plots import Plot
from geo.houses.truth import Fields, Trouble
from geo.houses.wall import Numbers
from geo.houses.water import Supply, ground_supply, supply_of

SEEN_WET = 0.15
"""Saturation that an ordinary meter tells from its dry reference in these houses."""
UNDER_M, OVER_M, STEP_M = 0.6, 2.4, 0.05
OUTER_LEAF_M = INNER_LEAF_M = 0.1025
BELOW_COURSE_SHARE = 0.2
FOOTING_OVER_BASE_M = 0.1
"""Wet footing brickwork stands this far above the base of the cavity."""

FOOT = ("S01", "S02", "S04", "S05", "S06", "S07", "S09", "S18")


@dataclass(slots=True, kw_only=True, eq=False)
class Shares:
    """What one supply of water does to the wall, (steps, levels); ``room`` by the route it took."""

    outer: Numbers
    room: dict[str, Numbers] = field(default_factory=dict)
    floor: Numbers | None = None


def levels_of(fabric: Fabric) -> Numbers:
    """Return the levels at which moisture is worked out, m."""
    return np.arange(-UNDER_M, OVER_M + STEP_M / 2, STEP_M) + fabric.floor_level


def front(z: Numbers, base: Numbers, top: Numbers, foot: Numbers) -> Numbers:
    """Return saturation of a rise between a base and a top: full below, steep at the front."""
    reach = np.maximum(top - base, 1e-3)[:, None]
    x = np.clip((z[None, :] - base[:, None]) / reach, 0.0, 1.0)
    return np.asarray(foot[:, None] * (1 - x**3))


def spread(plot: Plot, fabric: Fabric, supply: Supply, z: Numbers) -> Shares:
    """Let water at the foot of the wall rise in its leaves and find its ways past the barrier.

    Every way that is open is followed on its own: through a failed damp proof course (``S10``), from
    ground or paving over it (``S08``), through a floor that touches the inner leaf above its course
    (``S11``), over debris in the cavity (``S12``), and by water standing over the inner course (``over``).
    """
    ground = plot.ground
    outer_leaf = fabric.thickness_m if fabric.solid else OUTER_LEAF_M
    rise = fabric.rise(outer_leaf, faces=2)
    rise_in = fabric.rise(INNER_LEAF_M if not fabric.solid else outer_leaf, faces=2)
    below = z[None, :] <= fabric.outer_course[:, None]
    top = ground + rise * np.clip(supply.outer_foot, 0.15, 1.0)
    free_rise = front(z, ground, top, supply.outer_foot)
    outer = np.where(below, free_rise, 0.0)
    by = {}
    failed = np.where(fabric.outer_fails[:, None], free_rise, 0.0)
    raised = np.where(np.isfinite(fabric.raised), fabric.raised, ground)
    over = raised > fabric.outer_course
    from_raised = np.where(
        over[:, None],
        front(z, raised, raised + rise * np.clip(supply.outer_foot, 0.15, 1), supply.outer_foot),
        0.0,
    )
    outer = np.maximum.reduce([outer, failed, from_raised])
    if fabric.solid:
        by["S10"], by["S08"] = failed, from_raised
    else:
        foot = np.maximum(supply.standing, fabric.cavity_base + FOOTING_OVER_BASE_M)
        rising = front(z, foot, foot + rise_in * np.clip(supply.inner_foot, 0.15, 1), supply.inner_foot)
        by["S10"] = np.where(fabric.inner_fails[:, None], rising, 0.0)
        drowned = supply.standing > fabric.inner_course
        by["over"] = np.where(drowned[:, None], rising, 0.0)
        by["S12"] = over_debris(fabric, outer, z, rise_in)
    by["S11"], floor = _through_floor(plot, fabric, supply, z, rise_in)
    return Shares(outer=outer, room=by, floor=floor)


def over_debris(fabric: Fabric, outer: Numbers, z: Numbers, rise: float) -> Numbers:
    """Let a wet outer leaf pass its water over debris that lies above the inner damp proof course."""
    top = fabric.debris_top
    bridges = np.isfinite(top) & (top > fabric.inner_course)
    if not bridges.any():
        return np.zeros_like(outer)
    touching = (z[None, :] >= np.nan_to_num(top, nan=0)[:, None] - 0.35) & (
        z[None, :] <= np.nan_to_num(top, nan=0)[:, None] + 0.05
    )
    wet = np.where(touching, outer, 0.0).max(axis=1) * bridges * 0.9
    start = np.where(bridges, top, 0.0)
    patch = front(z, start, start + 0.5 * rise, wet)
    return np.where(z[None, :] >= (fabric.inner_course - 0.02)[:, None], patch, 0.0)


def _through_floor(
    plot: Plot, fabric: Fabric, supply: Supply, z: Numbers, rise: float
) -> tuple[Numbers, Numbers]:
    """Let the inner leaf below its course wet a slab that touches it above, and the wall over that."""
    foot_level = plot.ground if fabric.solid else fabric.cavity_base + FOOTING_OVER_BASE_M
    wet_level = np.minimum(fabric.inner_course, np.maximum(supply.standing, foot_level) + rise)
    works = fabric.slab_bridges & fabric.slab & (wet_level > fabric.soffit)
    foot = np.where(works, 0.85 * supply.inner_foot, 0.0)
    start = np.full(len(foot), fabric.floor_level)
    through = front(z, start, start + 0.7 * rise * np.clip(foot, 0.15, 1), foot)
    return np.where(z[None, :] >= fabric.floor_level - 0.02, through, 0.0), foot


def on_face(plot: Plot, fabric: Fabric, trouble: Trouble, z: Numbers) -> Shares:
    """Let water on the outer face run down from where it comes, and through a solid wall."""
    wall = plot.wall
    if np.isfinite(trouble.at_m):
        across = np.exp(-((wall.along(trouble.at_m) / 0.4) ** 2))
    else:
        across = np.where(wall.between(trouble.start, trouble.end) & wall.outside, 1.0, 0.0)
    down = trouble.level - z
    reach = 6.0 if trouble.cause == "S03" else 1.1
    streak = np.where(down >= 0, np.clip(1 - down / reach, 0, 1), np.exp(-((down / 0.1) ** 2)))
    outer = trouble.strength * across[:, None] * streak[None, :]
    outer = outer * (z[None, :] >= plot.ground[:, None])
    if fabric.solid or trouble.cause == "S13":
        share = 0.75 if fabric.solid else 0.6
        high = np.clip((z - fabric.floor_level) / 1.0, 0.0, 1.0) if trouble.cause == "S03" else 1.0
        inside = outer * share * high
    else:
        inside = np.zeros_like(outer)
    rise = fabric.rise(INNER_LEAF_M, faces=2)
    by = {"face": inside * (z[None, :] >= fabric.floor_level)}
    if not fabric.solid:
        by["S12"] = over_debris(fabric, outer, z, rise)
    return Shares(outer=outer, room=by)


def in_room(plot: Plot, fabric: Fabric, trouble: Trouble, z: Numbers) -> Shares:
    """Let water from a pipe, a chimney or the neighbour spread round where it comes in."""
    wall = plot.wall
    none = np.zeros((len(wall.s), len(z)))
    height = z[None, :] - fabric.floor_level
    if trouble.cause == "S14":
        across = wall.along(trouble.at_m)[:, None]
        same = np.isfinite(across)
        out = np.hypot(np.where(same, across, 9.0), z[None, :] - trouble.level) / trouble.away_m
        blob = trouble.strength * np.exp(-(out**2))
        # Water runs down as well as it is drawn up.
        under = trouble.strength * np.exp(-((np.where(same, across, 9.0) / trouble.away_m) ** 2))
        blob = np.maximum(blob, np.where(z[None, :] < trouble.level, 0.8 * under, 0.0))
        return Shares(outer=none, room={"pipe": blob * (height >= -0.02)}, floor=blob[:, _floor(z, fabric)])
    there = wall.between(trouble.start, trouble.end)[:, None]
    if trouble.cause == "S20":
        shape = np.clip(0.35 + 0.4 * height, 0.0, 1.0)
    else:
        shape = np.clip(1 - (height / 1.0) ** 3, 0.0, 1.0)
    wet = trouble.strength * there * shape * (height >= -0.02)
    return Shares(outer=none, room={"through": wet}, floor=wet[:, _floor(z, fabric)])


def _floor(z: Numbers, fabric: Fabric) -> int:
    return int(np.argmin(np.abs(z - fabric.floor_level)))


def moisture_of(
    plot: Plot, fabric: Fabric, troubles: list[Trouble], *, salts_rng: np.random.Generator
) -> tuple[Fields, dict[int, Shares]]:
    """Work out the moisture of the whole wall, and the share each trouble has in it.

    Returns
    -------
    The fields, and by place in the list (-1 for the ground itself) what each supply does.
    """
    z = levels_of(fabric)
    shares: dict[int, Shares] = {}
    own_ground = spread(plot, fabric, ground_supply(plot, fabric), z)
    below = z[None, :] <= fabric.outer_course[:, None]
    special = fabric.outer_fails | (np.nan_to_num(fabric.raised, nan=-np.inf) > fabric.outer_course)
    own_ground.outer = np.where(
        below & ~special[:, None], BELOW_COURSE_SHARE * own_ground.outer, own_ground.outer
    )
    shares[-1] = own_ground
    for number, trouble in enumerate(troubles):
        if trouble.cause in FOOT:
            shares[number] = spread(plot, fabric, supply_of(plot, fabric, trouble), z)
        elif trouble.cause in ("S03", "S13"):
            shares[number] = on_face(plot, fabric, trouble, z)
        elif trouble.cause in ("S14", "S19", "S20"):
            shares[number] = in_room(plot, fabric, trouble, z)
    return _added_up(plot, fabric, troubles, shares, z, salts_rng), shares


def _added_up(
    plot: Plot, fabric: Fabric, troubles: list[Trouble], shares: dict[int, Shares], z: Numbers,
    rng: np.random.Generator,
) -> Fields:  # fmt: skip
    """Put all shares together, with what only makes the wall read wet."""
    shape = (len(plot.wall.s), len(z))
    dry_out, dry_room, dry_floor = np.ones(shape), np.ones(shape), np.ones(shape[0])
    salts, film, artefact, residue = (np.zeros(shape) for _ in range(4))
    for each in shares.values():
        dry_out *= 1 - np.clip(each.outer, 0, 0.98)
        for through in each.room.values():
            dry_room *= 1 - np.clip(through, 0, 0.98)
        if each.floor is not None:
            dry_floor *= 1 - np.clip(each.floor, 0, 0.98)
    if "S10" in shares[-1].room:
        # Where water has long evaporated at the top of a rise, its salts are left.
        rise = shares[-1].room["S10"]
        front_here = (rise > 0.02) & (rise < 0.6 * max(fabric.soil_wet, 0.01))
        salts = np.maximum(salts, 0.7 * front_here)
    height = z[None, :] - fabric.floor_level
    for trouble in troubles:
        there = plot.wall.between(trouble.start, trouble.end)[:, None] if np.isfinite(trouble.start) else None
        if there is None:
            continue
        if trouble.cause == "S15":
            film = np.maximum(
                film, trouble.strength * there * np.exp(-np.clip(height, 0, None) / trouble.level)
            )
        elif trouble.cause == "S16":
            low, high = trouble.level, trouble.level + trouble.away_m
            salts = np.maximum(salts, trouble.strength * there * ((height >= low) & (height <= high)))
        elif trouble.cause == "S17":
            left = trouble.strength * there * np.clip(1 - (height / trouble.level) ** 2, 0, 1)
            residue = np.maximum(residue, left * (height >= 0))
        elif trouble.cause == "S21":
            artefact = np.maximum(artefact, trouble.strength * there * (height >= 0))
    room = 1 - dry_room * (1 - residue)
    core = np.clip(room * (1.05 + 0.15 * rng.random()), 0, 1)
    shares_by = {"residue": residue}
    return Fields(
        z=z, outer=1 - dry_out, room=room, core=core, salts=salts, film=film, artefact=artefact,
        floor=1 - dry_floor, shares=shares_by,
    )  # fmt: skip
