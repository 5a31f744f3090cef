"""Moisture readings and what goes with them: controls, samples, air, what was not read, what was said."""

from __future__ import annotations

from scenarios.cottages.ground import (
    CORE,
    DAY,
    MIDDLE,
    OUTLETS,
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
)
from scenarios.hand import Hand
from scenarios.record import Cluster, SiteFolder
from scenarios.truths import (
    Sweep,
)

CLUSTER = Cluster([(name, ring, chainage) for name, (ring, chainage, _) in OUTLETS.items()])


def take_readings(site: SiteFolder, hand: Hand) -> Sweep:
    """Take every reading, and add what goes with them."""
    sweep = Sweep(site, hand, WETS, DAY)
    # Outside: on every face four places within a metre of its outlets and two further off.
    # The backs are wet all along, the fronts dry all along: near and away, half and half.
    for ring in RINGS:
        rear = next(at for on, at, _ in OUTLETS.values() if on is ring and at < 12)
        front = next(at for on, at, _ in OUTLETS.values() if on is ring and at > 18)
        for middle in (rear, front):
            for number, step in enumerate((-0.75, -0.33, 0.33, 0.75, -1.80, 1.75)):
                chainage = CLUSTER.clear_of_edges(ring, middle + step)
                how = ("face", "chainage", "coordinates", "face", "face", "bearing")[number]
                far = how == "bearing" and ring.starts[ring.face(chainage) + 1] - chainage < 2.0
                sweep.take(PAD, ring, chainage, how=how, far_end=far)
    for ring, chainage in ((A, 19.2), (A, 22.2), (B, 19.0), (B, 21.6), (C, 19.0), (C, 22.1)):
        sweep.control(PAD, ring, chainage, set_id="K1", side="outside")
    for ring, meter in ((A, PIN_AB), (B, PIN_AB), (C, PIN_C)):
        for number, chainage in enumerate((7.5, 8.2, 9.0, 9.8, 10.6)):
            heights = (0.1, 0.3, 0.6, 0.9, 1.2) if number == 2 else (0.3,)
            # The third cottage's back begins at corner C, the others' at B.
            sweep.take(meter, ring, chainage, how="face", side="inside", heights=heights, far_end=number > 3)
        for chainage in (19.2, 20.5, 21.8):
            sweep.take(meter, ring, chainage, how="face", side="inside")
    for ring, chainage in ((A, 18.9), (A, 19.8), (A, 21.2), (B, 19.1), (B, 20.0), (B, 21.3)):
        sweep.control(PIN_AB, ring, chainage, set_id="K2")
    for chainage in (19.4, 20.6, 21.9):
        sweep.control(PIN_C, C, chainage, set_id="K3")
    for ring, chainage in (
        (A, 8.0),
        (A, 10.0),
        (B, 8.4),
        (B, 10.2),
        (C, 8.2),
        (C, 10.1),
        (A, 20.0),
        (C, 13.0),
    ):
        sweep.take(CORE, ring, chainage, how="face", side="inside", depth_mm=150)
    for ring, chainage in ((A, 19.5), (A, 21.5), (B, 19.6), (B, 21.0), (C, 20.0)):
        sweep.control(CORE, ring, chainage, set_id="K4")
    for ring, chainage in ((A, 8.4), (B, 8.3), (C, 8.6), (C, 20.0)):
        sweep.take(VESSEL, ring, chainage, how="face", depth_mm=60)
    sweep.stray(
        PAD, (4.6, 6.82), sigma=0.20, status="ambiguous", why="on the joint of the left and middle cottages"
    )
    sweep.stray(
        PAD, (-0.04, 6.84), sigma=0.20, status="ambiguous", why="at corner B of the left cottage", ring=A
    )
    sweep.stray(PAD, (6.9, 9.0), sigma=0.05, status="unjoined", why="yard wall, 2.2 m from the house", ring=B)
    reason = "1.5 m up on the dry front"
    for number, meter in enumerate((PAD, PIN_AB, PIN_C, CORE), start=1):
        few = "; three readings only, too few" if meter is PIN_C else ""
        site.add(
            "control_set",
            id=f"K{number}",
            method=meter.method,
            material=meter.material,
            place="front walls" + few,
            reason=reason,
        )
    site.add(
        "unread_length",
        id="U1",
        building_id=MIDDLE,
        side="inside",
        chainage_from_m=10.9,
        chainage_to_m=11.4,
        state="no_access",
        evidence="no_access",
        note="behind kitchen units",
    )
    site.add(
        "unread_length",
        id="U2",
        building_id=WEST,
        side="inside",
        chainage_from_m=0.4,
        chainage_to_m=6.4,
        state="not_looked",
        evidence="not_looked",
        note="gable, behind stored furniture; not asked to move it",
    )
    # Salts rather than water at 1.2 m: what the air at 75 % leaves is as much as the wall holds.
    for number, (height, wet, humid) in enumerate(
        ((0.1, 8.4, 1.5), (0.5, 5.9, 2.1), (0.9, 4.6, 3.9), (1.2, 4.1, 4.3)), 1
    ):
        site.add(
            "sample",
            id=f"M{number}",
            material="lime_plaster",
            height_m=height,
            depth_from_mm=0,
            depth_to_mm=20,
            dish_g=18.0,
            dry_g=43.0,
            wet_g=round(43 + 0.25 * wet, 3),
            humid_g=round(43 + 0.25 * humid, 3),
            oven_c=50,
            mass_sigma_g=0.01,
            taken_at=DAY,
            **hand.by_face(A, 9.0, inside=True),
        )
    site.add(
        "environment", id="E1", place="outdoors", taken_at=f"{DAY}T09:40", air_c=5.0, humidity_percent=88
    )
    site.add(
        "environment",
        id="E2",
        place="room",
        taken_at=f"{DAY}T12:05",
        air_c=17.0,
        humidity_percent=66,
        surface_c=13.5,
        **hand.by_face(B, 9.4, inside=True),
    )
    return sweep


def add_accounts(site: SiteFolder) -> None:
    """Add further states of assets and what people said."""
    rows = (
        ("S1", "roots", "seen", "camera: pipe lifted by a root 2.4 m from X1"),
        ("X1", "standing_water", "seen", "60 mm, a day after rain"),
        ("GB", "sound", "seen", "rodded and flushed"),
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
        speaker="landlord",
        said="The gullies were blamed and relaid two years ago; the backs are as wet as before.",
        about_from="2024-01-01",
        reliability="first_hand",
    )
