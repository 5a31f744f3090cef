"""What is drawn or typed as an outline, snapped, and sites as zips."""

from __future__ import annotations

import io
import math
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon, mapping

from geo import reference
from geo.draw.tape_sketch import draw_tapes
from geo.entry.backdrop import backdrop, window
from geo.entry.drawing import asset_places, shapes_of, take_drawings, tie_of, to_features
from geo.entry.outline import outline_from_tapes
from geo.entry.sites import new_site_info, unzipped_site, zip_folder
from geo.entry.snapping import ends_at, snap_vertices
from geo.entry.tapes import sketch_of
from geo.entry.whereabouts import whereabouts
from geo.errors import GeometryError, InputError
from geo.findings.places import perimeter_of
from geo.site.crs import to_lonlat
from geo.site.folder import read_site
from geo.site.model import Site
from geo.site.records import KINDS

REF = reference.default()
DEMO = Path(__file__).parents[2] / "demo_sites" / "semi_on_a_slope"


@pytest.fixture(scope="module")
def site() -> Site:
    """Return a demo site."""
    return read_site(DEMO)


def on_screen(shape: Any, site: Site) -> dict[str, Any]:
    """Return a new shape as the map gives it back."""
    drawn = shapely.transform(shape, lambda xy: to_lonlat(xy, site.crs, tie=tie_of(site)))
    return {"type": "Feature", "properties": {}, "geometry": mapping(drawn)}


@pytest.mark.parametrize("kind", ["building", "run", "gully", "ground_patch", "chamber"])
def test_what_comes_back_as_it_was_sent_changes_nothing(site: Site, kind: str) -> None:
    """A shape that went through the screen's longitude and latitude and back was not moved."""
    perimeter = perimeter_of(site)
    shown = shapes_of(site, kind, perimeter)
    assert shown
    drawn = take_drawings(to_features(shown, site), shown, site, kind, perimeter=perimeter)
    assert (drawn.new, drawn.moved, drawn.missing, drawn.said) == ((), (), (), ())


def test_an_absent_shape_is_missing_and_not_taken_out(site: Site) -> None:
    """Taking it out of the site is another step, which asks."""
    perimeter = perimeter_of(site)
    shown = shapes_of(site, "gully", perimeter)
    features = to_features(shown, site)[1:]
    drawn = take_drawings(features, shown, site, "gully", perimeter=perimeter)
    assert drawn.missing == (next(iter(shown)),)


def test_a_run_drawn_near_two_assets_joins_them(site: Site) -> None:
    """Its ends lie on the assets to the tenth of a millimetre files have, and it names them."""
    perimeter = perimeter_of(site)
    places = asset_places(site, perimeter)
    start, end = np.array(places["G1"]), np.array(places["C1"])
    line = LineString([start + (0.2, -0.1), end + (-0.3, 0.2)])
    drawn = take_drawings([on_screen(line, site)], {}, site, "run", perimeter=perimeter)
    (run,) = drawn.new
    assert (run.model_dump()["from_id"], run.model_dump()["to_id"]) == ("G1", "C1")
    ends = shapely.get_coordinates(run.geometry)
    assert np.abs(ends - [start, end]).max() <= 0.5e-4 + 1e-9


def test_a_gully_taped_before_and_moved_by_finger_keeps_no_half_of_its_tapes(site: Site) -> None:
    """Its place is then coordinates with the finger's own sigma; the tapes stand in the history."""
    perimeter = perimeter_of(site)
    shown = shapes_of(site, "gully", perimeter)
    name = "G2"
    moved = [
        on_screen(Point(shape.x + 0.4, shape.y), site) | {"properties": {"id": key}}
        if key == name
        else to_features({key: shape}, site)[0]
        for key, shape in shown.items()
    ]
    (record,) = take_drawings(moved, shown, site, "gully", perimeter=perimeter).moved
    given = record.model_dump()
    assert given["position_by"] == "coordinates"
    assert given["easting_m"] == pytest.approx(shown[name].x + 0.4, abs=1e-4)
    assert given["position_sigma_m"] == REF.value("entry.drawn_sigma_m")
    assert all(given[field] in (None, "") for field in ("chainage_m", "offset_m", "tape_1_m", "corner"))


@pytest.mark.parametrize("kind", ["gully", "downpipe", "chamber", "soakaway"])
def test_what_is_only_dropped_on_the_map_is_not_called_sound(site: Site, kind: str) -> None:
    """A finger says where it is; nobody has looked at its state."""
    east, north = shapely.get_coordinates(site.of("building")[0].geometry)[0]
    drawn = take_drawings([on_screen(Point(east, north), site)], {}, site, kind, perimeter=None)
    assert drawn.new[0].model_dump()["evidence"] == "not_looked"


def test_a_crossed_outline_is_refused_with_a_sentence(site: Site) -> None:
    """A bow tie is no house."""
    tie = Polygon([(0, 0), (5, 5), (5, 0), (0, 5)])
    east, north = shapely.get_coordinates(site.of("building")[0].geometry)[0]
    shape = shapely.transform(tie, lambda xy: xy + (east + 30, north + 30))
    drawn = take_drawings([on_screen(shape, site)], {}, site, "building", perimeter=None)
    assert drawn.new == ()
    assert "crosses itself" in drawn.said[0]


def test_a_shape_that_is_none_changes_nothing(site: Site) -> None:
    """Whatever a page sends back, nothing is half-read."""
    for geometry in ({}, {"type": "Point"}, {"type": "Polygon", "coordinates": [[1]]}, {"type": "Odd"}):
        drawn = take_drawings([{"geometry": geometry}], {}, site, "gully", perimeter=None)
        assert drawn.new == ()
        assert drawn.said


@given(st.lists(st.tuples(st.floats(-20, 20), st.floats(-20, 20)), min_size=3, max_size=8, unique=True))
def test_snapping_moves_a_vertex_only_onto_a_corner_within_reach(points: list[tuple[float, float]]) -> None:
    """Every vertex is where it was, or on a corner nearer than the reach."""
    corners = np.array([[0.0, 0.0], [5.0, 0.0], [5.0, 5.0]])
    before = np.array(points)
    after = shapely.get_coordinates(snap_vertices(LineString(points), corners, reach_m=0.15))
    apart = np.linalg.norm(before[:, None] - corners[None], axis=2)
    stayed = np.all(before == after, axis=1)
    assert (stayed | (apart.min(axis=1) <= 0.15)).all()
    assert (stayed | (np.linalg.norm(after - corners[apart.argmin(axis=1)], axis=1) == 0)).all()


def test_both_ends_of_a_short_run_do_not_join_one_asset() -> None:
    """A run from a gully to itself is not meant."""
    line, start, end = ends_at(LineString([(0, 0.1), (0.2, 0)]), {"G1": (0.0, 0.0)}, reach_m=0.5)
    assert sorted([start, end]) == ["", "G1"]
    assert line.length > 0


@given(st.floats(2, 30), st.floats(2, 30), st.floats(0, 360))
def test_a_rectangle_by_tape_has_its_lengths_whatever_way_it_faces(
    length: float, width: float, bearing: float
) -> None:
    """Area and girth follow from the two lengths; walked clockwise."""
    a, b = round(length, 2), round(width, 2)
    made = outline_from_tapes(f"{a} r {b} r {a} r {b}", ref=REF, first_bearing_deg=bearing)
    assert made.polygon.area == pytest.approx(a * b, rel=1e-9)
    assert made.misclosure_m < 1e-9
    assert not shapely.is_ccw(made.polygon.exterior)


def test_what_is_left_over_is_shared_out_in_proportion_to_length() -> None:
    """Bowditch's rule by hand: 40 mm over on one wall of 9.04 in a girth of 30.04."""
    made = outline_from_tapes("9.04 r 6 r 9 r 6", ref=REF)
    assert made.misclosure_m == pytest.approx(0.04, abs=1e-9)
    corners = shapely.get_coordinates(made.polygon)
    first = np.linalg.norm(corners[1] - corners[0])
    assert first == pytest.approx(9.04 - 0.04 * 9.04 / 30.04, abs=1e-6)


def test_the_last_length_may_be_left_out() -> None:
    """It follows from the others."""
    made = outline_from_tapes("9 r 3 r 4 l 3 r 5 r", ref=REF)
    assert made.polygon.area == pytest.approx(42.0)
    assert made.lengths_m[-1] == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("9 r 6 r 8 r 6", "shared out"),
        ("9 6 9 6", "turn is missing"),
        ("9 r 6", "three lengths"),
        ("nine r 6", "neither a length"),
        ("9 r r 6 r 9", "no wall before"),
        ("", "three lengths"),
        ("0 r 6 r 9", "no length"),
    ],
)
def test_an_outline_that_cannot_be_is_refused(typed: str, said: str) -> None:
    """Each with one clear sentence."""
    with pytest.raises(GeometryError, match=said):
        outline_from_tapes(typed, ref=REF)


def test_a_zipped_site_comes_back_equal_and_the_same_folder_gives_the_same_bytes(tmp_path: Path) -> None:
    """Out and in again is the same site."""
    raw = zip_folder(DEMO)
    assert raw == zip_folder(DEMO)
    with unzipped_site(raw) as site:
        assert site.digest == read_site(DEMO).digest


@pytest.mark.parametrize("name", ["../out.csv", "/etc/out.csv", "a/../../out.csv", "c:\\out.csv", "a\nb.csv"])
def test_a_zip_that_leads_elsewhere_is_refused(name: str, tmp_path: Path) -> None:
    """Nothing is written outside the place it is laid out in."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as made:
        made.writestr("site.toml", 'name = "x"')
        made.writestr(zipfile.ZipInfo(name), "id\n")
    with pytest.raises(InputError), unzipped_site(out.getvalue()):
        pass


def test_a_zip_bomb_and_a_torn_zip_are_refused() -> None:
    """What would fill the disk is not unpacked; what is no zip is said to be none."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr("site.toml", b"0" * 50_000_000)
    for raw in (out.getvalue(), out.getvalue()[:200], b"", b"PK"):
        with pytest.raises(InputError), unzipped_site(raw):
            pass


def test_a_new_site_names_every_fact_that_cannot_be() -> None:
    """All at once."""
    with pytest.raises(InputError) as raised:
        new_site_info(name="", crs="EPSG:27700", datum="", start_easting_m="here")
    assert {problem.file for problem in raised.value.problems} == {"name", "datum", "start easting"}


def test_a_site_with_nothing_in_it_opens_on_a_window_of_its_own_grid() -> None:
    """A local grid opens round its zero, metres wide."""
    info = new_site_info(name="New", crs="local", datum="floor")
    blank = replace(read_site(DEMO), info=info, records={}, read={})
    (south, west), (north, east) = window(blank, None)
    assert south < 0 < north
    assert west < 0 < east
    assert backdrop(blank, None, without="building") == []


def test_the_sketch_shows_both_places_two_tapes_allow(site: Site) -> None:
    """The place and its mirror lie as far from the corners as the tapes say."""
    perimeter = perimeter_of(site)
    record = KINDS["chamber"](
        id="C9", position_by="two_tapes", tape_1_from="A", tape_1_m=4.1, tape_2_from="B", tape_2_m=9.3,
        tape_side="outside",
    )  # fmt: skip
    place = whereabouts([record], site, perimeter=perimeter)["C9"]
    sketch = sketch_of(record, place, perimeter)
    corner = next(corner for corner in sketch.corners if corner.name == "A")
    assert sketch.place is not None
    assert sketch.mirror is not None
    for x, y in (sketch.place, sketch.mirror):
        assert math.hypot(x - corner.x, y - corner.y) == pytest.approx(4.1, abs=1e-6)
    svg = draw_tapes(sketch)
    assert "4.10 m" in svg
    assert "the other place" in svg
