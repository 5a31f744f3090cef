"""The lie of a walk: parts of faces, places of records along the rings, and wet lengths drawn together."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from geo.findings.examine import Findings
from geo.findings.places import perimeter_of, place_records, ring_keys
from geo.perimeter.build import Perimeter
from geo.reference import Reference
from geo.site.model import Site

SAME_M = 1e-6
NAN = math.nan
FITTED = ("gully", "downpipe", "soakaway", "chamber", "fixture")


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One of the equal parts a face is walked in; its name does not change with what stands along it."""

    id: str
    ring_key: str
    face: str
    exposure: str
    outside: bool
    index: int
    count: int
    from_m: float
    to_m: float

    @property
    def middle_m(self) -> float:
        """Chainage of its middle."""
        return (self.from_m + self.to_m) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """The faces of a ring in order, as plain lists, so that one place is found at once."""

    length_m: float
    begins: list[float]
    faces: list[str]
    starts: list[tuple[float, float]]
    units: list[tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class WetLength:
    """Wall that is wet on one side or the other; ``to_m`` passes the ring's length where it wraps."""

    id: str
    ring_key: str
    face: str
    from_m: float
    to_m: float
    sides: tuple[str, ...]
    stretch_ids: tuple[str, ...]

    @property
    def middle_m(self) -> float:
        """Chainage of its middle; it may pass the ring's length."""
        return (self.from_m + self.to_m) / 2

    @property
    def length_m(self) -> float:
        """Its length."""
        return self.to_m - self.from_m

    @property
    def where(self) -> str:
        """The place in words."""
        return f"{self.ring_key} {self.from_m:.1f}-{self.to_m:.1f}"


@dataclass(frozen=True, eq=False, kw_only=True)
class Lie:
    """Everything about a site a walk is planned from.

    Parameters
    ----------
    found
        What is found so far; ``None`` before the first visit.
    rings
        Keys of the rings to walk, in order.
    walls
        The faces of each of those rings.
    parts
        Equal parts of every face of those rings, at most ``walk.gap_max_m`` long, in order.
    assets
        Gullies, downpipes, soakaways, chambers and fixtures, indexed by id: kind, x, y, ring_key, face,
        chainage_m of the nearest wall walked (NaN and blank without a position).
    wet
        Wet lengths, readings of all methods and both sides drawn together where they overlap.
    """

    site: Site
    found: Findings | None
    perimeter: Perimeter
    placed: dict[str, pd.DataFrame] = field(repr=False)
    rings: tuple[str, ...]
    walls: dict[str, Wall] = field(repr=False)
    parts: tuple[Part, ...]
    assets: pd.DataFrame
    wet: tuple[WetLength, ...]

    @property
    def ref(self) -> Reference:
        """The limits in force."""
        return self.site.reference

    @property
    def read(self) -> bool:
        """Whether any wall has been read."""
        return self.found is not None and len(self.found.readings) > 0

    def length(self, ring_key: str) -> float:
        """Return a ring's length, m."""
        return self.walls[ring_key].length_m

    def part_at(self, ring_key: str, chainage_m: float) -> Part:
        """Return the part of a face a chainage lies in."""
        at = round_once(chainage_m, self.length(ring_key))
        own = [part for part in self.parts if part.ring_key == ring_key]
        return next((part for part in own if at < part.to_m), own[-1])

    def spot(self, ring_key: str, chainage_m: float) -> dict[str, Any]:
        """Return the place of a stop at a chainage."""
        wall = self.walls[ring_key]
        at = round_once(chainage_m, wall.length_m)
        row = bisect_right(wall.begins, at + 1e-9) - 1
        ahead = at - wall.begins[row]
        (x, y), (east, north) = wall.starts[row], wall.units[row]
        place = {"x": x + east * ahead, "y": y + north * ahead}
        return {"ring_key": ring_key, "face": wall.faces[row], "chainage_m": at, **place}


def round_once(chainage_m: float, length_m: float) -> float:
    """Return a chainage within one round of its ring; the end of the round is its beginning."""
    at = chainage_m % length_m
    return 0.0 if length_m - at < SAME_M else at


def lie_of(site: Site, found: Findings | None) -> Lie:
    """Lay out the rings, the records' places and the wet lengths of a site."""
    perimeter = found.perimeter if found is not None else perimeter_of(site)
    placed = found.placed if found is not None else place_records(site, perimeter)
    examined = perimeter.rings[perimeter.rings["examined"]]
    rings = tuple(str(key) for key in examined.index)
    parts = tuple(_parts(perimeter, rings, site.reference.value("walk.gap_max_m")))
    lie = Lie(
        site=site,
        found=found,
        perimeter=perimeter,
        placed=placed,
        rings=rings,
        walls={ring: _wall(perimeter, ring) for ring in rings},
        parts=parts,
        assets=_assets(site, perimeter, placed),
        wet=(),
    )
    return replace(lie, wet=tuple(_wet_lengths(lie)))


def _wall(perimeter: Perimeter, ring_key: str) -> Wall:
    own = (perimeter.faces["ring_key"] == ring_key).to_numpy()
    start, unit, _ = perimeter.frames
    faces = perimeter.faces[own]
    return Wall(
        length_m=float(perimeter.rings.loc[ring_key, "length_m"]),
        begins=[float(at) for at in faces["chainage_from_m"]],
        faces=[str(name) for name in faces["face"]],
        starts=[(float(x), float(y)) for x, y in start[own]],
        units=[(float(x), float(y)) for x, y in unit[own]],
    )


def _parts(perimeter: Perimeter, rings: Iterable[str], longest_m: float) -> Iterator[Part]:
    faces = perimeter.faces
    for ring_key in rings:
        for row in faces[faces["ring_key"] == ring_key].itertuples():
            begin, length = float(row.chainage_from_m), float(row.length_m)
            count = max(1, math.ceil(length / longest_m - 1e-9))
            for index in range(count):
                yield Part(
                    id=f"{ring_key}:{row.face}:{index + 1}of{count}",
                    ring_key=ring_key,
                    face=str(row.face),
                    exposure=str(row.exposure),
                    outside=bool(row.outside),
                    index=index,
                    count=count,
                    from_m=begin + length * index / count,
                    to_m=begin + length * (index + 1) / count,
                )


def _assets(site: Site, perimeter: Perimeter, placed: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Lay out what stands at one point, each with the nearest place of a wall that is walked."""
    tables = []
    for kind in FITTED:
        if site.of(kind):
            places = placed[kind][["status", "ring_key", "face", "chainage_m", "x", "y"]]
            tables.append(places.assign(kind=kind))
    if not tables:
        columns = ["kind", "status", "ring_key", "face", "chainage_m", "x", "y"]
        return pd.DataFrame({name: pd.Series(dtype=object) for name in columns})
    table = pd.concat(tables)
    examined = perimeter.rings.index[perimeter.rings["examined"]]
    joined = (table["ring_key"].isin(examined) & (table["status"] != "unjoined")).to_numpy()
    nearest = nearest_wall(perimeter, table[["x", "y"]].to_numpy(dtype=np.float64))
    for name in ("ring_key", "face", "chainage_m"):
        table[name] = np.where(joined, table[name].to_numpy(), nearest[name].to_numpy())
    return table.astype({"chainage_m": float, "x": float, "y": float})


def nearest_wall(perimeter: Perimeter, points: np.ndarray[Any, np.dtype[np.float64]]) -> pd.DataFrame:
    """Return ring_key, face, chainage_m of the nearest walked wall with an outside, for each (n, 2) point."""
    faces = perimeter.faces
    examined = perimeter.rings["examined"].reindex(faces["ring_key"]).to_numpy(dtype=bool)
    usable = np.flatnonzero(examined & faces["outside"].to_numpy(dtype=bool))
    blank = pd.DataFrame({"ring_key": "", "face": "", "chainage_m": NAN}, index=range(len(points)))
    placed = np.isfinite(points).all(axis=1)
    if not len(usable) or not placed.any():
        return blank
    start, unit, _ = (each[usable] for each in perimeter.frames)
    own = faces.iloc[usable]
    away = points[:, None, :] - start[None, :, :]
    along = np.clip(np.einsum("pfi,fi->pf", away, unit), 0.0, own["length_m"].to_numpy()[None, :])
    distance = np.hypot(*np.moveaxis(away - along[:, :, None] * unit[None, :, :], 2, 0))
    best = np.argmin(np.where(placed[:, None], distance, 0.0), axis=1)
    chainage = own["chainage_from_m"].to_numpy()[best] + along[np.arange(len(points)), best]
    return pd.DataFrame(
        {
            "ring_key": np.where(placed, own["ring_key"].to_numpy()[best], ""),
            "face": np.where(placed, own["face"].to_numpy()[best], ""),
            "chainage_m": np.where(placed, chainage, NAN),
        }
    )


def between_places(site: Site, perimeter: Perimeter, kind: str) -> pd.DataFrame:
    """Return the middles of records that hold from one chainage to another: ring_key, chainage_m."""
    table = site.table(kind)
    keys = ring_keys(table, site)
    lengths = perimeter.rings["length_m"].reindex(keys).to_numpy()
    begin, end = table["chainage_from_m"].to_numpy(), table["chainage_to_m"].to_numpy()
    end = np.where(end < begin, end + lengths, end)
    middle = np.mod((begin + end) / 2, lengths)
    return table.assign(ring_key=keys, chainage_m=middle)


def _wet_lengths(lie: Lie) -> Iterator[WetLength]:
    if lie.found is None or lie.found.stretches.empty:
        return
    stretches = lie.found.stretches
    named: dict[str, int] = {}
    for ring_key in lie.rings:
        own = stretches[stretches["ring_key"] == ring_key]
        for begin, end, rows in merged(
            own["chainage_from_m"].to_numpy(), own["chainage_to_m"].to_numpy(), lie.length(ring_key)
        ):
            part = lie.part_at(ring_key, (begin + end) / 2)
            named[part.id] = named.get(part.id, 0) + 1
            again = f"/{named[part.id]}" if named[part.id] > 1 else ""
            yield WetLength(
                id=f"{part.id}{again}",
                ring_key=ring_key,
                face=part.face,
                from_m=begin,
                to_m=end,
                sides=tuple(dict.fromkeys(str(side) for side in own["side"].iloc[rows])),
                stretch_ids=tuple(str(name) for name in own.index[rows]),
            )


def merged(begins: Any, ends: Any, length_m: float) -> list[tuple[float, float, list[int]]]:
    """Draw overlapping lengths of a ring together.

    Parameters
    ----------
    begins, ends
        Chainages; an end smaller than its begin passes the origin corner.
    length_m
        Length of the ring.

    Returns
    -------
    Tuples of begin, end (greater than ``length_m`` where it passes the origin) and the rows drawn together.
    """
    spans = sorted(
        (float(begin), float(end) + (length_m if end < begin else 0.0), row)
        for row, (begin, end) in enumerate(zip(begins, ends, strict=True))
    )
    found: list[tuple[float, float, list[int]]] = []
    for begin, end, row in spans:
        if found and begin <= found[-1][1]:
            low, high, rows = found[-1]
            found[-1] = (low, max(high, end), [*rows, row])
        else:
            found.append((begin, end, [row]))
    while len(found) > 1 and found[-1][1] - length_m >= found[0][0]:
        low, high, rows = found[-1]
        first = found.pop(0)
        found[-1] = (low, max(high, first[1] + length_m), [*rows, *first[2]])
    return [(low, min(high, low + length_m), rows) for low, high, rows in found]
