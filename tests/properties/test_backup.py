"""Water backing up: nothing is lost, higher rims never spill sooner, fewer stops never stand higher."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import networkx as nx
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geo import reference
from geo.drains.backup import Blockage, back_up
from geo.drains.network import Network, build_network
from geo.drains.storage import Inflow, balance, pipe_litres
from geo.verdict import NOT_KNOWN

REF = reference.default()


@st.composite
def drains(draw: st.DrawFn) -> dict[str, list[dict[str, Any]]]:
    """Draw a branching drain of 2 to 9 gullies, some runs with humps, levels to the millimetre."""
    count = draw(st.integers(2, 9))
    invert, gullies, runs = [], [], []
    for i in range(count):
        below = -1 if i == 0 else draw(st.integers(0, i - 1))
        start = 9000 if below < 0 else invert[below]
        invert.append(start + draw(st.integers(0, 120)))
        rim = invert[i] + draw(st.integers(150, 900))
        gullies.append({"id": f"G{i}", "rim_level_m": rim / 1000, "outlet_invert_level_m": invert[i] / 1000,
                        "riser_mm": 150.0, "state": "sound", "level_sigma_m": 0.001})  # fmt: skip
        hump = draw(st.one_of(st.none(), st.integers(0, 400)))
        runs.append({"id": f"R{i}", "from_id": f"G{i}", "to_id": f"G{below}" if below >= 0 else "", "bore_mm": 100.0,
                     "invert_up_level_m": invert[i] / 1000, "invert_down_level_m": start / 1000,
                     "crest_level_m": math.nan if hump is None else (invert[i] + hump) / 1000,
                     "length_m": float(draw(st.integers(1, 20))), "state": "clear"})  # fmt: skip
    return {"gully": gullies, "run": runs}


def build(tables: dict[str, list[dict[str, Any]]]) -> Network:
    """Build from rows."""
    return build_network({kind: pd.DataFrame(rows) for kind, rows in tables.items()}, ref=REF)


def needed(network: Network, blocked: list[str], source: str) -> float:
    """How high the water must stand before any of it leaves, sills on its way and an outfall included."""
    return back_up(network, blocked=blocked, source=source, ref=REF, changes=False).needs_m


def brute(tables: dict[str, list[dict[str, Any]]], cut: str, source: str) -> tuple[str, float]:
    """Pour a little at a time: raise the lowest pool the water runs to until it stands at a rim.

    Written apart from the engine: water moves node by node over the lowest crest, and pools are found
    again from nothing at every step.
    """
    rims = {g["id"]: g["rim_level_m"] for g in tables["gully"]} | {"out": 9.0}
    links = [
        (
            r["from_id"],
            r["to_id"] or "out",
            np.nanmax([r["invert_up_level_m"], r["invert_down_level_m"], r["crest_level_m"]]),
        )
        for r in tables["run"]
        if r["id"] != cut
    ]
    here, entered = source, math.inf
    while True:
        pool, top = {here}, -math.inf
        while True:
            ways = [(c, b if a in pool else a) for a, b, c in links if (a in pool) != (b in pool)]
            sill, beyond = min(ways, default=(math.inf, ""))
            rim, node = min((rims[n], n) for n in pool)
            if rim <= max(sill, top) and rim <= sill:
                return node, rim
            # Beyond the sill lies a basin of its own if something there can spill lower than the sill.
            lower = reach_below(links, pool, beyond, sill)
            low = min(((rims[n], n) for n in lower), default=(math.inf, ""))
            if low[0] <= sill:
                here, entered = beyond, sill
                break
            pool |= lower
            top = sill
        assert entered < math.inf


def reach_below(links: list[tuple[str, str, float]], pool: set[str], start: str, sill: float) -> set[str]:
    """Everything beyond a sill that lies open below it."""
    found, todo = {start}, [start]
    while todo:
        at = todo.pop()
        for a, b, crest in links:
            other = b if a == at else a if b == at else ""
            if other and other not in found and other not in pool and crest < sill:
                found.add(other)
                todo.append(other)
    return found


@given(drains(), st.data())
@settings(max_examples=60, deadline=None)
def test_the_first_spill_is_the_one_found_by_hand(
    tables: dict[str, list[dict[str, Any]]], data: st.DataObject
) -> None:
    """Filling basin by basin in a plain search, written apart, gives the same level, and node but for ties."""
    names = [g["id"] for g in tables["gully"]]
    cut, source = (
        data.draw(st.sampled_from([r["id"] for r in tables["run"]])),
        data.draw(st.sampled_from(names)),
    )
    found = back_up(build(tables), blocked=cut, source=source, ref=REF, changes=False)
    _, rim = brute(tables, cut, source)
    assert found.level.value == pytest.approx(rim, abs=1e-9)


@given(drains(), st.data(), st.floats(0.0, 2.0))
@settings(max_examples=60, deadline=None)
def test_raising_a_rim_never_brings_the_first_spill_sooner(
    tables: dict[str, list[dict[str, Any]]], data: st.DataObject, by: float
) -> None:
    """However much any one rim is raised, the water must stand as high or higher before it leaves.

    And as many litres or more go in. (What it stands at where it leaves may be lower: kept in at one
    rim, water can run over a sill and leave far down the hill.)
    """
    network = build(tables)
    names = [g["id"] for g in tables["gully"]]
    cut, source = (
        data.draw(st.sampled_from([r["id"] for r in tables["run"]])),
        data.draw(st.sampled_from(names)),
    )
    raised = data.draw(st.sampled_from(names))
    higher = network.with_level(raised, float(network.nodes.loc[raised, "spill_m"]) + by)
    before, after = (
        back_up(n, blocked=cut, source=source, ref=REF, changes=False) for n in (network, higher)
    )
    assert after.needs_m >= before.needs_m - 1e-9
    assert after.litres.value >= before.litres.value - 1e-6
    if after.needs_m == after.level.value:
        assert after.level.value >= before.level.value - 1e-9


@given(drains(), st.data())
@settings(max_examples=60, deadline=None)
def test_the_level_needed_is_the_lowest_highest_crest(
    tables: dict[str, list[dict[str, Any]]], data: st.DataObject
) -> None:
    """Over every path to every way out, the lowest of the highest crest or rim: found by listing paths."""
    cut = data.draw(st.sampled_from([r["id"] for r in tables["run"]]))
    source = data.draw(st.sampled_from([g["id"] for g in tables["gully"]]))
    found = back_up(build(tables), blocked=cut, source=source, ref=REF, changes=False)
    tree = nx.Graph()
    tree.add_node(source)
    for r in tables["run"]:
        if r["id"] != cut:
            crest = np.nanmax([r["invert_up_level_m"], r["invert_down_level_m"], r["crest_level_m"]])
            tree.add_edge(r["from_id"], r["to_id"] or "out", crest=crest)
    rims = {g["id"]: g["rim_level_m"] for g in tables["gully"]} | {"out": 9.0}
    paths = nx.single_source_shortest_path(tree, source)
    needs = [
        max([rims[end], *(tree[a][b]["crest"] for a, b in pairwise(path))]) for end, path in paths.items()
    ]
    assert found.needs_m == pytest.approx(min(needs), abs=1e-9)


@given(drains(), st.data())
@settings(max_examples=40, deadline=None)
def test_removing_a_stop_never_raises_a_level(
    tables: dict[str, list[dict[str, Any]]], data: st.DataObject
) -> None:
    """With one stop fewer water need stand no higher than before to leave.

    (The level where it leaves may rise: with two ways out at one height, one is a rim up here, the other
    a sill with its mouth far down the hill.)
    """
    network = build(tables)
    runs = [r["id"] for r in tables["run"]]
    first, second = data.draw(st.sampled_from(runs)), data.draw(st.sampled_from(runs))
    source = data.draw(st.sampled_from([g["id"] for g in tables["gully"]]))
    assert needed(network, [first], source) <= needed(network, [first, second], source) + 1e-9


pieces = st.lists(st.tuples(st.floats(0, 600), st.floats(0.1, 600), st.floats(0, 2)), min_size=1, max_size=6)


@given(pieces, st.floats(0, 300), st.floats(0, 0.5))
def test_litres_in_are_stored_left_and_spilled(
    parts: list[tuple[float, float, float]], full: float, passes: float
) -> None:
    """Whatever is poured, in = stored + left + spilled; nothing negative, never more stored than fits."""
    clock, inflow = 0.0, []
    for wait, span, rate in parts:
        inflow.append((clock + wait, clock + wait + span, rate))
        clock = clock + wait + span
    found = balance(Inflow(pieces=tuple(inflow)), capacity_l=full, passes_l_s=passes)
    assert found.in_l == pytest.approx(sum(span * rate for _, span, rate in parts))
    assert found.stored_l + found.left_l + found.spilled_l == pytest.approx(found.in_l, abs=1e-6)
    assert min(found.stored_l, found.left_l, found.spilled_l) >= -1e-9
    assert found.peak_stored_l <= full + 1e-9
    assert (found.spilled_l > 0) <= math.isfinite(found.first_spill_s)


@given(drains(), st.data(), st.floats(0.05, 2.0), st.floats(1, 120))
@settings(max_examples=60, deadline=None)
def test_a_whole_back_up_keeps_its_litres(
    tables: dict[str, list[dict[str, Any]]], data: st.DataObject, rate: float, minutes: float
) -> None:
    """The same of whole networks; and it spills just when more is poured than the pool takes."""
    cut = data.draw(st.sampled_from([r["id"] for r in tables["run"]]))
    stop = Blockage(asset_id=cut, at_m=0.5)
    found = back_up(
        build(tables),
        blocked=stop,
        source=f"G{cut[1:]}",
        inflow=Inflow.steady(rate, minutes=minutes),
        ref=REF,
    )
    kept = found.balance
    assert kept is not None
    assert kept.in_l == pytest.approx(rate * minutes * 60)
    assert kept.stored_l + kept.left_l + kept.spilled_l == pytest.approx(kept.in_l)
    assert kept.stored_l <= found.litres.value + 1e-9
    if found.verdict.word != NOT_KNOWN:
        assert (found.verdict.word == "spills") == (kept.in_l > found.litres.value)


@given(
    st.floats(8.9, 10.5),
    st.floats(9, 10),
    st.floats(9, 10),
    st.floats(0.1, 30),
    st.floats(0.05, 0.3),
    st.floats(0, 0.3),
)
def test_litres_grow_with_the_level_and_never_pass_full_bore(
    water: float, a: float, b: float, length: float, bore: float, more: float
) -> None:
    """A pipe never holds less under more water, nor more than its bore times its length."""
    low, high = pipe_litres([water, water + more], a, b, length, bore)
    assert -1e-9 <= low <= high + 1e-9
    assert high <= 1000 * math.pi * bore * bore / 4 * length * (1 + 1e-9)


@given(drains(), st.data(), st.floats(-100, 100))
@settings(max_examples=20, deadline=None)
def test_the_datum_does_not_matter(
    tables: dict[str, list[dict[str, Any]]], data: st.DataObject, shift: float
) -> None:
    """Move every level by the same amount: the same node, litres, and the level moved with it."""
    moved = {
        kind: [{k: v + shift if k.endswith("_level_m") else v for k, v in row.items()} for row in rows]
        for kind, rows in tables.items()
    }
    cut = data.draw(st.sampled_from([r["id"] for r in tables["run"]]))
    source = f"G{cut[1:]}"
    one = back_up(build(tables), blocked=cut, source=source, ref=REF, changes=False)
    two = back_up(build(moved), blocked=cut, source=source, ref=REF, changes=False)
    assert two.level.value == pytest.approx(one.level.value + shift, abs=1e-6)
    assert two.litres.value == pytest.approx(one.litres.value, abs=1e-3)
