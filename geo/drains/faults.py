"""What is wrong with the drains, rule by rule: records, margin, and what would settle it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import shapely

from geo.drains import tables as rules
from geo.drains.gradients import access_check, gradient_check
from geo.drains.network import LEAKY_RUN, Network
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict, decide

NAN = math.nan
RULES = {
    "joined_to_nothing": "downpipe joined to nothing",
    "ends_nowhere": "run that ends nowhere known",
    "loop": "runs that lead round in a ring",
    "back_fall": "run that falls the wrong way",
    "hump": "run with a hump",
    "outlet_above_inlet": "chamber whose outlet lies above an inlet",
    "too_flat": "run flatter than its duty allows",
    "surface_into_foul": "surface water led into foul",
    "foul_into_surface": "foul led into surface water",
    "near_building": "soakaway too near a building",
    "access_spacing": "access further apart than it may be",
    "contradiction": "tests or records that contradict the map",
    "shared": "run that serves several buildings",
    "leaks": "run with cracks or open joints",
    "bad_record": "record that cannot be right",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One finding.

    Parameters
    ----------
    rule
        Key of :data:`RULES`.
    ids
        Records it speaks of.
    said
        A sentence.
    verdict
        Yes (it is so) or not known, with margin and sigma where it rests on a measurement.
    """

    rule: str
    ids: tuple[str, ...]
    said: str
    verdict: Verdict


def find_faults(
    network: Network,
    *,
    ref: Reference,
    buildings: gpd.GeoSeries | None = None,
    downpipes: pd.DataFrame | None = None,
    traces: pd.DataFrame | None = None,
    states: pd.DataFrame | None = None,
) -> tuple[Fault, ...]:
    """Go through the network rule by rule.

    Parameters
    ----------
    network
        The drains.
    buildings
        Outlines in the site's CRS, metres, by building id; for the distance of soakaways.
    downpipes
        The downpipes' table, for those that reach no drain.
    traces
        Tracing tests: ``poured_at``, ``watched_at``, ``seen`` (yes, no), ``litres``.
    states
        Further states of assets: ``of_id``, ``state``.

    Returns
    -------
    Faults in the order of :data:`RULES`. Comparisons of levels are made at two sigma: within that they
    are given as not known, with the measurement that would settle them.
    """
    looks: tuple[Callable[[], Iterator[Fault]], ...] = (
        lambda: _joined_to_nothing(network, downpipes),
        lambda: _ends_nowhere(network),
        lambda: _loops(network),
        lambda: _falls(network, ref),
        lambda: _humps(network, ref),
        lambda: _outlets(network, ref),
        lambda: _flat(network, ref),
        lambda: _misjoined(network),
        lambda: _near_buildings(network, buildings, ref),
        lambda: _spacing(network, ref),
        lambda: _contradictions(network, traces, states),
        lambda: _shared(network),
        lambda: _leaks(network),
        lambda: _bad_records(network),
    )
    return tuple(fault for look in looks for fault in look())


def _plain(rule: str, ids: tuple[str, ...], said: str, *, settle: str = "", word: str = "yes") -> Fault:
    return Fault(
        rule=rule, ids=ids, said=said, verdict=Verdict(word=word, because=said, settle=settle, rests_on=ids)
    )


def _measured(
    rule: str, ids: tuple[str, ...], margin: Measured, said: str, settle: str, ref: Reference
) -> Iterator[Fault]:
    """Give a fault unless the margin is surely on the right side."""
    verdict = decide(margin, z=ref.value("drains.rival_sigmas"), unit="mm", settle=settle, rests_on=ids)
    if verdict.word != "no":
        sure = said if verdict.known else f"not known whether {said}"
        yield Fault(rule=rule, ids=ids, said=f"{sure} ({verdict.because})", verdict=verdict)


def _joined_to_nothing(network: Network, downpipes: pd.DataFrame | None) -> Iterator[Fault]:
    for name in network.nodes.index[network.nodes["kind"] == "downpipe"]:
        if network.graph.out_degree(name) == 0:
            foot = (
                str(downpipes.loc[name, "foot"]) if downpipes is not None and name in downpipes.index else ""
            )
            if foot == "butt":
                said = f"{name} runs into a butt; where the butt overflows to is not recorded"
                yield _plain(
                    "joined_to_nothing", (name,), said, word=NOT_KNOWN, settle="Fill the butt and watch."
                )
            else:
                yield _plain(
                    "joined_to_nothing",
                    (name,),
                    f"{name} is joined to nothing: its water goes to the ground at its foot",
                )


def _ends_nowhere(network: Network) -> Iterator[Fault]:
    for name, node in network.nodes.iterrows():
        into = sorted(
            {network.runs.loc[key, "run_id"] for _, _, key in network.graph.in_edges(name, keys=True)}
        )
        if node["leaves"] == "socket":
            yield _plain(
                "ends_nowhere", (str(name),), f"a socket at {name} leads nowhere: water leaves below ground"
            )
        elif node["kind"] in ("gully", "chamber") and node["assumed"]:
            said = f"nothing is drawn from {name} onwards; it is taken to drain"
            yield _plain(
                "ends_nowhere", (str(name),), said, word=NOT_KNOWN, settle=f"Trace where {name} goes."
            )
        elif node["kind"] == "joint" and node["outfall"] and into:
            said = f"{' and '.join(into)} ends at no asset; taken to drain"
            yield _plain(
                "ends_nowhere", tuple(into), said, word=NOT_KNOWN, settle=f"Trace {into[0]} on from its end."
            )


def _loops(network: Network) -> Iterator[Fault]:
    for part in nx.strongly_connected_components(network.graph):
        runs = sorted({key for a, b, key in network.graph.edges(part, keys=True) if a in part and b in part})
        if runs:
            yield _plain("loop", tuple(runs), f"{', '.join(runs)} lead round in a ring")


def _falls(network: Network, ref: Reference) -> Iterator[Fault]:
    for name, run in network.runs.iterrows():
        if math.isnan(run["up_m"]) or math.isnan(run["down_m"]) or not run["length_m"] > 0:
            continue
        over = Measured(1000 * (run["down_m"] - run["up_m"]), 1000 * math.sqrt(2.0) * run["level_sigma_m"])
        if run["way"] != "pump" and over.value > 0:
            said = f"{name} falls back from {run['to_node']} to {run['from_node']}"
            yield from _measured(
                "back_fall", (str(run["run_id"]),), over, said, f"Dip both inverts of {name} again.", ref
            )


def _humps(network: Network, ref: Reference) -> Iterator[Fault]:
    for name, run in network.runs.iterrows():
        ends = max(run["up_high_m"], run["down_high_m"])
        over = Measured(1000 * (run["crest_low_m"] - ends), 1000 * math.sqrt(2.0) * run["level_sigma_m"])
        if over.value > 0 and run["way"] != "pump":
            said = f"{name} rises over a hump or trap: water stands behind it to {run['crest_low_m']:.3f} m"
            yield from _measured(
                "hump", (str(run["run_id"]),), over, said, f"Level the crest of {name}.", ref
            )


def _outlets(network: Network, ref: Reference) -> Iterator[Fault]:
    runs, graph = network.runs, network.graph
    for name in network.nodes.index[network.nodes["kind"] == "chamber"]:
        outs = [key for _, _, key in graph.out_edges(name, keys=True)]
        ins = [key for _, _, key in graph.in_edges(name, keys=True)]
        for out in outs:
            for into in ins:
                gap = runs.loc[out, "up_m"] - runs.loc[into, "down_m"]
                sigma = math.hypot(runs.loc[out, "level_sigma_m"], runs.loc[into, "level_sigma_m"])
                if gap > 0:
                    said = f"at {name} the outlet {out} lies above the inlet {into}: water stands in {into}"
                    ids = (str(name), str(runs.loc[out, "run_id"]), str(runs.loc[into, "run_id"]))
                    margin = Measured(1000 * gap, 1000 * sigma)
                    yield from _measured(
                        "outlet_above_inlet", ids, margin, said, f"Dip both inverts in {name}.", ref
                    )


def _flat(network: Network, ref: Reference) -> Iterator[Fault]:
    """Ask the table of gradients of every run whose duty is known; back-falls have their own rule."""
    runs = network.runs
    runs = runs[(runs["use"] != "not_known") & (runs["way"] != "pump") & runs["up_m"].notna()]
    runs = runs[runs["down_m"].notna() & (runs["length_m"] > 0) & (runs["up_m"] >= runs["down_m"])]
    if runs.empty:
        return
    checked = gradient_check(
        1000 * runs["bore_m"].to_numpy(float),
        invert_up_m=runs["up_m"].to_numpy(float),
        invert_down_m=runs["down_m"].to_numpy(float),
        length_m=runs["length_m"].to_numpy(float),
        level_sigma_m=runs["level_sigma_m"].to_numpy(float),
        duty=runs["use"].to_numpy(object),
        z=ref.value("drains.rival_sigmas"),
        tables=rules.default(),
    )
    flat = checked["verdict"].isin(("flatter than the table", NOT_KNOWN)).to_numpy()
    for name, run_id, row in zip(
        runs.index[flat], runs["run_id"][flat], checked[flat].to_dict("records"), strict=True
    ):
        sure = row["verdict"] != NOT_KNOWN
        slope = "level" if math.isnan(row["one_in"]) else f"at 1 in {row['one_in']:.0f}"
        said = f"{name} lies {slope}, flatter than 1 in {row['flattest_one_in']:.0f}"
        said = said if sure else f"not known whether {name}, {slope}, is steep enough: {row['because']}"
        verdict = Verdict(
            word="yes" if sure else NOT_KNOWN, because=str(row["because"]), settle=str(row["settle"]),
            margin=-row["margin_mm"], sigma=row["sigma_mm"], unit="mm", rests_on=(str(run_id),),
        )  # fmt: skip
        yield Fault(rule="too_flat", ids=(str(run_id),), said=said, verdict=verdict)


def _misjoined(network: Network) -> Iterator[Fault]:
    """Find surface water in foul and foul in surface water, by what each run and gully carries."""
    nodes, runs, graph = network.nodes, network.runs, network.graph
    for name, run in runs.iterrows():
        for _, _, below in graph.out_edges(run["to_node"], keys=True):
            pair = (run["use"], runs.loc[below, "use"])
            ids = (str(run["run_id"]), str(runs.loc[below, "run_id"]))
            if pair == ("surface", "foul"):
                yield _plain("surface_into_foul", ids, f"{name} (surface water) runs into {below} (foul)")
            elif pair == ("foul", "surface"):
                yield _plain("foul_into_surface", ids, f"{name} (foul) runs into {below} (surface water)")
        start = nodes.loc[run["from_node"]]
        what = "rain" if start["kind"] == "downpipe" or start["takes"] == "rain" else start["takes"]
        ids = (str(run["from_node"]), str(run["run_id"]))
        if what == "rain" and run["use"] == "foul":
            yield _plain("surface_into_foul", ids, f"{ids[0]} takes rain and runs into {name} (foul)")
        elif what in ("waste", "both") and run["use"] == "surface":
            yield _plain(
                "foul_into_surface", ids, f"{ids[0]} takes waste and runs into {name} (surface water)"
            )
        if nodes.loc[run["to_node"], "kind"] == "soakaway" and run["use"] == "foul":
            said = f"{name} (foul) runs into the soakaway {run['to_node']}"
            yield _plain("foul_into_surface", (str(run["run_id"]), str(run["to_node"])), said)


def _near_buildings(network: Network, buildings: gpd.GeoSeries | None, ref: Reference) -> Iterator[Fault]:
    pits = network.nodes[network.nodes["kind"] == "soakaway"]
    if buildings is None or buildings.empty or pits.empty:
        return
    least = ref.value("drains.soakaway_offset_m")
    away = shapely.distance(
        shapely.points(pits["x"].to_numpy(float), pits["y"].to_numpy(float))[:, None],
        buildings.to_numpy()[None, :],
    )
    for name, row, sigma in zip(pits.index, away, pits["position_sigma_m"], strict=True):
        if np.isnan(row).all():
            said = f"where {name} lies is not known, so nor is its distance from the buildings"
            yield _plain(
                "near_building", (name,), said, word=NOT_KNOWN, settle=f"Tape {name} from two corners."
            )
            continue
        near = int(np.nanargmin(row))
        short = Measured(1000 * (least - row[near]), 1000 * (0.0 if math.isnan(sigma) else sigma))
        said = f"{name} lies {row[near]:.2f} m from {buildings.index[near]}, nearer than {least:g} m"
        yield from _measured("near_building", (name,), short, said, f"Tape {name} from two corners.", ref)


def _spacing(network: Network, ref: Reference) -> Iterator[Fault]:
    """Follow each drain from its start, and from each chamber, to the next chamber."""
    nodes, graph = network.nodes, network.graph
    deep = nodes["rim_m"] - nodes["base_m"] > ref.value("drains.deep_chamber_m")
    kinds = {name: "deep_chamber" if is_deep else "shallow_chamber" for name, is_deep in deep.items()}
    legs: list[tuple[str, str, float, tuple[str, ...]]] = []
    for name, kind in nodes["kind"].items():
        begins = graph.in_degree(name) == 0 and kind in ("gully", "downpipe")
        if kind != "chamber" and not begins:
            continue
        far, here, seen = 0.0, name, {name}
        path: list[str] = []
        while graph.out_degree(here) == 1:
            _, here, key = next(iter(graph.out_edges(here, keys=True)))
            far += float(network.runs.loc[key, "length_m"])
            path.append(str(network.runs.loc[key, "run_id"]))
            if here in seen or nodes.loc[here, "kind"] == "chamber":
                break
            seen.add(here)
        if here != name and nodes.loc[here, "kind"] == "chamber" and not math.isnan(far):
            legs.append((str(name), str(here), far, tuple(dict.fromkeys(path))))
    if not legs:
        return
    far_m = np.array([leg[2] for leg in legs])
    checked = access_check(
        np.array(
            [kinds[a] if nodes.loc[a, "kind"] == "chamber" else "start" for a, *_ in legs], dtype=object
        ),
        to_kind=np.array([kinds[b] for _, b, *_ in legs], dtype=object),
        distance_m=far_m,
        sigma_m=ref.value("tape.free_m") + ref.value("tape.free_share") * far_m,
        z=ref.value("drains.rival_sigmas"),
        tables=rules.default(),
    )
    for (start, end, far, path_), row in zip(legs, checked.to_dict("records"), strict=True):
        if row["verdict"] == "too far":
            said = f"from {start} to the next chamber, {end}, is {far:.1f} m; at most {row['far_m']:g} m"
            yield _plain("access_spacing", (start, *path_, end), said)


def _contradictions(
    network: Network, traces: pd.DataFrame | None, states: pd.DataFrame | None
) -> Iterator[Fault]:
    nodes, graph = network.nodes, network.graph
    for name, row in ({} if traces is None else traces.to_dict("index")).items():
        start, end = (network.discharge.get(str(row[k]), str(row[k])) for k in ("poured_at", "watched_at"))
        missing = [each for each in (start, end) if each not in nodes.index]
        if missing:
            said = f"the test {name} names {', '.join(missing)}, which is not on the map"
            yield _plain("contradiction", (str(name), *missing), said)
            continue
        linked = nx.has_path(graph, start, end)
        if row["seen"] == "yes" and not linked:
            said = f"what was poured at {start} came out at {end}, and the map has no way between them"
            yield _plain("contradiction", (str(name), start, end), said)
        elif row["seen"] == "no" and linked:
            runs = [min(graph[a][b]) for a, b in nx.utils.pairwise(nx.shortest_path(graph, start, end))]
            said = f"water poured at {start} did not come to {end}; the map has it go by {', '.join(runs)}"
            settle = "Pour again, enough to fill the runs, and watch every chamber between."
            yield _plain("contradiction", (str(name), start, *runs, end), said, word=NOT_KNOWN, settle=settle)
    known = dict(zip(network.runs["run_id"], network.runs["state"], strict=True)) | nodes["state"].to_dict()
    for name, row in ({} if states is None else states.to_dict("index")).items():
        here = str(known.get(row["of_id"], ""))
        fine = {"sound", "clear", "works"}
        if here and (here in fine) != (str(row["state"]) in fine):
            said = f"{row['of_id']} is recorded as {_word(here)}, and by {name} as {_word(str(row['state']))}"
            settle = f"Look at {row['of_id']} again, and date both."
            yield _plain("contradiction", (str(row["of_id"]), str(name)), said, word=NOT_KNOWN, settle=settle)


def _word(state: str) -> str:
    return state.replace("_", " ")


def _shared(network: Network) -> Iterator[Fault]:
    """Gather the buildings upstream of every run, from the top down."""
    graph, homes = network.graph, network.nodes["building_id"].to_dict()
    whole = nx.condensation(graph)
    above: dict[Any, frozenset[str]] = {}
    of_node: Mapping[str, Any] = whole.graph["mapping"]
    for part in nx.topological_sort(whole):
        own = {homes[n] for n in whole.nodes[part]["members"] if homes[n]}
        above[part] = frozenset(own.union(*(above[p] for p in whole.predecessors(part))))
    seen: set[str] = set()
    for name, run in network.runs.iterrows():
        served = sorted(above[of_node[run["from_node"]]])
        if len(served) > 1 and run["run_id"] not in seen:
            seen.add(str(run["run_id"]))
            yield _plain(
                "shared", (str(run["run_id"]),), f"{name} serves {len(served)} buildings: {', '.join(served)}"
            )


def _leaks(network: Network) -> Iterator[Fault]:
    rows = network.runs[network.runs["state"].isin(LEAKY_RUN)]
    for name, run in rows.iterrows():
        said = (
            f"{name} is recorded as {_word(str(run['state']))}: full, it may lose water below the first spill"
        )
        settle = f"Plug {name}, fill it and watch the level."
        yield _plain("leaks", (str(run["run_id"]),), said, word=NOT_KNOWN, settle=settle)


def _bad_records(network: Network) -> Iterator[Fault]:
    for problem in network.problems:
        if problem.found.endswith("taken to drain"):
            continue  # said as a run that ends nowhere known
        ids = tuple(problem.found.split(":")[0].split(", "))
        yield _plain("bad_record", ids, problem.found, settle=problem.mend)
