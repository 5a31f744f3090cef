"""What is kept of a record, of the site's facts and of a file, as text that says the same each time."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeVar

import numpy as np
import shapely
from pydantic import BaseModel
from shapely.geometry.base import BaseGeometry

from geo.site.fields import type_of
from geo.site.model import GroundInfo, SiteInfo
from geo.site.records import KINDS, Record
from geo.weights import EVIDENCE_FILE

SITE_FILE, GROUND_FILE, LIMITS_FILE = "site.toml", "ground.toml", "limits.toml"
CHANGES = (LIMITS_FILE, EVIDENCE_FILE)
"""Files by which a site changes what the tool takes as given."""
FACTS: dict[str, type[BaseModel]] = {"site": SiteInfo, "ground": GroundInfo}
FILE_KIND = "file"
Thing = TypeVar("Thing", bound=BaseModel)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Content:
    """One version of one thing: its fields as text, its shape as WKB, its place among its kind."""

    text: str
    shape: bytes | None = None
    place: str | None = None

    @property
    def digest(self) -> bytes:
        """SHA-256 over fields and shape; the place is not part of it."""
        return hashlib.sha256(self.text.encode() + b"\0" + (self.shape or b"")).digest()

    def same_as(self, other: Content | None) -> bool:
        """Tell whether both say the same."""
        return other is not None and (self.text, self.shape, self.place) == (
            other.text,
            other.shape,
            other.place,
        )


@cache
def starts(model: type[BaseModel]) -> Mapping[str, Any]:
    """Return what every field of a declaration holds when nothing was written in it."""
    return {
        name: (None if type_of(field) == "number" else "") if field.is_required() else field.default
        for name, field in model.model_fields.items()
        if name != "geometry"
    }


def fields_of(thing: BaseModel) -> dict[str, Any]:
    """Return the fields of a record or of facts; a blank word is its default, as in a file."""
    defaults = starts(type(thing))
    held = thing.__dict__
    return {
        name: start if (value := held[name]) is None or value == "" else value
        for name, start in defaults.items()
    }


def text_of(fields: Mapping[str, Any]) -> str:
    """Write fields as text: those with nothing in them left out, in declared order."""
    return json.dumps(
        {name: value for name, value in fields.items() if value is not None and value != ""},
        ensure_ascii=False,
        allow_nan=False,
        separators=(",", ":"),
    )


def shape_bytes(shape: BaseGeometry | None) -> bytes | None:
    """Return a shape as WKB; which grid it is in is the site's to say."""
    return None if shape is None else shapely.to_wkb(shapely.set_srid(shape, 0))


def record_of(kind: str, text: str, shape: bytes | None) -> Record:
    """Return the record a content stands for; a key the declaration no longer has is left out."""
    model = KINDS[kind]
    drawn = None if shape is None else shapely.from_wkb(shape)
    return made(model, {**starts(model), **_known(model, text), "geometry": drawn})


def facts_of(kind: str, text: str) -> BaseModel:
    """Return the site's or the ground's facts a content stands for."""
    model = FACTS[kind]
    return made(model, {**starts(model), **_known(model, text)})


def made(model: type[Thing], fields: dict[str, Any]) -> Thing:
    """Make a record of fields that were checked when they were saved, without checking them again."""
    return model.model_construct(_fields_set=None, **fields)


def _known(model: type[BaseModel], text: str) -> dict[str, Any]:
    return {name: value for name, value in json.loads(text).items() if name in model.model_fields}


def digest_of(parts: Iterable[bytes]) -> bytes:
    """Return one digest over digests in their order."""
    whole = hashlib.sha256()
    for part in parts:
        whole.update(part)
    return whole.digest()


def toml_bytes(facts: BaseModel) -> bytes:
    """Write the site's or the ground's facts as TOML, one key a line, those with nothing left out."""
    lines = []
    for name, value in fields_of(facts).items():
        if value is None or value == "":
            continue
        # A TOML basic string escapes as JSON does, and DEL besides.
        written = json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
        lines.append(f"{name} = {written}")
    return ("\n".join(lines) + "\n").encode()


def bounds_of(shapes: list[BaseGeometry | None]) -> list[tuple[float | None, ...]]:
    """Return west, south, east and north of each shape, m; ``None`` four times where there is none."""
    edges = shapely.bounds(np.array(shapes, dtype=object)) if shapes else np.empty((0, 4))
    return [(None,) * 4 if np.isnan(row[0]) else tuple(map(float, row)) for row in edges]


# --- places --------------------------------------------------------------------------------------
# A place is a decimal fraction written as digits, so that text order is the order of records and there
# is always one between any two.

DIGITS = 12


def place_of(number: int) -> str:
    """Return the place of the nth record of a kind, counted from 1."""
    return f"{number:0{DIGITS}d}"


def place_between(low: str, high: str | None) -> str:
    """Return a place after ``low`` (blank: before all) and before ``high`` (``None``: the next whole one)."""
    if high is None:
        return place_of(int((low or "0")[:DIGITS]) + 1)
    width = max(len(low), len(high), DIGITS)
    a, b = int(low.ljust(width, "0") or "0"), int(high.ljust(width, "0"))
    while b - a < 2:
        a, b, width = a * 10, b * 10, width + 1
    return f"{(a + b) // 2:0{width}d}"
