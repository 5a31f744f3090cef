"""Records held against the walls: outlines, faces, chainages, positions, ends of runs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely

from geo.errors import Problem
from geo.findings.check_said import at
from geo.findings.places import PLACED, fill_building, place_records, positions_table
from geo.perimeter.build import Perimeter
from geo.site.model import Site
from geo.site.records import ASSETS, KINDS, Between, OnBuilding, Record

NEEDED = {
    "chainage_offset": ("chainage_m",),
    "face_distance": ("face", "corner", "distance_m"),
    "two_tapes": ("tape_1_from", "tape_1_m", "tape_2_from", "tape_2_m", "tape_side"),
    "tapes": ("tape_1_from", "tape_1_m", "tape_2_from", "tape_2_m", "tape_3_from", "tape_3_m"),
    "distance_bearing": ("corner", "distance_m", "bearing_deg"),
    "coordinates": ("easting_m", "northing_m"),
}


def buildings(site: Site) -> Iterator[Problem]:
    """Ask for a building to survey, and that no two overlap."""
    subjects = [record for record in site.of("building") if getattr(record, "role", "") == "subject"]
    if not subjects:
        yield Problem(
            file="buildings.geojson",
            found="no building to survey",
            allowed="at least one outline with role subject",
            mend="Draw the outline of the house.",
        )
    drawn = [record for record in site.of("building") if record.geometry is not None]
    shapes = np.array([record.geometry for record in drawn], dtype=object)
    clockwise = [record.id for record, turns in zip(drawn, _clockwise(shapes), strict=True) if turns]
    if clockwise:
        more = f" and {len(clockwise) - 1} more" if len(clockwise) > 1 else ""
        yield at(
            site,
            clockwise[0],
            "geometry",
            "building",
            found=f"the outline of {clockwise[0]}{more} is drawn clockwise",
            allowed="either way round; GeoJSON asks for anticlockwise",
            mend="Nothing to do: chainage runs clockwise however it is drawn.",
            severity="warning",
        )
    most = site.reference.value("input.overlap_m2")
    shapes = np.array([record.geometry for record in subjects if record.geometry is not None], dtype=object)
    pairs = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    pairs = pairs[:, pairs[0] != pairs[1]]
    pairs = pairs[:, shapely.area(shapely.intersection(*shapes[pairs])) > most]
    names = [record.id for record in subjects if record.geometry is not None]
    crowded: dict[str, list[str]] = {}
    for one, other in pairs.T:
        crowded.setdefault(names[one], []).append(names[other])
    for record_id, others in crowded.items():
        yield at(
            site,
            record_id,
            "geometry",
            "building",
            found=f"overlaps {', '.join(others)}",
            allowed="outlines that touch, but do not overlap",
            mend="Draw the party wall once, on its centre line or on one face.",
        )


def _clockwise(shapes: Any) -> Any:
    """Return which outlines run clockwise."""
    return ~shapely.is_ccw(shapely.get_exterior_ring(shapes))


def closure(perimeter: Perimeter) -> Iterator[Problem]:
    """Refuse a ring whose taped faces do not close, and name the face to tape again."""
    for ring_key, fit in perimeter.fits.items():
        if not fit.accepted:
            yield Problem(
                file="faces.csv",
                column="taped_length_m",
                found=f"the faces of {ring_key} do not close: {fit.because}",
                allowed=f"a misclosure of at most {fit.tolerance_m * 1000:.0f} mm",
                mend=fit.settle,
            )


def on_the_wall(site: Site, perimeter: Perimeter) -> Iterator[Problem]:
    """Hold every chainage and face against its ring."""
    rings = perimeter.rings
    faces, owners = set(perimeter.faces.index), set(rings["building_id"])
    for kind, model in KINDS.items():
        if not site.of(kind) or (not issubclass(model, OnBuilding) and kind != "face"):
            continue
        table = site.table(kind)
        building = fill_building(table["building_id"], site)
        for record, owner in zip(site.of(kind), building, strict=True):
            ring = getattr(record, "ring", "")
            key = f"{owner}/{ring}" if ring else owner
            placed_by_wall = kind == "face" or issubclass(model, Between) or kind == "dpc_point"
            uses_wall = placed_by_wall or getattr(record, "chainage_m", None) is not None
            uses_wall = uses_wall or bool(getattr(record, "face", "") or getattr(record, "corner", ""))
            if not uses_wall:
                continue
            if not owner:
                yield at(
                    site,
                    record.id,
                    "building_id",
                    kind,
                    found="is blank, and the site has several surveyed buildings",
                    allowed="the building the place was taken from",
                    mend="Fill it in.",
                )
            elif owner not in owners:
                continue
            elif key not in rings.index:
                yield at(
                    site,
                    record.id,
                    "ring",
                    kind,
                    found=f"{owner} has no ring {ring!r}",
                    allowed="one of "
                    + ", ".join(repr(name) for name in rings["ring"][rings["building_id"] == owner]),
                    mend="Y1 is the first hole of the outline, and so on.",
                )
            else:
                yield from _chainages(site, kind, record, key, float(rings.loc[key, "length_m"]))
                face = getattr(record, "face", "")
                if face and f"{key}:{face}" not in faces:
                    count = int((perimeter.faces["ring_key"] == key).sum())
                    yield at(
                        site,
                        record.id,
                        "face",
                        kind,
                        found=f"{key} has no face {face!r}",
                        allowed=f"F1 to F{count}, clockwise from the origin corner",
                        mend="See the plan: a party wall that begins along a wall makes a face of its own.",
                    )


def _chainages(site: Site, kind: str, record: Record, key: str, length: float) -> Iterator[Problem]:
    for column in ("chainage_m", "chainage_from_m", "chainage_to_m"):
        value = getattr(record, column, None)
        if value is None or value <= length + 0.05:
            continue
        inches = f"If that is in millimetres, write {value / 1000:.3f}. " if value > 10 * length else ""
        yield at(
            site,
            record.id,
            column,
            kind,
            found=f"{value:g} is past the end of the wall ({length:.2f} m)",
            allowed=f"0 to {length:.2f} on {key}",
            mend=inches + "Check the origin corner and the direction: clockwise, seen from above.",
        )


def positions(site: Site, perimeter: Perimeter) -> Iterator[Problem]:
    """Ask of each position the numbers its method needs."""
    corners = perimeter.faces.groupby("ring_key")["corner_from"].agg(set).to_dict()
    for kind in PLACED:
        if not site.of(kind):
            continue
        table = positions_table(site, kind)
        for place, record in zip(table.itertuples(), site.of(kind), strict=True):
            method = place.position_by
            if not method:
                if kind in ASSETS or kind in ("reading", "sample"):
                    yield at(
                        site,
                        record.id,
                        "position_by",
                        kind,
                        found="no position",
                        allowed="chainage_m, or one of the other ways in the field guide",
                        mend="Fill in the numbers taken on site.",
                        severity="warning",
                    )
                continue
            blank = [name for name in NEEDED[str(method)] if _blank(getattr(place, name))]
            if blank:
                yield at(
                    site,
                    record.id,
                    blank[0],
                    kind,
                    found=f"{method} without {', '.join(blank)}",
                    allowed=f"{', '.join(NEEDED[str(method)])} filled in",
                    mend="Fill it in, or say another position_by.",
                )
            key = f"{place.building_id}/{place.ring}" if place.ring else place.building_id
            named = [place.corner, place.tape_1_from, place.tape_2_from, place.tape_3_from, place.tape_4_from]
            strange = [name for name in named if name and name not in corners.get(key, set())]
            if strange and key in corners:
                yield at(
                    site,
                    record.id,
                    "corner" if place.corner in strange else "tape_1_from",
                    kind,
                    found=f"{key} has no corner {strange[0]!r}",
                    allowed="one of " + ", ".join(sorted(corners[key], key=lambda c: (len(c), c))),
                    mend="Corners are lettered clockwise from the origin corner, A.",
                )


def _blank(value: Any) -> bool:
    return value == "" or (isinstance(value, float) and math.isnan(value))


def far_assets(site: Site, perimeter: Perimeter) -> Iterator[Problem]:
    """Find coordinates too far from every building to be of this site."""
    far = site.reference.value("input.far_asset_m")
    walls = perimeter.footprints.union_all()
    for kind in PLACED:
        if not site.of(kind):
            continue
        table = site.table(kind)
        given = table[table["easting_m"].notna() & table["northing_m"].notna()]
        points = shapely.points(given["easting_m"].to_numpy(), given["northing_m"].to_numpy())
        for record_id, away in zip(given.index, shapely.distance(points, walls), strict=True):
            if away > far:
                yield at(
                    site,
                    str(record_id),
                    "easting_m",
                    kind,
                    found=f"lies {away:.0f} m from the nearest building",
                    allowed=f"within {far:g} m",
                    mend="Check the coordinates and the grid; or raise input.far_asset_m in limits.toml.",
                )


def run_ends(site: Site, perimeter: Perimeter) -> Iterator[Problem]:
    """Ask of each run where it ends, and that its drawn ends lie at the assets it names."""
    placed, reach = place_records(site, perimeter), site.reference.value("input.run_end_m")
    spots = {
        str(name): (row.x, row.y)
        for kind in ASSETS
        if kind in placed
        for name, row in placed[kind].iterrows()
        if math.isfinite(row.x)
    }
    for record in site.of("run"):
        ends = {"from_id": 0, "to_id": -1}
        for column, i in ends.items():
            named = getattr(record, column)
            drawn = record.geometry.coords[i] if record.geometry is not None else None
            if not named:
                if column == "to_id" and getattr(record, "state", "") != "absent":
                    yield at(
                        site,
                        record.id,
                        column,
                        "run",
                        found="the run ends nowhere known",
                        allowed="the id of the asset it joins, or blank where that is what was found",
                        mend="Trace it, or leave it blank and it is reported as not traced.",
                        severity="warning",
                    )
            elif drawn is not None and named in spots:
                gap = math.dist(drawn[:2], spots[named])
                if gap > reach:
                    yield at(
                        site,
                        record.id,
                        column,
                        "run",
                        found=f"the drawn end lies {gap:.1f} m from {named}",
                        allowed=f"within {reach:g} m of the asset it names",
                        mend="Draw runs from upstream to downstream, and end them at the asset.",
                    )
