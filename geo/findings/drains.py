"""The drains of a site: what is wrong with them, and where water goes when one is stopped."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from rasterio import features
from scipy import ndimage

from geo.crossings import WAYS, Remedy, cross, smallest_changes, wall_section
from geo.drains.backup import BackUp, Blockage, Pour, back_up, every_blockage, required_pour
from geo.drains.cavity import Pool, Tank, WallWater, reach_the_wall
from geo.drains.faults import RULES, Fault, find_faults
from geo.drains.network import Network, build_network
from geo.drains.storage import Inflow
from geo.errors import InputError, Problem
from geo.findings.examine import WAYS_IN, WORKING, Findings
from geo.findings.heights import SIGMAS
from geo.findings.places import ring_keys
from geo.ground.flood import EIGHT, Flood, drain, flood
from geo.ground.pools import stretch
from geo.ground.raster import Raster, mover
from geo.ground.strips import covered, moved_footprints
from geo.ground.surface import surfaces_from_levels
from geo.perimeter.build import Perimeter
from geo.reference import Reference
from geo.site.model import Site
from geo.verdict import NOT_KNOWN, Measured, Verdict

NAN = math.nan
Numbers = NDArray[np.float64]
Cells = tuple[NDArray[np.int64], NDArray[np.int64]]
STATION_M = 0.25
SLIVER_M = 0.005
KINDS = ("gully", "downpipe", "soakaway", "chamber", "run")
BOOKED = {
    ("gully", "rim"): "rim_level_m",
    ("gully", "lip"): "lip_level_m",
    ("gully", "invert"): "outlet_invert_level_m",
    ("chamber", "cover"): "cover_level_m",
    ("chamber", "invert"): "invert_level_m",
    ("soakaway", "cover"): "cover_level_m",
    ("soakaway", "invert"): "inlet_invert_level_m",
    ("opening", "sill"): "sill_level_m",
    ("opening", "threshold"): "sill_level_m",
    ("cavity", "cavity_base"): "base_level_m",
    ("cavity", "debris"): "debris_top_level_m",
    ("floor_zone", "floor"): "top_level_m",
    ("floor_zone", "soffit"): "soffit_level_m",
}
"""Which field of a record a line of the level book fills, by kind and role."""
CROSSING = ["node", "ring_key", "way", "word", "chainage_from_m", "chainage_to_m", "length_m"]
CROSSING += ["margin_mm", "sigma_mm", "because", "settle"]
REMEDY = ["node", "ring_key", "way", "what", "chainage_from_m", "chainage_to_m", "by_mm", "still_open"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surface:
    """Ground on which spilled water can be followed, its heights on the site's datum.

    ``toes`` are the cells at the foot of the wall, station by station, -1 where there is none.
    """

    name: str
    evidence: str
    raster: Raster
    building: NDArray[np.bool_]
    dry: Flood
    toes: Cells
    sigma_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OnGround:
    """Where water that leaves at the surface comes to rest.

    Parameters
    ----------
    word
        ``stands at the wall``, ``stands off the wall``, ``runs off`` or ``not known``.
    level
        Of the pool, m; NaN where none is known.
    pool
        What presses on the wall; ``None`` where nothing surely stands there.
    outline
        The pool in the site's CRS, or ``None``.
    """

    node: str
    word: str
    because: str
    settle: str
    evidence: str
    level: Measured
    depth_max_m: float
    full_l: float
    shut_in: bool
    pool: Pool | None
    outline: Any = field(default=None, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drains:
    """A site's drains laid out once; every question about them is asked of this.

    Parameters
    ----------
    network
        The drains, with positions and with the book's levels where a record has none.
    filled
        Levels taken from the book: of_id, column, level_m, sigma_m, level_ids.
    openings, cavities
        Those records with ring_key, and the book's levels where they have none.
    floors, finishes, dpc
        Floor zones spread along the walls, wall finishes, and points of the damp proof course, by ring_key.
    sections
        By ring, the levels of the wall at each station (:func:`geo.crossings.wall_section`).
    fabric
        Ways past the barrier that are open or not known without any spill: ring_key, way, word …
    faults
        What is wrong with the drains.
    every
        Every run and soakaway stopped in turn (:func:`geo.drains.backup.every_blockage`).
    takes
        Gullies that were found to work and whose drain, as recorded, runs on to an outfall.
    """

    site: Site
    perimeter: Perimeter
    stations: gpd.GeoDataFrame
    network: Network
    filled: pd.DataFrame
    openings: pd.DataFrame
    cavities: pd.DataFrame
    floors: pd.DataFrame
    finishes: pd.DataFrame
    dpc: pd.DataFrame
    sections: Mapping[str, pd.DataFrame]
    fabric: pd.DataFrame
    faults: tuple[Fault, ...]
    every: pd.DataFrame
    takes: frozenset[str]
    surfaces: tuple[Surface, ...] = field(repr=False)
    notes: tuple[str, ...]
    kept: dict[str, tuple[pd.DataFrame, pd.DataFrame]] = field(default_factory=dict, repr=False)

    @property
    def ref(self) -> Reference:
        """The limits in force."""
        return self.site.reference

    @property
    def ring_lengths(self) -> dict[str, float]:
        """Length of each ring, m."""
        return {str(key): float(length) for key, length in self.perimeter.rings["length_m"].items()}

    @property
    def can_be_blocked(self) -> tuple[str, ...]:
        """Ids that may be stopped: runs, and the ways out of gullies, chambers and soakaways."""
        kinds = self.network.nodes["kind"]
        own = kinds.index[kinds.isin(("gully", "chamber", "soakaway"))]
        return (*dict.fromkeys(self.network.runs["run_id"]), *(str(name) for name in own))

    @property
    def sources(self) -> tuple[str, ...]:
        """Ids at which water can be put in."""
        kinds = self.network.nodes["kind"]
        own = kinds.index[kinds.isin(("gully", "chamber", "downpipe"))]
        return (*(str(name) for name in own), *self.network.discharge)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrainAnswer:
    """What happens when one thing is stopped.

    Parameters
    ----------
    result
        First spill, rivals, litres, minutes, and the smallest changes to the drains.
    on_ground
        Where the water of each spill at the surface goes.
    water
        Each spill seen from the wall.
    crossings
        One row a length of wall and way: node, ring_key, way, word, chainage_from_m, chainage_to_m
        (smaller than from where it passes the origin corner), margin_mm, sigma_mm, because, settle.
    remedies
        The smallest change to the wall that closes each: node, ring_key, way, what, chainages, by_mm,
        still_open.
    roof_m2
        Plan area of the roofs that drain to what stands full.
    pour
        What a test with this flow must pour; ``None`` without a steady flow or a known first spill.
    """

    blocked: str
    at_m: float | None
    source: str
    inflow: Inflow | None
    result: BackUp
    on_ground: tuple[OnGround, ...]
    water: tuple[WallWater, ...]
    crossings: pd.DataFrame
    remedies: pd.DataFrame
    roof_m2: float
    pour: Pour | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrainFindings:
    """Everything found about a site's drains, and the answer for a chosen blockage."""

    drains: Drains
    answer: DrainAnswer | None

    @property
    def network(self) -> Network:
        """The drains."""
        return self.drains.network

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What is wrong with them."""
        return self.drains.faults

    @property
    def every(self) -> pd.DataFrame:
        """Every run and soakaway stopped in turn, with its first spill."""
        return self.drains.every


def examine_drains(
    found: Findings | Drains,
    *,
    blocked: str | Blockage | None = None,
    source: str | None = None,
    inflow: Inflow | None = None,
) -> DrainFindings:
    """Say what is wrong with a site's drains and, for something stopped, where the water goes.

    Parameters
    ----------
    found
        What was found at the site, or its drains already laid out by :func:`lay_out_drains`.
    blocked
        What is stopped; ``None`` for the faults and every single blockage only.
    source
        Where water is put in; by default just above the stop.
    inflow
        What is put in; ``None`` to ask only where it would leave.

    Raises
    ------
    InputError
        When an id is not of the network.
    """
    drains = found if isinstance(found, Drains) else lay_out_drains(found)
    answer = None
    if blocked is not None:
        answer = ask_drains(drains, blocked=blocked, source=source, inflow=inflow)
    return DrainFindings(drains=drains, answer=answer)


def lay_out_drains(found: Findings) -> Drains:
    """Join a site's records into one network and lay out the walls and the ground beside it."""
    site, ref = found.site, found.site.reference
    tables = {kind: site.table(kind) for kind in (*KINDS, "opening", "cavity", "floor_zone")}
    tables, filled, clashes = fill_levels(tables, found.levels, ref=ref)
    network = build_network(
        {kind: tables[kind] for kind in KINDS}, ref=ref, positions=_positions(found, tables["downpipe"])
    )
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
        states=site.table("asset_state"),
    )
    surfaces, notes = _surfaces(found, stations)
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
        faults=(*faults, *clashes),
        every=every_blockage(network, ref) if len(network.runs) else pd.DataFrame(),
        takes=_takes(network, ref),
        surfaces=surfaces,
        notes=notes,
    )


def _takes(network: Network, ref: Reference) -> frozenset[str]:
    nodes = network.nodes
    sound = nodes.index[(nodes["kind"] == "gully") & nodes["state"].isin(WORKING)]
    return frozenset(
        str(name) for name in sound if back_up(network, source=str(name), ref=ref, changes=False).drains
    )


def fill_levels(
    tables: Mapping[str, pd.DataFrame], levels: pd.DataFrame, *, ref: Reference
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame, tuple[Fault, ...]]:
    """Fill levels a record does not have from the level book, and say where the two disagree.

    Parameters
    ----------
    tables
        Records by kind, indexed by id.
    levels
        Reduced levels indexed by id: role, of_id, level_m, sigma_m; x, y for inverts of runs.

    Returns
    -------
    The tables; what was filled (of_id, column, level_m, sigma_m, level_ids); and a fault for each record
    whose own level lies further from the book's than two sigma. A level booked twice counts once, at the
    mean, with the larger sigma.
    """
    made = {kind: table.copy() for kind, table in tables.items()}
    z = ref.value("drains.rival_sigmas")
    rows, faults = [], []
    booked = levels[(levels["of_id"] != "") & levels["level_m"].notna()]
    for kind, table in made.items():
        own = booked[booked["of_id"].isin(table.index)]
        columns = [_column(kind, row, table) for row in own.itertuples()]
        for (name, column), same in own.groupby([own["of_id"].to_numpy(), np.array(columns, dtype=object)]):
            if not column:
                continue
            level, sigma = float(same["level_m"].mean()), float(same["sigma_m"].max())
            ids = tuple(str(each) for each in same.index)
            recorded = float(table.loc[name, column])
            if math.isnan(recorded):
                table.loc[name, column] = level
                held = float(table.loc[name, "level_sigma_m"])
                table.loc[name, "level_sigma_m"] = sigma if math.isnan(held) else max(held, sigma)
                rows.append((name, column, level, sigma, " ".join(ids)))
                continue
            usual = ref.value(SIGMAS.get(str(same["role"].iloc[0]), "levels.staff_sigma_m"))
            held = float(table.loc[name, "level_sigma_m"])
            gap = Measured(recorded, usual if math.isnan(held) else held) - Measured(level, sigma)
            if abs(gap.value) > z * gap.sigma:
                faults.append(_clash(str(name), column, recorded, level, gap, ids))
    names = ["of_id", "column", "level_m", "sigma_m", "level_ids"]
    return made, pd.DataFrame(rows, columns=names), tuple(faults)


def _column(kind: str, row: Any, table: pd.DataFrame) -> str:
    """Return the field a booked level belongs to; for a run, the invert of the nearer end."""
    if kind != "run":
        return BOOKED.get((kind, str(row.role)), "")
    line = table.loc[row.of_id, "geometry"]
    if row.role != "invert" or line is None or line.is_empty or not math.isfinite(getattr(row, "x", NAN)):
        return ""
    start, end = (math.dist((row.x, row.y), line.coords[i][:2]) for i in (0, -1))
    return "invert_up_level_m" if start < end else "invert_down_level_m"


def _clash(
    name: str, column: str, recorded: float, level: float, gap: Measured, ids: tuple[str, ...]
) -> Fault:
    what = column.removesuffix("_level_m").replace("_", " ")
    said = f"{name}: its {what} is recorded at {recorded:.3f} and booked at {level:.3f} m ({', '.join(ids)})"
    verdict = Verdict(
        word="yes", because=said, settle=f"Shoot the {what} of {name} again.", margin=1000 * abs(gap.value),
        sigma=1000 * gap.sigma, unit="mm", rests_on=(name, *ids),
    )  # fmt: skip
    return Fault(rule="contradiction", ids=(name, *ids), said=said, verdict=verdict)


def _keyed(table: pd.DataFrame, site: Site) -> pd.DataFrame:
    return table.assign(ring_key=ring_keys(table, site))


def _positions(found: Findings, downpipes: pd.DataFrame) -> pd.DataFrame:
    """Return where the assets are, and the ground beside the feet of downpipes where it was levelled."""
    assets = found.assets
    table = assets[["x", "y", "ring_key", "chainage_m"]].copy()
    table[["x", "y", "chainage_m"]] = table[["x", "y", "chainage_m"]].astype(float)
    sigma = [found.placed[kind]["position_sigma_m"] for kind in KINDS[:4] if kind in found.placed]
    table["sigma_m"] = pd.concat(sigma).reindex(table.index) if sigma else NAN
    # Only a foot may be above or below the ground; a rim or a cover lies in it.
    table["ground_m"] = NAN
    for name in table.index.intersection(downpipes.index):
        ring_key, at = str(table.loc[name, "ring_key"]), float(table.loc[name, "chainage_m"])
        if ring_key and math.isfinite(at):
            table.loc[name, "ground_m"] = _ground_at(found, ring_key, at)
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


def _ground_at(found: Findings, ring_key: str, at: float) -> float:
    own = _at_wall(found, ring_key)
    if own.empty:
        return NAN
    length = float(found.perimeter.rings.loc[ring_key, "length_m"])
    return float(np.interp(at, own["chainage_m"], own["level_m"], period=length))


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


def _surfaces(found: Findings, stations: gpd.GeoDataFrame) -> tuple[tuple[Surface, ...], tuple[str, ...]]:
    """Return the ground on which water can be followed: surfaces of levels first, then the raster."""
    site, footprints = found.site, found.perimeter.footprints
    made: list[Surface] = []
    notes: list[str] = []
    for patch in surfaces_from_levels(found.ground_levels, footprints, site.crs, ref=site.reference):
        if patch.raster is not None:
            name = f"levels of {patch.patch_id or 'the ground'}"
            made.append(_surface(name, "levels", patch.raster, footprints, stations, patch.raster.sigma_m))
    raster, tie = found.raster, found.ground.tie
    if raster is not None and tie is not None and tie.used:
        sigma = math.hypot(raster.relative_sigma_m, float(tie.sigma_m))
        level = raster.raised(-tie.offset_m)
        made.append(_surface("the raster", "raster", level, footprints, stations, sigma))
    elif raster is not None:
        notes.append("the raster is not tied to the site's levels: spilled water is not followed on it")
    return tuple(made), tuple(notes)


def _surface(
    name: str,
    evidence: str,
    raster: Raster,
    footprints: gpd.GeoDataFrame,
    stations: gpd.GeoDataFrame,
    sigma_m: float,
) -> Surface:
    building = covered(raster, moved_footprints(footprints, raster).geometry)
    foot = stations[["x", "y"]].to_numpy(float)
    foot = foot + stations[["normal_e", "normal_n"]].to_numpy(float) * raster.cell_m * 0.75
    row, column = _cells(raster, mover(stations.crs, raster.crs)(foot))
    outside = stations["outside"].to_numpy(bool)
    return Surface(
        name=name,
        evidence=evidence,
        raster=raster,
        building=building,
        dry=flood(raster, building, np.zeros_like(building)),
        toes=(np.where(outside, row, -1), np.where(outside, column, -1)),
        sigma_m=sigma_m,
    )


def _cells(raster: Raster, xy: Numbers) -> Cells:
    """Return row and column of the cells points lie in; -1 off the raster."""
    t = raster.transform
    column = np.floor((xy[:, 0] - t.c) / t.a).astype(np.int64)
    row = np.floor((xy[:, 1] - t.f) / t.e).astype(np.int64)
    rows, columns = raster.z.shape
    off = (row < 0) | (row >= rows) | (column < 0) | (column >= columns)
    return np.where(off, -1, row), np.where(off, -1, column)


def ask_drains(
    drains: Drains,
    *,
    blocked: str | Blockage,
    source: str | None = None,
    inflow: Inflow | None = None,
) -> DrainAnswer:
    """Follow the water from something stopped to the wall and past its barrier.

    Parameters
    ----------
    blocked, source, inflow
        As for :func:`examine_drains`.

    Raises
    ------
    InputError
        When an id is not of the network.
    """
    ref, network = drains.ref, drains.network
    stop = Blockage(asset_id=blocked) if isinstance(blocked, str) else blocked
    if stop.asset_id not in drains.can_be_blocked:
        raise InputError([_no_such(stop.asset_id, drains.can_be_blocked)])
    start = source or just_above(drains, stop.asset_id)
    result = back_up(network, blocked=stop, source=start, inflow=inflow, ref=ref)
    litres = result.balance.spilled_l if result.balance is not None else NAN
    follow = {
        spill.node: _follow(drains, spill.node, litres, result)
        for spill in result.spills
        if not spill.below_ground
    }

    def pool_of(node: str, _level: Measured, _litres: float) -> Pool | None:
        return follow[node].pool if node in follow else None

    water = reach_the_wall(
        result,
        network,
        openings=drains.openings,
        cavities=drains.cavities,
        ref=ref,
        ground_pool=pool_of,
        ring_lengths=drains.ring_lengths,
    )
    water = tuple(_told(each, follow.get(each.node), drains) for each in water)
    crossings, remedies = _past_the_barrier(drains, water)
    rate = inflow.peak_l_s if inflow is not None else 0.0
    pours = rate > 0 and result.litres.value > 0
    return DrainAnswer(
        blocked=stop.asset_id,
        at_m=stop.at_m,
        source=start,
        inflow=inflow,
        result=result,
        on_ground=tuple(follow.values()),
        water=water,
        crossings=crossings,
        remedies=remedies,
        roof_m2=roofs_above(drains, result),
        pour=required_pour(result, rate_l_s=rate, ref=ref) if pours else None,
    )


def _no_such(name: str, allowed: tuple[str, ...]) -> Problem:
    some = ", ".join(allowed[:12]) or "nothing is recorded"
    return Problem(
        file="drains",
        found=f"nothing that can be blocked is called {name!r}",
        allowed=some,
        mend="Name one of these.",
    )


def just_above(drains: Drains, asset_id: str) -> str:
    """Return the node just above a stop, where water comes to it: the usual place to put some in."""
    if asset_id in drains.every.index:
        return str(drains.every.loc[asset_id, "source"])
    return asset_id


def roofs_above(drains: Drains, result: BackUp) -> float:
    """Return the plan area of the roofs that drain to what stands full, m²."""
    graph, roofs = drains.network.graph, drains.network.nodes["roof_m2"]
    above = set(result.pool).union(*(nx.ancestors(graph, name) for name in result.pool))
    return float(roofs.reindex(sorted(above)).sum())


def path_of(drains: Drains, answer: DrainAnswer | None = None, *, start: str = "") -> tuple[str, ...]:
    """Return the runs to show in a long section, upper end first.

    From ``start``, or from the first spill where its water comes by the stop, else from the source, down
    to where the drain ends.
    """
    network, graph = drains.network, drains.network.graph
    node = start
    if answer is not None and not node:
        pieces = network.pieces(answer.blocked)
        stop = str(network.runs["from_node"].iloc[pieces[-1]]) if pieces else answer.blocked
        first = answer.result.first
        node = first if first in graph and stop in graph and nx.has_path(graph, first, stop) else ""
        node = node or str(network.nodes.index[network.place(answer.source)])
    if node not in graph:
        node = str(network.nodes.index[network.place(node)])
    path: list[str] = []
    seen = {node}
    while True:
        onward = [(key, below) for _, below, key in graph.out_edges(node, keys=True) if below not in seen]
        if not onward:
            return tuple(path)
        key, node = onward[0]
        path.append(str(key))
        seen.add(node)


def ground_along(drains: Drains, path: tuple[str, ...]) -> pd.DataFrame:
    """Return the ground over a path of runs, straight from node to node, every quarter of a metre.

    Returns
    -------
    distance_m along the path, level_m (NaN where not known) and evidence (levels, raster, "").
    """
    nodes, runs = drains.network.nodes, drains.network.runs
    points, at, done = [], [], 0.0
    for name in path:
        run = runs.loc[name]
        ends = nodes.loc[[run["from_node"], run["to_node"]], ["x", "y"]].to_numpy(float)
        length = float(run["length_m"]) if run["length_m"] > 0 else 0.0
        share = np.linspace(0.0, 1.0, max(2, math.ceil(length / STATION_M) + 1))[:, None]
        points.append(ends[0] + share * (ends[1] - ends[0]))
        at.append(done + share[:, 0] * length)
        done += length
    if not points:
        return pd.DataFrame({"distance_m": [], "level_m": [], "evidence": []})
    xy = np.concatenate(points)
    level, evidence = np.full(len(xy), NAN), np.full(len(xy), "", dtype=object)
    for surface in drains.surfaces:
        here = np.isnan(level) & np.isfinite(xy).all(axis=1)
        if not here.any():
            break
        place = mover(drains.site.crs, surface.raster.crs)(xy[here])
        row, column = _cells(surface.raster, place)
        open_ = (row >= 0) & ~surface.building[row, column]
        z = np.where(open_, surface.raster.z[row, column], NAN)
        level[here] = z
        evidence[here] = np.where(np.isfinite(z), surface.evidence, "")
    return pd.DataFrame({"distance_m": np.concatenate(at), "level_m": level, "evidence": evidence})


def rain_on(answer: DrainAnswer, mm_h: float, *, minutes: float = math.inf) -> Inflow:
    """Return steady rain on the roofs that drain to the stop, taken at their plan area."""
    return Inflow.rain(mm_h, area_m2=answer.roof_m2, minutes=minutes)


def _follow(drains: Drains, node: str, litres: float, result: BackUp) -> OnGround:
    """Follow water over the ground from where it leaves, on the best surface there is."""
    place = drains.network.nodes.loc[node]
    xy = np.array([[float(place["x"]), float(place["y"])]])
    tried: list[OnGround] = []
    if np.isfinite(xy).all():
        for surface in drains.surfaces:
            answer = _on_surface(drains, surface, node, xy, litres, result)
            if answer is not None:
                tried.append(answer)
                if answer.word != NOT_KNOWN:
                    return answer
    if tried:
        return tried[0]
    said = f"no levels of the ground round {node}, and no raster tied to them"
    return _unknown_ground(node, said, f"Level the ground round {node}, to where it stops falling.")


def _unknown_ground(node: str, because: str, settle: str, evidence: str = "") -> OnGround:
    return OnGround(
        node=node, word=NOT_KNOWN, because=because, settle=settle, evidence=evidence,
        level=Measured(NAN, NAN), depth_max_m=NAN, full_l=NAN, shut_in=False, pool=None,
    )  # fmt: skip


def _on_surface(
    drains: Drains, surface: Surface, node: str, xy: Numbers, litres: float, result: BackUp
) -> OnGround | None:
    """Say where the water goes on one surface; ``None`` where it has no height at the node."""
    raster = surface.raster
    start = _open_cell(surface, mover(drains.site.crs, raster.crs)(xy))
    if start is None:
        return None
    spills, names = _let_out(drains, surface, result, sills=False)
    water = drain(surface.dry, raster, surface.building, spills)
    shut = bool(water.shut_in[start])
    if shut:
        spills, names = _let_out(drains, surface, result, sills=True)
        water = drain(surface.dry, raster, surface.building, spills)
    deep = _deep(water, drains.ref.value("ground.pond_depth_min_m"))
    end, left = _run_down(raster, water, surface.building, deep, start)
    settle = f"Level the ground from {node} to where its water would stop."
    if left or not (deep[end] or water.shut_in[end]):
        return _runs_off(drains, surface, node, names.get(end, ""), settle, left=left)
    mask = _pool_mask(water, end)
    z = raster.z[mask]
    area = raster.cell_m**2
    top = float(water.surface_m[end]) if not water.shut_in[end] else NAN
    full = float(1000.0 * area * (top - z).sum()) if math.isfinite(top) else math.inf
    level = top
    if litres < full:
        level = _level_of(z, area, litres)
    if not math.isfinite(level):
        said = f"{surface.name}: shut in, and no threshold or air-brick there has a level"
        return _unknown_ground(node, said, "Level the lowest threshold or air-brick there.", surface.evidence)
    deepest = level - float(z.min())
    noise = drains.ref.value("drains.rival_sigmas") * raster.relative_sigma_m
    sure = deepest > max(noise, drains.ref.value("ground.pond_depth_min_m"))
    said = f"{surface.name}: a pool up to {1000 * deepest:.0f} mm deep at {level:.3f} m"
    said += f", {full:.0f} l when full" if math.isfinite(full) else ""
    if not litres < full and _spills_over_edge(raster, surface.building, mask, top):
        said += "; the heights end at its edge, so it may stand higher"
        sure = False
    if shut and not litres < full:
        said += "; shut in: it rises until it finds a way in"
    outline, touched = _touched(drains, surface, mask, level)
    if not sure:
        if deepest <= noise:
            said += f"; error alone may make a hollow {1000 * noise:.0f} mm deep"
        return replace(_unknown_ground(node, said, settle, surface.evidence), outline=outline)
    held = Measured(level, surface.sigma_m)
    pool = _pool(drains, touched, held, node)
    return OnGround(
        node=node,
        word="stands at the wall" if pool is not None else "stands off the wall",
        because=said,
        settle="",
        evidence=surface.evidence,
        level=held,
        depth_max_m=deepest,
        full_l=full,
        shut_in=shut,
        pool=pool,
        outline=outline,
    )


def _runs_off(drains: Drains, surface: Surface, node: str, into: str, settle: str, *, left: bool) -> OnGround:
    """Say that water leaves the surface, as surely as its heights can."""
    noise = drains.ref.value("drains.rival_sigmas") * surface.raster.relative_sigma_m
    if left and not into and surface.evidence == "levels":
        said = f"{surface.name}: water from {node} runs on to where its levels end"
        return _unknown_ground(node, said, settle, "levels")
    where = f"runs to {into} and goes down it" if into else "runs off and stands nowhere near the walls"
    said = f"{surface.name}: water from {node} {where}"
    if surface.evidence == "raster" and noise > drains.ref.value("drains.hollow_m"):
        said += f"; a hollow less than {1000 * noise:.0f} mm deep would not show"
        return _unknown_ground(node, said, settle, surface.evidence)
    return replace(_unknown_ground(node, said, "", surface.evidence), word="runs off")


def _open_cell(surface: Surface, xy: Numbers) -> tuple[int, int] | None:
    """Return the cell of a point, or the open one nearest to it within two cells."""
    row, column = (int(each[0]) for each in _cells(surface.raster, xy))
    if row < 0:
        return None
    around = [(row + i, column + j) for i in range(-2, 3) for j in range(-2, 3)]
    around.sort(key=lambda cell: (cell[0] - row) ** 2 + (cell[1] - column) ** 2)
    rows, columns = surface.raster.z.shape
    for i, j in around:
        inside = 0 <= i < rows and 0 <= j < columns
        if inside and not surface.building[i, j] and np.isfinite(surface.raster.z[i, j]):
            return i, j
    return None


def _let_out(
    drains: Drains, surface: Surface, result: BackUp, *, sills: bool
) -> tuple[Numbers, dict[tuple[int, int], str]]:
    """Return the level at which water leaves each cell, and by what: gullies not backed up, ways in."""
    graph = drains.network.graph
    backed = set(result.pool).union(*(nx.ancestors(graph, name) for name in result.pool), result.blocked)
    free = drains.network.nodes.loc[sorted(drains.takes - backed)]
    free = free[free["rim_m"].notna()]
    places = [free[["x", "y"]].to_numpy(float)]
    levels, named = [free["rim_m"].to_numpy(float)], list(free.index)
    if sills:
        own = drains.openings
        known = own["ring_key"].isin(drains.perimeter.rings.index) & own["sill_level_m"].notna()
        own = own[known & own["opening_kind"].isin(WAYS_IN)]
        if len(own):
            middle = (own["chainage_from_m"] + own["chainage_to_m"]).to_numpy(float) / 2.0
            offset = surface.raster.cell_m * 0.75
            places.append(drains.perimeter.point_at(own["ring_key"].to_numpy(), middle, offset))
            levels.append(own["sill_level_m"].to_numpy(float))
            named += list(own.index)
    xy, level = np.concatenate(places), np.concatenate(levels)
    spills = np.full(surface.raster.z.shape, np.inf)
    names: dict[tuple[int, int], str] = {}
    there = np.isfinite(xy).all(axis=1)
    if there.any():
        row, column = _cells(surface.raster, mover(drains.site.crs, surface.raster.crs)(xy[there]))
        on = row >= 0
        np.minimum.at(spills, (row[on], column[on]), level[there][on])
        cells = zip(row[on].tolist(), column[on].tolist(), strict=True)
        names = dict(zip(cells, np.array(named, dtype=object)[there][on], strict=True))
    return spills, names


def _deep(water: Flood, least_m: float) -> NDArray[np.bool_]:
    """Return the cells of hollows deeper than the roughness of the ground."""
    labels, count = ndimage.label(water.depth_m > 0, structure=EIGHT)
    if not count:
        return np.zeros(labels.shape, dtype=bool)
    deepest = np.asarray(ndimage.maximum(water.depth_m, labels, np.arange(count + 1)))
    deepest[0] = 0.0
    return np.asarray(deepest[labels] > least_m)


def _run_down(
    raster: Raster,
    water: Flood,
    building: NDArray[np.bool_],
    deep: NDArray[np.bool_],
    start: tuple[int, int],
) -> tuple[tuple[int, int], bool]:
    """Walk down the filled ground, steepest first, over flats, to a pool or off the heights."""
    rows, columns = raster.z.shape
    here = start
    while not deep[here]:
        flat, todo = {here}, [here]
        edge, lower, pool, fall = False, here, here, 1e-9
        while todo:
            i, j = todo.pop()
            edge |= i in (0, rows - 1) or j in (0, columns - 1)
            for k in range(max(0, i - 1), min(rows, i + 2)):
                for m in range(max(0, j - 1), min(columns, j + 2)):
                    if building[k, m] or (k, m) in flat:
                        continue
                    if not np.isfinite(raster.z[k, m]):
                        edge = True
                        continue
                    drop = float(water.surface_m[i, j] - water.surface_m[k, m]) / math.hypot(k - i, m - j)
                    if drop > fall:
                        lower, fall = (k, m), drop
                    elif abs(drop) <= 1e-9:
                        flat.add((k, m))
                        if deep[k, m]:
                            pool = (k, m)
                        else:
                            todo.append((k, m))
        if lower == here:
            return (here, True) if edge else (pool, False)
        here = lower
    return here, False


def _pool_mask(water: Flood, cell: tuple[int, int]) -> NDArray[np.bool_]:
    """Return the cells that stand under one water with a cell."""
    if water.shut_in[cell]:
        labels, _ = ndimage.label(water.shut_in, structure=EIGHT)
    else:
        same = (water.depth_m > 0) & (np.abs(water.surface_m - water.surface_m[cell]) < 1e-9)
        labels, _ = ndimage.label(same, structure=EIGHT)
    return np.asarray(labels == labels[cell])


def _spills_over_edge(
    raster: Raster, building: NDArray[np.bool_], mask: NDArray[np.bool_], top: float
) -> bool:
    """Say whether a pool stands, or first spills, where the heights end."""
    blank = ~np.isfinite(raster.z) & ~building
    edge = ndimage.binary_dilation(blank, structure=EIGHT, border_value=1)
    lip = ndimage.binary_dilation(mask, structure=EIGHT) & (np.abs(raster.z - top) < 1e-9)
    return bool((edge & (mask | lip)).any())


def _level_of(z: Numbers, area: float, litres: float) -> float:
    """Return the level at which a hollow holds so many litres, filled from its lowest cell up."""
    low = np.sort(z)
    count = np.arange(1, len(low) + 1)
    level = (litres / 1000.0 / area + np.cumsum(low)) / count
    above = np.append(low[1:], np.inf)
    return float(level[int(np.argmax(level <= above))])


def _touched(
    drains: Drains, surface: Surface, mask: NDArray[np.bool_], level: float
) -> tuple[Any, NDArray[np.int64]]:
    """Return the outline of the water and the stations at whose foot it stands."""
    wet = mask & (surface.raster.z < level)
    row, column = surface.toes
    touched = np.flatnonzero((row >= 0) & wet[row, column])
    drawn = [
        shapely.geometry.shape(shape)
        for shape, _ in features.shapes(wet.astype(np.uint8), mask=wet, transform=surface.raster.transform)
    ]
    outline = shapely.transform(shapely.union_all(drawn), mover(surface.raster.crs, drains.site.crs))
    return outline, touched


def _pool(drains: Drains, touched: NDArray[np.int64], level: Measured, node: str) -> Pool | None:
    """Return the pool as the wall feels it, on the ring it wets most, out to the node where it began."""
    if not len(touched):
        return None
    own = drains.stations.iloc[touched]
    ring = str(own["ring_key"].value_counts().idxmax())
    own = own[own["ring_key"] == ring]
    start, end = stretch(own["chainage_from_m"].to_numpy(), own["chainage_to_m"].to_numpy())
    end = end + drains.ring_lengths[ring] if end < start else end
    place = drains.network.nodes.loc[node]
    at, reach = float(place["chainage_m"]), drains.ref.value("drains.spill_reach_m")
    if place["ring_key"] == ring and start - reach <= at <= end + reach:
        start, end = min(start, at), max(end, at)
    return Pool(level=level, ring_key=ring, chainage_from_m=max(start, 0.0), chainage_to_m=end)


def _told(water: WallWater, ground: OnGround | None, drains: Drains) -> WallWater:
    """Let what is known of the ground answer where the wall alone cannot."""
    if ground is None:
        return water
    if math.isnan(water.chainage_from_m):
        word = "no" if ground.word in ("runs off", "stands off the wall") else NOT_KNOWN
        settle = "" if word == "no" else ground.settle
        return replace(water, verdict=Verdict(word=word, because=ground.because, settle=settle))
    level = drains.openings["sill_level_m"]
    brim = level.index[(level - ground.level.value).abs() < 1e-6]
    if ground.shut_in and water.verdict.word == NOT_KNOWN and len(brim):
        said = f"shut in: it rises to {ground.level.value:.3f} m and comes in at {', '.join(brim)}"
        return replace(water, verdict=Verdict(word="yes", because=said, rests_on=tuple(brim)))
    return water


def _past_the_barrier(drains: Drains, water: tuple[WallWater, ...]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ask every way past the barrier on the wall each spill wets, and for the change that closes it."""
    found, closed = [], []
    for one in water:
        # What passes the barrier hangs on the water at the wall, not on how fast it came.
        tanks = [(tank.wet_from_m, tank.wet_to_m, tank.bound) for tank in one.tanks]
        span = (one.ring_key, one.chainage_from_m, one.chainage_to_m)
        key = repr((one.node, span, one.head, one.below_ground, tanks))
        if key not in drains.kept:
            drains.kept[key] = _crossed(drains, one)
        found.append(drains.kept[key][0])
        closed.append(drains.kept[key][1])
    none = pd.DataFrame(columns=CROSSING), pd.DataFrame(columns=REMEDY)
    crossings = [table for table in found if len(table)]
    remedies = [table for table in closed if len(table)]
    return (
        pd.concat(crossings, ignore_index=True)[CROSSING] if crossings else none[0],
        pd.concat(remedies, ignore_index=True)[REMEDY] if remedies else none[1],
    )


def _crossed(drains: Drains, water: WallWater) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ask the wall one spill wets, kind by kind of wall, so that each is asked what can be asked of it."""
    section = _wet_section(drains, water)
    if section is None:
        return pd.DataFrame(columns=CROSSING), pd.DataFrame(columns=REMEDY)
    a, b = (section[f"chainage_{end}_m"].to_numpy(float) for end in ("from", "to"))
    full = np.zeros(len(section), dtype=bool)
    for tank in water.tanks:
        full |= (b > tank.wet_from_m) & (a < tank.wet_to_m)
    kind = np.select(
        [section["solid"].to_numpy(bool), full, section["base"].notna().to_numpy()],
        ["solid", "full", "seen"],
        default="unseen",
    )
    found, closed = [], []
    for name in dict.fromkeys(kind.tolist()):
        own = section[kind == name]
        asked = water if name == "full" else _wet_through(water)
        lengths = cross(own, asked, ref=drains.ref).lengths
        open_ = lengths[lengths["word"] != "no"]
        # Nothing is to be changed where a level is missing: it is to be measured.
        measured = (open_["margin_mm"].notna() | (open_["word"] == "yes")).to_list()
        tried = smallest_changes(own, asked, ref=drains.ref) if any(measured) else ()
        changes = [each for each, known in zip(tried, measured, strict=False) if known]
        if name == "solid":
            lengths = lengths[~lengths["way"].isin(("K2", "K3"))]
            changes = [each for each in changes if each.way not in ("K2", "K3")]
        lengths = _half_levelled(lengths, drains.ref.value("drains.rival_sigmas"))
        found.append(lengths if name == "full" else _doubted(lengths, name, water))
        closed.append(_rows(changes))
    length = drains.ring_lengths[water.ring_key]
    crossings, remedies = (
        pd.concat(parts, ignore_index=True)
        .sort_values(["way", "chainage_from_m"], kind="stable", ignore_index=True)
        .assign(node=water.node, ring_key=water.ring_key)
        for parts in (found, closed)
    )
    crossings, remedies = _merged(crossings, "word", "margin_mm"), _merged(remedies, "what", "by_mm")
    return _on_ring(crossings, length), _on_ring(remedies, length)


def _merged(table: pd.DataFrame, same: str, largest: str) -> pd.DataFrame:
    """Join neighbouring lengths with one way and one answer, keeping the row with the largest number."""
    if len(table) < 2:
        return table.assign(length_m=table["chainage_to_m"] - table["chainage_from_m"])
    apart = (table["chainage_from_m"] - table["chainage_to_m"].shift()).abs() > 1e-6
    new = apart | (table["way"] != table["way"].shift()) | (table[same] != table[same].shift())
    new |= table[largest].isna() != table[largest].isna().shift()
    group = new.cumsum()
    best = table[largest].fillna(-math.inf).groupby(group).idxmax()
    spans = table.groupby(group).agg(start=("chainage_from_m", "min"), end=("chainage_to_m", "max"))
    kept = table.loc[best.to_numpy()].assign(
        chainage_from_m=spans["start"].to_numpy(), chainage_to_m=spans["end"].to_numpy()
    )
    return kept.assign(length_m=kept["chainage_to_m"] - kept["chainage_from_m"]).reset_index(drop=True)


def _wet_through(water: WallWater) -> WallWater:
    """Take the water to stand behind the wall as high as outside: it cannot stand higher."""
    from_m, to_m = water.chainage_from_m, water.chainage_to_m
    wall = Tank(
        ring_key=water.ring_key, chainage_from_m=from_m, chainage_to_m=to_m, wet_from_m=from_m,
        wet_to_m=to_m, open_ended=False, base_m=NAN, bound=water.head, held_by="the spill", after_m=NAN,
        full_l=NAN, full_minutes=NAN, overtopped=(), rests_on=(),
    )  # fmt: skip
    return replace(water, tanks=(wall,))


def _half_levelled(lengths: pd.DataFrame, z: float) -> pd.DataFrame:
    """Say plainly where a floor's one margin is sure and its other level is missing."""
    sure = lengths["margin_mm"].abs() > z * lengths["sigma_mm"]
    half = (lengths["way"] == "K4") & (lengths["word"] == NOT_KNOWN) & sure
    half &= lengths["because"].str.endswith("within the error")
    table = lengths.copy()
    table.loc[half, "because"] = "soffit or top of the floor not levelled here"
    table.loc[half, ["margin_mm", "sigma_mm"]] = NAN
    return table


def _doubted(lengths: pd.DataFrame, kind: str, water: WallWater) -> pd.DataFrame:
    """Turn what rests on a cavity or a finish nobody looked at into not known."""
    table = lengths.copy()
    inside = table["way"].isin(("K2", "K3", "K4", "K5"))
    doubts = {
        "unseen": "the cavity was not looked into here",
        "seen": "no way into the cavity is known here",
        "solid": "it leaks below ground" if water.below_ground else "",
    }
    if doubts[kind]:
        maybe = inside & (table["word"] == "yes")
        table.loc[maybe, "because"] = table.loc[maybe, "because"] + f", if water comes so far: {doubts[kind]}"
        table.loc[maybe, "settle"] = "Open the wall and look here."
        table.loc[maybe, "word"] = NOT_KNOWN
    seen = kind == "seen"
    for way, because, settle in (
        ("K3", "debris was not looked for here", "Open the wall and look into the cavity here."),
        ("K5", "the bottom of the finish was not recorded here", "Lift the skirting and look."),
    ):
        if seen and way == "K3":
            continue  # somebody looked, and recorded no debris
        blank = (table["way"] == way) & table["margin_mm"].isna() & (table["word"] == "no")
        table.loc[blank, ["word", "because", "settle"]] = [NOT_KNOWN, because, settle]
    return table


def _rows(changes: Sequence[Remedy]) -> pd.DataFrame:
    names = ("way", "what", "chainage_from_m", "chainage_to_m", "by_mm", "still_open")
    return pd.DataFrame([[getattr(each, name) for name in names] for each in changes], columns=list(names))


def _on_ring(table: pd.DataFrame, length: float) -> pd.DataFrame:
    """Bring chainages that ran past the origin corner back onto the ring."""
    start, end = (table[f"chainage_{side}_m"].to_numpy(float) for side in ("from", "to"))
    wrapped = np.mod(end, length)
    return table.assign(
        chainage_from_m=np.mod(start, length),
        chainage_to_m=np.where((wrapped < 1e-6) & (end > start), length, wrapped),
    )


def _wet_section(drains: Drains, water: WallWater) -> pd.DataFrame | None:
    """Return the stations a spill wets, outside or in the cavity, chainage running on past the origin."""
    section = drains.sections.get(water.ring_key)
    if section is None or math.isnan(water.chainage_from_m):
        return None
    length = drains.ring_lengths[water.ring_key]
    middle = (water.chainage_from_m + water.chainage_to_m) / 2.0
    spans = [(water.chainage_from_m, water.chainage_to_m)]
    spans += [(tank.wet_from_m, tank.wet_to_m) for tank in water.tanks]
    copies = []
    for shift in (-length, 0.0, length):
        moved = section.assign(
            chainage_from_m=section["chainage_from_m"] + shift,
            chainage_to_m=section["chainage_to_m"] + shift,
        )
        a, b = moved["chainage_from_m"].to_numpy(), moved["chainage_to_m"].to_numpy()
        wet = np.zeros(len(moved), dtype=bool)
        for start, end in spans:
            wet |= (b > start + 1e-9) & (a < end - 1e-9)
        # Once round is enough: the far half belongs to the other copy.
        wet &= np.abs((a + b) / 2.0 - middle) <= length / 2.0
        copies.append(moved[wet])
    whole = pd.concat(copies, ignore_index=True)
    low, high = min(start for start, _ in spans), max(end for _, end in spans)
    whole = whole.assign(
        chainage_from_m=whole["chainage_from_m"].clip(lower=low),
        chainage_to_m=whole["chainage_to_m"].clip(upper=high),
    )
    return whole if len(whole) else None


def drain_document(found: DrainFindings) -> dict[str, Any]:
    """Return what was found as plain values for JSON: levels in m, margins in mm, not known as null."""
    drains, answer = found.drains, found.answer
    return {
        "site": drains.site.info.name,
        "datum": drains.site.info.datum,
        "data_version": drains.site.digest,
        "notes": list(drains.notes),
        "levels_from_the_book": _plain_rows(drains.filled),
        "faults": [
            {"rule": each.rule, "what": RULES[each.rule], "ids": list(each.ids), "said": each.said}
            | _plain(_verdict(each.verdict))
            for each in drains.faults
        ],
        "every_blockage": _plain_rows(found.every.rename_axis("blocked").reset_index()),
        "barrier_without_a_spill": _plain_rows(drains.fabric),
        "answer": None if answer is None else _answer_document(answer),
    }


def _answer_document(answer: DrainAnswer) -> dict[str, Any]:
    result = answer.result
    plain: dict[str, Any] = _plain(
        {
            "blocked": answer.blocked,
            "blocked_at_m": answer.at_m,
            "source": answer.source,
            "inflow": answer.inflow.said if answer.inflow is not None else "",
            "roof_m2": answer.roof_m2,
            "verdict": _verdict(result.verdict),
            "first": result.first,
            "leaves_over": result.leaves,
            "level_m": result.level.value,
            "level_sigma_m": result.level.sigma,
            "level_between_m": result.level_between,
            "below_ground": result.below_ground,
            "litres": result.litres.value,
            "litres_sigma": result.litres.sigma,
            "litres_between": result.litres_between,
            "passes_l_s": result.passes_l_s,
            "minutes": result.minutes,
            "decides": result.decides,
            "rests_on_assumed_runs": result.assumed_runs,
            "marked": result.marked,
        }
    )
    lists = {
        "rivals": [
            {"node": r.node, "margin_mm": r.margin_mm, "sigma_mm": r.sigma_mm} for r in result.rivals
        ],
        "spills": [
            {
                "node": s.node, "leaves_over": s.leaves, "level_m": s.level_m, "below_ground": s.below_ground,
                "takes_l_s": s.takes_l_s, "receives_l_s": s.receives_l_s, "minutes": s.minutes,
            }
            for s in result.spills
        ],
        "changes": [
            {
                "id": c.asset_id, "what": c.what, "by_mm": c.by_mm, "then": c.then,
                "then_first": c.then_first, "then_level_m": c.then_level_m,
            }
            for c in result.changes
        ],
        "on_the_ground": [
            {
                "node": g.node, "word": g.word, "because": g.because, "settle": g.settle,
                "evidence": g.evidence, "level_m": g.level.value, "level_sigma_m": g.level.sigma,
            }
            for g in answer.on_ground
        ],
        "at_the_wall": [
            {
                "node": w.node, "ring": w.ring_key, "head_m": w.head.value, "head_sigma_m": w.head.sigma,
                "chainage_from_m": w.chainage_from_m, "chainage_to_m": w.chainage_to_m,
                **_verdict(w.verdict),
                "entries": [
                    {"id": e.opening_id, "kind": e.kind, "level_m": e.level_m, **_verdict(e.verdict)}
                    for e in w.entries
                ],
                "cavity": [
                    {
                        "chainage_from_m": t.chainage_from_m, "chainage_to_m": t.chainage_to_m,
                        "highest_m": t.bound.value, "held_by": t.held_by, "full_l": t.full_l,
                    }
                    for t in w.tanks
                ],
            }
            for w in answer.water
        ],
    }  # fmt: skip
    plain |= {name: [_plain(row) for row in rows] for name, rows in lists.items()}
    plain["past_the_barrier"] = _plain_rows(answer.crossings)
    plain["changes_to_the_wall"] = _plain_rows(answer.remedies)
    if answer.pour is not None:
        pour = answer.pour
        plain["test_pour"] = _plain(
            {
                "to_spill_l": pour.to_spill_l.value,
                "to_spill_minutes": pour.to_spill_minutes,
                "wanted_l": pour.wanted_l,
                "wanted_minutes": pour.wanted_minutes,
            }
        )
    return plain


def _verdict(verdict: Verdict) -> dict[str, Any]:
    return {
        "word": verdict.word, "because": verdict.because, "settle": verdict.settle,
        "margin": verdict.margin, "sigma": verdict.sigma, "unit": verdict.unit,
        "rests_on": verdict.rests_on,
    }  # fmt: skip


def _plain(value: Any) -> Any:
    """Return a value JSON can hold: not known and without end are null."""
    if isinstance(value, Mapping):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return int(value) if isinstance(value, np.integer) else value


def _plain_rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [_plain(row) for row in table.to_dict("records")]


def drain_tables(found: DrainFindings) -> dict[str, pd.DataFrame]:
    """Return what was found as tables for CSV, by file name."""
    drains, answer = found.drains, found.answer
    faults = [(f.rule, RULES[f.rule], f.verdict.word, f.said, f.verdict.settle, f.ids) for f in drains.faults]
    tables = {
        "drain-faults": pd.DataFrame(faults, columns=["rule", "what", "word", "said", "settle", "ids"]),
        "drain-blockages": found.every.rename_axis("blocked").reset_index(),
        "drain-levels-from-book": drains.filled,
    }
    if answer is not None:
        tables |= {
            "drain-order": answer.result.order.rename_axis("node").reset_index(),
            "drain-crossings": answer.crossings,
            "drain-changes": answer.remedies,
        }
    return tables


def drain_lines(found: DrainFindings) -> list[str]:
    """Return what was found as lines of text for a terminal: faults, every blockage, the answer."""
    lines = [f"Faults: {len(found.faults) or 'none found'}"]
    lines += _columns([(RULES[f.rule], f.verdict.word, f.said) for f in found.faults])
    lines += ["", "Every single blockage, water coming from just above it:"]
    head = [("blocked", "word", "first", "over", "level m", "litres", "could equally be, or rests on")]
    rows = [
        (
            str(name), str(row["word"]), str(row["first"]) or "-", str(row["leaves"]) or "-",
            _said(row["level_m"], ".3f"), _said(row["litres"], ".1f"),
            ", ".join((*row["rivals"], *row["decides"])),
        )
        for name, row in found.every.iterrows()
    ]  # fmt: skip
    lines += _columns(head + rows)
    if found.answer is not None:
        lines += ["", *_answer_lines(found.answer)]
    return lines


def _answer_lines(answer: DrainAnswer) -> list[str]:
    put = answer.inflow.said if answer.inflow is not None else "water"
    at = "" if answer.at_m is None else f" at {answer.at_m:g} m"
    lines = [f"{answer.blocked} blocked{at}; {put} put in at {answer.source}"]
    return lines + _columns(answer_facts(answer))


def answer_facts(answer: DrainAnswer) -> list[tuple[str, str, str]]:
    """Return an answer as rows for a person: what is asked, the word, and why."""
    result = answer.result
    facts = [("first spill", result.verdict.word, result.verdict.because)]
    if math.isfinite(result.minutes):
        facts.append(("until then", f"{result.minutes:.1f} min", ""))
    elif math.isinf(result.minutes):
        facts.append(("until then", "never", f"what passes the stop, {result.passes_l_s:g} l/s, keeps up"))
    facts += [("then", s.node, f"over its {s.leaves} at {s.level_m:.3f} m") for s in result.spills[1:]]
    facts += [("on the ground", ground.word, ground.because) for ground in answer.on_ground]
    facts += [("into the wall", w.verdict.word, f"{w.node}: {w.verdict.because}") for w in answer.water]
    for row in answer.crossings.to_dict("records"):
        span = f"ch {row['chainage_from_m']:.2f}-{row['chainage_to_m']:.2f}"
        facts.append((f"{row['way']} {span}", str(row["word"]), f"{WAYS[row['way']]}: {row['because']}"))
    for change in result.changes:
        by = f" by {change.by_mm:.0f} mm" if math.isfinite(change.by_mm) else ""
        facts.append(("to change it", change.asset_id, f"{change.what}{by}: {change.then}"))
    for row in answer.remedies.to_dict("records"):
        span = f"ch {row['chainage_from_m']:.2f}-{row['chainage_to_m']:.2f}"
        facts.append(("to close it", f"{row['way']} {span}", str(row["what"])))
    if answer.pour is not None and math.isfinite(answer.pour.wanted_l):
        said = f"{answer.pour.wanted_l:.0f} l, {answer.pour.wanted_minutes:.0f} min at this flow"
        facts.append(("a test must pour", said, ""))
    return facts


def _said(value: float, how: str) -> str:
    return format(value, how) if math.isfinite(value) else "-"


def _columns(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Return rows as lines with their columns under one another; the last column runs free."""
    if not rows:
        return []
    wide = [max(len(row[i]) for row in rows) for i in range(len(rows[0]) - 1)]
    return [
        "  " + "  ".join([*(f"{cell:<{w}}" for cell, w in zip(row, wide, strict=False)), row[-1]]).rstrip()
        for row in rows
    ]
