"""What happened: planted cases whose outcome is stated, each a short list of events."""

from __future__ import annotations

from typing import Any

Told = tuple[str, str, dict[str, Any]]
"""Kind of event, when, and its other fields."""

AS_OF = "2026-12-10T12:00"
"""The moment the truths are stated for."""

SIGNIFICANT = {"hazard": "significant", "reason": "wet wall in a room that is slept in"}
WALL = {"side": "inside", "chainage_from_m": 2.0, "chainage_to_m": 6.4}
REPAIR = {"repair_id": "RP1", "cause": "S04", "repair_kind": "r02"} | WALL


def report(at: str, **fields: Any) -> Told:
    """Return a telephone call, unless said otherwise."""
    return "report", at, {"channel": "phone", "said": "the wall behind the bed is wet again", **fields}


def triage(at: str, **fields: Any) -> Told:
    """Return the first decision, significant unless said otherwise."""
    return "triage", at, {**SIGNIFICANT, **fields}


def wall(at: str, wetness: str, **fields: Any) -> Told:
    """Return the usual wet length read."""
    return "stretch", at, {**WALL, "wetness": wetness, **fields}


def works(at: str, stage: str, soakaway: str, **fields: Any) -> Told:
    """Return a stage of renewing the soakaway."""
    return "works", at, {**REPAIR, "stage": stage, "asset_id": soakaway, **fields}


OPEN: dict[str, list[Told]] = {
    # 24 hours from Wed 9 Dec 2026 20:15
    "A03": [
        report("2026-12-09T20:15"),
        triage(
            "2026-12-09T20:30",
            hazard="emergency",
            reason="sewage in the kitchen",
            sewage="yes",
            electrics="yes",
            vulnerable="yes",
        ),
    ],
    # 10 working days from Tue 1 Dec: Tue 15 Dec
    "B07": [report("2026-12-01T09:10"), triage("2026-12-01T11:00", bedrooms_count=2, vulnerable="yes")],
    # concluded Mon 7 Dec: summary 3 working days Thu 10, safety work 5 Mon 14, start 12 weeks Mon 1 Mar
    "C11": [
        report("2026-11-24T10:00"),
        triage("2026-11-24T10:20"),
        ("visit", "2026-12-04T09:00", {"purpose": "investigate"}),
        wall("2026-12-04", "wet", free_water="yes", unexplained_m=1.2),
        (
            "investigated",
            "2026-12-07T16:00",
            {"hazard": "significant", "found": "soakaway of the rear downpipe stands full"},
        ),
    ],
    # concluded Tue 1 Dec, summary Wed 2, made safe Thu 3, ordered Fri 4: only the start, 12 weeks: Tue 23 Feb
    "D05": [
        report("2026-11-20T08:40"),
        triage("2026-11-20T09:00"),
        ("investigated", "2026-12-01T12:00", {"hazard": "significant"}),
        ("summary_sent", "2026-12-02T10:00", {"channel": "letter"}),
        ("made_safe", "2026-12-03T15:00", {"done": "sockets of the wet wall isolated, dryer left"}),
        (
            "works",
            "2026-12-04",
            {"repair_id": "RP2", "stage": "ordered", "cause": "S04", "asset_id": "SK-D05"},
        ),
    ],
    # reported on a Saturday, 5 Dec, nobody has looked: 10 working days counted from it: Fri 18 Dec
    "E19": [report("2026-12-05T13:00", channel="online")],
    # 10 working days from Wed 18 Nov 2026: Wed 2 Dec, which has passed
    "F02": [report("2026-11-18T15:00"), triage("2026-11-18T16:00")],
    # promised a visit by Fri 11 Dec; the report is of no hazard
    "F30": [
        report("2026-12-01T12:00"),
        triage("2026-12-01T12:30", hazard="none", reason="a stain, dry to the meter"),
        ("promise", "2026-12-01T12:40", {"promised": "a visit", "due_on": "2026-12-11"}),
    ],
}
LAW = {
    "A03": "2026-12-10",
    "B07": "2026-12-15",
    "C11": "2026-12-10",
    "D05": "2027-02-23",
    "E19": "2026-12-18",
    "F02": "2026-12-02",
}
"""Earliest date by law that runs, worked by hand in the remarks above."""

AGAIN: dict[str, tuple[str, list[Told]]] = {
    "D08": (
        "repair_failed",
        [
            report("2025-03-03"),
            works("2025-05-12", "finished", "SK-D08", unexplained_m=0.0),
            wall("2025-09-01", "dry"),
            wall("2026-06-15", "wet"),
            (
                "retest",
                "2026-06-20",
                {"asset_id": "SK-D08", "trial_kind": "soakaway_fill", "result": "positive"},
            ),
        ],
    ),
    "D09": (
        "second_source_missed",
        [
            report("2025-03-04"),
            works("2025-05-13", "finished", "SK-D09", unexplained_m=1.4),
            wall("2025-09-02", "dry"),
            wall("2026-07-01", "wet", chainage_from_m=6.9, chainage_to_m=8.0),
        ],
    ),
    "E04": (
        "still_drying",
        [
            report("2026-07-01"),
            works("2026-09-15", "finished", "SK-E04", unexplained_m=0.0),
            wall("2026-12-01", "drying"),
        ],
    ),
    "A21": (
        "new",
        [
            report("2025-02-01"),
            works("2025-04-01", "finished", "SK-A21", unexplained_m=0.0),
            wall("2025-08-01", "dry"),
            wall("2026-10-01", "wet"),
            (
                "diagnosis",
                "2026-10-08",
                {"cause": "S14", "asset_id": "heating pipe", "state": "proven", **WALL},
            ),
        ],
    ),
    "B31": (
        "not_known",
        [
            report("2025-06-01"),
            works("2025-08-01", "finished", "SK-B31", unexplained_m=0.0),
            wall("2025-12-01", "dry"),
            wall("2026-11-20", "wet"),
        ],
    ),
    "C02": (
        "",
        [
            report("2025-06-01"),
            works("2025-08-01", "finished", "SK-C02", unexplained_m=0.0),
            wall("2025-12-01", "dry"),
            wall("2026-11-20", "wet", chainage_from_m=7.6, chainage_to_m=9.0),
        ],
    ),
}
"""Wet again after a repair, with what is true of it; the last is 1.2 m beside the place: nothing is said."""

NO_ACCESS: dict[str, list[Told]] = {
    "B02": [
        report("2026-09-20"),
        triage("2026-09-20"),
        ("access_attempt", "2026-10-02T10:00", {"method": "visit", "result": "no_answer"}),
        ("access_attempt", "2026-10-19T17:30", {"method": "phone", "result": "no_answer"}),
    ],
    "F17": [
        report("2026-10-01"),
        triage("2026-10-01", vulnerable="yes"),
        ("access_attempt", "2026-10-12T10:00", {"method": "visit", "result": "refused"}),
    ],
}
"""Going stale on the day: two tries and 51 days, one try and 59 days, counted to the last event."""
STALE = {"B02": (2, 51), "F17": (1, 59)}

UNPROVEN: dict[str, tuple[str, list[Told]]] = {
    "E33": (
        "unproven",
        [
            report("2026-05-02"),
            ("diagnosis", "2026-05-20", {"cause": "S05", "asset_id": "RUN-E33", "state": "supported"}),
        ],
    ),
    "C25": (
        "no_air_log",
        [
            report("2026-11-02"),
            ("diagnosis", "2026-11-10", {"cause": "S15", "state": "supported", "air_log_days": 0}),
        ],
    ),
    "A12": (
        "",
        [
            report("2026-05-02"),
            ("diagnosis", "2026-05-20", {"cause": "S01", "asset_id": "GU-A12", "state": "supported"}),
            ("retest", "2026-05-22", {"asset_id": "GU-A12", "trial_kind": "dye", "result": "positive"}),
        ],
    ),
}
"""Diagnoses, and whether they are told as borne out by nothing."""

COSTS: dict[str, list[tuple[float, str]]] = {
    "D08": [(2450.00, "RP1"), (180.50, "")],
    "D09": [(1980.25, "RP1")],
    "D05": [(95.40, "")],
}
"""Pounds, each for a repair or for the survey: 4,706.15 in all, 2,450.00 of it on the repair that failed."""
