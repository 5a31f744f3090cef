"""Repairs as they are asked for: those somebody recorded, and the wall each lies on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from geo.evidence.coverage import Span, both, laid, total
from geo.findings.places import ring_keys
from geo.site.model import Site
from geo.works.kinds import MEASURED, NAN, Answers, Asked

DROPPED, FINISHED, STARTED = "dropped", "finished", "started"


def recorded(site: Site) -> tuple[Asked, ...]:
    """Return the repairs somebody recorded, dropped ones included, in the order of their records."""
    table = site.table("repair")
    keys = ring_keys(table, site)
    return tuple(
        _asked(str(name), row, str(key))
        for (name, row), key in zip(table.iterrows(), keys, strict=True)
    )  # fmt: skip


def _asked(name: str, row: pd.Series[Any], ring_key: str) -> Asked:
    on_wall = math.isfinite(row["chainage_from_m"]) and math.isfinite(row["chainage_to_m"])
    answers = (Answers(cause=row["cause"], of_id=row["cause_of_id"]),) if row["cause"] else ()
    return Asked(
        repair_id=name,
        kind=row["repair_kind"],
        stage=row["stage"],
        ring_key=ring_key if on_wall else "",
        side=row["side"],
        from_m=float(row["chainage_from_m"]),
        to_m=float(row["chainage_to_m"]),
        of_ids=tuple(row["of_ids"].split()),
        to_id=row["to_id"],
        count=float(row["items_count"]),
        length_m=float(row["length_m"]),
        width_m=float(row["width_mm"]) / 1000.0,
        depth_m=float(row["depth_mm"]) / 1000.0,
        height_m=float(row["height_m"]),
        thickness_m=float(row["thickness_mm"]) / 1000.0,
        area_m2=float(row["area_m2"]),
        bore_m=float(row["bore_mm"]) / 1000.0,
        surface=row["surface"],
        basis=row["basis"] or MEASURED,
        answers=answers,
        after_ids=tuple(row["after_ids"].split()),
        variation_of_id=row["variation_of_id"],
        why=row["why"],
        agreed_on=row["agreed_on"],
        agreed_by=row["agreed_by"],
        proposed=False,
    )


def overridden(
    proposed: tuple[Asked, ...], own: tuple[Asked, ...], rings_m: Mapping[str, float]
) -> tuple[Asked, ...]:
    """Return the repairs that hold: what was recorded, then what was proposed and nobody recorded.

    A record takes the place of a proposal of its id; and of any proposal of its kind for the same thing, or,
    where neither names a thing, along the same wall. A dropped record drops the proposal too.

    Parameters
    ----------
    rings_m
        Length of each ring.
    """
    held = [asked for asked in own if asked.stage != DROPPED]
    rest = [asked for asked in proposed if not any(_same(asked, record, rings_m) for record in own)]
    return (*held, *rest)


def _same(proposal: Asked, record: Asked, rings_m: Mapping[str, float]) -> bool:
    if record.variation_of_id:
        return False
    if proposal.repair_id == record.repair_id:
        return True
    if proposal.kind != record.kind:
        return False
    if proposal.of_ids and record.of_ids:
        return bool(set(proposal.of_ids) & set(record.of_ids))
    if proposal.side != record.side or proposal.ring_key not in rings_m:
        return False
    return shared_m(proposal, record, rings_m[proposal.ring_key]) > 0


def spans_of(asked: Asked, ring_m: float) -> list[Span]:
    """Return the wall a repair lies on, laid straight; nothing where it lies on none."""
    return laid(asked.from_m, asked.to_m, ring_m) if asked.on_wall else []


def shared_m(first: Asked, then: Asked, ring_m: float) -> float:
    """Return how much wall two repairs share, m; none on different rings."""
    if first.ring_key != then.ring_key:
        return 0.0
    return total(both(spans_of(first, ring_m), spans_of(then, ring_m)))


def apart_m(first: Asked, then: Asked, ring_m: float) -> float:
    """Return how far apart along one ring two lengths lie, m; 0 where they overlap, NaN without a place."""
    if not first.on_wall or not then.on_wall or first.ring_key != then.ring_key:
        return NAN
    if shared_m(first, then, ring_m) > 0:
        return 0.0
    return min((then.from_m - first.to_m) % ring_m, (first.from_m - then.to_m) % ring_m)
