"""Assets with their places, levels and facts, and which of them let water out at a wall."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from geo.site.model import Site

OUTLET_KINDS = ("gully", "downpipe")
DISCHARGING = ("waste_pipe", "channel", "water_butt", "overflow", "condensate", "outside_tap")
"""Fixtures out of which water comes; the others carry it through, or only let a rod in."""
WETS_WALL = ("drips_on_wall", "misses", "leaks", "joined_to_nothing")
SHUT = ("capped", "blocked")
WORKING = ("sound", "surround_cracked", "lip_broken", "loose", "rim_above_ground")


def lay_out_assets(site: Site, placed: dict[str, pd.DataFrame], levels: pd.DataFrame) -> pd.DataFrame:
    """Lay out the assets with their places, their level and the facts a card shows."""
    shown = {
        "gully": ("rim_level_m", "rim"),
        "downpipe": ("foot_level_m", ""),
        "soakaway": ("cover_level_m", "cover"),
        "chamber": ("cover_level_m", "cover"),
        "fixture": ("level_m", ""),
    }
    tables = [_laid_out(site, kind, *of, placed, levels) for kind, of in shown.items() if site.of(kind)]
    return pd.concat(tables) if tables else _none()


def _laid_out(
    site: Site,
    kind: str,
    column: str,
    role: str,
    placed: dict[str, pd.DataFrame],
    levels: pd.DataFrame,
) -> pd.DataFrame:
    """Lay out the assets of one kind."""
    table, word = site.table(kind), site.reference.word
    booked = levels[(levels["role"] == role) & (levels["of_id"] != "")].groupby("of_id")["level_m"].first()
    level = table[column].fillna(pd.Series(table.index, index=table.index).map(booked))
    own = pd.DataFrame(
        {
            "kind": kind,
            "label": "",
            "state_key": table["state"],
            "state": [word(f"{kind}_state", state) for state in table["state"]],
            "evidence": table["evidence"],
            "level_m": level,
            "facts": [_facts(site, kind, record) for record in site.of(kind)],
        },
        index=table.index,
    )
    if kind == "fixture":
        own["kind"] = np.where(table["fixture_kind"].isin(DISCHARGING), "waste", "fixture")
        own["label"] = [word("fixture_kind", each) for each in table["fixture_kind"]]
    else:
        own["label"] = word("asset_kind", kind)
    columns = ["ring_key", "face", "chainage_m", "chainage_sigma_m", "x", "y", "status", "reason"]
    return own.join(placed[kind][columns])


def _none() -> pd.DataFrame:
    """Return the table of a site without assets."""
    words = ["kind", "label", "state_key", "state", "evidence", "facts", "ring_key", "face", "status"]
    empty = pd.DataFrame({name: pd.Series(dtype=object) for name in [*words, "reason"]})
    numbers = ("level_m", "chainage_m", "chainage_sigma_m", "x", "y")
    return empty.assign(**{name: pd.Series(dtype="float64") for name in numbers})


def _facts(site: Site, kind: str, record: Any) -> dict[str, str]:
    """Return what a person wants to see of a record, in plain words."""
    state = site.reference.word(f"{kind}_state", record.state)
    facts = {"state": f"{state} ({site.reference.word('evidence', record.evidence)})"}
    skip = {"level_sigma_m", "chainage_m", "offset_m", "distance_m", "bearing_deg", "easting_m", "northing_m"}
    for name in type(record).columns():
        value = getattr(record, name)
        if isinstance(value, float) and name not in skip and not name.startswith(("tape_", "position_")):
            facts[_plain(name)] = f"{value:g}"
    for name in ("into_id", "note"):
        if getattr(record, name, ""):
            facts[_plain(name)] = getattr(record, name)
    return facts


def _plain(name: str) -> str:
    """Return a field's name in words, its unit after a comma."""
    units = {
        "_level_m": " level, m",
        "_l_s": ", l/s",
        "_m_s": ", m/s",
        "_mm": ", mm",
        "_m2": ", m²",
        "_m": ", m",
        "_l": ", l",
    }
    for end, said in units.items():
        if name.endswith(end):
            return name.removesuffix(end).replace("_", " ") + said
    return name.removesuffix("_id").replace("_", " ")


def gullies_of(assets: pd.DataFrame) -> pd.DataFrame:
    """Return the gullies that have a place, whether each works, and their rims."""
    own = assets[(assets["kind"] == "gully") & np.isfinite(assets["x"].astype(float))]
    seen = own["evidence"].isin(("seen", "inferred", "reported"))
    works = seen & own["state_key"].isin(WORKING)
    rim = own["level_m"].astype(float)
    return pd.DataFrame({"x": own["x"], "y": own["y"], "works": works, "rim_level_m": rim})


def outlets_of(site: Site, assets: pd.DataFrame) -> pd.DataFrame:
    """Return what lets water out beside a wall: gullies, feet of downpipes, and wastes that wet it.

    A waste or overflow that falls into a gully as it should is that gully's; one that is led nowhere, or
    is recorded as dripping, leaking or missing the gully, lets its water out at the wall itself.
    """
    fixtures = site.table("fixture")
    loose = (fixtures["into_id"] == "") & fixtures["fixture_kind"].isin(DISCHARGING)
    wets = loose | fixtures["state"].isin(WETS_WALL)
    wets &= ~fixtures["state"].isin(SHUT) & (fixtures["side"] != "inside")
    chosen = assets["kind"].isin(OUTLET_KINDS) | assets.index.isin(fixtures.index[wets])
    own = assets[chosen & (assets["status"] != "unjoined")]
    own = own.assign(kind=own["kind"].replace("fixture", "waste"))
    columns = ["kind", "ring_key", "chainage_m", "chainage_sigma_m", "x", "y", "state"]
    return own[columns].rename_axis("outlet_id").reset_index()
