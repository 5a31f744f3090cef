"""The rows a network is drafted of: what each record says of where water stands and where it leaves."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

Row = dict[str, Any]


def record_rows(table: pd.DataFrame | None) -> list[Row]:
    """Return the rows of a table of records, each with its id."""
    if table is None or table.empty:
        return []
    names = [str(name) for name in table.columns]
    columns = [table[name].tolist() for name in table.columns]
    found: list[Row] = [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]
    for row, name in zip(found, table.index, strict=True):
        row["id"] = str(row.get("id", name))
    return found


def number_of(row: Row, name: str) -> float:
    """Return a number of a row, NaN where there is none."""
    value = row.get(name)
    return math.nan if value is None or not math.isfinite(value) else float(value)


def text_of(row: Row, name: str) -> str:
    """Return a text of a row, empty where there is none."""
    value = row.get(name, "")
    return value if isinstance(value, str) else ""


def first_known(*values: float) -> float:
    """Return the first number that is known, NaN where none is."""
    return next((value for value in values if not math.isnan(value)), math.nan)


def rows_by_id(table: pd.DataFrame) -> dict[str, Row]:
    """Return the rows of a table by its index."""
    records: list[Any] = table.to_dict("records")
    return dict(zip((str(name) for name in table.index), records, strict=True))


def run_length(row: Row) -> float:
    """Return the length of a run, m: as measured, else as drawn; NaN where neither."""
    shape = row.get("geometry")
    if "length_m" in row and not math.isnan(number_of(row, "length_m")):
        return number_of(row, "length_m")
    return math.nan if shape is None or shape.is_empty else float(shape.length)


def node_of(kind: str, row: Row, place: Row, *, sigma: float, ground_sigma: float) -> Row:
    """Read from one record where water stands in it and where it leaves.

    Parameters
    ----------
    sigma
        Of its levels where the record gives none, m.
    ground_sigma
        Of the ground beside it where ``place`` gives none, m.
    """
    nan, state = math.nan, text_of(row, "state")
    node: Row = {
        "kind": kind, "leaves": "never", "spill": math.inf, "outlet": nan, "inlet": nan, "sigma": sigma,
        "area": 0.0, "outfall": False, "assumed": False, "rim": nan, "sill": nan, "foot": nan, "takes": nan,
        "roof_m2": 0.0, "roof_effective_m2": 0.0, "state": state, "evidence": text_of(row, "evidence"),
        "building_id": text_of(row, "building_id"),
        "x": number_of(place, "x"), "y": number_of(place, "y"), "ring_key": text_of(place, "ring_key"),
        "chainage_m": first_known(number_of(place, "chainage_m"), number_of(row, "chainage_m")),
        "ground_m": number_of(place, "ground_m"),
        "ground_sigma_m": first_known(number_of(place, "ground_sigma_m"), ground_sigma),
        "opening_cm2": number_of(place, "opening_cm2"),
        "takes_kind": text_of(row, "takes"), "position_sigma_m": number_of(place, "sigma_m"),
    }  # fmt: skip
    if kind == "gully":
        rim, lip, out = (number_of(row, f"{name}_level_m") for name in ("rim", "lip", "outlet_invert"))
        node |= {"outlet": out, "rim": rim, "area": (number_of(row, "riser_mm") / 1000.0) ** 2, "spill": rim}
        node["leaves"] = "rim"
        if state == "removed":
            node |= {"leaves": "socket", "spill": out}
        elif not math.isnan(lip) and not lip > rim:
            node |= {"leaves": "lip", "spill": lip} if lip < rim or math.isnan(rim) else {}
        elif state == "lip_broken":
            node |= {"leaves": "lip", "spill": nan}
    elif kind == "chamber":
        cover, invert = number_of(row, "cover_level_m"), number_of(row, "invert_level_m")
        a, b = number_of(row, "length_mm") / 1000.0, number_of(row, "width_mm") / 1000.0
        node |= {"outlet": invert, "rim": cover, "area": math.pi * a * a / 4.0 if math.isnan(b) else a * b}
        node |= {"leaves": "cover", "spill": cover} if text_of(row, "sealed") != "yes" else {}
        if state == "wall_leaks":
            node |= {"leaves": "wall of the chamber", "spill": nan}
        node["sill"] = invert if text_of(row, "interceptor") == "yes" else nan
        node["loose_not_known"] = text_of(row, "sealed") not in ("yes", "no")
    elif kind == "soakaway":
        inlet = number_of(row, "inlet_invert_level_m")
        sides = (
            2.0 * (number_of(row, "length_m") + number_of(row, "width_m")) * number_of(row, "depth_m") * 0.5
        )
        node |= {"inlet": inlet, "rim": number_of(row, "cover_level_m"), "leaves": "outfall", "spill": inlet}
        node |= {"outfall": True, "takes": 1000.0 * number_of(row, "soakage_m_s") * sides}
    elif kind == "downpipe":
        foot, bore = number_of(row, "foot_level_m"), number_of(row, "bore_mm") / 1000.0
        sealed = text_of(row, "foot") == "sealed" and state not in ("foot_open", "foot_joined_to_nothing")
        node |= {
            "foot": foot,
            "area": math.pi * bore * bore / 4.0,
            "roof_m2": first_known(number_of(row, "roof_m2"), 0.0),
            "pitch_deg": first_known(number_of(row, "roof_pitch_deg"), 0.0),
        }
        whole = sealed and state == "sound" and math.isnan(foot)
        node |= {} if whole else {"leaves": "joint" if sealed else "foot", "spill": foot}
    node["bottom"] = first_known(node["outlet"], node["inlet"])
    return node
