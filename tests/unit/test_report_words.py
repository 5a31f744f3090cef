"""The words of a report: nothing is said of what is missing, and places are named as people find them."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
import shapely

from geo import reference
from geo.findings.check import read_checked
from geo.findings.examine import Findings, examine
from geo.report.cautions import ALWAYS, FACTS, cautions_for, every_caution, facts_of
from geo.report.links import Places as LinkPlaces
from geo.report.parts import Table, blocks, listed, paragraph, said, sentence, sentences, spans_of
from geo.report.places import Places, joined, wet_places
from geo.report.plain_words import cause_line, seen_line, trade_words, trades
from geo.report.plain_words import test_words as words_of_test
from geo.report.source import letter_name
from geo.report.wording import amount, day_words, field_name, last_day, record_words
from geo.site.records import Gully
from geo.weights import default as weights

DEMO = Path(__file__).parents[2] / "demo_sites"


@pytest.fixture(scope="module")
def semi() -> Findings:
    """Return the semi examined."""
    return examine(read_checked(DEMO / "semi_on_a_slope"))


@pytest.mark.parametrize("gone", [None, math.nan, ""])
def test_a_sentence_whose_value_is_missing_is_not_said(gone: object) -> None:
    """One value of two is missing: the whole sentence is left out, and so is its paragraph."""
    words = said("the slab lies at {level:.3f} m, {wide:.0f} mm wide", level=gone, wide=40.0)
    assert words == ""
    assert paragraph(words, rests_on=("OU1",)) is None
    assert said("the slab lies at {level:.3f} m", level=9.85) == "the slab lies at 9.850 m"


def test_an_empty_table_is_no_block() -> None:
    """A table without rows, and a paragraph that was not said, leave nothing behind."""
    table = Table(caption="Tests", header=("a",), widths=(1.0,), rows=())
    assert blocks(table, None, paragraph("")) == ()


def test_sentences_begin_with_a_capital_and_end_with_a_stop() -> None:
    """What is blank leaves no gap; a question mark is kept."""
    assert sentences("water stands", "", "what feeds it?") == "Water stands. What feeds it?"
    assert sentence("") == ""
    assert listed(["G1", "G2", "G3"]) == "G1, G2 and G3"


def test_ids_that_follow_one_another_are_one_span() -> None:
    """Three in a row are a span, two are named each; a number's leading noughts count."""
    names = ("r008", "r009", "r010", "DP1", "DP2", "r1", "x")
    assert spans_of(names) == [("r008", "r010"), ("DP1",), ("DP2",), ("r1",), ("x",)]
    links = LinkPlaces(of={"r008": "record-1", "DP1": "record-2"}).links(names)
    assert [(link.said, link.to) for link in links] == [
        ("r008 to r010", "record-1"),
        ("DP1", "record-2"),
        ("DP2", ""),
        ("r1", ""),
        ("x", ""),
    ]


def test_spans_cover_every_id() -> None:
    """However they are drawn together, no id is lost: a span of k ids counts k."""
    names = [f"r{i:03d}" for i in (*range(1, 12), 20, 21, *range(97, 104))]
    counted = 0
    for span in spans_of(names):
        counted += int(span[-1][1:]) - int(span[0][1:]) + 1
    assert counted == len(names)


def test_a_wall_is_named_as_seen_from_the_street(semi: Findings) -> None:
    """The street is looked from at 7 degrees: chainage runs up the left side, along the rear, round to the front.

    Of a rectangle walked clockwise seen from above from its front-left corner the first wall is the left one,
    the next the rear one, then the right one, then the front one. The semi has a rear extension, so two walls
    look to the rear and two to the right; the second of those to the right is the party wall.
    """
    places = Places(found=semi)
    named = [places.wall("B1", f"F{k}").split(" wall")[0] for k in range(1, 7)]
    assert named == ["left-hand", "rear", "right-hand", "rear", "right-hand", "front"]


def test_a_length_is_said_from_the_end_a_person_can_find(semi: Findings) -> None:
    """Chainage 2 to 3 m of the left wall, whose chainage begins at the front.

    Who faces the left side of a house from outside has its front on the right hand; from inside on the left.
    """
    places = Places(found=semi)
    assert (
        places.plainly("B1", "outside", 2.0, 3.0)
        == "the left-hand wall, 2.0 to 3.0 m from its right-hand end"
    )
    assert (
        places.plainly("B1", "inside", 2.0, 3.0) == "the left-hand wall, 2.0 to 3.0 m from its left-hand end"
    )


def test_two_walls_of_one_name_are_told_apart(semi: Findings) -> None:
    """The semi has two rear walls; each is said with the letter it bears on the plan."""
    places = Places(found=semi)
    start = float(semi.perimeter.faces.loc["B1:F2", "chainage_from_m"])
    assert "the rear wall (F2 on the plan)" in places.plainly("B1", "outside", start + 0.5, start + 1.5)
    assert places.marked("B1", "F2") == "rear F2"
    assert places.marked("B1", "F1") == "left-hand"


def test_hands_agree_with_the_geometry(semi: Findings) -> None:
    """For every outer wall: from 3 m outside, looking at the wall, its first corner lies on the hand that is said.

    The side of a point is the sign of the cross product of the way one looks and the way to the point: positive
    is to the left.
    """
    places = Places(found=semi)
    for wall in places.walls["B1"]:
        line = semi.perimeter.faces.loc[f"B1:{wall.face}"].geometry
        first, last = shapely.get_coordinates(line)[[0, -1]]
        middle = (first + last) / 2
        stand = middle + 3 * shapely.get_coordinates(shapely.Point(wall.normal_e, wall.normal_n))[0]
        look, way = middle - stand, first - stand
        side = "left-hand" if look[0] * way[1] - look[1] * way[0] > 0 else "right-hand"
        told = places.plainly("B1", "outside", wall.from_m + 0.2, wall.from_m + 0.8)
        assert told.endswith(f"from its {side} end")


def test_wet_lengths_join_through_the_origin_corner() -> None:
    """On a ring of 20 m, 18.5 to 20.5 m and 0.2 to 1.0 m are one length of 2.5 m, from 18.5 to 21 m."""
    assert list(joined([(18.5, 20.5, "W2"), (0.2, 1.0, "W1"), (5.0, 6.0, "W3")], 20.0)) == [
        (5.0, 6.0, ("W3",)),
        (18.5, 21.0, ("W2", "W1")),
    ]


def test_wet_places_keep_every_stretch_once(semi: Findings) -> None:
    """Drawing stretches together loses none, and no place is longer than its stretches together."""
    places = wet_places(semi)
    names = [name for place in places for name in place.stretch_ids]
    assert sorted(names) == sorted(map(str, semi.stretches.index))
    for place in places:
        assert place.length_m <= semi.stretches.loc[list(place.stretch_ids), "length_m"].sum() + 1e-9


def test_names_go_on_after_z() -> None:
    """The 27th place is AA, the 53rd BA."""
    assert [letter_name(i) for i in (0, 25, 26, 52)] == ["A", "Z", "AA", "BA"]


def test_days_and_amounts() -> None:
    """A day that cannot be is not said; a number has no more digits than it is given."""
    assert day_words("2026-03-17T09:10") == "17 March 2026, 09:10"
    assert day_words("2026-13-17") == ""
    assert day_words("") == ""
    assert amount(math.nan, "m") == ""
    assert amount(7.9, "%", digits=2, sigma=0.3) == "7.90 ± 0.30 %"
    assert amount(-0.001, "m") == "0.0 m"


def test_the_last_day_recorded(semi: Findings) -> None:
    """No record of the semi bears a later day than the one the report is dated by."""
    last = last_day(semi.site)
    assert last is not None
    written = [
        str(value)[:10]
        for records in semi.site.records.values()
        for record in records
        for name, value in record.model_dump().items()
        if name.endswith(("_at", "_on", "_date", "_from", "_to"))
        and isinstance(value, str)
        and value[:2] == "20"
    ]
    assert max(written) == last.isoformat()


def test_a_record_in_words() -> None:
    """Every field that was filled in stands there with its unit, text in quotation marks, blanks left out."""
    gully = Gully(
        id="G1", chainage_m=3.2, rim_level_m=9.747, state="lip_broken", riser_mm=150, note="mortar gone"
    )
    told = record_words(gully, reference.default())
    assert "chainage 3.2 m" in told
    assert "rim level 9.747 m" in told
    assert "state: lip or surround broken on the wall side" in told
    assert "riser 150 mm" in told
    assert "note: “mortar gone”" in told
    assert "lip level" not in told
    assert field_name("level_sigma_m") == ("level standard deviation", "m")


def test_every_caution_is_whole() -> None:
    """Each says its hazard short and long, when it applies in words the program knows, and where it comes from."""
    told = every_caution()
    assert len({caution.key for caution in told}) == len(told)
    for caution in told:
        assert set(caution.when) <= set(FACTS), caution.key
        assert caution.when, caution.key
        assert len(caution.long) > len(caution.short) > 20, caution.key
        assert caution.source, caution.key
        assert caution.status in ("CONFIRMED", "CONFIRMED-2", "FROM MEMORY", "COMMON PRACTICE", "JUDGEMENT")


def test_cautions_follow_the_records(semi: Findings) -> None:
    """The semi is wet inside, of 1934, has chambers and was read by carbide; nothing of it is a solid wall."""
    facts = facts_of(semi)
    assert {"wet_inside", "old_building", "chambers", "carbide", "poured"} <= facts
    assert "solid_wall" not in facts
    named = {caution.key for caution in cautions_for(facts)}
    assert {"electricity", "asbestos", "chambers", "carbide", "evidence", "elsewhere"} <= named
    assert "traditional" not in named
    assert {caution.key for caution in cautions_for(())} == {
        caution.key for caution in every_caution() if ALWAYS in caution.when
    }


def test_every_cause_and_trade_has_plain_words() -> None:
    """Each of the 21 causes is said in plain words and names a trade that is told what it is called for."""
    for cause in weights().causes:
        line = cause_line(cause.key, "")
        assert line is not None, cause.key
        assert "{" not in line.said + line.again, cause.key
        assert "()" not in line.said, cause.key
        assert line.trade in trades(), cause.key
    for trade in trades():
        assert all(trade_words(trade))


def test_every_state_the_letter_knows_is_a_word_of_its_kind() -> None:
    """What was seen is said for states of the vocabulary only, and names a trade."""
    import tomllib

    told = tomllib.loads((Path(__file__).parents[2] / "shared" / "letter.toml").read_text(encoding="utf-8"))
    vocabulary = reference.default().vocabulary
    for kind, states in told["seen"].items():
        for state in states:
            assert state in vocabulary[f"{kind}_state"], (kind, state)
            line = seen_line(kind, state, "X1", "rear wall")
            assert line is not None
            assert "{" not in line.said + line.do
            assert line.trade in trades()


def test_every_field_test_has_plain_words() -> None:
    """Whatever test comes next, the letter can say what is done."""
    import tomllib

    text = (Path(__file__).parents[2] / "shared" / "field_tests.toml").read_text(encoding="utf-8")
    for key in tomllib.loads(text)["test"]:
        assert words_of_test(key, "G1").startswith(("we ", "a ")), key


def test_the_letter_blames_nobody_and_shows_no_share() -> None:
    """No word of the letter's own names a way of living, a share in per cent, or a fault of a person."""
    folder = Path(__file__).parents[2] / "shared"
    lines = (folder / "letter.toml").read_text(encoding="utf-8").lower().splitlines()
    text = "\n".join(line for line in lines if not line.startswith("#"))
    home = " ".join(caution.home.lower() for caution in every_caution())
    for word in ("lifestyle", "per cent", "%", "blame", "your fault", "negligen", "careless", "fail to"):
        assert word not in text, word
        assert word not in home, word
