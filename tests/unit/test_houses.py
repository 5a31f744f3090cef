"""Simulated houses: the physics against hand values, the surveyor's records, the scoring against counts by hand."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest
from typer.testing import CliRunner

from geo.cli import app
from geo.evidence.coverage import Cover
from geo.findings.check import read_checked
from geo.houses.fabric import draw_fabric
from geo.houses.house import draw_house
from geo.houses.masonry import SEEN_WET, front, levels_of, over_debris
from geo.houses.pipes import Drainage, Node, Pipe, back_up
from geo.houses.truth import Range, TrueCause
from geo.houses.wall import Wall
from geo.houses.water import wet_radius
from geo.scoring.judge import _overlap
from geo.scoring.kinds import Claim, Guess, Scored, StretchRow, Truth
from geo.scoring.run import numbers_of
from geo.scoring.table import report_lines, report_of, share

HOUSES = range(1, 13)


# --- physics ------------------------------------------------------------------------------------
@pytest.mark.parametrize(("leaf_m", "faces", "rise_mm"), [(0.150, 1, 612), (0.150, 2, 433), (0.215, 1, 733)])
def test_a_front_rises_as_published(leaf_m: float, faces: int, rise_mm: float) -> None:
    """Hall and Hoff (2007), S 1.0 mm/min½, e 0.001 mm/min, θ 0.2: 612 mm from one face, 433 from two."""
    _, fabric = draw_fabric(np.random.default_rng(1))
    fabric.suction, fabric.evaporation, fabric.porosity = 1.0, 0.001, 0.2
    assert 1000 * fabric.rise(leaf_m, faces=faces) == pytest.approx(rise_mm, abs=0.6)


def test_the_wet_radius_takes_what_leaks() -> None:
    """Wooding (1968): K (π r² + 4 r / α) must be twice the leak where half the ground is there."""
    k, alpha, litres = 1e-6, 8.0, 50.0
    r = wet_radius(litres, conductivity_m_s=k, sorptive_1_m=alpha)
    taken_m3_s = k * (math.pi * r**2 + 4 * r / alpha)
    assert taken_m3_s * 86400 * 1000 == pytest.approx(2 * litres, rel=1e-9)


def _node(name: str, kind: str, spill: float, invert: float, area: float = 0.0225) -> Node:
    return Node(
        id=name, kind=kind, chainage=0.0, offset=0.2, own=np.zeros(2), spill=spill, rim=spill, invert=invert,
        area_m2=area,
    )  # fmt: skip


def _pipe(name: str, start: str, end: str, length: float, up: float, down: float) -> Pipe:
    return Pipe(id=name, start=start, end=end, own=np.array([[0.0, 0.0], [length, 0.0]]), up=up, down=down)


def test_a_failed_soakaway_spills_at_the_buried_socket() -> None:
    """By hand: two gullies with rims 9.790 and 9.835 and a cracked socket at 9.640 above a stopped soakaway.

    The socket is lowest. Pipes 13 m full and half the stopped 5 m, 7.854 l/m: 102.1 + 19.6; risers of
    150 by 150 mm above the inverts: 0.220 and 0.160 m at 22.5 l/m, 4.95 and 3.60 l; a 68 mm pipe 0.250 m,
    0.91 l. Together 131.2 l.
    """
    drains = Drainage(
        nodes={
            "G1": _node("G1", "gully", 9.790, 9.420), "G2": _node("G2", "gully", 9.835, 9.480),
            "D3": _node("D3", "downpipe", 9.640, 9.390, math.pi * 0.034**2),
            "J": _node("J", "chamber", math.inf, 9.300, 0.0),
            "SA1": _node("SA1", "soakaway", math.inf, 9.220),
        },
        pipes={
            "R1": _pipe("R1", "G1", "J", 6.0, 9.420, 9.300), "R2": _pipe("R2", "G2", "J", 4.0, 9.480, 9.300),
            "R3": _pipe("R3", "D3", "J", 3.0, 9.390, 9.300), "R4": _pipe("R4", "J", "SA1", 5.0, 9.300, 9.220),
        },
    )  # fmt: skip
    found = back_up(drains, stopped="R4", start="D3")
    assert found is not None
    assert (found.node, found.level) == ("D3", 9.640)
    assert found.litres == pytest.approx(13 * 7.854 + 2.5 * 7.854 + 4.95 + 3.60 + 0.908, abs=0.1)


def test_nothing_spills_where_every_way_out_is_sealed() -> None:
    """Nothing spills where every way out is sealed."""
    drains = Drainage(
        nodes={"A": _node("A", "chamber", math.inf, 9.0), "B": _node("B", "chamber", math.inf, 8.9)},
        pipes={"R1": _pipe("R1", "A", "B", 4.0, 9.0, 8.9)},
    )
    assert back_up(drains, stopped="R1", start="A") is None


def test_debris_passes_water_only_where_the_outer_leaf_beside_it_is_wet() -> None:
    """Debris 60 mm over the inner course bridges; with the outer leaf dry there is nothing to pass."""
    rng = np.random.default_rng(5)
    plot, fabric = draw_fabric(rng)
    while fabric.solid:
        plot, fabric = draw_fabric(rng)
    fabric.debris_top[10:16] = fabric.inner_course[10:16] + 0.06
    z = levels_of(fabric)
    dry = np.zeros((len(plot.wall.s), len(z)))
    assert over_debris(fabric, dry, z, 0.3).max() == 0
    passed = over_debris(fabric, dry + 0.8, z, 0.3)
    wet = (passed > SEEN_WET).any(axis=1)
    assert wet[10:16].all()
    assert wet.sum() == 6


def test_a_front_is_full_at_its_foot_and_ends_at_its_top() -> None:
    """A front is full at its foot and ends at its top."""
    z = np.array([0.0, 0.25, 0.5])
    got = front(z, np.array([0.0]), np.array([0.5]), np.array([0.8]))[0]
    assert got[0] == pytest.approx(0.8)
    assert got[1] == pytest.approx(0.8 * (1 - 0.125))
    assert got[2] == 0.0


def test_no_way_along_the_outside_crosses_a_party_wall() -> None:
    """A 6 by 8 m house, left flank (0 to 8 m) a party wall: from 9 m to 27 m it is 18 m, not 10 back."""
    wall = Wall(
        corners=np.array([[0.0, 0.0], [0.0, 8.0], [6.0, 8.0], [6.0, 0.0]]),
        free=np.array([False, True, True, True]), turn=np.eye(2), shift=np.zeros(2),
    )  # fmt: skip
    along = wall.along(9.05)
    assert along[int(wall.at(27.05))] == pytest.approx(18.0, abs=1e-9)
    assert math.isinf(along[int(wall.at(4.0))])


# --- houses ----------------------------------------------------------------------------------------
def test_a_house_is_the_same_however_it_is_come_by() -> None:
    """A house is the same however it is come by."""
    one, other = draw_house(3, 7), draw_house(3, 7)
    assert one.site.records == other.site.records
    assert one.causes == other.causes
    assert draw_house(3, 8).site.records != one.site.records
    assert draw_house(4, 7).site.records != one.site.records


@pytest.mark.parametrize("number", HOUSES)
def test_every_house_has_one_to_six_causes_and_something_wet_inside(number: int) -> None:
    """Every house has one to six causes and something wet inside."""
    house = draw_house(1, number)
    assert 1 <= len(house.causes) <= 6
    assert any(true.wets_inside for true in house.causes)
    for true in house.causes:
        assert true.ranges
        for one in true.ranges:
            assert 0 <= one.from_m <= house.length_m
    assert len(house.site.of("reading")) > 20
    assert not any("None" in record.id for records in house.site.records.values() for record in records)


def test_what_is_recorded_never_says_what_is_true_of_the_whole() -> None:
    """Over a score of houses some faults are missed and some seen: neither all nor none."""
    seen = missed = 0
    for number in range(1, 26):
        house = draw_house(2, number)
        states = {
            one.id: getattr(one, "state", "") for kind in ("gully", "downpipe") for one in house.site.of(kind)
        }
        for true in house.causes:
            if true.cause in ("S01", "S02") and true.of_ids[0] in states:
                seen += states[true.of_ids[0]] != "sound"
                missed += states[true.of_ids[0]] == "sound"
    assert seen > missed > 0


def test_a_written_house_is_a_site_with_no_error(tmp_path: Path) -> None:
    """A written house is a site with no error."""
    folder = tmp_path / "house"
    result = CliRunner().invoke(app, ["houses", "--write-site", "2", str(folder)])
    assert result.exit_code == 0, result.output
    site = read_checked(folder)
    assert site.of("reading") == draw_house(1, 2).site.of("reading")
    assert "[[cause]]" in (folder / "truth.toml").read_text()
    again = CliRunner().invoke(app, ["houses", "--write-site", "2", str(folder)])
    assert again.exit_code == 1
    assert "Name a new folder" in again.output


# --- scoring ------------------------------------------------------------------------------------------
def test_shares_have_wilson_intervals() -> None:
    """Against scipy's own Wilson interval of the binomial test."""
    for hits, of in ((0, 9), (3, 10), (57, 100), (12, 12)):
        ours, theirs = share(hits, of), binomtest(hits, of).proportion_ci(method="wilson")
        assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), abs=1e-12)
    assert share(0, 0).said == "none"


def test_overlaps_through_the_origin() -> None:
    """Ring of 30 m: 28 to 2 m and 1 to 5 m share 1 m; 29 to 3 m and 28 to 2 m share 3 m."""
    assert _overlap(Range(side="inside", from_m=28, to_m=2), 1, 5, 30) == pytest.approx(1)
    assert _overlap(Range(side="inside", from_m=29, to_m=3), 28, 2, 30) == pytest.approx(3)
    assert _overlap(Range(side="inside", from_m=4, to_m=6), 10, 12, 30) == 0
    assert _overlap(Range(side="inside", from_m=0, to_m=30), 10, 12, 30) == pytest.approx(2)


def test_odd_houses_are_tuned_on_and_even_ones_reported() -> None:
    """Odd houses are tuned on and even ones reported."""
    assert numbers_of(6, "tune") == [1, 3, 5]
    assert numbers_of(6, "report") == [2, 4, 6]
    assert not set(numbers_of(99, "tune")) & set(numbers_of(99, "report"))


def _claim(stretch: str, cause: str, of_id: str, word: str, *, true: bool) -> Claim:
    return Claim(
        stretch_id=stretch, side="inside", cause=cause, of_id=of_id, word=word, points=0.0, true=true
    )


def test_a_report_counts_as_one_would_by_hand() -> None:
    """Two true causes, one found; G1 said of two stretches counts once and is true, G2 is not.

    Recall 1 of 2, precision 1 of 2; the one proven claim is false, so proven and wrong is 1 of 1.
    """
    scored = Scored(
        seed=1, number=2, readings=80,
        claims=(
            _claim("W1", "S01", "G1", "supported", true=False), _claim("W2", "S01", "G1", "supported", true=True),
            _claim("W1", "S02", "D1", "proven", true=False), _claim("W1", "S15", "", "possible", true=False),
        ),
        truths=(
            Truth(cause="S01", of_id="G1", inside=True, read=True, word="supported", nearest=True, highest=False),
            Truth(cause="S10", of_id="", inside=True, read=False, word="", nearest=False, highest=False),
        ),
        guesses=(Guess(way="nearest outlet", cause="S01", of_id="G1", true=True),),
        stretches=(
            StretchRow(
                stretch_id="W1", liquid=True, mimic=False, says_liquid=True, says_mimic=False, wet_m=4.0,
                unexplained_m=1.0, rightly_m=2.0,
            ),
        ),
        seconds=(0.1, 0.2, 0.3, 0.4),
    )  # fmt: skip
    report = report_of([scored])
    every, read, right = report.found["supported or better"]
    assert (every.hits, every.of) == (1, 2)
    assert (read.hits, read.of) == (1, 1)
    assert (right.hits, right.of) == (1, 2)
    assert (report.proven_wrong.hits, report.proven_wrong.of) == (1, 1)
    assert report.words["supported"].hits == 1
    assert report.metres == (4.0, 1.0, 2.0)
    assert report.guessing["nearest outlet"][0].hits == 1
    assert any("unexplained 25 %" in line for line in report_lines(report, title="by hand"))


def test_a_mimic_is_told_from_water_in_the_truth() -> None:
    """A mimic is told from water in the truth."""
    wet = TrueCause(cause="S15", of_ids=(), routes=(), ranges=(Range(side="inside", from_m=0, to_m=1),))
    assert wet.mimic
    assert wet.wets_inside
    assert Cover(wet_m=1.0, by={}).unexplained_m == 0


def test_a_wrong_half_is_refused_in_one_sentence() -> None:
    """A wrong half is refused in one sentence."""
    result = CliRunner().invoke(app, ["houses", "--half", "third"])
    assert result.exit_code == 1
    assert "one of report, tune, both" in result.output


def test_two_houses_go_all_the_way_through(tmp_path: Path) -> None:
    """The command itself: processes, tables, files."""
    out = tmp_path / "out"
    result = CliRunner().invoke(
        app, ["houses", "--count", "2", "--half", "tune", "--jobs", "1", "--out", str(out)]
    )
    assert result.exit_code == 0, result.output
    assert "recall" in result.output
    names = {path.name for path in out.iterdir()}
    assert {"report.txt", "words.svg", "truths.csv", "claims.csv", "stretches.csv", "by_cause.csv"} <= names
