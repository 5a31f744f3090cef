"""Spilled water followed over the ground, to where it stands and what wall it wets."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from rasterio import features
from scipy import ndimage

from geo.drains.backup import BackUp
from geo.drains.cavity import Pool
from geo.findings.drain_answer import Cells, Drains, Numbers, OnGround, Surface
from geo.findings.drain_basins import fill_hollows
from geo.findings.examine import WAYS_IN, Findings
from geo.ground.flood import EIGHT, Flood, drain
from geo.ground.model import OpenGround
from geo.ground.pools import stretch
from geo.ground.raster import Raster, mover
from geo.verdict import NOT_KNOWN, Measured

NAN = math.nan
STATION_M = 0.25


def ground_surfaces(
    found: Findings, stations: gpd.GeoDataFrame
) -> tuple[tuple[Surface, ...], tuple[str, ...]]:
    """Return the ground on which water can be followed: surfaces of levels first, then the raster."""
    tie = found.ground.tie
    made: list[Surface] = []
    for ground in found.ground.surfaces:
        if ground.evidence == "levels":
            name = f"levels of {ground.patch_id or 'the ground'}"
            made.append(_surface(name, ground, stations, 0.0, ground.raster.sigma_m))
        elif tie is not None and tie.used:
            sigma = math.hypot(ground.raster.relative_sigma_m, float(tie.sigma_m))
            made.append(_surface("the raster", ground, stations, -tie.offset_m, sigma))
    if tie is not None and not tie.used:
        return tuple(made), (
            "the raster is not tied to the site's levels: spilled water is not followed on it",
        )
    return tuple(made), ()


def _surface(
    name: str, ground: OpenGround, stations: gpd.GeoDataFrame, lift_m: float, sigma_m: float
) -> Surface:
    """Return a surface with its heights lifted onto the site's datum, and the cells at the wall's foot."""
    raster = ground.raster.raised(lift_m)
    foot = stations[["x", "y"]].to_numpy(float)
    foot = foot + stations[["normal_e", "normal_n"]].to_numpy(float) * raster.cell_m * 0.75
    row, column = _cells(raster, mover(stations.crs, raster.crs)(foot))
    outside = stations["outside"].to_numpy(bool)
    return Surface(
        name=name,
        evidence=ground.evidence,
        raster=raster,
        building=ground.building,
        dry=replace(ground.water, surface_m=ground.water.surface_m + lift_m),
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


def follow_over_ground(drains: Drains, node: str, litres: float, result: BackUp) -> OnGround:
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
    area = raster.cell_m**2
    top = float(water.surface_m[end]) if not water.shut_in[end] else math.inf
    full = float(1000.0 * area * (top - raster.z[mask]).sum())
    stands = np.where(mask, top, NAN)
    hollows = 1
    if litres < full:
        filled = fill_hollows(raster.z, mask, end, litres=litres, cell_m2=area, top_m=top)
        stands, hollows = filled.level_m, int(filled.hollow.max()) + 1
        if not filled.stored_l > 0:
            said = f"what is put in is near the most the drain holds: none is reckoned to come up at {node}"
            return _unknown_ground(node, said, "Pour more, and watch.", surface.evidence)
    elif not math.isfinite(top):
        said = f"{surface.name}: shut in, and no threshold or air-brick there has a level"
        return _unknown_ground(node, said, "Level the lowest threshold or air-brick there.", surface.evidence)
    outline, touched = _touched(drains, surface, stands)
    level = _presses(surface, stands, touched)
    deepest = float(np.nanmax(np.where(np.isclose(stands, level), level - raster.z, NAN), initial=0.0))
    noise = drains.ref.value("drains.rival_sigmas") * raster.relative_sigma_m
    sure = deepest > max(noise, drains.ref.value("ground.pond_depth_min_m"))
    said = f"{surface.name}: a pool up to {1000 * deepest:.0f} mm deep at {level:.3f} m"
    said += f", {full:.0f} l when full" if math.isfinite(full) else ""
    said += (
        f"; {hollows - 1} hollow{'s' if hollows > 2 else ''} on the way full before" if hollows > 1 else ""
    )
    if not litres < full and _spills_over_edge(raster, surface.building, mask, top):
        said += "; the heights end at its edge, so it may stand higher"
        sure = False
    if shut and not litres < full:
        said += "; shut in: it rises until it finds a way in"
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
    nodes = drains.network.nodes
    free = nodes.index.get_indexer(sorted(drains.takes - backed))
    rim = nodes["rim_m"].to_numpy(float)
    free = free[np.isfinite(rim[free])]
    places = [np.column_stack([nodes[name].to_numpy(float)[free] for name in ("x", "y")])]
    levels, named = [rim[free]], list(nodes.index[free])
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
    wet = labels > 0
    deepest = np.zeros(count + 1)
    np.maximum.at(deepest, labels[wet], water.depth_m[wet])
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


def _touched(drains: Drains, surface: Surface, stands: Numbers) -> tuple[Any, NDArray[np.int64]]:
    """Return the outline of the water and the stations at whose foot it stands."""
    wet = surface.raster.z < stands
    row, column = surface.toes
    touched = np.flatnonzero((row >= 0) & wet[row, column])
    drawn = [
        shapely.geometry.shape(shape)
        for shape, _ in features.shapes(wet.astype(np.uint8), mask=wet, transform=surface.raster.transform)
    ]
    outline = shapely.transform(shapely.union_all(drawn), mover(surface.raster.crs, drains.site.crs))
    return outline, touched


def _presses(surface: Surface, stands: Numbers, touched: NDArray[np.int64]) -> float:
    """Return the level of the water at the wall, the highest where several hollows touch it; else of all."""
    row, column = surface.toes
    at_wall = stands[row[touched], column[touched]]
    return float(np.nanmax(at_wall)) if len(touched) else float(np.nanmax(stands, initial=-math.inf))


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
