"""LEV+ and LEV-: whether water, ground, floor or debris can pass the barrier at a stretch, by level."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from geo.drains.barrier import WAYS
from geo.drains.cavity import WallWater
from geo.evidence.candidates_fabric import NO, YES, Length
from geo.evidence.candidates_laid import Laid
from geo.evidence.candidates_sources import records_of
from geo.evidence.candidates_spills import Spill, nodes_above
from geo.evidence.candidates_ways import INTO, Ways, ways_along
from geo.evidence.candidates_wet import Wet
from geo.evidence.codes_state import MOST
from geo.evidence.kinds import Candidate, Raised
from geo.evidence.reaches import covered_m, overlaps, touches
from geo.verdict import NOT_KNOWN, Measured, Verdict

Numbers = NDArray[np.float64]
LEAST = 0.5
"""Share of a stretch that levels have to speak of before they speak against a cause there."""


class Levels:
    """Levels that many stretches are held against, each looked up once.

    Parameters
    ----------
    feet
        Level of the foot or lowest open joint of each downpipe that has one.
    """

    def __init__(self, laid: Laid) -> None:
        self.laid = laid
        usual = laid.found.site.reference.value("levels.dpc_sigma_m")
        self.feet = {
            str(each.id): Measured(float(each.foot_level_m), float(each.level_sigma_m or usual))
            for each in records_of(laid.found.site, "downpipe")
            if each.foot_level_m is not None
        }
        self._above: dict[str, tuple[Measured, list[str]]] = {}
        self._held: dict[tuple[str, float, float, bool], tuple[str, str]] = {}

    @cached_property
    def sills(self) -> dict[str, list[tuple[tuple[float, float], str, float, float]]]:
        """Openings that have a level, by ring: length, name, level and sigma, m."""
        assert self.laid.drains is not None
        table = self.laid.drains.openings
        usual = self.laid.found.site.reference.value("levels.dpc_sigma_m")
        columns = ("ring_key", "chainage_from_m", "chainage_to_m", "sill_level_m", "level_sigma_m")
        found: dict[str, list[tuple[tuple[float, float], str, float, float]]] = {}
        for name, key, a, b, level, sigma in zip(
            table.index, *(table[column].tolist() for column in columns), strict=True
        ):
            if level is not None and not math.isnan(level):
                own = usual if sigma is None or math.isnan(sigma) else float(sigma)
                found.setdefault(str(key), []).append(((float(a), float(b)), str(name), float(level), own))
        return found

    @cached_property
    def _spill(self) -> dict[str, Measured]:
        assert self.laid.drains is not None
        nodes = self.laid.drains.network.nodes
        rows = zip(nodes.index, nodes["spill_m"].tolist(), nodes["spill_sigma_m"].tolist(), strict=True)
        return {
            str(name): Measured(float(level), float(sigma))
            for name, level, sigma in rows
            if math.isfinite(level)
        }

    def lowest_above(self, run: str) -> tuple[Measured, list[str]]:
        """Return the lowest level at which water held in a run would leave above it; NaN if none is known."""
        if run not in self._above:
            assert self.laid.drains is not None
            spill = self._spill
            known = [
                (spill[name].value, name) for name in nodes_above(self.laid.drains, run) if name in spill
            ]
            lowest = min(known, default=(math.nan, ""))[1]
            self._above[run] = (
                (spill[lowest], [run, lowest]) if lowest else (Measured(math.nan, math.nan), [])
            )
        return self._above[run]

    def held(self, one: Wet, head: Measured, *, below: bool) -> tuple[str, str]:
        """Hold a level of water all along a stretch against its ways past the barrier."""
        key = one.stretch_id, head.value, head.sigma, below
        if key not in self._held:
            self._held[key] = self._hold(one, head, below=below)
        return self._held[key]

    def _hold(self, one: Wet, head: Measured, *, below: bool) -> tuple[str, str]:
        water = WallWater(
            node="", below_ground=below, head=head, pool_known=False, drowned=False, ring_key=one.ring_key,
            chainage_from_m=one.span[0], chainage_to_m=one.span[1], entries=(), tanks=(),
            verdict=Verdict(word=NOT_KNOWN, because="", settle="follow it"),
        )  # fmt: skip
        z = self.laid.found.site.reference.value("drains.rival_sigmas")
        ways = ways_along(self.laid.sections[one.ring_key], water, ring_m=one.ring_m, z=z)
        return ("", "") if ways is None else _crosses(one, ways)


def level_codes(laid: Laid, one: Wet, candidate: Candidate, levels: Levels) -> Iterator[Raised]:
    """Raise LEV+ or LEV- for one candidate; neither where a level is missing or within its error."""
    cause = candidate.cause
    spill = _spill_of(laid, candidate)
    if spill is not None:
        yield from _spilled(one, candidate, spill)
    elif cause in ("S02", "S05"):
        yield from _led(laid, one, candidate, levels)
    elif cause == "S19":
        yield from _next_door(laid, one, candidate)
    elif cause == "S08":
        yield from _lengths(one, candidate, laid.fabric.ground.get(one.ring_key, ()), "ground")
    elif cause == "S09":
        yield from _pools(laid, one, candidate, levels)
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
    if spill.ways is None:
        return
    word, said = _crosses(one, spill.ways, may_enter=spill.enters != NO)
    if word:
        yield _raised(word, one, candidate, spill.rests_on, f"{stands}; {said}")


def _crosses(one: Wet, ways: Ways, *, may_enter: bool = True) -> tuple[str, str]:
    """Say of the ways past the barrier along a stretch whether any is open or all are shut, or neither."""
    size = one.ring_m
    on = np.array(
        [overlaps(one.span, span, size) for span in zip(ways.from_m, ways.to_m, strict=True)], dtype=bool
    )
    if not on.any():
        return "", ""
    words = np.array([ways.word[way][on] for way in INTO])
    margins = np.array([ways.margin_mm[way][on] for way in INTO])
    open_ = words == YES
    if open_.any() and may_enter:
        k, i = _furthest(margins, open_)
        return "LEV+", f"{INTO[k]} here: {_said(ways, INTO[k], on, i)}"
    shut = np.isfinite(margins) & (words == NO)
    known = shut.any(axis=0)
    spans = [(float(a), float(b)) for a, b in zip(ways.from_m[on][known], ways.to_m[on][known], strict=True)]
    if (words != NO).any() or covered_m(one.span, spans, size) < LEAST * (one.span[1] - one.span[0]):
        return "", ""
    k, i = _furthest(margins, shut)
    return "LEV-", f"at most {INTO[k]}: {_said(ways, INTO[k], on, i)}"


def _led(laid: Laid, one: Wet, candidate: Candidate, levels: Levels) -> Iterator[Raised]:
    """Hold the water of a downpipe's foot, or of a leak of a run, against every way past the barrier here.

    From a foot it stands as high as the foot or its lowest open joint, and splashes higher: both have to be
    short of the barrier before levels speak against it. In a run that leaks it stands no higher than the
    lowest place above at which it would leave the drain; that bounds it, and shows nothing.
    """
    if not one.inside or one.ring_key not in laid.sections:
        return
    if candidate.cause == "S02":
        head, ids = levels.feet.get(candidate.of_id, Measured(math.nan, math.nan)), [candidate.of_id]
        over, below = laid.limit("splash_mm") / 1000.0, False
    else:
        (head, ids), over, below = levels.lowest_above(candidate.of_id), 0.0, True
    if math.isnan(head.value):
        return
    stands = f"water of {candidate.of_id} stands at {head.value:.3f} m"
    if not below and candidate.distance_m <= laid.limit("near_m"):
        word, said = levels.held(one, head, below=below)
        if word == "LEV+":
            yield _raised(word, one, candidate, ids, f"{stands}; {said}")
            return
    word, said = levels.held(one, head + Measured(over, 0.0), below=below)
    if word == "LEV-":
        more = f" and splashes {1000.0 * over:.0f} mm higher" if over else " at most"
        yield _raised(word, one, candidate, ids, f"{stands}{more}; {said}")


def _next_door(laid: Laid, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    """Hold the lowest place water could come in by from the neighbour's side against the course here."""
    record = next(
        (each for each in records_of(laid.found.site, "wall_feature") if each.id == candidate.of_id), None
    )
    if record is None or record.level_m is None or not one.inside or one.ring_key not in laid.sections:
        return
    section, ref = laid.sections[one.ring_key], laid.found.site.reference
    a, b = section["chainage_from_m"], section["chainage_to_m"]
    here = np.array([overlaps(one.span, (x, y), one.ring_m) for x, y in zip(a, b, strict=True)], dtype=bool)
    course = section["inner_dpc"].astype(float)[here]
    if not np.isfinite(course).all() or not len(course):
        return
    i = int(np.argmin(course))
    own = record.level_sigma_m or ref.value("levels.dpc_sigma_m")
    over = Measured(float(record.level_m), float(own)) - Measured(
        float(course[i]), float(section["inner_dpc_sigma"].astype(float)[here][i])
    )
    z = ref.value("drains.rival_sigmas")
    said = f"water could come in by {record.id} at {record.level_m:.3f} m, {1000.0 * over.value:+.0f} ±"
    said += f" {1000.0 * z * over.sigma:.0f} mm over the damp proof course here"
    if over.value > z * over.sigma:
        yield _raised("LEV+", one, candidate, [str(record.id)], said)
    elif -over.value > z * over.sigma:
        yield _raised("LEV-", one, candidate, [str(record.id)], said)


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


def _pools(laid: Laid, one: Wet, candidate: Candidate, levels: Levels) -> Iterator[Raised]:
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
    sills = _sills(levels, one)
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


def _sills(levels: Levels, one: Wet) -> list[tuple[str, float, float]]:
    """Return the openings on the wall of a stretch that have a level: name, level, sigma, m."""
    return [
        (name, level, sigma)
        for span, name, level, sigma in levels.sills.get(one.ring_key, ())
        if touches(one.span, span, one.ring_m)
    ]


def _groundwater(laid: Laid, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    """Hold the ground outside against the floor: water in the ground stands no higher than the ground.

    That clears it where the ground is low. High ground speaks for it only where it is known to be retained:
    how high the water in other ground stands its surface does not say.
    """
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
    if high.any() and candidate.of_id:
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
