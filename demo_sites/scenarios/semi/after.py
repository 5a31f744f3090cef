"""What was noticed, proven and decided at the house, and the works that followed."""

from __future__ import annotations

from typing import Any

from scenarios.hand import Hand
from scenarios.picture import wall_picture
from scenarios.record import SiteFolder
from scenarios.semi.ground import B1, DAY, DPC_HIGH, WALLS

SECOND = "2026-03-24"
INNER_COURSE = 9.980
DEBRIS = INNER_COURSE + 0.060


def add_after(site: SiteFolder, hand: Hand) -> None:
    """Add signs, the second visit with its test and its hole, decisions, statements and works."""
    _signs(site)
    _second_visit(site, hand)
    _decisions(site)
    _works(site, hand)


def _signs(site: SiteFolder) -> None:
    rows: tuple[tuple[str, str, float, float, str, dict[str, Any]], ...] = (
        ("SG1", "outside", 12.7, 13.9, "splash_marks", {"of_id": "G2", "height_m": 0.2}),
        ("SG2", "inside", 12.6, 14.0, "follows_use", {"evidence": "reported", "of_id": "G2"}),
        ("SG3", "outside", 18.5, 19.8, "algae", {"of_id": "DP3", "height_m": 0.3}),
        ("SG4", "outside", 18.5, 19.8, "follows_rain", {"evidence": "reported", "of_id": "DP3"}),
        ("SG5", "inside", 12.6, 14.0, "grease", {"of_id": "G2", "height_m": 0.05}),
    )
    for name, side, start, end, sign, more in rows:
        site.add(
            "sign", id=name, building_id=B1, side=side, chainage_from_m=start, chainage_to_m=end, sign=sign,
            seen_on=DAY, **more,
        )  # fmt: skip
    site.add(
        "wall_feature",
        id="WF1",
        building_id=B1,
        chainage_from_m=34.6,
        chainage_to_m=36.0,
        feature_kind="sill",
        state="sound",
        seen_on=DAY,
    )


def _second_visit(site: SiteFolder, hand: Hand) -> None:
    site.add(
        "visit",
        id="V2",
        arrived_at=f"{SECOND}T09:30",
        left_at=f"{SECOND}T12:40",
        purpose="whether downpipe DP3 wets the corner of the patio; a hole on the flank",
        present="surveyor, occupant",
        weather="dry for five days",
        rain_48h_mm=0.0,
        rain_7d_mm=2.0,
    )
    site.photos["PH2.png"] = wall_picture(wet_below=0.12)
    site.add(
        "photo",
        id="PH2",
        file="PH2.png",
        of_id="TR5",
        taken_at=f"{SECOND}T09:50",
        direction_deg=187.0,
        scale_in_frame="yes",
        note="drawn in place of a photograph: the wall beside DP3 before the test",
        **hand.by_chainage(WALLS, 19.2, 1.5),
    )
    site.add(
        "trial",
        id="TR5",
        trial_kind="dye",
        source_id="DP3",
        volume_l=60.0,
        volume_sigma_l=3.0,
        bucket_l=10.0,
        bucket_s=40.0,
        started_at=f"{SECOND}T10:00",
        stopped_at=f"{SECOND}T10:04",
        dye="yellow",
        watched="G3",
        shown="shown",
        shown_after_s=150.0,
        height_m=0.10,
        photo_ids="PH2",
        note="yellow came out of the brickwork at the foot",
        **hand.by_chainage(WALLS, 19.25),
    )
    site.add(
        "opening_up",
        id="OU3",
        opening_up_kind="borescope",
        consent_id="CN1",
        size_mm=12.0,
        level_m=10.030,
        debris_top_level_m=hand.level(DEBRIS, 0.010),
        dpc_inner_level_m=hand.level(INNER_COURSE),
        cavity_mm=65.0,
        level_sigma_m=0.015,
        reach_left_m=0.7,
        reach_right_m=0.8,
        seen_left="mortar and broken brick to above the inner course",
        seen_right="mortar and broken brick to above the inner course, wet",
        made_good="yes",
        opened_at=f"{SECOND}T11:20",
        **hand.by_chainage(WALLS, 5.5),
    )
    site.add(
        "consent",
        id="CN5",
        consent_for="opening_up",
        given_by="owner",
        state="given",
        given_on=SECOND,
        limits="one place at the edge of the kitchen floor",
    )
    site.add(
        "opening_up",
        id="OU4",
        opening_up_kind="floor_edge",
        consent_id="CN5",
        size_mm=150.0,
        slab_top_level_m=hand.level(10.050),
        soffit_level_m=hand.level(9.900, 0.005),
        dpc_inner_level_m=hand.level(INNER_COURSE),
        level_sigma_m=0.006,
        membrane="none",
        reach_left_m=0.2,
        reach_right_m=0.2,
        seen_left="concrete hard against the inner leaf over the course, dark and wet",
        seen_right="concrete hard against the inner leaf over the course, dark and wet",
        made_good="no",
        opened_at=f"{SECOND}T12:05",
        **({"side": "inside"} | hand.by_face(WALLS, 13.4, inside=True)),
    )


def _decisions(site: SiteFolder) -> None:
    rows = (
        ("HY1", 12.6, 14.1, "outside", "S01", "G2", "accepted", "lip broken, wettest beside it", "G2 ST1"),
        ("HY2", 12.6, 14.1, "outside", "S02", "DP2", "set_aside", "shoe sound over the gully", "DP2"),
        ("HY3", 18.5, 19.9, "outside", "S02", "DP3", "accepted", "yellow dye at the wall", "TR5 PH2"),
    )  # fmt: skip
    for name, start, end, side, cause, of_id, state, reason, because in rows:
        site.add(
            "hypothesis", id=name, building_id=B1, side=side, chainage_from_m=start, chainage_to_m=end,
            cause=cause, of_id=of_id, state=state, reason=reason, because_ids=because,
            decided_at=f"{SECOND}T16:00", decided_by="surveyor",
        )  # fmt: skip
    site.add(
        "statement",
        id="SM-A",
        statement_kind="opinion",
        section="causes",
        said="The soakaway should be taken out of use as soon as the run to it is known to carry foul water.",
        rests_on_ids="TR3 SA1",
        stated_on=SECOND,
        stated_by="surveyor",
    )
    site.add(
        "statement",
        id="SM-B",
        statement_kind="fact",
        section="instructions",
        said="The owner asked why the kitchen wall is wet and what has to be done about it.",
        rests_on_ids="V1",
        stated_on=DAY,
        stated_by="surveyor",
    )


def _works(site: SiteFolder, hand: Hand) -> None:
    rows: tuple[tuple[str, str, str, dict[str, Any]], ...] = (
        ("RP1", "r01", "finished", {"of_ids": "G2", "items_count": 1.0, "cause": "S01", "cause_of_id": "G2",
            "chainage_from_m": 13.0, "chainage_to_m": 13.6, "why": "lip broken on the wall side"}),
        ("RP2", "r02", "finished", {"of_ids": "DP3", "items_count": 1.0, "cause": "S02", "cause_of_id": "DP3",
            "height_m": 5.2, "to_id": "G3", "why": "joined to nothing"}),
        ("RP3", "r12", "started", {"chainage_from_m": 4.6, "chainage_to_m": 6.4, "cause": "S12",
            "why": "debris over the inner course"}),
        ("RP4", "r18", "ordered", {"chainage_from_m": 12.3, "chainage_to_m": 14.4, "side": "inside",
            "height_m": 1.05, "why": "plaster wet and salted at the foot", "after_ids": "RP1"}),
        ("RP5", "r08", "proposed", {"of_ids": "SA1", "cause": "S04", "cause_of_id": "SA1",
            "basis": "provisional", "why": "holds water two days after rain"}),
        ("RP6", "r13", "finished", {"length_m": 1.2, "of_ids": "G2", "basis": "measured",
            "variation_of_id": "RP1", "why": "open joints found behind the surround",
            "agreed_on": "2026-04-14", "agreed_by": "owner"}),
    )  # fmt: skip
    for name, kind, stage, more in rows:
        site.add("repair", id=name, building_id=B1, repair_kind=kind, stage=stage, **more)
    done = (
        ("WD1", "RP1", "gully", 1.0, "nr", "2026-04-13"),
        ("WD2", "RP2", "foot", 1.0, "nr", "2026-04-14"),
        ("WD3", "RP3", "openings", 1.0, "nr", "2026-04-20"),
    )
    for name, repair, line, quantity, unit, day in done:
        site.add("work_done", id=name, repair_id=repair, line=line, quantity=quantity, unit=unit, done_on=day)
    site.add(
        "trial",
        id="TR6",
        trial_kind="dye",
        stage="as_built",
        source_id="G2",
        volume_l=720.0,
        volume_sigma_l=30.0,
        bucket_l=10.0,
        bucket_s=40.0,
        started_at="2026-04-16T10:00",
        stopped_at="2026-04-16T10:48",
        dye="violet",
        watched="OU1",
        shown="not_shown",
        note="after the works: the foul run stopped with a bag below C1 and drawn off at the end",
    )
    site.add(
        "hold_point",
        id="HP-1",
        hold_point="hp2",
        repair_ids="RP1",
        building_id=B1,
        chainage_from_m=12.6,
        chainage_to_m=14.1,
        result="passed",
        trial_id="TR6",
        checked_at="2026-04-16T11:00",
        checked_by="surveyor",
    )
    site.add(
        "hold_point",
        id="HP-2",
        hold_point="hp3",
        repair_ids="RP3",
        building_id=B1,
        chainage_from_m=4.6,
        chainage_to_m=6.4,
        result="not_tested",
        checked_by="surveyor",
        note="one opening of three made",
    )
    site.add(
        "rate",
        id="RT1",
        repair_kind="r01",
        line="gully",
        unit="nr",
        price=185.0,
        currency="GBP",
        source="invented quotation of 2026-04-01",
        from_date="2026-04-01",
    )
    site.add(
        "level",
        id="LB1",
        role="ground",
        stage="as_built",
        level_m=hand.level(DPC_HIGH - 0.165),
        level_sigma_m=0.005,
        taken_at="2026-04-15",
        **hand.by_chainage(WALLS, 13.9, 0.05),
    )
