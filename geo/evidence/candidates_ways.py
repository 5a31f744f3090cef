"""The ways past the barrier that spilled water finds, station by station, as arrays.

The answers are those of :func:`geo.findings.drain_wall.past_the_barrier`, without the sentences and remedies.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geo.drains.barrier import NO_BARRIER
from geo.drains.cavity import WallWater
from geo.findings.drain_answer import Drains
from geo.verdict import NOT_KNOWN

Numbers = NDArray[np.float64]
Level = tuple[Numbers, Numbers]
INTO = ("K1", "K2", "K3", "K4", "K5")
"""Ways past the barrier that water at a wall may take, whatever the ground does."""
NAN = math.nan
EDGE_M = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ways:
    """Every way along the wall one spill wets, chainage running on past the origin corner.

    Parameters
    ----------
    from_m, to_m
        (n,) stations.
    word, margin_mm, sigma_mm
        By way: yes, no or not known, and by how much, positive past the barrier; NaN where no level says.
    """

    from_m: Numbers
    to_m: Numbers
    word: Mapping[str, NDArray[np.object_]]
    margin_mm: Mapping[str, Numbers]
    sigma_mm: Mapping[str, Numbers]


def section_arrays(drains: Drains) -> dict[str, dict[str, NDArray[Any]]]:
    """Return the wall sections as plain arrays, by ring and column."""
    return {
        key: {str(name): section[name].to_numpy() for name in section.columns}
        for key, section in drains.sections.items()
    }


def ways_along(
    section: Mapping[str, NDArray[Any]], water: WallWater, *, ring_m: float, z: float
) -> Ways | None:
    """Ask every way past the barrier along the wall one spill wets.

    Parameters
    ----------
    section
        Of the ring, from :func:`section_arrays`.
    water
        The spill as the wall meets it; ``None`` comes back where it wets no wall.
    z
        How many sigmas a margin must exceed.
    """
    if math.isnan(water.chainage_from_m):
        return None
    s = _wetted(section, water, ring_m)
    a, b = s["chainage_from_m"], s["chainage_to_m"]
    if not len(a):
        return None
    n = len(a)
    span = (water.chainage_from_m, water.chainage_to_m)
    looked = np.isfinite(s["base"].astype(float))
    solid = s["solid"].astype(bool)
    full, unsure = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    head = _blank(n)
    if not water.below_ground:
        head = _put(head, (b > span[0] + EDGE_M) & (a < span[1] - EDGE_M), water.head.value, water.head.sigma)
    cavity, wet = _blank(n), _blank(n)
    for tank in sorted(water.tanks, key=lambda each: each.takes == "yes"):
        inner = (b > tank.wet_from_m) & (a < tank.wet_to_m)
        full |= inner
        cavity = _put(
            cavity, (b > tank.chainage_from_m + EDGE_M) & (a < tank.chainage_to_m - EDGE_M),
            tank.bound.value, tank.bound.sigma,
        )  # fmt: skip
        own = (b > tank.wet_from_m + EDGE_M) & (a < tank.wet_to_m - EDGE_M)
        wet = _put(wet, own, tank.bound.value, tank.bound.sigma)
        unsure = np.where(own, tank.takes != "yes", unsure)
    kind = np.select([solid, full & looked, looked], ["solid", "full", "seen"], default="unseen")
    through = kind != "full"
    # Where no tank is known the water is taken to stand behind the wall as high as outside.
    behind = through & (b > span[0] + EDGE_M) & (a < span[1] - EDGE_M)
    for level in (cavity, wet):
        level[0][through] = np.where(behind, water.head.value, NAN)[through]
        level[1][through] = np.where(behind, water.head.sigma, NAN)[through]
    unsure &= ~through
    word, margin, sigma = _judge(s, head, cavity, wet, z)
    _doubt(word, margin, kind, unsure, below_ground=water.below_ground)
    return Ways(from_m=a, to_m=b, word=word, margin_mm=margin, sigma_mm=sigma)


def _wetted(section: Mapping[str, NDArray[Any]], water: WallWater, ring_m: float) -> dict[str, NDArray[Any]]:
    """Return the stations a spill wets, on the copy of the ring nearest to it, cut to what it wets."""
    spans = [(water.chainage_from_m, water.chainage_to_m), *((t.wet_from_m, t.wet_to_m) for t in water.tanks)]
    middle = (water.chainage_from_m + water.chainage_to_m) / 2.0
    a0, b0 = section["chainage_from_m"].astype(float), section["chainage_to_m"].astype(float)
    turns = np.repeat([-ring_m, 0.0, ring_m], len(a0))
    a, b = np.tile(a0, 3) + turns, np.tile(b0, 3) + turns
    wet = np.zeros(len(a), dtype=bool)
    for start, end in spans:
        wet |= (b > start + EDGE_M) & (a < end - EDGE_M)
    wet &= np.abs((a + b) / 2.0 - middle) <= ring_m / 2.0
    rows = np.flatnonzero(wet) % max(len(a0), 1)
    made = {name: values[rows] for name, values in section.items()}
    low, high = min(start for start, _ in spans), max(end for _, end in spans)
    return made | {"chainage_from_m": np.maximum(a[wet], low), "chainage_to_m": np.minimum(b[wet], high)}


def _blank(n: int) -> Level:
    return np.full(n, NAN), np.full(n, NAN)


def _put(level: Level, here: NDArray[np.bool_], value: float, sigma: float) -> Level:
    return np.where(here, value, level[0]), np.where(here, sigma, level[1])


def _over(a: Level, b: Level) -> Level:
    return 1000.0 * (a[0] - b[0]), 1000.0 * np.hypot(a[1], b[1])


def _words(margin: Level, z: float) -> NDArray[np.object_]:
    with np.errstate(invalid="ignore"):
        yes, no = margin[0] > z * margin[1], -margin[0] > z * margin[1]
    return np.where(yes, "yes", np.where(no, "no", NOT_KNOWN)).astype(object)


def _judge(
    s: Mapping[str, NDArray[Any]], head: Level, cavity: Level, wet: Level, z: float
) -> tuple[dict[str, NDArray[np.object_]], dict[str, Numbers], dict[str, Numbers]]:
    """Answer each way by its levels; the idle ones, to which no water comes, are no."""

    def level(name: str) -> Level:
        return s[name].astype(float), s[f"{name}_sigma"].astype(float)

    outer, inner, debris = level("outer_dpc"), level("inner_dpc"), level("debris")
    slab, soffit, finish = level("slab"), level("soffit"), level("finish")
    gone = {leaf: np.isin(s[f"{leaf}_state"].astype(str), NO_BARRIER) for leaf in ("outer", "inner")}
    dry, dry_debris = np.isnan(cavity[0]), np.isnan(wet[0])
    asked = {
        "K1": (_over(head, outer), np.isnan(head[0]), gone["outer"]),
        "K2": (_over(cavity, inner), dry, gone["inner"]),
        "K3": (_over(debris, inner), dry_debris | np.isnan(debris[0]), gone["inner"]),
        "K5": (_over(inner, finish), dry_debris, np.zeros(len(dry), dtype=bool)),
    }
    word, margin, sigma = {}, {}, {}
    for way, (by, idle, no_barrier) in asked.items():
        said = np.where(no_barrier, "yes", _words(by, z))
        word[way] = np.where(idle, "no", said).astype(object)
        margin[way], sigma[way] = by
    over, buried = _over(cavity, soffit), _over(slab, inner)
    contact = np.select([s["edge"] == "contact", s["edge"] == "isolated"], ["yes", "no"], NOT_KNOWN)
    every = np.array([_words(over, z), _words(buried, z), contact.astype(object)], dtype=object)
    said = np.where(
        (every == "no").any(axis=0), "no", np.where((every == "yes").all(axis=0), "yes", NOT_KNOWN)
    )
    hung = s["floor_kind"] == "suspended_timber"
    word["K4"] = np.where(dry | hung, "no", said).astype(object)
    with np.errstate(invalid="ignore", divide="ignore"):
        weaker = over[0] / over[1] <= buried[0] / buried[1]
    first = np.where(every[0] == "no", True, np.where(every[1] == "no", False, weaker))
    lost = hung | ((word["K4"] == NOT_KNOWN) & (np.isnan(over[0]) | np.isnan(buried[0])))
    margin["K4"] = np.where(lost, NAN, np.where(first, over[0], buried[0]))
    sigma["K4"] = np.where(lost, NAN, np.where(first, over[1], buried[1]))
    return word, margin, sigma


def _doubt(
    word: dict[str, NDArray[np.object_]], margin: Mapping[str, Numbers], kind: NDArray[np.str_],
    unsure: NDArray[np.bool_], *, below_ground: bool,
) -> None:  # fmt: skip
    """Withdraw what rests on a cavity or finish nobody looked at, or on water that may have run elsewhere."""
    doubted = (kind == "unseen") | (kind == "seen") | ((kind == "solid") & below_ground)
    for way in ("K2", "K3", "K4", "K5"):
        word[way] = np.where((doubted | unsure) & (word[way] == "yes"), NOT_KNOWN, word[way]).astype(object)
    blank = np.isnan(margin["K3"]) & (word["K3"] == "no") & np.isin(kind, ("unseen",))
    word["K3"] = np.where(blank, NOT_KNOWN, word["K3"]).astype(object)
    blank = np.isnan(margin["K5"]) & (word["K5"] == "no") & np.isin(kind, ("unseen", "seen", "solid"))
    word["K5"] = np.where(blank, NOT_KNOWN, word["K5"]).astype(object)
    for way in ("K2", "K3"):
        word[way] = np.where(kind == "solid", "no", word[way]).astype(object)
