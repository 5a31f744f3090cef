"""Do the wet readings cluster at outlets, or were they merely taken there: by group and by outlet."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.outlets.cluster import (
    EDGE_M,
    ClusterResult,
    associate,
    away_to_show,
    away_wanted,
    classes,
    count_at,
    count_outlets,
    radii_of,
)
from geo.outlets.places import UNKNOWN, WET, Arc, places_of
from geo.outlets.words import judge_group, judge_outlet, say_group, say_outlet
from geo.reference import Reference
from geo.stats import Numbers

Distance = Callable[[NDArray[Any], NDArray[Any], NDArray[Any], NDArray[Any]], Numbers]

OUTLET_COLUMNS = (
    "group", "outlet_id", "kind", "radius_m", "near", "wet_near", "away", "wet_away",
    "p_exact", "q", "shared_with", "verdict", "because", "settle", "sentence",
)  # fmt: skip
COUNT_COLUMNS = ("group", "outlet_id", "radius_m", "near", "wet_near", "away", "wet_away", "p_exact", "q")

_DIGITS = 6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OutletReport:
    """What the readings say of the outlets.

    Parameters
    ----------
    clusters
        One result for each group of readings; their chances are never combined.
    outlets
        One row for each group and outlet at the middle radius: near, wet_near, away, wet_away,
        p_exact, q (adjusted for the number of outlets), shared_with (outlets that wall readings
        cannot tell from it), verdict, because, settle, sentence.
    outlet_counts
        The same counts and chances at all three radii, without verdicts.
    places
        The places compared: group, ring_key, chainage_m, wet, score, distance_m to the nearest
        outlet (infinite where none can be reached) with its sigma_m, outlet_id of it, reading_ids.
    left_out
        Reason by reading_id for every reading not compared.
    outlets_left_out
        Ids of outlets that are on no wall.
    seed
        What the random draws were begun with.
    """

    clusters: tuple[ClusterResult, ...]
    outlets: pd.DataFrame
    outlet_counts: pd.DataFrame
    places: pd.DataFrame
    left_out: pd.Series[str]
    outlets_left_out: tuple[str, ...]
    seed: int

    def rows(self) -> list[dict[str, Any]]:
        """Return the groups' results as flat rows, the counts at the three radii inside them."""
        return [
            {
                **{key: value for key, value in asdict(found).items() if key != "verdict"},
                "verdict": found.verdict.word,
                "because": found.verdict.because,
                "settle": found.verdict.settle,
                "rests_on": found.verdict.rests_on,
            }
            for found in self.clusters
        ]


def examine_outlets(
    readings: pd.DataFrame,
    outlets: pd.DataFrame,
    *,
    distance: Distance,
    ring_lengths: Mapping[str, float],
    arcs: Sequence[Arc],
    ref: Reference,
    seed: int = 0,
) -> OutletReport:
    """Ask of each group of readings whether its wet places gather at outlets.

    The places read stay where they are, and only the labels move: so it does not matter that most
    readings were taken at outlets. Wall is wet or dry in lengths, so labels are also turned round
    each run of free wall, neighbours kept together, and the larger chance is the one reported.

    Parameters
    ----------
    readings
        Index reading_id; columns ring_key, chainage_m, wet ("wet" | "dry" | "not known" |
        "control"), group; where known chainage_sigma_m, rank, excess, censored, control. Controls and
        readings that are on no free wall are left out.
    outlets
        Columns outlet_id (or the index), kind, ring_key, chainage_m; where known chainage_sigma_m.
    distance
        Takes ring_key and chainage of n places and of m outlets, returns (n, m) metres along the
        outside, infinite where a party wall bars the way.
    ring_lengths
        Length in metres of each ring that has an arc.
    arcs
        Runs of wall without a party face: ring_key, chainage from, chainage to (past the ring's
        length where the run passes the origin corner).
    seed
        Begins the random draws anew for each group, so one group never alters another's answer.

    Notes
    -----
    Chances: exact hypergeometric tail at each radius; rank correlation by random permutation and by
    rotation. See :mod:`geo.stats` for the sources.
    """
    standing = _standing(outlets)
    placed = standing[(standing["ring_key"] != "") & np.isfinite(standing["chainage_m"])]
    radii = radii_of(ref)
    places, left_out = places_of(
        readings,
        arcs,
        ring_lengths=ring_lengths,
        same_place_m=ref.value("outlets.same_place_m"),
        worst_sigma_m=radii[1] / ref.value("confidence.z_95"),
    )
    apart = _distances(places, placed, distance)
    nearest = apart.min(axis=1, initial=np.inf)
    which = apart.argmin(axis=1) if len(placed) else np.zeros(len(places), dtype=np.intp)
    reached = np.isfinite(nearest)
    outlet_sigma = placed["chainage_sigma_m"].to_numpy(dtype=np.float64)
    sigma = np.hypot(places["sigma_m"], outlet_sigma[which] if len(placed) else 0.0).to_numpy(
        dtype=np.float64
    )
    ids = placed["outlet_id"].to_numpy(dtype=object)
    places = places.assign(
        distance_m=nearest,
        sigma_m=sigma,
        outlet_id=np.where(reached, ids[which] if len(placed) else "", "").astype(object),
    )
    clusters: list[ClusterResult] = []
    rows: list[dict[str, Any]] = []
    counts: list[pd.DataFrame] = []
    for group, here in places.groupby("group", sort=True):
        at = here.index.to_numpy()
        found = _cluster(str(group), here, outlets=len(placed), ref=ref, seed=seed)
        clusters.append(found)
        group_rows, group_counts = _outlets(found, here, apart[at], placed, ref=ref)
        rows += group_rows
        counts += group_counts
    return OutletReport(
        clusters=tuple(clusters),
        outlets=pd.DataFrame(rows, columns=list(OUTLET_COLUMNS)),
        outlet_counts=pd.concat(counts, ignore_index=True)
        if counts
        else pd.DataFrame(columns=list(COUNT_COLUMNS)),
        places=places,
        left_out=left_out,
        outlets_left_out=tuple(standing["outlet_id"][~standing.index.isin(placed.index)]),
        seed=seed,
    )


def _standing(outlets: pd.DataFrame) -> pd.DataFrame:
    """Return the outlets with the columns used here, numbered from 0."""
    named = outlets if "outlet_id" in outlets else outlets.rename_axis("outlet_id").reset_index()
    sigma = named["chainage_sigma_m"] if "chainage_sigma_m" in named else pd.Series(0.0, index=named.index)
    return pd.DataFrame(
        {
            "outlet_id": named["outlet_id"].astype(str).to_numpy(dtype=object),
            "kind": named["kind"].to_numpy(dtype=object),
            "ring_key": named["ring_key"].fillna("").astype(str).to_numpy(dtype=object),
            "chainage_m": named["chainage_m"].to_numpy(dtype=np.float64),
            "chainage_sigma_m": sigma.astype(np.float64).fillna(0.0).to_numpy(),
        }
    )


def _distances(places: pd.DataFrame, placed: pd.DataFrame, distance: Distance) -> Numbers:
    """Return (places, outlets) metres along the outside, free of rounding noise."""
    if places.empty or placed.empty:
        return np.full((len(places), len(placed)), np.inf, dtype=np.float64)
    found = distance(
        places["ring_key"].to_numpy(dtype=object),
        places["chainage_m"].to_numpy(dtype=np.float64),
        placed["ring_key"].to_numpy(dtype=object),
        placed["chainage_m"].to_numpy(dtype=np.float64),
    )
    return np.asarray(np.round(np.asarray(found, dtype=np.float64), _DIGITS), dtype=np.float64)


def _cluster(group: str, places: pd.DataFrame, *, outlets: int, ref: Reference, seed: int) -> ClusterResult:
    """Return the result for one group."""
    nearest = places["distance_m"].to_numpy(dtype=np.float64)
    sigma = places["sigma_m"].to_numpy(dtype=np.float64)
    at = tuple(
        count_at(places, nearest, sigma, radius_m=radius, ref=ref, seed=seed) for radius in radii_of(ref)
    )
    found = associate(places, nearest, ref=ref, seed=seed)
    compared = ~np.isnan(places["score"].to_numpy(dtype=np.float64))
    near = int((nearest[compared] <= at[1].radius_m).sum())
    away = int(compared.sum()) - near
    wet, dry, unknown = classes(places)
    verdict = judge_group(
        outlets=outlets,
        near=near,
        away=away,
        wet=(wet, dry, unknown),
        radii=at,
        found=found,
        reading_ids=tuple(sorted(str(name) for ids in places["reading_ids"] for name in ids)),
        ref=ref,
    )
    wanted = away_wanted(near, away, ref=ref)
    return ClusterResult(
        group=group,
        n=len(places),
        n_wet=wet,
        n_dry=dry,
        n_unknown=unknown,
        radii=at,
        correlation=found.correlation,
        compared_by=str(places["compared_by"].iloc[0]),
        p_permutation=found.p_permutation,
        p_rotation=found.p_rotation,
        p=found.p,
        smallest_p=found.smallest_p,
        rotations=found.rotations,
        rotations_exact=found.rotations_exact,
        away_wanted=wanted,
        away_to_show=away_to_show(at[1], ref=ref),
        verdict=verdict,
        sentence=say_group(verdict, middle=at[1], p=found.p, wanted=wanted),
    )


def _outlets(
    found: ClusterResult, places: pd.DataFrame, apart: Numbers, placed: pd.DataFrame, *, ref: Reference
) -> tuple[list[dict[str, Any]], list[pd.DataFrame]]:
    """Return the rows of each outlet for one group with verdicts, and the counts at each radius."""
    known = places["wet"].to_numpy() != UNKNOWN
    wet = (places["wet"].to_numpy() == WET)[known].astype(np.float64)
    same = ref.value("outlets.same_outlet_m")
    ids, kinds = placed["outlet_id"].tolist(), placed["kind"].tolist()
    tables = [
        count_outlets(wet, apart[known], radius_m=at.radius_m, same_outlet_m=same) for at in found.radii
    ]
    radius = found.radii[1].radius_m
    shared = _shared(apart[known], ids, radius_m=radius, same_m=same)
    rows: list[dict[str, Any]] = []
    for row, name, kind, others in zip(tables[1].to_dict("records"), ids, kinds, shared, strict=True):
        best = row.pop("p_best")
        verdict = judge_outlet(name, **row, p_best=best, group=found.verdict, shared_with=others, ref=ref)
        rows.append(
            {
                **row,
                "group": found.group,
                "outlet_id": name,
                "kind": kind,
                "radius_m": radius,
                "shared_with": others,
                "verdict": verdict.word,
                "because": verdict.because,
                "settle": verdict.settle,
                "sentence": say_outlet(name, verdict),
            }
        )
    every = pd.concat(tables, ignore_index=True)
    every.insert(0, "radius_m", np.repeat([at.radius_m for at in found.radii], len(ids)))
    every.insert(0, "outlet_id", np.array(ids * len(tables), dtype=object))
    every.insert(0, "group", found.group)
    return rows, [every[list(COUNT_COLUMNS)]]


def _shared(apart: Numbers, ids: list[str], *, radius_m: float, same_m: float) -> list[tuple[str, ...]]:
    """Return for each outlet the others that every place counted for it counts for too."""
    nearest = apart.min(axis=1, initial=np.inf)[:, None]
    close = ((apart <= radius_m + EDGE_M) & (apart <= nearest + same_m + EDGE_M)).astype(int)
    both = close.T @ close
    within = (both == np.diag(both)[:, None]) & (both > 0)
    return [tuple(ids[j] for j in np.flatnonzero(within[i]) if j != i) for i in range(len(ids))]
