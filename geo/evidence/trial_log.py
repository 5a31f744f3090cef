"""Every test made on site: what it is worth, and what it moved."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from geo.evidence.support import Support
from geo.evidence.support_board import TEST_NO, TEST_YES
from geo.findings.trials import JudgedTrial


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """A cause at a stretch that a test spoke for or against, and the word it has now."""

    stretch_id: str
    key: str
    short: str
    code: str
    word: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialRow:
    """One test.

    Parameters
    ----------
    verdict, because, settle
        What it is worth, why, and what would settle it where it is not known.
    litres, needs_l
        What was put in, and what it takes before silence counts; NaN where not known.
    share
        Of what it takes, how much was put in; NaN where not known.
    moved
        What it spoke for or against; empty where it moved nothing.
    lacks
        What a positive one lacks to prove its source.
    """

    trial_id: str
    trial_kind: str
    source_id: str
    verdict: str
    because: str
    settle: str
    litres: float
    needs_l: float
    moved: tuple[Moved, ...]
    lacks: tuple[str, ...]
    told: tuple[str, ...]

    @property
    def share(self) -> float:
        """Litres put in over litres it takes; NaN where not known."""
        return self.litres / self.needs_l if self.needs_l > 0 else math.nan


def trial_log(judged: Sequence[JudgedTrial], supports: Sequence[Support]) -> tuple[TrialRow, ...]:
    """Return every test with what it moved.

    Parameters
    ----------
    supports
        Every cause of every stretch.
    """
    moved: dict[str, list[Moved]] = {one.trial_id: [] for one in judged}
    for each in supports:
        for piece in (*each.speaks_for, *each.speaks_against):
            if piece.code not in (TEST_YES, TEST_NO):
                continue
            for name in piece.rests_on:
                if name in moved:
                    moved[name].append(
                        Moved(
                            stretch_id=each.candidate.stretch_id, key=each.key, short=each.short,
                            code=piece.code, word=each.word,
                        )
                    )  # fmt: skip
    return tuple(
        TrialRow(
            trial_id=one.trial_id, trial_kind=one.trial_kind, source_id=one.source_id,
            verdict=one.verdict.word, because=one.verdict.because, settle=one.verdict.settle,
            litres=one.litres.value, needs_l=one.needed.litres.value if one.needed else math.nan,
            moved=tuple(dict.fromkeys(moved[one.trial_id])), lacks=one.lacks, told=one.told,
        )
        for one in judged
    )  # fmt: skip
