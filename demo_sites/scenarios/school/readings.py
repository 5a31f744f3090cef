"""Moisture readings and what goes with them: controls, samples, air, what was not read, what was said."""

from __future__ import annotations

from scenarios.hand import Hand
from scenarios.record import Cluster, SiteFolder
from scenarios.school.ground import (
    CORE,
    DAY,
    HALL,
    OUTER,
    OUTLETS,
    PAD,
    TIMBER,
    VESSEL,
    WELL,
    WETS,
    YARD,
)
from scenarios.truths import (
    Sweep,
)

CLUSTER = Cluster([(name, ring, chainage) for name, (ring, chainage, _) in OUTLETS.items()])


def take_readings(site: SiteFolder, hand: Hand) -> Sweep:
    """Take every reading, and add what goes with them."""
    sweep = Sweep(site, hand, WETS, DAY)
    outer = [
        18.6,
        20.3,
        21.5,
        22.5,
        23.5,
        24.6,
        26.4,
        30.2,
        34.0,
        37.5,
        40.4,
        43.0,
        44.8,
        45.6,
        46.4,
        47.1,
        47.8,
        49.5,
        52.0,
    ]
    outer += [56.0, 60.5, 63.0, 67.0, 70.0, 75.0, 79.0, 82.3, 3.0, 9.0, 14.5]
    for number, chainage in enumerate(outer):
        moved = CLUSTER.clear_of_edges(OUTER, chainage)
        run = moved - OUTER.starts[OUTER.face(moved)]
        how = (
            "bearing" if run < 1.9 and number % 2 else ("face", "chainage", "coordinates", "face")[number % 4]
        )
        sweep.take(PAD, OUTER, moved, how=how)
    for number, chainage in enumerate(
        (0.8, 2.7, 4.1, 6.2, 8.5, 10.8, 13.2, 15.6, 17.2, 18.1, 18.9, 20.0, 21.4, 23.5, 26.0, 28.8)
    ):
        moved = CLUSTER.clear_of_edges(YARD, chainage)
        # In the courtyard two tapes from the far corners fix a place on the opposite wall.
        face = YARD.face(moved)
        tapes = "AB" if face == 2 else "CD" if face == 0 else ""
        how = "tapes" if tapes and number % 2 else "face"
        sweep.take(PAD, YARD, moved, how=how, tapes=tapes)
    for chainage in (0.75, 2.75, 4.75, 6.9):
        sweep.take(PAD, WELL, chainage, how="face")
    for chainage in (61.9, 65.5, 68.2, 73.8, 77.0, 80.5):
        sweep.control(PAD, OUTER, chainage, set_id="K1", side="outside")
    for chainage in (20.6, 22.6, 23.4, 25.2, 32.0, 45.0, 46.2, 47.4, 51.0, 66.0, 78.0):
        heights = (0.1, 0.3, 0.6, 0.9, 1.2) if chainage in (22.6, 46.2) else (0.3,)
        sweep.take(CORE, OUTER, chainage, how="face", side="inside", heights=heights, depth_mm=200)
    for chainage in (1.2, 5.2, 10.5, 15.8, 17.4, 18.6, 19.8, 21.2, 27.0):
        heights = (0.1, 0.3, 0.6, 0.9, 1.2) if chainage == 18.6 else (0.3,)
        sweep.take(CORE, YARD, chainage, how="face", side="inside", heights=heights, depth_mm=200)
    for chainage in (62.0, 64.5, 69.0, 74.5, 79.5):
        sweep.control(CORE, OUTER, chainage, set_id="K2")
    for chainage in (16.2, 17.5, 18.8, 20.1, 21.5, 25.0):
        sweep.take(TIMBER, YARD, chainage, how="face", side="inside", heights=(0.1,))
    for chainage in (63.5, 67.5, 71.0, 76.0, 81.0):
        sweep.control(TIMBER, OUTER, chainage, set_id="K3")
    for chainage in (17.6, 18.3, 19.5, 25.5):
        sweep.take(VESSEL, YARD, chainage, how="face", depth_mm=60)
    for chainage in (65.0, 78.5):
        sweep.control(VESSEL, OUTER, chainage, set_id="K4", side="outside")
    sweep.stray(
        PAD,
        (24.04, 18.04),
        sigma=0.20,
        status="ambiguous",
        why="at corner C of the outline: either face",
        ring=OUTER,
    )
    sweep.stray(
        PAD,
        (12.0, 9.5),
        sigma=0.05,
        status="unjoined",
        why="middle of the courtyard, over 3 m from every wall",
        ring=YARD,
    )
    reason = "1.5 m up on the front, where the ground falls away"
    for number, meter in enumerate((PAD, CORE, TIMBER, VESSEL), start=1):
        few = "; two readings only, too few" if meter is VESSEL else ""
        site.add(
            "control_set",
            id=f"K{number}",
            method=meter.method,
            material=meter.material,
            place="front wall" + few,
            reason=reason,
        )
    unread = (
        ("U1", OUTER, 25.9, 29.6, "no_access", "behind kitchen units and the range"),
        ("U2", WELL, 0.0, 8.0, "no_access", "cellar locked"),
        ("U3", OUTER, 0.5, 17.5, "not_looked", "store rooms, left for a second visit"),
    )
    for name, ring, start, end, state, note in unread:
        site.add(
            "unread_length",
            id=name,
            building_id=HALL,
            ring=ring.ring,
            side="inside",
            chainage_from_m=start,
            chainage_to_m=end,
            state=state,
            evidence=state,
            note=note,
        )
    for number, (height, wet, humid) in enumerate(
        ((0.1, 12.6, 0.9), (0.4, 10.1, 1.0), (0.7, 5.2, 1.3), (1.1, 1.1, 1.0)), 1
    ):
        site.add(
            "sample",
            id=f"S{number}",
            material="brick",
            height_m=height,
            depth_from_mm=40,
            depth_to_mm=80,
            dish_g=22.0,
            dry_g=62.0,
            wet_g=round(62 + 0.40 * wet, 3),
            humid_g=round(62 + 0.40 * humid, 3),
            oven_c=105,
            mass_sigma_g=0.01,
            taken_at=DAY,
            **hand.by_face(YARD, 18.6, inside=True),
        )
    site.add(
        "environment", id="E1", place="outdoors", taken_at=f"{DAY}T09:15", air_c=11.0, humidity_percent=72
    )
    site.add(
        "environment",
        id="E2",
        place="room",
        taken_at=f"{DAY}T11:00",
        air_c=16.5,
        humidity_percent=61,
        surface_c=14.0,
        **hand.by_face(YARD, 19.0, inside=True),
    )
    return sweep


def add_accounts(site: SiteFolder) -> None:
    """Add further states of assets and what people said."""
    rows = (
        ("GY1", "pot_blocked", "seen", "silt to the grating"),
        ("GK", "outlet_slow", "seen", "sink water stands in the pot for a minute"),
        ("RK", "grease", "seen", "camera: grease 3.0 m from the gully"),
        ("GW", "sound", "inferred", "dry after rain; grating not lifted"),
    )
    for number, (asset, state, evidence, note) in enumerate(rows, start=1):
        site.add(
            "asset_state",
            id=f"ST{number}",
            of_id=asset,
            state=state,
            evidence=evidence,
            seen_on=DAY,
            note=note,
        )
    site.add(
        "account",
        id="A1",
        speaker="occupant",
        said="After a storm the courtyard is a lake up to the boiler room step.",
        about_from="2025-10-01",
        reliability="first_hand",
    )
