"""Drains: where they stand, how they run, and their records."""

from __future__ import annotations

import numpy as np
from scenarios.hand import Hand
from scenarios.plan import Point
from scenarios.record import SiteFolder
from scenarios.semi.ground import DAY, OUTLETS, WALLS, ground


def level_at(asset: str) -> float:
    """Return the ground level at an outlet."""
    return ground(*WALLS.at(*OUTLETS[asset]))


# Drains. Chambers and the soakaway stand at these places (u, v).
PLACES: dict[str, Point] = {
    "C0": (-1.2, -12.0),
    "C1": (-1.2, -3.0),
    "C2": (-1.2, 13.0),
    "C3": (5.0, 14.0),
    "SA1": (4.0, 18.5),
}
# id: from, to, use, invert up, invert down
RUNS = {
    "R1": ("G2", "C2", "foul", 9.460, 9.310),
    "R2": ("C2", "C1", "foul", 9.290, 8.620),
    "R3": ("C1", "C0", "combined", 8.600, 8.320),
    "R4": ("G1", "C1", "surface", 9.300, 8.760),
    "R5": ("G4", "C1", "surface", 9.290, 8.760),
    "R6": ("G3", "C3", "surface", 9.450, 9.400),
    "R7": ("DP4", "C3", "surface", 9.470, 9.400),
    "R8": ("C3", "SA1", "surface", 9.380, 9.330),
}
CRACKED, CRACK_AT, CRACK_CM2 = "R5", 1.0, 2.0  # metres down it, cm²
OWNERS = {"R2": "shared_private", "R3": "public"}  # the others serve this house alone
PITCH_DEG = 35.0
ROOFS = {"DP1": 21.0, "DP2": 7.5, "DP3": 18.0, "DP4": 12.0, "DP5": 4.0}  # on plan, m²
RIM_G2, LIP_G2, JOINT_DP4, DIAMETER_C3 = 9.930, 9.900, 10.020, 0.450


def place_of(asset: str) -> Point:
    """Return where an asset stands."""
    return PLACES[asset] if asset in PLACES else WALLS.at(*OUTLETS[asset])


def run_length(run: str) -> float:
    """Return the plan length of a run."""
    (u0, v0), (u1, v1) = place_of(RUNS[run][0]), place_of(RUNS[run][1])
    return float(np.hypot(u1 - u0, v1 - v0))


def rim(gully: str) -> float:
    """Return the rim level of a gully: 7 mm under the ground round it, but for G2."""
    return RIM_G2 if gully == "G2" else round(level_at(gully) - 0.007, 3)


def add_drains(site: SiteFolder, hand: Hand) -> None:
    """Add gullies, downpipes, chambers, runs and services."""
    takes = {"G1": "rain", "G2": "both", "G3": "rain", "G4": "rain"}
    inverts = {RUNS[run][0]: RUNS[run][3] for run in RUNS}
    for name, kind in takes.items():
        broken = name == "G2"
        site.add(
            "gully",
            id=name,
            takes=kind,
            state="lip_broken" if broken else "sound",
            rim_level_m=hand.level(rim(name)),
            lip_level_m=hand.level(LIP_G2) if broken else None,
            outlet_invert_level_m=hand.level(inverts[name], 0.005),
            level_sigma_m=0.005,
            pot_l=4,
            riser_mm=150,
            trapped="yes",
            seen_on=DAY,
            **hand.by_chainage(WALLS, *OUTLETS[name]),
        )
    feet = {
        "DP1": ("shoe_over_gully", "G1", "sound"),
        "DP2": ("shoe_over_gully", "G2", "sound"),
        "DP3": ("not_known", "", "foot_joined_to_nothing"),
        "DP4": ("sealed", "C3", "sound"),
        "DP5": ("shoe_over_gully", "G4", "sound"),
    }
    for name, (foot, into, state) in feet.items():
        site.add(
            "downpipe",
            id=name,
            bore_mm=68,
            roof_m2=ROOFS[name],
            roof_pitch_deg=PITCH_DEG,
            foot=foot,
            foot_level_m=hand.level(JOINT_DP4 if name == "DP4" else level_at(name) + 0.06),
            level_sigma_m=0.005,
            into_id=into,
            state=state,
            seen_on=DAY,
            **hand.by_chainage(WALLS, *OUTLETS[name]),
        )
    ties = {"C0": "", "C1": "AF", "C2": "BC", "C3": "BCE", "SA1": "BCE"}
    for name, letters in ties.items():
        place = PLACES[name]
        where = hand.by_tapes(WALLS, place, letters) if letters else hand.by_coordinates(place, 0.05, WALLS)
        common = {"level_sigma_m": 0.005, "seen_on": DAY} | where
        if name == "SA1":
            site.add(
                "soakaway",
                id=name,
                cover_level_m=hand.level(ground(*place)),
                inlet_invert_level_m=hand.level(9.330, 0.005),
                length_m=1.2,
                width_m=1.2,
                depth_m=1.0,
                fill="rubble",
                state="standing_water",
                note="water stood in the inlet two days after rain",
                **common,
            )
            continue
        lowest = {"C0": 8.300, "C1": 8.600, "C2": 9.290, "C3": 9.380}[name]
        size = {"length_mm": 450} if name == "C3" else {"length_mm": 600, "width_mm": 450}
        site.add(
            "chamber",
            id=name,
            cover_level_m=hand.level(ground(*place) + 0.004),
            invert_level_m=hand.level(lowest, 0.005),
            state="standing_water" if name == "C3" else "sound",
            evidence="not_looked" if name == "C0" else "seen",
            note="the public sewer in the road: levels from its owner's record" if name == "C0" else "",
            **size,
            **common,
        )
    proofs = {
        "R6": ("dye", "dye"),
        "R7": ("assumed", "tap_test"),
        "R8": ("camera", "camera"),
        "R1": ("seen", "dye"),
    }
    for name, (start, end, use, up, down) in RUNS.items():
        known = proofs.get(name, ("seen", "assumed" if end == "C0" else "seen"))
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
            level_sigma_m=0.0075,
            state={"R7": "not_traced", CRACKED: "crack"}.get(name, "clear"),
            fault_at_m=CRACK_AT if name == CRACKED else None,
            opening_cm2=CRACK_CM2 if name == CRACKED else None,
            from_evidence=known[0],
            to_evidence=known[1],
        )
    site.draw(
        "service",
        ((6.6, -9.0), (6.6, -0.2), (5.6, 1.0)),
        id="SV1",
        service_kind="water_main",
        state="tight",
        loss_l_h=0,
        depth_m=0.75,
        depth_sigma_m=0.05,
        evidence="seen",
        note="stop-tap shut for an hour, meter did not move",
    )
    site.draw(
        "service", ((2.0, 11.3), (2.0, 11.65)), id="SV2", service_kind="external_tap", state="not_known"
    )
