"""The same defect across an estate: rates among what was inspected, never among what is on the books."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.stats import beta, binom, hypergeom

from geo.errors import InputError, Problem
from geo.reference import Reference
from geo.stats import false_discovery

Numbers = NDArray[np.float64]
FAILED, SOUND = "failed", "sound"
INSPECTED = (FAILED, SOUND)
"""States that count as inspected; ``not_looked`` and ``no_access`` do not."""
NOT_RECORDED = "not recorded"
ASSETS = ("asset_id", "home_id", "asset_kind", "state", "inspected_on", "chosen_by")


def upper_tail(failed: ArrayLike, inspected: ArrayLike, rate: ArrayLike) -> Numbers:
    """Return the exact binomial chance of at least so many failures at a given rate."""
    return np.asarray(binom.sf(np.asarray(failed) - 1, np.asarray(inspected), np.asarray(rate)), dtype=float)


def shared_out_tail(
    failed: ArrayLike, inspected: ArrayLike, *, all_failed: int, all_inspected: int
) -> Numbers:
    """Return the exact chance of at least so many when all failures are dealt out at random.

    Notes
    -----
    R. A. Fisher, The Design of Experiments (1935), chapter II. Unlike :func:`upper_tail` it knows that the
    group is itself a part of the portfolio.
    """
    tail = hypergeom.sf(np.asarray(failed) - 1, all_inspected, all_failed, np.asarray(inspected))
    return np.asarray(tail, dtype=float)


def shrunk(failed: ArrayLike, inspected: ArrayLike, *, rate: float, strength: float) -> Numbers:
    """Return rates drawn towards the portfolio's as though so many more had been inspected there.

    The mean of a Beta distribution with the prior Beta(rate × strength, (1 − rate) × strength).
    """
    return np.asarray(
        (rate * strength + np.asarray(failed)) / (strength + np.asarray(inspected)), dtype=float
    )


def shrunk_range(
    failed: ArrayLike, inspected: ArrayLike, *, rate: float, strength: float, share: float = 0.95
) -> tuple[Numbers, Numbers]:
    """Return the range that holds a share of the Beta distribution behind :func:`shrunk`.

    Where the portfolio has no failure, or nothing but failures, the prior has one side only and the range
    ends at 0 or 1.
    """
    one = rate * strength + np.asarray(failed, dtype=float)
    other = (1.0 - rate) * strength + np.asarray(inspected, dtype=float) - np.asarray(failed, dtype=float)
    tail = (1.0 - share) / 2
    with np.errstate(all="ignore"):
        low, high = beta.ppf(tail, one, other), beta.ppf(1.0 - tail, one, other)
    low = np.where(one <= 0, 0.0, np.where(other <= 0, 1.0, low))
    high = np.where(other <= 0, 1.0, np.where(one <= 0, 0.0, high))
    return np.asarray(low, dtype=float), np.asarray(high, dtype=float)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """What a random sample of homes that nobody complained of could show.

    Parameters
    ----------
    homes
        How many to look at, and how many of the group's there are to choose from.
    of
        Homes of the group without a report, where no such asset was inspected.
    none_if_shrunk, none_if_portfolio
        Chance that not one in the sample has failed, were the group's rate its shrunk one, or the
        portfolio's.
    """

    homes: int
    of: int
    none_if_shrunk: float
    none_if_portfolio: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patterns:
    """Rates of one kind of asset by group.

    Parameters
    ----------
    asset_kind, by
        What was counted, and the columns that make a group.
    failed, inspected
        Of the whole portfolio, each asset once.
    groups
        One row a group, the rarest by chance first: the columns of ``by``, ``homes``, ``inspected``,
        ``failed``, ``rate``, ``shrunk``, ``shrunk_low``, ``shrunk_high``, ``chance`` (binomial),
        ``chance_shared_out``, ``chance_adjusted`` (for how many groups were looked at), ``from_reports``
        (inspected because somebody complained), ``sample_homes``, ``sample_of``, ``said``.
    shared
        Assets of the kind that serve several homes, see :func:`shared`.
    remarks
        What the numbers do not say.
    """

    asset_kind: str
    by: tuple[str, ...]
    failed: int
    inspected: int
    groups: pd.DataFrame
    shared: pd.DataFrame
    remarks: tuple[str, ...]

    @property
    def rate(self) -> float:
        """The portfolio's rate among inspected, NaN where nothing was inspected."""
        return self.failed / self.inspected if self.inspected else float("nan")


def once_each(assets: pd.DataFrame) -> pd.DataFrame:
    """Return each asset once, as it was last seen, however many homes it serves.

    Parameters
    ----------
    assets
        Columns ``asset_id``, ``home_id``, ``asset_kind``, ``state``, ``inspected_on`` (text, ISO),
        ``chosen_by``: one row for each home and asset.

    Returns
    -------
    One row an asset, its ``home_id`` the first of its homes by name, with ``homes`` and ``home_ids``. What
    was looked at goes before what was not; of two of one day, the failure does.
    """
    looked = assets["state"].isin(INSPECTED)
    worst = assets["state"].eq(FAILED)
    in_order = assets.assign(_looked=looked, _worst=worst).sort_values(
        ["asset_id", "_looked", "inspected_on", "_worst", "state", "home_id"],
        ascending=[True, False, False, False, True, True],
        kind="stable",
    )
    last = in_order.drop_duplicates("asset_id").drop(columns=["_looked", "_worst"]).set_index("asset_id")
    pairs = assets[["asset_id", "home_id"]].drop_duplicates().sort_values(["asset_id", "home_id"])
    homes = pairs.groupby("asset_id")["home_id"]
    last["homes"] = homes.size()
    last["home_id"] = last["home_ids"] = homes.first()
    several = last.index[last["homes"] > 1]
    if len(several):
        own = pairs[_among(pairs["asset_id"], several)]
        listed: dict[str, list[str]] = {}
        for asset_id, home_id in zip(own["asset_id"].tolist(), own["home_id"].tolist(), strict=True):
            listed.setdefault(asset_id, []).append(home_id)
        last.loc[list(listed), "home_ids"] = [" ".join(some) for some in listed.values()]
    return last.reset_index()


def shared(assets: pd.DataFrame) -> pd.DataFrame:
    """Return assets that serve several homes, each once.

    Returns
    -------
    ``asset_id``, ``asset_kind``, ``homes``, ``home_ids``, ``state``, ``pays``: who pays, as it was written in
    any of the homes; several answers side by side, ``""`` where nobody wrote it.
    """
    return _shared(once_each(assets), assets)


def _shared(each: pd.DataFrame, assets: pd.DataFrame) -> pd.DataFrame:
    several = each[each["homes"] > 1].reset_index(drop=True)
    several["pays"] = ""
    if "pays" in assets.columns and len(several):
        paid = assets[assets["pays"].ne("")]
        told = paid[_among(paid["asset_id"], several["asset_id"])]
        who: dict[str, set[str]] = {}
        for asset_id, pays in zip(told["asset_id"].tolist(), told["pays"].tolist(), strict=True):
            who.setdefault(asset_id, set()).add(pays)
        several["pays"] = ["; ".join(sorted(who.get(one, ()))) for one in several["asset_id"]]
    return several[["asset_id", "asset_kind", "homes", "home_ids", "state", "pays"]]


def patterns_of(
    assets: pd.DataFrame, homes: pd.DataFrame, *, asset_kind: str, by: Sequence[str], ref: Reference
) -> Patterns:
    """Return the rates of failed assets of one kind by group, among those inspected.

    Parameters
    ----------
    assets
        As :func:`once_each`, of any kinds.
    homes
        Index or column ``home_id``, the columns of ``by``, and ``reports`` (how many a home had).
    asset_kind
        A word of the register's kinds of asset.
    by
        Columns of ``homes``: estate, or build year, drawing type, installer and soil.
    ref
        ``portfolio.prior_strength``, ``sample_homes``.

    Raises
    ------
    InputError
        When ``homes`` has no such column.
    """
    table = homes.reset_index() if homes.index.name == "home_id" else homes
    for name in by:
        if name not in table.columns:
            known = ", ".join(str(one) for one in table.columns)
            said = Problem(file="homes", column=name, found="no such column", allowed=known, mend="Name one.")
            raise InputError([said])
    strength, wanted = ref.value("portfolio.prior_strength"), int(ref.value("portfolio.sample_homes"))
    own = assets[assets["asset_kind"] == asset_kind]
    each = once_each(own)
    joined = each.merge(table[["home_id", *dict.fromkeys(by), "reports"]], on="home_id", how="left")
    names = list(dict.fromkeys(by))
    joined[names] = joined[names].fillna("").replace("", NOT_RECORDED)
    seen = joined[joined["state"].isin(INSPECTED)]
    failed, inspected = int(seen["state"].eq(FAILED).sum()), len(seen)
    quiet = quiet_homes(assets, table, asset_kind=asset_kind, by=names)
    groups = _groups(joined, seen, quiet, names, strength=strength, wanted=wanted)
    remarks = [
        (
            "Among inspected: homes were mostly inspected because somebody complained, so the rate of all"
            " homes is likely lower."
        ),
        "Each asset is counted once, however many homes it serves.",
    ]
    if len(groups) > 1:
        remarks.append(f"{len(groups)} groups were looked at: the adjusted chance allows for that.")
    return Patterns(
        asset_kind=asset_kind, by=tuple(names), failed=failed, inspected=inspected, groups=groups,
        shared=_shared(each, own), remarks=tuple(remarks),
    )  # fmt: skip


def quiet_homes(
    assets: pd.DataFrame, homes: pd.DataFrame, *, asset_kind: str, by: Sequence[str]
) -> pd.DataFrame:
    """Return the homes nobody complained of and where no asset of a kind was inspected; as ``homes``."""
    own = assets[assets["asset_kind"] == asset_kind]
    looked = own.loc[own["state"].isin(INSPECTED), "asset_id"]
    seen = own.loc[_among(own["asset_id"], looked), "home_id"]
    names = list(dict.fromkeys(by))
    quiet = homes[homes["reports"].fillna(0) == 0]
    quiet = quiet[~_among(quiet["home_id"], seen)].copy()
    quiet[names] = quiet[names].fillna("").replace("", NOT_RECORDED)
    return quiet


def sample_for(of: int, *, wanted: int, rate: float, portfolio_rate: float) -> Sample:
    """Return how many homes without a report to look at, and what a clean sample would mean."""
    homes = min(wanted, of)
    return Sample(
        homes=homes,
        of=of,
        none_if_shrunk=(1.0 - rate) ** homes,
        none_if_portfolio=(1.0 - portfolio_rate) ** homes,
    )


def draw_sample(home_ids: Sequence[str], count: int, *, seed: int) -> tuple[str, ...]:
    """Draw homes at random; the same ids and seed give the same homes, whatever order they come in."""
    known = sorted(set(home_ids))
    drawn = np.random.default_rng(seed).permutation(len(known))[: max(0, count)]
    return tuple(sorted(known[at] for at in drawn))


def _groups(
    joined: pd.DataFrame,
    seen: pd.DataFrame,
    quiet: pd.DataFrame,
    names: list[str],
    *,
    strength: float,
    wanted: int,
) -> pd.DataFrame:
    columns = [*names, "homes", "inspected", "failed", "rate", "shrunk", "shrunk_low", "shrunk_high"]
    columns += ["chance", "chance_shared_out", "chance_adjusted", "from_reports"]
    columns += ["sample_homes", "sample_of", "said"]
    failed, inspected = int(seen["state"].eq(FAILED).sum()), len(seen)
    if not inspected:
        return pd.DataFrame(columns=columns)
    rate = failed / inspected
    counted = seen.assign(
        _failed=seen["state"].eq(FAILED), _complained=seen["chosen_by"].eq("complaint")
    ).groupby(names, sort=True)
    out = counted.agg(
        inspected=("asset_id", "size"), failed=("_failed", "sum"), from_reports=("_complained", "sum")
    )
    out["homes"] = joined.groupby(names)["home_id"].nunique()
    out["sample_of"] = quiet.groupby(names)["home_id"].nunique()
    out["sample_of"] = out["sample_of"].fillna(0).astype(int)
    out["rate"] = out["failed"] / out["inspected"]
    out["shrunk"] = shrunk(out["failed"], out["inspected"], rate=rate, strength=strength)
    out["shrunk_low"], out["shrunk_high"] = shrunk_range(
        out["failed"], out["inspected"], rate=rate, strength=strength
    )
    out["chance"] = upper_tail(out["failed"], out["inspected"], rate)
    out["chance_shared_out"] = shared_out_tail(
        out["failed"], out["inspected"], all_failed=failed, all_inspected=inspected
    )
    out["chance_adjusted"] = false_discovery(out["chance"])
    out["sample_homes"] = np.minimum(out["sample_of"], wanted)
    out = out.reset_index()
    out["said"] = [_said(row, failed=failed, inspected=inspected) for row in out.itertuples(index=False)]
    out = out.sort_values(["chance", *names], kind="stable").reset_index(drop=True)
    return out[columns]


def _among(names: pd.Series, some: Iterable[str]) -> NDArray[np.bool_]:
    """Tell which names are among some: of many texts quicker than the table's own way."""
    known = set(some)
    return np.fromiter((name in known for name in names.tolist()), dtype=bool, count=len(names))


def _said(row: object, *, failed: int, inspected: int) -> str:
    """Say a group's numbers with their denominators."""
    own_failed, own = int(getattr(row, "failed", 0)), int(getattr(row, "inspected", 0))
    told = (
        f"{own_failed} failed of {own} inspected ({_percent(own_failed / own)}); all homes: {failed} of"
        f" {inspected} ({_percent(failed / inspected)}); drawn towards that:"
        f" {_percent(getattr(row, 'shrunk', 0.0))}"
    )
    sample = int(getattr(row, "sample_homes", 0))
    if own_failed / own <= failed / inspected or not sample:
        return f"{told}."
    return (
        f"{told}. Look at {sample} of {int(getattr(row, 'sample_of', 0))} homes nobody complained of, drawn"
        " at random, before a programme."
    )


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"
