"""Site (c): a former school round a courtyard, with a lightwell; thick solid walls.

Axes: u from 0 to 24 m along the front, v from 0 at the front to 18 m at the back. The courtyard lies at
u 8 to 16, v 6 to 13 (ring Y1); the lightwell at u 19 to 21.5, v 14.5 to 16 (ring Y2).
"""

from __future__ import annotations

import numpy as np
import shapely
from scenarios.meters import carbide, core_head, pad, timber_pins
from scenarios.plan import Frame, Ring
from scenarios.terrain import Array
from scenarios.truths import (
    Wet,
)

NAME = "old_school"
FRAME = Frame(462385.40, 339240.15, 118.0)
DAY = "2026-05-06"
HALL = "H1"
THICK = 0.45
OUTER = Ring(HALL, ((0, 0), (0, 18), (24, 18), (24, 0)), thickness=(THICK,) * 4)
YARD = Ring(HALL, ((8, 6), (8, 13), (16, 13), (16, 6)), ring="Y1", thickness=(THICK,) * 4)
WELL = Ring(HALL, ((19, 14.5), (19, 16), (21.5, 16), (21.5, 14.5)), ring="Y2", thickness=(THICK,) * 4)
RINGS = (OUTER, YARD, WELL)
# Ground in the site's datum: bench mark, bolt in the plinth by the entrance, 30.000.
FRONT, FRONT_AWAY = 30.150, 0.050
BACK, BACK_TO_WALL = 30.200, 0.040
LEFT_AWAY = 0.045
RIGHT = 30.300  # a tarmac strip laid level, above the old ground
YARD_RIDGE, YARD_FALL, YARD_U, YARD_V = 30.160, 0.020, 12.0, 9.5
WELL_FLOOR = 28.950
DPC, FLOOR = 30.400, 30.450
BOILER_SILL = 30.180  # threshold of the boiler room, the lowest way out of the courtyard
RASTER_ABOVE_SITE = 44.20
RELATIVE = 0.012
# Each of the first 40 seeds bears out every word on falls; this one keeps well inside its errors, and
# the hollow of the courtyard within a few millimetres of its true level.
RASTER_SEED = 9
OUTLETS: dict[str, tuple[Ring, float, float]] = {
    "GK": (OUTER, 23.00, 0.30),
    "D1": (OUTER, 19.00, 0.07),
    "D2": (OUTER, 41.00, 0.07),
    "G1": (OUTER, 41.00, 0.28),
    "D3": (OUTER, 61.00, 0.07),
    "G2": (OUTER, 61.00, 0.28),
    "D4": (OUTER, 83.00, 0.07),
    "G3": (OUTER, 83.00, 0.28),
    "GY1": (YARD, 18.50, 0.35),
    "DY1": (YARD, 18.50, 0.07),
    "GY2": (YARD, 3.50, 0.35),
    "DY2": (YARD, 3.50, 0.07),
    "GW": (WELL, 5.00, 0.20),
}
PAD, CORE, TIMBER, VESSEL = pad("PAD-5"), core_head("MW-2"), timber_pins("PIN-6"), carbide("CV-3")
WETS = (
    Wet(
        "T1",
        YARD,
        16.60,
        20.60,
        "water stands against the wall while gully GY1 is blocked",
        (PAD, VESSEL),
        "outside",
        "GY1",
    ),
    Wet("T2", YARD, 16.80, 20.40, "as T1, through the wall", (CORE, TIMBER), "inside", "GY1"),
    Wet(
        "T3",
        OUTER,
        22.30,
        23.80,
        "lip of kitchen gully GK broken; it spills on wash days",
        (PAD,),
        "outside",
        "GK",
    ),
    Wet("T4", OUTER, 22.20, 23.90, "as T3, through the wall", (CORE,), "inside", "GK"),
    Wet(
        "T5",
        OUTER,
        44.30,
        48.30,
        "tarmac laid up to within 100 mm of the damp proof course",
        (PAD,),
        "outside",
    ),
    Wet("T6", OUTER, 44.50, 48.00, "as T5, through the wall", (CORE,), "inside"),
)


def surface(u: Array, v: Array) -> Array:
    """Return the true level of the ground."""
    out = np.maximum(-v, 0)
    front = FRONT - FRONT_AWAY * np.minimum(out, 6) - 0.01 * np.maximum(out - 6, 0)
    back = BACK + BACK_TO_WALL * np.minimum(v - 18, 7) + 0.02 * np.maximum(v - 25, 0)
    left = FRONT + (BACK - FRONT) * v / 18 - LEFT_AWAY * np.minimum(-u, 6) - 0.02 * np.maximum(-u - 6, 0)
    right = RIGHT - 0.03 * np.maximum(u - 29, 0)
    yard = YARD_RIDGE - YARD_FALL * np.abs(u - YARD_U) + YARD_FALL * np.abs(v - YARD_V)
    within = (v >= 0) & (v < 18)
    well = (u > 19) & (u < 21.5) & (v > 14.5) & (v < 16)
    level = np.where(v < 0, front, back)
    level = np.where(within & (u < 0), left, level)
    level = np.where(within & (u > 24), right, level)
    level = np.where((u > 8) & (u < 16) & (v > 6) & (v < 13), yard, level)
    return np.where(well, WELL_FLOOR, level)


def ground(u: float, v: float) -> float:
    """Return the true level at one place."""
    return float(surface(np.array(u), np.array(v)))


def outline() -> shapely.Polygon:
    """Return the building with its two holes."""
    return shapely.Polygon(OUTER.corners, [YARD.corners, WELL.corners])


HEDGE = shapely.box(-3.2, 2.0, -2.0, 11.0)  # 1.3 m high, along the left side
SHED = shapely.box(26.2, 12.5, 28.4, 15.0)  # 2.1 m high
