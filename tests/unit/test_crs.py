"""What the pair of functions takes and says, beside the published points."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import CRS

from geo.site.crs import absolute_note, from_lonlat, require_metric, to_lonlat
from geo.site.model import LOCAL_GRID

GRID = CRS.from_epsg(27700)
LOCAL = CRS.from_wkt(LOCAL_GRID)


@pytest.mark.parametrize("crs", [GRID, LOCAL, CRS.from_epsg(32630)])
def test_grids_in_metres_are_taken(crs: CRS) -> None:
    """The National Grid, a local grid and a UTM zone are returned as they are."""
    assert require_metric(crs) is crs


@pytest.mark.parametrize("crs", [GRID, LOCAL, CRS.from_epsg(2100)])
def test_no_point_and_one_point(crs: CRS) -> None:
    """No point gives an empty table of two columns; one point may be given as a pair."""
    assert to_lonlat(np.empty((0, 2)), crs).shape == (0, 2)
    assert from_lonlat(np.empty((0, 2)), crs).shape == (0, 2)
    assert to_lonlat((450000.0, 300000.0), crs).shape == (1, 2)


def test_a_point_without_coordinates_stays_without() -> None:
    """A missing coordinate comes out missing and does not disturb its neighbour."""
    found = to_lonlat([[np.nan, np.nan], [450000.0, 300000.0]], GRID)
    assert not np.isfinite(found[0]).any()
    assert found[1] == pytest.approx(to_lonlat([[450000.0, 300000.0]], GRID)[0], abs=1e-12)


def test_the_note_says_metres_where_the_shift_is_missing() -> None:
    """Greece's grid has no shift here: the note names metres. Britain's names OSTN15, a local one neither."""
    assert "may be out by about 1 m" in absolute_note(CRS.from_epsg(2100))
    assert "OSTN15" in absolute_note(GRID)
    assert "not known" in absolute_note(LOCAL)


def test_the_local_grid_has_true_scale() -> None:
    """100 m east and 100 m north of a tie at 52.4° N are 100 m on the ellipsoid, to a tenth of a millimetre.

    Worked from the radii of curvature of WGS 84: one degree of longitude is N cos φ π / 180 with
    N = a / √(1 - e² sin² φ), one of latitude M π / 180 with M = a (1 - e²) / (1 - e² sin² φ)^1.5.
    """
    latitude, a, e2 = 52.4, 6378137.0, 0.00669437999014
    s2 = np.sin(np.radians(latitude)) ** 2
    east = a / np.sqrt(1 - e2 * s2) * np.cos(np.radians(latitude)) * np.pi / 180
    north = a * (1 - e2) / (1 - e2 * s2) ** 1.5 * np.pi / 180
    drawn = to_lonlat([[100.0, 0.0], [0.0, 100.0]], LOCAL, tie=(-2.1, latitude, 0.0))
    assert (drawn[0, 0] + 2.1) * east == pytest.approx(100.0, abs=1e-4)
    assert (drawn[1, 1] - latitude) * north == pytest.approx(100.0, abs=1e-3)
