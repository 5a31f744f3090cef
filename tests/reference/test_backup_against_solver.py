"""Back-up and steady flows against an independent solver of the full equations of flow in sewers.

The solver is the United States Environmental Protection Agency's Storm Water Management Model 5.2, as
carried by the packages swmm-toolkit and pyswmm. Surcharge by slot, true riser areas as storage.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from geo import reference
from geo.drains.backup import Blockage, back_up, surcharged
from geo.drains.network import Network, build_network
from geo.drains.storage import Inflow
from geo.verdict import Measured

pytest.importorskip("pyswmm")

REF = reference.default()
SEEDS = range(24)
RATE = 0.5
SLOW = 0.15  # slow enough that the last risers fill together
BORE = 0.1
RISER = 0.15

HEAD = """[OPTIONS]
FLOW_UNITS LPS
FLOW_ROUTING DYNWAVE
START_DATE 01/01/2026
START_TIME 00:00:00
END_DATE 01/01/2026
END_TIME {end}
REPORT_STEP 00:01:00
ROUTING_STEP 0.5
VARIABLE_STEP 0
INERTIAL_DAMPING PARTIAL
SURCHARGE_METHOD SLOT
MIN_SURFAREA 0.0001
ALLOW_PONDING NO
LINK_OFFSETS ELEVATION
HEAD_TOLERANCE 0.0005
MAX_TRIALS 20
"""


@dataclass(frozen=True)
class Case:
    """A drain: per node its rim (infinite when sealed), invert, and the node its run leads to."""

    rim: np.ndarray
    invert: np.ndarray
    below: np.ndarray
    length: np.ndarray
    cut: int
    start: int
    valve: int = -1

    @property
    def blocked(self) -> Blockage:
        """The run that is stopped, at its lower end."""
        return Blockage(asset_id=f"R{self.cut}", at_m=float(self.length[self.cut]))

    @property
    def source(self) -> str:
        """Where water is put in."""
        return f"N{self.start}"


@dataclass(frozen=True)
class Flood:
    """What the solver found."""

    first: str
    level_m: float
    heads: dict[str, float]
    flooding_l_s: float


def make_case(seed: int) -> Case:
    """Draw a branching drain; every third has a sealed hump that lies above some of the rims.

    Rims differ by 20 mm at least, so that the first is never a matter of millimetres.
    """
    rng = np.random.default_rng(seed)
    n = int(rng.integers(6, 15))
    below = np.array([-1] + [int(rng.integers(max(0, i - 3), i)) for i in range(1, n)])
    length = rng.uniform(3.0, 9.0, n).round(2)
    invert = np.zeros(n)
    for i in range(n):
        invert[i] = (9.0 if below[i] < 0 else invert[below[i]]) + length[i] / 60.0
    rim = 10.0 + invert.max() - 9.6 + 0.02 * rng.permutation(n)
    rim[rng.random(n) < 0.2] = np.inf
    rim[n - 1] = min(rim[n - 1], 10.0 + invert.max() - 9.6 + 0.02 * n)
    if seed % 3 == 0:
        hump = int(rng.integers(1, n - 1))
        invert[hump], rim[hump] = np.sort(rim[np.isfinite(rim)])[1] - 0.01, np.inf
    cut = int(rng.integers(0, max(1, n // 3)))
    above = [i for i in range(n) if leads_to(below, i, cut)]
    if not np.isfinite(rim[above]).any():
        rim[above[0]] = 10.0 + invert.max() - 9.6
    return Case(rim=rim, invert=invert, below=below, length=length, cut=cut, start=int(rng.choice(above)))


def leads_to(below: np.ndarray, i: int, target: int) -> bool:
    """Whether water from a node passes another."""
    while i >= 0 and i != target:
        i = int(below[i])
    return i == target


def with_valve(case: Case) -> Case | None:
    """Put a non-return valve in a side branch, if there is one, so as to shut off the first spill if it can."""
    rims = np.where(np.isfinite(case.rim), case.rim, np.inf)
    found = []
    for v in range(len(case.rim)):
        behind = [i for i in range(len(case.rim)) if leads_to(case.below, i, v)]
        aside = v != case.cut and leads_to(case.below, v, case.cut) and case.start not in behind
        left = [i for i in range(len(case.rim)) if leads_to(case.below, i, case.cut) and i not in behind]
        if aside and np.isfinite(rims[left]).any():
            found.append((float(rims[behind].min()), v))
    return replace(case, valve=min(found)[1]) if found else None


def ours(case: Case, passes: float | None = None) -> Network:
    """The same drain as our records: gullies, and sealed chambers of the riser's size."""
    gullies, chambers, runs = [], [], []
    for i, (rim, invert) in enumerate(zip(case.rim, case.invert, strict=True)):
        if np.isfinite(rim):
            gullies.append({"id": f"N{i}", "rim_level_m": rim, "outlet_invert_level_m": invert,
                            "riser_mm": 1000 * RISER, "state": "sound"})  # fmt: skip
        else:
            chambers.append({"id": f"N{i}", "cover_level_m": invert + 1.0, "invert_level_m": invert, "sealed": "yes",
                             "length_mm": 1000 * RISER, "width_mm": 1000 * RISER})  # fmt: skip
        end = case.below[i]
        runs.append({"id": f"R{i}", "from_id": f"N{i}", "to_id": f"N{end}" if end >= 0 else "", "state": "clear",
                     "bore_mm": 1000 * BORE, "length_m": case.length[i], "invert_up_level_m": invert,
                     "invert_down_level_m": case.invert[end] if end >= 0 else 9.0})  # fmt: skip
        if passes is not None and i == case.cut:
            runs[-1] |= {"passes_l_s": passes, "fault_at_m": case.length[i]}
    valve = [{"id": "V", "run_id": f"R{case.valve}", "fitting_kind": "non_return", "state": "works"}]
    tables = {"gully": gullies, "chamber": chambers, "run": runs, "fitting": valve if case.valve >= 0 else []}
    return build_network({kind: pd.DataFrame(rows) for kind, rows in tables.items() if rows}, ref=REF)


def write_input(
    case: Case,
    path: Path,
    flows: dict[int, float],
    *,
    end: str,
    stop: bool,
    passes: float = 0.0,
    sewer_to: float = 0.0,
) -> None:
    """Write the drain for the solver: a stopped run ends in a sealed node, a trickle leaves by an outlet."""
    lines = [HEAD.format(end=end), "[STORAGE]"]
    for i, (rim, invert) in enumerate(zip(case.rim, case.invert, strict=True)):
        deep = rim - invert if np.isfinite(rim) else 0.3
        sealed = 0 if np.isfinite(rim) else 50
        lines.append(f"N{i} {invert:.6f} {deep:.6f} 0 FUNCTIONAL 0 0 {RISER * RISER} {sealed} 0")
    ends = {i: f"N{b}" if b >= 0 else "OUT" for i, b in enumerate(case.below)}
    foot = {i: case.invert[b] if b >= 0 else 9.0 for i, b in enumerate(case.below)}
    lines += ["[OUTFALLS]", "OUT 9.0 TIMESERIES SEWER NO" if sewer_to else "OUT 9.0 FREE NO"]
    if sewer_to:
        lines += ["[TIMESERIES]", "SEWER 0:00 9.0", f"SEWER 3:00 {sewer_to}", f"SEWER 12:00 {sewer_to}"]
    if stop:
        ends[case.cut] = "STOP"
        lines += ["[JUNCTIONS]", f"STOP {foot[case.cut]:.6f} 0.1 0 50 0"]
        if passes:
            lines += [
                "[OUTFALLS]",
                "AWAY 5.0 FREE NO",
                "[OUTLETS]",
                f"O STOP AWAY {foot[case.cut]:.6f} TABULAR/HEAD C",
            ]
            lines += ["[CURVES]", "C RATING 0 0", f"C 0.01 {passes}", f"C 50 {passes}"]
    lines += ["[CONDUITS]"]
    lines += [
        f"R{i} N{i} {ends[i]} {case.length[i]} 0.010 {case.invert[i]:.6f} {foot[i]:.6f} 0 0" for i in ends
    ]
    lines += ["[XSECTIONS]", *[f"R{i} CIRCULAR {BORE} 0 0 0 1" for i in ends]]
    lines += ["[INFLOWS]", *[f'N{i} FLOW "" FLOW 1.0 1.0 {rate}' for i, rate in flows.items()]]
    if case.valve >= 0:
        lines += ["[LOSSES]", f"R{case.valve} 0 0 0 YES 0"]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def flood(
    case: Case,
    folder: Path,
    *,
    rate: float = SLOW,
    passes: float = 0.0,
    settle: bool = False,
    sewer_to: float = 0.0,
) -> Flood:
    """Run the solver until a node floods; to settle, on for fifteen minutes, flooding the mean of the last ten."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from pyswmm import Nodes, Simulation

        path = folder / f"case_{case.cut}_{case.start}_{len(case.rim)}.inp"
        write_input(
            case, path, {} if sewer_to else {case.start: rate}, end="11:59:00" if sewer_to else "06:00:00", stop=not sewer_to, passes=passes,
            sewer_to=sewer_to,
        )  # fmt: skip
        with Simulation(str(path)) as sim:
            nodes = {node.nodeid: node for node in Nodes(sim) if node.nodeid.startswith("N")}
            first, heads, begun, flows = "", {}, None, []
            for _ in sim:
                wet = [name for name, node in nodes.items() if node.flooding > 1e-6]
                if wet and not first:
                    first, begun = max(wet, key=lambda name: nodes[name].flooding), sim.current_time
                    heads = {name: node.head for name, node in nodes.items()}
                gone = (sim.current_time - begun).total_seconds() if begun else 0.0
                if gone > 300:
                    flows.append(sum(node.flooding for node in nodes.values()))
                if first and (not settle or gone > 900):
                    break
            flooding = float(np.mean(flows)) if flows else float("nan")
        return Flood(first=first, level_m=heads.get(first, np.nan), heads=heads, flooding_l_s=flooding)


def steady(case: Case, folder: Path, flows: dict[int, float]) -> dict[str, float]:
    """Run the open drain for an hour and return the flow in every run."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from pyswmm import Links, Simulation

        path = folder / "steady.inp"
        write_input(case, path, flows, end="01:00:00", stop=False)
        with Simulation(str(path)) as sim:
            found: dict[str, float] = {}
            for _ in sim:
                found = {link.linkid: link.flow for link in Links(sim)}
        return found


@pytest.mark.parametrize("seed", SEEDS)
def test_the_same_node_floods_first_at_the_same_level(seed: int, tmp_path: Path) -> None:
    """Same node; its level, and that of every node open to it by full pipes, within 5 mm of the solver's.

    Where a crest lies less than a bore under the level the pipe there is not full and the flow over it
    has a depth of its own, which a level of still water leaves out.
    """
    case = make_case(seed)
    found = back_up(ours(case), blocked=case.blocked, source=case.source, ref=REF)
    theirs = flood(case, tmp_path)
    assert theirs.first == found.first
    assert theirs.level_m == pytest.approx(found.level.value, abs=0.005)
    full = found.order["crest_m"] < found.level.value - BORE
    level = {name: theirs.heads[name] for name in found.pool if name in theirs.heads and full[name]}
    assert found.first in level
    assert level == {name: pytest.approx(found.level.value, abs=0.005) for name in level}


def test_the_cases_try_what_they_should() -> None:
    """Of the drawn cases some first spill beyond a hump, some above one, and most pools have many nodes."""
    found = [back_up(ours(c := make_case(s)), blocked=c.blocked, source=c.source, ref=REF) for s in SEEDS]
    lowest = [float(np.min(make_case(s).rim)) for s in SEEDS]
    higher = sum(f.level.value > low + 0.01 for f, low in zip(found, lowest, strict=True))
    assert higher >= 5
    assert sum(len(f.pool) >= 4 for f in found) >= 12
    assert sum(f.first != f.sources[0] for f in found) >= 12


VALVED = [seed for seed in range(60) if with_valve(make_case(seed)) is not None][:20]


@pytest.mark.parametrize("seed", VALVED)
def test_the_same_node_floods_first_behind_a_valve(seed: int, tmp_path: Path) -> None:
    """With a non-return valve in a side branch (a flap gate of the solver's) the same node floods, within 5 mm."""
    case = with_valve(make_case(seed))
    assert case is not None
    found = back_up(ours(case), blocked=case.blocked, source=case.source, ref=REF)
    theirs = flood(case, tmp_path)
    assert theirs.first == found.first
    assert theirs.level_m == pytest.approx(found.level.value, abs=0.005)


def test_the_valves_hold_something_back() -> None:
    """Of the valves drawn at least five shut the first spill off, so that it moves to another node."""
    moved = 0
    for seed in VALVED:
        plain, held = make_case(seed), with_valve(make_case(seed))
        assert held is not None
        one, two = (
            back_up(ours(c), blocked=c.blocked, source=c.source, ref=REF).first for c in (plain, held)
        )
        moved += one != two
    assert len(VALVED) == 20
    assert moved >= 5


@pytest.mark.parametrize("seed", range(20))
def test_a_full_sewer_floods_the_same_node_first(seed: int, tmp_path: Path) -> None:
    """The sewer outside rises to between what the first and the second node need, and stays: the first floods.

    At its rim, within 5 mm of the solver's. Beyond a crest it must fill a basin first, so the sewer is held.
    """
    case = make_case(seed)
    network = ours(case)
    outfall = str(network.nodes.index[network.nodes["outfall"]][0])
    order = surcharged(network, outfall, Measured(11.0, 0.0), ref=REF)["reach_m"]
    between = float(order.iloc[:2].mean())
    assert order.iloc[1] - order.iloc[0] > 0.005
    said = surcharged(network, outfall, Measured(between, 0.0), ref=REF)
    assert said["margin_mm"].iloc[0] > 0 > said["margin_mm"].iloc[1]
    theirs = flood(case, tmp_path, sewer_to=between)
    assert theirs.first == order.index[0]
    assert theirs.level_m == pytest.approx(float(network.nodes.loc[theirs.first, "spill_m"]), abs=0.005)


@pytest.mark.parametrize("seed", [1, 4, 7, 10])
def test_what_a_trickle_leaves_to_spill(seed: int, tmp_path: Path) -> None:
    """Past a stop that lets 0.2 of 0.5 l/s through, 0.3 spill at the same node, within 2 %."""
    case = make_case(seed)
    found = back_up(ours(case, passes=0.2), source=case.source, inflow=Inflow.steady(RATE), ref=REF)
    theirs = flood(case, tmp_path, rate=RATE, passes=0.2, settle=True)
    assert found.passes_l_s == 0.2
    assert theirs.first == found.first
    assert theirs.flooding_l_s == pytest.approx(found.spills[0].receives_l_s, rel=0.02)


@pytest.mark.parametrize("seed", [1, 2, 4, 5, 7, 8, 10, 11])
def test_steady_flows(seed: int, tmp_path: Path) -> None:
    """With the drain open, the flow in every run is within 2 % of the solver's after an hour."""
    case = make_case(seed)
    rng = np.random.default_rng(100 + seed)
    flows = {
        int(i): round(float(rng.uniform(0.1, 0.4)), 2) for i in rng.choice(len(case.rim), 3, replace=False)
    }
    mine = ours(case).steady_flows({f"N{i}": rate for i, rate in flows.items()})
    theirs = steady(case, tmp_path, flows)
    for name, rate in mine.items():
        assert theirs[str(name)] == pytest.approx(rate, rel=0.02, abs=1e-4)
