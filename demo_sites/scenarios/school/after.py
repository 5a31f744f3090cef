"""What was noticed round the school, and what was decided of it."""

from __future__ import annotations

from typing import Any

from scenarios.record import SiteFolder
from scenarios.school.ground import DAY

HALL = "H1"
PLINTH = (44.3, 48.3)
"""Render carried down over the damp proof course to the tarmac, where the right side is wet."""


def add_after(site: SiteFolder) -> None:
    """Add the plinth, signs, features, decisions and the works proposed."""
    site.add(
        "finish_zone",
        id="FN2",
        building_id=HALL,
        side="outside",
        chainage_from_m=PLINTH[0],
        chainage_to_m=PLINTH[1],
        finish="cement_render",
        height_from_m=0.0,
        height_to_m=0.45,
        state="hollow, carried down to the tarmac",
    )
    rows: tuple[tuple[str, str, str, float, float, str, dict[str, Any]], ...] = (
        ("SG1", "Y1", "outside", 16.6, 20.6, "algae", {"height_m": 0.3}),
        ("SG2", "Y1", "outside", 16.6, 20.6, "follows_rain", {"evidence": "reported"}),
        ("SG3", "Y1", "inside", 16.8, 20.4, "salt_bloom", {"height_m": 0.9}),
        ("SG4", "", "outside", 22.3, 23.8, "grease", {"of_id": "GK", "height_m": 0.2}),
        ("SG5", "", "inside", 22.2, 23.9, "follows_use", {"of_id": "GK", "evidence": "reported"}),
        ("SG6", "", "outside", 44.3, 48.3, "splash_marks", {"height_m": 0.3}),
        ("SG7", "", "inside", 44.5, 48.0, "follows_rain", {"evidence": "reported"}),
    )
    for name, ring, side, start, end, sign, more in rows:
        site.add(
            "sign",
            id=name,
            building_id=HALL,
            ring=ring,
            side=side,
            chainage_from_m=start,
            chainage_to_m=end,
            sign=sign,
            seen_on=DAY,
            **more,
        )
    site.add(
        "wall_feature",
        id="WF1",
        building_id=HALL,
        chainage_from_m=66.0,
        chainage_to_m=68.0,
        feature_kind="parapet",
        state="sound",
        seen_on=DAY,
    )
    site.add(
        "hypothesis",
        id="HY1",
        building_id=HALL,
        ring="Y1",
        side="outside",
        chainage_from_m=16.6,
        chainage_to_m=20.6,
        cause="S09",
        state="put_forward",
        reason="the owner saw water stand to the step; the gully there is full of silt",
        because_ids="A1 ST1",
        decided_at=f"{DAY}T15:30",
        decided_by="surveyor",
    )
    repairs: tuple[tuple[str, str, dict[str, Any]], ...] = (
        ("RP1", "r04", {"of_ids": "GY1", "items_count": 1.0, "cause": "S09", "why": "pot full of silt"}),
        ("RP2", "r04", {"of_ids": "RK", "cause": "S06", "cause_of_id": "RK", "why": "grease 3.0 m along"}),
        ("RP3", "r01", {"of_ids": "GK", "items_count": 1.0, "cause": "S01", "cause_of_id": "GK"}),
        (
            "RP4",
            "r11",
            {"chainage_from_m": PLINTH[0], "chainage_to_m": PLINTH[1], "height_m": 0.45, "cause": "S08"},
        ),
    )
    for name, kind, more in repairs:
        site.add("repair", id=name, building_id=HALL, repair_kind=kind, stage="proposed", **more)
    site.add(
        "statement",
        id="SY1",
        statement_kind="advice",
        section="urgent",
        said="Clear the courtyard gully before the next storm: the boiler room's step goes under next.",
        rests_on_ids="GY1 ST1",
        stated_on=DAY,
        stated_by="surveyor",
    )
