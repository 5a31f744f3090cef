"""Where a water test may be made, what it must pour, and whether one on record already answers."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import networkx as nx
import numpy as np

from geo.drains.backup import Blockage, back_up, required_pour, sufficiency
from geo.drains.network import Network
from geo.drains.storage import Inflow
from geo.findings.drains import Drains, lay_out_drains
from geo.perimeter.path import outside_distance
from geo.verdict import NOT_KNOWN, Measured
from geo.walk.drains import steps_to_outfall
from geo.walk.ground_plan import Lie
from geo.walk.stops import NAN

SOURCES = ("gully", "downpipe")
POURED = ("hose", "dye")
LOST = ("foot_joined_to_nothing", "foot_open")


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Somewhere water may be put in.

    Parameters
    ----------
    id, kind
        The asset.
    level_m
        Lowest level at which water stands or leaves there; NaN when not known.
    onward
        Ids downstream of it, every one.
    wet_ids
        Wet lengths it may feed.
    litres
        What a test must pour, and NaN where that is not known.
    holds
        Litres to the first spill, with sigma; ``None`` where not known.
    because
        Why the litres are not known, or what they rest on.
    """

    id: str
    kind: str
    level_m: float
    onward: frozenset[str]
    wet_ids: tuple[str, ...]
    litres: float
    holds: Measured | None
    because: str


def sources_of(lie: Lie, network: Network, drains: Drains | None = None) -> list[Source]:
    """Return the gullies and downpipes within reach of a wet length, and the soakaways they drain to.

    Parameters
    ----------
    drains
        The drains, where they are laid out already.
    """
    own = lie.assets[lie.assets["kind"].isin(SOURCES) & np.isfinite(lie.assets["chainage_m"])]
    if own.empty or not lie.wet:
        return []
    reach = lie.ref.value("walk.test_reach_m")
    ends = {
        wet.id: outside_distance(
            lie.perimeter,
            own["ring_key"],
            own["chainage_m"],
            [wet.ring_key] * 2,
            [wet.from_m, wet.to_m],
        ).min(axis=1)
        for wet in lie.wet
    }
    feeds: dict[str, list[str]] = {str(name): [] for name in own.index}
    for wet in lie.wet:
        length = lie.length(wet.ring_key)
        ahead = np.mod(own["chainage_m"].to_numpy(dtype=float) - wet.from_m, length)
        within = (own["ring_key"] == wet.ring_key).to_numpy() & (ahead <= wet.length_m)
        for name, near in zip(own.index, within | (ends[wet.id] <= reach), strict=True):
            if near:
                feeds[str(name)].append(wet.id)
    pours = _pours(lie, network, [name for name, wets in feeds.items() if wets], drains)
    levels = _levels(lie)
    found = [
        Source(
            id=name,
            kind=str(own.loc[name, "kind"]),
            level_m=levels.get(name, NAN),
            onward=_onward(network, name),
            wet_ids=tuple(wets),
            **pours[name],
        )
        for name, wets in feeds.items()
        if wets
    ]
    return [*found, *_soakaways(lie, found)]


def _soakaways(lie: Lie, found: Sequence[Source]) -> list[Source]:
    """Return the soakaways that take those sources' water: what backs up there wets the same wall."""
    made = []
    for record in lie.site.of("soakaway"):
        soakaway: Any = record
        fed = [source for source in found if record.id in source.onward]
        if not fed:
            continue
        level = soakaway.inlet_invert_level_m
        level = soakaway.cover_level_m if level is None else level
        made.append(
            Source(
                id=record.id,
                kind="soakaway",
                level_m=NAN if level is None else float(level),
                onward=frozenset(),
                wet_ids=tuple(dict.fromkeys(wet for source in fed for wet in source.wet_ids)),
                litres=NAN,
                holds=None,
                because="filled to its inlet, then timed to half empty",
            )
        )
    return made


def _onward(network: Network, name: str) -> frozenset[str]:
    """Return everything downstream of a node, the gully a downpipe falls into included."""
    start = network.discharge.get(name, name)
    found = {str(each) for each in nx.descendants(network.graph, start)} if start in network.graph else set()
    return frozenset(found | ({start} if start != name else set())) - {name}


def _levels(lie: Lie) -> dict[str, float]:
    """Return the lowest level at which water stands or leaves, by asset; else the book's."""
    found: dict[str, float] = {}
    booked = lie.found.assets["level_m"] if lie.found is not None else {}
    for kind, columns in (("gully", ("lip_level_m", "rim_level_m")), ("downpipe", ("foot_level_m",))):
        for record in lie.site.of(kind):
            own = [getattr(record, name) for name in columns]
            given = [float(level) for level in own if level is not None]
            level = min(given, default=float(booked.get(record.id, NAN)))
            found[record.id] = level
    return found


def _pours(
    lie: Lie, network: Network, names: Iterable[str], drains: Drains | None
) -> dict[str, dict[str, Any]]:
    """Return what each test must pour: enough to show with the run below it, or its soakaway, stopped."""
    wanted = list(names)
    if lie.found is None or not wanted:
        return {}
    drains = drains or lay_out_drains(lie.found)
    rate = Inflow.steady(lie.ref.value("walk.hose_l_s"))
    steps = steps_to_outfall(network)
    kinds = network.nodes["kind"].to_dict()
    runs = network.runs
    found = {}
    for name in wanted:
        start = network.discharge.get(name, name)
        below = runs[runs["from_node"] == start]["run_id"] if start in kinds else []
        ends = [each for each in _onward(network, start) if kinds.get(each) == "soakaway"]
        stops = [
            each
            for each in dict.fromkeys([*below, *sorted(ends, key=lambda end: (steps.get(end, 0), end))])
            if each in drains.can_be_blocked
        ]
        found[name] = _most(drains, name, start, stops, rate, lie)
    return found


def _most(
    drains: Drains, name: str, start: str, stops: Sequence[str], rate: Inflow, lie: Lie
) -> dict[str, Any]:
    """Return the largest pour over everything that may be stopped below a source."""
    nothing = {"litres": NAN, "holds": None}
    state = next(
        (str(getattr(record, "state", "")) for record in lie.site.of("downpipe") if record.id == name), ""
    )
    if state in LOST:
        return nothing | {"because": "its water goes into the ground: there is no drain to fill"}
    if not stops:
        return nothing | {"because": f"where {start} leads is not known: nothing is drawn from it"}
    best: dict[str, Any] | None = None
    lacking = []
    for stop in stops:
        # How much is poured hangs on the pipes alone: no pool need be followed to a wall.
        result = back_up(
            drains.network,
            blocked=Blockage(asset_id=stop),
            source=start,
            inflow=rate,
            ref=lie.ref,
            changes=False,
        )
        fills = result.litres.value > 0
        pour = required_pour(result, rate_l_s=rate.peak_l_s, ref=lie.ref) if fills else None
        if pour is None or not math.isfinite(pour.wanted_l) or result.verdict.word == NOT_KNOWN:
            missing = ", ".join(result.decides) if result.decides else ""
            lacking.append(f"level of {missing}" if missing else f"{stop}: {result.verdict.because}")
            continue
        if best is None or pour.wanted_l > best["litres"]:
            said = f"holds {pour.to_spill_l.value:.0f} ± {pour.to_spill_l.sigma:.0f} l with {stop} stopped"
            best = {"litres": pour.wanted_l, "holds": pour.to_spill_l, "because": said}
    if best is None:
        return nothing | {"because": "; ".join(dict.fromkeys(lacking))}
    if lacking:
        best["because"] += f"; more where {'; '.join(dict.fromkeys(lacking))} is known"
    return best


def settled_by(lie: Lie, source: Source) -> tuple[bool, str]:
    """Say whether a test on record already answers for a source, and what it said."""
    told = (False, "")
    for record in lie.site.of("trial"):
        trial: Any = record
        if trial.source_id != source.id or trial.trial_kind not in (*POURED, "soakaway_fill"):
            continue
        if trial.shown == "shown":
            return True, f"{trial.id}: it showed"
        if trial.shown == "stopped":
            told = (False, f"{trial.id} was stopped before it could tell")
            continue
        litres = poured_l(trial)
        if source.holds is None or not math.isfinite(litres):
            what = "its litres are not recorded" if not math.isfinite(litres) else source.because
            told = (False, f"{trial.id} showed nothing, and whether it was enough is not known: {what}")
            continue
        enough = sufficiency(litres, source.holds, ref=lie.ref)
        if enough.word == "enough":
            return True, f"{trial.id} showed nothing and was big enough: {enough.because}"
        told = (False, f"{trial.id} showed nothing but was too small: {enough.because}")
    return told


def poured_l(trial: Any) -> float:
    """Return the litres a test on record poured: as written, else rate by time; NaN when not known."""
    if trial.volume_l is not None:
        return float(trial.volume_l)
    rate = trial.rate_l_s
    if rate is None and trial.bucket_l and trial.bucket_s:
        rate = trial.bucket_l / trial.bucket_s
    seconds = _seconds(trial.started_at, trial.stopped_at)
    return NAN if rate is None else float(rate) * seconds


def _seconds(start: str, stop: str) -> float:
    if "T" not in start or "T" not in stop:
        return NAN
    begin, end = datetime.fromisoformat(start), datetime.fromisoformat(stop)
    if (begin.tzinfo is None) != (end.tzinfo is None):
        return NAN
    return max(0.0, (end - begin).total_seconds())
