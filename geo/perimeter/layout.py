"""Faces, rings and footprints laid out as tables from the corners of every ring."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from geo.perimeter.fit import TapeFit
from geo.perimeter.rings import Numbers, RingOutline, corner_names, outward_normals
from geo.reference import Reference

TOLD = ("taped_length_m", "taped_sigma_m", "thickness_m", "thickness_sigma_m")


def face_rows(outlines: Sequence[RingOutline]) -> pd.DataFrame:
    """Return which ring each face belongs to and what it is called, indexed by face key, in order."""
    count = np.array([len(outline.corners) for outline in outlines])
    number = np.repeat(np.arange(len(outlines)), count)
    place = np.arange(len(number)) - np.repeat(np.cumsum(count) - count, count)
    letters = np.array(corner_names(int(count.max())), dtype=object)
    names = np.array([f"F{k}" for k in range(1, int(count.max()) + 1)], dtype=object)
    rows = pd.DataFrame(
        {
            column: np.array([getattr(outline, column) for outline in outlines], dtype=object)[number]
            for column in ("ring_key", "building_id", "ring")
        }
        | {
            "number": number,
            "face": names[place],
            "corner_from": letters[place],
            "corner_to": letters[(place + 1) % count[number]],
        }
    )
    return rows.set_index(rows["ring_key"] + ":" + rows["face"]).rename_axis(None)


def told_of(faces: pd.DataFrame | None, rows: pd.DataFrame) -> pd.DataFrame:
    """Return what was told of every face, in the order of ``rows``.

    Where a face stands in several rows, the last number or word given for each column holds.
    """
    columns = ["exposure", *TOLD]
    if faces is None or faces.empty:
        return pd.DataFrame({"exposure": ""} | dict.fromkeys(TOLD, np.nan), index=rows.index)
    table = faces.reindex(columns=["building_id", "ring", "face", *columns])
    ring = table["ring"].fillna("").astype(str)
    key = table["building_id"].astype(str) + np.where(ring == "", "", "/" + ring) + ":" + table["face"]
    said = table["exposure"].astype(object)
    table = table[columns].assign(exposure=said.where(said.notna() & (said != ""), None))
    table = table.astype(dict.fromkeys(TOLD, "float64"))
    last = table.groupby(key.to_numpy(dtype=object)).last().reindex(rows.index)
    return last.assign(exposure=last["exposure"].astype(object).where(last["exposure"].notna(), ""))


def lay_out_faces(
    rows: pd.DataFrame,
    told: pd.DataFrame,
    buildings: pd.DataFrame,
    *,
    drawn: Sequence[RingOutline],
    fitted: Sequence[RingOutline],
    fits: Mapping[str, TapeFit],
    ref: Reference,
) -> pd.DataFrame:
    """Lay out the faces of every ring.

    Parameters
    ----------
    rows, told
        One row a face, in order: its names, and what was told of it.
    buildings
        Thickness of the walls and sigma of the outline, by building id.
    drawn, fitted
        The rings as mapped, and as fitted to the tape where the fit was accepted.
    """
    starts, ends = _edges(fitted)
    along = ends - starts
    lengths = np.hypot(along[:, 0], along[:, 1])
    inward = np.array([outline.inward for outline in fitted])[rows["number"]]
    outward = outward_normals(starts, ends, inward)
    begins = np.r_[True, np.diff(rows["number"]) > 0]
    run = np.cumsum(lengths)
    to = run - np.repeat((run - lengths)[begins], np.diff(np.r_[np.flatnonzero(begins), len(run)]))
    used = rows["ring_key"].isin([key for key, fit in fits.items() if fit.accepted]).to_numpy()
    taped = told["taped_length_m"].notna().to_numpy() & used
    exposure = np.concatenate([np.array(outline.exposures, dtype=object) for outline in drawn])
    exposure = np.where(told["exposure"] != "", told["exposure"].to_numpy(dtype=object), exposure)
    thickness, spread = _walls(rows, told, buildings, ref)
    shape = building_number(buildings, "outline_sigma_m", rows, ref.value("perimeter.map_shape_sigma_m"))
    return rows.drop(columns="number").assign(
        chainage_from_m=to - lengths,
        chainage_to_m=to,
        length_m=lengths,
        map_length_m=np.hypot(*np.subtract(*reversed(_edges(drawn))).T),
        length_sigma_m=np.where(taped, tape_sigma(told, ref), shape),
        bearing_deg=np.mod(np.degrees(np.arctan2(along[:, 0], along[:, 1])), 360.0),
        normal_e=outward[:, 0],
        normal_n=outward[:, 1],
        exposure=exposure,
        outside=exposure != "party",
        thickness_m=thickness,
        thickness_sigma_m=spread,
        geometry=np.asarray(shapely.linestrings(np.stack([starts, ends], axis=1))),
    )


def tape_sigma(told: pd.DataFrame, ref: Reference) -> Numbers:
    """Return the sigma of each taped length, the usual one where none was written beside it."""
    usual = ref.value("tape.wall_fixed_m") + ref.value("tape.wall_share") * told["taped_length_m"]
    return np.asarray(told["taped_sigma_m"].fillna(usual), dtype=np.float64)


def building_number(buildings: pd.DataFrame, column: str, rows: pd.DataFrame, otherwise: float) -> Numbers:
    """Return a number of each face's building, or another where it was not given."""
    if column not in buildings:
        return np.full(len(rows), otherwise)
    given = pd.to_numeric(buildings[column], errors="coerce").fillna(otherwise)
    return np.asarray(given.reindex(rows["building_id"]), dtype=np.float64)


def lay_out_rings(
    outlines: Sequence[RingOutline], faces: pd.DataFrame, fits: Mapping[str, TapeFit]
) -> pd.DataFrame:
    """Lay out one row a ring, in the order of the outlines."""
    keys = [outline.ring_key for outline in outlines]
    sums = faces.groupby("ring_key")[["length_m", "map_length_m"]].sum().reindex(keys)
    return pd.DataFrame(
        {
            "building_id": [outline.building_id for outline in outlines],
            "ring": [outline.ring for outline in outlines],
            "kind": [outline.kind for outline in outlines],
            "examined": [outline.role == "subject" for outline in outlines],
            "length_m": sums["length_m"].to_numpy(),
            "map_length_m": sums["map_length_m"].to_numpy(),
            "taped": [key in fits and fits[key].accepted for key in keys],
            "origin_corner": "A",
        },
        index=keys,
    )


def lay_out_footprints(outlines: Sequence[RingOutline], crs: CRS) -> gpd.GeoDataFrame:
    """Lay out every building as a polygon, its courtyards left out of it."""
    shells = {outline.building_id: outline for outline in outlines if not outline.inward}
    holes: dict[str, list[Any]] = {}
    for outline in outlines:
        if outline.inward:
            holes.setdefault(outline.building_id, []).append(outline.corners)
    polygons = [shapely.Polygon(shell.corners, holes.get(name, [])) for name, shell in shells.items()]
    roles = [shell.role for shell in shells.values()]
    ids = list(shells)
    return gpd.GeoDataFrame({"building_id": ids, "role": roles}, geometry=polygons, crs=crs, index=ids)


def _edges(outlines: Sequence[RingOutline]) -> tuple[Any, Any]:
    return (
        np.concatenate([outline.corners for outline in outlines]),
        np.concatenate([np.roll(outline.corners, -1, axis=0) for outline in outlines]),
    )


def _walls(
    rows: pd.DataFrame, told: pd.DataFrame, buildings: pd.DataFrame, ref: Reference
) -> tuple[Numbers, Numbers]:
    """Return thickness and its sigma: the face's own, else the building's, else the usual wall's."""
    measured = ref.value("perimeter.measured_wall_sigma_m")
    own = building_number(buildings, "wall_thickness_m", rows, np.nan)
    own_sigma = building_number(buildings, "wall_thickness_sigma_m", rows, np.nan)
    guessed = np.where(np.isfinite(own), measured, ref.value("perimeter.default_wall_sigma_m"))
    own_sigma = np.where(np.isfinite(own_sigma), own_sigma, guessed)
    own = np.where(np.isfinite(own), own, ref.value("perimeter.default_wall_m"))
    face = told["thickness_m"].to_numpy(dtype=np.float64)
    face_sigma = told["thickness_sigma_m"].to_numpy(dtype=np.float64)
    face_sigma = np.where(
        np.isfinite(face_sigma), face_sigma, np.where(np.isfinite(face), measured, own_sigma)
    )
    return np.where(np.isfinite(face), face, own), face_sigma
