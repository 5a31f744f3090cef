"""What was found about drains in lines and rows for a person."""

from __future__ import annotations

import math
from collections.abc import Sequence

from geo.crossings import WAYS
from geo.drains.backup import Change, Leak
from geo.drains.faults import RULES
from geo.drains.tanks import Tank
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
            ", ".join((*row["rivals"], *row["decides"], *row["leaks"], *row["fittings"])),
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
    facts += _how_much(answer)
    for whose in dict.fromkeys(whose for _, whose in answer.owners):
        runs = [run for run, own in answer.owners if own == whose]
        facts.append(("whose it is", whose, ", ".join(runs)))
    facts += [("then", s.node, f"over its {s.leaves} at {s.level_m:.3f} m") for s in result.spills[1:]]
    facts += [("on the ground", ground.word, ground.because) for ground in answer.on_ground]
    facts += [("into the wall", w.verdict.word, f"{w.node}: {w.verdict.because}") for w in answer.water]
    facts += [tank_fact(w.node, tank) for w in answer.water for tank in w.tanks]
    for row in answer.crossings.to_dict("records"):
        span = span_said(row["chainage_from_m"], row["chainage_to_m"])
        facts.append((f"{row['way']} {span}", str(row["word"]), f"{WAYS[row['way']]}: {row['because']}"))
    for change in result.changes:
        facts.append(("to change it", change.asset_id, f"{change_said(change)}: {change.then}"))
    for row in answer.remedies.to_dict("records"):
        span = span_said(row["chainage_from_m"], row["chainage_to_m"])
        facts.append(("to close it", f"{row['way']} {span}", str(row["what"])))
    if answer.pour is not None and math.isfinite(answer.pour.wanted_l):
        said = f"{answer.pour.wanted_l:.0f} l, {answer.pour.wanted_minutes:.0f} min at this flow"
        facts.append(("a test must pour", said, ""))
    return facts


def span_said(start: float, end: float) -> str:
    """Return a length of wall in words."""
    return "all round" if abs(start - end) < 5e-3 else f"ch {start:.2f}-{end:.2f}"


def _how_much(answer: DrainAnswer) -> list[tuple[str, str, str]]:
    """Return the rows on how long it takes, what is lost on the way, and what else may be."""
    result = answer.result
    facts = []
    soon, late = result.minutes_between
    if math.isfinite(result.minutes):
        last = f" to {late:.1f}" if math.isfinite(late) and late - soon > 0.05 else ""
        never = math.isinf(late)
        last = " min, or never" if never else f"{last} min"
        why = "the cracks may take it all" if never else ""
        facts.append(("until then", f"{result.minutes:.1f}{last}", why))
    elif math.isinf(result.minutes):
        keeps = result.passes_l_s > 0
        why = (
            f"what passes the stop, {result.passes_l_s:.2g} l/s, keeps up"
            if keeps
            else "too little is put in"
        )
        facts.append(("until then", "never", why))
    least, most = result.spilled_between_l
    if math.isfinite(least) and math.isfinite(most) and most > 0:
        several = f"{least:.1f} to {most:.1f} l" if most - least > 0.05 else f"{most:.1f} l"
        facts.append(("comes up in all", several, ""))
    if result.first and not result.drains and result.below.word != "at the surface":
        facts.append(
            ("where it shows", result.below.word, _sentence(result.below.because, result.below.settle))
        )
    return facts + doubt_facts(answer)


def doubt_facts(answer: DrainAnswer) -> list[tuple[str, str, str]]:
    """Return what the ground may take at cracks, and what else happens by each fitting nobody tried."""
    facts = [leak_fact(leak) for leak in answer.result.leaks]
    return facts + [
        (f"nobody tried {each.fitting_id}", f"if {each.said}", each.then) for each in answer.result.otherwise
    ]


def change_said(change: Change) -> str:
    """Return what to do, and by how much."""
    by = f"{change.by_mm:.0f} mm"
    if not math.isfinite(change.by_mm):
        return change.what
    return (
        change.what.replace("more than this", f"more than {by}")
        if "this" in change.what
        else (f"{change.what}, {by} higher")
    )


def leak_fact(leak: Leak) -> tuple[str, str, str]:
    """Return a crack under water as a row: where, the most it may lose, and under how much water."""
    most = f"0 to {leak.most_l_s:.2g} l/s" if math.isfinite(leak.most_l_s) else "any part of it"
    where = f"{leak.run_id}: it lies at {leak.lowest_m:.3f} m"
    if leak.highest_m > leak.lowest_m + 5e-4:
        where = f"{leak.run_id}: it lies between {leak.lowest_m:.3f} and {leak.highest_m:.3f} m"
    size = "" if math.isfinite(leak.most_l_s) else "; how large it is was not measured"
    return (
        "the ground may take",
        most,
        f"{where}, at most {1000 * leak.head_m:.0f} mm under the water{size}",
    )


def tank_fact(node: str, tank: Tank) -> tuple[str, str, str]:
    """Return a length of cavity that takes water as a row: how high after this water, and at most."""
    a, b = f"{tank.chainage_from_m:.2f}", f"{tank.chainage_to_m:.2f}"
    low, high = tank.after_between_m
    said = f"{node}: at most {tank.bound.value:.3f} m, held by {tank.held_by}"
    if math.isfinite(low) and math.isfinite(high):
        span = f"{low:.3f} to {high:.3f} m" if high - low > 5e-4 else f"{high:.3f} m"
        said = f"{node}: after this water {span}; however much comes, at most {tank.bound.value:.3f} m"
    least, most = tank.full_between_l
    if math.isfinite(least) and most > 0:
        said += f", {least:.1f} to {most:.1f} l" if most - least > 0.05 else f", {least:.1f} l"
        said += " or more" if tank.open_ended else ""
    said += (
        "; an end of the cavity was not seen: it may run further and stand lower" if tank.open_ended else ""
    )
    said += "; " + _sentence(tank.because, tank.settle) if tank.because else ""
    return (f"cavity ch {a}-{b}", tank.takes, said)


def _sentence(because: str, settle: str) -> str:
    return f"{because}. {settle}" if because and settle else because or settle


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
