"""Spilled water at the wall: which openings it enters, and how high it can stand in the cavity."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from geo.drains.backup import BackUp, Spill
from geo.drains.network import Network
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict, decide

NAN = math.nan
LETS_OUT = ("weep", "open_perpend", "air_brick", "vent", "pipe_hole")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pool:
    """Water standing on the ground against a wall: its level and the wall it wets."""

    level: Measured
    ring_key: str
    chainage_from_m: float
    chainage_to_m: float


GroundPool = Callable[[str, Measured, float], Pool | None]
"""Node, level of the spill and litres spilled → the pool on the ground, or ``None``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """An opening, or plain brick, that water may enter by.

    ``quick`` is false for plain brick below the damp proof course, which only lets water seep.
    """

    opening_id: str
    kind: str
    chainage_from_m: float
    chainage_to_m: float
    level_m: float
    quick: bool
    verdict: Verdict


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
        Level after the litres of this event, all of them entering, m; NaN where they are not known.
    full_l, full_minutes
        Litres to that bound, and minutes at the spill's own rate.
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


@dataclass(frozen=True, slots=True, kw_only=True)
class WallWater:
    """One spill seen from the wall.

    Parameters
    ----------
    head
        Level of the water that presses on the wall, m: the spill's, or the pool's on the ground.
    pool_known
        Whether the pool on the ground was worked out; else a fixed length of wall is taken as wet.
    drowned
        The pool stands over the place where it spills.
    chainage_from_m, chainage_to_m
        The wetted wall; NaN where the node has no place along the wall.
    """

    node: str
    below_ground: bool
    head: Measured
    pool_known: bool
    drowned: bool
    ring_key: str
    chainage_from_m: float
    chainage_to_m: float
    entries: tuple[Entry, ...]
    tanks: tuple[Tank, ...]
    verdict: Verdict


def reach_the_wall(
    result: BackUp,
    network: Network,
    *,
    openings: pd.DataFrame,
    cavities: pd.DataFrame,
    ref: Reference,
    ground_pool: GroundPool | None = None,
    ring_lengths: Mapping[str, float] | None = None,
) -> tuple[WallWater, ...]:
    """Follow every spill of a back-up to the wall.

    Parameters
    ----------
    result, network
        The back-up and the drains it is of.
    openings, cavities
        Tables of those records, chainage and levels in m; ``ring_key`` or ``building_id`` and ``ring``.
    ground_pool
        Gives the pool on the ground for a spill at the surface.
    ring_lengths
        Length of each ring, so that a wetted length may pass the origin corner.

    Returns
    -------
    One WallWater a spill, first spill first.
    """
    return tuple(
        _at_wall(
            result, spill, network, _keyed(openings), _keyed(cavities), ref, ground_pool, ring_lengths or {}
        )
        for spill in result.spills
    )


def _keyed(table: pd.DataFrame) -> pd.DataFrame:
    """Give a table its ring keys."""
    if table.empty or "ring_key" in table:
        return table
    building = table["building_id"].fillna("") if "building_id" in table else pd.Series("", index=table.index)
    ring = table["ring"].fillna("") if "ring" in table else pd.Series("", index=table.index)
    return table.assign(ring_key=building + np.where(ring != "", "/" + ring, ""))


def _at_wall(
    result: BackUp,
    spill: Spill,
    network: Network,
    openings: pd.DataFrame,
    cavities: pd.DataFrame,
    ref: Reference,
    ground_pool: GroundPool | None,
    ring_lengths: Mapping[str, float],
) -> WallWater:
    node = network.nodes.loc[spill.node]
    sigma = float(node["spill_sigma_m"])
    inside = result.standing_m if spill.below_ground and math.isfinite(result.standing_m) else spill.level_m
    head = Measured(inside, sigma)
    litres = result.balance.spilled_l if result.balance is not None else NAN
    pool = None
    if ground_pool is not None and not spill.below_ground:
        pool = ground_pool(spill.node, head, litres)
    ring_key, at = str(node["ring_key"]), float(node["chainage_m"])
    reach = ref.value("drains.spill_reach_m")
    start, end = at - reach, at + reach
    drowned = False
    if pool is not None:
        ring_key, start, end = pool.ring_key, pool.chainage_from_m, pool.chainage_to_m
        drowned = pool.level.value >= head.value
        # A spill below its own pool no longer matters: the pool is what presses on the wall.
        head = pool.level
    z = ref.value("drains.rival_sigmas")
    length = ring_lengths.get(ring_key, NAN)
    entries = _entries(_on(openings, ring_key), head, start, end, length, z, below_ground=spill.below_ground)
    tanks = _tanks(
        _on(cavities, ring_key), _on(openings, ring_key), entries, head, (start, end),
        ring_key=ring_key, rate=spill.receives_l_s, litres=litres,
    )  # fmt: skip
    entries += tuple(_seep(tank, head, z) for tank in tanks)
    return WallWater(
        node=spill.node, below_ground=spill.below_ground, head=head, pool_known=pool is not None,
        drowned=drowned, ring_key=ring_key, chainage_from_m=start, chainage_to_m=end, entries=entries,
        tanks=tanks, verdict=_enters(entries, spill.node, at if pool is None else start),
    )  # fmt: skip


def _on(table: pd.DataFrame, ring_key: str) -> pd.DataFrame:
    if table.empty or not ring_key:
        return table
    return table[(table["ring_key"] == ring_key) | (table["ring_key"] == "")]


def _overlap(table: pd.DataFrame, start: float, end: float, length: float) -> np.ndarray:
    """Return which rows lie on a length of wall, which may pass the origin corner."""
    a, b = table["chainage_from_m"].to_numpy(float), table["chainage_to_m"].to_numpy(float)
    shifts = (0.0,) if math.isnan(length) else (-length, 0.0, length)
    found = np.zeros(len(table), dtype=bool)
    for shift in shifts:
        found |= (a + shift <= end) & (b + shift >= start)
    return found


def _entries(
    openings: pd.DataFrame,
    head: Measured,
    start: float,
    end: float,
    length: float,
    z: float,
    *,
    below_ground: bool,
) -> tuple[Entry, ...]:
    if openings.empty or math.isnan(start) or below_ground:
        return ()
    found = []
    for row in openings[_overlap(openings, start, end, length)].itertuples():
        level = float(row.sill_level_m)
        sigma = float(getattr(row, "level_sigma_m", NAN))
        name = str(row.Index)
        if math.isnan(level):
            verdict = Verdict(
                word=NOT_KNOWN,
                because=f"the level of {name} is not recorded",
                settle=f"Level the bottom of {name}.",
                rests_on=(name,),
            )
        else:
            own = Measured(level, head.sigma if math.isnan(sigma) else sigma)
            gap = head - own
            margin = Measured(1000 * gap.value, 1000 * gap.sigma)
            verdict = decide(margin, z=z, unit="mm", settle=f"Level the bottom of {name}.", rests_on=(name,))
        found.append(
            Entry(
                opening_id=name, kind=str(row.opening_kind), chainage_from_m=float(row.chainage_from_m),
                chainage_to_m=float(row.chainage_to_m), level_m=level, quick=True, verdict=verdict,
            )
        )  # fmt: skip
    return tuple(sorted(found, key=lambda entry: (math.isnan(entry.level_m), entry.level_m)))


def _seep(tank: Tank, head: Measured, z: float) -> Entry:
    margin = Measured(1000 * (head.value - tank.base_m), 1000 * math.hypot(head.sigma, tank.bound.sigma))
    verdict = decide(margin, z=z, unit="mm", settle="Level the base of the cavity.", rests_on=tank.rests_on)
    return Entry(
        opening_id="", kind="brick", chainage_from_m=tank.chainage_from_m, chainage_to_m=tank.chainage_to_m,
        level_m=tank.base_m, quick=False, verdict=verdict,
    )  # fmt: skip


def _enters(entries: tuple[Entry, ...], node: str, at: float) -> Verdict:
    """Say whether the water gets into the wall, the surest way first."""
    if math.isnan(at):
        return Verdict(
            word=NOT_KNOWN,
            because=f"{node} has no place along a wall",
            settle=f"Tape {node} along the wall from a corner.",
        )
    for word in ("yes", NOT_KNOWN):
        for entry in (e for quick in (True, False) for e in entries if e.quick is quick):
            if entry.verdict.word == word:
                name = entry.opening_id or "plain brick, a slow seep"
                said = f"by {name}: {entry.verdict.because}"
                return Verdict(
                    word=word, because=said, settle=entry.verdict.settle, margin=entry.verdict.margin,
                    sigma=entry.verdict.sigma, unit="mm", rests_on=entry.verdict.rests_on,
                )  # fmt: skip
    if not entries:
        said = "no opening is recorded on the wall it wets, and the cavity was not seen"
        return Verdict(
            word=NOT_KNOWN, because=said, settle="Look along the wall for holes, and into the cavity."
        )
    return Verdict(word="no", because="every opening on the wall it wets is higher")


def _tanks(
    cavities: pd.DataFrame,
    openings: pd.DataFrame,
    entries: tuple[Entry, ...],
    head: Measured,
    stretch: tuple[float, float],
    *,
    ring_key: str,
    rate: float,
    litres: float,
) -> tuple[Tank, ...]:
    """Find the tanks the water can enter: by its openings, else from the middle of the wetted wall."""
    if cavities.empty or math.isnan(stretch[0]):
        return ()
    spots = [(e.chainage_from_m + e.chainage_to_m) / 2 for e in entries if e.verdict.word != "no"]
    tanks: dict[tuple[float, float], Tank] = {}
    for spot in spots or [(stretch[0] + stretch[1]) / 2]:
        tank = tank_at(
            cavities,
            spot,
            head=head,
            openings=openings,
            wet=stretch,
            ring_key=ring_key,
            rate_l_s=rate,
            litres=litres,
        )
        if tank is not None:
            tanks[tank.chainage_from_m, tank.chainage_to_m] = tank
    return tuple(tanks.values())


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
    """Work out the tank of cavity at a chainage.

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
    Tank; ``None`` where no base of the cavity is recorded there. The water comes to the lowest of the
    head, an opening beyond the wetted wall, and base + litres / (width × length). A dam lower than
    that is overtopped and the next length fills too.
    """
    bars = _bars(cavities)
    left, right, dams = _between(bars, chainage_m)
    bound, held_by = head, "the spill"
    overtopped: list[str] = []
    while True:
        bound, held_by = _let_out(openings, left, right, wet, head)
        low = [bar for bar in dams if bar.top < bound.value and bar.name not in overtopped]
        if not low:
            break
        overtopped += [bar.name for bar in low]
        left, right, dams = _between([bar for bar in bars if bar.name not in overtopped], chainage_m)
    first = _between(bars, chainage_m)
    own = _pieces(cavities, first[0], first[1])
    whole = _pieces(cavities, left, right) if overtopped else own
    if not len(own[0]):
        return None
    rows = cavities[_inside(cavities, left, right)]
    base = float(whole[2].min())
    after = NAN
    if not math.isnan(litres):
        after = _level(own, litres)
        top = min((bar.top for bar in first[2] if bar.name in overtopped), default=math.inf)
        after = min(after if after <= top else max(top, _level(whole, litres)), bound.value)
    full = _held(whole, bound.value)
    return Tank(
        ring_key=ring_key, chainage_from_m=left, chainage_to_m=right,
        wet_from_m=min([left, *(bar.start for bar in dams)]),
        wet_to_m=max([right, *(bar.end for bar in dams)]),
        open_ended=len(dams) < 2, base_m=base, bound=Measured(max(bound.value, base), bound.sigma),
        held_by=held_by, after_m=after, full_l=full,
        full_minutes=full / rate_l_s / 60.0 if rate_l_s > 0 else NAN,
        overtopped=tuple(overtopped), rests_on=tuple(str(name) for name in rows.index),
    )  # fmt: skip


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


def _pieces(cavities: pd.DataFrame, left: float, right: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return length, width and base of the lengths seen between two chainages; debris counts from its top."""
    rows = cavities[_inside(cavities, left, right)]
    a = np.maximum(rows["chainage_from_m"].to_numpy(float), left)
    b = np.minimum(rows["chainage_to_m"].to_numpy(float), right)
    base = rows["base_level_m"].to_numpy(float)
    top: Any = (
        rows["debris_top_level_m"].to_numpy(float)
        if "debris_top_level_m" in rows
        else np.full(len(rows), NAN)
    )
    base = np.where(np.isnan(top), base, top)
    width = rows["width_mm"].to_numpy(float) / 1000.0
    good = ~np.isnan(base) & ~np.isnan(width) & (b > a)
    return (b - a)[good], width[good], base[good]


def _held(pieces: tuple[np.ndarray, np.ndarray, np.ndarray], level: float) -> float:
    length, width, base = pieces
    return float((1000.0 * length * width * np.maximum(level - base, 0.0)).sum())


def _level(pieces: tuple[np.ndarray, np.ndarray, np.ndarray], litres: float) -> float:
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
