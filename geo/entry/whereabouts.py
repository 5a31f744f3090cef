"""Where typed lines lie on the wall, told while they are typed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from geo.findings.places import perimeter_of, place_records
from geo.perimeter.build import Perimeter
from geo.site.model import Site
from geo.site.records import Between, Placed, Record


@dataclass(frozen=True, slots=True, kw_only=True)
class Whereabouts:
    """Where one record lies.

    Parameters
    ----------
    ring_key, face
        Wall it lies on; ``""`` where it has none.
    chainage_m, chainage_sigma_m
        Along that wall; NaN where it has none.
    x, y
        In the site's grid; NaN where it is not placed.
    mirror_x, mirror_y
        The other place two tapes allow.
    status
        ``joined``, ``ambiguous``, ``unjoined`` or ``between`` for a length of wall.
    told
        The same in words, or why it is not known.
    """

    ring_key: str = ""
    face: str = ""
    chainage_m: float = math.nan
    chainage_sigma_m: float = math.nan
    x: float = math.nan
    y: float = math.nan
    mirror_x: float = math.nan
    mirror_y: float = math.nan
    status: str = "unjoined"
    told: str = ""


def whereabouts(
    records: Sequence[Record], site: Site, *, perimeter: Perimeter | None = None
) -> dict[str, Whereabouts]:
    """Return where records lie, by id.

    Parameters
    ----------
    records
        Of any kinds; those without a position or a length of wall are left out.
    site
        Whose outlines, faces and reference count; its own records of those kinds do not.
    perimeter
        The site's, when it was built already.
    """
    found: dict[str, Whereabouts] = {}
    by_kind: dict[str, list[Record]] = {}
    for record in records:
        if isinstance(record, Placed):
            by_kind.setdefault(record.kind, []).append(record)
        elif isinstance(record, Between):
            found[record.id] = _between(record)
    if not by_kind or not site.of("building"):
        return found
    walls = perimeter or perimeter_of(site)
    bare = {kind: site.of(kind) for kind in ("building", "face")}
    asked = replace(site, records={**bare, **{kind: tuple(own) for kind, own in by_kind.items()}})
    for table in place_records(asked, walls).values():
        for record_id, row in table.to_dict("index").items():
            found[str(record_id)] = _placed(row)
    return found


def _between(record: Between) -> Whereabouts:
    length = record.chainage_to_m - record.chainage_from_m
    told = f"ch {record.chainage_from_m:.2f} to {record.chainage_to_m:.2f} m, {length:.2f} m"
    middle = (record.chainage_from_m + record.chainage_to_m) / 2
    return Whereabouts(status="between", chainage_m=middle, told=told)


def _placed(row: Mapping[Any, Any]) -> Whereabouts:
    refused, status = str(row["refused"] or ""), str(row["status"])
    chainage, sigma = float(row["chainage_m"]), float(row["chainage_sigma_m"])
    if refused:
        told = refused
    elif status == "unjoined":
        told = f"not on a wall: {row['reason']}"
    else:
        spread = f" ± {1000 * sigma:.0f} mm" if math.isfinite(sigma) else ""
        told = f"{row['face']}, ch {chainage:.2f} m{spread}"
        told += f"; {row['reason']}" if status == "ambiguous" else ""
    return Whereabouts(
        ring_key=str(row["ring_key"] or ""),
        face=str(row["face"] or ""),
        chainage_m=chainage,
        chainage_sigma_m=sigma,
        x=float(row["x"]),
        y=float(row["y"]),
        mirror_x=float(row["mirror_x"]),
        mirror_y=float(row["mirror_y"]),
        status=status,
        told=told,
    )
