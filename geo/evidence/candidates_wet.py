"""The wet stretches as they are reasoned about: where each is, its peak, and what else was read there."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geo.evidence.reaches import overlap_m, unwrapped
from geo.findings.examine import Findings
from geo.moisture.along import Along, along_wall
from geo.moisture.censor import bounds

Numbers = NDArray[np.float64]
SAME_M = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wet:
    """One wet stretch.

    Parameters
    ----------
    span
        From and to, m, running on past the origin corner.
    peak
        The plateau round its highest reading, m: both ends the same where one reading stands out.
    along
        Its shape along the wall at the height most of its readings have.
    outdoors
        Whether the wall there has an outside: no party wall.
    beside
        Stretches of other groups on the same side of the same wall that overlap it.
    """

    stretch_id: str
    ring_key: str
    building_id: str
    side: str
    group: str
    method: str
    span: tuple[float, float]
    length_m: float
    ring_m: float
    peak: tuple[float, float]
    along: Along
    faces: tuple[str, ...]
    outdoors: bool
    profile: str
    profile_because: str
    reading_ids: tuple[str, ...]
    beside: tuple[str, ...] = ()

    @property
    def inside(self) -> bool:
        """Whether it is on the inner face, the floor or in the cavity."""
        return self.side != "outside"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Read:
    """Every joined survey reading as plain columns, controls left out."""

    ids: NDArray[np.object_]
    ring_key: NDArray[np.object_]
    side: NDArray[np.object_]
    group: NDArray[np.object_]
    method: NDArray[np.object_]
    wet: NDArray[np.object_]
    chainage: Numbers
    offset: Numbers
    height: Numbers
    low: Numbers
    high: Numbers
    row_of: Mapping[str, int]


def plain_readings(found: Findings) -> Read:
    """Lay the readings out as plain columns."""
    table = found.readings
    own = table[(table["status"] == "joined").to_numpy() & (table["wet"] != "control").to_numpy()]
    low, high = bounds(own["value"].to_numpy(dtype=float), own["censored"].to_numpy(dtype=object))
    ids = own.index.to_numpy(dtype=object)
    return Read(
        ids=ids,
        ring_key=own["ring_key"].to_numpy(dtype=object),
        side=own["side"].to_numpy(dtype=object),
        group=own["group"].to_numpy(dtype=object),
        method=own["method"].to_numpy(dtype=object),
        wet=own["wet"].to_numpy(dtype=object),
        chainage=own["chainage_m"].to_numpy(dtype=float),
        offset=own["offset_m"].to_numpy(dtype=float),
        height=own["height_m"].to_numpy(dtype=float),
        low=low,
        high=high,
        row_of={str(name): i for i, name in enumerate(ids)},
    )


def wet_stretches(found: Findings, read: Read) -> tuple[Wet, ...]:
    """Lay the wet stretches out, each with its shape along the wall and what overlaps it."""
    table = found.stretches
    if not len(table):
        return ()
    perimeter, ref = found.perimeter, found.site.reference
    lengths = {str(key): float(length) for key, length in perimeter.rings["length_m"].items()}
    names = perimeter.faces["face"].to_numpy(dtype=object)
    outside = perimeter.faces["outside"].to_numpy(dtype=bool)
    gap = 2.0 * ref.value("moisture.read_reach_m")
    shown = {
        str(name): (row.method, float(row.spread), float(row.control_median))
        for name, row in zip(found.groups.index, found.groups.itertuples(), strict=True)
    }
    made: list[Wet] = []
    faces = _faces_along(found, table, lengths)
    for row in table.itertuples():
        ring_key, ring_m = str(row.ring_key), lengths[str(row.ring_key)]
        span = unwrapped(float(row.chainage_from_m), float(row.chainage_to_m), ring_m)
        method, spread, dry = shown[str(row.group)]
        along = _along(
            read, row, span, ring_m, spread=spread, dry=dry, z=ref.value("confidence.z_95"), gap=gap
        )
        face = faces[len(made)]
        peak = (along.plateau_from_m, along.plateau_to_m)
        if math.isnan(peak[0]):
            peak = (float(row.peak_chainage_m),) * 2
        made.append(
            Wet(
                stretch_id=str(row.Index), ring_key=ring_key, building_id=str(row.building_id),
                side=str(row.side), group=str(row.group), method=ref.methods[method].name, span=span,
                length_m=float(row.length_m), ring_m=ring_m, peak=peak, along=along,
                faces=tuple(str(names[i]) for i in face), outdoors=bool(outside[face].any()),
                profile=str(row.profile), profile_because=str(row.profile_because),
                reading_ids=tuple(str(each) for each in row.reading_ids),
            )
        )  # fmt: skip
    return tuple(_with_beside(one, made) for one in made)


def _faces_along(found: Findings, table: Any, lengths: Mapping[str, float]) -> list[NDArray[np.int64]]:
    """Return the faces each stretch lies on, all of them looked up at once."""
    keys = [str(key) for key in table["ring_key"]]
    spans = [
        unwrapped(float(a), float(b), lengths[key])
        for key, a, b in zip(keys, table["chainage_from_m"], table["chainage_to_m"], strict=True)
    ]
    at = [np.arange(a, b + 1e-9, max((b - a) / 8.0, 0.05)) for a, b in spans]
    counts = [len(each) for each in at]
    rows = found.perimeter.face_at(np.repeat(np.array(keys, dtype=object), counts), np.concatenate(at))
    return [np.unique(own) for own in np.split(rows, np.cumsum(counts)[:-1])]


def _with_beside(one: Wet, every: list[Wet]) -> Wet:
    """Name the stretches of other groups that overlap one on the same side of the same wall."""
    found = tuple(
        other.stretch_id
        for other in every
        if other is not one
        and (other.ring_key, other.side) == (one.ring_key, one.side)
        and overlap_m(one.span, other.span, one.ring_m) > SAME_M
    )
    return replace(one, beside=found)


def _along(
    read: Read, row: Any, span: tuple[float, float], ring_m: float, *, spread: float, dry: float, z: float,
    gap: float,
) -> Along:  # fmt: skip
    """Return the shape along the wall at the height most readings of the stretch have."""
    own = np.array([read.row_of[str(each)] for each in row.reading_ids])
    height = np.round(read.height[own], 1)
    known = height[np.isfinite(height)]
    rows = (read.ring_key == row.ring_key) & (read.side == row.side) & (read.group == row.group)
    if len(known):
        values, counts = np.unique(known, return_counts=True)
        rows &= np.round(read.height, 1) == values[np.argmax(counts)]
    at = read.chainage[rows]
    middle = (span[0] + span[1]) / 2.0
    # Bring every reading to the copy of the ring nearest the stretch.
    at = middle + np.mod(at - middle + ring_m / 2.0, ring_m) - ring_m / 2.0
    return along_wall(
        at,
        read.low[rows],
        read.high[rows],
        apart=z * math.sqrt(2.0) * spread,
        dry=dry,
        gap_m=gap,
        within=span,
    )
