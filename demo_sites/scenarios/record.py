"""A site folder being written: records through the declared kinds, and the truth beside them."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Sequence
from math import comb
from pathlib import Path
from typing import Any

import shapely
from pyproj import CRS
from scenarios.plan import Frame, Point, Ring
from shapely.geometry.polygon import orient

from geo.site.records import KINDS, Record
from geo.site.tables import write_csv, write_geojson

GRID = CRS.from_epsg(27700)
RADII = (0.5, 1.0, 1.5)


class SiteFolder:
    """Records and truths of one site, written in one go."""

    def __init__(self, frame: Frame) -> None:
        self.frame = frame
        self.records: dict[str, list[Record]] = defaultdict(list)
        self.texts: dict[str, str] = {}
        self.photos: dict[str, bytes] = {}
        self.truth: dict[str, Any] = {}

    def add(self, kind: str, **fields: Any) -> None:
        """Add one record; the declaration refuses what it does not know."""
        self.records[kind].append(KINDS[kind](**fields))

    def draw(
        self, kind: str, places: Sequence[Point], *, holes: Sequence[Sequence[Point]] = (), **fields: Any
    ) -> None:
        """Add one drawn record, its places in the house's axes."""
        line = [self.frame.grid(place) for place in places]
        inner = [[self.frame.grid(place) for place in hole] for hole in holes]
        if KINDS[kind].shape == "LineString":
            self.add(kind, geometry=shapely.LineString(line), **fields)
        else:
            self.add(kind, geometry=orient(shapely.Polygon(line, inner)), **fields)

    def write(self, folder: Path) -> None:
        """Write every record, the texts and ``truth.toml``; other old record files are taken away."""
        folder.mkdir(parents=True, exist_ok=True)
        for old in [*folder.glob("*.csv"), *folder.glob("*.geojson")]:
            old.unlink()
        for old in folder.glob("photos/*"):
            old.unlink()
        if self.photos:
            (folder / "photos").mkdir(exist_ok=True)
        for name, picture in self.photos.items():
            (folder / "photos" / name).write_bytes(picture)
        for kind, records in self.records.items():
            model = KINDS[kind]
            if model.shape:
                (folder / f"{model.stem}.geojson").write_bytes(write_geojson(records, model, crs=GRID))
            else:
                (folder / f"{model.stem}.csv").write_bytes(write_csv(records, model))
        for name, content in self.texts.items():
            (folder / name).write_text(content, encoding="utf-8", newline="\n")
        (folder / "truth.toml").write_text(truth_text(self.truth), encoding="utf-8", newline="\n")


def toml_text(table: dict[str, Any]) -> str:
    """Return one flat table as TOML."""
    return "".join(f"{key} = {toml_value(value)}\n" for key, value in table.items())


def toml_value(value: Any) -> str:
    """Return one value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(round(value, 4) + 0.0)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {toml_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    return json.dumps(str(value), ensure_ascii=False)


def truth_text(truth: dict[str, Any]) -> str:
    """Return the truth as TOML: tables, and arrays of tables with a line of comment above."""
    parts = [
        (
            "# What is true of this invented site, worked out from its stated numbers.\n"
            "# Tests read this file; the tool never does.\n"
        )
    ]
    for name, (about, content) in truth.items():
        said = "".join(f"# {line}\n" for line in about.splitlines())
        if isinstance(content, dict):
            parts.append(f"{said}[{name}]\n{toml_text(content)}")
        else:
            parts.append(said.rstrip("\n"))
            parts += [f"[[{name}]]\n{toml_text(row)}" for row in content]
    return "\n".join(parts)


class Cluster:
    """Counts near and away from outlets by the true walk outside, one place for each chainage."""

    def __init__(self, outlets: Sequence[tuple[str, Ring, float]]) -> None:
        self.outlets = outlets

    def distance(self, ring: Ring, chainage: float) -> float:
        """Return the walk from a place to the nearest outlet of the same ring."""
        walks = [ring.walk(chainage, at) for _, on, at in self.outlets if on.key == ring.key]
        return min(walks, default=float("inf"))

    def clear_of_edges(self, ring: Ring, chainage: float, margin: float = 0.12) -> float:
        """Move a place just enough that no radius round an outlet is within a tape's error of it."""
        for step in range(60):
            for sign in (1, -1):
                tried = round(chainage + sign * 0.02 * step, 3)
                if all(abs(self.distance(ring, tried) - radius) > margin for radius in RADII):
                    return tried
        raise ValueError(f"no room near {ring.key} {chainage}")

    def counts(self, places: Sequence[tuple[Ring, float, bool]]) -> list[dict[str, Any]]:
        """Return the counts at the three radii, with the exact chance of as many wet near by luck."""
        walks = [(self.distance(ring, chainage), wet) for ring, chainage, wet in places]
        total, wet_all = len(walks), sum(wet for _, wet in walks)
        rows = []
        for radius in RADII:
            near = sum(walk <= radius for walk, _ in walks)
            wet_near = sum(wet for walk, wet in walks if walk <= radius)
            ways = sum(
                comb(near, k) * comb(total - near, wet_all - k)
                for k in range(wet_near, min(near, wet_all) + 1)
                if wet_all - k <= total - near
            )
            turned = self._turned(places, radius)
            rows.append(
                {
                    "radius_m": radius,
                    "places": total,
                    "near": near,
                    "away": total - near,
                    "wet": wet_all,
                    "wet_near": wet_near,
                    "wet_away": wet_all - wet_near,
                    "p_exact": ways / comb(total, wet_all),
                }
                | ({} if turned is None else {"p_rotation": turned})
            )
        return rows

    def _turned(self, places: Sequence[tuple[Ring, float, bool]], radius: float) -> float | None:
        """Return the share of shifts along one open run of wall with as many wet near, itself included."""
        rings = {ring.key: ring for ring, _, _ in places}
        if len(rings) > 1:
            return None
        (ring,) = rings.values()
        if len(ring.party) != 1:
            return None
        start = ring.starts[min(ring.party) + 1]
        row = sorted(((chainage - start) % ring.length, chainage, wet) for _, chainage, wet in places)
        near = [self.distance(ring, chainage) <= radius for _, chainage, _ in row]
        wets = [wet for _, _, wet in row]
        shifted = [
            sum(n and w for n, w in zip(near, wets[s:] + wets[:s], strict=True)) for s in range(len(row))
        ]
        return sum(found >= shifted[0] for found in shifted) / len(row)
