"""LEV+ and LEV-: whether water, ground, floor or debris can pass the barrier at a stretch, by level."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from geo.drains.barrier import WAYS
from geo.evidence.candidates_fabric import NO, YES, Length
from geo.evidence.candidates_laid import Laid
from geo.evidence.candidates_spills import Spill
from geo.evidence.candidates_ways import INTO, Ways
from geo.evidence.candidates_wet import Wet
from geo.evidence.codes_state import MOST
from geo.evidence.kinds import Candidate, Raised
from geo.evidence.reaches import covered_m, overlaps, touches

Numbers = NDArray[np.float64]
LEAST = 0.5
"""Share of a stretch that levels have to speak of before they speak against a cause there."""


def level_codes(laid: Laid, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    """Raise LEV+ or LEV- for one candidate; neither where a level is missing or within its error."""
    cause = candidate.cause
    spill = _spill_of(laid, candidate)
    if spill is not None:
        yield from _spilled(one, candidate, spill)
    elif cause == "S08":
        yield from _lengths(one, candidate, laid.fabric.ground.get(one.ring_key, ()), "ground")
    elif cause == "S09":
        yield from _pools(laid, one, candidate)
    elif cause in ("S11", "S12"):
        tables = (laid.fabric.floors, laid.fabric.finishes) if cause == "S11" else (laid.fabric.debris,)
        own = [e for t in tables for e in t.get(one.ring_key, ()) if e.of_id == candidate.of_id and e.of_id]
        yield from _lengths(one, candidate, own, "", levels_only=True)
    elif cause == "S18":
        yield from _groundwater(laid, one, candidate)


def _spill_of(laid: Laid, candidate: Candidate) -> Spill | None:
    return laid.spills.get(candidate.of_id) if candidate.cause in ("S01", "S04", "S06", "S07") else None


def _raised(code: str, one: Wet, candidate: Candidate, ids: Sequence[str], because: str) -> Raised:
    return Raised(
        code=code, stretch_id=one.stretch_id, candidate=candidate.key, because=because,
        rests_on=tuple(dict.fromkeys(name for name in ids if name))[:12],
    )  # fmt: skip


def _spilled(one: Wet, candidate: Candidate, spill: Spill) -> Iterator[Raised]:
    """Hold the water that spills against every way past the barrier along a stretch."""
    if spill.ring_key != one.ring_key:
        return
    stands = f"water of {spill.node} stands at {spill.head.value:.3f} m"
    if not one.inside:
        if spill.wets is not None and spill.pool_known and touches(one.span, spill.wets, one.ring_m):
            yield _raised("LEV+", one, candidate, spill.rests_on, f"{stands} against the wall here")
        return
    ways = spill.ways
    if ways is None:
        return
    size = one.ring_m
    on = np.array(
        [overlaps(one.span, span, size) for span in zip(ways.from_m, ways.to_m, strict=True)], dtype=bool
    )
    if not on.any():
        return
    words = np.array([ways.word[way][on] for way in INTO])
    margins = np.array([ways.margin_mm[way][on] for way in INTO])
    open_ = words == YES
    if open_.any() and spill.enters != NO:
        k, i = _furthest(margins, open_)
        said = f"{stands}; {INTO[k]} here: {_said(ways, INTO[k], on, i)}"
        yield _raised("LEV+", one, candidate, spill.rests_on, said)
        return
    shut = np.isfinite(margins) & (words == NO)
    known = shut.any(axis=0)
    spans = [(float(a), float(b)) for a, b in zip(ways.from_m[on][known], ways.to_m[on][known], strict=True)]
    if (words != NO).any() or covered_m(one.span, spans, size) < LEAST * (one.span[1] - one.span[0]):
        return
    k, i = _furthest(margins, shut)
    yield _raised(
        "LEV-", one, candidate, spill.rests_on, f"{stands}; at most {INTO[k]}: {_said(ways, INTO[k], on, i)}"
    )


def _furthest(margins: Numbers, among: NDArray[np.bool_]) -> tuple[int, int]:
    """Return way and station of the largest margin among some; the first of them where none has one."""
    ranked = np.where(among, np.nan_to_num(margins, nan=-1e9), -np.inf)
    k, i = np.unravel_index(int(np.argmax(ranked)), ranked.shape)
    return int(k), int(i)


def _said(ways: Ways, way: str, on: NDArray[np.bool_], i: int) -> str:
    """Say a margin in a sentence."""
    margin, sigma = float(ways.margin_mm[way][on][i]), float(ways.sigma_mm[way][on][i])
    if math.isnan(margin):
        return f"{WAYS[way]}, no barrier there"
    return f"{WAYS[way]}, {margin:+.0f} mm, sigma {sigma:.0f} mm"


def _lengths(
    one: Wet, candidate: Candidate, lengths: Sequence[Length], what: str, *, levels_only: bool = False
) -> Iterator[Raised]:
    """Raise by recorded lengths: any of them over the barrier here, or all along it surely not."""
    here = [each for each in lengths if overlaps(one.span, each.span, one.ring_m)]
    levelled = [each for each in here if math.isfinite(each.margin_mm)]
    over = [each for each in levelled if each.word == YES]
    under = [each for each in levelled if each.word == NO and (not levels_only or each.margin_mm < 0)]
    if over:
        worst = max(over, key=lambda each: each.margin_mm)
        yield _raised("LEV+", one, candidate, [n for each in over for n in each.rests_on], worst.said)
    elif len(under) == len(here) and here:
        share = covered_m(one.span, [each.span for each in under], one.ring_m) / (one.span[1] - one.span[0])
        if share >= MOST:
            worst = max(under, key=lambda each: each.margin_mm)
            ids = [n for each in under for n in each.rests_on]
            yield _raised("LEV-", one, candidate, ids, f"all along it {what} {worst.said}".replace("  ", " "))


def _pools(laid: Laid, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    """Hold the pools at the wall, at the highest their error allows, against course and openings there."""
    z = laid.found.site.reference.value("drains.rival_sigmas")
    pools = laid.fabric.ponds.get(one.ring_key, ())
    here = [each for each in pools if touches(one.span, each.span, one.ring_m)]
    if not one.inside:
        sure = [each for each in here if each.word == YES]
        if sure:
            yield _raised("LEV+", one, candidate, sure[0].rests_on, sure[0].said)
        return
    if one.ring_key not in laid.sections:
        return
    course, sigma, covered = _course(laid, one)
    if covered < MOST or not laid.found.ground.surfaces:
        return
    sills = _sills(laid, one)
    for each in here:
        over, error = each.margin_mm - 1000.0 * course, math.hypot(each.sigma_mm, 1000.0 * sigma)
        if each.word == YES and over > z * error:
            said = f"{each.said}; {over:+.0f} ± {z * error:.0f} mm over the damp proof course"
            yield _raised("LEV+", one, candidate, each.rests_on, said)
            return
        for name, sill, own in sills:
            over_sill = each.margin_mm - 1000.0 * sill
            if each.word == YES and over_sill > z * math.hypot(each.sigma_mm, 1000.0 * own):
                said = f"{each.said}; {over_sill:+.0f} mm over the sill of {name}"
                yield _raised("LEV+", one, candidate, [name], said)
                return
    ground = [g for g in laid.fabric.ground.get(one.ring_key, ()) if overlaps(one.span, g.span, one.ring_m)]
    tops = [(e.margin_mm - 1000.0 * course, math.hypot(e.sigma_mm, 1000.0 * sigma)) for e in here]
    tops += [(g.margin_mm, g.sigma_mm) for g in ground]
    lowest = min((sill for _, sill, _ in sills), default=math.inf)
    wet_sill = any(each.margin_mm / 1000.0 + z * each.sigma_mm / 1000.0 >= lowest for each in here)
    if ground and not wet_sill and all(-over > z * error for over, error in tops):
        worst = max(tops)
        ids = [name for each in ground for name in each.rests_on]
        said = f"water on the ground here stands {-worst[0]:.0f} ± {z * worst[1]:.0f} mm or more below the"
        said += " damp proof course"
        yield _raised("LEV-", one, candidate, ids, said)


def _course(laid: Laid, one: Wet) -> tuple[float, float, float]:
    """Return the lowest outer course along a stretch, its sigma, and the share of it that is levelled."""
    section = laid.sections[one.ring_key]
    a, b = section["chainage_from_m"], section["chainage_to_m"]
    level, sigma = section["outer_dpc"].astype(float), section["outer_dpc_sigma"].astype(float)
    on = np.array([overlaps(one.span, (x, y), one.ring_m) for x, y in zip(a, b, strict=True)])
    known = on & np.isfinite(level)
    if not known.any():
        return math.nan, math.nan, 0.0
    row = np.flatnonzero(known)[np.argmin(level[known])]
    spans = list(zip(a[known].tolist(), b[known].tolist(), strict=True))
    return (
        float(level[row]),
        float(sigma[row]),
        covered_m(one.span, spans, one.ring_m) / (one.span[1] - one.span[0]),
    )


def _sills(laid: Laid, one: Wet) -> list[tuple[str, float, float]]:
    """Return the openings on the wall of a stretch that have a level: name, level, sigma, m."""
    assert laid.drains is not None
    table = laid.drains.openings
    own = table[(table["ring_key"] == one.ring_key) & table["sill_level_m"].notna()]
    default = laid.found.site.reference.value("levels.dpc_sigma_m")
    return [
        (
            str(row.Index),
            float(row.sill_level_m),
            default if math.isnan(row.level_sigma_m) else float(row.level_sigma_m),
        )
        for row in own.itertuples()
        if touches(one.span, (float(row.chainage_from_m), float(row.chainage_to_m)), one.ring_m)
    ]


def _groundwater(laid: Laid, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    """Hold the ground outside against the floor: water in the ground stands no higher than the ground."""
    if one.ring_key not in laid.sections or not one.inside:
        return
    z, section = laid.found.site.reference.value("drains.rival_sigmas"), laid.sections[one.ring_key]
    ground, own = section["ground"].astype(float), section["ground_sigma"].astype(float)
    a, b = section["chainage_from_m"].astype(float), section["chainage_to_m"].astype(float)
    slab, soffit = section["slab"].astype(float), section["soffit"].astype(float)
    sigma = np.hypot(own, np.nan_to_num(section["slab_sigma"].astype(float)))
    on = np.array([overlaps(one.span, (x, y), one.ring_m) for x, y in zip(a, b, strict=True)])
    over = ground - slab
    with np.errstate(invalid="ignore"):
        high = on & (over > z * sigma)
    if high.any():
        i = int(np.argmax(np.where(high, over, -np.inf)))
        said = (
            f"the ground outside lies {1000 * over[i]:.0f} ± {1000 * z * sigma[i]:.0f} mm over the floor here"
        )
        yield _raised("LEV+", one, candidate, _floor_ids(laid, one), said)
        return
    bottom = soffit[on & np.isfinite(soffit)]
    outside = section["outside"].astype(bool)
    known = np.isfinite(ground) & outside
    read = float((b - a)[known].sum()) / max(float((b - a)[outside].sum()), 1e-9)
    if not len(bottom) or read < MOST:
        return
    gap = float(bottom.min()) - ground[known]
    if (gap > z * sigma[known]).all():
        said = f"the ground all round lies {1000 * gap.min():.0f} mm or more below the underside of the floor"
        yield _raised("LEV-", one, candidate, _floor_ids(laid, one), said)


def _floor_ids(laid: Laid, one: Wet) -> list[str]:
    lengths = [*laid.fabric.floors.get(one.ring_key, ()), *laid.fabric.ground.get(one.ring_key, ())]
    here = [each for each in lengths if overlaps(one.span, each.span, one.ring_m)]
    return [name for each in here for name in each.rests_on]
