"""Spilled water at the wall: which openings it enters, and how high it can stand in the cavity."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from geo.drains.backup import BackUp, Spill
from geo.drains.network import Network
from geo.drains.tanks import Tank, tank_at, tanks_at
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict, decide

NAN = math.nan

__all__ = ["Entry", "GroundPool", "Pool", "Tank", "WallWater", "reach_the_wall", "tank_at", "tanks_at"]


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
    if tank.takes != "yes" and verdict.word == "yes":
        verdict = replace(verdict, word=NOT_KNOWN, because=tank.because, settle=tank.settle)
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
        for tank in tanks_at(
            cavities,
            spot,
            head=head,
            openings=openings,
            wet=stretch,
            ring_key=ring_key,
            rate_l_s=rate,
            litres=litres,
        ):
            span = tank.chainage_from_m, tank.chainage_to_m
            # Where another opening surely leads to it, that one decides.
            if span not in tanks or tank.takes == "yes":
                tanks[span] = tank
    return tuple(tanks.values())
