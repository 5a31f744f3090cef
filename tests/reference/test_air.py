"""Water in air against the tables of ASHRAE, psychrolib, and values worked by hand."""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest

from geo import reference
from geo.moisture.air import (
    absolute_humidity_g_m3,
    dew_point_c,
    saturation_hpa,
    surface_humidity_percent,
    surface_state,
    temperature_factor,
    vapour_hpa,
)
from geo.verdict import NOT_KNOWN

REF = reference.default()


@pytest.mark.parametrize(("temperature", "pascal"), [(5, 872.6), (25, 3169.7), (50, 12351.3)])
def test_saturation_pressure_against_ashrae(temperature: float, pascal: float) -> None:
    """Within 0.31 % of ASHRAE Handbook Fundamentals 2017, chapter 1, table 3."""
    assert 100 * saturation_hpa(temperature) == pytest.approx(pascal, rel=0.0031)


@pytest.mark.parametrize(
    ("temperature", "percent"), [(5, -0.085), (10, -0.16), (20, -0.27), (25, -0.29), (50, -0.04)]
)
def test_magnus_departs_from_ashrae_as_known(temperature: float, percent: float) -> None:
    """The WMO constants lie this much off the ASHRAE curve (psychrolib), to a hundredth of a per cent."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    other = psychrolib.GetSatVapPres(temperature)
    assert 100 * (100 * float(saturation_hpa(temperature)) / other - 1) == pytest.approx(percent, abs=0.01)


@pytest.mark.parametrize(
    ("temperature", "humidity", "pascal", "dew", "grams"),
    [
        (20, 50, 1166.3, 9.26, 8.62),
        (20, 70, 1632.8, 14.36, 12.07),
        (20, 75, 1749.4, 15.43, 12.93),
        (21, 65, 1612.6, 14.17, 11.88),
        (10, 90, 1103.4, 8.43, 8.44),
    ],
)
def test_a_worked_table(temperature: float, humidity: float, pascal: float, dew: float, grams: float) -> None:
    """Vapour pressure, dew point and g/m³ worked by hand from the formulae; dew points agree with ASHRAE."""
    vapour = vapour_hpa(temperature, humidity)
    assert 100 * float(vapour) == pytest.approx(pascal, abs=0.05)
    assert dew_point_c(vapour) == pytest.approx(dew, abs=0.005)
    assert absolute_humidity_g_m3(temperature, humidity) == pytest.approx(grams, abs=0.005)
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert dew_point_c(vapour) == pytest.approx(
        psychrolib.GetTDewPointFromRelHum(temperature, humidity / 100), abs=0.02
    )


@pytest.mark.parametrize(
    ("temperature", "humidity", "grams"), [(20, 60, 10.35), (22, 45, 8.71), (10, 85, 7.98)]
)
def test_water_in_air(temperature: float, humidity: float, grams: float) -> None:
    """Worked by hand: 216.7 e / (t + 273.15)."""
    assert absolute_humidity_g_m3(temperature, humidity) == pytest.approx(grams, abs=0.005)


def test_a_cold_corner() -> None:
    """Worked case: room 18.0 °C at 72 %, skirting 13.0 °C, outdoors 3.0 °C.

    Vapour 14.83 hPa, dew point 12.9 °C, 99 % at the surface, (13 - 3) / (18 - 3) = 0.67. For 80 % at
    the surface the room may have at most 58 % at 18 °C, or the surface must reach 16.3 °C. A surface
    0.5 °C warmer in air 3 % drier gives 92 %.
    """
    state = surface_state(air_c=18.0, humidity_percent=72.0, surface_c=13.0, outdoors_c=3.0, ref=REF)
    assert state.vapour_hpa.value == pytest.approx(14.83, abs=0.005)
    assert state.dew_point_c.value == pytest.approx(12.9, abs=0.05)
    assert state.surface_humidity.value == pytest.approx(99, abs=0.5)
    assert state.temperature_factor.value == pytest.approx(0.67, abs=0.005)
    assert state.room_humidity_limit == pytest.approx(58, abs=0.5)
    assert state.surface_limit_c == pytest.approx(16.3, abs=0.05)
    assert surface_humidity_percent(18.0, 69.0, 13.5) == pytest.approx(92, abs=0.5)
    assert surface_humidity_percent(18.0, 75.0, 12.5) > 100
    assert state.mould.word == "yes"
    assert state.condenses.word == NOT_KNOWN
    assert state.condenses.settle
    assert "one moment" in state.mould.because


def test_a_warm_surface_is_cleared() -> None:
    """20 °C at 40 % on a surface of 18 °C: dew point 6.0 °C, no condensation and no mould by this reading."""
    state = surface_state(air_c=20.0, humidity_percent=40.0, surface_c=18.0, outdoors_c=2.0, ref=REF)
    assert state.dew_point_c.value == pytest.approx(6.0, abs=0.05)
    assert (state.condenses.word, state.mould.word, state.cold_bridge.word) == ("no", "no", "no")


def test_no_outdoor_temperature_gives_no_factor() -> None:
    """Without an outdoor temperature, or one like the room's, the factor cannot be had."""
    for outdoors in (float("nan"), 17.5):
        state = surface_state(air_c=18.0, humidity_percent=60.0, surface_c=16.0, outdoors_c=outdoors, ref=REF)
        assert state.cold_bridge.word == NOT_KNOWN
        assert np.isnan(state.temperature_factor.value)
    assert np.isnan(temperature_factor(16.0, 18.0, 18.0))


def test_sigmas_agree_with_simulated_readings() -> None:
    """Carried sigmas are those of 200,000 readings scattered by 0.5 °C and 3 % about the cold corner."""
    rng = np.random.default_rng(3)
    n = 200_000
    air, surface, outside = (rng.normal(m, 0.5, n) for m in (18.0, 13.0, 3.0))
    humidity = rng.normal(72, 3, n)
    state = surface_state(air_c=18.0, humidity_percent=72.0, surface_c=13.0, outdoors_c=3.0, ref=REF)
    vapour = vapour_hpa(air, humidity)
    for measured, drawn in (
        (state.vapour_hpa, vapour),
        (state.dew_point_c, dew_point_c(vapour)),
        (state.absolute_g_m3, absolute_humidity_g_m3(air, humidity)),
        (state.surface_humidity, surface_humidity_percent(air, humidity, surface)),
        (state.temperature_factor, temperature_factor(surface, air, outside)),
    ):
        assert measured.sigma == pytest.approx(float(np.std(drawn)), rel=0.03)
