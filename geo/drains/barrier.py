"""The barrier along a wall: the ways past it, the water that stands at it, stations joined into lengths."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.drains.cavity import Tank, WallWater
from geo.verdict import NOT_KNOWN, Measured

Floats = NDArray[np.float64]
NAN = math.nan

WAYS = {
    "K1": "water over the outer damp proof course",
    "K2": "cavity water over the inner damp proof course",
    "K3": "debris bridges the cavity",
    "K4": "floor bridges the inner damp proof course",
    "K5": "wall finish bridges the inner damp proof course",
    "K6": "step in the damp proof course without a lap",
    "K7": "ground over the outer damp proof course",
}
SETTLE = {
    "K1": "Level the outer damp proof course here.",
    "K2": "Level the inner damp proof course here.",
    "K3": "Take out two bricks and level the top of the debris.",
    "K4": "Open the joint of floor and wall: level soffit and inner damp proof course.",
    "K5": "Lift the skirting and level the bottom of the finish.",
    "K6": "Open the step and see whether a vertical lap closes it.",
    "K7": "Level the ground against the wall and the outer damp proof course.",
}
NO_BARRIER = ("absent", "gap")
NO_WATER = "no water comes here"
IN_CAVITY = ("K2", "K3", "K4", "K5")
LEVELS = {
    "outer_dpc": "outer damp proof course",
    "inner_dpc": "inner damp proof course",
    "debris": "top of the debris",
    "slab": "top of the floor",
    "soffit": "soffit of the floor",
    "finish": "bottom of the finish",
    "ground": "ground against the wall",
}
ASKS = {
    "K1": ("outer_dpc",),
    "K2": ("inner_dpc",),
    "K3": ("debris", "inner_dpc"),
    "K4": ("soffit", "slab", "inner_dpc"),
    "K5": ("finish", "inner_dpc"),
    "K7": ("ground", "outer_dpc"),
}

Level = tuple[Floats, Floats]


def over(a: Level, b: Level) -> Level:
    """Return how far one level lies over another, mm, with sigma."""
    return 1000.0 * (a[0] - b[0]), 1000.0 * np.hypot(a[1], b[1])


def water_along(
    section: pd.DataFrame, water: WallWater | None
) -> tuple[Level, Level, Level, dict[int, Tank]]:
    """Return the level pressing on the outside, free in the cavity, and there or in wet debris beside it.

    And, by station, the tank that may or may not take the water where no other surely does.
    """
    n = len(section)
    head = np.full(n, NAN), np.full(n, NAN)
    cavity, wet = (np.full(n, NAN), np.full(n, NAN)), (np.full(n, NAN), np.full(n, NAN))
    maybe: dict[int, Tank] = {}
    if water is None:
        return head, cavity, wet, maybe
    a, b = section["chainage_from_m"].to_numpy(), section["chainage_to_m"].to_numpy()

    def on(start: float, end: float, level: Measured, before: Level) -> Level:
        here = (b > start + 1e-9) & (a < end - 1e-9)
        return np.where(here, level.value, before[0]), np.where(here, level.sigma, before[1])

    if not water.below_ground:
        head = on(water.chainage_from_m, water.chainage_to_m, water.head, head)
    for tank in sorted(water.tanks, key=lambda tank: tank.takes == "yes"):
        cavity = on(tank.chainage_from_m, tank.chainage_to_m, tank.bound, cavity)
        wet = on(tank.wet_from_m, tank.wet_to_m, tank.bound, wet)
        for i in np.flatnonzero((b > tank.wet_from_m + 1e-9) & (a < tank.wet_to_m - 1e-9)).tolist():
            if tank.takes == "yes":
                maybe.pop(i, None)
            else:
                maybe[i] = tank
    return head, cavity, wet, maybe


def with_doubts(table: pd.DataFrame, section: pd.DataFrame, maybe: Mapping[int, Tank]) -> pd.DataFrame:
    """Withdraw a yes that rests on water which may have run to the other side of the debris."""
    if not maybe:
        return table
    starts = dict(zip(section["chainage_from_m"].to_list(), range(len(section)), strict=True))
    place = table["chainage_from_m"].map(starts)
    doubt = table["way"].isin(IN_CAVITY) & (table["word"] == "yes") & place.isin(list(maybe))
    tanks = [maybe[int(i)] for i in place[doubt]]
    made = table.copy()
    made.loc[doubt, "because"] = [
        f"{said}, if water comes so far: {tank.because}"
        for said, tank in zip(made.loc[doubt, "because"], tanks, strict=True)
    ]
    made.loc[doubt, "settle"] = [tank.settle for tank in tanks]
    made.loc[doubt, "word"] = NOT_KNOWN
    return made


def joined(table: pd.DataFrame) -> pd.DataFrame:
    """Join neighbouring stations with one answer into lengths."""
    if table.empty:
        return table.assign(length_m=[])
    table = table.sort_values(["way", "chainage_from_m"], kind="stable")
    new = (
        (table["way"] != table["way"].shift())
        | (table["word"] != table["word"].shift())
        | ((table["chainage_from_m"] - table["chainage_to_m"].shift()).abs() > 1e-6)
    )
    groups = table.groupby(new.cumsum())
    best = table.loc[_peak(groups)]
    found = best.set_index(groups.ngroup().loc[best.index]).sort_index()
    found["chainage_from_m"] = groups["chainage_from_m"].min().to_numpy()
    found["chainage_to_m"] = groups["chainage_to_m"].max().to_numpy()
    found["length_m"] = found["chainage_to_m"] - found["chainage_from_m"]
    return found.reset_index(drop=True)


def _peak(groups: Any) -> list[Any]:
    """Return the row of each group with the largest margin, its first where none has one."""
    return [group["margin_mm"].fillna(-math.inf).idxmax() for _, group in groups]
