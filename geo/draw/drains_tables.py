"""What the page about the drains says: an answer as a sentence and as tables of words and numbers."""

from __future__ import annotations

import math

import pandas as pd

from geo.crossings import WAYS
from geo.drains.backup import BackUp
from geo.drains.network import BURIED
from geo.draw.drains_sketches import comes_up, spill_marks
from geo.findings.drain_words import doubt_facts, tank_fact
from geo.findings.drains import DrainAnswer, Drains
from geo.verdict import NOT_KNOWN, Measured

ROLES = {"first": "first", "rival": "could equally be first", "next": "next, while the first takes its fill"}
MOST_ORDER = 8
SAME_L = 0.05
"""Litres are said to a tenth."""
DASH = "–"


def headline(answer: DrainAnswer) -> str:
    """Return the answer in one sentence."""
    result = answer.result
    if result.verdict.word == NOT_KNOWN:
        return f"Not known where it comes up: {result.verdict.because}."
    if not result.first:
        return f"Nothing comes up: {result.verdict.because}."
    if result.drains:
        return f"Nothing backs up: {result.verdict.because}."
    if not comes_up(answer):
        return f"Nothing comes up: {result.verdict.because}."
    where = "It leaves below ground first at" if result.below_ground else "It comes up first at"
    when = f": {_most(result)}{result.minutes:.1f} minutes" if math.isfinite(result.minutes) else ""
    return f"{where} {result.verdict.because}{when}."


def _most(result: BackUp) -> str:
    """Say whether the minutes are the most: fewer litres stand nearer the stop; cracks only make it later."""
    low, high = result.litres_between
    return "at most " if high - low > SAME_L and not result.minutes_between[1] > result.minutes else ""


def asked(answer: DrainAnswer) -> str:
    """Return what the answer is to: what is stopped, what is put in, and where."""
    put = answer.inflow.said if answer.inflow is not None else "water"
    return f"{taken_as(answer)}; {put} put in at {answer.source}."


def taken_as(answer: DrainAnswer) -> str:
    """Return in words what is taken as blocked."""
    at = "" if answer.at_m is None else f" at {answer.at_m:g} m"
    return f"{answer.blocked} taken as blocked{at}" if answer.blocked else "Nothing taken as blocked"


def fact_rows(drains: Drains, answer: DrainAnswer) -> pd.DataFrame:
    """Return what else there is to say, a row a question: ``what``, ``answer``, ``because``."""
    result = answer.result
    z = drains.ref.value("drains.rival_sigmas")
    rows: list[tuple[str, str, str]] = []
    if result.first and not result.drains:
        low, high = result.level_between
        level = _with_range(result.level, z, digits=3)
        if not math.isfinite(result.level.value) and math.isfinite(low) and math.isfinite(high):
            level = f"{low:.3f} to {high:.3f}"
        spread = f"± is {z:g} standard deviations" if "±" in level else ""
        rows.append(("level when it does, m", level, spread))
        rows.append(("litres until then", _litres(result.litres, result.litres_between, z), _least(answer)))
        if math.isfinite(result.minutes):
            last = result.minutes_between[1]
            until = f" to {last:.1f}" if math.isfinite(last) and last - result.minutes > 0.05 else ""
            until = ", or never: the cracks may take it all" if math.isinf(last) else until
            rows.append(("minutes until then", f"{_most(result)}{result.minutes:.1f}{until}", ""))
    share = result.balance
    if share is not None and math.isfinite(share.in_l):
        said = f"{share.stored_l:.0f} still stand, {share.left_l:.0f} got past, {share.spilled_l:.0f} came up"
        rows.append((f"of {share.in_l:.0f} litres put in", said, ""))
    if result.decides:
        rows.append(("what decides it", f"the level of {', '.join(result.decides)}", result.verdict.settle))
    elif result.verdict.word == NOT_KNOWN:
        rows.append(("to settle it", result.verdict.settle or DASH, ""))
    rows += [("on the ground", ground.word, ground.because) for ground in answer.on_ground]
    rows += [
        ("into the wall", each.verdict.word, f"{each.node}: {each.verdict.because}") for each in answer.water
    ]
    rows += [tank_fact(each.node, tank) for each in answer.water for tank in each.tanks]
    rows += doubt_facts(answer)
    if result.assumed_runs:
        rows.append(("rests on assumed", ", ".join(result.assumed_runs), "nobody traced it"))
    if answer.pour is not None and math.isfinite(answer.pour.wanted_l):
        said = f"{answer.pour.wanted_l:.0f} l, {answer.pour.wanted_minutes:.0f} min at this flow"
        rows.append(("a test must pour", said, ""))
    return pd.DataFrame(rows, columns=["what", "answer", "because"])


def _litres(litres: Measured, between: tuple[float, float], z: float) -> str:
    low, high = between
    if math.isfinite(low) and math.isfinite(high) and high - low > 0.5:
        return f"{low:.0f} to {high:.0f}"
    return _with_range(litres, z, digits=1)


def _least(answer: DrainAnswer) -> str:
    sizes = answer.result.at_least
    return f"at least: no size for {', '.join(sizes)}" if sizes else ""


def _with_range(measured: Measured, z: float, *, digits: int) -> str:
    if not math.isfinite(measured.value):
        return NOT_KNOWN
    if not math.isfinite(measured.sigma):
        return f"{measured.value:.{digits}f}"
    return f"{measured.value:.{digits}f} ± {z * measured.sigma:.{digits}f}"


def order_rows(drains: Drains, answer: DrainAnswer) -> pd.DataFrame:
    """Return where water could come up, lowest first, numbered as on the map.

    Returns
    -------
    ``no``, ``where``, ``over its``, ``level, m``, ``± mm``, ``above the first, mm``, ``part``.
    """
    order = answer.result.order
    names = ["no", "where", "over its", "level, m", "± mm", "above the first, mm", "part"]
    if answer.result.drains or order.empty:
        return pd.DataFrame(columns=names)
    z = drains.ref.value("drains.rival_sigmas")
    marks = {mark.node: mark for mark in spill_marks(answer)}
    known = order[order["reach_m"].map(math.isfinite)]
    kept = [*(node for node in marks if node in order.index), *known.index]
    kept = list(dict.fromkeys(kept))[: max(MOST_ORDER, len(marks))]
    first = answer.result.level.value
    rows = []
    for node in kept:
        row, mark = order.loc[node], marks.get(str(node))
        way, reach = str(row["leaves"]), float(row["reach_m"])
        rows.append(
            (
                str(mark.number) if mark else "",
                str(node),
                f"{way}, below ground" if way in BURIED else way,
                f"{reach:.3f}" if math.isfinite(reach) else NOT_KNOWN,
                f"{1000 * z * float(row['sigma_m']):.0f}",
                f"{1000 * (reach - first):.0f}" if math.isfinite(reach - first) else DASH,
                ROLES[mark.role] if mark else "not reached",
            )
        )
    return pd.DataFrame(rows, columns=names)


def change_rows(answer: DrainAnswer) -> pd.DataFrame:
    """Return the smallest changes: to the drains with where it then comes up, and to the wall."""
    rows = [
        (change.asset_id, change.what, _by(change.by_mm), change.then) for change in answer.result.changes
    ]
    rows += [
        (
            f"wall, ch {row['chainage_from_m']:.2f}-{row['chainage_to_m']:.2f}",
            str(row["what"]),
            _by(float(row["by_mm"])),
            f"{row['way']} is closed"
            + (f"; {', '.join(row['still_open'])} still open" if len(row["still_open"]) else ""),
        )
        for row in answer.remedies.to_dict("records")
    ]
    return pd.DataFrame(rows, columns=["at", "do", "by, mm", "then"])


def _by(by_mm: float) -> str:
    return f"{by_mm:.0f}" if math.isfinite(by_mm) else DASH


def crossing_rows(drains: Drains, answer: DrainAnswer) -> pd.DataFrame:
    """Return what gets past the barrier, K1 to K7, each with its margin in mm and its range."""
    z = drains.ref.value("drains.rival_sigmas")
    rows = []
    for row in answer.crossings.sort_values(["way", "chainage_from_m"], kind="stable").to_dict("records"):
        margin, sigma = float(row["margin_mm"]), float(row["sigma_mm"])
        said = DASH
        if math.isfinite(margin):
            said = f"{margin:+.0f}"
            if math.isfinite(sigma):
                said += f" ({margin - z * sigma:+.0f} to {margin + z * sigma:+.0f})"
        because = str(row["because"])
        rows.append(
            (
                str(row["way"]),
                WAYS[row["way"]],
                f"{row['chainage_from_m']:.2f}-{row['chainage_to_m']:.2f}",
                str(row["word"]),
                said,
                because if row["word"] == NOT_KNOWN else "",
                str(row["settle"]),
            )
        )
    names = ["way", "what", "chainage, m", "past it", "mm over (range)", "because", "to settle it"]
    return pd.DataFrame(rows, columns=names)


def fault_rows(drains: Drains) -> pd.DataFrame:
    """Return what is wrong with the drains as recorded."""
    rows = [
        (each.rule.replace("_", " "), each.verdict.word, each.said, each.verdict.settle, ", ".join(each.ids))
        for each in drains.faults
    ]
    return pd.DataFrame(rows, columns=["rule", "answer", "finding", "to settle it", "records"])
