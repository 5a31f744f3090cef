"""Outlines that are not a plain box: skewed, shared, shut in, mis-drawn; and what joins to them."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import CRS

from geo import reference
from geo.errors import CrsError, GeometryError
from geo.perimeter.build import Perimeter, build_perimeter
from geo.perimeter.join import join_to_walls
from geo.perimeter.path import free_arcs, outside_distance
from geo.site.model import LOCAL_GRID

REF = reference.default()
E, N = 412300.0, 287600.0


def ring(*corners: tuple[float, float]) -> shapely.Polygon:
    """Return a polygon near the made-up site."""
    return shapely.Polygon([(E + x, N + y) for x, y in corners])


def box(x0: float, y0: float, x1: float, y1: float) -> shapely.Polygon:
    """Return a rectangle near the made-up site."""
    return shapely.box(E + x0, N + y0, E + x1, N + y1)


def build(*polygons: Any, crs: Any = 27700, faces: pd.DataFrame | None = None, **columns: Any) -> Perimeter:
    """Build a perimeter; every building is surveyed and has walls of 0.29 m unless said."""
    names = [f"B{i}" for i in range(1, len(polygons) + 1)]
    table = {"role": "subject", "wall_thickness_m": 0.29, "ring_kinds": [{} for _ in names]} | columns
    outlines = gpd.GeoDataFrame(table, geometry=list(polygons), crs=crs, index=names)
    return build_perimeter(outlines, faces=faces, ref=REF)


def exposures(perimeter: Perimeter, ring_key: str) -> list[tuple[str, float]]:
    """Return exposure and length of each face of a ring, in order."""
    own = perimeter.faces[perimeter.faces["ring_key"] == ring_key]
    return [(word, round(length, 3)) for word, length in zip(own["exposure"], own["length_m"], strict=True)]


def test_only_the_part_within_the_gap_is_a_party_wall() -> None:
    """A neighbour's wall that leaves ours at 2° is 0.10 m off after 0.10 / tan 2° = 2.864 m: there it ends."""
    slope = np.tan(np.radians(2.0))
    skewed = ring((8, 0), (8 + 6 * slope, 6), (16, 6), (16, 0))
    own = exposures(build(box(0, 0, 8, 6), skewed), "B1")
    assert own == [
        ("free", 6),
        ("free", 8),
        ("free", round(6 - 0.10 / slope, 3)),
        ("party", 2.864),
        ("free", 8),
    ]


def test_walls_at_a_wide_angle_share_nothing() -> None:
    """At 6°, more than the 5° allowed, walls that touch at a corner are not one wall."""
    slope = np.tan(np.radians(6.0))
    perimeter = build(box(0, 0, 8, 6), ring((8, 0), (8 + 6 * slope, 6), (16, 6), (16, 0)))
    assert set(perimeter.faces["exposure"]) == {"free"}


def test_fronts_in_line_are_not_party_walls() -> None:
    """Outlines drawn 0.25 m into each other leave both fronts free: they look the same way."""
    perimeter = build(box(0, 0, 8, 6), box(7.75, 0, 16, 6))
    assert "party" not in {word for word, _ in exposures(perimeter, "B1")[:2]}
    assert set(perimeter.faces.loc[perimeter.faces["normal_n"].abs() > 0.5, "exposure"]) == {"free"}


def test_a_terrace_that_steps_keeps_its_exposed_flanks() -> None:
    """Three houses, the middle one set back 1 m: 5 m of each shared wall is party, 1 m each end stays free."""
    perimeter = build(box(0, 0, 6, 6), box(6, 1, 12, 7), box(12, 0, 18, 6))
    middle = exposures(perimeter, "B2")
    assert middle == [("party", 5), ("free", 1), ("free", 6), ("free", 1), ("party", 5), ("free", 6)]
    arcs = [arc for arc in free_arcs(perimeter) if arc[0] == "B2"]
    assert [round(end - start, 6) for _, start, end, _ in arcs] == [8.0, 6.0]
    across = outside_distance(perimeter, ["B2"], [9.0], ["B2"], [20.0])
    assert np.isinf(across[0, 0])


def test_a_neighbour_in_the_crook_of_an_ell() -> None:
    """A neighbour that fills the crook of an L shares two walls with it."""
    own = exposures(build(ring((0, 0), (0, 8), (4, 8), (4, 4), (8, 4), (8, 0)), box(4, 4, 8, 8)), "B1")
    assert own == [("free", 8), ("free", 4), ("party", 4), ("party", 4), ("free", 4), ("free", 8)]


def test_a_building_that_leans_on_a_courtyard_wall() -> None:
    """A shed in a courtyard against its west side makes 3 m of that side a party wall."""
    court = box(0, 0, 20, 14).difference(box(6, 4, 14, 10))
    perimeter = build(court, box(6, 5, 8, 8))
    assert [word for word, _ in exposures(perimeter, "B1/Y1")] == [
        "free",
        "party",
        "free",
        "free",
        "free",
        "free",
    ]
    assert set(dict.fromkeys(word for word, _ in exposures(perimeter, "B1"))) == {"free"}


def test_no_way_from_the_street_into_a_courtyard() -> None:
    """A courtyard is a ring of its own: no outside path leads from the street to it."""
    perimeter = build(box(0, 0, 20, 14).difference(box(6, 4, 14, 10)))
    assert np.isinf(outside_distance(perimeter, ["B1"], [1.0], ["B1/Y1"], [1.0])[0, 0])
    assert outside_distance(perimeter, ["B1/Y1"], [1.0], ["B1/Y1"], [27.0])[0, 0] == pytest.approx(2.0)


@pytest.mark.parametrize("turned", [False, True])
def test_the_way_an_outline_is_drawn_does_not_matter(turned: bool) -> None:
    """Drawn clockwise or anticlockwise, with a point in the middle of a wall or not, the faces are the same."""
    corners = [(0, 0), (0, 3), (0, 6), (8, 6), (8, 0)]
    faces = build(ring(*(corners[::-1] if turned else corners))).faces
    assert list(faces["length_m"]) == [6, 8, 6, 8]
    assert list(faces["bearing_deg"]) == [0, 90, 180, 270]


def test_corners_past_z_go_on_with_two_letters() -> None:
    """The 27th corner is AA."""
    turn = np.radians(np.arange(28) * 360 / 28)
    faces = build(ring(*zip(10 * np.cos(turn), 10 * np.sin(turn), strict=True))).faces
    assert list(faces["corner_from"])[25:] == ["Z", "AA", "AB"]
    assert faces["corner_to"].iloc[-1] == "A"


@pytest.mark.parametrize("crs", [3785, 4978, 3395, "ESRI:54030", "ESRI:102100"])
def test_metres_that_are_not_metres_on_the_ground_are_refused(crs: Any) -> None:
    """Spherical Mercator under its other codes, Earth-centred, world Mercator and Robinson are refused."""
    prague = shapely.box(1603500, 6464000, 1603508, 6464006)
    with pytest.raises(CrsError):
        build(prague, crs=crs)


def test_a_local_grid_is_fine() -> None:
    """A site's own grid in metres, tied to nothing, is measured in as it stands."""
    assert build(shapely.box(0, 0, 8, 6), crs=CRS.from_wkt(LOCAL_GRID)).rings.loc["B1", "length_m"] == 28


def test_every_outline_at_fault_is_named_at_once() -> None:
    """A bow tie, a double shape, a missing one and an origin corner in the street are all named."""
    tie = ring((0, 0), (8, 6), (8, 0), (0, 6))
    double = shapely.MultiPolygon([box(20, 0, 24, 4), box(30, 0, 34, 4)])
    with pytest.raises(GeometryError) as caught:
        build(
            tie, double, None, box(40, 0, 48, 6),
            origin_e=[np.nan, np.nan, np.nan, E + 44], origin_n=[np.nan, np.nan, np.nan, N - 5],
        )  # fmt: skip
    said = str(caught.value)
    for part in (
        "B1",
        "Self-intersection",
        "B2",
        "MultiPolygon",
        "B3",
        "missing",
        "B4",
        "no corner at its origin",
    ):
        assert part in said


def test_what_is_told_of_a_face_in_two_rows_is_put_together() -> None:
    """One row says the face is an abutment, another what its wall measures: both hold."""
    told = pd.DataFrame({
        "building_id": ["B1", "B1"], "ring": ["", ""], "face": ["F2", "F2"],
        "exposure": ["abutment", ""], "thickness_m": [np.nan, 0.44],
    })  # fmt: skip
    face = build(box(0, 0, 8, 6), faces=told).faces.loc["B1:F2"]
    assert (face["exposure"], face["outside"], face["thickness_m"]) == ("abutment", True, 0.44)
    assert face["thickness_sigma_m"] == REF.value("perimeter.measured_wall_sigma_m")


def test_a_wall_nobody_measured_has_a_wide_sigma() -> None:
    """Without a thickness the usual wall is taken, with the spread of usual walls."""
    face = build(box(0, 0, 8, 6), wall_thickness_m=np.nan).faces.iloc[0]
    assert face["thickness_m"] == REF.value("perimeter.default_wall_m")
    assert face["thickness_sigma_m"] == REF.value("perimeter.default_wall_sigma_m")


def test_stations_never_cross_a_corner() -> None:
    """Pieces of at most 2.5 m on 6 and 8 m faces: three of 2 m, four of 2 m, and so round."""
    pieces = build(box(0, 0, 8, 6)).stations(2.5)
    assert pieces["length_m"].to_numpy() == pytest.approx(2.0)
    assert list(pieces.groupby("face").size()) == [3, 4, 3, 4]
    assert pieces["station_id"].iloc[1] == "B1@2.00"
    assert pieces.geometry.length.to_numpy() == pytest.approx(2.0)


def join(perimeter: Perimeter, x: float, y: float, side: str, sigma: float = 0.02) -> Any:
    """Join one point given from the south-west corner."""
    table = pd.DataFrame({"x": [E + x], "y": [N + y], "sigma_m": [sigma], "side": [side]})
    return join_to_walls(table, perimeter, ref=REF).iloc[0]


@pytest.mark.parametrize(("x", "owner"), [(7.71, "B1"), (8.29, "B2")])
def test_the_room_decides_which_side_of_a_party_wall(x: float, owner: str) -> None:
    """An inside reading by a party wall belongs to the house it was taken in, though both outlines meet there."""
    found = join(build(box(0, 0, 8, 6), box(8, 0, 16, 6)), x, 3.0, "inside")
    assert (found["status"], found["building_id"]) == ("joined", owner)


@pytest.mark.parametrize(("along", "status"), [(0.015, "ambiguous"), (0.10, "joined")])
def test_round_a_corner_only_what_is_at_the_corner_is_ambiguous(along: float, status: str) -> None:
    """0.30 m off the north wall, σ 20 mm: 15 mm from the corner could be either face, 100 mm is this one.

    The distances to both faces differ by √(0.30² + 0.10²) - 0.30 = 16 mm, less than 2 σ, all the same.
    """
    assert join(build(box(0, 0, 8, 6)), along, 6.30, "outside")["status"] == status


def test_inside_a_room_the_nearer_inner_face_is_the_wall() -> None:
    """On the inner face of a 0.44 m wall, 0.10 m from a 0.10 m one's inner face, the reading is on the thick wall.

    The outer faces are 0.44 and 0.20 m away: the nearer outline is the wrong one.
    """
    told = pd.DataFrame({"building_id": "B1", "ring": "", "face": ["F1", "F2"], "thickness_m": [0.44, 0.10]})
    found = join(build(box(0, 0, 8, 6), faces=told), 0.44, 5.80, "inside")
    assert (found["status"], found["face"]) == ("joined", "F1")


def test_a_reading_on_the_wrong_side_is_not_given_to_the_house_next_door() -> None:
    """Recorded outside but 0.30 m inside a house 0.20 m from the next: it is a contradiction, not the neighbour's."""
    found = join(build(box(0, 0, 8, 6), box(8.2, 0, 16, 6)), 7.7, 3.0, "outside")
    assert found["status"] == "ambiguous"
    assert "recorded outside" in found["reason"]


def test_the_exposed_flank_takes_readings_and_the_shared_part_does_not() -> None:
    """On a stepped pair a reading on the free metre is joined; one put on the shared part is not."""
    perimeter = build(box(0, 0, 8, 6), box(8, 1, 16, 7))
    assert join(perimeter, 8.02, 0.5, "outside")["status"] == "joined"
    assert join(perimeter, 8.02, 3.0, "outside")["status"] == "unjoined"


def test_a_floor_reading_is_reached_from_the_inner_face() -> None:
    """A floor reading 0.50 m from the inner face of a 0.29 m wall is within the reach of 0.60 m."""
    perimeter = build(box(0, 0, 8, 6))
    assert join(perimeter, 4.0, 6 - 0.29 - 0.50, "floor")["status"] == "joined"
    assert join(perimeter, 4.0, 6 - 0.29 - 0.70, "floor")["status"] == "unjoined"


def test_joining_leaves_its_input_alone() -> None:
    """Neither the points nor the perimeter are changed, and the answer has the input's index."""
    perimeter = build(box(0, 0, 8, 6))
    places = pd.DataFrame(
        {"x": [E + 3.0], "y": [N + 6.0], "sigma_m": [0.02], "side": ["outside"]}, index=["R7"]
    )
    before, faces = places.copy(), perimeter.faces.copy()
    assert list(join_to_walls(places, perimeter, ref=REF).index) == ["R7"]
    pd.testing.assert_frame_equal(places, before)
    pd.testing.assert_frame_equal(pd.DataFrame(perimeter.faces), pd.DataFrame(faces))


def test_nothing_taken_joins_to_nothing() -> None:
    """An empty table gives an empty answer with the same columns."""
    places = pd.DataFrame({"x": [], "y": [], "sigma_m": [], "side": []}).astype({"side": object})
    assert join_to_walls(places, build(box(0, 0, 8, 6)), ref=REF).empty
