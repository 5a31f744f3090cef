"""What to take care of beside a dig: neighbours, and sewers that may be the undertaker's."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geo.drains.setting_runs import UNKNOWN_OWNER
from geo.perimeter.build import Perimeter
from geo.reference import Reference
from geo.verdict import NOT_KNOWN

Row = dict[str, Any]
WARNING = (
    "of_id", "about", "near_id", "word", "said", "settle", "from_m", "to_m", "distance_m", "concrete_to_m",
    "vertical_m", "vertical_sigma_m", "x", "y",
)  # fmt: skip
OWNED = {
    "public": "a public sewer",
    "shared_private": (
        "shared with other homes, which since 1 October 2011 mostly makes it the water company's (England and"
        " Wales)"
    ),
    UNKNOWN_OWNER: "nobody has said whose it is",
}


def warning_row(of_id: Any, about: str, near_id: Any, answer: Any, **where: float) -> Row:
    """Return one warning: what of, what about, near what, the answer, and where in numbers."""
    told = {"word": answer["word"], "said": answer["because"], "settle": answer["settle"]}
    return {"of_id": of_id, "about": about, "near_id": near_id, **told, **where}


def warning_table(rows: list[Row]) -> pd.DataFrame:
    """Return warnings as a table, numbers that were not given as NaN."""
    table = pd.DataFrame(rows, columns=list(WARNING))
    numbers = {name: "float64" for name in WARNING if name.endswith("_m") or name in ("x", "y")}
    return table.astype(numbers)


def neighbour_warnings(
    drawn: gpd.GeoDataFrame, boxes: gpd.GeoDataFrame, perimeter: Perimeter, *, ref: Reference
) -> pd.DataFrame:
    """Return what is dug within reach of a neighbour's foundation."""
    rows: list[Row] = []
    near, far = ref.value("setting_out.neighbour_near_m"), ref.value("setting_out.neighbour_far_m")
    walls = perimeter.footprints[perimeter.footprints["role"] == "neighbour"]
    dug: Mapping[Any, Any] = {**drawn.geometry.to_dict(), **boxes.geometry.to_dict()}
    names = np.array(list(dug), dtype=object)
    shapes = np.array(list(dug.values()), dtype=object)
    for building_id, wall in walls.geometry.items():
        distances = shapely.distance(shapes, wall)
        for name, distance in zip(names[distances < far], distances[distances < far], strict=True):
            limit = "deeper than its foundation" if distance < near else "below 45° from its foundation"
            reach = near if distance < near else far
            act = "notice is due under the Party Wall etc. Act 1996 (England and Wales)"
            answer = {
                "word": NOT_KNOWN,
                "because": f"within {reach:g} m of a neighbour's building: dug {limit}, {act}",
                "settle": "Find out how deep the neighbour's foundation goes.",
            }
            rows.append(warning_row(name, "neighbour", building_id, answer, distance_m=float(distance)))
    return warning_table(rows)


def sewer_warnings(drawn: gpd.GeoDataFrame, perimeter: Perimeter, *, ref: Reference) -> pd.DataFrame:
    """Return the lengths of run beside a surveyed building that are, or may be, a public sewer.

    Approved Document H, H4 0.1: building over a mapped sewer or within 3 m of its centre line is for the
    undertaker to agree to. A private drain of this home alone asks for nothing.
    """
    rows: list[Row] = []
    near, z = ref.value("setting_out.sewer_near_m"), ref.value("confidence.z_95")
    walls = perimeter.footprints[perimeter.footprints["role"] == "subject"]
    for name, run in drawn[drawn["owner"].isin(list(OWNED))].iterrows():
        spread = z * float(run["route_sigma_m"])
        for building_id, wall in walls.geometry.items():
            distance = float(shapely.distance(run.geometry, wall))
            if distance > near + spread:
                continue
            sure = run["owner"] == "public" and distance + spread <= near
            whose = OWNED[str(run["owner"])]
            answer = {
                "word": "yes" if sure else NOT_KNOWN,
                "because": (
                    f"{whose}, and within {near:g} m of the building{'' if sure else ' or may be'}: if it is"
                    " a public sewer, building, extending or underpinning there needs the undertaker's"
                    " consent (Approved Document H, H4), and so does cutting into it"
                ),
                "settle": "Ask the undertaker before the work."
                if run["owner"] == "public"
                else "Look at the undertaker's sewer map.",
            }
            from_m, to_m = _within(run.geometry, wall, near + spread)
            where = {"from_m": from_m, "to_m": to_m, "distance_m": distance}
            middle = run.geometry.interpolate((from_m + to_m) / 2)
            rows.append(warning_row(name, "sewer", building_id, answer, **where, x=middle.x, y=middle.y))
    return warning_table(rows)


def _within(line: shapely.LineString, wall: Any, reach: float) -> tuple[float, float]:
    """Return from where to where along a line it lies within reach of a wall, m."""
    part = shapely.intersection(line, wall.buffer(reach))
    along = np.atleast_1d(shapely.line_locate_point(line, shapely.points(shapely.get_coordinates(part))))
    return (float(along.min()), float(along.max())) if along.size else (math.nan, math.nan)
