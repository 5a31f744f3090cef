"""What was found about drains in lines and rows for a person."""

from __future__ import annotations

import math
from collections.abc import Sequence

from geo.crossings import WAYS
from geo.drains.faults import RULES
from geo.findings.drain_answer import DrainAnswer, DrainFindings

NAN = math.nan


def drain_lines(found: DrainFindings) -> list[str]:
    """Return what was found as lines of text for a terminal: faults, every blockage, the answer."""
    lines = [f"Faults: {len(found.faults) or 'none found'}"]
    lines += _columns([(RULES[f.rule], f.verdict.word, f.said) for f in found.faults])
    lines += ["", "Every single blockage, water coming from just above it:"]
    names = ("blocked", "whose", "word", "first", "over", "level m", "litres")
    head = [(*names, "could equally be, or rests on")]
    rows = [
        (
            str(name), found.drains.whose(str(name)) or "-", str(row["word"]),
            str(row["first"]) or "-", str(row["leaves"]) or "-",
            _said(row["level_m"], ".3f"), _said(row["litres"], ".1f"),
            ", ".join((*row["rivals"], *row["decides"])),
        )
        for name, row in found.every.iterrows()
    ]  # fmt: skip
    lines += _columns(head + rows)
    if len(found.drains.sewer):
        lines += ["", "The water outside, as high as it has stood:"]
        outside = [
            (str(row["outfall"]), str(row["word"]), str(row["node"]) or "-", str(row["because"]))
            for row in found.drains.sewer.to_dict("records")
        ]
        lines += _columns([("at", "word", "comes up at", "because"), *outside])
    if found.answer is not None:
        lines += ["", *_answer_lines(found.answer)]
    return lines


def _answer_lines(answer: DrainAnswer) -> list[str]:
    put = answer.inflow.said if answer.inflow is not None else "water"
    at = "" if answer.at_m is None else f" at {answer.at_m:g} m"
    stop = f"{answer.blocked} blocked{at}" if answer.blocked else "nothing blocked"
    stop += ", the water outside as high as it has stood" if answer.surcharged else ""
    lines = [f"{stop}; {put} put in at {answer.source}"]
    return lines + _columns(answer_facts(answer))


def answer_facts(answer: DrainAnswer) -> list[tuple[str, str, str]]:
    """Return an answer as rows for a person: what is asked, the word, and why."""
    result = answer.result
    facts = [("first spill", result.verdict.word, result.verdict.because)]
    if math.isfinite(result.minutes):
        facts.append(("until then", f"{result.minutes:.1f} min", ""))
    elif math.isinf(result.minutes):
        facts.append(("until then", "never", f"what passes the stop, {result.passes_l_s:g} l/s, keeps up"))
    for whose in dict.fromkeys(whose for _, whose in answer.owners):
        runs = [run for run, own in answer.owners if own == whose]
        facts.append(("whose it is", whose, ", ".join(runs)))
    facts += [("then", s.node, f"over its {s.leaves} at {s.level_m:.3f} m") for s in result.spills[1:]]
    facts += [("on the ground", ground.word, ground.because) for ground in answer.on_ground]
    facts += [("into the wall", w.verdict.word, f"{w.node}: {w.verdict.because}") for w in answer.water]
    for row in answer.crossings.to_dict("records"):
        span = f"ch {row['chainage_from_m']:.2f}-{row['chainage_to_m']:.2f}"
        facts.append((f"{row['way']} {span}", str(row["word"]), f"{WAYS[row['way']]}: {row['because']}"))
    for change in result.changes:
        by = f" by {change.by_mm:.0f} mm" if math.isfinite(change.by_mm) else ""
        facts.append(("to change it", change.asset_id, f"{change.what}{by}: {change.then}"))
    for row in answer.remedies.to_dict("records"):
        span = f"ch {row['chainage_from_m']:.2f}-{row['chainage_to_m']:.2f}"
        facts.append(("to close it", f"{row['way']} {span}", str(row["what"])))
    if answer.pour is not None and math.isfinite(answer.pour.wanted_l):
        said = f"{answer.pour.wanted_l:.0f} l, {answer.pour.wanted_minutes:.0f} min at this flow"
        facts.append(("a test must pour", said, ""))
    return facts


def _said(value: float, how: str) -> str:
    return format(value, how) if math.isfinite(value) else "-"


def _columns(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Return rows as lines with their columns under one another; the last column runs free."""
    if not rows:
        return []
    wide = [max(len(row[i]) for row in rows) for i in range(len(rows[0]) - 1)]
    return [
        "  " + "  ".join([*(f"{cell:<{w}}" for cell, w in zip(row, wide, strict=False)), row[-1]]).rstrip()
        for row in rows
    ]
