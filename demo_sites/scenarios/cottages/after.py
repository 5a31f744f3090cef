"""What was noticed along the backs, and what was decided of it."""

from __future__ import annotations

from scenarios.cottages.ground import DAY
from scenarios.record import SiteFolder


def add_after(site: SiteFolder) -> None:
    """Add signs, features, decisions, a statement and the works proposed."""
    for letter in "ABC":
        back = {"building_id": f"C{letter}", "chainage_from_m": 6.8, "chainage_to_m": 11.4}
        site.add("sign", id=f"SG{letter}1", side="outside", sign="algae", height_m=0.25, seen_on=DAY, **back)
        site.add(
            "sign", id=f"SG{letter}2", side="inside", sign="tide_mark", height_m=0.6, seen_on=DAY, **back
        )
        site.add(
            "sign",
            id=f"SG{letter}3",
            side="inside",
            sign="follows_rain",
            evidence="reported",
            seen_on=DAY,
            note="wet after rain, less in dry weeks, by the landlord",
            **back,
        )
        site.add(
            "repair",
            id=f"RP{letter}",
            repair_kind="r09",
            stage="proposed",
            cause="S08",
            basis="measured",
            why="yard stands at or over the damp proof course",
            **back,
        )
    site.add(
        "wall_feature",
        id="WF1",
        building_id="CB",
        chainage_from_m=0.4,
        chainage_to_m=1.9,
        feature_kind="chimney_breast",
        state="sound",
        seen_on=DAY,
    )
    site.add(
        "hypothesis",
        id="HY1",
        building_id="CB",
        side="outside",
        chainage_from_m=6.8,
        chainage_to_m=11.4,
        cause="S01",
        of_id="GB",
        state="set_aside",
        reason="rodded and flushed, sound; the wall is as wet 2 m from it",
        because_ids="ST3",
        decided_at=f"{DAY}T15:00",
        decided_by="surveyor",
    )
    site.add(
        "statement",
        id="SY1",
        statement_kind="advice",
        section="works",
        said="Lower the yard for the whole terrace at once: it drains to one low end.",
        rests_on_ids="GC",
        stated_on=DAY,
        stated_by="surveyor",
    )
