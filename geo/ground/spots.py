"""Falls to the wall from levels shot with a staff: their own evidence, never averaged with a raster."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.ground.strips import falls_table
from geo.reference import Reference

Numbers = NDArray[np.float64]
AS_FAR_OUT_M = 0.2  # levels within this of each other are at one distance from the wall


def fit_levels(stations: gpd.GeoDataFrame, levels: pd.DataFrame, *, ref: Reference) -> pd.DataFrame:
    """Answer, station by station, whether levels show ground falling to the wall.

    Parameters
    ----------
    stations
        Pieces of wall.
    levels
        Ground levels indexed by id: ring_key and face of the wall they were shot from, chainage_m,
        offset_m outward, level_m, sigma_m, and patch_id.

    Returns
    -------
    The falls table (evidence ``levels``). At each station the levels of its own face within reach along
    the wall and one ground patch are fitted ``z = a_k + b d``, one constant for each place along the wall
    where levels were shot outward, weighted by their sigmas; so a fall along the wall does not count. For
    one pair this is the difference over the distance, with sigma √2 σ / d.
    """
    reach, far = ref.value("ground.level_reach_m"), ref.value("ground.strip_spot_to_m")
    ground = levels[(levels["offset_m"] >= -0.05) & (levels["offset_m"] <= far + 0.05)]
    ground = ground[np.isfinite(ground["level_m"])]
    who, which = _pairs(stations, ground, reach)
    fall = np.full(len(stations), np.nan)
    sigma, slack = np.full(len(stations), np.nan), np.full(len(stations), np.nan)
    n = np.bincount(who, minlength=len(stations))
    distances = np.zeros(len(stations), dtype=np.int64)
    if len(who):
        d = ground["offset_m"].to_numpy(dtype=np.float64)[which]
        z = ground["level_m"].to_numpy(dtype=np.float64)[which]
        weight = ground["sigma_m"].to_numpy(dtype=np.float64)[which] ** -2.0
        spot = _lines(ground, ref)[which]
        lines = pd.factorize(pd.Series(who).astype(str) + "|" + pd.Series(spot).astype(str))[0]
        mass = np.bincount(lines, weights=weight)
        dd = d - (np.bincount(lines, weights=weight * d) / mass)[lines]
        zz = z - (np.bincount(lines, weights=weight * z) / mass)[lines]
        a = np.bincount(who, weights=weight * dd**2, minlength=len(stations))
        b = np.bincount(who, weights=weight * dd * zz, minlength=len(stations))
        solid = a > 0.05**2 * np.bincount(who, weights=weight, minlength=len(stations)) / np.maximum(n, 1)
        safe = np.where(solid, a, 1.0)
        fall = np.where(solid, b / safe, np.nan)
        residual = zz - np.nan_to_num(fall)[who] * dd
        bins = np.unique(np.stack([who, np.round(d / 0.05).astype(np.int64)], axis=1), axis=0)
        distances = np.bincount(bins[:, 0], minlength=len(stations)).astype(np.int64)
        ends = np.unique(np.stack([who, lines], axis=1), axis=0)
        freedom = n - 1 - np.bincount(ends[:, 0], minlength=len(stations))
        slack = np.bincount(who, weights=weight * residual**2, minlength=len(stations)) / np.maximum(
            freedom, 1
        )
        rough = np.where(freedom > 0, np.sqrt(np.maximum(slack, 1.0)), 1.0)
        sigma = np.where(solid, rough / np.sqrt(safe), np.nan)
    ids = ground.index.to_numpy().astype(object)
    rests_on = [tuple(part) for part in np.split(ids[which], np.cumsum(n)[:-1])][: len(stations)]
    said = ["levels at the wall but none further out" if count else "no levels here" for count in n]
    return falls_table(
        stations,
        evidence="levels",
        fall=fall,
        sigma=sigma,
        along=np.full(len(stations), np.nan),
        n=n,
        n_eff=n.astype(np.float64),
        distances=distances,
        missing=said,
        what="levels",
        ref=ref,
        rests_on=rests_on,
    )


def misfit_levels(levels: pd.DataFrame, *, ref: Reference) -> list[str]:
    """Return ids of levels that stand out from their neighbours along the wall by over three sigma.

    Each level is left out and held against the straight line between the two beside it: those at the wall
    among themselves, those further out among levels as far out, on one face and one ground patch. A level
    that stands out is to be shot again, or a kerb lies between. Where the level shot outward from it stands
    out the same way, the ground itself dips or rises there, and neither is named. The first and last of a
    run have no level beyond them, and a run of fewer than six has too few others: those are not held
    against anything.
    """
    near = ref.value("ground.wall_level_reach_m")
    known = levels[np.isfinite(levels["level_m"]) & np.isfinite(levels["offset_m"])]
    out = known["offset_m"].abs()
    known = known.assign(row=np.where(out <= near, 0.0, np.round(out / AS_FAR_OUT_M)))
    odd: list[tuple[object, float]] = []
    for _, run in known.sort_values("chainage_m").groupby(["ring_key", "face", "patch_id", "row"]):
        rest = run
        while (worst := _worst(rest)) is not None:
            odd.append(worst)
            rest = rest.drop(index=worst[0])
    if not odd:
        return []
    found = known.loc[[name for name, _ in odd]].assign(sign=[np.sign(score) for _, score in odd])
    side = [found[name].to_numpy() for name in ("ring_key", "face", "patch_id", "sign")]
    alike = np.logical_and.reduce([key[:, None] == key[None, :] for key in side])
    row, at = found["row"].to_numpy(), found["chainage_m"].to_numpy()
    alike &= (row[:, None] != row[None, :]) & (np.abs(at[:, None] - at[None, :]) <= near)
    return [str(name) for name in found.index[~alike.any(axis=1)]]


def _worst(run: pd.DataFrame) -> tuple[object, float] | None:
    """Return the level that stands out most from the line between its neighbours, if over three sigma.

    Beside it stands by how many sigma, with its sign. Sigma is that of the three levels, or the usual
    roughness of the rest of the run where that is greater.
    """
    s, z = run["chainage_m"].to_numpy(dtype=np.float64), run["level_m"].to_numpy(dtype=np.float64)
    sigma = run["sigma_m"].to_numpy(dtype=np.float64)
    share = (s[1:-1] - s[:-2]) / np.maximum(s[2:] - s[:-2], 1e-9)
    gap = z[1:-1] - (z[:-2] * (1 - share) + z[2:] * share)
    error = np.sqrt(sigma[1:-1] ** 2 + ((1 - share) * sigma[:-2]) ** 2 + (share * sigma[2:]) ** 2)
    place = np.arange(len(gap))
    apart = np.abs(place[:, None] - place[None, :]) >= 2  # a slip spoils its neighbours' gaps too
    enough = apart.sum(axis=1) >= 2
    if not enough.any():
        return None
    others = np.where(apart[enough], gap[None, :], np.nan)
    middle = np.nanmedian(others, axis=1)
    rough = 1.4826 * np.nanmedian(np.abs(others - middle[:, None]), axis=1)
    score = gap[enough] / np.maximum(error[enough], rough)
    worst = int(np.argmax(np.abs(score)))
    name = run.index[1:-1][enough][worst]
    return (name, float(score[worst])) if abs(score[worst]) > 3 else None


def _pairs(
    stations: gpd.GeoDataFrame, levels: pd.DataFrame, reach_m: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pair each station with the levels of its own face in reach, on the patch nearest to it."""
    same = (stations["ring_key"].to_numpy()[:, None] == levels["ring_key"].to_numpy()[None, :]) & (
        stations["face"].to_numpy()[:, None] == levels["face"].to_numpy()[None, :]
    )
    gap = np.abs(stations["chainage_m"].to_numpy()[:, None] - levels["chainage_m"].to_numpy()[None, :])
    near = same & (gap <= reach_m)
    gap = np.where(near, gap, np.inf)
    if len(levels):
        patch = levels["patch_id"].to_numpy(dtype=object)
        own = patch[np.argmin(gap, axis=1)]
        near &= patch[None, :] == own[:, None]
    who, which = np.nonzero(near)
    return who.astype(np.int64), which.astype(np.int64)


def _lines(levels: pd.DataFrame, ref: Reference) -> NDArray[np.int64]:
    """Return a number for each line shot outward: the levels of one face within a hand of each other."""
    together = ref.value("ground.wall_level_reach_m")
    order = np.lexsort(
        (levels["chainage_m"].to_numpy(), pd.factorize(levels["ring_key"] + ":" + levels["face"])[0])
    )
    chainage = levels["chainage_m"].to_numpy()[order]
    face = (levels["ring_key"] + ":" + levels["face"]).to_numpy()[order]
    begins = np.r_[True, (np.diff(chainage) > together) | (face[1:] != face[:-1])]
    number = np.empty(len(levels), dtype=np.int64)
    number[order] = np.cumsum(begins)
    return number
