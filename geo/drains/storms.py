"""Depths of design storms, from regional numbers or a table of one's own."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from geo.drains.tables import Amount, Numbers, Tables, amount, numbers, rows
from geo.errors import GeometryError


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StormDepths:
    """Depths of rain by duration, for one return period.

    Parameters
    ----------
    minutes
        (n,) durations, rising.
    depth
        mm, NaN with a reason where the table does not go.
    five_year_mm, growth
        (n,) what the depth is made of; NaN for a table of the user's own.
    source
        Where the depths come from.
    """

    minutes: Numbers
    depth: Amount
    five_year_mm: Numbers
    growth: Numbers
    source: str


def storm_depths(
    m5_60_mm: float,
    *,
    r: float,
    tables: Tables,
    minutes: ArrayLike | None = None,
    growth: ArrayLike | None = None,
    allowance: float = 1.0,
    m5_60_sigma_mm: float = 0.0,
    r_sigma: float = 0.0,
) -> StormDepths:
    """Return storm depths ``M5-60 × Z1 × Z2 × allowance`` (Wallingford Procedure, as BRE Digest 365).

    Z1 on straight lines between r 0.33, 0.36, 0.39 and 0.42, for the printed durations only; outside,
    not known. Z2 is the 10-year growth by depth unless a growth factor is given.

    Parameters
    ----------
    m5_60_mm, m5_60_sigma_mm
        Depth of 60 minutes and 5-year return, from a map.
    r, r_sigma
        M5-60 over M5-2 days, from a map.
    minutes
        (n,) durations; the table's own, 5 minutes to 24 hours, when not given.
    growth
        (n,) or one: growth over 5 years for another return period; 1 keeps 5 years.
    allowance
        Factor for a changing climate.
    """
    grid, curve = tables.grids["z1"], tables.curves["z2_m10"]
    wanted = grid.column.copy() if minutes is None else numbers(minutes)
    share = grid.at(r, wanted)
    five = m5_60_mm * share
    grown = curve.at(five) if growth is None else np.broadcast_to(numbers(growth), wanted.shape).copy()
    depth = five * grown * allowance
    # Both tables are printed to 0.01, an even spread of half a hundredth either way.
    step = 0.01 / math.sqrt(12)
    r_low, r_high = np.clip([r - r_sigma, r + r_sigma], grid.row[0], grid.row[-1])
    by_r = (grid.at(float(r_high), wanted) - grid.at(float(r_low), wanted)) / 2
    with np.errstate(invalid="ignore"):
        relative = np.sqrt(
            (m5_60_sigma_mm / m5_60_mm) ** 2
            + (step**2 + by_r**2) / share**2
            + ((step / grown) ** 2 if growth is None else 0.0)
        )
    r_ends = (
        f"r outside {grid.row[0]:.2f} to {grid.row[-1]:.2f}, where no table is held: give your own depths"
    )
    because = np.select(
        [np.full(wanted.shape, not grid.row[0] <= r <= grid.row[-1]), np.isnan(share), np.isnan(grown)],
        [
            r_ends,
            "duration not in the table: give your own depth",
            "depth outside the growth table's 5 to 100 mm: give a growth factor",
        ],
        default="",
    )
    how = "10-year growth" if growth is None else "growth given"
    return StormDepths(
        minutes=wanted,
        depth=amount(depth, relative * depth, unit="mm", because=because),
        five_year_mm=five,
        growth=grown,
        source=f"{grid.source} ({grid.status}), {how}, allowance {allowance:g}",
    )


def own_depths(
    minutes: ArrayLike, *, depth_mm: ArrayLike, source: str, sigma_mm: ArrayLike = 0.0
) -> StormDepths:
    """Return the user's own table of storm depths.

    Raises
    ------
    GeometryError
        When durations do not rise from above nothing, or no source is named.
    """
    wanted, depth, sigma = rows(minutes, depth_mm, sigma_mm)
    if not (np.all(np.diff(wanted) > 0) and wanted[0] > 0):
        raise GeometryError("durations of storms rise from above nothing, each once")
    if not source.strip():
        raise GeometryError("say where the depths of rain come from")
    none = np.full_like(wanted, np.nan)
    return StormDepths(
        minutes=wanted,
        depth=amount(depth, sigma, unit="mm", because="no depth given"),
        five_year_mm=none,
        growth=none.copy(),
        source=source,
    )
