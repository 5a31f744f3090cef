"""What holds for the walk of any house: nothing missed, nothing twice, and nothing moved by the way it is drawn."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geo import reference
from geo.perimeter.path import free_arcs
from geo.site.model import Site, SiteInfo
from geo.site.records import Building, Chamber, Downpipe, Gully, Opening, Record, Run, Soakaway, StopMark
from geo.walk.ground_plan import lie_of, merged
from geo.walk.live import NOT_YET, leave_out, remaining
from geo.walk.plan import plan_walk
from geo.walk.sources import Source
from geo.walk.stops import Stop, WalkPlan
from geo.walk.trials import schedule

REF = reference.default()
NOW = datetime(2026, 3, 17, 9, 0)  # noqa: DTZ001 - a clock on the wall
LONGEST_GAP_M = 2.0
DYES = ("green", "red", "blue", "yellow", "orange", "violet")
SIDES = st.floats(2.0, 14.0).map(lambda length: round(length, 2))


def site_of(records: list[Record]) -> Site:
    """Return a site of records, in a local grid."""
    kinds: dict[str, tuple[Record, ...]] = {}
    for record in records:
        kinds[record.kind] = (*kinds.get(record.kind, ()), record)
    info = SiteInfo(name="House", crs="local", datum="step 10.000")
    return Site(folder=Path(), info=info, ground=None, records=kinds, reference=REF)


def outline(draw: Any) -> shapely.Polygon:
    """Draw a house square on plan: a rectangle, an L, or one with a courtyard."""
    wide, deep = draw(SIDES), draw(SIDES)
    shape = shapely.box(0, 0, wide, deep)
    kind = draw(st.sampled_from(["box", "ell", "court"]))
    if kind == "ell":
        wing = shapely.box(0, deep, round(wide * draw(st.floats(0.3, 0.7)), 2), deep + draw(SIDES))
        return shapely.simplify(shapely.union(shape, wing), 1e-9)
    if kind == "court" and min(wide, deep) > 6:
        return shapely.difference(shape, shapely.box(2, 2, wide - 2, deep - 2))
    return shape


def edges_of(ring: Any) -> list[tuple[Any, Any]]:
    """Return the edges of a ring."""
    corners = list(ring.coords)
    return list(pairwise(corners))


def party_edges(records: list[Record]) -> list[tuple[Any, Any]]:
    """Return the edges of the house that touch a neighbour."""
    shapes = [record.geometry for record in records]
    first = shapes[0]
    assert first is not None
    return [
        edge
        for edge in edges_of(first.exterior)
        for other in shapes[1:]
        if other is not None and other.distance(shapely.LineString(edge)) < 1e-6
    ]


@st.composite
def houses(draw: Any, *, neighbour: bool | None = None) -> list[Record]:
    """Draw a house with its drains: gullies and downpipes on free walls, chambers, a soakaway, doors."""
    shape = outline(draw)
    records: list[Record] = [
        Building(
            id="B1",
            role="subject",
            geometry=shape,
            origin_easting_m=0,
            origin_northing_m=0,
            hole_kinds="courtyard",
        )
    ]
    if draw(st.booleans()) if neighbour is None else neighbour:
        east = max(x for x, y in shape.exterior.coords if y == 0)
        far = shapely.box(east, 0, east + 8, 0.8 * max(y for x, y in shape.exterior.coords if x == east))
        records.append(Building(id="B2", role="neighbour", geometry=far))
    edges = [
        edge
        for ring in (shape.exterior, *shape.interiors)
        for edge in edges_of(ring)
        if edge not in party_edges(records)
    ]
    for index in range(draw(st.integers(0, 5))):
        (ax, ay), (bx, by) = draw(st.sampled_from(edges))
        share = draw(st.integers(1, 9)) / 10
        out = 0.15 / math.hypot(bx - ax, by - ay)
        x, y = ax + share * (bx - ax), ay + share * (by - ay)
        x, y = next(
            (x + sign * (by - ay) * out, y - sign * (bx - ax) * out)
            for sign in (1, -1)
            if not shape.contains(shapely.Point(x + sign * (by - ay) * out, y - sign * (bx - ax) * out))
        )
        kind = draw(st.sampled_from([Gully, Downpipe]))
        records.append(kind(id=f"A{index}", position_by="coordinates", easting_m=x, northing_m=y))
    depth = draw(st.integers(0, 4))
    for index in range(depth):
        records.append(
            Chamber(id=f"C{index}", position_by="coordinates", easting_m=-4.0 - 3 * index, northing_m=-3.0)
        )
        if index:
            line = shapely.LineString([(-4.0 - 3 * index + 3, -3), (-4.0 - 3 * index, -3)])
            records.append(
                Run(id=f"R{index}", from_id=f"C{index - 1}", to_id=f"C{index}", geometry=line, bore_mm=100)
            )
    if draw(st.booleans()):
        records.append(Soakaway(id="S1", position_by="coordinates", easting_m=-3.0, northing_m=20.0))
    if draw(st.booleans()):
        records.append(
            Opening(
                id="O1", building_id="B1", opening_kind="air_brick", chainage_from_m=0.1, chainage_to_m=0.3
            )
        )
    return records


def moved(records: list[Record], *, turn_deg: float, east: float, north: float) -> list[Record]:
    """Return records turned round the grid's zero and shifted."""
    angle = math.radians(turn_deg)
    cos, sin = math.cos(angle), math.sin(angle)

    def move(xy: np.ndarray) -> np.ndarray:
        return np.column_stack(
            [xy[:, 0] * cos - xy[:, 1] * sin + east, xy[:, 0] * sin + xy[:, 1] * cos + north]
        )

    found = []
    for record in records:
        update: dict[str, Any] = {}
        for names in (("easting_m", "northing_m"), ("origin_easting_m", "origin_northing_m")):
            if getattr(record, names[0], None) is not None:
                xy = move(np.array([[getattr(record, name) for name in names]]))[0]
                update |= dict(zip(names, (float(value) for value in xy), strict=True))
        if record.geometry is not None:
            update["geometry"] = shapely.transform(record.geometry, move)
        found.append(record.model_copy(update=update))
    return found


def outside(plan: WalkPlan, ring: str) -> list[Stop]:
    """Return the stops outside one ring that have a chainage."""
    return [
        stop for stop in plan.of_part("outside") if stop.ring_key == ring and math.isfinite(stop.chainage_m)
    ]


@settings(max_examples=10)
@given(houses())
def test_no_gap_along_free_wall_is_wider_than_two_metres(records: list[Record]) -> None:
    """Round every ring, from stop to stop along wall one can walk, it is never more than 2.0 m."""
    site = site_of(records)
    plan, perimeter = plan_walk(site), lie_of(site, None).perimeter
    for ring, begin, end, closed in free_arcs(perimeter):
        if not perimeter.rings.loc[ring, "examined"]:
            continue
        length = float(perimeter.rings.loc[ring, "length_m"])
        places = np.array([stop.chainage_m for stop in outside(plan, ring)])
        on_arc = np.sort(np.mod(places - begin + 1e-6, length) - 1e-6)
        on_arc = on_arc[on_arc <= end - begin + 1e-6]
        assert len(on_arc) > 0
        ahead = np.r_[on_arc, (length if closed else end - begin)]
        assert np.diff(ahead).max() <= LONGEST_GAP_M + 1e-6
        assert on_arc[0] <= 1e-6


@settings(max_examples=10)
@given(houses())
def test_every_asset_has_exactly_one_stop(records: list[Record]) -> None:
    """Each gully, downpipe, chamber, soakaway and air-brick on record is stopped at once, no stop has an id twice."""
    plan = plan_walk(site_of(records))
    told = Counter(name for stop in plan.stops if stop.kind != "tracing" for name in stop.rests_on)
    wanted = [record.id for record in records if record.kind not in ("building", "run")]
    assert told == Counter(wanted)
    assert len({stop.id for stop in plan.stops}) == len(plan.stops)


@settings(max_examples=10)
@given(houses())
def test_the_walk_goes_clockwise(records: list[Record]) -> None:
    """Joined up in their order, the stops round the outline make a ring that runs clockwise from its origin."""
    site = site_of(records)
    plan = plan_walk(site)
    stops = outside(plan, "B1")
    chainages = [stop.chainage_m for stop in stops]
    assert all(later >= earlier - 1e-6 for earlier, later in pairwise(chainages))
    assert stops[0].kind in ("corner", "party_line")
    corners = [(stop.x, stop.y) for stop in stops if stop.kind in ("corner", "party_line")]
    assert len(corners) >= 3
    assert not shapely.LinearRing(corners).is_ccw
    assert math.hypot(stops[0].x, stops[0].y) < 1e-6


@settings(max_examples=10)
@given(houses(), st.floats(0, 360), st.floats(-500, 500), st.floats(-500, 500))
def test_turning_and_shifting_the_site_changes_nothing(
    records: list[Record], turn_deg: float, east: float, north: float
) -> None:
    """A site drawn elsewhere and turned has the same stops at the same chainages, in the same minutes."""
    before = plan_walk(site_of(records))
    after = plan_walk(site_of(moved(records, turn_deg=turn_deg, east=east, north=north)))
    places = {stop.id: stop.chainage_m for stop in after.stops}
    assert set(places) == {stop.id for stop in before.stops}
    for stop in before.stops:
        assert places[stop.id] == pytest.approx(stop.chainage_m, abs=1e-4, nan_ok=True)
    assert after.total.whole_min == pytest.approx(before.total.whole_min, rel=1e-6)


@settings(max_examples=10)
@given(houses(neighbour=False), st.integers(1, 3))
def test_another_origin_corner_only_shifts_the_walk(records: list[Record], corner: int) -> None:
    """From another corner the same things are stopped at in the same places, all chainages shifted by one length."""
    building = records[0]
    assert building.geometry is not None
    ring = shapely.orient_polygons(building.geometry, exterior_cw=True).exterior.coords[:-1]
    start = next(i for i, xy in enumerate(ring) if xy == (0.0, 0.0))
    x, y = ring[(start + corner) % len(ring)]
    again = [building.model_copy(update={"origin_easting_m": x, "origin_northing_m": y}), *records[1:]]
    own, other = (
        outside(plan_walk(site_of(each)), "B1")
        for each in ([r for r in records if r.kind != "opening"], [r for r in again if r.kind != "opening"])
    )
    length = building.geometry.exterior.length
    zero = next(stop.chainage_m for stop in own if math.hypot(stop.x - x, stop.y - y) < 1e-6)
    assert Counter(stop.kind for stop in own) == Counter(stop.kind for stop in other)
    for stop in own:
        same = [
            one
            for one in other
            if one.kind == stop.kind and math.hypot(one.x - stop.x, one.y - stop.y) < 1e-6
        ]
        assert same
        astray = [
            (stop.chainage_m - zero - one.chainage_m + length / 2) % length - length / 2 for one in same
        ]
        assert min(abs(each) for each in astray) < 1e-6


@settings(max_examples=10)
@given(houses(), st.data())
def test_marks_survive_a_plan_made_again(records: list[Record], data: Any) -> None:
    """After a gully is added, every stop made so far is still there and still marked as it was."""
    site = site_of(records)
    plan = plan_walk(site)
    chosen = data.draw(
        st.lists(st.sampled_from(plan.stops), min_size=1, max_size=8, unique_by=lambda stop: stop.id)
    )
    chosen = [stop for stop in chosen if stop.kind != "search"]
    assume(chosen)
    states = [data.draw(st.sampled_from(["done", "left_out", "no_access"])) for _ in chosen]
    marks = [
        StopMark(id=f"m{i}", stop=stop.id, state=state)
        for i, (stop, state) in enumerate(zip(chosen, states, strict=True))
    ]
    x, y = lie_of(site, None).perimeter.point_at("B1", 0.7, 0.15)[0]
    new = Gully(id="NEW", position_by="coordinates", easting_m=float(x), northing_m=float(y))
    again = plan_walk(site_of([*records, new]))
    before, after = (remaining(each, marks, now=NOW, ref=REF) for each in (plan, again))
    assert not after.unmatched
    for stop, state in zip(chosen, states, strict=True):
        assert before.state[stop.id] == after.state[stop.id] == state
    left = {stop.id for stop in after.left}
    assert left == {stop.id for stop in again.stops} - {stop.id for stop in chosen}
    assert all(after.state[name] == NOT_YET for name in left)


@settings(max_examples=10)
@given(houses())
def test_the_time_is_the_stops_the_walking_and_a_tenth(records: list[Record]) -> None:
    """Minutes of all stops and a minute for every 10 m of ring, and a tenth of that: nothing is lost in the count."""
    plan = plan_walk(site_of(records))
    building = records[0].geometry
    assert building is not None
    stops = math.fsum(stop.minutes for stop in plan.stops)
    assert plan.total.whole_min == pytest.approx(1.1 * (stops + building.length / 10), rel=1e-9)


@settings(max_examples=10)
@given(houses(), st.floats(0, 600))
def test_what_is_left_out_makes_the_walk_fit_and_nothing_needlessly(
    records: list[Record], within: float
) -> None:
    """The walk fits or nothing more may be left out; no stop left out would have fitted; each says what it costs."""
    plan = plan_walk(site_of(records))
    found = leave_out(plan, within_min=within, ref=REF)
    dropped = {drop.stop.id for drop in found.drops}
    saved = math.fsum(drop.saved_min for drop in found.drops)
    assert found.kept_min == pytest.approx(plan.total.whole_min - saved)
    assert found.fits or dropped == {stop.id for stop in plan.stops if stop.drop_rank and stop.minutes > 0}
    if found.fits:
        assert all(found.kept_min + drop.saved_min > within for drop in found.drops)
    assert all(
        drop.not_known.startswith("Not known then: whe") or len(drop.not_known) > 20 for drop in found.drops
    )
    never = {"set_up", "corner", "gully", "downpipe", "party_line", "close_down"}
    assert not never & {drop.stop.kind for drop in found.drops}


@st.composite
def sources_to_try(draw: Any) -> list[Source]:
    """Draw sources on drains that run from later ones to earlier ones, with levels and the walls they feed."""
    count = draw(st.integers(1, 6))
    onward: list[set[str]] = []
    for i in range(count):
        direct = draw(st.sets(st.integers(0, i - 1), max_size=2)) if i else set()
        onward.append({f"G{j}" for j in direct} | {name for j in direct for name in onward[j]})
    levels = draw(st.lists(st.floats(8, 12) | st.just(math.nan), min_size=count, max_size=count))
    walls = draw(st.lists(st.sets(st.sampled_from("WXY"), min_size=1), min_size=count, max_size=count))
    litres = draw(st.lists(st.floats(5, 400) | st.just(math.nan), min_size=count, max_size=count))
    made = [
        Source(
            id=f"G{i}", kind="gully", level_m=levels[i], onward=frozenset(onward[i]), wet_ids=tuple(sorted(walls[i])),
            litres=litres[i], holds=None, because="level of G9" if math.isnan(litres[i]) else "holds",
        )
        for i in range(count)
    ]  # fmt: skip
    return draw(st.permutations(made))


@settings(max_examples=100)
@given(sources_to_try())
def test_water_tests_keep_walls_dry_for_the_next(sources: list[Source]) -> None:
    """What lies downstream comes first, then the lowest; one at a time, one colour each, and walls drain between."""
    order = schedule(sources, dyes=DYES, ref=REF)
    place = {source.id: i for i, (source, _) in enumerate(order)}
    assert sorted(place) == sorted(source.id for source in sources)
    for source, _ in order:
        assert all(place[below] < place[source.id] for below in source.onward)
    for i, (first, _) in enumerate(order):
        for later, _ in order[i + 1 :]:
            ready = all(place[below] < i for below in later.onward)
            if ready and math.isfinite(later.level_m):
                assert math.isfinite(first.level_m)
                assert first.level_m <= later.level_m
    colours = [pouring.dye for _, pouring in order if pouring.dye]
    assert len(set(colours)) == len(colours) == len(order)
    rest = REF.value("walk.drain_min")
    for i, (first, one) in enumerate(order):
        for later, two in order[i + 1 :]:
            assert two.starts_min >= one.ends_min - 1e-9
            if set(first.wet_ids) & set(later.wet_ids):
                assert two.starts_min >= one.ends_min + rest - 1e-9
    for _, pouring in order:
        minutes = pouring.litres / 0.25 / 60 + 8
        assert pouring.ends_min - pouring.starts_min == pytest.approx(minutes)
        assert pouring.known == (pouring.litres != 120 or "holds" in pouring.because)


@given(st.lists(st.tuples(st.floats(0, 19.9), st.floats(0.05, 12)), max_size=6), st.floats(0, 20))
def test_wet_lengths_drawn_together_cover_the_same_wall(spans: list[tuple[float, float]], at: float) -> None:
    """A place on a 20 m ring lies in a merged length just where it lay in one of the lengths, the origin included."""
    begins = np.array([begin for begin, _ in spans])
    ends = np.array([(begin + long) % 20 for begin, long in spans])
    assume(all(min(abs((at - edge) % 20), 20 - abs((at - edge) % 20)) > 1e-6 for edge in [*begins, *ends]))
    wet = any((at - begin) % 20 < long for begin, long in spans)
    found = merged(begins, ends, 20.0)
    assert wet == any((at - begin) % 20 < end - begin for begin, end, _ in found)
    assert sorted(row for _, _, rows in found for row in rows) == list(range(len(spans)))


def test_a_level_not_known_puts_a_test_after_those_known() -> None:
    """Two gullies on drains of their own: the one whose level is not known is tested last, and keeps the usual litres."""
    known = Source(
        id="Z",
        kind="gully",
        level_m=11.0,
        onward=frozenset(),
        wet_ids=("W",),
        litres=30.0,
        holds=None,
        because="",
    )
    blank = replace(known, id="A", level_m=math.nan, litres=math.nan, because="level of A")
    order = schedule([blank, known], dyes=DYES, ref=REF)
    assert [source.id for source, _ in order] == ["Z", "A"]
    assert order[1][1].litres == REF.value("walk.pour_l")
    assert not order[1][1].known
