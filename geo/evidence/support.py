"""How far each cause of a wet stretch is supported: points by group, caps by logic, a word for it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geo.evidence.kinds import Candidate, Raised
from geo.weights import MIMIC, ROUTE, SOURCE, Weights

Numbers = NDArray[Any]
Flags = NDArray[np.bool_]

PROVEN, WELL, SUPPORTED, POSSIBLE = "proven", "well supported", "supported", "possible"
NOT_EXAMINED, OPEN, UNLIKELY = "possible, not examined", "open", "unlikely"
CONTRADICTED, EXCLUDED = "contradicted", "excluded"
WORDS = (PROVEN, WELL, SUPPORTED, POSSIBLE, NOT_EXAMINED, OPEN, UNLIKELY, CONTRADICTED, EXCLUDED)
"""Every word, the best supported first."""
HOLDS = (PROVEN, WELL, SUPPORTED)
NEAR = "NEAR"
TEST_YES, TEST_NO = "TEST+", "TEST-"
LEVEL_YES, LEVEL_NO = "LEV+", "LEV-"


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
class Proof:
    """One test that showed a cause here, and what it lacks to prove it; empty when it lacks nothing."""

    trial_id: str
    lacks: tuple[str, ...]


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
class Board:
    """Candidates and codes as a matrix.

    Parameters
    ----------
    candidates
        (n,) candidates.
    on
        (n, codes) whether each code was raised.
    rows
        (n,) rows of the points that hold for each.
    raised
        By candidate, every piece raised for it, by code.
    """

    candidates: tuple[Candidate, ...]
    on: Flags
    rows: NDArray[np.intp]
    raised: tuple[tuple[Raised, ...], ...]
    weights: Weights

    def flag(self, test: Callable[[Any], bool]) -> Flags:
        """Return for each candidate whether its cause passes a test."""
        causes = self.weights.cause_of
        known = {key: test(cause) for key, cause in causes.items()}
        return np.array([known[each.cause] for each in self.candidates], dtype=np.bool_)

    def has(self, code: str) -> Flags:
        """Return for each candidate whether a code was raised."""
        return np.asarray(self.on[:, self.weights.column_of[code]])


def lay_board(
    candidates: Sequence[Candidate],
    raised: Iterable[Raised],
    *,
    weights: Weights,
    record_of: Mapping[str, Any] | None = None,
    source_of: Mapping[str, str] | None = None,
) -> Board:
    """Lay candidates and what was raised for each out as a matrix.

    A code raised for a stretch counts for every candidate of it. A test that showed nothing does not count
    against the neighbour's side, unless water was put into that very thing.

    Parameters
    ----------
    record_of
        Records by id, for causes whose points depend on what a gully takes or a run carries.
    source_of
        By test, where its water was put in.
    """
    own: dict[tuple[str, str], list[Raised]] = defaultdict(list)
    for each in raised:
        own[each.stretch_id, each.candidate].append(each)
    column, known, sources = weights.column_of, record_of or {}, source_of or {}
    on = np.zeros((len(candidates), len(column)), dtype=np.bool_)
    rows = np.zeros(len(candidates), dtype=np.intp)
    pieces: list[tuple[Raised, ...]] = []
    for place, candidate in enumerate(candidates):
        rows[place] = weights.row(candidate.cause, known.get(candidate.of_id))
        found = [*own[candidate.stretch_id, ""], *own[candidate.stretch_id, candidate.key]]
        if not weights.cause_of[candidate.cause].own_tests:
            found = [each for each in found if not _from_here(each, candidate, sources)]
        on[place, [column[each.code] for each in found]] = True
        pieces.append(tuple(found))
    return Board(candidates=tuple(candidates), on=on, rows=rows, raised=tuple(pieces), weights=weights)


def _from_here(each: Raised, candidate: Candidate, sources: Mapping[str, str]) -> bool:
    """Whether a negative test was of one's own side rather than of the thing itself."""
    if each.code != TEST_NO:
        return False
    put_in = {sources.get(name, "") for name in each.rests_on} - {""}
    return not candidate.of_id or candidate.of_id not in put_in


def raw_points(board: Board, cube: Numbers | None = None) -> Numbers:
    """Add up the points of every candidate: in each group the largest plus and the largest minus.

    Parameters
    ----------
    cube
        (codes, rows, draws) points to use in place of those in force: many sets are added up at once.

    Returns
    -------
    (n,) points, or (n, draws).
    """
    weights = board.weights
    table = weights.points.T[:, :, None] if cube is None else cube
    shape = len(board.candidates), table.shape[2]
    total = np.zeros(shape, dtype=table.dtype)
    for block in weights.blocks:
        plus, minus = np.zeros(shape, dtype=table.dtype), np.zeros(shape, dtype=table.dtype)
        for code in range(block.start, block.stop):
            at = np.flatnonzero(board.on[:, code])
            if len(at):
                worth = table[code][board.rows[at]]
                plus[at] = np.maximum(plus[at], worth)
                minus[at] = np.minimum(minus[at], worth)
        total += plus
        total += minus
    return np.asarray(total[:, 0] if cube is None else total)


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
    # Near a spill nobody saw, or a party line nobody looked behind, is no look at the cause itself.
    near = board.has(NEAR) & board.flag(lambda cause: cause.predicted)
    examined = board.on[:, specific].sum(axis=1) > near
    rules = (
        ("test_negative", (TEST_NO,), board.has(TEST_NO) & board.flag(lambda cause: cause.kind != ROUTE)),
        ("sound", ("SOUND",), board.has("SOUND")),
        ("level_no", (LEVEL_NO,), board.has(LEVEL_NO) & board.flag(lambda cause: cause.by_level)),
        ("dry_core", ("DRYCORE",), board.has("DRYCORE") & board.flag(lambda cause: cause.liquid)),
        ("not_examined", (), ~examined),
    )
    return tuple(
        _Rule(name=name, codes=codes, applies=np.asarray(applies), most=number(f"caps.{name}"))
        for name, codes, applies in rules
    )


def capped(board: Board, raw: Numbers) -> Numbers:
    """Return points after the caps: (n,) or (n, draws), as they were given."""
    points = raw.copy()
    for rule in _rules(board):
        at = np.flatnonzero(rule.applies)
        points[at] = np.minimum(points[at], points.dtype.type(rule.most))
    return points


def weigh(board: Board, *, lacks: Mapping[str, tuple[str, ...]] | None = None) -> tuple[Support, ...]:
    """Weigh every candidate.

    Parameters
    ----------
    lacks
        By test of coloured water that showed: what it lacks to prove its source. A positive test that is
        not here supports, and proves nothing.
    """
    weights, proofs = board.weights, lacks or {}
    raw = raw_points(board)
    rules = _rules(board)
    worth = weights.points[board.rows]
    came_by, sound = _came_by(board), board.has("SOUND")
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
        if cause.kind == SOURCE:
            shown = tuple(_alone(board, place, proof, came_by, sound) for proof in shown)
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


def _came_by(board: Board) -> dict[tuple[str, str], list[int]]:
    """Return by stretch and test the sources whose water it may have been."""
    found: dict[tuple[str, str], list[int]] = defaultdict(list)
    for place, candidate in enumerate(board.candidates):
        if board.weights.cause_of[candidate.cause].kind == SOURCE:
            for each in board.raised[place]:
                if each.code == TEST_YES:
                    for name in each.rests_on:
                        found[candidate.stretch_id, name].append(place)
    return found


def _alone(
    board: Board, place: int, proof: Proof, came_by: Mapping[tuple[str, str], Sequence[int]], sound: Flags
) -> Proof:
    """Return a proof with what it lacks to prove this source alone.

    Water that passed several things proves none of them, but the one left when all others were found sound;
    and what was found sound itself is not proven by water that went through it.
    """
    if sound[place]:
        said = "where it leaks, for it was found sound: the water may have left below it"
        return Proof(trial_id=proof.trial_id, lacks=(*proof.lacks, said))
    candidate = board.candidates[place]
    others = dict.fromkeys(
        board.weights.cause_of[other.cause].named(other.of_id)
        for at in came_by.get((candidate.stretch_id, proof.trial_id), ())
        if at != place and not sound[at]
        for other in (board.candidates[at],)
    )
    if not others:
        return proof
    said = f"what tells it from {', '.join(others)}, which the same water passed"
    return Proof(trial_id=proof.trial_id, lacks=(*proof.lacks, said))


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
