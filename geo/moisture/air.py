"""Water in the air, and how near a cold surface is to being wetted by it.

Vapour pressure over water after Magnus, with the constants of the WMO guide (No. 8), good from
-45 to 60 °C. Against the tables of ASHRAE it is 0.1 to 0.31 % low between 5 and 30 °C.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict, decide

Numbers = npt.NDArray[np.float64]

_E0_HPA, _A, _B_C = 6.112, 17.62, 243.12
_VAPOUR = 216.7
_KELVIN = 273.15


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceState:
    """One moment at one surface; another moment may differ.

    Parameters
    ----------
    vapour_hpa, dew_point_c, absolute_g_m3
        Of the room air.
    surface_humidity
        Relative humidity of the air cooled to the surface, per cent; above 100 water condenses.
    temperature_factor
        (surface - outdoors) / (room - outdoors); NaN sigma and value without an outdoor temperature,
        or where indoors and outdoors cannot be told apart.
    condenses, mould, cold_bridge
        Is the surface at or below the dew point; is its humidity above the limit for mould; is the
        temperature factor below its limit.
    room_humidity_limit, surface_limit_c
        Room humidity below which, or surface temperature above which, the surface would stay under
        the limit for mould.
    """

    vapour_hpa: Measured
    dew_point_c: Measured
    absolute_g_m3: Measured
    surface_humidity: Measured
    temperature_factor: Measured
    condenses: Verdict
    mould: Verdict
    cold_bridge: Verdict
    room_humidity_limit: float
    surface_limit_c: float


def saturation_hpa(temperature_c: npt.ArrayLike) -> Numbers:
    """Return the saturation vapour pressure over water, hPa, at a temperature in °C (Magnus, WMO No. 8)."""
    t = np.asarray(temperature_c, dtype=float)
    return np.asarray(_E0_HPA * np.exp(_A * t / (_B_C + t)))


def vapour_hpa(temperature_c: npt.ArrayLike, humidity_percent: npt.ArrayLike) -> Numbers:
    """Return the vapour pressure, hPa, of air of a temperature in °C and relative humidity in per cent."""
    share = np.asarray(humidity_percent, dtype=float) / 100
    return np.asarray(saturation_hpa(temperature_c) * share)


def dew_point_c(vapour_pressure_hpa: npt.ArrayLike) -> Numbers:
    """Return the temperature, °C, at which a vapour pressure in hPa saturates; NaN for none or less."""
    pressure = np.asarray(vapour_pressure_hpa, dtype=float)
    logarithm = np.log(np.where(pressure > 0, pressure, np.nan) / _E0_HPA)
    return np.asarray(_B_C * logarithm / (_A - logarithm))


def absolute_humidity_g_m3(temperature_c: npt.ArrayLike, humidity_percent: npt.ArrayLike) -> Numbers:
    """Return the water in air, g/m³: 216.7 e / (t + 273.15), e in hPa (gas law for water vapour)."""
    kelvin = np.asarray(temperature_c, dtype=float) + _KELVIN
    return _VAPOUR * vapour_hpa(temperature_c, humidity_percent) / kelvin


def surface_humidity_percent(
    air_c: npt.ArrayLike, humidity_percent: npt.ArrayLike, surface_c: npt.ArrayLike
) -> Numbers:
    """Return the relative humidity, per cent, of room air cooled to a surface; above 100 it condenses."""
    return 100 * vapour_hpa(air_c, humidity_percent) / saturation_hpa(surface_c)


def temperature_factor(
    surface_c: npt.ArrayLike, inside_c: npt.ArrayLike, outside_c: npt.ArrayLike
) -> Numbers:
    """Return f_Rsi = (surface - outside) / (inside - outside); NaN where inside equals outside."""
    outside = np.asarray(outside_c, dtype=float)
    span = np.asarray(inside_c, dtype=float) - outside
    rise = np.asarray(surface_c, dtype=float) - outside
    return np.asarray(rise / np.where(span == 0, np.nan, span))


def surface_state(
    *,
    air_c: float,
    humidity_percent: float,
    surface_c: float,
    outdoors_c: float = float("nan"),
    ref: Reference,
    temperature_sigma_c: float | None = None,
    humidity_sigma: float | None = None,
) -> SurfaceState:
    """Judge one set of air and surface readings, each number with its standard deviation.

    Standard deviations are carried through by the slope of each formula at the values read.

    Parameters
    ----------
    air_c, humidity_percent, surface_c, outdoors_c
        Room air, its relative humidity, the surface, and outdoor air (NaN when not taken).
    temperature_sigma_c, humidity_sigma
        Standard deviations; those of hand-held instruments when left out.
    """
    s_t = ref.value("moisture.air_sigma_c") if temperature_sigma_c is None else temperature_sigma_c
    s_h = ref.value("moisture.air_sigma_rh") if humidity_sigma is None else humidity_sigma
    air_slope, surface_slope = _log_slope(air_c), _log_slope(surface_c)

    vapour = float(vapour_hpa(air_c, humidity_percent))
    share = float(np.hypot(s_h / humidity_percent, air_slope * s_t)) if humidity_percent > 0 else np.nan
    dew = float(dew_point_c(vapour))
    dew_sigma = share / _log_slope(dew)
    absolute = float(absolute_humidity_g_m3(air_c, humidity_percent))
    absolute_share = float(
        np.hypot(s_h / max(humidity_percent, s_h), (air_slope - 1 / (air_c + _KELVIN)) * s_t)
    )
    at_surface = float(surface_humidity_percent(air_c, humidity_percent, surface_c))
    at_surface_sigma = at_surface * float(np.hypot(share, surface_slope * s_t))

    z, limit = ref.value("confidence.z_95"), ref.value("moisture.mould_surface_rh")
    loggers = "log air and surface for 14 days"
    return SurfaceState(
        vapour_hpa=Measured(vapour, vapour * share),
        dew_point_c=Measured(dew, dew_sigma),
        absolute_g_m3=Measured(absolute, absolute * absolute_share),
        surface_humidity=Measured(at_surface, at_surface_sigma),
        temperature_factor=_factor(surface_c, air_c, outdoors_c, s_t, z),
        condenses=_answer(
            Measured(dew - surface_c, float(np.hypot(dew_sigma, s_t))),
            z,
            "°C",
            loggers,
            "below the dew point",
        ),
        mould=_answer(
            Measured(at_surface - limit, at_surface_sigma),
            z,
            "% RH",
            loggers,
            f"over {limit:g} % at the surface",
        ),
        cold_bridge=_bridge(_factor(surface_c, air_c, outdoors_c, s_t, z), z, ref),
        room_humidity_limit=float(limit * saturation_hpa(surface_c) / saturation_hpa(air_c)),
        surface_limit_c=float(dew_point_c(vapour * 100 / limit)),
    )


def _log_slope(temperature_c: float) -> float:
    """Return d ln(saturation pressure) / dt, per °C."""
    return _A * _B_C / (_B_C + temperature_c) ** 2


def _factor(surface_c: float, inside_c: float, outside_c: float, sigma: float, z: float) -> Measured:
    """Return the temperature factor, NaN where indoors and outdoors are too near to divide by."""
    span = inside_c - outside_c
    if not abs(span) > z * np.sqrt(2) * sigma:
        return Measured(np.nan, np.nan)
    value = float(temperature_factor(surface_c, inside_c, outside_c))
    return Measured(value, sigma / abs(span) * float(np.sqrt(1 + value**2 + (1 - value) ** 2)))


def _bridge(factor: Measured, z: float, ref: Reference) -> Verdict:
    least = ref.value("moisture.frsi_min")
    if np.isnan(factor.value):
        return Verdict(
            word=NOT_KNOWN,
            because="no outdoor temperature, or too near that of the room",
            settle="read air and surface again on a cold morning, with the outdoor air",
        )
    margin = Measured(least - factor.value, factor.sigma)
    settle = "log room, surface and outdoor air for 14 days"
    return _answer(margin, z, "", settle, f"f_Rsi {factor.value:.2f} against {least:g}", places=2)


def _answer(margin: Measured, z: float, unit: str, settle: str, of: str, *, places: int = 1) -> Verdict:
    """Answer yes, no or not known, with figures fine enough for degrees and per cent."""
    answer = decide(margin, z=z, unit=unit, settle=settle)
    figures = f"{margin.value:+.{places}f} ± {z * margin.sigma:.{places}f} {unit}".rstrip()
    end = "" if answer.known else "; within the error"
    return replace(answer, because=f"{of}: {figures}{end} (one moment only)")
