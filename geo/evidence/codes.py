"""What speaks for and against each candidate: the codes raised from the records, each with its reason."""

from __future__ import annotations

from collections.abc import Iterator

from geo.evidence.candidates_laid import lay_out_evidence
from geo.evidence.codes_chemistry import Air, air_codes, core_codes, salt_codes
from geo.evidence.codes_levels import Levels, level_codes
from geo.evidence.codes_position import position_codes
from geo.evidence.codes_profile import profile_codes
from geo.evidence.codes_state import state_codes, states_of
from geo.evidence.codes_tests import Watch, lay_out_tests, meter_codes, test_codes
from geo.evidence.codes_time import repeated_series, series_codes, sign_codes
from geo.evidence.kinds import Candidate, Raised
from geo.findings.drain_answer import Drains
from geo.findings.examine import Findings
from geo.findings.trials import JudgedTrial


def raise_codes(
    found: Findings,
    drains: Drains | None,
    judged: tuple[JudgedTrial, ...],
    candidates: tuple[Candidate, ...],
) -> tuple[Raised, ...]:
    """Raise the evidence for and against every candidate.

    A code whose data are missing is absent. What the readings of a stretch show holds for every candidate of
    it and has no candidate; the rest holds for one. Where several methods were used at one place each speaks
    for itself: their values are never held against each other. Levels and distances use their errors: within
    ``drains.rival_sigmas`` neither LEV+ nor LEV- is raised.

    Parameters
    ----------
    drains
        As for :func:`geo.evidence.candidates.candidates_of`, the same one.
    judged
        The tests of the site (:func:`geo.findings.trials.judge_trials`).
    candidates
        Those of :func:`geo.evidence.candidates.candidates_of`; others at the same stretches are judged too.

    Returns
    -------
    In order of stretch and candidate, those of every candidate first; no two the same.
    """
    if not candidates:
        return ()
    laid = lay_out_evidence(found, drains)
    by_stretch: dict[str, list[Candidate]] = {}
    for candidate in candidates:
        by_stretch.setdefault(candidate.stretch_id, []).append(candidate)
    series, air, states = repeated_series(laid), Air(laid), states_of(laid)
    tests, watch, levels = lay_out_tests(laid, judged), Watch(laid), Levels(laid)
    made: dict[tuple[str, str, str, str], Raised] = {}

    def every() -> Iterator[Raised]:
        for i, one in enumerate(laid.wet):
            own = by_stretch.get(one.stretch_id, [])
            if not own:
                continue
            yield from profile_codes(laid, one)
            yield from sign_codes(laid, one)
            yield from series_codes(laid, one, series)
            yield from salt_codes(laid, one)
            yield from core_codes(laid, one)
            yield from air_codes(laid, one, air)
            for candidate in own:
                yield from position_codes(laid, i, one, candidate)
                yield from state_codes(laid, one, candidate, states)
                yield from level_codes(laid, one, candidate, levels)
                yield from test_codes(one, candidate, tests, watch, states)
                yield from meter_codes(laid, one, candidate)

    for raised in every():
        made.setdefault((raised.code, raised.stretch_id, raised.candidate, raised.because), raised)
    return tuple(made.values())
