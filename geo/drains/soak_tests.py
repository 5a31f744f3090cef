"""What the ground takes, by test: percolation holes and trial pits, both bases of f named."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from geo.drains.tables import Amount, Numbers, Tables, amount, compare, numbers, rows, spread
from geo.errors import GeometryError
from geo.verdict import Measured


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
