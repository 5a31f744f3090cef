"""What was done on the day besides readings and levels, with errors drawn by a hand of its own."""

from __future__ import annotations

from scenarios.hand import Hand
from scenarios.plan import Point
from scenarios.record import SiteFolder
from scenarios.school.drains import place_of
from scenarios.school.ground import BACK, BACK_TO_WALL, DAY, OUTER, YARD

SEWER_HIGH = 30.240  # how high the bolted sewer stood at M3, by its owner's gauge
KERB: tuple[Point, ...] = ((19.5, 22.5), (19.5, 20.5), (24.5, 20.5), (24.5, 22.5))  # open uphill
KERB_TOP = 30.420


def kerb_pool() -> tuple[float, float]:
    """Return the level at which water behind the kerb runs round its ends, and its depth at the kerb.

    The playground rises 4 % away from the wall and is level along it.
    """
    ends, foot = (BACK + BACK_TO_WALL * (v - 18.0) for v in (22.5, 20.5))
    if ends >= KERB_TOP:
        raise ValueError("the kerb should be higher than the ground at its ends")
    return ends, ends - foot


def add_visit(site: SiteFolder, hand: Hand) -> None:
    """Add the visit, instruments, leave, wastes, the valve, the kerb, tests and the sewer's highest."""
    site.add(
        "visit",
        id="V1",
        arrived_at=f"{DAY}T08:45",
        left_at=f"{DAY}T17:10",
        purpose="whether the courtyard gully or the tarmac wets the hall",
        present="surveyor, owner, contractor",
        weather="dry and bright",
        rain_48h_mm=0.5,
        rain_7d_mm=6.0,
        access="full",
    )
    for name, principle, scale, block in (
        ("PAD-5", "capacitance", "0 to 200", 60.0),
        ("MW-2", "microwave", "0 to 100", 25.0),
        ("PIN-6", "resistance between two pins", "6 to 30 % of dry mass", 18.2),
        ("CV-3", "carbide pressure", "0 to 20 % of wet mass", 5.0),
    ):
        site.add(
            "instrument",
            id=name,
            principle=principle,
            scale=scale,
            checked_on=DAY,
            check_expected=block,
            check_read=block,
        )
    site.add("consent", id="CN1", consent_for="opening_up", given_by="owner", state="given", given_on=DAY)
    site.add("consent", id="CN2", consent_for="water_test", given_by="owner", state="given", given_on=DAY)
    _fixtures(site, hand)
    site.add(
        "fitting",
        id="NR1",
        run_id="R2",
        fitting_kind="non_return",
        at_m=1.0,
        state="works",
        evidence="seen",
        seen_on=DAY,
        note="flap lifted and let fall: it shuts",
    )
    site.add(
        "water_level",
        id="WL1",
        of_id="M3",
        level_m=SEWER_HIGH,
        level_sigma_m=0.010,
        condition="surcharged",
        evidence="reported",
        taken_at="2025-07-19T21:15",
        note="gauge of the sewer's owner; the cover is bolted down",
    )
    site.draw(
        "kerb",
        KERB,
        id="KB1",
        kerb_kind="low_wall",
        top_level_m=hand.level(KERB_TOP),
        level_sigma_m=0.005,
        evidence="seen",
        note="old edging round chamber M4, open uphill",
    )
    _trials(site)
    site.add(
        "opening_up",
        id="OU1",
        opening_up_kind="plaster",
        consent_id="CN1",
        size_mm=300.0,
        plaster_bottom_level_m=30.452,
        level_sigma_m=0.005,
        reach_left_m=0.3,
        reach_right_m=0.3,
        seen_left="plaster to the floor",
        seen_right="plaster to the floor",
        made_good="no",
        opened_at=f"{DAY}T14:00",
        **({"side": "inside"} | hand.by_face(YARD, 18.5, inside=True)),
    )
    for number, (ion, word) in enumerate((("chloride", "medium"), ("nitrate", "high")), start=1):
        site.add(
            "salt",
            id=f"N{number}",
            ion=ion,
            salt_method="strip",
            salt_class=word,
            material="brick",
            height_m=0.9,
            taken_at=DAY,
            **hand.by_chainage(YARD, 18.0),
        )
    for number, minute in enumerate(("09:00", "10:30"), start=1):
        site.add(
            "meter_reading",
            id=f"MR{number}",
            service_id="SV1",
            reading_m3=203.4410,
            resolution_l=0.1,
            all_off="yes" if number > 1 else "no",
            taken_at=f"{DAY}T{minute}",
        )
    site.add(
        "event",
        id="EV1",
        event_kind="dishwasher",
        of_id="WP2",
        began_at="2026-05-05T19:00",
        ended_at="2026-05-05T20:10",
        used_l=100.0,
        source="owner",
    )
    site.add("stop_mark", id="SM1", stop="corner:H1:F2", state="done", marked_at=f"{DAY}T11:20")


def _fixtures(site: SiteFolder, hand: Hand) -> None:
    """Add the kitchen's wastes, a rodding eye, a channel in the courtyard, and an overflow that runs."""
    rows = (
        ("WP1", "waste_pipe", OUTER, 22.95, "GK", "sound", "sink"),
        ("WP2", "waste_pipe", OUTER, 23.05, "GK", "sound", "dishwasher"),
        ("CH1", "channel", YARD, 4.20, "GY2", "sound", "across the door"),
        ("OV1", "overflow", OUTER, 61.00, "", "running", "tank in the roof"),
    )
    for name, kind, ring, chainage, into, state, note in rows:
        site.add(
            "fixture",
            id=name,
            fixture_kind=kind,
            bore_mm=None if kind == "channel" else 40.0,
            into_id=into,
            state=state,
            seen_on=DAY,
            note=note,
            **hand.by_chainage(ring, chainage, 0.05),
        )
    u, v = place_of("M1")
    site.add(
        "fixture",
        id="RE1",
        fixture_kind="rodding_eye",
        bore_mm=100.0,
        into_id="R1",
        state="capped",
        seen_on=DAY,
        **hand.by_coordinates((u - 0.6, v), 0.05, OUTER),
    )


def _trials(site: SiteFolder) -> None:
    """Add tests: one proves the run under the hall, one found nothing, one had to stop."""
    site.add(
        "trial",
        id="TR1",
        trial_kind="dye",
        source_id="GY2",
        volume_l=60.0,
        volume_sigma_l=3.0,
        dye="green",
        started_at=f"{DAY}T12:00",
        stopped_at=f"{DAY}T12:06",
        watched="M5",
        shown="shown",
        shown_id="M5",
        shown_after_s=95.0,
    )
    site.add(
        "trial",
        id="TR2",
        trial_kind="dye",
        source_id="GW",
        volume_l=200.0,
        volume_sigma_l=10.0,
        dye="blue",
        started_at=f"{DAY}T12:30",
        stopped_at=f"{DAY}T13:00",
        watched="M3 M5",
        shown="not_shown",
    )
    site.add(
        "trial",
        id="TR3",
        trial_kind="camera",
        source_id="M1",
        shown="stopped",
        started_at=f"{DAY}T15:00",
        stopped_at=f"{DAY}T15:10",
        stopped_because="grease 3 m below GK",
    )
