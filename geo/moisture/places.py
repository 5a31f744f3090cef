"""Places: readings near enough along the wall to be one place, whatever their heights."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geo.moisture.wetness import CONTROL, DRY, WET
from geo.reference import Reference
from geo.verdict import NOT_KNOWN

SIDES = ("outside", "inside", "cavity", "floor")
"""Sides of a wall, in the order results list them."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """Places along the walls, of one side and one group each.

    Parameters
    ----------
    table
        One row a place, ordered by ring, side, group and chainage: ``ring_key``, ``side``, ``group``,
        ``face_key``, ``chainage_m`` (middle of its readings), ``n``, ``n_heights``, ``wet`` (wet when
        any reading is, else not known when any is, else dry), ``peak_excess`` (highest lower bound).
    of
        Row of the table for each reading that was placed, by reading id.
    """

    table: pd.DataFrame
    of: pd.Series[Any]


def wall_places(readings: pd.DataFrame, wetness: pd.DataFrame, *, ref: Reference) -> Places:
    """Gather readings into places; controls and readings that belong to no wall are left out.

    Readings of one face, side and group that follow within ``moisture.same_place_m`` are one place; a
    longer chain is cut into equal pieces no longer than that.

    Parameters
    ----------
    readings
        Joined readings: ``status``, ``ring_key``, ``face``, ``side``, ``chainage_m``, ``height_m``.
    wetness
        Same index: ``group``, ``wet``, ``excess_at_least`` as from
        :func:`geo.moisture.wetness.score_wetness`.
    """
    near = ref.value("moisture.same_place_m") + 1e-9
    chainage = readings["chainage_m"].to_numpy(dtype=float, na_value=np.nan)
    kept = (readings["status"] == "joined").to_numpy() & np.isfinite(chainage)
    kept &= (wetness["wet"] != CONTROL).to_numpy()
    side = readings["side"].astype(object)
    kept &= side.isin(SIDES).to_numpy()
    rows = pd.DataFrame(
        {
            "ring_key": readings["ring_key"].astype(object),
            "side": pd.Categorical(side.where(side.isin(SIDES)), categories=SIDES, ordered=True),
            "group": wetness["group"].astype(object),
            "face_key": readings["ring_key"].astype(object) + ":" + readings["face"].astype(object),
            "chainage_m": chainage,
            "height_m": readings["height_m"].round(2),
            "wet": wetness["wet"],
            "excess": wetness["excess_at_least"],
        }
    ).loc[kept]
    run = rows.groupby(["ring_key", "side", "group", "face_key"], sort=True, observed=True).ngroup()
    at = rows["chainage_m"].to_numpy(dtype=float)
    order = np.lexsort((at, run.to_numpy()))
    place = _places(at[order], run.to_numpy()[order], near)
    of = pd.Series(place, index=rows.index[order], name="place")

    by = rows.iloc[order].groupby(place, sort=True)
    first = by[["ring_key", "side", "group", "face_key"]].first()
    ends = by["chainage_m"].agg(["min", "max"])
    any_wet = (rows["wet"].iloc[order] == WET).groupby(place).any()
    any_unknown = (rows["wet"].iloc[order] == NOT_KNOWN).groupby(place).any()
    table = first.assign(
        chainage_m=ends.mean(axis=1),
        n=by.size(),
        n_heights=by["height_m"].nunique(),
        wet=np.select([any_wet, any_unknown], [WET, NOT_KNOWN], DRY).astype(object),
        peak_excess=by["excess"].max(),
    )
    # Faces sort by name within a ring (F10 before F2); along the wall chainage is the order.
    table = table.sort_values(["ring_key", "side", "group", "chainage_m"], kind="stable")
    new = pd.Series(np.arange(len(table)), index=table.index)
    return Places(
        table=table.reset_index(drop=True).astype({"side": object}),
        of=of.map(new).loc[rows.index],
    )


def _places(at: npt.NDArray[np.float64], run: npt.NDArray[np.int64], near: float) -> npt.NDArray[np.int64]:
    """Return the number of the place of each of the sorted chainages, run by run."""
    if len(at) == 0:
        return np.empty(0, dtype=np.int64)
    begins = np.append(True, (np.diff(at) > near) | (np.diff(run) != 0))
    chain = np.cumsum(begins) - 1
    start = at[begins]
    extent = at[np.append(np.flatnonzero(begins)[1:] - 1, len(at) - 1)] - start
    pieces = np.maximum(np.ceil(extent / near), 1)
    width = np.maximum(extent / pieces, near * 1e-6)
    piece = np.minimum(np.floor((at - start[chain]) / width[chain]), pieces[chain] - 1)
    return np.cumsum(np.append(True, (np.diff(chain) != 0) | (np.diff(piece) != 0))) - 1
