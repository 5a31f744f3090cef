"""Published pipe, gutter and downpipe figures come out of the formulae."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fluids.friction import friction_factor
from fluids.open_flow import V_Manning

from geo.drains import capacity, tables
from geo.drains.capacity import ColebrookWhite, Manning

RULES = tables.default()

# BS EN 12056-3:2000 Table 8 (l/s at filling 0.20 and 0.33), a third of its rows, with the one that fails.
DOWNPIPES = {
    50: (0.7, 1.7),
    65: (1.5, 3.4),
    70: (1.8, 4.1),
    75: (2.2, 5.0),
    80: (2.6, 5.9),
    100: (4.6, 10.7),
    110: (6.0, 13.8),
    150: (13.7, 31.6),
    200: (29.5, 68.0),
    300: (87.1, 200.6),
}


def law(ks_mm: float, nu: float) -> ColebrookWhite:
    """Return Colebrook-White with gravity as the tables take it."""
    return ColebrookWhite(ks_mm=ks_mm, viscosity_m2_s=nu, gravity_m_s2=9.81)


@pytest.mark.parametrize(("bore", "flows"), DOWNPIPES.items())
def test_downpipes_of_the_standard(bore: int, flows: tuple[float, float]) -> None:
    """BS EN 12056-3:2000 Table 8 is reproduced to its printed tenth at both fillings."""
    carried = capacity.downpipe_capacity([bore, bore], filling=[0.20, 0.33], tables=RULES)
    assert carried.flow.value.round(1).tolist() == list(flows)
    assert [carried.low_l_s[0].round(1), carried.high_l_s[0].round(1)] == list(flows)


def test_the_one_downpipe_that_does_not_agree() -> None:
    """The table prints 4.0 l/s for 95 mm at filling 0.20; its own formula gives 4.054, which rounds to 4.1."""
    assert capacity.downpipe_capacity(95, filling=0.20, tables=RULES).flow.value[0] == pytest.approx(
        4.054, abs=5e-4
    )


def test_exact_powers_do_not_make_the_table() -> None:
    """With 8/3, 5/3 and 1/6 a 300 mm pipe at 0.33 would carry 200.2, not the 200.6 printed."""
    exact = 2.5e-4 * 0.25 ** (-1 / 6) * 300 ** (8 / 3) * 0.33 ** (5 / 3)
    assert abs(exact - 200.6) > 0.1
    assert capacity.downpipe_capacity(300, tables=RULES).flow.value[0] == pytest.approx(200.6, abs=0.05)


@pytest.mark.parametrize(
    ("width", "area", "flow"),
    [(75, 18, 0.38), (100, 37, 0.78), (115, 53, 1.11), (125, 65, 1.37), (150, 103, 2.16)],
)
def test_half_round_gutters_of_the_guidance(width: int, area: float, flow: float) -> None:
    """Approved Document H, H3 Table 2 (area and flow at 0.021 l/s per m²) follows from BS EN 12056-3."""
    found = capacity.gutter_capacity(width, profile="half_round", length_m=1.0, tables=RULES)
    assert found.flow.value[0] == pytest.approx(flow, abs=0.02)
    rain = capacity.rain_carried(found.flow, tables.amount(float(area)), tables=RULES)
    assert rain.value[0] / 3600 == pytest.approx(0.021, rel=0.015)


def test_roof_factors_of_the_guidance() -> None:
    """Approved Document H, H3 Table 1: 1.00, 1.29, 1.50, 1.87 times the plan at 0, 30, 45, 60°."""
    area = capacity.effective_roof(np.ones(4), pitch_deg=[0, 30, 45, 60], tables=RULES)
    assert area.value.round(2).tolist() == [1.00, 1.29, 1.50, 1.87]


def test_eaves_example() -> None:
    """A published example: 10 m of eaves, 4 m wide, 4 m high is 60 m², and 1.26 l/s at 0.021."""
    area = capacity.roof_to_gutter(10, width_m=4, rise_m=4, tables=RULES)
    assert area.value[0] == pytest.approx(60)
    assert capacity.run_off(area, rain_l_s_m2=0.021, tables=RULES).value[0] == pytest.approx(1.26)
    assert capacity.rain_l_s_m2(150)[0] == pytest.approx(0.042, abs=5e-4)
    assert capacity.rain_mm_h(0.021)[0] == pytest.approx(75.6)


# BS EN 12056-3:2000 Table C.1: fall, then l/s and m/s for DN100 (96 mm inside) and DN150 (146 mm).
COLLECTORS = [
    (0.005, 2.9, 0.5, 9.0, 0.7),
    (0.010, 4.2, 0.8, 12.8, 1.0),
    (0.015, 5.1, 1.0, 15.7, 1.3),
    (0.020, 5.9, 1.1, 18.2, 1.5),
    (0.025, 6.7, 1.2, 20.3, 1.6),
    (0.030, 7.3, 1.3, 22.3, 1.8),
    (0.050, 9.4, 1.7, 28.8, 2.3),
]


@pytest.mark.parametrize(("fall", "q100", "v100", "q150", "v150"), COLLECTORS)
def test_collectors_of_the_standard(fall: float, q100: float, v100: float, q150: float, v150: float) -> None:
    """BS EN 12056-3:2000 Table C.1 (kb 1.0 mm, 70 % full, ν 1.31e-6) comes out to the printed decimal."""
    found = capacity.pipe_flow([96, 146], gradient=fall, law=law(1.0, 1.31e-6), depth_ratio=0.7, tables=RULES)
    assert found.flow.value.round(1).tolist() == [q100, q150]
    assert found.velocity.value.round(1).tolist() == [v100, v150]
    assert found.turbulent.all()


@pytest.mark.parametrize(
    ("bore", "one_in", "ks", "speed", "flow"),
    [
        (300, 200, 0.6, 1.11, 78.3),
        (375, 60, 0.6, 2.34, 258.7),
        (600, 250, 0.6, 1.54, 434.1),
        (900, 150, 0.6, 2.56, 1625.9),
        (400, 300, 3.0, 0.87, 109.1),
        (450, 300, 3.0, 0.94, 149.3),
    ],
)
def test_full_bore_of_a_public_sheet(bore: int, one_in: int, ks: float, speed: float, flow: float) -> None:
    """A consultant's sheet to the Hong Kong sewerage manual (ν 1.0e-6) agrees within 0.05 %."""
    found = capacity.pipe_flow(bore, gradient=1 / one_in, law=law(ks, 1.0e-6), tables=RULES)
    assert found.flow.value[0] == pytest.approx(flow, rel=6e-4)
    assert found.velocity.value[0] == pytest.approx(speed, abs=0.006)


@pytest.mark.parametrize("ratio", [0.1, 0.3, 0.7, 1.0])
@pytest.mark.parametrize("ks", [0.06, 0.6, 1.5, 3.0])
def test_friction_factors_against_an_independent_package(ks: float, ratio: float) -> None:
    """Darcy's factor, from fall and speed, is the root of Colebrook's equation that ``fluids`` solves."""
    bore = np.array([75.0, 100.0, 150.0, 225.0])
    found = capacity.pipe_flow(
        bore, gradient=[0.004, 0.0125, 0.025, 0.1], law=law(ks, 1.31e-6), depth_ratio=ratio, tables=RULES
    )
    across = 4 * capacity.section(bore / 1000, ratio).radius_m
    theirs = [
        friction_factor(Re=float(reynolds), eD=float(ks / 1000 / d), Method="Colebrook")
        for reynolds, d in zip(found.reynolds[found.turbulent], across[found.turbulent], strict=True)
    ]
    assert found.turbulent.sum() >= 2
    np.testing.assert_allclose(found.friction[found.turbulent], theirs, rtol=1e-9)


def test_a_friction_factor_as_published() -> None:
    """Re 1e5 with e/D 1e-4 has the Colebrook factor 0.018513866 (``fluids`` 1.3.1), from any fall that gives it."""
    bore, nu, reynolds, factor = 0.1, 1.31e-6, 1e5, 0.018513866077
    speed = reynolds * nu / bore
    fall = factor * speed**2 / (2 * 9.81 * bore)
    found = capacity.pipe_flow(100, gradient=fall, law=law(0.01, nu), tables=RULES)
    assert found.velocity.value[0] == pytest.approx(speed, rel=1e-9)
    assert found.reynolds[0] == pytest.approx(1e5, rel=1e-9)


def test_manning_against_published_values() -> None:
    """Çengel and Cimbala 2006 (R 0.2859 m, S 0.005236, n 0.03): 1.0467782 m/s; and ``fluids`` agrees elsewhere."""
    speed = Manning(n=0.03).velocity(np.array([0.2859]), np.array([0.005236]))
    assert speed[0] == pytest.approx(1.0467782, rel=1e-6)
    radius = np.geomspace(0.005, 1, 20)
    theirs = [V_Manning(Rh=each, S=0.0125, n=0.011) for each in radius]
    np.testing.assert_allclose(Manning(n=0.011).velocity(radius, np.full(20, 0.0125)), theirs, rtol=1e-12)


def test_manning_full_bore_in_feet() -> None:
    """A public calculator: 8 in, n 0.013, S 0.005 full is 0.854 ft³/s at 2.448 ft/s."""
    found = capacity.pipe_flow(8 * 25.4, gradient=0.005, law=Manning(n=0.013), tables=RULES)
    assert found.flow.value[0] / 28.316846592 == pytest.approx(0.854, abs=1e-3)
    assert found.velocity.value[0] / 0.3048 == pytest.approx(2.448, abs=2e-3)


def test_part_full_ratios_of_standard_geometry() -> None:
    """With one n, a quarter, half, three quarters and 0.8 full carry 0.137, 0.5, 0.912, 0.978 of full.

    The last is 0.9775 in full, and the speed at three quarters 1.1335 times the full one's.
    """
    depth = np.array([0.25, 0.5, 0.75, 0.8, 1.0])
    found = capacity.pipe_flow(150, gradient=0.01, law=Manning(n=0.01), depth_ratio=depth, tables=RULES)
    np.testing.assert_allclose(
        found.flow.value[:4] / found.flow.value[4], [0.137, 0.5, 0.912, 0.978], atol=6e-4
    )
    np.testing.assert_allclose(
        found.velocity.value[:4] / found.velocity.value[4], [0.701, 1, 1.134, 1.140], atol=6e-4
    )


def test_most_a_round_pipe_carries_free() -> None:
    """At 0.938 of the bore it carries 1.0757 times the full bore (published: Q most at about 94 %)."""
    found = capacity.depth_for_flow(1.0, bore_mm=100, gradient=0.01, law=Manning(n=0.01))
    full = capacity.pipe_flow(100, gradient=0.01, law=Manning(n=0.01), tables=RULES)
    assert found.most_at[0] == pytest.approx(0.938, abs=5e-4)
    assert found.most_l_s[0] / full.flow.value[0] == pytest.approx(1.0757, abs=1e-4)


def test_weir_and_orifice_meet() -> None:
    """At h = D/2 both lines of BS EN 12056-3 Table 7 give D^2.5 √½ / 15000; the other rendering is 44 % less.

    D (D/2)^1.5 / 7500 = D^2.5 0.35355 / 7500 = D² (D/2)^0.5 / 15000. And 1/15000 in mm is an orifice
    coefficient of 0.606: 1e3 · C · π/4 · 1e-6 · √(2 · 9.81e-3) = 1/15000.
    """
    found = capacity.outlet_capacity([63.0, 63.0], head_mm=[31.5, 31.5 + 1e-9], tables=RULES)
    assert found.acts_as.tolist() == ["weir", "orifice"]
    assert found.flow.value[0] == pytest.approx(63**2.5 * math.sqrt(0.5) / 15000)
    assert found.flow.value[1] == pytest.approx(found.flow.value[0], rel=1e-6)
    assert found.other_l_s[0] / found.flow.value[0] == pytest.approx(0.5625)
    area = math.pi / 4 * 0.063**2
    under = capacity.outlet_capacity(63.0, head_mm=100, tables=RULES).flow.value[0] / 1000
    assert under / (area * math.sqrt(2 * 9.81 * 0.1)) == pytest.approx(0.61, abs=0.01)


@pytest.mark.parametrize(
    ("depth", "factor"), [(0.328, 0.772), (0.522, 0.858), (1.0, 1.0), (1.84, 1.165), (3.0, 1.310)]
)
def test_depth_factor_of_box_gutters(depth: float, factor: float) -> None:
    """The critical-depth power law is within 2 % of points read off BS EN 12056-3:2000 Figure 5."""
    found = capacity.gutter_capacity(100, profile="box", depth_mm=100 * depth, length_m=1, tables=RULES)
    assert found.nominal_l_s[0] / (3.48e-5 * (1e4 * depth) ** 1.25) == pytest.approx(factor, rel=0.021)


def test_long_gutters_of_the_standard() -> None:
    """BS EN 12056-3 Table 6: a gutter 100 depths long carries 0.93, 300 depths 0.73 of a short one."""
    found = capacity.gutter_capacity(100, profile="half_round", length_m=[2.5, 5.0, 15.0, 25.1], tables=RULES)
    ratio = found.flow.value / found.flow.value[0]
    assert ratio[1:3].tolist() == pytest.approx([0.93, 0.73])
    assert found.short.tolist() == [True, False, False, False]
    assert math.isnan(ratio[3])
    assert "500 depths" in found.flow.because[3]


# Access spacing, m: from, then small fitting, large fitting, junction, shallow and deep chamber (0: left out).
SPACING = [
    ("start", 12, 12, 0, 22, 45),
    ("rodding_eye", 22, 22, 22, 45, 45),
    ("small_fitting", 0, 0, 12, 22, 22),
    ("large_fitting", 0, 0, 22, 45, 45),
    ("shallow_chamber", 22, 45, 22, 45, 45),
    ("deep_chamber", 0, 0, 0, 45, 90),
]


@pytest.mark.parametrize("line", SPACING, ids=lambda line: line[0])
def test_access_spacing_of_the_british_standard(line: tuple[str, int, int, int, int, int]) -> None:
    """The spacing table as a pipe maker's page prints it, pair by pair, the pairs left out included."""
    start, *far = line
    ends = ("small_fitting", "large_fitting", "junction", "shallow_chamber", "deep_chamber")
    held = [RULES.access.get((start, end), 0.0) for end in ends]
    assert held == far


def test_discharge_units_of_the_standard() -> None:
    """BS EN 12056-2:2000 Table 2, system III, household appliances; Table 3, K 0.5, 0.7, 1.0, 1.2."""
    units = RULES.discharge_units
    assert units.loc[
        ["basin", "shower", "bath", "kitchen_sink", "dishwasher", "washing_machine"], "low"
    ].tolist() == [
        0.3,
        0.4,
        1.3,
        1.3,
        0.2,
        0.6,
    ]
    closets = units.loc[["wc_6_l", "wc_7_5_l", "wc_9_l"]]
    assert closets.to_numpy().tolist() == [[1.2, 1.7], [1.4, 1.8], [1.6, 2.0]]
    factors = [RULES.value(f"frequency.{use}") for use in ("dwelling", "frequent", "public", "special")]
    assert factors == [0.5, 0.7, 1.0, 1.2]
