"""The drying after gully G2 was made good: fixed points, machines, air, the survey's places again."""

from __future__ import annotations

from typing import Any

from scenarios.hand import Hand
from scenarios.record import SiteFolder
from scenarios.semi.ground import B1, WALLS

DAYS = ("2026-04-16", "2026-04-23", "2026-04-30", "2026-05-07", "2026-05-14")
"""Days 0 to 28 since HP-1 found gully G2 tight."""
BRICK = {"thickness_mm": 110.0, "density_kg_m3": 1700.0}
WEIGHED = {"method": "gravimetric", "instrument": "BAL-1", "material": "brick", "depth_mm": 60.0}
PINS = {"method": "resistance_masonry", "instrument": "PIN-1", "material": "brick", "depth_mm": 15.0}
DEEP = {"method": "resistance_deep", "material": "mortar", "depth_mm": 70.0}
WOOD = {"method": "resistance_wood", "instrument": "PIN-3", "material": "softwood", "depth_mm": 10.0}
SLEEVE = {"method": "rh_hole", "instrument": "RH-4", "material": "concrete", "depth_mm": 50.0}


def add_drying(site: SiteFolder, hand: Hand) -> None:
    """Add everything of the drying."""
    _instruments(site)
    _points(site, hand)
    _readings(site)
    _machines(site)
    _air(site, hand)
    _again(site)


def truth_of_drying() -> dict[str, Any]:
    """Return what is true of the drying, in the words it should be told in."""
    about = (
        "Fixed points: what becomes of each. DR1 follows 2.4 + 7.1 exp(-t / 27) or a curve like it:"
        "\nan end above its goal of 3.4 cannot be told from one below it by day 28."
    )
    rows = [
        {"point": "DR1", "said": "not before", "day": 43, "latest": "not known", "settles_day": 70},
        {"point": "DR2", "said": "met"},
        {"point": "DR3", "said": "trend only"},
        {"point": "DR4", "said": "met"},
        {"point": "DR5", "said": "source open"},
        {"point": "DR6", "said": "wetted again", "reading": "dr-6-3"},
        {"point": "DR7", "said": "series cut", "reading": "dr-7-3"},
    ]
    return {"drying": (about, rows)}


def _instruments(site: SiteFolder) -> None:
    """Check the instruments that came later."""
    rows = (
        ("BAL-1", "weighing before and after the oven", "to 0.001 g", 20.0, 20.0),
        ("RH-4", "relative humidity in a sleeve", "0 to 97 % RH", 75.3, 74.9),
        ("PIN-5", "resistance between two pins", "0 to 100", 18.0, 19.0),
        ("PAD-7", "capacitance", "0 to 200", 60.0, 60.0),
    )
    for name, principle, scale, expected, read in rows:
        site.add(
            "instrument", id=name, principle=principle, scale=scale, checked_on=DAYS[0],
            check_expected=expected, check_read=read,
        )  # fmt: skip


def _points(site: SiteFolder, hand: Hand) -> None:
    """Mark the fixed points: seven that have to dry, two that never were wet."""

    def mark(name: str, place: dict[str, Any], how: dict[str, Any], **more: Any) -> None:
        site.add("drying_point", id=name, **(place | how | more))

    def inside(chainage: float) -> dict[str, Any]:
        return {"side": "inside"} | hand.by_face(WALLS, chainage, inside=True)

    wall = {"height_m": 0.15, "goal": "control_margin"}
    cut = "two holes plugged, ringed in pencil"
    mark("DR1", inside(13.30), WEIGHED, **wall, **BRICK, goal_value=1.0, area_m2=2.6, control_point_id="DR9",
         marked=cut)  # fmt: skip
    mark("DR2", inside(13.34), PINS, **wall, control_point_id="DR8", marked="two brass pins")
    floor = hand.by_coordinates((1.65, 10.55), 0.03, WALLS)
    mark("DR3", {"side": "inside"} | floor, SLEEVE, goal="floor_humidity", marked="sleeve with a cap",
         area_m2=9.6, thickness_mm=100.0, density_kg_m3=2300.0)  # fmt: skip
    mark("DR4", inside(13.75), WOOD, height_m=0.05, goal="timber", marked="sole plate, two insulated pins")
    outer = {"side": "outside"} | hand.by_chainage(WALLS, 19.25)
    mark("DR5", outer, WEIGHED, height_m=0.3, goal="content", goal_value=4.0, marked=cut)
    mark("DR6", inside(12.90), WEIGHED, **wall, **BRICK, goal_value=1.0, area_m2=1.2, control_point_id="DR9",
         marked=cut)  # fmt: skip
    mark("DR7", inside(13.90), DEEP, **wall, goal_value=12.0, marked="two brass pins")
    mark("DR8", inside(33.80), PINS, height_m=0.15, control="yes", marked="two brass pins")
    mark("DR9", inside(33.85), WEIGHED, height_m=0.15, control="yes", marked=cut)


def _readings(site: SiteFolder) -> None:
    """Read every point, each in its own way."""
    for name, how, values in (
        ("DR1", WEIGHED, "9.6 7.9 6.6 5.7 5.0"),
        ("DR2", PINS, "88 61 44 22 21"),
        ("DR4", WOOD, ">30 24.1 19.2 15.8 15.2"),
        ("DR5", WEIGHED, "8.0 7.2 6.7 6.1 5.8"),
        ("DR6", WEIGHED, "8.8 7.4 9.3 8.0 6.9"),
        ("DR8", PINS, "20 19 21 20 20"),
        ("DR9", WEIGHED, "2.4 2.3 2.5 2.4 2.4"),
    ):
        for number, (day, value) in enumerate(zip(DAYS, values.split(), strict=True), start=1):
            _read(site, name, number, day, value, how)
    for number, (day, value) in enumerate(zip(DAYS[2:], ("93.5", "90.5", "87.5"), strict=True), start=1):
        _read(site, "DR3", number, day, value, SLEEVE | {"sealed_h": 72.0})
    for number, (day, value) in enumerate(zip(DAYS, ("78", "66", "51", "47", "41"), strict=True), start=1):
        _read(site, "DR7", number, day, value, DEEP | {"instrument": "PIN-1" if number < 3 else "PIN-5"})


def _read(site: SiteFolder, point: str, number: int, day: str, value: str, how: dict[str, Any]) -> None:
    site.add(
        "reading",
        id=f"dr-{point.removeprefix('DR')}-{number}",
        building_id=B1,
        side="outside" if point == "DR5" else "inside",
        position_by="",
        point_id=point,
        value=value,
        control="yes" if point in ("DR8", "DR9") else "no",
        taken_at=f"{day}T11:30",
        **how,
    )


def _machines(site: SiteFolder) -> None:
    """Run two dryers, with two days off before the last two visits."""
    rows = (
        ("DL1", "2026-04-16T12:00", "2026-05-05T08:00", "refrigerant", 2.0, 904.0, 29.5, 312.0),
        ("DL2", "2026-05-05T08:00", "2026-05-07T12:00", "none", None, None, None, None),
        ("DL3", "2026-05-07T12:00", "2026-05-12T08:00", "refrigerant", 2.0, 232.0, 6.5, 80.0),
        ("DL4", "2026-05-12T08:00", "2026-05-14T12:00", "none", None, None, None, None),
    )
    for name, began, ended, kind, count, hours, litres, energy in rows:
        site.add(
            "drying_log",
            id=name,
            began_at=began,
            ended_at=ended,
            machine_kind=kind,
            machine_count=count,
            machine_h=hours,
            tent_m2=6.0 if count else None,
            collected_l=litres,
            energy_kwh=energy,
            openings_state="doors and windows shut" if count else "kitchen window ajar",
        )
    site.add(
        "event",
        id="EV3",
        event_kind="rain",
        began_at="2026-04-27T02:00",
        ended_at="2026-04-27T15:00",
        rain_mm=21.0,
        source="rain gauge 3 km to the west; the gutter over the kitchen spilled",
    )


def _air(site: SiteFolder, hand: Hand) -> None:
    """Log the air in the tent, in the room and outdoors."""
    rows = (
        ("2026-04-20", (22.0, 52.0), (20.0, 60.0), (10.0, 85.0)),
        ("2026-05-01", (22.0, 45.0), (20.0, 60.0), (10.0, 85.0)),
    )
    for number, (day, *airs) in enumerate(rows, start=1):
        for (place, letter), (air, humidity) in zip(
            (("tent", "T"), ("room", "R"), ("outdoors", "O")), airs, strict=True
        ):
            where = {} if place == "outdoors" else {"side": "inside"} | hand.by_face(WALLS, 13.3, inside=True)
            site.add(
                "environment",
                id=f"EL{letter}{number}",
                place=place,
                taken_at=f"{day}T12:00",
                air_c=air,
                humidity_percent=humidity,
                surface_c=15.0 if place == "tent" else None,
                instrument=f"LOG-{letter}",
                **where,
            )


def _again(site: SiteFolder) -> None:
    """Read the survey's own places again: two by the same pad, one by another, one off the scale then."""
    pad = {"method": "capacitance", "material": "brick", "side": "outside", "height_m": 0.3}
    pins = {"method": "resistance_masonry", "material": "gypsum_plaster", "side": "inside"}
    rows: tuple[tuple[str, str, str, dict[str, Any]], ...] = (
        ("ra-1", "r041", "96", pad | {"instrument": "PAD-2"}),
        ("ra-2", "r042", "91", pad | {"instrument": "PAD-2"}),
        ("ra-3", "r040", "58", pad | {"instrument": "PAD-7"}),
        ("ra-4", "r086", "52", pins | {"instrument": "PIN-1", "height_m": 0.1}),
        ("ra-5", "r084", "14", pins | {"instrument": "PIN-1", "height_m": 0.3}),
    )
    for name, before, value, how in rows:
        site.add(
            "reading", id=name, building_id=B1, position_by="", repeats_id=before, value=value,
            taken_at=f"{DAYS[-1]}T11:45", **how,
        )  # fmt: skip
