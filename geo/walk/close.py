"""Before leaving: what would make the report say "not known", and what it takes to end each."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import networkx as nx
import numpy as np

from geo.drains.network import Network
from geo.findings.drain_answer import Drains
from geo.findings.examine import Findings
from geo.findings.gaps import Gap
from geo.perimeter.path import outside_distance
from geo.site.model import Site
from geo.walk.drains import network_of, steps_to_outfall
from geo.walk.ground_plan import Lie, lie_of
from geo.walk.inside import missing_leave
from geo.walk.live import latest_marks
from geo.walk.sources import settled_by, sources_of

UNLIFTED = ("not_looked", "no_access")


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenEnd:
    """Something still open.

    Parameters
    ----------
    kind
        ``safety``, ``unread``, ``course``, ``ground``, ``control``, ``test``, ``chamber``, ``unexplained``,
        ``leave``, ``meter`` or ``other``.
    gap
        What is missing, where, why it matters, what settles it, and in how many minutes.
    wall_m
        Metres of wall of which the report would have to say "not known" for it: what it costs.
    """

    kind: str
    gap: Gap
    wall_m: float


def close_down(site: Site, findings: Findings, drains: Drains | None = None) -> list[OpenEnd]:
    """Return what is still open before leaving.

    First what endangers people; then by the metres of wall the report could say nothing of, dearest first;
    of equals the one soonest ended. A stop of the close-down marked done is no longer open.

    Parameters
    ----------
    site, findings
        A site, and what is found at it as it stands.
    drains
        Its drains, where they are laid out already.
    """
    lie = lie_of(site, findings)
    network = network_of(lie)
    marks = latest_marks(site.of("stop_mark"))
    found = [
        *_safety(lie, marks), *_from_gaps(lie), *_tests(lie, network, drains), *_chambers(lie, network),
        *_unexplained(lie), *_leave(lie), *_meter(lie, marks),
    ]  # fmt: skip
    return sorted(found, key=lambda end: (end.kind != "safety", -round(end.wall_m, 2), end.gap.minutes))


def stop_of(end: OpenEnd) -> str:
    """Return the stop of the close-down that ends something when it is marked done, or nothing."""
    if end.kind == "meter":
        return "close_down:meter"
    if end.kind == "safety":
        return "close_down:covers" if end.gap.what.startswith("covers") else "close_down:holes"
    return ""


def _safety(lie: Lie, marks: dict[str, str]) -> Iterator[OpenEnd]:
    if marks.get("close_down:covers") != "done":
        lifted = [record.id for record in lie.site.of("chamber") if getattr(record, "evidence", "") == "seen"]
        if lifted:
            yield _end(
                "safety", "covers not said to be back", ", ".join(lifted), "somebody may fall",
                "put each back, flat and fast, and mark it done", 3,
            )  # fmt: skip
    if marks.get("close_down:holes") != "done":
        opened: list[Any] = list(lie.site.of("opening_up"))
        still = [hole.id for hole in opened if hole.made_good != "yes"]
        if still:
            yield _end(
                "safety", "holes not said to be closed", ", ".join(still), "dust, water and people get in",
                "close or guard each, and write it down", 5.0 * len(still),
            )  # fmt: skip


def _end(
    kind: str, what: str, where: str, why: str, settle: str, minutes: float, wall_m: float = 0.0
) -> OpenEnd:
    gap = Gap(what=what, where=where, why=why, settle=settle, minutes=minutes)
    return OpenEnd(kind=kind, gap=gap, wall_m=wall_m)


def _from_gaps(lie: Lie) -> Iterator[OpenEnd]:
    """Yield what the findings call not known; a missing control costs the wall read by that group."""
    found = lie.found
    if found is None:
        return
    reach = lie.ref.value("moisture.read_reach_m")
    for gap in found.gaps:
        span = gap.chainage_to_m - gap.chainage_from_m
        if "wall not read" in gap.what:
            kind = "unread"
        elif "damp proof course" in gap.what:
            kind = "course"
        elif "fall of the ground" in gap.what:
            kind = "ground"
        elif "neither wet nor dry" in gap.what:
            kind = "control"
            group = found.readings[
                found.readings["group"].str.replace("|", ", ").str.replace("_", " ") == gap.where
            ]
            open_ones = group[group["wet"] == "not known"]
            span = min(2 * reach * open_ones["chainage_m"].round(1).nunique(), _whole(lie))
        else:
            kind = "other"
        yield OpenEnd(kind=kind, gap=gap, wall_m=span if math.isfinite(span) else 0.0)


def _whole(lie: Lie) -> float:
    return sum(lie.length(ring) for ring in lie.rings)


def _wet_m(lie: Lie, wet_ids: Any) -> float:
    return sum(wet.length_m for wet in lie.wet if wet.id in wet_ids)


def _tests(lie: Lie, network: Network, drains: Drains | None) -> Iterator[OpenEnd]:
    """Yield tests on record that say nothing: too small, stopped, or not known to be enough."""
    tried = {getattr(record, "source_id", "") for record in lie.site.of("trial")}
    for source in sources_of(lie, network, drains) if tried else ():
        answered, said = settled_by(lie, source)
        if answered or not said:
            continue
        rate = lie.ref.value("walk.hose_l_s")
        litres = source.litres if math.isfinite(source.litres) else lie.ref.value("walk.pour_l")
        minutes = litres / rate / 60 + lie.ref.value("walk.dyed_extra_min")
        yield _end(
            "test", f"test of {source.id} says nothing", source.id, said,
            f"pour {litres:.0f} l or more into {source.id}", minutes, _wet_m(lie, source.wet_ids),
        )  # fmt: skip


def _chambers(lie: Lie, network: Network) -> Iterator[OpenEnd]:
    """Yield chambers nobody lifted; each costs the wall beside the outlets that drain through it."""
    reach = 2 * lie.ref.value("outlets.radius_c_m")
    kinds = network.nodes["kind"].to_dict()
    steps = steps_to_outfall(network)
    for record in sorted(lie.site.of("chamber"), key=lambda record: (steps.get(record.id, 0), record.id)):
        chamber: Any = record
        if chamber.evidence not in UNLIFTED and chamber.state != "buried":
            continue
        above = nx.ancestors(network.graph, record.id) if record.id in network.graph else set()
        outlets = [name for name in above if kinds.get(name) in ("gully", "downpipe")]
        buried = chamber.state == "buried"
        minutes = lie.ref.value("walk.chamber_buried_min" if buried else "walk.chamber_min")
        word = "buried" if buried else lie.ref.word("evidence", chamber.evidence)
        said = f"{word}: what joins it, and whether water stands in it, is not known"
        yield _end(
            "chamber", f"chamber {record.id} not lifted", record.id, said,
            "lift it, dip it, and run a tap", minutes, min(reach * len(outlets), _whole(lie)),
        )  # fmt: skip


def _unexplained(lie: Lie) -> Iterator[OpenEnd]:
    """Yield wet lengths beside which nothing on record could be the source."""
    found = lie.found
    if found is None:
        return
    near = lie.ref.value("outlets.radius_c_m")
    outlets = found.assets[
        found.assets["kind"].isin(("gully", "downpipe")) & (found.assets["ring_key"] != "")
    ]
    toward = found.ground.falls[found.ground.falls["verdict"] == "toward"]["station_id"]
    short = found.ground.clearance[found.ground.clearance["verdict"] == "short"]["station_id"]
    suspect = found.stations[found.stations["station_id"].isin([*toward, *short])]
    for wet in lie.wet:
        ends = np.linspace(wet.from_m, wet.to_m, max(2, math.ceil(wet.length_m / 0.25) + 1))
        rings = [wet.ring_key] * len(ends)
        ways = [
            (outlets["ring_key"], outlets["chainage_m"], near),
            (suspect["ring_key"], suspect["chainage_m"], 0.5),
        ]
        explained = False
        for keys, chainages, reach in ways:
            if len(keys):
                far = outside_distance(lie.perimeter, rings, ends, keys, chainages.to_numpy(dtype=float))
                explained = explained or bool((far <= reach).any())
        if not explained:
            yield _end(
                "unexplained", f"{wet.length_m:.1f} m wet and nothing on record beside it", wet.where,
                "no gully, downpipe, ground falling to the wall or low course is known within reach",
                "look again outside and above; then read the meter half an hour apart", 15, wet.length_m,
            )  # fmt: skip


def _leave(lie: Lie) -> Iterator[OpenEnd]:
    """Yield leave that is missing for what the wet lengths ask for."""
    if not lie.wet:
        return
    wet = sum(one.length_m for one in lie.wet)
    for what, waits in (
        ("opening_up", "holes at the wet lengths"),
        ("drilling", "drilled samples"),
        ("water_test", "water and dye tests"),
    ):
        said = missing_leave(lie, what)
        if said:
            refused = said.endswith(lie.ref.word("consent_state", "refused"))
            settle = (
                "say so in the report" if refused else "ask whoever may give it, and write the answer down"
            )
            yield _end("leave", f"no leave for {waits}", "the whole visit", said, settle, 5, wet)


def _meter(lie: Lie, marks: dict[str, str]) -> Iterator[OpenEnd]:
    """Yield the water meter where two readings with everything off are not there."""
    readings: list[Any] = sorted(lie.site.of("meter_reading"), key=lambda one: getattr(one, "taken_at", ""))
    if marks.get("close_down:meter") in ("done", "no_access") and len(readings) != 1:
        return
    wet = sum(one.length_m for one in lie.wet)
    if len(readings) >= 2 and readings[-1].all_off == "yes":
        return
    if not readings:
        what, why = "water meter not read", "whether a pipe under pressure leaks is not known"
    elif len(readings) == 1:
        what, why = "water meter not read at the end", "one reading says nothing: the loss is not known"
    else:
        what, why = (
            "water meter read while water ran",
            "whether everything was off between readings is not known",
        )
    minutes = 2.0 if len(readings) == 1 else 30.0
    settle = (
        "read it now, with everything off since the start"
        if minutes < 30
        else "read it twice, all off between"
    )
    yield _end("meter", what, "water meter", why, settle, minutes, wet)
