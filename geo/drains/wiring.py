"""A network laid out as arrays and lists, and the level water rests at in it."""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from geo.drains.storage import Floats, pipe_litres


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """A network as arrays: rows of two are the lowest and the highest a level can be."""

    ids: list[str]
    edge_ids: list[str]
    pieces_of: dict[str, list[int]]
    onward: list[list[tuple[int, int]]]
    back: list[list[tuple[int, int]]]
    ends: list[tuple[int, int]]
    crest: tuple[list[float], list[float]]
    spill: tuple[list[float], list[float]]
    spill_sigma: list[float]
    crest_sigma: list[float]
    outfall: list[bool]
    exact: bool
    up: Floats
    down: Floats
    length: Floats
    bore: Floats
    area: Floats
    base: Floats
    piece_node: np.ndarray
    piece_edge: np.ndarray
    piece_at: Floats
    piece_far: Floats
    piece_length: Floats
    piece_rest: Floats
    node_rest: Floats
    rest: Floats
    ground: Floats
    ground_sigma: Floats

    def one_way(self, edges: Iterable[int]) -> Wiring:
        """Return the same with valves in these runs: nothing comes back up them."""
        shut = set(edges)
        onward, back = list(self.onward), list(self.back)
        for e in shut:
            a, b = self.ends[e]
            onward[b] = [(f, j) for f, j in onward[b] if f != e or j == b]
            back[a] = [(f, j) for f, j in back[a] if f != e or j == a]
        return replace(self, onward=onward, back=back)


def wire(nodes: pd.DataFrame, runs: pd.DataFrame) -> Wiring:
    """Lay a network out as arrays and lists.

    Parameters
    ----------
    nodes, runs
        The tables of a network, levels in m.
    """
    where = {name: i for i, name in enumerate(nodes.index)}
    start = np.array([where[n] for n in runs["from_node"]], dtype=int)
    end = np.array([where[n] for n in runs["to_node"]], dtype=int)
    way = runs["way"].to_numpy()
    onward: list[list[tuple[int, int]]] = [[] for _ in nodes.index]
    back: list[list[tuple[int, int]]] = [[] for _ in nodes.index]
    for e, (a, b) in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
        onward[a].append((e, b))
        back[b].append((e, a))
        if way[e] == "both":
            onward[b].append((e, a))
            back[a].append((e, b))
    pieces_of: dict[str, list[int]] = {}
    for e, run_id in enumerate(runs["run_id"]):
        pieces_of.setdefault(run_id, []).append(e)
    up = runs[["up_low_m", "up_high_m"]].to_numpy(float).T
    down = runs[["down_low_m", "down_high_m"]].to_numpy(float).T
    crest = runs[["crest_low_m", "crest_high_m"]].to_numpy(float).T
    length = runs["length_m"].fillna(0.0).to_numpy(float)
    bore = runs["bore_m"].fillna(0.0).to_numpy(float)
    hump = crest > np.maximum(up, down) + 1e-9
    # A run is two pieces that meet at its crest; without a hump one of them has no length.
    place = runs["hump_share"].fillna(0.5).to_numpy(float)
    share = np.where(hump[0], place, np.where(up[0] >= down[0], 0.0, 1.0))
    spill = nodes[["spill_low_m", "spill_high_m"]].to_numpy(float).T
    area = nodes["area_m2"].fillna(0.0).to_numpy(float)
    base = nodes["base_m"].to_numpy(float)
    outfall = nodes["outfall"].to_numpy(bool)
    crest_lists = (crest[0].tolist(), crest[1].tolist())
    rest = _resting(back, crest_lists[0], np.flatnonzero(outfall), nodes["base_m"].to_numpy(float))
    piece_node = np.concatenate([start, end])
    piece_at, piece_far = np.concatenate([up, down], axis=1), np.concatenate([crest, crest], axis=1)
    piece_length = np.concatenate([length * share, length * (1.0 - share)])
    standing = rest[piece_node]
    held = np.where(np.isfinite(standing), standing, -np.inf)
    piece_rest = pipe_litres(held, piece_at, piece_far, piece_length, np.concatenate([bore, bore]))
    node_rest = (
        1000.0 * area * np.maximum(np.where(np.isfinite(rest), rest, -np.inf) - np.nan_to_num(base), 0.0)
    )
    return Wiring(
        ids=[str(name) for name in nodes.index], edge_ids=[str(name) for name in runs.index],
        pieces_of=pieces_of, onward=onward, back=back, ends=list(zip(start.tolist(), end.tolist(),
        strict=True)),
        crest=crest_lists, spill=(spill[0].tolist(), spill[1].tolist()),
        spill_sigma=nodes["spill_sigma_m"].tolist(),
        crest_sigma=runs["level_sigma_m"].tolist(), outfall=outfall.tolist(),
        exact=bool(np.array_equal(spill[0], spill[1]) and np.array_equal(crest[0], crest[1])),
        up=up, down=down, length=length, bore=bore, area=area, base=base, piece_node=piece_node,
        piece_edge=np.concatenate([np.arange(len(runs))] * 2), piece_at=piece_at, piece_far=piece_far,
        piece_length=piece_length, piece_rest=piece_rest, node_rest=node_rest, rest=rest,
        ground=nodes["ground_m"].to_numpy(float), ground_sigma=nodes["ground_sigma_m"].to_numpy(float),
    )  # fmt: skip


def _resting(
    back: list[list[tuple[int, int]]], crest: list[float], outfalls: np.ndarray, base: Floats
) -> Floats:
    """Return the level at which water stands in the sound network: the lowest sill on its way out."""
    level = np.full(len(back), np.inf)
    queue = [(-math.inf if math.isnan(base[i]) else float(base[i]), int(i)) for i in outfalls]
    heapq.heapify(queue)
    done = [False] * len(back)
    while queue:
        here, i = heapq.heappop(queue)
        if done[i]:
            continue
        done[i] = True
        level[i] = here
        for e, j in back[i]:
            if not done[j]:
                heapq.heappush(queue, (max(here, crest[e]), j))
    return level
