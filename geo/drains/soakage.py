"""Soakaways: the storage a storm asks for, how fast it empties, and how far off it must lie."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from geo.drains.soak_tests import (
    BaseIncluded,
    HoleResult,
    Kind,
    Percolation,
    SidesOnly,
    Soakage,
    drainage_field,
    fall_time,
    percolation,
    together,
    trial_pit,
)
from geo.drains.storms import StormDepths, own_depths, storm_depths
from geo.drains.tables import Amount, Numbers, Tables, amount, compare, numbers, one_of, rows, spread
from geo.errors import GeometryError
from geo.verdict import NOT_KNOWN, Measured, Verdict

__all__ = [
    "FILLS",
    "OFFSETS",
    "BaseIncluded",
    "HoleResult",
    "Kind",
    "Percolation",
    "Pit",
    "SidesOnly",
    "Soakage",
    "StorageResult",
    "StormDepths",
    "drainage_field",
    "fall_time",
    "offset_check",
    "own_depths",
    "percolation",
    "present_soakage",
    "small_soakaway",
    "soakaway_storage",
    "storage_rows",
    "storm_depths",
    "together",
    "trial_pit",
    "void_of",
]

OFFSETS = ("building", "road", "boundary", "other_soakaway", "groundwater")
FILLS = ("rubble", "crates", "rings")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pit:
    """A soakaway's size below its inlet.

    Parameters
    ----------
    length_m, width_m
        Size on plan; for a round one the diameter, and ``width_m`` ``None``.
    depth_m
        Effective depth, inlet invert to base.
    void
        Share of it that holds water.
    side_sigma_m, depth_sigma_m, void_sigma
        Standard deviations.
    """

    length_m: float
    width_m: float | None
    depth_m: float
    void: float
    side_sigma_m: float = 0.0
    depth_sigma_m: float = 0.0
    void_sigma: float = 0.0

    @property
    def side_area(self) -> Measured:
        """Sides wetted at half the effective depth, m²."""
        return self._spread(lambda perimeter, _area, depth, _void: perimeter * depth / 2)

    @property
    def storage(self) -> Measured:
        """Water it holds when full, m³."""
        return self._spread(lambda _perimeter, area, depth, void: area * depth * void)

    def _spread(self, formula: Any) -> Measured:
        round_one = self.width_m is None

        def of(length: Numbers, width: Numbers, depth: Numbers, void: Numbers) -> Numbers:
            perimeter = np.pi * length if round_one else 2 * (length + width)
            area = np.pi * length**2 / 4 if round_one else length * width
            return np.asarray(formula(perimeter, area, depth, void), dtype=np.float64)

        across = 1.0 if self.width_m is None else self.width_m
        value, sigma = spread(
            of,
            [self.length_m, across, self.depth_m, self.void],
            [self.side_sigma_m, self.side_sigma_m, self.depth_sigma_m, self.void_sigma],
        )
        return Measured(float(value[0]), float(sigma[0]))


def void_of(fill: str, *, tables: Tables) -> float:
    """Return the usual share of voids of ``rubble``, ``crates`` or ``rings``."""
    return tables.value(f"soakage.void_{one_of(fill, FILLS, what='fill of a soakaway')}")


def storage_rows(
    area_m2: ArrayLike, *, depth_mm: ArrayLike, minutes: ArrayLike, side_area_m2: ArrayLike, f_m_s: ArrayLike
) -> tuple[Numbers, Numbers, Numbers]:
    """Return inflow ``A R``, outflow ``as50 f D`` and storage ``S = I - O``, m³ (BRE Digest 365).

    All (n,). The duration is in seconds where the rate is in m/s: guidance remembered as saying
    minutes would make the outflow sixty times too small.
    """
    area, depth, duration, sides, f = rows(area_m2, depth_mm, minutes, side_area_m2, f_m_s)
    inflow, outflow = area * depth / 1000, sides * f * duration * 60
    return inflow, outflow, inflow - outflow


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StorageResult:
    """Whether a soakaway stores what the storms ask of it.

    Parameters
    ----------
    table
        One row a duration: minutes, depth_mm, inflow_m3, outflow_m3, storage_m3, sigma_m3, because.
    required, required_at_least, critical_minutes
        Largest storage; whether it may be larger (a duration not known, the largest at the end of
        the durations tried, or a rate that is only "at most"); and the duration that asks it.
    provided, enough
        Storage held, and the answer ``enough``, ``short`` or ``not known``.
    half_empty_required_h, half_empty_provided_h, empties
        Hours to lose half of what is required, and half of what it holds (published practice
        differs); the answer ``in time``, ``too slow`` or ``not known`` holds the longer to the limit.
    rate, summed_by, basis
        Infiltration rate used, slowest or mean, and on which basis it was found.
    notes
        What the reader must be told.
    """

    table: pd.DataFrame
    required: Measured
    required_at_least: bool
    critical_minutes: float
    provided: Measured
    enough: Verdict
    half_empty_required_h: Measured
    half_empty_provided_h: Measured
    empties: Verdict
    rate: Measured
    summed_by: str
    basis: str
    notes: tuple[str, ...]


def soakaway_storage(
    area: Amount,
    *,
    rain: StormDepths,
    pit: Pit,
    soakage: Soakage,
    z: float,
    tables: Tables,
    summed_by: str = "slowest",
    rests_on: tuple[str, ...] = (),
) -> StorageResult:
    """Reckon a soakaway over every duration of storm (BRE Digest 365; Approved Document H, H3 3.31).

    The outflow goes through the sides at half depth alone, on whichever basis the rate was found:
    a base-included rate is the digest's own pairing and the more careful, a sides-only rate is
    Approved Document H's.

    Parameters
    ----------
    area
        One area drained, m².
    summed_by
        ``slowest`` or ``mean`` of the fills.
    rests_on
        Record ids behind the sizes, the area and the fills; they go into the answers.

    Raises
    ------
    GeometryError
        When the soakage names no basis or a summing up that is not held.
    """
    if not soakage.basis:
        raise GeometryError("say whether the soakage is on sides only or base included")
    one_of(summed_by, ("slowest", "mean"), what="summing up of fills")
    rate = soakage.slowest if summed_by == "slowest" else soakage.mean
    sides, held, drained = pit.side_area, pit.storage, area.measured()
    depth, depth_sigma = rain.depth.value, rain.depth.sigma
    inflow, outflow, stored = storage_rows(
        drained.value, depth_mm=depth, minutes=rain.minutes, side_area_m2=sides.value, f_m_s=rate.value
    )
    _, sigma = spread(
        lambda a, m, d, s, f: storage_rows(a, depth_mm=m, minutes=d, side_area_m2=s, f_m_s=f)[2],
        [drained.value, depth, rain.minutes, sides.value, rate.value],
        [drained.sigma, np.nan_to_num(depth_sigma), 0.0, sides.sigma, rate.sigma],
    )
    table = pd.DataFrame(
        {
            "minutes": rain.minutes,
            "depth_mm": depth,
            "inflow_m3": inflow,
            "outflow_m3": outflow,
            "storage_m3": stored,
            "sigma_m3": np.where(np.isnan(stored), np.nan, sigma),
            "because": np.where(
                np.isnan(stored),
                np.where(rain.depth.because == "", "rate or area not known", rain.depth.because),
                "",
            ),
        }
    )
    notes = [
        f"rate found on {soakage.basis}, {summed_by} of {len(soakage.each)} fills; outflow through sides only"
    ]
    known = ~np.isnan(stored)
    ceiling = math.inf
    if known.any():
        worst = int(np.nanargmax(stored))
        required = Measured(max(float(stored[worst]), 0.0), float(sigma[worst]))
        critical = float(rain.minutes[worst])
        ceiling = max(_ceiling(inflow, outflow, worst), required.value)
        if ceiling > required.value:
            notes.append("a storm shorter or longer than those with a depth of rain may ask for more")
    else:
        required, critical = Measured(math.nan, math.nan), math.nan
    if soakage.at_most:
        ceiling = math.inf
        notes.append("a fill did not empty: the rate is at most this, so more may be asked")
    if rate.value < tables.value("soakage.least_m_s"):
        notes.append("slower than 1e-6 m/s, which one council takes as too slow for a soakaway")
    if drained.value > tables.value("soakage.most_area_m2"):
        notes.append("more than 1,000 m² on one soakaway, which one council does not accept")
    doubt = math.hypot(held.sigma, required.sigma)
    enough = _one(
        held.value - required.value,
        doubt,
        z=z,
        unit="m³",
        words_for=("enough", "short"),
        settle="fill the trial pit three times to 25 % and give depths for every duration",
        lost="no storage could be reckoned: " + (table["because"].iloc[0] or "rate or area not known"),
        doubt="enough" if held.value - ceiling < z * doubt else "",
        doubt_because="it holds what was reckoned, but " + "; ".join(notes[1:]),
        rests_on=rests_on,
    )
    through = Measured(
        sides.value * rate.value, math.hypot(sides.sigma * rate.value, sides.value * rate.sigma)
    )
    half = [_half_empty(water, through) for water in (required, held)]
    slower = max(half, key=lambda found: -1.0 if math.isnan(found.value) else found.value)
    empties = _one(
        tables.value("soakage.half_empty_h") - slower.value,
        slower.sigma,
        z=z,
        unit="h",
        words_for=("in time", "too slow"),
        settle="fill the trial pit three times to 25 %",
        lost="no time could be reckoned: the rate is not known",
        doubt="in time" if soakage.at_most else "",
        doubt_because="the rate is at most this, so it may take longer",
        rests_on=rests_on,
    )
    return StorageResult(
        table=table,
        required=required,
        required_at_least=ceiling > required.value,
        critical_minutes=critical,
        provided=held,
        enough=enough,
        half_empty_required_h=half[0],
        half_empty_provided_h=half[1],
        empties=empties,
        rate=rate,
        summed_by=summed_by,
        basis=soakage.basis,
        notes=tuple(notes),
    )


def present_soakage(side_area_m2: ArrayLike, *, f_m_s: ArrayLike, sigma_m_s: ArrayLike = 0.0) -> Amount:
    """Return what a soakaway passes when half full, l/s: ``as50 f``."""
    value, sigma = spread(lambda a, f: 1000 * a * f, [side_area_m2, f_m_s], [0.0, sigma_m_s])
    return amount(value, sigma, unit="l/s", because="rate or size not known")


def small_soakaway(
    area_m2: ArrayLike, *, tables: Tables, sigma_m2: ArrayLike = 0.0, void: ArrayLike = np.nan, z: float
) -> pd.DataFrame:
    """Return the storage of a small soakaway by rule, with the other rule in use beside it.

    Up to 25 m²: 10 mm of rain on the area (Approved Document H, H3 3.28, from BS EN 752-4). One
    building-control body asks area × 50/3000 instead, for larger areas too.

    Returns
    -------
    One row each: verdict (``applies``, ``too large``, ``not known``), because, settle, margin,
    sigma (m²), storage_m3 (NaN when the rule does not apply), other_m3, other_source, fill_m3 and
    other_fill_m3 (dug volume at the voids given).
    """
    area, sigma, voids = rows(area_m2, sigma_m2, void)
    frame = compare(
        tables.value("soakage.small_to_m2") - area,
        sigma,
        z=z,
        unit="m²",
        settle="measure the area drained",
        above="applies",
        below="too large",
        because="area not measured",
    )
    by_rule = np.where(frame["verdict"] == "too large", np.nan, area * tables.value("soakage.small_depth_m"))
    other = area * tables.value("soakage.small_depth_other_m")
    return frame.assign(
        storage_m3=by_rule,
        other_m3=other,
        other_source=tables.limit("soakage.small_depth_other_m").source,
        fill_m3=by_rule / voids,
        other_fill_m3=other / voids,
    )


def offset_check(
    distance_m: ArrayLike, *, to: str, sigma_m: ArrayLike, z: float, tables: Tables
) -> pd.DataFrame:
    """Say whether soakaways stand far enough from something.

    Parameters
    ----------
    distance_m, sigma_m
        (n,) clear distance; for ``groundwater``, from the base down to the highest water table.
    to
        ``building``, ``road`` (5 m, Approved Document H, H3 3.25), ``boundary`` (2.5 m, council
        practice), ``other_soakaway`` (10 m) or ``groundwater`` (1 m, both one council's).

    Returns
    -------
    One row each: verdict (``far enough``, ``too near``, ``not known``), because, settle, margin,
    sigma (m), least_m, source, status.
    """
    rule = tables.limit(f"offset.{one_of(to, OFFSETS, what='offset to')}_m")
    settle = (
        "dig or bore to the water table in winter"
        if to == "groundwater"
        else f"tape it to the nearest {to.replace('_', ' ')}"
    )
    frame = compare(
        numbers(distance_m) - rule.value,
        sigma_m,
        z=z,
        unit="m",
        settle=settle,
        above="far enough",
        below="too near",
        because="distance not measured",
    )
    return frame.assign(least_m=rule.value, source=rule.source, status=rule.status)


def _half_empty(water: Measured, through: Measured) -> Measured:
    """Return hours to lose half the water at the rate of half depth: ``0.5 S / (as50 f)``."""
    if not through.value > 0:
        return Measured(math.nan, math.nan)
    hours = water.value / 2 / through.value / 3600
    return Measured(
        hours, math.hypot(water.sigma / 2 / through.value / 3600, hours * through.sigma / through.value)
    )


def _ceiling(inflow: Numbers, outflow: Numbers, worst: int) -> float:
    """Return the most storage any duration may ask, those without a depth of rain included.

    A shorter storm brings no more rain than a longer one, so a gap is bounded by the next known
    depth after it; beyond the last known depth, or where that one is the worst, nothing bounds it.
    A worst storm that is the shortest known is bounded by its own inflow.
    """
    places = np.flatnonzero(~np.isnan(inflow))
    if worst == places[-1] or places[-1] < len(inflow) - 1:
        return math.inf
    after = places[np.searchsorted(places, np.arange(len(inflow)))]
    most = float(np.max(inflow[after] - outflow))
    return max(most, float(inflow[worst])) if worst == places[0] else most


def _one(
    margin: float,
    sigma: float,
    *,
    z: float,
    unit: str,
    words_for: tuple[str, str],
    settle: str,
    lost: str,
    doubt: str,
    doubt_because: str,
    rests_on: tuple[str, ...],
) -> Verdict:
    """Answer one comparison; a word in doubt is withdrawn."""
    row = compare(
        margin, sigma, z=z, unit=unit, settle=settle, above=words_for[0], below=words_for[1], because=lost
    )
    word, because = str(row["verdict"].iloc[0]), str(row["because"].iloc[0])
    if doubt and word == doubt:
        word, because = NOT_KNOWN, doubt_because
    return Verdict(
        word=word,
        because=because,
        settle=settle if word == NOT_KNOWN else "",
        margin=margin,
        sigma=sigma,
        unit=unit,
        rests_on=rests_on,
    )
