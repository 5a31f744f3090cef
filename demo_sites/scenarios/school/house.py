"""Outline, faces, openings, damp proof course, cavities, floors, finishes, patches, gutters."""

from __future__ import annotations

from scenarios.hand import Hand
from scenarios.plan import Point, Ring
from scenarios.record import SiteFolder
from scenarios.school.ground import (
    BOILER_SILL,
    DPC,
    FLOOR,
    FRAME,
    HALL,
    OUTER,
    RINGS,
    SHED,
    THICK,
    WELL,
    YARD,
)


def add_building(site: SiteFolder, hand: Hand) -> None:
    """Draw the buildings and book what was taped of their faces."""
    e, n = FRAME.grid((0, 0))
    site.draw(
        "building",
        OUTER.corners,
        holes=(YARD.corners, WELL.corners),
        id=HALL,
        label="Former school",
        origin_easting_m=round(e, 3),
        origin_northing_m=round(n, 3),
        front_bearing_deg=FRAME.front_bearing_deg,
        hole_kinds="courtyard lightwell",
        storeys_count=1,
        built="about 1902",
        wall_type="solid",
        wall_thickness_m=THICK,
        wall_thickness_sigma_m=0.02,
        outline_sigma_m=0.05,
        floor_level_m=FLOOR,
        floor_level_sigma_m=0.004,
    )
    shed = [(float(u), float(v)) for u, v in SHED.exterior.coords[:-1]]
    site.draw("building", shed, id="H2", role="outbuilding", label="Timber shed")
    for ring in RINGS:
        for i in range(4):
            length = ring.starts[i + 1] - ring.starts[i]
            site.add(
                "face",
                id=f"{ring.key.replace('/', '-')}-F{i + 1}",
                building_id=HALL,
                ring=ring.ring,
                face=f"F{i + 1}",
                taped_length_m=hand.tape(length),
                taped_sigma_m=round(0.010 + 0.001 * length, 4),
                wall_thickness_m=THICK,
                wall_thickness_sigma_m=0.02,
            )


def add_fabric(site: SiteFolder, hand: Hand) -> None:
    """Add openings, damp proof course, floors, finishes, patches and gutters."""
    openings = (
        (OUTER, "door", 71.2, 73.0, 30.430, "entrance"),
        (OUTER, "window", 62.5, 65.0, 31.30, ""),
        (OUTER, "window", 76.0, 80.0, 31.30, ""),
        (OUTER, "window", 24.5, 27.0, 31.40, "kitchen"),
        (OUTER, "door", 28.2, 29.1, 30.440, "kitchen door"),
        (OUTER, "air_brick", 46.0, 46.22, 30.330, "sill 30 mm above the tarmac"),
        (YARD, "door", 8.2, 9.2, 30.440, "hall door to the courtyard"),
        (YARD, "door", 16.3, 17.1, BOILER_SILL, "boiler room, two steps down; lowest threshold"),
        (YARD, "window", 24.0, 26.0, 31.20, ""),
        (WELL, "window", 1.8, 3.0, 29.300, "cellar window"),
    )
    for number, (ring, kind, start, end, sill, note) in enumerate(openings, start=1):
        site.add(
            "opening",
            id=f"O{number}",
            building_id=HALL,
            ring=ring.ring,
            opening_kind=kind,
            chainage_from_m=start,
            chainage_to_m=end,
            sill_level_m=hand.level(sill),
            level_sigma_m=0.004,
            note=note,
        )
    points: tuple[tuple[Ring, tuple[float, ...]], ...] = (
        (OUTER, (0.4, 9.0, 17.6, 22.0, 29.8, 30.0, 38.0, 46.0, 54.0, 64.0, 74.0, 83.6)),
        (YARD, (0.4, 6.6, 11.0, 15.4, 21.6, 26.0, 29.6)),
    )
    for ring, chainages in points:
        for number, chainage in enumerate(chainages, start=1):
            hidden = ring is OUTER and chainage == 30.0
            site.add(
                "dpc_point",
                id=f"D{ring.ring or 'O'}{number}",
                building_id=HALL,
                ring=ring.ring,
                leaf="solid",
                chainage_m=chainage,
                level_m=None if hidden else hand.level(DPC, 0.004),
                level_sigma_m=None if hidden else 0.005,
                state="covered" if hidden else "continuous",
                dpc_material="slate, two courses",
                note="rendered over from here to the next row" if hidden else "",
            )
    site.draw(
        "floor_zone",
        ((0.45, 0.45), (0.45, 5.55), (23.55, 5.55), (23.55, 0.45)),
        id="FZ1",
        building_id=HALL,
        floor_kind="solid",
        top_level_m=FLOOR,
        thickness_mm=180,
        soffit_level_m=30.27,
        level_sigma_m=0.015,
        membrane="not_known",
        edge="contact",
        finish="wood block",
        evidence="inferred",
    )
    site.add(
        "finish_zone",
        id="FN1",
        building_id=HALL,
        ring="Y1",
        side="inside",
        chainage_from_m=15.0,
        chainage_to_m=22.0,
        finish="none",
        height_from_m=0.0,
        height_to_m=2.6,
        state="bare brick, flaking to 0.7",
    )
    patches: dict[str, tuple[str, tuple[Point, ...], str]] = {
        "P-front": ("gravel", ((0, 0), (24, 0), (24, -6), (0, -6)), "yes"),
        "P-play": ("tarmac", ((0, 18), (0, 25), (24, 25), (24, 18)), "no"),
        "P-left": ("grass", ((0, 0), (0, 18), (-6, 18), (-6, 0)), "yes"),
        "P-strip": ("tarmac", ((24, 0), (24, 18), (29, 18), (29, 0)), "no"),
        "P-yard-west": ("slabs", ((8, 6), (8, 13), (12, 13), (12, 6)), "no"),
        "P-yard-east": ("slabs", ((12, 6), (12, 13), (16, 13), (16, 6)), "no"),
    }
    for name, (kind, places, permeable) in patches.items():
        kerb = "kerbs of 100 to 150 at both ends" if name == "P-strip" else ""
        laid = "2017-08-01" if name == "P-strip" else ""
        site.draw("ground_patch", places, id=name, surface=kind, permeable=permeable, edge=kerb, laid_on=laid)
    for number, (ring, start, end, outlets) in enumerate(
        (
            (OUTER, 18.0, 42.0, "D1 D2"),
            (OUTER, 60.0, 84.0, "D3 D4"),
            (YARD, 0.0, 7.0, "DY2"),
            (YARD, 15.0, 22.0, "DY1"),
        ),
        1,
    ):
        site.add(
            "gutter",
            id=f"GT{number}",
            building_id=HALL,
            ring=ring.ring,
            chainage_from_m=start,
            chainage_to_m=end,
            profile="ogee",
            width_mm=125,
            fall_mm=20,
            outlet_ids=outlets,
            state="debris" if ring is YARD else "sound",
        )
