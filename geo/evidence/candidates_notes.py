"""What was noted along the walls, as plain rows: signs, cavities, holes, samples, meter readings."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from geo.evidence.candidates_sources import key_of, records_of
from geo.evidence.reaches import unwrapped
from geo.findings.examine import Findings
from geo.findings.meters import leak_tests
from geo.verdict import Measured

Span = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Noted:
    """One record with its place along a wall."""

    ring_key: str
    span: Span
    outdoors: bool
    record: Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampled:
    """One sample with its place, and what it says at its height and over the heights of its place.

    Parameters
    ----------
    water, held
        Its moisture content, and what its salts would hold by themselves, % of dry mass.
    """

    sample_id: str
    ring_key: str
    at_m: float
    outdoors: bool
    word: str
    place_word: str
    because: str
    material: str
    height_m: float
    water: Measured
    held: Measured


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ion:
    """One ion with its place: its own, else that of the sample it was found in."""

    ring_key: str
    at_m: float
    outdoors: bool
    record: Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Metered:
    """Two readings of a meter with everything off, judged."""

    ids: tuple[str, str]
    word: str
    because: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Notes:
    """Everything noted along the walls of a site."""

    signs: Sequence[Noted]
    cavities: Sequence[Noted]
    holes: Sequence[Noted]
    samples: Sequence[Sampled]
    ions: Sequence[Ion]
    meters: Sequence[Metered]
    leaks: pd.DataFrame | None = None


def lay_out_notes(found: Findings) -> Notes:
    """Lay out what was noted along the walls."""
    table = None
    if records_of(found.site, "meter_reading"):
        table = leak_tests(found.site.table("meter_reading"), ref=found.site.reference)
    return Notes(
        signs=_along(found, "sign"),
        cavities=_along(found, "cavity"),
        holes=_holes(found),
        samples=_samples(found),
        ions=_ions(found),
        meters=[
            Metered(ids=(str(first), str(second)), word=str(word), because=str(because))
            for second, first, word, because in zip(
                table.index, table["from_id"], table["word"], table["because"], strict=True
            )
        ]
        if table is not None
        else [],
        leaks=table,
    )


def _along(found: Findings, kind: str) -> list[Noted]:
    """Return the records of one kind that lie along a length of wall."""
    key_for, lengths = key_of(found.site), found.perimeter.rings["length_m"].to_dict()
    made = []
    for record in records_of(found.site, kind):
        key = key_for(record)
        if key in lengths:
            whole: Any = record
            span = unwrapped(float(whole.chainage_from_m), float(whole.chainage_to_m), float(lengths[key]))
            outdoors = getattr(record, "side", "") == "outside"
            made.append(Noted(ring_key=key, span=span, outdoors=outdoors, record=record))
    return made


def _holes(found: Findings) -> list[Noted]:
    """Return the holes opened in the walls, each with the length it speaks for."""
    placed = found.placed.get("opening_up")
    if placed is None:
        return []
    at, keys, sides = (placed[name].to_dict() for name in ("chainage_m", "ring_key", "side"))
    made = []
    for record in records_of(found.site, "opening_up"):
        place, whole = float(at.get(record.id, math.nan)), record
        if keys.get(record.id) and math.isfinite(place):
            left, right = (getattr(whole, f"reach_{way}_m") or 0.0 for way in ("left", "right"))
            made.append(
                Noted(
                    ring_key=str(keys[record.id]), span=(place - left, place + right), record=record,
                    outdoors=sides[record.id] == "outside",
                )
            )  # fmt: skip
    return made


def _samples(found: Findings) -> list[Sampled]:
    table = found.samples
    if not len(table):
        return []
    columns = ("ring_key", "chainage_m", "side", "word", "place_word", "because", "material", "height_m")
    numbers = ("mc_dry", "mc_dry_sigma", "hmc_dry", "hmc_dry_sigma")
    return [
        Sampled(
            sample_id=str(name), ring_key=str(key), at_m=float(at), outdoors=side == "outside",
            word=str(word), place_word=str(place), because=str(because), material=str(material),
            height_m=float(height), water=Measured(float(mc), float(mc_s)),
            held=Measured(float(hmc), float(hmc_s)),
        )
        for name, key, at, side, word, place, because, material, height, mc, mc_s, hmc, hmc_s in zip(
            table.index, *(table[column].tolist() for column in (*columns, *numbers)), strict=True
        )
        if math.isfinite(at)
    ]  # fmt: skip


def _ions(found: Findings) -> list[Ion]:
    """Return the ions found, each where it was, or where its sample was drilled."""
    records = records_of(found.site, "salt")
    if not records:
        return []
    places: dict[str, tuple[str, float, str]] = {}
    for table in (found.samples, found.placed.get("salt")):
        if table is not None and len(table):
            columns = (table[name].tolist() for name in ("ring_key", "chainage_m", "side"))
            places |= {
                str(name): (str(key), float(at), str(side))
                for name, key, at, side in zip(table.index, *columns, strict=True)
                if key and math.isfinite(at)
            }
    made = []
    for record in records:
        place = places.get(str(record.id)) or places.get(str(record.sample_id))
        if place is not None:
            key, at, side = place
            made.append(Ion(ring_key=key, at_m=at, outdoors=side == "outside", record=record))
    return made
