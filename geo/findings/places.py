"""Where every record is: from the numbers taken on site to the site's grid and the wall."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from geo.perimeter.build import Perimeter, build_perimeter
from geo.perimeter.fix import fix_positions
from geo.perimeter.join import join_to_walls
from geo.site.model import Site, table_of
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
    whole, _ = _positions(site, (kind,))
    return whole


def _positions(site: Site, kinds: Sequence[str]) -> tuple[pd.DataFrame, dict[str, slice]]:
    """Return the raw positions of several kinds in one table indexed by id, and the rows of each kind.

    One large table costs little more than one small one.
    """
    records = [record for kind in kinds for record in site.of(kind)]
    ends = np.cumsum([len(site.of(kind)) for kind in kinds]).tolist()
    rows = {kind: slice(end - len(site.of(kind)), end) for kind, end in zip(kinds, ends, strict=True)}
    whole = table_of(tuple(records), Placed, crs=site.crs)[list(POSITION_COLUMNS)]
    whole["building_id"] = fill_building(whole["building_id"], site)
    whole["position_by"] = infer_method(whole)
    if "reading" in rows:
        readings, own = site.table("reading"), rows["reading"]
        if (readings[["point_id", "repeats_id"]] != "").any(axis=None):
            again = _read_again(whole.iloc[own], readings, site)
            whole = pd.concat([whole.iloc[: own.start], again, whole.iloc[own.stop :]])
    return whole, rows


def _read_again(table: pd.DataFrame, whole: pd.DataFrame, site: Site) -> pd.DataFrame:
    """Give readings taken again at a place that is on record the position of that place.

    Where an id stands twice, which is refused elsewhere, its first row speaks for it.
    """
    places = pd.concat([table, positions_table(site, "drying_point")])
    places = places[~places.index.duplicated()]
    first = whole["point_id"].where(whole["point_id"] != "", whole["repeats_id"])
    first = first[~first.index.duplicated()]
    for _ in range(len(first)):
        want = (places["position_by"].reindex(first.index) == "") & first.isin(places.index)
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
    kinds = [kind for kind in PLACED if site.of(kind)]
    if not kinds:
        return {}
    # All kinds at once: each row is fixed and joined on its own.
    whole, rows = _positions(site, kinds)
    fixed = fix_positions(whole, perimeter, ref=site.reference)
    joined = join_to_walls(fixed.assign(side=whole["side"].to_numpy()), perimeter, ref=site.reference)
    extra = {name: fixed[name].to_numpy() for name in ("mirror_x", "mirror_y", "method", "refused")}
    joined = joined.assign(**extra)
    return {kind: joined.iloc[own] for kind, own in rows.items()}
