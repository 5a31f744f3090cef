"""Litres held by pipes and risers below a level, and what a leak or a slow run lets go."""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geo.reference import Reference

GRAVITY = 9.80665
Floats = NDArray[np.float64]


def segment_area(depth_m: ArrayLike, bore_m: ArrayLike) -> Floats:
    """Return the wetted area of a round pipe.

    Parameters
    ----------
    depth_m
        Depth of water above the invert, m; below 0 counts as dry, above the bore as full.
    bore_m
        Inside diameter, m.

    Returns
    -------
    Area, m². Circular segment: ``r² acos((r − h)/r) − (r − h) √(2rh − h²)``.
    """
    radius = np.asarray(bore_m, dtype=float) / 2.0
    u = radius - np.clip(np.asarray(depth_m, dtype=float), 0.0, 2.0 * radius)
    with np.errstate(invalid="ignore", divide="ignore"):
        angle = np.arccos(np.where(radius > 0, u / np.where(radius > 0, radius, 1.0), 1.0).clip(-1.0, 1.0))
    return np.asarray(radius**2 * angle - u * np.sqrt(np.maximum(radius**2 - u**2, 0.0)))


def _area_to_depth(depth_m: Floats, bore_m: Floats) -> Floats:
    """Integrate the segment area from the invert up to a depth, full bore beyond the crown; m³ per m/m."""
    radius = bore_m / 2.0
    depth = np.maximum(depth_m, 0.0)
    u = radius - np.minimum(depth, bore_m)
    s = np.sqrt(np.maximum(radius**2 - u**2, 0.0))
    safe = np.where(radius > 0, radius, 1.0)
    angle = np.arccos(np.where(radius > 0, u / safe, 1.0).clip(-1.0, 1.0))
    part = radius**2 * (s - u * angle) - s**3 / 3.0
    return np.asarray(part + math.pi * radius**2 * np.maximum(depth - bore_m, 0.0))


def pipe_litres(
    level_m: ArrayLike, invert_a_m: ArrayLike, invert_b_m: ArrayLike, length_m: ArrayLike, bore_m: ArrayLike
) -> Floats:
    """Return the litres a straight pipe holds under a flat water surface.

    Parameters
    ----------
    level_m
        Level of the water, m.
    invert_a_m, invert_b_m
        Inverts of the two ends, m; either may be the higher.
    length_m, bore_m
        Length and bore, m.

    Returns
    -------
    Litres: the segment area integrated exactly along the sloping pipe.
    """
    level, a, b, length, bore = np.broadcast_arrays(
        *(np.asarray(each, dtype=float) for each in (level_m, invert_a_m, invert_b_m, length_m, bore_m))
    )
    low, high = np.minimum(a, b), np.maximum(a, b)
    with np.errstate(invalid="ignore"):  # no invert known at either end leaves no litres known
        drop = high - low
        flat = drop < 1e-6  # below a micrometre the quotient is only rounding
        sloped = (_area_to_depth(level - low, bore) - _area_to_depth(level - high, bore)) / np.where(
            flat, 1.0, drop
        )
        level_pipe = segment_area(level - (low + high) / 2.0, bore)
    # Rounding may leave a billionth of a litre less than none, or more than the pipe can hold.
    mean = np.clip(np.where(flat, level_pipe, sloped), 0.0, math.pi * bore**2 / 4.0)
    return np.asarray(1000.0 * length * mean)


def leak_l_s(head_m: ArrayLike, area_cm2: ArrayLike, *, ref: Reference) -> Floats:
    """Return the most a hole can let out: an orifice with nothing but air behind it.

    Parameters
    ----------
    head_m
        Water above the hole, m.
    area_cm2
        Area of the hole, cm².

    Returns
    -------
    Litres per second, ``Cd A √(2 g h)``; the soil round a buried joint lets through less.
    """
    head = np.maximum(np.asarray(head_m, dtype=float), 0.0)
    area = np.asarray(area_cm2, dtype=float) * 1e-4
    return np.asarray(1000.0 * ref.value("drains.orifice_cd") * area * np.sqrt(2.0 * GRAVITY * head))


@dataclass(frozen=True, slots=True, kw_only=True)
class Inflow:
    """Water put in: pieces of steady flow, one after another or with waits between.

    Parameters
    ----------
    pieces
        ``(from_s, to_s, litres_per_second)``; the last may end at infinity.
    said
        What it is, in words.
    """

    pieces: tuple[tuple[float, float, float], ...]
    said: str = ""

    def __post_init__(self) -> None:
        last = 0.0
        for start, end, rate in self.pieces:
            if not (math.isfinite(start) and math.isfinite(rate)) or math.isnan(end):
                raise ValueError(f"inflow from {start} to {end} s at {rate} l/s: every number must be finite")
            if rate < 0 or start < last - 1e-6 or end < start:
                raise ValueError(
                    f"inflow from {start:g} to {end:g} s at {rate:g} l/s: pieces follow one another"
                )
            last = end

    @classmethod
    def steady(cls, rate_l_s: float, *, minutes: float = math.inf) -> Inflow:
        """Return a flow that stays the same: a hose, a tap."""
        return cls(pieces=((0.0, minutes * 60.0, rate_l_s),), said=f"{rate_l_s:g} l/s")

    @classmethod
    def rain(cls, mm_h: float, *, area_m2: float, minutes: float = math.inf) -> Inflow:
        """Return the flow of steady rain on an effective area: ``Q = A i / 3600`` (l/s, m², mm/h)."""
        rate = area_m2 * mm_h / 3600.0
        said = f"rain of {mm_h:g} mm/h on {area_m2:g} m² ({rate:.3f} l/s)"
        return cls(pieces=((0.0, minutes * 60.0, rate),), said=said)

    @classmethod
    def pours(cls, litres: float, *, over_s: float, times: int = 1, wait_s: float = 0.0) -> Inflow:
        """Return the same volume several times: bowls, pump-outs of a machine."""
        each = over_s + wait_s
        pieces = tuple((i * each, i * each + over_s, litres / over_s) for i in range(times))
        return cls(pieces=pieces, said=f"{times} × {litres:g} l over {over_s:g} s, {wait_s:g} s between")

    @property
    def peak_l_s(self) -> float:
        """Largest flow, l/s."""
        return max((rate for _, _, rate in self.pieces), default=0.0)

    @property
    def litres(self) -> float:
        """Litres in all; infinite for a flow without an end."""
        return sum((end - start) * rate for start, end, rate in self.pieces if rate > 0)


def together(inflows: Sequence[Inflow]) -> Inflow:
    """Add several inflows up, moment by moment."""
    if len(inflows) == 1:
        return inflows[0]
    every = [piece for inflow in inflows for piece in inflow.pieces]
    marks = sorted({mark for start, end, _ in every for mark in (start, end)})
    pieces = tuple(
        (start, end, sum(rate for s, e, rate in every if s <= start and e >= end))
        for start, end in itertools.pairwise(marks)
    )
    return Inflow(pieces=pieces, said=" and ".join(each.said for each in inflows))


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """Where the litres went. ``in_l = stored_l + left_l + spilled_l``, always.

    ``first_spill_s`` is the moment of the first spill, infinite when there is none; ``peak_stored_l``
    the most that stood at once. Volumes of a flow without an end are NaN.
    """

    in_l: float
    stored_l: float
    left_l: float
    spilled_l: float
    peak_stored_l: float
    first_spill_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trickle:
    """What still passes by how much stands behind it, slice by slice of the store.

    Parameters
    ----------
    litres
        (n + 1,) litres stored at the edges of the slices, from 0 up.
    rates_l_s
        (n,) what passes while the store stands in each slice; the last beyond it too.
    levels_m
        (n + 1,) level of the water at those edges, m.
    """

    litres: tuple[float, ...]
    rates_l_s: tuple[float, ...]
    levels_m: tuple[float, ...] = ()

    @classmethod
    def constant(cls, rate_l_s: float) -> Trickle:
        """Return a trickle that is the same whatever stands behind it."""
        return cls(litres=(0.0, math.inf), rates_l_s=(rate_l_s,))

    def and_also(self, rate_l_s: float) -> Trickle:
        """Return the same with so much more passing at every level."""
        rates = tuple(rate + rate_l_s for rate in self.rates_l_s)
        return Trickle(litres=self.litres, rates_l_s=rates, levels_m=self.levels_m)

    def slice_at(self, stored: float, rate: float) -> tuple[int, float]:
        """Return the slice a store moves into under an inflow, and which way: 1, -1, or 0 to stay."""
        k = min(bisect.bisect_right(self.litres, stored) - 1, len(self.rates_l_s) - 1)
        if stored > self.litres[k]:
            return k, math.copysign(1.0, rate - self.rates_l_s[k]) if rate != self.rates_l_s[k] else 0.0
        if rate > self.rates_l_s[k]:
            return k, 1.0
        if k > 0 and rate < self.rates_l_s[k - 1]:
            return k - 1, -1.0
        return k, 0.0

    def level_for(self, rate: float) -> float:
        """Return the level at which so much passes, NaN where levels are not known."""
        held = [k for k, passed in enumerate(self.rates_l_s) if passed >= rate]
        return self.levels_m[held[0]] if held and self.levels_m else math.nan


def balance(inflow: Inflow, *, capacity_l: float, passes_l_s: float | Trickle = 0.0) -> Balance:
    """Follow a store that fills, lets a trickle pass, and spills over its top.

    Parameters
    ----------
    inflow
        What is put in.
    capacity_l
        Litres to the first spill; infinite for a closed system.
    passes_l_s
        What the partial blockage still passes while there is water behind it: one rate, or a rate by
        litres stored.

    Returns
    -------
    Balance; exact for the rates given, since every rate is constant between two moments.
    """
    trickle = Trickle.constant(passes_l_s) if isinstance(passes_l_s, float | int) else passes_l_s
    store = _Store(trickle=trickle, capacity_l=capacity_l)
    clock = 0.0
    for start, end, rate in inflow.pieces:
        store.run(clock, start, 0.0)
        store.run(start, end, rate)
        clock = end
        if math.isinf(end):
            nan = math.nan
            return Balance(
                in_l=nan, stored_l=nan, left_l=nan, spilled_l=nan, peak_stored_l=store.peak,
                first_spill_s=store.first_s,
            )  # fmt: skip
    return Balance(
        in_l=store.entered, stored_l=store.stored, left_l=store.left, spilled_l=store.spilled,
        peak_stored_l=store.peak, first_spill_s=store.first_s,
    )  # fmt: skip


class _Store:
    """A store being filled and drained; only :func:`balance` sees it."""

    def __init__(self, *, trickle: Trickle, capacity_l: float) -> None:
        self.trickle, self.capacity = trickle, capacity_l
        self.stored = self.left = self.spilled = self.entered = self.peak = 0.0
        self.first_s = math.inf

    def run(self, start_s: float, end_s: float, rate: float) -> None:
        """Go on from one moment to another under one inflow, from edge to edge of the slices."""
        left_s = end_s - start_s
        now = start_s
        if math.isfinite(left_s):
            self.entered += rate * left_s
        while left_s > 0:
            k, way = self.trickle.slice_at(self.stored, rate)
            passed = self.trickle.rates_l_s[k]
            net = rate - passed
            if way > 0 and self.stored >= self.capacity:
                self.first_s = min(self.first_s, now)
                if math.isfinite(left_s):
                    self.spilled += net * left_s
                    self.left += passed * left_s
                break
            if way == 0:
                self.left += rate * left_s if math.isfinite(left_s) else 0.0
                break
            last = k == len(self.trickle.rates_l_s) - 1
            above = math.inf if last else self.trickle.litres[k + 1]
            edge = min(above, self.capacity) if way > 0 else self.trickle.litres[k]
            need = (edge - self.stored) / net
            if need >= left_s:
                self.stored += net * left_s
                self.left += passed * left_s
                self.peak = max(self.peak, self.stored)
                break
            self.stored = edge
            self.left += passed * need
            now, left_s = now + need, left_s - need
            self.peak = max(self.peak, self.stored)
