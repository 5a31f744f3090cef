"""The cavity as tanks between debris and closed ends: which take the water, and how high it stands."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from geo.verdict import NOT_KNOWN, Measured

NAN = math.nan
LETS_OUT = ("weep", "open_perpend", "air_brick", "vent", "pipe_hole")
TOUCH_M = 1e-6
Pieces = tuple[np.ndarray, np.ndarray, np.ndarray]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tank:
    """A length of cavity between dams or closed ends.

    Parameters
    ----------
    chainage_from_m, chainage_to_m
        Where the water stands.
    wet_from_m, wet_to_m
        The same with the debris that bounds it, which the water wets.
    open_ended
        An end was not seen: litres are at least, levels after a volume at most.
    base_m
        Lowest base, m.
    bound
        The highest the water can come to, however long it lasts, m.
    held_by
        What holds it there: the spill, or the opening by which it leaves again.
    after_m
        Highest level after the litres of this event, all of them entering here and standing between the
        near faces of the debris, m; NaN where they are not known.
    after_between_m
        From the lowest, the debris holding as much as an empty cavity out to its far faces and another
        tank taking what it may, to ``after_m``.
    full_l, full_minutes
        Litres to that bound between the near faces, and minutes at the spill's own rate: the fewest.
    full_between_l
        From those to what it takes with the debris holding as much as an empty cavity.
    takes
        ``yes``, or ``not known`` where the water enters over debris and may run to either side of it.
    because, settle
        Why that is not known, and the cheapest look that ends it.
    """

    ring_key: str
    chainage_from_m: float
    chainage_to_m: float
    wet_from_m: float
    wet_to_m: float
    open_ended: bool
    base_m: float
    bound: Measured
    held_by: str
    after_m: float
    full_l: float
    full_minutes: float
    overtopped: tuple[str, ...]
    rests_on: tuple[str, ...]
    after_between_m: tuple[float, float] = (NAN, NAN)
    full_between_l: tuple[float, float] = (NAN, NAN)
    takes: str = "yes"
    because: str = ""
    settle: str = ""


def tanks_at(
    cavities: pd.DataFrame,
    chainage_m: float,
    *,
    head: Measured,
    openings: pd.DataFrame | None = None,
    wet: tuple[float, float] = (NAN, NAN),
    ring_key: str = "",
    rate_l_s: float = NAN,
    litres: float = NAN,
) -> tuple[Tank, ...]:
    """Work out the tanks of cavity that water entering at a chainage may fill.

    Parameters
    ----------
    cavities
        Lengths of one ring's cavity: chainage, ``width_mm``, ``base_level_m``, ``debris_top_level_m``,
        ``closed_at_from``, ``closed_at_to``, ``level_sigma_m``.
    chainage_m
        Where the water enters.
    head
        Level outside, m.
    openings
        Openings by which it may leave again beyond the wetted wall ``wet`` (from, to).
    rate_l_s, litres
        What comes in.

    Returns
    -------
    None where no base of the cavity is recorded there, else one, or two where the water enters over debris
    and may run to either side; where the cavity beside the debris was not seen, one on top of the debris.
    The water comes to the lowest of the head, an opening beyond the wetted wall, and base + litres /
    (width × length). A dam lower than that is overtopped and the next length fills too.

    Debris is porous: water stands in it as well as between it. How much it holds is not known, so the
    level lies between that of an empty cavity out to the far faces (lowest) and of debris that holds
    nothing (highest).
    """
    bars = _bars(cavities)
    ask = _Asked(cavities, openings, wet, head, ring_key, rate_l_s, litres)
    over = [bar for bar in bars if bar.start - TOUCH_M <= chainage_m <= bar.end + TOUCH_M]
    if not over:
        tank = _tank(ask, bars, chainage_m)
        return () if tank is None else (tank,)
    sides = (min(bar.start for bar in over) - 2 * TOUCH_M, max(bar.end for bar in over) + 2 * TOUCH_M)
    found = [tank for side in sides if (tank := _tank(ask, bars, side)) is not None]
    if not found:  # beside the debris nobody looked: what is known is that water stands on its top
        found = [tank for tank in [_tank(ask, [bar for bar in bars if bar not in over], chainage_m)] if tank]
    spans = {(tank.chainage_from_m, tank.chainage_to_m) for tank in found}
    if len(spans) == 1 and len(found) == 2:  # the debris between them is overtopped: one water
        low = min(tank.after_between_m[0] for tank in found)
        high = max(tank.after_between_m[1] for tank in found)
        return (replace(found[0], after_m=high, after_between_m=(low, high)),)
    shut = [side for side in sides if _shut(bars, over, side)]
    if len(found) == 1 and shut:
        return (found[0],)
    names = " and ".join(bar.name.replace(" closed", ", closed").strip() for bar in over)
    because = f"the water enters over {names} and may run to either side of it"
    settle = f"Look into the cavity on both sides of {names} while water is poured."
    return tuple(
        replace(
            tank, takes=NOT_KNOWN, because=because, settle=settle,
            after_between_m=(tank.base_m, tank.after_between_m[1]) if not math.isnan(litres) else (NAN, NAN),
        )
        for tank in found
    )  # fmt: skip


def tank_at(
    cavities: pd.DataFrame,
    chainage_m: float,
    *,
    head: Measured,
    openings: pd.DataFrame | None = None,
    wet: tuple[float, float] = (NAN, NAN),
    ring_key: str = "",
    rate_l_s: float = NAN,
    litres: float = NAN,
) -> Tank | None:
    """Work out the one tank of cavity at a chainage; parameters as :func:`tanks_at`.

    Returns
    -------
    Tank; ``None`` where no base is recorded. Where two are possible, the one the same litres raise higher:
    the worse of the two, marked as not known.
    """
    found = tanks_at(
        cavities, chainage_m, head=head, openings=openings, wet=wet, ring_key=ring_key, rate_l_s=rate_l_s,
        litres=litres,
    )  # fmt: skip

    def height(tank: Tank) -> tuple[float, float]:
        return (tank.bound.value if math.isnan(tank.after_m) else tank.after_m, -tank.full_l)

    return max(found, key=height, default=None)


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is asked of the cavity beside where the water enters."""

    cavities: pd.DataFrame
    openings: pd.DataFrame | None
    wet: tuple[float, float]
    head: Measured
    ring_key: str
    rate_l_s: float
    litres: float


def _shut(bars: list[_Bar], over: list[_Bar], side: float) -> bool:
    """Return whether the cavity is closed at this face of the debris."""
    return any(bar.top == math.inf and abs(bar.start - side) < 4 * TOUCH_M for bar in bars if bar not in over)


def _tank(ask: _Asked, bars: list[_Bar], at: float) -> Tank | None:
    """Work out the tank on one side of whatever the water enters over."""
    cavities = ask.cavities
    bound, held_by = ask.head, "the spill"
    left, right, dams = _between(bars, at)
    overtopped: list[str] = []
    while True:
        bound, held_by = _let_out(ask.openings, left, right, ask.wet, ask.head)
        low = [bar for bar in dams if bar.top < bound.value and bar.name not in overtopped]
        if not low:
            break
        overtopped += [bar.name for bar in low]
        left, right, dams = _between([bar for bar in bars if bar.name not in overtopped], at)
    first = _between(bars, at)
    own = _pieces(cavities, first[0], first[1])
    if not len(own[0]):
        return None
    whole = _pieces(cavities, left, right) if overtopped else own
    soaked = _pieces(cavities, *_far(left, right, dams), porous={bar.name for bar in dams})
    own_soaked = _pieces(cavities, *_far(*first), porous={bar.name for bar in first[2]})
    rows = cavities[_inside(cavities, left, right)]
    base = float(whole[2].min())
    after = lowest = NAN
    if not math.isnan(ask.litres):
        top = min((bar.top for bar in first[2] if bar.name in overtopped), default=math.inf)
        after = min(_past(own, whole, ask.litres, top), bound.value)
        lowest = min(_past(own_soaked, soaked, ask.litres, top), after)
    full = _held(whole, bound.value)
    return Tank(
        ring_key=ask.ring_key, chainage_from_m=left, chainage_to_m=right,
        wet_from_m=min([left, *(bar.start for bar in dams)]),
        wet_to_m=max([right, *(bar.end for bar in dams)]),
        open_ended=len(dams) < 2, base_m=base, bound=Measured(max(bound.value, base), bound.sigma),
        held_by=held_by, after_m=after, full_l=full,
        full_minutes=full / ask.rate_l_s / 60.0 if ask.rate_l_s > 0 else NAN,
        overtopped=tuple(overtopped), rests_on=tuple(str(name) for name in rows.index),
        after_between_m=(lowest, after), full_between_l=(full, max(_held(soaked, bound.value), full)),
    )  # fmt: skip


def _far(left: float, right: float, dams: list[_Bar]) -> tuple[float, float]:
    """Return the far faces of the debris that bounds a length."""
    return min([left, *(bar.start for bar in dams)]), max([right, *(bar.end for bar in dams)])


def _past(own: Pieces, whole: Pieces, litres: float, top: float) -> float:
    """Return the level of so many litres: in the first length up to its lowest dam, then in all."""
    level = _level(own, litres)
    return level if level <= top else max(top, _level(whole, litres))


@dataclass(frozen=True, slots=True)
class _Bar:
    """Debris or a closed end that holds water back."""

    name: str
    start: float
    end: float
    top: float


def _bars(cavities: pd.DataFrame) -> list[_Bar]:
    bars = []
    for row in cavities.to_dict("index").items():
        name, cells = str(row[0]), row[1]
        start, end = float(cells["chainage_from_m"]), float(cells["chainage_to_m"])
        top = float(cells.get("debris_top_level_m", NAN))
        if not math.isnan(top):
            bars.append(_Bar(name, start, end, top))
        if cells.get("closed_at_from") == "yes" or cells.get("state") == "closed":
            bars.append(_Bar(f"{name} closed", start, start, math.inf))
        if cells.get("closed_at_to") == "yes" or cells.get("state") == "closed":
            bars.append(_Bar(f"{name} closed ", end, end, math.inf))
    return bars


def _between(bars: list[_Bar], at: float) -> tuple[float, float, list[_Bar]]:
    """Return the near edges of the bars on either side, and those bars; infinite where none was seen."""
    before = [bar for bar in bars if (bar.start + bar.end) / 2 <= at]
    behind = [bar for bar in bars if (bar.start + bar.end) / 2 > at]
    left = max(before, key=lambda bar: bar.end, default=None)
    right = min(behind, key=lambda bar: bar.start, default=None)
    found = [bar for bar in (left, right) if bar is not None]
    return (left.end if left else -math.inf), (right.start if right else math.inf), found


def _inside(cavities: pd.DataFrame, left: float, right: float) -> np.ndarray:
    a, b = cavities["chainage_from_m"].to_numpy(float), cavities["chainage_to_m"].to_numpy(float)
    return np.asarray((a < right) & (b > left))


def _pieces(cavities: pd.DataFrame, left: float, right: float, *, porous: Collection[str] = ()) -> Pieces:
    """Return length, width and base of the lengths seen between two chainages.

    Debris counts from its top, and that named as porous from its base, as if it were not there.
    """
    rows = cavities[_inside(cavities, left, right)]
    a = np.maximum(rows["chainage_from_m"].to_numpy(float), left)
    b = np.minimum(rows["chainage_to_m"].to_numpy(float), right)
    base = rows["base_level_m"].to_numpy(float)
    top: Any = (
        rows["debris_top_level_m"].to_numpy(float)
        if "debris_top_level_m" in rows
        else np.full(len(rows), NAN)
    )
    soaked = np.isin(rows.index.astype(str), list(porous))
    base = np.where(np.isnan(top) | (soaked & ~np.isnan(base)), base, top)
    width = rows["width_mm"].to_numpy(float) / 1000.0
    good = ~np.isnan(base) & ~np.isnan(width) & (b > a)
    return (b - a)[good], width[good], base[good]


def _held(pieces: Pieces, level: float) -> float:
    length, width, base = pieces
    return float((1000.0 * length * width * np.maximum(level - base, 0.0)).sum())


def _level(pieces: Pieces, litres: float) -> float:
    """Return the level at which the pieces hold so many litres, by going up from base to base."""
    base = pieces[2]
    marks = np.append(np.unique(base), base.max() + 100.0)
    held = np.array([_held(pieces, float(mark)) for mark in marks])
    return float(np.interp(litres, held, marks))


def _let_out(
    openings: pd.DataFrame | None, left: float, right: float, wet: tuple[float, float], head: Measured
) -> tuple[Measured, str]:
    """Return the lower of the head and the lowest opening by which the water leaves the tank again."""
    if openings is None or openings.empty:
        return head, "the spill"
    middle = (openings["chainage_from_m"].to_numpy(float) + openings["chainage_to_m"].to_numpy(float)) / 2.0
    inside = (middle >= left) & (middle <= right)
    pressed = (middle >= wet[0]) & (middle <= wet[1])
    lets = openings["opening_kind"].isin(LETS_OUT).to_numpy() & inside & ~pressed
    rows = openings[lets & (openings["sill_level_m"].to_numpy(float) < head.value)]
    if rows.empty:
        return head, "the spill"
    name = rows["sill_level_m"].idxmin()
    row = rows.loc[name]
    sigma = float(row.get("level_sigma_m", NAN))
    return Measured(float(row["sill_level_m"]), head.sigma if math.isnan(sigma) else sigma), str(name)
