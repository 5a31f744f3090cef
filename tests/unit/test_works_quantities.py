"""Repairs measured: worked figures of the trade, derived by hand in each docstring, and what is refused."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geo import reference
from geo.drains.soakage import own_depths, trial_pit
from geo.drains.tables import default as pipe_tables
from geo.findings.check import read_checked
from geo.findings.drains import lay_out_drains
from geo.findings.examine import examine
from geo.works.amounts import (
    brackets_count,
    joints_count,
    lowered,
    opening_m2,
    openings_count,
    plaster_height_m,
    pointing_m3,
    skips_count,
    strip_m2,
    surround_m2,
)
from geo.works.kinds import INFERRED, MEASURED, PROVISIONAL, Asked, Line
from geo.works.lines_soakaway import Size, reckoned
from geo.works.measure import House
from geo.works.quantities import MAKERS, quantities_of, skips_of

REF = reference.default()
WEST, REAR, EAST = (0.0, 6.0), (6.0, 13.8), (13.8, 19.8)
"""Faces of the made-up house by chainage: 6.0 m, 7.8 m, 6.0 m; the front closes the ring at 27.6 m."""
Build = Callable[..., House]


def write_site(folder: Path, **tables: list[dict[str, Any]]) -> Path:
    """Write a site: a house 7.8 m by 6.0 m outside, walls 0.30 m thick, on a grid of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(
        'name = "Made-up house"\ncrs = "local"\ndatum = "step"\nsurveyed_on = "2026-03-02"\n',
        encoding="utf-8",
    )
    facts = {
        "id": "B1", "role": "subject", "origin_easting_m": 100.0, "origin_northing_m": 200.0,
        "wall_thickness_m": 0.3, "floor_level_m": 10.3, "wall_type": "cavity", "built": "1934",
    }  # fmt: skip
    ring = [[100, 200], [100, 206], [107.8, 206], [107.8, 200], [100, 200]]
    _layer(folder / "buildings.geojson", [(facts, {"type": "Polygon", "coordinates": [ring]})])
    shaped = {"floor_zones": "Polygon", "runs": "LineString"}
    for stem, rows in tables.items():
        if stem in shaped:
            layer = [
                (
                    {k: v for k, v in row.items() if k != "shape"},
                    {"type": shaped[stem], "coordinates": row["shape"]},
                )
                for row in rows
            ]
            _layer(folder / f"{stem}.geojson", layer)
            continue
        names = list(dict.fromkeys(name for row in rows for name in row))
        with (folder / f"{stem}.csv").open("w", encoding="utf-8", newline="") as out:
            writer = csv.DictWriter(out, names)
            writer.writeheader()
            writer.writerows(rows)
    return folder


def _layer(path: Path, rows: list[tuple[dict[str, Any], dict[str, Any]]]) -> None:
    features = [{"type": "Feature", "properties": facts, "geometry": shape} for facts, shape in rows]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")


@pytest.fixture(scope="module")
def build(tmp_path_factory: pytest.TempPathFactory) -> Build:
    """Return the maker of a house to measure on; the same tables give the house made before."""
    kept: dict[str, House] = {}

    def made(**tables: list[dict[str, Any]]) -> House:
        key = json.dumps(tables)
        if key not in kept:
            found = examine(read_checked(write_site(tmp_path_factory.mktemp("site"), **tables)))
            kept[key] = House(found=found, drains=lay_out_drains(found), setting=None)
        return kept[key]

    return made


def along(kind: str, part: tuple[float, float], side: str = "inside", **sizes: Any) -> Asked:
    """Return a repair along a part of the wall."""
    return Asked(
        repair_id="R", kind=kind, ring_key="B1", side=side, from_m=part[0], to_m=part[1], basis=MEASURED,
        **sizes,
    )  # fmt: skip


def of(kind: str, **sizes: Any) -> Asked:
    """Return a repair that lies on no wall."""
    return Asked(repair_id="R", kind=kind, basis=MEASURED, **sizes)


def line(asked: Asked, house: House, name: str) -> Line:
    """Return one line of a repair."""
    return next(each for each in quantities_of(asked, house).lines if each.line == name)


FLOOR = {
    "id": "FZ1", "building_id": "B1", "floor_kind": "solid", "top_level_m": 10.3, "thickness_mm": 150,
    "evidence": "seen", "shape": [[[100.3, 200.3], [107.5, 200.3], [107.5, 205.7], [100.3, 205.7], [100.3, 200.3]]],
}  # fmt: skip


def test_a_floor_edge_is_cut_along_every_inside_face(build: Build) -> None:
    """R15: rear 7.2 m, side 5.4 m, a partition of 3.0 m on both sides: L = 18.6 m.

    Strip 0.120 × 0.150 m: 18.6 × 0.120 × 0.150 = 0.3348 m³; with a tenth more 0.3683 m³; at 2.4 t/m³
    0.8035 t; loose by 1.5, 0.5022 m³. Lengths inside: 7.8 − 2 × 0.3 = 7.2 and 6.0 − 2 × 0.3 = 5.4.
    """
    house = build(floor_zones=[FLOOR])
    asks = [along("r15", REAR, "floor"), along("r15", EAST, "floor")]
    asks.append(of("r15", length_m=3.0, thickness_m=0.15))
    found = {name: sum(line(each, house, name).net for each in asks) for name in ("edge", "concrete", "skip")}
    order = sum(line(each, house, "concrete").order for each in asks)
    tonnes = sum(line(each, house, "weight").net for each in asks)
    assert found["edge"] == pytest.approx(18.6)
    assert round(found["concrete"], 3) == 0.335
    assert round(order, 3) == 0.368
    assert round(tonnes, 2) == 0.80
    assert round(found["skip"], 2) == 0.50


def test_where_two_strips_meet_the_corner_is_cut_once(build: Build) -> None:
    """Rear and side in one go: 12.6 × 0.12 − 0.12² = 1.4976 m², for one corner of the room is between."""
    house = build(floor_zones=[FLOOR])
    strip = line(along("r15", (REAR[0], EAST[1]), "floor"), house, "strip")
    assert strip.net == pytest.approx(1.4976)
    assert strip.basis == MEASURED


def test_a_membrane_covers_strip_edge_and_lap(build: Build) -> None:
    """L (w + t + lap) = 7.2 × (0.12 + 0.15 + 0.15) = 3.024 m², 15 % more to order."""
    membrane = line(along("r15", REAR, "floor"), build(floor_zones=[FLOOR]), "membrane")
    assert membrane.net == pytest.approx(3.024)
    assert membrane.order == pytest.approx(3.024 * 1.15)


def test_a_floor_of_unknown_thickness_gives_no_concrete(build: Build) -> None:
    """What was not measured is not known, and the line says what would settle it."""
    house = build(floor_zones=[{**FLOOR, "thickness_mm": ""}])
    concrete = line(along("r15", REAR, "floor"), house, "concrete")
    assert not concrete.known
    assert "thickness of FZ1 is not recorded" in concrete.missing
    assert concrete.settle == "Measure the floor's thickness at one hole beside the wall."
    assert line(along("r15", REAR, "floor"), house, "edge").known


def test_two_floors_side_by_side_ask_for_their_partition(build: Build) -> None:
    """Floors 0.10 m apart over 5.4 m may have a partition between: its two sides are asked for, not guessed."""
    left = [[100.3, 200.3], [103.0, 200.3], [103.0, 205.7], [100.3, 205.7], [100.3, 200.3]]
    right = [[103.1, 200.3], [107.5, 200.3], [107.5, 205.7], [103.1, 205.7], [103.1, 200.3]]
    house = build(floor_zones=[{**FLOOR, "shape": [left]}, {**FLOOR, "id": "FZ2", "shape": [right]}])
    asked = line(along("r15", REAR, "floor"), house, "partitions")
    assert not asked.known
    assert "5.4 m between FZ1 and FZ2" in asked.missing


def test_a_timber_floor_has_no_edge_to_cut(build: Build) -> None:
    """Along a floor of timber nothing is cut."""
    house = build(floor_zones=[{**FLOOR, "floor_kind": "suspended_timber"}])
    found = quantities_of(along("r15", REAR, "floor"), house)
    assert not any(each.known for each in found.lines)


def test_plaster_is_hacked_off_above_the_damp(build: Build) -> None:
    """R18: rear 7.2 m, damp to 0.75 m: max(1.0, 0.75 + 0.30) = 1.05 m; less a door of 0.9 × 1.05 = 0.945 m².

    7.56 − 0.945 = 6.615; side 5.4 × 1.0 = 5.4; partition 3.0 m, both sides, 6.0: together 18.015 m².
    """
    door = {
        "id": "O1", "building_id": "B1", "chainage_from_m": 9.0, "chainage_to_m": 9.9, "opening_kind": "door",
        "sill_level_m": 10.3,
    }  # fmt: skip
    house = build(floor_zones=[FLOOR], openings=[door], readings=_profile(8.0, wet_to=0.75))
    rear = line(along("r18", REAR), house, "plaster")
    side = line(along("r18", EAST, height_m=1.0), house, "plaster")
    partition = line(of("r18", length_m=3.0, height_m=1.0), house, "plaster")
    assert rear.net == pytest.approx(6.615)
    assert {"O1"} < set(rear.of_ids)
    assert round(rear.net + side.net + partition.net, 1) == 18.0
    assert rear.basis == INFERRED
    assert rear.low < rear.high
    assert side.basis == MEASURED


def _profile(chainage: float, *, wet_to: float, top: float = 1.5) -> list[dict[str, Any]]:
    """Return readings up a wall, with five dry references."""
    shared = {
        "building_id": "B1", "side": "inside", "method": "resistance_masonry", "instrument": "P1",
        "material": "gypsum_plaster", "position_by": "chainage_offset", "taken_at": "2026-03-02",
    }  # fmt: skip
    heights = (0.15, 0.45, wet_to, *(height for height in (1.05, 1.5) if height <= top))
    rows = [
        {
            **shared,
            "id": f"r{i}",
            "chainage_m": chainage,
            "height_m": height,
            "value": 80 if height <= wet_to else 12,
        }
        for i, height in enumerate(heights)
    ]
    dry = [
        {**shared, "id": f"c{i}", "chainage_m": 21.0 + i, "height_m": 1.2, "value": 11 + i, "control": "yes"}
        for i in range(5)
    ]
    return [*rows, *dry]


def test_damp_still_there_at_the_highest_reading_is_at_least(build: Build) -> None:
    """A wall wet as high as it was read gives at least so much plaster, and asks to be read higher."""
    house = build(floor_zones=[FLOOR], readings=_profile(8.0, wet_to=0.9, top=0.9))
    plaster = line(along("r18", REAR), house, "plaster")
    assert "at least" in plaster.missing
    assert plaster.settle


def test_a_wall_nobody_read_gives_no_height_of_plaster(build: Build) -> None:
    """Unread is not dry: the length is known, the area is not."""
    house = build()
    found = quantities_of(along("r18", WEST), house)
    assert found.lines[0].net == pytest.approx(5.4)
    assert not found.lines[1].known


def test_a_cavity_is_opened_at_intervals(build: Build) -> None:
    """R12: faces of 7.2 and 5.4 m at 1.2 m: (6 + 1) + (5 + 1) less the shared corner: 12.

    Debris 12.6 × 0.05 × 0.25 = 0.1575 m³, loose by 1.3: 0.2048; a bag of 0.025 m³: 9 bags.
    """
    assert openings_count([7.2, 5.4], 1.2, shared=1) == 12
    found = quantities_of(along("r12", (6.0, 18.6), "outside", thickness_m=0.05, height_m=0.25), build())
    by_name = {each.line: each for each in found.lines}
    assert by_name["debris"].net == pytest.approx(12.6 * 0.05 * 0.25)
    assert round(by_name["debris"].net, 3) == 0.158
    assert round(by_name["debris"].order, 3) == 0.205
    assert by_name["bags"].net == 9
    # 7.8 and 4.8 m of this house: (7 + 1) + (4 + 1) - 1; at 1.5 m 7 + 5 - 1, at 1.0 m 9 + 6 - 1.
    assert by_name["openings"].net == 12
    assert (by_name["openings"].low, by_name["openings"].high) == (11, 14)


def test_debris_seen_in_part_is_taken_on_and_says_so(build: Build) -> None:
    """Seen over 2 m of 7.8 m: the rest is provisional, and at least what was seen is there."""
    cavity = {
        "id": "CV1", "building_id": "B1", "chainage_from_m": 7.0, "chainage_to_m": 9.0, "width_mm": 50,
        "base_level_m": 9.7, "debris_top_level_m": 9.95, "state": "debris", "evidence": "seen",
    }  # fmt: skip
    debris = line(along("r12", REAR, "outside"), build(cavities=[cavity]), "debris")
    assert debris.net == pytest.approx(7.8 * 0.05 * 0.25)
    assert (debris.low, debris.high) == pytest.approx((2.0 * 0.05 * 0.25, 7.8 * 0.05 * 0.25))
    assert debris.basis == PROVISIONAL
    assert debris.settle == "Look into the rest of it."


def test_a_run_is_laid_again(build: Build) -> None:
    """R5: 11.5 m of outside 0.11 m at 0.65 m: W = max(0.41, 0.45); dig 0.45 × 11.5 × 0.75 = 3.881 m³.

    Loose by 1.3, 5.046. Bed and surround 0.45 × 0.31 × 11.5 − π 0.11²/4 × 11.5 = 1.495 m³, at 1.8 t/m³ and
    5 % more 2.83 t. Pipes ⌈1.05 × 11.5 / 3⌉ = ⌈4.025⌉ = 5.
    """
    found = quantities_of(of("r05", length_m=11.5, depth_m=0.65, bore_m=0.1), build())
    by_name = {each.line: each for each in found.lines}
    assert round(by_name["dig"].net, 2) == 3.88
    assert round(by_name["dig"].order, 2) == 5.05
    assert round(by_name["bed and surround"].net, 2) == 1.49
    assert round(by_name["bed and surround"].order, 1) == 2.8
    assert by_name["bed and surround"].order_unit == "t"
    assert by_name["pipe"].order == 5
    assert by_name["surface"].net == pytest.approx(0.75 * 11.5)


def test_a_run_of_unknown_depth_is_not_dug(build: Build) -> None:
    """A run with a bore and a length and no depth gives the line that asks for the depth."""
    found = quantities_of(of("r05", length_m=11.5, bore_m=0.1), build())
    assert [each.known for each in found.lines] == [False]
    assert "depth" in found.lines[0].missing


def test_soakage_and_storage_of_the_worked_pit(build: Build) -> None:
    """R8: pit 1.2 × 0.6 × 0.8: V = 0.288, a50 = 0.72 + 3.6 × 0.4 = 2.16; f = 0.288 / (2.16 t).

    47, 52, 58 min give 4.73, 4.27, 3.83e-5 m/s. Roof 62 m², tank 2 × 1 × 1 at 0.95: 1.90 m³, sides at half
    depth 3.0 m². S = 62 R − 3.0 f 60 D at 3.83e-5: 1.14, 1.41, 1.57, 1.53, 1.14, 0.62 m³; half of 1.90 m³
    through 3.0 f in 2.3 h.
    """
    tables = pipe_tables()
    hole = trial_pit(np.array([47.0, 52.0, 58.0]) * 60, length_m=1.2, width_m=0.6, depth_m=0.8, tables=tables)
    rates = hole.base.each.value
    assert [round(1e5 * rate, 2) for rate in rates] == [4.73, 4.27, 3.83]
    rain = own_depths([15, 30, 60, 120, 240, 360], depth_mm=[20, 26, 32, 38, 45, 50], source="invented")
    size = Size(length_m=2.0, width_m=1.0, depth_m=1.0, fill="crates", chosen=True)
    found = reckoned(62.0, rate=round(float(rates.min()), 7), rain=rain, size=size, house=build())
    assert [round(value, 2) for value in found.table["storage_m3"]] == [1.14, 1.41, 1.57, 1.53, 1.14, 0.62]
    assert found.provided.value == pytest.approx(1.90)
    assert found.enough.word == "enough"
    assert round(found.half_empty_provided_h.value, 1) == 2.3


def test_a_soakaway_asks_for_what_it_cannot_know(build: Build) -> None:
    """Without roof, rain or soakage nothing is worked out of the storage; with a size the fill is."""
    house = build()
    blank = quantities_of(of("r08"), house)
    assert not any(each.known for each in blank.lines)
    sized = of("r08", length_m=2.0, width_m=1.0, depth_m=1.0, area_m2=62.0)
    by_name = {each.line: each for each in quantities_of(sized, house).lines}
    assert by_name["fill"].net == pytest.approx(2.0)
    assert "how fast the ground takes water, depths of rain" in by_name["storage"].missing
    small = {each.line: each for each in quantities_of(replace(sized, area_m2=20.0), house).lines}
    # Approved Document H, H3 3.28: 10 mm over up to 25 m2.
    assert small["storage"].net == pytest.approx(0.2)


def test_a_land_drain_without_an_outlet_is_refused(build: Build) -> None:
    """R10: a drain that leads nowhere is not measured at all; with an outlet it is."""
    house = build()
    refused = quantities_of(along("r10", REAR, "outside"), house)
    assert "without an outlet" in refused.refused
    assert not refused.lines
    allowed = {
        each.line: each for each in quantities_of(along("r10", REAR, "outside", to_id="G1"), house).lines
    }
    assert allowed["drain"].net == pytest.approx(7.8)
    # 7.8 x 0.30 x 0.60, the usual trench; 10 % more stone.
    assert allowed["stone"].order == pytest.approx(7.8 * 0.3 * 0.6 * 1.1)
    assert allowed["stone"].basis == PROVISIONAL


def test_ground_is_lowered_by_the_clearance_it_lacks(build: Build) -> None:
    """R9: course at 10.150, ground from 10.000 to 10.100 m along 7.8 m: lacking 0 to 100 mm.

    ∫ = 0.05 × 7.8 × 1.0 m = 0.39 m³; loose by 1.3; area 7.8 m².
    """
    house = build(dpc_points=_course(), levels=_ground({6.0: 10.0, 13.8: 10.1}))
    by_name = {each.line: each for each in quantities_of(along("r09", (6.0, 13.8), "outside"), house).lines}
    assert by_name["dig"].net == pytest.approx(0.39, rel=0.01)
    assert by_name["dig"].low < 0.39 < by_name["dig"].high
    assert by_name["dig"].order == pytest.approx(by_name["dig"].net * 1.3)
    assert by_name["ground"].net == pytest.approx(7.8, abs=0.05)
    assert not by_name["outlet"].known


def test_ground_not_levelled_is_named_and_not_counted(build: Build) -> None:
    """Where nobody levelled there is no clearance: the metres are named."""
    house = build(dpc_points=_course(), levels=_ground({6.0: 10.0, 8.0: 10.1}))
    by_name = {each.line: each for each in quantities_of(along("r09", (6.0, 13.8), "outside"), house).lines}
    assert "have no clearance by levels" in by_name["ground not levelled"].missing
    assert by_name["dig"].net < 0.2


def _course() -> list[dict[str, Any]]:
    return [
        {"id": f"D{at:g}", "building_id": "B1", "leaf": "outer", "chainage_m": at, "level_m": 10.15,
         "level_sigma_m": 0.002, "state": "continuous", "evidence": "seen"}
        for at in (0.0, 6.0, 13.8, 19.8)
    ]  # fmt: skip


def _ground(levels: dict[float, float]) -> list[dict[str, Any]]:
    """Return levels of the ground at the wall, one each two metres between those given."""
    ends = sorted(levels)
    at = np.unique(np.append(np.arange(ends[0], ends[-1], 2.0), ends[-1]))
    return [
        {"id": f"L{i}", "building_id": "B1", "role": "ground", "hardness": "hard", "chainage_m": float(where),
         "offset_m": 0.05, "position_by": "chainage_offset",
         "level_m": float(np.interp(where, ends, [levels[key] for key in ends])), "level_sigma_m": 0.003}
        for i, where in enumerate(at)
    ]  # fmt: skip


def test_small_sums_of_the_trade() -> None:
    """Each by hand: (0.6)² − 0.3²; ⌈5.2/1.8⌉ + 1; ⌈9/4⌉ − 1; 0.9 × (1.2 − 0.3); heights in steps of 50 mm."""
    assert surround_m2(0.3, 0.3, 0.15) == pytest.approx(0.27)
    assert brackets_count(5.2, 1.8) == 4
    assert brackets_count(5.4, 1.8) == 4
    assert joints_count(9.0, 4.0) == 2
    assert joints_count(8.0, 4.0) == 1
    assert joints_count(0.0, 4.0) == 0
    assert opening_m2(0.9, sill_m=0.3, head_m=2.1, height_m=1.2) == pytest.approx(0.81)
    assert opening_m2(0.9, sill_m=1.3, head_m=2.1, height_m=1.2) == 0
    heights = plaster_height_m([0.2, 0.75, 0.76], least_m=1.0, over_m=0.3, step_m=0.05)
    assert heights == pytest.approx([1.0, 1.05, 1.1])
    assert strip_m2(10.0, 0.1, outer_corners=2) == pytest.approx(1.02)


def test_lowering_follows_the_clearance() -> None:
    """Pieces of 2 m, 1.5 m wide: short by 100 mm 0.30 m³; clear nothing; not levelled nothing known."""
    area, volume = lowered([50.0, 150.0, np.nan], length_m=2.0, width_m=1.5, wanted_mm=150.0)
    assert area[:2] == pytest.approx([3.0, 0.0])
    assert volume[:2] == pytest.approx([0.3, 0.0])
    assert np.isnan(area[2])
    assert np.isnan(volume[2])


def test_mortar_by_the_joints_of_a_square_metre() -> None:
    """13.33 m of bed and (0.065/(0.225 × 0.075)) = 3.85 m of perpends a m², 10 by 20 mm: 3.44 l."""
    assert 1000 * pointing_m3(1.0, depth_m=0.02, joint_m=0.01, long_m=0.225, high_m=0.075) == pytest.approx(
        3.437, abs=0.001
    )


def test_concrete_fills_a_skip_by_weight_first() -> None:
    """5 m³ of loose concrete of 8 t: 5/6.1 of the volume, 8/8 of the weight: one skip, by weight; two at 8.1 t."""
    assert skips_count([5.0], [8.0], skip_m3=6.1, skip_t=8.0) == (1.0, "weight")
    assert skips_count([5.0], [8.1], skip_m3=6.1, skip_t=8.0) == (2.0, "weight")
    assert skips_count([6.2], [1.0], skip_m3=6.1, skip_t=8.0) == (2.0, "volume")


def test_skips_add_up_what_repairs_throw_away(build: Build) -> None:
    """Concrete of 3.6 m³ is 8.64 t: two skips, by weight; what is not known makes it at least so much."""
    house = build(floor_zones=[FLOOR])
    works = [quantities_of(of("r16", area_m2=24.0, thickness_m=0.15), house)]
    found = skips_of(works, of("r25"), house).lines
    assert found[0].net == 2
    assert found[1].net == pytest.approx(5.4)
    assert found[2].net == pytest.approx(8.64)
    more = [*works, quantities_of(of("r05", length_m=5.0, bore_m=0.1), house)]
    assert "at least so much" in skips_of(more, of("r25"), house).lines[0].missing


def test_every_kind_of_repair_is_measured_or_says_why(build: Build) -> None:
    """Each kind, asked for with nothing but its kind, gives lines; none of them a number from nowhere."""
    house = build()
    assert set(MAKERS) == {f"r{number:02d}" for number in range(1, 25)}
    for kind in MAKERS:
        found = quantities_of(of(kind), house)
        assert found.refused or found.lines, kind
        for each in found.lines:
            assert each.known or (each.missing and each.settle), (kind, each.line)
            assert not (each.known and not each.formula), (kind, each.line)


@pytest.mark.parametrize(
    ("kind", "sizes", "name", "net"),
    [
        ("r01", {"count": 2.0, "width_m": 0.3}, "surround", 2 * (0.6**2 - 0.3**2)),
        ("r02", {"count": 1.0, "length_m": 0.4, "bore_m": 0.068}, "pipe", 0.4),
        ("r02", {"count": 1.0, "height_m": 5.2, "bore_m": 0.068}, "brackets", 4),
        ("r03", {"length_m": 9.0}, "joints", 2),
        ("r04", {"length_m": 14.0}, "run", 14.0),
        ("r06", {"length_m": 6.0}, "liner", 6.0),
        ("r11", {"length_m": 4.0, "height_m": 0.45}, "render", 1.8),
        ("r13", {"length_m": 4.0, "height_m": 1.0}, "pointing", 4.0),
        ("r14", {"length_m": 6.0}, "holes", 50),
        ("r16", {"area_m2": 24.0, "thickness_m": 0.1}, "concrete", 2.4),
        ("r17", {"area_m2": 24.0, "thickness_m": 0.0004}, "membrane", 24.0 * 2 * 0.4),
        ("r19", {"length_m": 9.0}, "skirting", 9.0),
        ("r20", {"count": 5.0}, "fittings", 5),
        ("r21", {"count": 3.0}, "machine days", 3 * 28),
        ("r22", {"count": 1.0, "area_m2": 0.1, "height_m": 0.6}, "debris", 0.06),
        ("r23", {"length_m": 4.0, "height_m": 2.4}, "lining", 9.6),
        ("r24", {"area_m2": 12.0}, "finish", 12.0),
    ],
)  # fmt: skip
def test_sizes_that_are_given_are_used(
    build: Build, kind: str, sizes: dict[str, float], name: str, net: float
) -> None:
    """A line follows from the sizes typed, each sum by hand in the parameters."""
    found = line(of(kind, **sizes), build(), name)
    assert found.net == pytest.approx(net)
    assert math.isfinite(found.order)


def test_a_practice_changes_what_is_usual(tmp_path: Path) -> None:
    """A site's limits.toml sets the strip to 150 mm: 7.2 × 0.15 m."""
    folder = write_site(tmp_path / "site", floor_zones=[FLOOR])
    (folder / "limits.toml").write_text("[works]\nstrip_m = 0.15\n", encoding="utf-8")
    found = examine(read_checked(folder))
    house = House(found=found, drains=lay_out_drains(found), setting=None)
    assert line(along("r15", REAR, "floor"), house, "strip").net == pytest.approx(1.08)
