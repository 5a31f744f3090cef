"""Positions from the numbers really taken on site, each with its covariance."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.perimeter.answer import Columns, blank_answer, finish, put, put_points, turned
from geo.perimeter.build import Perimeter
from geo.perimeter.inside import inside_corners, outer_chainage
from geo.perimeter.rings import Numbers
from geo.perimeter.tapes import from_bearing, from_many_tapes, from_two_tapes
from geo.reference import Reference

EDGE_M = 1e-6


def fix_positions(table: pd.DataFrame, perimeter: Perimeter, *, ref: Reference) -> pd.DataFrame:
    """Fix many positions at once.

    Parameters
    ----------
    table
        Columns position_by, building_id, ring, side, face, chainage_m, offset_m, corner, distance_m,
        tape_1_from … tape_4_m, tape_side, bearing_deg, easting_m, northing_m, position_sigma_m; text
        ``""`` and numbers NaN where not taken. ``face_distance`` with side inside or cavity is a tape
        from the internal corner; ``chainage_offset`` is outside chainage whatever the side.

    Returns
    -------
    Indexed as the input. x, y (metres, the perimeter's CRS); var_xx, var_xy, var_yy (m²); sigma_m, the
    root of the trace of that covariance; sigma_major_m, sigma_minor_m, its ellipse; sigma_along_m,
    sigma_across_m, along and across the wall, base line or sight it was taken from; ring_key, face,
    chainage_m, chainage_sigma_m and offset_m where the method names them; mirror_x, mirror_y, the other
    solution of two tapes; residual_1_m … residual_4_m, each tape less the distance found, where there
    are three or more; method; refused and note, a sentence or ``""``. The numbers as taken are not
    touched.
    """
    found = blank_answer(len(table))
    method = table["position_by"].to_numpy(dtype=object)
    found["method"][:] = method
    key = table["building_id"].where(table["ring"] == "", table["building_id"] + "/" + table["ring"])
    known = key.isin(perimeter.rings.index).to_numpy()
    fixers = {
        "chainage_offset": _chainage_offset,
        "face_distance": _face_distance,
        "two_tapes": from_two_tapes,
        "tapes": from_many_tapes,
        "distance_bearing": from_bearing,
    }
    for name, fixer in fixers.items():
        chosen = method == name
        found["refused"][chosen & ~known] = "the building or ring it was taken from is not on this site"
        rows = np.flatnonzero(chosen & known)
        if len(rows):
            fixer(table.iloc[rows], key.iloc[rows], perimeter, found, rows, ref)
    _coordinates(table, found, ref)
    found["refused"][method == ""] = "no position was recorded"
    strange = ~np.isin(method, ["", "coordinates", *fixers])
    found["refused"][strange] = "no way of taking a position is called that"
    return finish(found, table.index)


def _chainage_offset(
    table: pd.DataFrame,
    key: pd.Series[str],
    perimeter: Perimeter,
    found: Columns,
    rows: Any,
    ref: Reference,
) -> None:
    """Place by running chainage and an offset square off the face.

    A face written beside the chainage settles which face a chainage at a corner means.
    """
    faces = perimeter.faces
    chainage = table["chainage_m"].to_numpy(dtype=np.float64)
    length = perimeter.rings["length_m"].reindex(key).to_numpy()
    past = ref.value("tape.past_end_m")
    bad = ~((chainage >= 0) & (chainage <= length + past))
    chainage = np.where(bad, 0.0, np.minimum(chainage, length))
    along = ref.value("tape.wall_fixed_m") + ref.value("tape.wall_share") * chainage
    told = table["face"].to_numpy(dtype=object)
    named = faces.index.get_indexer(pd.Index(key.to_numpy() + ":" + told))
    begins, ends = (faces[name].to_numpy()[named] for name in ("chainage_from_m", "chainage_to_m"))
    slack = np.maximum(past, along)
    on_named = (named >= 0) & (chainage >= begins - slack) & (chainage <= ends + slack)
    face = np.where(on_named, named, perimeter.face_at(key.to_numpy(), chainage))
    chainage = np.where(on_named, np.clip(chainage, begins, ends - EDGE_M), chainage)
    round_the_origin = ~on_named & (chainage >= length - EDGE_M)
    chainage = np.where(round_the_origin, 0.0, chainage)
    _on_face(table, perimeter, found, rows, face, chainage, along, ref)
    said = np.select(
        [bad, (told != "") & (named < 0), (told != "") & ~on_named],
        [
            "the chainage is missing or past the end of the wall",
            "there is no such face",
            "the chainage does not lie on the face written beside it",
        ],
        default="",
    )
    put(found, rows, refused=said, face=np.where(told != "", told, ""))


def _face_distance(
    table: pd.DataFrame,
    key: pd.Series[str],
    perimeter: Perimeter,
    found: Columns,
    rows: Any,
    ref: Reference,
) -> None:
    """Place by the distance along a face from one of its corners, outside or from the internal corner."""
    faces = perimeter.faces
    named = faces.index.get_indexer(pd.Index(key.to_numpy() + ":" + table["face"].to_numpy()))
    missing = named < 0
    face = np.where(missing, 0, named)
    within = np.isin(table["side"].to_numpy(), ("inside", "cavity"))
    corners = inside_corners(perimeter, ref=ref)
    # Inside, a wall that goes on straight past the end of a party wall is one wall.
    first, last = np.where(within, corners.first[face], face), np.where(within, corners.last[face], face)
    corner = table["corner"].to_numpy(dtype=object)
    at_start = corner == faces["corner_from"].to_numpy()[first]
    at_end = corner == faces["corner_to"].to_numpy()[last]
    distance = table["distance_m"].to_numpy(dtype=np.float64)
    begin, end = faces["chainage_from_m"].to_numpy()[first], faces["chainage_to_m"].to_numpy()[last]
    outer = np.where(at_end, end - distance, begin + distance)
    inner, walls = outer_chainage(perimeter, corners, face, distance, from_end=at_end)
    chainage, walls = np.where(within, inner, outer), np.where(within, walls, 0.0)
    cornerless = within & (at_start | at_end) & ~np.isfinite(walls)
    past = ref.value("tape.past_end_m")
    beyond = ~((chainage >= begin - past) & (chainage <= end + past))
    chainage = np.where(beyond, begin, np.clip(chainage, begin, end - EDGE_M))
    moved = within & (first != last)
    face = np.where(moved, perimeter.face_at(key.to_numpy(), chainage), face)
    sigma = ref.value("tape.wall_fixed_m") + ref.value("tape.wall_share") * np.abs(np.nan_to_num(distance))
    _on_face(table, perimeter, found, rows, face, chainage, np.hypot(sigma, np.nan_to_num(walls)), ref)
    said = np.select(
        [missing, ~at_start & ~at_end, ~np.isfinite(distance), cornerless, beyond],
        [
            "there is no such face",
            "the corner is no end of that face",
            "the distance is missing",
            "the wall goes on straight at that corner: inside there is none to tape from",
            "the distance runs past the end of the face",
        ],
        default="",
    )
    put(found, rows, refused=said)


def _on_face(
    table: pd.DataFrame,
    perimeter: Perimeter,
    found: Columns,
    rows: Any,
    face: NDArray[np.int64],
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
    # ± the angle judged by eye, as an even spread: its sigma is the half-width over root three.
    squareness = np.sin(np.radians(ref.value("tape.square_deg"))) / np.sqrt(3.0)
    along = np.hypot(along_sigma, np.where(np.isfinite(taped), np.abs(offset) * squareness, 0.0))
    across = np.where(np.isfinite(taped), ref.value("tape.offset_m"), ref.value("tape.wall_fixed_m"))
    ahead = chainage - faces["chainage_from_m"].to_numpy()[face]
    point = start + unit * ahead[:, None] + normal * offset[:, None]
    put_points(found, rows, point, turned(along, across, unit), unit)
    warned = np.isfinite(taped) & (np.abs(offset) > ref.value("tape.offset_warn_m"))
    put(
        found,
        rows,
        chainage_m=chainage,
        chainage_sigma_m=along,
        offset_m=offset,
        ring_key=faces["ring_key"].to_numpy()[face],
        face=faces["face"].to_numpy()[face],
        note=np.where(warned, "an offset this long is better fixed by two tapes", ""),
    )


def _coordinates(table: pd.DataFrame, found: Columns, ref: Reference) -> None:
    """Take coordinates as given; without a sigma they are as good as one scaled off a plan."""
    rows = np.flatnonzero((table["position_by"] == "coordinates").to_numpy())
    own = table.iloc[rows]
    point = own[["easting_m", "northing_m"]].to_numpy(dtype=np.float64)
    sigma = own["position_sigma_m"].astype(float).fillna(ref.value("tape.coordinate_m")).to_numpy()
    each = sigma / np.sqrt(2.0)
    east = np.tile([1.0, 0.0], (len(rows), 1))
    put_points(found, rows, point, turned(each, each, east), east)
    missing = ~np.isfinite(point).all(axis=1)
    put(found, rows, refused=np.where(missing, "easting or northing is missing", ""))
