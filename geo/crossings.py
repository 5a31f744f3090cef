"""What gets past the barrier: seven ways, station by station, each with its margin in millimetres."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.drains.barrier import (
    ASKS,
    LEVELS,
    NO_BARRIER,
    NO_WATER,
    SETTLE,
    WAYS,
    Level,
    joined,
    over,
    water_along,
    with_doubts,
)
from geo.drains.cavity import WallWater
from geo.drains.wall_levels import wall_section
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured

Words = NDArray[np.object_]
NAN = math.nan

__all__ = [
    "SETTLE",
    "WAYS",
    "Crossings",
    "Remedy",
    "cleaning_levels",
    "cross",
    "smallest_changes",
    "wall_section",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crossings:
    """The answer along one ring.

    Parameters
    ----------
    stations
        One row a station and way: ``chainage_from_m``, ``chainage_to_m``, ``way``, ``word`` (yes, no,
        not known), ``margin_mm`` (positive: past the barrier), ``sigma_mm``, ``because``, ``settle``.
    lengths
        The same, stations with one answer joined: ``way``, ``word``, from, to, the margin furthest past
        the barrier.
    """

    stations: pd.DataFrame
    lengths: pd.DataFrame


def cross(section: pd.DataFrame, water: WallWater | None, *, ref: Reference) -> Crossings:
    """Say at every station which of the seven ways past the barrier is open.

    Parameters
    ----------
    section
        Levels of the wall, from :func:`wall_section`.
    water
        One spill at the wall; ``None`` to ask of the fabric alone. The cavity is taken at the highest
        the water can come to.

    Returns
    -------
    Crossings. A way that asks for two levels is open only if both are; its margin is that of the
    weaker one.
    """
    z = ref.value("drains.rival_sigmas")
    head, cavity, wet, maybe = water_along(section, water)
    s = {name: section[name].to_numpy() for name in section.columns}
    dry, dry_debris = np.isnan(cavity[0]), np.isnan(wet[0])
    levels = {name: (s[name], s[f"{name}_sigma"]) for name in LEVELS}
    outer, inner, debris = levels["outer_dpc"], levels["inner_dpc"], levels["debris"]
    slab, soffit, finish = levels["slab"], levels["soffit"], levels["finish"]
    no_debris = np.where(dry_debris, NO_WATER, "no debris recorded here")
    parts = [
        _one("K1", over(head, outer), s, z, idle=np.isnan(head[0]), barrier="outer"),
        _one("K2", over(cavity, inner), s, z, idle=dry, barrier="inner"),
        _one(
            "K3", over(debris, inner), s, z, idle=dry_debris | np.isnan(debris[0]), barrier="inner",
            idle_because=no_debris,
        ),
        _floor(over(cavity, soffit), over(slab, inner), s, z, idle=dry),
        _one("K5", over(inner, finish), s, z, idle=dry_debris),
        _step(head, wet, s),
        _one("K7", over(levels["ground"], outer), s, z, barrier="outer"),
    ]  # fmt: skip
    table = with_doubts(pd.concat(parts, ignore_index=True), section, maybe)
    return Crossings(stations=table, lengths=joined(table))


def _words(margin: Level, z: float) -> Words:
    """Answer margins: yes, no, or not known within the error or where a level is missing."""
    value, sigma = margin
    with np.errstate(invalid="ignore"):
        yes, no = value > z * sigma, -value > z * sigma
    return np.where(yes, "yes", np.where(no, "no", NOT_KNOWN)).astype(object)


def _missing(way: str, s: Mapping[str, Any]) -> tuple[Words, Words]:
    """Return, station by station, what is not levelled of what a way asks for, and how to settle it."""
    said, settle = [], []
    for row in np.column_stack([np.isnan(s[name].astype(float)) for name in ASKS[way]]):
        names = [LEVELS[name] for name, gone in zip(ASKS[way], row, strict=True) if gone]
        said.append(f"not levelled here: {' and '.join(names)}" if names else "")
        settle.append(f"Level the {' and the '.join(names)} here." if names else "")
    return np.array(said, dtype=object), np.array(settle, dtype=object)


def _said(margin: Level, word: Words, z: float, missing: Words) -> Words:
    """Say margins in a sentence, or what keeps them from being known."""
    return np.array(
        [
            (gone or "a level of the water is not known here")
            if math.isnan(m)
            else f"{m:+.0f} mm, its error not known"
            if math.isnan(s)
            else f"{m:+.0f} mm, ± {z * s:.0f} mm" + (": within the error" if w == NOT_KNOWN else "")
            for m, s, w, gone in zip(margin[0], margin[1], word, missing, strict=True)
        ],
        dtype=object,
    )


def _one(
    way: str,
    margin: Level,
    s: Mapping[str, Any],
    z: float,
    *,
    idle: NDArray[np.bool_] | None = None,
    barrier: str = "",
    idle_because: Words | str = NO_WATER,
) -> pd.DataFrame:
    """Answer a way that asks for one level over another."""
    word = _words(margin, z)
    missing, settle = _missing(way, s)
    because = _said(margin, word, z, missing)
    if barrier:
        # Where there is no damp proof course nothing has to rise over it.
        gone = np.isin(s[f"{barrier}_state"].astype(str), NO_BARRIER)
        word = np.where(gone, "yes", word)
        because = np.where(gone, f"there is no {LEVELS[f'{barrier}_dpc']} here", because)
    if idle is not None:
        word = np.where(idle, "no", word)
        because = np.where(idle, idle_because, because)
    return _frame(way, word.astype(object), margin, because, s, settle=settle)


def _floor(
    wet: Level, buried: Level, s: Mapping[str, Any], z: float, *, idle: NDArray[np.bool_]
) -> pd.DataFrame:
    """K4: water over the soffit, the slab over the inner damp proof course, and the two in contact."""
    words = [_words(wet, z), _words(buried, z)]
    contact = np.select([s["edge"] == "contact", s["edge"] == "isolated"], ["yes", "no"], NOT_KNOWN)
    words.append(contact.astype(object))
    every = np.array(words, dtype=object)
    word = np.where(
        (every == "no").any(axis=0), "no", np.where((every == "yes").all(axis=0), "yes", NOT_KNOWN)
    )
    # The margin shown is that of the level which decides: the one that says no, else the weaker.
    with np.errstate(invalid="ignore", divide="ignore"):
        weaker = wet[0] / wet[1] <= buried[0] / buried[1]
    decides = np.where(every[0] == "no", True, np.where(every[1] == "no", False, weaker))
    margin = np.where(decides, wet[0], buried[0]), np.where(decides, wet[1], buried[1])
    lost = (word == NOT_KNOWN) & (np.isnan(wet[0]) | np.isnan(buried[0]))
    margin = np.where(lost, NAN, margin[0]), np.where(lost, NAN, margin[1])
    missing, settle = _missing("K4", s)
    said = _said(margin, word, z, missing)
    open_edge = (word == NOT_KNOWN) & (every[0] == "yes") & (every[1] == "yes")
    said = np.where(open_edge, "whether the slab touches the inner leaf was not seen", said)
    apart = (every[2] == "no") & ~(every[:2] == "no").any(axis=0)
    said = np.where(apart, "the slab was seen to stand clear of the inner leaf", said)
    hung = s["floor_kind"] == "suspended_timber" if "floor_kind" in s else np.zeros(len(word), dtype=bool)
    off = idle | hung
    word = np.where(off, "no", word).astype(object)
    said = np.where(hung, "does not apply: suspended timber floor", np.where(idle, NO_WATER, said))
    margin = np.where(hung, NAN, margin[0]), np.where(hung, NAN, margin[1])
    return _frame("K4", word, margin, said, s, settle=settle)


def _step(head: Level, cavity: Level, s: Mapping[str, Any]) -> pd.DataFrame:
    """K6: at a step the outer leaf is wet up to its own, higher damp proof course."""
    steps = ~np.isnan(s["step_low"])
    high_side = np.fmax(np.fmax(head[0], cavity[0]), s["ground"])
    sigma = np.fmax(
        np.fmax(np.nan_to_num(head[1]), np.nan_to_num(cavity[1])), np.nan_to_num(s["ground_sigma"])
    )
    free = 1000.0 * (high_side - s["step_low"]), 1000.0 * np.hypot(sigma, s["step_sigma"])
    wet = ~np.isnan(high_side)
    word = np.select(
        [~steps, s["step_lap"] == "seen", (s["step_lap"] == "absent") & wet], ["no", "no", "yes"], NOT_KNOWN
    ).astype(object)
    rise = 1000.0 * (s["step_high"] - s["step_low"])
    because = np.array(
        [
            "no step here"
            if not step
            else "the vertical lap was seen"
            if lap == "seen"
            else f"the brickwork below the higher course, {r:.0f} mm up, may be wet: lap "
            f"{str(lap).replace('_', ' ')}; neither water nor ground against it has a level here"
            if math.isnan(f)
            else f"free water or ground stands {abs(f):.0f} mm {'above' if f > 0 else 'below'} the "
            f"lower level; the brickwork below the higher one, {r:.0f} mm up, may be wet: "
            f"lap {str(lap).replace('_', ' ')}"
            for step, lap, f, r in zip(steps, s["step_lap"], free[0], rise, strict=True)
        ],
        dtype=object,
    )
    lost = np.where(~wet & (s["step_lap"] == "absent"), "Level the ground against the wall here.", "")
    return _frame("K6", word, free, because, s, settle=lost.astype(object)).loc[steps]


def _frame(
    way: str, word: Words, margin: Level, because: Words, s: Mapping[str, Any], *, settle: Words
) -> pd.DataFrame:
    """Lay one way out station by station; what settles it is the missing level, else the usual look."""
    return pd.DataFrame(
        {
            "chainage_from_m": s["chainage_from_m"],
            "chainage_to_m": s["chainage_to_m"],
            "way": way,
            "word": word,
            "margin_mm": margin[0],
            "sigma_mm": margin[1],
            "because": because,
            "settle": np.where(word == NOT_KNOWN, np.where(settle == "", SETTLE[way], settle), ""),
        }
    )


def cleaning_levels(section: pd.DataFrame, *, ref: Reference) -> pd.Series:
    """Return the level to which the cavity must be clear, m: so far below the lower of the two leaves."""
    lower = np.fmin(section["outer_dpc"].to_numpy(), section["inner_dpc"].to_numpy())
    return pd.Series(lower - ref.value("drains.cavity_clear_mm") / 1000.0, index=section.index)


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """The smallest change that closes one way past the barrier, and what stays open after it."""

    way: str
    what: str
    chainage_from_m: float
    chainage_to_m: float
    by_mm: float
    still_open: tuple[str, ...]


def smallest_changes(section: pd.DataFrame, water: WallWater | None, *, ref: Reference) -> tuple[Remedy, ...]:
    """Change one thing at a time, as little as will do, and ask again.

    Parameters
    ----------
    section, water
        As for :func:`cross`.

    Returns
    -------
    One Remedy for each length of wall where a way is open or not known; ``by_mm`` is how far the level
    must move for the answer to be no, NaN where nothing is to be moved.
    """
    before = cross(section, water, ref=ref).lengths
    z = ref.value("drains.rival_sigmas")
    found = []
    for row in before[before["word"] != "no"].to_dict("records"):
        a, b, way = row["chainage_from_m"], row["chainage_to_m"], str(row["way"])
        here = (section["chainage_from_m"] >= a - 1e-9) & (section["chainage_to_m"] <= b + 1e-9)
        by = max(0.0, row["margin_mm"] + z * row["sigma_mm"])
        by = NAN if math.isnan(row["margin_mm"] + row["sigma_mm"]) else by
        if row["word"] == NOT_KNOWN and math.isnan(by) and way != "K6":
            # Nothing is to be changed where a level is missing: it is to be measured.
            what = str(row["settle"]).removesuffix(".")
            what = what[:1].lower() + what[1:]
            found.append(
                Remedy(way=way, what=what, chainage_from_m=a, chainage_to_m=b, by_mm=NAN, still_open=(way,))
            )
            continue
        what, changed = _remedy(way, section, here, by, ref)
        down = way in ("K1", "K2") and not math.isnan(by) and not what.startswith("make the")
        after = cross(changed, _lowered(water, by) if down else water, ref=ref).lengths
        still = after[
            (after["word"] == "yes") & (after["chainage_to_m"] > a) & (after["chainage_from_m"] < b)
        ]
        moved = NAN if way in ("K4", "K6") or what.startswith("make the") else by
        found.append(
            Remedy(
                way=way,
                what=what,
                chainage_from_m=a,
                chainage_to_m=b,
                by_mm=moved,
                still_open=tuple(sorted(set(still["way"]))),
            )
        )
    return tuple(found)


def _remedy(
    way: str, section: pd.DataFrame, here: pd.Series, by_mm: float, ref: Reference
) -> tuple[str, pd.DataFrame]:
    changed = section.copy()
    leaf = {"K1": "outer", "K2": "inner", "K7": "outer"}.get(way, "")
    if leaf and section.loc[here, f"{leaf}_state"].isin(NO_BARRIER).any():
        changed.loc[here, f"{leaf}_state"] = "continuous"
        return f"make the {LEVELS[f'{leaf}_dpc']} good", changed
    if way == "K3":
        level = cleaning_levels(section, ref=ref)
        changed.loc[here, "debris"] = np.fmin(section["debris"], level)[here]
        lowest = level[here].min()
        to = "" if math.isnan(lowest) else f" to {lowest:.3f} m or lower"
        return f"clear the cavity of debris{to}", changed
    if way == "K4":
        changed.loc[here, "edge"] = "isolated"
        return "cut the edge of the slab free of the inner leaf", changed
    if way == "K5":
        changed.loc[here, "finish"] += by_mm / 1000.0
        return f"cut the finish back by {by_mm:.0f} mm", changed
    if way == "K6":
        changed.loc[here, "step_lap"] = "seen"
        return "build in the vertical lap at the step", changed
    if way == "K7":
        changed.loc[here, "ground"] -= by_mm / 1000.0
        return f"lower the ground by {by_mm:.0f} mm", changed
    return f"keep the water {by_mm:.0f} mm lower", changed


def _lowered(water: WallWater | None, by_mm: float) -> WallWater | None:
    if water is None:
        return None
    down = by_mm / 1000.0
    tanks = tuple(replace(t, bound=Measured(t.bound.value - down, t.bound.sigma)) for t in water.tanks)
    return replace(water, head=Measured(water.head.value - down, water.head.sigma), tanks=tanks)
