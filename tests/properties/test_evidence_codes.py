"""What must not change the evidence: where a site lies, its datum, its origin corner, its photographs."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cache
from typing import Any

import pytest
import shapely
from shapely import affinity

from geo.evidence.candidates import candidates_of
from geo.evidence.codes import raise_codes
from geo.findings.drains import lay_out_drains
from geo.findings.examine import examine
from geo.findings.trials import judge_trials
from geo.houses.house import draw_house
from geo.site.model import Site
from geo.site.record import Record

SEED, TRIED, KEPT = 5, 40, 2
TURN_DEG, EAST_M, NORTH_M = 37.0, 4321.5, -870.25
Codes = frozenset[tuple[str, frozenset[str], str]]


@cache
def sites() -> tuple[Site, ...]:
    """Return the first invented houses in which something reads wet, with drains beside it."""
    found: list[Site] = []
    for number in range(1, TRIED):
        site = draw_house(SEED, number).site
        if len(found) < KEPT and site.of("gully") and len(examine(site).stretches):
            found.append(site)
    return tuple(found)


def codes_of(site: Site) -> Codes:
    """Return every code with the readings of its stretch and its candidate."""
    found = examine(site)
    drains = lay_out_drains(found)
    raised = raise_codes(found, drains, judge_trials(site, drains), candidates_of(found, drains))
    ids = {str(name): frozenset(row) for name, row in found.stretches["reading_ids"].items()}
    return frozenset((each.code, ids[each.stretch_id], each.candidate) for each in raised)


@cache
def plain(which: int) -> Codes:
    """Return the codes of one house as it is."""
    return codes_of(sites()[which])


def changed(site: Site, change: Callable[[Record], Mapping[str, Any]]) -> Site:
    """Return a site with some fields of its records changed."""
    records = {
        kind: tuple(record.model_copy(update=dict(change(record))) for record in own)
        for kind, own in site.records.items()
    }
    return replace(site, records=records)


def moved(record: Record) -> dict[str, Any]:
    """Turn a record about the grid's zero, then shift it."""
    turn = math.radians(TURN_DEG)
    cosine, sine = math.cos(turn), math.sin(turn)
    own: dict[str, Any] = {}
    if record.geometry is not None:
        shape = affinity.rotate(record.geometry, TURN_DEG, origin=(0, 0))
        own["geometry"] = affinity.translate(shape, EAST_M, NORTH_M)
    for east in (name for name in type(record).model_fields if name.endswith("easting_m")):
        north = east.replace("easting", "northing")
        x, y = getattr(record, east), getattr(record, north)
        if x is not None and y is not None:
            own[east] = x * cosine - y * sine + EAST_M
            own[north] = x * sine + y * cosine + NORTH_M
    for name in type(record).model_fields:
        value = getattr(record, name)
        if name.endswith("bearing_deg") and value is not None:
            own[name] = (value - TURN_DEG) % 360.0
    return own


def raised_by(metres: float) -> Callable[[Record], dict[str, Any]]:
    """Lift every level."""

    def lift(record: Record) -> dict[str, Any]:
        names = [
            name for name in type(record).model_fields if name == "level_m" or name.endswith(("_level_m",))
        ]
        return {name: getattr(record, name) + metres for name in names if getattr(record, name) is not None}

    return lift


def less_sure(record: Record) -> dict[str, Any]:
    """Treble every standard deviation of a level that is written down."""
    names = [name for name in type(record).model_fields if name.endswith("level_sigma_m")]
    return {name: 3.0 * getattr(record, name) for name in names if getattr(record, name) is not None}


@pytest.mark.parametrize("which", range(KEPT))
def test_turning_and_moving_a_site_changes_nothing(which: int) -> None:
    """Distances and levels are the same wherever north is."""
    assert codes_of(changed(sites()[which], moved)) == plain(which)


@pytest.mark.parametrize("which", range(KEPT))
def test_another_datum_changes_nothing(which: int) -> None:
    """Only differences of level count."""
    assert codes_of(changed(sites()[which], raised_by(12.5))) == plain(which)


@pytest.mark.parametrize("which", range(KEPT))
def test_photographs_are_no_evidence(which: int) -> None:
    """A picture carries no number."""
    site = sites()[which]
    bare = replace(site, records={**site.records, "photo": ()})
    assert codes_of(
        changed(bare, lambda record: {"photo_ids": ""} if hasattr(record, "photo_ids") else {})
    ) == plain(which)


@pytest.mark.parametrize("which", range(KEPT))
def test_less_sure_levels_only_take_level_codes_away(which: int) -> None:
    """With three times the error no new margin passes two sigma."""
    levels = {"LEV+", "LEV-"}
    before = {each for each in plain(which) if each[0] in levels}
    after = {each for each in codes_of(changed(sites()[which], less_sure)) if each[0] in levels}
    assert after <= before


@pytest.mark.parametrize("which", range(KEPT))
def test_another_origin_corner_changes_nothing(which: int) -> None:
    """Chainage begins at the next corner, and faces are counted from there."""
    site = sites()[which]
    building = next(each for each in site.of("building") if getattr(each, "role", "") == "subject")
    corners = shapely.get_coordinates(shapely.geometry.polygon.orient(building.geometry, -1.0).exterior)[:-1]
    origin = (building.origin_easting_m, building.origin_northing_m)  # type: ignore[attr-defined]
    first = min(range(len(corners)), key=lambda i: math.dist(corners[i], origin))
    after = corners[(first + 1) % len(corners)]
    perimeter = examine(site).perimeter
    length = float(perimeter.rings.loc[building.id, "length_m"])
    shift = float(perimeter.faces.loc[f"{building.id}:F1", "length_m"])
    count = int((perimeter.faces["ring_key"] == building.id).sum())

    def renamed(text: str) -> str:
        face = re.fullmatch(r"F(\d+)", text)
        return f"F{(int(face[1]) - 2) % count + 1}" if face else text

    def turned(record: Record) -> dict[str, Any]:
        own: dict[str, Any] = {}
        if record.id == building.id:
            own = {"origin_easting_m": float(after[0]), "origin_northing_m": float(after[1])}
        if getattr(record, "ring", ""):
            return own
        for name in type(record).model_fields:
            value = getattr(record, name)
            if name.startswith("chainage") and value is not None:
                at = (value - shift) % length
                own[name] = length if name == "chainage_to_m" and at < 1e-9 else at
            elif name == "face" and value:
                own[name] = renamed(value)
            elif name in ("corner", "tape_1_from", "tape_2_from", "tape_3_from", "tape_4_from") and value:
                own[name] = chr((ord(value) - ord("A") - 1) % count + ord("A"))
            elif name == "watched" and value:
                own[name] = " ".join(renamed(word) for word in value.split())
        return own

    found, wanted = codes_of(changed(site, turned)), plain(which)
    assert {each[:2] for each in found} == {each[:2] for each in wanted}
    assert found == wanted
