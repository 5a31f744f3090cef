"""What an answer about the drains draws on the map and says in its tables."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from geo.drains.storage import Inflow
from geo.draw.drains_map import answer_layers, drains_base
from geo.draw.drains_sketches import (
    entries,
    pools,
    run_lines,
    spill_marks,
    standing,
    stop_place,
    wall_lines,
    way_of,
)
from geo.draw.drains_tables import (
    asked,
    change_rows,
    crossing_rows,
    fact_rows,
    fault_rows,
    headline,
    order_rows,
)
from geo.draw.scene import Scene
from geo.exchange.scene import scene_of
from geo.findings.check import read_checked
from geo.findings.drains import DrainAnswer, Drains, ask_drains, lay_out_drains
from geo.findings.examine import examine

DEMO = Path(__file__).parents[2] / "demo_sites"


@pytest.fixture(scope="module")
def laid_out() -> tuple[Scene, Drains]:
    """Return a demo site's scene and its drains."""
    found = examine(read_checked(DEMO / "semi_on_a_slope"))
    return scene_of(found), lay_out_drains(found)


def ask(drains: Drains, blocked: str, **given: object) -> DrainAnswer:
    """Return the answer for something blocked, a hose of a quarter of a litre a second running."""
    return ask_drains(drains, blocked=blocked, inflow=Inflow.steady(0.25), **given)  # type: ignore[arg-type]


def test_every_blockage_can_be_drawn(laid_out: tuple[Scene, Drains]) -> None:
    """Whatever is stopped, the layers are valid JSON: no coordinate and no number is missing."""
    scene, drains = laid_out
    for blocked in drains.can_be_blocked:
        for group in answer_layers(scene, drains, ask(drains, blocked)):
            for layer in group._children.values():
                told = json.loads(layer.told)
                for feature in told["features"]:
                    shape = shapely.geometry.shape(feature["geometry"])
                    assert not shape.is_empty
                    assert np.isfinite(shapely.get_coordinates(shape)).all()
    assert all(not group._children or group.layer_name for group in answer_layers(scene, drains, None))


def test_a_choice_comes_back_only_for_what_there_is(laid_out: tuple[Scene, Drains]) -> None:
    """A run offers to be blocked, a downpipe to have water put in, and every id is on the base map."""
    scene, drains = laid_out
    picks = {}
    for layer in drains_base(scene, drains)._children.values():
        for feature in json.loads(layer.told)["features"] if hasattr(layer, "told") else ():
            pick = feature["properties"].get("pick")
            if pick:
                picks[pick["id"]] = (pick["blocked"], pick["source"])
    assert set(drains.can_be_blocked) <= set(picks)
    assert picks["R1"] == (True, False)
    assert picks["DP4"] == (False, True)
    assert picks["G1"] == (True, True)


def test_the_first_spill_is_number_one(laid_out: tuple[Scene, Drains]) -> None:
    """The first spill is 1, its rivals come before what follows, and no place is numbered twice."""
    _, drains = laid_out
    for blocked in drains.can_be_blocked:
        answer = ask(drains, blocked)
        marks = spill_marks(answer)
        if answer.result.drains or not answer.result.first:
            assert marks == ()
            continue
        assert (marks[0].node, marks[0].number, marks[0].role) == (answer.result.first, 1, "first")
        assert [mark.number for mark in marks] == list(range(1, len(marks) + 1))
        roles = [mark.role for mark in marks]
        assert roles == sorted(roles, key=["first", "rival", "next"].index)
        assert len({mark.node for mark in marks}) == len(marks)


def test_water_backs_up_its_run_and_runs_down_from_its_source(laid_out: tuple[Scene, Drains]) -> None:
    """With the soakaway stopped, water put in at its chamber goes up the run to the gully, not down it."""
    _, drains = laid_out
    assert way_of(drains, ask(drains, "SA1", source="C3")) == [("R6", False)]
    assert way_of(drains, ask(drains, "SA1", source="G3")) == []
    free = ask(drains, "C0", source="G2")
    assert [(name, down) for name, down in way_of(drains, free)][:2] == [("R1", True), ("R2", True)]


def test_a_run_has_one_line_and_its_pieces_make_it_up(laid_out: tuple[Scene, Drains]) -> None:
    """The pieces of a run that is joined part-way are as long together as the run is drawn."""
    scene, drains = laid_out
    lines = run_lines(scene, drains)
    drawn = dict(zip(scene.runs["run_id"], scene.runs.geometry, strict=True))
    for run_id, pieces in drains.network.runs.groupby("run_id").groups.items():
        total = sum(lines[name].length for name in pieces if name in lines)
        assert total == pytest.approx(drawn[run_id].length, abs=0.05)


def test_a_stop_is_drawn_where_it_is(laid_out: tuple[Scene, Drains]) -> None:
    """A stop 4 m down a run lies 4 m along its line; one of unknown place says so; a soakaway's is on it."""
    scene, drains = laid_out
    lines = run_lines(scene, drains)
    answer = replace(ask(drains, "R2"), at_m=4.0)
    spot, known = stop_place(drains, answer, lines)  # type: ignore[misc]
    assert known
    assert lines["R2"].project(spot) == pytest.approx(4.0, abs=0.02)
    unknown = stop_place(drains, ask(drains, "R2"), lines)
    assert unknown is not None
    assert not unknown[1]
    at = stop_place(drains, ask(drains, "SA1"), lines)
    assert at is not None
    x, y = drains.network.nodes.loc["SA1", ["x", "y"]]
    assert at[0].distance(shapely.Point(x, y)) < 1e-6


def test_water_stands_only_above_a_stop_of_known_place(laid_out: tuple[Scene, Drains]) -> None:
    """With a run stopped 4 m down, the band on it is 4 m long."""
    scene, drains = laid_out
    lines = run_lines(scene, drains)
    answer = replace(ask(drains, "R2"), at_m=4.0)
    lengths = [shape.length for shape, told in standing(drains, answer, lines) if told["style"]["weight"] > 8]
    assert any(length == pytest.approx(4.0, abs=0.02) for length in lengths)


def test_wall_lines_are_those_of_the_perimeter(laid_out: tuple[Scene, Drains]) -> None:
    """Lines made together are the perimeter's own, over corners and past the origin corner too."""
    scene, _ = laid_out
    ring = scene.drawn_rings[0]
    length = float(scene.perimeter.rings.loc[ring, "length_m"])
    pieces = [(ring, 2.0, 5.0, 0.35), (ring, 1.0, length * 0.7, -0.4), (ring, length - 1.0, 2.0, 0.35)]
    for piece, line in zip(pieces, wall_lines(scene, pieces), strict=True):
        ring_key, start, end, offset = piece
        assert line.hausdorff_distance(scene.perimeter.line(ring_key, start, end, offset)) < 1e-4
    assert wall_lines(scene, []) == []


def test_a_way_in_without_a_place_is_drawn_on_the_wetted_wall(laid_out: tuple[Scene, Drains]) -> None:
    """Plain brick has no chainage of its own: its sign stands half-way along the wall that is wet."""
    scene, drains = laid_out
    answer = ask(drains, "G2")
    water = next(each for each in answer.water if each.entries and each.chainage_to_m > each.chainage_from_m)
    nowhere = replace(
        water.entries[0],
        chainage_from_m=float("nan"),
        chainage_to_m=float("nan"),
        verdict=replace(water.entries[0].verdict, word="yes"),
    )
    drawn = entries(scene, replace(answer, water=(replace(water, entries=(nowhere,)),)))
    middle = (water.chainage_from_m + water.chainage_to_m) / 2.0
    wanted = shapely.Point(scene.perimeter.point_at(water.ring_key, middle)[0])
    assert drawn[0][0].distance(wanted) < 1e-6


def test_a_pool_not_known_is_hatched(laid_out: tuple[Scene, Drains]) -> None:
    """A pool that stands is filled and one that may stand is hatched with a broken edge and a query."""
    _, drains = laid_out
    answer = ask(drains, "G3")
    ground = answer.on_ground[0]
    assert ground.outline is not None
    for word, fill, dash in (("stands at the wall", "#", ""), ("not known", "url(", "6 4")):
        shape, words = pools(replace(answer, on_ground=(replace(ground, word=word),)))
        assert shape[1]["style"]["fillColor"].startswith(fill)
        assert shape[1]["style"]["dashArray"] == dash
        assert words[1]["text"].startswith("?") == (word == "not known")


def test_no_sentence_holds_a_missing_number(laid_out: tuple[Scene, Drains]) -> None:
    """Whatever is blocked, nothing on the page reads nan, inf or None."""
    _, drains = laid_out
    for blocked in drains.can_be_blocked:
        answer = ask(drains, blocked)
        said = [headline(answer), asked(answer)]
        for table in (
            fact_rows(drains, answer),
            order_rows(drains, answer),
            change_rows(answer),
            crossing_rows(drains, answer),
            fault_rows(drains),
        ):
            said += [str(cell) for cell in table.to_numpy().ravel()]
        for sentence in said:
            assert not {"nan", "inf", "None"} & set(sentence.replace(",", " ").split()), sentence


def test_the_order_says_how_far_each_lies_above_the_first(laid_out: tuple[Scene, Drains]) -> None:
    """Levels of the book: chamber C3's cover 10.096 less gully G3's rim 9.902 m is 194 mm."""
    _, drains = laid_out
    rows = order_rows(drains, ask(drains, "SA1")).set_index("where")
    assert rows.loc["G3", "no"] == "1"
    assert rows.loc["G3", "above the first, mm"] == "0"
    assert rows.loc["C3", "above the first, mm"] == "194"


def test_too_little_water_reaches_no_wall(laid_out: tuple[Scene, Drains]) -> None:
    """One bowl of two litres fills nothing: no wall is drawn wet, no place as coming up, and it is said so."""
    scene, drains = laid_out
    bowl = Inflow.pours(2.0, over_s=10.0)
    answer = ask_drains(drains, blocked="SA1", source="C3", inflow=bowl)
    assert answer.result.first == "G3"
    assert headline(answer).startswith("Nothing comes up")
    looks = [
        feature["properties"].get("look")
        for group in answer_layers(scene, drains, answer)
        for layer in group._children.values()
        for feature in json.loads(layer.told)["features"]
    ]
    assert "stop" in looks
    assert not {"spill", "pool", "way", "entry"} & set(looks)


def test_nothing_stands_below_a_blocked_way_out(laid_out: tuple[Scene, Drains]) -> None:
    """A gully whose own outlet is blocked holds the water: its run onward carries none."""
    scene, drains = laid_out
    drawn = standing(drains, ask(drains, "G3"), run_lines(scene, drains))
    assert not [told for _, told in drawn if told["style"]["weight"] > 8]
