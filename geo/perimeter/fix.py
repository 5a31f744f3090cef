"""Positions from the numbers really taken on site, each with its covariance."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from geo.perimeter.build import Perimeter
from geo.perimeter.inside import inside_starts
from geo.perimeter.rings import Numbers
from geo.perimeter.tapes import from_bearing, from_many_tapes, from_two_tapes
from geo.reference import Reference

TEXT_OUT = ("ring_key", "face", "method", "refused", "note")
NUMBER_OUT = (
    "x", "y", "var_xx", "var_xy", "var_yy", "sigma_m", "chainage_m", "chainage_sigma_m", "offset_m",
    "mirror_x", "mirror_y",
)  # fmt: skip


def fix_positions(table: pd.DataFrame, perimeter: Perimeter, *, ref: Reference) -> pd.DataFrame:
    """Fix many positions at once.

    Parameters
    ----------
    table
        Columns position_by, building_id, ring, side, face, chainage_m, offset_m, corner, distance_m,
        tape_1_from … tape_4_m, tape_side, bearing_deg, easting_m, northing_m, position_sigma_m; text
        ``""`` and numbers NaN where not taken.

    Returns
    -------
    Indexed as the input. x, y (metres, the perimeter's CRS); var_xx, var_xy, var_yy (m²); sigma_m, the
    root of the trace of that covariance; ring_key, face, chainage_m and offset_m where the method names
    them; mirror_x, mirror_y, the other solution of two tapes; method; refused, a sentence or ``""``.
    The numbers as taken are not touched.
    """
    found = pd.DataFrame(
        {name: np.full(len(table), np.nan) for name in NUMBER_OUT}
        | {name: np.full(len(table), "", dtype=object) for name in TEXT_OUT},
        index=table.index,
    )
    found["method"] = table["position_by"].to_numpy()
    key = table["building_id"].where(table["ring"] == "", table["building_id"] + "/" + table["ring"])
    known = key.isin(perimeter.rings.index).to_numpy()
    methods = {
        "chainage_offset": _chainage_offset,
        "face_distance": _face_distance,
        "two_tapes": from_two_tapes,
        "tapes": from_many_tapes,
        "distance_bearing": from_bearing,
    }
    for method, fixer in methods.items():
        chosen = (table["position_by"] == method).to_numpy()
        lost = chosen & ~known
        found.loc[lost, "refused"] = "the building or ring it was taken from is not on this site"
        if (chosen & known).any():
            rows = np.flatnonzero(chosen & known)
            fixer(table.iloc[rows], key.iloc[rows], perimeter, found, rows, ref)
    _coordinates(table, found)
    blank = (table["position_by"] == "").to_numpy()
    found.loc[blank, "refused"] = "no position was recorded"
    found["sigma_m"] = np.sqrt(found["var_xx"] + found["var_yy"])
    failed = found["refused"] != ""
    found.loc[failed, list(NUMBER_OUT)] = np.nan
    return found


def put(found: pd.DataFrame, rows: Any, **columns: Any) -> None:
    """Write columns of some rows of the answer."""
    for name, values in columns.items():
        found.iloc[rows, found.columns.get_loc(name)] = values


def _chainage_offset(
    table: pd.DataFrame,
    key: pd.Series[str],
    perimeter: Perimeter,
    found: pd.DataFrame,
    rows: Any,
    ref: Reference,
) -> None:
    """Place by running chainage and an offset square off the face."""
    chainage = table["chainage_m"].to_numpy(dtype=np.float64)
    length = perimeter.rings["length_m"].reindex(key).to_numpy()
    bad = ~np.isfinite(chainage) | (chainage > length + 0.05)
    chainage = np.where(bad, 0.0, np.minimum(chainage, length))
    face = perimeter.face_at(key.to_numpy(), chainage)
    along = ref.value("tape.wall_fixed_m") + ref.value("tape.wall_share") * chainage
    _on_face(table, perimeter, found, rows, face, chainage, along, ref)
    put(
        found, rows, refused=np.where(bad, "the chainage is missing or past the end of the wall", ""), face=""
    )


def _face_distance(
    table: pd.DataFrame,
    key: pd.Series[str],
    perimeter: Perimeter,
    found: pd.DataFrame,
    rows: Any,
    ref: Reference,
) -> None:
    """Place by the distance along a face from one of its corners, outside or from the internal corner."""
    faces = perimeter.faces
    face = faces.index.get_indexer(pd.Index(key.to_numpy() + ":" + table["face"].to_numpy()))
    missing = face < 0
    face = np.where(missing, 0, face)
    corner = table["corner"].to_numpy()
    from_start = corner == faces["corner_from"].to_numpy()[face]
    from_end = corner == faces["corner_to"].to_numpy()[face]
    strange = ~missing & ~from_start & ~from_end
    begin, end = inside_starts(perimeter)
    within = np.isin(table["side"].to_numpy(), ("inside", "cavity"))
    distance = table["distance_m"].to_numpy(dtype=np.float64)
    outer = distance + np.where(within, np.where(from_end, end[face], begin[face]), 0.0)
    length = faces["length_m"].to_numpy()[face]
    beyond = ~np.isfinite(outer) | (outer > length + 0.10) | (outer < -0.10)
    along = np.clip(np.where(from_end, length - outer, outer), 0.0, length - 1e-6)
    chainage = faces["chainage_from_m"].to_numpy()[face] + np.nan_to_num(along)
    sigma = ref.value("tape.wall_fixed_m") + ref.value("tape.wall_share") * np.nan_to_num(distance)
    thickness_sigma = np.where(within, faces["thickness_sigma_m"].to_numpy()[face], 0.0)
    _on_face(table, perimeter, found, rows, face, chainage, np.hypot(sigma, thickness_sigma), ref)
    said = np.select(
        [missing, strange, beyond],
        [
            "there is no such face",
            "the corner is no end of that face",
            "the distance runs past the end of the face",
        ],
        default="",
    )
    put(found, rows, refused=said)


def _on_face(
    table: pd.DataFrame,
    perimeter: Perimeter,
    found: pd.DataFrame,
    rows: Any,
    face: Any,
    chainage: Numbers,
    along_sigma: Numbers,
    ref: Reference,
) -> None:
    """Write points on or square off a face, with the covariance turned to the grid."""
    faces = perimeter.faces
    start, unit, normal = (part[face] for part in perimeter.frames)
    taped = table["offset_m"].to_numpy(dtype=np.float64)
    wall = faces["thickness_m"].to_numpy()[face]
    side = table["side"].to_numpy()
    usual = np.select([side == "inside", side == "cavity"], [-wall, -wall / 2], default=0.0)
    offset = np.where(np.isfinite(taped), taped, usual)
    squareness = np.sin(np.radians(ref.value("tape.square_deg"))) / np.sqrt(3.0)  # ± as a uniform error
    along = np.hypot(along_sigma, np.where(np.isfinite(taped), np.abs(offset) * squareness, 0.0))
    across = np.where(np.isfinite(taped), ref.value("tape.offset_m"), ref.value("tape.wall_fixed_m"))
    ahead = chainage - faces["chainage_from_m"].to_numpy()[face]
    point = start + unit * ahead[:, None] + normal * offset[:, None]
    a, c = along**2, across**2
    put(
        found,
        rows,
        x=point[:, 0],
        y=point[:, 1],
        var_xx=a * unit[:, 0] ** 2 + c * normal[:, 0] ** 2,
        var_xy=a * unit[:, 0] * unit[:, 1] + c * normal[:, 0] * normal[:, 1],
        var_yy=a * unit[:, 1] ** 2 + c * normal[:, 1] ** 2,
        chainage_m=chainage,
        chainage_sigma_m=along,
        offset_m=offset,
        ring_key=faces["ring_key"].to_numpy()[face],
        face=faces["face"].to_numpy()[face],
        note=np.where(
            np.isfinite(taped) & (np.abs(offset) > ref.value("tape.offset_warn_m")),
            "an offset this long is better fixed by two tapes",
            "",
        ),
    )


def _coordinates(table: pd.DataFrame, found: pd.DataFrame) -> None:
    """Take coordinates as given; without a sigma they are as good as a coordinate off a plan, 0.10 m."""
    rows = np.flatnonzero((table["position_by"] == "coordinates").to_numpy())
    if not len(rows):
        return
    own = table.iloc[rows]
    sigma = own["position_sigma_m"].fillna(0.10).to_numpy(dtype=np.float64)
    missing = (own["easting_m"].isna() | own["northing_m"].isna()).to_numpy()
    put(
        found,
        rows,
        x=own["easting_m"].to_numpy(),
        y=own["northing_m"].to_numpy(),
        var_xx=sigma**2 / 2,
        var_xy=0.0,
        var_yy=sigma**2 / 2,
        refused=np.where(missing, "easting or northing is missing", ""),
    )
