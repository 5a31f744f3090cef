"""Facts of the pinned pair that hold at every place."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from pyproj import CRS, Geod

from geo.site import crs as crs_module
from geo.site.crs import from_lonlat, to_lonlat
from geo.site.model import LOCAL_GRID

GRID = CRS.from_epsg(27700)
LOCAL = CRS.from_wkt(LOCAL_GRID)
ELLIPSOID = Geod(ellps="WGS84")
EAST, NORTH = st.floats(160000, 640000), st.floats(60000, 950000)
SMALL = st.floats(-150, 150)


@given(st.lists(st.tuples(EAST, NORTH), min_size=1, max_size=6))
def test_a_point_does_not_depend_on_its_company(points: list[tuple[float, float]]) -> None:
    """Points drawn together lie where each lies alone: no operation is chosen point by point."""
    together = to_lonlat(points, GRID)
    alone = np.vstack([to_lonlat([point], GRID) for point in points])
    assert np.array_equal(together, alone)


@given(EAST, NORTH)
@example(638000.0, 624000.0)
def test_the_national_grid_comes_back(east: float, north: float) -> None:
    """A place of the grid's land and near sea, inside OSTN15 or out of it, comes back to 0.01 mm.

    Where OSTN15 ends, far out at sea, the plain transformation beyond jumps by some metres: within 10 m of
    that edge two places share one longitude and latitude, and only one of them can come back.
    """
    around = np.array([[east + i, north + j] for i in (-10.0, 0.0, 10.0) for j in (-10.0, 0.0, 10.0)])
    known = np.isfinite(crs_module._shift(around)).all(axis=1)
    assume(bool(known.all() or not known.any()))
    assert np.abs(from_lonlat(to_lonlat([[east, north]], GRID), GRID) - [east, north]).max() < 1e-5


@given(st.floats(700000, 900000), st.floats(100000, 900000))
def test_off_the_shift_too(east: float, north: float) -> None:
    """Beyond OSTN15's sea edge one fixed operation stands in, and it too comes back to 0.01 mm."""
    drawn = to_lonlat([[east, north]], GRID)
    assert np.isfinite(drawn).all()
    assert np.abs(from_lonlat(drawn, GRID) - [east, north]).max() < 1e-5


@given(st.floats(300000, 600000), st.floats(100000, 500000), SMALL, SMALL)
def test_a_house_keeps_its_size_on_the_national_grid(east: float, north: float, de: float, dn: float) -> None:
    """A length in the grid is the length on the ellipsoid, within the grid's scale and the shift's changes.

    The projection's scale runs from 0.9996 to 1.0004 between eastings 220 and 580 km and a little beyond;
    OSTN15's shift changes by up to a few centimetres in 100 m (4.4 cm in 141 m was the most found).
    """
    ends = to_lonlat([[east, north], [east + de, north + dn]], GRID)
    _, _, distance = ELLIPSOID.inv(*ends[0], *ends[1])
    length = float(np.hypot(de, dn))
    assert distance == pytest.approx(length, abs=0.0006 * length + 0.0005 * length + 1e-6)


@given(SMALL, SMALL, SMALL, SMALL, st.floats(-179, 179), st.floats(-70, 70), st.floats(0, 360))
def test_a_local_grid_keeps_lengths_and_shape(
    e0: float, n0: float, e1: float, n1: float, longitude: float, latitude: float, bearing: float
) -> None:
    """Wherever a local grid is tied and however it is turned, lengths on the map are those of the grid."""
    ends = to_lonlat([[e0, n0], [e1, n1]], LOCAL, tie=(longitude, latitude, bearing))
    _, _, distance = ELLIPSOID.inv(*ends[0], *ends[1])
    assert distance == pytest.approx(np.hypot(e1 - e0, n1 - n0), abs=1e-4)
