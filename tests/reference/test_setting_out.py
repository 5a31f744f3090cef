"""Setting-out held to published rules and to sums worked by hand."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geo import reference
from geo.drains.setting_boxes import ellipse_factor
from geo.drains.setting_camera import camera_path
from geo.drains.setting_foundations import foundation_rule
from geo.drains.setting_materials import outside_diameter, relay_quantities
from geo.drains.setting_ties import tie_points
from geo.perimeter.build import Perimeter, build_perimeter
from geo.verdict import NOT_KNOWN, Measured

REF = reference.default()


def house(width: float, depth: float) -> Perimeter:
    """Return a rectangular house, its origin corner at nought."""
    table = gpd.GeoDataFrame(
        {"role": ["subject"], "origin_e": [0.0], "origin_n": [0.0], "front_bearing_deg": [np.nan]},
        geometry=[shapely.box(0, 0, width, depth)],
        index=["B1"],
        crs=27700,
    )
    return build_perimeter(table, ref=REF)


def points(*xy: tuple[float, float], sigma: float = 0.0) -> pd.DataFrame:
    """Return points with a round spread."""
    table = pd.DataFrame(xy, columns=["x", "y"])
    return table.assign(var_xx=sigma**2 / 2, var_xy=0.0, var_yy=sigma**2 / 2)


@pytest.mark.parametrize(("clear", "below"), [(1.0, 0.85), (1.5, 1.35), (2.0, 1.85), (0.99, 0.0), (0.2, 0.0)])
def test_concrete_beside_a_foundation_stops_where_the_rule_says(clear: float, below: float) -> None:
    """Approved Document H (H1 2.25, Diagram 8) and NHBC (2004) p. 3: A - 150 mm below from 1 m, else none."""
    found = foundation_rule(clear, 9.0, underside_m=10.0, ref=REF)
    assert found["below_m"].iloc[0] == pytest.approx(below)
    assert found["concrete_to_m"].iloc[0] == pytest.approx(10.0 - below)


@pytest.mark.parametrize(
    ("clear", "bottom", "word"),
    [(0.5, 9.90, "yes"), (0.5, 10.10, "no"), (1.5, 8.60, "yes"), (1.5, 8.70, "no"), (1.5, 8.655, NOT_KNOWN)],
)
def test_a_trench_is_filled_when_it_goes_below_the_rules_level(
    clear: float, bottom: float, word: str
) -> None:
    """Underside at 10.000: at 0.5 m concrete to 10.000, at 1.5 m to 8.650; 5 mm over it with σ 10 mm is not known."""
    found = foundation_rule(clear, bottom, sigma_m=0.010, underside_m=10.0, ref=REF).iloc[0]
    assert found["word"] == word
    assert (found["settle"] == "") == (word != NOT_KNOWN)


def test_a_foundation_nobody_exposed_settles_only_shallow_trenches() -> None:
    """It lies below the ground at 10.0: 1.5 m off, a trench to 8.7 (1.30 < 1.35) needs none; to 8.5 may."""
    found = foundation_rule([1.5, 1.5, 0.5], [8.7, 8.5, 9.9], ground_m=10.0, ref=REF)
    assert list(found["word"]) == ["no", NOT_KNOWN, NOT_KNOWN]
    assert found["concrete_to_m"].isna().all()
    assert found["settle"].iloc[1].startswith("Dig a hole by hand")


def test_a_distance_that_may_be_under_a_metre_is_taken_as_under() -> None:
    """1.10 m clear, σ 0.1: the stricter half of the rule holds."""
    found = foundation_rule([1.10, 1.10], 9.0, clear_sigma_m=[0.1, 0.01], underside_m=10.0, ref=REF)
    assert list(found["below_m"]) == pytest.approx([0.0, 0.95])


def test_a_run_laid_again_takes_what_it_takes() -> None:
    """Worked by hand: 11.5 m of 110 mm pipe, invert 0.65 m down, trench 0.45 m.

    Dig 0.45 × 11.5 × 0.75 = 3.881 m³, loose 5.046; bed 0.45 × 0.31 × 11.5 - π 0.0121/4 × 11.5 =
    1.604 - 0.109 = 1.495 m³, 2.83 t with 5 % over; 1.05 × 11.5 / 3 = 4.03, so 5 lengths;
    away 1.3 × 1.604 = 2.086; surface 0.75 × 11.5 = 8.625 m².
    """
    found = relay_quantities(11.5, 0.65, 0.11, ref=REF).iloc[0]
    expected = {
        "pipes": 5, "trench_m": 0.45, "dig_m3": 3.881, "dig_loose_m3": 5.046, "bed_m3": 1.495, "bed_t": 2.826,
        "backfill_m3": 2.277, "cart_away_m3": 2.086, "surface_m2": 8.625,
    }  # fmt: skip
    assert {key: found[key] for key in expected} == pytest.approx(expected, abs=6e-4)
    assert not found["shallow"]


def test_the_trench_is_as_narrow_as_the_pipe_and_150_mm_each_side() -> None:
    """NHBC 5.3.13 (2020): 250 mm pipe needs 550 mm; a 110 mm one is held to the narrowest that can be worked."""
    assert list(relay_quantities(1.0, 1.0, [0.25, 0.11], ref=REF)["trench_m"]) == pytest.approx([0.55, 0.45])


def test_a_bore_no_pipe_is_sold_for_has_no_outside() -> None:
    """Nominal 100 mm is 110 outside, 150 is 160 (BS EN 1401-1); 125 and an unrecorded bore are not known."""
    found = outside_diameter([0.100, 0.102, 0.150, 0.125, np.nan], ref=REF)
    np.testing.assert_allclose(found, [0.110, 0.110, 0.160, np.nan, np.nan])


def test_the_ellipse_holds_95_in_100() -> None:
    """Chi-square with two degrees of freedom, 95 %: 5.991 (published tables); its root is 2.448."""
    assert ellipse_factor(REF) ** 2 == pytest.approx(5.991, abs=0.002)


def test_ties_of_a_worked_triangle() -> None:
    """Base 6.00, tapes 4.10 and 3.30: x = 3.493, y = 2.146, the tapes meet at 107.9° (worked by hand).

    Each tape 15 mm + 0.1 %: √(19.1² + 18.3²) / sin 107.9° = 27.8 mm, for a point known exactly.
    """
    target = points((3.493333, -2.146211))
    found = tie_points(target, house(6.0, 5.0), ref=REF).iloc[0]
    tapes = {found["tape_1_from"]: found["tape_1_m"], found["tape_2_from"]: found["tape_2_m"]}
    assert tapes == {"A": pytest.approx(4.10, abs=1e-3), "D": pytest.approx(3.30, abs=1e-3)}
    assert found["angle_deg"] == pytest.approx(107.9, abs=0.05)
    assert found["set_out_sigma_m"] == pytest.approx(0.0278, abs=1e-4)


def test_a_point_hard_by_the_wall_is_not_tied() -> None:
    """Base 6.00, 0.37 m off the wall: 15 mm on a tape moves it 60 mm, so chainage and offset are asked for."""
    found = tie_points(points((1.9, -0.369)), house(6.0, 5.0), ref=REF).iloc[0]
    assert found["tied"] == "no"
    assert "chainage and offset" in found["why_no_tie"]


def test_a_camera_goes_along_the_pipe_not_the_plan() -> None:
    """A run 4 m long in plan that drops 3 m is 5 m of pipe: 2.5 m on the reel is half-way."""
    path = camera_path(shapely.LineString([(0, 0), (4, 0)]), levels=[13.0, 10.0])
    found = path.to_map([2.5, 5.0], ref=REF)
    assert list(found["x"]) == pytest.approx([2.0, 4.0])
    assert path.to_reel([(2.0, 0.3)], ref=REF).loc[0, ["reel_m", "off_m"]].tolist() == pytest.approx(
        [2.5, 0.3]
    )


def test_a_reel_reading_round_a_bend_with_its_zero() -> None:
    """3 m north, then east; the reel read 0.40 at the gully, whose riser is 0.60: 5.00 is 1.00 m past the bend.

    Reel 1 % of 4.60 = 46 mm, zero 100 mm, slack 50 mm √2 for the riser's foot and the bend: 131 mm.
    """
    path = camera_path(shapely.LineString([(0, 0), (0, 3), (6, 3)]), drop_m=0.60)
    found = path.to_map([5.0, 0.2, 12.0], zero=Measured(0.40, 0.10), ref=REF)
    assert found.loc[0, ["x", "y", "bearing_deg", "bends"]].tolist() == pytest.approx([1.0, 3.0, 90.0, 2.0])
    assert found.loc[0, "sigma_m"] == pytest.approx(0.131, abs=5e-4)
    assert list(found["word"]) == ["on the run", "before it begins", "past its end"]
    assert found.loc[1:, ["x", "sigma_m"]].isna().all(axis=None)


def test_a_reel_reading_through_two_bends_and_a_drop() -> None:
    """Worked by hand: riser 0.60, then 2 m north, 3 m east, 1 m north, falling 0.60; the reel began at 0.25.

    Each metre of plan is √(6² + 0.6²) / 6 = 1.00499 m of pipe. A reading of 4.88 is 4.63 of rod, 4.03 of run,
    4.010 of plan: 2.010 m past the first bend. Reel 46 mm, zero 100 mm, slack 50 mm √2: 131 mm.
    Back: (3.0, 2.5) is 5.5 of plan, 5.527 of run, 6.127 of rod, 6.377 on the reel, past the riser's foot and
    both bends: √(61² + 100² + 50² × 3) = 146 mm.
    """
    line = shapely.LineString([(0, 0), (0, 2), (3, 2), (3, 3)])
    path = camera_path(line, levels=[10.0, 9.4], drop_m=0.60)
    zero = Measured(0.25, 0.10)
    found = path.to_map([4.88], zero=zero, ref=REF).iloc[0]
    assert [found["x"], found["y"]] == pytest.approx([2.010, 2.0], abs=5e-4)
    assert (found["bends"], found["bearing_deg"]) == (2.0, 90.0)
    assert found["sigma_m"] == pytest.approx(0.131, abs=5e-4)
    back = path.to_reel([(3.0, 2.5)], zero=zero, ref=REF).iloc[0]
    assert back["reel_m"] == pytest.approx(6.377, abs=5e-4)
    assert back["sigma_m"] == pytest.approx(0.146, abs=5e-4)
