"""Outline, faces, openings, damp proof course, cavities, floors, finishes, patches, gutters."""

from __future__ import annotations

from scenarios.cottages.ground import DPC, EAST, FORWARD, FRAME, MIDDLE, RINGS, RUBBLE, A, B, C
from scenarios.hand import Hand
from scenarios.plan import Point
from scenarios.record import SiteFolder


def add_buildings(site: SiteFolder, hand: Hand) -> None:
    """Draw the buildings and book what was taped of their faces."""
    for ring, label in zip(RINGS, ("Left cottage", "Middle cottage", "Right cottage"), strict=True):
        e, n = FRAME.grid(ring.corners[0])
        # Where a party wall begins along a straight wall the outline has no corner of its own.
        begins = {MIDDLE: (9.2, 6.2), EAST: (9.2, 0)}.get(ring.building_id)
        plain = [corner for corner in ring.corners if corner != begins]
        site.draw(
            "building",
            plain,
            id=ring.building_id,
            label=label,
            origin_easting_m=round(e, 3),
            origin_northing_m=round(n, 3),
            front_bearing_deg=FRAME.front_bearing_deg,
            storeys_count=2,
            built="about 1840",
            wall_type="solid",
            wall_thickness_m=RUBBLE,
            wall_thickness_sigma_m=0.03,
            outline_sigma_m=0.05,
            floor_level_m=hand.level(DPC[ring.building_id] + 0.02),
            floor_level_sigma_m=0.01,
        )
        for i in range(len(ring.corners)):
            length = ring.starts[i + 1] - ring.starts[i]
            party = i in ring.party
            site.add(
                "face",
                id=f"{ring.building_id}-F{i + 1}",
                building_id=ring.building_id,
                face=f"F{i + 1}",
                exposure="party" if party else "",
                taped_length_m=None if party else hand.tape(length),
                taped_sigma_m=None if party else round(0.010 + 0.001 * length, 4),
                wall_thickness_m=ring.thickness[i],
                wall_thickness_sigma_m=0.03,
            )


def add_fabric(site: SiteFolder, hand: Hand) -> None:
    """Add openings, damp proof course, floors, finishes, patches and gutters."""
    number = 0
    for ring in RINGS:
        own = ring.building_id
        front = ring.starts[-2]
        for kind, start, end, sill in (
            ("door", front + 2.9, front + 3.8, DPC[own] + 0.02),
            ("window", front + 0.8, front + 2.0, DPC[own] + 0.85),
            ("door", 7.2, 8.0, DPC[own] + 0.02),
            ("window", 9.8, 10.8, DPC[own] + 0.95),
        ):
            number += 1
            site.add(
                "opening",
                id=f"O{number}",
                building_id=own,
                opening_kind=kind,
                chainage_from_m=round(start, 2),
                chainage_to_m=round(end, 2),
                sill_level_m=hand.level(sill),
                level_sigma_m=0.005,
            )
        points = [7.0, 11.2, front + 0.3, ring.length - 0.3]
        if ring is A:
            points = [0.3, 6.6, *points]
        if ring is C:
            points = [7.0, 11.2, 11.6, 18.0, *points[2:]]
        for place, chainage in enumerate(points, start=1):
            site.add(
                "dpc_point",
                id=f"D{own}{place}",
                building_id=own,
                leaf="solid",
                chainage_m=round(chainage, 2),
                level_m=hand.level(DPC[own], 0.004),
                level_sigma_m=0.006,
                state="continuous",
                dpc_material="slate",
                note="" if chainage > 11.3 or chainage < 6.7 else "found by scraping the soil away",
            )
        left = ring.corners[0][0]
        floor = ((left + 0.42, 0.42), (left + 0.42, 5.7), (left + 4.2, 5.7), (left + 4.2, 0.42))
        site.draw(
            "floor_zone",
            floor,
            id=f"FZ-{own}",
            building_id=own,
            floor_kind="solid",
            top_level_m=round(DPC[own] + 0.02, 3),
            thickness_mm=120,
            soffit_level_m=round(DPC[own] - 0.10, 3),
            level_sigma_m=0.02,
            membrane="none",
            edge="contact",
            finish="quarry tile",
            evidence="inferred",
        )
        site.add(
            "finish_zone",
            id=f"FN-{own}",
            building_id=own,
            side="inside",
            chainage_from_m=6.8,
            chainage_to_m=11.4,
            finish="lime_plaster",
            height_from_m=0.0,
            height_to_m=2.2,
            floor_gap_mm=0,
        )
        site.add(
            "gutter",
            id=f"GT-{own}",
            building_id=own,
            chainage_from_m=6.8,
            chainage_to_m=11.4,
            width_mm=112,
            fall_mm=10,
            outlet_ids=f"D{own[1]}1",
            state="sound" if ring is not B else "debris",
        )
    patches: dict[str, tuple[str, tuple[Point, ...], str]] = {
        "P-lane": (
            "tarmac",
            ((-1, 0), (9.2, 0), (9.2, -FORWARD), (14.5, -FORWARD), (14.5, -6), (-1, -6)),
            "no",
        ),
        "P-yard": ("concrete", ((0, 6.8), (0, 11), (13.8, 11), (13.8, 6.2), (9.2, 6.2), (9.2, 6.8)), "no"),
        "P-left": ("gravel", ((0, 0), (0, 6.8), (-3, 6.8), (-3, 0)), "yes"),
        "P-right": ("grass", ((13.8, -0.6), (13.8, 6.2), (18.8, 6.2), (18.8, -0.6)), "yes"),
    }
    for name, (kind, places, permeable) in patches.items():
        site.draw("ground_patch", places, id=name, surface=kind, permeable=permeable)
