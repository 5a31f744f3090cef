"""The perimeter of a site: rings of faces with chainage, bearing and outward normal."""

from __future__ import annotations

from collections.abc import Mapping
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
from geo.perimeter.rings import (
    Numbers,
    Points,
    RingOutline,
    begin_at,
    clean,
    clockwise,
    corner_names,
    cut,
    front_left,
    party_intervals,
)
from geo.reference import Reference
from geo.site.crs import require_metric


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
        When an outline crosses itself or has fewer than three corners.
    """
    crs = require_metric(buildings.crs)
    if buildings.empty:
        raise GeometryError("no building has an outline")
    outlines = _exposed(_outlines(buildings, ref), ref)
    told = _told(faces)
    fits: dict[str, TapeFit] = {}
    tables: list[pd.DataFrame] = []
    for i, outline in enumerate(outlines):
        building = buildings.loc[outline.building_id]
        names = [f"F{k}" for k in range(1, len(outline.corners) + 1)]
        own = told.reindex([(outline.building_id, outline.ring, name) for name in names])
        shape_sigma = _or(building.get("outline_sigma_m"), ref.value("perimeter.map_shape_sigma_m"))
        taped = own["taped_length_m"].to_numpy(dtype=np.float64)
        if np.isfinite(taped).any():
            usual = ref.value("tape.wall_fixed_m") + ref.value("tape.wall_share") * taped
            sigmas = np.where(np.isfinite(own["taped_sigma_m"]), own["taped_sigma_m"], usual)
            fit = fit_taped(outline.corners, taped, sigmas, names=names, shape_sigma_m=shape_sigma, ref=ref)
            fits[outline.ring_key] = fit
            outlines[i] = replace(outline, corners=fit.corners)
        tables.append(
            _faces(outline, outlines[i], own, building, fits.get(outline.ring_key), shape_sigma, ref)
        )
    table = gpd.GeoDataFrame(pd.concat(tables), geometry="geometry", crs=crs)
    rings = _rings(outlines, table, fits)
    return Perimeter(
        crs=crs, rings=rings, faces=table, footprints=_footprints(outlines, buildings, crs), fits=fits
    )


def _outlines(buildings: gpd.GeoDataFrame, ref: Reference) -> list[RingOutline]:
    """Clean, turn and begin every ring of every building."""
    how = {
        "straight_deg": ref.value("perimeter.straight_deg"),
        "shortest_m": ref.value("perimeter.shortest_face_m"),
    }
    found: list[RingOutline] = []
    for building_id, building in buildings.iterrows():
        polygon = building.geometry
        if polygon is None or not polygon.is_valid:
            why = "is missing" if polygon is None else shapely.is_valid_reason(polygon)
            raise GeometryError(f"the outline of {building_id} cannot be used: {why}")
        outer = clockwise(clean(polygon.exterior.coords, **how))
        given = np.array(
            [building.get("origin_e", np.nan), building.get("origin_n", np.nan)], dtype=np.float64
        )
        front = float(building.get("front_bearing_deg", np.nan))
        origin = given if np.isfinite(given).all() else front_left(outer, front)
        outer = begin_at(outer, origin)
        kinds = building.get("ring_kinds", {}) or {}
        rings = [("", "outer", outer)]
        for i, hole in enumerate(polygon.interiors, start=1):
            corners = begin_at(clockwise(clean(hole.coords, **how)), outer[0])
            rings.append((f"Y{i}", str(kinds.get(f"Y{i}", "courtyard")), corners))
        for ring, kind, corners in rings:
            key = f"{building_id}/{ring}" if ring else str(building_id)
            found.append(
                RingOutline(
                    ring_key=key,
                    building_id=str(building_id),
                    ring=ring,
                    kind=kind,
                    role=str(building.get("role", "subject")),
                    corners=corners,
                    exposures=("free",) * len(corners),
                )
            )
    return found


def _exposed(outlines: list[RingOutline], ref: Reference) -> list[RingOutline]:
    """Cut rings where they share a wall with another building."""
    starts = np.concatenate([outline.corners for outline in outlines])
    ends = np.concatenate([np.roll(outline.corners, -1, axis=0) for outline in outlines])
    names = pd.factorize(pd.Series([outline.building_id for outline in outlines]))[0]
    owner = np.repeat(names, [len(outline.corners) for outline in outlines]).astype(np.int64)
    shared = party_intervals(
        starts,
        ends,
        owner,
        gap_m=ref.value("perimeter.party_gap_m"),
        angle_deg=ref.value("perimeter.party_angle_deg"),
    )
    first = 0
    found = []
    for outline in outlines:
        count = len(outline.corners)
        own = {i: shared[first + i] for i in range(count) if first + i in shared}
        corners, exposures = cut(outline.corners, own)
        found.append(replace(outline, corners=corners, exposures=exposures))
        first += count
    return found


def _told(faces: pd.DataFrame | None) -> pd.DataFrame:
    columns = ["exposure", "taped_length_m", "taped_sigma_m", "thickness_m", "thickness_sigma_m"]
    names = ["building_id", "ring", "face"]
    if faces is None or faces.empty:
        empty = pd.MultiIndex.from_arrays([[], [], []], names=names)
        return pd.DataFrame(
            {column: pd.Series(dtype=object if column == "exposure" else "float64") for column in columns},
            index=empty,
        )
    table = faces.reindex(columns=[*names, *columns]).drop_duplicates(names, keep="last")
    return table.astype({"exposure": object} | dict.fromkeys(columns[1:], "float64")).set_index(names)


def _faces(
    drawn: RingOutline,
    outline: RingOutline,
    own: pd.DataFrame,
    building: Any,
    fit: TapeFit | None,
    shape_sigma_m: float,
    ref: Reference,
) -> pd.DataFrame:
    """Lay out the faces of one ring."""
    corners = outline.corners
    following = np.roll(corners, -1, axis=0)
    along = following - corners
    lengths = np.hypot(along[:, 0], along[:, 1])
    unit = along / lengths[:, None]
    outward = np.column_stack([-unit[:, 1], unit[:, 0]]) * (-1.0 if outline.inward else 1.0)
    mapped = np.roll(drawn.corners, -1, axis=0) - drawn.corners
    to = np.cumsum(lengths)
    names = corner_names(len(corners))
    taped = own["taped_length_m"].notna().to_numpy() & (fit is not None and fit.accepted)
    usual = ref.value("tape.wall_fixed_m") + ref.value("tape.wall_share") * lengths
    tape_sigma = np.where(own["taped_sigma_m"].notna(), own["taped_sigma_m"].astype(float), usual)
    said = own["exposure"].where(own["exposure"].notna(), "").to_numpy(dtype=object)
    exposure = np.where(said != "", said, np.array(outline.exposures, dtype=object))
    wall = _or(building.get("wall_thickness_m"), ref.value("perimeter.default_wall_m"))
    known = pd.notna(building.get("wall_thickness_m"))
    spread = _or(
        building.get("wall_thickness_sigma_m"), 0.01 if known else ref.value("perimeter.default_wall_sigma_m")
    )
    face = [f"F{k}" for k in range(1, len(corners) + 1)]
    table = pd.DataFrame(
        {
            "ring_key": outline.ring_key,
            "building_id": outline.building_id,
            "ring": outline.ring,
            "face": face,
            "corner_from": names,
            "corner_to": names[1:] + names[:1],
            "chainage_from_m": to - lengths,
            "chainage_to_m": to,
            "length_m": lengths,
            "map_length_m": np.hypot(mapped[:, 0], mapped[:, 1]),
            "length_sigma_m": np.where(taped, tape_sigma, shape_sigma_m),
            "bearing_deg": np.mod(np.degrees(np.arctan2(unit[:, 0], unit[:, 1])), 360.0),
            "normal_e": outward[:, 0],
            "normal_n": outward[:, 1],
            "exposure": exposure,
            "outside": exposure != "party",
            "thickness_m": own["thickness_m"].astype(float).fillna(wall).to_numpy(),
            "thickness_sigma_m": own["thickness_sigma_m"].astype(float).fillna(spread).to_numpy(),
            "geometry": list(np.asarray(shapely.linestrings(np.stack([corners, following], axis=1)))),
        }
    )
    return table.set_index(table["ring_key"] + ":" + table["face"]).rename_axis(None)


def _rings(outlines: list[RingOutline], faces: pd.DataFrame, fits: Mapping[str, TapeFit]) -> pd.DataFrame:
    sums = faces.groupby("ring_key")[["length_m", "map_length_m"]].sum()
    return pd.DataFrame(
        {
            "building_id": [outline.building_id for outline in outlines],
            "ring": [outline.ring for outline in outlines],
            "kind": [outline.kind for outline in outlines],
            "examined": [outline.role == "subject" for outline in outlines],
            "length_m": [float(sums.loc[outline.ring_key, "length_m"]) for outline in outlines],
            "map_length_m": [float(sums.loc[outline.ring_key, "map_length_m"]) for outline in outlines],
            "taped": [outline.ring_key in fits and fits[outline.ring_key].accepted for outline in outlines],
            "origin_corner": "A",
        },
        index=[outline.ring_key for outline in outlines],
    )


def _footprints(outlines: list[RingOutline], buildings: gpd.GeoDataFrame, crs: CRS) -> gpd.GeoDataFrame:
    shells = {outline.building_id: outline.corners for outline in outlines if not outline.inward}
    holes: dict[str, list[Points]] = {}
    for outline in outlines:
        if outline.inward:
            holes.setdefault(outline.building_id, []).append(outline.corners)
    ids = list(shells)
    polygons = [shapely.Polygon(shells[name], holes.get(name, [])) for name in ids]
    roles = [str(buildings.loc[name].get("role", "subject")) for name in ids]
    return gpd.GeoDataFrame({"building_id": ids, "role": roles}, geometry=polygons, crs=crs, index=ids)


def _or(value: Any, otherwise: float) -> float:
    return otherwise if value is None or pd.isna(value) else float(value)
