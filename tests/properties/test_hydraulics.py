"""What holds for any pipe, pit and storm."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.drains import capacity, gradients, soakage, tables
from geo.drains.capacity import ColebrookWhite, Law, Manning
from geo.drains.soakage import Pit
from geo.verdict import NOT_KNOWN

RULES = tables.default()

bores = st.floats(50, 600)
falls = st.floats(0.002, 0.2)
ratios = st.floats(0.05, 1.0)
laws = st.one_of(
    st.builds(
        ColebrookWhite,
        ks_mm=st.floats(0.01, 3.0),
        viscosity_m2_s=st.floats(0.9e-6, 1.6e-6),
        gravity_m_s2=st.just(9.81),
    ),
    st.builds(Manning, n=st.floats(0.008, 0.02)),
)


@given(bore=bores, ratio=st.floats(0.0, 1.0))
def test_water_and_air_fill_the_pipe(bore: float, ratio: float) -> None:
    """The segments at d and D - d together make the whole circle and its whole rim, and share one surface."""
    water, air = capacity.section(bore / 1000, ratio), capacity.section(bore / 1000, 1 - ratio)
    across = bore / 1000
    assert water.area_m2[0] + air.area_m2[0] == pytest.approx(math.pi * across**2 / 4)
    assert water.perimeter_m[0] + air.perimeter_m[0] == pytest.approx(math.pi * across)
    assert water.surface_m[0] == pytest.approx(air.surface_m[0], abs=1e-7)


@given(bore=bores, ratio=st.floats(0.02, 0.98))
def test_area_grows_by_its_surface(bore: float, ratio: float) -> None:
    """A little more depth adds surface × depth of water (dA/dd = width of the surface)."""
    step = 1e-5
    high, low = capacity.section(bore / 1000, ratio + step), capacity.section(bore / 1000, ratio - step)
    slope = (high.area_m2[0] - low.area_m2[0]) / (2 * step * bore / 1000)
    assert slope == pytest.approx(capacity.section(bore / 1000, ratio).surface_m[0], rel=1e-3)


@settings(max_examples=50, deadline=None)
@given(law=laws, bore=bores, fall=falls, share=st.floats(0.01, 0.999))
def test_depth_gives_back_its_flow(law: Law, bore: float, fall: float, share: float) -> None:
    """The depth found for a flow carries that flow, on the rising side of the peak."""
    most = capacity.depth_for_flow(0.0, bore_mm=bore, gradient=fall, law=law).most_l_s[0]
    found = capacity.depth_for_flow(share * most, bore_mm=bore, gradient=fall, law=law)
    back = capacity.pipe_flow(bore, gradient=fall, law=law, depth_ratio=found.depth_ratio.value, tables=RULES)
    assert back.flow.value[0] == pytest.approx(share * most, rel=1e-6)
    assert back.velocity.value[0] == pytest.approx(found.velocity.value[0], rel=1e-9)
    assert found.depth_ratio.value[0] <= found.most_at[0]


@settings(max_examples=50, deadline=None)
@given(law=laws, bore=bores, fall=falls, ratio=ratios)
def test_flow_is_area_times_speed(law: Law, bore: float, fall: float, ratio: float) -> None:
    """Litres a second are wetted area × mean speed, and no depth carries more than the peak."""
    found = capacity.pipe_flow(bore, gradient=fall, law=law, depth_ratio=ratio, tables=RULES)
    area = capacity.section(bore / 1000, ratio).area_m2[0]
    assert found.flow.value[0] == pytest.approx(1000 * area * found.velocity.value[0])
    most = capacity.depth_for_flow(0.0, bore_mm=bore, gradient=fall, law=law).most_l_s[0]
    assert found.flow.value[0] <= most * (1 + 1e-9)


@settings(max_examples=60, deadline=None)
@given(law=laws, bore=bores, fall=falls, ratio=ratios, more=st.floats(1.01, 3.0))
def test_steeper_and_wider_carry_more(law: Law, bore: float, fall: float, ratio: float, more: float) -> None:
    """At one depth ratio a steeper run, or a wider one, carries more; a rougher one never does."""
    base, steep, wide = (
        capacity.pipe_flow(b, gradient=s, law=law, depth_ratio=ratio, tables=RULES).flow.value[0]
        for b, s in ((bore, fall), (bore, fall * more), (bore * more, fall))
    )
    assert steep > base
    assert wide > base
    rougher = (
        ColebrookWhite(
            ks_mm=law.ks_mm * more, viscosity_m2_s=law.viscosity_m2_s, gravity_m_s2=law.gravity_m_s2
        )
        if isinstance(law, ColebrookWhite)
        else Manning(n=law.n * more)  # type: ignore[attr-defined]
    )
    assert (
        capacity.pipe_flow(bore, gradient=fall, law=rougher, depth_ratio=ratio, tables=RULES).flow.value[0]
        < base
    )


@given(ks=st.floats(0.01, 3.0), bore=bores, fall=falls, ratio=st.floats(0.1, 1.0))
def test_the_speed_solves_colebrook(ks: float, bore: float, fall: float, ratio: float) -> None:
    """1/√f = -2 log10(k/3.7D + 2.51/(Re √f)) holds for the factor of every run (Colebrook 1939)."""
    law = ColebrookWhite(ks_mm=ks, viscosity_m2_s=1.31e-6, gravity_m_s2=9.81)
    found = capacity.pipe_flow(bore, gradient=fall, law=law, depth_ratio=ratio, tables=RULES)
    across = 4 * capacity.section(bore / 1000, ratio).radius_m[0]
    root = math.sqrt(found.friction[0])
    right = -2 * math.log10(ks / 1000 / (3.7 * across) + 2.51 / (found.reynolds[0] * root))
    assert 1 / root == pytest.approx(right, rel=1e-9)


@given(plan=st.floats(1, 500), low=st.floats(0, 69), high=st.floats(0, 69))
def test_a_steeper_roof_catches_more(plan: float, low: float, high: float) -> None:
    """Below 70° the effective area never falls with pitch and is never less than the plan."""
    low, high = sorted((low, high))
    area = capacity.effective_roof(plan, pitch_deg=[low, high], tables=RULES).value
    assert plan <= area[0] * (1 + 1e-12)
    assert area[0] <= area[1] * (1 + 1e-12)


@given(diameter=st.floats(30, 200), head=st.floats(0, 300), more=st.floats(0.01, 50))
def test_an_outlet_takes_more_under_more_head(diameter: float, head: float, more: float) -> None:
    """The two laws of an outlet join without a step: more head never takes less."""
    found = capacity.outlet_capacity(diameter, head_mm=[head, head + more], tables=RULES).flow.value
    assert found[1] >= found[0]


@given(flow=st.floats(0.05, 5), area=st.floats(5, 200))
def test_rain_carried_is_what_fills_it(flow: float, area: float) -> None:
    """The rain that fills a capacity, run off the same area, is that capacity."""
    catch = tables.amount(area)
    rain = capacity.rain_carried(tables.amount(flow), catch, tables=RULES)
    off = capacity.run_off(catch, rain_l_s_m2=capacity.rain_l_s_m2(rain.value), tables=RULES)
    assert off.value[0] == pytest.approx(flow)


@settings(max_examples=50, deadline=None)
@given(
    bore=st.sampled_from([75, 100, 110, 150]),
    duty=st.sampled_from(["foul", "surface", "combined", "not_known"]),
    drop=st.floats(-0.2, 0.6),
    length=st.floats(1, 40),
    sigma=st.floats(0.001, 0.02),
    peak=st.one_of(st.just(math.nan), st.floats(0.1, 5)),
    wcs=st.one_of(st.just(math.nan), st.integers(0, 8)),
    datum=st.floats(-20, 200),
)
def test_gradient_answers_hold_still(
    bore: float, duty: str, drop: float, length: float, sigma: float, peak: float, wcs: float, datum: float
) -> None:
    """A datum changes no answer; more error only moves one toward "not known"; counting never turns one over."""

    def word(*, sigma: float, datum: float = 0.0, peak: float = peak, wcs: float = wcs) -> str:
        frame = gradients.gradient_check(
            bore,
            invert_up_m=datum + drop,
            invert_down_m=datum,
            length_m=length,
            level_sigma_m=sigma,
            duty=duty,
            peak_l_s=peak,
            wcs=wcs,
            z=1.96,
            tables=RULES,
        )
        return str(frame["verdict"].iloc[0])

    said, doubtful = word(sigma=sigma), word(sigma=4 * sigma)
    assert word(sigma=sigma, datum=datum) == said
    # A back-fall less sure may still be surely flatter than the table.
    assert doubtful in {said, NOT_KNOWN} or (said, doubtful) == ("back-fall", "flatter than the table")
    if math.isnan(peak) and math.isnan(wcs) and said != NOT_KNOWN:
        assert word(sigma=sigma, peak=2.5, wcs=6) in {said, NOT_KNOWN}
        assert word(sigma=sigma, peak=0.4, wcs=0) in {said, NOT_KNOWN}


sizes = st.floats(0.4, 3.0)


@settings(max_examples=60, deadline=None)
@given(
    length=sizes,
    width=sizes,
    depth=sizes,
    minutes=st.lists(st.floats(2, 500), min_size=1, max_size=5),
)
def test_a_pit_gives_back_its_water(length: float, width: float, depth: float, minutes: list[float]) -> None:
    """Rate × wetted area × time is the half of the water that went, on either basis, for every fill."""
    pit = soakage.trial_pit(
        np.array(minutes) * 60, length_m=length, width_m=width, depth_m=depth, tables=RULES
    )
    seconds = pit.fills["seconds"].to_numpy()
    gone = length * width * depth / 2
    sides = pit.fills["f_sides_m_s"].to_numpy() * pit.side_area_m2 * seconds
    base = pit.fills["f_base_m_s"].to_numpy() * (pit.side_area_m2 + pit.base_area_m2) * seconds
    np.testing.assert_allclose(sides, gone)
    np.testing.assert_allclose(base, gone)
    assert pit.base.slowest.value <= pit.base.mean.value * (1 + 1e-12)
    assert (pit.fills["f_base_m_s"] < pit.fills["f_sides_m_s"]).all()


@settings(max_examples=60, deadline=None)
@given(
    area=st.floats(10, 300),
    minutes=st.floats(5, 300),
    m5=st.floats(14, 25),
    r=st.floats(0.33, 0.42),
    size=st.floats(0.8, 4),
)
def test_storage_balances_and_never_shrinks_with_area(
    area: float, minutes: float, m5: float, r: float, size: float
) -> None:
    """Litres in are litres out and stored; more roof never asks less; more void never turns enough to short."""
    rate = soakage.trial_pit([minutes * 60] * 3, length_m=1, width_m=0.75, depth_m=1, tables=RULES).base
    rain = soakage.storm_depths(m5, r=r, tables=RULES)

    def reckon(roof: float, void: float) -> soakage.StorageResult:
        pit = Pit(length_m=size, width_m=size, depth_m=1.2, void=void)
        return soakage.soakaway_storage(
            tables.amount(roof), rain=rain, pit=pit, soakage=rate, z=1.96, tables=RULES
        )

    small, large, roomy = reckon(area, 0.3), reckon(area * 1.3, 0.3), reckon(area, 0.95)
    np.testing.assert_allclose(
        small.table["inflow_m3"], small.table["outflow_m3"] + small.table["storage_m3"]
    )
    assert large.required.value >= small.required.value
    assert not (small.enough.word == "enough" and roomy.enough.word == "short")
    assert small.table["storage_m3"].max() <= small.required.value + 1e-12


@settings(max_examples=15, deadline=None)
@given(n=st.integers(1, 40), fall=falls)
def test_many_at_once_are_each_alone(n: int, fall: float) -> None:
    """A column of runs gives what each gives alone."""
    law = capacity.usual_law("surface", tables=RULES)
    bores = np.linspace(75, 300, n)
    together = capacity.depth_for_flow(1.0, bore_mm=bores, gradient=fall, law=law)
    alone = [
        capacity.depth_for_flow(1.0, bore_mm=b, gradient=fall, law=law).depth_ratio.value[0]
        for b in bores[::7]
    ]
    np.testing.assert_allclose(together.depth_ratio.value[::7], alone, rtol=1e-12)
