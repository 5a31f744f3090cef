"""What must hold of every simulated house: water is conserved, nothing falls outside its range, nothing leaks between rooms of the code."""

from __future__ import annotations

import ast
import math
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

import geo.houses
from geo.houses.fabric import draw_fabric
from geo.houses.house import draw_house
from geo.houses.pipes import back_up, draw_drains
from geo.houses.water import wet_radius

ALLOWED = ("geo.houses", "geo.site", "geo.reference", "geo.errors", "geo.verdict", "geo.stats")
seeds = st.integers(0, 2**31 - 1)


def test_the_simulator_imports_nothing_of_what_infers() -> None:
    """The simulator imports nothing of what infers."""
    for path in Path(next(iter(geo.houses.__path__))).glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module] if isinstance(node, ast.ImportFrom) else []
            names += [name.name for name in node.names] if isinstance(node, ast.Import) else []
            for name in names:
                if name and name.startswith("geo."):
                    assert name.startswith(ALLOWED), f"{path.name} imports {name}"


@settings(max_examples=10, deadline=None)
@given(seeds)
def test_moisture_is_a_share_and_ranges_lie_on_the_wall(number: int) -> None:
    """Moisture is a share and ranges lie on the wall."""
    house = draw_house(11, number)
    fields = house.fields
    for each in (fields.outer, fields.room, fields.core, fields.film, fields.salts, fields.artefact):
        assert each.min() >= 0
        assert each.max() <= 1
    for true in house.causes:
        for one in true.ranges:
            assert 0 <= one.from_m <= house.length_m + 1e-9
            assert 0 <= one.to_m <= house.length_m + 1e-9


@settings(max_examples=60, deadline=None)
@given(seeds)
def test_water_comes_up_at_the_lowest_way_out_it_can_reach(number: int) -> None:
    """Wherever it comes up no node joined above the stop, by pipes that crest lower, has a lower way out."""
    rng = np.random.default_rng(number)
    plot, _ = draw_fabric(rng)
    drains = draw_drains(rng, plot)
    for pipe in drains.pipes.values():
        found = back_up(drains, stopped=pipe.id, start=pipe.start)
        if found is None:
            continue
        assert found.litres >= 0
        assert found.level >= drains.nodes[found.node].spill or math.isclose(
            found.level, drains.nodes[found.node].spill
        )
        assert found.level <= max(drains.nodes[pipe.start].spill, drains.nodes[pipe.start].invert) + 1e-9


@given(st.floats(0.5, 2000), st.floats(-7.5, -4.5).map(lambda x: 10**x), st.floats(1, 30), st.floats(1.01, 5))
def test_more_water_wets_further_and_looser_ground_less(
    litres: float, k: float, alpha: float, times: float
) -> None:
    """More water wets further and looser ground less."""
    radius = wet_radius(litres, conductivity_m_s=k, sorptive_1_m=alpha)
    assert wet_radius(litres * times, conductivity_m_s=k, sorptive_1_m=alpha) > radius
    assert wet_radius(litres, conductivity_m_s=k * times, sorptive_1_m=alpha) < radius
