"""Lines of quantities made out of numbers: with waste, range, formula and what is missing."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from geo.reference import Reference
from geo.works.amounts import ordered
from geo.works.kinds import INFERRED, MEASURED, NAN, PROVISIONAL, Asked, Line, least_sure
from geo.works.measure import House

Maker = Callable[[Asked, House], list[Line]]
UNITS = {"nr": "", "m": "m", "m2": "m²", "m3": "m³", "l": "l", "t": "t", "kg": "kg", "h": "h", "day": "days"}


def num(value: float, digits: int = 3) -> str:
    """Return a number as a formula shows it: as many decimals as it needs, at most ``digits``."""
    return f"{round(value, digits) + 0.0:.{digits}f}".rstrip("0").rstrip(".") if digits else f"{value:.0f}"


def quantity(
    asked: Asked,
    line: str,
    net: float,
    unit: str,
    formula: str,
    *,
    low: float = NAN,
    high: float = NAN,
    basis: str = MEASURED,
    waste: float = 0.0,
    order: float = NAN,
    order_unit: str = "",
    order_said: str = "",
    of_ids: Sequence[str] = (),
    settle: str = "",
    missing: str = "",
    loose_m3: float = NAN,
    tonnes: float = NAN,
) -> Line:
    """Return one line; what is ordered is the net quantity with its waste unless it is said otherwise.

    A line with a range is at best inferred; the basis of the repair holds where it is less sure.
    """
    ranged = math.isfinite(low) and math.isfinite(high) and high - low > 1e-9
    sure = least_sure(basis, asked.basis, INFERRED if ranged or math.isinf(high) else MEASURED)
    whole = float(ordered(net, waste)) if math.isnan(order) else order
    if not ranged and math.isfinite(high):
        low, high = NAN, NAN
    return Line(
        line=line,
        net=net,
        unit=unit,
        formula=formula,
        basis=sure,
        low=low,
        high=high,
        waste_percent=100.0 * waste,
        order=whole,
        order_unit=order_unit or unit,
        order_said=order_said,
        of_ids=tuple(dict.fromkeys([*of_ids, *asked.of_ids])),
        missing=missing,
        settle=settle,
        loose_m3=loose_m3,
        tonnes=tonnes,
    )


def unknown(
    asked: Asked, line: str, unit: str, *, missing: str, settle: str, of_ids: Sequence[str] = ()
) -> Line:
    """Return a line that cannot be worked out, with what would settle it."""
    return Line(
        line=line,
        net=NAN,
        unit=unit,
        formula="",
        basis=PROVISIONAL,
        order_unit=unit,
        of_ids=tuple(dict.fromkeys([*of_ids, *asked.of_ids])),
        missing=missing,
        settle=settle,
    )


def items(asked: Asked, line: str, *, usual: float = NAN, settle: str = "Count them.") -> Line:
    """Return how many, as counted, else as many as the repair names, else not known."""
    if math.isfinite(asked.count):
        return quantity(asked, line, asked.count, "nr", "counted")
    if asked.of_ids:
        count = float(len(asked.of_ids))
        return quantity(asked, line, count, "nr", f"as named: {' '.join(asked.of_ids)}")
    if math.isfinite(usual):
        return quantity(asked, line, usual, "nr", "one at this place")
    return unknown(asked, line, "nr", missing="how many is not recorded", settle=settle)


def broken_out(ref: Reference, material: str, solid_m3: float) -> tuple[float, float]:
    """Return the loose volume, m³, and the weight, t, of what is broken out or dug."""
    bulk = ref.value("setting_out.bulking") if material == "soil" else ref.value(f"bulking.{material}")
    return solid_m3 * bulk, solid_m3 * ref.value(f"density.{material}")


def first_known(*values: float) -> float:
    """Return the first number that is known, NaN where none is."""
    return next((value for value in values if math.isfinite(value)), NAN)
