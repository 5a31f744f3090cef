"""Where to dig, how deep and what for: everything a drainage contractor sets out from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import pandas as pd

from geo.drains.network import Network
from geo.drains.setting_boxes import dig_boxes
from geo.drains.setting_camera import reel_tables
from geo.drains.setting_depths import Terrain, depths_below, ground_levels, run_depths
from geo.drains.setting_foundations import footings_of, foundation_warnings
from geo.drains.setting_materials import materials_of
from geo.drains.setting_runs import lay_out_runs
from geo.drains.setting_services import service_warnings
from geo.drains.setting_targets import targets_of
from geo.drains.setting_ties import open_corners, pegged, site_axes, tie_points, wall_offsets
from geo.drains.setting_warnings import neighbour_warnings, sewer_warnings
from geo.perimeter.build import Perimeter
from geo.reference import Reference
from geo.verdict import Measured

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
        crown and invert with range; columns of :func:`geo.drains.setting_ties.tie_points`,
        :func:`geo.drains.setting_ties.wall_offsets` and :func:`geo.drains.setting_depths.depths_below`.
    boxes
        Where to dig to be 95 % sure of it, by target id: depth_from_m, depth_to_m, length_m, width_m,
        bearing_deg, volume_m3, first (what to do before digging, or blank) and the rectangle.
    runs
        By run id: ends, use, owner, state, bore, evidence of both ends, plan and pipe length, fall, sigma
        of the line, drawn from fixed asset to fixed asset.
    reel
        Camera distances of the targets on each run, from both ends.
    marks
        Every whole metre of the reel from the upper end, with its place on the map.
    materials
        Quantities to lay each run again, and to dig out each soakaway: net, waste, order, formula.
    warnings
        Foundations, services, sewers and neighbours by run or target: word, reason, what settles it, and
        numbers where there are any (clear distance, level of concrete, vertical gap).
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
    terrain: Terrain | None = None,
    services: gpd.GeoDataFrame | None = None,
    patches: gpd.GeoDataFrame | None = None,
    soakaways: pd.DataFrame | None = None,
    foundations: pd.DataFrame | None = None,
    foundation: Measured | None = None,
    notes: Sequence[str] = (),
) -> SettingOut:
    """Work out the setting-out of a drainage network.

    Parameters
    ----------
    network
        The drains, levels in m above the site datum.
    runs
        The runs as recorded, by id: line, owner, pipe_material, fault_at_m.
    places
        Assets as fixed, by id: kind, state, evidence, x, y, var_xx, var_xy, var_yy (m, m²), refused.
    ground
        Levels of the ground: x, y, level_m, sigma_m, and name, what was levelled.
    terrain
        Heights of a raster on the site's datum, asked only where no level is in reach.
    services
        Pressurised services, by id: line, service_kind, evidence, depth_m and depth_sigma_m of the crown.
    patches
        Ground of one surface: surface, polygon.
    soakaways
        By id: length_m, width_m, depth_m below the inlet.
    foundations
        Undersides that were exposed (see :func:`geo.drains.setting_foundations.footings_of`).
    foundation
        Level of the underside of every surveyed building's foundation, in place of those.
    notes
        What else whoever digs should read.
    """
    drawn = lay_out_runs(network, runs, places, ref=ref)
    targets, wanting = targets_of(network, drawn, places, ref=ref)
    targets = targets.join(site_axes(targets, perimeter))
    targets = targets.join(tie_points(targets, perimeter, ref=ref))
    targets = targets.join(wall_offsets(targets, perimeter, ref=ref))
    targets = pegged(targets, ref=ref)
    solid = perimeter.footprints.union_all()
    depths_there = depths_below(targets, ground_levels(ground), ref=ref, terrain=terrain, buildings=solid)
    targets = targets.join(depths_there)
    boxes = dig_boxes(targets, ref=ref, crs=perimeter.crs)
    reel, marks = reel_tables(drawn, targets, ref=ref)
    depths = run_depths(drawn, targets)
    whole = drawn.join(depths)
    footings = footings_of(perimeter, foundations, ref=ref, whole=foundation)
    said = [
        foundation_warnings(drawn, depths, boxes, targets, perimeter, footings=footings, ref=ref),
        service_warnings(whole, boxes, services, ref=ref),
        sewer_warnings(drawn, perimeter, ref=ref),
        neighbour_warnings(drawn, boxes, perimeter, ref=ref),
    ]
    if services is None or services.empty:
        wanting.append("No service is recorded on this site; that nobody looked does not mean none is there.")
    return SettingOut(
        targets=targets,
        boxes=boxes,
        runs=whole,
        reel=reel,
        marks=marks,
        materials=materials_of(drawn, depths, patches, soakaways, targets, ref=ref),
        warnings=pd.concat([table for table in said if len(table)] or said[:1], ignore_index=True),
        corners=open_corners(perimeter),
        notes=(*notes, *wanting),
    )
