"""Where to dig, how deep and what for: ties, depths, dig boxes, reel readings, quantities, warnings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from geo.drains.network import Network
from geo.errors import GeometryError
from geo.perimeter.answer import spread_along, turned
from geo.perimeter.build import Perimeter
from geo.perimeter.tapes import tape_covariance
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured

Numbers = NDArray[np.float64]
Row = dict[str, Any]
COVARIANCE = ("var_xx", "var_xy", "var_yy")
NOMINAL_MM = (75, 100, 150, 225, 300)
ROUTE = {"seen": "seen", "sonde": "sonde", "camera": "camera"}
MATERIALS = (
    "of_id", "item", "formula", "net", "sigma", "unit", "waste_percent", "order", "order_unit", "rests_on",
)  # fmt: skip
# item, formula, column of the net amount, of its sigma, unit, kind of waste, column and unit of the order
RELAY = (
    ("pipe", "⌈1.05 L / 3.0 m⌉", "pipe_m", "length_sigma_m", "m", "pipe", "pipes", "lengths of 3 m"),
    ("trench width", "OD + 0.30 m, at least 0.45", "trench_m", "trench_sigma_m", "m", "", "trench_m", "m"),
    ("dig", "W L (depth + 0.10 m)", "dig_m3", "dig_sigma_m3", "m³", "", "dig_m3", "m³"),
    ("spoil", "dig × bulking", "dig_m3", "dig_sigma_m3", "m³", "loose", "dig_loose_m3", "m³ loose"),
    ("bed and surround", "W (0.20 + OD) L − pipe", "bed_m3", "bed_sigma_m3", "m³", "stone", "bed_t", "t"),
    ("backfill", "dig − bed − pipe", "backfill_m3", "dig_sigma_m3", "m³", "", "backfill_m3", "m³"),
    ("cart away", "(bed + pipe) × bulking", "away_m3", "bed_sigma_m3", "m³", "loose", "cart_away_m3", "m³"),
    ("break out and make good", "(W + 0.30 m) L", "surface_m2", "none_sigma", "m²", "", "surface_m2", "m²"),
)  # fmt: skip
DUG_FOR = ("gully", "downpipe", "soakaway", "joint", "fault")
CAUTIONS = (
    "This sheet records and computes; it certifies nothing. Competent people decide on site.",
    (
        "Digging: no ground can be relied on to stand unsupported. Support or batter the sides, keep"
        " spoil and plant back, have the supports looked at before each shift. Never undermine a wall or"
        " footing; open short lengths only."
    ),
    (
        "Services: electricity, gas, water and telephone are not all drawn here, and none is proved absent."
        " Get the plans, use a locator, dig by hand near them."
    ),
    (
        "Chambers: never enter one. Drains and trenches can hold gas or no air; would-be rescuers die."
        " Lift covers with aids and guard the opening."
    ),
    "Sewage: gloves, covered cuts, wash before eating; keep others away; disinfect what it touched.",
    (
        "A drain within 3 m of a mapped public sewer, or shared with a neighbour, may be the water company's:"
        " ask before cutting into it. New and altered drains are notifiable building work."
    ),
    (
        "Satellite and telephone positions are metres out beside a wall: they find the house, never the"
        " pipe. Set out by the tapes."
    ),
)


@dataclass(frozen=True, kw_only=True, eq=False)
class SettingOut:
    """Everything a contractor sets out from.

    Parameters
    ----------
    targets
        One row a gully, downpipe, chamber, soakaway, joint or fault, by id: x, y with covariance and
        ellipse, site_x_m and site_y_m from the origin corner, taped ties, chainage and offset, depths to
        crown and invert with range; columns of :func:`tie_points`, :func:`wall_offsets` and
        :func:`depths_below`.
    boxes
        Where to dig to be 95 % sure of it, by target id: depth_from_m, depth_to_m, length_m, width_m,
        bearing_deg, volume_m3, first (what to do before digging, or blank) and the rectangle.
    runs
        By run id: ends, use, state, bore, evidence of both ends, plan and pipe length, fall, sigma of the
        line, drawn from fixed asset to fixed asset.
    reel
        Camera distances of the targets on each run, from both ends.
    marks
        Every whole metre of the reel from the upper end, with its place on the map.
    materials
        Quantities to lay each run again, and to dig out each soakaway: net, waste, order, formula.
    warnings
        Foundations, services and neighbours by run or target.
    corners
        ring_key, corner, x, y, site_x_m, site_y_m of every corner a tie may start from.
    notes
        What could not be given, and why.
    """

    targets: pd.DataFrame
    boxes: gpd.GeoDataFrame
    runs: gpd.GeoDataFrame
    reel: pd.DataFrame
    marks: pd.DataFrame
    materials: pd.DataFrame
    warnings: pd.DataFrame
    corners: pd.DataFrame
    notes: tuple[str, ...]


def set_out(
    network: Network,
    *,
    runs: gpd.GeoDataFrame,
    places: pd.DataFrame,
    perimeter: Perimeter,
    ref: Reference,
    ground: pd.DataFrame | None = None,
    services: gpd.GeoDataFrame | None = None,
    patches: gpd.GeoDataFrame | None = None,
    soakaways: pd.DataFrame | None = None,
    foundation: Measured | None = None,
) -> SettingOut:
    """Work out the setting-out of a drainage network.

    Parameters
    ----------
    network
        The drains, levels in m above the site datum.
    runs
        The runs as recorded, by id: line, pipe_material, fault_at_m.
    places
        Assets as fixed, by id: kind, state, evidence, x, y, var_xx, var_xy, var_yy (m, m²), refused.
    ground
        Levels of the ground: x, y, level_m, sigma_m, and name, what was levelled.
    services
        Pressurised services, by id: line, service_kind, evidence.
    patches
        Ground of one surface: surface, polygon.
    soakaways
        By id: length_m, width_m, depth_m below the inlet.
    foundation
        Level of the underside of the surveyed buildings' foundation, where it was exposed.
    """
    drawn = lay_out_runs(network, runs, places, ref=ref)
    targets, notes = _targets(network, drawn, places, ref)
    targets = targets.join(_site_axes(targets, perimeter))
    targets = targets.join(tie_points(targets, perimeter, ref=ref))
    targets = targets.join(wall_offsets(targets, perimeter, ref=ref))
    targets = _pegged(targets, ref).join(depths_below(targets, _ground(ground), ref=ref))
    boxes = dig_boxes(targets, ref=ref, crs=perimeter.crs)
    reel, marks = _reel_tables(drawn, targets, ref)
    depths = _run_depths(drawn, targets)
    said = [
        foundation_warnings(drawn, depths, boxes, targets, perimeter, foundation=foundation, ref=ref),
        service_warnings(drawn, boxes, services, ref=ref),
        _neighbours(drawn, boxes, perimeter, ref),
    ]
    if services is None or services.empty:
        notes.append("No service is recorded on this site; that nobody looked does not mean none is there.")
    return SettingOut(
        targets=targets,
        boxes=boxes,
        runs=drawn.join(depths),
        reel=reel,
        marks=marks,
        materials=_materials(drawn, depths, patches, soakaways, targets, ref),
        warnings=pd.concat([table for table in said if len(table)] or said[:1], ignore_index=True),
        corners=_corners(perimeter),
        notes=tuple(notes),
    )


# --- runs and what lies on them ---------------------------------------------------------------


def lay_out_runs(
    network: Network, runs: gpd.GeoDataFrame, places: pd.DataFrame, *, ref: Reference
) -> gpd.GeoDataFrame:
    """Draw every run from fixed asset to fixed asset, with its levels, lengths and how well it is traced.

    Returns
    -------
    By run id: from_id, to_id, use, state, bore_m, from_evidence, to_evidence, route_sigma_m (across the
    line between its ends), up_low_m, up_high_m, down_low_m, down_high_m, level_sigma_m, plan_m, pipe_m
    (along the slope), fall_m (NaN where a level is missing), gradient (n of 1:n, negative: backwards),
    fault_at_m, pipe_material, and its line. Runs that nobody drew, or that lead nowhere, are left out.
    """
    pieces = network.runs
    live = set(pieces["run_id"])
    kept = [name for name in runs.index if name in live and _is_line(runs.geometry[name])]
    rows = []
    for name in kept:
        own = pieces[pieces["run_id"] == name]
        first, last = own.iloc[0], own.iloc[-1]
        line = _snapped(runs.geometry[name], first["from_node"], last["to_node"], places, ref)
        levels = {
            f"{end}_{bound}_m": float(part[f"{end}_{bound}_m"])
            for end, part in (("up", first), ("down", last))
            for bound in ("low", "high")
        }
        fixed = levels["up_low_m"] == levels["up_high_m"] and levels["down_low_m"] == levels["down_high_m"]
        fall = levels["up_low_m"] - levels["down_low_m"] if fixed else math.nan
        plan = float(line.length)
        rows.append(
            {
                "from_id": first["from_node"], "to_id": last["to_node"], "use": first["use"],
                "state": runs.loc[name, "state"], "bore_m": float(first["bore_m"]),
                "pipe_material": runs.loc[name, "pipe_material"],
                "from_evidence": first["from_evidence"], "to_evidence": last["to_evidence"],
                "route_sigma_m": _route_sigma((first["from_evidence"], last["to_evidence"]), ref),
                **levels, "level_sigma_m": float(first["level_sigma_m"]), "plan_m": plan,
                "pipe_m": math.hypot(plan, 0.0 if math.isnan(fall) else fall), "fall_m": fall,
                "gradient": plan / fall if fall else math.nan,
                "fault_at_m": float(runs.loc[name, "fault_at_m"]), "geometry": line,
            }
        )  # fmt: skip
    columns = [
        "from_id", "to_id", "use", "state", "bore_m", "pipe_material", "from_evidence", "to_evidence",
        "route_sigma_m", "up_low_m", "up_high_m", "down_low_m", "down_high_m", "level_sigma_m", "plan_m",
        "pipe_m", "fall_m", "gradient", "fault_at_m", "geometry",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=columns, index=pd.Index(kept, dtype=object))
    table = table.astype({name: "float64" for name in columns if name.endswith("_m") or name == "gradient"})
    return gpd.GeoDataFrame(table, geometry="geometry", crs=runs.crs)


def _is_line(shape: Any) -> bool:
    return shape is not None and shape.geom_type == "LineString" and shape.length > 0


def _route_sigma(evidence: Sequence[str], ref: Reference) -> float:
    """Return how far the line may be out across the run: the worse of its ends decides."""
    return max(ref.value(f"setting_out.route_{ROUTE.get(word, 'untraced')}_m") for word in evidence)


def route_spread(route_sigma_m: float, share: ArrayLike) -> Numbers:
    """Return how far a run may lie off its line, at shares of its length: least at its fixed ends.

    A line held at both ends strays most half-way, as ``2 √(s (1 − s))`` of what it may stray there.
    """
    s = np.clip(np.asarray(share, dtype=np.float64), 0.0, 1.0)
    return np.asarray(route_sigma_m * 2.0 * np.sqrt(s * (1.0 - s)), dtype=np.float64)


def _snapped(line: Any, start: str, end: str, places: pd.DataFrame, ref: Reference) -> shapely.LineString:
    """Move a run's drawn ends to where its assets were fixed, when they are near."""
    xy = shapely.get_coordinates(line)
    for i, name in ((0, start), (-1, end)):
        if name in places.index:
            fixed = places.loc[name, ["x", "y"]].to_numpy(dtype=np.float64)
            if np.hypot(*(fixed - xy[i])) <= ref.value("input.run_end_m"):
                xy[i] = fixed
    return shapely.LineString(xy)


def _targets(
    network: Network, drawn: gpd.GeoDataFrame, places: pd.DataFrame, ref: Reference
) -> tuple[pd.DataFrame, list[str]]:
    """Return every place to find, with covariance and pipe levels; and what has no place."""
    fixed = places[np.isfinite(places["x"].astype(float))]
    notes = [f"{name}: no position: {why}." for name, why in places["refused"].items() if why]
    rows: dict[str, Row] = {}
    for name, place in fixed.iterrows():
        rows[str(name)] = {**place[["kind", "state", "evidence", "x", "y", *COVARIANCE]], "run_id": ""}
    joints = network.nodes[(network.nodes["kind"] == "joint") & np.isfinite(network.nodes["x"].astype(float))]
    scaled = ref.value("tape.coordinate_m")
    for name, node in joints.iterrows():
        touching = drawn[(drawn["from_id"] == name) | (drawn["to_id"] == name)]
        route = float(touching["route_sigma_m"].max()) if len(touching) else 0.0
        each = math.hypot(scaled, route) ** 2 / 2
        rows[str(name)] = {
            "kind": "joint", "state": "", "evidence": "", "x": node["x"], "y": node["y"], "var_xx": each,
            "var_xy": 0.0, "var_yy": each, "run_id": str(touching.index[0]) if len(touching) else "",
        }  # fmt: skip
    for name, run in drawn[np.isfinite(drawn["fault_at_m"])].iterrows():
        path = camera_path(run.geometry, levels=_end_levels(run))
        place = path.to_map([run["fault_at_m"]], ref=ref).iloc[0]
        if place["word"] != "on the run":
            notes.append(f"{name}: its fault at {run['fault_at_m']:.2f} m lies {place['word']}.")
            continue
        towards = np.radians(place["bearing_deg"])
        unit = np.array([[np.sin(towards), np.cos(towards)]])
        across = route_spread(run["route_sigma_m"], [place["pipe_m"] / run["pipe_m"]])
        spread = turned(np.array([place["sigma_m"]]), across, unit)[0]
        start = fixed.loc[run["from_id"], list(COVARIANCE)] if run["from_id"] in fixed.index else (0.0,) * 3
        xx, xy, yy = np.array([spread[0, 0], spread[0, 1], spread[1, 1]]) + np.asarray(start, dtype=float)
        rows[f"{name} fault"] = {
            "kind": "fault", "state": run["state"], "evidence": run["from_evidence"], "x": place["x"],
            "y": place["y"], "var_xx": xx, "var_xy": xy, "var_yy": yy, "run_id": str(name),
        }  # fmt: skip
    columns = ["kind", "state", "evidence", "x", "y", *COVARIANCE, "run_id"]
    table = pd.DataFrame(list(rows.values()), columns=columns, index=pd.Index(list(rows), dtype=object))
    table = table.astype(dict.fromkeys(("x", "y", *COVARIANCE), "float64"))
    return table.join(_ellipses(table)).join(_pipe_levels(table, network, drawn, ref)), notes


def _end_levels(run: Any) -> tuple[float, float] | None:
    fall = float(run["fall_m"])
    return None if math.isnan(fall) else (float(run["up_low_m"]), float(run["down_low_m"]))


def _ellipses(table: pd.DataFrame) -> pd.DataFrame:
    xx, xy, yy = (table[name].to_numpy(dtype=np.float64) for name in COVARIANCE)
    half, bend = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    # Bearing of the long axis: half the angle of the covariance, turned from east to north.
    bearing = np.mod(90.0 - np.degrees(np.arctan2(2 * xy, xx - yy)) / 2, 180.0)
    return pd.DataFrame(
        {
            "sigma_m": np.sqrt(xx + yy),
            "sigma_major_m": np.sqrt(half + bend),
            "sigma_minor_m": np.sqrt(np.maximum(0.0, half - bend)),
            "bearing_deg": bearing,
        },
        index=table.index,
    )


def _pipe_levels(
    targets: pd.DataFrame, network: Network, drawn: gpd.GeoDataFrame, ref: Reference
) -> pd.DataFrame:
    """Return bounds of the highest crown and the lowest invert at every target, with their sigma."""
    pieces, columns = network.runs, ["node", "low", "high", "sigma", "bore"]
    ends = [
        pieces[[node, f"{end}_low_m", f"{end}_high_m", "level_sigma_m", "bore_m"]].set_axis(columns, axis=1)
        for end, node in (("up", "from_node"), ("down", "to_node"))
    ]
    # A chamber's or gully's own invert; a base that only repeats the bound of a run not dipped is none.
    bounded = pd.concat(ends).astype(dict.fromkeys(columns[1:], "float64"))
    bounded = bounded[bounded["high"] - bounded["low"] > 1e-9]
    guessed = set(zip(bounded["node"], bounded["low"], strict=True))
    nodes = network.nodes[
        np.isfinite(network.nodes["base_m"].astype(float)) & (network.nodes["kind"] != "joint")
    ]
    kept = [place not in guessed for place in zip(nodes.index, nodes["base_m"], strict=True)]
    bases = nodes[np.array(kept, dtype=bool)]
    own = {"node": bases.index, "low": bases["base_m"], "high": bases["base_m"]}
    ends.append(pd.DataFrame({**own, "sigma": ref.value("levels.invert_sigma_m"), "bore": np.nan}))
    faults = []
    for name, fault in targets[targets["kind"] == "fault"].iterrows():
        run = drawn.loc[fault["run_id"]]
        share = shapely.line_locate_point(
            run.geometry, shapely.Point(fault["x"], fault["y"]), normalized=True
        )
        low, high = (run[f"up_{b}_m"] * (1 - share) + run[f"down_{b}_m"] * share for b in ("low", "high"))
        faults.append((name, low, high, run["level_sigma_m"], run["bore_m"]))
    table = pd.concat([*ends, pd.DataFrame(faults, columns=columns)], ignore_index=True).astype(
        dict.fromkeys(columns[1:], "float64")
    )
    rise = table["bore"] + ref.value("setting_out.pipe_wall_m")
    table = table.assign(crown_low=table["low"] + rise, crown_high=table["high"] + rise)
    found = table.groupby("node").agg(
        crown_low_m=("crown_low", "max"), crown_high_m=("crown_high", "max"), invert_low_m=("low", "min"),
        invert_high_m=("high", "min"), level_sigma_m=("sigma", "max"),
    )  # fmt: skip
    return found.reindex(targets.index).replace([np.inf, -np.inf], np.nan)


# --- ties --------------------------------------------------------------------------------------


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
    corners = _corners(perimeter)
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
    offset_sigma_m, and wall_note: why there is none, or that tapes are better so far out.
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
    blank = {"chainage_m": np.nan, "chainage_sigma_m": np.nan, "offset_m": np.nan, "offset_sigma_m": np.nan}
    if not on.any():
        table = table.assign(wall_ring_key="", wall_face="", **blank)
        return table.assign(wall_note="it lies square off no wall")
    each = np.arange(len(xy))
    out = distance[each, pick]
    far = on & (out > ref.value("tape.offset_warn_m"))
    return table.assign(
        wall_ring_key=np.where(on, own["ring_key"].to_numpy(dtype=object)[face], ""),
        wall_face=np.where(on, own["face"].to_numpy(dtype=object)[face], ""),
        chainage_m=np.where(on, own["chainage_from_m"].to_numpy()[face] + ahead[each, face], np.nan),
        chainage_sigma_m=np.where(on, _along(targets, unit[face]), np.nan),
        offset_m=np.where(on, out, np.nan),
        offset_sigma_m=np.where(on, _along(targets, normal[face]), np.nan),
        wall_note=np.where(
            ~on, "it lies square off no wall", np.where(far, "better set out by the tapes", "")
        ),
    )


def _pegged(targets: pd.DataFrame, ref: Reference) -> pd.DataFrame:
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


def _corners(perimeter: Perimeter) -> pd.DataFrame:
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
    return table.join(_site_axes(table, perimeter))


def _site_axes(points: pd.DataFrame, perimeter: Perimeter) -> pd.DataFrame:
    """Return coordinates from the origin corner: x along its first face, y out from the wall."""
    examined = perimeter.rings["examined"].reindex(perimeter.faces["ring_key"]).to_numpy(dtype=bool)
    first = int(np.flatnonzero(examined)[0])
    start, unit, normal = (part[first] for part in perimeter.frames)
    away = points[["x", "y"]].to_numpy(dtype=np.float64) - start
    return pd.DataFrame({"site_x_m": away @ unit, "site_y_m": away @ normal}, index=points.index)


# --- depths and dig boxes ----------------------------------------------------------------------


def _ground(ground: pd.DataFrame | None) -> pd.DataFrame:
    columns = ["x", "y", "level_m", "sigma_m", "name"]
    table = pd.DataFrame(columns=columns) if ground is None else ground[columns]
    numbers = table[columns[:4]].astype("float64")
    return table.assign(**numbers)[np.isfinite(numbers).all(axis=1)]


def depths_below(targets: pd.DataFrame, ground: pd.DataFrame, *, ref: Reference) -> pd.DataFrame:
    """Return how deep the crown and the invert lie, with 95 % ranges.

    The ground is taken from the level that serves best: near, and well measured, the ground between
    being allowed to fall by ``setting_out.ground_fall``. Where a pipe level is only bounded there is
    a range and no value.

    Parameters
    ----------
    targets
        x, y; bounds crown_low_m … invert_high_m and level_sigma_m.
    ground
        x, y, level_m, sigma_m, name.

    Returns
    -------
    Indexed as the input: ground_m, ground_sigma_m, ground_from, ground_away_m; depth_crown_m,
    depth_crown_sigma_m, depth_crown_low_m, depth_crown_high_m and the same of depth_invert; depth
    (``known``, ``between`` or ``not known``), depth_because, depth_settle.
    """
    count = len(targets)
    level, spread, away = (np.full(count, np.nan) for _ in range(3))
    name = np.full(count, "", dtype=object)
    if len(ground) and count:
        gap = targets[["x", "y"]].to_numpy(dtype=np.float64)[:, None] - ground[["x", "y"]].to_numpy(
            dtype=np.float64
        )
        distance = np.hypot(gap[..., 0], gap[..., 1])
        sigma = np.hypot(ground["sigma_m"].to_numpy(), ref.value("setting_out.ground_fall") * distance)
        sigma = np.where(distance <= ref.value("setting_out.ground_reach_m"), sigma, np.inf)
        pick = np.argmin(sigma, axis=1)
        each = np.arange(count)
        on = np.isfinite(sigma[each, pick])
        level = np.where(on, ground["level_m"].to_numpy()[pick], np.nan)
        spread = np.where(on, sigma[each, pick], np.nan)
        away = np.where(on, distance[each, pick], np.nan)
        name = np.where(on, ground["name"].to_numpy(dtype=object)[pick], "")
    z = ref.value("confidence.z_95")
    pipe = targets["level_sigma_m"].to_numpy(dtype=np.float64)
    wall = ref.value("setting_out.pipe_wall_sigma_m")
    columns: dict[str, Any] = {
        "ground_m": level, "ground_sigma_m": spread, "ground_from": name, "ground_away_m": away,
    }  # fmt: skip
    states = {}
    for part, extra in (("crown", wall), ("invert", 0.0)):
        low, high = (targets[f"{part}_{bound}_m"].to_numpy(dtype=np.float64) for bound in ("low", "high"))
        sigma = np.sqrt(spread**2 + pipe**2 + extra**2)
        sure = high - low < 1e-9
        columns |= {
            f"depth_{part}_m": np.where(sure, level - low, np.nan),
            f"depth_{part}_sigma_m": np.where(sure, sigma, np.nan),
            f"depth_{part}_low_m": level - high - z * sigma,
            f"depth_{part}_high_m": level - low + z * sigma,
        }
        states[part] = np.where(np.isnan(level - low), 0, np.where(sure, 2, 1))
    worst = np.minimum(states["crown"], states["invert"])
    no_pipe = targets["invert_low_m"].isna().to_numpy()
    no_bore = ~no_pipe & targets["crown_low_m"].isna().to_numpy()
    no_level = np.isnan(level)
    cases = [no_pipe, no_level, no_bore, worst == 1]
    because = [
        "no pipe level is recorded here", "no ground level within reach", "the bore is not recorded",
        "a pipe level is not recorded; it lies between those of its neighbours",
    ]  # fmt: skip
    settle = ["Dip the invert.", "Level the ground over it.", "Measure the bore.", "Dip the invert."]
    return pd.DataFrame(columns, index=targets.index).assign(
        depth=np.array([NOT_KNOWN, "between", "known"], dtype=object)[worst],
        depth_because=np.select(cases, because, default=""),
        depth_settle=np.select(cases, settle, default=""),
    )


def ellipse_factor(ref: Reference) -> float:
    """Return how many sigmas an ellipse reaches to hold a point as surely as ± z on a line.

    The square of a distance in sigmas is exponential in two dimensions: ``k = √(−2 ln(1 − p))``.
    """
    return math.sqrt(-2.0 * math.log(1.0 - math.erf(ref.value("confidence.z_95") / math.sqrt(2.0))))


def dig_boxes(targets: pd.DataFrame, *, ref: Reference, crs: Any) -> gpd.GeoDataFrame:
    """Return the hole to dig for each target that is not in view: its position ellipse by its depth.

    The 95 % ellipse of the peg, with room to work round it, and from just over the crown to under the
    bed. A chamber that was seen is lifted, not dug for.
    """
    buried = (targets["kind"] == "chamber") & (
        (targets["state"] == "buried") | (targets["evidence"] != "seen")
    )
    rows = targets[(targets["kind"].isin(DUG_FOR) | buried) & ~_open_foot(targets)]
    xx, xy, yy = (
        rows[f"set_{name}"].fillna(rows[f"var_{name}"]).to_numpy(dtype=np.float64)
        for name in ("xx", "xy", "yy")
    )
    shape = _ellipses(pd.DataFrame({"var_xx": xx, "var_xy": xy, "var_yy": yy}, index=rows.index))
    factor, room = ellipse_factor(ref), ref.value("setting_out.trench_least_m") / 2
    half = factor * shape[["sigma_major_m", "sigma_minor_m"]].to_numpy() + room
    towards = np.radians(shape["bearing_deg"].to_numpy())
    long = np.column_stack([np.sin(towards), np.cos(towards)]) * half[:, :1]
    short = np.column_stack([np.cos(towards), -np.sin(towards)]) * half[:, 1:]
    middle = rows[["x", "y"]].to_numpy(dtype=np.float64)
    ring = np.stack(
        [middle + a * long + b * short for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))], axis=1
    ).reshape(-1, 4, 2)
    top = rows["depth_crown_low_m"].fillna(rows["depth_invert_low_m"]).clip(lower=0.0)
    bottom = rows["depth_invert_high_m"] + ref.value("setting_out.bed_m")
    size = 2 * half
    wide = size[:, 0] > ref.value("setting_out.box_most_m")
    first = np.where(wide, "Too wide to dig for: trace it by sonde or camera first.", rows["depth_settle"])
    table = pd.DataFrame(
        {
            "kind": rows["kind"], "depth_from_m": top, "depth_to_m": bottom, "length_m": size[:, 0],
            "width_m": size[:, 1], "bearing_deg": shape["bearing_deg"],
            "volume_m3": size[:, 0] * size[:, 1] * bottom, "because": rows["depth_because"], "first": first,
        },
        index=rows.index,
    )  # fmt: skip
    return gpd.GeoDataFrame(table, geometry=shapely.polygons(ring), crs=crs)


def _open_foot(targets: pd.DataFrame) -> pd.Series[bool]:
    """Tell the downpipes at which no pipe goes into the ground."""
    return (targets["kind"] == "downpipe") & targets["invert_low_m"].isna()


# --- the camera's reel -------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class CameraPath:
    """The way of a drain camera: plan points, and metres of pipe and bends up to each.

    Parameters
    ----------
    xy
        (n, 2), metres.
    pipe_m
        (n,) length along the pipe, slopes and drops included.
    bends
        (n,) bends passed on reaching each point, itself not counted.
    """

    xy: Numbers
    pipe_m: Numbers
    bends: Numbers

    def to_map(self, reel_m: ArrayLike, *, ref: Reference, zero: Measured | None = None) -> pd.DataFrame:
        """Place readings of the reel on the map.

        Parameters
        ----------
        reel_m
            (n,) readings.
        zero
            What the reel read with the camera at the start of the path; 0 with the usual sigma by default.

        Returns
        -------
        One row a reading: pipe_m, x, y, bearing_deg, bends, sigma_m along the pipe (reel, zero and the
        slack at bends), and word: ``on the run``, ``before it begins`` or ``past its end``.
        """
        start = zero or Measured(0.0, ref.value("setting_out.camera_zero_m"))
        along = np.atleast_1d(np.asarray(reel_m, dtype=np.float64)) - start.value
        beyond = [along < -1e-9, along > self.pipe_m[-1] + 1e-9]
        word = np.select(beyond, ["before it begins", "past its end"], "on the run")
        place = np.where(word == "on the run", np.clip(along, 0.0, self.pipe_m[-1]), np.nan)
        piece = np.clip(
            np.searchsorted(self.pipe_m, np.nan_to_num(place), side="right") - 1, 0, len(self.xy) - 2
        )
        step = np.diff(self.xy, axis=0)[piece]
        bends = self.bends[piece + 1]
        return pd.DataFrame(
            {
                "pipe_m": place,
                "x": np.interp(place, self.pipe_m, self.xy[:, 0]),
                "y": np.interp(place, self.pipe_m, self.xy[:, 1]),
                "bearing_deg": np.mod(np.degrees(np.arctan2(step[:, 0], step[:, 1])), 360.0),
                "bends": bends,
                "sigma_m": np.where(np.isnan(place), np.nan, self._sigma(along, bends, start, ref)),
                "word": word,
            }
        )

    def to_reel(self, xy: Any, *, ref: Reference, zero: Measured | None = None) -> pd.DataFrame:
        """Return what the reel reads with the camera at places on the map.

        Parameters
        ----------
        xy
            (n, 2) places; each is taken to the nearest point of the path.

        Returns
        -------
        One row a place: reel_m, sigma_m, pipe_m, and off_m, how far from the path the place lies.
        """
        start = zero or Measured(0.0, ref.value("setting_out.camera_zero_m"))
        places = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
        begin, step = self.xy[:-1], np.diff(self.xy, axis=0)
        square = np.einsum("si,si->s", step, step)
        ahead = np.einsum("nsi,si->ns", places[:, None] - begin, step) / np.where(square > 0, square, 1.0)
        ahead = np.clip(np.where(square > 0, ahead, 0.0), 0.0, 1.0)
        off = np.linalg.norm(places[:, None] - begin - step * ahead[..., None], axis=2)
        piece = np.argmin(off, axis=1)
        each = np.arange(len(places))
        pipe = self.pipe_m[piece] + ahead[each, piece] * np.diff(self.pipe_m)[piece]
        sigma = self._sigma(pipe, self.bends[piece + 1], start, ref)
        return pd.DataFrame(
            {"reel_m": pipe + start.value, "sigma_m": sigma, "pipe_m": pipe, "off_m": off[each, piece]}
        )

    def _sigma(self, along: Numbers, bends: Numbers, zero: Measured, ref: Reference) -> Numbers:
        reel = ref.value("setting_out.camera_share") * along
        slack = ref.value("setting_out.camera_bend_m") ** 2 * bends
        return np.asarray(np.sqrt(reel**2 + zero.sigma**2 + slack), dtype=np.float64)


def camera_path(
    line: shapely.LineString | Sequence[shapely.LineString],
    *,
    levels: Sequence[float] | None = None,
    drop_m: float = 0.0,
    bend_deg: float = 10.0,
) -> CameraPath:
    """Return the way of a camera along a run, or along runs one after another.

    Parameters
    ----------
    line
        In the direction the camera goes.
    levels
        Invert at the two ends, or at every point, m; the pipe falls evenly between the ends. Taken as
        level where not given.
    drop_m
        Pipe straight down before the run begins: the riser of a gully, a back-drop.
    bend_deg
        Turns in plan smaller than this take up no slack.

    Raises
    ------
    GeometryError
        When the line has no length, or runs do not meet.
    """
    parts = [line] if isinstance(line, shapely.LineString) else list(line)
    xy = shapely.get_coordinates(parts[0])
    for part in parts[1:]:
        more = shapely.get_coordinates(part)
        if np.hypot(*(more[0] - xy[-1])) > 0.05:
            raise GeometryError("the runs of a camera's way do not meet: name them in order from its start")
        xy = np.vstack([xy, more[1:]])
    step = np.diff(xy, axis=0)
    flat = np.hypot(step[:, 0], step[:, 1])
    plan = np.r_[0.0, np.cumsum(flat)]
    if plan[-1] <= 0:
        raise GeometryError("a camera's way has no length")
    given = [0.0, 0.0] if levels is None else list(levels)
    z = np.interp(plan, [0.0, plan[-1]], given) if len(given) == 2 else np.asarray(given, dtype=np.float64)
    pipe = np.r_[0.0, np.cumsum(np.hypot(flat, np.diff(z)))]
    moving = np.flatnonzero(flat > 0)
    heading = np.degrees(np.arctan2(step[moving, 0], step[moving, 1]))
    turn = np.abs(np.mod(np.diff(heading) + 180.0, 360.0) - 180.0)
    bends = np.zeros(len(xy))
    # A bend at a point is passed on reaching the next one.
    np.add.at(bends, moving[1:][turn > bend_deg] + 1, 1.0)
    bends = np.cumsum(bends)
    if drop_m > 0:
        xy, pipe, bends = np.vstack([xy[:1], xy]), np.r_[0.0, pipe + drop_m], np.r_[0.0, bends + 1.0]
        bends[1] = 0.0
    return CameraPath(xy=xy, pipe_m=pipe, bends=bends)


def _reel_tables(
    drawn: gpd.GeoDataFrame, targets: pd.DataFrame, ref: Reference
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the reel's reading at every target from both ends, and the place of its whole metres."""
    rows: list[Row] = []
    marks: list[pd.DataFrame] = []
    least = ref.value("setting_out.camera_bend_deg")
    for name, run in drawn.iterrows():
        levels = _end_levels(run)
        ways = {
            run["from_id"]: camera_path(run.geometry, levels=levels, bend_deg=least),
            run["to_id"]: camera_path(
                shapely.reverse(run.geometry), levels=levels and levels[::-1], bend_deg=least
            ),
        }
        sought = [f"{name} fault", run["from_id"], run["to_id"]]
        on = [target for target in sought if target in targets.index]
        for start, way in ways.items():
            found = way.to_reel(targets.loc[on, ["x", "y"]].to_numpy(), ref=ref)
            rows += [
                {"run_id": name, "from_id": start, "target_id": target, **place}
                for target, place in zip(on, found.to_dict("records"), strict=True)
                if target != start
            ]
        way = ways[run["from_id"]]
        step = ref.value("setting_out.reel_step_m")
        found = way.to_map(np.arange(0.0, way.pipe_m[-1] + 1e-9, step), ref=ref)
        marks.append(
            found.drop(columns="word").assign(run_id=name, from_id=run["from_id"], reel_m=found["pipe_m"])
        )
    columns = ["run_id", "from_id", "target_id", "reel_m", "sigma_m", "pipe_m", "off_m"]
    order = ["run_id", "from_id", "reel_m", "x", "y", "bearing_deg", "bends", "sigma_m"]
    whole = pd.concat(marks, ignore_index=True)[order] if marks else pd.DataFrame(columns=order)
    return pd.DataFrame(rows, columns=columns), whole


# --- quantities --------------------------------------------------------------------------------


def outside_diameter(bore_m: ArrayLike, *, ref: Reference) -> Numbers:
    """Return the outside diameter, m, of plastic drain pipe sold for a bore; NaN for no bore sold."""
    bore = np.atleast_1d(np.asarray(bore_m, dtype=np.float64))
    nominal = np.array(NOMINAL_MM) / 1000.0
    sizes = np.array([ref.value(f"setting_out.outside_{mm}_mm") for mm in NOMINAL_MM]) / 1000.0
    off = np.abs(np.nan_to_num(bore, nan=-9.0)[:, None] - nominal) / nominal
    pick = np.argmin(off, axis=1)
    fits = off[np.arange(len(bore)), pick] <= ref.value("setting_out.nominal_share") + 1e-9
    return np.where(fits, sizes[pick], np.nan)


def relay_quantities(
    length_m: ArrayLike,
    depth_m: ArrayLike,
    outside_m: ArrayLike,
    *,
    ref: Reference,
    length_sigma_m: ArrayLike = 0.0,
    depth_sigma_m: ArrayLike = 0.0,
) -> pd.DataFrame:
    """Return what it takes to lay runs again in open trench.

    Parameters
    ----------
    length_m
        (n,) along the pipe.
    depth_m
        (n,) mean depth to the invert.
    outside_m
        (n,) outside diameter of the new pipe.

    Returns
    -------
    One row a run. pipes = ⌈1.05 L / 3.0⌉; trench_m W = outside + 2 × 0.15, at least 0.45;
    dig_m3 = W L (depth + 0.10); bed_m3 = W (0.10 + outside + 0.10) L − π outside² L / 4;
    pipe_m3; backfill_m3 = dig − bed − pipe; dig_loose_m3 and cart_away_m3 = (bed + pipe), both bulked;
    surface_m2 = (W + 2 × 0.15) L; bed_t ordered; sigmas of dig and bed; shallow, where the bed stands
    above the ground.
    """
    length, depth, outside, length_sigma, depth_sigma = np.broadcast_arrays(
        *(
            np.atleast_1d(np.asarray(value, dtype=np.float64))
            for value in (length_m, depth_m, outside_m, length_sigma_m, depth_sigma_m)
        )
    )
    bed = ref.value("setting_out.bed_m")
    trench = np.maximum(
        outside + 2 * ref.value("setting_out.working_m"), ref.value("setting_out.trench_least_m")
    )
    trench = np.where(np.isnan(outside), np.nan, trench)
    dig = trench * length * (depth + bed)
    pipe = np.pi * outside**2 / 4 * length
    surround = trench * (2 * bed + outside) * length - pipe
    waste, bulk = ref.value("setting_out.pipe_waste"), ref.value("setting_out.bulking")
    stone = surround * (1 + ref.value("setting_out.stone_waste"))
    return pd.DataFrame(
        {
            "pipe_m": length,
            "pipes": np.ceil((1 + waste) * length / ref.value("setting_out.pipe_length_m") - 1e-9),
            "trench_m": trench,
            "dig_m3": dig,
            "dig_sigma_m3": np.hypot(trench * (depth + bed) * length_sigma, trench * length * depth_sigma),
            "dig_loose_m3": dig * bulk,
            "bed_m3": surround,
            "bed_sigma_m3": surround / np.where(length > 0, length, 1.0) * length_sigma,
            "bed_t": stone * ref.value("setting_out.stone_t_m3"),
            "pipe_m3": pipe,
            "backfill_m3": np.maximum(0.0, dig - surround - pipe),
            "cart_away_m3": (surround + pipe) * bulk,
            "surface_m2": (trench + 2 * ref.value("setting_out.reinstate_m")) * length,
            "shallow": dig < surround + pipe,
        }
    )


def _run_depths(drawn: gpd.GeoDataFrame, targets: pd.DataFrame) -> pd.DataFrame:
    """Return the depth to the invert at both ends of every run, from the ground over its targets."""
    table = pd.DataFrame(index=drawn.index)
    for end, column in (("up", "from_id"), ("down", "to_id")):
        over = targets.reindex(drawn[column])[["ground_m", "ground_sigma_m"]].to_numpy(dtype=np.float64)
        low, high = (drawn[f"{end}_{bound}_m"].to_numpy(dtype=np.float64) for bound in ("low", "high"))
        table[f"{end}_ground_m"] = over[:, 0]
        table[f"{end}_depth_m"] = np.where(high - low < 1e-9, over[:, 0] - low, np.nan)
        table[f"{end}_depth_sigma_m"] = np.hypot(
            over[:, 1], drawn["level_sigma_m"].to_numpy(dtype=np.float64)
        )
    return table


def _materials(
    drawn: gpd.GeoDataFrame,
    depths: pd.DataFrame,
    patches: gpd.GeoDataFrame | None,
    soakaways: pd.DataFrame | None,
    targets: pd.DataFrame,
    ref: Reference,
) -> pd.DataFrame:
    """Return the quantities as lines of a list: net, waste, order, formula and how sure."""
    ends = depths[["up_depth_m", "down_depth_m"]].to_numpy()
    spread = np.hypot(*depths[["up_depth_sigma_m", "down_depth_sigma_m"]].to_numpy().T) / 2
    joined = [targets["sigma_m"].reindex(drawn[c]).to_numpy(dtype=np.float64) for c in ("from_id", "to_id")]
    # The part of each end's spread that lies along the run.
    length_sigma = np.hypot(*np.nan_to_num(joined)) / math.sqrt(2.0)
    found = relay_quantities(
        drawn["pipe_m"],
        ends.mean(axis=1),
        outside_diameter(drawn["bore_m"], ref=ref),
        ref=ref,
        length_sigma_m=length_sigma,
        depth_sigma_m=spread,
    ).assign(length_sigma_m=length_sigma, trench_sigma_m=0.0, none_sigma=np.nan)
    found.index = drawn.index
    waste = {
        "pipe": ref.value("setting_out.pipe_waste"),
        "stone": ref.value("setting_out.stone_waste"),
        "loose": ref.value("setting_out.bulking") - 1.0,
        "": 0.0,
    }
    lines: list[tuple[Any, ...]] = []
    surfaces = _surfaces(drawn, patches)
    for name, row in found.assign(away_m3=found["bed_m3"] + found["pipe_m3"]).iterrows():
        sure = _how_sure(drawn.loc[name], row)
        for item, formula, net, sigma, unit, kind, order, order_unit in RELAY:
            told = f"surface: {surfaces[str(name)]}" if item.startswith("break") else sure
            if row["shallow"] and item in ("dig", "backfill"):
                told += "; the bed stands above the ground"
            numbers = (row[net], row[sigma], unit, 100 * waste[kind], row[order], order_unit)
            lines.append((name, item, formula, *numbers, told))
    for name, size in (soakaways if soakaways is not None else pd.DataFrame()).iterrows():
        plan, depth = size["length_m"] * size["width_m"], size["depth_m"]
        whole = plan * (targets["depth_invert_m"].get(name, math.nan) + depth)
        sure = "measured" if math.isfinite(whole) else "provisional: size or depth not known"
        loose = (100 * waste["loose"], whole * (1 + waste["loose"]), "m³ loose")
        fill = (plan * depth, math.nan, "m³", 0.0, plan * depth, "m³")
        dug = "length × width × (depth to inlet + depth below it)"
        lines.append((name, "dig, whole soakaway", dug, whole, math.nan, "m³", *loose, sure))
        lines.append((name, "fill below the inlet", "length × width × depth below it", *fill, sure))
    return pd.DataFrame(lines, columns=MATERIALS)


def _how_sure(run: Any, row: Any) -> str:
    if math.isnan(row["dig_m3"]):
        return f"provisional: {'bore' if math.isnan(row['trench_m']) else 'depth'} not known"
    traced = {run["from_evidence"], run["to_evidence"]}
    told = " and ".join(word.replace("_", " ") for word in sorted(traced))
    return f"inferred: {told}" if traced - {"seen"} else "measured"


def _surfaces(drawn: gpd.GeoDataFrame, patches: gpd.GeoDataFrame | None) -> dict[str, str]:
    """Say by run how many metres lie under each surface."""
    said = {}
    for name, line in drawn.geometry.items():
        parts: dict[str, float] = {}
        if patches is not None and len(patches):
            lengths = shapely.length(shapely.intersection(line, patches.geometry.to_numpy()))
            for surface, length in zip(patches["surface"], lengths, strict=True):
                if length > 0.05:
                    parts[str(surface)] = parts.get(str(surface), 0.0) + float(length)
        rest = line.length - sum(parts.values())
        if rest > 0.05:
            parts[NOT_KNOWN] = rest
        said[str(name)] = ", ".join(
            f"{key.replace('_', ' ')} {length:.1f} m" for key, length in parts.items()
        )
    return said


# --- warnings ----------------------------------------------------------------------------------

WARNING = ("of_id", "about", "near_id", "word", "said", "settle", "from_m", "to_m", "distance_m", "x", "y")


def foundation_rule(
    clear_m: ArrayLike,
    bottom_m: ArrayLike,
    *,
    ref: Reference,
    foundation: Measured | None = None,
    ground_m: ArrayLike = np.nan,
    sigma_m: ArrayLike = 0.0,
    clear_sigma_m: ArrayLike = 0.0,
) -> pd.DataFrame:
    """Answer whether a trench beside a foundation must be filled with concrete, and to what level.

    Approved Document H, H1 2.25 and Diagram 8, and NHBC's drainage guide (2004): less than 1 m clear,
    to the underside of the foundation at least; further off, to no more than the clear distance less
    150 mm below that underside. Where the foundation was not exposed it is only known to lie below the
    ground, which settles a trench shallow enough.

    Parameters
    ----------
    clear_m, clear_sigma_m
        (n,) clear distance from the side of the trench to the foundation, negative under the building;
        one that cannot be told from 1 m is taken as less.
    bottom_m, sigma_m
        (n,) level of the bottom of the trench and its sigma.
    foundation
        Level of its underside.
    ground_m
        (n,) level of the ground there.

    Returns
    -------
    One row each: below_m (how far below the underside the concrete may stop), concrete_to_m (NaN where
    the foundation is not known), margin_m (trench bottom below that level), word (``yes``: concrete is
    needed; ``no``; ``not known``), because, settle.
    """
    clear, bottom, ground, sigma, clear_sigma = np.broadcast_arrays(
        *(
            np.atleast_1d(np.asarray(value, dtype=np.float64))
            for value in (clear_m, bottom_m, ground_m, sigma_m, clear_sigma_m)
        )
    )
    z = ref.value("confidence.z_95")
    near = clear - z * clear_sigma < ref.value("setting_out.foundation_near_m")
    below = np.where(near, 0.0, clear - ref.value("setting_out.foundation_above_m"))
    spread = np.hypot(sigma, np.where(near, 0.0, clear_sigma))
    known = foundation is not None
    underside = foundation.value if foundation is not None else math.nan
    spread = np.hypot(spread, foundation.sigma if foundation is not None else 0.0)
    to = underside - below
    margin = (to if known else ground - below) - bottom
    band = z * spread
    under = clear < 0
    yes = margin > band if known else np.zeros(len(clear), dtype=bool)
    no = ~under & (margin < -band)
    missing = np.isnan(margin)
    word = np.select([yes, no & ~missing], ["yes", "no"], default=NOT_KNOWN)
    distance = np.char.mod("%.2f m clear", np.maximum(clear, 0.0)).astype(object)
    rule = np.where(
        near, "concrete to the underside of the foundation at least",
        "concrete to " + np.char.mod("%.2f m", below).astype(object) + " below its underside at the lowest",
    )  # fmt: skip
    head = np.where(under, "under the building", distance)
    tail = np.select(
        [word == "no", np.isnan(bottom), ~np.full(len(clear), known)],
        ["the trench is too shallow for that", "depth of the trench not known", "its depth is not known"],
        default=np.where(word == "yes", "the trench goes below that", "too near to tell"),
    )
    settle = np.select(
        [word != NOT_KNOWN, np.isnan(bottom), np.full(len(clear), known)],
        ["", "Dip the invert and level the ground.", "Level both again, and measure the clear distance."],
        default="Dig a hole by hand beside the wall to the underside of its foundation.",
    )
    because = head + ": " + rule.astype(object) + "; " + tail.astype(object)
    return pd.DataFrame(
        {
            "below_m": below, "concrete_to_m": to, "margin_m": np.where(known, margin, np.nan), "word": word,
            "because": because, "settle": settle,
        }
    )  # fmt: skip


def foundation_warnings(
    drawn: gpd.GeoDataFrame,
    depths: pd.DataFrame,
    boxes: gpd.GeoDataFrame,
    targets: pd.DataFrame,
    perimeter: Perimeter,
    *,
    ref: Reference,
    foundation: Measured | None = None,
) -> pd.DataFrame:
    """Return the lengths of run and the dig boxes that come too near a foundation, or may."""
    rows: list[Row] = []
    step = ref.value("setting_out.step_m")
    walls = perimeter.footprints
    bed, far = ref.value("setting_out.bed_m"), ref.value("setting_out.foundation_far_m")
    outside = pd.Series(outside_diameter(drawn["bore_m"], ref=ref), index=drawn.index)
    for name, run in drawn.iterrows():
        along = np.linspace(0.0, run["plan_m"], max(2, math.ceil(run["plan_m"] / step) + 1))
        points = shapely.line_interpolate_point(run.geometry, along)
        share = along / run["plan_m"]
        own = depths.loc[name]
        invert = run["up_low_m"] * (1 - share) + run["down_low_m"] * share
        ground = own["up_ground_m"] * (1 - share) + own["down_ground_m"] * share
        width = outside[name] + 2 * ref.value("setting_out.working_m")
        half = max(ref.value("setting_out.trench_least_m"), 0.0 if math.isnan(width) else width) / 2
        spread = math.hypot(own["up_depth_sigma_m"], own["down_depth_sigma_m"])
        for building_id, wall in walls.geometry.items():
            clear = np.maximum(0.0, shapely.distance(points, wall) - half)
            clear = np.where(shapely.contains_properly(wall, points), -half, clear)
            role = walls.loc[building_id, "role"]
            answer = foundation_rule(
                clear, invert - bed, ref=ref, foundation=foundation if role == "subject" else None,
                ground_m=ground, sigma_m=spread,
                clear_sigma_m=route_spread(run["route_sigma_m"], share),
            )  # fmt: skip
            rows += _stretches(str(name), str(building_id), along, points, clear, answer, far)
    for name, box in boxes.iterrows():
        for building_id, wall in walls.geometry.items():
            foundation_here = foundation if walls.loc[building_id, "role"] == "subject" else None
            gap = float(shapely.distance(box.geometry, wall))
            middle = shapely.Point(targets.loc[name, ["x", "y"]].to_numpy(dtype=np.float64))
            gap = -1.0 if shapely.contains_properly(wall, middle) else gap
            over = targets.loc[name, "ground_m"]
            answer = foundation_rule(
                gap, over - box["depth_to_m"], ref=ref, foundation=foundation_here, ground_m=over
            ).iloc[0]
            if answer["word"] != "no" and gap < far:
                x, y = targets.loc[name, ["x", "y"]]
                rows.append(_warning(name, "foundation", building_id, answer, distance_m=gap, x=x, y=y))
    return pd.DataFrame(rows, columns=list(WARNING))


def _stretches(
    name: str, building_id: str, along: Numbers, points: Any, clear: Numbers, answer: pd.DataFrame, far: float
) -> list[Row]:
    """Join neighbouring stations with one answer, each told by its closest."""
    word = answer["word"].to_numpy()
    open_ = (word != "no") & (clear < far)
    change = np.flatnonzero(np.r_[True, word[1:] != word[:-1]])
    rows = []
    for first, last in zip(change, np.r_[change[1:], len(word)] - 1, strict=True):
        own = np.arange(first, last + 1)[open_[first : last + 1]]
        if len(own):
            worst = int(own[np.argmin(clear[own])])
            rows.append(
                _warning(
                    name, "foundation", building_id, answer.iloc[worst], from_m=along[own[0]],
                    to_m=along[own[-1]], distance_m=clear[worst], x=points[worst].x, y=points[worst].y,
                )
            )  # fmt: skip
    return rows


def _warning(of_id: Any, about: str, near_id: Any, answer: Any, **where: float) -> Row:
    told = {"word": answer["word"], "said": answer["because"], "settle": answer["settle"]}
    return {"of_id": of_id, "about": about, "near_id": near_id, **told, **where}


def service_warnings(
    drawn: gpd.GeoDataFrame, boxes: gpd.GeoDataFrame, services: gpd.GeoDataFrame | None, *, ref: Reference
) -> pd.DataFrame:
    """Return where a recorded service crosses a run or a dig box, or may lie within hand-digging reach."""
    rows: list[Row] = []
    z, clear_m = ref.value("confidence.z_95"), ref.value("setting_out.service_clear_m")
    half = ref.value("setting_out.trench_least_m") / 2
    dug = [(name, run.geometry, run["route_sigma_m"], half) for name, run in drawn.iterrows()]
    dug += [(name, box.geometry, 0.0, 0.0) for name, box in boxes.iterrows()]
    for service_id, service in (services if services is not None else gpd.GeoDataFrame()).iterrows():
        if service.geometry is None or service.geometry.is_empty:
            continue
        seen = "seen" if service["evidence"] == "seen" else "told"
        own_sigma = ref.value(f"setting_out.service_{seen}_m")
        for name, shape, sigma, reach in dug:
            distance = float(shapely.distance(shape, service.geometry))
            if distance > clear_m + reach + z * math.hypot(sigma, own_sigma):
                continue
            meet = shapely.intersection(shape, service.geometry)
            place = (
                shapely.Point(shapely.shortest_line(shape, service.geometry).coords[0])
                if meet.is_empty
                else shapely.point_on_surface(meet)
            )
            line = shape.geom_type == "LineString"
            along = float(shapely.line_locate_point(shape, place)) if line else math.nan
            met = "crosses it" if distance == 0 else f"{distance:.2f} m from it as drawn"
            kind, known = (str(service[part]).replace("_", " ") for part in ("service_kind", "evidence"))
            answer = {
                "word": "crosses" if distance == 0 else "near",
                "because": f"{kind}, {known}: {met} (± {z * math.hypot(sigma, own_sigma):.1f} m)",
                "settle": "Locate it and dig by hand until it is seen.",
            }
            where = {"from_m": along, "to_m": along, "distance_m": distance, "x": place.x, "y": place.y}
            rows.append(_warning(name, "service", service_id, answer, **where))
    return pd.DataFrame(rows, columns=list(WARNING))


def _neighbours(
    drawn: gpd.GeoDataFrame, boxes: gpd.GeoDataFrame, perimeter: Perimeter, ref: Reference
) -> pd.DataFrame:
    """Return what is dug within reach of a neighbour's foundation."""
    rows: list[Row] = []
    near, far = ref.value("setting_out.neighbour_near_m"), ref.value("setting_out.neighbour_far_m")
    walls = perimeter.footprints[perimeter.footprints["role"] == "neighbour"]
    dug: Mapping[Any, Any] = {**drawn.geometry.to_dict(), **boxes.geometry.to_dict()}
    for building_id, wall in walls.geometry.items():
        for name, shape in dug.items():
            distance = float(shapely.distance(shape, wall))
            if distance < far:
                limit = "deeper than its foundation" if distance < near else "below 45° from its foundation"
                reach = near if distance < near else far
                act = "notice is due under the Party Wall etc. Act 1996 (England and Wales)"
                answer = {
                    "word": NOT_KNOWN,
                    "because": f"within {reach:g} m of a neighbour's building: dug {limit}, {act}",
                    "settle": "Find out how deep the neighbour's foundation goes.",
                }
                rows.append(_warning(name, "neighbour", building_id, answer, distance_m=distance))
    return pd.DataFrame(rows, columns=list(WARNING))
