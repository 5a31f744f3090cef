"""The walk of a demo house: what is planned, what a mark changes, what is open before leaving, and the sheets."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
import shapely
from typer.testing import CliRunner

from geo import reference
from geo.cli import app
from geo.errors import InputError
from geo.exchange.walk_sheet import site_walk, walk_pdf
from geo.exchange.walk_sketch import sketch_svg
from geo.findings.check import read_checked
from geo.findings.drains import lay_out_drains
from geo.findings.examine import Findings, examine
from geo.findings.places import perimeter_of
from geo.site.model import Site, SiteInfo
from geo.site.records import Building, Consent, MeterReading, OpeningUp, Record, StopMark, Trial, Visit
from geo.walk.close import OpenEnd, close_down
from geo.walk.live import NOT_YET, SETTLED, remaining
from geo.walk.plan import plan_walk
from geo.walk.stops import PARTS, Stop, WalkPlan

FOLDER = Path(__file__).resolve().parents[2] / "demo_sites" / "semi_on_a_slope"
OF_VISITS = ("trial", "opening_up", "consent", "visit", "meter_reading", "stop_mark", "account", "event")
REF = reference.default()
NOW = datetime(2026, 3, 17, 13, 0, tzinfo=UTC)
TICK_PT = 6.0 / 25.4 * 72
HOSTILE = '#panic("x") $a$ *b* <script>alert(1)</script> \\u{41} #read("/etc/passwd")'


@lru_cache(1)
def found() -> Findings:
    """Return what is found at the demo house, with nothing of earlier tests, holes, leave or visits on record."""
    site = read_checked(FOLDER)
    kept = {kind: records for kind, records in site.records.items() if kind not in OF_VISITS}
    return examine(replace(site, records=kept))


@lru_cache(1)
def plan() -> WalkPlan:
    """Return its walk."""
    return plan_walk(found().site, found())


def with_records(*records: Record) -> tuple[Site, Findings]:
    """Return the site and its findings with records added that the findings do not rest on."""
    kinds = dict(found().site.records)
    for record in records:
        kinds[record.kind] = (*kinds.get(record.kind, ()), record)
    site = replace(found().site, records=kinds)
    return site, replace(found(), site=site)


def footprint_only(name: str = "House") -> Site:
    """Return a site of which only the outline is known, the evening before."""
    house = Building(
        id="B1", role="subject", geometry=shapely.box(0, 0, 10, 8), origin_easting_m=0, origin_northing_m=0
    )
    info = SiteInfo(name=name, crs="local", datum="step")
    return Site(
        folder=Path(), info=info, ground=None, records={"building": (house,)}, reference=REF, digest="f" * 64
    )


def by_id(walk: WalkPlan) -> dict[str, Stop]:
    """Return stops by their id."""
    return {stop.id: stop for stop in walk.stops}


def open_ends(*records: Record) -> dict[str, list[OpenEnd]]:
    """Return what is open before leaving, by kind, with records added."""
    ends: dict[str, list[OpenEnd]] = {}
    for end in close_down(*with_records(*records)):
        ends.setdefault(end.kind, []).append(end)
    return ends


def test_an_outline_is_enough_for_a_walk() -> None:
    """From an outline alone come corners, the wall between, what must exist unseen, readings and time for tests."""
    walk = plan_walk(footprint_only())
    stops = by_id(walk)
    assert sum(stop.kind == "corner" for stop in walk.stops) == 4
    # 10 m in parts of 2 m have 4 places between, 8 m have 3: twice each
    assert sum(stop.kind == "wall" for stop in walk.stops) == 2 * 4 + 2 * 3
    assert {"search:gully:B1", "search:downpipe:B1", "search:chamber"} <= set(stops)
    grid = [stop for stop in walk.stops if stop.kind == "grid"]
    # 18 parts of 2 m, at most 1 m apart, at two heights
    assert sum(task.count for stop in grid for task in stop.tasks) == 18 * 2 * 2
    assert sum(stop.kind == "reserved" for stop in walk.stops) == 3
    assert any("read yet" in note for note in walk.notes)
    assert walk.header.access == "not known"


def test_the_parts_follow_one_another() -> None:
    """Set-up, outside, drains, inside, tests, close-down: a stop never comes before one of an earlier part."""
    order = [PARTS.index(stop.part) for stop in plan().stops]
    assert order == sorted(order)
    assert set(order) == set(range(len(PARTS)))


def test_chambers_come_from_downstream_up() -> None:
    """The demo house drains C2 and C1 to the sewer at C0, and C3 to its soakaway: each comes after what it runs to."""
    place = {
        stop.rests_on[0]: i
        for i, stop in enumerate(plan().of_part("drains"))
        if stop.kind in ("chamber", "soakaway")
    }
    assert place["C0"] < place["C1"] < place["C2"]
    assert place["SA1"] < place["C3"]


def test_a_wet_length_brings_its_stops_on_both_sides() -> None:
    """Wet readings of three methods between 4.3 and 6.4 m are one wet length: looked at outside, profiled inside."""
    wet = [stop for stop in plan().stops if stop.kind == "wet"]
    assert len(wet) == 3
    first = wet[0]
    assert {"W1", "W4", "W5"} == set(first.rests_on)
    key = first.id.removeprefix("wet:")
    for kind in ("profile", "sample", "borescope", "junction"):
        stop = by_id(plan())[f"{kind}:{key}"]
        assert stop.part == "inside"
        assert stop.chainage_m == pytest.approx(first.chainage_m)


def test_wall_already_read_takes_no_time_and_stays_in_sight() -> None:
    """A part of wall the readings cover is settled, a part nobody could get to says so and is to be read."""
    stops = by_id(plan())
    assert stops["inside:B1:F1:3of6"].settled
    assert stops["inside:B1:F1:3of6"].minutes == 0
    barred = stops["inside:B1:F1:6of6"]
    assert "no access" in barred.expected
    assert barred.minutes > 0


def test_a_test_pours_what_the_drain_needs() -> None:
    """G2's drain holds 34.2 l with R1 stopped (the drains' own answer): half as much again at 0.25 l/s and 8 min."""
    holds = float(lay_out_drains(found()).every.loc["R1", "litres"])
    stop = by_id(plan())["trial:G2"]
    assert stop.pouring is not None
    assert stop.pouring.known
    assert stop.pouring.litres == pytest.approx(1.5 * holds)
    assert stop.minutes - stop.pouring.wait_min == pytest.approx(1.5 * holds / 0.25 / 60 + 8)


def test_a_source_without_a_drain_says_its_litres_are_not_known() -> None:
    """DP3 is joined to nothing: the usual 120 l are taken, and the plan says they are not worked out."""
    stop = by_id(plan())["trial:DP3"]
    assert stop.pouring is not None
    assert not stop.pouring.known
    assert stop.pouring.litres == REF.value("walk.pour_l")
    assert "not known" in stop.expected


@pytest.mark.parametrize(
    ("litres", "shown", "settled"),
    [(2.0, "not_shown", False), (80.0, "not_shown", True), (2.0, "shown", True)],
)
def test_a_test_on_record_settles_only_if_it_could_tell(litres: float, shown: str, *, settled: bool) -> None:
    """34 l fit below G2: 2 l that showed nothing say nothing, 80 l do, and a test that showed is settled."""
    trial = Trial(id="T1", trial_kind="dye", source_id="G2", volume_l=litres, shown=shown, dye="green")
    site, known = with_records(trial)
    stop = by_id(plan_walk(site, known))["trial:G2"]
    assert bool(stop.settled) is settled
    assert "T1" in stop.expected
    if not settled:
        assert stop.pouring is not None
        assert stop.pouring.dye != "green"


def test_leave_is_named_where_it_is_missing() -> None:
    """Holes need leave until it is given; a later refusal is told in its own word."""
    junction = next(stop.id for stop in plan().stops if stop.kind == "junction")
    assert "not asked" in by_id(plan())[junction].needs
    given = Consent(id="K1", consent_for="opening_up", given_by="owner", state="given")
    refused = Consent(id="K2", consent_for="opening_up", given_by="owner", state="refused")
    assert by_id(plan_walk(*with_records(given)))[junction].needs == ""
    assert "refused" in by_id(plan_walk(*with_records(given, refused)))[junction].needs


def test_the_last_visit_heads_the_sheet() -> None:
    """Access, hazards, rain and purpose come from the latest visit."""
    early = Visit(id="V1", arrived_at="2026-03-01T09:00", hazards="dog")
    late = Visit(
        id="V2",
        arrived_at="2026-03-17T09:00",
        hazards="wet sockets",
        access="part",
        rain_7d_mm=31,
        purpose="why the kitchen is wet",
    )
    head = plan_walk(*with_records(late, early)).header
    assert head.hazards == "wet sockets"
    assert head.access == "part of it"
    assert "7 days 31 mm" in head.rain
    assert head.to_settle[0] == "why the kitchen is wet"


def test_three_ways_a_stop_ends_are_kept_apart() -> None:
    """Done, left out, could not get to it and not yet are four things; the latest mark holds, strangers are told."""
    ids = [stop.id for stop in plan().stops if not stop.settled]
    marks = [
        StopMark(id="m1", stop=ids[0], state="left_out", marked_at="2026-03-17T10:00"),
        StopMark(id="m2", stop=ids[1], state="no_access"),
        StopMark(id="m3", stop=ids[0], state="done", marked_at="2026-03-17T10:05"),
        StopMark(id="m4", stop=ids[0], state="left_out"),
        StopMark(id="m5", stop="gully:GONE", state="done"),
    ]
    state = remaining(plan(), marks, now=NOW, ref=REF)
    assert state.state[ids[0]] == "done"
    assert state.state[ids[1]] == "no_access"
    assert state.state[ids[2]] == NOT_YET
    assert state.state["inside:B1:F1:3of6"] == SETTLED
    assert state.unmatched == (("gully:GONE", "done"),)
    assert len(state.not_known) == 1
    assert {stop.id for stop in state.left} == set(ids[2:])


def test_time_left_falls_as_stops_are_made() -> None:
    """With nothing marked the whole walk is left; the soakaway made, 30 min and a tenth less; all made, none."""
    nothing = remaining(plan(), (), now=NOW, ref=REF)
    assert nothing.left_min == pytest.approx(plan().total.whole_min)
    one = remaining(plan(), [StopMark(id="m", stop="soakaway:SA1", state="done")], now=NOW, ref=REF)
    assert nothing.left_min - one.left_min == pytest.approx(33.0)
    every = [StopMark(id=f"m{i}", stop=stop.id, state="done") for i, stop in enumerate(plan().stops)]
    done = remaining(plan(), every, now=NOW, ref=REF)
    assert done.left == ()
    assert done.left_min == pytest.approx(0)
    assert done.ends_at == NOW


def test_what_is_open_is_ordered_by_what_it_costs() -> None:
    """Dangers come first, then the most metres of wall; each end has minutes and a way to end it."""
    ends = close_down(found().site, found())
    assert ends[0].kind == "safety"
    metres = [round(end.wall_m, 2) for end in ends if end.kind != "safety"]
    assert metres == sorted(metres, reverse=True)
    assert all(end.gap.minutes > 0 and end.gap.settle for end in ends)
    kinds = {end.kind for end in ends}
    assert {"unread", "course", "ground", "control", "chamber", "leave", "meter", "unexplained"} <= kinds


def test_every_gap_of_the_findings_is_open_at_the_end() -> None:
    """Nothing the report would call not known is missing from the close-down."""
    whats = {(end.gap.what, end.gap.where) for end in close_down(found().site, found())}
    assert {(gap.what, gap.where) for gap in found().gaps} <= whats


def test_a_wet_length_no_outlet_explains_stays_open() -> None:
    """The house was made with one wet stretch no outlet explains, at 4.3 to 6.4 m; only that one is told."""
    ends = open_ends()["unexplained"]
    assert [end.gap.where for end in ends] == ["B1 4.3-6.4"]
    assert ends[0].wall_m == pytest.approx(2.1, abs=0.1)


def test_a_test_too_small_is_open_and_a_big_one_is_not() -> None:
    """2 l into a drain that holds 34 l leave the wet length beside G2 open; 80 l do not."""
    small = Trial(id="T1", trial_kind="hose", source_id="G2", volume_l=2.0, shown="not_shown")
    ends = open_ends(small)["test"]
    assert ends[0].gap.where == "G2"
    assert ends[0].wall_m > 1
    by_rate = small.model_copy(
        update={"volume_l": None, "bucket_l": 10.0, "bucket_s": 40.0, "started_at": "2026-03-17T10:00",
                "stopped_at": "2026-03-17T10:06"}
    )  # fmt: skip
    assert "test" not in open_ends(by_rate)  # 0.25 l/s for 360 s are 90 l


def test_the_meter_needs_two_readings_with_all_off() -> None:
    """None, one, and two while water ran are open; two with everything off are not."""
    start = MeterReading(id="M1", reading_m3=100.0, taken_at="2026-03-17T09:00")
    ran = MeterReading(id="M2", reading_m3=100.0, taken_at="2026-03-17T15:00", all_off="no")
    off = ran.model_copy(update={"all_off": "yes"})
    assert "not read" in open_ends()["meter"][0].gap.what
    assert "end" in open_ends(start)["meter"][0].gap.what
    assert "ran" in open_ends(start, ran)["meter"][0].gap.what
    assert "meter" not in open_ends(start, off)


def test_holes_and_covers_are_open_until_said_to_be_closed() -> None:
    """A hole not made good and lifted covers come first until they are closed or marked done."""
    hole = OpeningUp(id="H1", opening_up_kind="borescope", made_good="no")
    marks = [
        StopMark(id=f"m{i}", stop=f"close_down:{key}", state="done")
        for i, key in enumerate(("covers", "holes"))
    ]
    assert {end.gap.where for end in open_ends(hole)["safety"]} >= {"H1"}
    assert "safety" not in open_ends(hole, *marks)
    assert not any(
        end.gap.where == "H1" for end in open_ends(hole.model_copy(update={"made_good": "yes"}))["safety"]
    )


def text_of(content: bytes) -> list[str]:
    """Return the text of every page of a PDF."""
    with pypdfium2.PdfDocument(content) as document:
        return [document[i].get_textpage().get_text_bounded() for i in range(len(document))]


def test_the_sheets_hold_every_stop_and_the_cautions() -> None:
    """Every stop has its title on the sheets; every page has the cautions, its number and the data version."""
    pages = text_of(walk_pdf(plan(), found().perimeter, ref=REF))
    whole = " ".join(" ".join(pages).split())
    assert all(stop.title in whole for stop in plan().stops)
    for number, page in enumerate(pages, start=1):
        assert "Certifies nothing" in page
        assert f"{number} of {len(pages)}" in page
        assert found().site.digest[:12] in page


def test_boxes_can_be_ticked_with_a_gloved_hand() -> None:
    """There are three boxes of at least 6 mm for each stop: done, left out, no access."""
    with pypdfium2.PdfDocument(
        walk_pdf(plan_walk(footprint_only()), perimeter_of(footprint_only()), ref=REF)
    ) as document:
        boxes = 0
        for i in range(len(document)):
            for part in document[i].get_objects(max_depth=6):
                if part.type == pypdfium2.raw.FPDF_PAGEOBJ_PATH:
                    left, bottom, right, top = part.get_bounds()
                    square = abs((right - left) - (top - bottom)) < 0.5
                    boxes += square and TICK_PT <= right - left < 1.3 * TICK_PT
    assert boxes >= 3 * len(plan_walk(footprint_only()).stops)


def test_words_on_the_sheets_are_only_words() -> None:
    """A site named like code is printed as it stands, on paper and in the sketch."""
    site = footprint_only(HOSTILE)
    walk = plan_walk(site)
    pages = "".join(text_of(walk_pdf(walk, perimeter_of(site), ref=REF)))
    assert '#panic("x")' in pages.replace("\u200b", "")
    assert "root:" not in pages
    assert "<script>" not in sketch_svg(walk, perimeter_of(site))


def test_the_sketch_numbers_every_stop_that_has_a_place() -> None:
    """The number of each stop outside and at the drains stands on the sketch."""
    drawn = sketch_svg(plan(), found().perimeter)
    number = plan().number()
    wanted = [stop for stop in plan().stops if stop.part in ("outside", "drains") and math.isfinite(stop.x)]
    assert len(wanted) > 40
    assert all(f">{number[stop.id]}</text>" in drawn for stop in wanted)


def run(*arguments: Any) -> Any:
    """Run the command."""
    return CliRunner().invoke(app, ["walk", *map(str, arguments)])


def test_the_command_prints_the_walk_and_writes_its_sheets(tmp_path: Path) -> None:
    """One command gives stops, minutes, what to leave out for half a day, what is open, and a PDF."""
    out = tmp_path / "walk.pdf"
    result = run(FOLDER, "--half-day", "--out", out)
    assert result.exit_code == 0, result.output
    assert "Gully G2" in result.output
    assert "Not known then:" in result.output
    assert "Still open, dearest first:" in result.output
    assert out.read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize("said", ["25:00", "noon", "12:60", "12:00", "1200"])
def test_a_time_that_is_none_or_past_is_refused(said: str) -> None:
    """At 13:00 one cannot be away by 12:00, and nobody is away by 25:00."""
    with pytest.raises(InputError, match="--until"):
        site_walk(footprint_only(), until=said, now=NOW)


def test_until_leaves_out_what_does_not_fit() -> None:
    """Two hours from 13:00 to 15:00 are what the walk is made to fit into."""
    lines = site_walk(footprint_only(), until="15:00", now=NOW)
    assert any("into 120 min (2 h 00)" in line for line in lines)


def test_a_sheet_of_another_kind_is_refused(tmp_path: Path) -> None:
    """The sheets are a PDF; a name that says otherwise is not written to."""
    result = run(FOLDER, "--out", tmp_path / "walk.docx")
    assert result.exit_code == 1
    assert not (tmp_path / "walk.docx").exists()


def test_marks_on_record_shorten_the_printed_walk() -> None:
    """With the set-up marked, the lines say how much is left and when it ends, and name what could not be reached."""
    site = footprint_only()
    marks = (
        StopMark(id="m1", stop="set_up:safe", state="done", marked_at="2026-03-17T12:30"),
        StopMark(id="m2", stop="wall:B1:F1:2of4", state="no_access", marked_at="2026-03-17T12:40"),
    )
    lines = site_walk(replace(site, records={**site.records, "stop_mark": marks}), now=NOW)
    whole = plan_walk(site)
    # 20 min of set-up and 2 min of levels are gone, and 1 of the 20 stops outside with its share of the walking
    walking = whole.total.walked_m / 10 * (1 - 1 / len(whole.of_part("outside")))
    left = round(1.1 * (whole.total.stops_min - 22 + walking))
    assert any(f"2 of {len(whole.stops)} stops marked or settled; {left} min" in line for line in lines)
    assert any("Not known then: whether the ground at B1 2.0" in line for line in lines)


def test_a_site_may_change_the_minutes(tmp_path: Path) -> None:
    """With 10 min a corner in the site's limits.toml four corners take 40 min, and the plan says where that is from."""
    path = tmp_path / "limits.toml"
    path.write_text("[walk]\ncorner_min = { value = 10 }\n", encoding="utf-8")
    walk = plan_walk(replace(footprint_only(), reference=REF.with_changes(path)))
    assert next(line.minutes for line in walk.total.lines if line.work == "corner") == 40
    assert any("walk.corner_min = 10" in note for note in walk.notes)
