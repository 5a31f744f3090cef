"""Every home is worked out in one block, and every block is given all that stands in its window."""

from __future__ import annotations

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
from hypothesis import given
from hypothesis import strategies as st

from geo.screen.footprints import Footprints, allot
from geo.screen.heights import Lattice

along = st.integers(-150, 150)
short, long = st.integers(1, 8), st.integers(100, 300)
usual = st.lists(st.tuples(along, along, short, short), min_size=20, max_size=60)
odd = st.lists(st.tuples(along, along, short | long, short), min_size=1, max_size=30)


@given(usual | odd, st.integers(0, 60), st.sampled_from([(1.0, 1.0), (0.5, 0.5), (2.0, 1.0)]))
def test_a_block_has_its_homes_and_whatever_else_its_window_touches(
    given_boxes: list[tuple[int, int, int, int]], reach_m: int, cell: tuple[float, float]
) -> None:
    """Against every pair of home and window, looked at one by one; homes may be longer than a block."""
    bounds = np.array([(x, y, x + width, y + depth) for x, y, width, depth in given_boxes], dtype=float)
    homes = Footprints(table=pa.table({"home_no": np.arange(len(bounds))}), bounds=bounds)
    lattice = Lattice(ox=0.0, oy=0.0, a=cell[0], b=cell[1])
    blocks = allot(homes, lattice, side_cells=100, reach_m=reach_m)
    assert sorted(np.concatenate([block.own for block in blocks])) == list(range(len(bounds)))
    for block in blocks:
        west, south = bounds[block.own, :2].min(axis=0) - reach_m
        east, north = bounds[block.own, 2:].max(axis=0) + reach_m
        touched = [
            home
            for home, box in enumerate(bounds)
            if box[0] <= east and box[2] >= west and box[1] <= north and box[3] >= south
        ]
        assert sorted([*block.own, *block.others]) == touched
        row, column, rows, columns = block.window
        assert column * lattice.a <= west + 1e-9
        assert (column + columns) * lattice.a >= east - 1e-9
        assert -row * lattice.b >= north - 1e-9
        assert -(row + rows) * lattice.b <= south + 1e-9
