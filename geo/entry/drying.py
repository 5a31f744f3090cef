"""Readings typed at fixed points, a line for each point: the point says how it is read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from geo.drying.report import Drying
from geo.drying.series import day_said
from geo.entry.columns import columns_of
from geo.entry.lines import Line, fill_lines
from geo.moisture.censor import value_text
from geo.site.model import Site
from geo.site.record import Record

TYPED = ("value", "instrument", "sealed_h")
FROM_POINT = ("method", "material", "depth_mm", "height_m", "side", "building_id", "ring")
SEALED = "rh_hole"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One line to type: a point, how it is read, and what it read last.

    Parameters
    ----------
    instrument
        That of its last reading, or the point's own; another one begins a new series.
    last
        Last value and its date, ``""`` for none.
    sealed
        Whether the hours it was sealed are asked.
    """

    point_id: str
    where: str
    how: str
    unit: str
    instrument: str
    last: str
    sealed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """What typed lines say: records to keep, and what is wrong with the others, by point."""

    records: tuple[Record, ...]
    said: Mapping[str, str]


def lines_to_type(found: Drying) -> tuple[Asked, ...]:
    """Return a line for every fixed point, in the order of their ids."""
    asked = []
    for one in sorted(found.points, key=lambda point: point.point_id):
        method = found.ref.methods[str(one.record["method"])]
        current = one.series.current
        last, instrument = "", str(one.record["instrument"])
        if current is not None and len(current):
            value = value_text(float(current.numbers[-1]), str(current.censored[-1]))
            last, instrument = f"{value} on {day_said(current.when[-1])}", current.instrument
        asked.append(
            Asked(
                point_id=one.point_id, where=one.place, how=method.name, unit=method.unit,
                instrument=instrument, last=last, sealed=method.key == SEALED,
            )
        )  # fmt: skip
    return tuple(asked)


def readings_typed(
    site: Site, typed: Mapping[str, Mapping[str, str]], *, taken_at: str, taken_by: str = ""
) -> Typed:
    """Turn what was typed into readings; a line without a value is left out.

    Parameters
    ----------
    typed
        By point: ``value``, ``instrument`` and ``sealed_h`` as typed.
    taken_at, taken_by
        When, for all lines, and by which role.
    """
    ref = site.reference
    columns = columns_of("reading", (*TYPED, "taken_at"), ref=ref)
    points = {record.id: record for record in site.of("drying_point")}
    taken, records, said = set(site.ids), [], {}
    for name, cells in typed.items():
        if not str(cells.get("value", "")).strip():
            continue
        point = points.get(name)
        if point is None:
            said[name] = "there is no such point any more"
            continue
        fixed: dict[str, Any] = {field: getattr(point, field) for field in FROM_POINT}
        fixed |= {"point_id": name, "taken_by": taken_by, "control": getattr(point, "control", "no")}
        line = Line(key=name, cells={**{key: cells.get(key, "") for key in TYPED}, "taken_at": taken_at})
        (filled,) = fill_lines([line], "reading", columns, ref=ref, taken=taken, fixed=fixed, stem=name)
        if filled.record is None:
            labels = {column.name: column.label for column in columns}
            said[name] = "; ".join(f"{labels.get(key, key)}: {wrong}" for key, wrong in filled.said.items())
        elif not taken_at.strip():
            said[name] = "say when it was read"
        else:
            records.append(filled.record)
            taken.add(filled.record.id)
    return Typed(records=tuple(records), said=said)
