"""Quantities of what follows a repair: joinery, fittings, drying, flues, air, finishes."""

from __future__ import annotations

import math

from geo.works.kinds import INFERRED, NAN, PROVISIONAL, Asked, Line
from geo.works.lines import broken_out, first_known, items, num, quantity, unknown
from geo.works.measure import House


def joinery(asked: Asked, house: House) -> list[Line]:
    """R19: skirting, units and doors off and back."""
    ref = house.ref
    length = first_known(
        asked.length_m, float(house.pieces(asked)["inside_m"].sum()) if asked.on_wall else NAN
    )
    lines: list[Line] = []
    if length > 0:
        doors = house.openings(asked, ("door",)) if asked.on_wall else None
        off = float(doors["width_m"].sum()) if doors is not None and len(doors) else 0.0
        said = f"inside faces {num(length, 2)} m" + (f" − doors {num(off, 2)} m" if off else "")
        ids = () if doors is None else tuple(str(name) for name in doors.index)
        lines.append(
            quantity(
                asked, "skirting", max(length - off, 0.0), "m", said, waste=ref.value("waste.joinery"),
                of_ids=ids,
            )
        )  # fmt: skip
        if doors is not None and len(doors):
            lines.append(
                quantity(asked, "doors", float(len(doors)), "nr", f"as recorded: {' '.join(ids)}", of_ids=ids)
            )
    if math.isfinite(asked.count):
        return [*lines, quantity(asked, "units", asked.count, "nr", "counted")]
    settle = "Count the units to be taken off, stored and refitted."
    return [*lines, unknown(asked, "units", "nr", missing="nobody counted the units", settle=settle)]


def fittings(asked: Asked, house: House) -> list[Line]:  # noqa: ARG001 - every kind is asked alike
    """R20: radiators, sockets and sanitary ware off and on."""
    if math.isfinite(asked.count):
        return [quantity(asked, "fittings", asked.count, "nr", "counted")]
    settle = "Count sockets, radiators and sanitary ware along it; low sockets on a wet wall are urgent."
    return [unknown(asked, "fittings", "nr", missing="nobody counted them", settle=settle)]


def drying(asked: Asked, house: House) -> list[Line]:
    """R21: machines, tents and visits: a range of days, never a point."""
    ref = house.ref
    low, high = ref.value("works.drying_low_day"), ref.value("works.drying_high_day")
    days = f"{num(low, 0)} to {num(high, 0)} days, before it has begun"
    visit = ref.value("works.drying_visit_day")
    lines = [
        quantity(
            asked, "days", (low + high) / 2.0, "day", days, low=low, high=high, basis=PROVISIONAL,
            missing="how long this wall takes is not known before it is followed",
            settle="Read fixed points against a dry reference, from the day the source is stopped.",
        ),
        quantity(
            asked, "visits", math.ceil(high / visit), "nr", f"one each {num(visit, 0)} days",
            low=math.ceil(low / visit), high=math.ceil(high / visit), basis=PROVISIONAL,
        ),
    ]  # fmt: skip
    if math.isfinite(asked.count):
        count = asked.count
        said = f"{num(count, 0)} machines × {days}"
        lines.append(
            quantity(
                asked, "machine days", count * (low + high) / 2.0, "day", said, low=count * low,
                high=count * high, basis=PROVISIONAL,
            )
        )  # fmt: skip
    else:
        settle = "Say how many machines, from their makers' figures and the room."
        lines.append(
            unknown(asked, "machine days", "day", missing="how many machines is not chosen", settle=settle)
        )
    area, said = asked.area_m2, "as given"
    if math.isnan(area) and asked.on_wall and math.isfinite(asked.height_m):
        length = float(house.pieces(asked)["inside_m"].sum())
        area, said = length * asked.height_m, f"{num(length, 2)} m × {num(asked.height_m, 2)} m"
    if math.isfinite(area):
        lines.append(quantity(asked, "tent", area, "m2", said, basis=INFERRED))
    else:
        settle = "Give the area to be sheeted."
        lines.append(
            unknown(asked, "tent", "m2", missing="the area under sheets is not chosen", settle=settle)
        )
    return lines


def flue(asked: Asked, house: House) -> list[Line]:
    """R22: flues and hearths cleared, capped and vented."""
    ref = house.ref
    lines = [items(asked, "flue", usual=1.0)]
    if math.isfinite(asked.area_m2) and math.isfinite(asked.height_m):
        net = asked.area_m2 * asked.height_m
        loose, tonnes = broken_out(ref, "debris", net)
        said = f"{num(asked.area_m2)} m² × {num(asked.height_m, 2)} m"
        bulk = num(ref.value("bulking.debris"))
        return [
            *lines,
            quantity(
                asked, "debris", net, "m3", said, loose_m3=loose, tonnes=tonnes, order=loose,
                order_said=f"loose, × {bulk}",
            ),
        ]  # fmt: skip
    settle = "Open a brick at the foot of the flue and measure the debris."
    return [
        *lines,
        unknown(asked, "debris", "m3", missing="how much debris lies in it was not seen", settle=settle),
    ]


def against_condensation(asked: Asked, house: House) -> list[Line]:
    """R23: insulation by area, fans and vents by number."""
    lines: list[Line] = []
    length = float(house.pieces(asked)["inside_m"].sum()) if asked.on_wall else asked.length_m
    area = first_known(asked.area_m2, length * asked.height_m)
    if math.isfinite(area):
        said = (
            "as given" if math.isfinite(asked.area_m2) else f"{num(length, 2)} m × {num(asked.height_m, 2)} m"
        )
        lines.append(quantity(asked, "lining", area, "m2", said))
    if math.isfinite(asked.count):
        lines.append(quantity(asked, "fans and vents", asked.count, "nr", "counted"))
    if not lines:
        missing = "whether warmth, air or both are to be mended is not decided"
        settle = "Log air and surface for 14 days, then give an area to line, or a number of fans."
        lines.append(unknown(asked, "measure", "m2", missing=missing, settle=settle))
    return lines


def finishes(asked: Asked, house: House) -> list[Line]:
    """R24: decoration and floor finishes, by area."""
    if math.isfinite(asked.area_m2):
        return [quantity(asked, "finish", asked.area_m2, "m2", "as given")]
    zones = house.zones
    own = zones[zones.index.isin(asked.of_ids)]
    lines: list[Line] = []
    if len(own):
        areas = own.geometry.area
        said = " + ".join(f"{name} {area:.2f}" for name, area in areas.items())
        lines.append(quantity(asked, "floor finish", float(areas.sum()), "m2", f"as drawn: {said}"))
    if asked.on_wall and math.isfinite(asked.height_m):
        length = float(house.pieces(asked)["inside_m"].sum())
        formula = f"{num(length, 2)} m × {num(asked.height_m, 2)} m"
        lines.append(quantity(asked, "wall", length * asked.height_m, "m2", formula))
    elif asked.on_wall:
        settle = "Give the height of the wall that is decorated, floor to ceiling."
        missing = "the height of the room is not recorded"
        lines.append(unknown(asked, "wall", "m2", missing=missing, settle=settle))
    settle = "Give an area, name a floor, or a length of wall with its height."
    return lines or [unknown(asked, "finish", "m2", missing="no area is given", settle=settle)]
