"""The wall a spill wets: every way past its barrier, and the change that would close it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from geo.crossings import Remedy, cross, smallest_changes
from geo.drains.cavity import Tank, WallWater
from geo.findings.drain_answer import Drains, OnGround
from geo.verdict import NOT_KNOWN, Verdict

NAN = math.nan
TOUCH_M = 0.01
CROSSING = ["node", "ring_key", "way", "word", "chainage_from_m", "chainage_to_m", "length_m"]
CROSSING += ["margin_mm", "sigma_mm", "because", "settle"]
REMEDY = ["node", "ring_key", "way", "what", "chainage_from_m", "chainage_to_m", "by_mm", "still_open"]


def told(water: WallWater, ground: OnGround | None, drains: Drains) -> WallWater:
    """Let what is known of the ground answer where the wall alone cannot."""
    if ground is None:
        return water
    if math.isnan(water.chainage_from_m):
        word = "no" if ground.word in ("runs off", "stands off the wall") else NOT_KNOWN
        settle = "" if word == "no" else ground.settle
        return replace(water, verdict=Verdict(word=word, because=ground.because, settle=settle))
    level = drains.openings["sill_level_m"]
    brim = level.index[(level - ground.level.value).abs() < 1e-6]
    if ground.shut_in and water.verdict.word == NOT_KNOWN and len(brim):
        said = f"shut in: it rises to {ground.level.value:.3f} m and comes in at {', '.join(brim)}"
        return replace(water, verdict=Verdict(word="yes", because=said, rests_on=tuple(brim)))
    return water


def as_far_as_seen(water: WallWater, drains: Drains) -> WallWater:
    """End each tank whose ends nobody saw where the cavity that was looked into ends.

    How far the cavity runs on beyond is not known; the tank stays marked as open-ended.
    """
    tanks = []
    for tank in water.tanks:
        own = drains.cavities.loc[drains.cavities.index.isin(tank.rests_on)]
        low, high = _reach(own, _nearest_seen(own, (water.chainage_from_m + water.chainage_to_m) / 2.0))
        start, end = max(tank.chainage_from_m, low), min(tank.chainage_to_m, high)
        unseen = start > tank.chainage_from_m + TOUCH_M, end < tank.chainage_to_m - TOUCH_M
        tanks.append(
            replace(
                tank, chainage_from_m=start, chainage_to_m=end,
                wet_from_m=start if unseen[0] else tank.wet_from_m,
                wet_to_m=end if unseen[1] else tank.wet_to_m,
                open_ended=tank.open_ended or any(unseen),
            )
        )  # fmt: skip
    return replace(water, tanks=tuple(tanks))


def _nearest_seen(cavities: pd.DataFrame, at: float) -> float:
    """Return the chainage nearest to one at which the cavity was looked into."""
    if cavities.empty:
        return at
    near = np.clip(at, cavities["chainage_from_m"].to_numpy(float), cavities["chainage_to_m"].to_numpy(float))
    return float(near[np.abs(near - at).argmin()])


def _reach(cavities: pd.DataFrame, at: float) -> tuple[float, float]:
    """Return how far lengths of cavity that touch one another run either way from a chainage."""
    low = high = at
    spans = sorted(zip(cavities["chainage_from_m"], cavities["chainage_to_m"], strict=True))
    for start, end in spans:
        if start <= high + TOUCH_M and end >= low - TOUCH_M:
            low, high = min(low, float(start)), max(high, float(end))
    for start, end in reversed(spans):
        if start <= high + TOUCH_M and end >= low - TOUCH_M:
            low, high = min(low, float(start)), max(high, float(end))
    return low, high


def past_the_barrier(drains: Drains, water: tuple[WallWater, ...]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ask every way past the barrier on the wall each spill wets, and for the change that closes it."""
    found, closed = [], []
    for one in water:
        # What passes the barrier hangs on the water at the wall, not on how fast it came.
        tanks = [(tank.wet_from_m, tank.wet_to_m, tank.bound) for tank in one.tanks]
        span = (one.ring_key, one.chainage_from_m, one.chainage_to_m)
        key = repr((one.node, span, one.head, one.below_ground, tanks))
        if key not in drains.kept:
            drains.kept[key] = _crossed(drains, one)
        found.append(drains.kept[key][0])
        closed.append(drains.kept[key][1])
    none = pd.DataFrame(columns=CROSSING), pd.DataFrame(columns=REMEDY)
    crossings = [table for table in found if len(table)]
    remedies = [table for table in closed if len(table)]
    return (
        pd.concat(crossings, ignore_index=True)[CROSSING] if crossings else none[0],
        pd.concat(remedies, ignore_index=True)[REMEDY] if remedies else none[1],
    )


def _crossed(drains: Drains, water: WallWater) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ask the wall one spill wets, kind by kind of wall, so that each is asked what can be asked of it."""
    section = _wet_section(drains, water)
    if section is None:
        return pd.DataFrame(columns=CROSSING), pd.DataFrame(columns=REMEDY)
    a, b = (section[f"chainage_{end}_m"].to_numpy(float) for end in ("from", "to"))
    full = np.zeros(len(section), dtype=bool)
    for tank in water.tanks:
        full |= (b > tank.wet_from_m) & (a < tank.wet_to_m)
    looked = section["base"].notna().to_numpy()
    kind = np.select(
        [section["solid"].to_numpy(bool), full & looked, looked],
        ["solid", "full", "seen"],
        default="unseen",
    )
    found, closed = [], []
    for name in dict.fromkeys(kind.tolist()):
        own = section[kind == name]
        asked = water if name == "full" else _wet_through(water)
        lengths = cross(own, asked, ref=drains.ref).lengths
        open_ = lengths[lengths["word"] != "no"]
        # Nothing is to be changed where a level is missing: it is to be measured.
        measured = (open_["margin_mm"].notna() | (open_["word"] == "yes")).to_list()
        tried = smallest_changes(own, asked, ref=drains.ref) if any(measured) else ()
        changes = [each for each, known in zip(tried, measured, strict=False) if known]
        if name == "solid":
            lengths = lengths[~lengths["way"].isin(("K2", "K3"))]
            changes = [each for each in changes if each.way not in ("K2", "K3")]
        found.append(lengths if name == "full" else _doubted(lengths, name, water))
        closed.append(_rows(changes))
    length = drains.ring_lengths[water.ring_key]
    crossings, remedies = (
        pd.concat(parts, ignore_index=True)
        .sort_values(["way", "chainage_from_m"], kind="stable", ignore_index=True)
        .assign(node=water.node, ring_key=water.ring_key)
        for parts in (found, closed)
    )
    crossings, remedies = _merged(crossings, "word", "margin_mm"), _merged(remedies, "what", "by_mm")
    return _on_ring(crossings, length), _on_ring(remedies, length)


def _merged(table: pd.DataFrame, same: str, largest: str) -> pd.DataFrame:
    """Join neighbouring lengths with one way and one answer, keeping the row with the largest number."""
    if len(table) < 2:
        return table.assign(length_m=table["chainage_to_m"] - table["chainage_from_m"])
    apart = (table["chainage_from_m"] - table["chainage_to_m"].shift()).abs() > 1e-6
    new = apart | (table["way"] != table["way"].shift()) | (table[same] != table[same].shift())
    new |= table[largest].isna() != table[largest].isna().shift()
    group = new.cumsum()
    best = table[largest].fillna(-math.inf).groupby(group).idxmax()
    spans = table.groupby(group).agg(start=("chainage_from_m", "min"), end=("chainage_to_m", "max"))
    kept = table.loc[best.to_numpy()].assign(
        chainage_from_m=spans["start"].to_numpy(), chainage_to_m=spans["end"].to_numpy()
    )
    return kept.assign(length_m=kept["chainage_to_m"] - kept["chainage_from_m"]).reset_index(drop=True)


def _wet_through(water: WallWater) -> WallWater:
    """Take the water to stand behind the wall as high as outside: it cannot stand higher."""
    from_m, to_m = water.chainage_from_m, water.chainage_to_m
    wall = Tank(
        ring_key=water.ring_key, chainage_from_m=from_m, chainage_to_m=to_m, wet_from_m=from_m,
        wet_to_m=to_m, open_ended=False, base_m=NAN, bound=water.head, held_by="the spill", after_m=NAN,
        full_l=NAN, full_minutes=NAN, overtopped=(), rests_on=(),
    )  # fmt: skip
    return replace(water, tanks=(wall,))


def _doubted(lengths: pd.DataFrame, kind: str, water: WallWater) -> pd.DataFrame:
    """Turn what rests on a cavity or a finish nobody looked at into not known."""
    table = lengths.copy()
    inside = table["way"].isin(("K2", "K3", "K4", "K5"))
    doubts = {
        "unseen": "the cavity was not looked into here",
        "seen": "no way into the cavity is known here",
        "solid": "it leaks below ground" if water.below_ground else "",
    }
    if doubts[kind]:
        maybe = inside & (table["word"] == "yes")
        table.loc[maybe, "because"] = table.loc[maybe, "because"] + f", if water comes so far: {doubts[kind]}"
        table.loc[maybe, "settle"] = "Open the wall and look here."
        table.loc[maybe, "word"] = NOT_KNOWN
    seen = kind == "seen"
    for way, because, settle in (
        ("K3", "debris was not looked for here", "Open the wall and look into the cavity here."),
        ("K5", "the bottom of the finish was not recorded here", "Lift the skirting and look."),
    ):
        if seen and way == "K3":
            continue  # somebody looked, and recorded no debris
        blank = (table["way"] == way) & table["margin_mm"].isna() & (table["word"] == "no")
        table.loc[blank, ["word", "because", "settle"]] = [NOT_KNOWN, because, settle]
    return table


def _rows(changes: Sequence[Remedy]) -> pd.DataFrame:
    names = ("way", "what", "chainage_from_m", "chainage_to_m", "by_mm", "still_open")
    return pd.DataFrame([[getattr(each, name) for name in names] for each in changes], columns=list(names))


def _on_ring(table: pd.DataFrame, length: float) -> pd.DataFrame:
    """Bring chainages that ran past the origin corner back onto the ring."""
    start, end = (table[f"chainage_{side}_m"].to_numpy(float) for side in ("from", "to"))
    wrapped = np.mod(end, length)
    return table.assign(
        chainage_from_m=np.mod(start, length),
        chainage_to_m=np.where((wrapped < 1e-6) & (end > start), length, wrapped),
    )


def _wet_section(drains: Drains, water: WallWater) -> pd.DataFrame | None:
    """Return the stations a spill wets, outside or in the cavity, chainage running on past the origin."""
    section = drains.sections.get(water.ring_key)
    if section is None or math.isnan(water.chainage_from_m):
        return None
    length = drains.ring_lengths[water.ring_key]
    middle = (water.chainage_from_m + water.chainage_to_m) / 2.0
    spans = [(water.chainage_from_m, water.chainage_to_m)]
    spans += [(tank.wet_from_m, tank.wet_to_m) for tank in water.tanks]
    copies = []
    for shift in (-length, 0.0, length):
        moved = section.assign(
            chainage_from_m=section["chainage_from_m"] + shift,
            chainage_to_m=section["chainage_to_m"] + shift,
        )
        a, b = moved["chainage_from_m"].to_numpy(), moved["chainage_to_m"].to_numpy()
        wet = np.zeros(len(moved), dtype=bool)
        for start, end in spans:
            wet |= (b > start + 1e-9) & (a < end - 1e-9)
        # Once round is enough: the far half belongs to the other copy.
        wet &= np.abs((a + b) / 2.0 - middle) <= length / 2.0
        copies.append(moved[wet])
    whole = pd.concat(copies, ignore_index=True)
    low, high = min(start for start, _ in spans), max(end for _, end in spans)
    whole = whole.assign(
        chainage_from_m=whole["chainage_from_m"].clip(lower=low),
        chainage_to_m=whole["chainage_to_m"].clip(upper=high),
    )
    return whole if len(whole) else None
