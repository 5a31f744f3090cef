"""What must not change the answers, and what may only make them less sure, on a whole site."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from geo.findings.check import read_checked
from geo.findings.examine import Findings, examine
from geo.site.model import Site
from geo.site.records import KINDS, Record

FOLDER = Path(__file__).resolve().parents[2] / "demo_sites" / "semi_on_a_slope"
Change = Callable[[str, Record], Record]


@lru_cache(1)
def plain() -> Site:
    """Return the site without its raster, which would have to be resampled to be turned."""
    return replace(read_checked(FOLDER), ground=None)


@lru_cache(1)
def before() -> Findings:
    """Return what is found at the site as it is."""
    return examine(plain())


def changed(change: Change, site: Site | None = None) -> Findings:
    """Return what is found after every record was changed."""
    own = site or plain()
    records = {kind: tuple(change(kind, record) for record in rows) for kind, rows in own.records.items()}
    return examine(replace(own, records=records))


def moved(move: Callable[[float, float], tuple[float, float]], turn_deg: float) -> Change:
    """Return a change that moves every coordinate and turns every bearing."""

    def change(kind: str, record: Record) -> Record:
        update: dict[str, Any] = {}
        for east, north in (("easting_m", "northing_m"), ("origin_easting_m", "origin_northing_m")):
            if getattr(record, east, None) is not None:
                update[east], update[north] = move(getattr(record, east), getattr(record, north))
        for name in ("bearing_deg", "front_bearing_deg", "direction_deg"):
            if getattr(record, name, None) is not None:
                update[name] = (getattr(record, name) + turn_deg) % 360
        if record.geometry is not None:
            update["geometry"] = shapely.transform(
                record.geometry, lambda xy: np.array([move(x, y) for x, y in xy])
            )
        return record.model_copy(update=update)

    return change


def assert_same(found: Findings, *, shift_m: float = 0.0) -> None:
    """Hold findings against those of the unchanged site, chainages shifted by a constant."""
    old = before()
    length = float(old.perimeter.rings.loc["B1", "length_m"])
    assert found.counts == old.counts
    assert list(found.readings["wet"]) == list(old.readings["wet"])
    gap = np.mod(found.readings["chainage_m"] - old.readings["chainage_m"] - shift_m + 1.0, length) - 1.0
    assert np.nanmax(np.abs(gap)) < 1e-3
    assert sorted(found.stretches["length_m"]) == pytest.approx(sorted(old.stretches["length_m"]), abs=1e-3)
    assert found.coverage["read_m"].sum() == pytest.approx(old.coverage["read_m"].sum(), abs=1e-3)
    words = [[row["verdict"] for row in one.cluster_rows] for one in (found, old)]
    assert words[0] == words[1]
    chances = [[row["p_permutation"] for row in one.cluster_rows] for one in (found, old)]
    assert chances[0] == pytest.approx(chances[1], abs=0.02, nan_ok=True)


def test_moving_and_turning_the_site_changes_nothing() -> None:
    """A site moved by kilometres and turned by 33° gives the same answers."""
    angle = math.radians(33.0)
    c, s = math.cos(angle), math.sin(angle)
    e0, n0 = 389214.0, 251087.0

    def move(east: float, north: float) -> tuple[float, float]:
        x, y = east - e0, north - n0
        return e0 + 4321.5 + c * x - s * y, n0 - 1234.25 + s * x + c * y

    found = changed(moved(move, -33.0))
    assert_same(found)
    assert list(found.ground.falls["verdict"]) == list(before().ground.falls["verdict"])


def test_the_datum_does_not_matter() -> None:
    """Raising the bench mark and every level by 10 m gives the same verdicts."""

    def lift(kind: str, record: Record) -> Record:
        names = [
            name
            for name in KINDS[kind].columns()
            if name.endswith("level_m") and getattr(record, name) is not None
        ]
        return record.model_copy(update={name: getattr(record, name) + 10.0 for name in names})

    found, old = changed(lift), before()
    for table in ("falls", "clearance"):
        assert list(getattr(found.ground, table)["verdict"]) == list(getattr(old.ground, table)["verdict"])
    assert found.ground.clearance["clearance_mm"].to_numpy() == pytest.approx(
        old.ground.clearance["clearance_mm"].to_numpy(), abs=1e-6, nan_ok=True
    )


def test_renaming_the_origin_corner_shifts_chainage_by_a_constant() -> None:
    """Beginning at corner B instead of A: the same wall, every chainage less by the length of F1."""
    old = before()
    faces = old.perimeter.faces
    own = faces[faces["ring_key"] == "B1"]
    first, length = float(own["length_m"].iloc[0]), float(own["length_m"].sum())
    start = own.geometry.iloc[1].coords[0]
    names = list(own["face"])
    face_after = dict(zip(names[1:] + names[:1], names, strict=True))
    corners = list(own["corner_from"])
    corner_after = dict(zip(corners[1:] + corners[:1], corners, strict=True))

    def rename(kind: str, record: Record) -> Record:
        update: dict[str, Any] = {}
        if kind == "building" and record.id == "B1":
            update |= {"origin_easting_m": start[0], "origin_northing_m": start[1]}
        if getattr(record, "building_id", "B1") in ("", "B1") and kind != "building":
            for name in ("chainage_m", "chainage_from_m", "chainage_to_m"):
                value = getattr(record, name, None)
                if value is not None:
                    update[name] = (value - first) % length
            if getattr(record, "face", ""):
                update["face"] = face_after[record.face]  # type: ignore[attr-defined]
            for name in ("corner", "tape_1_from", "tape_2_from", "tape_3_from", "tape_4_from"):
                if getattr(record, name, ""):
                    update[name] = corner_after[getattr(record, name)]
        return record.model_copy(update=update)

    found = changed(rename)
    assert found.counts == old.counts
    assert list(found.readings["wet"]) == list(old.readings["wet"])
    assert sorted(found.stretches["length_m"]) == pytest.approx(sorted(old.stretches["length_m"]), abs=0.02)
    gap = np.mod(found.readings["chainage_m"] - old.readings["chainage_m"] + first + 1.0, length) - 1.0
    assert np.nanmax(np.abs(gap)) < 0.02


def test_larger_errors_only_move_answers_to_not_known() -> None:
    """Four times the sigma on every level: a known answer stays or becomes not known, never another."""

    def loosen(kind: str, record: Record) -> Record:
        if kind == "level":
            return record.model_copy(update={"level_sigma_m": 0.02})
        if kind == "dpc_point":
            return record.model_copy(update={"level_sigma_m": 0.02})
        return record

    found, old = changed(loosen), before()
    for table in ("falls", "clearance"):
        pairs = zip(
            getattr(found.ground, table)["verdict"], getattr(old.ground, table)["verdict"], strict=True
        )
        assert all(after in (earlier, "not known") for after, earlier in pairs)


def test_a_second_height_changes_no_cluster() -> None:
    """Every outside reading taken again 0.3 m higher leaves the counts and chances as they were."""
    own = plain()
    again = tuple(
        record.model_copy(update={"id": f"{record.id}-again", "height_m": (record.height_m or 0.0) + 0.3})  # type: ignore[attr-defined]
        for record in own.of("reading")
        if record.side == "outside" and record.control != "yes"  # type: ignore[attr-defined]
    )
    more = replace(own, records={**own.records, "reading": (*own.of("reading"), *again)})
    for first, second in zip(before().cluster_rows, examine(more).cluster_rows, strict=True):
        assert first["n"] == second["n"]
        assert [radius["p_exact"] for radius in first["radii"]] == pytest.approx(
            [radius["p_exact"] for radius in second["radii"]], nan_ok=True
        )


def test_photographs_change_nothing_and_kilograms_neither() -> None:
    """Dropping every photograph, and weighing in kilograms, leave every percentage as it was."""

    def in_kilograms(kind: str, record: Record) -> Record:
        if kind != "sample":
            return record
        names = ("dish_g", "wet_g", "humid_g", "dry_g", "mass_sigma_g")
        return record.model_copy(
            update={name: getattr(record, name) / 1000 for name in names if getattr(record, name) is not None}
        )

    found = changed(in_kilograms, replace(plain(), records={**plain().records, "photo": ()}))
    columns = ["mc_dry", "hmc_dry", "excess", "excess_sigma"]
    pd.testing.assert_frame_equal(found.samples[columns], before().samples[columns], rtol=1e-9)
    assert_same(found)
