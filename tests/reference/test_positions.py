"""Positions from tapes against plane trigonometry, and real outlines against what is known of them.

The numbers of the two-tape cases follow from the cosine rule and from the error ellipse of two distances, as
in any text on surveying by trilateration; they are worked in the docstrings.
"""

from __future__ import annotations

import math
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geo import reference
from geo.errors import CrsError
from geo.perimeter.build import Perimeter, build_perimeter
from geo.perimeter.fix import fix_positions
from geo.perimeter.inside import inside_corners, outer_chainage
from geo.perimeter.path import free_arcs
from geo.perimeter.tapes import tape_covariance, two_tape_solutions

REF = reference.default()
NUMBERS = (
    "chainage_m", "offset_m", "distance_m", "tape_1_m", "tape_2_m", "tape_3_m", "tape_4_m", "bearing_deg",
    "easting_m", "northing_m", "position_sigma_m",
)  # fmt: skip
WORDS = ("position_by", "ring", "face", "corner", "tape_side", *(f"tape_{i}_from" for i in range(1, 5)))


def perimeter_of(*polygons: shapely.Polygon, crs: Any = 27700) -> Perimeter:
    """Build the perimeter of outlines with walls of 0.29 m, begun at their south-west corners."""
    names = [f"B{i}" for i in range(1, len(polygons) + 1)]
    table = {"role": "subject", "wall_thickness_m": 0.29, "ring_kinds": [{} for _ in names]}
    return build_perimeter(gpd.GeoDataFrame(table, geometry=list(polygons), crs=crs, index=names), ref=REF)


def fixed(perimeter: Perimeter, **said: Any) -> Any:
    """Fix one position and return its row."""
    row = dict.fromkeys(NUMBERS, np.nan) | dict.fromkeys(WORDS, "") | {"building_id": "B1", "side": "outside"}
    return fix_positions(pd.DataFrame([row | said]), perimeter, ref=REF).iloc[0]


HOUSE = shapely.box(400000, 300000, 400008, 300006)
TAPES = {"position_by": "two_tapes", "tape_1_from": "A", "tape_2_from": "B", "tape_side": "outside"}


def test_two_tapes_to_the_millimetre() -> None:
    """Base 6.00, tapes 4.10 and 3.30.

    x = (16.81 - 10.89 + 36) / 12 = 3.493; y = √(16.81 - 12.203) = 2.146; cos θ = (16.81 + 10.89 - 36) /
    (2 · 4.10 · 3.30) = -0.3067, θ = 107.9°. With tapes of 15 mm, σ = 15 · √2 / sin θ = 22 mm.
    """
    left, right, angle = two_tape_solutions(
        np.array([[0.0, 0.0]]), np.array([[6.0, 0.0]]), np.array([4.10]), np.array([3.30])
    )
    assert left[0] == pytest.approx([3.493, 2.146], abs=5e-4)
    assert right[0] == pytest.approx([3.493, -2.146], abs=5e-4)
    assert math.degrees(angle[0]) == pytest.approx(107.9, abs=0.05)
    corners = np.array([[[0.0, 0.0], [6.0, 0.0]]])
    covariance = tape_covariance(left, corners, np.full((1, 2), 0.015))[0]
    assert 1000 * math.sqrt(np.trace(covariance)) == pytest.approx(22, abs=0.5)


@pytest.mark.parametrize(
    ("degrees", "millimetres"), [(90, 21), (60, 24), (120, 24), (30, 42), (150, 42), (15, 82)]
)
def test_the_flatter_the_tapes_meet_the_worse_the_point(degrees: float, millimetres: float) -> None:
    """Two tapes of 15 mm: the trace of (Σ uᵀu / σ²)⁻¹ is 2 σ² / sin² θ, so σ = 15 · √2 / sin θ."""
    half = math.radians(degrees / 2)
    corners = np.array([[[-math.sin(half), -math.cos(half)], [math.sin(half), -math.cos(half)]]])
    covariance = tape_covariance(np.zeros((1, 2)), corners, np.full((1, 2), 0.015))
    assert 1000 * math.sqrt(np.trace(covariance[0])) == pytest.approx(millimetres, abs=0.5)


@pytest.mark.parametrize(("tape", "off"), [(2.10, 0.369), (2.085, 0.308), (2.115, 0.422)])
def test_near_the_base_line_a_tape_is_blind(tape: float, off: float) -> None:
    """Base 6.00, tapes 2.10 and 3.95: y = 0.369, and 15 mm on one tape moves it from 0.308 to 0.422.

    x = (4.41 - 15.6025 + 36) / 12 = 2.0673; y = √(4.41 - 4.2737) = 0.369. So it is refused.
    """
    left, _, _ = two_tape_solutions(
        np.array([[0.0, 0.0]]), np.array([[6.0, 0.0]]), np.array([tape]), np.array([3.95])
    )
    assert left[0, 1] == pytest.approx(off, abs=5e-4)
    found = fixed(perimeter_of(HOUSE), **TAPES, tape_1_m=tape, tape_2_m=3.95)
    assert "too close to the base line: use chainage and offset" in found["refused"]
    assert math.isnan(found["x"])


def test_the_sigma_reported_follows_the_tapes() -> None:
    """Tapes through the air of 15 mm + 0.1 %: 19.1 and 18.3 mm at 107.9° give √(19.1² + 18.3²) / sin θ = 27.8 mm.

    For unequal tapes the trace is (σ₁² + σ₂²) / sin² θ.
    """
    found = fixed(perimeter_of(HOUSE), **TAPES, tape_1_m=4.10, tape_2_m=3.30)
    expected = math.hypot(0.0191, 0.0183) / math.sin(math.radians(107.86))
    assert found["sigma_m"] == pytest.approx(expected, rel=1e-3)
    assert math.hypot(found["sigma_along_m"], found["sigma_across_m"]) == pytest.approx(found["sigma_m"])
    assert math.hypot(found["sigma_major_m"], found["sigma_minor_m"]) == pytest.approx(found["sigma_m"])


def test_a_tape_held_inside() -> None:
    """2.40 m inside from a salient corner of a 0.29 m wall is 2.69 m outside; from a re-entrant one 2.11 m."""
    ell = shapely.Polygon([(0, 0), (0, 6), (4, 6), (4, 3), (8, 3), (8, 0)])
    perimeter = perimeter_of(shapely.transform(ell, lambda xy: xy + [400000, 300000]))
    salient = fixed(
        perimeter, position_by="face_distance", side="inside", face="F2", corner="B", distance_m=2.40
    )
    reentrant = fixed(
        perimeter, position_by="face_distance", side="inside", face="F4", corner="D", distance_m=2.40
    )
    assert salient["chainage_m"] - 6.0 == pytest.approx(2.69)
    assert reentrant["chainage_m"] - 13.0 == pytest.approx(2.11)


def test_inside_a_corner_that_is_not_square() -> None:
    """Walls of equal thickness t meeting at an inner angle φ: the inner corner is t / tan(φ/2) along the face.

    In an equilateral plan, φ = 60°: 0.29 / tan 30° = 0.5023 m. Half the inner angle lies between the face and
    the line from outer to inner corner.
    """
    triangle = shapely.Polygon([(0, 0), (5, 5 * math.sqrt(3)), (10, 0)])
    perimeter = perimeter_of(shapely.transform(triangle, lambda xy: xy + [400000, 300000]))
    corners = inside_corners(perimeter, ref=REF)
    assert corners.begin_m == pytest.approx([0.29 / math.tan(math.radians(30))] * 3, abs=1e-6)
    inner = perimeter.footprints.geometry.iloc[0].buffer(-0.29, join_style="mitre")
    chainage, _ = outer_chainage(
        perimeter, corners, np.array([0]), np.array([0.0]), from_end=np.array([False])
    )
    at_corner = shapely.points(perimeter.point_at("B1", chainage, -0.29))
    assert shapely.distance(inner.boundary, at_corner)[0] < 1e-6


def outlines(name: str, layer: str, crs: Any = None) -> gpd.GeoDataFrame:
    """Read open outlines carried by a development package."""
    momepy = pytest.importorskip("momepy")
    found = gpd.read_file(momepy.datasets.get_path(name), layer=layer)
    found = found if crs is None else found.to_crs(crs)
    return found[["geometry"]].assign(role="subject").set_axis([f"B{i}" for i in range(len(found))])


def touching_pairs(found: gpd.GeoDataFrame) -> int:
    """Count pairs of outlines that meet, by the shapes alone."""
    first, second = found.sindex.query(found.geometry, predicate="intersects")
    return int((first < second).sum())


@pytest.mark.realdata
def test_a_real_block_in_web_mercator_is_refused() -> None:
    """A block of Prague as published in Web Mercator (50° N, stretched 1.56 times) is not measured."""
    with pytest.raises(CrsError, match="Web Mercator"):
        build_perimeter(outlines("bubenec", "buildings"), ref=REF)


@pytest.mark.realdata
def test_a_real_block_in_its_zone() -> None:
    """144 outlines of the same block in UTM 33: 10,490.3 m of wall, 128 pairs touching, one courtyard.

    The outlines' own perimeter is the sum of their rings; each party wall lies on two of them.
    """
    found = outlines("bubenec", "buildings", 32633)
    perimeter = build_perimeter(found, ref=REF)
    assert len(perimeter.footprints) == 144
    assert perimeter.rings["length_m"].sum() == pytest.approx(10490.3, abs=0.05)
    assert list(perimeter.rings["kind"]).count("courtyard") == 1
    assert touching_pairs(found) == 128
    party = perimeter.faces[perimeter.faces["exposure"] == "party"]
    walls = found.geometry.boundary.to_numpy()
    first, second = found.sindex.query(found.geometry, predicate="dwithin", distance=0.10)
    shared = np.zeros(len(found))
    for i in np.unique(first[first != second]):
        others = shapely.union_all(walls[second[(first == i) & (second != i)]])
        shared[i] = shapely.length(shapely.intersection(walls[i], shapely.buffer(others, 0.10)))
    own = party.length.groupby(party["building_id"]).sum().reindex(found.index).fillna(0.0).to_numpy()
    # The buffer also covers a hand's width round every corner where walls part.
    assert (own <= shared + 0.02).all()
    assert own.sum() == pytest.approx(shared.sum(), rel=0.03)


@pytest.mark.realdata
def test_british_outlines_on_the_national_grid() -> None:
    """Sixteen outlines in Glasgow, twelve pairs touching: every pair that shares a wall has a party face."""
    found = outlines("tests", "os")
    perimeter = build_perimeter(found, ref=REF)
    assert len(perimeter.footprints) == 16
    assert found.area.sum() == pytest.approx(1032.3, abs=0.05)
    # Kinks under a degree and faces under 5 cm are drawing noise: taking them out moves an area little.
    assert perimeter.footprints.area.sum() == pytest.approx(1032.3, rel=5e-4)
    assert touching_pairs(found) == 12
    party = perimeter.faces[perimeter.faces["exposure"] == "party"]
    first, second = found.sindex.query(found.geometry, predicate="intersects")
    met = {found.index[i] for i, j in zip(first, second, strict=True) if i != j
           and found.geometry.iloc[i].intersection(found.geometry.iloc[j]).length > 0.20}  # fmt: skip
    assert set(party["building_id"]) == met
    ways = {key for key, *_ in free_arcs(perimeter)}
    assert ways <= set(perimeter.rings.index)
