"""Stops at chambers and soakaways, the most downstream first, and the routes to be traced between them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import networkx as nx

from geo.drains.network import Network, build_network
from geo.site.records import ASSETS
from geo.walk.ground_plan import Lie
from geo.walk.minutes import task
from geo.walk.outside import asset_stop
from geo.walk.stops import NAN, Stop
from geo.walk.words import DROP_RANK, IF_SEEN, LEFT_OUT, LEVELS

PROVEN = ("seen", "tap_test", "dye", "sonde", "camera")


def network_of(lie: Lie) -> Network:
    """Return the drains as recorded, with positions; levels of the book are not needed for an order."""
    tables = {kind: lie.site.table(kind) for kind in (*ASSETS, "run")}
    own = lie.assets[lie.assets["kind"].isin(ASSETS)][["x", "y", "ring_key", "chainage_m"]]
    positions = own.assign(position_sigma_m=NAN) if len(own) else None
    return build_network(tables, ref=lie.ref, positions=positions)


def steps_to_outfall(network: Network) -> dict[str, int]:
    """Return, for each node, the most runs from it to the end of its drain; a ring of runs counts as one.

    Whatever lies downstream of a node has a smaller number than the node itself.
    """
    graph = nx.DiGraph(network.graph)
    whole = nx.condensation(graph)
    depth: dict[int, int] = {}
    for part in reversed(list(nx.topological_sort(whole))):
        depth[part] = max((depth[onward] + 1 for onward in whole.successors(part)), default=0)
    found = {node: depth[part] for node, part in whole.graph["mapping"].items()}
    for pipe, gully in network.discharge.items():
        found[pipe] = found.get(gully, 0) + 1
    return {str(node): steps for node, steps in found.items()}


def drain_stops(lie: Lie, network: Network) -> list[Stop]:
    """Return chambers and soakaways, downstream first, then the routes nobody has proven."""
    steps = steps_to_outfall(network)
    level = {str(name): float(row["base_m"]) for name, row in network.nodes.iterrows()}

    def order(stop: Stop) -> tuple[int, float, str]:
        name = stop.rests_on[0]
        lowest = level.get(name, NAN)
        return steps.get(name, 0), lowest if math.isfinite(lowest) else math.inf, name

    stops = [
        replace(asset_stop(lie, record, part="drains"), ring_key="", face="", chainage_m=NAN)
        for kind in ("chamber", "soakaway")
        for record in lie.site.of(kind)
    ]
    return [*sorted(stops, key=order), *_expected(lie), *_tracing(lie, steps)]


def _expected(lie: Lie) -> Iterator[Stop]:
    """Yield the chamber that must be somewhere when none is on record."""
    if lie.site.of("chamber"):
        return
    ref = lie.ref
    yield Stop(
        id="search:chamber",
        part="drains",
        kind="search",
        title="Look for a chamber",
        expected="the house drains somewhere, and no chamber is on record: follow the soil stack",
        state_group="chamber_state",
        states=tuple((key, ref.word("chamber_state", key)) for key in ref.vocabulary["chamber_state"]),
        levels=LEVELS["chamber"],
        if_seen=IF_SEEN["chamber"],
        tasks=(task("chamber", ref=ref),),
        left_out=LEFT_OUT["search"].format(name="a chamber"),
    )


def _tracing(lie: Lie, steps: dict[str, int]) -> Iterator[Stop]:
    """Yield a stop for each route nobody has proven: runs assumed, and fixtures joined to nothing known."""
    ref = lie.ref
    rows: list[tuple[int, str, str, str]] = []
    for record in lie.site.of("run"):
        run: Any = record
        proven = run.from_evidence in PROVEN and run.to_evidence in PROVEN and run.to_id
        if not proven:
            said = f"{run.from_id or 'not known where'} to {run.to_id or 'not known where'}, not proven"
            rows.append((steps.get(run.from_id, 0), record.id, f"run {record.id}", said))
    for record in lie.site.of("fixture"):
        fixture: Any = record
        if fixture.fixture_kind in ("waste_pipe", "stack") and not fixture.into_id:
            what = ref.word("fixture_kind", fixture.fixture_kind)
            rows.append((0, record.id, f"{what} {record.id}", "not known where it discharges"))
    for _, name, what, said in sorted(rows):
        yield Stop(
            id=f"tracing:{name}",
            part="drains",
            kind="tracing",
            title=f"Trace {what}",
            expected=said,
            state_group="trace_evidence",
            states=tuple((key, ref.word("trace_evidence", key)) for key in ref.vocabulary["trace_evidence"]),
            if_seen=("nothing comes within two minutes: dye, and watch the next chamber down",),
            tasks=(task("tracing", ref=ref),),
            left_out=LEFT_OUT["tracing"].format(name=what),
            drop_rank=DROP_RANK["tracing"],
            rests_on=(name,),
        )
