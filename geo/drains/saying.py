"""The answer in one word and one sentence, with what would settle it where it is not known."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from geo.drains.answers import Blockage, Leak, Otherwise
from geo.drains.rising import Case, Rise, fill_from, if_instead, litres_to
from geo.drains.storage import Balance, Inflow, Trickle, balance
from geo.verdict import NOT_KNOWN, Verdict


def said_of(result: Mapping[str, Any], flow: Inflow | None, z: float) -> Verdict:
    """Say in one word and one sentence whether water leaves.

    Parameters
    ----------
    result
        The fields of a back-up, its verdict still to come.
    flow
        What is put in; ``None`` to ask only where water would leave.
    """
    said = _without_doubts(result, flow, z)
    # A pump that may not run changes nothing where water comes up at the same place all the same; nor does
    # a valve stuck shut where less comes in than fits behind it.
    pours = math.inf if flow is None else flow.litres
    others = [
        each
        for each in result["otherwise"]
        if (said.word == "spills" and each.first != result["first"])
        or (said.word == "no spill" and each.first and not each.drains and not pours < each.litres)
    ]
    if not said.known or not others:
        return said
    fittings = list(dict.fromkeys(f"{each.fitting_id} in {each.run_id}" for each in others))
    ids = tuple(dict.fromkeys(each.fitting_id for each in others))
    because = f"nobody tried {' or '.join(fittings)}: {said.because}; " + "; ".join(
        f"if {each.said}, {each.then}" for each in others
    )
    return replace(
        said, word=NOT_KNOWN, because=because, settle=f"Open up and try {' and '.join(ids)}.",
        rests_on=(*said.rests_on, *ids),
    )  # fmt: skip


def _without_doubts(result: Mapping[str, Any], flow: Inflow | None, z: float) -> Verdict:
    """Say whether water leaves, every fitting doing what it was taken to do."""
    rests_on = tuple(sorted({*result["pool"], *result["pool_runs"]}))
    if result["decides"]:
        ids = ", ".join(result["decides"])
        low, high = result["level_between"]
        known = [f"{end} {at:.3f} m" for end, at in (("from", low), ("to", high)) if math.isfinite(at)]
        said = f"first spill not known{''.join(f' {each}' for each in known)}: level of {ids} decides"
        return Verdict(word=NOT_KNOWN, because=said, settle=f"Level {ids}.", rests_on=rests_on)
    if not result["first"]:
        return Verdict(
            word="no spill", because="nothing is open to the air: the pipes fill and hold", rests_on=rests_on
        )
    if result["drains"]:
        return Verdict(word="no spill", because=f"it runs off at {result['first']}", rests_on=rests_on)
    litres = result["litres"]
    where = _where(result)
    filled: Balance | None = result["balance"]
    lost: tuple[Leak, ...] = result["leaks"]
    if flow is None or filled is None:
        plain = Verdict(word="spills", because=where, rests_on=rests_on)
        return hang_on_leaks(plain, lost, spare_l_s=math.nan)
    low, high = result["litres_between"]
    passes = Trickle.constant(result["passes_l_s"]) if result["trickle"] is None else result["trickle"]
    fewest = balance(flow, capacity_l=max(low - z * litres.sigma, 0.0), passes_l_s=passes)
    most = balance(flow, capacity_l=high + z * litres.sigma, passes_l_s=passes)
    facts: dict[str, Any] = {
        "margin": filled.peak_stored_l - litres.value,
        "sigma": litres.sigma,
        "unit": "l",
    }
    if math.isinf(fewest.first_spill_s):
        said = f"{flow.said}: at most {fewest.peak_stored_l:.1f} l stands, and it holds {litres.value:.1f} l"
        return Verdict(word="no spill", because=said, rests_on=rests_on, **facts)
    if math.isinf(most.first_spill_s):
        said = f"{flow.said} is near the {litres.value:.1f} l it can hold (between {low:.1f} and {high:.1f})"
        settle = "Pour more, and find where the stop is."
        return Verdict(word=NOT_KNOWN, because=said, settle=settle, **facts)
    sure_of = Verdict(word="spills", because=where, rests_on=rests_on, **facts)
    if not lost:
        return sure_of
    wanted = high + z * litres.sigma
    lossy = balance(flow, capacity_l=wanted, passes_l_s=passes.and_also(sum(leak.most_l_s for leak in lost)))
    sure = math.isfinite(lossy.first_spill_s)
    return hang_on_leaks(sure_of, lost, spare_l_s=math.inf if sure else -math.inf)


def _where(result: Mapping[str, Any]) -> str:
    """Return where water first leaves, and what it could equally be."""
    where = f"{result['first']}, over its {result['leaves']} at {result['level'].value:.3f} m"
    below = result["below"]
    if below.word == "buried":
        where += ", below ground"
    elif not below.known:
        where += f", below ground or not: {below.because}"
    low, high = (f"{litres:.1f}" for litres in result["litres_between"])
    where += f", after {high} l" if low == high else f", after {low} to {high} l"
    if result["rivals"]:
        where += "; could equally be " + ", ".join(rival.node for rival in result["rivals"])
    return where


def hang_on_leaks(said: Verdict, lost: Sequence[Leak], *, spare_l_s: float) -> Verdict:
    """Let cracked runs that stand full withdraw an answer that water comes up.

    Parameters
    ----------
    said
        The answer as if they lost nothing.
    lost
        The cracked runs.
    spare_l_s
        What is put in beyond the most they can lose; NaN where nothing is said of the inflow.

    Returns
    -------
    The answer, where more surely comes in than they can lose, or where what they can lose is known and the
    inflow is not; else not known.
    """
    if not lost or said.word != "spills":
        return said
    runs = " and ".join(leak.run_id for leak in lost)
    most = sum(leak.most_l_s for leak in lost)
    may = f"up to {most:.2g} l/s" if math.isfinite(most) else "any part of it (opening not measured)"
    because = f"{said.because}; before that the ground may take {may} at {runs}, cracked or open-jointed"
    if spare_l_s > 0 or (math.isnan(spare_l_s) and math.isfinite(most)):
        return replace(said, because=because)
    settle = f"Plug {runs} below the crack, fill it and watch the level; or pass a camera."
    return replace(said, word=NOT_KNOWN, because=f"not known whether it comes up: {because}", settle=settle)


def otherwise(
    case: Case, blockages: Sequence[Blockage], start: int, taken: Rise, z: float
) -> tuple[Otherwise, ...]:
    """Ask again with each fitting nobody tried doing what else it may, and return what then differs.

    One fitting at a time, the others as they were taken.
    """
    named = {e for one in blockages for e in case.net.pieces(one.asset_id)}
    found = []
    for doubt in case.net.doubts:
        if doubt.edge in named:
            continue
        for outcome in doubt.others:
            instead = if_instead(case, doubt.edge, outcome)
            other = fill_from(instead, start, case.rows[-1], z)
            stops = doubt.kind == "pump" and case.w.ends[doubt.edge][0] in taken.pool
            if other.first == taken.first and abs(other.level - taken.level) < 1e-9 and not stops:
                continue
            node = case.w.ids[other.first] if other.first >= 0 else ""
            drains = other.first >= 0 and case.w.outfall[other.first]
            then = (
                f"it runs off at {node}"
                if drains
                else f"{node} spills first, at {other.level:.3f} m"
                if node
                else "nothing is open to the air, and the pipes fill and hold"
            )
            full = [(other.pool, other.level), *other.held]
            holds = 0.0 if drains else litres_to(instead, full, case.rows[-1], nearest=True)
            found.append(
                Otherwise(
                    fitting_id=doubt.fitting_id, kind=doubt.kind, run_id=doubt.run_id, said=outcome.said,
                    first=node, level_m=other.level if node else math.nan, drains=drains, then=then,
                    litres=holds,
                )
            )  # fmt: skip
    return tuple(found)
