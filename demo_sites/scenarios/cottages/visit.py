"""What was done on the day besides readings and levels, with errors drawn by a hand of its own."""

from __future__ import annotations

from scenarios.cottages.drains import HUMP
from scenarios.cottages.ground import DAY, A, B, C
from scenarios.hand import Hand
from scenarios.record import SiteFolder


def add_visit(site: SiteFolder, hand: Hand) -> None:
    """Add the visit, wastes, tests, the water behind the hump, a bared foundation and marks of the walk."""
    site.add(
        "visit",
        id="V1",
        arrived_at=f"{DAY}T10:00",
        left_at=f"{DAY}T15:30",
        purpose="why all three backs are wet",
        weather="overcast, damp",
        rain_48h_mm=4.0,
        access="part",
    )
    for number, (what, who, state) in enumerate(
        (
            ("covers", "landlord", "given"),
            ("water_test", "landlord", "given"),
            ("loggers", "occupant", "refused"),
        ),
        1,
    ):
        site.add(
            "consent",
            id=f"CN{number}",
            consent_for=what,
            given_by=who,
            state=state,
            given_on=DAY if state == "given" else "",
        )
    for name, ring, into, chainage in (("WA", A, "GA", 9.10), ("WB", B, "GB", 9.00), ("WC", C, "GC", 9.20)):
        site.add(
            "fixture",
            id=name,
            fixture_kind="waste_pipe",
            bore_mm=40.0,
            into_id=into,
            state="sound",
            seen_on=DAY,
            note="kitchen",
            **hand.by_chainage(ring, chainage, 0.06),
        )
    for number, (source, shown, after) in enumerate((("WA", "X1", 12.0), ("WB", "X3", 41.0)), start=1):
        site.add(
            "trial",
            id=f"TR{number}",
            trial_kind="tracing",
            source_id=source,
            volume_l=20.0,
            volume_sigma_l=1.0,
            started_at=f"{DAY}T12:{10 * number:02d}",
            stopped_at=f"{DAY}T12:{10 * number + 4:02d}",
            watched="X1 X2 X3",
            shown="shown",
            shown_id=shown,
            shown_after_s=after,
        )
    site.add(
        "trial",
        id="TR3",
        trial_kind="camera",
        source_id="X1",
        shown="shown",
        shown_id="X2",
        started_at=f"{DAY}T13:00",
        stopped_at=f"{DAY}T13:20",
        note="root through the joint at 2.4 m",
    )
    site.add(
        "water_level",
        id="WL1",
        of_id="X1",
        level_m=hand.level(HUMP, 0.004),
        level_sigma_m=0.004,
        condition="resting",
        taken_at=f"{DAY}T12:00",
    )
    site.add(
        "foundation",
        id="FD1",
        building_id="CA",
        chainage_from_m=2.6,
        chainage_to_m=3.4,
        underside_level_m=hand.level(19.480, 0.015),
        level_sigma_m=0.015,
        material="rubble on clay",
        evidence="seen",
    )
    site.add(
        "event",
        id="EV1",
        event_kind="rain",
        began_at="2026-02-22T20:00",
        ended_at="2026-02-23T02:00",
        rain_mm=4.0,
        source="rain gauge 6 km to the north",
    )
    site.add("stop_mark", id="SM1", stop="corner:CA:F2", state="done", marked_at=f"{DAY}T11:00")
