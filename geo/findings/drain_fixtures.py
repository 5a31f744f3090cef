"""Wastes, stacks, channels and overflows: what each falls into, so that water can be put in there."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import pandas as pd

from geo.drains.network import Network
from geo.findings.drain_trials import node_of


def seat_fixtures(
    tables: Mapping[str, pd.DataFrame], fixtures: pd.DataFrame
) -> tuple[dict[str, pd.DataFrame], dict[str, str]]:
    """Take fixtures out of the way of the network and say what each falls into.

    Parameters
    ----------
    tables
        Records of gullies, downpipes and runs by kind, indexed by id.
    fixtures
        Fixtures, indexed by id: fixture_kind, into_id, level_m, level_sigma_m, evidence, building_id.

    Returns
    -------
    The tables with a channel that a run leads from standing among the gullies, its grating for a rim; with
    downpipes led through a fixture to what that falls into; and with runs that begin at any other fixture
    beginning at their own upper end. And the asset or run that each fixture falls into, by its id.
    """
    made = {kind: table.copy() for kind, table in tables.items()}
    runs = made["run"]
    starts = dict(zip(runs["from_id"], runs.index, strict=True))
    channel = (fixtures["fixture_kind"] == "channel") & fixtures.index.isin(starts)
    if channel.any():
        made["gully"] = _with_channels(made["gully"], fixtures[channel])
    leads = {str(name): str(starts.get(name, into)) for name, into in fixtures["into_id"].items()}
    leads = {name: "" if channel[name] else _to_the_end(name, leads) for name in leads}
    loose = runs["from_id"].isin(fixtures.index[~channel])
    made["run"] = runs.assign(from_id=runs["from_id"].mask(loose, ""))
    into = made["downpipe"]["into_id"]
    made["downpipe"] = made["downpipe"].assign(into_id=[leads.get(name, "") or name for name in into])
    return made, {name: into for name, into in leads.items() if into}


def _with_channels(gullies: pd.DataFrame, channels: pd.DataFrame) -> pd.DataFrame:
    """Return gullies with channels among them: rain runs in at the grating, and out over it."""
    known = {name: channels[name] for name in ("id", "building_id", "evidence", "level_sigma_m")}
    known |= {"rim_level_m": channels["level_m"]}
    blank = {name: "" if gullies[name].dtype == object else math.nan for name in gullies.columns}
    rows = pd.DataFrame(blank | {"takes": "rain", "state": "sound"} | known, index=channels.index)
    rows = rows[gullies.columns]
    return pd.concat([gullies, rows]) if len(gullies) else rows


def _to_the_end(name: str, leads: Mapping[str, str]) -> str:
    """Follow fixtures that fall into one another to the first thing that is none; nothing in a ring."""
    seen, into = {name}, leads[name]
    while into in leads and into not in seen:
        seen.add(into)
        into = leads[into]
    return "" if into in leads else into


def join_fixtures(network: Network, leads: Mapping[str, str]) -> Network:
    """Return the network with water taken in at fixtures, where what they fall into is on it."""
    falls = {name: node_of(network, into) for name, into in leads.items()}
    known = {name: node for name, node in falls.items() if node in network.nodes.index}
    return replace(network, discharge={**network.discharge, **known})
