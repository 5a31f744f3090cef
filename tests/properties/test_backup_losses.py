"""Cracks, trickles and valves: nothing is lost from the books, and more loss never brings more up."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geo import reference
from geo.drains.backup import Blockage, back_up
from geo.drains.network import Network, build_network
from geo.drains.storage import Inflow, Trickle, balance
from geo.verdict import NOT_KNOWN

REF = reference.default()


@st.composite
def drains(draw: st.DrawFn) -> tuple[dict[str, list[dict[str, Any]]], dict[str, float]]:
    """Draw a branching drain of 2 to 7 gullies, some runs cracked, and the opening of each."""
    count = draw(st.integers(2, 7))
    invert: list[int] = []
    gullies, runs, openings = [], [], {}
    for i in range(count):
        below = -1 if i == 0 else draw(st.integers(0, i - 1))
        start = 9000 if below < 0 else invert[below]
        invert.append(start + draw(st.integers(0, 120)))
        gullies.append({"id": f"G{i}", "rim_level_m": (invert[i] + draw(st.integers(150, 900))) / 1000,
                        "outlet_invert_level_m": invert[i] / 1000, "riser_mm": 150.0, "state": "sound",
                        "level_sigma_m": 0.001})  # fmt: skip
        crack = draw(st.booleans())
        length = float(draw(st.integers(2, 20)))
        runs.append({"id": f"R{i}", "from_id": f"G{i}", "to_id": f"G{below}" if below >= 0 else "", "bore_mm": 100.0,
                     "invert_up_level_m": invert[i] / 1000, "invert_down_level_m": start / 1000,
                     "length_m": length, "state": "crack" if crack else "clear",
                     "fault_at_m": draw(st.floats(0.0, length)) if crack else math.nan})  # fmt: skip
        openings[f"R{i}"] = draw(st.floats(0.1, 20.0))
    return {"gully": gullies, "run": runs}, openings


def build(
    tables: dict[str, list[dict[str, Any]]], openings: dict[str, float] | None = None, factor: float = 1.0
) -> Network:
    """Build, with the openings of the cracks where they were measured."""
    place = None
    if openings is not None:
        place = pd.DataFrame({"opening_cm2": {name: area * factor for name, area in openings.items()}})
    frames = {kind: pd.DataFrame(rows) for kind, rows in tables.items()}
    return build_network(frames, ref=REF, positions=place)


Drawn = tuple[dict[str, list[dict[str, Any]]], dict[str, float]]


@given(drains(), st.data(), st.floats(0.05, 3.0), st.floats(1, 60))
@settings(max_examples=50, deadline=None)
def test_a_cracked_back_up_keeps_its_litres(
    drawn: Drawn, data: st.DataObject, rate: float, minutes: float
) -> None:
    """In = stored + left + spilled, and what a crack may take only ever lowers what is spilled, and delays it."""
    tables, openings = drawn
    cut = data.draw(st.sampled_from([r["id"] for r in tables["run"]]))
    pour = Inflow.steady(rate, minutes=minutes)
    stop = Blockage(asset_id=cut, at_m=0.5)
    found = back_up(build(tables, openings), blocked=stop, source=f"G{cut[1:]}", inflow=pour, ref=REF)
    kept = found.balance
    assert kept is not None
    assert kept.stored_l + kept.left_l + kept.spilled_l == pytest.approx(kept.in_l)
    low, high = found.spilled_between_l
    assert -1e-9 <= low <= high + 1e-9
    assert high == kept.spilled_l
    early, late = found.minutes_between
    assert early <= late
    if found.verdict.word == "spills":
        assert low > 0 or not found.leaks
    unknown = back_up(build(tables), blocked=stop, source=f"G{cut[1:]}", inflow=pour, ref=REF)
    assert (unknown.first, unknown.level) == (found.first, found.level)
    if found.leaks and found.verdict.word != "no spill":
        assert unknown.verdict.word == NOT_KNOWN


@given(drains(), st.data(), st.floats(0.05, 3.0), st.floats(1.0, 5.0))
@settings(max_examples=40, deadline=None)
def test_a_larger_crack_never_makes_it_surer_to_come_up(
    drawn: Drawn, data: st.DataObject, rate: float, factor: float
) -> None:
    """Wider openings take spills to not known, never the other way."""
    tables, openings = drawn
    cut = data.draw(st.sampled_from([r["id"] for r in tables["run"]]))
    stop = Blockage(asset_id=cut, at_m=0.5)
    words = [
        back_up(
            build(tables, openings, each),
            blocked=stop,
            source=f"G{cut[1:]}",
            inflow=Inflow.steady(rate),
            ref=REF,
        ).verdict.word
        for each in (1.0, factor)
    ]
    assert words[0] == words[1] or words == ["spills", NOT_KNOWN]


@given(drains(), st.data())
@settings(max_examples=40, deadline=None)
def test_removing_a_stop_never_raises_a_level_with_cracks(drawn: Drawn, data: st.DataObject) -> None:
    """With one stop fewer water first leaves no higher, and no crack stands under more water."""
    tables, openings = drawn
    network = build(tables, openings)
    runs = [r["id"] for r in tables["run"]]
    first, second = data.draw(st.sampled_from(runs)), data.draw(st.sampled_from(runs))
    source = data.draw(st.sampled_from([g["id"] for g in tables["gully"]]))
    one = back_up(network, blocked=[first], source=source, ref=REF, changes=False)
    two = back_up(network, blocked=[first, second], source=source, ref=REF, changes=False)
    assert one.level.value <= two.level.value + 1e-9


@given(
    st.lists(st.tuples(st.floats(0, 400), st.floats(0.1, 400), st.floats(0, 2)), min_size=1, max_size=6),
    st.lists(st.tuples(st.floats(0.5, 60), st.floats(0, 0.3)), min_size=1, max_size=6),
    st.floats(1, 300),
)
def test_a_trickle_by_slices_keeps_its_litres(
    parts: list[tuple[float, float, float]], slices: list[tuple[float, float]], full: float
) -> None:
    """Whatever passes in each slice, as long as more passes higher up: in = stored + left + spilled."""
    edges, rates = [0.0], []
    for size, more in slices:
        edges.append(edges[-1] + size)
        rates.append((rates[-1] if rates else 0.0) + more)
    clock, pieces = 0.0, []
    for wait, span, rate in parts:
        pieces.append((clock + wait, clock + wait + span, rate))
        clock += wait + span
    trickle = Trickle(litres=tuple(edges), rates_l_s=tuple(rates))
    found = balance(Inflow(pieces=tuple(pieces)), capacity_l=full, passes_l_s=trickle)
    assert found.in_l == pytest.approx(sum(span * rate for _, span, rate in parts))
    assert found.stored_l + found.left_l + found.spilled_l == pytest.approx(found.in_l, abs=1e-6)
    assert min(found.stored_l, found.left_l, found.spilled_l) >= -1e-9
    assert found.peak_stored_l <= full + 1e-9
    # Between a trickle of the least and one of the most of its rates.
    most = balance(Inflow(pieces=tuple(pieces)), capacity_l=full, passes_l_s=rates[0])
    least = balance(Inflow(pieces=tuple(pieces)), capacity_l=full, passes_l_s=rates[-1])
    assert least.spilled_l - 1e-6 <= found.spilled_l <= most.spilled_l + 1e-6


@given(drains(), st.data())
@settings(max_examples=30, deadline=None)
def test_a_valve_that_works_never_lets_more_come_up(drawn: Drawn, data: st.DataObject) -> None:
    """With a working valve on one run, water from another branch must stand as high or higher to leave."""
    tables, _ = drawn
    runs = [r["id"] for r in tables["run"]]
    cut, at = data.draw(st.sampled_from(runs)), data.draw(st.sampled_from(runs))
    source = data.draw(st.sampled_from([g["id"] for g in tables["gully"]]))
    assume(at != cut)
    valve = pd.DataFrame([{"id": "V", "run_id": at, "fitting_kind": "non_return", "state": "works"}])
    frames = {kind: pd.DataFrame(rows) for kind, rows in tables.items()}
    plain = back_up(build(tables), blocked=cut, source=source, ref=REF, changes=False)
    held = back_up(
        build_network({**frames, "fitting": valve}, ref=REF),
        blocked=cut,
        source=source,
        ref=REF,
        changes=False,
    )
    assert held.needs_m >= plain.needs_m - 1e-9
