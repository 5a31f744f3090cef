"""What was done on the day besides readings and levels: leave, tests, holes, meters.

Errors are drawn by a hand of their own, so that nothing booked elsewhere moves when a line is added here.
"""

from __future__ import annotations

from scenarios.hand import Hand
from scenarios.picture import wall_picture
from scenarios.record import SiteFolder
from scenarios.semi.ground import DAY, WALLS

SEWER_HIGH = 8.750  # how high the sewer in the road stood, by its owner; its cover is at 8.88
FOUNDATION = 9.150
RATES = (25.0, 80.0)  # a machine's pump-out: litres, seconds


def add_visit(site: SiteFolder, hand: Hand) -> None:
    """Add the visit, instruments, leave, fixtures, tests, holes, meter readings and events."""
    site.add(
        "visit",
        id="V1",
        arrived_at=f"{DAY}T09:10",
        left_at=f"{DAY}T16:40",
        purpose="whether gully G2 or the soakaway feeds the kitchen wall",
        present="surveyor, occupant",
        weather="dry, after two days of rain",
        rain_48h_mm=11.0,
        rain_7d_mm=24.5,
        rain_30d_mm=96.0,
        access="part",
        hazards="covers lifted beside the drive; two to lift C2",
    )
    checks = (
        ("PAD-2", "capacitance", "0 to 200", 60.0, 60.0),
        ("PIN-1", "resistance between two pins", "0 to 100", 18.0, 18.0),
        ("PIN-3", "resistance between two pins", "6 to 30 % of dry mass", 18.2, 18.2),
        ("CV-1", "carbide pressure", "0 to 20 % of wet mass", 5.0, 5.0),
    )
    for name, principle, scale, expected, read in checks:
        site.add(
            "instrument",
            id=name,
            principle=principle,
            scale=scale,
            checked_on=DAY,
            check_expected=expected,
            check_read=read,
        )
    leave = (
        ("opening_up", "owner", "given", "two small holes and one hole in the ground"),
        ("water_test", "owner", "given", "dye that fades; nothing down the neighbour's drain"),
        ("neighbour_ground", "neighbour", "asked", ""),
        ("photographs", "occupant", "given", "walls and drains only"),
    )
    for number, (what, who, state, limits) in enumerate(leave, start=1):
        site.add(
            "consent",
            id=f"CN{number}",
            consent_for=what,
            given_by=who,
            state=state,
            given_on=DAY if state == "given" else "",
            limits=limits,
        )
    _fixtures(site, hand)
    _trials(site)
    _holes(site, hand)
    site.add(
        "water_level",
        id="WL1",
        of_id="C3",
        level_m=hand.level(9.412),
        level_sigma_m=0.004,
        condition="standing",
        taken_at=f"{DAY}T09:40",
        note="two days after rain, nothing running",
    )
    site.add(
        "water_level",
        id="WL2",
        of_id="C0",
        level_m=SEWER_HIGH,
        level_sigma_m=0.050,
        condition="surcharged",
        evidence="reported",
        taken_at="2024-09-27",
        note="by the sewer's owner",
    )
    for number, minute in enumerate(("11:00", "12:00"), start=1):
        site.add(
            "meter_reading",
            id=f"MR{number}",
            service_id="SV1",
            reading_m3=1846.2175,
            resolution_l=0.5,
            all_off="yes" if number > 1 else "no",
            taken_at=f"{DAY}T{minute}",
        )
    site.add(
        "event",
        id="EV1",
        event_kind="rain",
        began_at="2026-03-15T04:00",
        ended_at="2026-03-15T13:30",
        rain_mm=11.0,
        source="rain gauge 3 km to the west",
    )
    site.add(
        "event",
        id="EV2",
        event_kind="washing_machine",
        of_id="WP2",
        began_at="2026-03-16T18:10",
        ended_at="2026-03-16T19:05",
        used_l=60.0,
        source="occupant",
    )
    for number, (ion, word) in enumerate((("chloride", "low"), ("nitrate", "none"), ("sulphate", "low")), 1):
        site.add(
            "salt",
            id=f"N{number}",
            ion=ion,
            sample_id="S1",
            salt_method="strip",
            salt_class=word,
            extract_ratio=10.0,
            material="mortar",
            height_m=0.1,
            taken_at=DAY,
            **({"side": "inside"} | hand.by_face(WALLS, 13.3, inside=True)),
        )
    site.add("stop_mark", id="SM1", stop="corner:B1:F2", state="done", marked_at=f"{DAY}T10:30")
    site.add(
        "stop_mark",
        id="SM2",
        stop="wall:B1:F1:4of6",
        state="no_access",
        marked_at=f"{DAY}T10:55",
        note="behind the stacked timber",
    )
    site.photos["PH1.png"] = wall_picture(wet_below=0.45)
    site.add(
        "photo",
        id="PH1",
        file="PH1.png",
        of_id="G2",
        taken_at=f"{DAY}T10:32",
        direction_deg=187.0,
        scale_in_frame="yes",
        note="drawn in place of a photograph: the wall behind G2",
        **hand.by_chainage(WALLS, 13.4, 1.5),
    )


def _fixtures(site: SiteFolder, hand: Hand) -> None:
    """Add wastes and a stack, and a condensate pipe that drips on the front wall between two gullies."""
    rows = (
        ("WP1", "waste_pipe", 40.0, 10.12, "G2", "sound", 13.25, "kitchen sink"),
        ("WP2", "waste_pipe", 40.0, 10.16, "G2", "sound", 13.38, "washing machine"),
        ("SS1", "stack", 110.0, None, "C2", "sound", 10.60, "bathroom"),
        ("CD1", "condensate", 22.0, 10.60, "", "drips_on_wall", 31.00, "boiler; runs down the brick"),
    )
    for name, kind, bore, level, into, state, chainage, note in rows:
        site.add(
            "fixture",
            id=name,
            fixture_kind=kind,
            bore_mm=bore,
            level_m=None if level is None else hand.level(level),
            level_sigma_m=None if level is None else 0.005,
            into_id=into,
            state=state,
            seen_on=DAY,
            note=note,
            **hand.by_chainage(WALLS, chainage, 0.05),
        )


def _trials(site: SiteFolder) -> None:
    """Add tests: two prove a run, one contradicts the map, one was too small to tell anything."""
    tap = {"trial_kind": "tracing", "volume_l": 40.0, "volume_sigma_l": 2.0, "bucket_l": 10.0}
    site.add(
        "trial",
        id="TR1",
        source_id="DP4",
        bucket_s=40.0,
        started_at=f"{DAY}T13:00",
        stopped_at=f"{DAY}T13:03",
        watched="C3 C2",
        shown="shown",
        shown_id="C3",
        shown_after_s=9.0,
        **tap,
    )
    site.add(
        "trial",
        id="TR2",
        trial_kind="dye",
        source_id="WP1",
        volume_l=20.0,
        volume_sigma_l=1.0,
        dye="green",
        started_at=f"{DAY}T13:15",
        stopped_at=f"{DAY}T13:18",
        watched="C2 C3",
        shown="shown",
        shown_id="C2",
        shown_after_s=14.0,
    )
    site.add(
        "trial",
        id="TR3",
        trial_kind="dye",
        source_id="WP2",
        volume_l=RATES[0],
        volume_sigma_l=1.0,
        dye="red",
        started_at=f"{DAY}T13:40",
        stopped_at=f"{DAY}T13:45",
        watched="C2 C3",
        shown="shown",
        shown_id="C3",
        shown_after_s=35.0,
        note="the washing machine comes out in the surface water chamber, not in C2",
    )
    site.add(
        "trial",
        id="TR4",
        trial_kind="hose",
        source_id="DP4",
        volume_l=30.0,
        volume_sigma_l=1.0,
        bucket_l=10.0,
        bucket_s=40.0,
        started_at=f"{DAY}T14:10",
        stopped_at=f"{DAY}T14:12",
        watched="G3",
        shown="not_shown",
        stopped_because="water ran short; far too little to fill what stands before G3",
    )


def _holes(site: SiteFolder, hand: Hand) -> None:
    """Add two holes, and the foundation that one of them bared."""
    site.add(
        "opening_up",
        id="OU1",
        opening_up_kind="borescope",
        consent_id="CN1",
        size_mm=12.0,
        level_m=9.930,
        cavity_mm=65.0,
        level_sigma_m=0.010,
        reach_left_m=0.6,
        reach_right_m=0.5,
        seen_left="mortar on ties, no debris",
        seen_right="mortar on ties, wet at the foot",
        made_good="yes",
        opened_at=f"{DAY}T15:00",
        **hand.by_chainage(WALLS, 14.4),
    )
    site.add(
        "opening_up",
        id="OU2",
        opening_up_kind="ground",
        consent_id="CN1",
        level_sigma_m=0.010,
        reach_left_m=0.4,
        reach_right_m=0.4,
        seen_left="concrete strip, sound",
        seen_right="concrete strip, sound",
        made_good="yes",
        opened_at=f"{DAY}T15:20",
        **hand.by_chainage(WALLS, 20.6, 0.3),
    )
    site.add(
        "foundation",
        id="FD1",
        building_id="B1",
        chainage_from_m=20.2,
        chainage_to_m=21.0,
        underside_level_m=hand.level(FOUNDATION, 0.010),
        level_sigma_m=0.010,
        material="concrete strip",
        evidence="seen",
    )
