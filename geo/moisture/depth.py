"""Damp through the wall: inside against outside, surface against core, salts against water."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geo.moisture.bases import NEITHER
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Verdict

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratio:
    """A ratio of two readings of one group, as bounds.

    Parameters
    ----------
    low, high
        The same where both are on the scale; NaN when it is not known, ``high`` infinite where nothing
        bounds it.
    because
        What was held against what, or why it is not known.
    """

    low: float
    high: float
    because: str

    @property
    def known(self) -> bool:
        """Whether anything is known of it."""
        return not math.isnan(self.low)


def ratio(top: tuple[float, float], bottom: tuple[float, float], *, of: str) -> Ratio:
    """Return one reading over another by their bounds; not known where the lower may be nothing.

    Parameters
    ----------
    top, bottom
        (least, most) of each, in one unit, none negative.
    """
    if any(math.isnan(each) for each in (*top, *bottom)):
        return Ratio(low=math.nan, high=math.nan, because=f"{of}: not read")
    if bottom[1] <= 0:
        return Ratio(low=math.nan, high=math.nan, because=f"{of}: the lower reading is nothing")
    least = top[0] / bottom[1] if math.isfinite(bottom[1]) and math.isfinite(top[0]) else 0.0
    most = top[1] / bottom[0] if bottom[0] > 0 else math.inf
    return Ratio(low=max(least, 0.0), high=most, because=of)


def in_out_ratio(readings: pd.DataFrame) -> Ratio:
    """Hold the highest inside against the highest outside of one group, at one place of the wall.

    Parameters
    ----------
    readings
        ``group``, ``side``, ``low``, ``high`` (bounds of each reading). The group with readings on both
        sides counts, the one with most of them where there are several; two groups are never held
        against each other.
    """
    both = [
        (len(rows), str(name), rows)
        for name, rows in readings.groupby("group", sort=True)
        if {"inside", "outside"} <= set(rows["side"])
    ]
    if not both:
        return Ratio(low=math.nan, high=math.nan, because="no method was used on both sides here")
    _, name, rows = max(both, key=lambda each: (each[0], each[1]))
    tops = {side: _highest(rows[rows["side"] == side]) for side in ("inside", "outside")}
    return ratio(tops["inside"], tops["outside"], of=f"inside over outside, {name}")


def depth_ratio(bands: pd.DataFrame) -> Ratio:
    """Hold the shallowest band against the deepest at one place, within one group or material.

    Parameters
    ----------
    bands
        ``group``, ``depth_mm`` (middle of the band), ``low``, ``high``.
    """
    for name, rows in bands[bands["depth_mm"].notna()].groupby("group", sort=True):
        depths = rows["depth_mm"].astype(float)
        if depths.nunique() < 2:
            continue
        shallow, deep = (rows[depths == depths.agg(end)] for end in ("min", "max"))
        said = f"{depths.min():.0f} mm over {depths.max():.0f} mm deep, {name}"
        return ratio(_highest(shallow), _highest(deep), of=said)
    return Ratio(low=math.nan, high=math.nan, because="not read at two depths by one method")


def salt_ratio(hmc: float, hmc_sigma: float, mc: float, mc_sigma: float, *, z: float) -> Ratio:
    """Return the share of the water that the salts would hold by themselves, HMC over MC, ± z sigma."""
    if math.isnan(hmc) or math.isnan(mc):
        return Ratio(low=math.nan, high=math.nan, because="HMC over MC: not both weighed")
    if not mc > 0:
        return Ratio(low=math.nan, high=math.nan, because="HMC over MC: no water at all")
    value = hmc / mc
    spread = z * value * math.hypot(hmc_sigma / hmc if hmc else 0.0, mc_sigma / mc)
    return Ratio(
        low=max(value - spread, 0.0), high=value + spread, because=f"HMC {hmc:.1f} over MC {mc:.1f} %"
    )


def dry_core(samples: pd.DataFrame, *, ref: Reference) -> Verdict:
    """Say whether the core of a wall is dry by its samples.

    Parameters
    ----------
    samples
        Of one place, indexed by id: ``depth_from_mm``, ``mc_dry``, ``hmc_dry`` and ``word`` at their
        height, as from :func:`geo.moisture.bases.free_or_salt`.

    Returns
    -------
    ``yes`` when every sample from ``evidence.deep_mm`` or deeper shows neither free water nor salts,
    ``no`` when any shows water, else not known.
    """
    depth = ref.value("evidence.deep_mm")
    deep = samples[samples["depth_from_mm"].to_numpy(dtype=float) >= depth]
    settle = f"Drill samples from {depth:.0f} mm or deeper, and weigh them wet, at 75 % RH and dry."
    if deep.empty:
        return Verdict(word=NOT_KNOWN, because=f"no sample from {depth:.0f} mm or deeper", settle=settle)
    ids = tuple(str(name) for name in deep.index)
    word = deep["word"].to_numpy(dtype=object)
    said = ", ".join(
        f"{name} MC {mc:.1f}, HMC {hmc:.1f} %"
        for name, mc, hmc in zip(deep.index, deep["mc_dry"], deep["hmc_dry"], strict=True)
    )
    if np.all(word == NEITHER):
        return Verdict(word="yes", because=f"from {depth:.0f} mm: {said}", rests_on=ids)
    if np.any((word != NEITHER) & (word != NOT_KNOWN)):
        return Verdict(word="no", because=f"from {depth:.0f} mm: {said}", rests_on=ids)
    return Verdict(word=NOT_KNOWN, because=f"from {depth:.0f} mm: {said}", settle=settle, rests_on=ids)


def _highest(rows: pd.DataFrame) -> tuple[float, float]:
    """Return the bounds of the highest of several readings."""
    low: Any = rows["low"].to_numpy(dtype=float)
    high: Any = rows["high"].to_numpy(dtype=float)
    if len(rows) == 0 or np.isnan(low).all():
        return math.nan, math.nan
    return max(float(np.nanmax(low)), 0.0), float(np.nanmax(high))
