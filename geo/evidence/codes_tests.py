"""TEST+ and TEST-: what tests on site showed at a stretch, or would have shown there and did not."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from geo.evidence.candidates_laid import Laid
from geo.evidence.candidates_sources import key_of, records_of
from geo.evidence.candidates_wet import Wet
from geo.evidence.codes_state import BAD, State
from geo.evidence.kinds import Candidate, Raised
from geo.evidence.reaches import touches, unwrapped
from geo.findings.meters import LOSES, NONE_SHOWN
from geo.findings.trial_needs import POURED
from geo.findings.trials import NEGATIVE, POSITIVE, POURED_KINDS, JudgedTrial

HIGH_M = 1.0
"""What shows higher than this over the ground came from above the foot of a downpipe."""
ON_IT_M = 0.10
"""A place taped no further than this from a stretch is on it."""
PLUGGED = {"leaks": "SEEN", "holds": "SOUND"}
SHEETS = {POSITIVE: "TEST+", NEGATIVE: "TEST-"}
MAINS = ("water_main", "stop_tap", "meter", "external_tap")
PLACED = ("reading", "sample", "opening_up", "drying_point", "salt", "environment")
ALONG = ("opening", "wall_feature", "sign", "cavity", "finish_zone", "unread_length", "foundation")


@dataclass(frozen=True, slots=True, kw_only=True)
class Poured:
    """One judged test, with where it showed and where its water went in.

    Parameters
    ----------
    sources
        Ids that stand for where the water went in: the record itself, and what it falls into.
    at
        Where it showed: ring, side and chainage; ``None`` where it did not, or no place was taken.
    shown_id
        Record it showed at.
    watched
        What was watched.
    """

    trial: JudgedTrial
    sources: tuple[str, ...]
    at: tuple[str, str, float] | None
    shown_id: str
    watched: tuple[str, ...]
    litres: float
    stops: Mapping[str, tuple[str, float]]
    height_m: float = math.nan
    is_downpipe: bool = False


def lay_out_tests(laid: Laid, judged: Sequence[JudgedTrial]) -> tuple[Poured, ...]:
    """Lay the judged tests out with their places."""
    site, placed = laid.found.site, laid.found.placed.get("trial")
    records = {record.id: record for record in records_of(site, "trial")}
    into = {
        record.id: str(record.into_id)
        for kind in ("fixture", "downpipe")
        for record in records_of(site, kind)
    }
    made = []
    for trial in judged:
        record = records.get(trial.trial_id)
        if record is None or record.stage != "as_found":
            continue  # what was tried after the works says nothing of what was found
        at = None
        if placed is not None and (trial.verdict.word == POSITIVE or trial.trial_kind == "sheet"):
            row = placed.loc[trial.trial_id]
            if row["status"] != "unjoined" and math.isfinite(row["chainage_m"]):
                at = (str(row["ring_key"]), str(row["side"]), float(row["chainage_m"]))
        sources, name = [trial.source_id], trial.source_id
        while into.get(name) and into[name] not in sources:
            name = into[name]
            sources.append(name)
        stops: dict[str, tuple[str, float]] = {}
        if trial.needed is not None and len(trial.needed.stops):
            table = trial.needed.stops
            stops = {
                str(key): (str(word), float(litres))
                for key, word, litres in zip(table.index, table["word"], table["litres"], strict=True)
            }
        made.append(
            Poured(
                trial=trial, sources=tuple(sources), at=at, shown_id=str(record.shown_id),
                watched=tuple(str(record.watched).replace(",", " ").split()),
                litres=trial.litres.value, stops=stops,
                is_downpipe=site.ids.get(trial.source_id) == "downpipe",
                height_m=math.nan if record.height_m is None else float(record.height_m),
            )
        )  # fmt: skip
    return tuple(made)


class Watch:
    """Which names stand for a place on the wall of a stretch."""

    def __init__(self, laid: Laid) -> None:
        self.laid = laid
        self.points: dict[str, tuple[str, float]] = {}
        for kind in PLACED:
            table = laid.found.placed.get(kind)
            if table is not None:
                for name, ring, at in zip(table.index, table["ring_key"], table["chainage_m"], strict=True):
                    if ring and math.isfinite(at):
                        self.points[str(name)] = (str(ring), float(at))
        key = key_of(laid.found.site)
        self.spans = {
            str(record.id): (key(record), float(record.chainage_from_m), float(record.chainage_to_m))
            for kind in ALONG
            for record in records_of(laid.found.site, kind)
        }

    def on(self, one: Wet, name: str) -> bool:
        """Whether a name stands for a place on the wall of a stretch: a record there, or its face."""
        if name in one.reading_ids:
            return True
        near = self.laid.limit("beside_m")
        if name in self.points:
            ring, at = self.points[name]
            return ring == one.ring_key and touches(one.span, (at, at), one.ring_m, near)
        if name in self.spans:
            ring, a, b = self.spans[name]
            return ring == one.ring_key and touches(one.span, unwrapped(a, b, one.ring_m), one.ring_m)
        ring, _, face = name.rpartition(":")
        return face in one.faces and (not ring or ring == one.ring_key)


def test_codes(
    one: Wet, candidate: Candidate, tests: Sequence[Poured], watch: Watch,
    states: Mapping[str, tuple[str, list[State]]],
) -> Iterator[Raised]:  # fmt: skip
    """Raise TEST+ and TEST- for one candidate of one stretch.

    A test that showed speaks for what its water was put into, and for a stopped run or soakaway below that
    only where the stop was seen and enough was poured to back up from it. One that did not show speaks
    against what it was big enough for, at a stretch that was watched.
    """
    for each in tests:
        word, kind = each.trial.verdict.word, each.trial.trial_kind
        if kind == "sheet":
            if candidate.cause == "S15" and word in SHEETS and _sealed_here(one, each, watch):
                said = f"test {each.trial.trial_id}, sealed sheet: {each.trial.verdict.because}"
                yield _raised(SHEETS[word], one, candidate, each, said)
        elif word == POSITIVE and _showed_here(one, candidate, each, watch):
            if _fed(candidate, each, states) or _passed(one, candidate, each):
                said = f"test {each.trial.trial_id}: {each.trial.verdict.because}"
                yield replace(
                    _raised("TEST+", one, candidate, each, said), beside=_only_beside(one, candidate, each)
                )
        elif word == NEGATIVE and _asked(candidate, each):
            seen = [name for name in each.watched if watch.on(one, name)]
            if seen or kind == "pressure":
                what = f", watched at {', '.join(seen)}" if seen else ""
                said = f"test {each.trial.trial_id} did not show here{what}: {each.trial.verdict.because}"
                yield _raised("TEST-", one, candidate, each, said)
        elif _plugged(candidate, each):
            said = f"test {each.trial.trial_id}, plugged: {each.trial.verdict.because}"
            yield _raised(PLUGGED[word], one, candidate, each, said)


def _sealed_here(one: Wet, each: Poured, watch: Watch) -> bool:
    """Whether a sheet was sealed to the face of a stretch: where it was placed, or what it lay over."""
    if each.at is None:
        return any(watch.on(one, name) for name in (*each.sources, each.shown_id, *each.watched) if name)
    ring, side, at = each.at
    near = watch.laid.limit("beside_m")
    return (ring, side) == (one.ring_key, one.side) and touches(one.span, (at, at), one.ring_m, near)


def _plugged(candidate: Candidate, each: Poured) -> bool:
    """Whether a test of a plugged run said of this run that it holds or leaks."""
    own = candidate.cause == "S05" and candidate.of_id in each.sources
    return own and each.trial.trial_kind == "plugged" and each.trial.verdict.word in PLUGGED


def _raised(code: str, one: Wet, candidate: Candidate, each: Poured, because: str) -> Raised:
    ids = tuple(dict.fromkeys([each.trial.trial_id, *each.trial.verdict.rests_on]))
    return Raised(
        code=code, stretch_id=one.stretch_id, candidate=candidate.key, rests_on=ids, because=because
    )


def _showed_here(one: Wet, candidate: Candidate, each: Poured, watch: Watch) -> bool:
    """Whether a test showed on a stretch, or where a level leads from there to it."""
    if each.trial.trial_kind == "pressure":
        return candidate.distance_m <= watch.laid.limit("near_m")
    if each.shown_id and watch.on(one, each.shown_id):
        return True
    if each.at is None:
        return False
    ring, side, at = each.at
    if ring != one.ring_key or (side == "outside") == one.inside:
        return False
    if touches(one.span, (at, at), one.ring_m, watch.laid.limit("beside_m")):
        return True
    reaches = [(reach.from_m, reach.to_m) for reach in candidate.reach if reach.basis == "levels"]
    return any(
        touches(span, (at, at), one.ring_m) and touches(span, one.span, one.ring_m) for span in reaches
    )


def _only_beside(one: Wet, candidate: Candidate, each: Poured) -> bool:
    """Whether the place a test showed at lies near a stretch only, with no level to lead from there to it."""
    if each.at is None or each.trial.trial_kind == "pressure":
        return False
    at = each.at[2]
    if touches(one.span, (at, at), one.ring_m, ON_IT_M):
        return False
    return not any(
        reach.basis == "levels" and touches((reach.from_m, reach.to_m), (at, at), one.ring_m)
        for reach in candidate.reach
    )


def _fed(candidate: Candidate, each: Poured, states: Mapping[str, tuple[str, list[State]]]) -> bool:
    """Whether the water of a test that showed came by a candidate."""
    if each.trial.trial_kind not in (*POURED_KINDS, "spray", "pressure"):
        return False
    if candidate.of_id and candidate.of_id in each.sources:
        return _from_above(candidate, each) if candidate.cause in ("S02", "S03") else True
    if candidate.cause in ("S04", "S05", "S06") and candidate.of_id in each.stops:
        kind, known = states.get(candidate.of_id, ("", []))
        bad = BAD[candidate.cause].get(kind, frozenset())
        if not any(state.word in bad and state.evidence == "seen" for state in known):
            return False
        word, litres = each.stops[candidate.of_id]
        return candidate.cause == "S05" or (word == POURED and each.litres >= litres)
    return False


def _from_above(candidate: Candidate, each: Poured) -> bool:
    """Whether what was poured into a downpipe came out where the cause is: at its foot, or high up.

    Which of the two is told by the height it showed at; without one it is taken to be the foot.
    """
    if candidate.cause == "S03" and not each.is_downpipe:
        return True
    high = each.height_m >= HIGH_M
    return high if candidate.cause == "S03" else not high


def _passed(one: Wet, candidate: Candidate, each: Poured) -> bool:
    """Whether water that showed at a floor edge or beside debris came by that floor or debris."""
    if each.trial.trial_kind not in POURED_KINDS or each.at is None or not candidate.of_id:
        return False
    side, at = each.at[1], each.at[2]
    here = any(touches((reach.from_m, reach.to_m), (at, at), one.ring_m) for reach in candidate.reach)
    return here and (
        (candidate.cause == "S11" and side == "floor") or (candidate.cause == "S12" and side == "cavity")
    )


def _asked(candidate: Candidate, each: Poured) -> bool:
    """Whether a test that did not show was one of this candidate."""
    kind = each.trial.trial_kind
    if kind not in (*POURED_KINDS, "spray", "pressure"):
        return False
    if candidate.of_id and candidate.of_id in each.sources:
        return True
    if candidate.cause in ("S04", "S06") and candidate.of_id in each.stops:
        return each.stops[candidate.of_id][0] == POURED
    return kind == "spray" and candidate.cause == "S13" and not candidate.of_id


def meter_codes(laid: Laid, one: Wet, candidate: Candidate) -> Iterator[Raised]:
    """Raise what two readings of the meter with everything off say of the mains: SEEN or TEST-."""
    if candidate.cause != "S14" or not candidate.of_id:
        return
    service = next((s for s in records_of(laid.found.site, "service") if s.id == candidate.of_id), None)
    if service is None or service.service_kind not in MAINS:
        return
    for each in laid.notes.meters:
        code = {LOSES: "SEEN", NONE_SHOWN: "TEST-"}.get(each.word)
        if code is not None:
            yield Raised(
                code=code, stretch_id=one.stretch_id, candidate=candidate.key, rests_on=each.ids,
                because=f"meter with everything off: {each.because}",
            )  # fmt: skip
