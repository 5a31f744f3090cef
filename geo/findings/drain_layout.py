"""A site's records joined into one network, with the walls and the ground beside it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cache, partial
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geo.crossings import cross, wall_section
from geo.drains.backup import back_up, every_blockage
from geo.drains.faults import find_faults
from geo.drains.network import Network, build_network
from geo.findings.assets import WORKING
from geo.findings.drain_answer import Drains
from geo.findings.drain_fixtures import join_fixtures, seat_fixtures
from geo.findings.drain_ground import ground_surfaces
from geo.findings.drain_levels import fill_levels
from geo.findings.drain_sewer import resting_faults, sewer_heads, where_the_sewer_comes_up
from geo.findings.drain_trials import prove_runs, tracing_tests
from geo.findings.examine import Findings
from geo.findings.places import ring_keys
from geo.reference import Reference
from geo.site.model import Site
from geo.verdict import Measured

NAN = math.nan
STATION_M = 0.25
SLIVER_M = 0.005
KINDS = ("gully", "downpipe", "soakaway", "chamber", "run")
BESIDE = ("fixture", "water_level", "foundation", "opening", "cavity", "floor_zone")
HOLED = (("downpipe", ()), ("gully", ("removed",)), ("chamber", ("wall_leaks",)))
"""Assets from which water may leave below ground, and in which states; a foot in any."""


def lay_out_drains(found: Findings) -> Drains:
    """Join a site's records into one network and lay out the walls and the ground beside it."""
    site, ref = found.site, found.site.reference
    tables = {kind: site.table(kind) for kind in (*KINDS, *BESIDE)}
    tables, filled, clashes = fill_levels(tables, found.levels, ref=ref)
    seated, leads = seat_fixtures({kind: tables[kind] for kind in KINDS}, tables["fixture"])
    network = build_network(
        seated | {"fitting": site.table("fitting")},
        ref=ref,
        positions=_positions(found, tables),
    )
    network, proven = prove_runs(join_fixtures(network, leads), site.table("trial"))
    heads, unused = sewer_heads(tables["water_level"], network, ref=ref)
    stations = found.perimeter.stations(STATION_M)
    openings, cavities = (_keyed(tables[kind], site) for kind in ("opening", "cavity"))
    finishes = _keyed(site.table("finish_zone"), site)
    floors = _floors_along(tables["floor_zone"], stations)
    sections = {
        str(key): _section(found, str(key), openings, cavities, floors, finishes)
        for key in found.perimeter.rings.index[found.perimeter.rings["examined"]]
    }
    footprints = found.perimeter.footprints
    buildings = gpd.GeoSeries(
        footprints.geometry.to_numpy(), index=footprints["building_id"].to_numpy(), crs=site.crs
    )
    faults = find_faults(
        network,
        ref=ref,
        buildings=buildings,
        downpipes=site.table("downpipe"),
        traces=tracing_tests(network, site.table("trial")),
        states=site.table("asset_state"),
    )
    resting = resting_faults(network, tables["water_level"], ref=ref)
    surfaces, notes = ground_surfaces(found, stations)
    return Drains(
        site=site,
        perimeter=found.perimeter,
        stations=stations,
        network=network,
        filled=filled,
        openings=openings,
        cavities=cavities,
        floors=floors,
        finishes=finishes,
        dpc=found.dpc,
        sections=sections,
        fabric=_fabric(sections, ref),
        faults=(*faults, *clashes, *resting),
        every=every_blockage(network, ref) if len(network.runs) else pd.DataFrame(),
        takes=_takes(network, ref),
        surfaces=surfaces,
        proven=proven,
        heads={name: head for name, (_, head) in heads.items()},
        sewer=where_the_sewer_comes_up(network, heads, ref=ref),
        owners={str(name): str(owner) for name, owner in tables["run"]["owner"].items()},
        notes=(*notes, *unused),
    )


def _takes(network: Network, ref: Reference) -> frozenset[str]:
    nodes = network.nodes
    sound = nodes.index[(nodes["kind"] == "gully") & nodes["state"].isin(WORKING)]
    return frozenset(
        str(name) for name in sound if back_up(network, source=str(name), ref=ref, changes=False).drains
    )


def _keyed(table: pd.DataFrame, site: Site) -> pd.DataFrame:
    return table.assign(ring_key=ring_keys(table, site))


def _positions(found: Findings, tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Return where the assets are, the ground beside those that may leave under it, and sizes of holes."""
    assets = found.assets
    kinds = [kind for kind in (*KINDS[:4], "fixture") if kind in found.placed]
    table = assets[["x", "y", "ring_key", "chainage_m"]].copy()
    table[["x", "y", "chainage_m"]] = table[["x", "y", "chainage_m"]].astype(float)
    sigma = [found.placed[kind]["position_sigma_m"] for kind in kinds]
    table["sigma_m"] = pd.concat(sigma).reindex(table.index) if sigma else NAN
    holes = pd.concat([tables[kind]["opening_cm2"] for kind, _ in HOLED])
    table["opening_cm2"] = holes.reindex(table.index)
    table[["ground_m", "ground_sigma_m"]] = NAN
    at_wall = cache(partial(_at_wall, found))
    # A sound rim or cover lies in the ground; only a foot, an open pipe or a holed wall may lie under it.
    for kind, states in HOLED:
        own = tables[kind]
        names = own.index[own["state"].isin(states)] if states else own.index
        for name in table.index.intersection(names):
            ring_key, at = str(table.loc[name, "ring_key"]), float(table.loc[name, "chainage_m"])
            if ring_key and math.isfinite(at):
                length = float(found.perimeter.rings.loc[ring_key, "length_m"])
                ground = _ground_at(at_wall(ring_key), length, at)
                table.loc[name, ["ground_m", "ground_sigma_m"]] = (ground.value, ground.sigma)
    return table


def _at_wall(found: Findings, ring_key: str) -> pd.DataFrame:
    """Return the ground levels of a ring, with a gap wherever two lie too far apart to join."""
    ref = found.site.reference
    levels = found.ground_levels
    near = levels["offset_m"].abs() <= ref.value("ground.wall_level_reach_m")
    own = levels[(levels["ring_key"] == ring_key) & near & levels["level_m"].notna()]
    own = own[["chainage_m", "level_m", "sigma_m"]].sort_values("chainage_m", kind="stable")
    if own.empty:
        return own
    length = float(found.perimeter.rings.loc[ring_key, "length_m"])
    at = own["chainage_m"].to_numpy(float)
    gap = np.diff(np.append(at, at[0] + length))
    far = gap > 2.0 * ref.value("ground.level_reach_m")
    middle = np.mod(at[far] + gap[far] / 2.0, length)
    blank = pd.DataFrame({"chainage_m": middle, "level_m": NAN, "sigma_m": NAN})
    both = pd.concat([own, blank]) if len(blank) else own
    return both.sort_values("chainage_m", kind="stable")


def _ground_at(own: pd.DataFrame, length: float, at: float) -> Measured:
    """Return the ground beside the wall, between the levels either side; never surer than those."""
    if own.empty:
        return Measured(NAN, NAN)
    level, sigma = (
        float(np.interp(at, own["chainage_m"], own[name], period=length)) for name in ("level_m", "sigma_m")
    )
    return Measured(level, sigma)


def _floors_along(zones: pd.DataFrame, stations: gpd.GeoDataFrame) -> pd.DataFrame:
    """Spread floor zones along the walls whose inner face they come up to: a row a zone and length."""
    columns = ["ring_key", "chainage_from_m", "chainage_to_m", "floor_kind", "top_level_m", "soffit_level_m"]
    columns += ["thickness_mm", "level_sigma_m", "edge", "evidence", "floor_id"]
    rows: list[dict[str, Any]] = []
    depth = stations["thickness_m"].to_numpy(float) + STATION_M
    normal = stations[["normal_e", "normal_n"]].to_numpy(float)
    inside = stations[["x", "y"]].to_numpy(float) - normal * depth[:, None]
    for zone_id, zone in zones.iterrows():
        shape = zone["geometry"]
        if shape is None or shape.is_empty:
            continue
        on = shapely.contains_xy(shape, inside[:, 0], inside[:, 1])
        if not on.any():
            continue
        own = stations[on]
        start, end = own["chainage_from_m"].to_numpy(), own["chainage_to_m"].to_numpy()
        keys = own["ring_key"].to_numpy()
        apart = ~np.isclose(start[1:], end[:-1]) | (keys[1:] != keys[:-1])
        for _, part in own.groupby(np.cumsum(np.r_[True, apart])):
            row = {name: zone[name] for name in columns if name in zone.index}
            row |= {"ring_key": part["ring_key"].iloc[0], "floor_id": zone_id}
            row |= {"chainage_from_m": part["chainage_from_m"].iloc[0]}
            rows.append(row | {"chainage_to_m": part["chainage_to_m"].iloc[-1]})
    return pd.DataFrame(rows, columns=columns)


def _section(
    found: Findings,
    ring_key: str,
    openings: pd.DataFrame,
    cavities: pd.DataFrame,
    floors: pd.DataFrame,
    finishes: pd.DataFrame,
) -> pd.DataFrame:
    """Lay out the wall of one ring, cut wherever something recorded begins or ends."""
    points = found.dpc[found.dpc["ring_key"] == ring_key]
    points = points.rename(columns={"sigma_m": "level_sigma_m"})
    length = float(found.perimeter.rings.loc[ring_key, "length_m"])
    own = [table[table["ring_key"] == ring_key] for table in (openings, cavities, floors, finishes)]
    faces = found.perimeter.faces
    faces = faces[faces["ring_key"] == ring_key]
    marks = [faces["chainage_from_m"], points["chainage_m"], np.arange(0.0, length, 1.0)]
    marks += [table[f"chainage_{end}_m"] for table in own for end in ("from", "to")]
    cuts = np.unique(np.concatenate([np.asarray(each, dtype=float) for each in marks]))
    cuts = cuts[(cuts > SLIVER_M) & (cuts < length - SLIVER_M)]
    cuts = np.concatenate(
        [[0.0], cuts[np.r_[True, np.diff(cuts) > SLIVER_M]] if len(cuts) else cuts, [length]]
    )
    pieces = pd.DataFrame({"chainage_from_m": cuts[:-1], "chainage_to_m": cuts[1:]})
    solid = len(points) > 0 and bool((points["leaf"] == "solid").all())
    if solid:
        # One damp proof course through the whole wall is the barrier on the inside too.
        points = pd.concat([points, points.assign(leaf="inner")])
    section = wall_section(
        pieces,
        dpc_points=points,
        cavities=own[1],
        floors=own[2],
        finishes=own[3],
        ground=_at_wall(found, ring_key),
        ring_length_m=length,
        ref=found.site.reference,
    )
    face = found.perimeter.face_at(ring_key, (cuts[:-1] + cuts[1:]) / 2.0)
    rows = found.perimeter.faces.iloc[face]
    return section.assign(solid=solid, outside=rows["outside"].to_numpy(), face=rows["face"].to_numpy())


def _fabric(sections: Mapping[str, pd.DataFrame], ref: Reference) -> pd.DataFrame:
    """Return the ways past the barrier that need no spill, where there is an outside."""
    found = []
    for key, section in sections.items():
        own = section[section["outside"]]
        if len(own):
            table = cross(own, None, ref=ref).lengths
            found.append(table[table["word"] != "no"].assign(ring_key=key))
    columns = ["ring_key", "way", "word", "chainage_from_m", "chainage_to_m", "length_m", "margin_mm"]
    columns += ["sigma_mm", "because", "settle"]
    return pd.concat(found, ignore_index=True)[columns] if found else pd.DataFrame(columns=columns)
