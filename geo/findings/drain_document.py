"""What was found about drains as plain values: one document, and tables."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from geo.drains.faults import RULES
from geo.findings.drain_answer import DrainAnswer, DrainFindings, Drains
from geo.verdict import Verdict

NAN = math.nan
LEAK = ("run_id", "state", "lowest_m", "highest_m", "head_m", "most_l_s")
OTHERWISE = ("fitting_id", "kind", "run_id", "said", "then", "first", "level_m", "litres")
TANK = ("ring_key", "chainage_from_m", "chainage_to_m", "takes", "because", "settle", "base_m", "held_by")
FAULT = ("rule", "what", "word", "said", "settle")


def drain_document(found: DrainFindings) -> dict[str, Any]:
    """Return what was found as plain values for JSON: levels in m, margins in mm, not known as null."""
    drains, answer = found.drains, found.answer
    return {
        "site": drains.site.info.name,
        "datum": drains.site.info.datum,
        "data_version": drains.site.digest,
        "notes": list(drains.notes),
        "levels_from_the_book": _plain_rows(drains.filled),
        "faults": [
            {
                "rule": each.rule,
                "what": RULES[each.rule],
                "ids": list(each.ids),
                "said": each.said,
                "whose": _whose(drains, each.ids),
            }
            | _plain(_verdict(each.verdict))
            for each in drains.faults
        ],
        "every_blockage": _plain_rows(_every(found)),
        "proven_by_tests": _plain_rows(drains.proven),
        "water_outside_at_its_highest": _plain_rows(drains.sewer),
        "barrier_without_a_spill": _plain_rows(drains.fabric),
        "answer": None if answer is None else _answer_document(answer),
    }


def _answer_document(answer: DrainAnswer) -> dict[str, Any]:
    result = answer.result
    plain: dict[str, Any] = _plain(
        {
            "blocked": answer.blocked,
            "blocked_at_m": answer.at_m,
            "water_outside_at_its_highest": answer.surcharged,
            "whose": dict(answer.owners),
            "source": answer.source,
            "inflow": answer.inflow.said if answer.inflow is not None else "",
            "roof_m2": answer.roof_m2,
            "roof_in_driven_rain_m2": answer.driven_m2,
            "verdict": _verdict(result.verdict),
            "first": result.first,
            "leaves_over": result.leaves,
            "level_m": result.level.value,
            "level_sigma_m": result.level.sigma,
            "level_between_m": result.level_between,
            "below_ground": result.below_ground,
            "below": _verdict(result.below),
            "litres": result.litres.value,
            "litres_sigma": result.litres.sigma,
            "litres_between": result.litres_between,
            "passes_l_s": result.passes_l_s,
            "minutes": result.minutes,
            "minutes_between": result.minutes_between,
            "spilled_between_l": result.spilled_between_l,
            "cracks_lose_between_l_s": result.loses_between_l_s,
            "decides": result.decides,
            "rests_on_assumed_runs": result.assumed_runs,
            "marked": result.marked,
        }
    )
    lists = {
        "rivals": [
            {"node": r.node, "margin_mm": r.margin_mm, "sigma_mm": r.sigma_mm} for r in result.rivals
        ],
        "spills": [
            {
                "node": s.node, "leaves_over": s.leaves, "level_m": s.level_m, "below_ground": s.below_ground,
                "ground": s.ground, "takes_l_s": s.takes_l_s, "receives_l_s": s.receives_l_s,
                "minutes": s.minutes,
            }
            for s in result.spills
        ],
        "leaks": [
            {
                "run": k.run_id, "state": k.state, "lowest_m": k.lowest_m, "highest_m": k.highest_m,
                "head_m": k.head_m, "most_l_s": k.most_l_s,
            }
            for k in result.leaks
        ],
        "otherwise": [
            {
                "fitting": o.fitting_id, "kind": o.kind, "run": o.run_id, "if": o.said, "then": o.then,
                "first": o.first, "level_m": o.level_m, "drains": o.drains, "litres": o.litres,
            }
            for o in result.otherwise
        ],
        "changes": [
            {
                "id": c.asset_id, "what": c.what, "by_mm": c.by_mm, "then": c.then,
                "then_first": c.then_first, "then_level_m": c.then_level_m,
            }
            for c in result.changes
        ],
        "on_the_ground": [
            {
                "node": g.node, "word": g.word, "because": g.because, "settle": g.settle,
                "evidence": g.evidence, "level_m": g.level.value, "level_sigma_m": g.level.sigma,
            }
            for g in answer.on_ground
        ],
        "at_the_wall": [
            {
                "node": w.node, "ring": w.ring_key, "head_m": w.head.value, "head_sigma_m": w.head.sigma,
                "chainage_from_m": w.chainage_from_m, "chainage_to_m": w.chainage_to_m,
                **_verdict(w.verdict),
                "entries": [
                    {"id": e.opening_id, "kind": e.kind, "level_m": e.level_m, **_verdict(e.verdict)}
                    for e in w.entries
                ],
                "cavity": [
                    {
                        "chainage_from_m": t.chainage_from_m, "chainage_to_m": t.chainage_to_m,
                        "takes": t.takes, "because": t.because, "settle": t.settle, "base_m": t.base_m,
                        "after_between_m": t.after_between_m, "highest_m": t.bound.value,
                        "highest_sigma_m": t.bound.sigma, "held_by": t.held_by,
                        "full_between_l": t.full_between_l, "full_minutes": t.full_minutes,
                        "open_ended": t.open_ended, "rests_on": t.rests_on,
                    }
                    for t in w.tanks
                ],
            }
            for w in answer.water
        ],
    }  # fmt: skip
    plain |= {name: [_plain(row) for row in rows] for name, rows in lists.items()}
    plain["past_the_barrier"] = _plain_rows(answer.crossings)
    plain["changes_to_the_wall"] = _plain_rows(answer.remedies)
    if answer.pour is not None:
        pour = answer.pour
        plain["test_pour"] = _plain(
            {
                "to_spill_l": pour.to_spill_l.value,
                "to_spill_minutes": pour.to_spill_minutes,
                "wanted_l": pour.wanted_l,
                "wanted_minutes": pour.wanted_minutes,
            }
        )
    return plain


def _verdict(verdict: Verdict) -> dict[str, Any]:
    return {
        "word": verdict.word, "because": verdict.because, "settle": verdict.settle,
        "margin": verdict.margin, "sigma": verdict.sigma, "unit": verdict.unit,
        "rests_on": verdict.rests_on,
    }  # fmt: skip


def _plain(value: Any) -> Any:
    """Return a value JSON can hold: not known and without end are null."""
    if isinstance(value, Mapping):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return int(value) if isinstance(value, np.integer) else value


def _plain_rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [_plain(row) for row in table.to_dict("records")]


def _every(found: DrainFindings) -> pd.DataFrame:
    """Return every single blockage with whose the stopped run is."""
    every = found.every.rename_axis("blocked").reset_index()
    whose = [found.drains.whose(str(name)) for name in every["blocked"]]
    return every.assign(whose=np.array(whose, dtype=object))


def _whose(drains: Drains, ids: tuple[str, ...]) -> str:
    """Say whose the runs among some records are, each owner once."""
    return "; ".join(dict.fromkeys(whose for whose in map(drains.whose, ids) if whose))


def drain_tables(found: DrainFindings) -> dict[str, pd.DataFrame]:
    """Return what was found as tables for CSV, by file name."""
    drains, answer = found.drains, found.answer
    faults = [
        (f.rule, RULES[f.rule], f.verdict.word, f.said, f.verdict.settle, f.ids, _whose(drains, f.ids))
        for f in drains.faults
    ]
    tables = {
        "drain-faults": pd.DataFrame(faults, columns=[*FAULT, "ids", "whose"]),
        "drain-blockages": _every(found),
        "drain-levels-from-book": drains.filled,
        "drain-proven": drains.proven,
        "drain-sewer": drains.sewer,
    }
    if answer is not None:
        tables |= {
            "drain-order": answer.result.order.rename_axis("node").reset_index(),
            "drain-crossings": answer.crossings,
            "drain-changes": answer.remedies,
            "drain-leaks": _rows(answer.result.leaks, LEAK),
            "drain-otherwise": _rows(answer.result.otherwise, OTHERWISE),
            "drain-cavity": _tanks(answer),
        }
    return tables


def _rows(found: Sequence[object], names: tuple[str, ...]) -> pd.DataFrame:
    """Return records as a table; without an end and not known are blank."""
    rows = [[_plain(getattr(each, name)) for name in names] for each in found]
    return pd.DataFrame(rows, columns=list(names))


def _tanks(answer: DrainAnswer) -> pd.DataFrame:
    """Return the cavity each spill may fill: after this water, at most, and litres until then."""
    tanks = [(water.node, tank) for water in answer.water for tank in water.tanks]
    table = _rows([tank for _, tank in tanks], TANK)
    table.insert(0, "node", [node for node, _ in tanks])
    for name, pairs in (
        ("after_{}_m", [tank.after_between_m for _, tank in tanks]),
        ("full_{}_l", [tank.full_between_l for _, tank in tanks]),
    ):
        for side, place in (("least", 0), ("most", 1)):
            table[name.format(side)] = [_plain(pair[place]) for pair in pairs]
    return table.assign(
        highest_m=[tank.bound.value for _, tank in tanks],
        highest_sigma_m=[tank.bound.sigma for _, tank in tanks],
    )
