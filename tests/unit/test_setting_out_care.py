"""What to take care of beside a dig: foundations by chainage, services in height, sewers, and the ground."""

from __future__ import annotations

import math
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geo import reference
from geo.drains.setting_depths import RASTER, depths_below
from geo.drains.setting_foundations import NEVER_SEEN, ONLY_TOLD, footings_of, foundation_warnings
from geo.drains.setting_services import EXPOSE, Pipe, pipe_at, service_warnings, vertical_gap
from geo.drains.setting_warnings import sewer_warnings
from geo.perimeter.build import Perimeter, build_perimeter
from geo.verdict import NOT_KNOWN, Measured

REF = reference.default()


def house(*others: shapely.Polygon) -> Perimeter:
    """Return a house 10 m by 8 m, origin corner at nought, its first face going north; and neighbours."""
    shapes = [shapely.box(0, 0, 10, 8), *others]
    table = gpd.GeoDataFrame(
        {
            "role": ["subject"] + ["neighbour"] * len(others),
            "origin_e": [0.0] + [np.nan] * len(others),
            "origin_n": [0.0] + [np.nan] * len(others),
        },
        geometry=shapes,
        index=[f"B{i}" for i in range(1, len(shapes) + 1)],
        crs=27700,
    )
    return build_perimeter(table, ref=REF)


def exposed(*rows: tuple[float, float, float], evidence: str = "seen", sigma: float = 0.01) -> pd.DataFrame:
    """Return lengths of foundation that were looked at: from, to, underside."""
    table = pd.DataFrame(rows, columns=["chainage_from_m", "chainage_to_m", "underside_level_m"])
    return table.assign(ring_key="B1", level_sigma_m=sigma, evidence=evidence)


def run(
    *xy: tuple[float, float], owner: str = "private", route: float = 0.0, **columns: Any
) -> gpd.GeoDataFrame:
    """Return one run, 100 mm, invert 9.0 at both ends, the ground at 10.0, as it is laid out."""
    line = shapely.LineString(xy)
    row = {
        "owner": owner, "bore_m": 0.1, "route_sigma_m": route, "plan_m": line.length, "up_low_m": 9.0,
        "down_low_m": 9.0, "up_ground_m": 10.0, "down_ground_m": 10.0, "up_depth_m": 1.0, "down_depth_m": 1.0,
        "up_depth_sigma_m": 0.02, "down_depth_sigma_m": 0.02,
    }  # fmt: skip
    return gpd.GeoDataFrame([row | columns], geometry=[line], index=["R1"], crs=27700)


def none() -> gpd.GeoDataFrame:
    """Return no dig boxes."""
    return gpd.GeoDataFrame({"depth_to_m": []}, geometry=[], crs=27700)


def beside(
    perimeter: Perimeter, drawn: gpd.GeoDataFrame, foundations: pd.DataFrame | None, **more: Any
) -> Any:
    """Return the warnings of a run about foundations."""
    footings = footings_of(perimeter, foundations, ref=REF, **more)
    return foundation_warnings(drawn, drawn, none(), pd.DataFrame(), perimeter, ref=REF, footings=footings)


# --- foundations -------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 36), st.floats(0.2, 30)), max_size=4))
def test_what_was_not_exposed_is_not_known(lengths: list[tuple[float, float]]) -> None:
    """Seen and unknown lengths together cover the ring, unknown ones touch no seen one, rows may overlap."""
    rows = [(start, (start + long) % 36.0, 9.0) for start, long in lengths]
    perimeter = house()
    found = footings_of(perimeter, exposed(*rows) if rows else None, ref=REF)["B1"]
    ring = perimeter.line("B1", 0.0, 36.0)
    whole = shapely.union_all([each.line.buffer(0.02) for each in found])
    assert shapely.difference(ring, whole).length < 0.05
    seen = [each.line for each in found if math.isfinite(each.underside_m)]
    unknown = [each.line for each in found if math.isnan(each.underside_m)]
    assert len(seen) == len(rows)
    if seen and unknown:
        shared = shapely.union_all(seen).buffer(1e-4).intersection(shapely.union_all(unknown))
        assert shared.length < 0.01


def test_each_length_of_wall_has_its_own_foundation() -> None:
    """Underside 9.20 from 0 to 4 m asks for concrete to 9.20, 8.00 from 4 to 8 m for none (bed at 8.90).

    The trench, 0.45 m wide, runs 0.525 m off the west wall. It is 1 m clear of the end at 4 m from
    √(1.225² − 0.525²) = 1.11 m past it, 4.11 m along; there the rule lets go to 8.35. With only the first
    length exposed, the rest is not known.
    """
    perimeter, drawn = house(), run((-0.525, 1.0), (-0.525, 5.9))
    both = beside(perimeter, drawn, exposed((0, 4, 9.2), (4, 8, 8.0)))
    assert both["word"].tolist() == ["yes"]
    assert both["from_m"].iloc[0] == 0.0
    assert both["to_m"].iloc[0] == pytest.approx(4.11, abs=0.25)
    assert both["concrete_to_m"].iloc[0] == pytest.approx(9.2)
    one = beside(perimeter, drawn, exposed((0, 4, 9.2)))
    assert one["word"].tolist() == ["yes", NOT_KNOWN]
    assert NEVER_SEEN in one["said"].iloc[1]
    assert one["settle"].iloc[1].startswith("Dig a hole by hand")


def test_a_foundation_told_of_is_not_a_foundation_seen() -> None:
    """A level that was reported leaves the answer not known, and says why."""
    found = beside(house(), run((-0.525, 1.0), (-0.525, 7.0)), exposed((0, 36, 8.0), evidence="reported"))
    assert set(found["word"]) == {NOT_KNOWN}
    assert found["said"].str.contains(ONLY_TOLD).all()


def test_one_level_for_the_whole_house_stands_in_place_of_the_rows() -> None:
    """Given 8.00 everywhere, rows that say 9.20 are not asked; the neighbour's stays not known."""
    perimeter = house(shapely.box(-4.0, 0.0, -2.0, 8.0))
    drawn = run((-0.525, 1.0), (-0.525, 7.0))
    found = beside(perimeter, drawn, exposed((0, 36, 9.2)), whole=Measured(8.0, 0.01))
    assert set(found["near_id"]) == {"B2"}
    assert set(found["word"]) == {NOT_KNOWN}


# --- services ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("depth", "sigma", "word", "margin"),
    [(0.60, 0.05, "over", 0.29), (1.30, 0.05, "under", 0.29), (0.95, 0.005, "clash", -0.06), (0.85, 0.05, NOT_KNOWN, 0.04)],
)  # fmt: skip
def test_over_under_or_meeting(depth: float, sigma: float, word: str, margin: float) -> None:
    """Invert 1.00 down, 100 mm bore, 10 mm wall: top 0.89, underside 1.01 (worked by hand).

    At 0.60 the crown passes 0.29 over; at 1.30, 0.29 under; at 0.95 it lies 0.06 inside both; at 0.85 with
    σ 50 mm the 0.04 over is within the error.
    """
    pipe = Pipe(top_m=0.89, under_m=1.01, sigma_m=0.01)
    found = vertical_gap(Measured(depth, sigma), pipe, ref=REF)
    assert found.word == word
    assert found.margin == pytest.approx(margin)
    assert found.sigma == pytest.approx(math.hypot(sigma, 0.01))


def test_no_depth_is_no_clearance() -> None:
    """Service or drain without a depth: not known, and what to measure."""
    pipe = Pipe(top_m=0.89, under_m=1.01, sigma_m=0.01)
    assert vertical_gap(None, pipe, ref=REF).settle == EXPOSE
    found = vertical_gap(Measured(0.6, 0.05), None, ref=REF)
    assert (found.word, found.settle) == (NOT_KNOWN, "Dip the invert and level the ground over it.")
    assert pipe_at(run((0, 0), (6, 0), down_depth_m=np.nan).iloc[0], 3.0, ref=REF) is None
    assert pipe_at(run((0, 0), (6, 0), bore_m=np.nan).iloc[0], 3.0, ref=REF) is None


def test_a_drain_between_its_ends_is_known_less_well() -> None:
    """Ends 1.0 and 1.2 down, σ 20 mm each, 6 m apart: half-way 1.10; σ √(14² + (0.05 × 3 m = 150)² + 4²) mm."""
    found = pipe_at(run((0, 0), (6, 0), down_depth_m=1.2).iloc[0], 3.0, ref=REF)
    assert found is not None
    assert (found.top_m, found.under_m) == pytest.approx((0.99, 1.11))
    assert found.sigma_m == pytest.approx(math.sqrt(0.014142**2 + 0.15**2 + 0.004**2), abs=1e-5)


def main(*xy: tuple[float, float], **columns: Any) -> gpd.GeoDataFrame:
    """Return one water main."""
    row = {"service_kind": "water_main", "evidence": "seen", "depth_m": np.nan, "depth_sigma_m": np.nan}
    return gpd.GeoDataFrame([row | columns], geometry=[shapely.LineString(xy)], index=["SV"], crs=27700)


def test_every_crossing_is_named_with_its_height() -> None:
    """A main that crosses at 1 m and comes back at 5 m gives two warnings, each with its clearance."""
    crossing = main((1, -1), (1, 1), (5, 1), (5, -1), depth_m=0.4, depth_sigma_m=0.02)
    found = service_warnings(run((0, 0), (6, 0)), none(), crossing, ref=REF)
    assert sorted(found["from_m"]) == pytest.approx([1.0, 5.0])
    assert found["vertical_m"].tolist() == pytest.approx([0.49, 0.49])
    assert found["said"].str.contains("over the pipe's").all()
    under = service_warnings(run((0, 0), (6, 0)), none(), main((3, -1), (3, 1), depth_m=1.6), ref=REF)
    # Recorded without a sigma: one part in ten of 1.6 m.
    assert under["vertical_m"].iloc[0] == pytest.approx(-0.59)
    assert under["vertical_sigma_m"].iloc[0] > 0.16


@pytest.mark.parametrize(
    ("bottom", "depth", "said"),
    [(0.5, 0.9, "stops at 0.50 m, above it"), (1.1, 0.9, "can reach it"), (np.nan, 0.9, "goes is not known"), (1.1, np.nan, "is not recorded")],
)  # fmt: skip
def test_a_hole_says_whether_it_reaches_a_service(bottom: float, depth: float, said: str) -> None:
    """A main 0.90 ± 0.04 m down under a hole to 0.50, to 1.10, to nobody knows where; and one of no depth."""
    box = gpd.GeoDataFrame(
        {"depth_to_m": [bottom]}, geometry=[shapely.box(0, 0, 1, 1)], index=["G1"], crs=27700
    )
    service = main((0.5, -1), (0.5, 2), depth_m=depth, depth_sigma_m=0.02)
    found = service_warnings(run((5, 5), (9, 5)), box, service, ref=REF)
    assert found["of_id"].tolist() == ["G1"]
    assert said in found["said"].iloc[0]


# --- sewers ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("owner", "away", "route", "word"),
    [
        ("public", 2.0, 0.1, "yes"), ("public", 2.9, 0.5, NOT_KNOWN), ("not_known", 2.0, 0.1, NOT_KNOWN),
        ("shared_private", 2.0, 0.1, NOT_KNOWN), ("public", 6.0, 0.1, None), ("private", 1.0, 0.1, None),
    ],
)  # fmt: skip
def test_building_near_a_sewer_is_for_its_owner(
    owner: str, away: float, route: float, word: str | None
) -> None:
    """Approved Document H, H4 0.1: within 3 m of a mapped sewer's centre line; a private drain asks nothing."""
    found = sewer_warnings(run((-away, 1.0), (-away, 7.0), owner=owner, route=route), house(), ref=REF)
    assert found["word"].tolist() == ([] if word is None else [word])
    if word is not None:
        assert "undertaker" in found["said"].iloc[0] + found["settle"].iloc[0]


def test_only_the_length_near_the_house_is_named() -> None:
    """A sewer that leaves square to the wall is within 3 m for its first 3 m."""
    found = sewer_warnings(run((0.0, 4.0), (-9.0, 4.0), owner="public"), house(), ref=REF)
    assert found[["from_m", "to_m"]].iloc[0].tolist() == pytest.approx([0.0, 3.0], abs=1e-6)


# --- the ground --------------------------------------------------------------------------------


def target(x: float, y: float) -> pd.DataFrame:
    """Return one pipe with its invert at 9.0."""
    row = {
        "x": x,
        "y": y,
        "crown_low_m": 9.11,
        "crown_high_m": 9.11,
        "invert_low_m": 9.0,
        "invert_high_m": 9.0,
    }
    return pd.DataFrame([row | {"level_sigma_m": 0.01}], index=["T"])


def level(x: float, y: float, z: float) -> pd.DataFrame:
    """Return one level of the ground."""
    return pd.DataFrame({"x": [x], "y": [y], "level_m": [z], "sigma_m": [0.005], "name": ["L1"]})


def test_the_raster_speaks_only_where_no_level_is_near() -> None:
    """A level 2 m off serves, whatever the raster says; 9 m off it does not, and the raster's own sigma stands."""

    def terrain(xy: Any) -> Any:
        return np.full(len(xy), 10.5), np.full(len(xy), 0.08)

    near = depths_below(target(0, 0), level(2, 0, 10.0), ref=REF, terrain=terrain).iloc[0]
    assert (near["ground_from"], near["ground_m"]) == ("L1", 10.0)
    far = depths_below(target(0, 0), level(9, 0, 10.0), ref=REF, terrain=terrain).iloc[0]
    assert (far["ground_from"], far["ground_m"], far["ground_sigma_m"]) == (RASTER, 10.5, 0.08)
    assert far["depth_invert_m"] == pytest.approx(1.5)
    assert far["depth_invert_sigma_m"] == pytest.approx(math.hypot(0.08, 0.01))
    bare = depths_below(target(0, 0), level(9, 0, 10.0), ref=REF).iloc[0]
    assert (bare["depth"], bare["depth_settle"]) == (NOT_KNOWN, "Level the ground over it.")


def test_a_level_is_not_carried_through_a_house() -> None:
    """A lightwell's floor on the other side of the wall says nothing of the ground outside."""
    wall = shapely.box(0.5, -5, 3.5, 5)
    through = depths_below(target(0, 0), level(4, 0, 8.5), ref=REF, buildings=wall).iloc[0]
    assert through["depth"] == NOT_KNOWN
    along = depths_below(target(0, 0), level(0.4, 3, 10.0), ref=REF, buildings=wall).iloc[0]
    assert along["depth"] == "known"
