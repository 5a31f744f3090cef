"""Roofs, gutters, pipes, foul flows, gradients and access: what is known and what is not."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geo.drains import capacity, gradients, tables
from geo.errors import GeometryError
from geo.verdict import NOT_KNOWN

RULES = tables.default()
Z = 1.96
STATUSES = {
    "CONFIRMED",
    "CONFIRMED-2",
    "CORROBORATED",
    "FROM MEMORY",
    "COMMON PRACTICE",
    "JUDGEMENT",
    "SETTING",
}


# --- the rules themselves ----------------------------------------------------------------------


@pytest.mark.parametrize("key", RULES.limits)
def test_a_rule_is_traceable(key: str) -> None:
    """A number without a unit, a source and an honest status may not be printed."""
    limit = RULES.limits[key]
    assert limit.unit
    assert limit.source
    assert limit.status in STATUSES


def test_every_table_is_traceable() -> None:
    """Every published table, and every row of a table whose rows differ, has a source and a status."""
    traced = [*RULES.curves.values(), *RULES.grids.values()]
    assert all(table.source and table.status in STATUSES for table in traced)
    for frame in (RULES.gradients, RULES.chambers):
        assert frame["source"].str.len().gt(0).all()
        assert frame["status"].isin(STATUSES).all()
    assert {"access_source", "discharge_unit_source", "nominal_bore_source"} <= set(RULES.sources)
    assert all(entry["source"] and entry["status"] in STATUSES for entry in RULES.sources.values())


def test_every_conflict_is_said() -> None:
    """Where published figures disagree there is a sentence that says what is done here."""
    assert {"soakage_from_percolation", "outlet_weir", "access_spacing", "small_soakaway"} <= set(
        RULES.conflicts
    )
    assert all(text.endswith(".") for text in RULES.conflicts.values())


def test_an_unknown_rule_is_named() -> None:
    """Asking for a rule that is not held names it."""
    with pytest.raises(KeyError, match=r"pipe\.colour"):
        RULES.value("pipe.colour")


# --- amounts and comparisons ---------------------------------------------------------------------


def test_spread_of_a_product() -> None:
    """3 ± 0.3 times 4 ± 0.8 is 12 ± √(1.2² + 2.4²)."""
    value, sigma = tables.spread(lambda a, b: a * b, [3.0, 4.0], [0.3, 0.8])
    assert value[0] == pytest.approx(12)
    assert sigma[0] == pytest.approx(math.hypot(1.2, 2.4))


def test_compare_answers_like_one_verdict() -> None:
    """Two sigmas past is yes, two short is no, within or unmeasured is not known with the way out."""
    frame = tables.compare([2.1, -2.1, 0.5, np.nan], 1.0, z=2.0, unit="m", settle="tape it")
    assert frame["verdict"].tolist() == ["yes", "no", NOT_KNOWN, NOT_KNOWN]
    assert frame["settle"].tolist() == ["", "", "tape it", "tape it"]
    assert frame["because"].iloc[3] == "not measured"


# --- roofs ---------------------------------------------------------------------------------------


def test_a_wall_catches_half_its_face() -> None:
    """A roof over 70° is a wall: half its elevation, which at 75° on 10 m² of plan is 18.7 m²."""
    area = capacity.effective_roof(10, pitch_deg=75, tables=RULES)
    assert area.value[0] == pytest.approx(0.5 * 10 * math.tan(math.radians(75)))
    assert capacity.wall_catch(20, tables=RULES).value[0] == pytest.approx(10)


def test_a_pitch_near_the_step_is_not_known() -> None:
    """At 69 ± 1° the table may say 2.30 or 1.37 times the plan, so neither is said."""
    area = capacity.effective_roof(10, pitch_deg=69, pitch_sigma_deg=1, tables=RULES)
    assert math.isnan(area.value[0])
    assert "measure the pitch" in area.because[0]


def test_roof_sigma_by_hand() -> None:
    """40 ± 2 m² at 45 ± 1°: 60 m² ± √((1.5·2)² + (40·π/180)²), as d tan/dθ is 2 at 45°."""
    area = capacity.effective_roof(40, pitch_deg=45, plan_sigma_m2=2, pitch_sigma_deg=1, tables=RULES)
    assert area.value[0] == pytest.approx(60)
    assert area.sigma[0] == pytest.approx(math.hypot(3.0, 40 * math.pi / 180), rel=1e-3)


def test_worked_run_off() -> None:
    """Worked by hand: 30 m² sheds 0.208 l/s at 25 mm/h and 0.625 at 75; a sigma of a fifth stays a fifth."""
    roof = tables.amount(30.0, 6.0, unit="m²")
    found = capacity.run_off(roof, rain_l_s_m2=capacity.rain_l_s_m2([25, 75]), tables=RULES)
    assert found.value.round(3).tolist() == [0.208, 0.625]
    assert (found.sigma / found.value).tolist() == pytest.approx([0.2, 0.2])


# --- gutters, outlets, downpipes -------------------------------------------------------------------


def test_gutter_turns_and_falls() -> None:
    """A turn takes 15 % off, once; a fall over 3 mm/m makes the level figure a least."""
    found = capacity.gutter_capacity(
        100, profile="half_round", length_m=2, bends=[0, 1, 3], fall_mm_m=[0, 3, 4], tables=RULES
    )
    assert (found.flow.value / found.flow.value[0]).tolist() == pytest.approx([1, 0.85, 0.85])
    assert found.at_least.tolist() == [False, False, True]


def test_a_square_gutter_is_a_box_as_deep_as_wide() -> None:
    """100 mm square: 0.9 × 3.48e-5 × 10000^1.25 = 3.13 l/s; a valley gutter 3.50."""
    eaves = capacity.gutter_capacity(100, profile="square", length_m=1, tables=RULES)
    valley = capacity.gutter_capacity(100, profile="square", length_m=1, inside=True, tables=RULES)
    assert eaves.flow.value[0] == pytest.approx(3.132)
    assert valley.flow.value[0] == pytest.approx(3.501)
    assert eaves.flow.sigma[0] > 0.05 * 3.132


def test_gutters_that_are_not_known() -> None:
    """An ogee, a box of unknown depth, a box too flat and a gutter unmeasured are not known, each with its reason."""
    found = capacity.gutter_capacity(
        [100, 100, 100, np.nan],
        profile=["ogee", "box", "box", "half_round"],
        depth_mm=[60, np.nan, 20, np.nan],
        length_m=2,
        tables=RULES,
    )
    assert np.isnan(found.flow.value).all()
    assert [why.split()[0] for why in found.flow.because] == ["no", "depth", "depth", "a"]
    with pytest.raises(GeometryError, match="gutter profile 'oval'"):
        capacity.gutter_capacity(100, profile="oval", length_m=1, tables=RULES)


def test_outlets_halve_under_a_strainer() -> None:
    """A strainer halves what an outlet takes; no head takes nothing; no diameter is not known."""
    found = capacity.outlet_capacity(
        [63, 63, 63, np.nan], head_mm=[20, 20, 0, 20], strainer=[False, True, False, False], tables=RULES
    )
    assert found.flow.value[0] == pytest.approx(63 * 20**1.5 / 7500)
    assert found.flow.value[1] == pytest.approx(found.flow.value[0] / 2)
    assert found.flow.value[2] == 0
    assert math.isnan(found.flow.value[3])


def test_a_downpipe_filled_past_its_formula() -> None:
    """At a filling of 0.5 the formula does not hold, and the range it does hold over stays given."""
    found = capacity.downpipe_capacity(68, filling=0.5, tables=RULES)
    assert math.isnan(found.flow.value[0])
    assert "0.20 to 0.33" in found.flow.because[0]
    assert found.low_l_s[0] < found.high_l_s[0]


# --- pipes -----------------------------------------------------------------------------------------


def test_a_run_without_fall_carries_nothing_known() -> None:
    """Level, backward and unmeasured runs have no steady free flow, each for its own reason."""
    law = capacity.usual_law("foul", tables=RULES)
    found = capacity.pipe_flow(
        [100, 100, 100, np.nan], gradient=[0, -0.01, np.nan, 0.01], law=law, tables=RULES
    )
    assert np.isnan(found.flow.value).all()
    assert found.flow.because.tolist() == [
        "no fall: nothing runs free in it",
        "no fall: nothing runs free in it",
        "fall not measured",
        "bore not measured",
    ]


def test_sigma_of_a_run_by_the_square_root_of_its_fall() -> None:
    """Manning's flow goes with √S and D^(8/3): 10 % of fall is 5 % of flow, 3 % of bore is 8 %."""
    law = capacity.Manning(n=0.01)
    found = capacity.pipe_flow(
        [100, 100], gradient=0.0125, gradient_sigma=[0.00125, 0], bore_sigma_mm=[0, 3], law=law, tables=RULES
    )
    assert (found.flow.sigma / found.flow.value).tolist() == pytest.approx([0.05, 0.08], rel=0.01)
    rough = capacity.pipe_flow(
        100, gradient=0.0125, law=capacity.Manning(n=0.01, n_sigma=0.001), tables=RULES
    )
    assert rough.flow.sigma[0] / rough.flow.value[0] == pytest.approx(0.1, rel=0.02)


def test_rougher_water_runs_slower() -> None:
    """A foul drain (ks 1.5 mm) carries less than a surface one (0.6 mm) of the same bore and fall."""
    foul, surface = (
        capacity.pipe_flow(
            100, gradient=1 / 80, law=capacity.usual_law(use, tables=RULES), tables=RULES
        ).flow.value[0]
        for use in ("foul", "surface")
    )
    # Reckoned independently, ν 1.31e-6: 5.83 and 6.73 l/s.
    assert (round(float(foul), 2), round(float(surface), 2)) == (5.83, 6.73)
    with pytest.raises(GeometryError, match="use of a drain"):
        capacity.usual_law("waste", tables=RULES)


def test_design_capacity_by_use() -> None:
    """A foul drain is reckoned three quarters full at ks 1.5 mm, a surface drain full at 0.6 mm.

    100 mm at 1:100, reckoned independently: 5.21 l/s full at ks 1.5, of which 0.912 by constant n (a
    little less by Colebrook-White); 6.01 l/s full at 0.6.
    """
    foul, surface = (
        capacity.design_capacity(100, gradient=0.01, use=use, tables=RULES).flow
        for use in ("foul", "surface")
    )
    assert foul.value[0] == pytest.approx(0.912 * 5.21, rel=0.01)
    assert surface.value[0] == pytest.approx(6.01, abs=0.005)
    assert foul.sigma[0] > 0.03 * foul.value[0]


def test_more_than_a_run_carries_fills_it() -> None:
    """Past its greatest free flow a run is full and has no depth; at nothing its depth is nothing."""
    law = capacity.Manning(n=0.01)
    found = capacity.depth_for_flow([0.0, 7.0, 8.0, np.nan], bore_mm=100, gradient=0.01, law=law)
    assert found.depth_ratio.value[0] == pytest.approx(0, abs=1e-12)
    assert 0 < found.depth_ratio.value[1] < found.most_at[1]
    assert found.full.tolist() == [False, False, True, False]
    assert "heads up" in found.depth_ratio.because[2]
    assert found.depth_ratio.because[3] == "flow not known"


def test_self_cleansing_needs_the_speed_at_its_own_flow() -> None:
    """100 mm at 1:40 half full is 1.05 m/s (as full, with one n); at 1:200 it is 0.6, under 0.70."""
    law = capacity.Manning(n=0.0129)
    found = capacity.pipe_flow(100, gradient=[1 / 40, 1 / 200, -0.01], depth_ratio=0.5, law=law, tables=RULES)
    said = capacity.self_cleansing(found.velocity, z=Z, tables=RULES)
    assert found.velocity.value[0] == pytest.approx(1.05, abs=0.01)
    assert said["verdict"].tolist() == ["self-cleansing", "not self-cleansing", NOT_KNOWN]


def test_use_against_capacity_has_a_margin() -> None:
    """0.78 ± 0.04 l/s of gutter takes 0.42 ± 0.02 of rain, not 1.26; 0.75 ± 0.03 cannot be told."""
    demand = tables.amount([0.42, 1.26, 0.75], [0.02, 0.06, 0.03], unit="l/s")
    capable = tables.amount([0.78] * 3, 0.04, unit="l/s")
    said = capacity.use_of_capacity(demand, capable, z=Z, settle="measure the roof")
    assert said["verdict"].tolist() == ["enough", "short", NOT_KNOWN]
    assert said["use"].iloc[1] == pytest.approx(1.26 / 0.78)
    assert said["settle"].tolist() == ["", "", "measure the roof"]
    assert said["sigma"].iloc[0] == pytest.approx(math.hypot(0.04, 0.02))


def test_the_reason_comes_through() -> None:
    """A capacity that is not known leaves the use not known, for the same reason."""
    gutter = capacity.gutter_capacity(100, profile="ogee", length_m=4, tables=RULES)
    said = capacity.use_of_capacity(tables.amount(0.5), gutter.flow, z=Z, settle="read the maker's sheet")
    assert said["verdict"].iloc[0] == NOT_KNOWN
    assert "ogee" in said["because"].iloc[0]
    rain = capacity.rain_carried(gutter.flow, tables.amount(30.0), tables=RULES)
    assert "ogee" in rain.because[0]


# --- foul flows --------------------------------------------------------------------------------------


def test_flow_from_dwellings() -> None:
    """Approved Document H, H1 Table 5 at its rows; half way between 5 and 10 is 3.8; 0 and 31 are not known."""
    found = gradients.dwellings_flow([1, 5, 10, 30, 7.5, 0, 31], tables=RULES)
    assert found.value[:5].tolist() == pytest.approx([2.5, 3.5, 4.1, 5.8, 3.8])
    assert found.sigma[4] > found.sigma[0] > 0
    assert np.isnan(found.value[5:]).all()
    assert "1 to 30" in found.because[5]


def test_discharge_units_of_a_small_house() -> None:
    """WC 6 l, basin, bath, sink, washing machine: √ of 4.7 to 5.2 halved is under the bath's 1.3 and the WC's 1.7.

    Low: 0.5 √(1.2+0.3+1.3+1.3+0.6) = 1.084, so the bath's 1.3 stands; high: 0.5 √5.2 = 1.140, so the
    WC's 1.7; the middle is 1.5, the even spread between them 0.4/√12.
    """
    house = {"wc_6_l": 1, "basin": 1, "bath": 1, "kitchen_sink": 1, "washing_machine": 1}
    found = gradients.discharge_units_flow(house, use="dwelling", tables=RULES)
    assert found.value[0] == pytest.approx(1.5)
    assert found.sigma[0] == pytest.approx(0.4 / math.sqrt(12))
    ten = gradients.discharge_units_flow({"kitchen_sink": 10}, use="public", tables=RULES)
    assert ten.value[0] == pytest.approx(math.sqrt(13))
    assert gradients.discharge_units_flow({}, use="dwelling", tables=RULES).value[0] == 0
    with pytest.raises(GeometryError, match="appliance 'jacuzzi'"):
        gradients.discharge_units_flow({"jacuzzi": 1}, use="dwelling", tables=RULES)


def test_appliances_beside_dwellings() -> None:
    """Two washing machines and a urinal are 1.55 l/s (Approved Document H, H1)."""
    found = gradients.appliances_flow({"washing_machine": 2, "urinal": 1}, tables=RULES)
    assert found.value[0] == pytest.approx(1.55)
    with pytest.raises(GeometryError, match="appliance"):
        gradients.appliances_flow({"bath": 1}, tables=RULES)


def test_least_bore_of_a_foul_drain() -> None:
    """75 mm without a WC, 100 with one or a dwelling, 150 past ten dwellings; uncounted gives a range."""
    found = gradients.least_bore(wcs=[0, 1, 1, 1, np.nan], dwellings=[0, 1, 10, 11, np.nan], tables=RULES)
    assert found["least_mm"].tolist() == [75, 100, 100, 150, 75]
    assert found["most_mm"].tolist() == [75, 100, 100, 150, 150]
    assert found["because"].iloc[4]


# --- gradients ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bore", "duty", "peak", "wcs", "one_in"),
    [
        (75, "foul", 0.5, 0, 40),
        (100, "foul", 0.5, 0, 40),
        (82, "foul", 2.5, 0, 80),
        (110, "foul", 2.5, 1, 80),
        (100, "foul", 2.5, 0, 40),
        (150, "foul", 4.0, 5, 150),
        (75, "surface", math.nan, math.nan, 100),
        (100, "surface", math.nan, math.nan, 100),
        (160, "surface", math.nan, math.nan, 150),
        (100, "combined", 2.5, 1, 80),
        (150, "combined", 4.0, 6, 150),
    ],
)
def test_gradient_by_duty(bore: float, duty: str, peak: float, wcs: float, one_in: float) -> None:
    """Approved Document H, H1 Table 6 and the NHBC guide; a combined run keeps the steeper rule."""
    found = gradients.gradient_needed(bore, duty=duty, peak_l_s=peak, wcs=wcs, z=Z, tables=RULES).iloc[0]
    assert (found["steepest_one_in"], found["flattest_one_in"]) == (one_in, one_in)
    assert found["because"] == ""


@pytest.mark.parametrize(
    ("bore", "duty", "peak", "wcs", "steepest", "flattest", "said"),
    [
        (100, "foul", math.nan, 1, 40, 80, "either side of 1 l/s"),
        (100, "foul", 2.5, math.nan, 40, 80, "depends on the WCs"),
        (100, "foul", 1.0, 2, 80, 80, ""),
        (150, "foul", 4.0, 3, math.nan, math.nan, "holds no gradient"),
        (150, "foul", 4.0, math.nan, math.nan, 150, "depends on the WCs"),
        (225, "foul", 4.0, 9, math.nan, math.nan, "in no row"),
        (100, "not_known", 2.5, 1, 80, 100, "what the run carries"),
        (math.nan, "foul", 2.5, 1, math.nan, math.nan, "bore not measured"),
    ],
)
def test_gradients_that_depend(
    bore: float, duty: str, peak: float, wcs: float, steepest: float, flattest: float, said: str
) -> None:
    """What is not counted leaves two rules, or none, and the reason says which count is missing."""
    found = gradients.gradient_needed(bore, duty=duty, peak_l_s=peak, wcs=wcs, z=Z, tables=RULES).iloc[0]
    np.testing.assert_equal([found["steepest_one_in"], found["flattest_one_in"]], [steepest, flattest])
    assert said in found["because"]
    assert bool(found["because"]) == bool(found["settle"])


def test_worked_gradient() -> None:
    """Worked by hand: 9.480 to 9.200 over 11.5 m is 1:41; 1:80 needs 144 mm, 1:40 needs 288, 280 are there."""
    given = {"invert_up_m": 9.480, "invert_down_m": 9.200, "length_m": 11.5, "level_sigma_m": 0.002, "z": Z}
    found = gradients.gradient_check(
        [100, 100], duty="foul", peak_l_s=[2.5, 0.3], wcs=[1, 0], tables=RULES, **given
    )
    assert found["verdict"].tolist() == ["steep enough", "flatter than the table"]
    assert found["one_in"].round(0).tolist() == [41, 41]
    assert found["margin_mm"].tolist() == pytest.approx([280 - 143.75, 280 - 287.5])
    assert found["sigma_mm"].iloc[0] == pytest.approx(2 * math.sqrt(2))
    rough = gradients.gradient_check(
        100, duty="foul", peak_l_s=0.3, wcs=0, tables=RULES, **{**given, "level_sigma_m": 0.0075}
    )
    assert rough["verdict"].iloc[0] == NOT_KNOWN
    assert "within the error" in rough["because"].iloc[0]


def test_backfall_and_missing_levels() -> None:
    """A run 30 mm backward is a back-fall; a missing invert or length is not known and says to level it."""
    found = gradients.gradient_check(
        100,
        invert_up_m=[9.000, np.nan, 9.1],
        invert_down_m=[9.030, 9.0, 9.0],
        length_m=[5.0, 5.0, 0.0],
        level_sigma_m=0.005,
        duty="surface",
        z=Z,
        tables=RULES,
    )
    assert found["verdict"].tolist() == ["back-fall", NOT_KNOWN, NOT_KNOWN]
    assert found["because"].iloc[0] == "it falls 30 mm the wrong way"
    assert found["settle"].iloc[1] == "level both inverts and measure the length"
    assert math.isnan(found["one_in"].iloc[0])


def test_a_steep_run_passes_whatever_it_carries() -> None:
    """At 1:30 the number of WCs does not matter; at 1:60 it does; at 1:120 it fails either way."""
    found = gradients.gradient_check(
        100,
        invert_up_m=[9.4, 9.2, 9.1],
        invert_down_m=9.0,
        length_m=12.0,
        level_sigma_m=0.003,
        duty="foul",
        z=Z,
        tables=RULES,
    )
    assert found["verdict"].tolist() == ["steep enough", NOT_KNOWN, "flatter than the table"]
    assert found["settle"].iloc[1] == "count the WCs and appliances draining to the run"


# --- access and chambers -----------------------------------------------------------------------------


def test_access_spacing() -> None:
    """A stack to a shallow chamber may be 22 m, two manholes 90 m apart; a pair left out is not known."""
    found = gradients.access_check(
        ["start", "start", "deep_chamber", "small_fitting", "start"],
        to_kind=["shallow_chamber", "shallow_chamber", "deep_chamber", "small_fitting", "deep_chamber"],
        distance_m=[20, 25, 60, 5, 45.2],
        sigma_m=0.3,
        z=Z,
        tables=RULES,
    )
    assert found["verdict"].tolist() == ["near enough", "too far", "near enough", NOT_KNOWN, NOT_KNOWN]
    assert "leaves this pair" in found["because"].iloc[3]
    assert "within the error" in found["because"].iloc[4]
    assert found["far_m"].iloc[2] == 90


def test_chamber_sizes() -> None:
    """0.5 m deep 190 mm round will do, 0.9 m asks 450; a side too short fails; near the step it cannot be told."""
    found = gradients.chamber_check(
        [0.5, 0.9, 0.9, 0.6, np.nan],
        kind="inspection",
        length_mm=[190, 300, 600, 300, 450],
        width_mm=[np.nan, np.nan, 400, np.nan, np.nan],
        depth_sigma_m=0.01,
        z=Z,
        tables=RULES,
    )
    assert found["verdict"].tolist() == ["large enough", "too small", "too small", NOT_KNOWN, NOT_KNOWN]
    assert found["needed_mm"].iloc[1] == "450 mm round"
    assert "step of the table" in found["because"].iloc[3]
    deep = gradients.chamber_check(1.8, kind="manhole", length_mm=1200, z=Z, tables=RULES)
    assert deep["verdict"].iloc[0] == "large enough"
    assert deep["status"].iloc[0] == "FROM MEMORY"
