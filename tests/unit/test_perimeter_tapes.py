"""Tapes along walls, through the air and inside rooms: what they fix, and what they are refused for."""

from __future__ import annotations

import math
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geo import reference
from geo.perimeter.build import Perimeter, build_perimeter
from geo.perimeter.fit import TapeFit
from geo.perimeter.fix import fix_positions
from geo.perimeter.inside import inside_corners
from geo.perimeter.join import join_to_walls

REF = reference.default()
E, N = 412300.0, 287600.0
NUMBERS = (
    "chainage_m", "offset_m", "distance_m", "tape_1_m", "tape_2_m", "tape_3_m", "tape_4_m", "bearing_deg",
    "easting_m", "northing_m", "position_sigma_m",
)  # fmt: skip
WORDS = ("position_by", "ring", "face", "corner", "tape_side", *(f"tape_{i}_from" for i in range(1, 5)))


def box(x0: float, y0: float, x1: float, y1: float) -> shapely.Polygon:
    """Return a rectangle near the made-up site."""
    return shapely.box(E + x0, N + y0, E + x1, N + y1)


def build(*polygons: shapely.Polygon, faces: dict[str, Any] | None = None, **columns: Any) -> Perimeter:
    """Build a perimeter; what is told of faces is told of the first building's outline."""
    names = [f"B{i}" for i in range(1, len(polygons) + 1)]
    table = {"role": "subject", "wall_thickness_m": 0.29, "ring_kinds": [{} for _ in names]} | columns
    outlines = gpd.GeoDataFrame(table, geometry=list(polygons), crs=27700, index=names)
    told = None if faces is None else pd.DataFrame({"building_id": "B1", "ring": ""} | faces)
    return build_perimeter(outlines, faces=told, ref=REF)


def fix(perimeter: Perimeter, **said: Any) -> Any:
    """Fix one position."""
    row = dict.fromkeys(NUMBERS, np.nan) | dict.fromkeys(WORDS, "") | {"building_id": "B1", "side": "outside"}
    return fix_positions(pd.DataFrame([row | said]), perimeter, ref=REF).iloc[0]


def taped(*lengths: float) -> TapeFit:
    """Return the fit of an 8 x 6 m house whose faces were taped; NaN where one was not."""
    faces = {"face": ["F1", "F2", "F3", "F4"], "taped_length_m": list(lengths)}
    return build(box(0, 0, 8, 6), faces=faces).fits["B1"]


def test_a_face_nobody_taped_takes_up_the_difference() -> None:
    """Fronts in a terrace: the back, not taped, becomes as long as the front, 0.30 m more than drawn."""
    fit = taped(6.0, 8.30, 6.0, math.nan)
    assert fit.accepted
    assert fit.lengths_m[3] == pytest.approx(8.30, abs=0.02)
    assert fit.misclosure_m == pytest.approx(0.0, abs=1e-9)
    assert "checked one way only (F4 not taped)" in fit.because
    assert math.isnan(fit.residual_m[3])


def test_across_the_face_nobody_taped_the_closure_is_still_held() -> None:
    """With F4 not taped the two short faces still have to agree: 0.50 m between them is refused."""
    fit = taped(6.5, 8.0, 6.0, math.nan)
    assert not fit.accepted
    assert fit.misclosure_m == pytest.approx(0.5)
    assert fit.settle.startswith("Tape F1 again, then F3")


def test_faces_untaped_both_ways_leave_the_closure_unchecked() -> None:
    """One long and one short face taped: nothing closes, and that is not the same as closing well."""
    fit = taped(6.05, 8.05, math.nan, math.nan)
    assert fit.accepted
    assert math.isnan(fit.misclosure_m)
    assert fit.because == "closure not checked (F3, F4 not taped)"


@pytest.mark.parametrize(("off", "accepted"), [(0.10, True), (0.12, False)])
def test_the_closure_rule(off: float, accepted: bool) -> None:
    """0.05 m + 0.2 % of 28.1 m is 106 mm: 100 mm is shared out, 120 mm is refused."""
    assert taped(6.0, 8.0 + off, 6.0, 8.0).accepted is accepted


def test_a_misclosure_is_shared_by_the_tapes_that_make_it() -> None:
    """60 mm between opposite faces: 22 mm goes to each tape, the rest into a skew of under 0.1°.

    One condition, F2 - F4 = skew of F1 and F3. Variances: two tapes of 18 mm (held a little by the map's
    150 mm: 17.9 mm), two ends of 6 m turned by 0.1° = 10.5 mm. Share of each tape 17.9² / (2 · 17.9² +
    2 · 10.5²) = 37 %; the whole is 60 / √(2 · 18² + 2 · 10.5²) = 2.0 of its sigma.
    """
    fit = taped(6.0, 8.06, 6.0, 8.0)
    assert fit.residual_m == pytest.approx([0.0, 0.0223, 0.0, -0.0223], abs=0.001)
    assert abs(fit.standardised[1]) == pytest.approx(2.04, abs=0.05)
    assert fit.accepted


def test_a_house_turned_on_the_map_is_still_the_house() -> None:
    """Closure is judged along the outline's own bearings, square to the grid or not."""
    turned = shapely.affinity.rotate(box(0, 0, 8, 6), 33, origin=(E, N))
    faces = {"face": ["F1", "F2", "F3", "F4"], "taped_length_m": [6.0, 8.5, 6.0, 8.0]}
    fit = build(turned, faces=faces, origin_e=E, origin_n=N).fits["B1"]
    assert fit.misclosure_m == pytest.approx(0.5, abs=1e-6)
    assert fit.settle.startswith("Tape F2 again")


def test_a_refused_tape_leaves_the_map() -> None:
    """Where the tape is refused, chainage is the map's and says so; the numbers as taped are kept."""
    faces = {"face": ["F1", "F2", "F3", "F4"], "taped_length_m": [6.0, 8.5, 6.0, 8.0]}
    perimeter = build(box(0, 0, 8, 6), faces=faces)
    assert not perimeter.rings.loc["B1", "taped"]
    assert perimeter.rings.loc["B1", "length_m"] == 28
    assert list(perimeter.fits["B1"].taped_m) == [6.0, 8.5, 6.0, 8.0]
    assert (perimeter.faces["length_sigma_m"] == REF.value("perimeter.map_shape_sigma_m")).all()


def test_the_neighbour_wall_sets_the_inside_corner_and_its_sigma() -> None:
    """From the corner of a 0.29 m wall and a 0.44 m one, the tape on the first adds the second's thickness."""
    told = {"face": ["F1", "F2"], "thickness_m": [0.44, 0.29], "thickness_sigma_m": [0.03, 0.005]}
    perimeter = build(box(0, 0, 8, 6), faces=told)
    found = fix(perimeter, position_by="face_distance", side="inside", face="F2", corner="B", distance_m=2.40)
    assert found["chainage_m"] == pytest.approx(6 + 2.40 + 0.44)
    assert found["chainage_sigma_m"] == pytest.approx(math.hypot(0.010 + 0.0024, 0.03))
    assert found["offset_m"] == pytest.approx(-0.29)


def test_inside_a_wall_that_is_party_further_on_is_one_wall() -> None:
    """Outside the flank is 5 m party and 1 m free; inside it is 6 m of wall, taped from its own corners."""
    perimeter = build(box(0, 0, 8, 6), box(8, 1, 16, 8))
    assert list(perimeter.faces["exposure"][:5]) == ["free", "free", "party", "free", "free"]
    along = {"position_by": "face_distance", "side": "inside"}
    far = fix(perimeter, **along, face="F3", corner="C", distance_m=5.20)
    assert far["chainage_m"] == pytest.approx(14 + 0.29 + 5.20)
    assert far["face"] == "F4"
    back = fix(perimeter, **along, face="F4", corner="E", distance_m=0.10)
    assert back["chainage_m"] == pytest.approx(20 - 0.29 - 0.10)
    between = fix(perimeter, **along, face="F4", corner="D", distance_m=0.10)
    assert between["refused"] == "the corner is no end of that face"
    assert np.isnan(inside_corners(perimeter, ref=REF).end_m[2])


@pytest.mark.parametrize(("face", "refused"), [("F1", ""), ("F2", ""), ("F3", "does not lie on the face")])
def test_a_face_beside_the_chainage_settles_the_corner(face: str, refused: str) -> None:
    """Chainage 6.00 with F1 or F2 beside it is on that face; with F3, which runs from 14 to 20, it is a slip."""
    perimeter = build(box(0, 0, 8, 6))
    found = fix(perimeter, position_by="chainage_offset", chainage_m=6.0, face=face)
    assert refused in found["refused"]
    if not refused:
        joined = join_to_walls(found.to_frame().T.infer_objects().assign(side="outside"), perimeter, ref=REF)
        assert list(joined[["status", "face"]].iloc[0]) == ["joined", face]


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"position_by": "chainage_offset", "chainage_m": -0.5}, "past the end"),
        ({"position_by": "chainage_offset", "chainage_m": 28.3}, "past the end"),
        ({"position_by": "chainage_offset"}, "missing"),
        ({"position_by": "face_distance", "face": "F9", "corner": "A", "distance_m": 1.0}, "no such face"),
        ({"position_by": "face_distance", "face": "F1", "corner": "C", "distance_m": 1.0}, "no end of that face"),
        ({"position_by": "face_distance", "face": "F1", "corner": "A"}, "distance is missing"),
        ({"position_by": "face_distance", "face": "F1", "corner": "A", "distance_m": 6.2}, "past the end"),
        ({"position_by": "distance_bearing", "corner": "A", "distance_m": 3.0}, "missing"),
        ({"position_by": "coordinates", "easting_m": E}, "missing"),
        ({"position_by": "two_tapes", "building_id": "B9"}, "not on this site"),
        ({"position_by": "pacing"}, "no way of taking a position"),
        ({"position_by": ""}, "no position was recorded"),
        ({"position_by": "two_tapes", "tape_1_from": "A", "tape_1_m": 3.0, "tape_2_from": "A", "tape_2_m": 3.0,
          "tape_side": "left"}, "from one corner"),
        ({"position_by": "tapes", "tape_1_from": "A", "tape_1_m": 3.0, "tape_2_from": "B", "tape_2_m": 4.0},
         "fewer than three"),
    ],
)  # fmt: skip
def test_what_cannot_be_placed_says_why(said: dict[str, Any], why: str) -> None:
    """Every slip is refused with its reason, and has no coordinates."""
    found = fix(build(box(0, 0, 8, 6)), **said)
    assert why in found["refused"]
    assert np.isnan(found["x"])


def test_three_tapes_from_one_wall_have_a_mirror() -> None:
    """Corners in one line leave two solutions, however many tapes: the side must be said, and picks.

    Corners A, B, E lie on x = 0 in a plan with a recess; the point 3 m west of them is outside.
    """
    plan = shapely.Polygon(
        [(E + x, N + y) for x, y in [(0, 0), (0, 3), (2, 3), (2, 5), (0, 5), (0, 9), (8, 9), (8, 0)]]
    )
    perimeter = build(plan)
    corners = {"A": (0.0, 0.0), "B": (0.0, 3.0), "E": (0.0, 5.0)}
    tapes = {f"tape_{i}_from": name for i, name in enumerate(corners, start=1)}
    tapes |= {f"tape_{i}_m": math.hypot(x + 3, y - 4) for i, (x, y) in enumerate(corners.values(), start=1)}
    unsaid = fix(perimeter, position_by="tapes", **tapes)
    assert "say which side" in unsaid["refused"]
    for side, x in (("left", -3.0), ("right", 3.0), ("outside", -3.0)):
        found = fix(perimeter, position_by="tapes", tape_side=side, **tapes)
        assert (found["x"], found["y"]) == pytest.approx((E + x, N + 4), abs=1e-6)
        assert found["mirror_x"] == pytest.approx(E - x, abs=1e-6)


def test_residuals_of_four_tapes_are_given() -> None:
    """A slip of 40 mm in one of four tapes is shared among them, and the residuals are told."""
    perimeter = build(box(0, 0, 8, 6))
    point = np.array([-3.0, 2.0])
    corners = {"A": (0, 0), "B": (0, 6), "C": (8, 6), "D": (8, 0)}
    tapes = {f"tape_{i}_from": name for i, name in enumerate(corners, start=1)}
    tapes |= {f"tape_{i}_m": float(np.hypot(*(point - xy))) for i, xy in enumerate(corners.values(), start=1)}
    tapes["tape_2_m"] += 0.04
    found = fix(perimeter, position_by="tapes", **tapes)
    residuals = found[[f"residual_{i}_m" for i in range(1, 5)]].to_numpy(dtype=float)
    assert found["refused"] == ""
    assert residuals.argmax() == 1
    assert 0.0 < residuals[1] < 0.04


def test_an_offset_by_eye_costs_along_the_wall() -> None:
    """2 m off at ±3° by eye: an even spread of ±105 mm has a sigma of 105 / √3 = 60 mm along the wall."""
    found = fix(build(box(0, 0, 8, 6)), position_by="chainage_offset", chainage_m=3.0, offset_m=2.0)
    assert found["sigma_along_m"] == pytest.approx(
        math.hypot(0.013, 2 * math.sin(math.radians(3)) / math.sqrt(3))
    )
    assert found["sigma_across_m"] == pytest.approx(0.020)
    assert found["chainage_sigma_m"] == pytest.approx(found["sigma_along_m"])
    assert "two tapes" in found["note"]
    assert (found["x"], found["y"]) == pytest.approx((E - 2.0, N + 3.0))


def test_coordinates_keep_their_sigma() -> None:
    """A coordinate with 30 mm is as good as 30 mm; without a sigma it is as good as one off a plan."""
    perimeter = build(box(0, 0, 8, 6))
    given = fix(perimeter, position_by="coordinates", easting_m=E, northing_m=N, position_sigma_m=0.03)
    bare = fix(perimeter, position_by="coordinates", easting_m=E, northing_m=N)
    assert given["sigma_m"] == pytest.approx(0.03)
    assert bare["sigma_m"] == pytest.approx(REF.value("tape.coordinate_m"))


def test_many_positions_of_all_kinds_at_once() -> None:
    """Rows of different kinds in one table come out as they do alone, in their own order."""
    perimeter = build(box(0, 0, 8, 6))
    said: list[dict[str, Any]] = [
        {"position_by": "chainage_offset", "chainage_m": 3.0},
        {"position_by": "two_tapes", "tape_1_from": "A", "tape_1_m": 4.1, "tape_2_from": "B", "tape_2_m": 3.3,
         "tape_side": "outside"},
        {"position_by": "face_distance", "face": "F2", "corner": "C", "distance_m": 1.0},
        {"position_by": "distance_bearing", "corner": "A", "distance_m": 3.0, "bearing_deg": 225.0},
        {"position_by": "coordinates", "easting_m": E - 1, "northing_m": N - 1},
    ]  # fmt: skip
    blank = (
        dict.fromkeys(NUMBERS, np.nan) | dict.fromkeys(WORDS, "") | {"building_id": "B1", "side": "outside"}
    )
    table = pd.DataFrame([blank | row for row in said], index=[9, 7, 5, 3, 1])
    before = table.copy()
    together = fix_positions(table, perimeter, ref=REF)
    pd.testing.assert_frame_equal(table, before)
    assert list(together.index) == [9, 7, 5, 3, 1]
    for i, row in enumerate(said):
        alone = fix(perimeter, **row)
        assert together["x"].iloc[i] == pytest.approx(alone["x"])
        assert together["sigma_m"].iloc[i] == pytest.approx(alone["sigma_m"])
        assert together["refused"].iloc[i] == ""
