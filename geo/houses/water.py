"""How water gets from a fault to the foot of the wall and into the cavity, from first principles."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geo.houses.fabric import Fabric
from geo.houses.plots import Plot
from geo.houses.truth import Trouble
from geo.houses.wall import Numbers

SECONDS_A_DAY = 86400.0
MASONRY_SPREAD_M = 0.12
ENTERS_SHARE = 0.3
FOOTING_SHARE = 0.6


@dataclass(slots=True, kw_only=True, eq=False)
class Supply:
    """Water one trouble brings to the wall, per step.

    Parameters
    ----------
    outer_foot, inner_foot
        Saturation at the foot of each leaf, 0 to 1 (the same in a solid wall).
    standing
        Level of water standing in the cavity, m; minus infinity where none does.
    """

    outer_foot: Numbers
    inner_foot: Numbers
    standing: Numbers


def wet_radius(rate_l_day: float, *, conductivity_m_s: float, sorptive_1_m: float) -> float:
    """Return how far ground is saturated round a point that leaks beside a wall, m.

    Wooding (1968): a disc of radius r on deep ground takes K (π r² + 4 r / α). Beside a wall half of it
    is there, so the leak does the work of twice its rate.
    """
    q = 2 * rate_l_day / 1000 / SECONDS_A_DAY
    k, line = conductivity_m_s, 4 * conductivity_m_s / sorptive_1_m
    return (-line + math.sqrt(line**2 + 4 * math.pi * k * q)) / (2 * math.pi * k)


def point_supply(plot: Plot, fabric: Fabric, trouble: Trouble) -> Numbers:
    """Return the saturation of the wall's foot round a leak, skewed the way the ground falls."""
    wall = plot.wall
    radius = wet_radius(trouble.rate_l_day, conductivity_m_s=fabric.soil_k, sorptive_1_m=fabric.soil_alpha)
    along = wall.along(trouble.at_m)
    place = int(wall.at(trouble.at_m))
    step = wall.length / len(wall.s)
    ahead, behind = (plot.ground[(place + n) % len(wall.s)] for n in (10, -10))
    slope = float(ahead - behind) / (20 * step)
    hard = bool(plot.hard[wall.face[place]])
    skew = 1 + min(1.5, (25 if hard else 8) * abs(slope))
    downhill = (along > 0) == (slope < 0)
    apart = np.hypot(np.where(downhill, along / skew, along * skew), trouble.away_m)
    spread = 1 / fabric.soil_alpha + MASONRY_SPREAD_M
    with np.errstate(over="ignore", invalid="ignore"):
        foot = np.where(apart <= radius, 1.0, np.exp(-(apart - radius) / spread))
    return np.where(np.isfinite(apart), foot * trouble.strength, 0.0)


def supply_of(plot: Plot, fabric: Fabric, trouble: Trouble) -> Supply:
    """Return what a trouble brings to the foot of the wall and, where a joint is open, into the cavity."""
    wall = plot.wall
    if trouble.cause in ("S09", "S18"):
        foot = np.where(wall.between(trouble.start, trouble.end) & wall.outside, trouble.strength, 0.0)
    else:
        foot = point_supply(plot, fabric, trouble)
    standing = np.full(len(wall.s), -np.inf)
    if fabric.solid:
        return Supply(outer_foot=foot, inner_foot=foot, standing=standing)
    standing = _tank(plot, fabric, trouble, foot)
    if trouble.cause == "S18":
        standing = np.where(foot > 0, np.maximum(standing, trouble.level), standing)
    inner = np.where(standing > fabric.cavity_base, 1.0, FOOTING_SHARE * foot)
    return Supply(outer_foot=foot, inner_foot=inner, standing=standing)


def _tank(plot: Plot, fabric: Fabric, trouble: Trouble, foot: Numbers) -> Numbers:
    """Fill the length of cavity between two dams behind an open joint where water stands at it."""
    wall = plot.wall
    none = np.full(len(wall.s), -np.inf)
    head = trouble.level if math.isfinite(trouble.level) else -math.inf
    way_in = (foot > 0.8 * trouble.strength) & (fabric.entry < np.maximum(head, plot.ground + 0.02))
    if not way_in.any() or trouble.event_l <= 0:
        return none
    first = int(np.flatnonzero(way_in)[0])
    same = (fabric.tank == fabric.tank[first]) & (wall.arc == wall.arc[first])
    base = float(np.median(fabric.cavity_base[same]))
    length = float(same.sum()) * wall.length / len(wall.s)
    full = base + ENTERS_SHARE * trouble.event_l / 1000 / (fabric.cavity_m * length)
    level = min(full, float(fabric.entry[way_in].min()))
    return np.where(same & (level > fabric.cavity_base), level, none)


def ground_supply(plot: Plot, fabric: Fabric) -> Supply:
    """Return what the damp ground itself brings."""
    wall = plot.wall
    foot = np.where(wall.outside, fabric.soil_wet, 0.0)
    below = -np.full(len(wall.s), np.inf)
    inner = foot if fabric.solid else FOOTING_SHARE * foot
    if fabric.membrane in ("none", "not_lapped"):
        inner = np.maximum(inner, np.where(fabric.slab, 0.9 * fabric.soil_wet, 0.0))
    return Supply(outer_foot=foot, inner_foot=inner, standing=below)
