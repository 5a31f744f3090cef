"""What an invented house is built of: leaves, damp proof courses, cavity, floors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geo.houses.plots import Plot, draw_plot
from geo.houses.wall import Flags, Numbers

DRAINAGE_M_S = (1e-7, 3e-5)
"""Hydraulic conductivity of made ground beside houses, from clay to sandy fill (textbook range)."""


@dataclass(slots=True, kw_only=True, eq=False)
class Fabric:
    """The walls, the floors and the ground as they truly are; per step of the wall where arrays.

    Parameters
    ----------
    solid
        Whether the walls are one solid leaf.
    thickness_m, cavity_m
        Whole wall, and its cavity.
    floor_level
        Finished floor, m.
    outer_course, inner_course
        Damp proof courses, m.
    outer_fails, inner_fails
        Where they let water past.
    cavity_base, debris_top
        Cavity, m; the debris NaN where there is none.
    tank
        Number of the length of cavity between two dams.
    entry
        Lowest open joint of the outer leaf into the cavity, m; infinite where there is none.
    slab
        Where a solid floor meets the wall.
    slab_bridges
        Where that floor touches the inner leaf above its damp proof course.
    soffit
        Underside of the slab, m.
    membrane
        Word for the floor's membrane.
    raised
        Top of what lies against the wall over the ground, m; NaN where nothing does.
    soil_wet
        How wet the ground beside the walls is, 0 to 1.
    soil_k, soil_alpha
        Hydraulic conductivity, m/s, and sorptive number, 1/m, of the ground.
    suction, evaporation, porosity
        Sorptivity, mm/min½; evaporation of a face, mm/min; pore space the front fills.
    outside_is, inside_is
        Materials one can read.
    """

    solid: bool
    thickness_m: float
    cavity_m: float
    floor_level: float
    outer_course: Numbers
    inner_course: Numbers
    outer_fails: Flags
    inner_fails: Flags
    cavity_base: Numbers
    debris_top: Numbers
    tank: Numbers
    entry: Numbers
    slab: Flags
    slab_bridges: Flags
    soffit: float
    membrane: str
    raised: Numbers
    soil_wet: float
    soil_k: float
    soil_alpha: float
    suction: float
    evaporation: float
    porosity: float
    outside_is: str
    inside_is: str

    def rise(self, leaf_m: float, *, faces: int = 1) -> float:
        """Return how high a sharp front stands in a leaf that evaporates from one face or two, m.

        Hall and Hoff (2007): h = S √(b / (2 e θ)) with evaporation e from one face, 2 e with two.
        """
        fall = 2 * faces * self.evaporation * self.porosity
        return self.suction * float(np.sqrt(1000 * leaf_m / fall)) / 1000


def draw_fabric(rng: np.random.Generator) -> tuple[Plot, Fabric]:
    """Draw a sound house: nothing in it lets water past the barrier yet."""
    floor = round(10.0 + float(rng.uniform(-0.1, 0.4)), 3)
    course = floor - float(rng.uniform(0.0, 0.06))
    plot = draw_plot(rng, clearance=float(rng.uniform(0.16, 0.26)), course=course)
    wall = plot.wall
    count = len(wall.s)
    solid = bool(rng.random() < 0.4)
    cavity = 0.0 if solid else float(rng.choice([0.05, 0.06, 0.075]))
    thickness = float(rng.choice([0.23, 0.34, 0.45])) if solid else round(0.2025 + 0.013 + cavity, 3)
    outer = np.full(count, course)
    inner = outer if solid else np.full(count, floor - float(rng.uniform(0.0, 0.02)))
    slab = np.ones(count, dtype=bool)
    if rng.random() < 0.35:
        # Boards at the front and a solid floor in the offshoot, or boards all through.
        points = wall.points() - 0.05 * wall.normals()
        slab = points[:, 1] > plot.depth - 0.1 if plot.offshoot is not None else np.zeros(count, dtype=bool)
    dams = np.sort(rng.uniform(0, wall.length, int(rng.integers(1, 4))))
    corners = wall.starts[:-1][rng.random(len(wall.starts) - 1) < 0.4]
    tank = np.searchsorted(np.sort(np.concatenate([dams, corners])), wall.s) % (len(dams) + len(corners))
    low, high = np.log(DRAINAGE_M_S)
    fabric = Fabric(
        solid=solid, thickness_m=thickness, cavity_m=cavity, floor_level=floor,
        outer_course=outer, inner_course=np.array(inner),
        outer_fails=np.zeros(count, dtype=bool), inner_fails=np.zeros(count, dtype=bool),
        cavity_base=np.minimum(plot.ground - 0.1, course - 0.225) - rng.uniform(0, 0.1),
        debris_top=np.full(count, np.nan), tank=tank.astype(np.float64),
        entry=np.full(count, np.inf), slab=slab, slab_bridges=np.zeros(count, dtype=bool),
        soffit=floor - float(rng.uniform(0.12, 0.2)),
        membrane=str(rng.choice(["lapped", "present", "lapped", "not_lapped"])),
        raised=np.full(count, np.nan), soil_wet=float(rng.uniform(0.25, 0.8)),
        soil_k=float(np.exp(rng.uniform(low, high))), soil_alpha=float(rng.uniform(4, 14)),
        suction=float(np.exp(rng.normal(np.log(0.5), 0.3))),
        evaporation=float(np.exp(rng.normal(np.log(0.0009), 0.3))),
        porosity=float(rng.uniform(0.15, 0.25)),
        outside_is=str(rng.choice(["brick", "brick", "brick", "stone" if solid else "cement_render"])),
        inside_is=str(
            rng.choice(["gypsum_plaster", "gypsum_plaster", "lime_plaster" if solid else "gypsum_plaster"])
        ),
    )  # fmt: skip
    return plot, fabric
