"""A site laid out for reasoning about causes: wet stretches, what could feed them, how far apart they are."""

from __future__ import annotations

import math
import weakref
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geo.evidence.candidates_fabric import Fabric, lay_out_fabric
from geo.evidence.candidates_notes import Notes, lay_out_notes
from geo.evidence.candidates_sources import Source, sources_of
from geo.evidence.candidates_spills import Spill, first_spills, spills_at
from geo.evidence.candidates_ways import section_arrays
from geo.evidence.candidates_wet import Read, Wet, plain_readings, wet_stretches
from geo.evidence.reaches import Arc, apart_m
from geo.findings.drain_answer import Drains
from geo.findings.examine import Findings
from geo.perimeter.path import free_arcs, outside_distance

Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Apart:
    """How far a source or spill lies from the peak of a stretch by path, m, and its nearest chainage."""

    distance_m: float
    at_m: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Laid:
    """Everything the candidates and the evidence of a site rest on, laid out once.

    Parameters
    ----------
    arcs
        Free wall of each ring.
    apart
        Distance by path of every source from the peak of every stretch, by place in ``wet`` and ``sources``;
        infinite where a party line bars the way.
    first
        By run and soakaway stopped, the node where its water first leaves, and the word for it.
    spills, spilled
        By what is stopped, gullies and chambers too: the water that leaves, and its distance from every
        stretch.
    sections
        The wall sections as plain arrays, by ring and column; empty without drains.
    grounds
        By ring, ground levels against the wall in order: chainages, levels, sigmas, and the ring's length, m.
    notes
        What was noted along the walls.
    """

    found: Findings
    drains: Drains | None
    read: Read
    wet: tuple[Wet, ...]
    sources: tuple[Source, ...]
    fabric: Fabric
    arcs: Mapping[str, Sequence[Arc]]
    apart: Sequence[Sequence[Apart]]
    first: Mapping[str, tuple[str, str]]
    spills: Mapping[str, Spill]
    spilled: Mapping[str, Sequence[Apart]]
    sections: Mapping[str, Mapping[str, NDArray[Any]]]
    grounds: Mapping[str, tuple[Numbers, Numbers, Numbers, float]]
    notes: Notes

    @cached_property
    def place_of(self) -> dict[tuple[str, str, str], int]:
        """Return the place in ``sources`` of each, by cause, record and ring."""
        found: dict[tuple[str, str, str], int] = {}
        for place, each in enumerate(self.sources):
            found.setdefault((each.cause, each.of_id, each.ring_key), place)
        return found

    def limit(self, name: str) -> float:
        """Return a limit of the evidence."""
        return self.found.site.reference.value(f"evidence.{name}")

    def by_id(self, stretch_id: str) -> Wet:
        """Return a stretch by its id."""
        return next(one for one in self.wet if one.stretch_id == stretch_id)


_KEPT: weakref.WeakKeyDictionary[Findings, tuple[Drains | None, Laid]] = weakref.WeakKeyDictionary()


def lay_out_evidence(found: Findings, drains: Drains | None) -> Laid:
    """Lay a site out for reasoning about causes; asked again for the same findings, it is there already."""
    kept = _KEPT.get(found)
    if kept is not None and kept[0] is drains:
        return kept[1]
    made = _lay_out(found, drains)
    _KEPT[found] = (drains, made)
    return made


def _lay_out(found: Findings, drains: Drains | None) -> Laid:
    read = plain_readings(found)
    wet = wet_stretches(found, read)
    arcs: dict[str, list[Arc]] = {}
    for key, a, b, whole in free_arcs(found.perimeter):
        arcs.setdefault(key, []).append((a, b, whole))
    sources = sources_of(found) if wet else ()
    notes = lay_out_notes(found)
    sections = section_arrays(drains) if drains is not None else {}
    first = first_spills(drains) if drains is not None and wet else {}
    spills: Mapping[str, Spill] = {}
    if drains is not None and wet:
        spills = spills_at(drains, _worth_following(found, drains, wet, first, notes), sections)
    points = {name: spill for name, spill in spills.items() if math.isfinite(spill.chainage_m)}
    apart = _from_peaks(
        found, wet, [*(each.ring_key for each in sources), *(each.ring_key for each in points.values())],
        [*(each.at for each in sources), *(np.array([[each.chainage_m] * 2]) for each in points.values())],
        [*(each.off_m for each in sources), *([np.zeros(1)] * len(points))],
        [*(each.indoors for each in sources), *([False] * len(points))],
    )  # fmt: skip
    count = len(sources)
    spilled = {name: [row[count + i] for row in apart] for i, name in enumerate(points)}
    apart = [row[:count] for row in apart]
    return Laid(
        found=found, drains=drains, read=read, wet=wet, sources=sources, arcs=arcs, apart=apart, first=first,
        fabric=lay_out_fabric(found, drains, sections) if wet else Fabric(), spills=spills, spilled=spilled,
        sections=sections, grounds=_grounds(found), notes=notes,
    )  # fmt: skip


def _grounds(found: Findings) -> dict[str, tuple[Numbers, Numbers, Numbers, float]]:
    """Lay the ground levels against the walls out ring by ring."""
    table, ref = found.ground_levels, found.site.reference
    near = (table["offset_m"].abs() <= ref.value("ground.wall_level_reach_m")).to_numpy(dtype=bool)
    own = table[near & table["level_m"].notna().to_numpy(dtype=bool)].sort_values("chainage_m", kind="stable")
    lengths = found.perimeter.rings["length_m"].to_dict()
    made = {}
    for key, rows in own.groupby("ring_key", sort=False):
        at, level, sigma = (rows[name].to_numpy(dtype=float) for name in ("chainage_m", "level_m", "sigma_m"))
        made[str(key)] = at, level, sigma, float(lengths[str(key)])
    return made


def _worth_following(
    found: Findings, drains: Drains, wet: tuple[Wet, ...], first: Mapping[str, tuple[str, str]], notes: Notes
) -> dict[str, str]:
    """Return the stops whose water could come to a wet stretch, with the node where it first leaves.

    That node lies on the stretch's ring and not too far, beside a cavity of it that was looked into, or off
    the wall but near enough to run to it.
    """
    nodes, near = drains.network.nodes, found.site.reference.value("evidence.path_m")
    kinds, keys, at = (nodes[name].to_dict() for name in ("kind", "ring_key", "chainage_m"))
    reach, size = drains.ref.value("drains.spill_reach_m"), {one.ring_key: one.ring_m for one in wet}

    def matters(name: str) -> bool:
        key, place = str(keys.get(name, "")), float(at.get(name, math.nan))
        if key and math.isfinite(place):
            own = (place, place)
            return any(
                one.ring_key == key and apart_m(one.span, own, one.ring_m) <= near for one in wet
            ) or any(
                each.ring_key == key and key in size and apart_m(each.span, own, size[key]) <= reach
                for each in notes.cavities
            )
        return not key and kinds.get(name) == "chamber" and bool(drains.surfaces) and _is_near(found, name)

    own = [str(name) for name, kind in kinds.items() if kind in ("gully", "chamber")]
    stops = {stop: node for stop, (node, _) in first.items() if node} | {name: name for name in own}
    worth = {node: matters(node) for node in dict.fromkeys(stops.values())}
    return {stop: node for stop, node in stops.items() if worth[node]}


def _is_near(found: Findings, name: str) -> bool:
    """Whether something off the wall lies near enough to a surveyed building for its water to matter."""
    row = found.assets.loc[name] if name in found.assets.index else None
    if row is None or not math.isfinite(float(row["x"])):
        return False
    own = found.perimeter.footprints
    reach = found.site.reference.value("evidence.off_wall_m")
    point = shapely.Point(float(row["x"]), float(row["y"]))
    return bool((shapely.distance(own.geometry.to_numpy(), point) <= reach).any())


def _from_peaks(
    found: Findings, wet: tuple[Wet, ...], keys: Sequence[str], at: Sequence[Numbers], off: Sequence[Numbers],
    indoors: Sequence[bool],
) -> list[list[Apart]]:  # fmt: skip
    """Return the distance by path from the peak of every stretch to every one of several things.

    Outdoors the way leads along the outer face and never past a party wall; indoors along the wall.
    """
    if not wet or not keys:
        return [[] for _ in wet]
    counts = [len(each) for each in at]
    owner = np.repeat(np.arange(len(keys)), counts)
    parts, away = np.concatenate(at), np.concatenate(off)
    ring = np.array(keys, dtype=object)[owner]
    inner = np.array(indoors, dtype=bool)[owner]
    peaks = np.array([one.peak for one in wet])
    own = np.array([one.ring_key for one in wet], dtype=object)
    size = np.array([one.ring_m for one in wet])
    every = outside_distance(
        found.perimeter, np.tile(own, 2), peaks.T.ravel(), np.tile(ring, 2), parts.T.ravel()
    )
    along = every.reshape(2, len(wet), 2, len(parts)).min(axis=(0, 2))
    same = own[:, None] == ring[None, :]
    gaps = np.full((len(wet), len(parts)), np.inf)
    for turn in (-1, 0, 1):
        shift = turn * size[:, None]
        low, high = parts[None, :, 0] + shift, parts[None, :, 1] + shift
        gaps = np.minimum(gaps, np.maximum(low - peaks[:, 1:], peaks[:, :1] - high))
    gaps = np.where(same, np.maximum(gaps, 0.0), np.inf)
    along = np.where(
        inner[None, :], gaps, np.where(np.isfinite(along), np.where(gaps <= 0, 0.0, along), np.inf)
    )
    total = np.hypot(along, away[None, :])
    bounds = np.append(np.flatnonzero(np.r_[True, np.diff(owner) != 0]), len(owner))
    answer: list[list[Apart]] = []
    for row in range(len(wet)):
        mine = []
        for k in range(len(keys)):
            a, b = bounds[k], bounds[k + 1]
            best = a + int(np.argmin(total[row, a:b]))
            near = _nearest(peaks[row], parts[best], float(size[row]))
            mine.append(Apart(distance_m=float(total[row, best]), at_m=near))
        answer.append(mine)
    return answer


def _nearest(peak: Numbers, part: Numbers, ring_m: float) -> float:
    """Return the chainage of a length that is nearest to a peak, on the copy of the ring nearest to it."""
    middle = (peak[0] + peak[1]) / 2.0
    shift = round((middle - (part[0] + part[1]) / 2.0) / ring_m) * ring_m
    return float(np.clip(middle, part[0] + shift, part[1] + shift))
