"""What is true of the site, worked out from its stated numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
from scenarios.record import Cluster
from scenarios.semi.drains import DIAMETER_C3, JOINT_DP4, LIP_G2, PITCH_DEG, PLACES, ROOFS, rim, run_length
from scenarios.semi.ground import (
    ALONG,
    B1,
    DPC_HIGH,
    DPC_LOW,
    FLANK_RISE,
    FRAME,
    FRONT_AWAY,
    FRONT_LEFT,
    NAME,
    OUTLETS,
    PAD,
    PATIO_AT_BACK,
    PATIO_TO_WALL,
    PIN,
    TIMBER,
    VESSEL,
    WALLS,
    WETS,
    ground,
)
from scenarios.semi.visit import SEWER_HIGH
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

CAUSES = (
    ("T1", "S01", "G2", "lip broken on the wall side"),
    ("T4", "S01", "G2", "the same gully, through the cavity"),
    ("T4", "S11", "", "the slab touches the wall over the inner course"),
    ("T2", "S02", "DP3", "foot joined to nothing"),
    ("T3", "S12", "", "debris over the inner course"),
    ("T5", "S12", "", "debris over the inner course"),
)
"""Wet length, cause, what it stands for, why."""
NOT_CAUSES = (
    ("T1", "S02", "DP2"),
    ("T2", "S01", "G3"),
    ("T2", "S02", "DP4"),
)


def truth_of(sweep: Sweep) -> dict[str, Any]:
    """Return what is true of the site."""
    falls = [
        FallRow(WALLS, 31.6, 36.6, ["away"], ["away"], "front garden, 12 % for 5 m"),
        FallRow(WALLS, 1.5, 10.5, ["level", "not known"], ["not known"], "drive, level across"),
        FallRow(WALLS, 12.6, 14.6, ["toward"], ["not known"], "patio, 3 %; half-metre cells cannot tell"),
        FallRow(
            WALLS, 15.8, 17.8, ["toward"], ["not known"], "patio, cross slope of 2.5 % against the offshoot"
        ),
        FallRow(WALLS, 19.0, 21.4, ["toward"], ["not known"], "patio, 3 %"),
    ]
    gap = [
        clearance_row(WALLS, 35.6, 37.2, dpc=DPC_LOW, surface=ground, word="clear"),
        clearance_row(WALLS, 30.8, 33.4, dpc=DPC_HIGH, surface=ground, word="clear"),
        clearance_row(WALLS, 0.6, 3.8, dpc=DPC_LOW, surface=ground, word="clear"),
        clearance_row(WALLS, 4.3, 5.6, dpc=DPC_LOW, surface=ground, word=""),
        clearance_row(WALLS, 6.2, 9.8, dpc=DPC_HIGH, surface=ground, word="clear"),
        clearance_row(WALLS, 13.2, 14.9, dpc=DPC_HIGH, surface=ground, word="short"),
        clearance_row(WALLS, 15.6, 16.6, dpc=DPC_HIGH, surface=ground, word="short"),
        clearance_row(WALLS, 18.8, 19.8, dpc=DPC_HIGH, surface=ground, word=""),
        clearance_row(WALLS, 20.4, 21.7, dpc=DPC_HIGH, surface=ground, word="short"),
    ]
    # Soakaway full, its inlet cut. Water stands level in R6, R7, R8, C3; it leaves where the way out
    # is lowest: G3's rim, DP4's joint 10.020, C3's cover. Every invert on the way lies lower.
    spill = rim("G3")
    others = {"DP4": JOINT_DP4, "C3": ground(*PLACES["C3"]) + 0.004}
    if spill >= min(others.values()):
        raise ValueError("G3 should spill first")
    pipes = FULL_BORE_100 * sum(run_length(run) for run in ("R6", "R7", "R8"))
    risers = RISER_150 * (spill - 9.450) + np.pi / 4 * 0.068**2 * 1000 * (spill - 9.470)
    chamber = np.pi / 4 * DIAMETER_C3**2 * 1000 * (spill - 9.380)
    # R2 blocked at its upper end. G2 (lip, not rim) or C2's cover: the lip is lower.
    cover_c2 = ground(*PLACES["C2"]) + 0.004
    foul = (
        FULL_BORE_100 * run_length("R1")
        + RISER_150 * (LIP_G2 - 9.460)
        + 0.600 * 0.450 * 1000 * (LIP_G2 - 9.290)
    )
    # The yard corner D is the lowest ground of the patio, shut in by two walls. With no gully working,
    # water rises there until it runs round corner C of the offshoot.
    corner_d, corner_c = ground(3.6001, 8.4001), ground(3.6001, 11.6)
    cluster = Cluster([(name, WALLS, at) for name, (at, _) in OUTLETS.items()])
    return {
        "cause": causes_table(CAUSES),
        "not_cause": not_causes_table(NOT_CAUSES),
        "site": (
            "The site.",
            {"name": NAME, "crs": "EPSG:27700", "perimeter_m": WALLS.length, "free_m": WALLS.free_length()},
        ),
        "face": (
            "Faces clockwise from the origin corner.",
            face_rows(FRAME, WALLS),
        ),
        "axes": (
            "The house's axes: u along the front from the front-left corner, v from the front to the back.",
            axes(FRAME),
        ),
        "plane": (
            "Planes of ground, z = a_m + per_u u + per_v v in the site's datum.",
            [
                plane_row("P-front", ground, ((1, -1), (6, -4)), FRONT_LEFT, ALONG, FRONT_AWAY),
                plane_row("P-drive", ground, ((-1, 1), (-4, 10)), FRONT_LEFT, 0.0, FLANK_RISE),
                plane_row(
                    "P-patio",
                    ground,
                    ((1, 12), (5, 9)),
                    PATIO_AT_BACK - 8.4 * PATIO_TO_WALL,
                    ALONG,
                    PATIO_TO_WALL,
                ),
            ],
        ),
        "fall": (
            "True fall square to the wall, positive toward it, and the words each evidence may say there.",
            [row.truth(ground) for row in falls],
        ),
        "clearance": (
            "True clearance at both ends; between them it is linear. says: the words levels may give.",
            gap,
        ),
        "wet": ("Truly wet lengths of wall.", [wet.truth() for wet in WETS]),
        "unread": (
            "Lengths that must be shown unread, with their word.",
            [
                {
                    "building_id": B1,
                    "ring": "",
                    "side": "inside",
                    "chainage_from_m": 8.8,
                    "chainage_to_m": 11.2,
                    "word": "no access",
                },
            ],
        ),
        "controls": (
            "Groups and whether they have enough controls for an excess.",
            group_rows((PAD, 6), (PIN, 6), (TIMBER, 5), (VESSEL, 2)),
        ),
        "pond": (
            "Ponding against the wall by the true ground, in the site's datum.",
            [
                {
                    "building_id": B1,
                    "ring": "",
                    "gullies": "not working",
                    "level_m": corner_c,
                    "tolerance_m": 0.08,
                    "deepest_at_chainage_m": 18.4,
                    "depth_m": corner_c - corner_d,
                    "chainage_from_m": 15.2,
                    "chainage_to_m": 22.0,
                    "why": "corner D is shut in by F3 and F4; water leaves round corner C",
                }
            ],
        ),
        "no_pond": (
            "Lengths of wall where no water can stand by the true ground: no pool may be called sure.",
            [
                {
                    "building_id": B1,
                    "ring": "",
                    "chainage_from_m": 30.8,
                    "chainage_to_m": 37.2,
                    "why": "front garden falls away at 12 %",
                },
            ],
        ),
        "proven": (
            "Runs that a test proves, and by what each is then known.",
            [
                {"trial": "TR1", "run": "R7", "from_evidence": "tap_test", "to_evidence": "tap_test"},
                {"trial": "TR2", "run": "R1", "from_evidence": "seen", "to_evidence": "dye"},
            ],
        ),
        "contradiction": (
            "Tests the map cannot account for.",
            [
                {
                    "ids": ["TR3", "G2", "C3"],
                    "why": "the washing machine is drawn into G2 and the foul run, and came out at C3",
                }
            ],
        ),
        "sewer": (
            "What the sewer rises out of when it stands as high as it has.",
            [
                {
                    "outfall": "C0",
                    "level_m": SEWER_HIGH,
                    "says": "no",
                    "lowest": "C1",
                    "lowest_m": ground(*PLACES["C1"]) + 0.004,
                }
            ],
        ),
        "roof": (
            "Roof that drains to the stop, on plan and in driven rain: 1 + tan(pitch)/2 times as much.",
            [
                {
                    "blocked": "SA1",
                    "plan_m2": ROOFS["DP4"],
                    "driven_m2": ROOFS["DP4"] * (1 + float(np.tan(np.radians(PITCH_DEG))) / 2),
                }
            ],
        ),
        "spill": (
            (
                "First spill when something is blocked, worked by hand from the true levels.\n"
                "store_l: 100 mm pipes full, 7.854 l/m; risers 22.5 l/m; downpipe 3.63 l/m;\n"
                "C3 159.0 l/m; C2 270 l/m."
            ),
            [
                {
                    "blocked": "SA1",
                    "source": "DP4",
                    "first": "G3",
                    "leaves_at": "rim",
                    "level_m": spill,
                    "next": "DP4",
                    "next_level_m": min(others.values()),
                    "store_l": pipes + risers + chamber,
                    "counts": "R6, R7, R8 full, G3 riser, DP4 below the level, C3; nothing past SA1's inlet",
                },
                {
                    "blocked": "R2",
                    "blocked_at_m": 0.0,
                    "source": "G2",
                    "first": "G2",
                    "leaves_at": "lip",
                    "level_m": LIP_G2,
                    "next": "C2",
                    "next_level_m": cover_c2,
                    "store_l": foul,
                    "counts": "R1 full, G2 riser, C2; R2 shut at its upper end",
                },
            ],
        ),
    } | sweep.truth(
        PAD,
        cluster,
        says="clustered",
        because="six of nine wet places lie within 1 m of G2 or DP3, where a quarter of all places lie; "
        "at 1.5 m the excess is too thin to show",
    )
