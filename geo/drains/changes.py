"""The smallest changes to a drain, tried one at a time, and where its water would leave after each."""

from __future__ import annotations

import math
from dataclasses import replace

from geo.drains.answers import Blockage, Change
from geo.drains.network import BURIED
from geo.drains.rising import Case, Rise, fill_from, make_case

NAN = math.nan


def changes_to(
    case: Case, blockages: tuple[Blockage, ...], source: str, found: Rise, z: float
) -> tuple[Change, ...]:
    """Try the smallest changes one at a time and find the first spill after each."""
    net, w = case.net, case.w
    first, row = found.first, case.rows[-1]
    if w.outfall[first]:
        return ()
    tried: list[Change] = []
    inside = set(found.pool)

    def after(asset: str, what: str, by_m: float, changed: Case) -> None:
        next_ = fill_from(changed, net.place(source), row, z)
        node = w.ids[next_.first] if next_.first >= 0 else ""
        level = next_.level if next_.first >= 0 else NAN
        drains = next_.first >= 0 and w.outfall[next_.first]
        then = (
            f"it runs off at {node}"
            if drains
            else f"{node} spills first, at {level:.3f} m"
            if node
            else "no other way out is recorded, so it rises where it is put in"
        )
        tried.append(
            Change(
                asset_id=asset, what=what, by_mm=1000 * by_m, then_first=node, then_level_m=level, then=then
            )
        )

    for one in blockages:
        others = tuple(other for other in blockages if other is not one)
        own = {e for e, cut in case.cuts.items() if e not in net.cuts or net.cuts[e] is not cut}
        own |= set(net.pieces(one.asset_id))
        i = w.ids.index(one.asset_id) if one.asset_id in net.nodes.index else -1
        own |= {e for e, _ in (*w.onward[i], *w.back[i])} if i >= 0 else set()
        after(one.asset_id, "clear it", NAN, make_case(net, others, without=own & set(net.cuts)))
    named = {e for one in blockages for e in net.pieces(one.asset_id)}
    for e in sorted(set(net.cuts) & set(case.shut) - named):
        if inside & set(w.ends[e]) and net.runs["way"].iloc[e] != "pump":
            after(str(net.runs["run_id"].iloc[e]), "clear it", NAN, make_case(net, blockages, without=[e]))
    rim = float(net.nodes["rim_m"].iloc[first])
    if str(net.nodes["leaves"].iloc[first]) == "lip" and rim > found.level:
        after(w.ids[first], "make the lip good to the rim", rim - found.level, _raised(case, first, rim))
    shut = _raised(case, first, math.inf)
    by = fill_from(shut, net.place(source), row, z).level - found.level
    raised = "raise it by more than this" if math.isfinite(by) else "close it"
    what = "seal it" if str(net.nodes["leaves"].iloc[first]) in BURIED else raised
    after(w.ids[first], what, by if math.isfinite(by) else NAN, shut)
    return tuple(tried)


def _raised(case: Case, i: int, level: float) -> Case:
    rows = [list(each) for each in case.spill]
    for each in rows:
        each[i] = level
    return replace(case, spill=(rows[0], rows[1]))
