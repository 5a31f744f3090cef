"""What holds of repairs whatever their sizes: sums that add up, orders that can be done."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import networkx as nx
import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.evidence.coverage import both, laid, total
from geo.works.amounts import (
    joints_count,
    lowered,
    openings_count,
    ordered,
    plaster_height_m,
    skips_count,
    strip_m2,
)
from geo.works.asked import apart_m, shared_m
from geo.works.changed import newly_explained
from geo.works.kinds import Asked
from geo.works.order import cheapest_first, longest_chain

lengths = st.floats(0.3, 30.0)


@given(st.lists(st.tuples(st.floats(-100.0, 400.0), lengths), min_size=1, max_size=12), st.floats(0.2, 3.0))
def test_lowering_adds_up_whatever_the_pieces(pieces: list[tuple[float, float]], width: float) -> None:
    """Cutting every piece in two changes nothing; a higher wish never digs less."""
    clear, length = (np.array(each) for each in zip(*pieces, strict=True))
    area, volume = lowered(clear, length_m=length, width_m=width, wanted_mm=150.0)
    halves = lowered(np.repeat(clear, 2), length_m=np.repeat(length / 2, 2), width_m=width, wanted_mm=150.0)
    assert np.isclose(area.sum(), halves[0].sum())
    assert np.isclose(volume.sum(), halves[1].sum())
    assert volume.sum() <= lowered(clear, length_m=length, width_m=width, wanted_mm=200.0)[1].sum() + 1e-9


@given(st.floats(0.5, 60.0), st.floats(1.0, 1.5))
def test_openings_are_never_further_apart_than_their_spacing(length: float, spacing: float) -> None:
    """N openings over a length leave n - 1 gaps, none wider than asked, and one fewer would."""
    count = openings_count([length], spacing)
    assert length / (count - 1) <= spacing + 1e-6
    assert count == 2 or length / (count - 2) > spacing - 1e-6


@given(lengths, lengths, st.floats(0.05, 0.14))
def test_a_strip_round_a_room_is_the_room_less_what_is_left(long: float, wide: float, strip: float) -> None:
    """Against the polygon library: the floor of a room less the floor set in by the strip."""
    room = shapely.box(0.0, 0.0, long, wide)
    left = room.buffer(-strip, join_style="mitre")
    found = strip_m2(2 * (long + wide), strip, inner_corners=4)
    assert np.isclose(found, room.area - left.area)


@given(
    st.floats(1.0, 10.0), st.floats(1.0, 10.0), st.floats(0.2, 0.8), st.floats(0.2, 0.8), st.floats(0.02, 0.1)
)
def test_a_strip_round_a_corner_into_the_room(a: float, b: float, u: float, v: float, strip: float) -> None:
    """The same of a room with one corner pointing into it: five corners away, one in."""
    room = shapely.box(0, 0, a, b).difference(shapely.box(a * u, b * v, a, b))
    left = room.buffer(-strip, join_style="mitre")
    if left.geom_type != "Polygon" or len(shapely.get_coordinates(left)) != 7:
        return
    found = strip_m2(room.length, strip, inner_corners=5, outer_corners=1)
    assert np.isclose(found, room.area - left.area)


@given(st.floats(0.0, 3.0), st.floats(0.0, 0.5), st.floats(0.5, 1.5))
def test_plaster_reaches_over_the_damp_and_not_a_step_too_far(damp: float, over: float, least: float) -> None:
    """At least as high as asked, less than a step higher."""
    height = float(plaster_height_m(damp, least_m=least, over_m=over, step_m=0.05))
    wanted = max(least, damp + over)
    assert wanted - 1e-6 <= height < wanted + 0.05 + 1e-6


@given(st.floats(0.0, 100.0), st.floats(0.0, 0.5), st.floats(0.1, 6.0))
def test_waste_only_adds_and_joints_join(net: float, waste: float, piece: float) -> None:
    """An order is never less than the net; pieces less one are the joints that join a length."""
    assert ordered(net, waste) >= net
    count = joints_count(net, piece) + 1
    assert count * piece >= net - 1e-6


@given(st.lists(st.tuples(st.floats(0.0, 10.0), st.floats(0.0, 10.0)), min_size=1, max_size=6))
def test_skips_hold_everything_by_volume_and_by_weight(loads: list[tuple[float, float]]) -> None:
    """So many skips take it all, and one fewer does not."""
    volume, weight = (np.array(each) for each in zip(*loads, strict=True))
    count, decides = skips_count(volume, weight, skip_m3=6.1, skip_t=8.0)
    assert count * 6.1 >= volume.sum() - 1e-6
    assert count * 8.0 >= weight.sum() - 1e-6
    if count:
        last = volume.sum() / 6.1 if decides == "volume" else weight.sum() / 8.0
        assert last > count - 1 - 1e-6


def small_graphs() -> st.SearchStrategy[tuple[nx.DiGraph, list[int]]]:
    """Return graphs of up to six nodes without rings, and a size of each node."""

    def made(drawn: tuple[int, list[bool], list[int]]) -> tuple[nx.DiGraph, list[int]]:
        count, edges, sizes = drawn
        graph = nx.DiGraph()
        graph.add_nodes_from(range(count))
        pairs = list(itertools.combinations(range(count), 2))
        graph.add_edges_from(pair for pair, on in zip(pairs, edges, strict=False) if on)
        return graph, sizes[:count]

    return st.tuples(
        st.integers(1, 6), st.lists(st.booleans(), min_size=15, max_size=15),
        st.lists(st.integers(0, 4), min_size=6, max_size=6),
    ).map(made)  # fmt: skip


def every_order(graph: nx.DiGraph) -> list[tuple[int, ...]]:
    """Return every order in which a graph can be done, by trying all of them."""
    return [
        order
        for order in itertools.permutations(graph)
        if all(order.index(a) < order.index(b) for a, b in graph.edges)
    ]


@settings(max_examples=60)
@given(small_graphs())
def test_small_things_first_is_the_first_of_all_orders(drawn: tuple[nx.DiGraph, list[int]]) -> None:
    """Among all orders that can be done, tried one by one, the one taken has the smallest sizes from the start."""
    graph, sizes = drawn
    names = [str(node) for node in graph]
    named = nx.relabel_nodes(graph, {node: str(node) for node in graph})
    found = cheapest_first(named, {name: sizes[int(name)] for name in names}, names)
    best = min(every_order(graph), key=lambda order: [(sizes[node], node) for node in order])
    assert [int(name) for name in found] == list(best)


@settings(max_examples=60)
@given(small_graphs(), st.lists(st.floats(0.1, 9.0), min_size=6, max_size=6))
def test_no_chain_takes_longer_than_the_longest(
    drawn: tuple[nx.DiGraph, list[int]], days: list[float]
) -> None:
    """Against the graph library, with the days of a node on the edges into it, and against every path."""
    graph, _ = drawn
    named = nx.relabel_nodes(graph, {node: str(node) for node in graph})
    own = {name: days[int(name)] for name in named}
    chain = longest_chain(named, own)
    assert all(named.has_edge(a, b) for a, b in itertools.pairwise(chain))
    weighed = nx.DiGraph()
    weighed.add_weighted_edges_from(("", name, own[name]) for name in named)
    weighed.add_weighted_edges_from((a, b, own[b]) for a, b in named.edges)
    assert np.isclose(sum(own[name] for name in chain), nx.dag_longest_path_length(weighed, weight="weight"))


def on_ring(start: float, span: float, ring: float = 40.0) -> Asked:
    """Return a repair along a ring of 40 m."""
    return Asked(repair_id="", kind="r12", ring_key="B1", from_m=start % ring, to_m=(start + span) % ring)


places = st.tuples(st.floats(0.0, 39.9), st.floats(0.5, 15.0))


@given(places, places, st.floats(0.0, 40.0))
def test_turning_the_origin_changes_neither_overlap_nor_distance(
    first: tuple[float, float], then: tuple[float, float], turn: float
) -> None:
    """Renaming the origin corner moves chainages and nothing else; overlap and distance are symmetric."""
    a, b = on_ring(*first), on_ring(*then)
    c, d = on_ring(first[0] + turn, first[1]), on_ring(then[0] + turn, then[1])
    assert np.isclose(shared_m(a, b, 40.0), shared_m(c, d, 40.0), atol=1e-6)
    assert np.isclose(shared_m(a, b, 40.0), shared_m(b, a, 40.0), atol=1e-9)
    if abs(shared_m(a, b, 40.0)) > 1e-6:
        assert apart_m(a, b, 40.0) == 0.0
    elif shared_m(c, d, 40.0) == 0.0:
        assert np.isclose(apart_m(a, b, 40.0), apart_m(c, d, 40.0), atol=1e-6)


spans = st.lists(st.tuples(st.floats(0.0, 39.0), st.floats(0.1, 8.0)), min_size=0, max_size=4)


@given(spans, spans)
def test_what_is_newly_explained_was_open_and_is_explained(
    was: Sequence[tuple[float, float]], now: Sequence[tuple[float, float]]
) -> None:
    """Never longer than what was open, never longer than what is explained, and in both."""
    before = [span for start, length in was for span in laid(start, start + length, 40.0)]
    after = [span for start, length in now for span in laid(start, start + length, 40.0)]
    found = newly_explained(before, after)
    assert np.isclose(total(both(found, newly_explained(before, before))), total(found), atol=1e-6)
    assert np.isclose(total(both(found, newly_explained(after, after))), total(found), atol=1e-6)
