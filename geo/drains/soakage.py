"""What the ground takes: percolation, trial pits, the storage a soakaway needs and how fast it empties."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from geo.drains.tables import Amount, Numbers, Tables, amount, compare, numbers, one_of, rows, spread
from geo.errors import GeometryError
from geo.verdict import NOT_KNOWN, Measured, Verdict

OFFSETS = ("building", "road", "boundary", "other_soakaway", "groundwater")
FILLS = ("rubble", "crates", "rings")


# --- infiltration rates, by basis ------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Soakage:
    """Infiltration rate f of the ground, m/s, fill by fill. Use one of the two named kinds.

    Parameters
    ----------
    each
        One value a fill, in order; at most that where the fill never emptied.
    slowest
        The least of them, with its measuring error.
    mean
        Their mean: scatter over root n, and the error the fills share. NaN when one is "at most".
    at_most
        A fill did not empty, so the slowest is no more than this and may be far less.
    found_by
        ``percolation`` or ``trial pit``.
    """

    basis: ClassVar[str] = ""
    each: Amount
    slowest: Measured
    mean: Measured
    at_most: bool
    found_by: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SidesOnly(Soakage):
    """Infiltration rate with the loss put through the sides alone (Approved Document H, H3 3.30)."""

    basis: ClassVar[str] = "sides only"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BaseIncluded(Soakage):
    """Infiltration rate with the loss put through sides and base (BRE Digest 365)."""

    basis: ClassVar[str] = "base included"


Kind = TypeVar("Kind", bound=Soakage)


def together(first: Kind, *others: Kind) -> Kind:
    """Return the soakage of several holes as one, every fill kept.

    Raises
    ------
    GeometryError
        When the holes are on different bases, or one is a percolation test and another a pit.
    """
    for other in others:
        if type(other) is not type(first):
            raise GeometryError(
                f"soakage on {first.basis} and on {other.basis} are different quantities: "
                "reckon every hole on one basis, or show them side by side"
            )
        if other.found_by != first.found_by:
            raise GeometryError(
                f"a {first.found_by} and a {other.found_by} are not put together: show them side by side"
            )
    tests = (first, *others)
    each = amount(
        np.concatenate([test.each.value for test in tests]),
        np.concatenate([test.each.sigma for test in tests]),
        unit="m/s",
    )
    slowest = min((test.slowest for test in tests), key=lambda found: found.value)
    loose = any(test.at_most for test in tests)
    shared = math.sqrt(sum(test.mean.sigma**2 for test in tests)) / len(tests)
    return type(first)(
        each=each,
        slowest=slowest,
        mean=_mean(each, loose=loose, shared=shared),
        at_most=loose,
        found_by=first.found_by,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HoleResult:
    """A test of the ground, every fill kept.

    Parameters
    ----------
    fills
        One row a fill: seconds, emptied, f_sides_m_s, f_base_m_s and, for a percolation test,
        vp_s_mm.
    sides, base
        The rate on each basis; never put together.
    volume_m3, side_area_m2, base_area_m2
        Water lost from 75 to 25 % full; wetted sides at 50 %; base.
    notes
        What does not follow the published method.
    """

    fills: pd.DataFrame
    sides: SidesOnly
    base: BaseIncluded
    volume_m3: float
    side_area_m2: float
    base_area_m2: float
    notes: tuple[str, ...]


def fall_time(seconds: ArrayLike, *, depth_m: ArrayLike, full_m: float) -> tuple[float, bool]:
    """Return the time from 75 to 25 % full out of a log of depths, and whether it got there.

    Straight lines between readings. A log that stops above 25 % gives the time it did cover, which
    is a least: nothing is run on beyond the last reading.

    Parameters
    ----------
    seconds, depth_m
        (n,) readings in order of time.
    full_m
        Depth of water called full.

    Raises
    ------
    GeometryError
        When the log goes back in time, water rises, or it starts at or below 75 %.
    """
    time, depth = rows(seconds, depth_m)
    if len(time) < 2 or np.any(np.diff(time) <= 0) or np.any(np.diff(depth) > 0):
        raise GeometryError("a log needs two or more readings, later each time and never rising")
    high, low = 0.75 * full_m, 0.25 * full_m
    if depth[0] < high or depth[-1] > high:
        raise GeometryError("the log does not pass 75 % full: start it fuller or keep it longer")
    start = float(np.interp(-high, -depth, time))
    emptied = bool(depth[-1] <= low)
    end = float(np.interp(-low, -depth, time)) if emptied else float(time[-1])
    return end - start, emptied


def trial_pit(
    seconds: ArrayLike,
    *,
    length_m: float,
    width_m: float,
    depth_m: float,
    tables: Tables,
    emptied: ArrayLike = True,
    side_sigma_m: float | None = None,
    depth_sigma_m: float | None = None,
    time_sigma_s: float | None = None,
) -> HoleResult:
    """Return the soakage of a trial pit: ``f = V / (a t)`` from 75 to 25 % full (BRE Digest 365).

    V is half the water; a is the wetted area at half depth, base included as the digest has it, and
    the sides alone beside it. The slowest of three fills is the digest's answer.

    Parameters
    ----------
    seconds
        (n,) time of each fill from 75 to 25 %.
    length_m, width_m, depth_m
        Size of the pit on plan, and depth of water at the start.
    emptied
        (n,) whether it reached 25 %; else the time is a least.
    side_sigma_m, depth_sigma_m, time_sigma_s
        Standard deviations; the rules' own when not given.

    Raises
    ------
    GeometryError
        When a size or a time is not above nothing.
    """
    if not min(length_m, width_m, depth_m) > 0:
        raise GeometryError("a trial pit has a length, a width and a depth of water above nothing")
    side = tables.value("soakage.side_sigma_m") if side_sigma_m is None else side_sigma_m
    deep = tables.value("soakage.depth_sigma_m") if depth_sigma_m is None else depth_sigma_m
    return _hole(
        seconds,
        sizes=(length_m, width_m, depth_m),
        sigmas=(side, side, deep),
        time_sigma_s=tables.value("soakage.time_sigma_s") if time_sigma_s is None else time_sigma_s,
        emptied=emptied,
        found_by="trial pit",
        fills_wanted=int(tables.value("soakage.fills")),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Percolation:
    """A percolation test.

    Parameters
    ----------
    hole
        Fills and the rate on each basis: sides only ``1e-3/(2 Vp)``, base included ``1e-3/(3 Vp)``.
    mean, slowest
        Percolation value Vp, s/mm: mean of the fills, and the largest.
    answers
        One row for each published range × way of summing up: rule, summed_by (``mean`` or
        ``slowest``), verdict (``within``, ``outside``, ``not known``), because, settle, margin,
        sigma (s/mm, from the nearer end of the range).
    """

    hole: HoleResult
    mean: Measured
    slowest: Measured
    answers: pd.DataFrame


def percolation(
    seconds: ArrayLike,
    *,
    z: float,
    tables: Tables,
    emptied: ArrayLike = True,
    time_sigma_s: float | None = None,
) -> Percolation:
    """Return the percolation value ``Vp = t / 150`` of a 300 mm hole (Approved Document H, H2 1.34-1.38).

    The published ranges differ (12 to 100 and 15 to 100 s/mm), and so does the summing up (mean or
    slowest); all four answers are given.

    Parameters
    ----------
    seconds
        (n,) time of each fill from 75 to 25 % full, which is 150 mm.
    emptied, time_sigma_s
        As :func:`trial_pit`.

    Raises
    ------
    GeometryError
        When a time is not above nothing.
    """
    side, drop = tables.value("percolation.hole_m"), tables.value("percolation.drop_mm")
    clock = tables.value("soakage.time_sigma_s") if time_sigma_s is None else time_sigma_s
    deep = tables.value("soakage.depth_sigma_m")
    hole = _hole(
        seconds,
        sizes=(side, side, side),
        sigmas=(tables.value("soakage.side_sigma_m"),) * 2 + (deep,),
        time_sigma_s=clock,
        emptied=emptied,
        found_by="percolation",
        fills_wanted=int(tables.value("soakage.fills")),
    )
    vp = numbers(seconds) / drop
    # The two marks are each read to a depth sigma over the 150 mm between them.
    sigma = np.hypot(clock / drop, vp * math.sqrt(2) * deep * 1000 / drop)
    each = amount(vp, sigma, unit="s/mm")
    loose = not bool(hole.fills["emptied"].all())
    slow = int(np.argmax(vp))
    mean, slowest = _mean(each, loose=loose), each.measured(slow)
    hole.fills.insert(2, "vp_s_mm", vp)
    found = []
    for rule, low_key in (("Approved Document H", "vp_low"), ("BS 6297:2007", "vp_low_other")):
        low, high = tables.value(f"percolation.{low_key}"), tables.value("percolation.vp_high")
        for summed_by, value in (("mean", mean), ("slowest", slowest)):
            margin = min(value.value - low, high - value.value)
            censored = loose and not (summed_by == "slowest" and value.value > high)
            answer = compare(
                math.nan if censored else margin,
                value.sigma,
                z=z,
                unit="s/mm",
                settle="run the fills again to 25 % full" if censored else "run three more fills",
                above="within",
                below="outside",
                because="a fill did not reach 25 %: its value is at least what was seen",
            )
            found.append(answer.assign(rule=rule, summed_by=summed_by))
    answers = pd.concat(found, ignore_index=True)
    front = ["rule", "summed_by"]
    return Percolation(
        hole=hole, mean=mean, slowest=slowest, answers=answers[front + [c for c in answers if c not in front]]
    )


def drainage_field(
    persons: ArrayLike,
    *,
    vp_s_mm: ArrayLike,
    vp_sigma_s_mm: ArrayLike = 0.0,
    treated: bool = False,
    tables: Tables,
) -> Amount:
    """Return the floor area of a drainage field, m²: ``p Vp 0.25`` (Approved Document H, H2 1.44).

    0.20 behind secondary treatment. Not known outside the range of Vp the guidance accepts.
    """
    factor = tables.value("percolation.field_treated_m2" if treated else "percolation.field_m2")
    people, vp = rows(persons, vp_s_mm)
    value, sigma = spread(lambda p, v: factor * p * v, [people, vp], [0.0, vp_sigma_s_mm])
    low, high = tables.value("percolation.vp_low"), tables.value("percolation.vp_high")
    inside = (vp >= low) & (vp <= high)
    return amount(
        np.where(inside, value, np.nan),
        sigma,
        unit="m²",
        because=f"percolation outside {low:.0f} to {high:.0f} s/mm",
    )


# --- rain ------------------------------------------------------------------------------------------


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


# --- soakaways -------------------------------------------------------------------------------------


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


def _hole(
    seconds: ArrayLike,
    *,
    sizes: Sequence[float],
    sigmas: Sequence[float],
    time_sigma_s: float,
    emptied: ArrayLike,
    found_by: str,
    fills_wanted: int,
) -> HoleResult:
    time = numbers(seconds)
    if not len(time) or not np.all(time > 0):
        raise GeometryError("every fill needs a time above nothing")
    done = np.broadcast_to(np.asarray(emptied, dtype=bool), time.shape).copy()
    length, width, depth = sizes
    loose = not bool(done.all())
    notes = []
    if len(time) < fills_wanted:
        notes.append(f"{len(time)} of the {fills_wanted} fills asked for")
    if loose:
        notes.append("a fill did not reach 25 % full: its rate is at most what is given")
    found: dict[str, dict[str, Any]] = {}
    for name, base in (("sides", 0.0), ("base", 1.0)):

        def rate(
            length: Numbers, width: Numbers, depth: Numbers, fell: Numbers, time: Numbers, base: float = base
        ) -> Numbers:
            area = (length + width) * depth + base * length * width
            return length * width * depth * fell / (area * time)

        # The two marks, at 75 and 25 %, are each read with the error of a depth.
        marks = math.sqrt(2) * sigmas[2] / depth
        value, sigma = spread(rate, [*sizes, 0.5, time], [*sigmas, marks, time_sigma_s])
        _, shared = spread(rate, [*sizes, 0.5, time], [*sigmas, 0.0, 0.0])
        each = amount(value, sigma, unit="m/s")
        found[name] = {
            "each": each,
            "slowest": each.measured(int(np.argmin(value))),
            "mean": _mean(each, loose=loose, shared=float(shared.mean())),
            "at_most": loose,
            "found_by": found_by,
        }
    fills = pd.DataFrame(
        {
            "seconds": time,
            "emptied": done,
            "f_sides_m_s": found["sides"]["each"].value,
            "f_base_m_s": found["base"]["each"].value,
        }
    )
    return HoleResult(
        fills=fills,
        sides=SidesOnly(**found["sides"]),
        base=BaseIncluded(**found["base"]),
        volume_m3=length * width * depth / 2,
        side_area_m2=(length + width) * depth,
        base_area_m2=length * width,
        notes=tuple(notes),
    )


def _mean(each: Amount, *, loose: bool, shared: float = 0.0) -> Measured:
    """Return the mean of the fills; never of a fill that is only "at most"."""
    if loose:
        return Measured(math.nan, math.nan)
    count = len(each)
    # Fills that happen to agree are no surer than they can be read.
    read = math.sqrt(float(np.mean(each.sigma**2)))
    scatter = max(float(each.value.std(ddof=1)), read) if count > 1 else read
    return Measured(float(each.value.mean()), math.hypot(scatter / math.sqrt(count), shared))


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
