"""Which wall a point belongs to; when that cannot be told, it is said and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.perimeter.build import Perimeter
from geo.perimeter.rings import Numbers, Points
from geo.reference import Reference

COLUMNS = (
    "status", "reason", "ring_key", "building_id", "ring", "face", "chainage_m", "chainage_sigma_m",
    "offset_m", "side", "x", "y", "position_sigma_m",
)  # fmt: skip
CONTRADICTION_M = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nearest:
    """The two nearest faces of many points; row -1 and infinite distance where there is none in reach."""

    face: NDArray[np.int64]
    distance_m: Numbers
    rival: NDArray[np.int64]
    rival_distance_m: Numbers


def nearest_faces(points: Points, perimeter: Perimeter, *, reach_m: float) -> Nearest:
    """Find the nearest and second-nearest face of each point.

    Parameters
    ----------
    points
        (n, 2), the perimeter's CRS.
    reach_m
        Faces further away are not looked at.
    """
    count = len(points)
    tree = shapely.STRtree(perimeter.faces.geometry.to_numpy())
    who, face = tree.query(shapely.points(points), predicate="dwithin", distance=reach_m)
    start, unit, _ = perimeter.frames
    length = perimeter.faces["length_m"].to_numpy()
    away = points[who] - start[face]
    along = np.clip(np.einsum("ni,ni->n", away, unit[face]), 0.0, length[face])
    gap = np.hypot(*(away - unit[face] * along[:, None]).T)
    order = np.lexsort((face, gap, who))
    who, face, gap = who[order], face[order], gap[order]
    first = np.r_[True, who[1:] != who[:-1]] if len(who) else np.zeros(0, dtype=bool)
    second = np.zeros_like(first)
    second[1:] = first[:-1] & ~first[1:]
    best, rival = np.full(count, -1), np.full(count, -1)
    best_gap, rival_gap = np.full(count, np.inf), np.full(count, np.inf)
    best[who[first]], best_gap[who[first]] = face[first], gap[first]
    rival[who[second]], rival_gap[who[second]] = face[second], gap[second]
    return Nearest(
        face=best.astype(np.int64),
        distance_m=best_gap,
        rival=rival.astype(np.int64),
        rival_distance_m=rival_gap,
    )


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
    faces = perimeter.faces
    wall = faces["thickness_m"].to_numpy()
    within = np.isin(side, ("inside", "cavity"))
    reach = ref.value("join.reach_m")
    near = nearest_faces(np.where(placed[:, None], xy, 0.0), perimeter, reach_m=reach + float(wall.max()))
    named, chainage_named = _named(places, perimeter)
    is_named = named >= 0
    face = np.where(is_named, named, near.face)
    some = face >= 0
    row = np.where(some, face, 0)
    start, unit, normal = (part[row] for part in perimeter.frames)
    length = faces["length_m"].to_numpy()[row]
    along = np.clip(np.einsum("ni,ni->n", xy - start, unit), 0.0, length)
    offset = np.einsum("ni,ni->n", xy - start, normal)
    chainage = np.where(is_named, chainage_named, faces["chainage_from_m"].to_numpy()[row] + along)
    spread = _spread_along(places, unit, sigma)
    inside_gap = np.where(within, np.maximum(0.0, near.distance_m - wall[row]), near.distance_m)
    margin = ref.value("join.ambiguous_sigmas") * sigma
    apart = near.rival_distance_m - np.where(np.isfinite(near.distance_m), near.distance_m, 0.0)
    rivalled = ~is_named & (near.rival >= 0) & (apart < margin)
    outer = side == "outside"
    wrong_side = ~is_named & (
        (outer & (offset < -margin - CONTRADICTION_M)) | (within & (offset > margin + CONTRADICTION_M))
    )
    party = ~faces["outside"].to_numpy()[row] & outer
    at_corner = _at_corner(places, row, along, length, faces, is_named, ref)
    names = (
        faces["building_id"]
        + faces["ring"].map(lambda ring: f"/{ring}" if ring else "")
        + " "
        + faces["face"]
    )
    name = names.to_numpy()[row]
    rival_name = names.to_numpy()[np.where(near.rival >= 0, near.rival, 0)]
    refused = places["refused"].to_numpy(dtype=object) if "refused" in places else np.full(len(places), "")
    far = ~is_named & (~some | (inside_gap > reach))
    status = np.select(
        [(refused != "") | ~placed, far, party, wrong_side, rivalled, at_corner >= 0],
        ["unjoined", "unjoined", "unjoined", "ambiguous", "ambiguous", "ambiguous"],
        default="joined",
    )
    reason = np.full(len(places), "", dtype=object)
    for i in np.flatnonzero(status != "joined"):
        if refused[i] or not placed[i]:
            reason[i] = refused[i] or "it has no position"
        elif far[i]:
            reason[i] = (
                f"no wall within {reach:.2f} m" if not some[i] else f"{inside_gap[i]:.2f} m from {name[i]}"
            )
        elif party[i]:
            reason[i] = f"{name[i]} is a party wall, which has no outside"
        elif wrong_side[i]:
            where = "inside" if outer[i] else "outside"
            reason[i] = f"recorded {side[i]}, but it lies {abs(offset[i]):.2f} m {where} {name[i]}"
        elif rivalled[i]:
            reason[i] = (
                f"on {name[i]} or {rival_name[i]}: their distances differ by {apart[i] * 1000:.0f} mm,"
                f" ± {margin[i] * 1000:.0f} mm"
            )
        else:
            reason[i] = f"at the corner of {name[i]} and {names.to_numpy()[at_corner[i]]}: say which face"
    lost = status == "unjoined"
    columns = {
        "status": status,
        "reason": reason,
        "ring_key": np.where(lost, "", faces["ring_key"].to_numpy()[row]),
        "building_id": np.where(lost, "", faces["building_id"].to_numpy()[row]),
        "ring": np.where(lost, "", faces["ring"].to_numpy()[row]),
        "face": np.where(lost, "", faces["face"].to_numpy()[row]),
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
        own = (places["ring_key"] + ":" + places["face"]).to_numpy()
        row = perimeter.faces.index.get_indexer(pd.Index(own))
        found = np.where(named & (row >= 0), row, found)
    return found, chainage


def _spread_along(places: pd.DataFrame, unit: Points, sigma: Numbers) -> Numbers:
    """Return the sigma of each point along its face."""
    if "var_xx" not in places:
        return np.asarray(sigma / np.sqrt(2.0), dtype=np.float64)
    xx, xy, yy = (places[name].to_numpy(dtype=np.float64) for name in ("var_xx", "var_xy", "var_yy"))
    e, n = unit[:, 0], unit[:, 1]
    return np.asarray(np.sqrt(np.maximum(0.0, xx * e**2 + 2 * xy * e * n + yy * n**2)), dtype=np.float64)


def _at_corner(
    places: pd.DataFrame,
    row: NDArray[np.int64],
    along: Numbers,
    length: Numbers,
    faces: pd.DataFrame,
    is_named: NDArray[np.bool_],
    ref: Reference,
) -> NDArray[np.int64]:
    """Return the face round the corner for chainages that lie at it with no face said; else -1."""
    if "face" not in places:
        return np.full(len(places), -1, dtype=np.int64)
    ahead = places["chainage_m"].to_numpy(dtype=np.float64) - faces["chainage_from_m"].to_numpy()[row]
    at = np.where(is_named, ahead, along)
    reach = ref.value("join.corner_sigmas") * places["chainage_sigma_m"].fillna(0.0).to_numpy(
        dtype=np.float64
    )
    unsaid = is_named & (places["face"].to_numpy() == "")
    keys = faces["ring_key"].to_numpy()
    begins = np.r_[True, keys[1:] != keys[:-1]]
    ring_first = np.maximum.accumulate(np.where(begins, np.arange(len(faces)), 0))
    ring_last = np.r_[np.flatnonzero(begins)[1:], len(faces)][np.cumsum(begins) - 1] - 1
    before = np.where(np.arange(len(faces)) == ring_first, ring_last, np.arange(len(faces)) - 1)
    after = np.where(np.arange(len(faces)) == ring_last, ring_first, np.arange(len(faces)) + 1)
    near_start, near_end = unsaid & (at <= reach), unsaid & (length - at <= reach)
    return np.asarray(
        np.select([near_start, near_end], [before[row], after[row]], default=-1), dtype=np.int64
    )
