"""Services across and beside a dig: how near in plan, and how far apart in height where both are known."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely

from geo.drains.setting_warnings import Row, warning_row, warning_table
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict

LOCATE = "Locate it and dig by hand until it is seen."
EXPOSE = "Locate it, dig by hand until it is seen, and measure how deep its crown lies."


@dataclass(frozen=True, slots=True, kw_only=True)
class Pipe:
    """A drain at one place: how deep the top and the underside of the pipe lie, m, with one sigma."""

    top_m: float
    under_m: float
    sigma_m: float


def vertical_gap(service: Measured | None, pipe: Pipe | None, *, ref: Reference) -> Verdict:
    """Say how far a service passes over or under a drain, from depths below the same ground.

    Parameters
    ----------
    service
        Depth of the service's crown, m.
    pipe
        The drain where they cross.

    Returns
    -------
    ``over`` (margin: pipe's top to the service's crown, of which the service's own size takes its part),
    ``under`` (margin: pipe's underside to the service's crown), ``clash`` when its crown surely lies between
    the two, or ``not known``; the margin in metres.
    """
    if service is None:
        said = "how far apart in height is not known: the service's depth is not recorded"
        return Verdict(word=NOT_KNOWN, because=said, settle=EXPOSE)
    if pipe is None or not all(map(math.isfinite, (pipe.top_m, pipe.under_m, pipe.sigma_m))):
        said = "how far apart in height is not known: the drain's depth is not known there"
        return Verdict(word=NOT_KNOWN, because=said, settle="Dip the invert and level the ground over it.")
    sigma = math.hypot(service.sigma, pipe.sigma_m)
    band = ref.value("confidence.z_95") * sigma
    over, under = pipe.top_m - service.value, service.value - pipe.under_m
    told = {"sigma": sigma, "unit": "m"}
    if over > band:
        said = f"its crown passes {over:.2f} ± {band:.2f} m over the pipe's; its own size comes off that"
        return Verdict(word="over", because=said, margin=over, **told)  # type: ignore[arg-type]
    if under > band:
        said = f"its crown passes {under:.2f} ± {band:.2f} m under the pipe"
        return Verdict(word="under", because=said, margin=under, **told)  # type: ignore[arg-type]
    if -over > band and -under > band:
        said = f"as recorded they meet: its crown lies between the pipe's top and underside (± {band:.2f} m)"
        return Verdict(word="clash", because=said, margin=max(over, under), settle=EXPOSE, **told)  # type: ignore[arg-type]
    said = f"over or under cannot be told (± {band:.2f} m)"
    return Verdict(word=NOT_KNOWN, because=said, margin=max(over, under), settle=EXPOSE, **told)  # type: ignore[arg-type]


def pipe_at(run: Any, along_m: float, *, ref: Reference) -> Pipe | None:
    """Return how deep a run lies at a distance from its upper end; ``None`` where an end is not known.

    Ground and pipe are taken as straight between the ends; the ground may differ by
    ``setting_out.ground_fall`` for each metre from the nearer one.

    Parameters
    ----------
    run
        up_depth_m, down_depth_m, their sigmas, plan_m, bore_m.
    """
    share = min(max(along_m / run["plan_m"], 0.0), 1.0)
    invert = run["up_depth_m"] * (1 - share) + run["down_depth_m"] * share
    wall = ref.value("setting_out.pipe_wall_m")
    if not (math.isfinite(invert) and math.isfinite(run["bore_m"])):
        return None
    ends = math.hypot(run["up_depth_sigma_m"] * (1 - share), run["down_depth_sigma_m"] * share)
    drift = ref.value("setting_out.ground_fall") * min(share, 1 - share) * run["plan_m"]
    sigma = math.sqrt(ends**2 + drift**2 + ref.value("setting_out.pipe_wall_sigma_m") ** 2)
    return Pipe(top_m=invert - run["bore_m"] - wall, under_m=invert + wall, sigma_m=sigma)


def service_warnings(
    runs: gpd.GeoDataFrame, boxes: gpd.GeoDataFrame, services: gpd.GeoDataFrame | None, *, ref: Reference
) -> pd.DataFrame:
    """Return where a recorded service crosses a run or a dig box, or may lie within hand-digging reach.

    Parameters
    ----------
    runs
        Runs with route_sigma_m and, where they are known, the depths of :func:`pipe_at`.
    boxes
        depth_to_m and a rectangle, by target.
    services
        By id: line, service_kind, evidence, and where they are known depth_m and depth_sigma_m of its crown.
    """
    rows: list[Row] = []
    half = ref.value("setting_out.trench_least_m") / 2
    for service_id, service in (services if services is not None else gpd.GeoDataFrame()).iterrows():
        if service.geometry is None or service.geometry.is_empty:
            continue
        for name, run in runs.iterrows():
            rows += _beside(name, run, run["route_sigma_m"], half, service_id, service, ref)
        for name, box in boxes.iterrows():
            rows += _beside(name, box, 0.0, 0.0, service_id, service, ref)
    return warning_table(rows)


def _beside(
    name: Any, dug: Any, sigma: float, reach: float, service_id: Any, service: Any, ref: Reference
) -> list[Row]:
    """Return the places where one service meets one dig, or the one where it comes nearest."""
    z, clear = ref.value("confidence.z_95"), ref.value("setting_out.service_clear_m")
    seen = "seen" if service["evidence"] == "seen" else "told"
    spread = z * math.hypot(sigma, ref.value(f"setting_out.service_{seen}_m"))
    distance = float(shapely.distance(dug.geometry, service.geometry))
    if distance > clear + reach + spread:
        return []
    line = dug.geometry.geom_type == "LineString"
    meet = shapely.intersection(dug.geometry, service.geometry)
    places = (
        [shapely.Point(shapely.shortest_line(dug.geometry, service.geometry).coords[0])]
        if meet.is_empty
        else [shapely.point_on_surface(part) for part in shapely.get_parts(meet)]
    )
    kind, known = (str(service[part]).replace("_", " ") for part in ("service_kind", "evidence"))
    met = "crosses it" if distance == 0 else f"{distance:.2f} m from it as drawn"
    rows = []
    for place in places:
        along = float(shapely.line_locate_point(dug.geometry, place)) if line else math.nan
        height = (
            vertical_gap(crown_of(service, ref), _pipe(dug, along, ref), ref=ref)
            if line
            else _reached(service, dug, ref)
        )
        answer = {
            "word": "crosses" if distance == 0 else "near",
            "because": f"{kind}, {known}: {met} (± {spread:.1f} m); {height.because}",
            "settle": height.settle if height.settle == EXPOSE else LOCATE,
        }
        signed = -height.margin if height.word == "under" else height.margin
        where = {
            "from_m": along, "to_m": along, "distance_m": distance, "x": place.x, "y": place.y,
            "vertical_m": signed if line else math.nan,
            "vertical_sigma_m": height.sigma if line else math.nan,
        }  # fmt: skip
        rows.append(warning_row(name, "service", service_id, answer, **where))
    return rows


def crown_of(service: Any, ref: Reference) -> Measured | None:
    """Return the recorded depth of a service's crown, with its usual sigma where none is recorded."""
    depth = float(service.get("depth_m", math.nan))
    if not math.isfinite(depth):
        return None
    sigma = float(service.get("depth_sigma_m", math.nan))
    return Measured(
        depth, sigma if math.isfinite(sigma) else ref.value("setting_out.service_depth_share") * depth
    )


def _pipe(run: Any, along: float, ref: Reference) -> Pipe | None:
    return pipe_at(run, along, ref=ref) if "up_depth_m" in run else None


def _reached(service: Any, box: Any, ref: Reference) -> Verdict:
    """Say whether a dig box goes as deep as a service."""
    crown, bottom = crown_of(service, ref), float(box.get("depth_to_m", math.nan))
    if crown is None:
        return Verdict(word=NOT_KNOWN, because="how deep it lies is not recorded", settle=EXPOSE)
    band = ref.value("confidence.z_95") * crown.sigma
    lies = f"its crown lies {crown.value:.2f} ± {band:.2f} m down"
    if not math.isfinite(bottom):
        said = f"{lies}; how deep the hole goes is not known"
        return Verdict(word=NOT_KNOWN, because=said, settle=LOCATE)
    if bottom < crown.value - band:
        return Verdict(word="no", because=f"{lies}; the hole stops at {bottom:.2f} m, above it")
    return Verdict(word="yes", because=f"{lies}; the hole goes to {bottom:.2f} m and can reach it")
