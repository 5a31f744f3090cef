"""What is written down of the works: proposals taken over, results of hold points, work done, leave given."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from geo.entry.columns import columns_of
from geo.entry.lines import Line, fill_lines
from geo.site.model import Site
from geo.site.records import Record
from geo.works.kinds import Asked

PLACE = ("chainage_from_m", "chainage_to_m")
HOLD_FIELDS = {
    "hp1": ("head_m", "drop_mm", "minutes", "trial_id"),
    "hp2": ("trial_id",),
    "hp3": ("clear_below_mm", "seen_both_ways", *PLACE),
    "hp4": PLACE,
    "hp5": ("machines_off_h", "reading_ids"),
    "hp6": ("humidity_percent", "sealed_h"),
    "hp7": ("reading_ids",),
}
"""What each hold point asks to be written down."""
SIZES = {
    "length_m": ("length_m", 1.0), "height_m": ("height_m", 1.0), "area_m2": ("area_m2", 1.0),
    "width_m": ("width_mm", 1000.0), "depth_m": ("depth_mm", 1000.0),
    "thickness_m": ("thickness_mm", 1000.0), "bore_m": ("bore_mm", 1000.0), "count": ("items_count", 1.0),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A record, or what keeps it from being one, a sentence each."""

    record: Record | None
    said: tuple[str, ...] = ()


def written(kind: str, cells: Mapping[str, str], site: Site, *, stem: str = "") -> Written:
    """Turn what was typed into a record of a kind.

    Parameters
    ----------
    cells
        What was typed, by field; an ``id`` that is a record already changes that record.
    stem
        New ids are this and a number.
    """
    columns = columns_of(kind, ref=site.reference)
    own = {record.id: record for record in site.of(kind)}
    name = cells.get("id", "")
    line = Line(key="one", cells=dict(cells), record_id=name if name in own else "")
    filled = fill_lines(
        [line], kind, columns, ref=site.reference, taken=site.ids, existing=own, stem=stem or None
    )  # fmt: skip
    if not filled:
        return Written(record=None, said=("Nothing was filled in.",))
    labels = {column.name: column.label for column in columns}
    said = tuple(f"{labels.get(field, field)}: {what}" for field, what in filled[0].said.items())
    return Written(record=filled[0].record, said=said)


def proposal_cells(asked: Asked, site: Site) -> dict[str, str]:
    """Return a proposed repair as the cells of a record, to be kept as it is or changed."""
    building, _, ring = asked.ring_key.partition("/")
    cells = {
        "id": asked.repair_id.removeprefix("P-"),
        "repair_kind": asked.kind,
        "stage": "proposed",
        "of_ids": " ".join(asked.of_ids),
        "building_id": building,
        "ring": ring,
        "side": asked.side,
        "to_id": asked.to_id,
        "basis": "inferred",
        "why": asked.why,
        "cause": asked.answers[0].cause if asked.answers else "",
        "cause_of_id": asked.answers[0].of_id if asked.answers else "",
    }
    if asked.on_wall:
        cells |= {"chainage_from_m": _plain(asked.from_m), "chainage_to_m": _plain(asked.to_m)}
    for name, (column, factor) in SIZES.items():
        value = float(getattr(asked, name))
        if math.isfinite(value):
            cells[column] = _plain(value * factor)
    if cells["cause_of_id"] and cells["cause_of_id"] not in site.ids:
        cells["cause_of_id"] = ""
    return cells


def repair_cells(repair_id: str, site: Site) -> dict[str, str]:
    """Return a recorded repair as cells."""
    record = next(each for each in site.of("repair") if each.id == repair_id)
    found = {}
    for name in type(record).columns():
        value = getattr(record, name)
        found[name] = _plain(value) if isinstance(value, float) else "" if value is None else str(value)
    return found


def hold_cells(hold_point: str, repair_id: str, asked: Asked | None) -> dict[str, str]:
    """Return what is known of a hold point before it is checked: which, of which repair, and where."""
    cells = {"hold_point": hold_point, "repair_ids": repair_id}
    if asked is not None and asked.on_wall:
        building, _, ring = asked.ring_key.partition("/")
        cells |= {"building_id": building, "ring": ring, "side": asked.side}
        if set(PLACE) <= set(HOLD_FIELDS[hold_point]):
            cells |= {"chainage_from_m": _plain(asked.from_m), "chainage_to_m": _plain(asked.to_m)}
    return cells


def _plain(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")
