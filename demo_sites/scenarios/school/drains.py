"""Drains: where they stand, how they run, and their records."""

from __future__ import annotations

import numpy as np
from scenarios.hand import Hand
from scenarios.plan import Point
from scenarios.record import SiteFolder
from scenarios.school.ground import DAY, OUTER, OUTLETS, YARD, ground

PLACES: dict[str, Point] = {
    "M1": (5.0, 22.5),
    "M2": (-4.0, 21.0),
    "M3": (-4.0, -6.0),
    "M4": (22.0, 23.0),
    "SA1": (16.0, 26.5),
    "M5": (12.0, -7.0),
}
RIM_GK, LIP_GK, OUT_GK = 30.215, 30.185, 29.900
GREASE_AT, PASSES = 3.0, 0.030  # metres down RK, litres a second
RUNS: dict[str, tuple[str, str, str, float, float]] = {
    "RK": ("GK", "M1", "foul", 29.900, 29.780),
    "R1": ("M1", "M2", "foul", 29.770, 29.620),
    "R2": ("M2", "M3", "foul", 29.610, 29.150),
    "R3": ("D1", "M4", "surface", 29.850, 29.650),
    "R4": ("G1", "M4", "surface", 29.840, 29.650),
    "R5": ("M4", "SA1", "surface", 29.640, 29.560),
    "R6": ("G2", "M5", "surface", 29.700, 29.350),
    "R7": ("G3", "M5", "surface", 29.700, 29.350),
    "R8": ("GY1", "GY2", "surface", 29.650, 29.550),
    "R9": ("GY2", "M5", "surface", 29.540, 29.330),
    "R10": ("GW", "", "surface", 28.700, 28.600),
}
BELLY_AT, BELLY_MM = 8.0, 15.0  # metres down R2, depth of the water in it
LOST: Point = (21.5, 12.5)  # run R10 was followed so far
JOINT_D1 = 30.300


def place_of(asset: str) -> Point:
    """Return where an asset stands."""
    if asset in PLACES:
        return PLACES[asset]
    ring, chainage, offset = OUTLETS[asset]
    return ring.at(chainage, offset)


def rim(gully: str) -> float:
    """Return the rim level: 8 mm under the ground, but for the kitchen's."""
    return RIM_GK if gully == "GK" else round(ground(*place_of(gully)) - 0.008, 3)


def run_length(run: str) -> float:
    """Return the plan length of a run."""
    return float(np.hypot(*np.subtract(place_of(RUNS[run][0]), place_of(RUNS[run][1]))))


def add_drains(site: SiteFolder, hand: Hand) -> None:
    """Add gullies, downpipes, chambers, runs and services."""
    seen = {"level_sigma_m": 0.005, "seen_on": DAY}
    states = {"GK": "lip_broken", "GY1": "grating_blocked"}
    for name in ("GK", "G1", "G2", "G3", "GY1", "GY2", "GW"):
        ring, chainage, offset = OUTLETS[name]
        invert = next(run[3] for run in RUNS.values() if run[0] == name)
        site.add(
            "gully",
            id=name,
            takes="waste" if name == "GK" else "rain",
            state=states.get(name, "sound"),
            rim_level_m=hand.level(rim(name)),
            lip_level_m=hand.level(LIP_GK) if name == "GK" else None,
            outlet_invert_level_m=hand.level(invert, 0.005),
            pot_l=5,
            riser_mm=150,
            trapped="no" if name == "GW" else "yes",
            **seen,
            **hand.by_chainage(ring, chainage, offset),
        )
    feet = {
        "D1": ("sealed", "M4"),
        "D2": ("shoe_over_gully", "G1"),
        "D3": ("shoe_over_gully", "G2"),
        "D4": ("shoe_over_gully", "G3"),
    }
    feet |= {"DY1": ("shoe_over_gully", "GY1"), "DY2": ("shoe_over_gully", "GY2")}
    for name, (foot, into) in feet.items():
        ring, chainage, offset = OUTLETS[name]
        low = ground(*ring.at(chainage, offset))
        site.add(
            "downpipe",
            id=name,
            bore_mm=75,
            roof_m2=38.0 if ring is YARD else 55.0,
            foot=foot,
            foot_level_m=hand.level(JOINT_D1 if name == "D1" else low + 0.08),
            into_id=into,
            state="sound",
            **seen,
            **hand.by_chainage(ring, chainage, offset),
        )
    ties = {"M1": "BC", "M2": "AB", "M3": "AB", "M4": "BC", "M5": "AD", "SA1": "BC"}
    for name, letters in ties.items():
        place = PLACES[name]
        where = hand.by_tapes(OUTER, place, letters)
        cover = hand.level(ground(*place) + 0.003)
        if name == "SA1":
            site.add(
                "soakaway",
                id=name,
                cover_level_m=cover,
                inlet_invert_level_m=hand.level(29.560, 0.005),
                length_m=2.0,
                width_m=1.5,
                depth_m=1.2,
                fill="rubble",
                soakage_m_s=1.2e-5,
                state="works",
                **seen,
                **where,
            )
            continue
        lowest = min(
            level
            for run in RUNS.values()
            for end, level in ((run[0], run[3]), (run[1], run[4]))
            if end == name
        )
        site.add(
            "chamber",
            id=name,
            cover_level_m=cover,
            invert_level_m=hand.level(lowest, 0.005),
            length_mm=600,
            width_mm=450,
            sealed="yes" if name == "M3" else "not_known",
            state="sound",
            evidence="reported" if name in ("M3", "M5") else "seen",
            note="the public sewer's chamber, levels from its owner's record" if name in ("M3", "M5") else "",
            **seen,
            **where,
        )
    for name, (start, end, use, up, down) in RUNS.items():
        kitchen = name == "RK"
        site.draw(
            "run",
            (place_of(start), place_of(end) if end else LOST),
            id=name,
            from_id=start,
            to_id=end,
            use=use,
            owner="private" if end else "not_known",
            bore_mm=100,
            pipe_material="clay",
            invert_up_level_m=hand.level(up, 0.005),
            invert_down_level_m=hand.level(down, 0.005) if end else None,
            level_sigma_m=0.0075,
            note="" if end else "lost under the cellar; where it comes out nobody knows",
            state={"RK": "grease", "R2": "belly", "R9": "not_traced", "R10": "not_traced"}.get(name, "clear"),
            passes_l_s=PASSES if kitchen else None,
            fault_at_m={"RK": GREASE_AT, "R2": BELLY_AT}.get(name),
            sag_mm=BELLY_MM if name == "R2" else None,
            from_evidence="camera" if kitchen else "seen",
            to_evidence="camera" if kitchen else "assumed" if name in ("R9", "R10") else "dye",
        )
    site.draw(
        "service",
        ((10, -8), (10, 0.5)),
        id="SV1",
        service_kind="water_main",
        state="tight",
        loss_l_h=0,
        evidence="seen",
    )
    site.draw(
        "service",
        ((10, 0.6), (10, 5.5), (17, 5.5), (17, 12.0)),
        id="SV2",
        service_kind="heating",
        state="not_known",
        evidence="reported",
        note="pipe in the floor, never tested",
    )
