"""Drains: where they stand, how they run, and their records."""

from __future__ import annotations

import numpy as np
from scenarios.cottages.ground import DAY, OUTLETS, A, B, C, ground
from scenarios.hand import Hand
from scenarios.plan import Point
from scenarios.record import SiteFolder

PLACES: dict[str, Point] = {"X1": (2.3, 8.6), "X2": (6.9, 8.6), "X3": (11.5, 8.6), "X4": (21.0, 9.0)}
RUNS = {
    "RA": ("GA", "X1", "combined", 19.720, 19.600),
    "RB": ("GB", "X2", "combined", 19.660, 19.520),
    "RC": ("GC", "X3", "combined", 19.560, 19.440),
    "S1": ("X1", "X2", "combined", 19.560, 19.500),
    "S2": ("X2", "X3", "combined", 19.490, 19.430),
    "S3": ("X3", "X4", "combined", 19.420, 19.000),
}
HUMP = 19.620  # crest of S1, lifted by a root; 60 mm above its upper end
ROOT_AT = 2.4  # metres down S1
OWNERS = {"S1": "shared_private", "S2": "shared_private", "S3": "public"}
CHAMBER_M2 = 0.450 * 0.600


def place_of(asset: str) -> Point:
    """Return where an asset stands."""
    if asset in PLACES:
        return PLACES[asset]
    ring, chainage, offset = OUTLETS[asset]
    return ring.at(chainage, offset)


def rim(gully: str) -> float:
    """Return the rim level: 6 mm under the ground."""
    return round(ground(*place_of(gully)) - 0.006, 3)


def run_length(run: str) -> float:
    """Return the plan length of a run."""
    (u0, v0), (u1, v1) = place_of(RUNS[run][0]), place_of(RUNS[run][1])
    return float(np.hypot(u1 - u0, v1 - v0))


def add_drains(site: SiteFolder, hand: Hand) -> None:
    """Add gullies, downpipes, chambers, runs and services."""
    seen = {"level_sigma_m": 0.005, "seen_on": DAY}
    for name in ("GA", "GB", "GC", "GA2", "GC2"):
        front = name.endswith("2")
        ring, chainage, offset = OUTLETS[name]
        site.add(
            "gully",
            id=name,
            takes="rain" if front else "both",
            state="sound",
            rim_level_m=hand.level(rim(name)),
            outlet_invert_level_m=hand.level(rim(name) - 0.45 if front else RUNS[f"R{name[1]}"][3], 0.005),
            pot_l=4,
            riser_mm=150,
            trapped="yes",
            **seen,
            **hand.by_chainage(ring, chainage, offset),
        )
    feet = {"DA1": "GA", "DB1": "GB", "DC1": "GC", "DA2": "GA2", "DB2": "", "DC2": "GC2"}
    for name, into in feet.items():
        ring, chainage, offset = OUTLETS[name]
        site.add(
            "downpipe",
            id=name,
            bore_mm=68,
            roof_m2=17.5,
            foot="shoe_over_gully" if into else "shoe_to_ground",
            foot_level_m=hand.level(ground(*ring.at(chainage, offset)) + 0.07),
            into_id=into,
            state="sound" if into else "splashes",
            **seen,
            **hand.by_chainage(ring, chainage, offset),
        )
    ties = {"X1": (A, "BC"), "X2": (B, "BC"), "X3": (C, "CD"), "X4": (C, "")}
    for name, (ring, letters) in ties.items():
        place = PLACES[name]
        lowest = min(
            level
            for run in RUNS.values()
            for end, level in ((run[0], run[3]), (run[1], run[4]))
            if end == name
        )
        site.add(
            "chamber",
            id=name,
            cover_level_m=hand.level(ground(*place) + 0.003),
            invert_level_m=hand.level(lowest, 0.005),
            length_mm=600,
            width_mm=450,
            state="standing_water" if name == "X1" else "sound",
            evidence="not_looked" if name == "X4" else "seen",
            note="water stands as deep as the hump downstream" if name == "X1" else "",
            **seen,
            **(hand.by_tapes(ring, place, letters) if letters else hand.by_coordinates(place, 0.05, ring)),
        )
    for name, (start, end, use, up, down) in RUNS.items():
        site.draw(
            "run",
            (place_of(start), place_of(end)),
            id=name,
            from_id=start,
            to_id=end,
            use=use,
            owner=OWNERS.get(name, "private"),
            bore_mm=100,
            pipe_material="clay",
            invert_up_level_m=hand.level(up, 0.005),
            invert_down_level_m=hand.level(down, 0.005),
            crest_level_m=hand.level(HUMP, 0.005) if name == "S1" else None,
            level_sigma_m=0.0075,
            state="roots" if name == "S1" else "clear",
            fault_at_m=ROOT_AT if name == "S1" else None,
            from_evidence="camera" if name[0] == "S" else "seen",
            to_evidence="assumed" if end == "X4" else "camera" if name[0] == "S" else "dye",
        )
    for name in ("GA2", "GC2"):
        place = place_of(name)
        site.draw(
            "run",
            (place, (place[0], place[1] - 3.0)),
            id=f"T{name[1]}",
            from_id=name,
            use="surface",
            bore_mm=100,
            pipe_material="clay",
            state="not_traced",
            from_evidence="seen",
            note="goes under the lane, nobody knows where to",
        )
    site.draw(
        "service",
        ((7.4, -5.0), (7.4, 0.2)),
        id="SV1",
        service_kind="water_main",
        state="not_known",
        evidence="seen",
    )
