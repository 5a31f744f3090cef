"""What roofs and walls shed in rain, each with its sigma."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from geo.drains.tables import Amount, Numbers, Tables, amount, numbers, rows, spread

MM_H_PER_L_S_M2 = 3600.0  # 1 litre on 1 m² is 1 mm deep


def rain_l_s_m2(mm_h: ArrayLike) -> Numbers:
    """Return rain in l/s per m² from mm/h."""
    return numbers(mm_h) / MM_H_PER_L_S_M2


def rain_mm_h(l_s_m2: ArrayLike) -> Numbers:
    """Return rain in mm/h from l/s per m²."""
    return numbers(l_s_m2) * MM_H_PER_L_S_M2


def effective_roof(
    plan_m2: ArrayLike,
    *,
    pitch_deg: ArrayLike,
    plan_sigma_m2: ArrayLike = 0.0,
    pitch_sigma_deg: ArrayLike = 0.0,
    tables: Tables,
) -> Amount:
    """Return the roof area, m², that catches rain driven by wind.

    Plan area times ``1 + tan(pitch)/2`` up to 70°; a steeper slope counts as a wall, half its
    elevation ``plan · tan(pitch)`` (Approved Document H, H3 Table 1). The table itself steps down at
    70°, from 2.37 to 1.37 times the plan; within two sigmas of it the answer is not known.

    Parameters
    ----------
    plan_m2, plan_sigma_m2
        (n,) area on plan.
    pitch_deg, pitch_sigma_deg
        (n,) slope from level, 0 to less than 90.
    """
    ratio, steep = tables.value("roof.wind_ratio"), tables.value("roof.wall_from_deg")
    share = tables.value("roof.wall_share")
    plan, pitch, _, near = rows(plan_m2, pitch_deg, plan_sigma_m2, pitch_sigma_deg)
    wall = pitch > steep

    def area(plan: Numbers, pitch: Numbers) -> Numbers:
        slope = np.tan(np.radians(np.clip(pitch, 0.0, 89.0)))
        return plan * np.where(wall, share * slope, 1 + ratio * slope)

    value, sigma = spread(area, [plan, pitch], [plan_sigma_m2, pitch_sigma_deg])
    wrong = (pitch < 0) | (pitch >= 90) | (plan < 0)
    torn = (near > 0) & (np.abs(pitch - steep) < 2 * near)
    because = np.select(
        [wrong, torn],
        [
            "a roof has a plan area of 0 or more and a pitch from 0 to under 90 degrees",
            f"the table steps at {steep:.0f} degrees, within the error of the pitch: measure the pitch",
        ],
        default="roof not measured",
    )
    return amount(np.where(wrong | torn, np.nan, value), sigma, unit="m²", because=because)


def roof_to_gutter(
    length_m: ArrayLike,
    *,
    width_m: ArrayLike,
    rise_m: ArrayLike,
    sigma_m: ArrayLike = 0.0,
    tables: Tables,
) -> Amount:
    """Return the area, m², that catches rain for one gutter: ``L (W + H/2)`` (BS EN 12056-3).

    Parameters
    ----------
    length_m
        (n,) length of eaves.
    width_m, rise_m
        (n,) plan width and height from gutter to ridge.
    sigma_m
        Standard deviation of each of the three.
    """
    ratio = tables.value("roof.wind_ratio")
    value, sigma = spread(lambda L, W, H: L * (W + ratio * H), [length_m, width_m, rise_m], [sigma_m] * 3)
    return amount(value, sigma, unit="m²")


def wall_catch(elevation_m2: ArrayLike, *, sigma_m2: ArrayLike = 0.0, tables: Tables) -> Amount:
    """Return the area, m², a wall adds to what runs off below it: half its elevation."""
    share = tables.value("roof.wall_share")
    return amount(share * numbers(elevation_m2), share * numbers(sigma_m2), unit="m²")


def run_off(
    area: Amount, *, rain_l_s_m2: ArrayLike, rain_sigma_l_s_m2: ArrayLike = 0.0, tables: Tables
) -> Amount:
    """Return the flow off an area, l/s: rain × area × run-off coefficient (BS EN 12056-3 4.1)."""
    coefficient = tables.value("rain.runoff")
    value, sigma = spread(
        lambda a, r: coefficient * a * r,
        [area.value, rain_l_s_m2],
        [area.sigma, rain_sigma_l_s_m2],
    )
    return amount(value, sigma, unit="l/s", because=area.because)
