"""Faces, chainage, tapes and joining on houses small enough to work by hand."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geo import reference
from geo.errors import CrsError, GeometryError
from geo.perimeter.build import Perimeter, build_perimeter
from geo.perimeter.fix import fix_positions
from geo.perimeter.inside import inside_corners
from geo.perimeter.join import counts, join_to_walls
from geo.perimeter.path import free_arcs, outside_distance
from geo.perimeter.tapes import tape_covariance, two_tape_solutions

REF = reference.default()
E, N = 412300.0, 287600.0
NUMBERS = (
    "chainage_m", "offset_m", "distance_m", "tape_1_m", "tape_2_m", "tape_3_m", "tape_4_m", "bearing_deg",
    "easting_m", "northing_m", "position_sigma_m",
)  # fmt: skip


def box(x0: float, y0: float, x1: float, y1: float) -> shapely.Polygon:
    """Return a rectangle near the made-up site."""
    return shapely.box(E + x0, N + y0, E + x1, N + y1)


def buildings(*polygons: shapely.Polygon, crs: Any = 27700, **columns: Any) -> gpd.GeoDataFrame:
    """Return outlines as build_perimeter takes them; the first is surveyed."""
    count = len(polygons)
    table: dict[str, Any] = {
        "role": ["subject"] + ["neighbour"] * (count - 1),
        "origin_e": np.nan,
        "origin_n": np.nan,
        "front_bearing_deg": np.nan,
        "wall_thickness_m": 0.29,
        "wall_thickness_sigma_m": 0.01,
        "ring_kinds": [{}] * count,
    }
    names = [f"B{i}" for i in range(1, count + 1)]
    return gpd.GeoDataFrame({**table, **columns}, geometry=list(polygons), crs=crs, index=names)


def house(**columns: Any) -> Perimeter:
    """Return an 8 x 6 m house with its front-left corner at the south-west."""
    return build_perimeter(buildings(box(0, 0, 8, 6), **columns), ref=REF)


def place(**numbers: Any) -> pd.DataFrame:
    """Return one raw position."""
    row: dict[str, Any] = dict.fromkeys(NUMBERS, np.nan)
    words = (
        "position_by",
        "ring",
        "side",
        "face",
        "corner",
        "tape_side",
        *(f"tape_{i}_from" for i in range(1, 5)),
    )
    row |= dict.fromkeys(words, "") | {"building_id": "B1", "side": "outside"} | numbers
    return pd.DataFrame([row], index=["R1"])


def test_chainage_runs_clockwise_seen_from_above() -> None:
    """From the south-west corner the first face runs north, and every outward normal points away."""
    faces = house().faces
    assert list(faces["bearing_deg"]) == [0, 90, 180, 270]
    assert list(faces["length_m"]) == [6, 8, 6, 8]
    assert list(faces["corner_from"]) == ["A", "B", "C", "D"]
    middle = shapely.get_coordinates(faces.geometry.interpolate(0.5, normalized=True).to_numpy())
    outward = middle + 0.1 * faces[["normal_e", "normal_n"]].to_numpy()
    assert not shapely.covers(box(0, 0, 8, 6), shapely.points(outward)).any()


@pytest.mark.parametrize(("front", "corner"), [(0, (0, 0)), (90, (0, 6)), (180, (8, 6)), (270, (8, 0))])
def test_the_origin_is_the_front_left_corner(front: float, corner: tuple[float, float]) -> None:
    """Looking north at the front, the front-left corner is the south-west one, and so round the compass."""
    start = house(front_bearing_deg=front).point_at("B1", 0.0)[0]
    assert tuple(start - [E, N]) == corner


def test_a_courtyard_opens_into_its_own_air() -> None:
    """A courtyard is walked clockwise too, and its normals point into it."""
    outline = box(0, 0, 20, 14).difference(box(6, 4, 14, 10))
    perimeter = build_perimeter(buildings(outline, ring_kinds=[{"Y1": "lightwell"}]), ref=REF)
    assert list(perimeter.rings["kind"]) == ["outer", "lightwell"]
    assert perimeter.rings.loc["B1/Y1", "length_m"] == 28
    into = perimeter.point_at("B1/Y1", [1.0, 9.0, 15.0, 23.0], 0.5)
    assert shapely.covers(box(6, 4, 14, 10), shapely.points(into)).all()
    assert list(perimeter.faces.loc[perimeter.faces["ring"] == "Y1", "bearing_deg"]) == [0, 90, 180, 270]


def test_a_party_wall_is_cut_out_of_the_outside() -> None:
    """A neighbour set back 1 m leaves 1 m of that wall free: it is a face of its own."""
    perimeter = build_perimeter(buildings(box(0, 0, 8, 6), box(8, 1, 16, 8)), ref=REF)
    own = perimeter.faces[perimeter.faces["building_id"] == "B1"]
    assert list(own["exposure"]) == ["free", "free", "party", "free", "free"]
    assert own.loc["B1:F3", "length_m"] == pytest.approx(5)
    assert list(own["outside"]) == [True, True, False, True, True]
    assert free_arcs(perimeter)[0] == ("B1", pytest.approx(19), pytest.approx(42), False)


def test_outlines_a_hand_apart_share_a_wall_and_a_metre_apart_do_not() -> None:
    """Outlines 0.05 m apart are a party wall; a 1 m passage is open air."""
    close = build_perimeter(buildings(box(0, 0, 8, 6), box(8.05, 0, 16, 6)), ref=REF)
    apart = build_perimeter(buildings(box(0, 0, 8, 6), box(9, 0, 16, 6)), ref=REF)
    assert "party" in set(close.faces["exposure"])
    assert set(apart.faces["exposure"]) == {"free"}


def test_a_declared_exposure_overrides_the_outlines() -> None:
    """What was seen on site stands above what the drawing suggests."""
    seen = pd.DataFrame({"building_id": ["B1"], "ring": [""], "face": ["F2"], "exposure": ["party"]})
    perimeter = build_perimeter(buildings(box(0, 0, 8, 6)), faces=seen, ref=REF)
    assert perimeter.faces.loc["B1:F2", "exposure"] == "party"


@pytest.mark.parametrize("crs", [4326, 3857, None, "ESRI:102649"])
def test_a_grid_that_is_not_metres_is_refused(crs: Any) -> None:
    """Degrees, Web Mercator, no grid and feet are refused before the first distance."""
    with pytest.raises(CrsError):
        build_perimeter(buildings(box(0, 0, 8, 6), crs=crs), ref=REF)


def test_a_crossed_outline_is_refused() -> None:
    """A bow tie is no outline, and the message says where it crosses."""
    tie = shapely.Polygon([(0, 0), (8, 6), (8, 0), (0, 6)])
    with pytest.raises(GeometryError, match=r"Self-intersection\[4 3\]"):
        build_perimeter(buildings(tie), ref=REF)


def taped(lengths: list[float]) -> Perimeter:
    """Return the 8 x 6 m house with its faces taped."""
    table = pd.DataFrame(
        {"building_id": "B1", "ring": "", "face": ["F1", "F2", "F3", "F4"], "taped_length_m": lengths}
    )
    return build_perimeter(buildings(box(0, 0, 8, 6)), faces=table, ref=REF)


def test_chainage_comes_from_the_tape() -> None:
    """Where the tape says the house is 0.30 m longer than the map, so is the chainage."""
    perimeter = taped([6.02, 8.30, 6.02, 8.30])
    assert perimeter.rings.loc["B1", "taped"]
    assert perimeter.rings.loc["B1", "length_m"] == pytest.approx(28.64, abs=0.01)
    assert perimeter.rings.loc["B1", "map_length_m"] == 28
    assert np.abs(perimeter.fits["B1"].residual_m).max() < 0.01


def test_taped_faces_that_do_not_close_are_refused() -> None:
    """One face 0.50 m wrong misses the start by 0.50 m; 0.05 m + 0.2 % of 28.5 m = 107 mm is allowed."""
    fit = taped([6.0, 8.5, 6.0, 8.0]).fits["B1"]
    assert not fit.accepted
    assert fit.misclosure_m == pytest.approx(0.5)
    assert fit.tolerance_m == pytest.approx(0.107)
    assert "F2" in fit.because
    assert "F2" in fit.settle


def test_faces_that_agree_with_each_other_but_not_the_map_by_metres_are_refused() -> None:
    """Both long faces 3 m longer than drawn close well, yet it is another house."""
    assert not taped([6.0, 11.0, 6.0, 11.0]).fits["B1"].accepted


def test_inside_tape_to_outside_chainage() -> None:
    """2.40 m from the internal corner of a 0.29 m wall is 2.69 m outside; 2.11 m at a re-entrant corner."""
    ell = shapely.Polygon([(E, N), (E, N + 6), (E + 4, N + 6), (E + 4, N + 3), (E + 8, N + 3), (E + 8, N)])
    perimeter = build_perimeter(buildings(ell), ref=REF)
    corners = inside_corners(perimeter, ref=REF)
    begin, end = corners.begin_m, corners.end_m
    names = list(perimeter.faces["face"])
    assert begin[names.index("F2")] + 2.40 == pytest.approx(2.69)
    assert begin[names.index("F4")] + 2.40 == pytest.approx(2.11)
    assert end[names.index("F3")] + 2.40 == pytest.approx(2.11)
    found = fix_positions(
        place(position_by="face_distance", side="inside", face="F4", corner="D", distance_m=2.40),
        perimeter,
        ref=REF,
    )
    assert found["chainage_m"].iloc[0] == pytest.approx(6 + 4 + 3 + 2.11)


def test_inside_a_courtyard_wall_the_corner_is_the_other_way() -> None:
    """A courtyard's corner is re-entrant for the rooms round it: the thickness is taken off."""
    outline = box(0, 0, 20, 14).difference(box(6, 4, 14, 10))
    begin = inside_corners(build_perimeter(buildings(outline), ref=REF), ref=REF).begin_m
    assert begin[:4] == pytest.approx([0.29] * 4)
    assert begin[4:] == pytest.approx([-0.29] * 4)


def test_two_tapes_worked() -> None:
    """Base 6.00, tapes 4.10 and 3.30: 3.493 along, 2.146 off, 107.9° at the point (worked by hand)."""
    left, right, angle = two_tape_solutions(
        np.array([[0.0, 0.0]]), np.array([[6.0, 0.0]]), np.array([4.10]), np.array([3.30])
    )
    assert left[0] == pytest.approx([3.493, 2.146], abs=1e-3)
    assert right[0] == pytest.approx([3.493, -2.146], abs=1e-3)
    assert np.degrees(angle[0]) == pytest.approx(107.9, abs=0.05)


@pytest.mark.parametrize(
    ("angle", "expected_mm"), [(90, 21), (60, 24), (120, 24), (30, 42), (150, 42), (15, 82)]
)
def test_two_tape_sigma_by_angle(angle: float, expected_mm: float) -> None:
    """Tapes of 15 mm give 15·√2/sin θ at the point: error ellipse of two distances, worked by hand."""
    half = np.radians(angle / 2)
    corners = np.array([[[-np.sin(half), -np.cos(half)], [np.sin(half), -np.cos(half)]]])
    covariance = tape_covariance(np.zeros((1, 2)), corners, np.full((1, 2), 0.015))
    assert 1000 * np.sqrt(np.trace(covariance[0])) == pytest.approx(expected_mm, abs=0.5)


TAPES = {"position_by": "two_tapes", "tape_1_from": "A", "tape_2_from": "B"}


def test_the_recorded_side_picks_the_solution() -> None:
    """From A to B the house is on the right, so the outside solution is the left one; the other is kept."""
    perimeter = house()
    out = fix_positions(
        place(**TAPES, tape_1_m=4.10, tape_2_m=3.30, tape_side="outside"), perimeter, ref=REF
    ).iloc[0]
    left = fix_positions(
        place(**TAPES, tape_1_m=4.10, tape_2_m=3.30, tape_side="left"), perimeter, ref=REF
    ).iloc[0]
    assert (out.x, out.y) == pytest.approx((E - 2.146, N + 3.493), abs=1e-3)
    assert (left.x, left.y) == (out.x, out.y)
    assert (out.mirror_x, out.mirror_y) == pytest.approx((E + 2.146, N + 3.493), abs=1e-3)


@pytest.mark.parametrize(
    ("numbers", "said"),
    [
        ({"tape_1_m": 2.10, "tape_2_m": 3.95, "tape_side": "left"}, "too close to the base line"),
        ({"tape_1_m": 1.0, "tape_2_m": 2.0, "tape_side": "left"}, "do not meet"),
        ({"tape_1_m": 4.1, "tape_2_m": 3.3}, "say which side"),
        ({"tape_1_m": 4.1, "tape_2_m": np.nan, "tape_side": "left"}, "missing"),
    ],
)
def test_tapes_that_fix_nothing_are_refused(numbers: dict[str, Any], said: str) -> None:
    """Near the base line ±15 mm on a tape moves the point by 60 mm: it is refused with the way out."""
    found = fix_positions(place(**TAPES, **numbers), house(), ref=REF).iloc[0]
    assert said in found["refused"]
    assert np.isnan(found["x"])


def test_three_tapes_settle_by_least_squares_and_tell_a_slip() -> None:
    """Three exact tapes give the point; one 0.30 m wrong is refused with its residuals in sigmas."""
    perimeter = house()
    point = np.array([E - 3.0, N + 2.0])
    corners = perimeter.point_at("B1", [0.0, 6.0, 14.0])
    tapes = np.hypot(*(corners - point).T)
    names = {f"tape_{i}_from": corner for i, corner in zip((1, 2, 3), "ABC", strict=True)}
    exact = {f"tape_{i}_m": float(tape) for i, tape in zip((1, 2, 3), tapes, strict=True)}
    good = fix_positions(place(position_by="tapes", **names, **exact), perimeter, ref=REF).iloc[0]
    assert (good.x, good.y) == pytest.approx(tuple(point), abs=1e-6)
    slip = {**exact, "tape_3_m": float(tapes[2]) + 0.30}
    bad = fix_positions(place(position_by="tapes", **names, **slip), perimeter, ref=REF).iloc[0]
    assert "do not agree" in bad["refused"]


def test_distance_and_bearing() -> None:
    """5 m on a bearing of 270° from A is 5 m west; 2° of bearing is 175 mm there."""
    found = fix_positions(
        place(position_by="distance_bearing", corner="A", distance_m=5.0, bearing_deg=270.0), house(), ref=REF
    ).iloc[0]
    assert (found.x, found.y) == pytest.approx((E - 5, N))
    assert np.sqrt(found.var_yy) == pytest.approx(5 * np.radians(2.0))


def join(
    perimeter: Perimeter, points: list[tuple[float, float]], side: str = "outside", sigma: float = 0.02
) -> pd.DataFrame:
    """Join points given by coordinates from the south-west corner."""
    table = pd.DataFrame(points, columns=["x", "y"]) + [E, N]
    return join_to_walls(table.assign(sigma_m=sigma, side=side), perimeter, ref=REF)


def test_a_reading_on_a_wall_gets_its_chainage() -> None:
    """A point 0.05 m off the north wall, 3 m along it, is at chainage 9."""
    found = join(house(), [(3.0, 6.05)]).iloc[0]
    assert (found["status"], found["face"]) == ("joined", "F2")
    assert found["chainage_m"] == pytest.approx(9.0)
    assert found["offset_m"] == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("point", "side", "status", "said"),
    [
        ((-0.1, -0.1), "outside", "ambiguous", "B1 F1 or B1 F4"),
        ((4.0, 8.0), "outside", "unjoined", "no wall within"),
        ((4.0, 5.5), "outside", "ambiguous", "recorded outside"),
        ((4.0, 6.5), "inside", "ambiguous", "recorded inside"),
        ((8.2, 3.0), "outside", "ambiguous", "B2"),
    ],
)
def test_what_cannot_be_told_is_said(point: tuple[float, float], side: str, status: str, said: str) -> None:
    """At a corner, in the open, on the wrong side and in a narrow passage the reason is given."""
    perimeter = build_perimeter(buildings(box(0, 0, 8, 6), box(8.4, 0, 16, 6)), ref=REF)
    found = join(perimeter, [point], side).iloc[0]
    assert found["status"] == status
    assert said in found["reason"]


def test_a_party_wall_has_no_outside() -> None:
    """An outside reading placed on a party wall is not joined."""
    perimeter = build_perimeter(buildings(box(0, 0, 8, 6), box(8, 0, 16, 6)), ref=REF)
    fixed = fix_positions(place(position_by="chainage_offset", chainage_m=16.0), perimeter, ref=REF)
    found = join_to_walls(fixed.assign(side="outside"), perimeter, ref=REF).iloc[0]
    assert found["status"] == "unjoined"
    assert "party wall" in found["reason"]


def test_a_chainage_at_a_corner_needs_its_face() -> None:
    """Chainage 6.00 is the end of F1 and the start of F2: without the face it is ambiguous."""
    perimeter = house()
    fixed = fix_positions(place(position_by="chainage_offset", chainage_m=6.0), perimeter, ref=REF)
    assert join_to_walls(fixed.assign(side="outside"), perimeter, ref=REF)["status"].iloc[0] == "ambiguous"
    named = place(position_by="face_distance", face="F1", corner="B", distance_m=0.0)
    fixed = fix_positions(named, perimeter, ref=REF)
    found = join_to_walls(fixed.assign(side="outside"), perimeter, ref=REF).iloc[0]
    assert (found["status"], found["face"]) == ("joined", "F1")


def test_taken_is_joined_and_ambiguous_and_unjoined() -> None:
    """No reading is lost or counted twice."""
    tally = counts(join(house(), [(3.0, 6.05), (-0.1, -0.1), (4.0, 9.0), (8.05, 2.0)]))
    assert tally == {"taken": 4, "joined": 2, "ambiguous": 1, "unjoined": 1}


def test_paths_go_round_and_never_through() -> None:
    """On a 28 m ring the way from 1 m to 25 m is 4 m past the corner; a party wall makes it 24 m."""
    open_ring = outside_distance(house(), ["B1"], [1.0], ["B1"], [25.0])
    assert open_ring[0, 0] == pytest.approx(4.0)
    seen = pd.DataFrame({"building_id": ["B1"], "ring": [""], "face": ["F4"], "exposure": ["party"]})
    barred = build_perimeter(buildings(box(0, 0, 8, 6)), faces=seen, ref=REF)
    assert outside_distance(barred, ["B1"], [1.0], ["B1"], [19.0])[0, 0] == pytest.approx(18.0)
    both = seen.reindex([0, 0]).assign(face=["F4", "F2"])
    cut_off = build_perimeter(buildings(box(0, 0, 8, 6)), faces=both, ref=REF)
    assert np.isinf(outside_distance(cut_off, ["B1"], [1.0], ["B1"], [15.0])[0, 0])
