"""How far each cause of a wet stretch is supported: points by group, caps by logic, a word for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from geo.evidence.kinds import Candidate, Raised
from geo.evidence.support_alone import Alone, Proof
from geo.evidence.support_board import (
    FAR,
    LEVEL_NO,
    LEVEL_YES,
    NEAR,
    TEST_NO,
    TEST_YES,
    UPHILL,
    Board,
    Flags,
    Numbers,
    raw_points,
)
from geo.weights import MIMIC, ROUTE, SOURCE, Weights

PROVEN, WELL, SUPPORTED, POSSIBLE = "proven", "well supported", "supported", "possible"
NOT_EXAMINED, OPEN, UNLIKELY = "possible, not examined", "open", "unlikely"
CONTRADICTED, EXCLUDED = "contradicted", "excluded"
WORDS = (PROVEN, WELL, SUPPORTED, POSSIBLE, NOT_EXAMINED, OPEN, UNLIKELY, CONTRADICTED, EXCLUDED)
"""Every word, the best supported first."""
HOLDS = (PROVEN, WELL, SUPPORTED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One piece of evidence for or against a cause.

    Parameters
    ----------
    points
        What its code is worth to this cause.
    counted
        Whether it is the largest of its group, and so was added.
    """

    code: str
    label: str
    group: str
    points: float
    counted: bool
    because: str
    rests_on: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cap:
    """A cap that applies to a cause: at most so many points, and why; ``bites`` where it lowered them."""

    name: str
    most: float
    because: str
    bites: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Support:
    """How far one cause of one stretch is supported.

    Parameters
    ----------
    candidate
        The cause and what it stands for.
    kind, name, short
        ``source``, ``route`` or ``mimic``; the cause in words, and as it is named in a sentence.
    raw, points
        Points before and after the caps. Judgement, not probability.
    word
        One of :data:`WORDS`.
    caps
        In the order they were applied.
    speaks_for, speaks_against
        Largest first; what counted before what did not.
    beside
        Raised, and of no bearing on this cause.
    proofs
        Tests that showed it here.
    told
        What one should know beside the word.
    """

    candidate: Candidate
    kind: str
    name: str
    short: str
    raw: float
    points: float
    word: str
    caps: tuple[Cap, ...] = ()
    speaks_for: tuple[Evidence, ...] = ()
    speaks_against: tuple[Evidence, ...] = ()
    beside: tuple[Evidence, ...] = ()
    proofs: tuple[Proof, ...] = ()
    told: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        """Its name at its stretch, as ``S01:G1``."""
        return self.candidate.key

    @property
    def codes(self) -> frozenset[str]:
        """Every code that was raised for it."""
        return frozenset(each.code for each in (*self.speaks_for, *self.speaks_against, *self.beside))

    @property
    def holds(self) -> bool:
        """Whether it is supported or better."""
        return self.word in HOLDS

    @property
    def rests_on(self) -> tuple[str, ...]:
        """Every record it rests on, once."""
        every = (*self.speaks_for, *self.speaks_against)
        return tuple(dict.fromkeys(name for each in every for name in each.rests_on))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Rule:
    """One cap: for which candidates it holds, and the most they may have."""

    name: str
    codes: tuple[str, ...]
    applies: Flags
    most: float


def _rules(board: Board) -> tuple[_Rule, ...]:
    """Return the caps in the order they are applied."""
    number = board.weights.number
    specific = [place for place, code in enumerate(board.weights.codes) if code.specific]
    # Near a spill nobody saw, a run nobody traced, or a party line nobody looked behind, is no look at it.
    supposed = np.array([each.supposed for each in board.candidates], dtype=np.bool_)
    near = board.has(NEAR) & (board.flag(lambda cause: cause.predicted) | supposed)
    examined = board.on[:, specific].sum(axis=1) > near
    shown = board.has(TEST_YES) | board.has(LEVEL_YES)
    rules = (
        ("test_negative", (TEST_NO,), board.has(TEST_NO) & board.flag(lambda cause: cause.kind != ROUTE)),
        ("sound", ("SOUND",), board.has("SOUND")),
        ("level_no", (LEVEL_NO,), board.has(LEVEL_NO) & board.flag(lambda cause: cause.by_level)),
        ("no_path", (FAR, UPHILL), _out_of_reach(board)),
        ("far", (FAR,), board.has(FAR) & ~shown & ~board.flag(lambda cause: cause.predicted)),
        ("dry_core", ("DRYCORE",), board.has("DRYCORE") & board.flag(lambda cause: cause.liquid)),
        ("not_examined", (), ~examined),
    )
    return tuple(
        _Rule(name=name, codes=codes, applies=np.asarray(applies), most=number(f"caps.{name}"))
        for name, codes, applies in rules
    )


def _out_of_reach(board: Board) -> Flags:
    """Return whether water has no way to a stretch: it lies uphill, and too far to be soaked."""
    over_ground = board.flag(lambda cause: cause.over_ground)
    away = board.has(FAR) | (over_ground & ~board.has(NEAR))
    return np.asarray(board.has(UPHILL) & away)


def capped(board: Board, raw: Numbers) -> Numbers:
    """Return points after the caps: (n,) or (n, draws), as they were given."""
    points = raw.copy()
    for rule in _rules(board):
        at = np.flatnonzero(rule.applies)
        points[at] = np.minimum(points[at], points.dtype.type(rule.most))
    return points


def weigh(
    board: Board,
    *,
    lacks: Mapping[str, tuple[str, ...]] | None = None,
    passed: Mapping[str, frozenset[str]] | None = None,
) -> tuple[Support, ...]:
    """Weigh every candidate.

    Parameters
    ----------
    lacks
        By test of coloured water that showed: what it lacks to prove its source. A positive test that is
        not here supports, and proves nothing.
    passed
        By test, the runs and soakaways below that its water went on to.
    """
    weights, proofs = board.weights, lacks or {}
    raw = raw_points(board)
    rules = _rules(board)
    worth = weights.points[board.rows]
    alone = Alone(board, passed or {})
    found = []
    for place, candidate in enumerate(board.candidates):
        cause = weights.cause_of[candidate.cause]
        pieces = _pieces(board, place, worth[place])
        own = tuple(rule for rule in rules if rule.applies[place])
        points, caps = float(raw[place]), []
        for rule in own:
            caps.append(
                Cap(
                    name=rule.name, most=rule.most, because=_cap_said(rule, pieces, weights),
                    bites=rule.most < points,
                )
            )  # fmt: skip
            points = min(points, rule.most)
        shown = _proofs(board.raised[place], proofs)
        if cause.kind != MIMIC:
            shown = tuple(alone.proof(place, proof) for proof in shown)
        proven = any(not proof.lacks for proof in shown)
        codes = frozenset(each.code for each in pieces)
        examined = all(rule.name != "not_examined" for rule in own)
        found.append(
            Support(
                candidate=candidate, kind=cause.kind, name=cause.name,
                short=cause.named(candidate.of_id), raw=float(raw[place]), points=points,
                word=_word(points, codes, proven=proven, examined=examined, weights=weights),
                caps=tuple(caps),
                speaks_for=tuple(each for each in pieces if each.points > 0),
                speaks_against=tuple(each for each in pieces if each.points < 0),
                beside=tuple(each for each in pieces if each.points == 0),
                proofs=shown, told=_told(cause.kind, codes, shown, proven=proven, stops=candidate.stops),
            )
        )  # fmt: skip
    return tuple(found)


def _pieces(board: Board, place: int, worth: Numbers) -> list[Evidence]:
    """Return the evidence of one candidate, what counted first, largest first."""
    weights, column = board.weights, board.weights.column_of
    top: dict[tuple[str, bool], tuple[float, str]] = {}
    for code in dict.fromkeys(each.code for each in board.raised[place]):
        value = float(worth[column[code]])
        group = weights.codes[column[code]].group
        if value and abs(value) > top.get((group, value > 0), (0.0, ""))[0]:
            top[group, value > 0] = abs(value), code
    counts = {code for _, code in top.values()}
    found = [
        Evidence(
            code=each.code, label=code.label, group=code.group, points=float(worth[column[each.code]]),
            counted=each.code in counts, because=each.because, rests_on=each.rests_on,
        )
        for each in board.raised[place]
        for code in (weights.codes[column[each.code]],)
    ]  # fmt: skip
    return sorted(found, key=lambda each: (not each.counted, -abs(each.points)))


def _cap_said(rule: _Rule, pieces: Sequence[Evidence], weights: Weights) -> str:
    """Say why a cap holds, with what raised its code."""
    why = weights.limit(f"caps.{rule.name}").source
    own = next((each.because for each in pieces if each.code in rule.codes and each.because), "")
    return f"{why} ({own.rstrip('.')})" if own else why


def _proofs(raised: Sequence[Raised], lacks: Mapping[str, tuple[str, ...]]) -> tuple[Proof, ...]:
    tests = dict.fromkeys(
        name for each in raised if each.code == TEST_YES for name in each.rests_on if name in lacks
    )
    return tuple(Proof(trial_id=name, lacks=lacks[name]) for name in tests)


def _word(points: float, codes: frozenset[str], *, proven: bool, examined: bool, weights: Weights) -> str:
    """Return the word for so many points."""
    bound = weights.number
    if proven:
        return PROVEN
    if {"SOUND", TEST_NO} <= codes and TEST_YES not in codes:
        return EXCLUDED
    if points <= bound("words.contradicted"):
        return CONTRADICTED
    if points <= bound("words.unlikely"):
        return UNLIKELY
    if points < bound("words.possible"):
        return OPEN
    if not examined:
        return NOT_EXAMINED
    if points < bound("words.supported"):
        return POSSIBLE
    return SUPPORTED if points < bound("words.well_supported") else WELL


def _told(
    kind: str, codes: frozenset[str], shown: tuple[Proof, ...], *, proven: bool, stops: str
) -> tuple[str, ...]:
    """Return what one should know beside the word."""
    told = []
    if TEST_NO in codes and "SEEN" in codes and kind == SOURCE and not proven:
        told.append("A defect to mend, not shown to feed this stretch.")
    against = [
        said
        for code, said in (
            (TEST_NO, "a test that was big enough did not"),
            ("SOUND", "it was found sound"),
            (LEVEL_NO, "levels say it cannot cross here"),
        )
        if code in codes
    ]
    if TEST_YES in codes and against:
        told.append(f"A test showed it here, and {' and '.join(against)}: find out which is wrong.")
    if shown and not proven:
        best = min(shown, key=lambda proof: len(proof.lacks))
        told.append(f"Not proven: test {best.trial_id} lacks {', '.join(best.lacks)}.")
    elif TEST_YES in codes and not shown and kind != MIMIC:
        told.append("Not proven: only coloured water, timed, photographed before and alone, proves.")
    if stops:
        told.append(stops if stops.endswith(".") else f"{stops}.")
    return tuple(told)
