"""Days, amounts and records in words."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable
from functools import lru_cache
from typing import Any

from geo.reference import Reference
from geo.site.fields import UNITS, group_of, type_of
from geo.site.model import Site
from geo.site.record import Record

SIGNS = {
    "_m": "m",
    "_mm": "mm",
    "_deg": "°",
    "_percent": "%",
    "_m2": "m²",
    "_l": "l",
    "_l_s": "l/s",
    "_l_h": "l/h",
    "_g": "g",
    "_c": "°C",
    "_h": "h",
    "_m_s": "m/s",
    "_m3": "m³",
    "_s": "s",
    "_mg_l": "mg/l",
    "_kwh": "kWh",
    "_kg_m3": "kg/m³",
    "_count": "",
}
SHORT_DATE = re.compile(r"^(\d{4}-\d{2}-\d{2})(?:T(\d{2}:\d{2}))?")
PLURAL_SKIP = ("geometry",)
NAMES = {
    "of_id": "of",
    "into_id": "into",
    "from_id": "from",
    "to_id": "to",
    "ring": "ring",
    "rh": "humidity",
    "said": "said",
    "photo_ids": "photographs",
    "building_id": "building",
    "dpc": "damp proof course",
}


def day_words(written: str) -> str:
    """Return a day, or a day and time, as people write it: 17 March 2026, 09:10."""
    found = SHORT_DATE.match(written)
    if found is None:
        return ""
    try:
        day = dt.date.fromisoformat(found[1])
    except ValueError:
        return ""
    clock = f", {found[2]}" if found[2] else ""
    return f"{day.day} {day:%B %Y}{clock}"


def last_day(site: Site) -> dt.date | None:
    """Return the last day anything of a site was recorded on, or ``None`` where nothing has a day."""
    written = [site.info.surveyed_on]
    for records in site.records.values():
        for record in records:
            names = type(record).model_fields
            written += [
                str(getattr(record, name))[:10]
                for name in names
                if name != "geometry" and type_of(names[name]) in ("date", "moment")
            ]
    days = []
    for each in written:
        try:
            days.append(dt.date.fromisoformat(each))
        except ValueError:
            continue
    return max(days, default=None)


def amount(value: float | None, unit: str, *, digits: int = 1, sigma: float | None = None) -> str:
    """Return a number with its unit and, where known, its standard deviation; nothing where not known."""
    if value is None or not math.isfinite(value):
        return ""
    spread = f" ± {sigma:.{digits}f}" if sigma is not None and math.isfinite(sigma) and sigma > 0 else ""
    said = f"{round(value, digits) + 0.0:.{digits}f}{spread}"
    return f"{said} {unit}".strip()


def wide_range(low: float, high: float) -> str:
    """Return two numbers as a range: to a tenth below ten, else whole; one number where both read alike."""
    ends = [f"{value:.1f}" if value < TENTHS_BELOW else f"{value:.0f}" for value in (low, high)]
    return " to ".join(dict.fromkeys(ends))


TENTHS_BELOW = 9.95


def count_words(number: int, one: str, several: str = "") -> str:
    """Return a number with its noun."""
    return f"{number} {one if number == 1 else several or one + 's'}"


SMALL = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def number_words(number: int, one: str) -> str:
    """Return a number up to ten as a word, with its noun."""
    told = SMALL[number] if 0 <= number < len(SMALL) else str(number)
    return f"{told} {one if number == 1 else one + 's'}"


def plain_number(value: float) -> str:
    """Return a number as it was typed, as near as can be: no more digits than it has."""
    return f"{value:.6f}".rstrip("0").rstrip(".")


def record_words(record: Record, ref: Reference) -> str:
    """Return what one record says, field by field, in words; blank fields are left out.

    How its position was taken shows in the numbers of it. Text a person typed stands in quotation marks.
    """
    parts = []
    fields = type(record).model_fields
    for name in type(record).columns():
        value = getattr(record, name)
        if name in ("id", "position_by") or value in (None, "") or (name == "control" and value == "no"):
            continue
        parts.append(_field_words(name, value, fields[name], ref))
    shape = getattr(record, "geometry", None)
    if shape is not None:
        drawn = {"Polygon": "an area", "LineString": "a line"}.get(shape.geom_type, "a shape")
        parts.append(f"drawn as {drawn}")
    return "; ".join(parts)


def _field_words(name: str, value: Any, field: Any, ref: Reference) -> str:
    kind = type_of(field)
    label, unit = field_name(name)
    if kind == "number":
        return f"{label} {plain_number(float(value))} {unit}".rstrip()
    if kind == "word":
        group = group_of(field)
        said = (
            ref.methods[value].name if group == "method" and value in ref.methods else ref.word(group, value)
        )
        return f"{label}: {said}"
    if kind in ("date", "moment"):
        return f"{label} {day_words(str(value)) or value}"
    if name.endswith(("_id", "_ids")) or name in ("value", "instrument", "face", "ring", "corner"):
        return f"{label} {value}"
    return f"{label}: “{value}”"


@lru_cache(maxsize=1024)
def field_name(name: str) -> tuple[str, str]:
    """Return a field's name in words, and the sign of its unit."""
    ends = [end for end in UNITS if name.endswith(end)]
    end = max(ends, key=len) if ends else ""
    stem = name.removesuffix(end)
    label = (
        NAMES.get(name) or NAMES.get(stem) or stem.replace("_ids", "").replace("_id", "").replace("_", " ")
    )
    label = re.sub(r"\bdpc\b", "damp proof course", label)
    if "sigma" in label:
        label = f"{label.replace('sigma', '').strip()} standard deviation".strip()
    return label, SIGNS.get(end, "")


def kind_words(kind: str) -> str:
    """Return a record kind in words, as a heading: Damp proof course points."""
    return KIND_HEADS.get(kind, kind.replace("_", " ").capitalize())


KIND_HEADS = {
    "building": "Buildings",
    "face": "Faces",
    "opening": "Openings in the walls",
    "dpc_point": "Points of damp proof courses",
    "cavity": "Cavities",
    "floor_zone": "Floors",
    "finish_zone": "Wall finishes",
    "ground_patch": "Ground surfaces",
    "gully": "Gullies",
    "downpipe": "Downpipes",
    "gutter": "Gutters",
    "soakaway": "Soakaways",
    "chamber": "Chambers",
    "run": "Drain runs",
    "fitting": "Valves, pumps and traps",
    "water_level": "Water levels in drains",
    "fixture": "Wastes and other outlets",
    "kerb": "Kerbs and edgings",
    "foundation": "Foundations",
    "service": "Services",
    "reading": "Moisture readings",
    "unread_length": "Lengths not read",
    "sample": "Samples",
    "control_set": "Dry references",
    "environment": "Air and surfaces",
    "salt": "Salts",
    "level": "Level book",
    "trial": "Tests",
    "opening_up": "Holes made to look",
    "asset_state": "Further states",
    "account": "What people said",
    "consent": "Leave asked and given",
    "visit": "Visits",
    "instrument": "Instruments",
    "meter_reading": "Water meter",
    "event": "Rain and use of water",
    "stop_mark": "Stops of the walk",
    "photo": "Photographs",
    "wall_feature": "Parts of the walls",
    "sign": "What was noticed",
    "hypothesis": "Decisions about causes",
    "statement": "The surveyor's sentences",
    "repair": "Repairs",
    "work_done": "Work done",
    "hold_point": "Hold points",
    "rate": "Prices of the user's own",
    "drying_point": "Drying points",
    "drying_log": "Drying machines",
}


def ids_in(written: str) -> tuple[str, ...]:
    """Return ids written with spaces between."""
    return tuple(written.split())


def found_ids(names: Iterable[Any]) -> tuple[str, ...]:
    """Return ids as text, each once, blanks left out."""
    return tuple(dict.fromkeys(str(name) for name in names if str(name or "")))
