"""Everything recorded that could feed a wall, with its place: drains, rainwater, pipes, features."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geo.findings.examine import Findings
from geo.perimeter.nearest import nearest_faces
from geo.site.model import Site

STEP_M = 0.5
"""Spacing of the places at which a buried line is held against the walls."""
Numbers = NDArray[np.float64]

RAIN_FIXTURES = ("water_butt",)
GULLY_FIXTURES = ("waste_pipe", "stack", "channel", "stub")
PIPE_FIXTURES = ("overflow", "condensate", "outside_tap")
FEATURE_CAUSES = {
    "sill": "S13",
    "parapet": "S13",
    "abutment": "S13",
    "cavity_tray": "S13",
    "wall_face": "S13",
    "garden_wall": "S13",
    "retained_ground": "S18",
    "shared_drain": "S19",
    "neighbours_side": "S19",
    "chimney_breast": "S20",
    "hearth": "S20",
    "new_wet_work": "S17",
    "metal_or_foil": "S21",
}
SUPPOSED = ("assumed", "inferred", "not_looked", "no_access")
UPPER = ("joint_leaks", "blocked", "split_behind", "brackets_lost")
"""States of a downpipe above its foot."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Source:
    """One thing that could feed or imitate damp, and where it is.

    Parameters
    ----------
    cause, of_id, kind, said
        Its cause, record, kind of record and plain name.
    ring_key
        Wall it lies along; ``""`` where it lies along none.
    at
        (n, 2) chainages from and to, m, of it or of each part of it; a point has both the same.
    off_m
        (n,) distance of each part from the face of the wall, m.
    indoors
        Whether each part is inside, under the floor or in the wall.
    half_m
        Usual half-width of what it wets beyond its own length, m.
    length
        Whether it wets its own recorded length.
    along
        Whether it lies along the wall, and does not stand at one place of it.
    supposed
        Whether where it lies was only supposed: a run with an end nobody traced, a pipe nobody saw or was
        told of.
    """

    cause: str
    of_id: str
    kind: str
    said: str
    ring_key: str
    at: Numbers
    off_m: Numbers
    indoors: bool
    half_m: float
    length: bool = False
    along: bool = False
    supposed: bool = False


def sources_of(found: Findings) -> tuple[Source, ...]:
    """List everything recorded at a site that could feed a wall and lies along one."""
    made: list[Source] = []
    for part in (_drainage, _gutters, _lines, _features, _openings):
        made += part(found)
    return tuple(source for source in made if source.ring_key)


def records_of(site: Site, kind: str) -> tuple[Any, ...]:
    """Return the records of one kind, each with the fields of its own kind."""
    return site.of(kind)


def key_of(site: Site) -> Callable[[Any], str]:
    """Return a function that gives the ring a record belongs to, as ``B1`` or ``B1/Y1``."""
    subjects = [
        str(each.id) for each in records_of(site, "building") if getattr(each, "role", "") == "subject"
    ]
    only = subjects[0] if len(subjects) == 1 else ""

    def key(record: Any) -> str:
        building = record.building_id or only
        return f"{building}/{record.ring}" if record.ring else str(building)

    return key


def _points(found: Findings, names: list[str]) -> dict[str, tuple[str, float, float, bool]]:
    """Return ring, chainage, distance off the wall and whether indoors, of assets that lie near one."""
    assets, near = found.assets, found.site.reference.value("evidence.off_wall_m")
    own = assets.loc[[name for name in names if name in assets.index]]
    placed: dict[str, tuple[str, float, float, bool]] = {}
    lost = []
    offsets: dict[str, float] = {}
    for kind in ("gully", "downpipe", "fixture", "chamber", "soakaway"):
        if kind in found.placed:
            offsets |= found.placed[kind]["offset_m"].to_dict()
    sides: dict[str, str] = {}
    if "fixture" in found.placed:
        sides = found.placed["fixture"]["side"].to_dict()
    for name, key, at, status, x in zip(
        own.index, own["ring_key"], own["chainage_m"], own["status"], own["x"], strict=True
    ):
        if status != "unjoined" and key and math.isfinite(at):
            off = float(offsets.get(name, 0.0))
            indoors = sides.get(name, "") == "inside"
            placed[str(name)] = (str(key), float(at), 0.0 if math.isnan(off) else abs(off), indoors)
        elif math.isfinite(x):
            lost.append(str(name))
    if lost:
        xy = own.loc[lost, ["x", "y"]].to_numpy(dtype=float)
        found_by = zip(lost, _beside(found, xy, near), strict=True)
        placed |= {name: each for name, each in found_by if each is not None}
    return placed


def _beside(found: Findings, xy: Numbers, reach_m: float) -> list[tuple[str, float, float, bool] | None]:
    """Return the wall beside each point: ring, chainage, distance off it, whether the point is indoors."""
    perimeter = found.perimeter
    face, distance = nearest_faces(xy, perimeter, reach_m=reach_m)
    start, unit, normal = perimeter.frames
    keys = perimeter.faces["ring_key"].to_numpy(dtype=object)
    begins = perimeter.faces["chainage_from_m"].to_numpy(dtype=float)
    lengths = perimeter.faces["length_m"].to_numpy(dtype=float)
    examined = perimeter.rings["examined"].reindex(keys).to_numpy(dtype=bool)
    answer: list[tuple[str, float, float, bool] | None] = []
    for i, row in enumerate(face):
        if row < 0 or not examined[row]:
            answer.append(None)
            continue
        away = xy[i] - start[row]
        along = float(np.clip(away @ unit[row], 0.0, lengths[row]))
        inner = float(away @ normal[row]) < -1e-6
        answer.append((str(keys[row]), float(begins[row] + along), float(distance[i]), inner))
    return answer


def _drainage(found: Findings) -> Iterator[Source]:
    """Gullies, downpipes, fixtures and chambers, each at a point."""
    site, ref = found.site, found.site.reference
    records = {
        r.id: (kind, r)
        for kind in ("gully", "downpipe", "fixture", "chamber")
        for r in records_of(site, kind)
    }
    point, buried, high = (ref.value(f"evidence.reach_{name}_m") for name in ("point", "buried", "high"))
    pipe = ref.value("evidence.reach_pipe_m")
    for name, (key, at, off, indoors) in _points(found, list(records)).items():
        kind, record = records[name]
        causes: list[tuple[str, float]] = []
        if kind == "gully":
            causes = [("S01", point)]
        elif kind == "chamber":
            causes = [("S07", buried)]
        elif kind == "downpipe":
            causes = [("S02", point), ("S03", high)]
        else:
            what = str(record.fixture_kind)
            cause = "S02" if what in RAIN_FIXTURES else "S01" if what in GULLY_FIXTURES else "S14"
            if what == "rodding_eye":
                cause = "S07"
            wets = record.state in ("drips_on_wall", "misses", "leaks", "joined_to_nothing", "running")
            if indoors:
                cause = "S14"
            elif cause == "S01" and record.into_id and not wets:
                continue  # what falls into a gully as it should is that gully's
            causes = [(cause, pipe if cause == "S14" else point)]
        word = _word(site, kind, record)
        for cause, half in causes:
            yield Source(
                cause=cause, of_id=str(name), kind=kind, said=f"{word} {name}", ring_key=key,
                at=np.array([[at, at]]), off_m=np.array([off]), indoors=indoors, half_m=half,
            )  # fmt: skip


def _word(site: Site, kind: str, record: Any) -> str:
    if kind == "fixture":
        return site.reference.word("fixture_kind", record.fixture_kind)
    if kind == "wall_feature":
        return site.reference.word("feature_kind", record.feature_kind)
    return site.reference.word("asset_kind", kind)


def _gutters(found: Findings) -> Iterator[Source]:
    key, half = key_of(found.site), found.site.reference.value("evidence.reach_high_m")
    for record in records_of(found.site, "gutter"):
        yield _length(found, record, "S03", "gutter", f"gutter {record.id}", key(record), half, own=False)


def _length(
    found: Findings, record: Any, cause: str, kind: str, said: str, ring_key: str, half: float, *, own: bool,
    indoors: bool = False,
) -> Source:  # fmt: skip
    """Return a source that lies along a recorded length of wall."""
    a, b = float(record.chainage_from_m), float(record.chainage_to_m)
    if b < a and ring_key in found.perimeter.rings.index:
        b += float(found.perimeter.rings.loc[ring_key, "length_m"])
    return Source(
        cause=cause, of_id=str(record.id), kind=kind, said=said,
        ring_key=ring_key if ring_key in found.perimeter.rings.index else "", at=np.array([[a, b]]),
        off_m=np.zeros(1), indoors=indoors, half_m=half, length=own, along=True,
    )  # fmt: skip


def _lines(found: Findings) -> Iterator[Source]:
    """Buried runs and services, where they pass a wall; a fault that was placed stands for its run."""
    site, ref = found.site, found.site.reference
    buried, pipe = ref.value("evidence.reach_buried_m"), ref.value("evidence.reach_pipe_m")
    rows: list[tuple[str, str, str, str, float, bool]] = []
    points: list[Numbers] = []
    for kind in ("run", "service"):
        for record in records_of(site, kind):
            shape = record.geometry
            if shape is None or shape.is_empty or shape.length == 0:
                continue
            stops = np.linspace(0.0, shape.length, max(2, int(shape.length / STEP_M) + 1))
            if kind == "run" and record.fault_at_m is not None:
                stops = np.array([min(record.fault_at_m, shape.length)])
            word = "drain run" if kind == "run" else ref.word("service_kind", record.service_kind)
            cause, half = ("S05", buried) if kind == "run" else ("S14", pipe)
            ends = (record.from_evidence, record.to_evidence) if kind == "run" else (record.evidence,)
            supposed = len(stops) > 1 and any(end in SUPPOSED for end in ends)
            rows.append((cause, str(record.id), kind, f"{word} {record.id}", half, supposed))
            points.append(shapely.get_coordinates(shapely.line_interpolate_point(shape, stops)))
    if not rows:
        return
    near = iter(_beside(found, np.concatenate(points), ref.value("evidence.off_wall_m")))
    for (cause, of_id, kind, said, half, supposed), own in zip(rows, points, strict=True):
        groups: dict[tuple[str, bool], list[tuple[float, float]]] = {}
        for each in (next(near) for _ in own):
            if each is not None:
                groups.setdefault((each[0], each[3]), []).append((each[1], each[2]))
        for (key, indoors), parts in groups.items():
            table = np.array(parts)
            yield Source(
                cause=cause, of_id=of_id, kind=kind, said=said, ring_key=key, off_m=table[:, 1],
                at=np.column_stack([table[:, 0], table[:, 0]]), indoors=indoors, half_m=half,
                along=len(own) > 1, supposed=supposed,
            )  # fmt: skip


def _features(found: Findings) -> Iterator[Source]:
    """Parts of the wall water could come in by, over or beside."""
    key, ref = key_of(found.site), found.site.reference
    halves = {"S13": ref.value("evidence.beside_m"), "S19": ref.value("evidence.reach_party_m")}
    for record in records_of(found.site, "wall_feature"):
        cause = FEATURE_CAUSES.get(record.feature_kind, "")
        if cause:
            said = f"{ref.word('feature_kind', record.feature_kind)} {record.id}"
            indoors = cause in ("S17", "S18", "S20", "S21") or record.feature_kind == "neighbours_side"
            half = halves.get(cause, 0.0)
            yield _length(
                found, record, cause, "wall_feature", said, key(record), half, own=True, indoors=indoors
            )
    for record in records_of(found.site, "finish_zone"):
        if record.finish == "foil_backed":
            said = f"foil-backed board {record.id}"
            yield _length(found, record, "S21", "finish_zone", said, key(record), 0.0, own=True, indoors=True)


def _openings(found: Findings) -> Iterator[Source]:
    """Windows: their sills are where rain comes in first."""
    key, ref = key_of(found.site), found.site.reference
    half = ref.value("evidence.beside_m")
    for record in records_of(found.site, "opening"):
        if record.opening_kind == "window":
            said = f"{ref.word('opening_kind', record.opening_kind)} {record.id}"
            yield _length(found, record, "S13", "opening", said, key(record), half, own=True)
