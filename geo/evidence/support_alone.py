"""What a test that showed still lacks to prove one cause: that its water left nowhere else."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from geo.evidence.support_board import TEST_YES, Board
from geo.findings.trials import not_leaking, not_stopped
from geo.weights import SOURCE

BURIED = "S05"
BELOW = ("S04", BURIED, "S06")
"""Causes that are of the drain below what water is poured into."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """One test that showed a cause here, and what it lacks to prove it; empty when it lacks nothing."""

    trial_id: str
    lacks: tuple[str, ...]


class Alone:
    """What a test that showed still lacks to prove one cause: that its water left nowhere else."""

    def __init__(self, board: Board, passed: Mapping[str, frozenset[str]]) -> None:
        self.board, self.passed = board, passed
        self.sound, self.seen = board.has("SOUND"), board.has("SEEN")
        self.came_by: dict[tuple[str, str], list[int]] = defaultdict(list)
        self.below: dict[tuple[str, str], list[int]] = defaultdict(list)
        self.off: set[tuple[int, str]] = set()
        for place, candidate in enumerate(board.candidates):
            if candidate.cause in BELOW and candidate.of_id:
                self.below[candidate.stretch_id, candidate.of_id].append(place)
            for each in board.raised[place]:
                if each.code != TEST_YES:
                    continue
                for name in each.rests_on:
                    if board.weights.cause_of[candidate.cause].kind == SOURCE:
                        self.came_by[candidate.stretch_id, name].append(place)
                    if each.beside:
                        self.off.add((place, name))

    def proof(self, place: int, proof: Proof) -> Proof:
        """Return a proof with what it lacks to prove this cause alone.

        That a run was stopped is no rival of the stop in it, nor that it leaked of its leak.
        """
        candidate = self.board.candidates[place]
        own = (not_leaking if candidate.cause == BURIED else not_stopped)(candidate.of_id)
        lacks = tuple(each for each in proof.lacks if each != own)
        if (place, proof.trial_id) in self.off:
            lacks = (*lacks, "that it showed on this length itself, and not beside it")
        if self.board.weights.cause_of[self.board.candidates[place].cause].kind == SOURCE:
            lacks = (*lacks, *self._others(place, proof.trial_id))
        return proof if lacks == proof.lacks else Proof(trial_id=proof.trial_id, lacks=lacks)

    def _others(self, place: int, trial_id: str) -> tuple[str, ...]:
        """Say which others the water may have left by.

        Water that passed several things proves none of them, but the one left when all others were found
        sound. What was found sound itself is not proven by water that went through it; nor is what nobody saw
        to leak, while a drain below it that took the same water is not known to be sound. A leak of a run is
        not told from a stop in it by water that shows.
        """
        candidate, named = self.board.candidates[place], self._named
        if self.sound[place]:
            return ("where it leaks, for it was found sound: the water may have left below it",)
        stretch_id = candidate.stretch_id
        others = [at for at in self.came_by.get((stretch_id, trial_id), ()) if at != place]
        if found := named(at for at in others if not self.sound[at]):
            return (f"what tells it from {found}, which the same water passed",)
        if candidate.cause == BURIED:
            own = self.below.get((stretch_id, candidate.of_id), ())
            stop = named(at for at in own if at != place and not self.sound[at])
            return (f"what tells it from {stop}",) if stop else ()
        if self.seen[place]:
            return ()
        on = self.passed.get(trial_id, frozenset())
        left = named(
            at
            for of_id in sorted(on)
            for at in self.below.get((stretch_id, of_id), ())
            if at != place and not self.sound[at]
        )
        return (f"that it was seen to leak, or {left} told from it",) if left else ()

    def _named(self, places: Iterable[int]) -> str:
        cause_of, candidates = self.board.weights.cause_of, self.board.candidates
        found = [cause_of[candidates[at].cause].named(candidates[at].of_id) for at in places]
        return ", ".join(dict.fromkeys(found))
