"""Drain trenches beside foundations: where concrete is needed, and up to what level."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from geo.drains.setting_materials import outside_diameter
from geo.drains.setting_runs import route_spread
from geo.drains.setting_warnings import Row, warning_row, warning_table
from geo.perimeter.build import Perimeter
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured

Numbers = NDArray[np.float64]
GAP_M = 0.01
SURE = ("no", NOT_KNOWN, "yes")
NEVER_SEEN = "its depth is not known"
ONLY_TOLD = "its depth was told or inferred, not seen"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Footing:
    """A length of foundation and the level of its underside, NaN where nobody exposed it."""

    line: shapely.Geometry
    underside_m: float = math.nan
    sigma_m: float = 0.0
    unknown: str = NEVER_SEEN


def foundation_rule(
    clear_m: ArrayLike,
    bottom_m: ArrayLike,
    *,
    ref: Reference,
    underside_m: ArrayLike = np.nan,
    underside_sigma_m: ArrayLike = 0.0,
    ground_m: ArrayLike = np.nan,
    sigma_m: ArrayLike = 0.0,
    clear_sigma_m: ArrayLike = 0.0,
    unknown: str = NEVER_SEEN,
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
    underside_m, underside_sigma_m
        (n,) level of the foundation's underside; NaN where it was not exposed.
    ground_m
        (n,) level of the ground there.
    unknown
        Why an underside is not known.

    Returns
    -------
    One row each: below_m (how far below the underside the concrete may stop), concrete_to_m (NaN where
    the foundation is not known), margin_m (trench bottom below that level), word (``yes``: concrete is
    needed; ``no``; ``not known``), because, settle.
    """
    clear, bottom, ground, sigma, clear_sigma, underside, own_sigma = np.broadcast_arrays(
        *(
            np.atleast_1d(np.asarray(value, dtype=np.float64))
            for value in (clear_m, bottom_m, ground_m, sigma_m, clear_sigma_m, underside_m, underside_sigma_m)
        )
    )
    z = ref.value("confidence.z_95")
    near = clear - z * clear_sigma < ref.value("setting_out.foundation_near_m")
    below = np.where(near, 0.0, clear - ref.value("setting_out.foundation_above_m"))
    known = np.isfinite(underside)
    spread = np.sqrt(sigma**2 + np.where(near, 0.0, clear_sigma) ** 2 + np.where(known, own_sigma, 0.0) ** 2)
    to = underside - below
    margin = np.where(known, to, ground - below) - bottom
    band = z * spread
    under = clear < 0
    yes = known & (margin > band)
    no = ~under & (margin < -band)
    word = np.select([yes, no], ["yes", "no"], default=NOT_KNOWN).astype(object)
    distance = np.char.mod("%.2f m clear", np.maximum(clear, 0.0)).astype(object)
    rule = np.where(
        near, "concrete to the underside of the foundation at least",
        "concrete to " + np.char.mod("%.2f m", below).astype(object) + " below its underside at the lowest",
    )  # fmt: skip
    level = np.where(known, np.char.mod(", level %.2f m", to), "").astype(object)
    close = f"less than {ref.value('setting_out.foundation_near_m'):g} m clear, or may be"
    distance = np.where(near, close, distance)
    head = np.where(under, "under the building", distance)
    missing = np.isnan(bottom)
    tail = np.select(
        [word == "no", missing, ~known, word == "yes", under],
        [
            "the trench is too shallow for that", "depth of the trench not known", unknown,
            "the trench goes below that", "what stands on it inside is not known",
        ],
        default="too near to tell",
    )  # fmt: skip
    settle = np.select(
        [word != NOT_KNOWN, missing, known & under, known],
        [
            "", "Dip the invert and level the ground.", "Find out what stands over it inside.",
            "Level both again, and measure the clear distance.",
        ],
        default="Dig a hole by hand beside the wall to the underside of its foundation.",
    )  # fmt: skip
    because = head + ": " + rule.astype(object) + level + "; " + tail.astype(object)
    return pd.DataFrame(
        {
            "below_m": below, "concrete_to_m": to, "margin_m": np.where(known, margin, np.nan), "word": word,
            "because": because, "settle": settle,
        }
    )  # fmt: skip


def footings_of(
    perimeter: Perimeter, foundations: pd.DataFrame | None, *, ref: Reference, whole: Measured | None = None
) -> dict[str, tuple[Footing, ...]]:
    """Return every building's foundation, cut where what is known of it changes.

    Parameters
    ----------
    foundations
        Lengths that were looked at: ring_key, chainage_from_m, chainage_to_m, underside_level_m,
        level_sigma_m, evidence. What no row covers is not known. Where rows overlap each one counts.
    whole
        Level of the underside of every surveyed building, in place of the rows.
    """
    found: dict[str, tuple[Footing, ...]] = {}
    for building_id, wall in perimeter.footprints.geometry.items():
        if perimeter.footprints.loc[building_id, "role"] != "subject":
            found[str(building_id)] = (Footing(line=wall.boundary),)
        elif whole is not None:
            footing = Footing(line=wall.boundary, underside_m=whole.value, sigma_m=whole.sigma)
            found[str(building_id)] = (footing,)
        else:
            rings = perimeter.rings.index[perimeter.rings["building_id"] == building_id]
            own = [_ring_footings(perimeter, str(ring), foundations, ref) for ring in rings]
            found[str(building_id)] = tuple(footing for part in own for footing in part)
    return found


def _ring_footings(
    perimeter: Perimeter, ring_key: str, foundations: pd.DataFrame | None, ref: Reference
) -> list[Footing]:
    """Return the foundation along one ring: what was seen, and the rest."""
    length = float(perimeter.rings.loc[ring_key, "length_m"])
    rows = foundations[foundations["ring_key"] == ring_key] if foundations is not None else pd.DataFrame()
    made, covered = [], []
    for row in rows.to_dict("records"):
        start, end = float(row["chainage_from_m"]), float(row["chainage_to_m"])
        sigma = float(row["level_sigma_m"])
        seen = row["evidence"] == "seen" and math.isfinite(row["underside_level_m"])
        made.append(
            Footing(
                line=perimeter.line(ring_key, start, end),
                underside_m=float(row["underside_level_m"]) if seen else math.nan,
                sigma_m=sigma if math.isfinite(sigma) else ref.value("levels.invert_sigma_m"),
                unknown=NEVER_SEEN if row["evidence"] == "seen" else ONLY_TOLD,
            )
        )
        covered += [(start, end)] if end > start else [(start, length), (0.0, end)]
    at = 0.0
    for start, end in [*sorted(covered), (length, length)]:
        if start - at > GAP_M:
            made.append(Footing(line=perimeter.line(ring_key, at, start)))
        at = max(at, end)
    return made


def foundation_warnings(
    drawn: gpd.GeoDataFrame,
    depths: pd.DataFrame,
    boxes: gpd.GeoDataFrame,
    targets: pd.DataFrame,
    perimeter: Perimeter,
    *,
    ref: Reference,
    footings: dict[str, tuple[Footing, ...]],
) -> pd.DataFrame:
    """Return the lengths of run and the dig boxes that come too near a foundation, or may.

    Parameters
    ----------
    footings
        By building, from :func:`footings_of`; each length has its own clear distance and underside, and
        the one that asks most of the trench is told.
    """
    rows: list[Row] = []
    step, far = ref.value("setting_out.step_m"), ref.value("setting_out.foundation_far_m")
    bed = ref.value("setting_out.bed_m")
    outside = pd.Series(outside_diameter(drawn["bore_m"], ref=ref), index=drawn.index)
    walls = perimeter.footprints.geometry
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
        for building_id, wall in walls.items():
            inside = shapely.contains_properly(wall, points)
            strictest = _strictest(
                footings[str(building_id)], points, half, inside, invert - bed, ref, far,
                ground_m=ground, sigma_m=spread, clear_sigma_m=route_spread(run["route_sigma_m"], share),
            )  # fmt: skip
            if strictest is not None:
                rows += _stretches(str(name), str(building_id), along, points, *strictest, far)
    for name, box in boxes.iterrows():
        over = float(targets.loc[name, "ground_m"])
        x, y = targets.loc[name, ["x", "y"]]
        for building_id, wall in walls.items():
            inside = np.array([shapely.contains_properly(wall, shapely.Point(x, y))])
            shape = np.array([box.geometry], dtype=object)
            strictest = _strictest(
                footings[str(building_id)], shape, 0.0, inside, np.array([over - box["depth_to_m"]]), ref,
                far, ground_m=over,
            )  # fmt: skip
            if strictest is None:
                continue
            clear, answer = strictest
            told = answer.iloc[0]
            if told["word"] != "no" and clear[0] < far:
                where = {"distance_m": max(float(clear[0]), 0.0), "concrete_to_m": told["concrete_to_m"]}
                rows.append(warning_row(name, "foundation", building_id, told, **where, x=x, y=y))
    return warning_table(rows)


def _strictest(
    footings: tuple[Footing, ...],
    shapes: Any,
    half: float,
    inside: NDArray[np.bool_],
    bottom: Numbers,
    ref: Reference,
    far: float,
    **spread: ArrayLike,
) -> tuple[Numbers, pd.DataFrame] | None:
    """Return at every place the length of foundation that asks most: its clear distance and its answer.

    ``None`` where every place is at least ``far`` clear of all of it, so that none asks anything.
    """
    gaps = np.stack([np.maximum(0.0, shapely.distance(shapes, each.line) - half) for each in footings])
    if not inside.any() and float(gaps.min()) >= far:
        return None
    nearest = np.argmin(gaps, axis=0) == np.arange(len(footings))[:, None]
    gaps = np.where(inside & nearest, -max(half, 1e-9), gaps)
    answers = [
        foundation_rule(
            gap, bottom, ref=ref, underside_m=each.underside_m, underside_sigma_m=each.sigma_m,
            unknown=each.unknown, **spread,
        )
        for each, gap in zip(footings, gaps, strict=True)
    ]  # fmt: skip
    if len(answers) == 1:
        return gaps[0], answers[0]
    rank = np.stack([np.array([SURE.index(word) for word in answer["word"]]) for answer in answers])
    to = np.nan_to_num(np.stack([answer["concrete_to_m"].to_numpy() for answer in answers]), nan=-np.inf)
    # Surest first, then the highest concrete, then the nearest.
    order = np.lexsort((gaps, -to, -rank), axis=0)[0]
    each = np.arange(gaps.shape[1])
    whole = pd.concat(answers, ignore_index=True)
    return gaps[order, each], whole.iloc[order * gaps.shape[1] + each].reset_index(drop=True)


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
            to = answer["concrete_to_m"].to_numpy()[own]
            worst = int(own[np.nanargmax(to) if np.isfinite(to).any() else np.argmin(clear[own])])
            rows.append(
                warning_row(
                    name, "foundation", building_id, answer.iloc[worst], from_m=along[own[0]],
                    to_m=along[own[-1]], distance_m=max(float(clear[worst]), 0.0), x=points[worst].x,
                    y=points[worst].y, concrete_to_m=answer["concrete_to_m"].iloc[worst],
                )
            )  # fmt: skip
    return rows
