"""Moisture readings and what goes with them: controls, samples, air, what was not read, what was said."""

from __future__ import annotations

from scenarios.hand import Hand
from scenarios.record import Cluster, SiteFolder
from scenarios.semi.ground import B1, DAY, OUTLETS, PAD, PIN, TIMBER, VESSEL, WALLS, WETS
from scenarios.truths import (
    Sweep,
)


def take_readings(site: SiteFolder, hand: Hand) -> Sweep:
    """Take every reading, and add what goes with them."""
    cluster = Cluster([(name, WALLS, at) for name, (at, _) in OUTLETS.items()])
    sweep = Sweep(site, hand, WETS, DAY)
    # Outside, half a metre apart all along the open wall, as far from outlets as near them.
    for number in range(58):
        chainage = (30.75 + 0.5 * number) % WALLS.length
        i = WALLS.face(chainage)
        run, left = chainage - WALLS.starts[i], WALLS.starts[i + 1] - chainage
        if min(run, left) < 0.25:
            chainage += 0.25 - run if run < 0.25 else left - 0.25
        chainage = cluster.clear_of_edges(WALLS, chainage)
        run = chainage - WALLS.starts[i]
        if number % 9 == 4 and run > 0.9 and WALLS.starts[i + 1] - chainage > 0.9:
            how = {"how": "coordinates"}
        elif number % 7 == 3 and 0.6 < run < 2.2:
            how = {"how": "bearing"}
        elif (i == 2 and run > 1.2) or (i == 3 and run < 2.3 and number % 2):
            how = {"how": "tapes", "tapes": "CE"}
        elif number % 3:
            how = {"how": "face"}
        else:
            how = {"how": "chainage"}
        sweep.take(PAD, WALLS, chainage, **how)
    for chainage in (31.9, 33.4, 34.2, 35.1, 36.0, 36.6):
        sweep.control(PAD, WALLS, chainage, set_id="K1", side="outside")
    # Inside, from the internal corners; nothing behind the kitchen units.
    inside = [0.7 + 0.75 * k for k in range(11)] + [12.1, 12.75, 13.3, 13.75, 14.5]
    inside += [15.9, 17.2, 18.9, 19.8, 20.7, 21.5, 31.0, 32.2, 33.4, 34.6, 35.8, 37.0]
    for number, chainage in enumerate(inside):
        heights = (0.1, 0.3, 0.6, 0.9, 1.2) if chainage in (1.45, 5.2, 13.3, 20.7) else (0.3,)
        far = number % 4 == 2 and WALLS.face(chainage) not in (3, 5)
        sweep.take(PIN, WALLS, chainage, how="face", side="inside", heights=heights, far_end=far)
    for chainage in (31.4, 32.6, 33.8, 35.2, 36.3, 2.0):
        sweep.control(PIN, WALLS, chainage, set_id="K2")
    for chainage in (1.1, 3.0, 4.8, 5.6, 6.7, 12.6, 13.4, 14.2, 33.0, 35.5):
        sweep.take(TIMBER, WALLS, chainage, how="face", side="inside", heights=(0.1,))
    for chainage in (31.6, 32.9, 34.0, 35.4, 36.5):
        sweep.control(TIMBER, WALLS, chainage, set_id="K3")
    for chainage in (12.9, 13.4, 13.9, 9.4):
        sweep.take(VESSEL, WALLS, chainage, how="face", depth_mm=60)
    for chainage in (34.8, 36.2):
        sweep.control(VESSEL, WALLS, chainage, set_id="K4", side="outside")
    sweep.stray(
        PAD, (-0.04, 11.64), sigma=0.20, status="ambiguous", why="at corner B: either face", ring=WALLS
    )
    sweep.stray(
        PAD, (-0.03, -0.03), sigma=0.20, status="ambiguous", why="at corner A: either face", ring=WALLS
    )
    sweep.stray(
        PAD, (-2.6, 6.0), sigma=0.05, status="unjoined", why="boundary wall, 2.6 m from the house", ring=WALLS
    )
    _add_around(site, hand)
    return sweep


def _add_around(site: SiteFolder, hand: Hand) -> None:
    """Control sets, what was not read, samples, air, states."""
    reason = "1.5 m up on the front, in the dry half of the house"
    for number, meter in enumerate((PAD, PIN, TIMBER, VESSEL), start=1):
        few = " (two readings only: too few)" if meter is VESSEL else ""
        site.add(
            "control_set",
            id=f"K{number}",
            method=meter.method,
            material=meter.material,
            place="front wall" + few,
            reason=reason,
        )
    site.add(
        "unread_length",
        id="U1",
        building_id=B1,
        side="inside",
        chainage_from_m=8.8,
        chainage_to_m=11.2,
        state="no_access",
        evidence="no_access",
        note="behind kitchen units",
    )
    site.add(
        "unread_length",
        id="U2",
        building_id=B1,
        side="inside",
        chainage_from_m=22.0,
        chainage_to_m=30.4,
        state="not_looked",
        evidence="not_looked",
        note="party wall, inside",
    )
    # Masses made from stated contents: dish 20 g, dry sample 30 g.
    for number, (height, wet, humid) in enumerate(
        ((0.1, 9.2, 1.1), (0.4, 6.8, 1.0), (0.8, 2.6, 1.2), (1.2, 1.0, 0.9)), 1
    ):
        site.add(
            "sample",
            id=f"S{number}",
            material="mortar",
            height_m=height,
            depth_from_mm=40,
            depth_to_mm=80,
            dish_g=20.0,
            dry_g=50.0,
            wet_g=round(50 + 0.30 * wet, 3),
            humid_g=round(50 + 0.30 * humid, 3),
            oven_c=105,
            mass_sigma_g=0.01,
            taken_at=DAY,
            **({"side": "inside"} | hand.by_face(WALLS, 13.3, inside=True)),
        )
    site.add(
        "environment", id="E1", place="outdoors", taken_at=f"{DAY}T10:10", air_c=7.5, humidity_percent=83
    )
    site.add(
        "environment",
        id="E2",
        place="room",
        taken_at=f"{DAY}T11:30",
        air_c=18.5,
        humidity_percent=58,
        surface_c=15.0,
        **({"side": "inside"} | hand.by_face(WALLS, 13.0, inside=True)),
    )


def add_accounts(site: SiteFolder) -> None:
    """Add further states of assets and what people said."""
    rows = (
        ("G2", "lip_broken", "seen", "mortar fillet gone for 120 mm"),
        ("DP3", "foot_joined_to_nothing", "seen", "pipe ends in soil 150 below the slabs; lifted one slab"),
        ("SA1", "silted", "inferred", "inlet full after two days"),
        ("R8", "clear", "seen", "camera to the soakaway"),
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
        said="The patio was laid again in 2019 and the kitchen wall has been damp since.",
        about_from="2019-06-01",
        reliability="first_hand",
    )
    site.add(
        "account",
        id="A2",
        speaker="neighbour",
        said="The old owner had a soakaway dug at the back; nobody knows how big.",
        reliability="second_hand",
    )
