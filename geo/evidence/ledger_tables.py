"""Parts of the ledger as tables for a page or a sheet."""

from __future__ import annotations

import math

import pandas as pd

from geo.evidence.ledger_kinds import Ledger, StretchLedger
from geo.evidence.trial_log import TrialRow
from geo.findings.trials import POSITIVE
from geo.reference import Reference

NOTHING = "–"
DECISIONS = ["when", "cause", "decided", "why", "by", "rests on", "record"]
TRIALS = [
    "test",
    "what",
    "at",
    "what it is worth",
    "poured",
    "what it moved",
    "because",
    "lacks",
    "next time",
]


def decisions_table(stretch: StretchLedger, *, ref: Reference) -> pd.DataFrame:
    """Return what people decided of the causes of a stretch, the latest first, as text."""
    names = {each.key: each.short for each in stretch.supports}
    rows = [
        [
            one.decided_at.replace("T", " ")[:16] or NOTHING,
            names.get(one.key, one.key),
            ref.word("hypothesis_state", one.state),
            one.reason,
            one.decided_by or NOTHING,
            ", ".join(one.because_ids) or NOTHING,
            one.id,
        ]
        for one in reversed(stretch.decisions)
    ]
    return pd.DataFrame(rows, columns=DECISIONS)


def trials_of(ledger: Ledger, *, ref: Reference) -> pd.DataFrame:
    """Return every test, what it is worth and what it moved, as text."""
    rows = [
        [
            row.trial_id,
            ref.word("trial_kind", row.trial_kind),
            row.source_id,
            row.verdict,
            poured(row),
            moved(row),
            row.because,
            ", ".join(row.lacks) or NOTHING,
            row.settle or NOTHING,
        ]
        for row in ledger.trials
    ]
    return pd.DataFrame(rows, columns=TRIALS)


def poured(row: TrialRow) -> str:
    """Return litres poured against litres it takes, in words."""
    if math.isfinite(row.litres) and math.isfinite(row.needs_l) and row.verdict != POSITIVE:
        if row.share < 1:
            return f"{row.litres:.0f} l of the {row.needs_l:.0f} l before it can show"
        return f"{row.litres:.0f} l; it can show from {row.needs_l:.0f} l"
    return f"{row.litres:.0f} l" if math.isfinite(row.litres) else NOTHING


def moved(row: TrialRow) -> str:
    """Return the causes a test spoke for or against, with the word each has now."""
    if not row.moved:
        return "nothing"
    return "; ".join(f"{one.short} at {one.stretch_id}: now {one.word}" for one in row.moved)
