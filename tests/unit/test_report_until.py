"""Minutes to a spill in the report: from flows that are recorded or published, as ranges, or not at all."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from geo.drains.backup import back_up
from geo.drains.storage import Inflow
from geo.drains.tables import default
from geo.findings.check import read_checked
from geo.findings.drains import Drains, ask_drains
from geo.findings.examine import examine
from geo.report.parts import Block, Items, Part, Table
from geo.report.source import Source, gather
from geo.report.spills import spills_part
from geo.report.until import Flow, flows_of, litres_until, minutes_until
from geo.report.wording import wide_range
from geo.site.model import Site

DEMO = Path(__file__).parents[2] / "demo_sites"


@pytest.fixture(scope="module")
def source() -> Source:
    """Return what the report of the semi is written from."""
    return gather(examine(read_checked(DEMO / "semi_on_a_slope")))


@pytest.fixture(scope="module")
def drains(source: Source) -> Drains:
    """Return its drains."""
    assert source.drains is not None
    return source.drains


@pytest.fixture(scope="module")
def flows(source: Source) -> dict[str, Flow]:
    """Return its flows by name."""
    return {flow.name: flow for flow in flows_of(source)}


def with_records(source: Source, kind: str, records: tuple[Any, ...]) -> Source:
    """Return the same findings over other records of one kind."""
    site: Site = replace(source.site, records={**source.site.records, kind: records})
    return replace(source, found=replace(source.found, site=site))


def ends(said: str) -> tuple[float, float]:
    """Return the numbers of a range; one number stands for both."""
    numbers = [float(word) for word in re.findall(r"\d+(?:\.\d+)?", said)]
    return numbers[0], numbers[-1]


def stopped(drains: Drains, name: str) -> Any:
    """Return what happens when one thing is stopped and nothing is said of the flow."""
    return back_up(
        drains.network,
        blocked=name,
        source=str(drains.every.loc[name, "source"]),
        ref=drains.ref,
        changes=False,
    )


def blocks(part: Part) -> Iterator[Block]:
    """Go through the blocks of a section and of those in it."""
    yield from part.blocks
    for own in part.parts:
        yield from blocks(own)


def tables(part: Part) -> list[Table]:
    """Return the tables of a section."""
    return [block for block in blocks(part) if isinstance(block, Table)]


def test_each_flow_says_where_it_comes_from(source: Source, flows: dict[str, Flow]) -> None:
    """The hose by its tests, rain by its record; design rain is the published one and names no record.

    10 l in 40 s by bucket are 0.25 l/s; 21 mm in 13 h are 1.6 mm/h, more than 11 mm in 9.5 h (1.2 mm/h).
    """
    assert list(flows) == ["Hose", "Rain EV3", "Design rain"]
    hose, rain, design = flows.values()
    assert hose.said.startswith("0.25 ± 0.01 l/s, by bucket")
    assert set(hose.rests_on) == {"TR4", "TR5", "TR6"} <= set(source.site.ids)
    assert hose.low < 0.25 < hose.high
    assert rain.rests_on == ("EV3",)
    assert rain.minutes == 13 * 60
    assert rain.low * 3600 == pytest.approx(21 / 13)
    assert design.rests_on == ()
    assert default().limit("rain.roof_l_s_m2").source in design.said


def test_a_flow_nobody_recorded_is_not_said(source: Source) -> None:
    """Without tests there is no hose, without rain no rain of that day; a table has no column for either."""
    dry = with_records(with_records(source, "trial", ()), "event", ())
    assert [flow.name for flow in flows_of(dry)] == ["Design rain"]
    header = next(t.header for t in tables(spills_part(dry)) if "Litres" in t.header)
    assert header == ("Blocked", "Litres", "Design rain, min", "Roofs, m²")


def test_rain_without_both_its_times_is_no_rate(source: Source) -> None:
    """A depth with no end has no intensity, so it is left out."""
    open_end = tuple(one.model_copy(update={"ended_at": ""}) for one in source.site.of("event"))
    assert "Rain EV3" not in {flow.name for flow in flows_of(with_records(source, "event", open_end))}


def test_minutes_are_litres_over_the_rate(drains: Drains, flows: dict[str, Flow]) -> None:
    """The soakaway shut: the truth's litres by a hose of 0.25 l/s, both with their 95 % range.

    Nothing passes and nothing leaks there, so the soonest is the fewest litres at the most flow.
    """
    truth = tomllib.loads((DEMO / "semi_on_a_slope" / "truth.toml").read_text(encoding="utf-8"))
    litres = next(each["store_l"] for each in truth["spill"] if each["blocked"] == "SA1")
    result = stopped(drains, "SA1")
    low, high = ends(minutes_until(drains, result, flows["Hose"]))
    assert low < litres / 0.25 / 60 < high
    spread = 1.96 * result.litres.sigma
    assert low == round((litres - spread) / flows["Hose"].high / 60)
    assert high == round((litres + spread) / flows["Hose"].low / 60)
    fewest, most = ends(litres_until(drains, result))
    assert fewest <= litres <= most


def test_a_run_is_told_from_a_stop_near_by_to_one_far_off(drains: Drains, flows: dict[str, Flow]) -> None:
    """For R1 the range holds the minutes the engine gives, and begins sooner: the stop may lie nearer."""
    said = minutes_until(drains, stopped(drains, "R1"), flows["Hose"])
    asked = ask_drains(drains, blocked="R1", inflow=Inflow.steady(0.25)).result
    low, high = ends(said)
    assert low < asked.minutes < high
    assert low == pytest.approx(asked.litres_between[0] / 0.25 / 60, rel=0.15)


def test_cracks_may_take_it_all(drains: Drains, flows: dict[str, Flow]) -> None:
    """R5 is cracked: the engine's latest is never, and the report says so beside the soonest."""
    asked = ask_drains(drains, blocked="R5", inflow=Inflow.steady(0.25)).result
    assert math.isinf(asked.minutes_between[1])
    said = minutes_until(drains, stopped(drains, "R5"), flows["Hose"])
    assert re.fullmatch(r"at least \d+\.\d, or never", said)
    assert ends(said)[0] <= asked.minutes_between[0]


def test_litres_whose_size_is_not_recorded_are_at_least(drains: Drains, flows: dict[str, Flow]) -> None:
    """With a size missing on the way both litres and minutes are told as at least, without an upper end."""
    result = replace(stopped(drains, "SA1"), at_least=("C3",))
    assert re.fullmatch(r"at least \d+", litres_until(drains, result))
    assert re.fullmatch(r"at least \d+", minutes_until(drains, result, flows["Hose"]))


def test_litres_of_no_known_spread_are_not_told(drains: Drains, flows: dict[str, Flow]) -> None:
    """A level without a sigma gives no range, so neither litres nor minutes are said."""
    result = stopped(drains, "SA1")
    blind = replace(result, litres=replace(result.litres, sigma=math.nan))
    assert litres_until(drains, blind) == minutes_until(drains, blind, flows["Hose"]) == ""


def test_rain_falls_only_on_roofs_that_drain_there(drains: Drains, flows: dict[str, Flow]) -> None:
    """No roof drains by R6; SA1 takes 12 m² of roof at 35°, 12 (1 + tan 35° / 2) = 16.2 m² to driven rain."""
    assert minutes_until(drains, stopped(drains, "R6"), flows["Design rain"]) == ""
    driven = 12 * (1 + math.tan(math.radians(35)) / 2)
    result = stopped(drains, "SA1")
    low, high = ends(minutes_until(drains, result, flows["Design rain"]))
    spread = 1.96 * result.litres.sigma
    assert low == round((result.litres.value - spread) / (0.021 * driven) / 60)
    assert high == round((result.litres.value + spread) / (0.021 * 12) / 60)


def test_rain_that_ended_before_does_not_spill(drains: Drains, flows: dict[str, Flow]) -> None:
    """Half an hour of it brings fewer litres than SA1 holds."""
    short = replace(flows["Rain EV3"], minutes=30.0)
    assert minutes_until(drains, stopped(drains, "SA1"), short) == "not in it"


def test_a_hose_that_passes_the_stop_never_spills(drains: Drains, flows: dict[str, Flow]) -> None:
    """A stop that lets more through than the hose brings keeps up."""
    slow = replace(stopped(drains, "SA1"), passes_l_s=0.5)
    assert minutes_until(drains, slow, flows["Hose"]) == "never"


def test_what_the_wall_says_is_told_once(source: Source) -> None:
    """C3, SA1, R6 and R8 spill at one gully: its wall is told under the first, and named under the others."""
    found = {part.key: part.blocks[0] for part in spills_part(source).parts}
    walls = {
        key: [row for row in table.rows if str(row[0]).startswith("K")]
        for key, table in found.items()
        if isinstance(table, Table)
    }
    assert walls["if-C3"]
    for key in ("if-SA1", "if-R6", "if-R8"):
        table = found[key]
        assert isinstance(table, Table)
        assert not walls[key]
        assert ("At the wall", "as for C3", "The same rows as if C3 is stopped.") in table.rows


def test_every_answer_has_its_minutes(source: Source) -> None:
    """Each stop that spills says how long it takes with every flow that reaches it."""
    part = spills_part(source)
    for own in part.parts:
        table = own.blocks[0]
        assert isinstance(table, Table)
        rows = {str(row[0]): row for row in table.rows}
        assert re.match(r"Hose \d+(\.\d)? to \d+(\.\d)?[;.]", str(rows["Until then"][2])), own.key
    told = [one for block in part.blocks if isinstance(block, Items) for one in block.items]
    assert [one.lead for one in told] == [flow.name for flow in flows_of(source)]


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [(0.04, 0.26, "0.0 to 0.3"), (9.94, 9.96, "9.9 to 10"), (12.2, 12.4, "12"), (3.0, 3.04, "3.0")],
)
def test_ranges_are_said_as_finely_as_they_are_known(low: float, high: float, said: str) -> None:
    """To a tenth below ten, else whole; one number where both read alike."""
    assert wide_range(low, high) == said
