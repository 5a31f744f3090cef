"""Levels of standing water held against the drains: a sewer that can stand high, and water at rest."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from geo.drains.boundary import boundary_heads, surcharged
from geo.drains.faults import Fault
from geo.drains.network import Network
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict, decide

SEWER = ["outfall", "level_id", "level_m", "sigma_m", "node", "reach_m", "margin_mm", "margin_sigma_mm"]
SEWER += ["word", "because", "settle"]


def sewer_heads(
    water_levels: pd.DataFrame, network: Network, *, ref: Reference
) -> tuple[dict[str, tuple[str, Measured]], tuple[str, ...]]:
    """Return how high the water has stood at each outfall, and what cannot be used for that.

    Parameters
    ----------
    water_levels
        Indexed by id: of_id, level_m, level_sigma_m, condition.

    Returns
    -------
    By outfall the id of its highest surcharged level, and that level, m; and a sentence for each
    surcharged level taken where no drain of the network ends.
    """
    heads: dict[str, tuple[str, Measured]] = {}
    unused = []
    ends = set(network.nodes.index[network.nodes["outfall"].to_numpy(bool)])
    marks = water_levels[water_levels["condition"] == "surcharged"]
    for of_id, head in boundary_heads(water_levels, ref=ref).items():
        own = marks.loc[marks["of_id"] == of_id, "level_m"]
        level_id = str(own.index[int(own.to_numpy().argmax())])
        pieces = network.pieces(of_id)
        name = str(network.runs["to_node"].iloc[pieces[-1]]) if pieces else of_id
        if name not in ends:
            unused.append(f"{level_id}: no drain on the map ends at {of_id}: it bounds nothing")
        elif name not in heads or head.value > heads[name][1].value:
            heads[name] = (level_id, head)
    return heads, tuple(unused)


def where_the_sewer_comes_up(
    network: Network, heads: Mapping[str, tuple[str, Measured]], *, ref: Reference
) -> pd.DataFrame:
    """Say which openings a sewer or ditch standing at its highest would rise out of.

    Returns
    -------
    One row an opening that it reaches or may reach, lowest first; where it surely reaches none, one row
    for the lowest. Columns: outfall, level_id, level_m, sigma_m, node, reach_m (what the water must stand
    at to leave there), margin_mm, margin_sigma_mm, word, because, settle. A valve nobody tried makes the
    answer not known for whatever only that valve could save.
    """
    # Past grease that lets a little through water comes back as well, only more slowly.
    slow = replace(network, cuts={e: cut for e, cut in network.cuts.items() if not cut.passes_l_s > 0})
    valves = [int(i) for i in np.flatnonzero((slow.runs["way"] == "down").to_numpy())]
    names = " and ".join(dict.fromkeys(slow.runs["run_id"].iloc[valves]))
    rows = []
    for outfall, (level_id, head) in heads.items():
        found = surcharged(slow, outfall, head, ref=ref)
        reached = found[found["word"] != "no"]
        kept = surcharged(_without_valves(slow, valves), outfall, head, ref=ref)
        kept = kept[(kept["word"] != "no") & ~kept.index.isin(reached.index)]
        for node, one in reached.iterrows():
            said = _said(slow, outfall, head, str(node), one)
            if one["word"] == NOT_KNOWN:
                said = f"{said}; {one['because']}"
            rows.append((outfall, level_id, head, str(node), one, one["word"], said, one["settle"]))
        for node, one in kept.iterrows():
            said = _said(slow, outfall, head, str(node), one)
            said = f"the valve in {names} keeps it out while it shuts: {said}"
            rows.append((outfall, level_id, head, str(node), one, "no", said, ""))
        if reached.empty and kept.empty and len(found):
            node, one = str(found.index[0]), found.iloc[0]
            said = _said(slow, outfall, head, node, one)
            rows.append((outfall, level_id, head, node, one, "no", said, ""))
        elif reached.empty and kept.empty:
            said = f"nothing that opens is joined to {outfall} by a way water could come back"
            rows.append((outfall, level_id, head, "", None, "no", said, ""))
    return pd.DataFrame([_row(*each) for each in rows], columns=SEWER)


def _row(
    outfall: str, level_id: str, head: Measured, node: str, one: pd.Series | None, word: str, *why: str
) -> tuple[object, ...]:
    numbers = (math.nan,) * 3 if one is None else (one["reach_m"], one["margin_mm"], one["sigma_mm"])
    return (outfall, level_id, head.value, head.sigma, node, *numbers, word, *why)


def _said(network: Network, outfall: str, head: Measured, node: str, one: pd.Series) -> str:
    leaves = network.nodes.loc[node, "leaves"]
    gap, above = abs(one["margin_mm"]), "above" if one["margin_mm"] > 0 else "below"
    said = f"water at {head.value:.3f} m in {outfall} stands {gap:.0f} mm {above} where {node} lets it out"
    return f"{said}, over its {leaves} at {one['reach_m']:.3f} m"


def _without_valves(network: Network, valves: list[int]) -> Network:
    runs = network.runs.copy()
    runs.iloc[valves, runs.columns.get_loc("way")] = "both"
    return replace(network, runs=runs)


def resting_faults(network: Network, water_levels: pd.DataFrame, *, ref: Reference) -> Iterator[Fault]:
    """Yield levels of resting water that the levels of the runs do not account for."""
    rest = dict(zip(network.wiring.ids, network.wiring.rest, strict=True))
    for row in water_levels[water_levels["condition"] == "resting"].itertuples():
        name = str(row.of_id)
        reckoned = float(rest.get(name, math.nan))
        if not math.isfinite(reckoned):
            continue
        own = Measured(float(row.level_m), _sigma(row.level_sigma_m, ref))
        gap = own - Measured(reckoned, ref.value("levels.invert_sigma_m"))
        settle = f"Dip the water in {name} again, with nothing running."
        verdict = decide(
            Measured(1000 * abs(gap.value), 1000 * gap.sigma), z=ref.value("drains.rival_sigmas"), unit="mm",
            settle=settle, rests_on=(name, str(row.Index)),
        )  # fmt: skip
        if verdict.word != "yes":
            continue
        high = "more" if gap.value > 0 else "less"
        said = (
            f"{row.Index}: water rests at {own.value:.3f} m in {name}, {1000 * abs(gap.value):.0f} mm {high}"
        )
        said += f" than the levels of its runs account for ({reckoned:.3f})"
        why = Verdict(
            word="yes", because=said, settle=settle, margin=verdict.margin, sigma=verdict.sigma, unit="mm",
            rests_on=verdict.rests_on,
        )  # fmt: skip
        yield Fault(rule="contradiction", ids=(name, str(row.Index)), said=said, verdict=why)


def _sigma(value: float, ref: Reference) -> float:
    return ref.value("levels.invert_sigma_m") if math.isnan(value) else float(value)
