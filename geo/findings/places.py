"""Where every record is: from the numbers taken on site to the site's grid and the wall."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geo.perimeter.build import Perimeter, build_perimeter
from geo.perimeter.fix import fix_positions
from geo.perimeter.join import join_to_walls
from geo.site.model import Site
from geo.site.records import KINDS, Placed

PLACED = tuple(kind for kind, model in KINDS.items() if issubclass(model, Placed))
POSITION_COLUMNS = (
    "position_by",
    "building_id",
    "ring",
    "side",
    "face",
    "chainage_m",
    "offset_m",
    "corner",
    "distance_m",
    "tape_1_from",
    "tape_1_m",
    "tape_2_from",
    "tape_2_m",
    "tape_3_from",
    "tape_3_m",
    "tape_4_from",
    "tape_4_m",
    "tape_side",
    "bearing_deg",
    "easting_m",
    "northing_m",
    "position_sigma_m",
)


def perimeter_of(site: Site) -> Perimeter:
    """Build the perimeter of a site from its outlines and what was taped of its faces."""
    table = site.table("building")
    ref = site.reference
    buildings = table.rename(columns={"origin_easting_m": "origin_e", "origin_northing_m": "origin_n"})
    buildings["ring_kinds"] = [
        {f"Y{i}": kind for i, kind in enumerate(kinds.split(), start=1)} for kinds in table["hole_kinds"]
    ]
    faces = site.table("face")
    faces = faces.rename(
        columns={"wall_thickness_m": "thickness_m", "wall_thickness_sigma_m": "thickness_sigma_m"}
    ).assign(building_id=fill_building(faces["building_id"], site))
    return build_perimeter(buildings, faces=faces if len(faces) else None, ref=ref)


def fill_building(named: pd.Series[str], site: Site) -> pd.Series[str]:
    """Return building ids with blanks filled in where the site has one surveyed building."""
    subjects = [record.id for record in site.of("building") if getattr(record, "role", "") == "subject"]
    only = subjects[0] if len(subjects) == 1 else ""
    return named.where(named != "", only)


def ring_keys(table: pd.DataFrame, site: Site) -> pd.Series[str]:
    """Return the ring each record of a table belongs to, as ``B1`` or ``B1/Y1``."""
    key = fill_building(table["building_id"], site)
    return key.where(table["ring"] == "", key + "/" + table["ring"])


def positions_table(site: Site, kind: str) -> pd.DataFrame:
    """Return the raw position columns of one kind, with blanks that have one meaning filled in."""
    whole = site.table(kind)
    table = _own_positions(whole, site)
    if kind == "reading" and (whole[["point_id", "repeats_id"]] != "").any(axis=None):
        return _read_again(table, whole, site)
    return table


def _own_positions(whole: pd.DataFrame, site: Site) -> pd.DataFrame:
    table = whole[list(POSITION_COLUMNS)].copy()
    table["building_id"] = fill_building(table["building_id"], site)
    table["position_by"] = infer_method(table)
    return table


def _read_again(table: pd.DataFrame, whole: pd.DataFrame, site: Site) -> pd.DataFrame:
    """Give readings taken again at a place that is on record the position of that place."""
    places = pd.concat([table, _own_positions(site.table("drying_point"), site)])
    first = whole["point_id"].where(whole["point_id"] != "", whole["repeats_id"])
    for _ in range(len(table)):
        want = (places["position_by"].reindex(table.index) == "") & first.isin(places.index)
        named = first[want]
        known = named[(places["position_by"].reindex(named) != "").to_numpy()]
        if known.empty:
            break
        places.loc[known.index] = places.loc[known].to_numpy()
    return places.loc[table.index].astype(table.dtypes)


def infer_method(table: pd.DataFrame) -> pd.Series[str]:
    """Return how each position was taken, from what was filled in where it is not said."""

    def has(column: str) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        values = table[column].to_numpy()
        return np.asarray(values != "" if values.dtype == object else ~np.isnan(values))

    taped = has("tape_1_m") & has("tape_2_m")
    choices = {
        "coordinates": has("easting_m") & has("northing_m"),
        "tapes": taped & has("tape_3_m"),
        "two_tapes": taped,
        "distance_bearing": has("corner") & has("distance_m") & has("bearing_deg"),
        "face_distance": has("face") & has("corner") & has("distance_m"),
        "chainage_offset": has("chainage_m"),
    }
    guessed = np.select(list(choices.values()), list(choices), default="")
    said = table["position_by"]
    return said.where(said != "", pd.Series(guessed, index=table.index, dtype=object))


def place_records(site: Site, perimeter: Perimeter) -> dict[str, pd.DataFrame]:
    """Fix every placed record and join it to a wall.

    Returns
    -------
    By kind, a table indexed by id with the columns of :func:`geo.perimeter.fix.fix_positions` and
    of :func:`geo.perimeter.join.join_to_walls`.
    """
    raw = {kind: positions_table(site, kind) for kind in PLACED if site.of(kind)}
    if not raw:
        return {}
    # All kinds at once: each row is fixed and joined on its own, and one large table is cheap.
    whole = pd.concat(raw.values(), ignore_index=True)
    fixed = fix_positions(whole, perimeter, ref=site.reference)
    joined = join_to_walls(fixed.assign(side=whole["side"]), perimeter, ref=site.reference)
    joined = joined.join(fixed[["mirror_x", "mirror_y", "method", "refused"]])
    placed: dict[str, pd.DataFrame] = {}
    start = 0
    for kind, table in raw.items():
        placed[kind] = joined.iloc[start : start + len(table)].set_axis(table.index)
        start += len(table)
    return placed
