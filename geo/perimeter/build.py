"""The perimeter of a site: rings of faces with chainage, bearing and outward normal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS

from geo.errors import GeometryError
from geo.perimeter.fit import TapeFit, fit_taped
from geo.perimeter.grid import measurable
from geo.perimeter.layout import (
    building_number,
    face_rows,
    lay_out_faces,
    lay_out_footprints,
    lay_out_rings,
    tape_sigma,
    told_of,
)
from geo.perimeter.rings import (
    Numbers,
    Points,
    RingOutline,
    begin_at,
    clean,
    clockwise,
    cut,
    front_left,
    outward_normals,
    party_intervals,
)
from geo.reference import Reference


@dataclass(frozen=True, kw_only=True, eq=False)
class Perimeter:
    """Faces and chainage of every ring of a site.

    Parameters
    ----------
    crs
        Projected CRS in metres, or a local site grid.
    rings
        One row a ring, indexed by ring_key (``B1``, or ``B1/Y1`` for its first courtyard).
    faces
        One row a face in order of chainage, indexed by ``ring_key:F1``.
    footprints
        Every building's outline, fitted to the tape where there is one.
    fits
        By ring, how its taped lengths agree with the outline.
    """

    crs: CRS
    rings: pd.DataFrame
    faces: gpd.GeoDataFrame
    footprints: gpd.GeoDataFrame
    fits: Mapping[str, TapeFit] = field(default_factory=dict)

    def face_at(self, ring_key: ArrayLike, chainage_m: ArrayLike) -> NDArray[np.int64]:
        """Return the row of :attr:`faces` at each chainage; chainage wraps round the ring.

        Parameters
        ----------
        ring_key
            One ring for all, or one for each chainage.
        """
        chainage = np.atleast_1d(np.asarray(chainage_m, dtype=np.float64))
        keys = np.broadcast_to(np.asarray(ring_key, dtype=object), chainage.shape)
        number = self.rings.index.get_indexer(pd.Index(keys))
        if (number < 0).any():
            raise GeometryError(f"no ring {keys[number < 0][0]!r} on this site")
        lengths = self.rings["length_m"].to_numpy()[number]
        along = number * self._stride + np.mod(chainage, lengths)
        return np.asarray(np.searchsorted(self._begins, along + 1e-9, side="right") - 1, dtype=np.int64)

    def point_at(self, ring_key: ArrayLike, chainage_m: ArrayLike, offset_m: ArrayLike = 0.0) -> Points:
        """Return (n, 2) points at chainages, offset outward from the face (negative: inward)."""
        chainage = np.atleast_1d(np.asarray(chainage_m, dtype=np.float64))
        row = self.face_at(ring_key, chainage)
        keys = self.faces["ring_key"].to_numpy()[row]
        lengths = self.rings["length_m"].reindex(keys).to_numpy()
        along = np.mod(chainage, lengths) - self.faces["chainage_from_m"].to_numpy()[row]
        offset = np.broadcast_to(np.asarray(offset_m, dtype=np.float64), chainage.shape)
        start, unit, normal = self.frames
        return np.asarray(
            start[row] + unit[row] * along[:, None] + normal[row] * offset[:, None], dtype=np.float64
        )

    def line(self, ring_key: str, from_m: float, to_m: float, offset_m: float = 0.0) -> shapely.LineString:
        """Return the wall between two chainages as a line; it may run past the origin corner."""
        length = float(self.rings.loc[ring_key, "length_m"])
        end = to_m if to_m > from_m else to_m + length
        own = self.faces[self.faces["ring_key"] == ring_key]
        corners = np.concatenate([own["chainage_from_m"].to_numpy() + turn * length for turn in (0, 1)])
        inner = corners[(corners > from_m + 1e-6) & (corners < end - 1e-6)]
        stops = np.concatenate([[from_m], np.repeat(inner, 2), [end]])
        nudge = np.zeros(len(stops))
        nudge[1:-1:2] = -1e-6
        nudge[-1] = -1e-6
        drawn = shapely.LineString(self.point_at(ring_key, stops + nudge, offset_m))
        return shapely.remove_repeated_points(drawn, 1e-5)

    def stations(self, step_m: float = 1.0) -> gpd.GeoDataFrame:
        """Cut the wall of surveyed buildings into pieces of equal length within a face, at most ``step_m``.

        Returns
        -------
        One row a piece: station_id, ring_key, building_id, ring, face, chainage_from_m, chainage_to_m,
        chainage_m (middle), length_m, x, y (middle, on the outer face), normal_e, normal_n, exposure,
        outside, thickness_m, and its line.
        """
        examined = self.rings["examined"].reindex(self.faces["ring_key"]).to_numpy(dtype=bool)
        own = self.faces[examined]
        lengths = own["length_m"].to_numpy()
        count = np.maximum(1, np.ceil(lengths / step_m - 1e-9)).astype(int)
        row = np.repeat(np.arange(len(own)), count)
        k = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        piece = (lengths / count)[row]
        table = own.iloc[row].drop(columns=["geometry"]).reset_index(drop=True)
        start = table["chainage_from_m"].to_numpy() + k * piece
        ids = [f"{key}@{at:.2f}" for key, at in zip(table["ring_key"], start, strict=True)]
        table = table.assign(
            station_id=ids,
            chainage_from_m=start,
            chainage_to_m=start + piece,
            chainage_m=start + piece / 2,
            length_m=piece,
        )
        frames = np.flatnonzero(examined)[row]
        begin, unit, _ = self.frames
        first = begin[frames] + unit[frames] * (k * piece)[:, None]
        last = first + unit[frames] * piece[:, None]
        middle = (first + last) / 2
        table = table.assign(x=middle[:, 0], y=middle[:, 1])
        kept = [
            "station_id", "ring_key", "building_id", "ring", "face", "chainage_from_m", "chainage_to_m",
            "chainage_m", "length_m", "x", "y", "normal_e", "normal_n", "exposure", "outside", "thickness_m",
        ]  # fmt: skip
        lines = shapely.linestrings(np.stack([first, last], axis=1))
        return gpd.GeoDataFrame(table[kept], geometry=lines, crs=self.crs)

    @property
    def frames(self) -> tuple[Points, Points, Points]:
        """Start, unit direction and outward unit normal of every face, each (n, 2)."""
        kept = self.__dict__.get("_frames")
        if kept is None:
            ends = shapely.get_coordinates(self.faces.geometry.to_numpy()).reshape(-1, 2, 2)
            along = ends[:, 1] - ends[:, 0]
            unit = along / np.hypot(along[:, 0], along[:, 1])[:, None]
            normal = self.faces[["normal_e", "normal_n"]].to_numpy(dtype=np.float64)
            kept = self.__dict__["_frames"] = (ends[:, 0], unit, normal)
        return kept

    @property
    def neighbours(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Rows of the faces before and after every face, round its ring, each (faces,)."""
        keys = self.faces["ring_key"].to_numpy()
        row = np.arange(len(keys))
        begins = np.r_[True, keys[1:] != keys[:-1]]
        first = np.maximum.accumulate(np.where(begins, row, 0))
        last = np.r_[np.flatnonzero(begins)[1:], len(keys)][np.cumsum(begins) - 1] - 1
        return np.where(row == first, last, row - 1), np.where(row == last, first, row + 1)

    @property
    def _stride(self) -> float:
        return float(self.rings["length_m"].max()) + 1.0

    @property
    def _begins(self) -> Numbers:
        number = self.rings.index.get_indexer(pd.Index(self.faces["ring_key"]))
        return np.asarray(number * self._stride + self.faces["chainage_from_m"].to_numpy(), dtype=np.float64)


def build_perimeter(
    buildings: gpd.GeoDataFrame, *, faces: pd.DataFrame | None = None, ref: Reference
) -> Perimeter:
    """Build the perimeter from outlines, and from what was taped and seen of the faces.

    Parameters
    ----------
    buildings
        Indexed by building id: role, origin_e, origin_n, front_bearing_deg, wall_thickness_m,
        wall_thickness_sigma_m (NaN where not given), ring_kinds (``{"Y1": "lightwell"}``), optionally
        outline_sigma_m, and a polygon, drawn either way round.
    faces
        building_id, ring, face, exposure, taped_length_m, taped_sigma_m, thickness_m,
        thickness_sigma_m; blank or NaN where not given.

    Raises
    ------
    CrsError
        When the outlines' CRS cannot be measured in.
    GeometryError
        When an outline is missing, crosses itself or has fewer than three corners, an id stands twice,
        or an origin corner lies far from every corner; names every outline at fault.
    """
    buildings = buildings.set_axis(buildings.index.astype(str), axis=0)
    crs = measurable(buildings.crs, buildings.total_bounds, ref=ref)
    if buildings.empty:
        raise GeometryError("no building has an outline")
    drawn = _exposed(_outlines(buildings, ref), ref)
    rows = face_rows(drawn)
    told = told_of(faces, rows)
    fits = _fits(drawn, rows, told, buildings, ref)
    fitted = [
        replace(outline, corners=fits[outline.ring_key].corners) if outline.ring_key in fits else outline
        for outline in drawn
    ]
    table = lay_out_faces(rows, told, buildings, drawn=drawn, fitted=fitted, fits=fits, ref=ref)
    return Perimeter(
        crs=crs,
        rings=lay_out_rings(fitted, table, fits),
        faces=gpd.GeoDataFrame(table, geometry="geometry", crs=crs),
        footprints=lay_out_footprints(fitted, crs),
        fits=fits,
    )


def _fits(
    drawn: Sequence[RingOutline],
    rows: pd.DataFrame,
    told: pd.DataFrame,
    buildings: gpd.GeoDataFrame,
    ref: Reference,
) -> dict[str, TapeFit]:
    """Fit every ring of which anything was taped."""
    taped = told["taped_length_m"].to_numpy(dtype=np.float64)
    sigmas = tape_sigma(told, ref)
    shape = building_number(buildings, "outline_sigma_m", rows, ref.value("perimeter.map_shape_sigma_m"))
    number = rows["number"].to_numpy()
    fits: dict[str, TapeFit] = {}
    for i in np.unique(number[np.isfinite(taped)]).tolist():
        own = np.flatnonzero(number == i)
        fits[drawn[i].ring_key] = fit_taped(
            drawn[i].corners,
            taped[own],
            sigmas[own],
            names=rows["face"].to_numpy()[own].tolist(),
            map_shape_sigma_m=float(shape[own[0]]),
            ref=ref,
        )
    return fits


def _outlines(buildings: gpd.GeoDataFrame, ref: Reference) -> list[RingOutline]:
    """Clean, turn and begin every ring of every building."""
    faults = [f"the id {name} stands twice" for name in buildings.index[buildings.index.duplicated()]]
    found: list[RingOutline] = []
    for building_id, building in buildings.iterrows():
        try:
            found += _rings_of(str(building_id), building, ref)
        except GeometryError as error:
            faults.append(f"the outline of {building_id} {error}")
    if faults:
        raise GeometryError("; ".join(faults))
    return found


def _rings_of(building_id: str, building: Any, ref: Reference) -> list[RingOutline]:
    how = {
        "straight_deg": ref.value("perimeter.straight_deg"),
        "shortest_m": ref.value("perimeter.shortest_face_m"),
    }
    polygon = building.geometry
    if polygon is None or polygon.is_empty:
        raise GeometryError("is missing")
    if polygon.geom_type != "Polygon":
        raise GeometryError(f"is a {polygon.geom_type}: draw each detached part as a building of its own")
    if not polygon.is_valid:
        raise GeometryError(f"cannot be used: {shapely.is_valid_reason(polygon)}")
    outer = clockwise(clean(polygon.exterior.coords, **how))
    given = np.array([building.get("origin_e", np.nan), building.get("origin_n", np.nan)], dtype=np.float64)
    front = float(building.get("front_bearing_deg", np.nan))
    origin = given if np.isfinite(given).all() else front_left(outer, front)
    outer = begin_at(outer, origin)
    astray = float(np.hypot(*(outer[0] - origin)))
    if astray > ref.value("perimeter.origin_reach_m"):
        raise GeometryError(
            f"has no corner at its origin {given[0]:.2f} E {given[1]:.2f} N: {astray:.2f} m off"
        )
    kinds = building.get("ring_kinds") or {}
    rings = [("", "outer", outer)]
    for i, hole in enumerate(polygon.interiors, start=1):
        corners = begin_at(clockwise(clean(hole.coords, **how)), outer[0])
        rings.append((f"Y{i}", str(kinds.get(f"Y{i}", "courtyard")), corners))
    return [
        RingOutline(
            ring_key=f"{building_id}/{ring}" if ring else building_id,
            building_id=building_id,
            ring=ring,
            kind=kind,
            role=str(building.get("role", "subject")),
            corners=corners,
            exposures=("free",) * len(corners),
        )
        for ring, kind, corners in rings
    ]


def _exposed(outlines: list[RingOutline], ref: Reference) -> list[RingOutline]:
    """Cut rings where they share a wall with another building."""
    starts = np.concatenate([outline.corners for outline in outlines])
    ends = np.concatenate([np.roll(outline.corners, -1, axis=0) for outline in outlines])
    counts = [len(outline.corners) for outline in outlines]
    names = pd.factorize(pd.Series([outline.building_id for outline in outlines]))[0]
    inward = np.repeat([outline.inward for outline in outlines], counts)
    snap_m = ref.value("perimeter.corner_snap_m")
    shared = party_intervals(
        starts,
        ends,
        outward_normals(starts, ends, inward),
        np.repeat(names, counts).astype(np.int64),
        gap_m=ref.value("perimeter.party_gap_m"),
        angle_deg=ref.value("perimeter.party_angle_deg"),
        shortest_m=ref.value("perimeter.shortest_party_m"),
        snap_m=snap_m,
    )
    first = 0
    found = []
    for outline, count in zip(outlines, counts, strict=True):
        own = {i: shared[first + i] for i in range(count) if first + i in shared}
        corners, exposures = cut(outline.corners, own, snap_m=snap_m)
        found.append(replace(outline, corners=corners, exposures=exposures))
        first += count
    return found
