"""Time the register with 50,000 homes and 5,000,000 events, in a file and on a server.

Run: ``python tests/benchmarks/bench_register.py [HOMES] [EVENTS_A_HOME] [TIMES] [file|server|both]``. HOMES go
in by the same door as anybody's (checked, chained, worked out), are timed and verified; then the database
itself copies all their rows under other numbers until there are TIMES as many. The copies' chains of hashes
are not their own, so they are asked for, not verified. Beside each page of homes stands the time of the
plain work on the same machine: counting the rows of the table it reads.
"""

from __future__ import annotations

import datetime as dt
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "faults"))
from cluster import Cluster

from geo.portfolio.events import EVENTS, Happened
from geo.portfolio.keys import KEYS, USUAL
from geo.portfolio.register import Register, open_register
from geo.portfolio.viewer import Viewer
from geo.store.register_tables import DERIVED, REGISTER_EVENT

VIEWER = Viewer(role="manager", landlord_id="L1")
LOT = 500
REPEATS = 7
NOW = dt.datetime(2026, 12, 1, 9, 0, tzinfo=dt.UTC)
ORDERS = (
    USUAL,
    ("wet", "law"),
    ("-wet", "-law"),
    ("repeats", "unexplained", "no_access", "spread"),
    ("cost", "reports", "age"),
    ("vulnerable", "bedrooms", "sewage", "electrics", "emergency", "wet"),
    tuple(KEYS),
    tuple(f"-{name}" for name in KEYS),
)


def made(homes: int, each: int) -> Iterator[list[Happened]]:
    """Give invented homes with their events, some hundreds of homes at a time."""
    for start in range(0, homes, LOT):
        yield [one for number in range(start, min(homes, start + LOT)) for one in home(number, each)]


def home(number: int, each: int) -> Iterator[Happened]:
    """Give one home's events over three years; the last case of three homes in five is still open."""
    draw = random.Random(number)
    name = f"H{number:06d}"
    count = 0

    def event(kind: str, day: int, **fields: object) -> Happened:
        nonlocal count
        count += 1
        at = f"{dt.date(2023, 11, 1) + dt.timedelta(days=day)}T{draw.randrange(8, 18):02d}:{draw.randrange(60):02d}"
        return EVENTS[kind](id=f"{name}-{count}", home_id=name, at=at, by_role="manager", **fields)

    yield event(
        "home", 0, estate=f"Estate {number % 400}", nation="england", tenure="social_rent",
        built_year=1930 + number % 80, soil=draw.choice(["clay", "sand", "chalk"]), installer=f"firm {number % 7}",
    )  # fmt: skip
    cases = draw.randrange(1, 4)
    still_open = number % 5 < 3
    days = sorted(draw.sample(range(10, 1120), each - 1))
    for n, day in enumerate(days):
        part, last = n * cases * 8 // (each - 1) % 8, n * cases // (each - 1) == cases - 1
        if n * cases % (each - 1) < cases:
            yield event("report", day, channel="phone", said="the wall behind the bed is wet again")
        elif part == 0:
            yield event("triage", day, hazard=draw.choice(["significant", "none", "emergency"]), reason="as told",
                        electrics=draw.choice(["yes", "no"]), bedrooms_count=draw.randrange(3))  # fmt: skip
        elif part == 1:
            yield event("access_attempt", day, method="visit", result=draw.choice(["no_answer", "given"]))
        elif part == 2:
            begin = draw.randrange(20)
            yield event("stretch", day, chainage_from_m=begin, chainage_to_m=begin + draw.randrange(1, 5),
                        wetness=draw.choice(["wet", "drying", "dry"]), free_water=draw.choice(["yes", "no"]),
                        unexplained_m=draw.randrange(2))  # fmt: skip
        elif part == 3:
            yield event("asset_look", day, asset_id=f"A{number // 3}", asset_kind="soakaway",
                        state=draw.choice(["failed", "sound", "sound", "not_looked"]))  # fmt: skip
        elif part == 4:
            yield event("diagnosis", day, cause="S04", asset_id=f"A{number // 3}",
                        state=draw.choice(["suspected", "supported", "proven"]))  # fmt: skip
        elif part == 5:
            yield event("works", day, repair_id=f"{name}-R{day // 400}", stage=draw.choice(["ordered", "started", "finished"]),
                        cause="S04", chainage_from_m=2, chainage_to_m=6, unexplained_m=draw.randrange(2))  # fmt: skip
        elif part == 6:
            yield event("cost", day, amount=draw.randrange(20, 4000), currency="GBP", cost_for="repair")
        else:
            yield (
                event("told", day, channel="letter", said="what happens next")
                if n % 3 or (last and still_open)
                else event("closed", day, reason=draw.choice(["repaired", "dry"]))
            )


def ms(work: Callable[[], object], repeats: int = REPEATS) -> tuple[float, float]:
    """Return the median and the longest time of a piece of work, in milliseconds."""
    took = []
    for _ in range(repeats):
        began = time.perf_counter()
        work()
        took.append(1000 * (time.perf_counter() - began))
    return statistics.median(took), max(took)


def measure(where: str, register: Register, homes: int, each: int, times: int) -> None:
    """Fill a register and print its times."""
    register.begin("L1")
    began = time.perf_counter()
    for lot in made(homes, each):
        register.append(VIEWER, lot, by="manager")
    took = time.perf_counter() - began
    count = homes * each
    say(where, f"{homes:,} homes, {count:,} events added: {took:.0f} s, {1e6 * took / count:.0f} µs an event")
    began = time.perf_counter()
    problems = register.verify(VIEWER)
    say(where, f"verified in {time.perf_counter() - began:.0f} s, {len(problems)} problems")
    multiply(register, times)
    say(where, f"now {homes * times:,} homes, {homes * times * each:,} events")
    open_count = register.next_homes(VIEWER, now=NOW).homes
    say(where, f"{open_count:,} of them with an open case")
    with register._engine.connect() as connection:
        plain, _ = ms(lambda: connection.exec_driver_sql("select count(*), max(wet_m) from home_state").all())
    say(where, f"rows of homes counted: {plain:.0f} ms")
    for order, only in ((order, only) for order in ORDERS for only in ("open", "all")):
        for offset in (0, open_count // 2):
            took, longest = ms(
                lambda o=order, at=offset, only=only: register.next_homes(
                    VIEWER, o, now=NOW, offset=at, only=only
                )
            )
            told = f"{only:>4}, 50 from {offset + 1:>6} by {len(order):>2} keys ({', '.join(order[:3])} …)"
            say(where, f"{told}: {took:.0f} ms, longest {longest:.0f}, {took / plain:.1f} times the counting")
    some = frozenset(f"H{n:06d}" for n in range(0, homes, max(1, homes // 300)))
    surveyor = Viewer(role="surveyor", landlord_id="L1", home_ids=some)
    one = f"H{homes // 2:06d}"
    work: dict[str, Callable[[], object]] = {
        "next homes of a surveyor with 300": lambda: register.next_homes(surveyor, ["wet"], now=NOW),
        "homes wet again after a repair": lambda: register.next_homes(VIEWER, only="again", now=NOW),
        "homes with a diagnosis not borne out": lambda: register.next_homes(VIEWER, only="unproven", now=NOW),
        "one home's events": lambda: register.events(VIEWER, one),
        "one home's cases with all dates": lambda: register.cases(VIEWER, one),
        "dates of two weeks": lambda: register.due(VIEWER, before=NOW + dt.timedelta(days=14), now=NOW),
        "every place wet again": lambda: register.repeats(VIEWER),
        "patterns by estate": lambda: register.patterns(VIEWER, "soakaway", ["estate"]),
        "money by cause": lambda: register.costs(VIEWER, ["cause"]),
    }
    for name, asked in work.items():
        took, longest = ms(asked, 3)
        say(where, f"{name}: {took:.0f} ms, longest {longest:.0f}")
    number = iter(range(10**6))

    def add() -> None:
        n = next(number)
        given = {"id": f"new{n}", "home_id": f"H{n:06d}", "at": "2026-12-01", "by_role": "manager"}
        register.append(VIEWER, [EVENTS["told"](channel="phone", said="x", **given)], by="manager")

    took, longest = ms(add)
    say(where, f"one event added: {took:.0f} ms, longest {longest:.0f}")


def multiply(register: Register, times: int) -> None:
    """Copy every row of the homes there are under other numbers."""
    for table in (REGISTER_EVENT, *DERIVED):
        names = [column.name for column in table.columns]
        listed = ", ".join(f'"{name}"' for name in names)
        with register._engine.begin() as connection:
            for n in range(1, times):
                changed = ", ".join(
                    f"{name} || '+{n}'" if name in ("home_id", "event_id", "asset_id") else f'"{name}"'
                    for name in names
                )
                connection.exec_driver_sql(
                    f"insert into {table.name} ({listed}) select {changed} from {table.name}"
                    " where home_id not like '%%+%%'"
                )
    if register._engine.dialect.name == "postgresql":
        with register._engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.exec_driver_sql("vacuum analyze")


def say(where: str, told: str) -> None:
    """Print a line as soon as it is known."""
    print(f"{where:>7}  {told}", flush=True)


def main(homes: int = 2000, each: int = 100, times: int = 25, where: str = "both") -> None:
    """Measure a file and a server."""
    with tempfile.TemporaryDirectory() as name:
        if where in ("file", "both"):
            with open_register(Path(name) / "w.sqlite") as register:
                measure("file", register, homes, each, times)
            say("file", f"{(Path(name) / 'w.sqlite').stat().st_size / 1e9:.2f} GB")
        if where in ("server", "both"):
            with Cluster(durable=True) as server, open_register(server.database("bench")) as register:
                measure("server", register, homes, each, times)


if __name__ == "__main__":
    given = sys.argv[1:]
    main(*(int(one) for one in given[:3]), *given[3:4])
