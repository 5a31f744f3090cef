"""The network of the records, and what is said when they cannot be right."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
import pytest
from shapely.geometry import LineString

from geo import reference
from geo.drains.backup import back_up
from geo.drains.network import Network, build_network
from geo.errors import InputError

REF = reference.default()


def gully(name: str, rim: float = 10.0, outlet: float = 9.5, **more: Any) -> dict[str, Any]:
    """One sound gully."""
    return {
        "id": name,
        "rim_level_m": rim,
        "outlet_invert_level_m": outlet,
        "riser_mm": 150.0,
        "state": "sound",
        **more,
    }


def run(name: str, start: str, end: str, up: float, down: float, **more: Any) -> dict[str, Any]:
    """One 100 mm run of 5 m."""
    return {"id": name, "from_id": start, "to_id": end, "bore_mm": 100.0, "invert_up_level_m": up,
            "invert_down_level_m": down, "length_m": 5.0, "state": "clear", **more}  # fmt: skip


def build(**tables: list[dict[str, Any]]) -> Network:
    """Build from rows."""
    return build_network({kind: pd.DataFrame(rows) for kind, rows in tables.items()}, ref=REF)


def said(network: Network) -> str:
    """Every sentence."""
    return "\n".join(str(problem) for problem in network.problems)


def test_a_sound_network_has_nothing_said_of_it() -> None:
    """One gully on one run that ends at the sewer: no problem, nothing marked."""
    network = build(gully=[gully("G1")], run=[run("R1", "G1", "", 9.5, 9.4)])
    assert network.problems == ()
    assert network.marked == frozenset()
    assert network.nodes.loc["R1:down", "outfall"]


@pytest.mark.parametrize(
    ("rows", "ids", "words"),
    [
        ([run("R1", "G1", "", 9.5, 9.4), run("R1", "G2", "", 9.5, 9.4)], "R1", "twice"),
        ([run("R1", "G1", "", 9.5, 9.4, length_m=0.0)], "R1", "no length"),
        ([run("R1", "G1", "", 9.5, 9.4, bore_mm=-100.0)], "R1", "bore -100 mm"),
        ([run("R1", "G1", "", 10.5, 9.4)], "R1, G1", "above the top of G1"),
        ([run("R1", "G1", "G2", 9.5, 9.4), run("R2", "G2", "G1", 9.4, 9.3)], "R1, R2", "round in a ring"),
        ([run("R1", "G1", "", 9.5, 9.4), run("R2", "X:", "Y:", 9.4, 9.3)], "R2", "names X:"),
        ([run("R1", "G1", "", 9.5, math.nan)], "R1", "downstream invert"),
        ([run("R1", "G1", "G1", 9.5, 9.4)], "R1", "begins and ends at G1"),
    ],
)
def test_bad_runs_are_named_and_the_rest_is_used(rows: list[dict[str, Any]], ids: str, words: str) -> None:
    """Each fault is a sentence with its ids; the ids are marked; another drain answers as before."""
    sound = [run("S1", "K", "", 9.5, 9.4)]
    network = build(gully=[gully("G1"), gully("G2", outlet=9.4), gully("K", rim=9.9)], run=[*rows, *sound])
    assert words in said(network)
    assert any(problem.found.startswith(ids) for problem in network.problems)
    assert set(ids.split(", ")) <= network.marked
    found = back_up(network, blocked="S1", source="K", ref=REF)
    assert (found.first, found.level.value, found.marked) == ("K", 9.9, ())


def test_an_answer_says_that_it_rests_on_something_wrong() -> None:
    """A pool that stands in a run of negative bore is marked, and its litres are at least."""
    network = build(gully=[gully("G1")], run=[run("R1", "G1", "", 9.5, 9.4, bore_mm=-100.0)])
    found = back_up(network, blocked="R1", source="G1", ref=REF)
    assert found.marked == ("R1",)
    assert found.at_least == ("R1",)


def test_an_invert_above_its_cover_is_said_of_the_asset_too() -> None:
    """A gully whose outlet lies above its rim: one of the two is wrong."""
    network = build(gully=[gully("G1", rim=9.4, outlet=9.5)], run=[run("R1", "G1", "", 9.5, 9.4)])
    assert "its invert 9.500 lies above where water leaves it, 9.400" in said(network)


def test_a_part_that_leads_nowhere() -> None:
    """Two blocked-off chambers with no way out are named together."""
    rows = [run("R1", "C1", "C2", 9.5, 9.4), run("R2", "C2", "C1", 9.4, 9.3)]
    chambers = [
        {"id": c, "cover_level_m": 10.0, "invert_level_m": 9.3, "length_mm": 450.0} for c in ("C1", "C2")
    ]
    assert "lead to no outfall" in said(build(chamber=chambers, run=rows))


def test_a_missing_invert_lies_between_its_neighbours() -> None:
    """Upstream 9.5 and downstream 9.3 are known: the joint between lies from 9.3 to 9.5."""
    network = build(
        gully=[gully("G1")], run=[run("R1", "G1", "J", 9.5, math.nan), run("R2", "J", "", math.nan, 9.3)]
    )
    assert network.runs.loc["R1", ["down_low_m", "down_high_m"]].tolist() == [9.3, 9.5]
    assert network.runs.loc["R2", ["up_low_m", "up_high_m"]].tolist() == [9.3, 9.5]


def test_loose_ends_drawn_together_are_one_joint() -> None:
    """Two runs with no asset named end 0.1 m apart: water from one runs on into the other."""
    rows = [
        run("R1", "G1", "", 9.5, 9.4, geometry=LineString([(0, 0), (5, 0)])),
        run("R2", "", "", 9.4, 9.3, geometry=LineString([(5.1, 0), (9, 0)])),
    ]
    network = build(gully=[gully("G1")], run=rows)
    assert network.runs.loc["R1", "to_node"] == network.runs.loc["R2", "from_node"]
    assert network.nodes["outfall"].sum() == 1


def test_a_run_joined_part_way() -> None:
    """R2 joins R1 at 4 of its 10 m: two pieces, the level between in proportion: 9.5 − 0.4 × 0.2."""
    rows = [
        run("R1", "G1", "", 9.5, 9.3, length_m=10.0, geometry=LineString([(0, 0), (10, 0)])),
        run("R2", "G2", "R1", 9.6, 9.42, geometry=LineString([(4, 5), (4, 0)])),
    ]
    network = build(gully=[gully("G1"), gully("G2", outlet=9.6)], run=rows)
    assert sorted(network.runs.index) == ["R1", "R1@4.00", "R2"]
    assert network.runs.loc["R1", "down_m"] == pytest.approx(9.42)
    assert network.runs["length_m"].tolist() == [5.0, 4.0, 6.0] or set(network.runs["length_m"]) == {
        4.0,
        5.0,
        6.0,
    }


def test_a_downpipe_over_a_gully_is_not_a_way_back() -> None:
    """A shoe over a gully gives the gully its roof; naming the downpipe means the gully."""
    pipe = {"id": "D1", "foot": "shoe_over_gully", "into_id": "G1", "roof_m2": 30.0, "bore_mm": 68.0}
    network = build(gully=[gully("G1")], downpipe=[pipe], run=[run("R1", "G1", "", 9.5, 9.4)])
    assert "D1" not in network.nodes.index
    assert network.nodes.loc["G1", "roof_m2"] == 30.0
    assert back_up(network, blocked="R1", source="D1", ref=REF).first == "G1"


def test_a_socket_that_leads_nowhere() -> None:
    """Where the run is absent the water leaves at the socket's invert, below ground."""
    network = build(gully=[gully("G1")], run=[run("R1", "G1", "", 9.5, 9.4, state="absent")])
    found = back_up(network, source="G1", ref=REF)
    assert (found.first, found.leaves, found.level.value, found.below_ground) == ("G1", "socket", 9.5, True)


def test_steady_flows_add_downstream() -> None:
    """0.2 and 0.3 l/s meet: 0.5 below the joint; round a ring nothing is said."""
    rows = [run("R1", "G1", "J", 9.5, 9.4), run("R2", "G2", "J", 9.5, 9.4), run("R3", "J", "", 9.4, 9.3)]
    network = build(gully=[gully("G1"), gully("G2")], run=rows)
    flows = network.steady_flows({"G1": 0.2, "G2": 0.3})
    assert flows.to_dict() == pytest.approx({"R1": 0.2, "R2": 0.3, "R3": 0.5})
    ring = build(
        gully=[gully("G1"), gully("G2")],
        run=[run("R1", "G1", "G2", 9.5, 9.4), run("R2", "G2", "G1", 9.4, 9.3)],
    )
    assert ring.steady_flows({"G1": 0.2}).isna().all()


def test_an_unknown_id_is_refused() -> None:
    """Naming a node that is not there says so, and what there is."""
    network = build(gully=[gully("G1")], run=[run("R1", "G1", "", 9.5, 9.4)])
    with pytest.raises(InputError, match=r"nothing is called 'G9'.*G1"):
        back_up(network, blocked="R1", source="G9", ref=REF)
    with pytest.raises(InputError, match="nothing is called 'R9'"):
        back_up(network, blocked="R9", source="G1", ref=REF)


def test_an_empty_site() -> None:
    """No records, no network, no complaint."""
    network = build()
    assert network.nodes.empty
    assert network.problems == ()
