"""Outline, faces, openings, damp proof course, cavities, floors, finishes, patches, gutters."""

from __future__ import annotations

from typing import Any

from scenarios.hand import Hand
from scenarios.plan import Point
from scenarios.record import SiteFolder
from scenarios.semi.ground import (
    B1,
    DPC_HIGH,
    DPC_INNER,
    DPC_LOW,
    FLOOR,
    FRAME,
    NEXT_DOOR,
    STEP_FLANK,
    STEP_FRONT,
    WALLS,
)


def add_building(site: SiteFolder, hand: Hand) -> None:
    """Draw the buildings and book what was taped of their faces."""
    e, n = FRAME.grid((0, 0))
    common: dict[str, Any] = {"wall_type": "cavity", "built": "about 1934", "storeys_count": 2}
    site.draw(
        "building",
        WALLS.corners,
        id=B1,
        label="Left-hand house",
        origin_easting_m=round(e, 3),
        origin_northing_m=round(n, 3),
        front_bearing_deg=FRAME.front_bearing_deg,
        wall_thickness_m=0.30,
        wall_thickness_sigma_m=0.01,
        outline_sigma_m=0.05,
        floor_level_m=FLOOR,
        floor_level_sigma_m=0.004,
        **common,
    )
    site.draw("building", NEXT_DOOR, id="B2", role="neighbour", label="Joined house", **common)
    for i in range(6):
        if i in WALLS.party:
            site.add("face", id=f"{B1}-F{i + 1}", face=f"F{i + 1}", exposure="party", wall_thickness_m=0.11)
            continue
        length = WALLS.starts[i + 1] - WALLS.starts[i]
        site.add(
            "face",
            id=f"{B1}-F{i + 1}",
            face=f"F{i + 1}",
            taped_length_m=hand.tape(length),
            taped_sigma_m=round(0.010 + 0.001 * length, 4),
            wall_thickness_m=0.30,
            wall_thickness_sigma_m=0.01,
            cavity_mm=65,
        )


def add_fabric(site: SiteFolder, hand: Hand) -> None:
    """Add openings, damp proof course, floors, finishes, patches and gutters."""
    openings = (
        ("door", 32.0, 32.9, FLOOR, "front door, threshold 50 above the step"),
        ("window", 34.5, 36.6, 10.85, ""),
        ("window", 1.2, 2.4, 11.05, "stair window"),
        ("door", 15.9, 16.75, 10.045, "kitchen door; threshold level with the floor"),
        ("window", 12.6, 14.0, 11.10, "over the sink"),
        ("door", 19.8, 21.4, 10.045, "double doors to the patio"),
        ("air_brick", 7.6, 7.83, 9.985, "half covered by the path"),
        ("open_perpend", 13.28, 13.30, 9.965, "open perpend behind gully G2"),
    )
    for number, (kind, start, end, sill, note) in enumerate(openings, start=1):
        site.add(
            "opening",
            id=f"O{number}",
            building_id=B1,
            opening_kind=kind,
            chainage_from_m=start,
            chainage_to_m=end,
            sill_level_m=hand.level(sill),
            level_sigma_m=0.004,
            note=note,
        )
    outer = (
        (0.2, DPC_LOW, "", ""),
        (STEP_FLANK, DPC_LOW, "not_seen", ""),
        (STEP_FLANK, DPC_HIGH, "", "not_seen"),
        (11.6, DPC_HIGH, "", ""),
        (15.2, DPC_HIGH, "", ""),
        (18.4, DPC_HIGH, "", ""),
        (21.9, DPC_HIGH, "", ""),
        (30.5, DPC_HIGH, "", ""),
        (STEP_FRONT, DPC_HIGH, "", "seen"),
        (STEP_FRONT, DPC_LOW, "", "seen"),
        (37.5, DPC_LOW, "", ""),
    )
    for number, (chainage, level, _state, lap) in enumerate(outer, start=1):
        site.add(
            "dpc_point",
            id=f"DO{number}",
            building_id=B1,
            leaf="outer",
            chainage_m=chainage,
            level_m=hand.level(level, 0.004),
            level_sigma_m=0.005,
            state="not_seen" if chainage == 21.9 else "continuous",
            lap=lap,
            dpc_material="slate in cement",
            note="party wall: not seen from here to the front" if chainage == 21.9 else "",
        )
    for number, chainage in enumerate((0.5, 11.2, 18.6, 37.2), start=1):
        site.add(
            "dpc_point",
            id=f"DI{number}",
            building_id=B1,
            leaf="inner",
            chainage_m=chainage,
            level_m=hand.level(DPC_INNER, 0.004),
            level_sigma_m=0.005,
            evidence="inferred",
            dpc_material="slate",
        )
    cavity = {"building_id": B1, "width_mm": 65, "level_sigma_m": 0.03, "fill": "none"}
    site.add(
        "cavity", id="CV1", chainage_from_m=2.6, chainage_to_m=3.6, base_level_m=9.55, state="clear", **cavity
    )
    site.add(
        "cavity",
        id="CV2",
        chainage_from_m=12.6,
        chainage_to_m=14.0,
        base_level_m=9.62,
        debris_top_level_m=9.84,
        state="water_mark",
        **cavity,
    )
    site.add(
        "cavity",
        id="CV3",
        chainage_from_m=4.8,
        chainage_to_m=6.3,
        debris_top_level_m=10.04,
        state="debris",
        note="seen from hole OU3 for its reach only",
        **(cavity | {"level_sigma_m": 0.015}),
    )
    site.draw(
        "floor_zone",
        ((0.3, 0.3), (0.3, 8.1), (7.09, 8.1), (7.09, 0.3)),
        id="FZ1",
        building_id=B1,
        floor_kind="suspended_timber",
        top_level_m=FLOOR,
        level_sigma_m=0.004,
        finish="boards",
        evidence="seen",
    )
    site.draw(
        "floor_zone",
        ((0.3, 8.1), (0.3, 11.3), (3.3, 11.3), (3.3, 8.1)),
        id="FZ2",
        building_id=B1,
        floor_kind="solid",
        top_level_m=FLOOR,
        thickness_mm=150,
        soffit_level_m=9.90,
        level_sigma_m=0.01,
        membrane="not_known",
        edge="contact",
        finish="sheet",
        evidence="seen",
    )
    for number, (start, end, finish, gap) in enumerate(
        (
            (0.3, 8.2, "gypsum_plaster", 0),
            (8.5, 15.0, "gypsum_plaster", 0),
            (18.4, 22.0, "gypsum_plaster", 12),
        ),
        1,
    ):
        site.add(
            "finish_zone",
            id=f"FN{number}",
            building_id=B1,
            side="inside",
            chainage_from_m=start,
            chainage_to_m=end,
            finish=finish,
            height_from_m=0.0,
            height_to_m=2.4,
            floor_gap_mm=gap,
        )
    patches: dict[str, tuple[str, tuple[Point, ...], str]] = {
        "P-front": ("grass", ((0, 0), (7.2, 0), (7.2, -5), (0, -5)), "yes"),
        "P-drive": ("concrete", ((0, 0), (-4.5, 0), (-4.5, 11.6), (0, 11.6)), "no"),
        "P-patio": ("slabs", ((0, 11.6), (0, 16.6), (7.2, 16.6), (7.2, 8.4), (3.6, 8.4), (3.6, 11.6)), "no"),
    }
    for name, (kind, places, permeable) in patches.items():
        relaid = "2019-06-01" if name == "P-patio" else ""
        site.draw("ground_patch", places, id=name, surface=kind, permeable=permeable, laid_on=relaid)
    gutters = ((30.4, 37.6, "DP1 DP5"), (11.6, 15.2, "DP2"), (18.4, 22.0, "DP3 DP4"))
    for number, (start, end, outlets) in enumerate(gutters, start=1):
        site.add(
            "gutter",
            id=f"GT{number}",
            building_id=B1,
            chainage_from_m=start,
            chainage_to_m=end,
            width_mm=112,
            fall_mm=15,
            outlet_ids=outlets,
            state="joint_leaks" if number == 3 else "sound",
        )
