"""Quantities of floors: edges cut free of the wall, slabs, membranes."""

from __future__ import annotations

import math

import numpy as np

from geo.works.amounts import ordered, strip_m2
from geo.works.kinds import INFERRED, MEASURED, NAN, Asked, Line
from geo.works.lines import broken_out, first_known, num, quantity, unknown
from geo.works.measure import House


def floor_edge(asked: Asked, house: House) -> list[Line]:
    """R15: a strip of floor cut free of the wall, both sides of partitions, its membrane and infill."""
    ref = house.ref
    pieces = house.pieces(asked)
    walls = [float(length) for length in pieces["inside_m"]]
    corners = (int((pieces["corner"] == "inner").sum()), int((pieces["corner"] == "outer").sum()))
    sides = first_known(asked.count, ref.value("works.partition_sides"))
    partition = asked.length_m * sides if math.isfinite(asked.length_m) else 0.0
    parts = [num(length, 2) for length in walls]
    parts += [f"{num(asked.length_m, 2)} × {num(sides, 0)} sides"] if partition else []
    timber = _timber(asked, house)
    parts += [f"− {num(timber, 2)} along timber floor"] if timber else []
    length = max(sum(walls) - timber, 0.0) + partition
    if not length > 0:
        missing = "no length of wall or partition is given"
        return [unknown(asked, "edge", "m", missing=missing, settle="Give its chainages, or its length.")]
    width = first_known(asked.width_m, ref.value("works.strip_m"))
    area = float(strip_m2(length, width, inner_corners=corners[0], outer_corners=corners[1]))
    thick, thick_ids, told = _thickness(asked, house)
    turn = _corners_said(corners, width)
    floors = [str(name) for name in house.floors_along(asked)["floor_id"]] if asked.on_wall else []
    lines = [
        quantity(
            asked,
            "edge",
            length,
            "m",
            f"inside faces {' + '.join(parts).replace('+ −', '−')}",
            of_ids=thick_ids,
        ),
        *_partition_hints(asked, house, tuple(floors) or asked.of_ids),
        quantity(asked, "strip", area, "m2", f"{num(length, 2)} m × {num(width)} m{turn}"),
    ]
    if math.isnan(thick):
        settle = "Measure the floor's thickness at one hole beside the wall."
        lines += [
            unknown(asked, line, unit, missing=told, settle=settle)
            for line, unit in (("concrete", "m3"), ("skip", "m3"), ("weight", "t"), ("membrane", "m2"))
        ]
        return [*lines, *_services(asked, house)]
    solid = area * thick
    basis = MEASURED if not told else INFERRED
    loose, tonnes = broken_out(ref, "concrete", solid)
    waste = ref.value("waste.concrete")
    said = f"{num(area)} m² × {num(thick)} m"
    lap = ref.value("works.membrane_lap_m")
    membrane = length * (width + thick + lap)
    lines += [
        quantity(
            asked, "concrete", solid, "m3", said, waste=waste, of_ids=thick_ids, basis=basis, missing=told,
            order_said="insulated edge instead, where that is specified",
        ),
        quantity(
            asked, "skip", loose, "m3", f"{num(solid)} m³ × {num(ref.value('bulking.concrete'))} loose",
            basis=basis, loose_m3=loose, tonnes=tonnes, order_said="loose",
        ),
        quantity(
            asked, "weight", tonnes, "t", f"{num(solid)} m³ × {num(ref.value('density.concrete'))} t/m³",
            basis=basis,
        ),
        quantity(
            asked, "membrane", membrane, "m2",
            f"{num(length, 2)} m × ({num(width)} + {num(thick)} + {num(lap)} lap)",
            waste=ref.value("waste.membrane"), basis=basis,
        ),
    ]  # fmt: skip
    return [*lines, *_services(asked, house)]


def _timber(asked: Asked, house: House) -> float:
    """Return the metres along a floor of timber, which has no edge to cut."""
    floors = house.floors_along(asked)
    return float(floors.loc[floors["floor_kind"] == "suspended_timber", "along_m"].sum())


def _corners_said(corners: tuple[int, int], width: float) -> str:
    said = ""
    if corners[0]:
        said += f" − {corners[0]} × {num(width)}² where strips meet"
    if corners[1]:
        said += f" + {corners[1]} × {num(width)}² at corners into the room"
    return said


def _thickness(asked: Asked, house: House) -> tuple[float, tuple[str, ...], str]:
    """Return the floor's thickness, m, the floors it was taken from, and what is unsure of it."""
    if math.isfinite(asked.thickness_m):
        return asked.thickness_m, (), ""
    floors = house.floors_along(asked)
    if floors.empty and asked.of_ids:
        zones = house.zones
        floors = zones[zones.index.isin(asked.of_ids)].assign(along_m=1.0)
        floors = floors.assign(floor_id=floors.index)
    if floors.empty:
        return NAN, (), "no floor is recorded inside this wall"
    hung = floors[floors["floor_kind"] == "suspended_timber"]
    known = floors[floors["thickness_mm"].notna()]
    ids = tuple(str(name) for name in dict.fromkeys(floors["floor_id"]))
    if known.empty:
        timber = " and part of it is of timber" if len(hung) else ""
        return NAN, ids, f"the thickness of {' '.join(ids)} is not recorded{timber}"
    weight = known["along_m"].to_numpy(float)
    thick = float(np.average(known["thickness_mm"].to_numpy(float) / 1000.0, weights=weight))
    told = ""
    if len(known) < len(floors):
        rest = float(floors["along_m"].sum() - weight.sum())
        told = f"{num(rest, 1)} m of it run along a floor of unrecorded thickness, taken as the rest"
    elif (known["evidence"] != "seen").any():
        told = f"thickness of {' '.join(ids)} not seen: {known['evidence'].iloc[0].replace('_', ' ')}"
    return thick, ids, told


def _partition_hints(asked: Asked, house: House, floor_ids: tuple[str, ...]) -> list[Line]:
    """Name partitions between the floors cut, whose two sides nobody measured."""
    if math.isfinite(asked.length_m) or not floor_ids:
        return []
    found = []
    for first, then, length in house.partitions(floor_ids):
        missing = f"a partition along {num(length, 1)} m between {first} and {then} has two more sides"
        settle = "Measure the partitions on the wet floor; add each as a repair with its length."
        found.append(unknown(asked, "partitions", "m", missing=missing, settle=settle, of_ids=(first, then)))
    return found


def _services(asked: Asked, house: House) -> list[Line]:
    """Say which pipes in the floor the cut meets, as far as they are drawn."""
    if not asked.on_wall:
        return []
    near = house.services_near(asked, house.ref.value("setting_out.service_clear_m"))
    if near is None:
        missing = "no service is drawn on this site, and that none was drawn does not mean none is there"
        return [
            unknown(asked, "services", "nr", missing=missing, settle="Trace pipes and cables before cutting.")
        ]
    count = float(len(near))
    said = f"drawn within {num(house.ref.value('setting_out.service_clear_m'))} m of the cut"
    return [quantity(asked, "services", count, "nr", said, basis=INFERRED, of_ids=near)]


def slab(asked: Asked, house: House) -> list[Line]:
    """R16: a slab broken out and laid again on a membrane; hearths by number."""
    ref = house.ref
    area, said, ids = _floor_area(asked, house)
    lines = []
    if math.isfinite(asked.count):
        lines.append(quantity(asked, "hearths", asked.count, "nr", "counted"))
    if math.isnan(area):
        return [
            *lines,
            unknown(asked, "slab", "m2", missing=said, settle="Draw the floor, or give its area."),
        ]
    lines.append(quantity(asked, "slab", area, "m2", said, of_ids=ids))
    lines.append(quantity(asked, "membrane", area, "m2", said, waste=ref.value("waste.membrane"), of_ids=ids))
    thick, thick_ids, told = _thickness(asked, house)
    if math.isnan(thick):
        settle = "Measure the floor's thickness at one hole."
        return [*lines, unknown(asked, "concrete", "m3", missing=told, settle=settle, of_ids=ids)]
    solid = area * thick
    loose, tonnes = broken_out(ref, "concrete", solid)
    basis = MEASURED if not told else INFERRED
    lines += [
        quantity(
            asked, "concrete", solid, "m3", f"{num(area, 2)} m² × {num(thick)} m",
            waste=ref.value("waste.concrete"), of_ids=thick_ids, basis=basis, missing=told,
        ),
        quantity(
            asked, "skip", loose, "m3", f"{num(solid)} m³ × {num(ref.value('bulking.concrete'))} loose",
            basis=basis, loose_m3=loose, tonnes=tonnes, order_said="loose",
        ),
        quantity(
            asked, "weight", tonnes, "t", f"{num(solid)} m³ × {num(ref.value('density.concrete'))} t/m³",
            basis=basis,
        ),
    ]  # fmt: skip
    return lines


def liquid_membrane(asked: Asked, house: House) -> list[Line]:
    """R17: a liquid membrane; one coat of 1 mm takes a litre a square metre."""
    ref = house.ref
    area, said, ids = _floor_area(asked, house)
    if math.isnan(area):
        return [unknown(asked, "floor", "m2", missing=said, settle="Draw the floor, or give its area.")]
    lines = [quantity(asked, "floor", area, "m2", said, of_ids=ids)]
    coats = first_known(asked.count, ref.value("works.coats_count"))
    if math.isnan(asked.thickness_m):
        missing = "the maker's coverage is not recorded"
        settle = "Type the wet thickness of one coat, mm: 1 mm takes 1 l/m²."
        return [*lines, unknown(asked, "membrane", "l", missing=missing, settle=settle, of_ids=ids)]
    litres = area * coats * asked.thickness_m * 1000.0
    formula = f"{num(area, 2)} m² × {num(coats, 0)} coats × {num(asked.thickness_m * 1000)} mm"
    waste = ref.value("waste.liquid_membrane")
    return [
        *lines,
        quantity(
            asked, "membrane", litres, "l", formula, waste=waste, order=float(ordered(litres, waste)),
            of_ids=ids,
        ),
    ]  # fmt: skip


def _floor_area(asked: Asked, house: House) -> tuple[float, str, tuple[str, ...]]:
    """Return the area of floor, m², how it was found, and the floors it is of."""
    if math.isfinite(asked.area_m2):
        return asked.area_m2, "as given", ()
    zones = house.zones
    own = zones[zones.index.isin(asked.of_ids)]
    own = own[~(own.geometry.isna() | own.geometry.is_empty)]
    if own.empty:
        return NAN, "neither an area is given nor a floor named", ()
    areas = own.geometry.area
    said = " + ".join(f"{name} {area:.2f}" for name, area in areas.items())
    return float(areas.sum()), f"as drawn: {said}", tuple(str(name) for name in own.index)
