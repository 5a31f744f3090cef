"""What must hold of every perimeter, whatever the house and wherever it stands."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geo import reference
from geo.perimeter.build import Perimeter, build_perimeter
from geo.perimeter.fit import fit_taped
from geo.perimeter.fix import fix_positions
from geo.perimeter.join import counts, join_to_walls
from geo.perimeter.path import free_arcs, outside_distance

REF = reference.default()
E, N = 412300.0, 287600.0
SIDES = ("outside", "inside", "cavity", "floor", "")
NUMBERS = (
    "chainage_m", "offset_m", "distance_m", "tape_1_m", "tape_2_m", "tape_3_m", "tape_4_m", "bearing_deg",
    "easting_m", "northing_m", "position_sigma_m",
)  # fmt: skip
WORDS = ("position_by", "ring", "face", "corner", "tape_side", *(f"tape_{i}_from" for i in range(1, 5)))


@st.composite
def plans(draw: st.DrawFn) -> shapely.Polygon:
    """Draw a rectilinear plan: a row of bays of various depths, front and back, in steps of 0.1 m."""
    count = draw(st.integers(1, 4))
    tenths = st.integers(15, 60)
    widths = np.array(draw(st.lists(tenths, min_size=count, max_size=count))) / 10
    fronts = np.array(draw(st.lists(st.integers(0, 20), min_size=count, max_size=count))) / 10
    depths = np.array(draw(st.lists(tenths, min_size=count, max_size=count))) / 10 + 2.5
    edges = np.concatenate([[0.0], np.cumsum(widths)])
    bays = [shapely.box(edges[i], fronts[i], edges[i + 1], fronts[i] + depths[i]) for i in range(count)]
    plan = shapely.union_all(bays)
    assume(plan.geom_type == "Polygon" and not plan.interiors)
    return plan


def site(*polygons: shapely.Polygon, **columns: Any) -> gpd.GeoDataFrame:
    """Return outlines as build_perimeter takes them, moved to the made-up site."""
    moved = [shapely.transform(polygon, lambda xy: xy + [E, N]) for polygon in polygons]
    names = [f"B{i}" for i in range(1, len(moved) + 1)]
    table = {"role": "subject", "wall_thickness_m": 0.29, "ring_kinds": [{} for _ in names]}
    return gpd.GeoDataFrame(table | columns, geometry=moved, crs=27700, index=names)


def corners_of(perimeter: Perimeter) -> np.ndarray:
    """Return the corners of the first outline, in order of chainage."""
    own = perimeter.faces[perimeter.faces["ring_key"] == "B1"]
    return perimeter.point_at("B1", own["chainage_from_m"].to_numpy())


@given(plans(), st.floats(0, 360), st.floats(-500, 500), st.floats(-500, 500))
@settings(max_examples=40, deadline=None)
def test_turning_and_moving_a_site_changes_no_length(
    plan: shapely.Polygon, turn: float, east: float, north: float
) -> None:
    """Turned clockwise and moved with its origin corner, a house keeps chainages, lengths and corner names."""
    still = build_perimeter(site(plan), ref=REF)
    angle = np.radians(turn)
    matrix = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    moved_plan = shapely.transform(plan, lambda xy: xy @ matrix + [east, north])
    start = (corners_of(still)[0] - [E, N]) @ matrix + [east, north] + [E, N]
    moved = build_perimeter(site(moved_plan, origin_e=start[0], origin_n=start[1]), ref=REF)
    for column in ("chainage_from_m", "chainage_to_m", "length_m"):
        assert moved.faces[column].to_numpy() == pytest.approx(still.faces[column].to_numpy(), abs=1e-6)
    assert list(moved.faces["corner_from"]) == list(still.faces["corner_from"])
    bearings = moved.faces["bearing_deg"].to_numpy() - still.faces["bearing_deg"].to_numpy() - turn
    assert np.abs(np.mod(bearings + 180, 360) - 180).max() < 1e-4


@given(plans(), st.integers(0, 30), st.lists(st.floats(0, 1), min_size=1, max_size=8))
@settings(max_examples=40, deadline=None)
def test_another_origin_corner_shifts_every_chainage_alike(
    plan: shapely.Polygon, pick: int, shares: list[float]
) -> None:
    """The same places get chainages that differ by one number, round the ring."""
    first = build_perimeter(site(plan), ref=REF)
    corners = corners_of(first)
    start = corners[pick % len(corners)]
    second = build_perimeter(site(plan, origin_e=start[0], origin_n=start[1]), ref=REF)
    length = first.rings.loc["B1", "length_m"]
    shift = first.faces["chainage_from_m"].iloc[pick % len(corners)]
    places = np.array(shares) * length
    assert np.hypot(*(first.point_at("B1", places) - second.point_at("B1", places - shift)).T).max() < 1e-6


@given(plans(), st.lists(st.floats(0.001, 0.999), min_size=1, max_size=20))
@settings(max_examples=40, deadline=None)
def test_chainage_to_point_and_back(plan: shapely.Polygon, shares: list[float]) -> None:
    """A point on a face comes back to its chainage and itself to under a micrometre."""
    perimeter = build_perimeter(site(plan), ref=REF)
    row = np.arange(len(perimeter.faces)).repeat(len(shares))
    share = np.tile(shares, len(perimeter.faces))
    length = perimeter.faces["length_m"].to_numpy()[row]
    chainage = perimeter.faces["chainage_from_m"].to_numpy()[row] + share * length
    points = perimeter.point_at("B1", chainage)
    places = pd.DataFrame({"x": points[:, 0], "y": points[:, 1], "sigma_m": 0.0, "side": "outside"})
    joined = join_to_walls(places, perimeter, ref=REF)
    assert (joined["status"] == "joined").all()
    assert np.abs(joined["chainage_m"].to_numpy() - chainage).max() < 1e-6
    again = perimeter.point_at(joined["ring_key"].to_numpy(), joined["chainage_m"].to_numpy())
    assert np.hypot(*(again - points).T).max() < 1e-6


@given(plans(), plans(), st.floats(0.3, 3.0))
@settings(max_examples=40, deadline=None)
def test_faces_add_up_to_their_ring(plan: shapely.Polygon, other: shapely.Polygon, step: float) -> None:
    """Faces, stations and the outline's own length agree, with a neighbour beside it or not."""
    beside = shapely.transform(other, lambda xy: xy + [plan.bounds[2] - other.bounds[0], 0.0])
    perimeter = build_perimeter(site(plan, beside), ref=REF)
    for ring_key, faces in perimeter.faces.groupby("ring_key"):
        length = perimeter.rings.loc[ring_key, "length_m"]
        assert faces["length_m"].sum() == pytest.approx(length, abs=1e-6)
        assert faces["chainage_from_m"].to_numpy()[1:] == pytest.approx(
            faces["chainage_to_m"].to_numpy()[:-1]
        )
    assert perimeter.rings["length_m"].to_numpy() == pytest.approx([plan.length, beside.length], abs=1e-6)
    pieces = perimeter.stations(step)
    assert pieces["length_m"].max() <= step + 1e-9
    assert pieces["length_m"].sum() == pytest.approx(perimeter.rings["length_m"].sum(), abs=1e-6)
    assert pieces["station_id"].is_unique


@given(plans(), plans())
@settings(max_examples=40, deadline=None)
def test_a_party_wall_is_as_long_on_both_sides(plan: shapely.Polygon, other: shapely.Polygon) -> None:
    """What one house shares with the other, the other shares with it: the length the outlines have in common."""
    beside = shapely.transform(other, lambda xy: xy + [plan.bounds[2] - other.bounds[0], 0.0])
    shared = shapely.intersection(plan.boundary, beside.boundary)
    parts = [part.length for part in shapely.get_parts(shared)]
    assume(all(length > 0.25 or length == 0 for length in parts))
    perimeter = build_perimeter(site(plan, beside), ref=REF)
    party = perimeter.faces[perimeter.faces["exposure"] == "party"]
    lengths = party.groupby("building_id")["length_m"].sum().reindex(["B1", "B2"]).fillna(0.0)
    assert lengths["B1"] == pytest.approx(lengths["B2"], abs=0.11)
    # A wall that ends within 5 cm of a corner ends at it, at each end of each part.
    assert lengths["B1"] == pytest.approx(sum(parts), abs=0.11 * max(1, len(parts)))


@given(
    plans(),
    st.lists(
        st.tuples(st.floats(-4, 20), st.floats(-4, 14), st.floats(0, 0.3), st.sampled_from(SIDES)),
        min_size=1,
        max_size=60,
    ),
)
@settings(max_examples=60, deadline=None)
def test_no_reading_is_lost(plan: shapely.Polygon, points: list[tuple[float, float, float, str]]) -> None:
    """Taken = joined + ambiguous + unjoined, the index is kept, and whatever is not joined says why."""
    neighbour = shapely.box(plan.bounds[2], 0.5, plan.bounds[2] + 5, 6)
    perimeter = build_perimeter(site(plan, neighbour), ref=REF)
    places = pd.DataFrame(points, columns=["x", "y", "sigma_m", "side"])
    places[["x", "y"]] += [E, N]
    places.loc[0, "x"] = np.nan
    places.index = places.index[::-1] + 7
    joined = join_to_walls(places, perimeter, ref=REF)
    tally = counts(joined)
    assert list(joined.index) == list(places.index)
    assert tally["taken"] == len(points) == tally["joined"] + tally["ambiguous"] + tally["unjoined"]
    assert ((joined["reason"] == "") == (joined["status"] == "joined")).all()
    assert (joined["ring_key"] == "").equals(joined["status"] == "unjoined")
    found = joined[joined["status"] == "joined"]
    there = perimeter.point_at(found["ring_key"].to_numpy(), found["chainage_m"].to_numpy())
    gaps = np.hypot(*(found[["x", "y"]].to_numpy() - there).T) if len(found) else np.zeros(0)
    assert (gaps <= REF.value("join.reach_m") + 0.29 + 1e-6).all()


@given(plans(), st.floats(0, 0.3), st.floats(0.01, 0.3))
@settings(max_examples=30, deadline=None)
def test_a_worse_position_is_never_more_certain(plan: shapely.Polygon, sigma: float, more: float) -> None:
    """A reading that is ambiguous stays so when its sigma grows."""
    perimeter = build_perimeter(site(plan), ref=REF)
    rng = np.random.default_rng(len(perimeter.faces))
    xy = perimeter.point_at("B1", rng.uniform(0, plan.length, 50), rng.uniform(0, 0.5, 50))
    places = pd.DataFrame({"x": xy[:, 0], "y": xy[:, 1], "sigma_m": sigma, "side": ""})
    sure = join_to_walls(places, perimeter, ref=REF)["status"]
    unsure = join_to_walls(places.assign(sigma_m=sigma + more), perimeter, ref=REF)["status"]
    assert (unsure[sure == "ambiguous"] == "ambiguous").all()


@given(plans())
@settings(max_examples=40, deadline=None)
def test_a_tape_that_agrees_leaves_no_residual(plan: shapely.Polygon) -> None:
    """Lengths equal to the map's leave the corners where they are and nothing to share out."""
    corners = corners_of(build_perimeter(site(plan), ref=REF))
    edges = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(edges[:, 0], edges[:, 1])
    fit = fit_taped(corners, lengths, np.full(len(lengths), 0.015), map_shape_sigma_m=0.15, ref=REF)
    assert fit.accepted
    assert fit.misclosure_m < 1e-6
    assert np.abs(fit.residual_m).max() < 1e-6
    assert np.abs(fit.corners - corners).max() < 1e-6


@given(plans(), st.floats(-0.01, 0.01))
@settings(max_examples=40, deadline=None)
def test_a_map_at_another_scale_takes_the_tape(plan: shapely.Polygon, stretch: float) -> None:
    """A map drawn up to 1 % too large or small closes, and the chainage is the tape's to well within its sigma."""
    faces = build_perimeter(site(plan), ref=REF).faces
    taped = (faces["length_m"] * (1 + stretch)).to_numpy()
    told = pd.DataFrame(
        {"building_id": "B1", "ring": "", "face": faces["face"].to_numpy(), "taped_length_m": taped}
    )
    perimeter = build_perimeter(site(plan), faces=told, ref=REF)
    assert perimeter.fits["B1"].accepted
    gaps = np.abs(perimeter.faces["length_m"].to_numpy() - taped)
    assert (gaps <= 0.5 * (0.010 + 0.001 * taped)).all()


@given(
    plans(),
    st.floats(-8, 20),
    st.floats(-8, 16),
    st.permutations(range(4)),
)
@settings(max_examples=60, deadline=None)
def test_exact_tapes_give_the_point(
    plan: shapely.Polygon, east: float, north: float, order: list[int]
) -> None:
    """Four exact tapes from four corners that lie on no one line give the point they were held to."""
    perimeter = build_perimeter(site(plan), ref=REF)
    corners = corners_of(perimeter)
    spread = np.linspace(0, len(corners), 4, endpoint=False).astype(int)[list(order)]
    point = np.array([E + east, N + north])
    from_corners = corners[spread] - corners[spread].mean(axis=0)
    assume(np.linalg.svd(from_corners)[1][1] > 1.0)
    row = dict.fromkeys(NUMBERS, np.nan) | dict.fromkeys(WORDS, "")
    row |= {"building_id": "B1", "side": "outside", "position_by": "tapes"}
    letters = perimeter.faces["corner_from"].to_numpy()[spread]
    tapes = np.hypot(*(corners[spread] - point).T)
    assume(tapes.min() > 0.05)
    row |= {f"tape_{i + 1}_from": letters[i] for i in range(4)}
    row |= {f"tape_{i + 1}_m": float(tapes[i]) for i in range(4)}
    found = fix_positions(pd.DataFrame([row]), perimeter, ref=REF).iloc[0]
    if found["refused"]:
        assert "too close" in found["refused"] or "both" in found["refused"]
        return
    gap = np.hypot(found["x"] - point[0], found["y"] - point[1])
    mirror = np.hypot(found["mirror_x"] - point[0], found["mirror_y"] - point[1])
    assert min(gap, mirror if np.isfinite(mirror) else gap) < 1e-5


@given(plans(), st.lists(st.integers(0, 20), max_size=3), st.lists(st.floats(0, 1), min_size=2, max_size=8))
@settings(max_examples=60, deadline=None)
def test_paths_are_a_distance(plan: shapely.Polygon, walled: list[int], shares: list[float]) -> None:
    """The way there is as long as the way back, never shorter than the crow flies, and open within an arc only."""
    faces = build_perimeter(site(plan), ref=REF).faces
    names = sorted({faces["face"].iloc[i % len(faces)] for i in walled})
    seen = pd.DataFrame({"building_id": "B1", "ring": "", "face": names, "exposure": "party"})
    perimeter = build_perimeter(site(plan), faces=seen, ref=REF)
    length = perimeter.rings.loc["B1", "length_m"]
    chainage = np.array(shares) * length * 0.999
    keys = ["B1"] * len(chainage)
    way = outside_distance(perimeter, keys, chainage, keys, chainage)
    assert np.array_equal(way, way.T)
    points = perimeter.point_at("B1", chainage)
    crow = np.hypot(*(points[:, None, :] - points[None, :, :]).transpose(2, 0, 1))
    assert (way >= crow - 1e-6).all()
    arcs = free_arcs(perimeter)
    outside = perimeter.faces.loc[perimeter.faces["outside"], "length_m"].sum()
    assert sum(end - start for _, start, end, _ in arcs) == pytest.approx(outside, abs=1e-6)
    for i, j in zip(*np.triu_indices(len(chainage), 1), strict=True):
        together = any(
            all((place - start + 1e-6) % length <= end - start + 2e-6 for place in chainage[[i, j]])
            for _, start, end, _ in arcs
        )
        clear = all(perimeter.faces["outside"].iloc[perimeter.face_at("B1", chainage[[i, j]])])
        if np.isfinite(way[i, j]) and clear and way[i, j] > 0:
            assert together
