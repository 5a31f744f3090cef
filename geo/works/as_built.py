"""The house as it was left: everything that rests on levels worked out again from those after the works."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from geo.findings.drain_levels import BOOKED
from geo.findings.drains import Drains, lay_out_drains
from geo.findings.examine import Findings, examine
from geo.findings.heights import site_levels
from geo.site.model import Site
from geo.site.records import Record
from geo.verdict import NOT_KNOWN

STAGE_NOW, STAGE_FOUND = "as_built", "as_found"
SIGHTS = ("backsight_m", "intermediate_sight_m", "foresight_m", "known_level_m")
AFTER_WORKS = "not levelled after the works"
FABRIC = ("K5", "K6", "K7")
"""Ways past the barrier that the fabric alone leaves open."""


@dataclass(frozen=True, kw_only=True, eq=False)
class AsBuilt:
    """What the levels after the works say, beside what was found before.

    Parameters
    ----------
    clearance
        One row a piece of wall levelled after the works: ring_key, chainage_from_m, chainage_to_m,
        before_mm, before (the verdict), after_mm, sigma_mm, after, because.
    ways
        Ways past the barrier the fabric leaves open, where a piece levelled after the works lies: ring_key,
        way, word_before, word_after, chainage_from_m, chainage_to_m, because.
    spills
        What each blockage spills at first, where that changed: blocked, before, after, level_m.
    notes
        What one should know beside it.
    """

    clearance: pd.DataFrame
    ways: pd.DataFrame
    spills: pd.DataFrame
    notes: tuple[str, ...]


def as_built(found: Findings, drains: Drains | None) -> AsBuilt | None:
    """Work everything out again from the levels after the works; ``None`` where none was taken.

    Where the ground was levelled again, the levels of the survey near there stand aside; a rim,
    lip, cover, foot or invert levelled again takes the place of the one recorded. No record changes.

    Raises
    ------
    InputError, GeometryError
        When the levels after the works cannot be used.
    """
    site = as_built_site(found)
    if site is None:
        return None
    after = examine(site, seed=found.seed)
    laid = lay_out_drains(after) if drains is not None else None
    fresh = _fresh(found)
    return AsBuilt(
        clearance=_clearance(found, after, fresh),
        ways=_ways(drains, laid, fresh, found),
        spills=_spills(drains, laid),
        notes=(
            "Levels after the works are held against those of the survey; neither replaces the other.",
        ),
    )  # fmt: skip


def as_built_site(found: Findings) -> Site | None:
    """Return the site as it was left, or ``None`` where nothing was levelled after the works.

    Raises
    ------
    InputError
        When the level book cannot be followed.
    """
    site = found.site
    table = site.table("level")
    if not (table["stage"] == STAGE_NOW).any():
        return None
    now, _ = site_levels(site, stage=STAGE_NOW)
    now = now[now["level_m"].notna()]
    then, _ = site_levels(site, stage=STAGE_FOUND)
    gone = _superseded(found, now)
    levels: list[Record] = []
    for record in site.of("level"):
        if record.id in now.index:
            levels.append(_fixed(record, now.loc[record.id]))
        elif (
            record.id not in gone
            and record.id in then.index
            and math.isfinite(then.loc[record.id, "level_m"])
        ):
            levels.append(_fixed(record, then.loc[record.id]))
    changed = dict(site.records)
    changed["level"] = tuple(levels)
    changed |= _assets(site, now)
    return replace(site, records=changed, digest=f"{site.digest}-as-built")


def _fixed(record: Record, level: pd.Series[Any]) -> Record:
    """Return a line of the book as a level already reduced: set-ups before and after are never mixed."""
    fixed: dict[str, Any] = dict.fromkeys(SIGHTS) | {
        "stage": STAGE_FOUND, "setup_id": "", "level_m": float(level["level_m"]),
        "level_sigma_m": float(level["sigma_m"]) if level["sigma_m"] > 0 else None,
    }  # fmt: skip
    return record.model_copy(update=fixed)


def _superseded(found: Findings, now: pd.DataFrame) -> set[str]:
    """Return ids of the survey's levels that something levelled after the works stands in the place of."""
    gone: set[str] = set()
    named = now[now["of_id"] != ""]
    then = found.levels
    for _, row in named.iterrows():
        same = then.index[(then["of_id"] == row["of_id"]) & (then["role"] == row["role"])]
        gone |= {str(name) for name in same}
    fresh = _fresh(found)
    if fresh.empty:
        return gone
    reach = found.site.reference.value("ground.level_reach_m")
    ground = then[(then["role"] == "ground") & (then["ring_key"] != "")]
    for key, rows in fresh.groupby("ring_key"):
        own = ground[ground["ring_key"] == key]
        length = float(found.perimeter.rings.loc[key, "length_m"])
        apart = np.abs(
            own["chainage_m"].to_numpy(float)[:, None] - rows["chainage_m"].to_numpy(float)[None, :]
        )
        near = np.minimum(apart, length - apart).min(axis=1) <= reach
        gone |= {str(name) for name in own.index[near]}
    return gone


def _fresh(found: Findings) -> pd.DataFrame:
    """Return the ground levels after the works that lie at a wall: ring_key, chainage_m."""
    now, _ = site_levels(found.site, stage=STAGE_NOW)
    places = found.placed.get("level")
    columns = ["ring_key", "chainage_m"]
    if places is None:
        return pd.DataFrame(columns=columns)
    own = now[(now["role"] == "ground") & now["level_m"].notna()].join(places[[*columns, "offset_m"]])
    near = own["offset_m"].abs() <= found.site.reference.value("ground.wall_level_reach_m")
    own = own[near & (own["ring_key"].fillna("") != "") & own["chainage_m"].notna()]
    return own[columns]


def _assets(site: Site, now: pd.DataFrame) -> dict[str, tuple[Record, ...]]:
    """Return records of things levelled again, with their new levels, by kind."""
    fields: dict[str, dict[str, float]] = {}
    for _, row in now[now["of_id"] != ""].iterrows():
        of_id = str(row["of_id"])
        column = BOOKED.get((site.ids.get(of_id, ""), str(row["role"])), "")
        if column:
            fields.setdefault(of_id, {})[column] = float(row["level_m"])
    found: dict[str, tuple[Record, ...]] = {}
    for kind in {site.ids[name] for name in fields}:
        found[kind] = tuple(
            record.model_copy(update=fields[record.id]) if record.id in fields else record
            for record in site.of(kind)
        )
    return found


def _clearance(found: Findings, after: Findings, fresh: pd.DataFrame) -> pd.DataFrame:
    """Return the clearance piece by piece before and after, where the ground was levelled again."""
    columns = ["clearance_mm", "sigma_mm", "verdict", "because"]
    before = found.ground.clearance.set_index("station_id")[columns]
    now = after.ground.clearance.set_index("station_id")[columns]
    place = found.stations.set_index("station_id")[
        ["ring_key", "chainage_from_m", "chainage_to_m", "outside"]
    ]
    both = place.join(before).join(now.add_suffix("_after"))
    near = _near(both, fresh, found)
    both = both[near & both["outside"]].reset_index(drop=True)
    return pd.DataFrame(
        {
            "ring_key": both["ring_key"], "chainage_from_m": both["chainage_from_m"],
            "chainage_to_m": both["chainage_to_m"], "before_mm": both["clearance_mm"],
            "before": both["verdict"], "after_mm": both["clearance_mm_after"],
            "sigma_mm": both["sigma_mm_after"], "after": both["verdict_after"],
            "because": both["because_after"],
        }
    )  # fmt: skip


def _near(pieces: pd.DataFrame, fresh: pd.DataFrame, found: Findings) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Tell which pieces lie within a level's reach of ground levelled after the works."""
    reach = found.site.reference.value("ground.level_reach_m")
    middle = ((pieces["chainage_from_m"] + pieces["chainage_to_m"]) / 2).to_numpy(float)
    near = np.zeros(len(pieces), dtype=bool)
    for key, rows in fresh.groupby("ring_key"):
        length = float(found.perimeter.rings.loc[key, "length_m"])
        apart = np.abs(middle[:, None] - rows["chainage_m"].to_numpy(float)[None, :])
        on = (pieces["ring_key"] == key).to_numpy()
        near |= on & (np.minimum(apart, length - apart).min(axis=1) <= reach)
    return near


def _ways(before: Drains | None, after: Drains | None, fresh: pd.DataFrame, found: Findings) -> pd.DataFrame:
    """Return the ways the fabric leaves open after the works, with what they were before."""
    columns = ["ring_key", "way", "word_before", "word_after", "chainage_from_m", "chainage_to_m", "because"]
    if before is None or after is None or (after.fabric.empty and before.fabric.empty):
        return pd.DataFrame(columns=columns)
    rows = []
    for table, other, side in (
        (after.fabric, before.fabric, "after"),
        (before.fabric, after.fabric, "before"),
    ):
        own = table[table["way"].isin(FABRIC)]
        own = own[_near(own, fresh, found)] if len(own) else own
        for _, row in own.iterrows():
            beside = _word_at(other, row)
            if side == "before" and beside != "no":
                continue
            words = (beside, row["word"]) if side == "after" else (row["word"], "no")
            said = row["because"] if side == "after" else "closed, by the levels after the works"
            rows.append(
                (row["ring_key"], row["way"], *words, row["chainage_from_m"], row["chainage_to_m"], said)
            )
    return pd.DataFrame(rows, columns=columns)


def _word_at(table: pd.DataFrame, row: pd.Series[Any]) -> str:
    """Return the word of a way at the middle of a length: no where no row says otherwise."""
    middle = (row["chainage_from_m"] + row["chainage_to_m"]) / 2.0
    on = (
        (table["ring_key"] == row["ring_key"]) & (table["way"] == row["way"])
        & (table["chainage_from_m"] <= middle) & (table["chainage_to_m"] >= middle)
    )  # fmt: skip
    return str(table.loc[on, "word"].iloc[0]) if on.any() else "no"


def _spills(before: Drains | None, after: Drains | None) -> pd.DataFrame:
    """Return the blockages whose first spill moved, or rose or fell."""
    columns = ["blocked", "before", "after", "before_level_m", "level_m"]
    if before is None or after is None or before.every.empty or after.every.empty:
        return pd.DataFrame(columns=columns)
    rows = []
    for blocked in after.every.index:
        now = after.every.loc[blocked]
        was: Mapping[Any, Any] = before.every.loc[blocked] if blocked in before.every.index else {}
        names = [str(each.get("first") or each.get("word") or NOT_KNOWN) for each in (was, now)]
        levels = [float(each.get("level_m", math.nan)) for each in (was, now)]
        same = names[0] == names[1] and (levels[0] == levels[1] or all(math.isnan(each) for each in levels))
        if not same:
            rows.append((str(blocked), *names, *levels))
    return pd.DataFrame(rows, columns=columns)
