"""Tapes laid out for a sketch: where they start, how long they are, and where they may lead."""

from __future__ import annotations

import math

import shapely

from geo.draw.tape_sketch import Corner, Sketch, Tape
from geo.entry.whereabouts import Whereabouts
from geo.perimeter.build import Perimeter
from geo.site.record import Placed, Record


def sketch_of(record: Record, place: Whereabouts, perimeter: Perimeter) -> Sketch:
    """Return what the sketch shows of one record placed by tape.

    Parameters
    ----------
    record
        With the numbers as they were taken.
    place
        Where they lead, and the other place two tapes allow.
    """
    faces = perimeter.faces
    building = getattr(record, "building_id", "")
    own = faces[faces["building_id"] == building] if building else faces
    own = own if len(own) else faces
    own = own[own["ring_key"].isin(perimeter.rings.index[perimeter.rings["examined"]])]
    corners: dict[str, tuple[float, float]] = {}
    for face in own.itertuples():
        start = shapely.get_point(face.geometry, 0)
        corners.setdefault(str(face.corner_from), (float(start.x), float(start.y)))
    tapes = []
    if isinstance(record, Placed):
        pairs = [(getattr(record, f"tape_{i}_from"), getattr(record, f"tape_{i}_m")) for i in range(1, 5)]
        pairs.append((record.corner, record.distance_m if record.bearing_deg is not None else None))
        tapes = [
            Tape(corner=name, length_m=length)
            for name, length in pairs
            if name in corners and length is not None
        ]
    footprints = perimeter.footprints
    return Sketch(
        outlines=[shapely.get_coordinates(shape).tolist() for shape in footprints.geometry],
        corners=[Corner(name=name, x=x, y=y) for name, (x, y) in corners.items()],
        tapes=tapes,
        place=(place.x, place.y) if math.isfinite(place.x) else None,
        mirror=(place.mirror_x, place.mirror_y) if math.isfinite(place.mirror_x) else None,
        label=record.id,
        told=place.told,
    )
