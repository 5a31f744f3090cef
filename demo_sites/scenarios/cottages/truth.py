"""What is true of the site, worked out from its stated numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
from scenarios.cottages.drains import CHAMBER_M2, HUMP, OWNERS, ROOT_AT, RUNS, rim, run_length
from scenarios.cottages.ground import (
    ALONG,
    BACK,
    BACK_TO_WALL,
    CORE,
    DPC,
    EAST,
    FRAME,
    FRONT,
    FRONT_AWAY,
    MIDDLE,
    NAME,
    PAD,
    PIN_AB,
    PIN_C,
    RINGS,
    VESSEL,
    WEST,
    WETS,
    A,
    B,
    C,
    ground,
)
from scenarios.cottages.readings import CLUSTER
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
    back = "yard, 6 % to the wall; 1 m cells can hardly tell"
    return [
        FallRow(A, 7.4, 10.8, ["toward"], ["not known", "toward"], back),
        FallRow(B, 7.4, 10.8, ["toward"], ["not known", "toward"], back),
        FallRow(C, 7.4, 10.8, ["toward"], ["not known", "toward"], back),
        FallRow(A, 18.8, 22.2, ["away"], ["not known", "away"], "lane, 5 % away"),
        FallRow(B, 19.0, 21.8, ["away"], ["not known", "away"], "lane, 5 % away"),
        FallRow(A, 1.0, 5.8, ["level", "not known"], ["not known"], "gravel, level across"),
        FallRow(C, 13.5, 16.0, ["away"], ["away"], "grass bank, 14 % away"),
    ]


CAUSES = (
    ("T1", "S08", "", "the yard stands at or over the course"),
    ("T2", "S08", "", "the yard stands at or over the course"),
    ("T1", "S09", "", "the yard falls to the wall"),
    ("T2", "S09", "", "the yard falls to the wall"),
    ("T3", "S09", "", "the yard falls to the wall"),
)
"""Wet length, cause, what it stands for, why."""
NOT_CAUSES = (
    ("T1", "S01", "GA"),
    ("T2", "S01", "GB"),
    ("T3", "S01", "GC"),
    ("T1", "S02", "DA1"),
    ("T2", "S02", "DB1"),
    ("T3", "S02", "DC1"),
)


def truth_of(sweep: Sweep) -> dict[str, Any]:
    """Return what is true of the site."""
    clear = [
        clearance_row(ring, 7.2, 10.6, dpc=DPC[ring.building_id], surface=ground, word="short")
        for ring in RINGS
    ]
    clear += [
        clearance_row(
            ring,
            ring.starts[-2] + 0.6,
            ring.length - 0.8,
            dpc=DPC[ring.building_id],
            surface=ground,
            word="clear",
        )
        for ring in RINGS
    ]
    # S3 shut at its upper end: everything upstream fills to the lowest way out. The hump of S1 (19.620)
    # lies under every rim, so it does not part the two sides.
    spill_3 = min((rim(g), g) for g in ("GA", "GB", "GC"))
    # S2 shut at its upper end: X2 and what lies above it fill; GC is not joined to them.
    spill_2 = min((rim(g), g) for g in ("GA", "GB"))
    return {
        "cause": causes_table(CAUSES),
        "not_cause": not_causes_table(NOT_CAUSES),
        "site": (
            "The site.",
            {"name": NAME, "crs": "EPSG:27700", "free_m": sum(ring.free_length() for ring in RINGS)},
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
                plane_row("P-lane", ground, ((1, -1), (12, -5)), FRONT, -ALONG, FRONT_AWAY),
                plane_row(
                    "P-yard", ground, ((1, 7), (12, 6.5)), BACK - 6.8 * BACK_TO_WALL, -ALONG, BACK_TO_WALL
                ),
                plane_row("P-left", ground, ((-1, 1), (-2, 6)), FRONT, 0.0, (BACK - FRONT) / 6.8),
            ],
        ),
        "fall": (
            "True fall square to the wall, positive toward it, and the words each evidence may say there.",
            [row.truth(ground) for row in falls()],
        ),
        "clearance": (
            "True clearance at both ends; between them it is linear. says: the words levels may give.",
            clear,
        ),
        "wet": ("Truly wet lengths of wall.", [wet.truth() for wet in WETS]),
        "unread": (
            "Lengths that must be shown unread, with their word.",
            [
                {
                    "building_id": MIDDLE,
                    "ring": "",
                    "side": "inside",
                    "chainage_from_m": 10.9,
                    "chainage_to_m": 11.4,
                    "word": "no access",
                },
                {
                    "building_id": WEST,
                    "ring": "",
                    "side": "inside",
                    "chainage_from_m": 0.4,
                    "chainage_to_m": 6.4,
                    "word": "not looked",
                },
            ],
        ),
        "controls": (
            "Groups and whether they have enough controls for an excess.",
            group_rows((PAD, 6), (PIN_AB, 6), (PIN_C, 3), (CORE, 5), (VESSEL, 0)),
        ),
        "standing": (
            "Water standing when nothing runs: as high as the hump.",
            [{"at": "X1", "level_m": HUMP, "depth_m": HUMP - 19.560, "because": "crest of S1"}],
        ),
        "owner": (
            "Whose the shared runs are.",
            [{"run": run, "owner": OWNERS[run]} for run in ("S1", "S2", "S3")],
        ),
        "no_pond": (
            "Lengths of wall where no water can stand by the true ground: no pool may be called sure.",
            [
                {
                    "building_id": WEST,
                    "ring": "",
                    "chainage_from_m": 6.8,
                    "chainage_to_m": 11.4,
                    "why": "water at the back wall runs to the right at 1 in 100 and off past the gable",
                },
                {
                    "building_id": MIDDLE,
                    "ring": "",
                    "chainage_from_m": 6.8,
                    "chainage_to_m": 11.4,
                    "why": "water at the back wall runs to the right at 1 in 100 and off past the gable",
                },
                {
                    "building_id": EAST,
                    "ring": "",
                    "chainage_from_m": 6.8,
                    "chainage_to_m": 11.4,
                    "why": "water at the back wall runs to the right at 1 in 100 and off past the gable",
                },
            ],
        ),
        "spill": (
            (
                "First spill when something is blocked, worked by hand from the true levels.\n"
                "store_l: from empty: 100 mm pipes full 7.854 l/m, risers 22.5 l/m, chambers 270 l/m.\n"
                "resting_l: what stands behind the hump beforehand, so the room left is the difference."
            ),
            [
                {
                    "blocked": "S3",
                    "blocked_at_m": 0.0,
                    "source": "GA",
                    "first": spill_3[1],
                    "leaves_at": "rim",
                    "level_m": spill_3[0],
                    "next": "GB",
                    "next_level_m": rim("GB"),
                    "store_l": _store(spill_3[0], ("RA", "RB", "RC", "S1", "S2"), ("X1", "X2", "X3")),
                    "resting_l": _resting(),
                    "counts": "RA, RB, RC, S1, S2 full; risers; X1, X2, X3 from their lowest invert",
                },
                {
                    "blocked": "S2",
                    "blocked_at_m": 0.0,
                    "source": "GA",
                    "first": spill_2[1],
                    "leaves_at": "rim",
                    "level_m": spill_2[0],
                    "next": "GA",
                    "next_level_m": rim("GA"),
                    "store_l": _store(spill_2[0], ("RA", "RB", "S1"), ("X1", "X2")),
                    "resting_l": _resting(),
                    "counts": "RA, RB, S1 full; risers; X1, X2 from their lowest invert",
                },
            ],
        ),
    } | sweep.truth(
        PAD,
        CLUSTER,
        says="no clustering shown",
        because="half of the places are wet, near outlets and away alike; the backs are wet throughout",
    )


def _store(level: float, runs: tuple[str, ...], chambers: tuple[str, ...]) -> float:
    """Return the litres between empty and a level: full pipes, risers, chambers."""
    pipes = FULL_BORE_100 * sum(run_length(run) for run in runs)
    risers = sum(RISER_150 * (level - RUNS[run][3]) for run in runs if run.startswith("R"))
    lowest = {"X1": 19.560, "X2": 19.490, "X3": 19.420}
    return pipes + risers + sum(CHAMBER_M2 * 1000 * (level - lowest[chamber]) for chamber in chambers)


def _resting() -> float:
    """Return the litres standing behind the hump: chamber X1, and wedges in S1 and in the end of RA."""
    chamber = CHAMBER_M2 * 1000 * (HUMP - 19.560)
    steep = (RUNS["RA"][3] - RUNS["RA"][4]) / run_length("RA")
    return chamber + _wedge(HUMP - 19.560, ROOT_AT) + _wedge(HUMP - 19.600, (HUMP - 19.600) / steep)


def _wedge(depth: float, length: float) -> float:
    """Return the litres in a 100 mm pipe whose water shallows from a depth to nothing over a length.

    The wetted section is the circle's segment, r² acos((r - h) / r) - (r - h) sqrt(2 r h - h²).
    """
    radius, pieces = 0.050, 1000
    h = (np.arange(pieces) + 0.5) / pieces * depth
    section = radius**2 * np.arccos((radius - h) / radius) - (radius - h) * np.sqrt(2 * radius * h - h**2)
    return float(section.mean() * length * 1000)
