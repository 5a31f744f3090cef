"""NEAR, FAR, DOWN, UP: where a source lies to the peak, by path and by the fall of the ground."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from geo.evidence.candidates_laid import Apart, Laid
from geo.evidence.candidates_sources import STEP_M, Source
from geo.evidence.candidates_wet import Wet
from geo.evidence.kinds import Candidate, Raised
from geo.evidence.reaches import touches
from geo.verdict import Measured

AWAY_FROM_PLACE = ("S10", "S11", "S12", "S15", "S16", "S17", "S18", "S21")
"""Causes for which distance says nothing."""
TOUCH_M, TOUCH_ALONG_M = 0.01, 0.10
LINES = ("run", "service")
BY_GROUND = ("S01", "S02", "S04", "S05", "S06", "S07")


def position_codes(laid: Laid, i: int, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    """Raise what the place of one candidate says of one stretch."""
    distance = candidate.distance_m
    if candidate.cause in AWAY_FROM_PLACE or math.isnan(distance):
        return
    near, far = laid.limit("near_m"), laid.limit("far_m")
    what = "its peak" if one.peak[0] == one.peak[1] else "its plateau"
    if distance <= near and _beside(laid, i, candidate):
        said = f"{distance:.1f} m by path from {what}, within {near:g} m"
        yield _raised("NEAR", one, candidate, said)
    elif distance > far and not _another_way(laid, one, candidate):
        said = (
            f"{distance:.1f} m by path from {what}, over {far:g} m, and no cavity, slab or level leads there"
        )
        if not math.isfinite(distance):
            if candidate.cause in ("S08", "S09") and not _known_here(laid, one, candidate.cause):
                return
            said = f"nowhere along this wall by what was levelled, so not at {what}"
        yield _raised("FAR", one, candidate, said)
    if candidate.cause in BY_GROUND:
        yield from _fall(laid, i, one, candidate)


def _beside(laid: Laid, i: int, candidate: Candidate) -> bool:
    """Whether what lies along the wall lies at the peak itself; what stands at one place needs not."""
    source, gap = _source(laid, i, candidate)
    if source is None or gap is None or not source.along:
        return True
    first, last = laid.wet[i].peak
    return max(first - gap.at_m, gap.at_m - last) <= (STEP_M / 2.0 if source.kind in LINES else TOUCH_ALONG_M)


def _raised(code: str, one: Wet, candidate: Candidate, because: str) -> Raised:
    ids = tuple(dict.fromkeys([*candidate.path_ids, *_peak_ids(one)]))
    return Raised(
        code=code, stretch_id=one.stretch_id, candidate=candidate.key, rests_on=ids, because=because
    )


def _peak_ids(one: Wet) -> tuple[str, ...]:
    """Return the readings a peak rests on: those of the stretch, where there are few."""
    return one.reading_ids[:12]


def _known_here(laid: Laid, one: Wet, cause: str) -> bool:
    """Whether the ground beside a stretch was levelled well enough to say what it does."""
    lengths = laid.fabric.ground if cause == "S08" else laid.fabric.falls
    own = [each for each in lengths.get(one.ring_key, ()) if touches(one.span, each.span, one.ring_m)]
    return bool(own) and all(each.word != "not known" for each in own)


def _another_way(laid: Laid, one: Wet, candidate: Candidate) -> bool:
    """Whether a level, a cavity or a slab leads from a source to a stretch however far it is."""
    for reach in candidate.reach:
        if reach.basis == "levels" and touches(one.span, (reach.from_m, reach.to_m), one.ring_m):
            return True
    if not one.inside or candidate.cause in ("S03", "S13", "S19", "S20"):
        return False
    place = laid.place_of.get((candidate.cause, candidate.of_id, one.ring_key))
    if place is None:
        return False
    source = laid.sources[place]
    if source.indoors:
        floors = laid.fabric.floors.get(one.ring_key, ())
        return any(touches(one.span, each.span, one.ring_m) for each in floors)
    return any(
        touches(span, one.span, one.ring_m)
        and any(touches(span, tuple(part), one.ring_m) for part in source.at)
        for span in _cavities(laid, one.ring_key)
    )


def _cavities(laid: Laid, ring_key: str) -> list[tuple[float, float]]:
    """Return lengths of cavity that were looked into and run on from one to the next without a dam."""
    open_ = {
        str(each.record.id)
        for each in laid.notes.cavities
        if each.ring_key == ring_key and each.record.state not in ("closed", "no_cavity")
    }
    spans: list[tuple[float, float]] = []
    for each in sorted(laid.fabric.debris.get(ring_key, ()), key=lambda length: length.span):
        if not each.seen or each.of_id not in open_ or each.word == "yes":
            continue
        if spans and each.span[0] <= spans[-1][1] + TOUCH_M:
            spans[-1] = spans[-1][0], max(spans[-1][1], each.span[1])
        else:
            spans.append(each.span)
    return spans


def ground_at(laid: Laid, ring_key: str, at_m: float) -> Measured:
    """Return the ground against the wall at a chainage, m, straight between the levels either side of it.

    NaN where there is none within reach on one side; never surer than the less sure of the two.
    """
    nothing = Measured(math.nan, math.nan)
    line = laid.grounds.get(ring_key)
    if line is None:
        return nothing
    at, level, sigma, ring_m = line
    place = at_m % ring_m
    after = int(np.searchsorted(at, place)) % len(at)
    before = after - 1
    back, ahead = (place - at[before]) % ring_m, (at[after] - place) % ring_m
    if back + ahead > 2.0 * laid.found.site.reference.value("ground.level_reach_m"):
        return nothing
    share = back / (back + ahead) if back + ahead > 0 else 0.0
    value = level[before] * (1.0 - share) + level[after] * share
    return Measured(float(value), float(max(sigma[before], sigma[after])))


def _fall(laid: Laid, i: int, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    """Raise DOWN or UP where the ground at the peak is surely lower or higher than at the source."""
    at = _chainage(laid, i, candidate)
    middle = (one.peak[0] + one.peak[1]) / 2.0
    if math.isnan(at):
        return
    nearest = min(max(at, one.peak[0]), one.peak[1])
    if abs(nearest - at) < laid.limit("downhill_m"):
        return
    z = laid.found.site.reference.value("drains.rival_sigmas")
    here = ground_at(laid, one.ring_key, at)
    drop = here - ground_at(laid, one.ring_key, middle)
    if drop.value > z * drop.sigma and candidate.distance_m <= laid.limit("far_m"):
        said = f"the ground at the peak lies {1000 * drop.value:.0f} ± {1000 * z * drop.sigma:.0f} mm lower"
        yield _raised("DOWN", one, candidate, said)
        return
    rises = [ground_at(laid, one.ring_key, end) - here for end in (*one.span, middle)]
    if all(rise.value > z * rise.sigma for rise in rises) and not _another_way(laid, one, candidate):
        least = min(rises, key=lambda rise: rise.value)
        said = f"all of it lies uphill, {1000 * least.value:.0f} ± {1000 * z * least.sigma:.0f} mm or more"
        yield _raised("UP", one, candidate, said)


def _chainage(laid: Laid, i: int, candidate: Candidate) -> float:
    """Return the chainage a candidate's water starts from, on the copy of the ring nearest the stretch."""
    if candidate.cause in ("S04", "S06"):
        return laid.spilled[candidate.of_id][i].at_m if candidate.of_id in laid.spilled else math.nan
    _, gap = _source(laid, i, candidate)
    return math.nan if gap is None else gap.at_m


def _source(laid: Laid, i: int, candidate: Candidate) -> tuple[Source | None, Apart | None]:
    """Return the source a candidate stands for on the wall of a stretch, and how far it is from its peak."""
    place = laid.place_of.get((candidate.cause, candidate.of_id, laid.wet[i].ring_key))
    return (None, None) if place is None else (laid.sources[place], laid.apart[i][place])
