"""The demo sites against what is true of them, stated where they are made and never read by the tool."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geo.findings.check import check_folder, read_checked
from geo.findings.examine import Findings, examine

ROOT = Path(__file__).resolve().parents[2] / "demo_sites"
SITES = ("semi_on_a_slope", "three_cottages", "old_school")


@lru_cache(3)
def found(name: str) -> Findings:
    """Examine a demo site once."""
    return examine(read_checked(ROOT / name))


@lru_cache(3)
def truth(name: str) -> dict[str, Any]:
    """Return what is true of it."""
    return tomllib.loads((ROOT / name / "truth.toml").read_text(encoding="utf-8"))


def rows(kind: str) -> list[Any]:
    """Return one parameter for each truth of a kind at each site."""
    return [
        pytest.param(name, row, id=f"{name}-{kind}-{i}")
        for name in SITES
        for i, row in enumerate(truth(name).get(kind, []))
    ]


def key_of(row: dict[str, Any]) -> str:
    """Return the ring a truth speaks of."""
    return f"{row['building_id']}/{row['ring']}" if row["ring"] else str(row["building_id"])


def inside(name: str, row: dict[str, Any]) -> pd.Index:
    """Return the stations that lie wholly within a truth's chainages, or those whose middle does."""
    stations = found(name).stations
    own = stations[stations["ring_key"] == key_of(row)]
    start, end = row["chainage_from_m"], row["chainage_to_m"]
    whole = own[(own["chainage_from_m"] >= start) & (own["chainage_to_m"] <= end)]
    if whole.empty:
        whole = own[(own["chainage_m"] > start) & (own["chainage_m"] < end)]
    return pd.Index(whole["station_id"])


@pytest.mark.parametrize("name", SITES)
def test_a_demo_site_has_no_error(name: str) -> None:
    """The only notes are runs that end nowhere known, which is part of the story."""
    problems = check_folder(ROOT / name)
    assert {problem.severity for problem in problems} <= {"warning"}
    assert {problem.column for problem in problems} <= {"to_id"}


@pytest.mark.parametrize("name", SITES)
def test_every_reading_goes_where_it_was_taken(name: str) -> None:
    """Joined, ambiguous and unjoined are as designed, and each joined reading is at its true chainage."""
    readings, designed = found(name).readings, truth(name)["readings"]
    assert found(name).counts == {key: designed[key] for key in ("taken", "joined", "ambiguous", "unjoined")}
    for row in truth(name)["reading"]:
        own = readings.loc[row["id"]]
        assert own["status"] == row["status"], row["id"]
        if row["status"] == "joined":
            assert own["ring_key"] == row["ring"]
            gap = abs(own["chainage_m"] - row["chainage_m"])
            assert gap <= designed["chainage_tolerance_m"], row["id"]


@pytest.mark.parametrize("name", SITES)
def test_no_dry_wall_is_called_wet_nor_wet_wall_dry(name: str) -> None:
    """A reading of truly dry wall is never called wet, nor one of truly wet wall dry."""
    readings = found(name).readings
    opposite = {"wet": "dry", "dry": "wet"}
    wrong = [
        row["id"]
        for row in truth(name)["reading"]
        if readings.loc[row["id"], "wet"] == opposite.get(row.get("is", ""), "never")
    ]
    assert not wrong


@pytest.mark.parametrize(("name", "row"), rows("controls"))
def test_groups_are_compared_as_their_controls_allow(name: str, row: dict[str, Any]) -> None:
    """Five controls or more give an excess; fewer give ranks, and no reading is then called wet."""
    groups = found(name).groups
    own = groups[
        (groups["method"] == row["method"])
        & (groups["material"] == row["material"])
        & (groups["instrument"] == row["instrument"])
    ].iloc[0]
    assert own["n_control"] == row["controls"]
    assert own["basis_of_comparison"] == row["basis"]


@pytest.mark.parametrize(("name", "row"), rows("fall"))
def test_falls_are_what_the_ground_was_made_to_be(name: str, row: dict[str, Any]) -> None:
    """Neither evidence ever says another word than the truth allows, stretch by stretch."""
    falls = found(name).ground.falls
    own = falls[falls["station_id"].isin(inside(name, row))]
    for evidence, words in (("levels", row["levels_say"]), ("raster", row["raster_says"])):
        said = set(own.loc[own["evidence"] == evidence, "verdict"])
        assert said
        assert said <= {*words, "not known"}
        assert said & set(words)


@pytest.mark.parametrize(("name", "row"), rows("clearance"))
def test_clearances_are_what_they_were_made_to_be(name: str, row: dict[str, Any]) -> None:
    """The damp proof course is short, clear or not known where it was made so."""
    clearance = found(name).ground.clearance
    own = clearance[clearance["station_id"].isin(inside(name, row))]
    assert len(own)
    assert set(own["verdict"]) <= {*row["says"], "not known"}
    assert set(own["verdict"]) & set(row["says"])


@pytest.mark.parametrize(("name", "row"), rows("wet"))
def test_wet_lengths_are_found(name: str, row: dict[str, Any]) -> None:
    """Each truly wet length is found, as far as it was read, by a group that has controls enough to show it."""
    groups = found(name).groups
    scored = [
        group
        for group in row["groups"]
        if (
            (groups["method"] == group["method"])
            & (groups["instrument"] == group["instrument"])
            & (groups["basis_of_comparison"] == "excess")
        ).any()
    ]
    if not scored:  # too few controls: nothing of these groups may then be called wet or dry
        own = found(name).readings
        own = own[own["instrument"].isin([group["instrument"] for group in row["groups"]])]
        assert len(own)
        assert set(own["wet"]) <= {"not known", "control"}
        return
    own = found(name).stretches
    own = own[(own["ring_key"] == key_of(row)) & (own["side"] == row["side"])]
    own = own[own["group"].str.endswith(tuple(group["instrument"] for group in scored))]
    low, high = row["chainage_from_m"], row["chainage_to_m"]
    covered = np.zeros(200, dtype=bool)
    along = np.linspace(low, high, 200)
    for part in own.itertuples():
        covered |= (along >= part.chainage_from_m) & (along <= part.chainage_to_m)
    assert covered.mean() > 0.4


@pytest.mark.parametrize(("name", "row"), rows("unread"))
def test_unread_wall_is_unread(name: str, row: dict[str, Any]) -> None:
    """Wall nobody read is listed with its reason, never taken as dry."""
    unread = found(name).unread
    own = unread[(unread["ring_key"] == key_of(row)) & (unread["side"] == row["side"])]
    low, high = row["chainage_from_m"], row["chainage_to_m"]
    covered = sum(
        max(0.0, min(high, part.chainage_to_m) - max(low, part.chainage_from_m)) for part in own.itertuples()
    )
    assert covered > 0.8 * (high - low)
    assert row["word"] in set(own["reason"])


@pytest.mark.parametrize(("name", "row"), rows("pond"))
def test_pools_stand_where_they_were_made_to(name: str, row: dict[str, Any]) -> None:
    """The pool is at its level and against its wall, with the gullies as the truth says."""
    ponds = found(name).ground.ponds
    own = ponds[(ponds["ring_key"] == key_of(row)) & ponds["at_wall"].astype(bool)]
    label = "as found" if "working," in row["gullies"] or row["gullies"] == "working" else "none working"
    own = own[own["gullies"] == label]
    tie = found(name).ground.tie
    lift = tie.offset_m if tie is not None and tie.used else 0.0
    assert any(
        abs(pool.level_m - lift - row["level_m"]) <= row["tolerance_m"] + 0.005
        and pool.chainage_from_m <= row["deepest_at_chainage_m"] <= pool.chainage_to_m
        for pool in own.itertuples()
    )


@pytest.mark.parametrize(("name", "row"), rows("no_pond"))
def test_no_pool_is_sure_where_water_runs_off(name: str, row: dict[str, Any]) -> None:
    """Where the true ground sheds its water no pool is called sure."""
    ponds = found(name).ground.ponds
    own = ponds[(ponds["ring_key"] == key_of(row)) & (ponds["verdict"] == "ponds")]
    low, high = row["chainage_from_m"], row["chainage_to_m"]
    assert not any(pool.chainage_from_m < high and pool.chainage_to_m > low for pool in own.itertuples())


@pytest.mark.parametrize("name", SITES)
def test_clustering_is_told_from_where_one_looked(name: str) -> None:
    """The word for the main group is the one its readings were laid out to give."""
    designed = truth(name)["cluster"]
    group = f"{designed['method']}|{designed['material']}|instrument|{designed['instrument']}"
    words = {row["group"]: row["verdict"] for row in found(name).cluster_rows}
    assert words[group] == designed["says"]


@pytest.mark.parametrize(("name", "row"), rows("cluster_counts"))
def test_places_near_and_away_are_counted(name: str, row: dict[str, Any]) -> None:
    """Near, away and wet counts at each radius, and the exact chance, are those of the true walk outside."""
    designed = truth(name)["cluster"]
    group = f"{designed['method']}|{designed['material']}|instrument|{designed['instrument']}"
    cluster = next(one for one in found(name).cluster_rows if one["group"] == group)
    radius = next(one for one in cluster["radii"] if one["radius_m"] == row["radius_m"])
    for key in ("near", "away", "wet_near", "wet_away"):
        assert radius[key] == row[key]
    assert radius["p_exact"] == pytest.approx(row["p_exact"], abs=6e-4)
