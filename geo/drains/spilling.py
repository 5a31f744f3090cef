"""Where the water goes on to when the first way out cannot take it all."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from geo.drains.answers import Spill
from geo.drains.rising import Case, Levels, ground_word, limited, litres_to
from geo.drains.storage import Balance, Inflow, leak_l_s
from geo.reference import Reference

NAN = math.nan


def chain(
    case: Case,
    levels: Levels,
    first: int,
    flow: Inflow | None,
    filled: Balance | None,
    passes: float,
    *,
    ref: Reference,
) -> tuple[tuple[Spill, ...], float]:
    """Follow the water on from a first spill that cannot take it all; give the level it comes to.

    A hole, buried or not, takes what an orifice takes; an open end under the ground no more than that.
    """
    net, w = case.net, case.w
    z = ref.value("drains.rival_sigmas")
    words: dict[int, str] = {}

    def word(i: int) -> str:
        return words.setdefault(i, ground_word(case, i, float(levels.reach[i]), z).word)

    def holds_back(i: int) -> bool:
        return limited(case, i) or word(i) == "buried"

    rate = NAN if flow is None else flow.peak_l_s - passes
    crack = net.nodes["opening_cm2"].fillna(ref.value("drains.crack_cm2")).to_numpy(float)
    by_level = np.argsort(levels.reach, kind="stable")
    by_level = by_level[np.isfinite(levels.reach[by_level]) & (by_level != first)]
    queue = [int(i) for i in by_level[:64]]  # nobody follows water through more than 64 holes
    opened = [first]
    begins = [NAN if filled is None else filled.first_spill_s / 60.0]

    def leaks(level: float) -> np.ndarray:
        heads = np.array([level - levels.reach[i] for i in opened])
        return leak_l_s(heads, crack[opened], ref=ref)

    ceiling = float(levels.reach[first])
    while holds_back(opened[-1]) and queue:
        ceiling = float(levels.reach[queue[0]])
        if not rate > leaks(ceiling).sum():
            break
        begins.append(_later(case, levels, opened, begins[-1], rate, ceiling, leaks))
        opened.append(queue.pop(0))
    surface = not holds_back(opened[-1])
    standing = float(levels.reach[opened[-1]])
    if not surface and rate > 0:
        bottom, top = standing, standing + 10.0
        for _ in range(60):
            standing = (bottom + top) / 2.0
            bottom, top = (standing, top) if leaks(standing).sum() < rate else (bottom, standing)
    takes = leaks(standing if rate > 0 and not surface else max(ceiling, standing))
    share = (
        takes if surface or math.isnan(rate) else takes * (max(rate, 0.0) / max(float(takes.sum()), 1e-12))
    )
    spills = []
    for k, i in enumerate(opened):
        last = surface and k == len(opened) - 1
        gets = (
            NAN if math.isnan(rate) else max(rate - float(takes[:-1].sum()), 0.0) if last else float(share[k])
        )
        most = math.inf if last else float(leak_l_s(ceiling - levels.reach[i], crack[i], ref=ref))
        spills.append(
            Spill(
                node=w.ids[i],
                leaves=str(net.nodes["leaves"].iloc[i]),
                level_m=float(levels.reach[i]),
                below_ground=word(i) != "at the surface",
                ground=word(i),
                takes_l_s=most,
                receives_l_s=gets,
                minutes=begins[k],
            )
        )
    return tuple(spills), standing if math.isnan(rate) or rate > 0 else NAN


def _later(
    case: Case,
    levels: Levels,
    opened: list[int],
    start: float,
    rate: float,
    ceiling: float,
    leaks: Callable[[float], np.ndarray],
) -> float:
    """Return the minutes until the next spill begins, water leaking from those already open."""
    marks = np.linspace(float(levels.reach[opened[-1]]), ceiling, 24)
    row = case.rows[-1]
    held = [
        litres_to(case, [(np.flatnonzero(levels.crest < max(m, 1e-9 + marks[0])).tolist(), float(m))], row)
        for m in marks
    ]
    middle = (marks[1:] + marks[:-1]) / 2.0
    spare = np.array([rate - float(leaks(float(m)).sum()) for m in middle])
    return start + float((np.diff(held) / np.maximum(spare, 1e-9)).sum()) / 60.0
