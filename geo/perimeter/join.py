"""Which wall a point belongs to; when that cannot be told, it is said and why."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.perimeter.answer import spread_along
from geo.perimeter.build import Perimeter
from geo.perimeter.claim import WITHIN, claim_faces
from geo.perimeter.rings import Numbers, Points
from geo.reference import Reference

COLUMNS = (
    "status", "reason", "ring_key", "building_id", "ring", "face", "chainage_m", "chainage_sigma_m",
    "offset_m", "side", "x", "y", "position_sigma_m",
)  # fmt: skip
Rows = NDArray[np.int64]


def join_to_walls(places: pd.DataFrame, perimeter: Perimeter, *, ref: Reference) -> pd.DataFrame:
    """Join points to walls.

    Parameters
    ----------
    places
        Columns x, y, sigma_m and side; optionally var_xx, var_xy, var_yy, ring_key, face, chainage_m,
        chainage_sigma_m, offset_m where the way the position was taken names the wall, and refused.

    Returns
    -------
    Indexed as the input: status (``joined``, ``ambiguous`` or ``unjoined``), reason, the wall, the
    chainage with its sigma, the offset outward, side, x, y, position_sigma_m. Every point has one
    status: taken = joined + ambiguous + unjoined.
    """
    xy = places[["x", "y"]].to_numpy(dtype=np.float64)
    placed = np.isfinite(xy).all(axis=1)
    sigma = np.nan_to_num(places["sigma_m"].to_numpy(dtype=np.float64))
    side = places["side"].to_numpy(dtype=object)
    outer, within = side == "outside", np.isin(side, WITHIN)
    faces, reach = perimeter.faces, ref.value("join.reach_m")
    claim = claim_faces(xy, placed, sigma, outer, within, perimeter, ref)
    named, chainage_named = _named(places, perimeter)
    is_named = named >= 0
    face = np.where(is_named, named, claim.face)
    row = np.maximum(face, 0)
    start, unit, normal = (part[row] for part in perimeter.frames)
    length = faces["length_m"].to_numpy()[row]
    along = np.clip(np.einsum("ni,ni->n", xy - start, unit), 0.0, length)
    offset = np.einsum("ni,ni->n", xy - start, normal)
    chainage = np.where(is_named, chainage_named, faces["chainage_from_m"].to_numpy()[row] + along)
    spread = _spread_along(places, unit, sigma)
    at_corner = _at_corner(places, row, length, outer, is_named, perimeter, ref)
    refused = places["refused"].to_numpy(dtype=object) if "refused" in places else np.full(len(places), "")
    name = (faces["ring_key"] + " " + faces["face"]).to_numpy(dtype=object)
    party = ~faces["outside"].to_numpy()[row] & outer
    margin = ref.value("join.ambiguous_sigmas") * sigma
    cases: list[tuple[Any, str, Callable[[Rows], Any]]] = [
        (refused != "", "unjoined", lambda i: refused[i]),
        (~placed, "unjoined", lambda _: "it has no position"),
        (face < 0, "unjoined", lambda _: f"no wall within {reach:.2f} m"),
        (~is_named & (claim.distance_m > reach), "unjoined",
         lambda i: _written("%.2f m from ", claim.distance_m[i]) + name[row[i]]),
        (at_corner >= 0, "ambiguous",
         lambda i: "at the corner of " + name[row[i]] + " and " + name[at_corner[i]] + ": say which face"),
        (party, "unjoined", lambda i: name[row[i]] + " is a party wall, which has no outside"),
        (~is_named & claim.contradicted, "ambiguous",
         lambda i: "recorded " + side[i] + _written(", but it lies %.2f m ", np.abs(offset[i]))
         + np.where(offset[i] < 0, "inside ", "outside ").astype(object) + name[row[i]]),
        (~is_named & (claim.rival >= 0), "ambiguous",
         lambda i: "on " + name[row[i]] + " or " + name[claim.rival[i]] + ": their distances differ by "
         + _written("%.0f mm, ", 1000 * claim.lead_m[i]) + _written("± %.0f mm", 1000 * margin[i])),
    ]  # fmt: skip
    status = np.full(len(places), "joined", dtype=object)
    reason = np.full(len(places), "", dtype=object)
    for holds, word, said in cases:
        rows = np.flatnonzero(holds & (status == "joined"))
        status[rows] = word
        reason[rows] = said(rows)
    lost = status == "unjoined"
    columns = {
        "status": status,
        "reason": reason,
        **{
            key: np.where(lost, "", faces[key].to_numpy(dtype=object)[row])
            for key in ("ring_key", "building_id", "ring", "face")
        },
        "chainage_m": np.where(lost, np.nan, chainage),
        "chainage_sigma_m": np.where(lost, np.nan, spread),
        "offset_m": np.where(lost, np.nan, offset),
        "side": side,
        "x": xy[:, 0],
        "y": xy[:, 1],
        "position_sigma_m": np.where(placed, sigma, np.nan),
    }
    return pd.DataFrame(columns, index=places.index, columns=list(COLUMNS))


def counts(joined: pd.DataFrame) -> dict[str, int]:
    """Return how many were taken, joined, ambiguous and unjoined; the last three add up to the first."""
    tally = joined["status"].value_counts()
    each = {name: int(tally.get(name, 0)) for name in ("joined", "ambiguous", "unjoined")}
    return {"taken": len(joined), **each}


def _written(pattern: str, values: Numbers) -> NDArray[np.object_]:
    return np.char.mod(pattern, values).astype(object)


def _named(places: pd.DataFrame, perimeter: Perimeter) -> tuple[NDArray[np.int64], Numbers]:
    """Return the face a position names by ring and chainage, -1 where it names none."""
    found = np.full(len(places), -1, dtype=np.int64)
    if "ring_key" not in places:
        return found, np.full(len(places), np.nan)
    chainage = places["chainage_m"].to_numpy(dtype=np.float64)
    named = np.isfinite(chainage) & places["ring_key"].isin(perimeter.rings.index).to_numpy()
    if named.any():
        keys = places["ring_key"].to_numpy()[named]
        found[named] = perimeter.face_at(keys, chainage[named])
        lengths = perimeter.rings["length_m"].reindex(keys).to_numpy()
        chainage = chainage.copy()
        chainage[named] = np.mod(chainage[named], lengths)
        if "face" in places:
            own = (places["ring_key"] + ":" + places["face"]).to_numpy()
            row = perimeter.faces.index.get_indexer(pd.Index(own))
            found = np.where(named & (row >= 0), row, found)
    return found, chainage


def _spread_along(places: pd.DataFrame, unit: Points, sigma: Numbers) -> Numbers:
    """Return the sigma of each point along its face."""
    if "var_xx" not in places:
        return np.asarray(sigma / np.sqrt(2.0), dtype=np.float64)
    xx, xy, yy = (places[name].to_numpy(dtype=np.float64) for name in ("var_xx", "var_xy", "var_yy"))
    return spread_along(xx, xy, yy, unit)


def _at_corner(
    places: pd.DataFrame,
    row: NDArray[np.int64],
    length: Numbers,
    outer: NDArray[np.bool_],
    is_named: NDArray[np.bool_],
    perimeter: Perimeter,
    ref: Reference,
) -> NDArray[np.int64]:
    """Return the face round the corner for chainages that lie at it with no face said; else -1.

    A party wall has no outside: a chainage taken outside beside one is not on it.
    """
    if "face" not in places or "chainage_sigma_m" not in places:
        return np.full(len(places), -1, dtype=np.int64)
    faces = perimeter.faces
    ahead = places["chainage_m"].to_numpy(dtype=np.float64) - faces["chainage_from_m"].to_numpy()[row]
    sigma = places["chainage_sigma_m"].fillna(0.0).to_numpy(dtype=np.float64)
    reach = ref.value("join.corner_sigmas") * sigma
    unsaid = is_named & (places["face"].to_numpy() == "")
    before, after = perimeter.neighbours
    barred = outer[:, None] & ~faces["outside"].to_numpy()[np.column_stack([before[row], after[row]])]
    near_start = unsaid & (ahead <= reach) & ~barred[:, 0]
    near_end = unsaid & (length - ahead <= reach) & ~barred[:, 1]
    return np.asarray(
        np.select([near_start, near_end], [before[row], after[row]], default=-1), dtype=np.int64
    )
