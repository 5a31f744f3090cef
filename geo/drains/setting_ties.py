"""Ties: taped lengths from two corners, chainage and offset, and coordinates from the origin corner."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.drains.setting_targets import COVARIANCE
from geo.perimeter.answer import spread_along
from geo.perimeter.build import Perimeter
from geo.perimeter.tapes import tape_covariance
from geo.reference import Reference

Numbers = NDArray[np.float64]
Row = dict[str, Any]


def tie_points(targets: pd.DataFrame, perimeter: Perimeter, *, ref: Reference) -> pd.DataFrame:
    """Choose for every point the two corners, in sight of it, whose tapes fix it best.

    Of all pairs of corners of one ring whose tapes meet at no flat angle, the pair with the least
    ``√(s1² + s2²) / sin θ`` (the tapes' covariance at the point). A third corner checks the two.

    Parameters
    ----------
    targets
        x, y, var_xx, var_xy, var_yy, in the perimeter's CRS.

    Returns
    -------
    Indexed as the input: tie_ring_key, tape_1_from, tape_1_m, tape_1_sigma_m, tape_2_from, tape_2_m,
    tape_2_sigma_m, tape_side (of the line from the first corner to the second), angle_deg, check_from,
    check_m, set_out_sigma_m (of the peg: the point's own and the tapes'), set_xx, set_xy, set_yy, tied
    (yes or no) and why_no_tie. A taped length's sigma is that of the point along the tape.
    """
    count = len(targets)
    xy = targets[["x", "y"]].to_numpy(dtype=np.float64)
    words = ("tie_ring_key", "tape_1_from", "tape_2_from", "tape_side", "check_from")
    numbers = (
        "tape_1_m", "tape_1_sigma_m", "tape_2_m", "tape_2_sigma_m", "angle_deg", "check_m",
        "set_out_sigma_m", "set_xx", "set_xy", "set_yy",
    )  # fmt: skip
    found: dict[str, Any] = {name: np.full(count, "", dtype=object) for name in words}
    found |= {name: np.full(count, np.nan) for name in numbers}
    best, seen = np.full(count, np.inf), np.zeros(count, dtype=np.int64)
    corners = open_corners(perimeter)
    sight_of = _sights(perimeter, ref)
    for ring_key, own in corners.groupby("ring_key", sort=False):
        at = own[["x", "y"]].to_numpy(dtype=np.float64)
        away = xy[:, None, :] - at[None]
        reach = np.hypot(away[..., 0], away[..., 1])
        near = (reach <= ref.value("setting_out.tie_longest_m")) & (reach > 0.05)
        sight = near & sight_of(np.broadcast_to(at, away.shape), np.broadcast_to(xy[:, None], away.shape))
        seen = np.maximum(seen, sight.sum(axis=1))
        if len(at) < 2 or not count:
            continue
        i, j = np.triu_indices(len(at), k=1)
        base = np.hypot(*(at[j] - at[i]).T)
        cross = away[:, i, 0] * away[:, j, 1] - away[:, i, 1] * away[:, j, 0]
        with np.errstate(invalid="ignore", divide="ignore"):
            sine = np.abs(cross) / (reach[:, i] * reach[:, j])
            height = np.abs(cross) / base
            sigma = ref.value("tape.free_m") + ref.value("tape.free_share") * reach
            spread = np.hypot(sigma[:, i], sigma[:, j]) / sine
        good = sight[:, i] & sight[:, j] & (sine > np.sin(np.radians(ref.value("tape.base_angle_min_deg"))))
        good &= height > ref.value("tape.base_ratio_min") * base
        spread = np.where(good, spread, np.inf)
        pick = np.argmin(spread, axis=1)
        rows = np.flatnonzero(spread[np.arange(count), pick] < best)
        best[rows] = spread[rows, pick[rows]]
        first, second = i[pick[rows]], j[pick[rows]]
        names = own["corner"].to_numpy(dtype=object)
        left = cross[rows, pick[rows]] > 0
        found["tie_ring_key"][rows] = ring_key
        found["tape_side"][rows] = np.where(left, "left", "right")
        dot = np.einsum("ni,ni->n", away[rows, first], away[rows, second])
        found["angle_deg"][rows] = np.degrees(np.arctan2(np.abs(cross[rows, pick[rows]]), dot))
        for k, ends in ((1, first), (2, second)):
            found[f"tape_{k}_from"][rows] = names[ends]
            found[f"tape_{k}_m"][rows] = reach[rows, ends]
            found[f"tape_{k}_sigma_m"][rows] = _along(targets.iloc[rows], away[rows, ends])
        stands = np.stack([at[first], at[second]], axis=1)
        pegs = tape_covariance(xy[rows], stands, sigma[rows[:, None], np.stack([first, second], axis=1)])
        for name, a, b in (("xx", 0, 0), ("xy", 0, 1), ("yy", 1, 1)):
            found[f"set_{name}"][rows] = targets[f"var_{name}"].to_numpy()[rows] + pegs[:, a, b]
        others = np.where(sight[rows], reach[rows], np.inf)
        others[np.arange(len(rows)), first] = others[np.arange(len(rows)), second] = np.inf
        third = np.argmin(others, axis=1)
        length = others[np.arange(len(rows)), third]
        found["check_from"][rows] = np.where(np.isfinite(length), names[third], "")
        found["check_m"][rows] = np.where(np.isfinite(length), length, np.nan)
    found["set_out_sigma_m"] = np.sqrt(found["set_xx"] + found["set_yy"])
    tied = np.isfinite(best)
    why = np.select(
        [tied, seen == 0, seen == 1],
        ["", "no corner can be seen from it", "only one corner can be seen from it"],
        default="no two corners in sight make a good angle: use chainage and offset",
    )
    table = pd.DataFrame(found, index=targets.index)
    return table.assign(tied=np.where(tied, "yes", "no"), why_no_tie=why)


def wall_offsets(targets: pd.DataFrame, perimeter: Perimeter, *, ref: Reference) -> pd.DataFrame:
    """Return the nearest wall square off which each point lies: its chainage there and the offset.

    Returns
    -------
    Indexed as the input: wall_ring_key, wall_face, chainage_m, chainage_sigma_m, offset_m,
    offset_sigma_m, wall_corner and wall_corner_m (the nearer corner of that face, and how far along the
    wall from it), and wall_note: why there is none, or that tapes are better so far out.
    """
    faces = perimeter.faces
    examined = perimeter.rings["examined"].reindex(faces["ring_key"]).to_numpy(dtype=bool)
    rows = np.flatnonzero(examined & faces["outside"].to_numpy(dtype=bool))
    start, unit, normal = (part[rows] for part in perimeter.frames)
    own = faces.iloc[rows]
    xy = targets[["x", "y"]].to_numpy(dtype=np.float64)
    away = xy[:, None, :] - start[None]
    ahead = np.einsum("nfi,fi->nf", away, unit)
    offset = np.einsum("nfi,fi->nf", away, normal)
    square = (ahead >= 0) & (ahead <= own["length_m"].to_numpy()) & (offset >= -1e-6)
    foot = start + unit * ahead[..., None]
    square &= _sights(perimeter, ref)(foot, np.broadcast_to(xy[:, None], foot.shape))
    distance = np.where(square, offset, np.inf)
    if not len(rows) or not len(xy):
        distance = np.full((len(xy), 1), np.inf)
    pick = np.argmin(distance, axis=1)
    on = np.isfinite(distance[np.arange(len(xy)), pick])
    face = np.where(on, pick, 0)
    table = pd.DataFrame(index=targets.index)
    numbers = ("wall_corner_m", "chainage_m", "chainage_sigma_m", "offset_m", "offset_sigma_m")
    blank: dict[str, Any] = {"wall_corner": "", **dict.fromkeys(numbers, np.nan)}
    if not on.any():
        table = table.assign(wall_ring_key="", wall_face="", **blank)
        return table.assign(wall_note="it lies square off no wall")
    each = np.arange(len(xy))
    out = distance[each, pick]
    along, whole = ahead[each, face], own["length_m"].to_numpy()[face]
    begin, end = (own[f"corner_{side}"].to_numpy(dtype=object)[face] for side in ("from", "to"))
    far = on & (out > ref.value("tape.offset_warn_m"))
    return table.assign(
        wall_ring_key=np.where(on, own["ring_key"].to_numpy(dtype=object)[face], ""),
        wall_face=np.where(on, own["face"].to_numpy(dtype=object)[face], ""),
        chainage_m=np.where(on, own["chainage_from_m"].to_numpy()[face] + along, np.nan),
        chainage_sigma_m=np.where(on, _along(targets, unit[face]), np.nan),
        offset_m=np.where(on, out, np.nan),
        offset_sigma_m=np.where(on, _along(targets, normal[face]), np.nan),
        wall_corner=np.where(on, np.where(along <= whole / 2, begin, end), ""),
        wall_corner_m=np.where(on, np.minimum(along, whole - along), np.nan),
        wall_note=np.where(
            ~on, "it lies square off no wall", np.where(far, "better set out by the tapes", "")
        ),
    )


def pegged(targets: pd.DataFrame, *, ref: Reference) -> pd.DataFrame:
    """Give the points no two tapes can fix the spread of a peg set out by chainage and offset."""
    by_wall = (targets["tied"] == "no") & np.isfinite(targets["offset_m"])
    each = {"xx": ref.value("tape.offset_m") ** 2, "xy": 0.0, "yy": ref.value("tape.offset_m") ** 2}
    table = targets.assign(
        **{
            f"set_{name}": targets[f"set_{name}"].where(~by_wall, targets[f"var_{name}"] + more)
            for name, more in each.items()
        }
    )
    return table.assign(set_out_sigma_m=np.sqrt(table["set_xx"] + table["set_yy"]))


def _along(targets: pd.DataFrame, direction: Numbers) -> Numbers:
    length = np.hypot(direction[:, 0], direction[:, 1])
    unit = direction / np.where(length > 0, length, 1.0)[:, None]
    xx, xy, yy = (targets[name].to_numpy(dtype=np.float64) for name in COVARIANCE)
    return spread_along(xx, xy, yy, unit)


def _sights(perimeter: Perimeter, ref: Reference) -> Any:
    """Return a function that tells which straight lines, (…, 2) to (…, 2), no building bars."""
    # Walls hide what is behind them, but a tape may lie against one.
    slack = ref.value("setting_out.sight_slack_m")
    solid = perimeter.footprints.union_all().buffer(-slack, join_style="mitre")
    shapely.prepare(solid)

    def clear(start: Numbers, end: Numbers) -> NDArray[np.bool_]:
        ends = np.stack([start, end], axis=-2)
        lines = shapely.linestrings(ends.reshape(-1, 2, 2))
        return ~np.asarray(shapely.intersects(solid, lines), dtype=np.bool_).reshape(ends.shape[:-2])

    return clear


def open_corners(perimeter: Perimeter) -> pd.DataFrame:
    """Return the corners of the surveyed buildings that stand in open air, in order."""
    faces = perimeter.faces
    examined = perimeter.rings["examined"].reindex(faces["ring_key"]).to_numpy(dtype=bool)
    outside = faces["outside"].to_numpy(dtype=bool)
    kept = examined & (outside | outside[perimeter.neighbours[0]])
    start = perimeter.frames[0][kept]
    own = faces[kept]
    table = pd.DataFrame(
        {
            "ring_key": own["ring_key"].to_numpy(),
            "corner": own["corner_from"].to_numpy(),
            "x": start[:, 0],
            "y": start[:, 1],
        }
    )
    return table.join(site_axes(table, perimeter))


def site_axes(points: pd.DataFrame, perimeter: Perimeter) -> pd.DataFrame:
    """Return coordinates from the origin corner: x along its first face, y out from the wall."""
    examined = perimeter.rings["examined"].reindex(perimeter.faces["ring_key"]).to_numpy(dtype=bool)
    first = int(np.flatnonzero(examined)[0])
    start, unit, normal = (part[first] for part in perimeter.frames)
    away = points[["x", "y"]].to_numpy(dtype=np.float64) - start
    return pd.DataFrame({"site_x_m": away @ unit, "site_y_m": away @ normal}, index=points.index)
