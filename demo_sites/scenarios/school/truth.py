"""What is true of the site, worked out from its stated numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
from scenarios.school.drains import GREASE_AT, JOINT_D1, LIP_GK, OUT_GK, PASSES, PLACES, rim, run_length
from scenarios.school.ground import (
    BACK,
    BACK_TO_WALL,
    BOILER_SILL,
    CORE,
    DPC,
    FRAME,
    FRONT,
    FRONT_AWAY,
    HALL,
    LEFT_AWAY,
    NAME,
    OUTER,
    PAD,
    RIGHT,
    RINGS,
    TIMBER,
    VESSEL,
    WELL,
    WETS,
    YARD,
    YARD_FALL,
    YARD_RIDGE,
    ground,
)
from scenarios.school.readings import CLUSTER
from scenarios.school.visit import SEWER_HIGH, kerb_pool
from scenarios.truths import (
    FULL_BORE_100,
    RISER_150,
    FallRow,
    Sweep,
    axes,
    causes_table,
    clearance_row,
    face_rows,
    group_rows,
    not_causes_table,
    plane_row,
)


def falls() -> list[FallRow]:
    """Return the lengths of wall with one plane of ground before them."""
    slab = "slabs, 2 %: too little for the raster, enough for the staff"
    return [
        FallRow(OUTER, 62.5, 81.5, ["away"], ["away"], "front, 5 % away"),
        FallRow(OUTER, 20.5, 39.5, ["toward"], ["toward"], "playground, 4 % to the wall"),
        FallRow(OUTER, 13.5, 15.5, ["away", "not known"], ["away"], "grass, 4.5 % away"),
        FallRow(OUTER, 45.0, 57.0, ["level", "not known"], ["level", "not known"], "tarmac strip, level"),
        FallRow(YARD, 3.6, 5.4, ["toward"], ["not known", "toward"], slab),
        FallRow(YARD, 15.9, 18.4, ["toward"], ["not known", "toward"], slab),
    ]


CAUSES = (
    ("T1", "S09", "", "water stands while GY1 is blocked"),
    ("T2", "S09", "", "the same, through the solid wall"),
    ("T3", "S01", "GK", "lip broken; spills on wash days"),
    ("T3", "S06", "RK", "grease 3.0 m along the run"),
    ("T4", "S01", "GK", "the same, through the solid wall"),
    ("T5", "S08", "", "render carried over the course to the tarmac"),
)
"""Wet length, cause, what it stands for, why."""
NOT_CAUSES = (
    ("T1", "S02", "DY1"),
    ("T3", "S02", "D1"),
    ("T5", "S02", "D2"),
)


def truth_of(sweep: Sweep) -> dict[str, Any]:
    """Return what is true of the site."""
    clear = [
        clearance_row(OUTER, 61.2, 82.0, dpc=DPC, surface=ground, word="clear"),
        clearance_row(OUTER, 19.2, 29.5, dpc=DPC, surface=ground, word="clear"),
        clearance_row(OUTER, 38.5, 40.2, dpc=DPC, surface=ground, word="clear"),
        clearance_row(OUTER, 43.4, 57.0, dpc=DPC, surface=ground, word="short"),
        clearance_row(YARD, 1.0, 5.2, dpc=DPC, surface=ground, word="clear"),
        clearance_row(YARD, 16.0, 20.9, dpc=DPC, surface=ground, word="clear"),
    ]
    nothing = [
        (OUTER, 3.5, 10.5, "no level at the wall behind the hedge"),
        (OUTER, 30.6, 37.4, "damp proof course rendered over"),
    ]
    # One wash: four pump-outs of 25 l in 80 s each, ten minutes apart, RK passing 0.030 l/s.
    room = FULL_BORE_100 * GREASE_AT + RISER_150 * (LIP_GK - OUT_GK)
    stored, spilt, first = 0.0, 0.0, 0
    for pump in (1, 2, 3, 4):
        stored += 25.0 - PASSES * 80
        if stored > room:
            spilt += stored - room
            first = first or pump
            stored = room
        stored = max(stored - PASSES * 600, 0.0)
    # Soakaway full, inlet cut. Ways out: G1's rim, D1's joint, M4's cover; every invert lies lower.
    low = min((rim("G1"), "G1"), (JOINT_D1, "D1"), (ground(*PLACES["M4"]) + 0.003, "M4"))
    return {
        "cause": causes_table(CAUSES),
        "not_cause": not_causes_table(NOT_CAUSES),
        "site": (
            "The site.",
            {
                "name": NAME,
                "crs": "EPSG:27700",
                "perimeter_m": OUTER.length,
                "courtyard_m": YARD.length,
                "lightwell_m": WELL.length,
            },
        ),
        "face": (
            "Faces clockwise from each origin corner.",
            [row for ring in RINGS for row in face_rows(FRAME, ring)],
        ),
        "axes": (
            "The house's axes: u along the front from the front-left corner, v from the front to the back.",
            axes(FRAME),
        ),
        "plane": (
            "Planes of ground, z = a_m + per_u u + per_v v in the site's datum.",
            [
                plane_row("P-front", ground, ((1, -1), (23, -5)), FRONT, 0.0, FRONT_AWAY),
                plane_row("P-play", ground, ((1, 19), (23, 24)), BACK - 18 * BACK_TO_WALL, 0.0, BACK_TO_WALL),
                plane_row("P-left", ground, ((-1, 1), (-5, 16)), FRONT, LEFT_AWAY, (BACK - FRONT) / 18),
                plane_row("P-strip", ground, ((25, 1), (28, 16)), RIGHT, 0.0, 0.0),
            ],
        ),
        "fall": (
            "True fall square to the wall, positive toward it, and the words each evidence may say there.",
            [row.truth(ground) for row in falls()],
        ),
        "clearance": (
            "True clearance at both ends; between them it is linear. says: the words levels may give.",
            clear
            + [
                {
                    "building_id": HALL,
                    "ring": ring.ring,
                    "chainage_from_m": start,
                    "chainage_to_m": end,
                    "says": ["not known"],
                    "why": why,
                }
                for ring, start, end, why in nothing
            ],
        ),
        "wet": ("Truly wet lengths of wall.", [wet.truth() for wet in WETS]),
        "unread": (
            "Lengths that must be shown unread, with their word.",
            [
                {
                    "building_id": HALL,
                    "ring": "",
                    "side": "inside",
                    "chainage_from_m": 25.9,
                    "chainage_to_m": 29.6,
                    "word": "no access",
                },
                {
                    "building_id": HALL,
                    "ring": "Y2",
                    "side": "inside",
                    "chainage_from_m": 0.0,
                    "chainage_to_m": 8.0,
                    "word": "no access",
                },
                {
                    "building_id": HALL,
                    "ring": "",
                    "side": "inside",
                    "chainage_from_m": 0.5,
                    "chainage_to_m": 17.5,
                    "word": "not looked",
                },
            ],
        ),
        "controls": (
            "Groups and whether they have enough controls for an excess.",
            group_rows((PAD, 6), (CORE, 5), (TIMBER, 5), (VESSEL, 2)),
        ),
        "pond": (
            "Ponding in the courtyard by the true ground, in the site's datum.",
            [
                {
                    "building_id": HALL,
                    "ring": "Y1",
                    "gullies": "GY1 not working, GY2 working",
                    "level_m": YARD_RIDGE,
                    "tolerance_m": 0.03,
                    "deepest_at_chainage_m": 18.5,
                    "depth_m": YARD_FALL * 4,
                    "chainage_from_m": 15.0,
                    "chainage_to_m": 22.0,
                    "why": "water leaves over the ridge of the paving at u 12, v 9.5",
                },
                {
                    "building_id": HALL,
                    "ring": "Y1",
                    "gullies": "none working",
                    "level_m": BOILER_SILL,
                    "tolerance_m": 0.005,
                    "deepest_at_chainage_m": 18.5,
                    "depth_m": BOILER_SILL - (YARD_RIDGE - YARD_FALL * 4),
                    "shut_in": True,
                    "limited_by": "O8",
                    "why": "shut in on all sides; the boiler room threshold is the lowest way out",
                },
            ],
        ),
        "no_pond": (
            "Lengths of wall where no water can stand by the true ground: no pool may be called sure.",
            [
                {
                    "building_id": HALL,
                    "ring": "",
                    "chainage_from_m": 60.5,
                    "chainage_to_m": 83.5,
                    "why": "front falls away at 5 %",
                },
            ],
        ),
        "proven": (
            "Runs that a test proves, and by what each is then known.",
            [{"trial": "TR1", "run": "R9", "from_evidence": "seen", "to_evidence": "dye"}],
        ),
        "sewer": (
            "What the sewer rises out of when it stands as high as it has.",
            [
                {
                    "outfall": "M3",
                    "level_m": SEWER_HIGH,
                    "says": "no",
                    "why": "the valve in R2 shuts; the only opening below that level is GK's lip",
                    "valve": "NR1",
                    "without_it": "GK",
                    "without_it_mm": 1000 * (SEWER_HIGH - LIP_GK),
                    "own_water_then_spills_at": "GK",
                }
            ],
        ),
        "kerb": (
            "Where water on the playground comes to rest behind a kerb, and that it stands off the wall.",
            [
                {
                    "kerb": "KB1",
                    "water_from": "M4",
                    "level_m": kerb_pool()[0],
                    "depth_m": kerb_pool()[1],
                    "tolerance_m": 0.03,
                    "word": "stands off the wall",
                }
            ],
        ),
        "spill": (
            "First spill when something is blocked, worked by hand from the true levels.",
            [
                {
                    "blocked": "RK",
                    "blocked_at_m": GREASE_AT,
                    "source": "GK",
                    "first": "GK",
                    "leaves_at": "lip",
                    "level_m": LIP_GK,
                    "store_l": room,
                    "passes_l_s": PASSES,
                    "counts": "3.0 m of 100 mm pipe at 7.854 l/m and the riser from 29.900 to the lip",
                    "wash": "four pump-outs of 25 l in 80 s, ten minutes apart",
                    "first_spilling_pump": first,
                    "spilt_l": spilt,
                },
                {
                    "blocked": "SA1",
                    "source": "D1",
                    "first": low[1],
                    "leaves_at": "rim",
                    "level_m": low[0],
                    "next": "D1",
                    "next_level_m": JOINT_D1,
                    "store_l": FULL_BORE_100 * sum(run_length(run) for run in ("R3", "R4", "R5"))
                    + RISER_150 * (low[0] - 29.840)
                    + np.pi / 4 * 0.075**2 * 1000 * (low[0] - 29.850)
                    + 0.600 * 0.450 * 1000 * (low[0] - 29.640),
                    "counts": "R3, R4, R5 full, G1 riser, D1 below the level, M4; nothing past SA1's inlet",
                },
            ],
        ),
    } | sweep.truth(
        PAD,
        CLUSTER,
        says="no clustering shown",
        because="GY1 and GK do wet the wall, but standing water spreads along it and the tarmac wets as "
        "much again: no clustering shown clears no outlet",
    )
