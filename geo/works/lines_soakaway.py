"""Quantities of soakaways: what is dug and filled, what storms ask of it, how fast it empties."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import networkx as nx
import pandas as pd

from geo.drains.soakage import BaseIncluded, Pit, StorageResult, StormDepths, soakaway_storage, void_of
from geo.drains.soakage import small_soakaway as small_rule
from geo.drains.tables import amount
from geo.drains.tables import default as pipe_tables
from geo.verdict import Measured
from geo.works.kinds import MEASURED, NAN, PROVISIONAL, Asked, Line
from geo.works.lines import broken_out, first_known, num, quantity, unknown
from geo.works.measure import House


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """Size of a soakaway, m, its fill, and whether somebody chose it or it is that of the old one."""

    length_m: float
    width_m: float
    depth_m: float
    fill: str
    chosen: bool


def soakaway(asked: Asked, house: House, rain: StormDepths | None = None) -> list[Line]:
    """R8: a new soakaway.

    Parameters
    ----------
    rain
        Depths of rain at the place, by duration; without them the storage asked of it is not known.
    """
    old = _old(asked, house)
    size = _size(asked, old)
    lines: list[Line] = []
    if size is None:
        settle = "Give length, width and depth below the inlet of the new one."
        lines.append(
            unknown(asked, "dig", "m3", missing="the size of the new one is not given", settle=settle)
        )
    else:
        lines += _dug(asked, house, size, old)
    return [*lines, *_asked_of_it(asked, house, size, old, rain)]


def _old(asked: Asked, house: House) -> pd.Series[Any] | None:
    table = house.site.table("soakaway")
    own = table[table.index.isin(asked.of_ids)]
    return None if own.empty else own.iloc[0]


def _size(asked: Asked, old: pd.Series[Any] | None) -> Size | None:
    given = (asked.length_m, asked.width_m, asked.depth_m)
    kept = (NAN, NAN, NAN)
    fill = ""
    if old is not None:
        kept = (float(old["length_m"]), float(old["width_m"]), float(old["depth_m"]))
        fill = str(old["fill"])
    length, width, depth = (first_known(new, was) for new, was in zip(given, kept, strict=True))
    if math.isnan(length + width + depth):
        return None
    chosen = all(math.isfinite(value) for value in given)
    return Size(
        length_m=length, width_m=width, depth_m=depth, fill="crates" if chosen else fill, chosen=chosen
    )


def _dug(asked: Asked, house: House, size: Size, old: pd.Series[Any] | None) -> list[Line]:
    """Return dig and fill; the dig needs the depth of the inlet below the ground."""
    ref = house.ref
    plan = size.length_m * size.width_m
    basis = MEASURED if size.chosen else PROVISIONAL
    told = "" if size.chosen else "size of the old one, which has not coped"
    inlet = NAN if old is None else float(old["cover_level_m"] - old["inlet_invert_level_m"])
    size_said = f"{num(size.length_m, 2)} × {num(size.width_m, 2)}"
    fill = quantity(
        asked, "fill", plan * size.depth_m, "m3", f"{size_said} × {num(size.depth_m, 2)} below the inlet",
        basis=basis, missing=told, order_said=size.fill.replace("_", " "),
    )  # fmt: skip
    if math.isnan(inlet):
        settle = "Level the inlet and the ground over the place it will lie."
        lost = unknown(
            asked, "dig", "m3", missing="how deep the inlet lies below the ground is not known", settle=settle
        )
        return [lost, fill]
    dig = plan * (inlet + size.depth_m)
    loose, tonnes = broken_out(ref, "soil", dig)
    said = f"{size_said} × ({num(inlet, 2)} to the inlet + {num(size.depth_m, 2)})"
    bulk = num(ref.value("setting_out.bulking"))
    return [
        quantity(
            asked, "dig", dig, "m3", said, basis=basis, order=loose, order_said=f"loose, × {bulk}",
            missing=told, loose_m3=loose, tonnes=tonnes,
        ),
        fill,
    ]  # fmt: skip


def roof_of(asked: Asked, house: House) -> tuple[float, tuple[str, ...]]:
    """Return the roof, m², that drains to the soakaways named, and the downpipes it comes by."""
    if math.isfinite(asked.area_m2):
        return asked.area_m2, ()
    if house.drains is None:
        return NAN, ()
    graph, nodes = house.drains.network.graph, house.drains.network.nodes
    above = {up for name in asked.of_ids if name in graph for up in (name, *nx.ancestors(graph, name))}
    feet = sorted(name for name, into in house.drains.network.discharge.items() if into in above)
    feet += sorted(
        str(name) for name in above if name in nodes.index and nodes.loc[name, "kind"] == "downpipe"
    )
    own = house.site.table("downpipe")["roof_m2"].reindex(list(dict.fromkeys(feet)))
    own = own[own.index.isin(house.site.table("downpipe").index)]
    return (float(own.sum()) if len(own) and own.notna().all() else NAN), tuple(
        str(name) for name in own.index
    )


def _asked_of_it(
    asked: Asked, house: House, size: Size | None, old: pd.Series[Any] | None, rain: StormDepths | None
) -> list[Line]:
    roof, feet = roof_of(asked, house)
    if math.isnan(roof):
        settle = "Trace which downpipes run to it, and measure their roofs."
        missing = "the roof that drains to it is not known"
        return [unknown(asked, "storage", "m3", missing=missing, settle=settle, of_ids=feet)]
    tables, z = pipe_tables(), house.ref.value("confidence.z_95")
    small = small_rule(roof, tables=tables, z=z).iloc[0]
    if small["verdict"] == "applies":
        said = f"{num(roof, 1)} m² × {num(tables.value('soakage.small_depth_m'))} m, the rule for small roofs"
        return [quantity(asked, "storage", float(small["storage_m3"]), "m3", said, of_ids=feet)]
    rate = NAN if old is None else float(old["soakage_m_s"])
    lacks = []
    if math.isnan(rate):
        lacks.append("how fast the ground takes water")
    if rain is None:
        lacks.append("depths of rain for this place")
    if size is None:
        lacks.append("a size to hold against them")
    if lacks or rain is None or size is None:
        settle = "Fill a trial pit three times where it will lie; give depths of rain by duration."
        missing = f"{num(roof, 1)} m² of roof; not known: {', '.join(lacks)}"
        return [unknown(asked, "storage", "m3", missing=missing, settle=settle, of_ids=feet)]
    result = reckoned(roof, rate=rate, rain=rain, size=size, house=house, rests_on=(*asked.of_ids, *feet))
    said = (
        f"{num(roof, 1)} m² of roof, {rate:.2e} m/s, critical at {num(result.critical_minutes, 0)} min; "
        f"it holds {num(result.provided.value, 2)} m³: {result.enough.word}; "
        f"half empty in {num(result.half_empty_required_h.value, 1)} h: {result.empties.word}"
    )
    return [quantity(asked, "storage", result.required.value, "m3", said, of_ids=feet)]


def reckoned(
    roof_m2: float,
    *,
    rate: float,
    rain: StormDepths,
    size: Size,
    house: House,
    rests_on: tuple[str, ...] = (),
) -> StorageResult:
    """Reckon a soakaway over every duration of storm (:func:`geo.drains.soakage.soakaway_storage`)."""
    tables = pipe_tables()
    fill = size.fill if size.fill in ("rubble", "crates", "rings") else "rubble"
    one = Measured(rate, 0.0)
    return soakaway_storage(
        amount(roof_m2, unit="m²"),
        rain=rain,
        pit=Pit(
            length_m=size.length_m, width_m=size.width_m, depth_m=size.depth_m,
            void=void_of(fill, tables=tables),
        ),
        soakage=BaseIncluded(
            each=amount(rate, unit="m/s"), slowest=one, mean=one, at_most=False, found_by="as recorded"
        ),
        z=house.ref.value("confidence.z_95"),
        tables=tables,
        rests_on=rests_on,
    )  # fmt: skip
