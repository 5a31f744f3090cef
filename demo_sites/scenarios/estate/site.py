"""Write the demo estate: events in files to import, truths beside them."""

from __future__ import annotations

import random
from collections import defaultdict
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from scenarios.estate.cases import (
    AGAIN,
    AS_OF,
    COSTS,
    LAW,
    NO_ACCESS,
    OPEN,
    STALE,
    UNPROVEN,
    Told,
)
from scenarios.estate.homes import BUILT, ESTATES, INSPECTED, SHARED, Home, homes, soakaway_of

from geo.portfolio.events import EVENTS, Happened
from geo.site.tables import write_csv

SEED = 240
PLANTED = {*OPEN, *AGAIN, *NO_ACCESS, *UNPROVEN}
READ_ME = """# Estate of 240 homes (invented)

Six invented estates of forty homes each, with what happened in them over three years: reports, tries to get
in, readings, repairs, costs. No home, person or firm in it exists.

    wallfoot register import demo_sites/estate --landlord demo --workspace estate.sqlite
    wallfoot register next --landlord demo --workspace estate.sqlite --at 2026-12-10T12:00
    wallfoot register patterns --landlord demo --workspace estate.sqlite --by estate
    wallfoot register again --landlord demo --workspace estate.sqlite --at 2026-12-10T12:00

What is true of it stands in `truth.toml`, which the tool never reads.
"""


class Estate:
    """Events being gathered, numbered home by home in the order they are added."""

    def __init__(self) -> None:
        self.events: dict[str, list[Happened]] = defaultdict(list)
        self._numbers: dict[str, int] = defaultdict(int)

    def add(self, home_id: str, kind: str, at: str, **fields: Any) -> str:
        """Add one event and return its number."""
        self._numbers[home_id] += 1
        number = f"{home_id}-{self._numbers[home_id]:02d}"
        role = {"report": "call_handler", "stretch": "surveyor", "asset_look": "surveyor"}.get(
            kind, "manager"
        )
        given = {"by_role": role, **fields}
        self.events[kind].append(EVENTS[kind](id=number, home_id=home_id, at=at, **given))
        return number

    def tell(self, home_id: str, events: list[Told]) -> None:
        """Add a list of events."""
        for kind, at, fields in events:
            self.add(home_id, kind, at, **fields)


def build(out: Path) -> Path:
    """Write the estate into a folder of its own and return it."""
    estate, made = Estate(), homes()
    for home in made:
        _facts(estate, home)
    _soakaways(estate, made)
    for home_id, events in sorted({**OPEN, **NO_ACCESS}.items()):
        estate.tell(home_id, events)
    for home_id, (_, events) in sorted({**AGAIN, **UNPROVEN}.items()):
        estate.tell(home_id, events)
    for home_id, costs in sorted(COSTS.items()):
        for amount, repair in costs:
            what = {"repair_id": repair, "cost_for": "repair"} if repair else {"cost_for": "survey"}
            estate.add(home_id, "cost", "2026-08-01", amount=amount, currency="GBP", **what)
    _corrected(estate)
    _past(estate, made)
    folder = out / "estate"
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.csv"):
        old.unlink()
    for kind, events in estate.events.items():
        (folder / f"{EVENTS[kind].stem}.csv").write_bytes(write_csv(events, EVENTS[kind]))
    (folder / "truth.toml").write_text(_truth(), encoding="utf-8")
    (folder / "README.md").write_text(READ_ME, encoding="utf-8")
    return folder


def _facts(estate: Estate, home: Home) -> None:
    year, drawing, firm, soil = BUILT[home.estate]
    estate.add(
        home.home_id,
        "home",
        "2024-01-08",
        estate=home.estate,
        nation="england",
        tenure="social_rent",
        easting_m=home.easting_m,
        northing_m=home.northing_m,
        built_year=year,
        drawing_type=drawing,
        installer=firm,
        soil=soil,
        bedrooms_count=2 + home.number % 2,
    )


def _soakaways(estate: Estate, made: list[Home]) -> None:
    """Look at the stated number of soakaways of each estate; the shared one from two of its homes."""
    shared_estate, shared = SHARED
    for name in ESTATES:
        failed, inspected = INSPECTED[name]
        own = [home for home in made if home.estate == name]
        served = [home for home in own if name == shared_estate and home.number in shared]
        alone = [home for home in own if home not in served]
        states = ["failed"] * (failed - bool(served)) + ["sound"] * (inspected - failed)
        order = random.Random(f"{SEED} {name}").sample(alone, len(states))
        for home, state in zip(order, states, strict=True):
            estate.add(
                home.home_id,
                "asset_look",
                "2026-04-14",
                asset_id=soakaway_of(home),
                asset_kind="soakaway",
                state=state,
                chosen_by="complaint",
            )
        for at, home in enumerate(served):
            state = "failed" if at < 2 else "not_looked"
            estate.add(
                home.home_id,
                "asset_look",
                "2026-04-15",
                asset_id=soakaway_of(home),
                asset_kind="soakaway",
                state=state,
                chosen_by="complaint",
                pays="landlord, four homes",
            )
        for home in [one for one in alone if one not in order][:6]:
            estate.add(
                home.home_id,
                "asset_look",
                "2026-04-16",
                asset_id=soakaway_of(home),
                asset_kind="soakaway",
                state="not_looked",
            )


def _corrected(estate: Estate) -> None:
    """Add a reading with the wrong side and the one in its place; and a report of another home, withdrawn."""
    given = {"chainage_from_m": 0.5, "chainage_to_m": 2.0, "wetness": "wet"}
    first = estate.add("B07", "stretch", "2026-12-03", side="outside", **given)
    estate.add("B07", "stretch", "2026-12-03", side="inside", free_water="yes", corrects=first, **given)
    wrong = estate.add("E40", "report", "2026-12-08T09:00", channel="phone", said="meant for another home")
    estate.add("E40", "withdrawn", "2026-12-08T09:30", corrects=wrong, reason="the caller lives elsewhere")


def _past(estate: Estate, made: list[Home]) -> None:
    """Give sixty other homes a case that is over, and dry."""
    draw = random.Random(SEED)
    others = [home for home in made if home.home_id not in PLANTED and home.home_id != "E40"]
    for home in sorted(draw.sample(others, 60), key=lambda one: one.home_id):
        day = date(2024, 2, 1) + timedelta(days=draw.randrange(700))
        begin, length = round(draw.uniform(0.0, 14.0), 1), round(draw.uniform(0.8, 4.0), 1)
        where = {"chainage_from_m": begin, "chainage_to_m": round(begin + length, 1)}

        def on(days: int, start: date = day) -> str:
            return (start + timedelta(days=days)).isoformat()

        estate.tell(
            home.home_id,
            [
                (
                    "report",
                    f"{on(0)}T09:{draw.randrange(60):02d}",
                    {"channel": "phone", "said": "damp by the window"},
                ),
                ("triage", on(0), {"hazard": "significant", "reason": "a bedroom wall", "bedrooms_count": 1}),
                ("visit", on(6), {"purpose": "investigate"}),
                ("stretch", on(6), {**where, "wetness": "wet"}),
                ("investigated", on(7), {"hazard": "significant"}),
                ("summary_sent", on(9), {"channel": "letter"}),
                ("made_safe", on(10), {"done": "bed moved, wall ventilated"}),
                ("diagnosis", on(12), {"cause": "S02", "asset_id": f"DP-{home.home_id}", "state": "proven"}),
                ("works", on(20), {"repair_id": f"RP-{home.home_id}", "stage": "started", "cause": "S02"}),
                (
                    "works",
                    on(22),
                    {
                        "repair_id": f"RP-{home.home_id}",
                        "stage": "finished",
                        "cause": "S02",
                        "asset_id": f"DP-{home.home_id}",
                        "unexplained_m": 0.0,
                        **where,
                    },
                ),
                ("stretch", on(120), {**where, "wetness": "dry"}),
                ("closed", on(121), {"reason": "dry"}),
            ],
        )


def _truth() -> str:
    """Return the truths as TOML, each worked out by hand where it is stated."""
    failed, inspected = (sum(one[at] for one in INSPECTED.values()) for at in (0, 1))
    lines = [
        "# What is true of this invented estate. Tests read this file; the tool never does.",
        "",
        f'as_of = "{AS_OF}"',
        "homes = 240",
        "",
        "[soakaways]",
        f"failed = {failed}",
        f"inspected = {inspected}",
        f'shared = "SK-{SHARED[0][0]}-shared"',
        f"shared_homes = {len(SHARED[1])}",
        "",
    ]
    for name in ESTATES:
        own_failed, own = INSPECTED[name]
        lines += [f'[soakaways.estate."{name}"]', f"failed = {own_failed}", f"inspected = {own}", ""]
    lines += ["[law]", *(f'{home} = "{day}"' for home, day in LAW.items()), ""]
    lines += ["[again]", *(f'{home} = "{said}"' for home, (said, _) in AGAIN.items()), ""]
    lines += ["[stale]", *(f"{home} = {list(given)}" for home, given in STALE.items()), ""]
    lines += ["[unproven]", *(f'{home} = "{said}"' for home, (said, _) in UNPROVEN.items()), ""]
    lines += ["[money]", 'currency = "GBP"', "spent = 4706.15", "on_repairs_that_failed = 2450.00", ""]
    return "\n".join(lines)
