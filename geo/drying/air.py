"""Air round the drying: the water it holds, which way it drives, and when the tent alone grows wetter."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from geo.drying.machines import Machines
from geo.drying.series import moments
from geo.moisture.air import absolute_humidity_g_m3, surface_humidity_percent
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict

DRIES, WETS = "dries", "wets"
TENT, ROOM, OUT, WALL = "tent", "room", "outdoors", "wet surface"
_NUDGE_C, _NUDGE_RH = 0.01, 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drive:
    """The difference in water that drives drying between two places at one time.

    Parameters
    ----------
    at
        When the two were read.
    place, other
        The wetter and the place it may give its water to.
    difference
        g/m³, place less other, with its standard deviation.
    verdict
        ``"dries"`` (air from the other place takes water away), ``"wets"`` or not known.
    """

    at: np.datetime64
    place: str
    other: str
    difference: Measured
    verdict: Verdict


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TentRise:
    """A day on which the air in the tent grew wetter and that outdoors did not."""

    day: pd.Timestamp
    rise: Measured
    outdoors: Measured
    because: str


def air_states(environments: pd.DataFrame, *, ref: Reference) -> pd.DataFrame:
    """Return air and surface rows with the water they hold, in order of time.

    Parameters
    ----------
    environments
        Records of kind environment, indexed by id.

    Returns
    -------
    Indexed by id: ``at``, ``place``, ``instrument``, ``air_c``, ``humidity_percent``, ``surface_c``,
    ``g_m3`` and ``g_m3_sigma``, ``surface_humidity`` and ``sigma`` (of that, % RH); NaN where not read.
    """
    table = environments[["place", "instrument", "air_c", "humidity_percent", "surface_c"]].copy()
    table.insert(0, "at", moments(environments["taken_at"]))
    table = table[table["at"].notna()].sort_values("at", kind="stable")
    t, rh, surface = (table[name].to_numpy(float) for name in ("air_c", "humidity_percent", "surface_c"))
    s_t, s_rh = ref.value("moisture.air_sigma_c"), ref.value("moisture.air_sigma_rh")

    held = absolute_humidity_g_m3(t, rh)
    by_t = (absolute_humidity_g_m3(t + _NUDGE_C, rh) - held) / _NUDGE_C * s_t
    by_rh = (absolute_humidity_g_m3(t, rh + _NUDGE_RH) - held) / _NUDGE_RH * s_rh
    at_wall = surface_humidity_percent(t, rh, surface)
    wall_t = (surface_humidity_percent(t + _NUDGE_C, rh, surface) - at_wall) / _NUDGE_C * s_t
    wall_s = (surface_humidity_percent(t, rh, surface + _NUDGE_C) - at_wall) / _NUDGE_C * s_t
    wall_rh = (surface_humidity_percent(t, rh + _NUDGE_RH, surface) - at_wall) / _NUDGE_RH * s_rh
    return table.assign(
        g_m3=held,
        g_m3_sigma=np.hypot(by_t, by_rh),
        surface_humidity=at_wall,
        sigma=np.sqrt(wall_t**2 + wall_s**2 + wall_rh**2),
    )


def last_drives(states: pd.DataFrame, *, ref: Reference) -> tuple[Drive, ...]:
    """Return for each pair of places the last time both were read, and which way the air drives.

    Parameters
    ----------
    states
        As from :func:`air_states`. Where a surface was read as well, the air right at it, taken as
        saturated, is held against the air of its place: that is what drives water out of a wet wall.
    """
    found = []
    for place in (TENT, ROOM):
        walls = states[(states["place"] == place) & states["g_m3"].notna() & states["surface_c"].notna()]
        if len(walls):
            found.append(_off_the_wall(walls.iloc[-1], place, ref))
    for place, other in ((TENT, OUT), (TENT, ROOM), (ROOM, OUT)):
        one, two = (states[(states["place"] == name) & states["g_m3"].notna()] for name in (place, other))
        if one.empty or two.empty:
            continue
        pairs = pd.merge_asof(
            one, two, on="at", direction="nearest", suffixes=("", "_other"),
            tolerance=pd.Timedelta(hours=ref.value("drying.air_pair_h")),
        ).dropna(subset=["g_m3_other"])  # fmt: skip
        if pairs.empty:
            continue
        last = pairs.iloc[-1]
        sigma = math.hypot(last["g_m3_sigma"], last["g_m3_sigma_other"])
        gap = Measured(float(last["g_m3"] - last["g_m3_other"]), sigma)
        held = (float(last["g_m3"]), float(last["g_m3_other"]))
        found.append(
            Drive(
                at=last["at"].to_datetime64(), place=place, other=other, difference=gap,
                verdict=_which_way(gap, held, (place, other), ref),
            )
        )  # fmt: skip
    return tuple(found)


def tent_rises(states: pd.DataFrame, machines: Machines, *, ref: Reference) -> tuple[TentRise, ...]:
    """Return days on which the tent grew wetter by more than the error, and outdoors did not.

    Days by each instrument of its own are compared with the day before; a day on which machines were
    changed says nothing.
    """
    tents = states[(states["place"] == TENT) & states["g_m3"].notna()]
    outside = _by_day(states[(states["place"] == OUT) & states["g_m3"].notna()])
    least = ref.value("drying.rewet_sigmas")
    found = []
    for _, own in tents.groupby("instrument", sort=True):
        daily = _by_day(own)
        for (before, one), (day, two) in zip(
            list(daily.iterrows())[:-1], list(daily.iterrows())[1:], strict=True
        ):
            rise = Measured(
                float(two["g_m3"] - one["g_m3"]), math.hypot(one["g_m3_sigma"], two["g_m3_sigma"])
            )
            if not rise.value > least * rise.sigma or before not in outside.index or day not in outside.index:
                continue
            a, b = outside.loc[before], outside.loc[day]
            beyond = Measured(float(b["g_m3"] - a["g_m3"]), math.hypot(a["g_m3_sigma"], b["g_m3_sigma"]))
            until = day + pd.Timedelta(days=1)
            moved = machines.changes(before.to_datetime64(), until.to_datetime64())
            if beyond.value > rise.value / 2 or moved:
                continue
            said = f"air in the tent {rise.value:+.1f} g/m³ in a day, outdoors {beyond.value:+.1f}"
            found.append(TentRise(day=day, rise=rise, outdoors=beyond, because=said))
    return tuple(found)


def _off_the_wall(row: pd.Series[Any], place: str, ref: Reference) -> Drive:
    """Return what drives water off a wet surface into the air of its place."""
    surface = float(row["surface_c"])
    full = float(absolute_humidity_g_m3(surface, 100.0))
    slope = (float(absolute_humidity_g_m3(surface + _NUDGE_C, 100.0)) - full) / _NUDGE_C
    spread = math.hypot(slope * ref.value("moisture.air_sigma_c"), float(row["g_m3_sigma"]))
    gap = Measured(full - float(row["g_m3"]), spread)
    verdict = _which_way(gap, (full, float(row["g_m3"])), (WALL, place), ref)
    return Drive(at=row["at"].to_datetime64(), place=WALL, other=place, difference=gap, verdict=verdict)


def _by_day(states: pd.DataFrame) -> pd.DataFrame:
    """Return daily means; an instrument errs alike all day, so a mean is no better than one reading."""
    if states.empty:
        return pd.DataFrame(columns=["g_m3", "g_m3_sigma"])
    return states.set_index("at")[["g_m3", "g_m3_sigma"]].resample("D").mean().dropna()


def _which_way(gap: Measured, held: tuple[float, float], places: tuple[str, str], ref: Reference) -> Verdict:
    z = ref.value("confidence.z_95")
    names = [ref.word("air_place", place) for place in places]
    said = f"{names[0]} {held[0]:.2f} g/m³, {names[1]} {held[1]:.2f}: {gap.value:+.2f} ± {z * gap.sigma:.2f}"
    word = DRIES if gap.value > z * gap.sigma else WETS if gap.value < -z * gap.sigma else NOT_KNOWN
    settle = "" if word != NOT_KNOWN else "Log both with checked instruments for a day."
    return Verdict(word=word, because=said, settle=settle, margin=gap.value, sigma=gap.sigma, unit="g/m³")
