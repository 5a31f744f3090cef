"""Staff readings as they are typed, in metres or in millimetres."""

from __future__ import annotations

import math
import re

METRES, MILLIMETRES = "m", "mm"
STAFF_UNITS = (METRES, MILLIMETRES)
_LOWEST_M, _HIGHEST_M = -5.0, 10.0
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)")


def read_staff(typed: str, *, unit: str = "") -> tuple[float, str]:
    """Return a staff reading in metres, and what is wrong with it.

    Parameters
    ----------
    typed
        As it was typed: ``1.482`` or ``1482``; negative where the staff was held upside down.
    unit
        ``m`` or ``mm``; by default a number with a point is metres, and a whole number above 10, more
        than any staff has metres, is millimetres.

    Returns
    -------
    Metres and ``""``, or NaN and a sentence. A blank is NaN and ``""``: no sight.
    """
    text = typed.strip()
    if not text:
        return math.nan, ""
    if "," in text:
        return math.nan, f"{text} is written with a comma; write a point: {text.replace(',', '.')}"
    if _NUMBER.fullmatch(text) is None:
        return math.nan, f"{text} is not a staff reading; write metres as 1.482 or millimetres as 1482"
    value = float(text)
    if unit == "" and "." not in text and 0 < abs(value) <= _HIGHEST_M:
        return math.nan, f"{text} may be metres or millimetres; write {value:.3f}, or say the unit"
    whole = unit == MILLIMETRES or (unit == "" and "." not in text)
    metres = value / 1000.0 if whole else value
    if not _LOWEST_M <= metres <= _HIGHEST_M:
        shown = f"{metres:g} m"
        return math.nan, f"{text} is {shown}; a staff reads from {_LOWEST_M:g} to {_HIGHEST_M:g} m"
    return metres, ""


def staff_text(reading_m: float, *, unit: str) -> str:
    """Return a staff reading as it is booked in a unit, to the millimetre; ``""`` for no sight."""
    if math.isnan(reading_m):
        return ""
    return f"{1000.0 * reading_m:.0f}" if unit == MILLIMETRES else f"{reading_m:.3f}"
