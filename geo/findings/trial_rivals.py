"""What was going on beside each test: other sources running, a colour used twice, no picture from before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geo.findings.trial_amounts import wall_seconds
from geo.site.model import Site

WET_KINDS = ("hose", "dye", "appliance", "tracing", "soakaway_fill", "spray", "plugged")
COLOURED = ("hose", "dye", "appliance", "tracing", "spray")
PICTURED = ("hose", "dye", "appliance", "spray", "sheet")

IN_DRAIN = ("gully", "chamber", "soakaway", "run", "fitting")


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """What was found beside one test: sentences, and what a positive lacks because of it."""

    told: tuple[str, ...]
    wet: tuple[str, ...]


def beside_tests(site: Site, trials: pd.DataFrame, amounts: pd.DataFrame) -> Mapping[str, Beside]:
    """Find what each test shared its day with.

    Parameters
    ----------
    trials, amounts
        Records of kind trial, and their amounts (:func:`geo.findings.trial_amounts.trial_amounts`).

    Returns
    -------
    By trial id: sentences for a colour used for another source the same day, for a missing picture from
    before, and for whatever else was wet within ``trials.rival_hours`` before the test or during it.
    """
    told: dict[str, list[str]] = {str(name): [] for name in trials.index}
    wet: dict[str, list[str]] = {name: [] for name in told}
    for name, said in _colours(trials).items():
        told[name].append(said)
        wet[name].append("a colour no other source had that day")
    for name, said in _unpictured(site, trials, amounts).items():
        told[name].append(said)
        wet[name].append("a photograph from before")
    hours = site.reference.value("trials.rival_hours")
    for name, rivals in _rivals(site, trials, amounts, hours).items():
        told[name].append(f"Wet at the time, or within {hours:g} h before: {', '.join(rivals)}.")
        wet[name].append(f"rivals that were dry ({', '.join(rivals)})")
    return {name: Beside(told=tuple(told[name]), wet=tuple(wet[name])) for name in told}


def _colours(trials: pd.DataFrame) -> dict[str, str]:
    """Return what to say of each test whose colour another source had on the same day."""
    own = trials[trials["trial_kind"].isin(COLOURED) & ~trials["dye"].isin(("", "none"))]
    own = own.assign(day=own["started_at"].str.slice(0, 10))
    own = own[own["day"] != ""]
    found: dict[str, str] = {}
    for (day, dye), same in own.groupby(["day", "dye"]):
        if same["source_id"].nunique() < 2:
            continue
        for name, source in same["source_id"].items():
            others = sorted(set(same["source_id"]) - {source})
            found[str(name)] = (
                f"{str(dye).capitalize()} dye was put into {', '.join(others)} too on {day}:"
                " a colour at the wall does not say whose it is."
            )
    return found


def _unpictured(site: Site, trials: pd.DataFrame, amounts: pd.DataFrame) -> dict[str, str]:
    """Return what to say of each test of which no photograph is from before it began."""
    own = trials[trials["trial_kind"].isin(PICTURED)]
    # What came out in a drain needs no picture of a dry wall.
    in_drain = [site.ids.get(str(name), "") in IN_DRAIN for name in own["shown_id"]]
    own = own[~np.array(in_drain, dtype=bool)]
    if own.empty:
        return {}
    photos = site.table("photo")
    taken = wall_seconds(photos["taken_at"])
    named = own["photo_ids"].str.split().explode().dropna()
    pairs = pd.concat(
        [
            pd.DataFrame({"trial": named.index, "photo": named.to_numpy()}),
            pd.DataFrame({"trial": photos["of_id"].to_numpy(), "photo": photos.index.to_numpy()}),
        ]
    )
    pairs = pairs[pairs["trial"].isin(own.index) & pairs["photo"].isin(photos.index)]
    when = pd.Series(taken, index=photos.index).reindex(pairs["photo"]).to_numpy()
    start = amounts["starts_s"].reindex(pairs["trial"]).to_numpy()
    before = set(pairs["trial"][when <= start])
    pictured = set(pairs["trial"])
    found = {}
    for name in own.index.difference(list(before), sort=False):
        if name not in pictured:
            found[str(name)] = "No photograph shows the wall before the test."
        elif np.isnan(amounts.loc[name, "starts_s"]):
            found[str(name)] = (
                "When the test began is not recorded, so no photograph is known to be from before."
            )
        else:
            found[str(name)] = "None of its photographs is known to be from before the test."
    return found


def _rivals(site: Site, trials: pd.DataFrame, amounts: pd.DataFrame, hours: float) -> dict[str, list[str]]:
    """Return the other sources that were wet while each test ran, or shortly before."""
    own = trials[trials["trial_kind"].isin(COLOURED)]
    start = amounts["starts_s"].reindex(own.index).to_numpy(float)
    stop = np.fmax(amounts["stops_s"].reindex(own.index).to_numpy(float), start)
    others = [_others(trials, amounts), _events(site)]
    wet = pd.concat([table for table in others if len(table)] or [others[0]], ignore_index=True)
    if own.empty or wet.empty:
        return {}
    began, ended = wet["began"].to_numpy(float), wet["ended"].to_numpy(float)
    ended = np.where(np.isnan(ended), began, ended)
    began = np.where(np.isnan(began), ended, began)
    near = (began[None, :] <= stop[:, None]) & (ended[None, :] >= start[:, None] - 3600.0 * hours)
    source = own["source_id"].to_numpy(object)
    near &= (wet["of"].to_numpy(object)[None, :] != source[:, None]) & (
        wet["id"].to_numpy(object)[None, :] != own.index.to_numpy(object)[:, None]
    )
    # An appliance run through as the test, and logged as used, is the test itself.
    appliance = (own["trial_kind"] == "appliance").to_numpy()
    near &= ~(appliance[:, None] & (wet["used"].to_numpy(bool) & (wet["of"] == "").to_numpy())[None, :])
    return {
        str(name): [str(said) for said in wet["said"][row]]
        for name, row in zip(own.index, near, strict=True)
        if row.any()
    }


def _others(trials: pd.DataFrame, amounts: pd.DataFrame) -> pd.DataFrame:
    rows = trials[trials["trial_kind"].isin(WET_KINDS)]
    return pd.DataFrame(
        {
            "id": rows.index.to_numpy(object),
            "of": rows["source_id"].to_numpy(object),
            "began": amounts["starts_s"].reindex(rows.index).to_numpy(float),
            "ended": amounts["stops_s"].reindex(rows.index).to_numpy(float),
            "said": [f"{source} in test {name}" for name, source in rows["source_id"].items()],
            "used": False,
        }
    )


def _events(site: Site) -> pd.DataFrame:
    table = site.table("event")
    began = wall_seconds(table["began_at"])
    kinds = [site.reference.word("event_kind", kind) for kind in table["event_kind"]]
    said = [f"{kind} ({name})" for kind, name in zip(kinds, table.index, strict=True)]
    return pd.DataFrame(
        {
            "id": table.index.to_numpy(object),
            "of": table["of_id"].to_numpy(object),
            "began": began,
            "ended": wall_seconds(table["ended_at"]),
            "said": said,
            "used": table["used_l"].notna().to_numpy()
            | table["event_kind"].isin(("bath", "sink", "washing_machine", "dishwasher", "wc")).to_numpy(),
        }
    )
