"""Do wet places gather at outlets more than chance, and likeness of neighbours, would have it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geo.outlets.places import DRY, UNKNOWN, WET
from geo.reference import Reference
from geo.stats import (
    Numbers,
    correlation,
    doubled_ranks,
    false_discovery,
    hypergeometric_upper,
    permutation_upper,
    rotation_upper,
)
from geo.verdict import Verdict

EDGE_M = 1e-9
MORE_MAX = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class RadiusResult:
    """The counts at one radius, and how often chance alone would gather as many wet places.

    Parameters
    ----------
    near, away, wet_near, wet_away
        Places known to be wet or dry, within the radius of an outlet along the outside and beyond it.
    share_near, share_away
        Wet share of each; NaN where there is no place.
    edge
        Places whose distance is within its error of the radius: they could be either.
    p_exact
        Hypergeometric upper tail: places stay where they are, wet and dry are dealt out among them.
    p_rotation
        The same count with the labels turned round each run of free wall.
    p
        The larger of the two; NaN where one side is empty or all places are alike.
    """

    radius_m: float
    near: int
    away: int
    wet_near: int
    wet_away: int
    share_near: float
    share_away: float
    edge: int
    p_exact: float
    p_rotation: float
    p: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ClusterResult:
    """One group of readings: do its wet places gather at outlets.

    Parameters
    ----------
    n, n_wet, n_dry, n_unknown
        Places (not readings) of the group, and their classes.
    radii
        The counts at the three radii: all are shown and none decides.
    correlation
        Rank correlation of wetness with nearness to the nearest outlet (positive: wetter nearer);
        places beyond the widest radius are all alike.
    compared_by
        What was ranked: "rank", "excess" or "wet or dry".
    p_permutation, p_rotation
        Chance of so large a correlation with the values dealt out among the places, and with them
        turned round each run of free wall.
    p
        The larger of the two: the chance reported, on which the verdict rests.
    smallest_p
        The smallest chance the turning could give with these places.
    rotations, rotations_exact
        How many turns were looked at, and whether they are all there are.
    away_wanted
        Further places wanted away from outlets: as many away as near at the middle radius, and
        never fewer than the least number; 0 when there are enough.
    away_to_show
        Fewest further places away, were every one of them dry, for the counts near as they are to
        give an exact chance of no more than the level; ``None`` where no number up to 200 does.
    verdict
        "clustered", "no clustering shown" or "not known".
    sentence
        The answer for a reader who knows no statistics.
    """

    group: str
    n: int
    n_wet: int
    n_dry: int
    n_unknown: int
    radii: tuple[RadiusResult, ...]
    correlation: float
    compared_by: str
    p_permutation: float
    p_rotation: float
    p: float
    smallest_p: float
    rotations: int
    rotations_exact: bool
    away_wanted: int
    away_to_show: int | None
    verdict: Verdict
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Association:
    """Rank correlation of wetness with nearness, and its two chances."""

    correlation: float
    p_permutation: float
    p_rotation: float
    smallest_p: float
    rotations: int
    rotations_exact: bool

    @property
    def p(self) -> float:
        """The larger of the two chances."""
        return float(np.fmax(self.p_permutation, self.p_rotation))


def radii_of(ref: Reference) -> tuple[float, float, float]:
    """Return the three radii in metres, fixed beforehand; the middle one is used for advice."""
    return (
        ref.value("outlets.radius_a_m"),
        ref.value("outlets.radius_b_m"),
        ref.value("outlets.radius_c_m"),
    )


def count_at(
    places: pd.DataFrame,
    nearest: Numbers,
    nearest_sigma: Numbers,
    *,
    radius_m: float,
    ref: Reference,
    seed: int,
) -> RadiusResult:
    """Count wet and dry places within a radius of an outlet and beyond, with the two chances.

    Parameters
    ----------
    places
        Places of one group, in order along each run of free wall (columns arc, wet).
    nearest, nearest_sigma
        (n,) metres along the outside to the nearest outlet (infinite: none can be reached), and
        the standard deviation of that.
    """
    known = places["wet"].to_numpy() != UNKNOWN
    wet = (places["wet"].to_numpy() == WET)[known].astype(np.float64)
    near = (nearest <= radius_m + EDGE_M)[known].astype(np.float64)
    away, wet_near = int((1.0 - near).sum()), int(wet @ near)
    n_near, wet_away = int(near.sum()), int(wet.sum()) - wet_near
    exact = rotated = float("nan")
    if n_near and away and 0 < wet.sum() < len(wet):
        exact = float(hypergeometric_upper(wet_near, total=len(wet), drawn=n_near, marked=wet.sum()))
        rotated = rotation_upper(
            circles_of(places["arc"].to_numpy()[known], wet, near),
            draws=int(ref.value("confidence.permutations")),
            random=np.random.default_rng(seed),
        ).p
    band = ref.value("confidence.z_95") * nearest_sigma[known]
    return RadiusResult(
        radius_m=radius_m,
        near=n_near,
        away=away,
        wet_near=wet_near,
        wet_away=wet_away,
        share_near=wet_near / n_near if n_near else float("nan"),
        share_away=wet_away / away if away else float("nan"),
        edge=int(np.count_nonzero(np.abs(nearest[known] - radius_m) < band)),
        p_exact=exact,
        p_rotation=rotated,
        p=float(np.fmax(exact, rotated)),
    )


def associate(places: pd.DataFrame, nearest: Numbers, *, ref: Reference, seed: int) -> Association:
    """Correlate the ranks of wetness and of nearness, and find both chances of so much.

    Dry places are all alike, so that the spread of the instrument among them counts for nothing, and
    off-scale readings tie at the top, so that nothing is read into how far off the scale they are.
    Nearness stops at the widest radius: beyond it a place is away, however far.

    Parameters
    ----------
    places
        Places of one group, in order along each run of free wall (columns arc, score).
    nearest
        (n,) metres along the outside to the nearest outlet, infinite where none can be reached.
    """
    scored = ~np.isnan(places["score"].to_numpy(dtype=np.float64))
    score = places["score"].to_numpy(dtype=np.float64)[scored]
    if not len(score):
        return _no_association()
    wetness = doubled_ranks(score)
    nearness = doubled_ranks(-np.minimum(nearest[scored], radii_of(ref)[-1]))
    found = correlation(wetness, nearness)
    if np.isnan(found):
        return _no_association()
    draws = int(ref.value("confidence.permutations"))
    random = np.random.default_rng(seed)
    # Sorted first, so that the draw does not hang on where the walk round the house began.
    weights = np.sort(nearness)
    seen = float(wetness @ nearness)
    permuted = permutation_upper(
        np.sort(wetness),
        lambda block: np.asarray(block @ weights, dtype=np.float64),
        draws=draws,
        random=random,
        threshold=seen,
    )
    turned = rotation_upper(
        circles_of(places["arc"].to_numpy()[scored], wetness, nearness), draws=draws, random=random
    )
    return Association(
        correlation=found,
        p_permutation=permuted,
        p_rotation=turned.p,
        smallest_p=turned.smallest,
        rotations=turned.count,
        rotations_exact=turned.exact,
    )


def _no_association() -> Association:
    """Return what is known when there is nothing to correlate."""
    nan = float("nan")
    return Association(
        correlation=nan, p_permutation=nan, p_rotation=nan, smallest_p=1.0, rotations=0, rotations_exact=True
    )


def circles_of(arc: Numbers, labels: Numbers, weights: Numbers) -> list[tuple[Numbers, Numbers]]:
    """Return labels and weights of each run of free wall, in the order given."""
    cuts = np.flatnonzero(np.diff(arc)) + 1
    return list(zip(np.split(labels, cuts), np.split(weights, cuts), strict=True))


def away_wanted(near: int, away: int, *, ref: Reference) -> int:
    """Return how many more places away from outlets are wanted: as many as near, never too few."""
    return max(0, max(near, int(ref.value("outlets.away_min"))) - away)


def away_to_show(counts: RadiusResult, *, ref: Reference) -> int | None:
    """Return the fewest further dry places away at which the counts near would show, if any does."""
    more = np.arange(MORE_MAX + 1)
    p = hypergeometric_upper(
        counts.wet_near,
        total=counts.near + counts.away + more,
        drawn=counts.near,
        marked=counts.wet_near + counts.wet_away,
    )
    enough = np.flatnonzero(p <= ref.value("confidence.cluster_alpha"))
    return int(enough[0]) if len(enough) and counts.wet_near else None


def count_outlets(wet: Numbers, distance: Numbers, *, radius_m: float, same_outlet_m: float) -> pd.DataFrame:
    """Count wet and dry places at each outlet against the places away from every outlet.

    A place within the radius belongs to its nearest outlet, and to any other no more than
    ``same_outlet_m`` further off: readings cannot tell such a pair apart. A place near another
    outlet counts neither for nor against this one.

    Parameters
    ----------
    wet
        (n,) 1 for a wet place, 0 for a dry one.
    distance
        (n, m) metres along the outside from each place to each outlet.

    Returns
    -------
    One row an outlet, in their order: near, wet_near, away, wet_away, p_exact (NaN where nothing was
    read at the outlet or away, or all counted places are alike), q (the same allowed for how many
    outlets were looked at), p_best (the exact chance had every place near it been wet).
    """
    nearest = distance.min(axis=1, initial=np.inf)
    close = (distance <= radius_m + EDGE_M) & (distance <= nearest[:, None] + same_outlet_m + EDGE_M)
    apart = nearest > radius_m + EDGE_M
    near, wet_near = close.sum(axis=0), (wet @ close).astype(int)
    away, wet_away = int(apart.sum()), int(wet @ apart)
    total, marked = near + away, wet_near + wet_away
    told = (near > 0) & (away > 0) & (marked > 0) & (marked < total)
    tail = hypergeometric_upper(wet_near, total=total, drawn=near, marked=marked)
    p = np.where(told, tail, np.nan)
    best = hypergeometric_upper(near, total=total, drawn=near, marked=near + wet_away)
    return pd.DataFrame(
        {
            "near": near,
            "wet_near": wet_near,
            "away": away,
            "wet_away": wet_away,
            "p_exact": p,
            "q": false_discovery(p),
            "p_best": np.where((near > 0) & (away > 0), best, 1.0),
        }
    )


def near_to_show(near: int, away: int, wet_away: int, *, alpha: float) -> int | None:
    """Return the fewest further places at an outlet, all wet with those there, that could show it."""
    tried = np.arange(max(near, 1), max(near, 1) + 31)
    p = hypergeometric_upper(tried, total=tried + away, drawn=tried, marked=tried + wet_away)
    enough = np.flatnonzero(p <= alpha)
    return int(tried[enough[0]]) - near if len(enough) and away else None


def classes(places: pd.DataFrame) -> tuple[int, int, int]:
    """Return how many places are wet, dry and not known."""
    wet = places["wet"].to_numpy()
    return int((wet == WET).sum()), int((wet == DRY).sum()), int((wet == UNKNOWN).sum())
