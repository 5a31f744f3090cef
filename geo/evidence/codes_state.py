"""SEEN and SOUND: a defect that was seen itself, and a thing properly examined and found sound."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from geo.evidence.candidates_fabric import NO, YES, Length
from geo.evidence.candidates_laid import Laid
from geo.evidence.candidates_sources import records_of
from geo.evidence.candidates_wet import Wet
from geo.evidence.codes_profile import along, on, samples_on, signs_on
from geo.evidence.kinds import Candidate, Raised
from geo.evidence.reaches import covered_m, overlaps
from geo.moisture.bases import BOTH, FREE, SALT
from geo.moisture.wetness import WET

BAD: Mapping[str, Mapping[str, frozenset[str]]] = {
    "S01": {
        "gully": frozenset(
            ("grating_blocked", "pot_blocked", "outlet_slow", "lip_broken", "surround_cracked", "loose",
             "discharge_misses", "removed")
        ),
        "fixture": frozenset(("drips_on_wall", "misses", "leaks", "joined_to_nothing", "blocked")),
    },
    "S02": {
        # A joint that leaks at a height nobody wrote down may be the one at its foot.
        "downpipe": frozenset(("foot_open", "foot_joined_to_nothing", "splashes", "cracked", "joint_leaks")),
        "fixture": frozenset(("drips_on_wall", "misses", "leaks", "running", "joined_to_nothing")),
    },
    "S03": {
        "downpipe": frozenset(("joint_leaks", "blocked", "split_behind")),
        "gutter": frozenset(("sags", "joint_leaks", "debris", "overshoots", "stop_end_lost")),
    },
    "S04": {"soakaway": frozenset(("slow", "silted", "collapsed", "standing_water", "root_bound"))},
    "S05": {"run": frozenset(("crack", "fracture", "open_joint", "displaced", "roots", "collapsed"))},
    "S06": {"run": frozenset(("slow", "blocked", "belly", "roots", "grease", "collapsed"))},
    "S07": {
        # Water that only stands in it is held by a stop below: that is the run's.
        "chamber": frozenset(("benching_broken", "wall_leaks", "surcharged", "scour")),
        "fixture": frozenset(("leaks", "running")),
    },
    "S13": {"wall_feature": frozenset(("cracked", "open", "missing", "blocked", "wet"))},
    "S14": {
        "service": frozenset(("loses",)),
        "fixture": frozenset(("drips_on_wall", "misses", "leaks", "running", "joined_to_nothing")),
    },
    "S17": {"wall_feature": frozenset(("wet", "present"))},
    "S18": {"wall_feature": frozenset(("wet", "present"))},
    "S19": {"wall_feature": frozenset(("cracked", "open", "missing", "blocked", "wet"))},
    "S20": {"wall_feature": frozenset(("cracked", "open", "missing", "blocked", "wet"))},
    "S21": {"wall_feature": frozenset(("present", "wet")), "finish_zone": frozenset(("foil_backed",))},
}  # fmt: skip
"""States that are a defect of the cause itself, by kind of record."""
GOOD = frozenset(("sound", "works", "tight"))
STANDS = ("standing_water", "surcharged")
CAMERA = ("camera",)
MOST = 0.9
"""Share of a stretch that has to be seen before it counts as seen along all of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """A state of one record, how it is known, and the record that says so."""

    word: str
    evidence: str
    by: str


def states_of(laid: Laid) -> dict[str, tuple[str, list[State]]]:
    """Return the kind of every record that has a state, and its states, the later ones besides."""
    site = laid.found.site
    made: dict[str, tuple[str, list[State]]] = {}
    kinds = (
        "gully",
        "downpipe",
        "fixture",
        "gutter",
        "soakaway",
        "chamber",
        "run",
        "service",
        "wall_feature",
    )
    for kind in kinds:
        for record in records_of(site, kind):
            known = "seen" if kind == "run" else str(record.evidence)
            made[record.id] = kind, [State(word=str(record.state), evidence=known, by=record.id)]
    for record in records_of(site, "finish_zone"):
        made[record.id] = (
            "finish_zone",
            [State(word=str(record.finish), evidence=str(record.evidence), by=record.id)],
        )
    for record in records_of(site, "asset_state"):
        if record.of_id in made:
            made[record.of_id][1].append(
                State(word=str(record.state), evidence=str(record.evidence), by=record.id)
            )
    return made


def state_codes(
    laid: Laid, one: Wet, candidate: Candidate, states: Mapping[str, tuple[str, list[State]]]
) -> Iterator[Raised]:
    """Raise SEEN or SOUND for one candidate of one stretch."""
    cause = candidate.cause
    if candidate.of_id in states and cause in BAD:
        yield from _recorded(laid, one, candidate, *states[candidate.of_id])
    if cause == "S06":
        yield from _held_above(laid, one, candidate, states)
    if cause == "S08":
        yield from _ground(laid, one, candidate)
    elif cause == "S09":
        yield from _falls(laid, one, candidate)
    elif cause == "S10":
        yield from _course(laid, one, candidate)
    elif cause in ("S11", "S12"):
        yield from _route(laid, one, candidate)
    elif cause == "S15":
        yield from _mould(laid, one, candidate)
    elif cause == "S16":
        yield from _salts(laid, one, candidate)
    elif cause == "S17":
        yield from _past(laid, one, candidate)
    elif cause == "S18":
        yield from _groundwater(laid, one, candidate)
    elif cause == "S21" and not candidate.of_id:
        yield from _confirmed(laid, one, candidate)


def _raised(code: str, one: Wet, candidate: Candidate, ids: Sequence[str], because: str) -> Raised:
    return Raised(
        code=code, stretch_id=one.stretch_id, candidate=candidate.key, because=because,
        rests_on=tuple(dict.fromkeys(name for name in ids if name))[:12],
    )  # fmt: skip


def _recorded(
    laid: Laid, one: Wet, candidate: Candidate, kind: str, known: Sequence[State]
) -> Iterator[Raised]:
    """Raise what the recorded states of a thing say of one cause."""
    word, site = laid.found.site.reference.word, laid.found.site
    bad = BAD[candidate.cause].get(kind, frozenset())
    wrong = [each for each in known if each.word in bad]
    seen = [each for each in wrong if each.evidence == "seen"]
    group = (
        "feature_state" if kind == "wall_feature" else "finish" if kind == "finish_zone" else f"{kind}_state"
    )
    if seen:
        said = ", ".join(dict.fromkeys(word(group, each.word) for each in seen))
        yield _raised(
            "SEEN", one, candidate, [each.by for each in seen], f"{candidate.of_id} was seen: {said}"
        )
        return
    if kind == "downpipe" and candidate.cause == "S02" and known[0].evidence == "seen":
        record = next(each for each in records_of(site, "downpipe") if each.id == candidate.of_id)
        if record.foot == "shoe_to_ground":
            said = f"{candidate.of_id} was seen to let its water out on the ground"
            yield _raised("SEEN", one, candidate, [candidate.of_id], said)
            return
    if wrong:
        return
    good = [each for each in known if each.evidence == "seen" and each.word in GOOD]
    if kind == "run":
        yield from _sound_run(laid, one, candidate, known)
    elif good and not any(each.word not in GOOD and each.evidence == "seen" for each in known[1:]):
        said = f"{candidate.of_id} was looked at: {word(group, good[0].word)}"
        yield _raised("SOUND", one, candidate, [each.by for each in good], said)


def _sound_run(laid: Laid, one: Wet, candidate: Candidate, known: Sequence[State]) -> Iterator[Raised]:
    """Raise SOUND for a run seen clear (no stop), or seen clear by camera (no crack either)."""
    record = next(each for each in records_of(laid.found.site, "run") if each.id == candidate.of_id)
    clear = [each for each in known if each.word == "clear" and each.evidence == "seen"]
    if not clear:
        return
    by_camera = record.from_evidence in CAMERA or record.to_evidence in CAMERA
    if candidate.cause == "S06":
        yield _raised("SOUND", one, candidate, [each.by for each in clear], f"{record.id} was found clear")
    elif by_camera:
        said = f"a camera passed {record.id}: clear, no crack or open joint"
        yield _raised("SOUND", one, candidate, [each.by for each in clear], said)


def _held_above(
    laid: Laid, one: Wet, candidate: Candidate, states: Mapping[str, tuple[str, list[State]]]
) -> Iterator[Raised]:
    """Raise SEEN for a run with water standing in the chamber above it, and none seen to stand below it.

    Below a run to a soakaway the standing water may as well be the soakaway's: nothing is raised then.
    """
    run = next((each for each in records_of(laid.found.site, "run") if each.id == candidate.of_id), None)
    if run is None or states.get(str(run.to_id), ("", []))[0] == "soakaway":
        return
    above, below = (_stands(states.get(str(end))) for end in (run.from_id, run.to_id))
    if above and not below:
        said = f"water was seen to stand in {run.from_id}, above {run.id}"
        yield _raised("SEEN", one, candidate, [above, str(run.from_id)], said)


def _stands(known: tuple[str, list[State]] | None) -> str:
    """Return the record by which water was seen to stand in a chamber, empty where it was not."""
    if known is None or known[0] != "chamber":
        return ""
    return next((each.by for each in known[1] if each.word in STANDS and each.evidence == "seen"), "")


def _share(one: Wet, lengths: Sequence[Length]) -> float:
    return covered_m(one.span, [each.span for each in lengths], one.ring_m) / max(
        one.span[1] - one.span[0], 1e-9
    )


def _here(one: Wet, lengths: Sequence[Length]) -> list[Length]:
    return [each for each in lengths if overlaps(one.span, each.span, one.ring_m)]


def _ids(lengths: Sequence[Length]) -> list[str]:
    return [name for each in lengths for name in each.rests_on]


def _ground(laid: Laid, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    here = _here(one, laid.fabric.ground.get(one.ring_key, ()))
    over = [each for each in here if each.word == YES]
    hidden = [
        each
        for each in _here(one, laid.fabric.courses.get((one.ring_key, "outer"), ()))
        + _here(one, laid.fabric.courses.get((one.ring_key, "solid"), ()))
        if each.of_id == "covered" and each.seen
    ]
    clear = [each for each in here if each.word == NO]
    if over:
        said = f"ground over the damp proof course: {over[0].said}"
        yield _raised("SEEN", one, candidate, _ids(over), said)
    elif hidden:
        yield _raised("SEEN", one, candidate, _ids(hidden), hidden[0].said)
    elif _share(one, clear) >= MOST:
        worst = max(clear, key=lambda each: each.margin_mm)
        yield _raised("SOUND", one, candidate, _ids(clear), f"all along it {worst.said}")


def _falls(laid: Laid, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    here = _here(one, laid.fabric.falls.get(one.ring_key, ()))
    pools = [each for each in _here(one, laid.fabric.ponds.get(one.ring_key, ())) if each.word == YES]
    toward, away = ([each for each in here if each.word == word] for word in (YES, NO))
    if toward or pools:
        first = (toward or pools)[0]
        yield _raised("SEEN", one, candidate, _ids([*toward, *pools]), first.said)
    elif _share(one, away) >= MOST:
        yield _raised("SOUND", one, candidate, _ids(away), f"all along it {away[0].said}")


def _course(laid: Laid, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    courses = laid.fabric.courses
    leaves = ("inner", "solid") if one.inside else ("outer", "solid")
    here = [each for leaf in leaves for each in _here(one, courses.get((one.ring_key, leaf), ()))]
    gone, whole = ([each for each in here if each.word == word] for word in (YES, NO))
    if gone:
        yield _raised("SEEN", one, candidate, _ids(gone), gone[0].said)
    elif _share(one, whole) >= MOST:
        yield _raised("SOUND", one, candidate, _ids(whole), f"all along it {whole[0].said}")


def _route(laid: Laid, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    """Floor, finish or debris over the course (SEEN), or looked at along all of it and not (SOUND)."""
    fabric = laid.fabric
    tables = (fabric.floors, fabric.finishes) if candidate.cause == "S11" else (fabric.debris,)
    here = [
        each
        for table in tables
        for each in _here(one, table.get(one.ring_key, ()))
        if each.of_id == candidate.of_id and each.seen
    ]
    over, clear = ([each for each in here if each.word == word] for word in (YES, NO))
    if candidate.cause == "S12" and not over and not clear:
        over = [each for each in here if _state(laid, each.of_id) == "debris"]
    if over:
        worst = max(over, key=lambda each: -math.inf if math.isnan(each.margin_mm) else each.margin_mm)
        yield _raised("SEEN", one, candidate, _ids(over), worst.said)
    elif clear and _share(one, clear) >= MOST:
        yield _raised("SOUND", one, candidate, _ids(clear), f"all along it {clear[0].said}")


def _state(laid: Laid, cavity_id: str) -> str:
    return next(
        (str(each.state) for each in records_of(laid.found.site, "cavity") if each.id == cavity_id), ""
    )


def _mould(laid: Laid, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    for record in signs_on(laid, one):
        if record.sign == "mould" and record.evidence == "seen":
            yield _raised("SEEN", one, candidate, [str(record.id)], "mould was seen on this surface")
            return


def _salts(laid: Laid, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    """MC no more than HMC wherever salts are (SEEN), or free water over HMC (SOUND), by the samples here."""
    own = samples_on(laid, one)
    for code, words, what in (
        ("SOUND", (FREE, BOTH), "free water shown"),
        ("SEEN", (SALT,), "held by salts"),
    ):
        found = [each for each in own if each.word in words]
        if found:
            said = ", ".join(each.because for each in found[:2])
            yield _raised(code, one, candidate, [each.sample_id for each in found], f"{what}: {said}")
            return


def _past(laid: Laid, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    """Raise a past wetting that is known: a flood of the house, or a leak of something beside the stretch."""
    if candidate.of_id:
        return
    i = laid.wet.index(one)
    near = {
        source.of_id
        for source, gap in zip(laid.sources, laid.apart[i], strict=True)
        if gap.distance_m <= laid.limit("near_m")
    }
    for record in records_of(laid.found.site, "event"):
        kind, of_id = record.event_kind, record.of_id
        if kind == "flood" or (kind == "leak" and of_id in near):
            said = f"{laid.found.site.reference.word('event_kind', kind)}, {record.began_at or 'no date'}"
            yield _raised("SEEN", one, candidate, [str(record.id), of_id], said)
            return


def _groundwater(laid: Laid, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    """Raise water seen in a hole in the ground or the floor beside a stretch."""
    if candidate.of_id:
        return
    for record in (each.record for each in along(one, laid.notes.holes, laid.limit("beside_m"))):
        if record.opening_up_kind in ("ground", "floor") and (record.water_depth_mm or 0) > 0:
            said = f"hole {record.id} beside or below: {record.water_depth_mm:g} mm of water"
            yield _raised("SEEN", one, candidate, [str(record.id)], said)
            return


def _confirmed(laid: Laid, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    """Something metal, foil or salts cannot mislead reads wet here too: the meter was not misled."""
    read = laid.read
    rows = on(laid, one, 0.0) & (read.side == one.side) & (read.wet == WET)
    rows &= np.isin(read.method, ("carbide", "gravimetric"))
    names = list(map(str, read.ids[rows]))
    free = [each.sample_id for each in samples_on(laid, one) if each.word in (FREE, BOTH)]
    if names or free:
        said = f"{len(names) + len(free)} drilled readings or samples show water here too"
        yield _raised("SOUND", one, candidate, [*names, *free], said)
