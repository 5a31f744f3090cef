"""Candidates and what was raised for each, laid out as a matrix, and their points added up by group."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geo.evidence.kinds import Candidate, Raised
from geo.weights import Weights

Numbers = NDArray[Any]
Flags = NDArray[np.bool_]
NEAR, FAR, UPHILL = "NEAR", "FAR", "UP"
TEST_YES, TEST_NO = "TEST+", "TEST-"
LEVEL_YES, LEVEL_NO = "LEV+", "LEV-"


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

    A code raised for a stretch counts for every candidate of it; one noticed to go with some record speaks
    for no other. A test that showed nothing does not count against the neighbour's side, unless water was
    put into that very thing.

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
        if any(each.goes_with for each in found):
            worth = weights.points[rows[place]]
            found = [
                each for each in found if not (_of_another(each, candidate) and worth[column[each.code]] > 0)
            ]
        on[place, [column[each.code] for each in found]] = True
        pieces.append(tuple(found))
    return Board(candidates=tuple(candidates), on=on, rows=rows, raised=tuple(pieces), weights=weights)


def _of_another(each: Raised, candidate: Candidate) -> bool:
    """Whether something was noticed to go with other records than the one a candidate stands for."""
    return bool(each.goes_with and candidate.of_id) and candidate.of_id not in each.goes_with


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
